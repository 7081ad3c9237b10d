// Tower finds files of one package that call back and forth: whoever draws the files by
// who calls whom is to see a tower, with each file above those that it calls.
//
//	go run ./.ci/tower   prints the calls of each knot, and fails where there is one
//
// A knot is a largest set of files each of which reaches each other one by calls.
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// pkg is what go list says of a package.
type pkg struct {
	ImportPath, Dir, Export string
	GoFiles                 []string
	Module                  *struct{ Main bool }
}

// calls are the names of what a file calls in another: calls[from][to].
type calls map[string]map[string][]string

func main() {
	if err := check(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func check() error {
	packages, err := load()
	if err != nil {
		return err
	}
	exports := make(map[string]string)
	for _, p := range packages {
		exports[p.ImportPath] = p.Export
	}
	fset := token.NewFileSet()
	imports := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
	seen, wrong := 0, false
	for _, p := range packages {
		if p.Module == nil || !p.Module.Main {
			continue
		}
		c, n, err := p.calls(fset, imports)
		if err != nil {
			return err
		}
		seen += n
		for _, knot := range c.knots() {
			fmt.Println("files that call back and forth:", p.ImportPath, strings.Join(knot, " "))
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

// load lists the packages of the project and all that they import, compiled.
func load() (list []pkg, err error) {
	command := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Dir,Export,GoFiles,Module", "./...")
	command.Stderr = os.Stderr
	out, err := command.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p pkg
		switch err := d.Decode(&p); {
		case errors.Is(err, io.EOF):
			return list, nil
		case err != nil:
			return nil, err
		}
		list = append(list, p)
	}
}

// calls finds the calls between the files of a package. A function that is only named
// counts as called. n counts the calls within files, too.
func (p pkg) calls(fset *token.FileSet, imports types.Importer) (c calls, n int, err error) {
	var files []*ast.File
	for _, name := range p.GoFiles {
		f, err := parser.ParseFile(fset, filepath.Join(p.Dir, name), nil, parser.SkipObjectResolution)
		if err != nil {
			return nil, 0, err
		}
		files = append(files, f)
	}
	info := &types.Info{Uses: make(map[*ast.Ident]types.Object)}
	config := types.Config{Importer: imports}
	checked, err := config.Check(p.ImportPath, fset, files, info)
	if err != nil {
		return nil, 0, err
	}
	fileOf := func(at token.Pos) string { return filepath.Base(fset.Position(at).Filename) }
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
