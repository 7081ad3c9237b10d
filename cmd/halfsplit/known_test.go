package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The bar shows nothing of what is over at once, how far a long reading is, and
// wipes itself; without a terminal there is none.
func TestProgress(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "terminal"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	read := func() string {
		text, err := os.ReadFile(f.Name())
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	quick := &progress{to: f, what: "reading", began: time.Now().Add(time.Hour)}
	quick.show(50, 100)
	quick.clear()
	if read() != "" {
		t.Errorf("shown at once: %q", read())
	}
	slow := &progress{to: f, what: "reading", began: time.Now().Add(-time.Hour)}
	slow.show(2500, 10000)
	slow.clear()
	if got := read(); !strings.HasPrefix(got, "\rreading ██████░░░░░░░░░░░░░░░░░░ 2500 of 10000 ") || !strings.HasSuffix(got, "\r\x1b[K") {
		t.Errorf("shown: %q", got)
	}
	if p := (&app{errors: &strings.Builder{}}).progress("reading"); p.to != nil {
		t.Error("a bar without a terminal")
	}
	if p := (&app{errors: f}).progress("reading"); p.to != nil {
		t.Error("a bar in a file")
	}
}
