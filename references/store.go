package references

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
	"unicode"

	"halfsplit/netlist/document"
	"halfsplit/netlist/document/wholefile"
)

// FileName is the name under which a sweep file with this text is kept: board,
// revision, sample, date and digest. Two people who add different sweeps get
// different names, so that folders merge without conflicts, and the same sweep
// gets the same name wherever it is added.
func FileName(s *Sweep, text []byte) string {
	taken := "undated"
	if !s.Taken.IsZero() {
		taken = s.Taken.Format(time.DateOnly)
	}
	return strings.Join([]string{slug(s.Board, "board"), slug(s.Revision, "x"), slug(s.Sample, "x"), taken, digest(text)}, "-") + ".yaml"
}

// slug keeps the letters and digits of a text, in small letters, for a file name
// that every system takes.
func slug(text, none string) string {
	const most = 24
	var b strings.Builder
	for _, r := range strings.ToLower(text) {
		switch {
		case b.Len() >= most:
		case r < unicode.MaxASCII && (unicode.IsLetter(r) || unicode.IsDigit(r)):
			b.WriteRune(r)
		default:
			b.WriteByte('_')
		}
	}
	if name := strings.Trim(b.String(), "_"); name != "" {
		return name
	}
	return none
}

// Add puts the text of a sweep file into the folder of a library, under its
// FileName, and returns the path. A file of that name is left as it is: added is
// then false. The file appears whole or not at all.
func Add(dir string, s *Sweep, text []byte) (path string, added bool, err error) {
	path = filepath.Join(dir, FileName(s, text))
	if err = wholefile.MakeFolder(dir); err == nil {
		err = wholefile.New(path, text)
	}
	if errors.Is(err, fs.ErrExist) {
		return path, false, nil
	}
	return path, err == nil, err
}

// Withdraw takes a sweep out of use by a note beside its file, which stays as it
// is, and returns the path of the note. With points, named as the sweep names them, only
// their readings are taken out of use. The file must hold a sweep in which they are in
// use. when may be zero. Notes of two people about one sweep have different names, so
// that folders merge without conflicts.
func Withdraw(file string, points []string, why, by string, when time.Time) (note string, err error) {
	if strings.TrimSpace(why) == "" {
		return "", errors.New("a withdrawal says nothing without its reason; say why, such as \"the board failed a week later\"")
	}
	for what, text := range map[string]string{"the reason": strings.NewReplacer("\n", "", "\t", "").Replace(why), "the name": by} {
		if r, hidden := document.Hidden(text); hidden {
			return "", fmt.Errorf("%s holds the character U+%04X, which does not show; leave it out", what, r)
		}
	}
	s, err := LoadSweep(file, nil)
	if err != nil {
		return "", err
	}
	if err := s.stillInUse(points); err != nil {
		return "", err
	}
	dir, base := filepath.Split(file)
	var b document.Writer
	b.WriteString("withdraw:\n")
	b.Key("  file", document.Scalar(base))
	if points != nil {
		b.Key("  points", document.FlowList(document.Scalars(points)...))
	}
	b.Key("  why", document.Scalar(why))
	b.Key("  by", document.Optional(by))
	if !when.IsZero() {
		b.Key("  time", when.Format(time.RFC3339))
	}
	if nodes, err := document.Decode(strings.NewReader(b.String()), "withdrawal", 0); err != nil {
		return "", err
	} else if problems := WithdrawShape().Check(nodes[0]); problems != nil {
		return "", problems
	}
	note = filepath.Join(dir, notePrefix(base)+"-"+digest([]byte(b.String()))+".yaml")
	return note, wholefile.New(note, []byte(b.String()))
}

// notePrefix is what the names of all notes about a sweep begin with.
func notePrefix(base string) string {
	return "withdraw-" + strings.TrimSuffix(strings.TrimSuffix(base, ".yaml"), ".yml")
}

// stillInUse tells by an error that the readings of points, or all where there are none,
// are not in the sweep, or that notes beside its file withdraw them already.
func (s *Sweep) stillInUse(points []string) error {
	dir, base := filepath.Split(s.File)
	left, in := make(map[string]bool), make(map[string]bool)
	for _, r := range s.Readings {
		left[r.Name], in[r.Name] = true, true
	}
	for _, p := range points {
		if !in[p] {
			return document.Wrong(s.File, "has no reading of "+document.Quote(p), document.Suggest(p, sortedKeys(in), "write the point as the sweep does"))
		}
	}
	entries, err := os.ReadDir(filepath.Clean(dir))
	if err != nil {
		return err
	}
	for _, entry := range entries {
		if !strings.HasPrefix(entry.Name(), notePrefix(base)) {
			continue
		}
		n := loadFile(filepath.Join(dir, entry.Name()), newResolver(nil)).note
		if n == nil || n.file != base {
			continue
		}
		for _, p := range n.points {
			delete(left, p.Text())
		}
		if n.points == nil {
			clear(left)
		}
	}
	what := ""
	for _, p := range points {
		if !left[p] {
			what = document.Quote(p) + " of it "
		}
	}
	if what != "" || len(left) == 0 {
		return document.Wrong(s.File, what+"is withdrawn already, by a note beside it", "nothing is left to do")
	}
	return nil
}
