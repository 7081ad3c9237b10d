package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/coverage"
	"halfsplit/engine/fault"
	"halfsplit/references"
)

// How much of the answer is printed where --all is not given.
const (
	coverageNames  = 12 // of one reason and mode
	coverageRows   = 12 // of faults seen in part
	coverageGroups = 8
	coverageSplits = 2 // points of one group
	coveragePoints = 8
)

func (a *app) coverageCommand() *cobra.Command {
	var r reader
	var q coverage.Request
	var known string
	var all bool
	cmd := &cobra.Command{
		Use:   "coverage BOARD",
		Short: "say which faults a sweep of the connectors can detect",
		Long: `coverage goes through everything that can go wrong on a board and says what a sweep
of its connectors shows of it: which faults it detects, at which resistance a
leak becomes too small, whether the probes swapped or resistance mode would show
more, which faults are one ambiguity group, and which inner points, measured on good
boards as well, would distinguish those best.

A fault counts as detected where it moves a pin by three standard deviations of good
boards and meter together, or to or from OL.

The answer is as good as what is known of good boards: name their sweeps with
--known. The meter is a common hand meter: 1 mA up to 3 V, OL above 2 V.`,
		Example: `  halfsplit coverage kestrel/board.yaml --known kestrel/known
  halfsplit coverage kestrel/board.yaml --known kestrel/known --connector J7 --all`,
		Args:              arguments("BOARD file"),
		ValidArgsFunction: completeFiles(kindBoard),
		RunE: a.on(func(s *screen, args []string) error {
			options, err := r.options()
			if err != nil {
				return err
			}
			b, lib, err := a.openBoard(args[0], known)
			if err != nil {
				return err
			}
			options.Task = a.begin("every fault", b)
			e, err := engine.New(b, lib, options)
			if err != nil {
				return err
			}
			bar := a.progress("solving")
			q.Meter, q.Progress = references.DefaultMeter(), bar.show
			x, err := e.Coverage(q)
			bar.clear()
			if err != nil {
				return err
			}
			return a.answer(x, func() { s.reach(x, all) })
		}),
	}
	flags := cmd.Flags()
	a.jsonFlag(cmd, siUnits)
	flags.BoolVar(&all, "all", false, "list every fault and every group")
	flags.StringArrayVar(&q.Connectors, "connector", nil, "`CONNECTOR` to sweep; may be repeated, all where none is given")
	folderFlag(cmd, &known, "known", "`FOLDER` of known-good sweeps")
	fileFlag(cmd, &r.priors, "priors", "`FILE` of likelihoods of faults, over the built-in ones")
	mustComplete(cmd, "connector", completeConnectors)
	return cmd
}

// reach prints what a sweep can show: the summary first, then what stays hidden,
// then what stays alike.
func (s *screen) reach(x *coverage.Coverage, all bool) {
	s.say(s.paint(strong, wording.Board(x.Board, x.Revision)))
	s.heading("COVERAGE", wording.Count(x.Pins, "pin")+" of "+someNames(x.Connectors, mostNames)+", red-on-ground")
	sum := &x.Summary
	s.say("  " + wording.Count(sum.Faults, "fault") + " that the board can have. A sweep of these pins shows")
	never := "never"
	if sum.Beyond > 0 {
		never += fmt.Sprintf("; %d of them are on no line of these pins", sum.Beyond)
	}
	rows := [][]cell{
		{{fmt.Sprint(sum.Seen), strong}, {"whatever their resistance", plain}},
		{{fmt.Sprint(sum.InPart), strong}, {"over part of their range of resistance", plain}},
		{{fmt.Sprint(sum.Never), strong}, {never, plain}},
	}
	s.table(4, []column{{right: true}, {give: true}}, rows)
	s.prose(2, 0, plain, "Weighted by how often each happens, it shows "+wording.Percent(sum.Share)+" of what goes wrong on these lines.")
	s.prose(2, 0, plain, fmt.Sprintf("What it shows falls into %s of faults that no pin distinguishes (ambiguity groups); %d of them are in one place each.",
		wording.Count(sum.Groups, "group"), sum.Single))
	switch {
	case x.Known == 0:
		s.prose(2, 0, yellow, "No good board was measured: only shorts and opens count. Name good sweeps with --known.")
	case x.Known < x.Pins:
		s.prose(2, 0, yellow, fmt.Sprintf("Good boards were measured at %d of %s; the others are predicted.", x.Known, wording.Count(x.Pins, "pin")))
	}
	s.neverSeen(x, all)
	s.seenInPart(x, all)
	s.coverageGroups(x, all)
	s.worthReading(x, all)
}

