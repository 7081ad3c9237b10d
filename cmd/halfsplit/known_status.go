package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/references"
)

// mostReadNext is how many pieces of reading to do are shown; --json gives all.
const mostReadNext = 8

// standing is what `known status --json` prints.
type standing struct {
	Revisions []revisionStanding   `json:"revisions"`
	Next      []references.Reading `json:"next"` // what narrows the intervals most first
}

type revisionStanding struct {
	Board    string                `json:"board"`
	Revision string                `json:"revision"`
	Sweeps   int                   `json:"sweeps"`
	Pins     []references.Standing `json:"pins"`
	Apart    []string              `json:"meters_apart"` // sorts of meter that no board joins to another sort
}

func (a *app) knownStatusCommand() *cobra.Command {
	var boards []string
	cmd := &cobra.Command{
		Use:   "status FOLDER",
		Short: "how well each pin is known on all revisions, and what to read next",
		Long: `status shows on how many good boards each pin was read, and with how many meters, for
each revision whose board file --board names, and what to read next: the pins at which
one board more narrows the interval of good boards most. A new revision begins with
what to read on it. Counted is what was read with the red probe on ground; pins on
ground are left out.`,
		Example:           "  halfsplit known status kestrel/known --board kestrel/board.yaml --board kestrel/board-d.yaml",
		Args:              arguments("FOLDER of sweeps"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: a.on(func(s *screen, args []string) error {
			if boards == nil {
				boards = []string{""} // says that one is missing
			}
			var libs []*references.Library
			for _, board := range boards {
				_, lib, err := a.library(args[0], board)
				if err != nil {
					return err
				}
				libs = append(libs, lib)
			}
			answer := standing{Next: references.ReadNext(libs)}
			for _, l := range libs {
				answer.Revisions = append(answer.Revisions, revisionStanding{l.Board, l.Revision, len(l.Sweeps), l.Standings(), l.Apart()})
			}
			return a.answer(answer, func() { s.standing(libs, answer.Next) })
		}),
	}
	cmd.Flags().StringArrayVar(&boards, "board", nil, "`FILE` of a revision of the board; may be repeated")
	mustComplete(cmd, "board", completeYAML)
	a.jsonFlag(cmd, ": volts")
	return cmd
}

func (s *screen) standing(libs []*references.Library, next []references.Reading) {
	columns := []column{{head: "at", give: true}, {head: "net", give: true}}
	var rows [][]cell
	row := make(map[string]int) // by pin
	for i, l := range libs {
		s.libraryHead(l)
		columns = append(columns, column{head: revisionText(l), right: true})
		for _, p := range l.Standings() {
			k, begun := row[p.At]
			if !begun {
				k = len(rows)
				row[p.At] = k
				rows = append(rows, append([]cell{{name(p.At), plain}, {name(p.Net), faint}}, make([]cell, len(libs))...))
			}
			text, look := "-", yellow
			if p.Boards > 0 {
				text, look = fmt.Sprintf("%d with %d", p.Boards, len(p.Meters)), plain
			}
			rows[k][2+i] = cell{text, look}
		}
	}
	s.heading("BOARDS READ", "with how many meters; - is none")
	s.table(2, columns, rows)
	s.heading("READ NEXT", "95 % interval of good boards, now and with one more")
	var todo [][]cell
	for i, n := range next[:min(len(next), mostReadNext)] {
		todo = append(todo, []cell{{fmt.Sprint(i + 1), plain}, {revisionText(n.Library), plain}, {name(n.Connector), strong}, {wording.Count(len(n.Pins), "pin") + ": " + someNames(n.Pins, 3), plain}, {fmt.Sprint(n.Boards), plain}, {millivolts(n.HalfWidth), plain}, {millivolts(n.Next), strong}})
	}
	s.table(2, []column{{right: true}, {}, {}, {give: true}, {head: "boards", right: true}, {head: "now", right: true}, {head: "with one more", right: true}}, todo)
	for _, l := range libs {
		if apart := l.Apart(); len(apart) > 0 {
			s.gap()
			s.prose(2, 0, plain, fmt.Sprintf("On %s no board was read with a meter of %s and with another: read one with both, under one sample name. Conversion then leaves about 2 mV instead of 10 to 40 mV.", revisionText(l), strings.Join(apart, " or of ")))
		}
	}
}

func revisionText(l *references.Library) string {
	if l.Revision == "" {
		return name(l.Board)
	}
	return "revision " + name(l.Revision)
}

func millivolts(volts float64) string { return fmt.Sprintf("± %.0f mV", 1000*volts) }
