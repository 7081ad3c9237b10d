package main

import (
	"bytes"
	"fmt"
	"html/template"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/page"
	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/diagnose"
	lessons "halfsplit/engine/practice/lesson"
	"halfsplit/netlist"
)

// The pages need nothing but themselves, and everything that comes from files is
// escaped by html/template.

var pageFunctions = template.FuncMap{
	"style":     page.Style,
	"time":      wording.Duration,
	"best":      bestTime,
	"said":      saidWords,
	"percent":   wording.Percent,
	"justified": justified,
	"wayless":   wayless,
	"whole":     func(v float64) string { return fmt.Sprintf("%.0f", v) },
	"one":       func(v float64) string { return fmt.Sprintf("%.1f", v) },
	"list":      func(words []string) string { return strings.Join(words, ", ") },
	"share": func(v float64) string {
		switch {
		case v >= 1:
			return "right"
		case v > 0:
			return "in part"
		}
		return "wrong"
	},
	"mean": func(means map[string]lessons.Mean, key string) string {
		if m, ok := means[key]; ok {
			return fmt.Sprintf("%.0f (%d)", m.Points, m.Cases)
		}
		return ""
	},
}

// practicePages are the pages on paper and in browsers, each with head and foot.
var practicePages = template.Must(template.New("").Funcs(pageFunctions).Parse(`
{{define "head"}}<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><meta name="generator" content="halfsplit practice {{.Kind}}"><meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'"><title>{{.Title}}</title><style>{{style}}
h3{margin-top:1rem} .over{overflow-x:auto} figure.small svg{max-width:26rem} section.paper{break-after:page} .blank td{height:1.9rem} .risky,.doubt{font-weight:600}</style></head><body><header><h1>{{.Title}}</h1></header><main>{{end}}
{{define "foot"}}</main></body></html>
{{end}}

{{define "points"}}<p class="faint">Points out of 100: 40 for the right parts, 15 for what is wrong with them, 15 for a repaired board, 30 for economy, 10 less for each risky move. Given away: expected bench time lost against the best step, by what was known before it. ` + bestNote + `</p>{{end}}

{{define "lessons"}}<h2>Points by lesson, and in brackets the cases</h2><div class="over"><table><tr><th>student</th>{{range .Lessons}}<th>{{.}}</th>{{end}}</tr>
{{$all := .Lessons}}{{range .Sum.Students}}{{$s := .}}<tr><td>{{.Student}}</td>{{range $all}}<td class="num">{{mean $s.Lessons .}}</td>{{end}}</tr>
{{end}}{{if gt (len .Sum.Students) 1}}<tr><td>class</td>{{$sum := .Sum}}{{range $all}}<td class="num">{{mean $sum.Lessons .}}</td>{{end}}</tr>{{end}}</table></div>{{end}}

{{define "plots"}}<div class="pair">{{range .Plots}}<figure class="small"><h3>{{.Title}}</h3>{{.SVG}}<figcaption>{{.Note}}</figcaption></figure>{{end}}</div>{{end}}

{{define "steps"}}<table class="wide"><thead><tr><th>event</th><th>did and saw</th><th>cost</th><th>bits before and after</th><th>given away</th><th>then justified</th></tr></thead>
{{range .}}<tr><td class="num" data-th="event">{{.Event}}</td><td class="all">{{.Did}}{{if .Why}}<br><span class="faint">Worse than it could be: {{.Why}}.</span>{{end}}</td><td class="num" data-th="cost">{{whole .Seconds}} s</td><td class="num" data-th="bits">{{one .Before}} → {{one .After}}</td><td class="num" data-th="given away">{{if ge .Lost 1.0}}{{whole .Lost}} s{{end}}</td><td class="all" data-th="then justified">{{range $i, $b := .Posterior}}{{if $i}}, {{end}}{{$b.Part}} {{percent $b.Probability}}{{end}}</td></tr>
{{end}}</table>{{end}}

{{define "class"}}{{template "head" .}}
<div class="over"><table><tr><th>student</th><th>cases</th><th>of all</th><th>points</th><th>right</th><th>time</th><th>given away</th><th>risky</th><th>weakest</th><th>missing</th></tr>
{{range .Sum.Students}}<tr><td>{{.Student}}</td><td class="num">{{.Cases}}</td><td class="num">{{one .Overall}}</td><td class="num">{{one .Points}}</td><td class="num">{{.Right}}</td><td class="num">{{time .Seconds}}</td><td class="num">{{time .Lost}}</td><td class="num">{{.Risky}}</td><td>{{.Weakest}}</td><td>{{list .Missing}}{{if .Open}} not closed: {{list .Open}}{{end}}</td></tr>
{{end}}</table></div>
<p class="faint">Of all: mean points over all cases that a student was to work on, with nothing for those that are missing. All other means are over the cases handed in.</p>{{template "points"}}
{{template "lessons" .}}{{template "plots" .}}
<h2>Cases</h2><div class="over"><table><tr><th>student</th><th>case</th><th>points</th><th>part</th><th>mode</th><th>repaired</th><th>time</th><th>best</th><th>justified</th></tr>
{{range .Scores}}<tr><td>{{.Student}}</td><td class="num">{{.Number}}</td><td class="num">{{whole .Points}}</td><td>{{share .Part}}</td><td>{{share .Mode}}</td><td>{{if .Repaired}}yes{{else}}no{{end}}</td><td class="num">{{time .Seconds}}</td><td class="num">{{best .Best}}</td><td class="num">{{justified .}}</td></tr>
{{range .Doubts}}<tr><td></td><td colspan="8" class="doubt">doubtful record: {{.}}</td></tr>{{end}}{{end}}</table></div>
{{range .Failed}}<p class="doubt">Not scored: {{.}}</p>{{end}}
{{template "foot"}}{{end}}

{{define "student"}}{{template "head" .}}
<p>This page tells the answers: for when everybody has finished.</p>
{{template "lessons" .}}{{template "plots" .}}
{{range .Scores}}<section><h2>Case {{.Number}} of {{.Set}}: {{whole .Points}} points</h2>
<p>Said: {{said .}}. Part: {{share .Part}}; mode: {{share .Mode}}; {{if .Repaired}}repaired{{else}}not repaired{{end}}; {{time .Seconds}} at the bench, best known {{best .Best}}.{{with justified .}} When the verdict was acted on, the readings gave it {{.}}.{{end}} Points: part {{whole .Parts.Part}}, mode {{whole .Parts.Mode}}, remedy {{whole .Parts.Remedy}}, economy {{whole .Parts.Economy}}, risk {{whole .Parts.Risk}}.</p>
{{if .Steps}}<h3>What you did</h3>{{template "steps" .Steps}}{{end}}
{{if or .Remarks .Doubts}}<ul>{{range .Remarks}}{{if or (ne .Kind "wasteful") (eq .Event 0)}}<li class="{{.Kind}}">{{.Kind}}{{if .Event}}, event {{.Event}}{{end}}: {{.Why}}</li>{{end}}{{end}}{{range .Doubts}}<li class="doubt">doubtful record: {{.}}</li>{{end}}</ul>{{end}}
<h3>The best way known</h3>{{if .Way}}{{template "steps" .Way}}{{else}}<p>{{wayless .}}</p>{{end}}
</section>{{end}}
{{template "points"}}{{template "foot"}}{{end}}

{{define "answers"}}{{template "head" .}}
<table><tr><th>case</th><th>set</th><th>lesson</th><th>level</th><th>what is wrong</th><th>misleading</th><th>best known</th><th>suspects</th></tr>
{{range .Rows}}<tr><td class="num">{{.Number}}</td><td>{{.Set}}</td><td>{{.Answer.Lesson}}</td><td>{{.Answer.Level}}</td><td>{{.Answer.Words}}</td><td>{{list .Answer.Lures}}{{if .Answer.Flicker}}comes and goes{{end}}</td><td class="num">{{best .Answer.Best}}</td><td class="num">{{.Answer.Suspects}}</td></tr>
{{end}}</table>
<p class="faint">` + bestNote + ` ` + hardestNote + `</p>
{{template "foot"}}{{end}}

{{define "handout"}}{{template "head" .}}
{{range .Sheets}}<section class="paper"><h2>{{.Board}}: {{.Set}}, case {{.Number}}</h2>
<p>Name: ______________________________ &nbsp; Date: ____________________</p>
<p>The owner says: {{.Complaint}}.</p>
<div class="pair lean">{{range .Drawings}}<figure><h3>{{.Title}}</h3>{{.SVG}}<figcaption>{{.Note}}</figcaption></figure>{{end}}</div>
<table><caption>Diode mode, red probe on ground, volts. Say of each pin: agrees, low, high, shorted, open.</caption><tr><th>at</th><th>net</th><th>measured</th><th>known good</th><th>verdict</th></tr>
{{range .Readings}}<tr><td>{{.At}}</td><td>{{.Net}}</td><td class="num">{{.Measured}}</td><td class="num">{{.Good}}</td><td></td></tr>{{end}}</table>
<h3>What I would do, step by step, and why</h3>
<table class="blank"><tr><th>step</th><th>at</th><th>measured</th><th>known good or predicted</th><th>what is left to suspect</th></tr>{{range .Blanks}}<tr><td>{{.}}</td><td></td><td></td><td></td><td></td></tr>{{end}}</table>
<p>What is wrong: __________________________________________ &nbsp; What repairs it: ______________________________</p>
</section>{{end}}{{template "foot"}}{{end}}
`))

