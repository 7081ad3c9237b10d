package draft

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"regexp"
	"strings"

	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/layout/sexpr"
)

// mostBytes is the largest file: a layout of 5,000 parts takes about 40 MB.
const mostBytes = 128 << 20

// testRecord tells lines of IPC-D-356A: remarks, parameters, test records.
var testRecord = regexp.MustCompile(`(?m)^(?:C  |P  (?:JOB|UNITS|TITLE|NUM|VER|IMAGE|CODE)|[0-9]27[^ ]|317[^ ]|999)`)

// Read reads what is drawn. The kind of file is known by its content; columns maps
// keys of a table to its headings, where it is one. The error is document.Problems.
func Read(r io.Reader, file string, columns map[string]string) (*Source, error) {
	whole := document.Position{File: file}
	var problems document.Problems
	text, err := io.ReadAll(io.LimitReader(r, mostBytes+1))
	if err != nil {
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			err = path.Err
		}
		problems.Add(whole, "cannot be read: "+err.Error(), "check the path and the disk")
		return nil, problems.Err()
	}
	if len(text) > mostBytes {
		problems.Add(whole, fmt.Sprintf("is larger than %d MB", mostBytes>>20), "check that it is the file you meant")
		return nil, problems.Err()
	}
	start := bytes.TrimLeft(bytes.TrimPrefix(text, []byte("\uFEFF")), " \t\r\n")
	var s *Source
	switch {
	case earlier(start):
		tree, err := sexpr.Read(bytes.NewReader(bare(text)), file, sexpr.Options{Again: exportAgain})
		if err != nil {
			return nil, err
		}
		s = fromEarlier(tree, &problems)
	case bytes.HasPrefix(start, []byte("(")):
		switch head := headWord(start); head {
		case "export":
			tree, err := sexpr.Read(bytes.NewReader(text), file, sexpr.Options{Again: exportAgain})
			if err != nil {
				return nil, err
			}
			s = fromNetlist(tree, &problems)
		case "kicad_pcb":
			drawn, err := layout.Read(bytes.NewReader(text), file)
			if err != nil {
				return nil, err
			}
			s = fromLayout(drawn)
		default:
			do := "export the netlist in KiCad's own format, or name the layout"
			if head == "kicad_sch" {
				do = "a schematic does not say what is joined: in its editor, export the netlist in KiCad's own format"
			}
			problems.Add(whole, "is no netlist and no layout: it begins with "+document.Quote(head), do)
		}
	case testRecord.Match(start[:min(len(start), 2000)]) && !bytes.Contains(firstLine(start), []byte(",")):
		drawn, err := layout.Read(bytes.NewReader(text), file)
		if err != nil {
			return nil, err
		}
		s = fromLayout(drawn)
	case startOf[strings.ToLower(path.Ext(file))] != "":
		ext := strings.ToLower(path.Ext(file))
		problems.Add(document.Position{File: file, Line: 1, Column: 1}, "is not what its name says: a file "+ext+" begins with "+document.Quote(startOf[ext]), "save it again with the program that made it, or name another file")
	default:
		s, err = fromTable(bytes.NewReader(text), file, columns)
		if err != nil {
			return nil, err
		}
		columns = nil
	}
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if len(columns) > 0 {
		problems.Add(whole, "is not a table, so that it has no columns to be mapped", "leave the columns out")
	}
	s.settle(&problems)
	if len(s.Parts) == 0 && len(problems) == 0 {
		problems.Add(whole, "holds no component", "name the file of a board that has parts")
	}
	if err := problems.Err(); err != nil {
		return nil, err
	}
	if s.Board == "" {
		base := path.Base(strings.ReplaceAll(file, `\`, "/"))
		s.Board = shown(strings.TrimSuffix(base, path.Ext(base)))
	}
	return s, nil
}

// startOf is what files begin with whose names say that they are no tables.
var startOf = map[string]string{".kicad_pcb": "(kicad_pcb", ".kicad_sch": "(kicad_sch"}

func firstLine(text []byte) []byte {
	line, _, _ := bytes.Cut(text, []byte("\n"))
	return line
}

// headWord is the word that an S-expression begins with.
func headWord(text []byte) string {
	text = bytes.TrimLeft(text[1:min(len(text), 100)], " \t\r\n")
	if i := bytes.IndexAny(text, " \t\r\n()\""); i >= 0 {
		text = text[:i]
	}
	return string(text)
}

// fromLayout takes the parts of a layout. Footprints without a reference or without a
// numbered pad are pictures and holes.
func fromLayout(b *layout.Board) *Source {
	s := &Source{Board: b.Title, Revision: b.Revision, Drawn: true}
	index := make(map[string]int)
	for i := range b.Footprints {
		f := &b.Footprints[i]
		if f.Reference == "" || strings.HasPrefix(f.Reference, "#") {
			continue
		}
		k, again := index[f.Reference]
		if !again {
			k = len(s.Parts)
			index[f.Reference] = k
			c := Component{Name: f.Reference, Value: f.Value, Description: f.Description, Keywords: f.Keywords, Footprint: f.Name, At: f.Source}
			if f.Library != "" {
				c.Footprint = f.Library + ":" + f.Name
			}
			if f.Absent {
				c.Absent = "marked so in the layout"
			}
			for name, value := range f.Fields {
				c.field(name, value, false)
			}
			s.Parts = append(s.Parts, c)
		}
		for _, p := range f.Pads {
			if p.Number != "" && p.Type != layout.Hole {
				s.Parts[k].pad(Pad{Number: p.Number, Function: p.Function, Type: p.Electric, Net: p.Net})
			}
		}
	}
	return s
}
