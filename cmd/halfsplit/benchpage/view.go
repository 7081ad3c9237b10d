package benchpage

import (
	"bytes"
	_ "embed"
	"fmt"
	"hash/crc32"
	"html/template"
)

// View is all that a page shows. Its texts are for people and may come from files;
// the page escapes them. Every mark stands beside a word or a number, so that
// nothing is said by colour alone.
type View struct {
	Board, Complaint string
	Next             Next
	Said             Said
	Connector        Connector
	Line             Line
	Place            Place
	Suspects         Suspects
	Others           []Choice // steps that may be taken instead
	Events           []Event  // newest first
	PowerUp          PowerUp
	Parts            []string // of the board
	Sweeps           []Choice // connectors that may be swept

	// Of a bench that is simulated: keys that begin an entry, and what may be done to a
	// part, with $ for it. None at a real bench.
	Actions, Verbs []Choice
}

// Next is what is asked for.
type Next struct {
	Title        string // "NEXT"
	Verb, Object string // "MEASURE", "J7.3"
	Words        bool   // Object is words and not a name
	Lines        []string
	Predict      string // what a good board shows; "" where that is not the question
	Outcomes     []Outcome
	Cautions     []string
	Choices      []Choice
	Wants        string // what the field is for
	Unit         string // behind a number from the keypad, such as "ohm"; "" for volts
	Note         string
}

// Outcome is one thing that a step may show, with what it would mean.
type Outcome struct{ Seen, Share, Means string }

// Choice is a key that enters a line.
type Choice struct {
	Entry, Label, Detail string
	Main                 bool // what is most often meant
}

// Said is what became of the last entry, from the terminal or a page.
type Said struct {
	Entry, Mark, Class, Text string
	More                     []string
}

// Level is a reading beside that of a good board.
type Level struct {
	Measured, Mark, Class string // "" where nothing was measured
	Good                  string // known good, or predicted
	Before                bool   // measured before the board was last worked on
}

// Pin is a pin of a connector.
type Pin struct {
	Level
	Name, Entry string // Entry asks for it
	Here        bool   // the probe goes here
}

// Connector is a connector as it lies: columns of one or two pins.
type Connector struct {
	Title   string
	Columns [][]Pin
}

// LineRow is a net or part of a line. Deeper rows hang from the row above that is
// less deep.
type LineRow struct {
	Level
	Depth        int
	Net          bool
	Name, Detail string
	Entry        string // of a net: asks for a point of it
	Point        string // of a net: where to probe
	Here         bool
	Symbol       template.HTML // of a part; drawn by us, holds no foreign text
	Marked       string        // what is said of a part: "suspect 54 %", "removed"
	MarkClass    string
	Through      bool // the line goes on behind the part
	Branch       bool // on a branch that is set in: the first row of it
}

// Line is a line of the board.
type Line struct {
	Title string
	Rows  []LineRow
	Note  string
}

// Place is where on the board the probe or the hand goes: a picture, loaded as such so
// that its own style harms nothing. Title is "" where there is none.
type Place struct {
	Title, Note string
	SVG         string // a file of its own
}

// Digest tells one picture from another in its address.
func (p *Place) Digest() string { return fmt.Sprintf("%08x", crc32.ChecksumIEEE([]byte(p.SVG))) }

// Suspects are what may be bad.
type Suspects struct {
	Note string
	List []Suspect
}

// Suspect is one of them.
type Suspect struct {
	Part, Share, Why string
	Permille         int // of its bar
}

// Event is an event of the record.
type Event struct {
	Number      int
	Text        string
	Gone, Fixed bool // taken back; cannot be taken back
}

// PowerUp is the power-up check.
type PowerUp struct{ Word, Mark, Class, Says string }

//go:embed page.html
var pageText string

var pageTemplate = template.Must(template.New("page").Parse(pageText))

// regionNames are the parts of a page that change, each a template of page.html.
var regionNames = []string{"power", "next", "field", "said", "connector", "line", "suspects", "place", "others", "events"}

// shown is a view as it is sent.
type shown struct {
	page    []byte
	place   string
	regions map[string]string
}

func (v *View) render() (shown, error) {
	x := shown{place: v.Place.SVG, regions: map[string]string{}}
	for _, name := range regionNames {
		var b bytes.Buffer
		if err := pageTemplate.ExecuteTemplate(&b, name, v); err != nil {
			return x, err
		}
		x.regions[name] = b.String()
	}
	var b bytes.Buffer
	err := pageTemplate.ExecuteTemplate(&b, "page", v)
	x.page = b.Bytes()
	return x, err
}