// pageHead is what every page begins with.
type pageHead struct{ Kind, Title string }

// scorePage is a page of scores, of a class or of one student.
type scorePage struct {
	pageHead
	Sum     *lessons.Summary
	Lessons []string
	Scores  []*lessons.Score
	Failed  []string
	Plots   []page.Drawing
}

// rendered is the text of a page.
func rendered(name string, data any) ([]byte, error) {
	var text bytes.Buffer
	err := practicePages.ExecuteTemplate(&text, name, data)
	return text.Bytes(), err
}

// plotted draws rows of points.
func plotted(title, note string, names []string, of func(x *lessons.Score) string, scores []*lessons.Score) page.Drawing {
	var rows []page.DotRow
	for _, name := range names {
		r := page.DotRow{Name: name}
		for _, x := range scores {
			if of(x) == name {
				r.Points = append(r.Points, x.Points)
				r.Mean += x.Points
			}
		}
		r.Mean /= float64(max(1, len(r.Points)))
		rows = append(rows, r)
	}
	return page.Dots(title, note, rows)
}

// scorePages writes the page of the class to a file, and beside it one for each
// student, who stands in its name.
func scorePages(file string, sum *lessons.Summary, scores []*lessons.Score, failed []string) ([]outPage, error) {
	if file == "" {
		return nil, nil
	}
	const note = "A ring is a case, the stroke their mean."
	data := scorePage{pageHead{"scores", "Practice scores"}, sum, slices.Sorted(maps.Keys(sum.Lessons)), scores, failed, nil}
	var students []string
	for _, s := range sum.Students {
		students = append(students, s.Student)
	}
	byStudent := func(x *lessons.Score) string { return x.Student }
	byLesson := func(x *lessons.Score) string { return x.Lesson }
	data.Plots = []page.Drawing{plotted("Points by student", note, students, byStudent, scores), plotted("Points by lesson", note, data.Lessons, byLesson, scores)}
	if len(sum.Weeks) > 1 {
		data.Plots = append(data.Plots, plotted("Points by week", note, sum.Weeks, (*lessons.Score).Week, scores))
	}
	text, err := rendered("class", data)
	pages := []outPage{{"--html", file, text}}
	for _, s := range sum.Students {
		if s.Cases == 0 || err != nil {
			continue
		}
		own := scorePage{pageHead{"student", "Practice of " + s.Student}, &lessons.Summary{Students: []*lessons.StudentSum{s}, Lessons: s.Lessons}, slices.Sorted(maps.Keys(s.Lessons)), nil, nil, nil}
		for _, x := range scores {
			if x.Student == s.Student {
				own.Scores = append(own.Scores, x)
			}
		}
		own.Plots = []page.Drawing{plotted("Points by lesson", note, own.Lessons, byLesson, own.Scores)}
		if weeks := slices.Sorted(maps.Keys(s.Weeks)); len(weeks) > 1 {
			own.Plots = append(own.Plots, plotted("Points by week", note, weeks, (*lessons.Score).Week, own.Scores))
		}
		text, err = rendered("student", own)
		pages = append(pages, outPage{"--html", strings.TrimSuffix(lessons.RecordName(file, s.Student), ".yaml") + filepath.Ext(file), text})
	}
	return pages, err
}

