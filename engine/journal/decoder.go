package journal

import (
	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

// decoder turns the documents of one case file into events and keeps what is
// wrong with them.
type decoder struct {
	file     string
	board    *netlist.Board
	problems document.Problems
	warnings document.Problems
	parted   map[string]netlist.PartID // parts by their own and their terminals' names; made when needed
}

func (d *decoder) problem(at document.Position, what, do string) { d.problems.Add(at, what, do) }

func (d *decoder) warn(at document.Position, what, do string) { d.warnings.Add(at, what, do) }
