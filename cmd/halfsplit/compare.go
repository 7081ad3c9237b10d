package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/journal"
	"halfsplit/references"
)

// comparison is what `compare --json` prints.
type comparison struct {
	Board    string `json:"board"`
	Revision string `json:"revision"`
	// Implausible says that the readings are not those of the board; null where they
	// may be.
	Implausible *diagnose.Implausible `json:"implausible"`
	Doubts      []string              `json:"doubts,omitempty"` // as locate has them
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
			doubts := e.Doubts()
			return a.answer(comparison{c.Board.Name, c.Board.Revision, wrong, doubts, list}, func() {
				s.caseHead(c)
				s.doubts(doubts)
				if wrong != nil {
					s.implausible(wrong)
				}
				s.comparisons(list)
				for _, text := range openPins(list, c.Last(journal.Kind.Edits)) {
					s.prose(2, 2, plain, text)
				}
			})
		},
	}
	a.jsonFlag(cmd, siUnits)
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
			s.prose(2, 2, faint, fmt.Sprintf("%s settles for %s while capacitors charge; read it after that.", name(list[i].At), wording.Duration(list[i].Settling)))
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
	s.prose(2, 2, plain, wording.Count(len(list), "reading")+": "+strings.Join(words, ", "))
}

// openPins says of each point that reads OL while another point of its net reads as on a
// good board what that means, as the board lies since the given event.
func openPins(list []diagnose.Comparison, event int) (says []string) {
	last := map[[2]string]*diagnose.Comparison{} // by point and polarity
	for i := range list {
		if r := &list[i]; r.Event > event && r.To == "" && r.Net != "" && !r.Resistance {
			last[[2]string{r.At, r.Polarity}] = r
		}
	}
	for i := range list {
		r := &list[i]
		if r.Verdict != diagnose.IsOpen || last[[2]string{r.At, r.Polarity}] != r {
			continue
		}
		k := slices.IndexFunc(list, func(x diagnose.Comparison) bool {
			return x.Net == r.Net && x.Polarity == r.Polarity && x.Verdict == diagnose.Agrees && !x.Overload && x.Event > event && x.To == "" && !x.Resistance
		})
		if k >= 0 {
			says = append(says, fmt.Sprintf("%s measured OL, and %s on the same net measured %s, as on a good board: what is open lies at %[1]s, its pin, its joint or the trace to it; or the probe missed the pad.", name(r.At), name(list[k].At), wording.Volts(list[k].Volts, false)))
		}
	}
	return says
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
