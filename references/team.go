package references

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"

	"halfsplit/references/stat"
)

// Overlap is one reading of a board that other meters read at the same place
// too.
type Overlap struct {
	Meter string // which meter; see Sweep.MeterName
	Sheet Meter  // what its data sheet says
	// Cell is what the readings to be compared have in common, such as the board
	// and the place.
	Cell  string
	Volts float64 // as shown
	// Predicted is what a faultless meter of this sort would show there, in volts,
	// up to a constant that is the same for the whole cell; 0 where all meters
	// are of one sort.
	Predicted float64
}

// MeterBias is what one meter of a team shows too much, Offset + Gain*volts. A
// single number of it is known less well than their sum near the readings, about
// 0.5 V: see At.
type MeterBias struct {
	Meter    string  `json:"meter"`
	Readings int     `json:"readings"` // that other meters share, of those given
	Offset   float64 `json:"offset"`   // volts
	Gain     float64 `json:"gain"`     // share of the reading

	varOffset, varGain, covariance float64
}

// At gives how much too high the meter reads at volts, and the standard
// uncertainty, both in volts.
func (b MeterBias) At(volts float64) (bias, uncertainty float64) {
	return b.Offset + b.Gain*volts, math.Sqrt(b.varOffset + 2*b.covariance*volts + b.varGain*volts*volts)
}

// EstimateMeters finds the offset and gain of each meter of a team from readings
// that several of them took of the same thing. Reading i of meter m in cell c is
//
//	volts_i - predicted_i = t_c + offset_m + gain_m*v_c + e_i
//
// with t_c unknown, v_c the median of the cell's readings, e_i the contact of the
// probe and the rounding of the display, and offset and gain normal around zero,
// their standard deviations those of the data sheet (a/sqrt(3), JCGM 100:2008
// 4.3.7): without that only differences between meters could be known. Meters
// named in doubted are trusted ten times less than their data sheets say, as when
// it is asked whether they are still within them. The estimate is the best
// linear unbiased prediction of the random effects offset and gain (Henderson
// 1975; Robinson, Statistical Science 6, 1991, from memory), reached by normal
// equations from which every t_c is eliminated. Residuals are weighed as those
// of Student with 4 degrees, so that single outliers do not pull it.
//
// Meters come back in the order of their names; a meter that shares no cell with
// another is left out.
func EstimateMeters(readings []Overlap, doubted ...string) []MeterBias {
	cells, order := shared(readings)
	sheets := make(map[string]Meter)
	count := make(map[string]int)
	for _, name := range order {
		for _, i := range cells[name] {
			sheets[readings[i].Meter] = readings[i].Sheet
			count[readings[i].Meter]++
		}
	}
	names := slices.Sorted(maps.Keys(sheets))
	if len(names) == 0 {
		return nil
	}
	column := make(map[string]int) // of the offset; the gain is the next
	for i, name := range names {
		column[name] = 2 * i
	}
	n := 2 * len(names)
	prior := make([]float64, n)
	for name, c := range column {
		m, slack := sheets[name], 1.0
		if slices.Contains(doubted, name) {
			slack = doubtSlack
		}
		offset, gain := slack*(m.Counts+0.5)*m.Resolution/math.Sqrt(3), slack*math.Max(m.Gain, 0.001)/math.Sqrt(3)
		prior[c], prior[c+1] = 1/(offset*offset), 1/(gain*gain)
	}

	x := make([]float64, n)
	var inverse []float64
	scale := 1.0
	for range 20 {
		h, g := make([]float64, n*n), make([]float64, n)
		for c, p := range prior {
			h[c*n+c] = p
		}
		var squares, freedom float64
		for _, name := range order {
			sumW, sumD := 0.0, 0.0
			sumZ := make(map[int]float64)
			var shown []float64
			for _, i := range cells[name] {
				shown = append(shown, readings[i].Volts)
			}
			level := Median(shown) // not a reading's own: an outlier would pull the gain
			// The residual of a reading is taken against the cell's weighted mean
			// under the estimate so far.
			residual := func(i int) float64 {
				r, c := readings[i], column[readings[i].Meter]
				return r.Volts - r.Predicted - x[c] - x[c+1]*level
			}
			var all []float64
			for _, i := range cells[name] {
				all = append(all, residual(i))
			}
			middle := Median(all)
			for k, i := range cells[name] {
				r, c := readings[i], column[readings[i].Meter]
				sigma := math.Hypot(ContactSD, r.Sheet.Resolution/math.Sqrt(12))
				z := (all[k] - middle) / (sigma * scale)
				const df = 4
				w := (df + 1) / (df + z*z) / (sigma * sigma)
				d := r.Volts - r.Predicted
				squares += w * (all[k] - middle) * (all[k] - middle)
				sumW, sumD = sumW+w, sumD+w*d
				sumZ[c] += w
				sumZ[c+1] += w * level
				g[c] += w * d
				g[c+1] += w * d * level
				h[c*n+c] += w
				h[c*n+c+1] += w * level
				h[(c+1)*n+c] += w * level
				h[(c+1)*n+c+1] += w * level * level
			}
			freedom += float64(len(all) - 1)
			for a, za := range sumZ {
				g[a] -= za * sumD / sumW
				for b, zb := range sumZ {
					h[a*n+b] -= za * zb / sumW
				}
			}
		}
		stat.Cholesky(h, n) // the prior on the diagonal keeps it definite
		inverse = stat.Invert(h, n, nil)
		for a := range x {
			x[a] = 0
			for b := range g {
				x[a] += inverse[a*n+b] * g[b]
			}
		}
		scale = math.Max(1, math.Sqrt(squares/math.Max(freedom-float64(n), 1)))
	}
	var list []MeterBias
	for i, name := range names {
		c := 2 * i
		s2 := scale * scale
		list = append(list, MeterBias{name, count[name], x[c], x[c+1], s2 * inverse[c*n+c], s2 * inverse[(c+1)*n+c+1], s2 * inverse[c*n+c+1]})
	}
	return list
}

