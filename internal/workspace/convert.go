package workspace

import (
	"fmt"
	"strings"

	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/unit"
)

type conversion struct{ x, y, z func(float64) float64 }

// tableConversion settles how axes and values of a table become stored units. Roles that are not modelled keep what
// is written: they are only compared.
func tableConversion(c *checker, key string, t *TableRef, modelled bool) conversion {
	if !modelled {
		return conversion{}
	}
	if t.StoichiometricRatio != 0 {
		c.optional(key+".stoichiometric_ratio", t.StoichiometricRatio,
			span{5, 20, "", "the stoichiometric ratio the AFR scale was made for", "14.7"})
	}
	if t.BarometerKPa != 0 {
		c.optional(key+".barometer_kpa", t.BarometerKPa, barometerSpan)
	}
	var conv conversion
	conv.x = axisConversion(c, key+".x", t.X, t)
	if t.Y != nil {
		conv.y = axisConversion(c, key+".y", *t.Y, t)
	}
	r, ok := calmap.RangeOf(t.Role)
	if !ok {
		return conv
	}
	conv.z = toStored(c, key+".unit", t.Unit, unit.Unit(r.Unit), t)
	return conv
}

var barometerSpan = span{50, 110, "kPa", "the barometric pressure that gauge values are relative to", "101.3"}

func axisConversion(c *checker, key string, a Axis, t *TableRef) func(float64) float64 {
	if !c.knownChannel(key+".channel", a.Channel) {
		return nil
	}
	stored, _ := channel.Lookup(a.Channel)
	if stored.Unit == unit.One && a.Unit == "" {
		return nil // a plain number, such as the gear
	}
	return toStored(c, key+".unit", a.Unit, stored.Unit, t)
}

// toStored returns the function from a written unit to a stored one, or reports why there is none.
func toStored(c *checker, key, written string, to unit.Unit, t *TableRef) func(float64) float64 {
	if written == "" {
		c.add(key, "missing", "give the unit, e.g. "+string(to))
		return nil
	}
	from, marked, err := unit.ParseMarked(written)
	if err != nil {
		c.add(key, err.Error(), "give "+string(to)+" or another unit of the same quantity")
		return nil
	}
	if from == unit.One && to.Quantity() == unit.Ratio && strings.TrimSpace(written) == "1" {
		from = unit.Fraction // the unit one of a ratio (SI Brochure, 9th ed. 2019, section 5.4.7; from memory)
	}
	factor, shift := 1.0, 0.0 // applied before and after the plain conversion
	switch {
	case to == unit.LambdaUnit && from.Quantity() == unit.AirFuelRatio:
		if t.StoichiometricRatio == 0 {
			c.add(key, "AFR says nothing without the ratio its scale was made for",
				"add stoichiometric_ratio, e.g. 14.7, or give the table in lambda")
			return nil
		}
		factor, from = 1/t.StoichiometricRatio, unit.LambdaUnit
	case to.Quantity() == unit.Pressure && from.Quantity() == unit.GaugePressure:
		if t.BarometerKPa == 0 {
			c.add(key, fmt.Sprintf("%s is relative to a barometric pressure that is not stated", from),
				"add barometer_kpa, e.g. 101.3, or give the table in kPa absolute")
			return nil
		}
		from, shift = from.Absolute(), t.BarometerKPa
	case to.Quantity() == unit.Pressure && from.Quantity() == unit.Pressure && !marked && from != unit.Kilopascal:
		c.add(key, fmt.Sprintf("%s may mean gauge or absolute", from),
			fmt.Sprintf("write %s absolute, or %s gauge with barometer_kpa", from, from))
		return nil
	}
	scale, offset, err := unit.Linear(from, to)
	if err != nil {
		c.add(key, err.Error(), "give "+string(to)+" or another unit of the same quantity")
		return nil
	}
	return func(v float64) float64 { return v*factor*scale + offset + shift }
}
