package page

import (
	"html/template"
	"io"
)

// HTML writes the page. It needs nothing but itself: no script, no font, no
// picture from elsewhere, and forbids them to itself.
func (r *Report) HTML(w io.Writer) error {
	return htmlPage.Execute(w, struct {
		*Report
		Style  template.CSS
		Plot   drawing
		Legend []Colour
	}{r, style(), r.plot, marks})
}

// style is the page's CSS, with the palette put in.
func style() template.CSS {
	return template.CSS(Palette() + sheet)
}

// sheet is laid out for a phone first. Sizes are in rem, so that the reader's own
// text size holds.
const sheet = `
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:1rem/1.5 system-ui,sans-serif;overflow-wrap:anywhere}
main,header,footer{max-width:68rem;margin:0 auto;padding:0 1rem}
header{padding-top:1.5rem;border-top:.5rem solid var(--ink)}
h1{font-size:1.6rem;line-height:1.2;margin:0 0 .25rem}
h2{font-size:1.1rem;margin:2.25rem 0 .6rem;padding-top:.5rem;border-top:1px solid var(--rule)}
h3{font-size:1rem;margin:0 0 .2rem}
p{margin:.4rem 0;max-width:44rem}
.stamp{display:inline-block;margin:.6rem 0;padding:.25rem .8rem;border:.18rem solid;font-weight:700;letter-spacing:.04em;text-transform:uppercase}
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(9rem,1fr));gap:.5rem 1.25rem;margin:1rem 0}
dt{font-size:.8rem;color:var(--faint)}dd{margin:0}
.short{background:var(--sheet);border-left:.35rem solid var(--ink);padding:.6rem 1rem;margin:1rem 0}
.good{color:var(--good)}.bad{color:var(--bad)}.off{color:var(--off)}.work{color:var(--work)}.faint{color:var(--faint)}
ul{padding-left:1.2rem;margin:.4rem 0}li{margin:.25rem 0;max-width:46rem}
table{width:100%;border-collapse:collapse;font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--faint);font-size:.85rem;padding-bottom:.3rem}
th{text-align:left;font-size:.8rem;font-weight:600;color:var(--faint);border-bottom:1px solid var(--rule);padding:.2rem .6rem .2rem 0;vertical-align:bottom;white-space:nowrap}
td{padding:.3rem .6rem .3rem 0;border-bottom:1px solid var(--band);vertical-align:top}
.num{white-space:nowrap}
.gone{text-decoration:line-through;color:var(--faint)}
.pair{display:grid;gap:1.25rem 2rem}
figure{margin:0;min-width:0}
figcaption{font-size:.85rem;color:var(--faint);margin-top:.3rem;max-width:40rem}
.strip{grid-column:1/-1;overflow-x:auto}
svg{width:100%;height:auto;display:block;font:12px system-ui,sans-serif}
svg text{fill:var(--ink)}svg .strong{font-weight:650}svg .small{font-size:11px}svg .mid{text-anchor:middle}
svg text.faint{fill:var(--faint)}svg text.good{fill:var(--good)}svg text.bad{fill:var(--bad)}svg text.off{fill:var(--off)}svg text.work{fill:var(--work)}
.fill{fill:currentColor}.line{fill:none;stroke:currentColor;stroke-width:1.2}.thick{stroke-width:2.2}.heavy{stroke-width:3}
.line.good{stroke-width:2;color:var(--good)}.wire{color:var(--ink)}.ink{color:var(--ink)}.rule{color:var(--rule)}.grid{color:var(--band)}.arrow{color:var(--faint);stroke-dasharray:2 3}
.ink.bad{color:var(--bad)}.ink.work{color:var(--work)}
.pin{fill:var(--sheet);stroke:var(--rule);stroke-width:1}.pin.odd{stroke:currentColor;stroke-width:2}
.part{fill:var(--paper);stroke:var(--ink);stroke-width:1.4}.part.bad{stroke:var(--bad);stroke-width:2.4}.part.work{stroke:var(--work);stroke-width:2.4}.coil{fill:var(--ink)}
.band{fill:var(--band)}
.key{display:flex;flex-wrap:wrap;gap:.2rem 1.1rem;padding:0;list-style:none;font-size:.85rem;color:var(--faint)}
.key b{font-weight:700}
.place{max-width:44rem;border:1px solid var(--rule)}
footer{margin-top:2.5rem;padding-bottom:2rem;font-size:.85rem;color:var(--faint)}
@media(max-width:37rem){
 table.wide thead{position:absolute;clip-path:inset(50%);height:1px;overflow:hidden}
 table.wide tr{display:grid;grid-template-columns:1fr 1fr;border-bottom:1px solid var(--rule);padding:.35rem 0}
 table.wide td{border:0;padding:.1rem .5rem .1rem 0}
 table.wide td[data-th]::before{content:attr(data-th) " ";color:var(--faint);font-size:.8rem}
 table.wide td.all{grid-column:1/-1}
 table.wide td:empty{display:none}
}
@media(min-width:48rem){.pair{grid-template-columns:1fr 1fr}.pair.lean{grid-template-columns:1fr}h1{font-size:2rem}}
@media(min-width:66rem){.pair.lean{grid-template-columns:2fr 3fr}}
@media print{body{font-size:10pt}main,header,footer{max-width:none;padding:0}h2{break-after:avoid}figure,tr,.short{break-inside:avoid}.pair{grid-template-columns:1fr 1fr}}
`