// most is how much is listed: all of it, or so much.
func most(all bool, n int) int {
	if all {
		return math.MaxInt
	}
	return n
}

// whyOrder is the order in which reasons are printed; the last one is only counted
// unless everything is to be listed.
var whyOrder = []string{coverage.WhyUnknown, coverage.WhyOpen, coverage.WhySmall, coverage.WhyNoCurrent, coverage.WhyBeyond}

// neverSeen lists what the sweep does not show at all, by reason and mode.
func (s *screen) neverSeen(x *coverage.Coverage, all bool) {
	if x.Summary.Never == 0 {
		return
	}
	s.heading("NOT DETECTABLE", wording.Count(x.Summary.Never, "fault"))
	for _, why := range whyOrder {
		var modes []string
		lists := map[string][]string{}
		other, inOhms, n := 0, 0, 0
		for i := range x.Faults {
			f := &x.Faults[i]
			if f.Range != coverage.SeenNever || f.Why != why {
				continue
			}
			n++
			if lists[f.Mode] == nil {
				modes = append(modes, f.Mode)
			}
			lists[f.Mode] = append(lists[f.Mode], f.At)
			if f.OtherPolarity {
				other++
			}
			if f.ResistanceMode {
				inOhms++
			}
		}
		if n == 0 {
			continue
		}
		s.say("  " + s.paint(strong, why) + s.paint(faint, fmt.Sprintf("  %d", n)))
		if why == coverage.WhyBeyond && !all {
			s.prose(4, 2, faint, "--all lists them")
			continue
		}
		for _, m := range modes {
			s.prose(4, 2, plain, name(m)+": "+someNames(lists[m], most(all, coverageNames)))
		}
		var ways []string
		if other > 0 {
			ways = append(ways, fmt.Sprintf("%d with the probes swapped", other))
		}
		if inOhms > 0 {
			ways = append(ways, fmt.Sprintf("%d in resistance mode", inOhms))
		}
		if len(ways) > 0 {
			s.prose(4, 2, cyan, "of these, the pins show "+strings.Join(ways, " and "))
		}
	}
}

// partRow is a row of the table of faults seen in part: faults that vanish at one
// resistance at one pin.
type partRow struct {
	names  []string
	fields [5]string // mode, pin, where it vanishes by each way
	limit  float64
}

// seenInPart lists faults that vanish at some resistance, those that hide soonest
// first.
func (s *screen) seenInPart(x *coverage.Coverage, all bool) {
	if x.Summary.InPart == 0 {
		return
	}
	s.heading("PARTLY DETECTABLE", wording.Count(x.Summary.InPart, "fault")+"; all, none: whatever their resistance")
	paths, series := partRows(x)
	slices.SortStableFunc(paths, func(a, b *partRow) int { return cmp.Compare(fault.Level(a.limit), fault.Level(b.limit)) })
	slices.SortStableFunc(series, func(a, b *partRow) int { return cmp.Compare(fault.Level(b.limit), fault.Level(a.limit)) })
	gap := false
	for _, t := range []struct {
		what string
		rows []*partRow
	}{{"too small above", paths}, {"too small below", series}} {
		if len(t.rows) == 0 {
			continue
		}
		if gap {
			s.gap()
		}
		gap = true
		shown := t.rows[:min(len(t.rows), most(all, coverageRows))]
		var rows [][]cell
		for _, p := range shown {
			text := name(p.names[0])
			switch {
			case all:
				text = someNames(p.names, most(all, 0))
			case len(p.names) > 1:
				text += fmt.Sprintf(" and %d more", len(p.names)-1)
			}
			row := []cell{{text, plain}}
			for i, f := range p.fields {
				st := plain
				if i > 2 {
					st = faint
				}
				row = append(row, cell{f, st})
			}
			rows = append(rows, row)
		}
		s.table(2, []column{{head: t.what, give: true}, {give: true}, {head: "pin"}, {head: "sweep", right: true}, {head: "swapped", right: true}, {head: "ohms mode", right: true}}, rows)
		if more := len(t.rows) - len(shown); more > 0 {
			s.say(s.paint(faint, fmt.Sprintf("  and %d more like these; --all lists them", more)))
		}
	}
}

