// Code holds the project's own code to two rules that no compiler knows:
//
//	go run ./.ci/code tower       prints the calls between files that go back and forth
//	go run ./.ci/code unreached   prints what no command reaches
//
// and fails where there is one.
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
	"os"
	"os/exec"
	"path/filepath"
)

func main() {
	rules := map[string]func(*project) error{"tower": tower, "unreached": unreached}
	p, err := load()
	if err == nil {
		if len(os.Args) == 2 && rules[os.Args[1]] != nil {
			err = rules[os.Args[1]](p)
		} else {
			err = errors.New("name one rule: tower or unreached")
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// pkg is what go list says of a package.
type pkg struct {
	ImportPath, Dir, Export, Name, ForTest string
	GoFiles, TestGoFiles, XTestGoFiles     []string
	Module                                 *struct{ Main bool }
}

// project is every package of the project, below those that import it, and what they
// import, compiled.
type project struct {
	root     string // the folder
	fset     *token.FileSet
	packages []pkg
	checked  map[string]*types.Package // of the project
	compiled types.Importer
}

func load() (*project, error) {
	command := exec.Command("go", "list", "-export", "-deps", "-test", "-json=ImportPath,Dir,Export,Name,ForTest,GoFiles,TestGoFiles,XTestGoFiles,Module", "./...")
	command.Stderr = os.Stderr
	out, err := command.Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", err)
	}
	root, err := os.Getwd()
	if err != nil {
		return nil, err
	}
	p := &project{root: root, fset: token.NewFileSet(), checked: make(map[string]*types.Package)}
	exports := make(map[string]string)
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var one pkg
		switch err := d.Decode(&one); {
		case errors.Is(err, io.EOF):
			p.compiled = importer.ForCompiler(p.fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
			return p, nil
		case err != nil:
			return nil, err
		}
		if one.Module == nil || !one.Module.Main {
			exports[one.ImportPath] = one.Export
		} else if one.ForTest == "" && filepath.Ext(one.ImportPath) != ".test" {
			p.packages = append(p.packages, one)
		}
	}
}

// Import gives packages of the project as they were checked, so that one object stands
// for each thing that is declared.
func (p *project) Import(path string) (*types.Package, error) {
	if own := p.checked[path]; own != nil {
		return own, nil
	}
	return p.compiled.Import(path)
}

// check checks files of a package.
func (p *project) check(path, dir string, names []string) (checked *types.Package, files []*ast.File, info *types.Info, err error) {
	for _, name := range names {
		f, err := parser.ParseFile(p.fset, filepath.Join(dir, name), nil, parser.SkipObjectResolution)
		if err != nil {
			return nil, nil, nil, err
		}
		files = append(files, f)
	}
	info = &types.Info{Uses: make(map[*ast.Ident]types.Object), Defs: make(map[*ast.Ident]types.Object), Types: make(map[ast.Expr]types.TypeAndValue)}
	checked, err = (&types.Config{Importer: p, Error: func(error) {}}).Check(path, p.fset, files, info)
	return checked, files, info, err
}
