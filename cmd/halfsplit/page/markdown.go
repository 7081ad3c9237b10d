package page

import (
	"bufio"
	"fmt"
	"io"
	"slices"
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
	sections := r.Sections
	if len(r.Findings.Rows) > 0 {
		sections = slices.Concat([]Section{r.Findings}, sections)
	}
	for _, x := range sections {
		line("\n## %s\n", x.Title)
		if x.Lead.Text != "" {
			line("**%s**", x.Lead.Text)
		}
		for _, f := range x.Facts {
			line("- %s: %s", f.Name, f.Value)
		}
		if len(x.Rows) > 0 {
			if x.Lead.Text != "" {
				line("")
			}
			line("| " + strings.Join(x.Heads, " | ") + " |")
			line("|" + strings.Repeat(" --- |", len(x.Heads)))
		} else if x.Empty != "" {
			line("%s", x.Empty)
		}
		for _, row := range x.Rows {
			fields := make([]any, len(row))
			for i, c := range row {
				fields[i] = strings.TrimSpace(c.Text + " " + c.Note)
			}
			line("|"+strings.Repeat(" %s |", len(row)), fields...)
		}
		if x.Text != "" {
			line("\n%s", x.Text)
		}
		for _, text := range x.List {
			line("- %s", text)
		}
	}
	line("\nMade by halfsplit from %s. Local codes, the makers' documents and licensed practice come before anything on this page.", r.File)
	return out.Flush()
}
