// Package bound answers one question: is this number inside the range a formula holds for?
//
// Every physics package refuses out-of-domain input through it, so that each refusal names the quantity, the value and
// the range in the same words. The ranges themselves stand where the formula stands.
package bound

import (
	"fmt"
	"math"
)

// Error is a refused value. Low and High are the ends of the valid range in Unit; an open end is written with
// Exclusive low (greater than Low instead of at least Low).
type Error struct {
	Quantity  string
	Value     float64
	Low, High float64
	Unit      string // "" for a pure number
	Exclusive bool   // Low itself is not valid
}

// Error names the quantity, the value and the valid range.
func (e *Error) Error() string {
	unit := ""
	if e.Unit != "" {
		unit = " " + e.Unit
	}
	low := "from"
	if e.Exclusive {
		low = "above"
	}
	if math.IsInf(e.High, 1) {
		return fmt.Sprintf("%s %g%s is out of range: must be finite and %s %g%s", e.Quantity, e.Value, unit, low, e.Low,
			unit)
	}
	return fmt.Sprintf("%s %g%s is out of range: must be %s %g to %g%s", e.Quantity, e.Value, unit, low, e.Low, e.High,
		unit)
}

// Check returns an *Error unless low ≤ value ≤ high. NaN and infinities are never inside.
func Check(quantity string, value, low, high float64, unit string) error {
	if value >= low && value <= high && !math.IsInf(value, 0) {
		return nil
	}
	return &Error{Quantity: quantity, Value: value, Low: low, High: high, Unit: unit}
}

// Positive returns an *Error unless 0 < value < ∞.
func Positive(quantity string, value float64, unit string) error {
	if value > 0 && !math.IsInf(value, 1) {
		return nil
	}
	return &Error{Quantity: quantity, Value: value, Low: 0, High: math.Inf(1), Unit: unit, Exclusive: true}
}

// First returns the first error that is not nil. It reads well where several quantities are checked in a row.
func First(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
