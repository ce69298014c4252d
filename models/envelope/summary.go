// Package envelope answers one question: up to which value of a metric has a platform been shown to live, so that a
// stated share of pulls on cars nobody has seen yet stays inside with a stated confidence?
//
// Pulls are nested in cars, unevenly, so the answer is a one-sided tolerance limit in the unbalanced one-way
// random-effects model. It is a generalised confidence limit in the line of Krishnamoorthy and Mathew (Technometrics
// 46, 2004, 44–52) and, for the unbalanced case, Liao, Lin and Iyer (Technometrics 47, 2005, 323–335), computed by
// quadrature instead of simulation. With one pull a car it is the exact non-central-t limit (Owen, Technometrics 10,
// 1968; Natrella, NBS Handbook 91, 1963). Wilks (Ann. Math. Statist. 12, 1941) gives the distribution-free limit and
// the number of cars it takes. Too few cars is an answer, not an error.
package envelope

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"sort"
)

// Summary is what an envelope needs of the pulls of each car: count, sum, sum of squares, smallest and largest. Sums
// are exact, so that any order of Add and Merge over any split into shards gives the same Summary, byte for byte. The
// zero Summary is empty and ready for use. Concurrent use needs a lock.
type Summary struct {
	cars map[string]*carSums
}

type carSums struct {
	n        int
	sum      exactSum
	squares  exactSum
	min, max float64
}

// Largest and smallest sizes that Add takes: squares of anything between them are exact in two float64.
const (
	largest  = 1e120
	smallest = 1e-120
)

// Add notes the value of one pull of a car, in the metric's unit. A size below 1e-120 counts as zero.
//
// Errors: a value that is not finite (a pull where the metric was not measured is to be left out) or larger than
// 1e120 in size.
func (s *Summary) Add(car string, value float64) error {
	if math.IsNaN(value) || math.Abs(value) > largest {
		return fmt.Errorf("envelope: car %q: value %g is not a finite measurement: leave the pull out", car, value)
	}
	if math.Abs(value) < smallest {
		value = 0
	}
	if s.cars == nil {
		s.cars = map[string]*carSums{}
	}
	c := s.cars[car]
	if c == nil {
		c = &carSums{min: value, max: value}
		s.cars[car] = c
	}
	square := value * value
	c.n++
	c.sum.add(value)
	c.squares.add(square)
	c.squares.add(math.FMA(value, value, -square))
	c.min, c.max = math.Min(c.min, value), math.Max(c.max, value)
	return nil
}

// Merge adds everything other has seen. Pulls must not be in both.
func (s *Summary) Merge(other *Summary) {
	if other == nil {
		return
	}
	for id, o := range other.cars {
		if s.cars == nil {
			s.cars = map[string]*carSums{}
		}
		c := s.cars[id]
		if c == nil {
			c = &carSums{min: o.min, max: o.max}
			s.cars[id] = c
		}
		c.n += o.n
		c.sum.merge(o.sum)
		c.squares.merge(o.squares)
		c.min, c.max = math.Min(c.min, o.min), math.Max(c.max, o.max)
	}
}

// Cars is the number of cars with at least one pull.
func (s *Summary) Cars() int { return len(s.cars) }

// Pulls is the number of pulls.
func (s *Summary) Pulls() int {
	n := 0
	for _, c := range s.cars {
		n += c.n
	}
	return n
}

// CarMoments is what one car's pulls come to.
type CarMoments struct {
	ID           string
	Pulls        int
	Mean         float64
	SumOfSquares float64 // about Mean
	Min, Max     float64
}

