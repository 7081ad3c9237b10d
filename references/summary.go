package references

import (
	"math"
	"slices"
	"time"

	"halfsplit/netlist"
)

// Summary is what good boards read at one place with like meters: the points of
// one net, in one polarity.
type Summary struct {
	At       string // the point, as the board file writes it: a connector pin where the net has one
	Net      string // empty for a pin that not connected (NC)
	Polarity Polarity
	Like     string // the sort of meter, such as "1 mA", "1 mA resistive"

	Predictive          // of the next good board; Predictive.N counts boards
	Median     float64  // volts, of one value a board; NaN where none read a voltage
	Spread     float64  // volts, 1.4826 times the median absolute deviation; NaN likewise
	Overloads  int      // boards that read OL
	Meters     []string // names, sorted; those who took sweeps where a meter has none
	Samples    []string // boards, sorted
	First      time.Time
	Last       time.Time // zero where no file says when
}

// Summaries lists every place that was read: connector by connector in the order
// of the board file, then what else was read in the order of nets. Readings of
// unlike meters stand apart, for they do not mix as they are.
func (l *Library) Summaries() []Summary {
	var list []Summary
	done := make(map[place]bool)
	add := func(name string, at netlist.Point) {
		for _, pol := range []Polarity{RedOnGround, BlackOnGround} {
			if key := placeOf(at, pol); !done[key] {
				done[key] = true
				list = append(list, l.summarise(name, at, pol)...)
			}
		}
	}
	for _, at := range l.board.AllPins() {
		add(l.board.PointName(at), at)
	}
	var rest []place
	for key := range l.places {
		if !done[key] {
			rest = append(rest, key)
		}
	}
	slices.SortFunc(rest, func(a, b place) int { return int(a.net) - int(b.net) })
	for _, key := range rest {
		if key.net != netlist.None {
			add(l.board.Nets[key.net].Name, netlist.NetPoint(key.net))
		} else {
			add(l.board.PointName(key.lone), key.lone)
		}
	}
	return list
}

// SummaryAt is Summaries for one point.
func (l *Library) SummaryAt(at netlist.Point) []Summary {
	return append(l.summarise(l.board.PointName(at), at, RedOnGround), l.summarise(l.board.PointName(at), at, BlackOnGround)...)
}

// summarise describes the readings of a place, one Summary for each sort of
// meter, in the order of their first sweeps.
func (l *Library) summarise(name string, at netlist.Point, pol Polarity) []Summary {
	byClass := make(map[class][]Sample)
	var order []class
	for _, s := range l.At(at, pol) {
		key := classOf(s.Sweep)
		if byClass[key] == nil {
			order = append(order, key)
		}
		byClass[key] = append(byClass[key], s)
	}
	var list []Summary
	for _, key := range order {
		samples := byClass[key]
		s := Summary{At: name, Polarity: pol, Like: key.words(), Predictive: PredictSamples(samples)}
		if at.Net != netlist.None {
			s.Net = l.board.Nets[at.Net].Name
		}
		volts, overloads := PerBoard(samples)
		s.Median, s.Spread = RobustSpread(volts)
		s.Overloads = overloads
		meters, boards := make(map[string]bool), make(map[string]bool)
		for _, x := range samples {
			meters[x.Sweep.MeterName()] = true
			boards[x.Sweep.BoardName()] = true
			if t := x.Sweep.Taken; !t.IsZero() {
				if s.First.IsZero() || t.Before(s.First) {
					s.First = t
				}
				if t.After(s.Last) {
					s.Last = t
				}
			}
		}
		s.Meters, s.Samples = sortedKeys(meters), sortedKeys(boards)
		list = append(list, s)
	}
	return list
}

// Contrast is one place in two libraries.
type Contrast struct {
	At       string
	Net      string
	Polarity Polarity
	Like     string
	A, B     Predictive // N is 0 where the library has no reading of the place
	// Chance is the probability that libraries of the same boards differ as much
	// in the mean; Differ is the probability that these are not the same. Both
	// are NaN where one of the libraries has no reading.
	Chance, Differ float64
}

// Compare sets two libraries of one board, or of two revisions of it, beside each other,
// place by place, in the order of Summaries of a, then what only b has. Between revisions
// places are what is called alike.
func Compare(a, b *Library) []Contrast {
	type key struct {
		at       string
		polarity Polarity
		like     string
	}
	index := make(map[key]int)
	var list []Contrast
	for side, l := range []*Library{a, b} {
		for _, s := range l.Summaries() {
			k := key{s.At, s.Polarity, s.Like}
			i, known := index[k]
			if !known {
				i = len(list)
				index[k] = i
				list = append(list, Contrast{At: s.At, Net: s.Net, Polarity: s.Polarity, Like: s.Like, Chance: math.NaN(), Differ: math.NaN()})
			}
			if side == 0 {
				list[i].A = s.Predictive
			} else {
				list[i].B = s.Predictive
			}
		}
	}
	for i := range list {
		// A point may be one of a net with another name for it on the other revision.
		c := &list[i]
		for _, side := range []struct {
			known *Predictive
			l     *Library
		}{{&c.A, a}, {&c.B, b}} {
			at, err := side.l.board.Point(c.At)
			if err != nil || side.known.N > 0 {
				continue
			}
			for _, s := range side.l.summarise(c.At, at, c.Polarity) {
				if s.Like == c.Like {
					*side.known = s.Predictive
				}
			}
		}
		if c.A.N > 0 && c.B.N > 0 {
			c.Chance, c.Differ = differ(c.A, c.B)
		}
	}
	return list
}
