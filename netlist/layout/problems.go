package layout

import (
	"errors"
	"fmt"
	"io/fs"

	"halfsplit/netlist/document"
)

func unreadable(path string, err error) error {
	if p := (*fs.PathError)(nil); errors.As(err, &p) {
		err = p.Err
	}
	return document.Wrong(path, "cannot be read: "+err.Error(), "check the path and the disk")
}

// problems are what is wrong with a file, found in one pass, and what bounds the
// memory that its outlines take.
type problems struct {
	document.Problems
	again  string // what to do about most of them
	points int
}

func (ps *problems) addf(at document.Position, format string, args ...any) {
	ps.Add(at, fmt.Sprintf(format, args...), ps.again)
}

// room tells whether outlines may hold n more points, and reports it once where not.
func (ps *problems) room(at document.Position, n int) bool {
	if ps.points > mostPoints {
		return false
	}
	if ps.points += n; ps.points > mostPoints {
		ps.Add(at, fmt.Sprintf("the outlines have more than %d points", mostPoints), "check that it is the file you meant")
		return false
	}
	return true
}
