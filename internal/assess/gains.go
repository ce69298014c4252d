package assess

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// gains is brake torque by speed before and after. The cycle model gives both; where torque was measured, its median
// ratio to the model scales them, so the change is physics and the level is the car's. The interval is that of the
// change's two errors (see metric.changeSD).
func (p *platform) gains(b *bench, base map[string][]*evaluation) []Gain {
	out := []Gain{}
	type sums struct{ was, now, n, rest, spark float64 }
	torque := metricNamed(workspace.MetricTorque)
	bins := map[int]*sums{}
	scale := b.torqueScale()
	for i := range b.states {
		now, was := b.states[i].sim.torqueNm, b.parent[i].sim.torqueNm
		if !value.Known(now) || !value.Known(was) {
			continue
		}
		k := p.cellOf(&b.states[i])[0]
		if bins[k] == nil {
			bins[k] = &sums{}
		}
		bins[k].was += was * scale
		bins[k].now += now * scale
		bins[k].n++
		restNow, sparkNow := p.changeOf(torque, &b.states[i])
		restWas, sparkWas := p.changeOf(torque, &b.parent[i])
		bins[k].rest += scale * (restNow - restWas)
		bins[k].spark += scale * (sparkNow - sparkWas)
	}
	for k, s := range bins {
		rpm := (float64(k) + 0.5) * p.rpmStep
		change := 100 * (s.now/s.was - 1)
		half := value.Z95 * 100 * math.Hypot(torque.changeSD*s.rest, torque.sparkSD*s.spark) / s.was
		g := Gain{
			RPM: result.Number(rpm), TorqueNm: result.Span{result.Number(s.was / s.n), result.Number(s.now / s.n)},
			ChangePct:   result.Number(change),
			Change90:    result.Span{result.Number(change - half), result.Number(change + half)},
			PowerKW:     result.Span{result.Number(power(s.was/s.n, rpm)), result.Number(power(s.now/s.n, rpm))},
			SpentMargin: result.Unknown(), SpentSD: result.Unknown(),
		}
		p.spend(&g, k, b, base)
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b Gain) int { return cmp.Compare(a.RPM, b.RPM) })
	return out
}

// spend finds the serious hazard that loses most margin in a speed bin.
func (p *platform) spend(g *Gain, bin int, b *bench, base map[string][]*evaluation) {
	for _, h := range workspace.Hazards() {
		for _, e := range base[h.Name] {
			if !serious(e.severity) {
				continue
			}
			lost, n := 0.0, 0.0
			for _, pt := range e.points {
				if pt.cell[0] == bin && value.Known(pt.parentMargin) {
					lost += pt.parentMargin - pt.margin
					n++
				}
			}
			_, sd := e.smallestMargin()
			if n == 0 || !(sd > 0) || lost/n <= 1e-6 {
				continue
			}
			if spent := lost / n / sd; !g.SpentSD.Known() || spent > float64(g.SpentSD) {
				g.SpentHazard, g.SpentMargin, g.SpentUnit, g.SpentSD = h.Name, result.Number(lost/n), e.unit,
					result.Number(spent)
			}
		}
	}
}

// torqueScale is measured over modelled torque, 1 when no pull has measured torque.
func (b *bench) torqueScale() float64 {
	var ratios []float64
	for i := range b.states {
		logged := b.states[i].row
		if b.parent[i].sim.torqueNm > 0 && logged.Bound.Torque > 0 {
			ratios = append(ratios, logged.Bound.Torque/b.parent[i].sim.torqueNm)
		}
	}
	if len(ratios) == 0 {
		return 1
	}
	return value.Median(ratios)
}