// answersPage is the answer sheet.
func answersPage(rows []answerRow) ([]byte, error) {
	return rendered("answers", struct {
		pageHead
		Rows []answerRow
	}{pageHead{"answers", "Practice answers: for the teacher"}, rows})
}

// handoutSheet is a case on paper.
type handoutSheet struct {
	Board, Set, Complaint string
	Number                int
	Drawings              []page.Drawing
	Readings              []struct{ At, Net, Measured, Good string }
	Blanks                []int
}

// Bounds of a case on paper.
const (
	mostDrawn  = 8 // lines
	blankSteps = 10
)

// handoutOf lays out a case. Lines are drawn of all that was measured and of the rails
// that they lead to or, where that is too much, of all that read wrong, with their rails,
// among others that did not.
func handoutOf(d *lessons.Session) (*handoutSheet, error) {
	b, f := d.Case().Board, d.File
	h := &handoutSheet{Board: wording.Board(b.Name, b.Revision), Set: name(f.Set), Number: f.Number, Complaint: prose(f.Complaint)}
	list, err := d.Engine.Compare(d.Case())
	if err != nil {
		return nil, err
	}
	var nets []netlist.NetID
	wrong := map[netlist.NetID]bool{}
	for i := range list {
		r := &list[i]
		h.Readings = append(h.Readings, struct{ At, Net, Measured, Good string }{name(r.At), name(r.Net), wording.Volts(r.Volts, r.Overload), benchGood(r)})
		if net, err := b.NetByName(r.Net); err == nil && net != b.Ground && !slices.Contains(nets, net) {
			nets = append(nets, net)
			wrong[net] = r.Verdict != diagnose.Agrees && r.Verdict != diagnose.NoKnownGood
		}
	}
	for _, net := range slices.Clone(nets) { // and the rails behind them
		for _, t := range b.Nets[net].Terminals {
			for _, end := range b.Parts[t.Part].Terminals {
				if n := end.Net; n != netlist.None && n != b.Ground && b.Nets[n].Rail && b.Parts[t.Part].Kind.Class() == netlist.Series {
					if !slices.Contains(nets, n) {
						nets = append(nets, n)
					}
					wrong[n] = wrong[n] || wrong[net]
				}
			}
		}
	}
	for i := len(nets) - 1; i >= 0 && len(nets) > mostDrawn; i-- {
		if !wrong[nets[i]] {
			nets = slices.Delete(nets, i, i+1)
		}
	}
	for i := range blankSteps {
		h.Blanks = append(h.Blanks, i+1)
	}
	h.Drawings, err = page.Blank(b, nets)
	return h, err
}

