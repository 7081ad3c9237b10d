package main

import (
	"fmt"
	"html/template"

	lessons "halfsplit/engine/practice/lesson"
)

// The pages need nothing but themselves, and everything that comes from files is
// escaped by html/template.

type pageTemplate = *template.Template

// pagePolicy keeps a page from fetching or running anything, whatever it came to
// hold.
const pagePolicy = `<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">`

const pageStyle = `<style>
body { font: 15px/1.45 system-ui, sans-serif; max-width: 60em; margin: 2em auto; padding: 0 1em; color: #1c1c1c; background: #fff; }
h1 { font-size: 1.4em; } h2 { font-size: 1.1em; margin-top: 2em; border-bottom: 1px solid #999; }
table { border-collapse: collapse; width: 100%; margin: .6em 0; }
th, td { text-align: left; padding: .2em .6em; border-bottom: 1px solid #ddd; vertical-align: top; }
th { font-weight: 600; border-bottom: 1px solid #666; } td.n, th.n { text-align: right; white-space: nowrap; }
.note { color: #555; } li.risky, li.doubt { font-weight: 600; }
@media print { body { margin: 0; max-width: none; font-size: 11px; } section { break-inside: avoid-page; } }
</style>`

var pageFunctions = template.FuncMap{
	"time":      duration,
	"best":      bestTime,
	"said":      saidWords,
	"percent":   percent,
	"justified": justified,
	"whole":     func(v float64) string { return fmt.Sprintf("%.0f", v) },
	"one":       func(v float64) string { return fmt.Sprintf("%.1f", v) },
	"share": func(v float64) string {
		switch {
		case v >= 1:
			return "right"
		case v > 0:
			return "in part"
		}
		return "wrong"
	},
}

// classPage does not tell the answers.
var classPage = template.Must(template.New("class").Funcs(pageFunctions).Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="generator" content="halfsplit practice scores">` + pagePolicy + `<title>Practice scores</title>` + pageStyle + `</head><body>
<h1>Practice scores</h1>
<table><tr><th>student</th><th class="n">cases</th><th class="n">points</th><th class="n">right</th><th class="n">time</th><th class="n">given away</th><th class="n">risky</th></tr>
{{range .Students}}<tr><td>{{.Student}}</td><td class="n">{{.Cases}}</td><td class="n">{{one .Points}}</td><td class="n">{{.Right}}</td><td class="n">{{time .Seconds}}</td><td class="n">{{time .Lost}}</td><td class="n">{{.Risky}}</td></tr>
{{end}}</table>
<p class="note">Means over each student's cases. Points out of 100: 40 for the right parts, 15 for what is wrong with them, 15 for a repaired board, 30 for economy, 10 less for each risky move. Given away: expected bench time lost against the best step, by what was known before it. Best time is expected by the program, from the sweep to a verified repair` + bestNote + `</p>
{{range .Scores}}<section><h2>{{.Student}}, case {{.Number}}: {{whole .Points}} points</h2>
<p>Said: {{said .}}. Part {{share .Part}}, mode {{share .Mode}}, {{if .Repaired}}repaired{{else}}not repaired{{end}}; {{time .Seconds}} at the bench, best {{best .Optimum .Least}}{{if lt .Least .Optimum}}, at least {{time .Least}}{{end}}. When the verdict was acted on, the readings gave it {{justified .}}.</p>
{{if .Steps}}<table><tr><th class="n">event</th><th>did and saw</th><th class="n">cost</th><th class="n">bits</th><th class="n">lost</th><th>best was</th><th>then justified</th></tr>
{{range .Steps}}<tr><td class="n">{{.Event}}</td><td>{{.Did}}</td><td class="n">{{whole .Seconds}} s</td><td class="n">{{one .Before}} → {{one .After}}</td><td class="n">{{if ge .Lost 1.0}}{{whole .Lost}} s{{end}}</td><td>{{.Best}}</td><td>{{range $i, $b := .Posterior}}{{if $i}}, {{end}}{{$b.Part}} {{percent $b.Probability}}{{end}}</td></tr>
{{end}}</table>{{end}}
{{if or .Remarks .Doubts}}<ul>{{range .Remarks}}<li class="{{.Kind}}">{{.Kind}}{{if .Event}}, event {{.Event}}{{end}}: {{.Why}}</li>{{end}}{{range .Doubts}}<li class="doubt">doubtful record: {{.}}</li>{{end}}</ul>{{end}}
</section>{{end}}
</body></html>
`))

// answersPage is for the teacher.
var answersPage = template.Must(template.New("answers").Funcs(pageFunctions).Parse(`<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="generator" content="halfsplit practice answers">` + pagePolicy + `<title>Practice answers</title>` + pageStyle + `</head><body>
<h1>Practice answers: for the teacher</h1>
<table><tr><th class="n">case</th><th>set</th><th>lesson</th><th>level</th><th>what is wrong</th><th>misleading</th><th class="n">best time</th><th class="n">program took</th><th class="n">suspects</th></tr>
{{range .}}<tr><td class="n">{{.Number}}</td><td>{{.Set}}</td><td>{{.Answer.Lesson}}</td><td>{{.Answer.Level}}</td><td>{{.Answer.Words}}</td><td>{{range $i, $l := .Answer.Lures}}{{if $i}}, {{end}}{{$l}}{{end}}{{if .Answer.Flicker}}comes and goes{{end}}</td><td class="n">{{best .Answer.Optimum .Answer.Least}}</td><td class="n">{{time .Answer.ParSeconds}}</td><td class="n">{{.Answer.Suspects}}</td></tr>
{{end}}</table>
<p class="note">Best time is what the program expects from the sweep to a verified repair` + bestNote + ` Program took: what it needed on this very board. ` + hardestNote + `</p>
</body></html>
`))

// classData is what classPage shows.
type classData struct {
	Students []studentSum
	Scores   []*lessons.Score
}

func pageOf(list []*lessons.Score) classData { return classData{sumsOf(list), list} }
