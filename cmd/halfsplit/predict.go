package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/diagnose"
	"halfsplit/engine/fit"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// predictions is what `predict --json` prints.
type predictions struct {
	Board    string                `json:"board"`
	Revision string                `json:"revision"`
	Points   []diagnose.Prediction `json:"points"`
}

func (a *app) predictCommand() *cobra.Command {
	var q diagnose.Question
	var known, meter string
	polarity := references.RedOnGround.String()
	cmd := &cobra.Command{
		Use:   "predict BOARD",
		Short: "predict the readings at every point",
		Long: `predict says what a meter shows at every point of a board, good or with
faults and work of your choice. Without --meter it is a common hand meter: 1 mA
up to 3 V, OL above 2 V.

A fault is written PART:MODE or PART.TERMINAL:MODE, with =OHMS where the mode
has a resistance, or CONNECTOR.PIN-CONNECTOR.PIN:bridged. Words of the bench are taken: dry joint,
cold joint, high. Behind ± stands one
standard deviation.`,
		Example: `  halfsplit predict kestrel/board.yaml --known kestrel/known
  halfsplit predict kestrel/board.yaml --known kestrel/known --fault R12:open
  halfsplit predict kestrel/board.yaml --removed R12 --point R12.1 --point R12.2
  halfsplit predict kestrel/board.yaml --known kestrel/known --meter 'test_current: 0.5 mA'`,
		Args:              arguments("BOARD file"),
		ValidArgsFunction: completeFiles(kindBoard),
		RunE: a.on(func(s *screen, args []string) error {
			p, ok := references.ParsePolarity(polarity)
			if !ok {
				return instead("`--polarity` cannot be "+quoted(polarity), "write red-on-ground or black-on-ground")
			}
			m := references.DefaultMeter()
			if meter != "" {
				var err error
				if m, err = readMeter(meter); err != nil {
					return err
				}
			}
			q.Setting = diagnose.Setting{Drive: fit.DriveOf(m), BlackOnGround: p == references.BlackOnGround}
			b, lib, err := a.openBoard(args[0], known)
			if err != nil {
				return err
			}
			e, err := engine.New(b, lib, engine.Options{Task: a.begin("every point asked for", b)})
			if err != nil {
				return err
			}
			list, err := e.Predict(q)
			if err != nil {
				return err
			}
			faults, err := faultWords(e, q.Faults)
			if err != nil {
				return err
			}
			return a.answer(predictions{b.Name, b.Revision, list}, func() {
				s.predictions(wording.Board(b.Name, b.Revision), faults, &q, p, len(lib.Sweeps), list, e.Doubts())
			})
		}),
	}
	flags := cmd.Flags()
	a.jsonFlag(cmd, siUnits)
	flags.StringArrayVar(&q.Faults, "fault", nil, "`FAULT` on the board, such as R12:open or C40:leaky=470; may be repeated")
	flags.StringArrayVar(&q.Removed, "removed", nil, "`PART` off the board; may be repeated")
	flags.StringArrayVar(&q.Jumpered, "jumpered", nil, "`PART` with a jumper across it; may be repeated")
	flags.StringArrayVar(&q.Replaced, "replaced", nil, "`PART` that is new and good; may be repeated")
	flags.StringArrayVar(&q.Points, "point", nil, "`POINT` to predict; may be repeated, all where none is given")
	folderFlag(cmd, &known, "known", "`FOLDER` of known-good sweeps")
	flags.StringVar(&polarity, "polarity", polarity, "`WHICH` probe is on ground: red-on-ground or black-on-ground")
	fileFlag(cmd, &meter, "meter", "`METER` that measures, as in sweep files, or a file that has one")
	mustComplete(cmd, "fault", completeFaults)
	mustComplete(cmd, "removed", completeParts)
	mustComplete(cmd, "jumpered", completeParts)
	mustComplete(cmd, "replaced", completeParts)
	mustComplete(cmd, "point", completePoints)
	mustComplete(cmd, "polarity", completeWords(references.RedOnGround.String(), references.BlackOnGround.String()))
	return cmd
}

