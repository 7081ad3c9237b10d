package main

import (
	"errors"
	"fmt"
	"go/token"
	"go/types"
	"maps"
	"path/filepath"
	"slices"
	"strings"
)

// calls are the names of what a file calls in another: calls[from][to].
type calls map[string]map[string][]string

// tower finds files of one package that call back and forth. Drawn by
// who calls whom, a package should be a tower, each file above those that it calls. A
// knot is a largest set of files each of which reaches each other one by calls.
func tower(p *project) error {
	seen, wrong := 0, false
	for _, one := range p.packages {
		c, n, err := p.calls(one)
		if err != nil {
			return err
		}
		seen += n
		for _, knot := range c.knots() {
			fmt.Println("files that call back and forth:", one.ImportPath, strings.Join(knot, " "))
			c.print(knot)
			wrong = true
		}
	}
	if seen == 0 {
		return errors.New("no call seen: the check is broken")
	}
	if wrong {
		return errors.New("move what both sides need to a file below both")
	}
	return nil
}

// calls finds the calls between the files of a package. A function that is only named
// counts as called. n counts the calls within files, too.
func (p *project) calls(one pkg) (c calls, n int, err error) {
	checked, _, info, err := p.check(one.ImportPath, one.Dir, one.GoFiles)
	if err != nil {
		return nil, 0, err
	}
	p.checked[one.ImportPath] = checked
	fileOf := func(at token.Pos) string { return filepath.Base(p.fset.Position(at).Filename) }
	c = make(calls)
	for use, object := range info.Uses {
		f, ok := object.(*types.Func)
		if !ok || f.Pkg() != checked {
			continue
		}
		n++
		from, to := fileOf(use.Pos()), fileOf(f.Pos())
		if from == to {
			continue
		}
		if c[from] == nil {
			c[from] = make(map[string][]string)
		}
		c[from][to] = append(c[from][to], f.Name())
	}
	return c, n, nil
}

// reach gives the files that one reaches by one call or more.
func (c calls) reach(from string) map[string]bool {
	seen := make(map[string]bool)
	for queue := []string{from}; len(queue) > 0; queue = queue[1:] {
		for to := range c[queue[0]] {
			if !seen[to] {
				seen[to] = true
				queue = append(queue, to)
			}
		}
	}
	return seen
}

// knots lists the knots, files and knots in alphabetical order.
func (c calls) knots() (list [][]string) {
	reach := make(map[string]map[string]bool)
	for from := range c {
		reach[from] = c.reach(from)
	}
	done := make(map[string]bool)
	for _, a := range slices.Sorted(maps.Keys(c)) {
		if done[a] || !reach[a][a] {
			continue
		}
		var knot []string
		for _, b := range slices.Sorted(maps.Keys(reach[a])) {
			if reach[b][a] {
				knot, done[b] = append(knot, b), true
			}
		}
		list = append(list, knot)
	}
	return list
}

func (c calls) print(knot []string) {
	for _, from := range knot {
		for _, to := range knot {
			if names := c[from][to]; len(names) > 0 {
				slices.Sort(names)
				fmt.Printf("\t%s calls in %s: %s\n", from, to, strings.Join(slices.Compact(names), " "))
			}
		}
	}
}
