package main

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"halfsplit/cmd/halfsplit/wording"
	"halfsplit/engine/fit"
	"halfsplit/engine/network"
	"halfsplit/netlist"
	"halfsplit/netlist/quantity"
	"halfsplit/references"
)

func (a *app) meterCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "meter COMMAND",
		Short: "measure your own meter, and weigh a team's meters against each other",
		Args:  cobra.ArbitraryArgs,
		RunE:  helpOrComplain,
	}
	cmd.AddCommand(a.meterFitCommand(), a.meterTeamCommand())
	return cmd
}

// meterFit is what `meter fit --json` prints.
type meterFit struct {
	TestCurrent float64 `json:"test_current"` // amperes
	Uncertainty float64 `json:"uncertainty"`  // amperes, standard
	Source      string  `json:"source"`
	OpenVoltage float64 `json:"open_voltage"` // volts
	Misfit      float64 `json:"misfit"`       // root mean square, in standard uncertainties
	Contradict  bool    `json:"contradict"`   // the readings do not fit together
	Meter       string  `json:"meter"`        // as sweep and case files write it
}

func (a *app) meterFitCommand() *cobra.Command {
	var start, diode string
	var celsius float64
	cmd := &cobra.Command{
		Use:   "calibrate OHMS=READING...",
		Short: "find your meter's own test current from known resistors read in diode mode",
		Long: `calibrate finds the current that a meter drives in diode mode. Read two or three known
resistors in diode mode, from 100 ohm to 1.5 kohm; from three on it also tells a
constant current from a voltage behind a resistance. A small-signal diode 1N4148,
read the way it conducts, checks the resistors.

What it prints goes into sweep and case files.`,
		Example: `  halfsplit meter calibrate 100R=0.104 470R=0.489 1K=1.041
  halfsplit meter calibrate 470R=0.456 1K=0.970 --diode 0.560 --start "name: bench 2, open_voltage: 2.9 V"`,
		Args: someArguments("resistors and their readings"),
		RunE: a.on(func(s *screen, args []string) error {
			m := references.DefaultMeter()
			if start != "" {
				var err error
				if m, err = readMeter(start); err != nil {
					return err
				}
			}
			var known []references.ResistorReading
			for _, arg := range args {
				k, err := resistorReading(arg)
				if err != nil {
					return err
				}
				known = append(known, k)
			}
			if _, err := references.ParseCelsius(strconv.FormatFloat(celsius, 'f', -1, 64) + " C"); err != nil {
				return fmt.Errorf("`--celsius`: %w", err)
			}
			if diode != "" {
				volts, err := diodeVolts(diode)
				if err != nil {
					return err
				}
				d := references.SmallSignalDiode()
				k, err := d.Known(m, volts+diodeSlope*(celsius-d.Celsius))
				if err != nil {
					return err
				}
				known = append(known, k)
			}
			fitted, err := references.FitMeter(m, known)
			if err != nil {
				return err
			}
			answer := meterFit{fitted.Meter.TestCurrent, fitted.Current, fitted.Meter.Source.String(), fitted.Meter.OpenVoltage, fitted.Misfit, fitted.Misfit > references.MisfitAlarm, rounded(fitted.Meter).Text()}
			return a.judged(answer.Contradict, answer, func() { s.meterFit(fitted) })
		}),
	}
	fileFlag(cmd, &start, "start", "`METER` that is known beforehand, as in sweep files, or a file that has one")
	cmd.Flags().StringVar(&diode, "diode", "", "`READING` of a small-signal diode 1N4148")
	cmd.Flags().Float64Var(&celsius, "celsius", references.RoomCelsius, "temperature of the diode")
	a.jsonFlag(cmd, ": amperes and volts")
	return cmd
}

// diodeSlope is how much a silicon diode reads less at 1 mA for each degree
// Celsius, in volts: the common rule of 2 mV (common practice, no source).
const diodeSlope = 0.002

// resistorReading reads "470R=0.489".
func resistorReading(arg string) (references.ResistorReading, error) {
	ohms, shown, ok := strings.Cut(arg, "=")
	if !ok {
		return references.ResistorReading{}, instead(quoted(arg)+" is not a resistor with its reading", "write OHMS=READING, such as 470R=0.489")
	}
	value, err := quantity.Parse(ohms, quantity.Ohm)
	if err != nil {
		return references.ResistorReading{}, err
	}
	volts, err := diodeVolts(shown)
	return references.ResistorReading{Ohms: value, Volts: volts}, err
}

// diodeVolts reads a reading in diode mode that is a voltage.
func diodeVolts(text string) (float64, error) {
	r, err := quantity.ParseReading(text)
	switch {
	case err != nil:
		return 0, err
	case r.Unit != quantity.Volt:
		return 0, instead(quoted(text)+" is a resistance", "give what the meter shows in diode mode, in volts")
	case r.Overload:
		return 0, instead("OL says nothing of the current", "use a smaller resistor")
	}
	return r.Value, nil
}

