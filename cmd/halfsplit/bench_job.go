package main

import (
	"github.com/spf13/cobra"

	"halfsplit/engine/journal"
	"halfsplit/engine/powerup"
	"halfsplit/references"
)

// The job around the line: the first look, which way round parts sit, what works under
// power, and whether it is worth going on; on the terminal and on the bench page.

// supplyFlag says what good boards draw from a bench supply.
type supplyFlag struct{ text string }

func (f *supplyFlag) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.text, "supply", "", "`CURRENTS` that good boards draw from a bench supply before and after the power button, such as 'before: 3 mA, after: 60..110 mA'; otherwise as the good sweeps say")
}

// limits reads the flag.
func (f *supplyFlag) limits() (powerup.Limits, error) {
	var l powerup.Limits
	if f.text == "" {
		return l, nil
	}
	s, err := references.ParseSupply("--supply", f.text)
	if err != nil {
		return l, err
	}
	if s.Before != nil {
		l.MostBefore = s.Before.High
	}
	if s.After != nil {
		l.MostAfter = s.After.High
		if s.After.Low < s.After.High {
			l.LeastAfter = s.After.Low
		}
	}
	return l, nil
}

// firstPower is what comes before power is put on a board that was just looked at.
// Common practice, no source.
const firstPower = "not where it looks burnt; no lithium cell in, current limit set low first, hands off boosted rails; then write"

// leftovers list what looked bad and was not seen to, and what does not work.
func leftovers(g *powerup.Answer) (list []string) {
	for _, x := range g.ComeBack {
		list = append(list, "■ come back to "+name(x.Part)+": it looks "+name(x.Look))
	}
	for _, x := range g.Functions {
		if x.Result == journal.Fails.String() {
			list = append(list, "■ "+name(x.Name)+" fails")
		}
	}
	return list
}

func (b *benchScreen) leftovers() []string {
	g, err := b.session.PowerUp()
	if err != nil { // it is printed where the check is shown
		return nil
	}
	return leftovers(g)
}
