package reading

import (
	"fmt"
	"math"

	"headroom/internal/runlog/samples"
	"headroom/models/unit"
)

// readFlow settles the unit of air mass flow. With the displacement known, the flow must make a volumetric efficiency
// (flow over displaced air at manifold density) an engine can have; without it, the idle flow must be possible in one
// unit only: engines of 1 to 4 litres idle on about 1.6 to 11 g/s. Both common practice, no source.
func (ctx *Context) readFlow(raw []float64) (Reading, error) {
	if ctx.Displacement > 0 && ctx.manifold != nil && ctx.Speed != nil {
		if ratios := ctx.breathing(raw); len(ratios) >= minBreaths {
			return ctx.flowByDensity(raw, samples.Median(ratios))
		}
	}
	idle := samples.Median(samples.Where(raw, ctx.idling))
	switch {
	case math.IsNaN(idle):
		return Reading{}, lacks(LackUnit, stateUnit, "no unit is written, and without idle readings g/s, kg/h and "+
			"lb/min are all possible")
	case idle >= 1.6 && idle < 4.5:
		return assume(unit.GramPerSecond, unit.GramPerSecond, raw, 0.75,
			fmt.Sprintf("no unit is written; %.3g at idle fits g/s only", idle))
	case idle > 13 && idle <= 45:
		return assume(unit.KgPerHour, unit.GramPerSecond, raw, 0.7, fmt.Sprintf("no unit is written; %.3g at idle "+
			"fits kg/h only", idle))
	case idle >= 0.15 && idle < 1.1:
		return assume(unit.LbPerMinute, unit.GramPerSecond, raw, 0.7,
			fmt.Sprintf("no unit is written; %.3g at idle fits lb/min only", idle))
	}
	return Reading{}, lacks(LackUnit, stateUnit, "no unit is written, and %.3g at idle fits more than one of g/s, "+
		"kg/h and lb/min", idle)
}

// airDensity is that of air at 20 °C, in g/L per kPa of pressure: 1/(R·T) with R = 0.287 kJ/(kg·K).
const airDensity = 1 / (0.287 * 293.15)

// minBreaths is how many samples at full throttle settle the unit of mass flow: common practice, no source.
const minBreaths = 10

// breathing is, at full throttle, the flow as written over the air that the displacement holds at manifold density
// (speed–density: flow = rpm/120 · displacement · density · efficiency for a four-stroke engine; Heywood, eq.
// 2.27).
func (ctx *Context) breathing(raw []float64) (ratios []float64) {
	for i, v := range raw {
		p, n := ctx.manifold[i], ctx.Speed[i]
		// a boost gauge that stops at zero is right at full throttle only
		if v > 0 && n > 1200 && p > 60 && ctx.wideOpen(i) {
			ratios = append(ratios, v/(n/120*ctx.Displacement*p*airDensity))
		}
	}
	return ratios
}

// flowByDensity picks the unit under which the median volumetric efficiency at full throttle lies between 0.55 and
// 1.15.
func (ctx *Context) flowByDensity(raw []float64, mid float64) (Reading, error) {
	for _, u := range []unit.Unit{unit.GramPerSecond, unit.KgPerHour, unit.LbPerMinute} {
		scale, _, err := unit.Linear(u, unit.GramPerSecond)
		if err == nil && scale*mid >= 0.55 && scale*mid <= 1.15 {
			return assume(u, unit.GramPerSecond, raw, 0.85, fmt.Sprintf("no unit is written; with %s the engine "+
				"breathes at a volumetric efficiency of %.2f, with any other unit it could not", u, scale*mid))
		}
	}
	return Reading{}, lacks(LackUnit, stateUnit, "no unit is written, and neither g/s, kg/h nor lb/min gives a "+
		"volumetric efficiency an engine of %.3g L can have", ctx.Displacement)
}
