package worlds

import (
	"fmt"
	"os"
	"syscall"
	"testing"
)

func cpu() float64 {
	var r syscall.Rusage
	syscall.Getrusage(0, &r)
	return float64(r.Utime.Sec) + float64(r.Utime.Usec)/1e6
}

func TestExplore(t *testing.T) {
	if os.Getenv("EXPLORE") == "" {
		t.Skip()
	}
	for seed := uint64(1); seed <= 8; seed++ {
		t0 := cpu()
		w, err := invent(Options{Seed: seed, Cars: 24}, nil)
		if err != nil {
			t.Fatal(err)
		}
		t1 := cpu() - t0
		tr := w.truth()
		fmt.Printf("seed %d %.1fs %+v\n  pulls %d logs %d knock %.3f tolerated %.2f step %.2f rec %.1f\n", seed, t1, w.forms, tr.Pulls, tr.Logs, float64(tr.Knock)/float64(tr.Cells), w.controller.tolerated, w.controller.step, w.controller.recovery)
		for i := range w.limits {
			l := &w.limits[i]
			fmt.Printf("   %s %s %s %v %v %v\n", l.metric, l.form, l.unit, l.value, l.over, []float64{l.low, l.high})
		}
		t0 = cpu()
		for i := 0; i < 12; i++ {
			p := w.propose(i, 5)
			fmt.Printf("    %s %s size %.2f spark %.1f lam %.3f boost %.0f cam %.0f %s %s %v:", p.truth.Vehicle, p.truth.Kind, p.truth.Size, p.truth.SparkDeg, p.truth.Lambda, p.truth.BoostKPa, p.truth.CamDeg, p.truth.Fuel, p.truth.Part, p.truth.RPM)
			for _, h := range p.truth.Hazards {
				if h.Probability > 0.004 || h.Parent > 0.004 {
					fmt.Printf(" %s %.3f±%.3f(%.3f)", h.Hazard, h.Probability, h.Error, h.Parent)
				}
			}
			if p.truth.IfVisited != nil {
				fmt.Printf(" VISITED %.2f", p.truth.WorstIfVisited())
			}
			fmt.Println()
		}
		fmt.Printf("   12 proposals %.1f s\n", cpu()-t0)
	}
}
