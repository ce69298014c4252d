package workspace

import (
	"math"

	"headroom/internal/hazard"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// At returns the curve at x: linear between breakpoints, held at the ends. NaN for an empty curve or x NaN.
func (c *Curve) At(x float64) float64 {
	if c == nil {
		return math.NaN()
	}
	return calmap.Interpolate(c.Breakpoints, c.Value, x)
}

// Known reports whether the curve was given.
func (c *Curve) Known() bool { return c != nil && len(c.Breakpoints) > 0 }

// At returns the limit at an engine speed (rpm) and absolute load (%), in the metric's stored unit, and whether the
// limit applies there. A curve is linear between its points and held at its ends. RPMRange includes both its ends.
// applies is false outside it, and wherever the value cannot be told because the speed or load it depends on is NaN:
// such a state is not assessed, not passed.
func (l *Limit) At(rpm, load float64) (value float64, applies bool) {
	if len(l.RPMRange) == 2 && !(rpm >= l.RPMRange[0] && rpm <= l.RPMRange[1]) {
		return 0, false
	}
	if l.Value != nil {
		return *l.Value, true
	}
	x := rpm
	if l.Along == channel.AbsoluteLoad {
		x = load
	}
	value = calmap.Interpolate(l.Breakpoints, l.Values, x)
	if math.IsNaN(value) {
		return 0, false
	}
	return value, true
}

// LimitsFor returns the platform's limits of one hazard, in file order.
func (p *Platform) LimitsFor(h hazard.ID) []*Limit {
	var out []*Limit
	for i := range p.Limits {
		if p.Limits[i].Hazard == h {
			out = append(out, &p.Limits[i])
		}
	}
	return out
}

// EffectiveSeverity is the limit's own severity, or its hazard's default.
func (l *Limit) EffectiveSeverity() hazard.Severity {
	if l.Severity != "" {
		return l.Severity
	}
	h, _ := hazard.Of(l.Hazard)
	return h.Severity
}
