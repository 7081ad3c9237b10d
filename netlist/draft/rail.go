package draft

import (
	"cmp"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
)

var (
	groundName = regexp.MustCompile(`(?i)^(d|a|p|s|ch?)?_?gnd(_?[a-z0-9]{0,6})?$|^.*[._ -][dap]?gnd$|^vss[a-z]?$|^0$|^0v$|^ground$|^earth$`)
	// controlToken is a part of a name that says that the net only has to do with a
	// supply: it switches, watches or reports it.
	controlToken = regexp.MustCompile(`(?i)^~?(n?en|n?enable|on|off|n?oe|pg|pgood|ok|good|det|detect|sense|sns|vsense|mon|adc|fb|sel|drv|ctl|ctrl|n?rst|n?reset|n?int|irq|sda|scl|tx|rx|txd|rxd|clk|dp|dm|d[+-]|fault|n?flt|lx|boot|gate|pwm|trip|mode|id|dat|cmd|sync|hsync|vsync)[0-9]*$`)
	decimals     = regexp.MustCompile(`[0-9]\.[0-9]`)
)

// standing is where in the name of a net a pattern makes it a supply.
type standing int

const (
	asName  standing = iota // as the whole name
	atEnd                   // as its last part, behind what it feeds: USB_VBUS
	atEnds                  // as its first or last part; in the middle a voltage is a property of something else
	nowhere                 // it tells the voltage of what is a supply by another pattern
)

// supplies are the names of supplies. Digits in brackets are the volts, before and
// behind the decimal point.
var supplies = []struct {
	standing
	*regexp.Regexp
}{
	{asName, regexp.MustCompile(`(?i)^\+|^(pwr|power|batt?)[0-9]*[+]?$`)},
	// VBAT, AVDD, VCC_1V8.
	{asName, regexp.MustCompile(`(?i)^[+-]?[adpio]{0,2}v(_?(cc|dd|bat|batt|bus|in|int|sys|out|led|ref|lcd|tp|ana|aa|io|pp|ee|tt|core|usb|ddr|main|aux|raw|reg|rtc)[a-z]{0,3}[0-9]*([_0-9.-].*)?|(cc|dd)[a-z0-9]*)$`)},
	{atEnd, regexp.MustCompile(`(?i)^[adpio]{0,2}v(cc|dd|bat|batt|bus|sys|ee)[a-z]{0,3}[0-9]*$`)},
	// 3V3, +3.3V, P1V8, PP3V3, 12V, 1.35V; V before it may stand for the unit: V1P8, V3.3.
	{atEnds, regexp.MustCompile(`(?i)^[+-]?(?:pp|[pnv])?([0-9]{1,2})(?:v([0-9]{0,2})|\.([0-9]{1,3})v)[a-z]?$|^v([0-9]{1,2})[p.]([0-9]{1,3})$`)},
	// V33, and the two digits of VDD33, VCC18.
	{atEnds, regexp.MustCompile(`(?i)^v(?:(1)(8)|(2)(5)|(3)(3))$`)},
	{nowhere, regexp.MustCompile(`(?i)^[adpio]{0,2}v(?:dd|cc|d)[a-z]{0,2}(?:(0)([89])|(1)([0-8])|([23])([0-9])|(5)(0))$`)},
}

// lastName is the name of a net without the path of sheets before it.
func lastName(net string) string {
	if i := strings.LastIndexByte(net, '/'); i >= 0 && i < len(net)-1 {
		return net[i+1:]
	}
	return net
}

// rail tells whether a net is called like a supply, and its voltage in volts, NaN
// where the name does not say.
func rail(net string) (is bool, volts float64) {
	name := lastName(net)
	volts = math.NaN()
	tokens := strings.FieldsFunc(name, func(r rune) bool {
		return r == '_' || r == ' ' || r == '.' && !decimals.MatchString(name) || r == '-' && !strings.HasPrefix(name, "-")
	})
	if slices.ContainsFunc(tokens, controlToken.MatchString) {
		return false, volts
	}
	for _, supply := range supplies {
		if supply.standing == asName {
			is = is || supply.MatchString(name)
			continue
		}
		for i, token := range tokens {
			m := supply.FindStringSubmatch(token)
			if m == nil {
				continue
			}
			last := i == len(tokens)-1
			is = is || supply.standing == atEnds && i == 0 || supply.standing != nowhere && last
			digits := slices.DeleteFunc(m[1:], func(group string) bool { _, err := strconv.Atoi(group); return err != nil })
			if v, err := strconv.ParseFloat(strings.Join(digits, "."), 64); err == nil && v != 0 {
				if volts = v; token[0] == '-' {
					volts = -v
				}
			}
		}
	}
	if !is {
		volts = math.NaN()
	}
	return is, volts
}

