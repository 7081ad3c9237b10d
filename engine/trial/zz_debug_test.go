package trial

import (
	"fmt"

	"halfsplit/engine/diagnose"
)

func cmpText(c diagnose.Comparison) string {
	f := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return fmt.Sprintf("%.3f", *v)
	}
	return fmt.Sprintf("%s%s read %s/%s known %s moved %s pred %s sigma %.4f z %.2f %s ev %d", c.At, c.To, f(c.Volts), f(c.Ohms), f(c.KnownGood), f(c.Moved), f(c.Predicted), c.Sigma, c.ZScore, c.Verdict, c.Event)
}
