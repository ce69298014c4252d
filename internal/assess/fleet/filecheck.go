package fleet

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/channel"
)

// FileCheck is one number of the platform file beside what the fleet's logs show of it.
type FileCheck struct {
	Key   metric.Key    `json:"key"`
	Unit  string        `json:"unit"`
	Says  result.Number `json:"says"`
	Shown result.Number `json:"shown"` // null where no log tells
	// Interval of what logs show, over cars; an end is null where logs bound one side only
	Interval result.Span `json:"interval95"`
	Cars     int         `json:"cars"`
	Pulls    int         `json:"pulls"` // steady stretches are used and not counted
	Status   FileStatus  `json:"status"`
	// Channels that it was held against; what a log would have to hold where it was not told
	Channels []channel.ID `json:"channels"`
	// Usual is where engines of the type lie: not what logs show, and what a status of unusual rests on
	Usual result.Span `json:"usual"`
}

// FileStatus is what came of a check.
type FileStatus string

// Statuses.
const (
	Agrees      FileStatus = "agrees"      // and logs would have told a difference that matters
	Contradicts FileStatus = "contradicts" // logs show another number
	Unusual     FileStatus = "unusual"     // no log tells, and engines of the type do not have such a number
	NotTold     FileStatus = "not_told"    // no log tells
)

// Doubtful reports whether the number should not be relied on before somebody has looked.
func (c *FileCheck) Doubtful() bool { return c.Status == Contradicts || c.Status == Unusual }

// falseAlarm is the chance, each, that a number which is right is said to be contradicted.
const falseAlarm = 0.005

// spread is what is known of a check before any log: how cars of one platform differ in it, which counts as much as
// carLevelCars cars, what all of them are off by together (a kind of sensor, the physics in between), and by how much
// the file must be off to matter. All in one unit: relative, or the number's own. Common practice, no source.
type spread struct{ car, common, matters float64 }

// found is a difference between logs and file over cars.
type found struct {
	mean      float64
	half, cut float64 // half widths of the 95 % interval, and of what may be chance at falseAlarm
}

// over is the mean difference of cars: cars are the independent units. Its interval is Student's about the mean, with
// the variance between cars blended with what is usual (the conjugate estimate: Gelman and others, Bayesian Data
// Analysis, 2013, sec. 2.6), and what all cars share on top.
func (s spread) over(differences []float64) found {
	n := float64(len(differences))
	variance := 0.0
	if n > 1 {
		variance = stat.Variance(differences, nil)
	}
	freedom := carLevelCars + n - 1
	se := math.Sqrt((carLevelCars*s.car*s.car + (n-1)*variance) / freedom / n)
	out := s.widths(se, freedom)
	out.mean = stat.Mean(differences, nil)
	return out
}

// widths are the half widths about a mean over cars whose deviation se has so many degrees of freedom.
func (s spread) widths(se, freedom float64) found {
	t := distuv.StudentsT{Sigma: 1, Nu: freedom}
	half := func(outside float64) float64 {
		return math.Hypot(t.Quantile(1-outside/2)*se, distuv.UnitNormal.Quantile(1-outside/2)*s.common)
	}
	return found{half: half(0.05), cut: half(falseAlarm)}
}

// status of a difference: it agrees only where the interval would have shown what matters.
func (f found) status(s spread) FileStatus {
	switch {
	case math.Abs(f.mean) > f.cut:
		return Contradicts
	case f.half <= s.matters:
		return Agrees
	}
	return NotTold
}

// relative fills a check from differences of logarithms, logs over file, one a car.
func (c *FileCheck) relative(s spread, differences []float64) {
	if len(differences) == 0 {
		return
	}
	c.Cars = len(differences)
	c.tell(s, s.over(differences), func(d float64) result.Number { return c.Says * result.Number(math.Exp(d)) })
}

// absolute fills a check from differences in the number's unit, logs less file, one a car.
func (c *FileCheck) absolute(s spread, differences []float64) {
	if len(differences) == 0 {
		return
	}
	c.Cars = len(differences)
	c.tell(s, s.over(differences), c.plus)
}

// plus is the number that logs show where they differ from the file by d.
func (c *FileCheck) plus(d float64) result.Number { return c.Says + result.Number(d) }

// tell fills a check from a difference found; at turns one into the number that logs show.
func (c *FileCheck) tell(s spread, f found, at func(d float64) result.Number) {
	c.Shown, c.Interval = at(f.mean), result.Span{at(f.mean - f.half), at(f.mean + f.half)}
	c.Status = f.status(s)
}

// check is one that nothing has been told of yet.
func check(key metric.Key, unit string, says float64, channels ...channel.ID) FileCheck {
	return FileCheck{Key: key, Unit: unit, Says: result.Number(says), Shown: result.Unknown(),
		Interval: result.UnknownSpan(), Status: NotTold, Channels: append([]channel.ID{}, channels...),
		Usual: result.UnknownSpan()}
}

// usually marks a number that no log tells as unusual where it lies outside what engines of the type have. A number
// that the shop measured may be unusual.
func (c *FileCheck) usually(low, high float64, measured bool) {
	c.Usual = result.Span{result.Number(low), result.Number(high)}
	if c.Status == NotTold && !measured && (float64(c.Says) < low || float64(c.Says) > high) {
		c.Status = Unusual
	}
}