var htmlPage = template.Must(template.New("page").Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="halfsplit report">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>{{.Board}}: {{.Status}}</title>
<style>{{.Style}}</style>
</head>
<body>
<header>
<h1>Repair record: {{.Board}}</h1>
{{with .Complaint}}<p>Complaint: {{.}}</p>{{end}}
<p class="stamp {{if .StatusOK}}good{{else}}bad{{end}}">{{if .StatusOK}}✓{{else}}■{{end}} {{.Status}}</p>
</header>
<main>
<section class="short" aria-label="In short">{{range .Short}}<p>{{.}}</p>{{end}}</section>
<dl>{{range .Facts}}<div><dt>{{.Name}}</dt><dd>{{.Value}}</dd></div>{{end}}</dl>

{{if .Findings.Rows}}<h2>{{.Findings.Title}}</h2>
<div class="pair lean">
<figure>{{.Plot.SVG}}<figcaption>{{.Plot.Note}}</figcaption></figure>
<div>{{template "table" .Findings}}</div>
</div>{{end}}

{{if .Connectors}}<h2>Connectors as they came in</h2>
<ul class="key"><li><b class="good">•</b> as a good board</li><li><b class="off">▼</b> low</li><li><b class="off">▲</b> high</li><li><b class="bad">●</b> shorted</li><li><b class="bad">○</b> open</li><li><b class="bad">►</b> unexpected path</li><li><b>?</b> no good board was read</li><li><b>–</b> not read</li></ul>
<div class="pair">{{range .Connectors}}<figure class="strip" tabindex="0"><h3>{{.Title}}</h3>{{.SVG}}<figcaption>{{.Note}}</figcaption></figure>{{end}}</div>{{end}}

{{if .Lines}}<h2>Lines</h2>
<ul class="key"><li><b class="bad">✕</b> faulty part</li><li><b class="work">■</b> worked on</li></ul>
<div class="pair">{{range .Lines}}<figure><h3>{{.Title}}</h3>{{.SVG}}<figcaption>{{.Note}}</figcaption></figure>{{end}}</div>{{end}}

{{with .Place}}<h2>{{.Title}}</h2>
<figure class="place">{{.SVG}}</figure>{{end}}

{{range .Sections}}<h2>{{.Title}}</h2>
{{with .Lead}}{{if .Text}}<p class="{{.Class}}"><b>{{.Mark}} {{.Text}}</b></p>{{end}}{{end}}
{{with .Facts}}<dl>{{range .}}<div><dt>{{.Name}}</dt><dd>{{.Value}}</dd></div>{{end}}</dl>{{end}}
{{if .Rows}}{{template "table" .}}{{else if .Empty}}<p>{{.Empty}}</p>{{end}}
{{with .Text}}<p>{{.}}</p>{{end}}
{{with .List}}<ul>{{range .}}<li>{{.}}</li>{{end}}</ul>{{end}}

{{end}}</main>
<footer><p>Made by halfsplit from {{.File}}. Local codes, the makers' documents and licensed practice come before anything on this page.</p></footer>
</body>
</html>
{{define "table"}}<table class="wide">{{with .Caption}}<caption>{{.}}</caption>{{end}}<thead><tr>{{range .Heads}}<th>{{.}}</th>{{end}}</tr></thead><tbody>
{{range .Rows}}<tr>{{range .}}<td{{with .Class}} class="{{.}}"{{end}}{{with .Head}} data-th="{{.}}"{{end}}>{{with .Mark}}{{.}} {{end}}{{if .Strong}}<b>{{.Text}}</b>{{else}}{{.Text}}{{end}}{{with .Note}} <span class="faint">{{.}}</span>{{end}}</td>{{end}}</tr>
{{end}}</tbody></table>{{end}}
`))
