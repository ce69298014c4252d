package reading

import (
	"math"

	"headroom/models/channel"
)

// Conversion is how the numbers of a column become stored units; later parts of a long log are read by it.
type Conversion struct {
	scale, offset float64
	positive      bool    // readings of zero and below are none
	inverse       bool    // the reciprocal is taken
	gauge         bool    // the barometer is added: the logged reading beside it where it is plausible, else barometer
	barometer     float64 // kPa
	floored       bool    // gauge readings below floor with the engine turning are none
	floor         float64 // kPa gauge
}

// Apply converts further rows of the column, of which ctx is the context. floored counts the readings that a boost
// gauge which stops at zero took.
func (cv Conversion) Apply(ctx *Context, raw []float64) (values []float64, floored int) {
	baro, speed := ctx.baro, ctx.Speed
	values = make([]float64, len(raw))
	for i, v := range raw {
		if cv.positive && !(v > 0) {
			v = math.NaN()
		}
		v = cv.scale*v + cv.offset
		if cv.inverse {
			v = 1 / v
		}
		if cv.gauge {
			b := cv.barometer
			if i < len(baro) && channel.BarometricPressure.Plausible(baro[i]) {
				b = baro[i]
			}
			if cv.floored && v < cv.floor && i < len(speed) && speed[i] > 400 {
				floored++
				b = math.NaN()
			}
			v += b
		}
		values[i] = v
	}
	return values, floored
}
