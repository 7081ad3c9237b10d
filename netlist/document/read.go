package document

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"gopkg.in/yaml.v3"
)

// Bounds on what is read. A board of 5,000 parts takes about 1 MB, 150,000
// marks and a depth of 6.
const (
	DefaultLimit = 16 << 20 // bytes
	maxMarks     = 500_000  // characters that can begin a node
	maxDepth     = 64
)

// Open opens a file for reading and refuses folders, pipes and devices before it
// does: a pipe that nobody writes to would keep a reader waiting forever. wanted is
// what the file should be, such as "a case file"; missing is what to do where there is
// none, "check the path" where it is empty. The error is of type Problems.
func Open(path, wanted, missing string) (*os.File, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil && errors.Is(err, fs.ErrNotExist) && missing != "":
		return nil, whole(path, "cannot be opened: "+Reason(err), missing)
	case err != nil:
		return nil, whole(path, "cannot be opened: "+Reason(err), "check the path")
	case info.IsDir():
		return nil, whole(path, "is a folder, not a file", "name "+wanted+" in it")
	case !info.Mode().IsRegular():
		return nil, whole(path, "is a pipe or a device, not a file", "save what comes through it as a file, and name that")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, whole(path, "cannot be opened: "+Reason(err), "check the path")
	}
	return f, nil
}

// Read reads the YAML documents of a file. A limit of 0 means DefaultLimit.
// The error is of type Problems.
func Read(path string, limit int64) ([]Node, error) {
	f, err := Open(path, "a file", "")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Decode(f, path, limit)
}

// ReadSome is Read of a file that has to hold something; missing is what to write into one
// that does not.
func ReadSome(path, missing string) ([]Node, error) {
	nodes, err := Read(path, 0)
	if err == nil && len(nodes) == 0 {
		return nil, Problems{{Position{File: path, Line: 1, Column: 1}, "holds nothing", missing}}
	}
	return nodes, err
}

// Decode reads the YAML documents of a stream, at most limit bytes (0 means
// DefaultLimit); file is its name in messages. Documents that hold nothing are
// left out. What was read before a syntax error is returned beside the error,
// which is of type Problems.
func Decode(r io.Reader, file string, limit int64) (nodes []Node, err error) {
	if limit <= 0 {
		limit = DefaultLimit
	}
	text, err := io.ReadAll(io.LimitReader(r, limit+1))
	if err != nil {
		return nil, whole(file, "cannot be read: "+Reason(err), "check the file and the disk")
	}
	if int64(len(text)) > limit {
		return nil, whole(file, fmt.Sprintf("is larger than %s", size(limit)), "split it, or check that it is the file you meant")
	}
	text = bytes.TrimPrefix(text, []byte("\uFEFF"))
	if p, bad := badText(file, text); bad {
		return nil, Problems{p}
	}

	defer func() {
		// The YAML library reports some malformed input by panicking.
		if r := recover(); r != nil {
			err = whole(file, "cannot be understood as YAML", "check the indentation, the quotes and the brackets")
		}
	}()
	var problems Problems
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	for {
		var raw yaml.Node
		err := decoder.Decode(&raw)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			problems = append(problems, syntax(file, text, err))
			break
		}
		node := Node{file, &raw}
		if raw.Kind == yaml.DocumentNode {
			if len(raw.Content) == 0 {
				continue
			}
			node.raw = raw.Content[0]
		}
		plain(file, node.raw, 0, &problems)
		if node.Kind() != Nothing {
			nodes = append(nodes, node)
		}
	}
	return nodes, problems.Err()
}

// whole is a problem with a file as a whole.
func whole(file, what, do string) Problems {
	return Problems{{Position{File: file}, what, do}}
}

// Reason cuts the path, which the message already names, from a file error.
func Reason(err error) string {
	var path *os.PathError
	if errors.As(err, &path) {
		return path.Err.Error()
	}
	return err.Error()
}

