package mixed

import (
	"fmt"
	"math"
	"strings"
)

// level numbers the nested variance components from coarse to fine.
type level int

const (
	carLevel level = iota
	dayLevel
	pullLevel
	residualLevel
)

var levelNames = [4]string{"car", "day", "pull", "residual"}

// at is the component of a level.
func (c *Components) at(l level) *float64 {
	return [...]*float64{&c.Car, &c.Day, &c.Pull, &c.Residual}[l]
}

// plan says which components the data can tell.
type plan struct {
	free    [3]bool   // car, day and pull variance are estimated; the residual variance always is
	assumed [3]bool   // nothing tells them
	groups  [][]level // levels that cannot be told apart, coarse to fine; one of them holds the sum
}

// plan joins each level to the next coarser one when it has no degree of freedom of its own. What is joined to cars
// cannot be told at all when cars cannot.
func (d *data) plan() plan {
	var p plan
	joined := []level{carLevel}
	for l := dayLevel; l <= residualLevel; l++ {
		if d.freedom[l] > 0 {
			p.settle(joined, d)
			joined = nil
		}
		joined = append(joined, l)
	}
	p.settle(joined, d)
	return p
}

// settle decides on a run of levels that cannot be told apart.
func (p *plan) settle(joined []level, d *data) {
	holder := joined[0]
	if joined[len(joined)-1] == residualLevel {
		holder = residualLevel
	}
	if joined[0] == carLevel && (d.units(carLevel) == 1 || d.freedom[carLevel] <= 0) {
		for _, l := range joined {
			if l != residualLevel {
				p.assumed[l] = true
			}
		}
		return
	}
	if holder != residualLevel {
		p.free[holder] = true
	}
	if len(joined) > 1 {
		p.groups = append(p.groups, joined)
	}
}

// widen turns the estimated components into those that prediction uses.
func (m *Model) widen(d *data, p plan, est Components) Components {
	used := m.widenUncertain(d, p, est)
	for _, g := range p.groups {
		m.share(d, g, &used)
	}
	m.assume(d, p, &used)
	if p.free[pullLevel] && est.Pull < zeroRatio*est.Residual {
		m.warn("the variance between pulls is estimated as 0")
	}
	return used
}

// widenUncertain widens the variances between days and between cars that are zero or rest on few.
func (m *Model) widenUncertain(d *data, p plan, est Components) Components {
	used := est
	var uncertain, penalised [3]bool
	few := [...]int{carLevel: fewCarFreedom, dayLevel: fewDayFreedom}
	for _, l := range []level{carLevel, dayLevel} {
		uncertain[l] = p.free[l] && (*est.at(l) < zeroRatio*est.Residual || d.freedom[l] < few[l])
		penalised[l] = uncertain[l] && d.freedom[l] > 1
	}
	pen, ok := est, false
	if penalised != [3]bool{} {
		pen, _, ok = d.maximise(p, penalised)
	}
	for _, l := range []level{dayLevel, carLevel} {
		if !uncertain[l] {
			continue
		}
		have, finer := *est.at(l), used.Pull+used.Residual
		if l == carLevel {
			finer += used.Day
		}
		wide := *pen.at(l)
		switch {
		case penalised[l] && !(ok && wide >= have):
			wide = math.Max(have, finer)
		case !penalised[l] && l == carLevel:
			wide = oneFreedomRatio * math.Max(have, finer)
		case !penalised[l]:
			wide = math.Max(oneFreedomRatio*have, finer)
		}
		*used.at(l) = wide
		m.warnWidened(d, l, have < zeroRatio*est.Residual)
	}
	return used
}

// warnWidened says that a level was widened and on what it rests; by how much stands in the model, in its unit.
func (m *Model) warnWidened(d *data, l level, zero bool) {
	from := fmt.Sprintf("%d cars", d.units(carLevel))
	if l == dayLevel {
		from = fmt.Sprintf("%d days in %s", d.units(dayLevel), from)
	}
	if zero {
		m.warn("the variance between %ss is estimated as 0 from %s: widened", levelNames[l], from)
		return
	}
	m.warn("the variance between %ss rests on %s only: widened", levelNames[l], from)
}

// share spreads the sum that one level of a group holds evenly over them all.
func (m *Model) share(d *data, group []level, used *Components) {
	sum := 0.0
	var names, why []string
	for i, l := range group {
		sum += *used.at(l)
		names = append(names, levelNames[l])
		if i > 0 {
			why = append(why, d.whyJoined(l))
		}
	}
	for _, l := range group {
		*used.at(l) = sum / float64(len(group))
	}
	last := len(names) - 1
	m.warn("%s: %s and %s variance cannot be told apart and share their sum evenly",
		strings.Join(why, ", "), strings.Join(names[:last], ", "), names[last])
}

// whyJoined says why a level cannot be told from the next coarser one.
func (d *data) whyJoined(l level) string {
	if d.units(l) == d.units(l-1) {
		return [...]string{dayLevel: "one day in every car", pullLevel: "one pull on every day",
			residualLevel: "one row in every pull"}[l]
	}
	return fmt.Sprintf("%d %s in %d %ss with %d coefficients that vary with them",
		d.units(l), [...]string{dayLevel: "days", pullLevel: "pulls", residualLevel: "rows"}[l], d.units(l-1),
		levelNames[l-1], d.levelCoefs[l])
}

// assume fills in what nothing tells, fine to coarse.
func (m *Model) assume(d *data, p plan, used *Components) {
	if p.assumed[pullLevel] {
		used.Pull = assumedPullRatio * used.Residual
		m.warn("a single pull cannot tell the variance between pulls: taken equal to the residual variance")
	}
	if p.assumed[dayLevel] {
		used.Day = assumedDayRatio * (used.Pull + used.Residual)
		m.warn("a single day cannot tell the variance between days: taken equal to pull plus residual variance")
	}
	if !p.assumed[carLevel] {
		return
	}
	used.Car = assumedCarRatio * (used.Day + used.Pull + used.Residual)
	if d.units(carLevel) == 1 {
		m.warn("a single car cannot tell the variance between cars: taken as %d times day plus pull plus residual "+
			"variance", assumedCarRatio)
		return
	}
	m.warn("%d cars with %d coefficients that only vary between cars cannot tell the variance between cars: taken as "+
		"%d times day plus pull plus residual variance",
		d.units(carLevel), d.levelCoefs[carLevel], assumedCarRatio)
}