// partRows gathers faults that vanish alike.
func partRows(x *coverage.Coverage) (paths, series []*partRow) {
	have := map[[5]string]*partRow{}
	for i := range x.Faults {
		f := &x.Faults[i]
		if f.Range != coverage.SeenPart {
			continue
		}
		limit, list := f.VanishesAbove, &paths
		if limit == nil {
			limit, list = f.VanishesBelow, &series
		}
		fields := [5]string{name(f.Mode), name(f.By), limitOhms(*limit), elsewhere(f.OtherPolarity, f.OtherPolarityLimit), elsewhere(f.ResistanceMode, f.ResistanceLimit)}
		row := have[fields]
		if row == nil {
			row = &partRow{fields: fields, limit: *limit}
			have[fields] = row
			*list = append(*list, row)
		}
		row.names = append(row.names, f.At)
	}
	return paths, series
}

// elsewhere says where another way of reading loses a fault: nowhere in its range of
// resistance, or all over it.
func elsewhere(seen bool, limit *float64) string {
	switch {
	case !seen:
		return "none"
	case limit == nil:
		return "all"
	}
	return limitOhms(*limit)
}

// limitOhms writes a resistance to two figures; below 1 ohm in ohms as well, as
// nobody reads mohm aloud.
func limitOhms(v float64) string {
	if v < 1 {
		return fmt.Sprintf("%.2g ohm", v)
	}
	return wording.RoughOhms(v)
}

// coverageGroups lists the ambiguity groups of several places, likeliest first, with
// what inner points would tell.
func (s *screen) coverageGroups(x *coverage.Coverage, all bool) {
	var several []*coverage.Group
	for i := range x.Groups {
		if len(x.Groups[i].Places) > 1 {
			several = append(several, &x.Groups[i])
		}
	}
	if len(several) == 0 {
		return
	}
	s.heading("AMBIGUITY GROUPS", "share of what the sweep shows, by likelihood")
	shown := several[:min(len(several), most(all, coverageGroups))]
	for i, g := range shown {
		if i > 0 {
			s.gap()
		}
		s.prose(2, 4, plain, fmt.Sprintf("%s of %s: %s", wording.Percent(g.Share), wording.Count(len(g.Places), "place"), someNames(g.Members, most(all, coverageNames/2))))
		if len(g.Points) == 0 {
			s.prose(4, 2, faint, "no inner point that a probe reaches distinguishes them")
		}
		for k := range g.Points[:min(len(g.Points), most(all, coverageSplits))] {
			p := &g.Points[k]
			var parts []string
			for j := range p.Subgroups {
				sub := &p.Subgroups[j]
				parts = append(parts, wording.Volts(sub.Volts, sub.Overload)+" "+someNames(sub.Members, most(all, 2)))
			}
			s.prose(4, 2, cyan, name(p.At)+" predicts "+strings.Join(parts, "; "))
		}
	}
	if more := len(several) - len(shown); more > 0 {
		s.gap()
		s.say(s.paint(faint, fmt.Sprintf("  and %s more; --all lists them", wording.Count(more, "group"))))
	}
}

// worthReading lists the inner points to add to the readings of good boards.
func (s *screen) worthReading(x *coverage.Coverage, all bool) {
	if len(x.Points) == 0 {
		return
	}
	s.heading("WORTH MEASURING ON GOOD BOARDS", "each one after those above it")
	var rows [][]cell
	for _, p := range x.Points[:min(len(x.Points), most(all, coveragePoints))] {
		rows = append(rows, []cell{{name(p.At), plain}, {name(p.Net), faint}, {"splits " + wording.Count(p.Splits, "group"), plain}, {fmt.Sprintf("%.1f %%", 100*p.Gain), faint}})
	}
	s.table(2, []column{{head: "point", give: true}, {head: "net", give: true}, {}, {head: "gain", right: true}}, rows)
}
