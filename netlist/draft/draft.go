// Package draft makes a board file from what others drew: a netlist or a layout of
// KiCad, an IPC-D-356A test file, or a table of pins saved as CSV.
//
// In most cases:
//
//	source, err := draft.Read(file, "board.net", nil)    // what is drawn; the kind of file is known by its content
//	whole, err := draft.Make(source, "", []string{"J7"}) // what it means: kinds, rails, ground
//	near, err := whole.Near([]string{"J7"}, 4)           // what matters to a connector
//	text, err := near.Text()                             // a board file that passes `halfsplit check`
//
// Whatever was guessed is marked `# ?` in the file, for a person to check, and
// Draft.Doubts lists it. Merge takes what people have corrected in such a file over
// into a newer draft.
//
// source.go is the model that all readers fill; kicad.go, drawn.go and csv.go are the
// readers, read.go chooses one; kind.go tells kinds; part.go makes parts, with array.go, junction.go and filter.go
// for those whose pads have to be distinguished; rail.go finds ground and
// supplies; near.go chooses; write.go and merge.go write.
package draft

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"halfsplit/netlist/document"
)

// Draft is the parts and pins of a board, by name.
type Draft struct {
	Board    string
	Revision string
	Ground   string
	Layout   string // path of the layout, from the folder of the board file; may be empty
	Parts    []Part // in the order of the source
	Rails    map[string]Rail
	// LeftOut are the things of the source that are not in the draft, with the
	// reason, and Cut is what lies beyond the choice of Near.
	LeftOut []LeftOut
	Cut     []LeftOut

	groundSure bool
	apart      map[string]bool // nets that are called like ground that no part joins to it
}

const apart = "called like ground, but no part joins it to ground"

// LeftOut is something that the draft does not have.
type LeftOut struct {
	Name string `json:"what"`
	Why  string `json:"why"`
	nets []string
}

// Make tells what the things of a source are. Any of them may be called a connector,
// and ground names the ground net where its name does not say so; both by the names
// that the source has.
func Make(s *Source, ground string, connectors []string) (*Draft, error) {
	d := &Draft{Board: s.Board, Revision: s.Revision, Ground: ground, groundSure: true}
	if ground == "" {
		d.Ground, d.groundSure = s.findGround()
	} else if err := s.has(ground); err != nil {
		return nil, err
	}
	if d.Ground == "" {
		return nil, fmt.Errorf("no part is on any net; export the netlist again")
	}
	names := make(map[string]bool)
	var all []string
	for i := range s.Parts {
		names[s.Parts[i].Name] = true
		all = append(all, s.Parts[i].Name)
	}
	for _, name := range connectors {
		if !names[name] {
			return nil, fmt.Errorf("there is no part %s; %s", document.Quote(name), document.Suggest(name, all, "name it as the source does"))
		}
	}
	for i := range s.Parts {
		c := &s.Parts[i]
		if c.Absent != "" && !slices.Contains(connectors, c.Name) {
			d.LeftOut = append(d.LeftOut, LeftOut{c.Name, "is not assembled: " + c.Absent, nets(c.Pads)})
			continue
		}
		if slices.Contains(connectors, c.Name) {
			stated := *c
			stated.Stated = "connector"
			c = &stated
		}
		list, why := c.parts(d.Ground)
		if slices.Contains(connectors, c.Name) && len(list) == 1 {
			list[0].Sort = IsConnector // of one pad too
		}
		if len(list) == 0 {
			if why == "" {
				why = "joins nothing"
			}
			d.LeftOut = append(d.LeftOut, LeftOut{c.Name, why, nets(c.Pads)})
		}
		for k := range list {
			if list[k].Name != c.Name && names[list[k].Name] {
				list[k].Name = unused(list[k].Name, names)
			}
			names[list[k].Name] = true
		}
		if len(list) > 0 {
			list[0].typed = types(c.Pads)
		}
		d.Parts = append(d.Parts, list...)
	}
	d.findRails(s.Power)
	return d, nil
}

func unused(name string, names map[string]bool) string {
	for names[name] {
		name += "_"
	}
	return name
}