// shared gives the readings of each cell, and the cells in which meters meet, in
// an order that does not depend on maps.
func shared(readings []Overlap) (cells map[string][]int, order []string) {
	cells = make(map[string][]int)
	for i, r := range readings {
		cells[r.Cell] = append(cells[r.Cell], i)
	}
	for name, cell := range cells {
		if slices.ContainsFunc(cell, func(i int) bool { return readings[i].Meter != readings[cell[0]].Meter }) {
			order = append(order, name)
		}
	}
	slices.Sort(order)
	return cells, order
}

// enoughReadings bounds the work: so many readings tell a team's meters to a
// fraction of a millivolt.
const enoughReadings = 5000

// Overlaps lists the voltages that more than one meter may have read: on boards
// that the files name, at one place in one polarity, converted to room temperature.
// predict gives what a faultless meter of the sweep's sort would show there and
// may be nil, in which case only like meters share a cell; a reading for which ok
// is false is left out. Of a large library it takes some of the boards, but some
// of every meter that met another.
func (l *Library) Overlaps(predict func(s *Sweep, r PointReading) (volts float64, ok bool)) []Overlap {
	drawn := l.passedAround()
	var list []Overlap
	for _, s := range l.Sweeps {
		if !drawn[s.Sample] {
			continue
		}
		for _, r := range s.Readings {
			if r.Reading.Overload || r.At.Net == l.board.Ground {
				continue
			}
			o := Overlap{Meter: s.MeterName(), Sheet: s.Meter, Volts: roomVolts(s, r)}
			like := ""
			if predict == nil {
				like = classOf(s).words()
			} else {
				volts, ok := predict(s, r)
				if !ok {
					continue
				}
				o.Predicted = volts
			}
			at := placeOf(r.At, s.State.Polarity)
			o.Cell = fmt.Sprintf("%s|%v|%s", s.Sample, at, like)
			list = append(list, o)
		}
	}
	return list
}

// passedAround draws boards that more than one meter read, by a lot that falls the
// same way every time, until they have enoughReadings and every meter that met
// another is among them.
func (l *Library) passedAround() map[string]bool {
	meters, readings := make(map[string][]string), make(map[string]int) // by board
	var boards []string
	for _, s := range l.Sweeps {
		if s.Sample == "" {
			continue // nobody knows which board it is
		}
		readings[s.Sample] += len(s.Readings)
		if name := s.MeterName(); !slices.Contains(meters[s.Sample], name) {
			if meters[s.Sample] = append(meters[s.Sample], name); len(meters[s.Sample]) == 2 {
				boards = append(boards, s.Sample)
			}
		}
	}
	drawn, met, sum := make(map[string]bool), make(map[string]bool), 0
	for _, i := range rand.New(rand.NewPCG(1, 1)).Perm(len(boards)) {
		board := boards[i]
		if sum >= enoughReadings && !slices.ContainsFunc(meters[board], func(m string) bool { return !met[m] }) {
			continue
		}
		drawn[board] = true
		sum += readings[board]
		for _, m := range meters[board] {
			met[m] = true
		}
	}
	return drawn
}

// meterFindings reports meters that read apart from others by more than their
// data sheets allow, as far as boards that both read can tell. The meter that
// stands out the most is doubted first, and the others are then compared with each
// other without its pull.
func (l *Library) meterFindings() []Finding {
	const at = 0.5 // volts, about what junctions read
	overlaps := l.Overlaps(nil)
	sheets := make(map[string]Meter)
	for _, o := range overlaps {
		sheets[o.Meter] = o.Sheet
	}
	var findings []Finding
	var doubted []string
	meters := EstimateMeters(overlaps)
	for range meters {
		var worst MeterBias
		excess := 0.0 // volts beyond the data sheet
		for i, m := range meters {
			if slices.Contains(doubted, m.Meter) {
				continue
			}
			b := EstimateMeters(overlaps, append(slices.Clip(doubted), m.Meter)...)[i]
			bias, _ := b.At(at)
			if over := math.Abs(bias) - sheets[m.Meter].HalfWidth(at); over > excess {
				worst, excess = b, over
			}
		}
		bias, u := worst.At(at)
		normal := StudentT{Scale: 1, DF: math.Inf(1)}
		sure := normal.Upper(-excess / u)
		if excess == 0 || sure < explainAt {
			break
		}
		doubted = append(doubted, worst.Meter)
		findings = append(findings, Finding{
			Kind: KindMeter, Severity: SeverityDoubt, At: worst.Meter, Confidence: sure,
			Seen: fmt.Sprintf("reads %+.0f mV +- %.0f mV against the other meters at %.1f V, where its data sheet allows %.0f mV (%d readings of the same boards)", 1000*bias, 1000*u, at, 1000*sheets[worst.Meter].HalfWidth(at), worst.Readings),
			Do:   "change its battery, clean its leads, and measure it with `halfsplit meter calibrate`; give its sweeps the accuracy or current that it really has",
		})
	}
	return findings
}
