package fleet

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/envelope"
	"headroom/models/value"
)

// Envelope is what the platform has been shown to run at in one cell and metric.
type Envelope struct {
	Kind        string        `json:"kind"` // pull | steady
	FuelClass   string        `json:"fuel_class"`
	Cell        result.Cell   `json:"cell"`
	Metric      metric.ID     `json:"metric"`
	Unit        string        `json:"unit"`
	Side        metric.Side   `json:"side"`   // upper | lower
	Status      result.Status `json:"status"` // assessed | not_enough_cars
	Limit       result.Number `json:"limit"`  // what has been run: never past ExtremeSeen, see envelope.Limit.Shown
	Mean        result.Number `json:"mean"`
	BetweenSD   result.Number `json:"between_sd"`
	WithinSD    result.Number `json:"within_sd"`
	Cars        int           `json:"cars"`
	Pulls       int           `json:"pulls"`
	CarsNeeded  int           `json:"cars_needed"`  // more cars that would do, 0 when assessed
	Method      string        `json:"method"`       // of Limit
	ExtremeSeen result.Number `json:"extreme_seen"` // most extreme value logged on that side

	// How far a pull of a car not seen may go, which may be past everything seen.
	ToleranceLimit       result.Number `json:"tolerance_limit"` // of a normal spread; unknown unless assessed
	ToleranceMethod      string        `json:"tolerance_method"`
	PredictionLimit      result.Number `json:"prediction_limit"`       // of any spread; unknown with too few cars
	PredictionCarsNeeded int           `json:"prediction_cars_needed"` // more cars that it takes, 0 when known
}

// EnvelopeKey names an envelope.
type EnvelopeKey struct {
	Kind, Class string // of segment and fuel
	Metric      metric.ID
	Cell        state.CellKey
}

// SortedEnvelopes lists the envelopes by kind, fuel class, metric and cell.
func (f *Fit) SortedEnvelopes() []Envelope {
	keys := f.envelopeKeys()
	out := make([]Envelope, len(keys))
	for i, k := range keys {
		out[i] = f.Envelopes[k]
	}
	return out
}

func (f *Fit) envelopeKeys() []EnvelopeKey {
	keys := slices.Collect(maps.Keys(f.Envelopes))
	slices.SortFunc(keys, func(a, b EnvelopeKey) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Class, b.Class), cmp.Compare(a.Metric, b.Metric),
			cmp.Compare(a.Cell[0], b.Cell[0]), cmp.Compare(a.Cell[1], b.Cell[1]))
	})
	return keys
}

// seen is a metric that envelopes are kept of.
type seen struct {
	metric.Info
	value func(v *state.Visit) float64
}

// seenMetrics are the limited metrics plus what tuners read off a fleet: delivered spark and fuel trims.
func (f *Fleet) seenMetrics() []seen {
	out := []seen{
		{row(metric.KnockMargin), func(v *state.Visit) float64 { return f.KnockMargin(&v.State) }},
		{row(metric.SparkAdvance), func(v *state.Visit) float64 { return v.Row.SparkMax }},
		{row(metric.ShortTermTrim), func(v *state.Visit) float64 { return v.Row.ShortTermTrim }},
		{row(metric.LongTermTrim), func(v *state.Visit) float64 { return v.Row.LongTermTrim }},
	}
	for i := range quantities {
		m := &quantities[i]
		out = append(out, seen{m.Info, func(v *state.Visit) float64 { return f.shown(m, v) }})
	}
	return out
}

// shown is a metric at a logged visit: measured where it was, computed where that is allowed; the extreme of its
// samples for a metric that moves within a cell.
func (f *Fleet) shown(m *Quantity, v *state.Visit) float64 {
	if m.Moves {
		return f.extreme(m, v)
	}
	if v.SuspectLambda && m.ID == metric.Lambda {
		return math.NaN()
	}
	if m.Measured != nil {
		if x := m.Measured(f.Platform, &v.State); value.Known(x) {
			return x
		}
	}
	if m.Stands {
		return m.Predictor(f.Platform, &v.State)
	}
	return math.NaN()
}

func (f *Fleet) extreme(m *Quantity, v *state.Visit) float64 {
	out := math.NaN()
	keep := func(x float64) {
		if value.Known(x) && (!value.Known(out) || m.Worse(x, out)) {
			out = x
		}
	}
	if m.sample != nil {
		for _, at := range v.Row.Kept() {
			keep(m.sample(f.Platform, at))
		}
		if value.Known(out) {
			return out
		}
	}
	if m.Stands {
		v.Each(func(s *state.State) { keep(m.Predictor(f.Platform, s)) })
	}
	return out
}

// fitEnvelopes sums what every logged visit showed, by fuel class, cell and metric.
func (f *Fleet) fitEnvelopes(d workspace.Decision, visits []state.Visit) error {
	metrics := f.seenMetrics()
	sums := map[EnvelopeKey]*envelope.Summary{}
	for i := range visits {
		v := &visits[i]
		class := f.FuelClass(v.Row.Fuel)
		for _, m := range metrics {
			x := m.value(v)
			if !value.Known(x) {
				continue
			}
			key := EnvelopeKey{v.Row.Kind, class, m.ID, f.CellOf(&v.State)}
			sum, ok := sums[key]
			if !ok {
				sum = &envelope.Summary{}
				sums[key] = sum
			}
			if err := sum.Add(v.Row.Vehicle, x); err != nil {
				return fmt.Errorf("envelope of %s: %w", m.ID, err)
			}
		}
	}
	for key, sum := range sums {
		e, err := f.envelopeOf(d, key, sum)
		if err != nil {
			return fmt.Errorf("envelope of %s: %w", key.Metric, err)
		}
		f.Envelopes[key] = e
	}
	return nil
}

func (f *Fleet) envelopeOf(d workspace.Decision, key EnvelopeKey, sum *envelope.Summary) (Envelope, error) {
	m := row(key.Metric)
	bound := sum.Upper
	if m.Side == metric.Lower {
		bound = sum.Lower
	}
	limit, err := bound(d.Content, d.Confidence)
	if err != nil {
		return Envelope{}, err
	}
	return Envelope{
		Kind: key.Kind, FuelClass: key.Class, Cell: f.Cell(key.Cell), Metric: m.ID, Unit: m.Unit, Side: m.Side,
		Status: result.Status(limit.Status), Limit: result.Number(limit.Shown), Mean: result.Number(limit.Mean),
		BetweenSD: result.Number(limit.BetweenSD), WithinSD: result.Number(limit.WithinSD),
		Cars: limit.Cars, Pulls: limit.Pulls, CarsNeeded: limit.CarsNeeded, Method: limit.ShownBy,
		ExtremeSeen:    result.Number(limit.Extreme),
		ToleranceLimit: result.Number(limit.Value), ToleranceMethod: limit.Method,
		PredictionLimit:      result.Number(limit.Prediction),
		PredictionCarsNeeded: max(0, limit.PredictionCars-limit.Cars),
	}, nil
}
