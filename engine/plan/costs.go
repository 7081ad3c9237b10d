package plan

import (
	"bytes"
	_ "embed"
	"fmt"
	"math"
	"strconv"

	"halfsplit/netlist/document"
)

//go:embed costs.yaml
var defaultCosts []byte

// Costs is what bench work takes, in seconds; see costs.yaml, which holds the
// defaults and says what each is for.
type Costs struct {
	Sweep, Measure, SwapLeads, Across      float64
	Press, Good, Swap                      float64
	Look, LookNext, Along                  float64
	Inject, Drop, DropPart                 float64
	Remove, Reinstall, Replace, Jumper, IC float64
	Shield, Underfill                      float64
	Resolder, ResolderIC, Reflow           float64
	Clean, CleanAgain, Wire                float64
	GiveUp                                 float64
}

// cost is one entry of a costs file.
type cost struct {
	key, doc string
	of       func(*Costs) *float64
}

var costKeys = []cost{
	{"sweep", "one pin of a connector that is read whole", func(c *Costs) *float64 { return &c.Sweep }},
	{"measure", "one reading at a point in the open", func(c *Costs) *float64 { return &c.Measure }},
	{"swap_leads", "on top, for a reading in the other polarity", func(c *Costs) *float64 { return &c.SwapLeads }},
	{"across", "the resistance between two points, the leads nulled", func(c *Costs) *float64 { return &c.Across }},
	{"press", "one reading once more while a part is pressed gently", func(c *Costs) *float64 { return &c.Press }},
	{"good", "one reading on a good board at hand", func(c *Costs) *float64 { return &c.Good }},
	{"swap", "a known-good cable or module put on a connector, and the complaint tried", func(c *Costs) *float64 { return &c.Swap }},
	{"inspect", "one part under the microscope", func(c *Costs) *float64 { return &c.Look }},
	{"inspect_next", "another part on the same net, the board under the microscope already", func(c *Costs) *float64 { return &c.LookNext }},
	{"inspect_net", "a net followed under the microscope, for parts that the board file leaves out", func(c *Costs) *float64 { return &c.Along }},
	{"inject", "current into a shorted rail, and looking for what warms", func(c *Costs) *float64 { return &c.Inject }},
	{"drop", "current into a shorted rail, to read millivolts along it", func(c *Costs) *float64 { return &c.Drop }},
	{"drop_part", "on top, for each part that is read", func(c *Costs) *float64 { return &c.DropPart }},
	{"remove", "taking a two-terminal part off", func(c *Costs) *float64 { return &c.Remove }},
	{"reinstall", "putting it back", func(c *Costs) *float64 { return &c.Reinstall }},
	{"replace", "putting a new two-terminal part in its place", func(c *Costs) *float64 { return &c.Replace }},
	{"jumper", "a jumper across a part", func(c *Costs) *float64 { return &c.Jumper }},
	{"ic", "replacing an IC", func(c *Costs) *float64 { return &c.IC }},
	{"shield", "opening a shield, once", func(c *Costs) *float64 { return &c.Shield }},
	{"underfill", "on top, for a part that is glued down", func(c *Costs) *float64 { return &c.Underfill }},
	{"resolder", "the joint of a connector pin or of a part with two terminals", func(c *Costs) *float64 { return &c.Resolder }},
	{"resolder_ic", "the joint of a leaded IC", func(c *Costs) *float64 { return &c.ResolderIC }},
	{"reflow", "all joints of a ball-grid IC", func(c *Costs) *float64 { return &c.Reflow }},
	{"clean", "between two pins", func(c *Costs) *float64 { return &c.Clean }},
	{"clean_again", "between two pins, and dried, where that did not help the first time", func(c *Costs) *float64 { return &c.CleanAgain }},
	{"jumper_trace", "a jumper across a broken trace", func(c *Costs) *float64 { return &c.Wire }},
	{"give_up", "no fix found when nothing on the list was it", func(c *Costs) *float64 { return &c.GiveUp }},
}

// CostsShape describes a costs file.
func CostsShape() *document.Shape {
	s := &document.Shape{Was: wasCost, Doc: "What bench work takes, in seconds. What is left out stays at the built-in value."}
	for _, c := range costKeys {
		s.Fields = append(s.Fields, document.Field{Name: c.key, Shape: &document.Shape{Doc: "Seconds: " + c.doc + ".", Example: "60", Parse: func(text string) error {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil || !(v > 0) || v > 1e6 || math.IsNaN(v) {
				return fmt.Errorf("%s is not a number of seconds; write one above 0, such as 60", document.Quote(text))
			}
			return nil
		}}})
	}
	return s
}

// DefaultCosts gives the costs that come with the tool.
func DefaultCosts() Costs {
	var c Costs
	nodes, err := document.Decode(bytes.NewReader(defaultCosts), "costs.yaml", 0)
	if err == nil {
		err = c.overlay(nodes)
	}
	if err != nil {
		panic("plan: the costs that come with the tool are broken: " + err.Error()) // a test reads them
	}
	return c
}

// LoadCosts reads a costs file over the defaults.
func LoadCosts(path string) (Costs, error) {
	nodes, err := document.ReadSome(path, "write what differs at your bench, such as `measure: 8`, or leave the file out")
	if err != nil {
		return Costs{}, err
	}
	c := DefaultCosts()
	return c, c.overlay(nodes)
}

func (c *Costs) overlay(nodes []document.Node) error {
	var problems document.Problems
	for _, n := range nodes {
		problems = append(problems, CostsShape().Check(n)...)
	}
	if err := problems.Err(); err != nil {
		return err
	}
	for _, n := range nodes {
		for _, k := range costKeys {
			if v := n.Get(k.key); v.Exists() {
				*k.of(c), _ = strconv.ParseFloat(v.Text(), 64) // the shape has parsed it
			}
		}
	}
	return nil
}
