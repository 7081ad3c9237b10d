package page

import (
	"fmt"
	"math"
)

// Sizes of the plot, in its units; it fits a phone.
const (
	plotWide  = 330
	plotLeft  = 96
	plotRight = 280 // volts end here; OL stands beyond
	plotOver  = 306
	plotRow   = 30
)

// plot draws readings before and after against the spread of good boards: one
// row a place, volts to the right, OL at the far right.
func plot(points []point) drawing {
	if len(points) == 0 {
		return drawing{}
	}
	top := 0.8
	widen := func(v *float64) {
		if v != nil {
			top = math.Max(top, *v)
		}
	}
	for _, p := range points {
		widen(p.volts)
		if p.before != nil {
			widen(p.before.Volts)
		}
		if p.after != nil {
			widen(p.after.Volts)
		}
	}
	top = math.Ceil(top*5+0.25) / 5
	at := func(v float64) float64 {
		return plotLeft + (plotRight-plotLeft)*math.Min(math.Max(v, 0), top)/top
	}
	var c canvas
	bottom := float64(18 + plotRow*len(points))
	step := 0.2
	for top/step > 5 {
		step *= 2
	}
	for v := 0.0; v <= top+1e-9; v += step {
		c.line(at(v), 16, at(v), bottom, "line grid")
		c.text(at(v), 11, "mid small faint", fmt.Sprintf("%.1f", v), 6)
	}
	c.line(plotOver, 16, plotOver, bottom, "line grid")
	c.text(plotOver, 11, "mid small faint", "OL", 2)
	for i, p := range points {
		y := 18 + plotRow*float64(i) + plotRow/2
		c.text(0, y-1, "strong", p.at, 14)
		c.text(0, y+11, "small faint", p.net, 16)
		if p.volts != nil {
			half := math.Max(at(math.Max(*p.volts, 0)+2*p.sigma)-at(*p.volts), 2)
			c.printf(`<rect x="%.1f" y="%g" width="%.1f" height="20" class="band"/>`, at(*p.volts)-half, y-10, 2*half)
			c.line(at(*p.volts), y-10, at(*p.volts), y+10, "line good")
		} else if p.good != "none" {
			c.printf(`<rect x="%d" y="%g" width="16" height="20" class="band"/>`, plotOver-8, y-10)
			c.line(plotOver, y-10, plotOver, y+10, "line good")
		}
		place := func(v *float64) float64 {
			if v == nil {
				return plotOver
			}
			return at(*v)
		}
		if p.before != nil {
			c.mark(place(p.before.Volts), y, "◆", "bad")
		}
		if p.after != nil {
			if p.before != nil {
				from, to := place(p.before.Volts), place(p.after.Volts)
				if math.Abs(to-from) > 18 {
					way := math.Copysign(8, to-from)
					c.line(from+way, y, to-way, y, "line arrow")
				}
			}
			c.mark(place(p.after.Volts), y, "•", "ink")
			c.printf(`<circle cx="%.1f" cy="%g" r="4.4" class="fill ink"/>`, place(p.after.Volts), y)
		}
	}
	return c.done("Before and after", "Blue band: known good, two standard deviations either way. Diamond: measured before the work. Dot: after it.", plotWide, int(bottom)+6)
}
