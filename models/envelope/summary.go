// Package envelope answers one question: up to which value of a metric has a platform been shown to live, so that a
// stated share of pulls on cars nobody has seen yet stays inside with a stated confidence?
//
// Pulls are nested in cars, unevenly, so the answer is a one-sided tolerance limit in the unbalanced one-way
// random-effects model. It is a generalised confidence limit in the line of Krishnamoorthy and Mathew (Technometrics
// 46, 2004, 44–52) and, for the unbalanced case, Liao, Lin and Iyer (Technometrics 47, 2005, 323–335), computed by
// quadrature instead of simulation. With one pull a car it is the exact non-central-t limit (Owen, Technometrics 10,
// 1968; Natrella, NBS Handbook 91, 1963). Wilks (Ann. Math. Statist. 12, 1941) gives the distribution-free limit and
// the number of cars it takes. Too few cars is an answer, not an error.
//
// With few cars or a shape that is not normal such a limit may lie far past everything seen, so beside it stand the
// prediction limit that assumes no shape (predict.go) and, as Shown, the value up to which pulls have in fact been.
package envelope

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"
)

// Summary is what each pull of each car came to. Sums over it are exact, so that any order of Add and Merge over any
// split into shards gives the same Summary and the same limits, byte for byte. The zero Summary is empty and ready for
// use. Concurrent use needs a lock.
type Summary struct {
	cars map[string][]float64
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
		s.cars = map[string][]float64{}
	}
	s.cars[car] = append(s.cars[car], value)
	return nil
}

// Merge adds everything other has seen. Pulls must not be in both.
func (s *Summary) Merge(other *Summary) {
	if other == nil {
		return
	}
	for id, values := range other.cars {
		if s.cars == nil {
			s.cars = map[string][]float64{}
		}
		s.cars[id] = append(s.cars[id], values...)
	}
}

// Cars is the number of cars with at least one pull.
func (s *Summary) Cars() int { return len(s.cars) }

// Pulls is the number of pulls.
func (s *Summary) Pulls() int {
	n := 0
	for _, values := range s.cars {
		n += len(values)
	}
	return n
}

// CarMoments is what one car's pulls come to.
type CarMoments struct {
	ID           string
	Pulls        int
	Mean         float64
	SumOfSquares float64   // about Mean
	Values       []float64 // of its pulls, ascending
}

// Min is the smallest value of the car.
func (m *CarMoments) Min() float64 { return m.Values[0] }

// Max is the largest value of the car.
func (m *CarMoments) Max() float64 { return m.Values[len(m.Values)-1] }

// Moments returns the cars sorted by ID, each number correctly rounded from exact sums.
func (s *Summary) Moments() []CarMoments {
	out := make([]CarMoments, 0, len(s.cars))
	for _, id := range slices.Sorted(maps.Keys(s.cars)) {
		out = append(out, momentsOf(id, s.cars[id]))
	}
	return out
}

func momentsOf(id string, values []float64) CarMoments {
	m := CarMoments{ID: id, Pulls: len(values), Values: slices.Sorted(slices.Values(values))}
	var total, squares exactSum
	for _, v := range m.Values {
		square := v * v
		total.add(v)
		squares.add(square)
		squares.add(math.FMA(v, v, -square))
	}
	n := new(big.Float).SetPrec(precision).SetInt64(int64(m.Pulls))
	sum := total.exact()
	mean := new(big.Float).SetPrec(precision).Quo(sum, n)
	m.Mean, _ = mean.Float64()
	if m.Min() < m.Max() {
		about := sum.Mul(sum, mean)
		about.Sub(squares.exact(), about)
		m.SumOfSquares, _ = about.Float64()
	}
	return m
}

type carRecord struct {
	ID     string    `json:"id"`
	Values []float64 `json:"values"` // ascending
}

// MarshalJSON writes the values of each car, cars sorted by ID.
func (s *Summary) MarshalJSON() ([]byte, error) {
	records := make([]carRecord, 0, len(s.cars))
	for _, id := range slices.Sorted(maps.Keys(s.cars)) {
		records = append(records, carRecord{id, slices.Sorted(slices.Values(s.cars[id]))})
	}
	return json.Marshal(records)
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (s *Summary) UnmarshalJSON(b []byte) error {
	var records []carRecord
	if err := json.Unmarshal(b, &records); err != nil {
		return fmt.Errorf("envelope: summary: %w", err)
	}
	var read Summary
	for _, r := range records {
		if _, twice := read.cars[r.ID]; twice {
			return fmt.Errorf("envelope: summary: car %q is listed twice", r.ID)
		}
		if len(r.Values) == 0 {
			return fmt.Errorf("envelope: summary: car %q has no pulls", r.ID)
		}
		for _, v := range r.Values {
			if err := read.Add(r.ID, v); err != nil {
				return err
			}
		}
	}
	s.cars = read.cars
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

func (e exactSum) exact() *big.Float {
	sum := new(big.Float).SetPrec(precision)
	part := new(big.Float)
	for _, x := range e {
		sum.Add(sum, part.SetFloat64(x))
	}
	return sum
}
