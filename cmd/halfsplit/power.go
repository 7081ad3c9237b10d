package main

import (
	"github.com/spf13/cobra"

	"halfsplit/engine/powerup"
)

func (a *app) powerCommand() *cobra.Command {
	var r reader
	var f supplyFlag
	cmd := &cobra.Command{
		Use:   "power CASE",
		Short: "say whether power may go on after rework",
		Long: `power looks through the record of a case for everything that was reworked, and
says of every rail and line that was touched whether it was measured again since
and is as on a good board, as the board lies now. The result is PASS, FAIL or NOT
CHECKED, and the exit code is 0 for PASS alone. Any reading out of range fails it,
in volts or ohms, whether anybody worked there or not, until one taken there in the
same way is right; so does a part that sits the wrong way round. Where a reading is
far off what is predicted and no good board was measured there, it is not checked.
Where a reworked net was not measured again, no rail was measured, or no ground pin
measured as ground, it is not checked: that is no pass.

Currents drawn from a bench supply, where the case has them, are compared with
what good boards draw; --supply says what that is where the good sweeps do not.`,
		Example: `  halfsplit power kestrel/cases/touch-dead.yaml
  halfsplit power kestrel/cases/touch-dead.yaml --supply 'before: 3 mA, after: 60..110 mA'`,
		Args:              arguments("CASE file"),
		ValidArgsFunction: completeFiles(kindCase),
		RunE: func(_ *cobra.Command, args []string) error {
			limits, err := f.limits()
			if err != nil {
				return err
			}
			s, c, e, err := a.showCase(args[0], &r)
			if err != nil {
				return err
			}
			g, err := powerup.Check(c, e, limits)
			if err != nil {
				return err
			}
			return a.judged(!g.Passed(), g, func() {
				s.caseHead(c)
				s.doubts(e.Doubts())
				s.powerUp(g)
			})
		},
	}
	a.jsonFlag(cmd, siUnits)
	f.add(cmd)
	return cmd
}
