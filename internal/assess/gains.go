package assess

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/value"
)

// gains is brake torque by speed before and after. The cycle model gives both; where torque was measured, its median
// ratio to the model scales them, so the change is physics and the level is the car's. The interval is that of the
// change's two errors (see fleet.Quantity.ChangeSD) and of the numbers of the platform file that combustion rests on.
func (m *Model) gains(b *bench, base map[hazard.ID][]*evaluation) []Gain {
	out := []Gain{}
	type sums struct {
		was, now, n, rest, spark float64
		looseWas, looseNow       [state.NumLoose]float64
	}
	torque := fleet.QuantityOf(metric.Torque)
	bins := map[int]*sums{}
	scale := b.torqueScale()
	for i := range b.visits {
		is, before := &b.visits[i].State, &b.parent[i].State
		now, was := is.Simulated.TorqueNm, before.Simulated.TorqueNm
		if !value.Known(now) || !value.Known(was) {
			continue
		}
		k := m.CellOf(is)[0]
		if bins[k] == nil {
			bins[k] = &sums{}
		}
		bins[k].was += was * scale
		bins[k].now += now * scale
		bins[k].n++
		restNow, sparkNow := torque.ChangeOf(m.Platform, is)
		restWas, sparkWas := torque.ChangeOf(m.Platform, before)
		bins[k].rest += scale * (restNow - restWas)
		bins[k].spark += scale * (sparkNow - sparkWas)
		looseNow, looseWas := torque.LooseChange(m.Platform, is), torque.LooseChange(m.Platform, before)
		for l := range looseNow {
			bins[k].looseNow[l] += scale * looseNow[l]
			bins[k].looseWas[l] += scale * looseWas[l]
		}
	}
	for k, s := range bins {
		rpm := (float64(k) + 0.5) * m.RPMStep
		change := 100 * (s.now/s.was - 1)
		var loose [state.NumLoose]float64 // what one deviation changes of now, less what it changes of was
		for l := range loose {
			loose[l] = s.looseNow[l] - s.now/s.was*s.looseWas[l]
		}
		own := math.Hypot(torque.RestSD(m.Platform)*s.rest, torque.SparkSD*s.spark)
		half := value.Z95 * 100 * math.Hypot(own, m.Deviation(loose)) / s.was
		g := Gain{
			RPM: result.Number(rpm), TorqueNm: result.Span{result.Number(s.was / s.n), result.Number(s.now / s.n)},
			ChangePct:   result.Number(change),
			Change90:    result.Span{result.Number(change - half), result.Number(change + half)},
			PowerKW:     result.Span{result.Number(power(s.was/s.n, rpm)), result.Number(power(s.now/s.n, rpm))},
			SpentMargin: result.Unknown(), SpentSD: result.Unknown(),
		}
		spend(&g, k, base)
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b Gain) int { return cmp.Compare(a.RPM, b.RPM) })
	return out
}

// spend finds the serious hazard that loses most margin in a speed bin.
func spend(g *Gain, bin int, base map[hazard.ID][]*evaluation) {
	for _, h := range hazard.All() {
		for _, e := range base[h.ID] {
			if !e.severity.Serious() {
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
				g.SpentHazard, g.SpentMargin, g.SpentUnit, g.SpentSD = h.ID, result.Number(lost/n), e.Unit,
					result.Number(spent)
			}
		}
	}
}

// torqueScale is measured over modelled torque, 1 when no pull has measured torque.
func (b *bench) torqueScale() float64 {
	var ratios []float64
	for i := range b.visits {
		logged := b.visits[i].Row
		if b.parent[i].Simulated.TorqueNm > 0 && logged.Bound.Torque > 0 {
			ratios = append(ratios, logged.Bound.Torque/b.parent[i].Simulated.TorqueNm)
		}
	}
	if len(ratios) == 0 {
		return 1
	}
	return value.Median(ratios)
}
