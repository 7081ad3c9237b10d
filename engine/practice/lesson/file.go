package lesson

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"

	"halfsplit/netlist/document"
	"halfsplit/references"
)

// File is one practice case as its file holds it.
//
// Bench is the board and its faults, for the student's program; the program has
// its key. Answer is for the teacher, under the teacher's passphrase. Check is a
// salted hash of the bad parts.
//
// What this protects against: somebody who opens the file, searches it, compares
// it with others of its class, tries answers against the hash, makes the class a
// second time without the passphrase, or changes the file. What it does not: the
// student's program must know the board to show readings of it, so anyone who can
// write a program can take the faults out of Bench, with or without the passphrase; and
// who works on a case twice knows it the second time. Do not use it for an
// examination that matters.
type File struct {
	Path string

	ID        string // 16 hex digits, drawn at random
	Set       string // name of the class set
	Number    int    // in the set, from 1
	Board     string // path, as written: from the folder of the file
	Known     string // path of the folder of known-good sweeps, as written
	Complaint string
	Meter     references.Meter // the data sheet of the meter on the bench
	Bench     string           // sealed
	Check     Check
	Answer    Sealed
}

// Sealed is what opens with the teacher's passphrase.
type Sealed struct {
	Salt   string // hex
	Rounds int
	Box    string // base64
}

// label binds what is sealed to its file.
func (f *File) label(what string) string { return fmt.Sprintf("%s %s %d", what, f.ID, f.Number) }

// AnswerWith opens the answer with the teacher's passphrase.
func (f *File) AnswerWith(k *Keyring) (*Answer, error) {
	salt, err := hex.DecodeString(f.Answer.Salt)
	if err != nil {
		return nil, err
	}
	key, err := k.key(salt, f.Answer.Rounds)
	if err != nil {
		return nil, err
	}
	var a Answer
	if err := unseal(key, f.label("answer"), f.Answer.Box, &a); err != nil {
		return nil, fmt.Errorf("%s: %w", f.Path, err)
	}
	return &a, nil
}

// bench opens the board.
func (f *File) bench() (*benchData, error) {
	var b benchData
	if err := unseal(benchKey(f.ID), f.label("bench"), f.Bench, &b); err != nil {
		return nil, document.Wrong(f.Path, "the bench of this case does not open: the file was changed", "ask for the file again")
	}
	return &b, nil
}

var (
	idDigits = regexp.MustCompile(`^[0-9a-f]{16}$`)
)

func hexShape(doc string) *document.Shape {
	return &document.Shape{Doc: doc, Pattern: `(?:[0-9a-f]{2})+`, Example: "a40c"}
}

func roundsShape() *document.Shape {
	return &document.Shape{Doc: "How often the hash is repeated.", Example: "600000", Parse: func(text string) error {
		if n, err := strconv.Atoi(text); err != nil || n < leastRounds || n > mostRounds {
			return fmt.Errorf("%s is not a number of rounds; write %d to %d", document.Quote(text), leastRounds, mostRounds)
		}
		return nil
	}}
}

func boxShape(doc string) *document.Shape {
	return &document.Shape{Doc: doc, Parse: func(text string) error {
		if _, err := base64.StdEncoding.DecodeString(text); err != nil {
			return errors.New("it is not whole; ask for the file again")
		}
		return nil
	}}
}

// PracticeShape describes a practice file.
func PracticeShape() *document.Shape {
	text := func(doc string) *document.Shape { return &document.Shape{Doc: doc} }
	need := func(name string, s *document.Shape) document.Field {
		return document.Field{Name: name, Required: true, Shape: s}
	}
	return &document.Shape{
		Doc: "A practice case: a board with something wrong, encrypted, and its answer under the teacher's passphrase.",
		Fields: []document.Field{
			need("practice", &document.Shape{Doc: "The number that tells this case from all others.", Pattern: idDigits.String()[1 : len(idDigits.String())-1], Example: "0123456789abcdef"}),
			need("set", text("The class set that it is part of.")),
			need("number", &document.Shape{Doc: "Its number in the set.", Example: "7", Parse: func(s string) error {
				if n, err := strconv.Atoi(s); err != nil || n < 1 || n > mostCases {
					return fmt.Errorf("%s is not the number of a case; write 1 to %d", document.Quote(s), mostCases)
				}
				return nil
			}}),
			need("board", text("The board file, from the folder of this one.")),
			need("known", text("The folder of known-good sweeps, from the folder of this file.")),
			need("complaint", text("What the owner says.")),
			need("meter", references.MeterShape()),
			need("bench", boxShape("The board on the student's bench, encrypted.")),
			need("check", &document.Shape{Doc: "A salted hash of the bad parts, to check a verdict by.", Fields: []document.Field{
				need("salt", hexShape("Salt, in hex.")), need("rounds", roundsShape()), need("hash", hexShape("Hash, in hex.")),
			}}),
			need("answer", &document.Shape{Doc: "The answer, under the teacher's passphrase.", Fields: []document.Field{
				need("salt", hexShape("Salt, in hex.")), need("rounds", roundsShape()), need("box", boxShape("The encrypted answer.")),
			}}),
		},
	}
}

