package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/netlist/document"
	"halfsplit/netlist/document/wholefile"
	"halfsplit/netlist/draft"
	"halfsplit/netlist/draft/table"
)

// draftFlags say what to draft and where to write it.
type draftFlags struct {
	connectors, columns         []string
	board, revision, ground, to string
	hops                        int
	all, update                 bool
}

func (a *app) draftCommand() *cobra.Command {
	f := &draftFlags{}
	cmd := &cobra.Command{
		Use:   "draft FILE",
		Short: "make a board file from a netlist, a layout or a table of pins",
		Long: `draft makes a board file that passes check at once, from a netlist of KiCad (.net), a
layout of KiCad (.kicad_pcb), an IPC-D-356A test file, or a table saved as CSV, one
row for each pin (part, pin, net, and where known kind, value and title). The kind of
file is told from its content.

Name the connector that the complaint is about with --connector; without it, the
candidates are listed. What comes along: its lines up to the first ICs, what hangs
on them, the supplies they touch, and of each IC the pins that matter. --all takes
the whole board.

What was guessed is marked "# ?" in the file and listed, what matters most first.
Where the file that --to names already exists, what would change is shown: marked
guesses are replaced, all else stays as people wrote it. --update writes it. FILE may
be a pipe; - is standard input.`,
		Example: `  halfsplit draft lamp.net
  halfsplit draft lamp.net --connector J7 --to board.yaml
  halfsplit draft lamp-2.net --connector J7 --to board.yaml --update
  halfsplit draft pins.csv --column part=Designator --column net="Net name" --all`,
		Args: arguments("FILE"),
		RunE: a.on(func(s *screen, args []string) error { return a.draft(s, args[0], f) }),
	}
	flags := cmd.Flags()
	flags.StringArrayVar(&f.connectors, "connector", nil, "`NAME` of the connector to begin at, or of any part to be called one; may be repeated")
	flags.IntVar(&f.hops, "hops", 4, "how many parts away from the connector a line is followed")
	flags.BoolVar(&f.all, "all", false, "take the whole board")
	flags.StringVar(&f.ground, "ground", "", "`NET` that is ground, where its name does not say")
	flags.StringVar(&f.board, "board", "", "`NAME` of the board")
	flags.StringVar(&f.revision, "revision", "", "`REVISION` of the board")
	flags.StringArrayVar(&f.columns, "column", nil, "`KEY=HEADING` of a table; may be repeated")
	flags.StringVar(&f.to, "to", "", "`FILE` to write; otherwise the screen")
	flags.BoolVar(&f.update, "update", false, "write the changes into the file that is there")
	a.jsonFlag(cmd, ": what was drafted, guessed and left out; volts")
	return cmd
}

func (a *app) draft(s *screen, file string, f *draftFlags) error {
	if isYAML(file) { // and not named so by mistake
		if nodes, err := document.Read(file, 0); err == nil && len(nodes) > 0 {
			return instead(quoted(file)+" is YAML, which needs no drafting", "name a netlist, a layout or a table; a board file is ready for `halfsplit check`")
		}
	}
	columns, err := table.ParseMap(f.columns)
	if err != nil {
		return err
	}
	switch {
	case f.hops < 1:
		return instead("`--hops` is at least 1", "write how many parts away from the connector, or --all for the whole board")
	case f.update && f.to == "":
		return instead("`--update` needs the file to update", "name it with --to")
	}
	for _, x := range []struct{ flag, text string }{{"--board", f.board}, {"--revision", f.revision}} {
		if r, hidden := document.Hidden(x.text); hidden {
			return instead(fmt.Sprintf("`%s` holds the character U+%04X, which does not show", x.flag, r), "leave it out")
		}
	}
	in, err := a.source(file)
	if err != nil {
		return err
	}
	defer in.Close()
	drawn, err := draft.Read(in, file, columns)
	if err != nil {
		return err
	}
	if f.board != "" {
		drawn.Board = f.board
	}
	if f.revision != "" {
		drawn.Revision = f.revision
	}
	d, err := draft.Make(drawn, f.ground, f.connectors)
	if err != nil {
		return err
	}
	if !f.all {
		candidates := d.Candidates()
		if len(f.connectors) == 0 && len(candidates) == 1 {
			f.connectors = []string{candidates[0].Name}
		}
		if len(f.connectors) == 0 {
			return a.candidates(s, candidates)
		}
		if d, err = d.Near(f.connectors, f.hops); err != nil {
			return err
		}
	}
	if drawn.Drawn && file != "-" && f.to != "" {
		d.Layout = beside(f.to, file)
	}
	text, err := d.Text()
	if err != nil {
		return err
	}
	answer := draftAnswer(d)
	if f.to == "" {
		if a.asJSON {
			return a.json(answer)
		}
		_, err := fmt.Fprint(a.out, text)
		return err
	}
	old, err := os.ReadFile(f.to)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if err := wholefile.New(f.to, []byte(text)); err != nil {
			return instead(quoted(f.to)+" cannot be written: "+document.Reason(err), "name a file in a folder where you may write")
		}
		answer.Wrote = f.to
	case err != nil:
		return instead(quoted(f.to)+" cannot be read: "+document.Reason(err), "name another file")
	default:
		merged, changes, err := draft.Merge(string(old), text, f.to)
		if err != nil {
			return err
		}
		answer.changes(changes, merged != string(old))
		if f.update && merged != string(old) {
			same := func(head []byte) bool { return bytes.HasPrefix(old, head) } // nobody wrote it meanwhile
			if err := wholefile.Replace(f.to, []byte(merged), same); err != nil {
				return instead(quoted(f.to)+" cannot be written: "+document.Reason(err), "check that you may write it")
			}
			answer.Wrote = f.to
		}
	}
	return a.answer(answer, func() { s.drafted(f, answer) })
}

