package page

import (
	"bufio"
	"fmt"
	"io"
	"strings"
)

// escapeMarkdown makes text mean itself in Markdown. Angle brackets and
// ampersands are HTML there, and the others are marks of it.
var escapeMarkdown = strings.NewReplacer(
	`\`, `\\`, "`", "\\`", `*`, `\*`, `_`, `\_`, `[`, `\[`, `]`, `\]`, `(`, `\(`, `)`, `\)`, `#`, `\#`, `|`, `\|`, `~`, `\~`, `!`, `\!`,
	`<`, `&lt;`, `>`, `&gt;`, `&`, `&amp;`, "\n", " ", "\r", " ",
)

// Markdown writes the page without its drawings.
func (r *Report) Markdown(w io.Writer) error {
	out := bufio.NewWriter(w)
	md := escapeMarkdown.Replace
	line := func(format string, args ...any) {
		for i := range args {
			args[i] = md(fmt.Sprint(args[i]))
		}
		fmt.Fprintf(out, format+"\n", args...)
	}
	table := func(heads []string, rows [][]string) {
		line("")
		fmt.Fprintln(out, "| "+strings.Join(heads, " | ")+" |")
		fmt.Fprintln(out, "|"+strings.Repeat(" --- |", len(heads)))
		for _, row := range rows {
			for i := range row {
				row[i] = md(row[i])
			}
			fmt.Fprintln(out, "| "+strings.Join(row, " | ")+" |")
		}
	}
	line("# Repair record: %s", r.Board)
	line("")
	if r.Complaint != "" {
		line("Complaint: %s", r.Complaint)
		line("")
	}
	line("**%s**", strings.ToUpper(r.Status))
	line("")
	for _, s := range r.Short {
		line("%s", s)
	}
	line("")
	for _, f := range r.Facts {
		line("- %s: %s", f.Name, f.Value)
	}
	if len(r.Points) > 0 {
		line("\n## Findings")
		var rows [][]string
		for _, p := range r.Points {
			rows = append(rows, []string{p.At, p.Net, p.Before, p.After, p.Good, p.Verdict})
		}
		table([]string{"Place", "Net", "Measured before", "Measured after", "Known good", "Verdict"}, rows)
	}
	if len(r.Suspects) > 0 {
		line("\n## Suspects")
		var rows [][]string
		for _, s := range r.Suspects {
			rows = append(rows, []string{s.Place, s.Share, s.Why})
		}
		table([]string{"Part or place", "Likely", "Why"}, rows)
	}
	line("\n## Parts worked on")
	if len(r.Work) == 0 {
		line("\nNothing was removed, replaced, jumpered, resoldered or cleaned.")
	} else {
		var rows [][]string
		for _, x := range r.Work {
			rows = append(rows, []string{x.Place, x.What, x.Value, x.Remark})
		}
		table([]string{"Part or place", "Done", "What it is", "Remark"}, rows)
	}
	if len(r.Looks) > 0 {
		line("\n## What was seen\n")
		for _, x := range r.Looks {
			line("- %s: %s", x.Name, x.Value)
		}
	}
	line("\n## Power-up check\n\n**%s: %s**", r.PowerUpResult, r.PowerUpSays)
	if len(r.PowerUpLines) > 0 {
		var rows [][]string
		for _, l := range r.PowerUpLines {
			rows = append(rows, []string{l.Net, l.Kind, l.State, l.Why})
		}
		table([]string{"Net", "Kind", "State", "Why"}, rows)
	}
	if r.PowerUp.Draw != nil {
		line("\nFrom a bench supply the board %s.", r.PowerUp.Draw.Says())
	}
	if len(r.Functions) > 0 {
		line("\n## Function test under power")
		var rows [][]string
		for _, x := range r.Functions {
			rows = append(rows, []string{x.Name, x.Result, x.Remark})
		}
		table([]string{"Function", "Result", "Remark"}, rows)
	}
	line("\n## Steps")
	var rows [][]string
	for _, s := range r.Steps {
		what := s.What
		if s.Note != "" {
			what += " (" + s.Note + ")"
		}
		if s.Gone {
			what += " (taken back)"
		}
		rows = append(rows, []string{fmt.Sprint(s.Event), s.Time, s.After, what})
	}
	table([]string{"Event", "Time", "Took", "What"}, rows)
	line("\n## All readings")
	rows = nil
	for _, x := range r.Readings {
		rows = append(rows, []string{fmt.Sprint(x.Event), x.At, x.Net, x.Leads, x.Shown, x.Good, x.Verdict})
	}
	table([]string{"Event", "Place", "Net", "Probe", "Shown", "Good board", "Verdict"}, rows)
	for _, x := range []struct {
		head string
		list []string
	}{{"Cautions", r.Cautions}, {"Cautions acknowledged", r.Acknowledged}, {"Remarks", r.Notes}} {
		if len(x.list) == 0 {
			continue
		}
		line("\n## " + x.head + "\n")
		for _, text := range x.list {
			line("- %s", text)
		}
	}
	line("\nMade by halfsplit from %s. Local codes, the makers' documents and licensed practice come before anything on this page.", r.File)
	return out.Flush()
}
