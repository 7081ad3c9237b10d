package references

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
	"halfsplit/netlist/parallel"
)

// Library is the known good: every sweep of one revision of one board that a
// team has taken and not withdrawn. It is not changed after it is made.
type Library struct {
	Dir      string // the folder it was read from, for messages
	Board    string
	Revision string

	Sweeps    []*Sweep     // in use, by file name
	Skipped   []Skipped    // files left aside, by file name
	Withdrawn []Withdrawal // sweeps taken out of use, by file name

	board  *netlist.Board
	places map[place][]Sample
	// others are sweeps of other revisions of this board, their points
	// unresolved. Check asks whether a sweep reads like one of them.
	others []*Sweep
	edited map[string]bool // files that hold another text than when Add named them
}

// Skipped is a file in the folder that was left aside.
type Skipped struct {
	File string
	Why  string
}

// Withdrawal is a sweep that somebody took out of use, or readings of it.
type Withdrawal struct {
	File   string   // the sweep
	Points []string // whose readings are out of use, as the sweep writes them; nil for all
	Note   string   // the file that withdraws it
	Why    string
	By     string
	Time   time.Time // zero where the file does not say
}

// Sample is one reading of one good board.
type Sample struct {
	Volts    float64 // 0 when Overload
	Overload bool
	Sweep    *Sweep
}

// place is where a reading counts: points on one net read alike on a good board,
// so the net stands for them all; a point on no net stands for itself.
type place struct {
	polarity Polarity
	net      netlist.NetID
	lone     netlist.Point
}

func placeOf(p netlist.Point, pol Polarity) place {
	if p.Net != netlist.None {
		return place{polarity: pol, net: p.Net}
	}
	return place{pol, netlist.None, p}
}

// NewLibrary makes a library of sweeps whose points lie on b.
func NewLibrary(b *netlist.Board, sweeps []*Sweep) *Library {
	l := &Library{Board: b.Name, Revision: b.Revision, Sweeps: sweeps, board: b, places: make(map[place][]Sample)}
	for _, s := range sweeps {
		for _, r := range s.Readings {
			at := placeOf(r.At, s.State.Polarity)
			l.places[at] = append(l.places[at], Sample{r.Reading.Value, r.Reading.Overload, s})
		}
	}
	return l
}

// With gives a library that has some sweeps more.
func (l *Library) With(sweeps ...*Sweep) *Library {
	out := *l
	more := NewLibrary(l.board, append(slices.Clone(l.Sweeps), sweeps...))
	out.Sweeps, out.places = more.Sweeps, more.places
	return &out
}

// At returns the readings of a point on good boards, in the order of the sweeps,
// taken in one polarity. Points on one net are one place. The slice is the
// library's own.
func (l *Library) At(point netlist.Point, pol Polarity) []Sample {
	return l.places[placeOf(point, pol)]
}

// LoadLibrary reads every .yaml and .yml file in a folder and the folders in it,
// leaving out those whose name begins with a dot; a path of a single file is a
// library of one sweep. Sweeps of other boards and revisions, and files of other
// kinds, are set aside in Skipped; withdrawn sweeps in Withdrawn.
//
// The error is document.Problems, all problems of all files; the library that
// comes beside it holds the sweeps that could be read, nil where the folder
// itself could not.
func LoadLibrary(dir string, b *netlist.Board) (*Library, error) {
	return LoadLibraryWatched(dir, b, nil)
}

