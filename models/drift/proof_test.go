package drift

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
)

// TestProofDrift measures false alarms and time to detection and writes docs/proof-drift.md. Run it with
//
//	HEADROOM_PROOF=1 go test -run Proof ./models/drift
//
// TestFalseAlarmRate and TestDetection are its small version.
func TestProofDrift(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	const cars, seed = 20000, 20260302
	var b strings.Builder
	fmt.Fprintf(&b, `# Proof: false alarms and days to detection of the drift charts

Written by `+"`HEADROOM_PROOF=1 go test -run Proof ./models/drift`"+`. One run a day, normal about the car's
level; the first ten days are the baseline. *Own*: the car's deviation from its own runs; *fleet*: pooled with
500 degrees of freedom. %d simulated cars a line, PCG seed (%d, line number).

## False alarms of healthy cars over the days watched

| chart | spread | days | promised | measured | Monte Carlo error |
|---|---|---|---|---|---|
`, cars, seed)
	line := uint64(0)
	spreads := []struct {
		name string
		Spread
	}{{"own", Spread{}}, {"fleet", Spread{3, 500}}}
	design := func(kind string, alarm float64) *Monitor {
		o := Options{Baseline: 10, Horizon: 120, FalseAlarm: alarm}
		m, err := NewEWMA(0.2, o)
		switch kind {
		case "slow ewma":
			m, err = NewEWMA(0.1, o)
		case "cusum":
			m, err = NewCUSUM(0.5, o)
		}
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	kinds := []string{"ewma", "slow ewma", "cusum"}
	for _, alarm := range []float64{0.05, 0.01, 0.001} {
		for _, kind := range kinds {
			m := design(kind, alarm)
			for _, s := range spreads {
				for _, days := range []int{20, 120} {
					line++
					rng := rand.New(rand.NewPCG(seed, line))
					signals := 0
					for range cars {
						c, err := m.Watch(normalSeries(rng, 10+days, healthy), s.Spread)
						if err != nil {
							t.Fatal(err)
						}
						if c.Signal {
							signals++
						}
					}
					got, sd := float64(signals)/cars, math.Sqrt(alarm*(1-alarm)/cars)
					if math.Abs(got-alarm) > 4*sd+alarm*alarm/4 {
						t.Errorf("%s %s %d days: %g, promised %g", m.kind, s.name, days, got, alarm)
					}
					fmt.Fprintf(&b, "| %s | %s | %d | %g | %.4f | %.4f |\n", m.kind, s.name, days, alarm, got, sd)
				}
			}
		}
	}
	fmt.Fprintf(&b, `
## Days to detection at a false-alarm chance of 0.01 over 120 days

A car learns from its own runs, so a change soon after the baseline is partly taken for normal: the fleet's
spread helps most there, and a ramp is found where a small step is not. Sizes in deviations of one run. *Found*
is the share signalled after the change and by day 120; days are from the change to the signal, median and 90 %%
point over all cars (– where fewer were found). 2000 cars a line.

| drift | starts on day | chart | spread | found | median days | 90 %% point |
|---|---|---|---|---|---|---|
`)
	drifts := []struct {
		name string
		size func(days int) float64
	}{
		{"step of 1", func(int) float64 { return 1 }}, {"step of 2", func(int) float64 { return 2 }},
		{"step of 3", func(int) float64 { return 3 }},
		{"ramp of 0.05 a day", func(d int) float64 { return 0.05 * float64(d+1) }},
		{"ramp of 0.2 a day", func(d int) float64 { return 0.2 * float64(d+1) }},
	}
	for _, d := range drifts {
		for _, start := range []int{15, 40} {
			for _, kind := range kinds {
				m := design(kind, 0.01)
				for _, s := range spreads {
					line++
					rng := rand.New(rand.NewPCG(seed, line))
					const n = 2000
					var delays []float64
					for range n {
						c, err := m.Watch(normalSeries(rng, 130, func(i int) float64 {
							if i < start {
								return 0
							}
							return d.size(i - start)
						}), s.Spread)
						if err != nil {
							t.Fatal(err)
						}
						delay := math.Inf(1)
						if c.Signal && c.SignalIndex >= start {
							delay = float64(c.SignalIndex - start + 1)
						}
						delays = append(delays, delay)
					}
					found, mid, late := delaySummary(delays)
					fmt.Fprintf(&b, "| %s | %d | %s | %s | %.3f | %s | %s |\n", d.name, start, m.kind, s.name, found,
						mid, late)
				}
			}
		}
	}
	lawProof(t, &b, seed)
	if err := os.WriteFile("../../docs/proof-drift.md", []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

func delaySummary(delays []float64) (found float64, mid, late string) {
	text := func(share float64) string {
		below := 0
		for d := 1; d <= 200; d++ {
			below = 0
			for _, v := range delays {
				if v <= float64(d) {
					below++
				}
			}
			if float64(below) >= share*float64(len(delays)) {
				return fmt.Sprint(d)
			}
		}
		return "–"
	}
	n := 0
	for _, v := range delays {
		if !math.IsInf(v, 1) {
			n++
		}
	}
	return float64(n) / float64(len(delays)), text(0.5), text(0.9)
}