// Moments returns the cars sorted by ID, each number correctly rounded from the exact sums.
func (s *Summary) Moments() []CarMoments {
	out := make([]CarMoments, 0, len(s.cars))
	for _, id := range s.ids() {
		c := s.cars[id]
		m := CarMoments{ID: id, Pulls: c.n, Min: c.min, Max: c.max}
		n := new(big.Float).SetPrec(precision).SetInt64(int64(c.n))
		sum := c.sum.exact()
		mean := new(big.Float).SetPrec(precision).Quo(sum, n)
		m.Mean, _ = mean.Float64()
		if c.n > 1 && c.min < c.max {
			about := sum.Mul(sum, mean)
			about.Sub(c.squares.exact(), about)
			m.SumOfSquares, _ = about.Float64()
		}
		out = append(out, m)
	}
	return out
}

func (s *Summary) ids() []string {
	ids := make([]string, 0, len(s.cars))
	for id := range s.cars {
		ids = append(ids, id)
	}
	sort.Strings(ids)
	return ids
}

type carRecord struct {
	ID      string    `json:"id"`
	Pulls   int       `json:"pulls"`
	Sum     []float64 `json:"sum"`     // parts of the exact sum, largest first
	Squares []float64 `json:"squares"` // parts of the exact sum of squares
	Min     float64   `json:"min"`
	Max     float64   `json:"max"`
}

// MarshalJSON writes the exact sums, cars sorted by ID.
func (s *Summary) MarshalJSON() ([]byte, error) {
	records := make([]carRecord, 0, len(s.cars))
	for _, id := range s.ids() {
		c := s.cars[id]
		records = append(records, carRecord{id, c.n, c.sum.canonical(), c.squares.canonical(), c.min, c.max})
	}
	return json.Marshal(records)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Summary) UnmarshalJSON(b []byte) error {
	var records []carRecord
	if err := json.Unmarshal(b, &records); err != nil {
		return fmt.Errorf("envelope: summary: %w", err)
	}
	cars := make(map[string]*carSums, len(records))
	for _, r := range records {
		if _, twice := cars[r.ID]; twice {
			return fmt.Errorf("envelope: summary: car %q is listed twice", r.ID)
		}
		if r.Pulls < 1 || r.Min > r.Max || math.Abs(r.Min) > largest || math.Abs(r.Max) > largest {
			return fmt.Errorf("envelope: summary: car %q: %d pulls from %g to %g cannot be", r.ID, r.Pulls, r.Min,
				r.Max)
		}
		c := &carSums{n: r.Pulls, min: r.Min, max: r.Max}
		for _, v := range r.Sum {
			c.sum.add(v)
		}
		for _, v := range r.Squares {
			c.squares.add(v)
		}
		cars[r.ID] = c
	}
	s.cars = cars
	return nil
}

// precision holds any sum of squares between smallest² and largest² exactly.
const precision = 2048

// exactSum is a sum of float64 held without rounding as parts that do not overlap, smallest first (Shewchuk,
// Discrete & Computational Geometry 18, 1997, "grow expansion").
type exactSum []float64

func (e *exactSum) add(x float64) {
	parts := (*e)[:0]
	for _, y := range *e {
		if math.Abs(x) < math.Abs(y) {
			x, y = y, x
		}
		high := x + y
		if low := y - (high - x); low != 0 {
			parts = append(parts, low)
		}
		x = high
	}
	if x != 0 {
		parts = append(parts, x)
	}
	*e = parts
}

func (e *exactSum) merge(other exactSum) {
	for _, x := range append(exactSum(nil), other...) { // a copy: other may be e itself
		e.add(x)
	}
}

func (e exactSum) exact() *big.Float {
	sum := new(big.Float).SetPrec(precision)
	part := new(big.Float)
	for _, x := range e {
		sum.Add(sum, part.SetFloat64(x))
	}
	return sum
}

// canonical returns the sum as parts of which each is the correctly rounded rest, largest first: the same parts
// whatever the order of adding.
func (e exactSum) canonical() []float64 {
	parts := []float64{}
	rest, part := e.exact(), new(big.Float)
	for rest.Sign() != 0 {
		x, _ := rest.Float64()
		parts = append(parts, x)
		rest.Sub(rest, part.SetFloat64(x))
	}
	return parts
}