// Rail is a net that is taken for a supply.
type Rail struct {
	Volts float64 // NaN where it is not known
	Why   string  // what it was taken for one by
}

// findGround takes of the nets that are called like ground the one with the most
// pads; where none is, the net with the most pads of all.
func (s *Source) findGround() (net string, sure bool) {
	count := make(map[string]int)
	for _, c := range s.Parts {
		if c.Absent != "" {
			continue
		}
		for _, p := range c.Pads {
			if p.Net != "" {
				count[p.Net]++
			}
		}
	}
	names := slices.SortedFunc(maps.Keys(count), func(a, b string) int {
		is := func(net string) int {
			if groundName.MatchString(lastName(net)) {
				return 1
			}
			return 0
		}
		return cmp.Or(is(b)-is(a), count[b]-count[a], strings.Compare(a, b))
	})
	if len(names) == 0 {
		return "", false
	}
	return names[0], groundName.MatchString(lastName(names[0]))
}

// findRails takes nets for supplies by their names, by power symbols, and by their
// shape: supply pins of ICs on them, or many pads, with capacitors to ground.
func (d *Draft) findRails(power map[string]bool) {
	type shape struct{ supplied, given, decoupled, contacts int }
	typed := false
	shapes := make(map[string]*shape)
	at := func(net string) *shape {
		s := shapes[net]
		if s == nil {
			s = &shape{}
			shapes[net] = s
		}
		return s
	}
	joined := make(map[string]bool) // by a part that carries direct current, with ground
	for i := range d.Parts {
		p := &d.Parts[i]
		grounded := (carries(p.Kind) || p.Kind == netlist.Resistor) && slices.ContainsFunc(p.Pins, func(pin Pin) bool { return pin.Net == d.Ground })
		for _, pin := range p.Pins {
			if pin.Net != "" {
				at(pin.Net).contacts++
				joined[pin.Net] = joined[pin.Net] || grounded
			}
		}
		typed = typed || len(p.typed) > 0
		for net, t := range p.typed {
			if isType(t, "power_in") && p.Kind == netlist.IC {
				at(net).supplied++
			}
			if isType(t, "power_out") {
				at(net).given++
			}
		}
		if p.Kind == netlist.Capacitor && len(p.Pins) == 2 && p.steadies() {
			for k, pin := range p.Pins {
				if p.Pins[1-k].Net == d.Ground {
					at(pin.Net).decoupled++
				}
			}
		}
	}
	d.Rails, d.apart = make(map[string]Rail), make(map[string]bool)
	for net, s := range shapes {
		is, volts := rail(net)
		switch {
		case net == d.Ground:
		case groundName.MatchString(lastName(net)):
			d.apart[net] = s.contacts > 1 && !joined[net]
		case is && math.IsNaN(volts):
			d.Rails[net] = Rail{volts, "by its name, voltage unknown"}
		case is:
			d.Rails[net] = Rail{volts, "by its name"}
		case power[net]:
			d.Rails[net] = Rail{volts, "by its power symbol, voltage unknown"}
		// The numbers below are common practice, no source.
		case s.decoupled >= 1 && (s.supplied >= 1 || s.given >= 1), !typed && s.decoupled >= 3 && s.contacts >= 8:
			d.Rails[net] = Rail{volts, "by its supply pins and capacitors, voltage unknown"}
		}
	}
}

// steadies tells that a capacitor is large enough for a supply; smaller ones filter
// lines (common practice, no source). One without a value may be.
func (p *Part) steadies() bool {
	farads, err := quantity.Parse(p.Value, quantity.Farad)
	return err != nil || farads >= 10e-9
}
