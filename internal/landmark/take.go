package landmark

import (
	"math"
	"slices"

	"headroom/internal/runlog"
	"headroom/models/air"
	"headroom/models/channel"
	"headroom/models/unit"
	"headroom/models/value"
)

// When a log is steady enough for a landmark; common practice, no source.
const (
	running      = 400.0 // rpm above which the engine turns by itself
	idleBelow    = 1200.0
	fullThrottle = 80.0 // %
	partThrottle = 50.0 // %
	fullSpeed    = 1500.0
	closedLoop   = 0.02 // commanded λ within this of 1
	restSeconds  = 2.0
	fewest       = 10      // samples
	warmFrom     = 60.0    // °C: an engine that reads as much is warm, whatever the time
	standsShare  = 1.0 / 3 // of part throttle at which a commanded value stands
)

// log is a run as landmarks are read from it.
type log struct {
	run      *runlog.Run
	speed    []float64 // rpm, nil when not logged
	demand   []float64 // pedal, else throttle, %, nil when neither is logged
	expected float64   // surrounding pressure as stated for the log, else the standard atmosphere's at sea level, kPa
}

// Readings are the landmarks that a run shows, in the order of their table.
func Readings(run *runlog.Run) []Reading {
	l := &log{run: run, speed: run.Values(channel.EngineSpeed), demand: run.Values(channel.PedalPosition),
		expected: unit.PascalPerAtmosphere / unit.PascalPerKilopascal}
	if l.demand == nil {
		l.demand = run.Values(channel.ThrottlePosition)
	}
	if run.Barometer > 0 {
		l.expected = run.Barometer
	}
	if l.speed == nil {
		return nil
	}
	var out []Reading
	for i := range kinds {
		k := &kinds[i]
		if run.Values(k.Channel) == nil || k.Against != "" && run.Values(k.Against) == nil {
			continue
		}
		v, against := k.take(l)
		if !value.Known(k.compared(v, against)) {
			continue
		}
		r := Reading{Landmark: k.ID, Value: v, Against: against}
		r.Column, r.Unit, r.Stoich = l.column(k.Channel)
		out = append(out, r)
	}
	return out
}

// column is where a channel was read from, and in which unit.
func (l *log) column(id channel.ID) (header, unit string, stoich float64) {
	for _, s := range l.run.Series {
		if s.Channel == id && id != "" {
			header = s.Column
		}
	}
	for _, c := range l.run.Columns {
		if c.Channel == id && id != "" && c.Header == header {
			return header, c.Unit, c.Stoich
		}
	}
	return header, "", 0
}

// where are the readings of a channel at the samples of a state, those that are missing left out.
func (l *log) where(id channel.ID, state func(i int) bool) []float64 {
	var out []float64
	for i, v := range l.run.Values(id) {
		if value.Known(v) && state(i) {
			out = append(out, v)
		}
	}
	return out
}

// middle is the median of at least fewest readings; NaN of fewer.
func middle(values []float64) float64 {
	if len(values) < fewest {
		return math.NaN()
	}
	return value.Median(values)
}

func (l *log) turning(i int) bool { return l.speed[i] > running }

func (l *log) idling(i int) bool {
	road := l.run.Values(channel.VehicleSpeed)
	return l.turning(i) && l.speed[i] < idleBelow && (road == nil || road[i] < 3)
}

// part reports whether the engine turns at part throttle or idle.
func (l *log) part(i int) bool { return l.turning(i) && l.demand != nil && l.demand[i] < partThrottle }

// full reports whether the engine pulls at full throttle.
func (l *log) full(i int) bool {
	return l.speed[i] > fullSpeed && l.demand != nil && l.demand[i] >= fullThrottle
}

// atRest marks the samples at which the engine stands and has stood for restSeconds.
func (l *log) atRest() []bool {
	out := make([]bool, len(l.speed))
	since := math.NaN()
	for i, v := range l.speed {
		switch {
		case v > 0:
			since = math.NaN()
		case v == 0 && math.IsNaN(since):
			since = l.run.Time[i]
		}
		out[i] = v == 0 && l.run.Time[i]-since >= restSeconds
	}
	return out
}

// restful is the median of a channel with the engine at rest; a few samples tell it.
func (l *log) restful(id channel.ID) float64 {
	rest := l.atRest()
	values := l.where(id, func(i int) bool { return rest[i] })
	if len(values) < 3 {
		return math.NaN()
	}
	return value.Median(values)
}

