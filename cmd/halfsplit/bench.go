package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/benchpage"
	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine"
	"halfsplit/engine/bench"
	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/netlist/document"
	"halfsplit/netlist/layout"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

// benchFlags are the flags of `halfsplit bench`.
type benchFlags struct {
	reader
	board, known, complaint string
	atHand                  []string
	meter                   string
	by                      string
	device                  string
	page                    string
	hold                    time.Duration
	span                    string
	supply                  supplyFlag
	functions               []string
}

func (a *app) benchCommand() *cobra.Command {
	var f benchFlags
	cmd := &cobra.Command{
		Use:   "bench CASE",
		Short: "guided session: sweep, locate, step, remedy, verify, power-up",
		Long: `bench runs a repair from the first reading to the closed case. It says what to
read or do next, takes the readings as you enter them, and writes every entry
into the case file before it asks again. Leave at any time, however you like:
the next session goes on where this one stood.

A case that does not exist yet is begun; then --board is needed.

At the prompt enter a reading (0.452 is volts, 452 millivolts, OL), a key, or
what you did in plain words, such as "removed R12" or "0.430 at R12.2". ? lists
them all. Several readings on one line are those of the pins that follow.

Standard input that is no keyboard is a file: its readings are those of the pins in
the order of the board file, every pin; one out of range is asked for again when the
sweep is over; a line that is refused leaves its pin out, and the exit code is then 1.

The lines of sigrok-cli are taken as a meter's, from standard input or a device: a
value counts once it has held still, 600 ms where --meter-hold says nothing. The
keyboard serves for all else. sigrok-cli stops when its own input ends, hence sleep:

  sleep infinity | sigrok-cli -d DRIVER --continuous | halfsplit bench CASE

--page shows the same session in a browser as well, such as that of a tablet beside
the microscope. The first line that is printed is its address, with a key in it. It
is for this machine alone, unless --page=ADDRESS names another address of it.`,
		Example: `  halfsplit bench cases/touch-dead.yaml --board board.yaml --known known --complaint "touch dead"
  halfsplit bench cases/touch-dead.yaml
  halfsplit bench cases/touch-dead.yaml --meter-device /dev/ttyUSB0
  halfsplit bench cases/touch-dead.yaml --page`,
		Args: func(cmd *cobra.Command, args []string) error {
			if f.page == pageHere && len(args) == 2 { // --page ADDRESS, as well as --page=ADDRESS
				f.page, args = args[1], args[:1]
			}
			return arguments("CASE file")(cmd, args)
		},
		ValidArgsFunction: completeFiles(kindCase),
		RunE: func(cmd *cobra.Command, args []string) error {
			_, err := a.sit(a.stdin, args[0], &f, "", nil)
			return err
		},
	}
	flags := cmd.Flags()
	fileFlag(cmd, &f.board, "board", "`FILE` of the board, for a new case")
	folderFlag(cmd, &f.known, "known", "`FOLDER` of known-good sweeps, for a new case")
	flags.StringSliceVar(&f.atHand, "at-hand", nil, "`NAMES` of known good at hand, for a new case: \"good board\", connectors with a cable or module")
	flags.StringVar(&f.complaint, "complaint", "", "`WORDS` of the owner, for a new case")
	f.sitFlags(cmd)
	f.supply.add(cmd)
	flags.StringSliceVar(&f.functions, "function", nil, "`NAME` of what the board does, to be tested under power, beside the `functions` of its file; several with commas")
	f.modelFlags(cmd)
	return cmd
}

// sitFlags are those of everything that is entered pin by pin.
func (f *benchFlags) sitFlags(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&f.meter, "meter", "", "`METER` as in sweep files, such as 'test_current: 0.5 mA, open_voltage: 2.7 V'")
	flags.StringVar(&f.by, "by", os.Getenv("USER"), "`NAME` of who is at the bench, for the record")
	flags.StringVar(&f.device, "meter-device", "", "`FILE` or device that gives a reading a line")
	flags.DurationVar(&f.hold, "meter-hold", 0, "`TIME` for which the meter's display has to hold still before it is a reading, such as 600ms; OL is then entered by key (0: every line is a reading)")
	flags.StringVar(&f.span, "meter-span", "3 mV", "`VOLTAGE` within which it holds still")
	flags.StringVar(&f.page, "page", "", "show the session in a browser too; `ADDRESS`, or ADDRESS:PORT, where other machines may reach it")
	flags.Lookup("page").NoOptDefVal = pageHere
}

