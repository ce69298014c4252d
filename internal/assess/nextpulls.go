package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/result"
	"headroom/internal/say"
	"headroom/internal/workspace"
	"headroom/models/channel"
	"headroom/models/risk"
	"headroom/models/value"
)

// mostNextPulls bounds the logging requests: a tuner will make a few pulls, not twenty.
const mostNextPulls = 3

// wantedChannels are what a pull must log to judge every hazard.
func wantedChannels() []string {
	ids := []channel.ID{
		channel.EngineSpeed, channel.ThrottlePosition, channel.ManifoldPressure, channel.ChargeTemperature,
		channel.SparkAdvance, channel.KnockRetard, channel.Lambda, channel.CoolantTemperature, channel.OilTemperature,
		channel.ExhaustTemperature, channel.RailPressure, channel.RailPressureTarget, channel.InjectorPulse,
		channel.ManifoldPressureTarget, channel.WastegateDuty, channel.BarometricPressure,
	}
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}

// hazardChannels are the channels that would let a hazard be measured.
var hazardChannels = map[string][]channel.ID{
	"knock":               {channel.KnockRetard, channel.SparkAdvance, channel.Lambda, channel.ChargeTemperature},
	"lean":                {channel.Lambda, channel.LambdaCommanded},
	"fuel_delivery":       {channel.InjectorPulse, channel.InjectorDuty, channel.RailPressure},
	"rail_pressure":       {channel.RailPressure, channel.RailPressureTarget},
	"charge_temperature":  {channel.ChargeTemperature},
	"coolant_temperature": {channel.CoolantTemperature},
	"oil_temperature":     {channel.OilTemperature},
	"exhaust_temperature": {channel.ExhaustTemperature},
	"cylinder_pressure":   {channel.SparkAdvance, channel.ManifoldPressure, channel.ChargeTemperature},
	"low_speed_load":      {channel.Torque, channel.ManifoldPressure},
	"boost_control":       {channel.ManifoldPressure, channel.ManifoldPressureTarget, channel.WastegateDuty},
	"driveline":           {channel.Torque},
}

// nextPulls asks first for what could not be assessed at all, then for the cells that would narrow the margins whose
// sign is least settled.
func (p *platform) nextPulls(r *Review, b *bench, base map[string][]*evaluation) ([]NextPull, error) {
	out := []NextPull{}
	for _, h := range r.Hazards {
		if h.Status != result.NotAssessed || !serious(h.Severity) || len(out) >= mostNextPulls {
			continue
		}
		out = append(out, NextPull{
			RPM:     b.span(func(s *state) float64 { return s.rpm }, p.rpmStep),
			LoadPct: b.span(func(s *state) float64 { return s.load }, p.loadStep),
			Gear:    b.usualGear(), Channels: channelNames(hazardChannels[h.Hazard]),
			Narrows: say.Words(h.Hazard) + ", which could not be assessed: " + h.Why,
		})
	}
	for _, e := range unsettled(base) {
		if len(out) >= mostNextPulls {
			break
		}
		next, ok, err := p.bestCell(e, b)
		if err != nil {
			return nil, fmt.Errorf("next pulls for %s: %w", say.Words(e.hazard), err)
		}
		if ok {
			out = append(out, next)
		}
	}
	return out, nil
}

// unsettledSD is how many standard deviations a margin may lie from zero and still bind the verdict.
const unsettledSD = 3

// measuring is the relative deviation with which a log would show a metric that has not been measured on the platform
// yet; common practice, no source.
const measuring = 0.015

// unsettled are the serious hazards whose smallest margin is small against its own deviation and which a log could
// show, most so first.
func unsettled(base map[string][]*evaluation) []*evaluation {
	var out []*evaluation
	doubt := func(e *evaluation) float64 {
		m, sd := e.smallestMargin()
		return math.Abs(risk.StandardMargin(m, sd))
	}
	for _, h := range workspace.Hazards() {
		for _, e := range base[h.Name] {
			if serious(e.severity) && e.measurable() && doubt(e) < unsettledSD {
				out = append(out, e)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b *evaluation) int { return cmp.Compare(doubt(a), doubt(b)) })
	return out
}

// measurable reports whether a log can show the metric.
func (e *evaluation) measurable() bool {
	m := metricNamed(e.metric)
	return e.measured || m != nil && m.measured != nil
}

// bestCell is the visited cell whose logging would narrow the unsettled margins of a hazard most. The cells compete as
// observations of the same parameters; one pull's worth of noise is on each.
func (p *platform) bestCell(e *evaluation, b *bench) (NextPull, bool, error) {
	var bindings []risk.Binding
	var candidates []risk.Candidate
	noise := math.Hypot(e.pr.pullSD, e.pr.cellSD)
	if noise == 0 && len(e.points) > 0 {
		noise = measuring * math.Abs(e.points[0].limit)
	}
	for _, c := range e.result.Cells {
		g := e.meanGradient(e.keys[c.Cell])
		candidates = append(candidates, risk.Candidate{Design: g, NoiseSD: noise})
		if math.Abs(risk.StandardMargin(c.Margin.Mean, c.Margin.SD)) < unsettledSD {
			bindings = append(bindings, risk.Binding{Grad: g, Weight: 1})
		}
	}
	gains, err := risk.NextPulls(e.pr.cov, bindings, candidates)
	if err != nil || len(gains) == 0 || gains[0].Share <= 0 {
		return NextPull{}, false, err
	}
	cell := p.cell(e.keys[e.result.Cells[gains[0].Candidate].Cell])
	return NextPull{
		RPM: cell.RPM, LoadPct: cell.LoadPct, Gear: b.usualGear(), Channels: channelNames(hazardChannels[e.hazard]),
		Narrows: fmt.Sprintf("%s: one more pull through this cell takes about %s off the variance of the %d margins "+
			"not yet settled",
			say.Words(e.hazard), say.Percent(result.Number(gains[0].Share)), len(bindings)),
	}, true, nil
}

// meanGradient is the average gradient of a cell's states.
func (e *evaluation) meanGradient(key cellKey) []float64 {
	var sum []float64
	n := 0.0
	for _, pt := range e.points {
		if pt.cell != key {
			continue
		}
		if sum == nil {
			sum = make([]float64, len(pt.gradient))
		}
		for i, g := range pt.gradient {
			sum[i] += g
		}
		n++
	}
	for i := range sum {
		sum[i] /= n
	}
	return sum
}

func channelNames(ids []channel.ID) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}

// span is the range of a quantity over the bench, widened to whole grid cells.
func (b *bench) span(get func(*state) float64, step float64) result.Span {
	lo, hi := math.NaN(), math.NaN()
	for i := range b.states {
		v := get(&b.states[i])
		if !value.Known(v) {
			continue
		}
		if math.IsNaN(lo) || v < lo {
			lo = v
		}
		if math.IsNaN(hi) || v > hi {
			hi = v
		}
	}
	return result.Span{result.Number(math.Floor(lo/step) * step), result.Number(math.Ceil(hi/step) * step)}
}

func (b *bench) usualGear() result.Number {
	var v []float64
	for i := range b.states {
		if value.Known(b.states[i].gear) {
			v = append(v, b.states[i].gear)
		}
	}
	return result.Number(math.Round(value.Median(v)))
}
