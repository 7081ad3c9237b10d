package page

import (
	"strings"
	"testing"
)

// FuzzPage puts any text where people's words stand on a page. It changes nothing of
// the page's own marks: as many tags, rows and lines as with a plain word.
func FuzzPage(f *testing.F) {
	for _, text := range []string{"<script>alert(1)</script>", "\"'><img src=x>", "a|b\n# c", "](http://x)", "\\|", "</style>", "<!--", "&lt;", "\x00\xff", "`a` *b* _c_", "-->", "\r\n| x |"} {
		f.Add(text)
	}
	r := report(f, "../../../testdata/demo/cases/tail-not-detected.yaml")
	render := func(t testing.TB, text string) (html, markdown string) {
		with := *r
		with.Board, with.Complaint, with.File = text, text, text
		table := Table{Heads: []string{"Place", "Why"}, Rows: [][]Cell{{strong(text), {Text: text, Note: text}}}}
		with.Findings = Section{Title: "Findings", Table: table}
		with.Sections = append([]Section{{Title: "Anything", Lead: Cell{Text: text}, Facts: []Fact{{text, text}}, Table: table, Text: text, List: []string{text}}}, r.Sections...)
		var page, plain strings.Builder
		if err := with.HTML(&page); err != nil {
			t.Fatal(err)
		}
		if err := with.Markdown(&plain); err != nil {
			t.Fatal(err)
		}
		return page.String(), plain.String()
	}
	html, markdown := render(f, "x")
	f.Fuzz(func(t *testing.T, text string) {
		if strings.TrimSpace(text) == "" { // what is empty has no line
			return
		}
		page, plain := render(t, text)
		for _, mark := range []string{"<", ">", `"`} {
			if was, is := strings.Count(html, mark), strings.Count(page, mark); was != is {
				t.Errorf("%q: %d of %s on the HTML page, want %d", text, is, mark, was)
			}
		}
		for _, mark := range "<>|*[]()#`\n" {
			if was, is := unescaped(markdown, mark), unescaped(plain, mark); was != is {
				t.Errorf("%q: %d of %q in the Markdown, want %d", text, is, mark, was)
			}
		}
	})
}

// unescaped counts a mark where no backslash is before it.
func unescaped(text string, mark rune) int {
	n, escaped := 0, false
	for _, r := range text {
		if r == mark && !escaped {
			n++
		}
		escaped = r == '\\' && !escaped
	}
	return n
}
