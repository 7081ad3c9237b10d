package draft

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/layout/sexpr"
)

// ReadKiCad reads the netlist export of KiCad (the .net file of its schematic
// editor), an s-expression of this form (from memory of its public
// documentation):
//
//	(export (version "E")
//	  (design (source "board.kicad_sch") ...)
//	  (components
//	    (comp (ref "R12") (value "22R") (libsource (lib "Device") (part "R") (description "...")) ...))
//	  (nets
//	    (net (code "1") (name "/TP_INT")
//	      (node (ref "R12") (pin "1") (pinfunction "A") (pintype "passive")))))
//
// Older releases write the same without quotes. Keys that are not needed are
// passed over. The error is document.Problems.
func ReadKiCad(r io.Reader, file string) (*Draft, error) {
	tree, err := sexpr.Read(r, file, sexpr.Options{Again: "export the netlist again"})
	if err != nil {
		return nil, err
	}
	root := &tree.Root
	var problems document.Problems
	if root.Name() != "export" {
		problems.Add(tree.At(root), "is not a netlist export: it begins with "+document.Quote(root.Name())+", not `export`", "in the schematic editor, export the netlist in the program's own format")
		return nil, problems.Err()
	}
	d := &Draft{Board: strings.TrimSuffix(baseName(root.Get("design").Text("source")), ".kicad_sch")}
	for sheet := range root.Get("design").All("sheet") {
		block := sheet.Get("title_block")
		if title := block.Text("title"); title != "" {
			d.Board, d.Revision = title, block.Text("rev")
			break
		}
	}
	index := make(map[string]int)
	for comp := range root.Get("components").All("comp") {
		name := comp.Text("ref")
		if name == "" {
			problems.Add(tree.At(comp), "a component without its name", "give every symbol a reference, then export again")
			continue
		}
		if _, twice := index[name]; twice {
			problems.Add(tree.At(comp), "the component "+document.Quote(name)+" is there twice", "number the symbols anew, then export again")
			continue
		}
		if unfitted(comp) {
			index[name] = -1
			continue
		}
		source := comp.Get("libsource")
		part := Part{Name: name, Value: comp.Text("value"), At: tree.At(comp)}
		hint := ""
		for _, field := range append(slices.Collect(comp.All("property")), slices.Collect(comp.Get("fields").All("field"))...) {
			if strings.EqualFold(field.Text("name"), "halfsplit") {
				hint = field.Text("value")
				if hint == "" {
					hint = field.Item(len(field.Items) - 1)
				}
			}
		}
		if hint == "" {
			hint = source.Text("part") + " " + source.Text("description") + " " + part.Value
		}
		part.Sort, part.Kind, part.Guessed = sortOf(name, hint)
		index[name] = len(d.Parts)
		d.Parts = append(d.Parts, part)
	}
	names := make(map[string]int)
	for net := range root.Get("nets").All("net") {
		names[strings.TrimPrefix(net.Text("name"), "/")]++
	}
	for net := range root.Get("nets").All("net") {
		name := net.Text("name")
		// A net of the root sheet begins with a stroke, which says nothing.
		if short := strings.TrimPrefix(name, "/"); short != "" && names[short] == 1 {
			name = short
		}
		nodes := slices.Collect(net.All("node"))
		if strings.HasPrefix(name, "unconnected-") && len(nodes) <= 1 {
			name = ""
		} else if name == "" {
			name = "net" + net.Text("code")
		}
		for _, node := range nodes {
			ref, pin := node.Text("ref"), node.Text("pin")
			i, ok := index[ref]
			switch {
			case !ok:
				problems.Add(tree.At(node), fmt.Sprintf("the net %s has a pin of %s, which is no component", document.Quote(name), document.Quote(ref)), "export the netlist again")
			case i < 0: // not fitted
			case pin == "":
				problems.Add(tree.At(node), fmt.Sprintf("the net %s has a pin of %s without its number", document.Quote(name), document.Quote(ref)), "export the netlist again")
			case slices.ContainsFunc(d.Parts[i].Pins, func(p Pin) bool { return p.Name == pin }):
				problems.Add(tree.At(node), fmt.Sprintf("pin %s of %s is on two nets", document.Quote(pin), document.Quote(ref)), "export the netlist again")
			default:
				d.Parts[i].Pins = append(d.Parts[i].Pins, Pin{pin, node.Text("pinfunction"), name})
			}
		}
	}
	d.settle(&problems)
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if len(d.Parts) == 0 {
		problems.Add(tree.At(nil), "holds no component", "export the netlist of a schematic that has parts")
		return nil, problems.Err()
	}
	for i := range d.Parts {
		slices.SortFunc(d.Parts[i].Pins, func(a, b Pin) int { return natural(a.Name, b.Name) })
	}
	d.Ground = d.ground()
	return d, nil
}

// unfitted tells that a component is not on the board.
func unfitted(comp *sexpr.Node) bool {
	for p := range comp.All("property") {
		if name := strings.ToLower(p.Text("name")); name == "dnp" || name == "exclude_from_board" {
			return true
		}
	}
	return strings.EqualFold(comp.Text("value"), "DNP") || strings.EqualFold(comp.Text("value"), "DNF")
}

func baseName(path string) string {
	return path[strings.LastIndexAny(path, `/\`)+1:]
}

// natural orders names as people do: A2 before A10.
func natural(a, b string) int {
	split := func(s string) (string, int) {
		head := strings.TrimRight(s, "0123456789")
		n := 0
		for _, r := range s[len(head):] {
			n = min(n*10+int(r-'0'), 1<<30)
		}
		return head, n
	}
	ha, na := split(a)
	hb, nb := split(b)
	if ha != hb {
		return strings.Compare(ha, hb)
	}
	if na != nb {
		return na - nb
	}
	return strings.Compare(a, b)
}