// mostCases bounds a class set.
const mostCases = 10_000

// fileLimit is the largest practice file in bytes.
const fileLimit = 256 << 10

// Load reads a practice file. The error is document.Problems.
func Load(path string) (*File, error) {
	nodes, err := document.Read(path, fileLimit)
	if err != nil {
		return nil, err
	}
	return decode(nodes, path)
}

func decode(nodes []document.Node, path string) (*File, error) {
	if len(nodes) != 1 {
		return nil, document.Wrong(path, fmt.Sprintf("%d documents, where a practice file is one", len(nodes)), "name a file that `halfsplit practice make` wrote")
	}
	n := nodes[0]
	if problems := PracticeShape().Check(n); len(problems) > 0 {
		return nil, problems.Err()
	}
	meter, problems := references.DecodeMeter(n.Get("meter"))
	if len(problems) > 0 {
		return nil, problems.Err()
	}
	number := func(n document.Node) int {
		v, _ := strconv.Atoi(n.Text()) // checked by the shape
		return v
	}
	check, answer := n.Get("check"), n.Get("answer")
	return &File{
		Path: path, ID: n.Get("practice").Text(), Set: n.Get("set").Text(), Number: number(n.Get("number")),
		Board: n.Get("board").Text(), Known: n.Get("known").Text(), Complaint: n.Get("complaint").Text(),
		Meter: meter, Bench: n.Get("bench").Text(),
		Check:  Check{check.Get("salt").Text(), number(check.Get("rounds")), check.Get("hash").Text()},
		Answer: Sealed{answer.Get("salt").Text(), number(answer.Get("rounds")), answer.Get("box").Text()},
	}, nil
}

// BoardPath and KnownPath are the paths from the working folder.
func (f *File) BoardPath() string { return f.from(f.Board) }

// KnownPath is the folder of known-good sweeps from the working folder.
func (f *File) KnownPath() string { return f.from(f.Known) }

func (f *File) from(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(f.Path), filepath.FromSlash(path))
}

const fileComment = `# A practice case for halfsplit. Its fault is made up.
#
#   halfsplit practice run %s
#
# What is wrong stands in this file, encrypted twice. "bench" is for the program,
# which has to know the board to show what a meter shows; "answer" needs the
# teacher's passphrase. The encryption keeps out those who read or search the file. It
# does not keep out somebody who takes the program apart: this is for learning, not
# for an examination that matters.
`

// encode writes the file. Files of one set are of one length, whatever their
// answers, but for the digits of their numbers.
func (f *File) encode() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, fileComment, filepath.Base(f.Path))
	fmt.Fprintf(&b, "practice: %q\n", f.ID)
	fmt.Fprintf(&b, "set: %q\nnumber: %d\n", f.Set, f.Number)
	fmt.Fprintf(&b, "board: %q\nknown: %q\ncomplaint: %q\n", f.Board, f.Known, f.Complaint)
	fmt.Fprintf(&b, "meter: %s\n", f.Meter.Text())
	fmt.Fprintf(&b, "bench: %s\n", f.Bench)
	fmt.Fprintf(&b, "check: {salt: %q, rounds: %d, hash: %q}\n", f.Check.Salt, f.Check.Rounds, f.Check.Hash)
	fmt.Fprintf(&b, "answer: {salt: %q, rounds: %d, box: %s}\n", f.Answer.Salt, f.Answer.Rounds, f.Answer.Box)
	return b.Bytes()
}

// fileError says of a file that could not be written why not.
func fileError(path string, err error) error {
	if err == nil {
		return nil
	}
	return document.Wrong(path, "cannot be written: "+document.Reason(err), "name a folder that is new or empty, and where you may write")
}