// faultWords says which faults were understood, with the resistance that is taken
// where the mode has one.
func faultWords(e *engine.Engine, texts []string) ([]string, error) {
	var words []string
	for _, text := range texts {
		f, err := e.ParseFault(text)
		if err != nil {
			return nil, err
		}
		where, _, _ := strings.Cut(text, ":") // names the pin as well
		word := where + " " + f.Mode.String()
		if !math.IsInf(f.Ohms, 0) {
			word += " (" + wording.RoughOhms(f.Ohms) + ")"
		}
		words = append(words, word)
	}
	return words, nil
}

func (s *screen) predictions(board string, faults []string, q *diagnose.Question, p references.Polarity, sweeps int, list []diagnose.Prediction, doubts []string) {
	s.say(s.paint(strong, board))
	var changes []string
	for _, c := range []struct {
		what  string
		names []string
	}{{"with", faults}, {"removed", q.Removed}, {"jumpered", q.Jumpered}, {"replaced", q.Replaced}} {
		if len(c.names) > 0 {
			changes = append(changes, c.what+" "+somePhrases(c.names, mostNames, ", "))
		}
	}
	if len(changes) > 0 {
		s.prose(0, 2, plain, strings.Join(changes, "; "))
	}
	if d := q.Setting.Drive; d != fit.DriveOf(references.DefaultMeter()) {
		s.prose(0, 2, plain, fmt.Sprintf("a meter of %s up to %s, OL above %s", quantity.Format(d.Current, quantity.Ampere), quantity.Format(d.Open, quantity.Volt), quantity.Format(d.Over, quantity.Volt)))
	}
	s.doubts(doubts)
	known := "from " + wording.Count(sweeps, "known-good sweep")
	if sweeps == 0 {
		known = "no known good: junction drops are assumed"
	}
	s.heading("PREDICTED", p.String()+", "+known)

	changed := 0
	var rows [][]cell
	var slow []diagnose.Prediction
	for _, x := range list {
		row := []cell{{name(x.At), plain}, {name(x.Net), faint}, {wording.Spread(x.Volts, x.Overload, x.Sigma), plain}, {}, {boardsText(&x), faint}}
		if len(changes) > 0 {
			mark := change(&x)
			if mark.text != "" {
				changed++
			}
			row[2].style = mark.style
			row[3] = mark
		}
		rows = append(rows, row)
		if x.Settling > 0 {
			slow = append(slow, x)
		}
	}
	heads := []column{{head: "at", give: true}, {head: "net", give: true}, {head: "predicted"}, {}, {head: "measured on"}}
	if len(changes) > 0 {
		heads[3].head = "known good"
	}
	s.table(2, heads, rows)
	s.gap()
	for _, x := range slow {
		s.prose(2, 2, faint, fmt.Sprintf("%s settles for %s while capacitors charge.", name(x.At), wording.Duration(x.Settling)))
	}
	if len(changes) > 0 {
		s.say(fmt.Sprintf("  %d of %s would differ from a good board.", changed, wording.Count(len(list), "point")))
	}
}

// boardsText says how many good boards were read at the point.
func boardsText(x *diagnose.Prediction) string {
	if x.Boards == 0 {
		return ""
	}
	return wording.Count(x.Boards, "board")
}

// visible is the difference in volts from which a change is pointed out: what
// a display of 1 mV shows for certain.
const visible = 0.002

// change is how a predicted reading differs from that of the unchanged board.
func change(x *diagnose.Prediction) cell {
	was := wording.Volts(x.Good, x.GoodOL)
	switch {
	case x.Overload && x.GoodOL:
		return cell{}
	case x.Overload:
		return cell{"○ was " + was, loud}
	case x.GoodOL:
		return cell{"► was " + was, loud}
	case x.Volts == nil || x.Good == nil:
		return cell{}
	case *x.Volts < *x.Good-visible:
		return cell{"▼ was " + was, yellow}
	case *x.Volts > *x.Good+visible:
		return cell{"▲ was " + was, yellow}
	}
	return cell{}
}
