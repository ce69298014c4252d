package reading

import (
	"fmt"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// readSpark reads spark in degrees before top dead centre. An engine under way has spark before top dead centre for
// most of the time; a column that is mostly negative counts the other way round, or is something else.
func (ctx *Context) readSpark(id channel.ID, u unit.Unit, raw []float64) (Reading, error) {
	r, err := ctx.readPlain(id, u, raw)
	if err != nil {
		return r, err
	}
	underWay := func(i int) bool { return ctx.Speed == nil || ctx.Speed[i] > 1200 }
	if mid := samples.Median(samples.Where(r.Values, underWay)); mid < -3 {
		return Reading{}, refuse("half of its readings lie below %.3g degrees before top dead centre: the sign may "+
			"be the other one (deg ATDC)", mid)
	}
	return r, nil
}

// readRetard turns knock retard to positive degrees by the sign of most of its readings that are not zero.
func (ctx *Context) readRetard(id channel.ID, u unit.Unit, raw []float64) (Reading, error) {
	if u == "" {
		u = unit.Degree
	}
	r, err := convert(u, unit.Degree, raw)
	if err != nil {
		return r, err
	}
	negative, positive := 0, 0
	for _, v := range r.Values {
		if v < 0 {
			negative++
		} else if v > 0 {
			positive++
		}
	}
	switch {
	case negative+positive == 0:
		r.Why = "all readings are zero: no retard in either sign"
	case negative > 9*positive:
		r.Values = samples.Scaled(r.Values, -1, 0)
		r.Conversion.scale, r.Conversion.offset = -r.Conversion.scale, 0-r.Conversion.offset
		r.Why = fmt.Sprintf("%d of %d readings that are not zero are negative: the file counts retard negative, "+
			"turned to positive", negative, negative+positive)
	case positive > 9*negative:
		r.Why = fmt.Sprintf("%d of %d readings that are not zero are positive: retard is counted positive",
			positive, negative+positive)
	default:
		return Reading{}, refuse("%d readings are negative and %d positive: which sign means retard is open",
			negative, positive)
	}
	r.Confidence = 0.95
	return r, nil
}