// beside is the path of a file from the folder of another one, with strokes as board
// files have them; empty where there is no such path.
func beside(from, file string) string {
	folder, err := filepath.Abs(filepath.Dir(from))
	if err != nil {
		return ""
	}
	if file, err = filepath.Abs(file); err != nil {
		return ""
	}
	rel, err := filepath.Rel(folder, file)
	if _, hidden := document.Hidden(rel); err != nil || hidden {
		return ""
	}
	return filepath.ToSlash(rel)
}

// candidates lists the connectors that can be named, and asks for one.
func (a *app) candidates(s *screen, list []draft.Candidate) error {
	if len(list) == 0 {
		return instead("nothing on the board looks like a connector", "name the part to begin at with --connector, or take the whole board with --all")
	}
	err := a.answer(struct {
		Candidates []draft.Candidate `json:"candidates"`
	}{list}, func() {
		s.heading("CONNECTORS", "those with the most lines first")
		var rows [][]cell
		for _, c := range list {
			guessed := ""
			if c.Guessed {
				guessed = "guessed"
			}
			rows = append(rows, []cell{{name(c.Name), strong}, {fmt.Sprint(c.Pins), plain}, {fmt.Sprint(c.Lines), plain}, {prose(c.Title), plain}, {guessed, plain}})
		}
		s.table(2, []column{{head: "name"}, {head: "pins", right: true}, {head: "lines", right: true}, {head: "title", give: true}, {head: ""}}, rows)
		s.gap()
	})
	if err != nil {
		return err
	}
	return instead("no connector was named, so that nothing was written", "name the one that the complaint is about with --connector, such as --connector "+quoted(list[0].Name)+"; or take the whole board with --all")
}

// drafted is what `draft` says of what it made.
type drafted struct {
	Board   string          `json:"board"`
	Wrote   string          `json:"wrote"` // empty where nothing was
	Parts   int             `json:"parts"`
	Nets    int             `json:"nets"`
	Guesses []draft.Doubt   `json:"guesses"` // what matters most first
	Cut     []draft.LeftOut `json:"cut_off"`
	LeftOut []draft.LeftOut `json:"left_out"`
	Changes []draft.Change  `json:"changes"`
	differs bool            // the file that is there would be another
}

func draftAnswer(d *draft.Draft) *drafted {
	answer := &drafted{Board: d.Board, Guesses: d.Doubts(), Cut: d.Cut, LeftOut: d.LeftOut}
	nets := make(map[string]bool)
	for _, p := range d.Parts {
		if p.Sort == draft.IsPart {
			answer.Parts++
		}
		for _, pin := range p.Pins {
			if pin.Net != "" {
				nets[pin.Net] = true
			}
		}
	}
	answer.Nets = len(nets)
	return answer
}

func (d *drafted) changes(list []draft.Change, differs bool) {
	d.differs = differs
	for _, c := range list {
		c.Old, c.Draft = strings.TrimRight(c.Old, "\n"), strings.TrimRight(c.Draft, "\n")
		d.Changes = append(d.Changes, c)
	}
}

// drafted prints it.
func (s *screen) drafted(f *draftFlags, d *drafted) {
	switch {
	case d.Wrote != "":
		s.say(fmt.Sprintf("Wrote %s: %s on %s.", path(d.Wrote), wording.Count(d.Parts, "part"), wording.Count(d.Nets, "net")))
	case !d.differs:
		s.say(path(f.to) + " stays as it is.")
	}
	if len(d.Changes) > 0 {
		s.heading("CHANGES", "marked guesses are replaced, all else stays")
		for _, c := range d.Changes {
			text := string(c.What) + " " + name(c.Entry)
			if c.Reason != "" {
				text += ": " + prose(c.Reason)
			}
			s.prose(2, 2, plain, text)
			if c.Old != "" && c.Draft != "" {
				s.prose(4, 2, faint, "file:  "+prose(c.Old))
				s.prose(4, 2, faint, "draft: "+prose(c.Draft))
			}
		}
		if d.differs && d.Wrote == "" {
			s.gap()
			s.say("Nothing was written. Add --update to write it.")
		}
	}
	if len(d.Guesses) > 0 {
		s.heading("TO CHECK", fmt.Sprintf("marked # ? in the file; what matters most first, %d in all", len(d.Guesses)))
		for _, g := range d.Guesses {
			s.prose(2, 2, plain, fmt.Sprintf("%s: %s", name(g.Name), prose(g.What)))
		}
	}
	for _, part := range []struct {
		head, remark string
		list         []draft.LeftOut
	}{{"CUT OFF", "--all takes everything", d.Cut}, {"LEFT OUT", "not part of the circuit as it is assembled", d.LeftOut}} {
		if len(part.list) == 0 {
			continue
		}
		s.heading(part.head, part.remark)
		// What is left out for one reason stands on one line.
		var reasons []string
		names := make(map[string][]string)
		for _, l := range part.list {
			why, _, _ := strings.Cut(l.Why, ": ")
			if names[why] == nil {
				reasons = append(reasons, why)
			}
			names[why] = append(names[why], name(l.Name))
		}
		for _, why := range reasons {
			s.prose(2, 2, plain, fmt.Sprintf("%s: %s", why, strings.Join(names[why], ", ")))
		}
	}
}