func steadyLambda(l *log) (v, against float64) {
	commanded := l.run.Values(channel.LambdaCommanded)
	return middle(l.where(channel.Lambda, func(i int) bool {
		return l.part(i) && (commanded == nil || math.Abs(commanded[i]-1) <= closedLoop)
	})), 1
}

// commandedStands is the value that commanded λ takes most often at part throttle, where it stands there.
func commandedStands(l *log) (v, against float64) {
	values := l.where(channel.LambdaCommanded, l.part)
	slices.Sort(values)
	best, most := math.NaN(), 0
	for i := 0; i < len(values); {
		j := i
		for j < len(values) && values[j]-values[i] <= 1e-3 { // digits of a display, converted
			j++
		}
		if j-i > most {
			best, most = value.Median(values[i:j]), j-i
		}
		i = j
	}
	if most < fewest || float64(most) < standsShare*float64(len(values)) {
		return math.NaN(), 1
	}
	return best, 1
}

func keyOn(l *log) (v, against float64) {
	return l.restful(channel.ManifoldPressure), value.Median(l.where(channel.BarometricPressure, always))
}

func airAtRest(l *log) (v, against float64) { return l.restful(channel.ManifoldPressure), l.expected }

func surroundings(l *log) (v, against float64) {
	return value.Median(l.where(channel.BarometricPressure, always)), l.expected
}

func always(int) bool { return true }

func railAtIdle(l *log) (v, against float64) {
	return middle(l.where(channel.RailPressure, l.idling)), 1
}

// warm is the median of the last third of the time that the engine ran, once it has run for long enough or reads as a
// warm engine does.
func warm(id channel.ID, seconds float64) func(*log) (float64, float64) {
	return func(l *log) (v, against float64) {
		var values, times []float64
		for i, x := range l.run.Values(id) {
			if value.Known(x) && l.turning(i) {
				values, times = append(values, x), append(times, l.run.Time[i])
			}
		}
		n := len(values)
		if n < 3*fewest {
			return math.NaN(), 0
		}
		m := value.Median(values[2*n/3:])
		if ran := times[n-1] - times[0]; ran < 20 || m < warmFrom && ran < seconds {
			return math.NaN(), 0
		}
		return m, 0
	}
}

func chargeOverAir(l *log) (v, against float64) {
	return middle(l.where(channel.ChargeTemperature, l.part)), value.Median(l.where(channel.AmbientTemperature, always))
}

func fullExhaust(l *log) (v, against float64) {
	return middle(l.where(channel.ExhaustTemperature, l.full)), 0
}

func chargingVoltage(l *log) (v, against float64) {
	return middle(l.where(channel.ModuleVoltage, l.turning)), 0
}

// ratioAtFull is the median reading of a channel at full throttle, and what it is to be compared with: that reading
// over the median of its ratios to what physics makes of other channels.
func (l *log) ratioAtFull(id channel.ID, from func(i int) float64) (v, against float64) {
	values := l.run.Values(id)
	var seen, ratios []float64
	for i, x := range values {
		if r := x / from(i); l.full(i) && value.Known(r) && r > 0 {
			seen, ratios = append(seen, x), append(ratios, r)
		}
	}
	if len(ratios) < fewest {
		return math.NaN(), 1
	}
	v = value.Median(seen)
	return v, v / value.Median(ratios)
}

// density is that of the air in the manifold, g/L, at the usual charge temperature where none is logged.
func (l *log) density(i int) float64 {
	celsius := usualCharge
	if charge := l.run.Values(channel.ChargeTemperature); charge != nil && value.Known(charge[i]) {
		celsius = charge[i]
	}
	manifold := l.run.Values(channel.ManifoldPressure)[i]
	return manifold * unit.PascalPerKilopascal / (air.GasConstant * (celsius + unit.ZeroCelsius))
}

const usualCharge = 35.0 // °C; common practice, no source

// flowPerPressure holds air flow against what a four-stroke engine of a litre would draw at the manifold's density.
func flowPerPressure(l *log) (v, against float64) {
	return l.ratioAtFull(channel.MassAirFlow, func(i int) float64 { return l.density(i) * l.speed[i] / 120 })
}

// loadPerPressure holds absolute load against the manifold's density over that of SAE J1979, 1.184 g/L.
func loadPerPressure(l *log) (v, against float64) {
	return l.ratioAtFull(channel.AbsoluteLoad, func(i int) float64 { return 100 * l.density(i) / air.LoadDensity })
}

func torquePerPressure(l *log) (v, against float64) { return l.ratioAtFull(channel.Torque, l.density) }