// LoadLibraryWatched is LoadLibrary, which calls watch now and then with the
// number of files read so far and in all, for a progress bar. The calls come one
// after the other.
func LoadLibraryWatched(dir string, b *netlist.Board, watch func(done, total int)) (*Library, error) {
	paths, skipped, err := yamlFiles(dir)
	if err != nil {
		where, reason := dir, err
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			where, reason = path.Path, path.Err
		}
		return nil, document.Wrong(where, "the known-good folder cannot be read: "+reason.Error(), "name the folder that holds the sweeps, and see that you may read all of it")
	}
	report := func(done int) {
		if watch != nil {
			watch(done, len(paths))
		}
	}
	files := loadFiles(paths, b, report)
	report(len(paths))

	var sweeps, others []*Sweep
	var notes []withdrawNote
	changed := make(map[string]bool)
	var problems document.Problems
	for i, f := range files {
		for k, p := range f.problems {
			if k == len(f.problems)-1 {
				p.Do += leftOut
			}
			problems.Add(p.Position, p.What, p.Do)
		}
		switch {
		case f.skip != "":
			skipped = append(skipped, Skipped{paths[i], f.skip})
			if f.sweep != nil {
				others = append(others, f.sweep)
			}
		case f.sweep != nil:
			sweeps = append(sweeps, f.sweep)
			if f.edited {
				changed[f.sweep.File] = true
			}
		}
		if f.note != nil {
			notes = append(notes, *f.note)
		}
	}
	slices.SortStableFunc(skipped, func(a, b Skipped) int { return strings.Compare(a.File, b.File) })
	sweeps, withdrawn := withdraw(sweeps, notes, paths, &problems)
	l := NewLibrary(b, sweeps)
	l.Dir, l.Skipped, l.Withdrawn, l.others, l.edited = dir, skipped, withdrawn, others, changed
	return l, problems.Err()
}

// yamlFiles lists the files of a library in order of their path, and apart from
// them those that are no regular files, which might never end.
func yamlFiles(dir string) (paths []string, irregular []Skipped, err error) {
	info, err := os.Stat(dir)
	if err != nil {
		return nil, nil, err
	}
	if !info.IsDir() {
		return []string{dir}, nil, nil
	}
	root := filepath.Clean(dir) + string(filepath.Separator) // enters a folder that is a link
	err = filepath.WalkDir(root, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, mode := entry.Name(), entry.Type()
		if mode&fs.ModeSymlink != 0 {
			// A link that leads nowhere stays one, and is reported when it is opened.
			if info, err := os.Stat(path); err == nil {
				mode = info.Mode().Type()
			}
		}
		switch {
		case path == root:
		case strings.HasPrefix(name, "."):
			if entry.IsDir() {
				return fs.SkipDir
			}
		case entry.IsDir():
		case mode.IsDir(): // by a link, which might lead back here
			irregular = append(irregular, Skipped{path, "a link to another folder"})
		case !strings.HasSuffix(name, ".yaml") && !strings.HasSuffix(name, ".yml"):
		case mode&^fs.ModeSymlink != 0:
			irregular = append(irregular, Skipped{path, "not a regular file"})
		default:
			paths = append(paths, path)
		}
		return nil
	})
	slices.Sort(paths)
	return paths, irregular, err
}

// loaded is what became of one file: one of sweep, note, skip and problems; a
// skipped sweep of another revision of the board stands beside its skip.
type loaded struct {
	sweep    *Sweep
	note     *withdrawNote
	skip     string
	edited   bool // the sweep's file holds another text than when Add named it
	problems document.Problems
}

// leftOut ends what is said of a broken file: the rest of the library goes on
// without it, which must not go unnoticed.
const leftOut = "; until then nothing of this file is used"

// loadFiles reads files with a few workers; results stand at the index of their
// path, so that the outcome does not depend on timing.
func loadFiles(paths []string, b *netlist.Board, watch func(done int)) []loaded {
	files := make([]loaded, len(paths))
	points := make([]*resolver, parallel.Workers(8, len(paths)))
	parallel.Watched(len(points), len(paths), watch, func(k, i int) {
		if points[k] == nil {
			points[k] = newResolver(b)
		}
		files[i] = loadFile(paths[i], points[k])
	})
	return files
}

// loadFile reads one file of a library.
func loadFile(path string, points *resolver) loaded {
	nodes, err := document.Read(path, sweepLimit)
	if err != nil {
		var problems document.Problems
		if !errors.As(err, &problems) {
			problems.Add(document.Position{File: path}, err.Error(), "")
		}
		return loaded{problems: problems}
	}
	if other := otherKind(nodes); other != "" {
		return loaded{skip: other}
	}
	node, problems := oneDocument(path, nodes)
	if problems != nil {
		return loaded{problems: problems}
	}
	if node.Get("withdraw").Exists() {
		if problems := withdrawShape.Check(node); problems != nil {
			return loaded{problems: problems}
		}
		return loaded{note: decodeWithdraw(node)}
	}
	if _, why := otherBoard(node, points.board); why != "" {
		other := loaded{skip: why}
		if node.Get("board").Text() == points.board.Name {
			other.sweep, _ = checkedSweep(node, newResolver(nil))
		}
		return other
	}
	sweep, problems := checkedSweep(node, points)
	if problems != nil {
		return loaded{problems: problems}
	}
	return loaded{sweep: sweep, edited: edited(path)}
}

