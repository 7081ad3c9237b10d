package references_test

import (
	"fmt"

	"halfsplit/netlist"
	"halfsplit/references"
)

// What does a good board read at J7.2, and is 0.440 V within reason?
func Example() {
	board, err := netlist.Load("testdata/board.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	library, err := references.LoadLibrary("testdata/known", board)
	if err != nil {
		fmt.Println(err)
		return
	}
	pin, err := board.Point("J7.2")
	if err != nil {
		fmt.Println(err)
		return
	}
	next := references.PredictSamples(library.At(pin, references.RedOnGround))
	low, high := next.Interval(0.95)
	fmt.Printf("%d boards: 95 of 100 good boards read %.3f to %.3f V\n", next.N, low, high)
	fmt.Printf("%.0f of 100 read 0.440 V or less\n", 100*next.Voltage().CDF(0.440))
	for _, f := range library.Check() {
		if f.Severity != references.SeverityNote {
			fmt.Printf("%s: %s at %s: %s\n", f.Sweep, f.Kind, f.At, f.Seen)
		}
	}
	// Output:
	// 4 boards: 95 of 100 good boards read 0.437 to 0.464 V
	// 5 of 100 read 0.440 V or less
	// testdata/known/k3-c-021.yaml: outlier at J7.4: reads OL where other boards read 0.517 V +- 6 mV (3 boards)
}
