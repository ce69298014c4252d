package fleet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
)

// probed are rows of pulls whose probe trails gas of a constant temperature by a lag: the step response of a
// first-order system, T = gas − (gas − start)·exp(−t/τ), at the ends of cells.
func probed(cars, pulls int, lag, startSD, sensorSD float64) []evidence.Row {
	rng := rand.New(rand.NewPCG(11, 12))
	var rows []evidence.Row
	for car := range cars {
		gas := 850 + 10*rng.NormFloat64()
		for pull := range pulls {
			start := 600 + startSD*rng.NormFloat64()
			first := start + sensorSD*rng.NormFloat64()
			for cell := range 6 {
				r := fleettest.BlankRow()
				r.Kind, r.Vehicle, r.Revision, r.Run = evidence.KindPull, fmt.Sprint("car-", car), "rev",
					fmt.Sprint(car, pull)
				r.RPMLow, r.LoadLow, r.Into = 2000+500*float64(cell), 140, 0.6*float64(cell+1)
				reading := gas - (gas-start)*math.Exp(-r.Into/lag) + sensorSD*rng.NormFloat64()
				r.ExhaustTemperature, r.ExhaustRise = reading, reading-first
				rows = append(rows, r)
			}
		}
	}
	return rows
}

// The lag of a probe is found from pulls that begin hot and cold, within its own error; where all begin alike, or too
// few cars show it, what is taken of probes stays, and says that no log shows it.
func TestProbeLag(t *testing.T) {
	for _, lag := range []float64{0.8, 1.6, 2.7} {
		got := fitProbe(probed(20, 8, lag, 15, 1.5))
		if math.Abs(got.Lag-lag) > 3*got.SD || got.SD > 0.3 || got.Cars != 20 {
			t.Errorf("lag %.1f s: %+v", lag, got)
		}
	}
	for what, rows := range map[string][]evidence.Row{
		"alike":    probed(20, 8, 1, 0, 1.5),
		"few cars": probed(2, 8, 1, 15, 1.5),
		"none":     nil,
	} {
		if got := fitProbe(rows); got != (state.ProbeLag{Lag: probeLag, Told: probeLag, SD: probeLagSD}) {
			t.Errorf("%s: %+v", what, got)
		}
	}
}

// What a probe would settle at is the gas temperature, for a gas of constant temperature exactly (the derivative of its
// step response).
func TestSettledExhaust(t *testing.T) {
	p := (&state.Platform{}).WithProbe(state.ProbeLag{Lag: 2, SD: 0.5})
	r := fleettest.BlankRow()
	for _, into := range []float64{0.2, 1, 3, 8} {
		reading := 900 - (900-620)*math.Exp(-into/2)
		r.ExhaustTemperature, r.ExhaustRate = reading, (900-620)/2*math.Exp(-into/2)
		got := p.SettledExhaust(&state.State{Row: &r})
		if math.Abs(got-900) > 1e-9 {
			t.Errorf("%.1f s into a pull: %v", into, got)
		}
		const h = 1e-5
		longer := p.WithProbe(state.ProbeLag{Lag: 2 + h})
		slope := (longer.SettledExhaust(&state.State{Row: &r}) - got) / h
		if by := p.SettledByLag(&state.State{Row: &r}); math.Abs(by-slope) > 1e-2 {
			t.Errorf("%.1f s: %v K a second of lag, %v by difference", into, by, slope)
		}
	}
	if got := (&state.Platform{}).SettledExhaust(&state.State{Row: &r}); got != r.ExhaustTemperature {
		t.Errorf("without a lag: %v", got)
	}
}

// Pulls that all begin alike tell no lag by hot and cold starts, and a probe four times as quick as is taken beforehand
// is told by the course of whole pulls. What cars are then said to reach is what their gas was made to be: a gas of the
// demo's own courses, read by the step response of a first-order system.
func TestQuickProbe(t *testing.T) {
	f, pulls := demoPulls(t)
	q := QuantityOf("exhaust_temperature")
	const lag, start = 0.5, 640.0
	gas := map[*state.State]float64{}
	for _, v := range pulls {
		s := &v.State
		r := *s.Row
		gas[s] = 500 + 0.3*q.Predictor(f.Platform, s) + 12*(s.RPM/1000-4)
		left := (gas[s] - start) * math.Exp(-r.Into/lag)
		r.ExhaustTemperature, r.ExhaustRate = gas[s]-left+2*noise(s, "probe"), left/lag+2*noise(s, "rate")
		r.ExhaustRise = r.ExhaustTemperature - start
		s.Row = &r
	}
	f.Probe = state.ProbeLag{Lag: probeLag, Told: probeLag, SD: probeLagSD}
	f.Platform = f.Platform.WithProbe(f.Probe)
	if err := f.settleProbe(pulls); err != nil {
		t.Fatal(err)
	}
	close(t, "lag, s", f.Probe.Lag, lag, 0.1)
	fit, _, err := f.fitMargin(q, pulls, nil, false)
	if err != nil {
		t.Fatal(err)
	}
	off, n := 0.0, 0.0
	for s, want := range gas {
		if x := q.Predictor(f.Platform, s); !math.IsNaN(x + want) {
			got, _, err := fit.Expect(f.Platform, s, x, s.Car)
			if err != nil {
				t.Fatal(err)
			}
			off += (got - want) * (got - want)
			n++
		}
	}
	if rms := math.Sqrt(off / n); n < 100 || rms > 2 {
		t.Errorf("%.0f states are %.1f K off", n, rms)
	}
}
