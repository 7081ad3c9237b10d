package netlist

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
)

// Identity distinguishes boards by what they are to a meter: 16 hex digits that
// follow from the names of places and from all that moves a reading or decides
// what may be done to a part. Comments, titles, remarks, the order of parts and
// nets, and how the file spells its keys and kinds do not count, so what was
// recorded for a board still belongs to it after its file was tidied.
//
// The name and the revision of the board do not count either: they are labels.
// The order of a connector's pins does, since neighbours can be bridged.
func (b *Board) Identity() string {
	var lines []string
	line := func(format string, args ...any) { lines = append(lines, fmt.Sprintf(format, args...)) }
	names := func(p *Part, list []int32) string {
		var all []string
		for _, t := range list {
			all = append(all, p.Terminals[t].Name)
		}
		slices.Sort(all)
		return fmt.Sprintf("%q", all)
	}
	line("ground %q", b.netName(b.Ground))
	for i := range b.Nets {
		n := &b.Nets[i]
		var along []string
		for _, p := range n.Along {
			along = append(along, b.PointName(p))
		}
		line("net %q %v %g %v %q", n.Name, n.Rail, n.RailVolts, n.Boosted, along)
	}
	for i := range b.Parts {
		p := &b.Parts[i]
		// Kinds, roles and the like count by their number, not by their word.
		line("part %q %d %g %g %d %d %d %d supplies %s grounds %s floating %s", p.Name, p.Kind, p.Value, p.DCOhms, p.Role, p.Access, p.Direction, p.Channel,
			names(p, p.Supplies), names(p, p.Grounds), names(p, p.Floating))
		if p.Package != p.packageOf() {
			line("package %q %d", p.Name, p.Package)
		}
		for t := range p.Terminals {
			domain := ""
			if p.Domain != nil && p.Domain[t] != None {
				domain = b.netName(p.Terminals[p.Domain[t]].Net)
			}
			line("terminal %q %q %q domain %q", p.Name, p.Terminals[t].Name, b.netName(p.Terminals[t].Net), domain)
		}
	}
	for i := range b.Connectors {
		c := &b.Connectors[i]
		line("connector %q %d %d", c.Name, c.Rows, c.Numbering)
		for k, pin := range c.Pins {
			line("pin %q %d %q %q", c.Name, k, pin.Name, b.netName(pin.Net))
		}
	}
	for i := range b.TestPoints {
		line("test point %q %q", b.TestPoints[i].Name, b.netName(b.TestPoints[i].Net))
	}
	for _, group := range b.Matched {
		var nets []string
		for _, n := range group {
			nets = append(nets, b.netName(n))
		}
		slices.Sort(nets)
		line("alike %q", nets)
	}
	slices.Sort(lines)
	sum := sha256.Sum256([]byte(strings.Join(lines, "\n")))
	return hex.EncodeToString(sum[:8])
}

// netName is the name of a net, "" for None.
func (b *Board) netName(n NetID) string {
	if n == None {
		return ""
	}
	return b.Nets[n].Name
}
