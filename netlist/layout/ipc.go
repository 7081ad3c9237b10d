package layout

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"halfsplit/netlist/document"
)

// ipc reads test files by IPC-D-356A (1998), from memory. A record is a line of up to
// 80 columns:
//
//	1-3    operation: 3 and the kind: 17 through hole, 27 surface, 67 hole without copper;
//	       0 and the kind goes on with the record before
//	4-17   net, N/C where it not connected (NC)
//	21-26  reference of the part, VIA for a hole between layers
//	27-31  - and the pin's number
//	32     M: inside the net, not at its end
//	33-38  D, diameter of the hole, P or U: plated or not
//	39-41  A, access: 00 both sides, 01 primary, others secondary
//	42-57  X and Y with sign, seen from the primary side, y upwards
//	58-71  X and Y: size of the feature, R: rotation
//	73-74  S, solder mask: 0 none, 1 primary, 2 secondary, 3 both
//
// A line that begins with C is a remark, one with P a parameter: JOB, UNITS, and
// NNAMEn, the full name of a net that is written as NNAMEn. 389 is the edge of the
// board. 999 ends the file.
//
// Of units the file has ten-thousandths of an inch (CUST 0, and CUST 2 with rotation
// in radians) or thousandths of a millimetre (CUST 1 and SI). What is not known here
// is the part's value, its outline, and its side where all its pads go through.
type ipc struct {
	problems
	board   *Board
	unit    float64 // mm
	radians bool
	names   map[string]string // of nets, by their alias
	listed  map[string]bool   // nets that the board lists already
	index   map[string]int    // footprints by reference
	last    record
	edge    bool  // an edge of the board may go on
	at      Point // where it is
}

// record is one line, its fields without blanks.
type record struct {
	kind           string // 17, 27, 67
	net, part, pin string
	fields         []field
	seen           document.Position
}

// field is a letter with a number behind it: X+012345.
type field struct {
	letter byte
	value  int
	after  byte // the letter right behind the number, where it is P or U
}

const ipcLimit = 64 << 20 // bytes; 700,000 records

func readIPC(r io.Reader, name string) (*Board, error) {
	const again = "export the IPC-D-356A file again"
	p := &ipc{
		problems: problems{again: again},
		board:    &Board{File: name},
		unit:     0.00254,
		names:    make(map[string]string), listed: make(map[string]bool), index: make(map[string]int),
	}
	whole := document.Position{File: name}
	text, err := io.ReadAll(io.LimitReader(r, ipcLimit+1))
	switch {
	case err != nil:
		return nil, unreadable(name, err)
	case len(text) > ipcLimit:
		p.Add(whole, fmt.Sprintf("is larger than %d MB", ipcLimit>>20), "check that it is the file you meant")
		return nil, p.Err()
	case !utf8.Valid(text):
		p.Add(whole, "is not text in UTF-8", again)
		return nil, p.Err()
	}
	lines := slices.Collect(strings.Lines(strings.TrimPrefix(string(text), "\uFEFF")))
	if !slices.ContainsFunc(lines[:min(len(lines), 200)], isRecord) {
		p.Add(whole, "is neither a KiCad layout nor an IPC-D-356A file", "export one of them from the layout program")
		return nil, p.Err()
	}
	// Aliases and units may stand behind what they are for.
	for i, line := range lines {
		p.parameter(strings.TrimRight(line, " \t\r\n"), document.Position{File: name, Line: i + 1, Column: 1})
	}
	ended := false
	for i, line := range lines {
		if ended = strings.HasPrefix(line, "999"); ended {
			break
		}
		p.line(strings.TrimRight(line, " \t\r\n"), document.Position{File: name, Line: i + 1, Column: 1})
	}
	if !ended {
		p.Add(whole, "is cut off: the record 999 at its end is missing", again)
	}
	if len(p.board.Footprints) == 0 && len(p.Problems) == 0 {
		p.Add(whole, "holds no pin of a part", again)
	}
	if err := p.Err(); err != nil {
		return nil, err
	}
	for i := range p.board.Footprints {
		p.settle(&p.board.Footprints[i])
	}
	p.board.Outline = slices.DeleteFunc(p.board.Outline, func(line Polyline) bool { return len(line) < 2 })
	return p.board, nil
}

// isRecord tells that a line is one of a file of this kind.
func isRecord(line string) bool {
	line = strings.TrimRight(line, "\r\n")
	if strings.HasPrefix(line, "P  ") {
		return true
	}
	return len(line) > 41 && (line[:3] == "317" || line[:3] == "327" || line[:3] == "367")
}

