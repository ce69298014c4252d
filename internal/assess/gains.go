package assess

import (
	"cmp"
	"slices"
)

// gains is brake torque by speed before and after. The cycle model gives both; where torque was measured, its median
// ratio to the model scales them, so the change is physics and the level is the car's.
func (p *platform) gains(b *bench) []Gain {
	out := []Gain{}
	type sums struct{ was, now, n float64 }
	bins := map[int]*sums{}
	scale := b.torqueScale()
	for i := range b.states {
		now, was := b.states[i].sim.torqueNm, b.parent[i].sim.torqueNm
		if !known(now) || !known(was) {
			continue
		}
		k := p.cellOf(&b.states[i])[0]
		if bins[k] == nil {
			bins[k] = &sums{}
		}
		bins[k].was += was * scale
		bins[k].now += now * scale
		bins[k].n++
	}
	for k, s := range bins {
		out = append(out, Gain{
			RPM:       Number((float64(k) + 0.5) * p.rpmStep),
			TorqueNm:  Span{Number(s.was / s.n), Number(s.now / s.n)},
			ChangePct: Number(100 * (s.now/s.was - 1)),
		})
	}
	slices.SortFunc(out, func(a, b Gain) int { return cmp.Compare(a.RPM, b.RPM) })
	return out
}

// torqueScale is measured over modelled torque, 1 when no pull has measured torque.
func (b *bench) torqueScale() float64 {
	var ratios []float64
	for i := range b.states {
		logged := b.states[i].row
		if b.parent[i].sim.torqueNm > 0 && known(logged.Torque) && logged.Torque > 0 {
			ratios = append(ratios, logged.Torque/b.parent[i].sim.torqueNm)
		}
	}
	if len(ratios) == 0 {
		return 1
	}
	return median(ratios)
}
