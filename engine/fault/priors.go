package fault

import (
	"bytes"
	_ "embed"
	"fmt"
	"math"
	"strconv"

	"halfsplit/netlist"
	"halfsplit/netlist/document"
)

//go:embed priors.yaml
var defaultPriors []byte

// Priors says how likely faults are before any reading. Weights are odds, not
// thousandths of them as in the file.
type Priors struct {
	Source  string
	Kinds   map[string]Weights // by name of netlist.Kind
	Copper  map[string]Weights // joint, pin, trace, bridge, missing
	Wet     map[string]float64 // factors on Copper of a board that was wet
	BadLook map[string]float64 // share of bad parts with a look, by its name
	OKLook  map[string]float64 // share of good parts
	BadWarm float64            // share of bad parts that are found warm under injection; see WarmShare
	OKWarm  float64            // share of good parts
	Access  map[string]float64 // factors by name of netlist.Access
	// Elsewhere is the share of complaints that come from elsewhere, so that
	// nothing is wrong with the lines that were read.
	Elsewhere float64
	Missed    float64 // odds that one reading missed the pad
	// odds that a known-good value made from one board, or several, is wrong
	DoubtfulOne, DoubtfulSeveral float64
}

// Weights are the odds of one kind of part and their division into modes.
type Weights struct {
	Weight float64
	Modes  map[string]float64
}

// Odds gives the odds of a kind in one of its modes.
func (w Weights) Odds(mode string) float64 { return w.Weight * w.Modes[mode] }

// modeKeys are the keys of modes in a priors file.
var modeKeys = []string{"shorted", "leaky", "open", "high", "supply", "value"}

// PriorsShape describes a priors file.
func PriorsShape() *document.Shape {
	number := func(doc string, most float64) *document.Shape {
		return &document.Shape{Doc: doc, Example: "0.5", Parse: func(text string) error {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil || math.IsNaN(v) || v < 0 || v > most {
				return fmt.Errorf("%s is not a number from 0 to %g; write a plain number", document.Quote(text), most)
			}
			return nil
		}}
	}
	share := number("a share, 0 to 1", 1)
	odds := number("likelihood in a thousand", 1e6)
	factor := number("a factor", 1e3)
	named := func(names []string, value *document.Shape) []document.Field {
		var fs []document.Field
		for _, n := range names {
			fs = append(fs, document.Field{Name: n, Shape: value})
		}
		return fs
	}
	weights := func(doc string) *document.Shape {
		return &document.Shape{Doc: doc, Fields: []document.Field{
			{Name: "weight", Shape: odds},
			{Name: "modes", Shape: &document.Shape{Doc: "how the weight divides into modes", Was: wasMode, Fields: named(modeKeys, share)}},
		}}
	}
	looks := named([]string{"burnt", "corroded", "cracked", "missing", "clean"}, share)
	return &document.Shape{
		Doc: "Likelihoods of faults before any reading. What is left out stays at the built-in value.",
		Fields: []document.Field{
			{Name: "source", Shape: &document.Shape{Doc: "where the numbers come from"}},
			{Name: "kinds", Shape: &document.Shape{Doc: "by kind of part", Was: wasKind, Fields: named(netlist.KindNames(), weights("likelihood in a thousand that a part of this kind on the line is bad"))}},
			{Name: "copper", Shape: &document.Shape{Doc: "joints, connector pins, traces and bridges between pins", Fields: named([]string{"joint", "pin", "trace", "bridge", "missing"}, weights("likelihood in a thousand"))}},
			{Name: "wet", Shape: &document.Shape{Doc: "factors for a board that was wet", Fields: named([]string{"joint", "pin", "trace", "bridge"}, factor)}},
			{Name: "looks", Shape: &document.Shape{Doc: "what the microscope shows", Fields: []document.Field{
				{Name: "bad", Shape: &document.Shape{Doc: "shares of bad parts", Fields: looks}},
				{Name: "good", Shape: &document.Shape{Doc: "shares of good parts", Fields: looks}},
			}}},
			{Name: "warm", Shape: &document.Shape{Doc: "shares of parts that are found warm when current is injected", Fields: named([]string{"bad", "good"}, share)}},
			{Name: "access", Shape: &document.Shape{Doc: "factors by access", Fields: named([]string{"open", "shield", "underfill"}, factor)}},
			{Name: "elsewhere", Shape: number("share of complaints where nothing is wrong with the lines that were read, 0 to 1", 1)},
			{Name: "reading", Shape: &document.Shape{Doc: "likelihood in a thousand that a reading misleads", Was: map[string]string{"slip": "`missed`"}, Fields: named([]string{"missed", "doubtful_one", "doubtful_several"}, odds)}},
		},
	}
}

