package sexpr

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// write gives a node back as text, all atoms in quotes where they were.
func write(n *Node) string {
	switch {
	case n.List:
		var items []string
		for i := range n.Items {
			items = append(items, write(&n.Items[i]))
		}
		return "(" + strings.Join(items, " ") + ")"
	case n.Quoted:
		return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(n.Atom) + `"`
	}
	return n.Atom
}

func TestRead(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"a", "a"},
		{`""`, `""`},
		{"\uFEFF ( a\tb\r\n(c  \"d e\") ) ", `(a b (c "d e"))`},
		{`(a "quote \" and \\ and \n end")`, `(a "quote \" and \\ and \n end")`},
		{`(a"b"c(d)e)`, `(a "b" c (d) e)`},
		{"()", "()"},
		{"(a (skip (b \")\") c) d (e (skip)))", "(a (skip) d (e (skip)))"},
		{"(µF Ω)", "(µF Ω)"},
	} {
		file, err := Read(strings.NewReader(c.text), "x", Options{Skip: map[string]bool{"skip": true}})
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
			continue
		}
		if d := cmp.Diff(c.want, write(&file.Root)); d != "" {
			t.Errorf("%q: %s", c.text, d)
		}
	}
}

func TestBroken(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "x: is empty; write it again"},
		{" \n", "x: is empty; write it again"},
		{"(a\n  (bé \"c)", "x:2:7: a text in quotes that never ends; the file is cut off or was changed by hand: write it again"},
		{"(a \"\\", "x:1:4: a text in quotes that never ends; the file is cut off or was changed by hand: write it again"},
		{"(a (b)", "x:1:1: a bracket that is never closed; the file is cut off or was changed by hand: write it again"},
		{"(a (skip (b)", "x:1:4: a bracket that is never closed; the file is cut off or was changed by hand: write it again"},
		{")", "x:1:1: a closing bracket without its opening one; the file is cut off or was changed by hand: write it again"},
		{"(a)\n b", "x:2:2: something stands behind the last bracket; write it again"},
		{"a\xff", "x: is not text in UTF-8; write it again"},
		{strings.Repeat("(", 100000), "x:1:65: brackets are nested more than 64 deep; the file is cut off or was changed by hand: write it again"},
		{"(skip " + strings.Repeat("(", 100000), "x:1:70: brackets are nested more than 64 deep; the file is cut off or was changed by hand: write it again"},
	} {
		_, err := Read(strings.NewReader(c.text), "x", Options{Again: "write it again", Skip: map[string]bool{"skip": true}})
		if err == nil || err.Error() != c.want {
			t.Errorf("%.40q: %v, want %s", c.text, err, c.want)
		}
	}
}

func TestNodesBounded(t *testing.T) {
	for left, want := range map[int]bool{4: false, 5: true} {
		p := parser{text: "(a b (c))", left: left}
		if _, err := p.expression(0, true); (err == nil) != want {
			t.Errorf("five nodes where %d are allowed: %v", left, err)
		}
	}
}

func TestWalk(t *testing.T) {
	file, err := Read(strings.NewReader("(part (pin 1) (name) (pin 2 (net 3))\n (attr smd dnp) (locked yes) (hide no) \"quoted\")"), "x", Options{})
	if err != nil {
		t.Fatal(err)
	}
	root := &file.Root
	var pins []string
	for p := range root.All("pin", "name") {
		pins = append(pins, p.Item(1))
	}
	if d := cmp.Diff([]string{"1", "", "2"}, pins); d != "" {
		t.Error(d)
	}
	if got := root.Get("pin").Get("nothing").Text("more"); got != "" {
		t.Errorf("what is not there reads %q", got)
	}
	if at := file.At(root.Get("attr")).String(); at != "x:2:2" {
		t.Errorf("attr is at %s, want x:2:2", at)
	}
	for word, want := range map[string]bool{"locked": true, "hide": false, "attr": true, "quoted": true, "part": false, "dnp": false} {
		if root.Has(word) != want {
			t.Errorf("Has(%q) is %t", word, !want)
		}
	}
	if !root.Get("attr").Has("dnp") || (*Node)(nil).Has("dnp") || len(slices.Collect((*Node)(nil).All("a"))) != 0 {
		t.Error("Has or All of a list without what is asked for")
	}
}

func FuzzRead(f *testing.F) {
	f.Add("(a (b \"c\\\"\") d)")
	f.Add("((()) \"\\")
	f.Add("(skip (a) ) )")
	f.Fuzz(func(t *testing.T, text string) {
		file, err := Read(strings.NewReader(text), "x", Options{})
		if err != nil {
			return
		}
		again, err := Read(strings.NewReader(write(&file.Root)), "x", Options{})
		if err != nil {
			t.Fatalf("%q written again: %v", text, err)
		}
		if a, b := write(&file.Root), write(&again.Root); a != b {
			t.Fatalf("%q is not %q", a, b)
		}
	})
}
