package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"regexp"

	"halfsplit/netlist/document"
	"halfsplit/netlist/document/wholefile"
)

// Every file that an option names as output is written here.

// writeOut writes to a new file, or to the answer where no file is named.
func (a *app) writeOut(file string, write func(w io.Writer) error) error {
	if file == "" {
		return write(a.out)
	}
	var text bytes.Buffer
	if err := write(&text); err != nil {
		return err
	}
	if err := wholefile.New(file, text.Bytes()); err != nil {
		return instead(quoted(file)+" cannot be written: "+document.Reason(err), "name a file that does not exist yet, in a folder where you may write")
	}
	return nil
}

// outPage is a page for the file that an option names.
type outPage struct {
	option string
	file   string // "" where the option was not given
	text   []byte
}

// madeAs is the mark in the head of a page that says which kind of page it is.
var madeAs = regexp.MustCompile(`<meta name="generator" content="halfsplit [a-z ]+">`)

// checkPages refuses pages that cannot be written where options say, before work is done
// for them: no two options may name one file, nor one that is read or is no page.
func checkPages(read []string, pages ...outPage) error {
	for i, p := range pages {
		if p.file == "" {
			continue
		}
		for _, other := range pages[:i] {
			if other.file != "" && wholefile.Same(p.file, other.file) {
				return instead("`"+other.option+"` and `"+p.option+"` name one file, "+quoted(p.file), "give each page a file of its own")
			}
		}
		for _, input := range read {
			if wholefile.Same(p.file, input) {
				return instead("`"+p.option+"` names "+quoted(p.file)+", which is read", "name another file for the page")
			}
		}
		info, err := os.Lstat(p.file)
		if err != nil {
			continue // there is none yet
		}
		if !info.Mode().IsRegular() {
			return foreignPage(p)
		}
		if text, err := os.ReadFile(p.file); err == nil && !madeAs.Match(text) {
			return foreignPage(p)
		}
	}
	return nil
}

// writePages writes pages. A page replaces an older one of its kind and nothing else.
func writePages(read []string, pages ...outPage) error {
	if err := checkPages(read, pages...); err != nil {
		return err
	}
	for i, p := range pages {
		if p.file == "" {
			continue
		}
		for _, other := range pages[:i] { // some drives take a.html and A.html for one
			if other.file != "" && wholefile.Same(p.file, other.file) {
				return instead(quoted(p.file)+" is "+quoted(other.file)+" on this drive", "give each page a file of its own")
			}
		}
		mark := madeAs.Find(p.text)
		err := wholefile.Replace(p.file, p.text, func(head []byte) bool { return mark != nil && bytes.Contains(head, mark) })
		if errors.Is(err, wholefile.ErrForeign) {
			return foreignPage(p)
		}
		if err != nil {
			return instead(quoted(p.file)+" cannot be written: "+document.Reason(err), "name a file where you may write")
		}
	}
	return nil
}

func foreignPage(p outPage) error {
	return instead(quoted(p.file)+" already exists and is no page that `"+p.option+"` wrote", "name another file; a page is only written over an older one of its kind")
}