// pageHere is the address of a page for this machine alone.
const pageHere = "127.0.0.1"

// sit runs a session: until it is left or closed, or until what is asked for ends it.
// What is first is entered beforehand. It returns the case as it then stands.
func (a *app) sit(stdin io.Reader, file string, f *benchFlags, first string, until func(*bench.Prompt) bool) (*journal.Case, error) {
	s, err := a.screen()
	if err != nil {
		return nil, err
	}
	options, err := f.options()
	if err != nil {
		return nil, err
	}
	limits, err := f.supply.limits()
	if err != nil {
		return nil, err
	}
	span, err := quantity.Parse(f.span, quantity.Volt)
	if err != nil {
		return nil, fmt.Errorf("`--meter-span`: %w", err)
	}
	w, begun, err := f.open(file)
	if err != nil {
		return nil, err
	}
	defer w.Close()
	c := w.Case()
	a.warn(c.Warnings)
	if c.Torn != nil {
		a.warn(document.Problems{c.Torn.Problem()})
	}
	a.warnUnused(c.Library)
	e, err := engine.New(c.Board, c.Library, options)
	if err != nil {
		return nil, err
	}
	session, err := bench.Begin(w, e, bench.Options{By: f.by, Now: time.Now, Limits: limits, Functions: f.functions})
	if err != nil {
		return nil, err
	}
	keys := isTerminal(stdin)
	from := feed{board: c.Board, still: still{span: span, hold: f.hold}, fed: !keys}
	in, err := listen(stdin, f.device, from, !keys && a.terminal)
	if err != nil {
		return nil, err
	}
	defer in.close()
	b := &benchScreen{screen: s, app: a, session: session, terminal: a.terminal && (keys || in.keyboard), fed: !keys && f.device == "" && f.page == "", until: until}
	session.Fed(b.fed)
	if f.page != "" {
		if b.page, err = benchpage.Listen(f.page); err != nil {
			return nil, err
		}
		defer b.page.Close()
		in.page, b.limits, b.engine, b.drawn = b.page.Entries(), limits, e, a.layoutOf(c.Board)
		s.say(b.page.URL)
		if b.page.Open {
			s.prose(0, 2, yellow, "! Anyone who can read this network's traffic can read this address with its key, and enter readings. Use it on a network of your own bench only.")
		}
	}
	s.caseHead(c)
	switch {
	case begun:
		s.prose(0, 2, faint, "A new case. Every entry is on the disk before the next prompt; ? shows what can be entered, q leaves.")
	default:
		s.prose(0, 2, faint, wording.Count(len(c.Events), "event")+" so far; going on from there. ? shows what can be entered, q leaves.")
	}
	s.doubts(e.Doubts())
	if first != "" {
		if _, err := session.Enter(first); err != nil {
			return nil, err
		}
	}
	err = b.run(in)
	return session.Case(), err
}

// open begins a case or goes on with one.
func (f *benchFlags) open(file string) (w *journal.Writer, begun bool, err error) {
	if _, err := os.Stat(file); !errors.Is(err, fs.ErrNotExist) {
		for _, x := range []struct{ flag, text string }{{"board", f.board}, {"known", f.known}, {"complaint", f.complaint}, {"at-hand", strings.Join(f.atHand, ",")}, {"meter", f.meter}} {
			if x.text != "" {
				return nil, false, instead(fmt.Sprintf("%s already exists, and `--%s` is for a new case", quoted(file), x.flag), "leave it out, or name a new file")
			}
		}
		w, err := journal.Append(file, f.by)
		return w, false, insteadOf(kindCase, file, err)
	}
	if f.board == "" {
		return nil, false, instead(quoted(file)+" is not there", "to begin a case there, name the board file with --board")
	}
	if _, err := loadBoard(f.board); err != nil { // told of the file that was named, not of the case that is not there yet
		return nil, false, err
	}
	meter := references.DefaultMeter()
	if f.meter != "" {
		if meter, err = references.ParseMeter(f.meter); err != nil {
			return nil, false, err
		}
	}
	w, err = journal.Create(file, journal.Event{Kind: journal.KindOpen, Time: time.Now(), By: f.by, Meter: &meter,
		Open: &journal.Opening{BoardPath: f.board, KnownPath: f.known, Complaint: f.complaint, AtHand: f.atHand}}, f.by)
	return w, true, err
}