// rounded keeps what a fit can know: four figures.
func rounded(m references.Meter) references.Meter {
	for _, v := range []*float64{&m.TestCurrent, &m.OpenVoltage, &m.Over} {
		if short, err := strconv.ParseFloat(strconv.FormatFloat(*v, 'g', 4, 64), 64); err == nil {
			*v = short
		}
	}
	m.Over = min(m.Over, m.OpenVoltage)
	return m
}

func (s *screen) meterFit(f references.MeterFit) {
	m := rounded(f.Meter)
	s.say(s.paint(strong, fmt.Sprintf("%.4g mA ± %.2g mA", 1000*m.TestCurrent, 1000*f.Current)))
	if m.Source == references.Resistive {
		s.prose(0, 0, plain, fmt.Sprintf("It drives %.3g V through %s, so that the current falls as the reading rises.", m.OpenVoltage, wording.Ohms(m.SourceOhms())))
	} else {
		s.say("It drives a constant current.")
	}
	if f.Misfit > references.MisfitAlarm {
		s.gap()
		s.prose(0, 0, loud, fmt.Sprintf("! The readings contradict each other: they miss the estimate by %.1f standard uncertainties. Check the values of the resistors, the contact of the probes, and the meter's battery; then read again.", f.Misfit))
	}
	s.gap()
	s.say("For sweep and case files:")
	s.say("  meter: " + m.Text())
}

// teamMeter is one row of `meter team --json`.
type teamMeter struct {
	references.MeterBias
	Bias        float64 `json:"bias"`        // volts too high at 0.5 V
	Uncertainty float64 `json:"uncertainty"` // volts, standard
}

// teamAt is where the bias of meters is printed, in volts: about what junctions
// read.
const teamAt = 0.5

func (a *app) meterTeamCommand() *cobra.Command {
	var board string
	cmd := &cobra.Command{
		Use:   "team FOLDER",
		Short: "offset and gain of each meter, from boards that several meters measured",
		Long: `team compares the meters of a folder of sweeps on the boards (samples) that more
than one of them read, and estimates by how much each measures too high. Meters with
different currents are compared through the estimated circuit.`,
		Example:           "  halfsplit meter team kestrel/known --board kestrel/board.yaml",
		Args:              arguments("FOLDER of sweeps"),
		ValidArgsFunction: firstOf(completeFolders),
		RunE: a.on(func(s *screen, args []string) error {
			b, lib, err := a.library(args[0], board)
			if err != nil {
				return err
			}
			overlaps, err := teamOverlaps(b, lib)
			if err != nil {
				return err
			}
			var rows []teamMeter
			for _, m := range references.EstimateMeters(overlaps) {
				bias, u := m.At(teamAt)
				rows = append(rows, teamMeter{m, bias, u})
			}
			return a.answer(struct {
				Meters []teamMeter `json:"meters"`
			}{rows}, func() { s.teamMeters(lib, rows) })
		}),
	}
	a.jsonFlag(cmd, ": volts")
	boardFlag(cmd, &board)
	return cmd
}

func (s *screen) teamMeters(lib *references.Library, list []teamMeter) {
	if len(list) == 0 {
		s.say("No board was read by two meters. Sweep one board with each meter, under one sample name.")
		return
	}
	s.libraryHead(lib)
	s.heading("METERS", "by how much each measures too high")
	var rows [][]cell
	for _, r := range list {
		rows = append(rows, []cell{{name(r.Meter), plain}, {fmt.Sprintf("%+.1f ± %.1f mV", 1000*r.Bias, 1000*r.Uncertainty), strong}, {fmt.Sprintf("%+.1f mV", 1000*r.Offset), plain}, {fmt.Sprintf("%+.2f %%", 100*r.Gain), plain}, {fmt.Sprint(r.Readings), plain}})
	}
	s.table(2, []column{{head: "meter", give: true}, {head: "at 0.5 V", right: true}, {head: "offset", right: true}, {head: "gain", right: true}, {head: "readings", right: true}}, rows)
}

// teamOverlaps are the readings that meters share, each beside what the fitted
// circuit predicts for its meter.
func teamOverlaps(b *netlist.Board, lib *references.Library) ([]references.Overlap, error) {
	good, err := fit.Fit(network.New(b), lib)
	if err != nil {
		return nil, err
	}
	w := network.NewWorkspace(good.Model)
	type question struct {
		at    netlist.Point
		drive network.Drive
		pol   references.Polarity
	}
	answers := map[question]network.Reading{}
	var first error
	// Readings are compared at room temperature.
	overlaps := lib.Overlaps(func(s *references.Sweep, r references.PointReading) (float64, bool) {
		q := question{r.At, fit.DriveOf(s.Meter), s.State.Polarity}
		x, done := answers[q]
		if !done {
			var err error
			if x, err = w.Read(fit.ProbeAt(good.Model, good.Model.PlaceOf(q.at), q.pol, q.drive), &network.State{}, good.Values); err != nil {
				first = cmp.Or(first, err)
				x.Over = true
			}
			answers[q] = x
		}
		return x.Volts, !x.Over
	})
	return overlaps, first
}