func (p *ipc) parameter(line string, at document.Position) {
	rest, ok := strings.CutPrefix(line, "P ")
	if !ok {
		return
	}
	word, rest, _ := strings.Cut(strings.TrimSpace(rest), " ")
	rest = strings.TrimSpace(rest)
	switch {
	case word == "JOB":
		p.board.Title = rest
	case word == "UNITS":
		switch strings.Join(strings.Fields(rest), " ") {
		case "CUST 0", "CUST":
		case "CUST 1", "SI":
			p.unit = 0.001
		case "CUST 2":
			p.radians = true
		default:
			p.addf(at, "the units %s are not known", document.Quote(rest))
		}
	case strings.HasPrefix(word, "NNAME"):
		p.names[word] = rest
	}
}

// column cuts columns out of a line, counted from 1, without blanks at their ends.
func column(line string, from, to int) string {
	if len(line) < from {
		return ""
	}
	return strings.TrimSpace(line[from-1 : min(to, len(line))])
}

func (p *ipc) line(line string, at document.Position) {
	if line == "" || line[0] == 'C' || line[0] == 'P' {
		return
	}
	operation := column(line, 1, 3)
	goesOn := strings.HasPrefix(operation, "0")
	switch kind := operation[min(1, len(operation)):]; {
	case len(operation) != 3 || operation[0] != '3' && operation[0] != '0' || strings.Trim(kind, "0123456789") != "":
		p.addf(at, "%s is no operation of IPC-D-356A", document.Quote(operation))
	case kind == "89":
		if !goesOn || p.edge {
			p.outline(line, goesOn, at)
		}
	case kind != "17" && kind != "27" && kind != "67":
		p.last, p.edge = record{}, false // vias in layers, conductors, adjacency: nothing to probe
	case goesOn && p.last.kind != kind:
		p.addf(at, "nothing stands before it that it could go on with")
	default:
		now, ok := p.fields(line, kind, at)
		if !ok {
			return
		}
		if goesOn {
			now = p.last.with(now)
		}
		p.last = now
		p.pad(now, goesOn)
	}
}

// fields cuts a record into its fields; ok is false where that is reported.
func (p *ipc) fields(line, kind string, at document.Position) (record, bool) {
	r := record{kind: kind, net: column(line, 4, 17), part: column(line, 21, 26), pin: column(line, 28, 31), seen: at}
	if len(line) < 33 {
		return r, true
	}
	for i := 32; i < len(line); {
		c := line[i]
		if i++; c == ' ' {
			continue
		}
		j := i
		for j < len(line) && (line[j] >= '0' && line[j] <= '9' || j == i && strings.IndexByte("+- ", line[j]) >= 0) {
			j++
		}
		// The number stands behind a sign, a blank for plus.
		n, err := strconv.Atoi(strings.TrimPrefix(strings.TrimSpace(line[i:j]), "+"))
		if err != nil || strings.IndexByte("DAXYRS", c) < 0 {
			if i >= 74 { // columns behind the mask are the user's own
				break
			}
			at.Column = i
			p.addf(at, "%s is no field of IPC-D-356A", document.Quote(line[i-1:max(i, j)]))
			return r, false
		}
		f := field{letter: c, value: n}
		if i = j; c == 'D' && i < len(line) && (line[i] == 'P' || line[i] == 'U') {
			f.after = line[i]
			i++
		}
		r.fields = append(r.fields, f)
	}
	return r, true
}

// with is the record as b goes on with it: what b leaves empty stays.
func (r record) with(b record) record {
	for _, f := range []struct{ to, from *string }{{&b.net, &r.net}, {&b.part, &r.part}, {&b.pin, &r.pin}} {
		if *f.to == "" {
			*f.to = *f.from
		}
	}
	for _, old := range r.fields {
		if !slices.ContainsFunc(b.fields, func(f field) bool { return f.letter == old.letter }) {
			b.fields = append(b.fields, old)
		}
	}
	return b
}

// get is the n-th field with a letter.
func (r record) get(letter byte, n int) (field, bool) {
	for _, f := range r.fields {
		if f.letter == letter {
			if n == 0 {
				return f, true
			}
			n--
		}
	}
	return field{}, false
}

