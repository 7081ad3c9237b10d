package main

import (
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// defaultWidth is what fits any terminal; narrowest what tables need.
const (
	defaultWidth = 80
	narrowest    = 40
	widest       = 400
)

var colourNames = []string{"auto", "always", "never"}

// style is how text is painted on a terminal with colour. Nothing is said by
// colour alone: every verdict has a mark and a word as well.
type style string

// Styles, as the parameters of SGR (ECMA-48, 8.3.117).
const (
	plain  style = ""
	strong style = "1"
	faint  style = "2"
	red    style = "31"
	green  style = "32"
	yellow style = "33"
	cyan   style = "36"
	loud   style = "1;31"
	next   style = "1;36"
)

// screen lays text out for people.
type screen struct {
	w      io.Writer
	width  int
	colour bool
	moves  bool // the cursor can be moved
}

// screen checks the flags that say how to print.
func (a *app) screen() (*screen, error) {
	s := &screen{w: a.out, width: a.width}
	// NO_COLOR and a dumb terminal: common practice, no source.
	s.moves = a.terminal && os.Getenv("TERM") != "dumb" && (runtime.GOOS != "windows" || os.Getenv("WT_SESSION") != "")
	switch a.colour {
	case "always":
		s.colour = true
	case "auto":
		s.colour = s.moves && os.Getenv("NO_COLOR") == ""
	case "never":
	default:
		return nil, instead("`--colour` cannot be "+quoted(a.colour), "write auto, always or never")
	}
	if s.width == 0 {
		s.width = a.columns()
	}
	if s.width < narrowest || s.width > widest {
		return nil, instead(fmt.Sprintf("`--width` cannot be %d", s.width), fmt.Sprintf("write %d to %d columns", narrowest, widest))
	}
	return s, nil
}

// columns is the width of the terminal, where there is one and it says so; else what
// the variable COLUMNS says.
func (a *app) columns() int {
	if a.tty != nil {
		if n := columnsOf(a.tty); n > 0 {
			return min(max(n, narrowest), widest)
		}
	}
	if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil && n >= narrowest && n <= widest {
		return n
	}
	return defaultWidth
}

// isTerminal tells whether a stream is a keyboard or a screen: text written to it is seen at
// once. A character device is taken for a terminal.
func isTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// paint puts text in a style.
func (s *screen) paint(st style, text string) string {
	if !s.colour || st == plain || text == "" {
		return text
	}
	return "\x1b[" + string(st) + "m" + text + "\x1b[0m"
}

// say prints one line. Errors of writing show when the output is flushed.
func (s *screen) say(text string) { fmt.Fprintln(s.w, strings.TrimRight(text, " ")) }

func (s *screen) gap() { fmt.Fprintln(s.w) }

// heading opens a section, with a remark on the right.
func (s *screen) heading(text, remark string) {
	s.gap()
	switch room := s.width - cells(text) - cells(remark); {
	case remark == "":
		s.say(s.paint(strong, text))
	case room < 2:
		s.say(s.paint(strong, text))
		s.prose(2, 0, faint, remark)
	default:
		s.say(s.paint(strong, text) + strings.Repeat(" ", room) + s.paint(faint, remark))
	}
	s.gap()
}

// rule opens a section that must not be overlooked.
func (s *screen) rule(text, remark string) {
	s.gap()
	left := "══ " + text + " "
	right := "══"
	if remark != "" {
		right = " " + remark + " ══"
	}
	room := s.width - cells(left) - cells(right)
	s.say(s.paint(next, left+strings.Repeat("═", max(room, 2))+right))
}

// prose prints text that wraps, indented by so many columns; later lines of it
// are indented by hang more.
func (s *screen) prose(indent, hang int, st style, text string) {
	lead := indent
	for _, line := range wrap(text, s.width-indent, hang) {
		s.say(strings.Repeat(" ", lead) + s.paint(st, line))
		lead = indent + hang
	}
}

// wrap breaks text into lines of at most width columns, those after the first
// hang columns shorter. A word that is longer stands alone.
func wrap(text string, width, hang int) []string {
	var lines []string
	line, used := "", 0
	for _, word := range strings.Fields(text) {
		n := cells(word)
		room := width
		if len(lines) > 0 {
			room -= hang
		}
		if used > 0 && used+1+n > room {
			lines = append(lines, line)
			line, used = "", 0
		}
		if used > 0 {
			line += " "
			used++
		}
		line += word
		used += n
	}
	if used > 0 {
		lines = append(lines, line)
	}
	return lines
}

// cell is one field of a table.
type cell struct {
	text  string
	style style
}

// column says how a column is set. Where the table is too wide, its columns move
// together, and then those that give are cut, the widest first.
type column struct {
	head  string
	right bool
	give  bool
}

const (
	columnGap = 3 // columns of space between columns
	leastCut  = 8 // a column that gives keeps as much
)

// table prints rows under their heads, indented; no heads are printed where
// none has text.
func (s *screen) table(indent int, columns []column, rows [][]cell) {
	widths := make([]int, len(columns))
	headed := false
	for c := range columns {
		widths[c] = cells(columns[c].head)
		headed = headed || columns[c].head != ""
		for _, row := range rows {
			widths[c] = max(widths[c], cells(row[c].text))
		}
	}
	gap := s.squeeze(indent, columns, widths)
	if headed {
		heads := make([]cell, len(columns))
		for c := range columns {
			heads[c] = cell{columns[c].head, faint}
		}
		s.row(indent, gap, columns, widths, heads)
	}
	for _, row := range rows {
		s.row(indent, gap, columns, widths, row)
	}
}

// squeeze narrows columns until the table fits, and returns the gap between
// them.
func (s *screen) squeeze(indent int, columns []column, widths []int) int {
	gap, total, shown := columnGap, indent, 0
	for _, w := range widths {
		if w > 0 {
			total += w
			shown++
		}
	}
	if total+gap*(shown-1) > s.width {
		gap--
	}
	total += gap * (shown - 1)
	for total > s.width {
		at := -1
		for c := range columns {
			if columns[c].give && widths[c] > leastCut && (at < 0 || widths[c] > widths[at]) {
				at = c
			}
		}
		if at < 0 {
			break
		}
		widths[at]--
		total--
	}
	return gap
}

func (s *screen) row(indent, gap int, columns []column, widths []int, row []cell) {
	line, space := "", indent
	for c, f := range row {
		if widths[c] == 0 {
			continue
		}
		text := cut(f.text, widths[c])
		pad := widths[c] - cells(text)
		if columns[c].right {
			space += pad
			pad = 0
		}
		if text != "" {
			line += strings.Repeat(" ", space) + s.paint(f.style, text)
			space = 0
		} else {
			pad = widths[c]
			if columns[c].right {
				pad = 0
			}
		}
		space += pad + gap
	}
	s.say(line)
}

// wrapped prints rows whose last cell wraps under itself.
func (s *screen) wrapped(indent int, rows [][]cell) {
	var widths []int
	for _, row := range rows {
		for c, f := range row[:len(row)-1] {
			if c == len(widths) {
				widths = append(widths, 0)
			}
			widths[c] = max(widths[c], min(cells(f.text), s.width*2/5))
		}
	}
	for _, row := range rows {
		line, used := strings.Repeat(" ", indent), indent
		for c, f := range row[:len(row)-1] {
			line += s.paint(f.style, pad(cut(f.text, widths[c]), widths[c])) + strings.Repeat(" ", columnGap)
			used += widths[c] + columnGap
		}
		last := row[len(row)-1]
		for i, text := range wrap(last.text, max(s.width-used, leastCut), 0) {
			if i > 0 {
				line = strings.Repeat(" ", used)
			}
			s.say(line + s.paint(last.style, text))
			line = ""
		}
		if line != "" {
			s.say(line)
		}
	}
}

// bar draws a share of 1 as so many columns of blocks, to half a block.
func bar(share float64, columns int) string {
	halves := min(max(int(share*float64(2*columns)+0.5), 0), 2*columns)
	text := strings.Repeat("█", halves/2)
	if halves%2 == 1 {
		text += "▌"
	}
	return text + strings.Repeat("░", columns-(halves+1)/2)
}

// cells is the number of columns that text takes on a terminal.
func cells(text string) int {
	n := 0
	for _, r := range text {
		n += runeCells(r)
	}
	return n
}

// wide are ranges of characters that take two columns: the main blocks with
// East_Asian_Width W and F (Unicode Standard Annex #11), from memory.
var wide = [][2]rune{
	{0x1100, 0x115F}, {0x2E80, 0x303E}, {0x3041, 0x33FF}, {0x3400, 0x4DBF}, {0x4E00, 0x9FFF},
	{0xA000, 0xA4CF}, {0xA960, 0xA97F}, {0xAC00, 0xD7A3}, {0xF900, 0xFAFF}, {0xFE30, 0xFE6F},
	{0xFF00, 0xFF60}, {0xFFE0, 0xFFE6}, {0x1F300, 0x1F64F}, {0x1F680, 0x1F6FF}, {0x1F900, 0x1F9FF},
	{0x20000, 0x3FFFD},
}

func runeCells(r rune) int {
	switch {
	case r < 0x300:
		return 1
	case unicode.In(r, unicode.Mn, unicode.Me):
		return 0
	case r >= 0x1100 && slices.ContainsFunc(wide, func(w [2]rune) bool { return r >= w[0] && r <= w[1] }):
		return 2
	}
	return 1
}

// cut shortens text to so many columns and marks that it did.
func cut(text string, columns int) string {
	if cells(text) <= columns {
		return text
	}
	used := 1 // the mark
	for i, r := range text {
		if used+runeCells(r) > columns {
			return text[:i] + "…"
		}
		used += runeCells(r)
	}
	return text
}

// pad fills text up to so many columns.
func pad(text string, columns int) string {
	return text + strings.Repeat(" ", max(columns-cells(text), 0))
}

// foldHelp makes a help text fit defaultWidth: paragraphs are filled, and
// indented lines that are too long go on below their last column, a command line
// behind a backslash.
func foldHelp(text string) string {
	var out, paragraph []string
	flush := func() {
		out = append(out, wrap(strings.Join(paragraph, " "), defaultWidth, 0)...)
		paragraph = nil
	}
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, " \n")
		switch {
		case line != "" && line[0] != ' ':
			paragraph = append(paragraph, line)
			continue
		case cells(line) <= defaultWidth:
			flush()
			out = append(out, line)
		case strings.HasPrefix(line, commandIndent+"halfsplit "):
			flush()
			out = append(out, foldCommand(line)...)
		default:
			flush()
			hang := len(line) - len(strings.TrimLeft(line, " "))
			if at := strings.LastIndex(strings.TrimRight(line, " "), "  "); at >= hang {
				hang = at + 2
			}
			for i, rest := range wrap(line[hang:], defaultWidth-hang, 0) {
				if i > 0 {
					rest = strings.Repeat(" ", hang) + rest
				} else {
					rest = line[:hang] + rest
				}
				out = append(out, rest)
			}
		}
	}
	flush()
	return strings.Join(out, "\n") + "\n"
}

// commandIndent stands before the command lines of a help text.
const commandIndent = "  "

// foldCommand breaks a command line before its flags as a shell takes it, never
// between quotes.
func foldCommand(line string) []string {
	const indent = commandIndent + "    " // of the lines after the first
	var out []string
	for cells(line) > defaultWidth {
		at, quote := -1, byte(0)
		for i := len(indent); i+1 < len(line); i++ {
			switch c := line[i]; {
			case c == quote:
				quote = 0
			case quote == 0 && (c == '"' || c == '\''):
				quote = c
			case quote == 0 && c == ' ' && line[i+1] == '-' && (at < 0 || i+len(` \`) <= defaultWidth):
				at = i
			}
		}
		if at < 0 {
			break
		}
		out = append(out, line[:at]+` \`)
		line = indent + line[at+1:]
	}
	return append(out, line)
}
