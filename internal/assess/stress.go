package assess

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// ethanolBlend is the ethanol share, percent by volume, from which the fuel stress takes ethanol away rather than
// octane.
const ethanolBlend = 30

// stresses are the conditions of methods.md section 3 that a day on the road brings. Sizes: common practice, no source.
func stresses(ethanolPct float64) []stress {
	fuel := stress{name: "fuel two octane numbers lower", octaneOnly: true,
		apply: func(_ *platform, s *state) { s.octaneShift = -2 }}
	if ethanolPct >= ethanolBlend {
		fuel = stress{name: "ethanol 15 % lower", apply: func(_ *platform, s *state) { s.ethanolShift = -15 }}
	}
	return []stress{
		{
			name:   "charge temperature +20 K",
			apply:  func(_ *platform, s *state) { heatCharge(s, 20) },
			offset: map[string]float64{workspace.MetricChargeTemperature: 20},
		},
		fuel,
		{name: "ambient pressure 85 kPa", apply: thinAir},
		{name: "lambda sensor reads 3 % rich",
			apply: func(_ *platform, s *state) { s.lambda *= 1.03; s.lambdaCmd *= 1.03 }},
	}
}

// stressSimulate simulates a stressed state; what its spark change does is taken to be the same as without the stress.
func (p *platform) stressSimulate(s *state) {
	was, kept := s.sim, s.sparkKept
	p.simulate(s)
	s.sparkKept = simulated{
		peakKPa: s.sim.peakKPa + kept.peakKPa - was.peakKPa, bmepKPa: s.sim.bmepKPa + kept.bmepKPa - was.bmepKPa,
		torqueNm: s.sim.torqueNm + kept.torqueNm - was.torqueNm, exhaustC: s.sim.exhaustC +
			kept.exhaustC - was.exhaustC,
	}
}

// heatCharge warms the charge at the same manifold pressure: less of it is trapped.
func heatCharge(s *state, kelvin float64) {
	s.load *= (s.charge + 273.15) / (s.charge + kelvin + 273.15)
	s.charge += kelvin
}

// thinAir keeps the absolute boost target, as control units that hold absolute pressure do: the pressure ratio and the
// compressor's heat go up. Turbine speed is not modelled.
func thinAir(p *platform, s *state) {
	const ambient = 85
	if s.baro <= ambient || !value.Known(s.manifold) {
		return
	}
	heatCharge(s, p.chargeRise(s.manifold, ambient, s.ambient)-p.chargeRise(s.manifold, s.baro, s.ambient))
	s.baro = ambient
}

// stressed evaluates every assessed hazard under every condition and keeps those that cost margin, dearest first.
func (p *platform) stressed(f *platformFit, b *bench, base map[string][]*evaluation) ([]Condition, error) {
	var out []Condition
	for _, st := range stresses(b.ethanol()) {
		under := b.under(p, st)
		for _, h := range workspace.Hazards() {
			if len(base[h.Name]) == 0 {
				continue
			}
			evals, _, err := p.hazardEvaluations(f, under, h)
			if err != nil {
				return nil, err
			}
			c, cost := worstUnder(base[h.Name], evals)
			if cost <= 1e-6 {
				continue
			}
			c.Condition, c.Hazard = st.name, h.Name
			c.cost = cost
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(a, b Condition) int { return cmp.Compare(b.cost, a.cost) })
	return out, nil
}

// worstUnder compares a hazard's smallest cell margin with and without a condition; cost is in units of the margin's
// own standard deviation, so that hazards in different units can be ordered.
func worstUnder(before, under []*evaluation) (c Condition, cost float64) {
	c = Condition{Margin: result.Unknown(), ProbabilityPerPull: result.Unknown()}
	for i, e := range under {
		m, sd := e.smallestMargin()
		was := math.NaN()
		if i < len(before) {
			was, _ = before[i].smallestMargin()
		}
		if d := (was - m) / sd; value.Known(d) && d > cost {
			cost = d
			c.Margin, c.Unit, c.ProbabilityPerPull = result.Number(m), e.unit, result.Number(e.result.Probability)
			c.crosses = m < 0
		}
	}
	return c, cost
}

// smallestMargin is the smallest mean cell margin and its one-pull deviation.
func (e *evaluation) smallestMargin() (margin, sd float64) {
	margin, sd = math.NaN(), math.NaN()
	for _, c := range e.result.Cells {
		if math.IsNaN(margin) || c.Margin.Mean < margin {
			margin, sd = c.Margin.Mean, c.Margin.SD
		}
	}
	return margin, sd
}

func (b *bench) ethanol() float64 {
	var v []float64
	for i := range b.states {
		if value.Known(b.states[i].ethanol) {
			v = append(v, b.states[i].ethanol)
		}
	}
	return value.Median(v)
}
