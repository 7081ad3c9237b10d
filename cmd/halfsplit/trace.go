package main

import (
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/netlist"
)

// Signs of a drawing, after the symbols of IEC 60617 as far as text has them: a
// junction, earth, and a supply. The marks of verdicts are others (● ▼ ▲).
const (
	netMark    = "•"
	groundMark = "⊥"
	railMark   = "↑"
)

func (a *app) traceCommand() *cobra.Command {
	var pastRails bool
	cmd := &cobra.Command{
		Use:   "trace BOARD POINT",
		Short: "draw the line from a point",
		Long: `trace draws everything that is reachable from a point without passing through
ground: nets from top to bottom, the series parts between them, and the parts
that hang from each net. A line ends at rails; --past-rails goes on through
them.`,
		Example: `  halfsplit trace kestrel/board.yaml J7.2
  halfsplit trace kestrel/board.yaml VTP_1V8`,
		Args:              arguments("BOARD file", "POINT"),
		ValidArgsFunction: completeBoardPoint,
		RunE: a.on(func(s *screen, args []string) error {
			b, err := loadBoard(args[0])
			if err != nil {
				return err
			}
			p, err := b.Point(args[1])
			if err != nil {
				return err
			}
			stop := netlist.AtRails
			if pastRails {
				stop = netlist.AtGround
			}
			d, err := draw(b, p.Net, stop)
			if err != nil {
				return err
			}
			return a.answer(d.answer(args[1]), func() { s.drawing(d, args[1], p) })
		}),
	}
	a.jsonFlag(cmd, siUnits)
	cmd.Flags().BoolVar(&pastRails, "past-rails", false, "go on through supplies")
	return cmd
}

// drawing is a line as text.
type drawing struct {
	board *netlist.Board
	stop  netlist.Stop
	root  netlist.Branch
	rails bool // some part ends at a rail
	part  int  // columns for the names of parts
	kind  int  // for kinds and values
	goal  int  // for where a part that ends the line leads
}

// Widest columns of a drawing; longer text is cut.
const (
	mostPartColumns = 18
	mostKindColumns = 22
	mostGoalColumns = 28
	mostPoints      = 8 // points named on one net
)

func draw(b *netlist.Board, from netlist.NetID, stop netlist.Stop) (*drawing, error) {
	g, err := b.Graph()
	if err != nil {
		return nil, err
	}
	d := &drawing{board: b, stop: stop, root: g.Tree(from, stop)}
	d.measure(&d.root)
	return d, nil
}

// measure finds how wide the columns are below a net.
func (d *drawing) measure(x *netlist.Branch) {
	for i := range x.Children {
		c := &x.Children[i]
		d.measure(c)
		d.part = max(d.part, min(cells(d.partName(c)), mostPartColumns))
		d.kind = max(d.kind, min(cells(wording.Kind(d.partOf(c))), mostKindColumns))
		if !c.GoesOn {
			d.rails = d.rails || c.Net != netlist.None && d.endsAtRail(c)
			d.goal = max(d.goal, min(cells(d.goalWords(c)), mostGoalColumns))
		}
	}
}

func (d *drawing) endsAtRail(r *netlist.Branch) bool {
	return d.stop == netlist.AtRails && d.board.Nets[r.Net].Rail
}

func (d *drawing) partOf(r *netlist.Branch) *netlist.Part { return &d.board.Parts[r.Part] }

// partName names a part and, where it has more than two terminals, those that
// the line uses.
func (d *drawing) partName(r *netlist.Branch) string {
	p := d.partOf(r)
	text := name(p.Name)
	switch {
	case r.Out == netlist.None:
		text += "." + name(p.Terminals[r.In].Name)
	case len(p.Terminals) > 2:
		text += "." + name(p.Terminals[r.In].Name) + "-" + name(p.Terminals[r.Out].Name)
	}
	return text
}

// goalWords says where a part that ends the line leads to.
func (d *drawing) goalWords(r *netlist.Branch) string {
	switch {
	case r.Net == netlist.None:
		return prose(d.partOf(r).Title)
	case r.Net == d.board.Ground:
		return groundMark + " " + name(d.board.Nets[r.Net].Name)
	case r.Again:
		return "→ joins " + name(d.board.Nets[r.Net].Name)
	}
	return railMark + " " + d.netName(r.Net)
}

// netName names a net, and says that it is a rail.
func (d *drawing) netName(n netlist.NetID) string {
	net := &d.board.Nets[n]
	if net.Rail {
		return name(net.Name) + ", " + railWords(net)
	}
	return name(net.Name)
}

// points lists where a probe can land on a net, in the order along the copper
// where the board file says it.
func (d *drawing) points(n netlist.NetID) []string {
	var names []string
	add := func(list []netlist.Point) {
		for _, p := range list {
			if text := d.board.PointName(p); !slices.Contains(names, text) {
				names = append(names, text)
			}
		}
	}
	add(d.board.Nets[n].Along)
	add(d.board.PointsOn(n))
	return names
}

