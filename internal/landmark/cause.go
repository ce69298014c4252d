package landmark

import (
	"math"

	"headroom/internal/runlog/reading"
	"headroom/models/apart"
	"headroom/models/channel"
	"headroom/models/unit"
	"headroom/models/value"
)

// Cause is what would bring a reading to where the others are. The zero value: nothing that is known does.
type Cause struct {
	Unit   unit.Unit `json:"unit"`   // that the column may be in, "" for another cause
	Was    unit.Unit `json:"was"`    // that it was read in
	Stoich float64   `json:"stoich"` // by which its air–fuel ratios may be scaled; 0 for another cause
	From   float64   `json:"from"`   // by which they were divided
}

// near is how far from the others, in their spread, an explained reading may lie; common practice, no source.
const near = 3

// causeOf looks for a unit or a scale under which a reading would be where the others are; of several the nearest.
func (k *Kind) causeOf(r Reading, sound apart.Sound) Cause {
	best, cause := near*sound.Spread, Cause{}
	try := func(v float64, c Cause) {
		if off := math.Abs(k.compared(v, r.Against) - sound.Middle); off < best {
			best, cause = off, c
		}
	}
	if r.Stoich > 0 {
		if stoich := math.Exp(k.compared(r.Value, r.Against)-sound.Middle) * r.Stoich; reading.IsStoich(stoich) {
			try(r.Value*r.Stoich/stoich, Cause{Stoich: math.Round(100*stoich) / 100, From: r.Stoich})
		}
		return cause
	}
	d, ok := channel.Lookup(k.Channel)
	was := unit.Unit(r.Unit)
	if !ok || !was.Known() {
		return cause
	}
	for _, other := range others[d.Unit] {
		if other == was || gauge(other) != gauge(was) && other.Absolute() != was.Absolute() {
			continue // one mistake at a time: of the unit, or of what pressure is measured from
		}
		if v, ok := reread(r.Value, was, other, d.Unit); ok && k.Channel.Plausible(v) {
			try(v, Cause{Unit: other, Was: was})
		}
	}
	return cause
}

func gauge(u unit.Unit) bool { return u.Quantity() == unit.GaugePressure }

// others are the units that the trade's loggers write a stored quantity in.
var others = map[unit.Unit][]unit.Unit{
	unit.Kilopascal: {unit.Kilopascal, unit.PSI, unit.Bar, unit.Megapascal, unit.Millibar, unit.InchHg,
		unit.KilopascalGauge, unit.PSIGauge, unit.BarGauge, unit.MegapascalGauge, unit.MillibarGauge,
		unit.InchHgGauge},
	unit.Celsius:       {unit.Celsius, unit.Fahrenheit, unit.Kelvin},
	unit.GramPerSecond: {unit.GramPerSecond, unit.KgPerHour, unit.LbPerMinute},
	unit.NewtonMetre:   {unit.NewtonMetre, unit.PoundFoot, unit.KgfMetre},
	unit.Percent:       {unit.Percent, unit.Fraction},
	unit.Volt:          {unit.Volt, unit.Millivolt},
}

// reread is a stored value as it would be had its column been read in another unit. Gauge pressure is taken to be above
// the standard atmosphere (ISO 2533).
func reread(v float64, was, other, stored unit.Unit) (float64, bool) {
	raw, ok := through(v, stored, was)
	if !ok {
		return 0, false
	}
	return through(raw, other, stored)
}

// through is a value in another unit, gauge and absolute pressure a standard atmosphere apart.
func through(v float64, from, to unit.Unit) (float64, bool) {
	kpa := unit.PascalPerAtmosphere / unit.PascalPerKilopascal
	above := func(u unit.Unit) float64 {
		if !gauge(u) {
			return 0
		}
		scale, _, err := unit.Linear(unit.Kilopascal, u.Absolute())
		if err != nil {
			return math.NaN()
		}
		return kpa * scale
	}
	plain := func(u unit.Unit) unit.Unit {
		if gauge(u) {
			return u.Absolute()
		}
		return u
	}
	out, err := unit.Convert(v+above(from), plain(from), plain(to))
	return out - above(to), err == nil && value.Known(out)
}
