package workspace

import (
	"cmp"
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
	// no place on earth is known to average more than 42 °C over a month: common practice, no source
	monthMeanSpan = span{-50, 42, "°C", "the mean temperature of a month", "12"}
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

// daysAMonth is how many evenly likely days stand for a month of a place, on average over places.
const daysAMonth = 100

// LoggedDay is how warm a day of a car was: its month, 0 for January, and its ambient temperature, °C.
type LoggedDay struct {
	Month   int
	Ambient float64
}

// shareRounds are the rounds of Shares; a round moves nothing any more long before.
const shareRounds = 200

// Shares are how much of a car's days each place has, adding up to 1: a mixture of the places' days, whose shares the
// car's logged days tell by expectation and maximisation (Dempster, Laird and Rubin, J. R. Statist. Soc. B 39, 1977),
// each place counting as one day beforehand. Without a logged day places count the same.
func (c Climate) Shares(days []LoggedDay) []float64 {
	shares := make([]float64, len(c))
	for k := range shares {
		shares[k] = 1 / float64(len(c))
	}
	for range shareRounds {
		next := make([]float64, len(c))
		for k := range next {
			next[k] = 1 / float64(len(c)+len(days))
		}
		for _, d := range days {
			of, total := make([]float64, len(c)), 0.0
			for k, p := range c {
				z := (d.Ambient - p.Ambient[d.Month]) / p.DayToDay
				of[k] = shares[k] * math.Exp(-z*z/2) / p.DayToDay
				total += of[k]
			}
			for k := range of {
				if total > 0 {
					next[k] += of[k] / total / float64(len(c)+len(days))
				} else { // as far from all places as any: it tells none
					next[k] += shares[k] / float64(len(c)+len(days))
				}
			}
		}
		shares = next
	}
	return shares
}

// Day is one of a climate's: its ambient temperature, °C, and the ambient pressure of its place, kPa, 0 where none is
// given.
type Day struct{ Ambient, Barometer float64 }

// Days are evenly likely days of the year, rising in temperature: months count the same, places by their shares (see
// Shares), days are normal about their month's mean.
func (c Climate) Days(shares []float64) []Day {
	var days []Day
	for i, p := range c {
		n := int(math.Round(shares[i] * float64(len(c)*daysAMonth)))
		for _, mean := range p.Ambient {
			for k := range n {
				z := math.Sqrt2 * math.Erfinv(2*(float64(k)+0.5)/float64(n)-1)
				days = append(days, Day{mean + p.DayToDay*z, p.BaroKPa})
			}
		}
	}
	slices.SortStableFunc(days, func(a, b Day) int { return cmp.Compare(a.Ambient, b.Ambient) })
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