// types are the electrical types of a component's pads by net, supplies first.
func types(pads []Pad) map[string]string {
	all := make(map[string]string)
	for _, p := range pads {
		if old := all[p.Net]; p.Net != "" && p.Type != "" && !isType(old, "power_in") && !isType(old, "power_out") {
			all[p.Net] = p.Type
		}
	}
	return all
}

// has tells whether there is a net.
func (s *Source) has(net string) error {
	var all []string
	for _, c := range s.Parts {
		for _, p := range c.Pads {
			if p.Net == net {
				return nil
			}
			all = append(all, p.Net)
		}
	}
	slices.Sort(all)
	return fmt.Errorf("there is no net %s; %s", document.Quote(net), document.Suggest(net, slices.Compact(all), "name the net that is ground, as the source writes it"))
}

// Candidate is a thing that may be the connector to begin with.
type Candidate struct {
	Name    string `json:"name"`
	Title   string `json:"title"`
	Pins    int    `json:"pins"`  // all
	Lines   int    `json:"lines"` // that are on a net other than ground and supplies
	Guessed bool   `json:"guessed"`
}

// Candidates lists the connectors, those that the most can be read at first: surely
// connectors before guessed ones, then by the number of lines.
func (d *Draft) Candidates() []Candidate {
	var list []Candidate
	for _, p := range d.Parts {
		if p.Sort != IsConnector {
			continue
		}
		c := Candidate{Name: p.Name, Title: p.Title, Pins: len(p.Pins), Guessed: len(p.Guesses) > 0}
		seen := make(map[string]bool)
		for _, pin := range p.Pins {
			if _, supply := d.Rails[pin.Net]; pin.Net != "" && pin.Net != d.Ground && !supply && !seen[pin.Net] {
				seen[pin.Net] = true
				c.Lines++
			}
		}
		list = append(list, c)
	}
	slices.SortStableFunc(list, func(a, b Candidate) int {
		switch {
		case a.Guessed != b.Guessed && b.Guessed:
			return -1
		case a.Guessed != b.Guessed:
			return 1
		case a.Lines != b.Lines:
			return b.Lines - a.Lines
		}
		return b.Pins - a.Pins
	})
	return list
}

// Doubt is a guess with the place that it is about.
type Doubt struct {
	Name string `json:"name"` // of a part or net
	Guess
	Hops int `json:"hops"` // parts between it and the nearest connector
}

// Doubts lists the guesses of a draft, those that matter most to its connectors
// first: the nearest, and among these the ones that mislead most.
func (d *Draft) Doubts() []Doubt {
	var list []Doubt
	if !d.groundSure {
		list = append(list, Doubt{d.Ground, Guess{"no net is called like ground: the one with the most pins is taken", Most}, 0})
	}
	used := make(map[string]int)
	for _, p := range d.Parts {
		for _, pin := range p.Pins {
			if near, ok := used[pin.Net]; !ok || p.hops < near {
				used[pin.Net] = p.hops
			}
		}
		for _, g := range p.Guesses {
			list = append(list, Doubt{p.Name, g, p.hops})
		}
	}
	for net, r := range d.Rails {
		hops, ok := used[net]
		if !ok {
			continue
		}
		w := Little
		if math.IsNaN(r.Volts) && !strings.HasPrefix(r.Why, "by its name") {
			w = Somewhat
		}
		list = append(list, Doubt{net, Guess{"a supply " + r.Why, w}, hops})
	}
	for net := range d.apart {
		if hops, ok := used[net]; ok && d.apart[net] {
			list = append(list, Doubt{net, Guess{apart, Much}, hops})
		}
	}
	slices.SortStableFunc(list, func(a, b Doubt) int {
		// A part of most weight matters as much as one of least weight three parts
		// nearer (common practice, no source).
		rank := func(x Doubt) int { return min(x.Hops, 9) - int(x.Weight) }
		if rank(a) != rank(b) {
			return rank(a) - rank(b)
		}
		if a.Weight != b.Weight {
			return int(b.Weight) - int(a.Weight)
		}
		return natural(a.Name, b.Name)
	})
	return list
}
