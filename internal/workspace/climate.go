package workspace

import (
	"fmt"
	"math"
	"slices"
)

// Climate is the weather that the shop's cars meet, place by place; each place counts the same.
type Climate []Place

// Place is one place of a climate.
type Place struct {
	Name     string    `yaml:"place"`
	Ambient  []float64 `yaml:"ambient_c"`     // mean of each month, January first, °C
	DayToDay float64   `yaml:"day_to_day_k"`  // standard deviation of days about their month's mean, K
	BaroKPa  float64   `yaml:"barometer_kpa"` // ambient pressure, kPa; 0: not given
}

var (
	monthMeanSpan = span{-50, 50, "°C", "the mean temperature of a month", "12"}
	dayToDaySpan  = span{0.1, 20, "K", "the standard deviation of days about their month's mean", "4"}
	placeBaroSpan = span{50, 110, "kPa", "the ambient pressure", "98"}
)

const monthsAYear = 12

func (c *checker) climate(places Climate) {
	for i, p := range places {
		key := fmt.Sprintf("climate[%d]", i)
		c.text(key+".place", p.Name, "the name of the place")
		if len(p.Ambient) != monthsAYear {
			c.add(key+".ambient_c", fmt.Sprintf("%d values", len(p.Ambient)),
				"give the mean temperature of each month, January first: 12 values in °C")
		}
		for k, v := range p.Ambient {
			c.required(fmt.Sprintf("%s.ambient_c[%d]", key, k), v, monthMeanSpan)
		}
		c.required(key+".day_to_day_k", p.DayToDay, dayToDaySpan)
		c.optional(key+".barometer_kpa", p.BaroKPa, placeBaroSpan)
	}
}

// Known reports whether the workspace gives a climate.
func (c Climate) Known() bool { return len(c) > 0 }

// daysAMonth is how many evenly likely days stand for a month.
const daysAMonth = 100

// Days are the temperatures, °C, of evenly likely days of the year, rising: months and places count the same, days are
// normal about their month's mean.
func (c Climate) Days() []float64 {
	var days []float64
	for _, p := range c {
		for _, mean := range p.Ambient {
			for k := range daysAMonth {
				days = append(days, mean+p.DayToDay*math.Sqrt2*math.Erfinv(2*(float64(k)+0.5)/daysAMonth-1))
			}
		}
	}
	slices.Sort(days)
	return days
}

// LowestPressure is the lowest ambient pressure of the places, kPa; NaN where none is given.
func (c Climate) LowestPressure() float64 {
	lowest := math.NaN()
	for _, p := range c {
		if p.BaroKPa > 0 && !(p.BaroKPa >= lowest) {
			lowest = p.BaroKPa
		}
	}
	return lowest
}
