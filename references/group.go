package references

import (
	"math"
	"slices"
)

// group is the sweeps that may be compared with each other.
type group struct {
	sweeps []*Sweep
	// peers are the readings of the sweeps compared with, by place.
	peers    map[place][]peer
	compared []*Sweep        // at most maxPeers
	boards   map[string]bool // of the peers
	known    map[knownKey]*Predictive
	turned   map[knownKey]*Predictive // the same with the probes the other way round

	pinouts   []pinout // by connector
	revisions []revision
}

// peer is a reading that others are compared with.
type peer struct {
	volts float64 // at RoomCelsius; NaN for OL
	board string
}

type knownKey struct {
	at     place
	except string
}

// reference is the distribution of a place on other boards than except, nil
// where fewer than minPeers other boards were read.
func (g *group) reference(at place, except string) *Predictive {
	if !g.boards[except] {
		except = "" // there is nothing to leave out: one answer for all such boards
	}
	key := knownKey{at, except}
	if p, done := g.known[key]; done {
		return p
	}
	byBoard := make(map[string]bool)
	peers := make([]peer, 0, len(g.peers[at]))
	for _, p := range g.peers[at] {
		// One reading for each board; a second says nothing of other boards.
		if p.board != except && !byBoard[p.board] {
			byBoard[p.board] = true
			peers = append(peers, p)
		}
	}
	var p *Predictive
	if len(peers) >= minPeers {
		made := predictTrimmed(peers)
		// Pins of one net, such as ground, differ by their contacts, however alike
		// the boards are.
		made.Scale = math.Max(made.Scale, ContactSD)
		p = &made
	}
	g.known[key] = p
	return p
}

// predictTrimmed is Predict without the readings that other mistakes have spoilt:
// strays, and OL or voltages where they are at most a fifth of the readings.
func predictTrimmed(peers []peer) Predictive {
	var volts []float64
	overloads := 0
	for _, p := range peers {
		if math.IsNaN(p.volts) {
			overloads++
		} else {
			volts = append(volts, p.volts)
		}
	}
	few := len(peers) / 5
	switch {
	case overloads <= few:
		overloads = 0
	case len(volts) <= few:
		volts = nil
	}
	return Predict(slices.DeleteFunc(volts, stray(volts)), overloads)
}
