package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/models/channel"
	"headroom/models/risk"
	"headroom/models/value"
)

// mostNextPulls bounds the logging requests: a tuner will make a few pulls, not twenty.
const mostNextPulls = 3

// wantedChannels are what a pull must log to judge every hazard.
func wantedChannels() []string {
	return channelNames([]channel.ID{
		channel.EngineSpeed, channel.ThrottlePosition, channel.ManifoldPressure, channel.ChargeTemperature,
		channel.SparkAdvance, channel.KnockRetard, channel.Lambda, channel.CoolantTemperature, channel.OilTemperature,
		channel.ExhaustTemperature, channel.RailPressure, channel.RailPressureTarget, channel.InjectorPulse,
		channel.ManifoldPressureTarget, channel.WastegateDuty, channel.BarometricPressure,
	})
}

// logsOf are the channels that would let a hazard be measured.
func logsOf(id hazard.ID) []channel.ID {
	h, _ := hazard.Of(id)
	return h.Logs
}

// wanting are the channels for want of which a hazard could not be assessed: the first of each that would do. Where all
// is logged and nothing could be judged it takes a pull of the channels that tell of the hazard; ok is false where no
// pull would help, as the platform file lacks something.
func wanting(h *Hazard) (out []channel.ID, ok bool) {
	for _, r := range h.Reasons {
		l, lacking := r.(Lacking)
		if !lacking {
			continue
		}
		ok = ok || l.Unusable
		for _, m := range l.Missing {
			if len(m.Channels) == 0 {
				return nil, false
			}
			if m.Together {
				out = append(out, m.Channels...)
			} else if !slices.Contains(out, m.Channels[0]) {
				out = append(out, m.Channels[0])
			}
		}
	}
	if ok && len(out) == 0 {
		out = logsOf(h.Hazard)
	}
	return out, len(out) > 0
}

// nextPulls asks first for what could not be assessed at all, then for the cells that would narrow the margins whose
// sign is least settled.
func (m *Model) nextPulls(r *Review, b *bench, base map[hazard.ID][]*evaluation) ([]NextPull, error) {
	out := []NextPull{}
	for _, h := range r.Hazards {
		if h.Status != result.NotAssessed || !h.Severity.Serious() || len(out) >= mostNextPulls {
			continue
		}
		missing, ok := wanting(&h)
		if !ok {
			continue
		}
		out = append(out, NextPull{
			RPM:     b.span(func(s *state.State) float64 { return s.RPM }, m.RPMStep),
			LoadPct: b.span(func(s *state.State) float64 { return s.Load }, m.LoadStep),
			Gear:    b.usualGear(), Channels: channelNames(missing),
			For: result.Reasons{JudgesHazard{Hazard: h.Hazard, Why: h.Reasons}},
		})
	}
	for _, e := range unsettled(base) {
		if len(out) >= mostNextPulls {
			break
		}
		next, ok, err := m.bestCell(e, b)
		if err != nil {
			return nil, fmt.Errorf("next pulls for %s: %w", e.hazard, err)
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
func unsettled(base map[hazard.ID][]*evaluation) []*evaluation {
	var out []*evaluation
	doubt := func(e *evaluation) float64 {
		m, sd := e.smallestMargin()
		return math.Abs(risk.StandardMargin(m, sd))
	}
	for _, h := range hazard.All() {
		for _, e := range base[h.ID] {
			if e.severity.Serious() && e.measurable() && doubt(e) < unsettledSD {
				out = append(out, e)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b *evaluation) int { return cmp.Compare(doubt(a), doubt(b)) })
	return out
}

// measurable reports whether a log can show the metric.
func (e *evaluation) measurable() bool {
	return e.measured || e.Measurable()
}

// bestCell is the visited cell whose logging would narrow the unsettled margins of a hazard most. The cells compete as
// observations of the same parameters; one pull's worth of noise is on each.
func (m *Model) bestCell(e *evaluation, b *bench) (NextPull, bool, error) {
	var bindings []risk.Binding
	var candidates []risk.Candidate
	noise := math.Hypot(e.predictor.pullSD, e.predictor.cellSD)
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
	gains, err := risk.NextPulls(e.predictor.cov, bindings, candidates)
	if err != nil || len(gains) == 0 || gains[0].Share <= 0 {
		return NextPull{}, false, err
	}
	cell := m.Cell(e.keys[e.result.Cells[gains[0].Candidate].Cell])
	return NextPull{
		RPM: cell.RPM, LoadPct: cell.LoadPct, Gear: b.usualGear(), Channels: channelNames(logsOf(e.hazard)),
		For: result.Reasons{NarrowsMargins{Hazard: e.hazard, Share: result.Number(gains[0].Share),
			Margins: len(bindings)}},
	}, true, nil
}

// meanGradient is the average gradient of a cell's states.
func (e *evaluation) meanGradient(key state.CellKey) []float64 {
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
func (b *bench) span(get func(*state.State) float64, step float64) result.Span {
	lo, hi := math.NaN(), math.NaN()
	if v := b.known(get); len(v) > 0 {
		lo, hi = slices.Min(v), slices.Max(v)
	}
	return result.Span{result.Number(math.Floor(lo/step) * step), result.Number(math.Ceil(hi/step) * step)}
}

func (b *bench) usualGear() result.Number {
	gears := b.known(func(s *state.State) float64 { return s.Gear })
	return result.Number(math.Round(value.Median(gears)))
}