// size writes a number of bytes for people.
func size(n int64) string {
	if n >= 1<<20 && n%(1<<20) == 0 {
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d bytes", n)
}

// badText looks for what no text file holds: bytes that are not UTF-8, control
// characters, and so many marks that the tree would not fit in memory (a node
// takes some 200 bytes, so 2 bytes of `[,,,,` would become 400).
func badText(file string, text []byte) (Problem, bool) {
	at := Position{file, 1, 0}
	marks := 0
	for i := 0; i < len(text); {
		r, n := rune(text[i]), 1
		if r >= utf8.RuneSelf {
			r, n = utf8.DecodeRune(text[i:])
		}
		at.Column++
		switch {
		case r == utf8.RuneError && n == 1:
			return Problem{at, fmt.Sprintf("byte 0x%02x is not UTF-8 text", text[i]), "save the file as UTF-8 text"}, true
		case r == '\r' && i+1 < len(text) && text[i+1] == '\n':
			at.Column--
		case r == '\n' || r == '\r':
			at.Line++
			at.Column = 0
			marks++
		case r == '\t':
		case r < 0x20 || r >= 0x7F && r < 0xA0 || r == 0x2028 || r == 0x2029:
			return Problem{at, fmt.Sprintf("control character U+%04X", r), "remove it; these files are plain text"}, true
		case r == ',' || r == ':' || r == '-' || r == '[' || r == '{' || r == '?':
			marks++
		}
		if marks > maxMarks {
			return Problem{at, fmt.Sprintf("more than %d entries", maxMarks), "split the file, or check that it is the file you meant"}, true
		}
		i += n
	}
	return Problem{}, false
}

// plain refuses what the narrow subset leaves out: anchors, aliases, merge
// keys, tags and bottomless nesting.
func plain(file string, n *yaml.Node, depth int, problems *Problems) {
	at := Position{file, n.Line, n.Column}
	if depth > maxDepth {
		problems.Add(at, fmt.Sprintf("nested deeper than %d levels", maxDepth), "flatten it; no halfsplit file needs more than six")
		return
	}
	if n.Kind == yaml.AliasNode {
		problems.Add(at, "alias "+Quote("*"+n.Value), "write the value out; if it is a name that starts with *, put it in quotes")
		return
	}
	if n.Anchor != "" {
		problems.Add(at, "anchor "+Quote("&"+n.Anchor), "remove it and write values out; if it is a name that starts with &, put it in quotes")
	}
	if n.Style&yaml.TaggedStyle != 0 {
		problems.Add(at, "tag "+Quote(n.Tag), "remove it; if it is a name that starts with !, put it in quotes")
	}
	if n.Kind == yaml.MappingNode {
		for i := 0; i+1 < len(n.Content); i += 2 {
			if n.Content[i].Tag == "!!merge" {
				key := n.Content[i]
				problems.Add(Position{file, key.Line, key.Column}, "merge key `<<`", "write the keys out")
			}
		}
	}
	for _, c := range n.Content {
		plain(file, c, depth+1, problems)
	}
}

var (
	lineOf   = regexp.MustCompile(`^yaml: (?:line (\d+): )?(.*)$`)
	anchorOf = regexp.MustCompile(`^unknown anchor '(.*)' referenced$`)
)

// advice turns the YAML library's wording into something to do. The first
// entry whose text is in the message counts. The parser, unlike the scanner,
// counts its lines from 0.
var advice = []struct {
	has    string
	what   string
	do     string
	parser bool
}{
	{"did not find expected ',' or '}'", "the { that opens here or just before is not closed as it should be", "put a comma between entries and a } at the end", true},
	{"did not find expected ',' or ']'", "the [ that opens here or just before is not closed as it should be", "put a comma between entries and a ] at the end", true},
	{"did not find expected key", "this line, or one below it in the same mapping, does not line up with its neighbours", "indent the keys of one mapping alike, with spaces", true},
	{"did not find expected '-' indicator", "this line, or one below it in the same list, does not line up with the list", "start each entry of a list with - at the same indentation", true},
	{"did not find expected node content", "a value is missing or starts with a character that YAML keeps for itself", "put the value in quotes", true},
	{"did not find expected <document start>", "text stands after the end of the document", "separate documents by a line ---", true},
	{"found character that cannot start any token", "a value starts with a character that YAML keeps for itself (a tab, @, ` or %)", "indent with spaces, or put the value in quotes", false},
	{"mapping values are not allowed in this context", "a second `: ` on one line, or a line indented too far", "put text that holds `: ` in quotes and indent keys of one mapping alike", false},
	{"could not find expected ':'", "a line is neither `key: value` nor part of the one before", "add the colon and a space after the key", false},
	{"found unexpected end of stream", "the file ends inside a quote that opens here or further up", "close the quote", false},
	{"tab", "a tab is used to indent", "indent with spaces", false},
	{"exceeded max depth", "nested far too deep", "flatten it; no halfsplit file needs more than six levels", false},
}

// syntax turns an error of the YAML library into a problem with a line.
func syntax(file string, text []byte, err error) Problem {
	p := Problem{Position{file, 1, 0}, "not valid YAML: " + Printable(err.Error()), "check the indentation, the quotes and the brackets"}
	m := lineOf.FindStringSubmatch(strings.SplitN(err.Error(), "\n", 2)[0])
	if m == nil {
		return p
	}
	if n, err := strconv.Atoi(m[1]); err == nil {
		p.Line = n
	}
	p.What = "not valid YAML: " + Printable(m[2])
	if a := anchorOf.FindStringSubmatch(m[2]); a != nil {
		p.What = "alias " + Quote("*"+a[1])
		p.Do = "write the value out; if it is a name that starts with *, put it in quotes"
		if i := bytes.Index(text, []byte("*"+a[1])); i >= 0 {
			p.Line = 1 + bytes.Count(text[:i], []byte("\n"))
			p.Column = 1 + utf8.RuneCount(text[bytes.LastIndexByte(text[:i], '\n')+1:i])
		}
		return p
	}
	for _, a := range advice {
		if strings.Contains(m[2], a.has) {
			p.What, p.Do = a.what, a.do
			if a.parser && m[1] != "" { // but it may look one past the end
				p.Line = min(p.Line+1, 1+bytes.Count(bytes.TrimRight(text, "\n"), []byte("\n")))
			}
			break
		}
	}
	return p
}
