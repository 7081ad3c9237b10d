package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/page"
	"halfsplit/engine/diagnose"
	"halfsplit/references"
)

// comparison is what `compare --json` prints.
type comparison struct {
	Board    string `json:"board"`
	Revision string `json:"revision"`
	// Implausible says that the readings are not those of the board; null where they
	// may be.
	Implausible *diagnose.Implausible `json:"implausible"`
	Readings    []diagnose.Comparison `json:"readings"`
}

func (a *app) compareCommand() *cobra.Command {
	var r reader
	cmd := &cobra.Command{
		Use:               "compare CASE",
		Short:             "compare every reading of a case with known good",
		Example:           "  halfsplit compare kestrel/cases/touch-dead.yaml",
		Args:              arguments("CASE file"),
		ValidArgsFunction: completeFiles(kindCase),
		RunE: func(_ *cobra.Command, args []string) error {
			s, c, e, err := a.showCase(args[0], &r)
			if err != nil {
				return err
			}
			list, err := e.Compare(c)
			if err != nil {
				return err
			}
			wrong, err := e.Implausible(c, list)
			if err != nil {
				return err
			}
			return a.answer(comparison{c.Board.Name, c.Board.Revision, wrong, list}, func() {
				s.caseHead(c)
				if wrong != nil {
					s.implausible(wrong)
				}
				s.comparisons(list)
			})
		},
	}
	a.jsonFlag(cmd, ": SI units, null for OL and for what is not known")
	return cmd
}

// A reading that no good board was read for is compared with what the estimated
// circuit predicts, and marked.
const (
	predictedMark = "*"
	predictedNote = predictedMark + " predicted by the estimated circuit; no good board was read like this"
)

func (s *screen) comparisons(list []diagnose.Comparison) {
	if len(list) == 0 {
		s.gap()
		s.say("No readings yet.")
		return
	}
	mixed := false
	for i := range list {
		mixed = mixed || list[i].Polarity == blackOnGround
	}
	var rows [][]cell
	tally := make(map[diagnose.Verdict]int)
	predicted := false
	for i := range list {
		row := comparisonRow(&list[i], mixed)
		predicted = predicted || strings.HasSuffix(row[goodColumn].text, predictedMark)
		rows = append(rows, row)
		tally[list[i].Verdict]++
	}
	s.heading("READINGS", "dev beyond 3.3: 1 good board in 1,000")
	s.table(2, comparisonColumns(mixed), rows)
	s.gap()
	if predicted {
		s.say("  " + s.paint(faint, predictedNote))
	}
	for i := range list {
		if list[i].Settling > 0 {
			s.prose(2, 2, faint, fmt.Sprintf("%s settles for %s while capacitors charge; read it after that.", name(list[i].At), duration(list[i].Settling)))
		}
	}
	if v := moved(list); math.Abs(v) >= tellMoved {
		s.prose(2, 2, faint, fmt.Sprintf("Known good is moved by %+.0f mV for this board (in the middle), as its other lines read.", 1e3*v))
	}
	var words []string
	for _, v := range []diagnose.Verdict{diagnose.Agrees, diagnose.Low, diagnose.High, diagnose.IsShorted, diagnose.IsOpen, diagnose.UnexpectedPath, diagnose.NoKnownGood} {
		word := string(v)
		if v == diagnose.Agrees && tally[v] > 1 {
			word = "agree"
		}
		if tally[v] > 0 {
			words = append(words, fmt.Sprintf("%d %s", tally[v], word))
		}
	}
	s.prose(2, 2, plain, count(len(list), "reading")+": "+strings.Join(words, ", "))
}

// tellMoved is the shift of known good in volts that is worth telling.
const tellMoved = 0.002

// moved gives the median shift of known good in volts, 0 where there is none.
func moved(list []diagnose.Comparison) float64 {
	var all []float64
	for i := range list {
		if m := list[i].Moved; m != nil {
			all = append(all, *m)
		}
	}
	if len(all) == 0 {
		return 0
	}
	return references.Median(all)
}

// Columns of a comparison.
const (
	goodColumn     = 4
	distanceColumn = 5
)

func comparisonColumns(mixed bool) []column {
	ground := column{}
	if mixed {
		ground.head = "ground"
	}
	return []column{{head: "at", give: true}, {head: "net", give: true}, ground, {head: "measured", right: true}, {head: "known good"}, {head: "dev", right: true}, {head: "verdict"}}
}

// comparisonRow is one reading as a row of comparisonColumns. With mixed
// polarities the probe that is on ground is said.
func comparisonRow(r *diagnose.Comparison, mixed bool) []cell {
	at, ground, off := page.Where(r.At, r.To), "", ""
	if mixed {
		ground, _, _ = strings.Cut(r.Polarity, "-")
	}
	v := verdict(r.Verdict)
	read := cell{volts(r.Volts, r.Overload), v.style}
	if r.Verdict == diagnose.Agrees || r.Verdict == diagnose.NoKnownGood {
		read.style = plain
	}
	good := "none"
	switch {
	case r.Resistance || r.Ohms != nil:
		if r.Ohms != nil {
			read.text = ohms(*r.Ohms)
		}
		if r.Predicted != nil {
			good = ohms(*r.Predicted) + predictedMark
		} else if r.PredictedOverload {
			good = "OL" + predictedMark
		}
	case r.KnownGood != nil || r.KnownGoodOverload:
		good = spread(r.KnownGood, r.KnownGoodOverload, r.Sigma)
	case r.Predicted != nil || r.PredictedOverload:
		good = spread(r.Predicted, r.PredictedOverload, r.Sigma) + predictedMark
	}
	if good != "none" && !r.Overload && !r.KnownGoodOverload && !r.Resistance && r.Ohms == nil {
		switch {
		case r.ZScore > 99.9:
			off = ">+99"
		case r.ZScore < -99.9:
			off = "<-99"
		default:
			off = signed(r.ZScore)
		}
	}
	return []cell{{at, plain}, {name(r.Net), faint}, {ground, faint}, read, {good, plain}, {off, faint}, v}
}