// DefaultPriors gives the weights that come with the tool; see priors.yaml for
// their sources.
func DefaultPriors() *Priors {
	p := &Priors{Kinds: map[string]Weights{}, Copper: map[string]Weights{}, Wet: map[string]float64{},
		BadLook: map[string]float64{}, OKLook: map[string]float64{}, Access: map[string]float64{}}
	nodes, err := document.Decode(bytes.NewReader(defaultPriors), "priors.yaml", 0)
	if err == nil {
		err = p.overlay(nodes)
	}
	if err != nil {
		panic("fault: the priors that come with the tool are broken: " + err.Error()) // a test reads them
	}
	return p
}

// LoadPriors reads a priors file over the defaults.
func LoadPriors(path string) (*Priors, error) {
	nodes, err := document.ReadSome(path, "write what differs, such as `kinds: {filter: {weight: 30}}`, or leave the file out")
	if err != nil {
		return nil, err
	}
	p := DefaultPriors()
	return p, p.overlay(nodes)
}

func (p *Priors) overlay(nodes []document.Node) error {
	var problems document.Problems
	for _, n := range nodes {
		problems = append(problems, PriorsShape().Check(n)...)
	}
	if err := problems.Err(); err != nil {
		return err
	}
	for _, n := range nodes {
		if s := n.Get("source"); s.Exists() {
			p.Source = s.Text()
		}
		readWeights(n.Get("kinds"), p.Kinds)
		readWeights(n.Get("copper"), p.Copper)
		readNumbers(n.Get("wet"), p.Wet)
		readNumbers(n.Get("looks").Get("bad"), p.BadLook)
		readNumbers(n.Get("looks").Get("good"), p.OKLook)
		readNumbers(n.Get("access"), p.Access)
		set := func(n document.Node, scale float64, to *float64) {
			if n.Exists() {
				*to = number(n) * scale
			}
		}
		set(n.Get("warm").Get("bad"), 1, &p.BadWarm)
		set(n.Get("warm").Get("good"), 1, &p.OKWarm)
		set(n.Get("elsewhere"), 1, &p.Elsewhere)
		set(n.Get("reading").Get("missed"), 1e-3, &p.Missed)
		set(n.Get("reading").Get("doubtful_one"), 1e-3, &p.DoubtfulOne)
		set(n.Get("reading").Get("doubtful_several"), 1e-3, &p.DoubtfulSeveral)
	}
	return nil
}

// number reads a scalar that the shape has checked.
func number(n document.Node) float64 {
	v, _ := strconv.ParseFloat(n.Text(), 64)
	return v
}

func readNumbers(n document.Node, into map[string]float64) {
	for _, e := range n.Entries() {
		into[e.Name()] = number(e.Value)
	}
}

func readWeights(n document.Node, into map[string]Weights) {
	for _, e := range n.Entries() {
		w := into[e.Name()]
		if x := e.Value.Get("weight"); x.Exists() {
			w.Weight = number(x) * 1e-3
		}
		if x := e.Value.Get("modes"); x.Exists() {
			w.Modes = map[string]float64{}
			readNumbers(x, w.Modes)
		}
		into[e.Name()] = w
	}
}

// LookRatio gives the likelihood ratio of a look, bad part over good part.
func (p *Priors) LookRatio(look string) float64 {
	bad, good := p.BadLook[look], p.OKLook[look]
	if good <= 0 {
		good = 1e-6
	}
	return math.Max(bad, 1e-6) / good
}