// otherKind tells a board file or a case file that lies among the sweeps.
func otherKind(nodes []document.Node) string {
	for _, n := range nodes {
		switch {
		case n.Get("readings").Exists() || n.Get("withdraw").Exists():
			return ""
		case n.Get("parts").Exists() || n.Get("connectors").Exists():
			return "a board file, not a sweep"
		case n.Get("open").Exists() || n.Get("read").Exists():
			return "a case file, not a sweep"
		}
	}
	return ""
}

// withdrawNote is what a withdraw file says.
type withdrawNote struct {
	at        document.Position // of the file name in it
	file      string            // as written, relative to the note's folder
	points    []document.Node   // whose readings are withdrawn; none for the whole sweep
	why, by   string
	withdrawn time.Time
}

func decodeWithdraw(node document.Node) *withdrawNote {
	w := node.Get("withdraw")
	n := &withdrawNote{
		at:   w.Get("file").At(),
		file: strings.Clone(w.Get("file").Text()),
		why:  strings.Clone(w.Get("why").Text()),
		by:   strings.Clone(w.Get("by").Text()),

		points: w.Get("points").Items(),
	}
	n.withdrawn, _ = ParseTime(w.Get("time").Text()) // passed by the shape
	return n
}

// withdraw takes the sweeps and readings that notes name out of the list. Several notes
// may name one sweep, as when two people withdraw it. A note may name a file that was
// skipped or is broken; one that names no file at all, or a point that the sweep has no
// reading of, is a problem, since what it meant is still in use.
func withdraw(sweeps []*Sweep, notes []withdrawNote, paths []string, problems *document.Problems) ([]*Sweep, []Withdrawal) {
	var withdrawn []Withdrawal
	byFile := make(map[string]*Sweep, len(sweeps))
	for _, s := range sweeps {
		byFile[s.File] = s
	}
	without := make(map[*Sweep]map[string]bool) // readings to take out
	for _, n := range notes {
		if problems.Full() {
			break
		}
		dir := filepath.Dir(n.at.File)
		path := filepath.Join(dir, n.file)
		if _, known := slices.BinarySearch(paths, path); !known {
			var names []string
			for _, p := range paths {
				if rel, err := filepath.Rel(dir, p); err == nil && p != n.at.File {
					names = append(names, rel)
				}
			}
			problems.Add(n.at, fmt.Sprintf("withdraws %s, which is not in this folder", document.Quote(n.file)), document.Suggest(n.file, names, "write the file name of the sweep"))
			continue
		}
		w := Withdrawal{File: path, Note: n.at.File, Why: n.why, By: n.by, Time: n.withdrawn}
		s := byFile[path]
		if s != nil && without[s] == nil {
			without[s] = make(map[string]bool)
		}
		for _, point := range n.points {
			w.Points = append(w.Points, strings.Clone(point.Text()))
			if s == nil {
				continue
			}
			if !slices.ContainsFunc(s.Readings, func(r PointReading) bool { return r.Name == point.Text() }) {
				problems.Add(point.At(), fmt.Sprintf("withdraws %s, of which %s has no reading", document.Quote(point.Text()), document.Quote(n.file)), "write the point as the sweep does")
			}
			without[s][point.Text()] = true
		}
		if s != nil && n.points == nil {
			for _, r := range s.Readings {
				without[s][r.Name] = true
			}
		}
		withdrawn = append(withdrawn, w)
	}
	for s, points := range without {
		s.Readings = slices.DeleteFunc(s.Readings, func(r PointReading) bool { return points[r.Name] })
	}
	slices.SortStableFunc(withdrawn, func(a, b Withdrawal) int { return strings.Compare(a.File, b.File) })
	sweeps = slices.DeleteFunc(sweeps, func(s *Sweep) bool { return len(s.Readings) == 0 })
	return sweeps, withdrawn
}

func sortedKeys(set map[string]bool) []string {
	list := make([]string, 0, len(set))
	for k := range set {
		list = append(list, k)
	}
	slices.Sort(list)
	return list
}
