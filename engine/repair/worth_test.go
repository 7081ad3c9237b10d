package repair

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfsplit/engine/plan"
)

// TestWorth: the sums are worked out by hand; the shares below 5880 s are those of
// plan.Ending.Within, log-normal about each ending.
func TestWorth(t *testing.T) {
	endings := []plan.Ending{{Seconds: 600, Probability: 0.5}, {Seconds: 3600, Probability: 0.3}, {Seconds: 7200, Probability: 0.2, GivenUp: true}}
	rates := &plan.Rates{Currency: "EUR", Hour: 60, Part: 1, IC: 10, Board: 100}
	got := worth(endings, 2, rates)
	// 0.5 (2 + 10) + 0.3 (2 + 60) + 0.2 (2 + 100 + 120)
	for _, x := range []struct {
		what            string
		got, want, near float64
	}{
		{"cost", got.Cost, 69, 1e-9},
		{"until", got.Until, 98 * 60, 1e-9},
		{"beyond", got.Beyond, 0.2 + 0.3*(1-endings[1].Within(5880)) + 0.5*(1-endings[0].Within(5880)), 1e-12},
	} {
		if math.Abs(x.got-x.want) > x.near {
			t.Errorf("%s %g, want %g", x.what, x.got, x.want)
		}
	}
	if !got.GoOn || worth(endings, 2, &plan.Rates{Hour: 60, Board: 50}).GoOn {
		t.Error("69 EUR against 100 is worth going on, and against 50 it is not")
	}
	// A board that costs less than the parts is the better offer at once.
	if x := worth(endings, 20, &plan.Rates{Hour: 60, Board: 15}); x.Until != 0 || math.Abs(x.Beyond-1) > 1e-9 {
		t.Errorf("until %g s, beyond %g", x.Until, x.Beyond)
	}
}

// TestRepairTime: a plan with one ending has it as its median; the ranges hold what they
// say of the plan's own distribution; what is given up is stated.
func TestRepairTime(t *testing.T) {
	one := []plan.Ending{{Seconds: 600, Probability: 1}}
	if x := repairTime(one); math.Abs(x.Median-600) > 0.1 || x.GivenUp != 0 {
		t.Errorf("%+v", x)
	}
	several := []plan.Ending{{Seconds: 60, Probability: 0.3}, {Seconds: 300, Probability: 0.4}, {Seconds: 900, Probability: 0.2}, {Seconds: 5000, Probability: 0.1, GivenUp: true}}
	x := repairTime(several)
	if x.GivenUp != 0.1 {
		t.Errorf("given up %g, want 0.1", x.GivenUp)
	}
	for _, r := range []struct {
		name string
		is   [2]float64
		want float64
	}{{"half", x.Half, 0.5}, {"nine in ten", x.Most, 0.9}} {
		share := 0.0
		for i := range several {
			share += several[i].Probability * (several[i].Within(r.is[1]) - several[i].Within(r.is[0]))
		}
		if math.Abs(share-r.want) > 1e-6 {
			t.Errorf("the range of %s, %v s, holds %g", r.name, r.is, share)
		}
	}
}

// TestWorthWords: sums and times for people, never without their range.
func TestWorthWords(t *testing.T) {
	time := &RepairTime{Half: [2]float64{140, 350}, Most: [2]float64{46, 4300}, GivenUp: 0.04}
	if d := cmp.Diff("half of such repairs take 2.3 to 5.8 min, nine in ten 0.8 to 72 min; 4 % end without the fault found", time.Says()); d != "" {
		t.Error(d)
	}
	w := &Worth{Currency: "EUR", Cost: 99.6, Half: [2]float64{40, 130}, Most: [2]float64{8, 310}, Board: 140, Until: 7800, Beyond: 0.22, GoOn: true}
	want := []string{"Going on costs about 100 EUR; half of such repairs cost 40 to 130 EUR, nine in ten 8 to 310 EUR. A replacement board costs 140 EUR.",
		"Worth going on. From 2.2 h of repair time on, counted from here, the replacement board is the better offer; 22 % of repairs take longer or end without the fault found."}
	if d := cmp.Diff(want, w.Says()); d != "" {
		t.Error(d)
	}
	w.GoOn = false
	if d := cmp.Diff("The replacement board is the better offer.", w.Says()[1]); d != "" {
		t.Error(d)
	}
}