func (s *screen) drawing(d *drawing, from string, at netlist.Point) {
	b := d.board
	s.say(s.paint(strong, wording.Board(b.Name, b.Revision)) + ", the line from " + name(from))
	s.gap()
	switch at.Net {
	case netlist.None:
		s.say("  " + name(from) + " not connected (NC).")
		return
	case b.Ground:
		s.say("  " + name(from) + " is on ground, where every line ends.")
		return
	}
	s.net(d, &d.root, "  ")
	s.gap()
	s.say("  " + s.paint(faint, netMark+" net   █ part on the line   "+groundMark+" ends at ground   "+railMark+" ends at a rail"))
	if d.rails {
		s.say("  " + s.paint(faint, "--past-rails goes on behind the rails"))
	}
}

// net draws a net and all below it.
func (s *screen) net(d *drawing, r *netlist.Branch, margin string) {
	line := margin + netMark + " " + s.paint(strong, d.netName(r.Net))
	text := someNames(d.points(r.Net), mostPoints)
	room := s.width - cells(margin) - 2 - cells(d.netName(r.Net)) - columnGap
	if room >= leastCut {
		line += strings.Repeat(" ", columnGap) + s.paint(faint, cut(text, room))
	}
	s.say(line)
	for i := range r.Children {
		x := &r.Children[i]
		switch last := i == len(r.Children)-1; {
		case !x.GoesOn && last:
			s.end(d, x, margin+"└── ")
		case !x.GoesOn:
			s.end(d, x, margin+"├── ")
		case last:
			s.say(margin + "│")
			s.part(d, x, margin)
		default:
			s.say(margin + "│")
			s.say(margin + "├──┐")
			s.part(d, x, margin+"│  ")
		}
	}
}

// end draws a part that ends the line.
func (s *screen) end(d *drawing, r *netlist.Branch, margin string) {
	p := d.partOf(r)
	var where []string
	if p.Place != "" {
		where = append(where, prose(p.Place))
	}
	if a := wording.Access(p.Access.String()); a != "" {
		where = append(where, a)
	}
	text := pad(cut(d.partName(r), d.part), d.part) + "   " +
		pad(cut(wording.Kind(p), d.kind), d.kind) + "   " +
		pad(cut(d.goalWords(r), d.goal), d.goal) + "   " + strings.Join(where, ", ")
	s.say(margin + cut(strings.TrimRight(text, " "), max(s.width-cells(margin), narrowest)))
}

// part draws a part that the line goes through, and what lies behind it.
func (s *screen) part(d *drawing, r *netlist.Branch, margin string) {
	// Two columns of mark here stand against four of the branch of an end.
	text := pad(cut(d.partName(r), d.part), d.part+2) + "   " + wording.Part(d.partOf(r))
	s.say(margin + "█ " + cut(text, max(s.width-cells(margin)-2, narrowest)))
	s.say(margin + "│")
	s.net(d, r, margin)
}

// traceAnswer is what `trace --json` prints: the line in drawing order.
type traceAnswer struct {
	Board    string      `json:"board"`
	Revision string      `json:"revision"`
	From     string      `json:"from"`
	Steps    []traceStep `json:"steps"` // empty for a point that not connected (NC)
}

// traceStep is a net of the line and the part that it is reached through.
type traceStep struct {
	Depth  int      `json:"depth"` // parts between here and the start
	Part   string   `json:"part"`  // "" at the start
	Kind   string   `json:"kind"`
	Value  string   `json:"value"`  // as the board file writes it
	In     string   `json:"in"`     // terminal on the near side
	Out    string   `json:"out"`    // on the far side; "" where the line ends in the part
	Place  string   `json:"place"`  // of the part
	Access string   `json:"access"` // of the part
	Net    string   `json:"net"`    // "" where the line ends in the part
	Ground bool     `json:"ground"`
	Rail   bool     `json:"rail"`
	Volts  *float64 `json:"rail_volts"` // null where it is not a rail, or its voltage is not known
	Again  bool     `json:"again"`      // what lies behind the net is listed at its other place
	Points []string `json:"points"`     // on the net, where the line goes on from it
}

func (d *drawing) answer(from string) traceAnswer {
	a := traceAnswer{Board: d.board.Name, Revision: d.board.Revision, From: from}
	if d.root.Net != netlist.None {
		d.steps(&d.root, &a.Steps)
	}
	return a
}

func (d *drawing) steps(r *netlist.Branch, list *[]traceStep) {
	step := traceStep{Depth: r.Depth, Again: r.Again}
	if r.Part != netlist.None {
		p := d.partOf(r)
		step.Part, step.Kind, step.Value = p.Name, p.Kind.String(), p.ValueText
		step.Place, step.Access = p.Place, p.Access.String()
		step.In = p.Terminals[r.In].Name
		if r.Out != netlist.None {
			step.Out = p.Terminals[r.Out].Name
		}
	}
	if r.Net != netlist.None {
		net := &d.board.Nets[r.Net]
		step.Net, step.Ground, step.Rail = net.Name, r.Net == d.board.Ground, net.Rail
		if net.Rail && !math.IsNaN(net.RailVolts) {
			step.Volts = &net.RailVolts
		}
		if r.Part == netlist.None && !step.Ground || r.GoesOn {
			step.Points = d.points(r.Net)
		}
	}
	*list = append(*list, step)
	for i := range r.Children {
		d.steps(&r.Children[i], list)
	}
}
