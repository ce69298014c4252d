package worlds

import (
	"math"
	"time"
)

// place is somewhere the cars are driven, with its air.
type place struct {
	name      string
	mean      float64 // °C over the year
	swing     float64 // K of summer over that
	dayToDay  float64 // K, standard deviation
	altitude  float64 // m
	pressure  float64 // kPa, mean
	pressures float64 // kPa, standard deviation of days
}

var placeNames = []string{"quarry lane", "salt flats", "mill rise", "reservoir road", "north yard", "orchard hill"}

// drawPlaces draws two to four places within some hundred metres of altitude of each other, some fleets up high. Mean
// pressure is the standard atmosphere's (ISO 2533).
func drawPlaces(d dice) []place {
	names := d.Perm(len(placeNames))
	ground, mean, swing := 0.0, d.between(6, 20), d.between(4, 13)
	if d.chance(0.3) {
		ground = d.between(400, 1500)
	}
	out := make([]place, d.whole(2, 4))
	for i := range out {
		p := place{name: placeNames[names[i]], mean: mean + d.around(0, 1.5), swing: swing, dayToDay: d.between(2, 5),
			altitude: ground + d.between(0, 350), pressures: d.between(0.4, 0.9)}
		p.mean -= 0.0065 * (p.altitude - ground)
		p.pressure = 101.325 * math.Pow(1-2.25577e-5*p.altitude, 5.25588)
		out[i] = p
	}
	return out
}

// season is the usual temperature of a day, °C: warmest in late July.
func (p *place) season(day time.Time) float64 {
	return p.mean + p.swing*math.Cos(2*math.Pi*float64(day.YearDay()-205)/365.25)
}

// air is the weather of one day.
type air struct {
	ambient float64 // °C
	baro    float64 // kPa
}

func (p *place) weather(d dice, day time.Time) air {
	return air{d.around(p.season(day), p.dayToDay), d.around(p.pressure, p.pressures)}
}

// coolForm is a form of the charge's way through the cooler.
type coolForm string

const (
	coolCore      coolForm = "core"      // the cooler's core takes heat up and gives it to the air that blows through
	coolEmpirical coolForm = "empirical" // a line in boost, and heat that builds up and dies away
)

// coolLaw says how hot the charge gets.
type coolLaw struct {
	form       coolForm
	efficiency float64 // of the compressor at its best
	best, fall float64 // pressure ratio of that, and how it falls away
	exchange   float64 // share of the difference to the core that is taken
	fade       float64 // share of exchange lost at 100 g/s a litre
	core       float64 // kJ/K of a core, a litre of engine
	blown      float64 // share of the core's heat lost a second at 100 km/h
	bay        float64 // K of the engine bay above ambient
	slope      float64 // K a kPa of boost
	build      float64 // K/s of soak at full power
	dies       float64 // s
	sensor     float64 // s, lag of the sensor
}

// Compressor efficiencies of 0.65 to 0.75, exchange of 0.65 to 0.85: common practice, no source.
func drawCooler(d dice, form coolForm) coolLaw {
	return coolLaw{form: form, efficiency: d.between(0.66, 0.76), best: d.between(1.7, 2.2), fall: d.between(0.05, 0.2),
		exchange: d.between(0.68, 0.86), fade: d.between(0.05, 0.2), core: d.between(1.2, 3),
		blown: d.between(0.03, 0.09), bay: d.between(3, 10), slope: d.between(0.10, 0.24), build: d.between(0.5, 1.8),
		dies: d.between(20, 50), sensor: d.between(0.8, 3)}
}

// step moves the heat of the cooler and returns the charge's temperature (K), settled gas at that instant.
func (l *coolLaw) step(heat *float64, c *car, a air, ratio, airFlow, litres, road, seconds float64) float64 {
	ambient := a.ambient + zeroCelsius
	intake := ambient + l.bay
	exchange := clamp(l.exchange*c.cooler, 0, 0.95) * (1 - l.fade*airFlow/100/litres)
	ratio = max(1, ratio)
	if l.form == coolCore {
		efficiency := l.efficiency - l.fall*square(ratio-l.best)
		hot := intake * (1 + (math.Pow(ratio, 0.286)-1)/max(0.4, efficiency))
		core := ambient + *heat
		charge := hot - exchange*(hot-core)
		*heat += seconds * (airFlow * 0.001006 * (hot - charge) / (l.core * litres))
		*heat -= seconds * *heat * l.blown * (0.3 + road/100)
		return charge
	}
	*heat += seconds * (l.build*airFlow/60/litres*(ratio-1) - *heat/l.dies*(0.5+road/100))
	return intake + l.slope*(ratio-1)*a.baro/(c.cooler*c.cooler) + *heat
}
