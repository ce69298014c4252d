package evidence

import (
	"hash/fnv"
	"math"
	"strconv"

	"headroom/models/channel"
)

// Thinned are the extremes of a row as a slower log would show them: as the row's, but from every so many samples of
// its pull alone. What extremes lose by that is told by logs that are fast enough, each pull thinned once.
type Thinned struct {
	// seconds between samples left; NaN where none of the cell is, or none was thinned
	Interval float64 `parquet:"interval"`
	Into     float64 `parquet:"into"` // seconds from the first sample left in the segment to the last in the cell

	LambdaLeanest float64 `parquet:"lambda_leanest"`
	InjectorDuty  float64 `parquet:"injector_duty"`
	InjectorPulse float64 `parquet:"injector_pulse"`
	RailShortfall float64 `parquet:"rail_shortfall"`

	BoostOvershoot float64 `parquet:"boost_overshoot"`
	WastegateDuty  float64 `parquet:"wastegate_duty"`

	ChargeTemperatureMax float64 `parquet:"charge_temperature_max"`
	CoolantTemperature   float64 `parquet:"coolant_temperature"`
	OilTemperature       float64 `parquet:"oil_temperature"`
	ExhaustTemperature   float64 `parquet:"exhaust_temperature"`
	ExhaustRise          float64 `parquet:"exhaust_rise"`
	ExhaustRate          float64 `parquet:"exhaust_rate"`

	LoadMax float64 `parquet:"load_max"`
}

// thinIntervals are the seconds between samples that logs are thinned to.
var thinIntervals = [...]float64{0.1, 0.2, 0.5, 1}

// thinWithin is how far the interval of a thinned log may lie from the one that was wanted, as a share of it.
const thinWithin = 0.2

// thinning is a segment with some of its samples left.
type thinning struct {
	b        *builder
	s        Segment
	interval float64
	left     []int // in time order
	lambda   []float64

	time, exhaust []float64 // of the samples left; exhaust is nil where it was not logged
}

// thin leaves every so many samples of a segment: which interval and which samples is drawn by the run's name and the
// segment's first speed, so that a fleet's pulls together show all. It is nil where the log is too slow for any
// interval.
func (b *builder) thin(s Segment) *thinning {
	if !(b.interval > 0) {
		return nil
	}
	var steps []int
	for _, to := range thinIntervals {
		every := int(math.Round(to / b.interval))
		if every >= 2 && math.Abs(float64(every)*b.interval-to) <= thinWithin*to {
			steps = append(steps, every)
		}
	}
	if len(steps) == 0 {
		return nil
	}
	h := fnv.New64a()
	h.Write([]byte(b.setup.Run + strconv.FormatFloat(b.channels[channel.EngineSpeed][s.From], 'g', -1, 64)))
	drawn := h.Sum64() >> 8 // the lowest bits of a short text's sum hang together
	every := steps[drawn%uint64(len(steps))]
	t := &thinning{b: b, s: s, interval: float64(every) * b.interval}
	for i := s.From + int(drawn/uint64(len(steps))%uint64(every)); i < s.To; i += every {
		t.left = append(t.left, i)
	}
	t.lambda = t.leanest()
	for _, i := range t.left {
		t.time = append(t.time, b.run.Time[i])
		if exhaust := b.channels[channel.ExhaustTemperature]; exhaust != nil {
			t.exhaust = append(t.exhaust, exhaust[i])
		}
	}
	return t
}

// leanest is lambda as the leanest mixture is read of it, from the samples left; NaN at the others.
func (t *thinning) leanest() []float64 {
	out := make([]float64, t.s.To-t.s.From)
	for i := range out {
		out[i] = math.NaN()
	}
	for _, i := range t.left {
		out[i-t.s.From] = at(t.b.channels[channel.Lambda], i)
	}
	return sustained(median3(out, 0, len(out)), t.b.run.Time[t.s.From:t.s.To], leanWindow)
}

// noneThinned is of a row that was not thinned.
func noneThinned() Thinned {
	nan := math.NaN()
	return Thinned{nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan}
}

// of is what is left of a cell.
func (t *thinning) of(k *content) Thinned {
	out := noneThinned()
	if t == nil {
		return out
	}
	in := map[int]bool{}
	for _, i := range k.places {
		in[i] = true
	}
	var places, inSegment, inLeft []int
	for k, i := range t.left {
		if in[i] {
			places, inSegment, inLeft = append(places, i), append(inSegment, i-t.s.From), append(inLeft, k)
		}
	}
	if len(places) == 0 {
		return out
	}
	b := t.b
	largestOf := func(id channel.ID) float64 { return largest(b.channels[id], places) }
	first := func(id channel.ID) float64 {
		for _, i := range t.left {
			if v := at(b.channels[id], i); !math.IsNaN(v) {
				return v
			}
		}
		return math.NaN()
	}
	exhaust := largestOf(channel.ExhaustTemperature)
	return Thinned{
		Interval: t.interval, Into: b.run.Time[places[len(places)-1]] - b.run.Time[t.left[0]],
		LambdaLeanest: largest(t.lambda, inSegment),
		InjectorDuty:  largestOf(channel.InjectorDuty), InjectorPulse: largestOf(channel.InjectorPulse),
		RailShortfall:  largest(b.railShortfall, places),
		BoostOvershoot: largest(b.boostError, places), WastegateDuty: largestOf(channel.WastegateDuty),
		ChargeTemperatureMax: largestOf(channel.ChargeTemperature),
		CoolantTemperature:   largestOf(channel.CoolantTemperature),
		OilTemperature:       largestOf(channel.OilTemperature),
		ExhaustTemperature:   exhaust, ExhaustRise: exhaust - first(channel.ExhaustTemperature),
		ExhaustRate: trendAtLargest(t.time, t.exhaust, inLeft),
		LoadMax:     largest(b.load, places),
	}
}

// AsThinned is a copy of the row with the extremes of a slower log; ok is false where it was not thinned.
func (r *Row) AsThinned() (c Row, ok bool) {
	t := &r.Thinned
	if math.IsNaN(t.Interval) {
		return c, false
	}
	c = *r
	c.SampleInterval, c.Into = t.Interval, t.Into
	c.LambdaLeanest, c.InjectorDuty, c.InjectorPulse = t.LambdaLeanest, t.InjectorDuty, t.InjectorPulse
	c.RailShortfall, c.BoostOvershoot, c.WastegateDuty = t.RailShortfall, t.BoostOvershoot, t.WastegateDuty
	c.ChargeTemperatureMax, c.CoolantTemperature = t.ChargeTemperatureMax, t.CoolantTemperature
	c.OilTemperature, c.ExhaustTemperature, c.ExhaustRise = t.OilTemperature, t.ExhaustTemperature, t.ExhaustRise
	c.ExhaustRate, c.LoadMax = t.ExhaustRate, t.LoadMax
	return c, true
}