// benchScreen is a session as it is printed.
type benchScreen struct {
	*screen
	app      *app
	session  *bench.Session
	terminal bool // a person sees the prompt and what is typed
	fed      bool // entries were written beforehand, without seeing a prompt

	until  func(*bench.Prompt) bool // nil for no end but that of the case
	swept  int                      // connector whose picture was shown last, plus 1
	shown  string                   // the step that was shown last
	closed bool
	laid   string // what was asked for last, and stands above
	// columns of the last prompt and of what was typed behind it
	prompted int
	failed   bool // the last entry to be written could not be
	refused  bool // a line that was written beforehand was refused

	// Of the page.
	page   *benchpage.Server // nil for none
	said   benchpage.Said    // what became of the last entry
	limits powerup.Limits    // for the report
	drawn  *layout.Board     // nil where the board has no layout
	engine *engine.Engine
}

// run asks and takes entries until there are no more.
func (b *benchScreen) run(in *input) error {
	for {
		p, err := b.session.Ask()
		if err != nil {
			return err
		}
		if b.until != nil && b.until(p) {
			return b.outcome()
		}
		if p.Ask == bench.Closed {
			if !b.closed {
				b.closed = true
				b.farewell()
			}
			if !b.terminal && b.page == nil {
				return b.outcome()
			}
		}
		if b.terminal && b.app.width == 0 {
			b.width = b.app.columns()
		}
		b.prompt(p)
		if err := b.app.out.Flush(); err != nil {
			return instead("the session cannot be shown: "+err.Error(), "open the case again; all that was confirmed is in it")
		}
		b.showPage(p)
		line, ok := b.next(in)
		if !ok {
			b.gap()
			b.left(p)
			return cmp.Or(in.err, b.outcome())
		}
		if line.live {
			b.fed = false
			b.session.Fed(false)
			b.gap()
			b.prose(2, 2, faint, "A measuring program sends: a value counts once it has held still; OL is entered by key.")
			continue
		}
		b.prompted += cells(line.text)
		typed := b.terminal && !line.device && !line.fed && line.page == nil
		if !typed {
			b.say(prose(line.text))
		}
		r, err := b.session.Enter(line.text)
		b.tell(line, r, err)
		if err != nil {
			b.wrong(err)
			b.refused = b.refused || line.fed // a meter may send what is not a reading, and others are told at once
			b.failed = b.failed || errors.As(err, new(document.Problems))
			if b.fed && p.Purpose == bench.ForSweep && p.Ask == bench.AskReading && holdsPlace.MatchString(line.text) {
				if _, err := b.session.Enter("s"); err == nil {
					b.prose(2, 2, yellow, name(p.Name)+" is left out, so that the lines that follow keep their pins.")
				}
			}
			continue
		}
		b.failed = b.failed && len(r.Recorded) == 0
		if line.page != nil {
			r.Quit = false // the session is left at its terminal
		}
		if b.reply(p, r, typed) {
			return b.outcome()
		}
	}
}

// outcome is how the session ends. A person at the prompt has seen what was refused
// and could enter it again; who fed the session lines learns it from the exit code.
func (b *benchScreen) outcome() error {
	if b.failed || b.refused {
		return errBadly
	}
	return nil
}

// holdsPlace tells a line of a file that stands for a reading, readable or not; an
// empty one stands for a pin that was not read.
var holdsPlace = regexp.MustCompile(`^\s*($|[-+.,0-9]|[Oo][.0-9lLvV])`)
