package references

import (
	"cmp"
	"math"
	"slices"

	"halfsplit/netlist"
)

// Standing is how well good boards are known at one pin of a connector, red on ground.
type Standing struct {
	At     string   `json:"at"`
	Net    string   `json:"net"`
	Boards int      `json:"boards"` // that were read there
	Meters []string `json:"meters"` // they were read with, sorted
	// HalfWidth is half the interval in volts in which 95 % of further good boards read,
	// and Next what it comes to with one board more.
	HalfWidth float64 `json:"half_width"`
	Next      float64 `json:"next"`
}

// Standings lists the pins of all connectors in the order of the board file, without those
// that are not connected and those on ground.
func (l *Library) Standings() []Standing {
	var list []Standing
	for _, at := range l.board.AllPins() {
		if at.Net == netlist.None || at.Net == l.board.Ground {
			continue
		}
		s := Standing{At: l.board.PointName(at), Net: l.board.Nets[at.Net].Name, Boards: l.boards(at, RedOnGround)}
		var known Predictive // with the sort of meter that most boards were read with
		for _, x := range l.summarise(s.At, at, RedOnGround) {
			s.Meters = append(s.Meters, x.Meters...)
			if x.N > known.N {
				known = x.Predictive
			}
		}
		slices.Sort(s.Meters)
		s.Meters = slices.Compact(s.Meters)
		s.HalfWidth, s.Next = known.halfWidths()
		list = append(list, s)
	}
	return list
}

// halfWidths are half the 95 % interval in volts as it is, and as is to be expected with
// one board more, which leaves the spread as it is on average; 0 where only OL was read.
func (p Predictive) halfWidths() (now, next float64) {
	half := func(p Predictive) float64 {
		low, high := p.Interval(0.95)
		return (high - low) / 2
	}
	switch {
	case p.N == 0:
		const typical = 0.5 // volts, of a junction
		return 1.96 * unreadSpread, half(Predict([]float64{typical}, 0))
	case math.IsNaN(p.Center):
		return 0, 0
	}
	more := p
	n := p.DF - PriorDF + 1 // boards that read a voltage
	more.DF++
	more.Scale *= math.Sqrt((1 + 1/(n+1)) / (1 + 1/n))
	return half(p), half(more)
}

// Reading is a piece of reading to do: pins of one connector, known alike, on one more
// good board.
type Reading struct {
	Library   *Library `json:"-"`
	Revision  string   `json:"revision"`
	Connector string   `json:"connector"`
	Pins      []string `json:"pins"`
	Boards    int      `json:"boards"`     // that were read there so far
	HalfWidth float64  `json:"half_width"` // volts, mean over the pins; see Standing
	Next      float64  `json:"next"`
}

// ReadNext lists what to read on good boards of several revisions, what narrows the
// intervals most for each pin read first.
func ReadNext(libs []*Library) []Reading {
	var list []Reading
	for _, l := range libs {
		type key struct {
			connector string
			boards    int
		}
		index := make(map[key]int)
		for _, s := range l.Standings() {
			at, err := l.board.Point(s.At)
			if err != nil || s.HalfWidth == s.Next {
				continue
			}
			k := key{l.board.Connectors[at.Pin.Connector].Name, s.Boards}
			i, begun := index[k]
			if !begun {
				i = len(list)
				index[k] = i
				list = append(list, Reading{Library: l, Revision: l.Revision, Connector: k.connector, Boards: k.boards})
			}
			r := &list[i]
			r.Pins = append(r.Pins, s.At)
			r.HalfWidth += s.HalfWidth
			r.Next += s.Next
		}
	}
	for i := range list {
		n := float64(len(list[i].Pins))
		list[i].HalfWidth, list[i].Next = list[i].HalfWidth/n, list[i].Next/n
	}
	slices.SortStableFunc(list, func(a, b Reading) int { return cmp.Compare(b.HalfWidth-b.Next, a.HalfWidth-a.Next) })
	return list
}

// Apart lists the sorts of meter with which no board was read that another sort read too:
// their readings are converted without anything that shows how well.
func (l *Library) Apart() []string {
	sorts := make(map[string]map[class]bool) // by board
	for _, s := range l.Sweeps {
		if sorts[s.BoardName()] == nil {
			sorts[s.BoardName()] = make(map[class]bool)
		}
		c := classOf(s)
		c.polarity = RedOnGround
		sorts[s.BoardName()][c] = true
	}
	met, all := make(map[class]bool), make(map[class]bool)
	for _, of := range sorts {
		for c := range of {
			all[c] = true
			met[c] = met[c] || len(of) > 1
		}
	}
	if len(all) < 2 {
		return nil
	}
	apart := make(map[string]bool)
	for c := range all {
		if !met[c] {
			apart[c.words()] = true
		}
	}
	return sortedKeys(apart)
}