// pad adds the pad of a record to its part. Another access to the pad of the record
// before, at the same place, only opens its other side.
func (p *ipc) pad(r record, goesOn bool) {
	net := r.net
	if full, ok := p.names[net]; ok {
		net = full
	}
	if net == "N/C" {
		net = ""
	}
	if net != "" && !p.listed[net] {
		p.listed[net] = true
		p.board.Nets = append(p.board.Nets, net)
	}
	if r.part == "" || r.part == "VIA" {
		return
	}
	x, ok := r.get('X', 0)
	y, ok2 := r.get('Y', 0)
	if !ok || !ok2 {
		p.addf(r.seen, "the pin %s of %s has no place", document.Quote(r.pin), document.Quote(r.part))
		return
	}
	pad := Pad{Number: r.pin, Net: net, Type: Surface, At: Point{float64(x.value) * p.unit, -float64(y.value) * p.unit}, Source: r.seen}
	if math.Abs(pad.At.X) > farthest || math.Abs(pad.At.Y) > farthest {
		p.addf(r.seen, "the pin %s of %s lies more than %d mm away", document.Quote(r.pin), document.Quote(r.part), farthest)
		return
	}
	size := func(letter byte, n int) float64 {
		f, _ := r.get(letter, n)
		return min(math.Abs(float64(f.value))*p.unit, farthest)
	}
	pad.Width, pad.Height, pad.Drill = size('X', 1), size('Y', 1), size('D', 0)
	if pad.Width == 0 {
		pad.Width = max(pad.Drill*1.5, 0.2) // nothing was said of it
	}
	if pad.Height == 0 { // a round one
		pad.Shape, pad.Height = Circle, pad.Width
	}
	if f, ok := r.get('R', 0); ok {
		pad.Rotation = float64(f.value)
		if p.radians {
			pad.Rotation = float64(f.value) / 100 * 180 / math.Pi
		}
		pad.Rotation = math.Mod(pad.Rotation, 360)
	}
	if f, ok := r.get('A', 0); ok {
		pad.Side = [...]Side{BothSides, Top, Bottom}[min(max(f.value, 0), 2)]
	}
	hole, drilled := r.get('D', 0)
	switch {
	case r.kind == "67" || drilled && hole.after == 'U':
		pad.Type, pad.Side = Hole, BothSides
	case r.kind == "17":
		pad.Type = Through
	}
	if f, ok := r.get('S', 0); ok {
		pad.Covered = f.value == 3 || f.value == 1 && pad.Side == Top || f.value == 2 && pad.Side == Bottom
	}
	i, ok := p.index[r.part]
	if !ok {
		i = len(p.board.Footprints)
		p.index[r.part] = i
		p.board.Footprints = append(p.board.Footprints, Footprint{Reference: r.part, Source: r.seen})
	}
	f := &p.board.Footprints[i]
	if n := len(f.Pads); goesOn && n > 0 && f.Pads[n-1].Number == pad.Number && f.Pads[n-1].At == pad.At {
		if f.Pads[n-1].Side != pad.Side {
			f.Pads[n-1].Side = BothSides
		}
		return
	}
	if outline := copper(pad.Shape, pad.Width, pad.Height, 0, 0, 0); p.room(r.seen, len(outline)) {
		pad.Copper = newFrame(pad.At, pad.Rotation).line(outline)
	}
	f.Pads = append(f.Pads, pad)
}

// settle tells of a part what its pads say: its side and its middle.
func (p *ipc) settle(f *Footprint) {
	from, to := f.Pads[0].At, f.Pads[0].At
	bottom := true
	for _, pad := range f.Pads {
		from = Point{min(from.X, pad.At.X), min(from.Y, pad.At.Y)}
		to = Point{max(to.X, pad.At.X), max(to.Y, pad.At.Y)}
		bottom = bottom && pad.Side == Bottom
	}
	f.At = Point{(from.X + to.X) / 2, (from.Y + to.Y) / 2}
	if bottom {
		f.Side = Bottom
	}
}

// outline reads an edge of the board: places one behind the other, of which each
// says only what changes; a * begins another line.
func (p *ipc) outline(line string, goesOn bool, at document.Position) {
	if !goesOn {
		if p.edge = column(line, 4, 17) == "BOARD_EDGE"; !p.edge {
			return // a panel, a score line
		}
		p.board.Outline = append(p.board.Outline, nil)
		p.at = Point{}
	}
	for _, word := range strings.Fields(line[min(17, len(line)):]) {
		if word == "*" {
			p.board.Outline = append(p.board.Outline, nil)
			continue
		}
		for rest := word; rest != ""; {
			end := 1 + len(rest[1:]) - len(strings.TrimLeft(rest[1:], "+-0123456789"))
			n, err := strconv.Atoi(strings.TrimPrefix(rest[1:end], "+"))
			v := float64(n) * p.unit
			switch {
			case err != nil || math.Abs(v) > farthest || rest[0] != 'X' && rest[0] != 'Y':
				p.addf(at, "%s is no place on an edge", document.Quote(word))
				return
			case rest[0] == 'X':
				p.at.X = v
			default:
				p.at.Y = -v
			}
			rest = rest[end:]
		}
		if p.room(at, 1) {
			last := &p.board.Outline[len(p.board.Outline)-1]
			*last = append(*last, p.at)
		}
	}
}
