package fleet

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/models/value"
)

// Before logs show it an exhaust temperature probe is taken to trail the gas by probeLag, give or take probeLagSD,
// seconds: sheathed thermocouples of 3 to 6 mm in fast gas take 1 to 3 s. Common practice, no source.
const (
	probeLag   = 2.0
	probeLagSD = 0.6
)

const (
	// probeWithin is the seconds into a pull in which readings tell the lag: later ones hold little of the start, and
	// what walls stored before the pull looks like it. Common practice, no source.
	probeWithin = 3
	// startSpread is how far, K, readings at the start of pulls must spread for their trace to tell a lag; far more
	// than a probe's noise. Common practice, no source.
	startSpread = 5
	// probeCars are the cars that must show it, since its error is told by leaving out one at a time.
	probeCars = 3

	longestLag = 5.0
	lagStep    = 0.02
)

// probeReading is a reading early in a pull and that at its start, less their means over the same cell of the same
// car's revision.
type probeReading struct{ into, start, reading float64 }

// fitProbe tells the lag of exhaust temperature probes from pulls that began hot and others that began cold: of a
// difference at the start, exp(−t/τ) is left t seconds later in the same cell. The lag is the least-squares one, its
// deviation the jackknife's over cars (Efron, The Jackknife, 1982, ch. 3), and both are joined with what is taken
// before (normal errors weighed by their precision).
func fitProbe(rows []evidence.Row) state.ProbeLag {
	byCar, pulls := probeReadings(rows)
	out := state.ProbeLag{Lag: probeLag, Told: probeLag, SD: probeLagSD}
	if len(byCar) < probeCars {
		return out
	}
	squares, n := 0.0, 0.0
	for _, readings := range byCar {
		for _, r := range readings {
			squares += r.start * r.start
			n++
		}
	}
	if math.Sqrt(squares/n) < startSpread {
		return out
	}
	misses := make([][]float64, len(byCar))
	for k, readings := range byCar {
		misses[k] = missesOf(readings)
	}
	lag := lagOfLeast(misses, -1)
	var variance float64
	for k := range misses {
		d := lagOfLeast(misses, k) - lag
		variance += d * d
	}
	cars := float64(len(byCar))
	variance *= (cars - 1) / cars
	variance += lagStep * lagStep / 12
	prior := 1 / (probeLagSD * probeLagSD)
	precision := prior + 1/variance
	told := (probeLag*prior + lag/variance) / precision
	return state.ProbeLag{Lag: told, Told: told, SD: math.Sqrt(1 / precision), Cars: len(byCar), Pulls: pulls}
}

const (
	// lagRounds bounds the rounds of settleProbe; a healthy case needs one to three.
	lagRounds = 8
	lagDone   = 0.05 // s
	leastLag  = 0.2
)

// settleProbe moves the probe's lag to where exhaust temperature's model over whole pulls puts it, the lag that starts
// tell being its prior. The model is linear in the lag, so that one far off has to be approached (Gauss and Newton).
func (f *Fleet) settleProbe(pulls []*state.Visit) error {
	m := QuantityOf(metric.ExhaustTemperature)
	least := math.Max(leastLag, medianInterval(pulls))
	for range lagRounds {
		fit, used, err := f.fitModel(m, pulls, nil, false)
		if err != nil {
			return err
		}
		if len(used) == 0 || !fit.Trails {
			return nil
		}
		was := f.Platform.Probe.Lag
		lag := min(max(was-fit.Model.Coef[lagColumn], was/2, least), longestLag)
		f.Platform.Probe.Lag, f.Probe.Lag = lag, lag
		if math.Abs(lag-was) < lagDone {
			return nil
		}
	}
	return nil
}

// medianInterval is the usual time between samples of visits, seconds: no lag below it can be told from none.
func medianInterval(visits []*state.Visit) float64 {
	out := make([]float64, len(visits))
	for i, v := range visits {
		out[i] = v.Row.SampleInterval
	}
	return value.Or(value.Median(out), 0)
}

// probeReadings are the readings that tell a lag, by car, and how many pulls they are of.
func probeReadings(rows []evidence.Row) (byCar [][]probeReading, pulls int) {
	type place struct {
		car, revision string
		rpm, load     float64 // of the cell
	}
	places := evidence.NewIndex[place]()
	var at [][]*evidence.Row
	for _, r := range evidence.PullRows(rows) {
		if !value.Known(r.ExhaustRise) || r.Into > probeWithin {
			continue
		}
		k := places.Of(place{r.Vehicle, r.Revision, r.RPMLow, r.LoadLow})
		if k == len(at) {
			at = append(at, nil)
		}
		at[k] = append(at[k], r)
	}
	cars, met := evidence.NewIndex[string](), map[string]bool{}
	for k, rows := range at {
		if len(rows) < 2 {
			continue
		}
		start, reading := 0.0, 0.0
		for _, r := range rows {
			start += (r.ExhaustTemperature - r.ExhaustRise) / float64(len(rows))
			reading += r.ExhaustTemperature / float64(len(rows))
		}
		c := cars.Of(places.Keys[k].car)
		if c == len(byCar) {
			byCar = append(byCar, nil)
		}
		for _, r := range rows {
			met[evidence.PullID(r)] = true
			byCar[c] = append(byCar[c], probeReading{r.Into, r.ExhaustTemperature - r.ExhaustRise - start,
				r.ExhaustTemperature - reading})
		}
	}
	return byCar, len(met)
}

// missesOf are the sums of squares that lags from 0 in steps of lagStep leave of a car's readings.
func missesOf(readings []probeReading) []float64 {
	out := make([]float64, 1+int(longestLag/lagStep))
	for i := range out {
		tau := float64(i) * lagStep
		for _, r := range readings {
			d := r.reading
			if tau > 0 {
				d -= math.Exp(-r.into/tau) * r.start
			}
			out[i] += d * d
		}
	}
	return out
}

// lagOfLeast is the lag of the least sum of squares over all cars but one (-1: over all).
func lagOfLeast(misses [][]float64, without int) float64 {
	sum := make([]float64, len(misses[0]))
	for k, of := range misses {
		if k != without {
			floats.Add(sum, of)
		}
	}
	return lagStep * float64(floats.MinIdx(sum))
}
