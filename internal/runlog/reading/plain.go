package reading

import (
	"fmt"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// candidate is a unit and the range in which its ordinary readings lie.
type candidate struct {
	unit      unit.Unit
	low, high float64 // of the median
}

// plainCandidates are the units of quantities whose ordinary readings do not overlap between units.
var plainCandidates = map[channel.ID][]candidate{
	channel.BarometricPressure: {{unit.Kilopascal, 55, 110}, {unit.PSI, 8, 15.95}, {unit.InchHg, 16.2, 32.5},
		{unit.Millibar, 550, 1100}, {unit.Bar, 0.55, 1.1}},
	channel.ModuleVoltage: {{unit.Volt, 9, 16.5}, {unit.Millivolt, 9000, 16500}},
	channel.InjectorPulse: {{unit.Millisecond, 0.3, 40}, {unit.Microsecond, 300, 40000}},
}

// readPlain reads quantities that need no more than a factor.
func (ctx *Context) readPlain(id channel.ID, u unit.Unit, raw []float64) (Reading, error) {
	def, _ := channel.Lookup(id)
	if u != "" {
		return convert(u, def.Unit, raw)
	}
	mid := samples.Median(raw)
	for _, c := range plainCandidates[id] {
		if mid >= c.low && mid <= c.high {
			ctx.kilopascals = ctx.kilopascals || c.unit == unit.Kilopascal
			return assume(c.unit, def.Unit, raw, 0.9, fmt.Sprintf("no unit is written; a median of %.4g is %s in no "+
				"other unit of the trade than %s", mid, id, c.unit))
		}
	}
	switch def.Unit.Quantity() {
	case unit.Count:
		return assume(def.Unit, def.Unit, raw, 0.95, fmt.Sprintf("no unit is written; %s is a plain number", id))
	case unit.RotationalSpeed, unit.Angle:
		return assume(def.Unit, def.Unit, raw, 0.95, fmt.Sprintf("no unit is written; %s is always logged in %s", id,
			def.Unit))
	case unit.Speed:
		if ctx.Imperial {
			return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and other columns are in imperial "+
				"units: km/h and mph are both possible")
		}
		return assume(def.Unit, def.Unit, raw, 0.75, "no unit is written; km/h is SAE J1979's, and nothing in the "+
			"file speaks for mph")
	case unit.MassFlow:
		return ctx.readFlow(raw)
	}
	return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and its values (median %.4g) leave it open", mid)
}
