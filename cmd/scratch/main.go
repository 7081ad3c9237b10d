package main

import (
	"encoding/json"
	"fmt"
	"os"
	"time"

	"halfsplit/engine"
	"halfsplit/engine/journal"
)

func main() {
	for _, p := range os.Args[1:] {
		c, err := journal.Load(p)
		if err != nil {
			fmt.Println(err)
			continue
		}
		e, err := engine.New(c.Board, c.Library, engine.Options{})
		if err != nil {
			panic(err)
		}
		t := time.Now()
		dg, err := e.Diagnose(c)
		if err != nil {
			panic(err)
		}
		fmt.Println("=====", p, time.Since(t), dg.Expected)
		for _, a := range dg.Abnormal {
			fmt.Print("  ", a.At, " ", a.Verdict, " ", show(a.Volts), " good ", show(a.KnownGood), fmt.Sprintf(" +- %.1f mV\n", a.Sigma*1e3))
		}
		for i, x := range dg.Explanations {
			if i < 6 {
				s := ""
				for _, f := range x.Faults {
					s += f.At + " " + f.Mode + " " + show(f.Ohms) + "; "
				}
				fmt.Printf("  P %.3f %s\n", x.Probability, s)
			}
		}
		for i, s := range dg.Suspects {
			if i < 4 {
				fmt.Printf("  S %.3f %s %v %s\n", s.Probability, s.Part, s.Modes, s.Remedy)
			}
		}
		for i, s := range dg.Next {
			if i < 4 {
				js, _ := json.Marshal(s.Outcomes)
				fmt.Printf("  N %s at=%s part=%s then=%v exp %.0f s  %s\n", s.Do, s.At, s.Part, s.Then, s.Expected, js)
			}
		}
		fmt.Println("  unseen", len(dg.Unseen), dg.Notes, dg.Alike)
	}
}

func show(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.3f", *v)
}