func (a *app) practiceHandoutCommand() *cobra.Command {
	var html string
	cmd := &cobra.Command{
		Use:   "handout FILE...",
		Short: "print cases on paper",
		Long: `handout writes practice cases on a page to print: what the owner says, the connector and
the lines from it, the sweep that the board came with, and blanks for the student's
verdict on every pin, for steps and for what is wrong. Nothing on it is judged.`,
		Example:           `  halfsplit practice handout spring/case-??.yaml --html handout.html`,
		Args:              someArguments("a practice FILE"),
		ValidArgsFunction: completeYAML,
		RunE: a.on(func(s *screen, args []string) error {
			if html == "" {
				return instead("no page is named", "add `--html` and a file")
			}
			var sheets []*handoutSheet
			for _, file := range args {
				d, err := lessons.Preview(file)
				if err != nil {
					return err
				}
				sheet, err := handoutOf(d)
				if err != nil {
					return err
				}
				sheets = append(sheets, sheet)
			}
			text, err := rendered("handout", struct {
				pageHead
				Sheets []*handoutSheet
			}{pageHead{"handout", "Practice on paper"}, sheets})
			if err != nil {
				return err
			}
			if err := writePages(args, outPage{"--html", html, text}); err != nil {
				return err
			}
			s.say(wording.Count(len(sheets), "case") + " in " + path(html))
			return nil
		}),
	}
	cmd.Flags().StringVar(&html, "html", "", "`FILE` for the page")
	return cmd
}
