package reading

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// warmBand is where a warm engine's liquids settle, °C: common practice, no source.
var warmBand = map[channel.ID][2]float64{
	channel.CoolantTemperature: {65, 125},
	channel.OilTemperature:     {65, 150},
}

// readTemperature reads temperatures; without a unit, coolant and oil are settled by where a warm engine sits, the rest
// like these: a logger that writes no units keeps to one.
func (ctx *Context) readTemperature(id channel.ID, u unit.Unit, raw []float64) (Reading, error) {
	settled := samples.Median(raw[len(raw)*2/3:])
	if u != "" {
		if err := ctx.contradictsWarm(id, u, raw, settled); err != nil {
			return Reading{}, err
		}
		return convert(u, unit.Celsius, raw)
	}
	band, ok := warmBand[id]
	switch {
	case !ok && ctx.thermal == "":
		return Reading{}, lacks(LackUnit, stateUnit, "no unit is written, and no other temperature without a unit "+
			"tells °C from °F")
	case !ok:
		return assume(ctx.thermal, unit.Celsius, raw, 0.8, fmt.Sprintf("no unit is written; taken as %s like the "+
			"file's other temperatures without a unit", ctx.thermal))
	}
	if slope := ctx.slope(raw); !(math.Abs(slope) < settledSlope) {
		if ctx.kilopascals && everyWholeNumber(raw) {
			ctx.thermal = unit.Celsius
			return assume(unit.Celsius, unit.Celsius, raw, 0.75, "no unit is written; it visits every whole number "+
				"as SAE J1979's whole °C do and °F made from them cannot, and pressures without a unit are in "+
				"J1979's kPa")
		}
		return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and it still changes by %.2g a second, so "+
			"where a warm engine sits does not tell", slope)
	}
	fits := ""
	for _, c := range []unit.Unit{unit.Celsius, unit.Fahrenheit, unit.Kelvin} {
		v, err := unit.Convert(settled, c, unit.Celsius)
		if err == nil && v >= band[0] && v <= band[1] {
			if fits != "" {
				return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and a settled %.4g may be %s or "+
					"%s", settled,
					fits, c)
			}
			fits = string(c)
		}
	}
	if fits == "" {
		return Reading{}, lacks(LackUnit, stateUnit, "no unit is written and a settled %.4g is no warm engine in any "+
			"unit",
			settled)
	}
	if ctx.thermal != "" && ctx.thermal != unit.Unit(fits) {
		return Reading{}, lacks(LackUnit, stateUnit, "no unit is written; it looks like %s, but another temperature "+
			"without a unit like %s",
			fits, ctx.thermal)
	}
	ctx.thermal = unit.Unit(fits)
	return assume(ctx.thermal, unit.Celsius, raw, 0.85, fmt.Sprintf("no unit is written; it settles at %.4g, where a "+
		"warm engine sits in %s only", settled, fits))
}

// everyWholeNumber reports whether a column holds only whole numbers and misses none between its ends, over at least
// 15: whole degrees Celsius turned into Fahrenheit and rounded would miss four in nine.
func everyWholeNumber(raw []float64) bool {
	sorted := samples.Sorted(raw)
	if len(sorted) == 0 || !samples.Whole(sorted) {
		return false
	}
	distinct := len(slices.Compact(sorted))
	return distinct >= 15 && float64(distinct) >= sorted[distinct-1]-sorted[0]+1
}

// settledSlope is the largest change a second, in °C or °F, at which a liquid counts as settled. An engine that warms
// up gains 0.05 °C a second and more: common practice, no source.
const settledSlope = 0.06

// slope is the least-squares slope a second of the last third of a column, or of its last 15 s when that is longer; NaN
// when it cannot be told.
func (ctx *Context) slope(raw []float64) float64 {
	end := samples.Median(ctx.Seconds[len(ctx.Seconds)-min(3, len(ctx.Seconds)):])
	var n, st, sv, stt, stv float64
	for i, v := range raw {
		t := ctx.Seconds[i] - end
		if math.IsNaN(v) || math.IsNaN(t) || i < len(raw)*2/3 && t < -15 {
			continue
		}
		n++
		st, sv, stt, stv = st+t, sv+v, stt+t*t, stv+t*v
	}
	spread := n*stt - st*st
	if n < 10 || spread <= 0 {
		return math.NaN()
	}
	return (n*stv - st*sv) / spread
}

// contradictsWarm finds a stated unit under which a coolant that stands still at a warm engine's reading in the other
// unit would be cold.
func (ctx *Context) contradictsWarm(id channel.ID, u unit.Unit, raw []float64, settled float64) error {
	band, ok := warmBand[id]
	if !ok || u != unit.Fahrenheit || !(settled >= 75 && settled <= 110) {
		return nil
	}
	tail := samples.Sorted(raw[len(raw)/2:])
	if len(tail) < 200 || tail[len(tail)-1]-tail[0] > 10 {
		return nil
	}
	return refuse("its unit is written as °F, but it stands at %.4g as a warm engine does in °C (%.0f to %.0f)",
		settled, band[0], band[1])
}
