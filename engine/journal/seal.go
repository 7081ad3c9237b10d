package journal

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"regexp"
	"slices"
	"strconv"
	"unicode/utf8"

	"halfsplit/netlist/document"
)

// An event that a session writes is sealed: the line that starts its document
// holds a checksum of what the event means, and a document end mark closes it.
//
//	--- # event 8a3b1c2d
//	read: {J7.2: OL}
//	...
//
// To YAML the seal is a comment. It comes first because a process that is killed
// leaves the beginning of what it was writing: a sealed event without its end mark
// is then always known for what it is, even where its bytes would still make good
// YAML (`note: the line is de`). The checksum is over the event as encode writes it and
// not over the file's bytes, so that an event whose keys are spelled otherwise is still the
// event that was recorded. An event written by hand has no seal and counts if it can be read.
const (
	sealOpens = "--- # event "
	sealEnds  = "...\n"
)

var (
	sealWhole = regexp.MustCompile(`^--- # event ([0-9a-f]{8})$`)
	sealBegun = regexp.MustCompile(`^--- # event( [0-9a-f]{0,8})?$`)
)

// seal wraps the text of one event as encode writes it.
func seal(event []byte) []byte {
	return slices.Concat([]byte(sealOpens+digest(event)+"\n"), event, []byte(sealEnds))
}

// digest is a checksum of an event as encode writes it, 8 hex digits.
func digest(event []byte) string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE(event)) }

// condition tells what a seal says of its event.
type condition uint8

const (
	byHand condition = iota // no seal
	sealed                  // complete; its digest says whether it means what was written
	cutOff                  // its end is not there
)

// chunk is the text of one YAML document of a case file.
type chunk struct {
	start, end int // offsets in the file
	line       int // of start, from 1
	condition  condition
	sum        string // of a sealed event: the digest in its seal
}

// split finds the documents of a case file. A line of --- begins a document
// wherever it stands: YAML allows it neither in quotes nor in block text.
func split(text []byte) []chunk {
	var chunks []chunk
	start, line := 0, 1
	if bytes.HasPrefix(text, []byte("\uFEFF")) {
		start = 3
	}
	open := chunk{start: start, line: 1}
	for at := start; at < len(text); line++ {
		next := len(text)
		if i := bytes.IndexByte(text[at:], '\n'); i >= 0 {
			next = at + i + 1
		}
		if at > open.start && beginsDocument(text[at:next]) {
			open.end = at
			chunks = append(chunks, open)
			open = chunk{start: at, line: line}
		}
		at = next
	}
	open.end = len(text)
	chunks = append(chunks, open)
	for i := range chunks {
		chunks[i].condition, chunks[i].sum = inspect(text[chunks[i].start:chunks[i].end])
	}
	return chunks
}

func beginsDocument(line []byte) bool {
	rest, ok := bytes.CutPrefix(line, []byte("---"))
	return ok && (len(rest) == 0 || rest[0] == ' ' || rest[0] == '\t' || rest[0] == '\n' || rest[0] == '\r')
}

// inspect tells whether one document has a seal and its end.
func inspect(text []byte) (condition, string) {
	head, body, whole := bytes.Cut(text, []byte("\n"))
	head = bytes.TrimSuffix(head, []byte("\r"))
	if !whole {
		if sealBegun.Match(head) || bytes.HasPrefix([]byte(sealOpens), head) && bytes.HasPrefix(head, []byte("---")) {
			return cutOff, ""
		}
		return byHand, ""
	}
	m := sealWhole.FindSubmatch(head)
	if m == nil {
		return byHand, ""
	}
	// An editor may have changed the line ends or taken away the last one.
	body = bytes.ReplaceAll(body, []byte("\r\n"), []byte("\n"))
	if !bytes.Contains(slices.Concat([]byte("\n"), body, []byte("\n")), []byte("\n"+sealEnds)) || bytes.IndexByte(body, 0) >= 0 {
		return cutOff, ""
	}
	return sealed, string(m[1])
}

// Torn is the beginning of an event whose writing was cut off, by a crash or a
// loss of power. It was never acknowledged. Its bytes are kept out of the case
// and never thrown away.
type Torn struct {
	Pos     document.Position // where it began in the case file
	Bytes   []byte
	SavedAs string // the file it was moved to; empty while it is still at the end of the case file
}

// Problem says what was cut off and where it is now.
func (t *Torn) Problem() document.Problem {
	p := document.Problem{Position: t.Pos}
	p.What = "the writing of the last event was cut off after " + strconv.Itoa(len(t.Bytes)) + " bytes"
	if begun := t.legible(); len(begun) > 0 {
		p.What += ": " + document.Quote(string(begun))
	}
	if t.SavedAs == "" {
		p.Do = "it does not count; enter the event again, and the next session sets these bytes aside"
	} else {
		p.Do = "it does not count and was set aside in " + shown(t.SavedAs) + "; enter the event again"
	}
	return p
}

// legible is what was cut off, without its seal.
func (t *Torn) legible() []byte {
	if head, body, ok := bytes.Cut(t.Bytes, []byte("\n")); ok && bytes.HasPrefix(head, []byte(sealOpens)) {
		return bytes.TrimRight(body, "\n\x00")
	}
	return bytes.TrimRight(t.Bytes, "\n\x00")
}

// setAside parts a case file into what was written whole and the torn rest; torn
// is nil where nothing was cut off. Only the end of the file can be torn.
func setAside(file string, text []byte) (whole []byte, chunks []chunk, torn *Torn) {
	// A file system may lengthen a file before it has the bytes to fill it.
	solid := bytes.TrimRight(text, "\x00")
	chunks = split(solid)
	from := len(solid)
	tail := solid[bytes.LastIndexByte(solid, '\n')+1:]
	switch last := chunks[len(chunks)-1]; {
	case last.condition == cutOff:
		from = last.start
	case string(tail) == "-" || string(tail) == "--":
		// The next document was about to begin. No document ends like this.
		from -= len(tail)
	}
	if from == len(text) {
		return text, chunks, nil
	}
	torn = &Torn{Pos: positionAt(file, text, from), Bytes: bytes.Clone(text[from:])}
	whole = text[:from:from]
	return whole, split(whole), torn
}

func positionAt(file string, text []byte, offset int) document.Position {
	before := text[:offset]
	line := bytes.Count(before, []byte("\n"))
	column := utf8.RuneCount(before[bytes.LastIndexByte(before, '\n')+1:])
	return document.Position{File: file, Line: line + 1, Column: column + 1}
}
