package main

import (
	"errors"
	"fmt"
	"go/ast"
	"go/types"
	"path/filepath"
	"slices"
	"strings"
)

// graph tells what the declarations of the project use. A declaration goes by its place
// in the source, because tests check a package again.
type graph struct {
	p          *project
	uses       map[string][]string
	roots      map[string][]string           // by "" the commands and what runs before them, by package the tests
	names      map[string]string             // what is declared, tests left out
	methods    map[string][]*types.Func      // by receiver type
	types      map[string]types.Type         // the receivers
	interfaces map[string][]*types.Interface // by a method that they ask for
}

// needed are those that are needed all the same, and why.
var needed = map[string]string{
	"Place.Digest":  "the template of the bench page calls it",
	"holderProcess": "lock_other.go calls it, on other systems",
	"Guess":         "what the fit is worth is measured by leaving it out",
}

// unreached finds functions, methods, types and variables that no command reaches. What
// tests alone use belongs in their files, but for what the tests of several packages share.
func unreached(p *project) error {
	g := &graph{p: p, uses: make(map[string][]string), roots: make(map[string][]string), names: make(map[string]string),
		methods: make(map[string][]*types.Func), types: make(map[string]types.Type),
		interfaces: make(map[string][]*types.Interface)}
	g.look(types.Universe)
	for _, one := range p.packages {
		if err := g.add(one); err != nil {
			return err
		}
	}
	for _, one := range p.packages {
		g.addTests(one)
	}
	g.join()
	reached := g.reach("")
	if len(reached) == 0 {
		return errors.New("nothing is reached: the check is broken")
	}
	tests := make(map[string]int) // the packages whose tests reach it
	for from := range g.roots {
		if from != "" {
			for at := range g.reach(from) {
				tests[at]++
			}
		}
	}
	var found []string
	for at, name := range g.names {
		if !reached[at] && tests[at] < 2 && needed[name] == "" && !strings.HasPrefix(at, "engine/trial/") { // for tests alone
			found = append(found, at+": "+name)
		}
	}
	if len(found) == 0 {
		return nil
	}
	slices.Sort(found)
	fmt.Println(strings.Join(found, "\n"))
	return errors.New("no command reaches these; delete them, or move them to the tests that use them")
}

// add adds a package without its tests.
func (g *graph) add(one pkg) error {
	checked, files, info, err := g.p.check(one.ImportPath, one.Dir, one.GoFiles)
	if err != nil {
		return err
	}
	g.look(checked.Scope())
	for _, q := range checked.Imports() {
		g.look(q.Scope())
	}
	for _, v := range info.Types {
		g.ask(v.Type)
	}
	for _, f := range files {
		for _, d := range f.Decls {
			g.declare(d, info, one.Name)
		}
	}
	g.p.checked[one.ImportPath] = checked
	return nil
}

// addTests notes what the tests of a package use.
func (g *graph) addTests(one pkg) {
	checked := g.p.checked[one.ImportPath]
	tested, _, inside, _ := g.p.check(one.ImportPath, one.Dir, slices.Concat(one.GoFiles, one.TestGoFiles))
	g.p.checked[one.ImportPath] = tested
	// Types of the package as tests see it are not those that other packages were checked
	// with; go compiles these again. That is an error here, and what is used is known all the same.
	_, _, outside, _ := g.p.check(one.ImportPath+"_test", one.Dir, one.XTestGoFiles)
	g.p.checked[one.ImportPath] = checked
	for _, info := range []*types.Info{inside, outside} {
		for use, object := range info.Uses {
			if strings.HasSuffix(g.p.fset.Position(use.Pos()).Filename, "_test.go") {
				g.roots[one.ImportPath] = append(g.roots[one.ImportPath], g.at(object))
			}
		}
	}
}

// look notes the interfaces of a scope: a method that one asks for may be called by it.
func (g *graph) look(s *types.Scope) {
	for _, name := range s.Names() {
		if t, ok := s.Lookup(name).(*types.TypeName); ok {
			g.ask(t.Type())
		}
	}
}

func (g *graph) ask(t types.Type) {
	if named, ok := t.(*types.Named); ok && named.TypeParams().Len() > 0 {
		return
	}
	if t == nil {
		return
	}
	if i, ok := t.Underlying().(*types.Interface); ok {
		for k := range i.NumMethods() {
			name := i.Method(k).Name()
			if !slices.Contains(g.interfaces[name], i) {
				g.interfaces[name] = append(g.interfaces[name], i)
			}
		}
	}
}

// declare notes what a declaration declares and uses.
func (g *graph) declare(d ast.Decl, info *types.Info, pkgName string) {
	switch d := d.(type) {
	case *ast.FuncDecl:
		f := info.Defs[d.Name].(*types.Func)
		at, name := g.at(f), f.Name()
		if recv := f.Signature().Recv(); recv != nil {
			t := recv.Type()
			if p, ok := t.(*types.Pointer); ok {
				t = p.Elem()
			}
			owner := g.at(t.(*types.Named).Obj())
			g.methods[owner], g.types[owner] = append(g.methods[owner], f), t
			name = t.(*types.Named).Obj().Name() + "." + name
		} else if name == "init" || name == "main" && pkgName == "main" {
			g.roots[""] = append(g.roots[""], at)
		}
		g.note(name, at, d, info)
	case *ast.GenDecl:
		for _, s := range d.Specs {
			switch s := s.(type) {
			case *ast.TypeSpec:
				g.note(s.Name.Name, g.at(info.Defs[s.Name]), s, info)
			case *ast.ValueSpec:
				for _, n := range s.Names {
					if _, ok := info.Defs[n].(*types.Var); !ok || n.Name == "_" {
						continue // a constant may be the one of its list that is not asked for
					}
					g.note(n.Name, g.at(info.Defs[n]), s, info)
				}
			}
		}
	}
}

func (g *graph) note(name, at string, n ast.Node, info *types.Info) {
	g.names[at] = name
	ast.Inspect(n, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok && info.Uses[id] != nil {
			g.uses[at] = append(g.uses[at], g.at(info.Uses[id]))
		}
		return true
	})
}

// join lets a type use its methods that some interface may call, and those that package
// errors looks for.
func (g *graph) join() {
	for owner, methods := range g.methods {
		for _, m := range methods {
			called := m.Name() == "Unwrap" || m.Name() == "Is" || m.Name() == "As"
			for _, i := range g.interfaces[m.Name()] {
				called = called || types.Implements(types.NewPointer(g.types[owner]), i)
			}
			if called {
				g.uses[owner] = append(g.uses[owner], g.at(m))
			}
		}
	}
}

// at gives the place of what is declared; a generic function or method has one.
func (g *graph) at(o types.Object) string {
	switch x := o.(type) {
	case *types.Func:
		o = x.Origin()
	case *types.Var:
		o = x.Origin()
	}
	at := g.p.fset.Position(o.Pos())
	if here, err := filepath.Rel(g.p.root, at.Filename); err == nil {
		at.Filename = here
	}
	return at.String()
}

// reach gives what the roots of a name reach.
func (g *graph) reach(from string) map[string]bool {
	reached := make(map[string]bool)
	for queue := slices.Clone(g.roots[from]); len(queue) > 0; {
		at := queue[len(queue)-1]
		if queue = queue[:len(queue)-1]; !reached[at] {
			reached[at] = true
			queue = append(queue, g.uses[at]...)
		}
	}
	return reached
}
