package cycle

import (
	"errors"
	"fmt"
	"math"

	"headroom/models/bound"
	"headroom/models/unit"
)

// Douaud and Eyzat's delay (SAE 780080): τ = 17.68 ms (ON/100)^3.402 p[atm]^−1.7 exp(3800/T[K]).
const (
	douaudA = 17.68
	douaudB = 3.402
	douaudC = 3800
)

// Delay returns the autoignition delay in s of a gasoline of an octane number (50–140; fitted at 80–100) at a
// pressure in Pa (10 kPa to 50 MPa) and an end-gas temperature in K (300–1500): Douaud and Eyzat, SAE 780080.
func Delay(octane, pressure, temperature float64) (float64, error) {
	err := bound.First(
		bound.Check("octane number", octane, 50, 140, ""),
		bound.Check("pressure", pressure, 1e4, 5e7, "Pa"),
		bound.Check("end-gas temperature", temperature, 300, 1500, "K"),
	)
	if err != nil {
		return 0, err
	}
	ms := douaudA * math.Pow(octane/100, douaudB) * math.Pow(pressure/unit.PascalPerAtmosphere, -1.7) * math.Exp(
		douaudC/temperature)
	return ms / 1000, nil
}

// ErrNoKnockLimit is returned where the knock integral does not cross 1 inside the range of spark searched.
var ErrNoKnockLimit = errors.New("no knock limit in range")

// Range of spark KnockLimitedSpark searches, degrees before top dead centre.
const (
	MinLimitSpark = -25.0
	MaxLimitSpark = 55.0
)

// sparkTolerance is how close to the root the search stops, degrees.
const sparkTolerance = 0.002

// lateIntegral stands for ln of the knock integral of a burn too late to be finished: far below the limit, so that the
// search moves on towards earlier spark.
const lateIntegral = -3

// KnockLimitedSpark returns the latest spark, in degrees before top dead centre, at which the knock integral reaches 1
// at 85 % burned; s.Spark is where the search starts. Where the integral stays below 1 up to MaxLimitSpark, or above 1
// down to MinLimitSpark, the error wraps ErrNoKnockLimit and says which. The level is the model's, see the package
// comment. Root by the Illinois variant of false position (Dowell and Jarratt, BIT 11, 1971).
func (e *Engine) KnockLimitedSpark(s State) (float64, error) {
	b, err := e.bracketLimit(s)
	if err != nil {
		return 0, err
	}
	side := 0
	late := b.yLo == lateIntegral // the late end is a burn that does not finish, not an integral below 1
	for range 60 {
		if b.hi-b.lo < sparkTolerance {
			break
		}
		x := b.lo - b.yLo*(b.hi-b.lo)/(b.yHi-b.yLo)
		y, err := e.lnIntegral(s, x)
		if err != nil {
			return 0, err
		}
		if math.Abs(y) < 1e-5 {
			return x, nil
		}
		if y < 0 {
			b.lo, b.yLo, late = x, y, y == lateIntegral
			if side < 0 {
				b.yHi /= 2
			}
			side = -1
		} else {
			b.hi, b.yHi = x, y
			if side > 0 {
				b.yLo /= 2
			}
			side = 1
		}
	}
	if late {
		return 0, fmt.Errorf("cycle: %w: knock integral is above 1 down to %.2f° before TDC, the latest spark that "+
			"burns out before exhaust-valve opening", ErrNoKnockLimit, b.hi)
	}
	return b.lo - b.yLo*(b.hi-b.lo)/(b.yHi-b.yLo), nil
}

// bracket holds two sparks with ln of the knock integral below and at or above 0.
type bracket struct{ lo, hi, yLo, yHi float64 }

// lnIntegral returns ln of the knock integral at a spark.
func (e *Engine) lnIntegral(s State, spark float64) (float64, error) {
	s.Spark = spark
	r, err := e.Run(s)
	if errors.Is(err, errTooLate) {
		return lateIntegral, nil
	}
	if err != nil {
		return 0, err
	}
	return math.Log(r.KnockIntegral), nil
}

// bracketLimit walks from the state's spark towards the limit, guessing 0.06 a degree for the slope of ln of the
// integral and a little more, so that the second cycle is usually on the other side.
func (e *Engine) bracketLimit(s State) (bracket, error) {
	latest, earliest := MinLimitSpark, min(MaxLimitSpark, -e.cfg.IntakeValveClosing-1)
	x := min(max(s.Spark, latest), earliest)
	y, err := e.lnIntegral(s, x)
	if err != nil {
		return bracket{}, err
	}
	start := x
	for {
		stride := 1 + math.Abs(y)/0.06
		next := max(latest, x-stride)
		if y < 0 {
			next = min(earliest, x+stride)
		}
		if next == x {
			break
		}
		yNext, err := e.lnIntegral(s, next)
		if err != nil {
			return bracket{}, err
		}
		switch {
		case y < 0 && yNext >= 0:
			return bracket{x, next, y, yNext}, nil
		case y >= 0 && yNext < 0:
			return bracket{next, x, yNext, y}, nil
		}
		x, y = next, yNext
	}
	if y < 0 { // far too early spark burns out before top dead centre and knocks less: look at later spark too
		if b, ok, err := e.scanLimit(s, latest, start); ok || err != nil {
			return b, err
		}
		return bracket{}, fmt.Errorf("cycle: %w: knock integral is %.3f, below 1, even at %g° before TDC",
			ErrNoKnockLimit, math.Exp(y), x)
	}
	return bracket{}, fmt.Errorf("cycle: %w: knock integral is %.3f, above 1, even at %g° before TDC", ErrNoKnockLimit,
		math.Exp(y), x)
}

// scanLimit looks for the first crossing from late to early spark in steps of 5°.
func (e *Engine) scanLimit(s State, from, to float64) (b bracket, found bool, err error) {
	const width = 5.0
	for x := from; x < to; x += width {
		y, err := e.lnIntegral(s, x)
		if err != nil {
			return b, false, err
		}
		if y >= 0 && b.yLo < 0 {
			b.hi, b.yHi = x, y
			return b, true, nil
		}
		b.lo, b.yLo = x, y
	}
	return b, false, nil
}

// ScaleDelay returns the Config.DelayScale that puts the knock limit of s at s.Spark: the knock integral falls as one
// over the scale. An engine made with it keeps every slope's form and takes the level from what was seen.
func (e *Engine) ScaleDelay(s State) (float64, error) {
	r, err := e.Run(s)
	if err != nil {
		return 0, err
	}
	scale := e.cfg.DelayScale * r.KnockIntegral
	if err := bound.Check("delay scale", scale, 0.2, 5, ""); err != nil {
		return 0, fmt.Errorf("cycle: knock limit at spark %g°: %w", s.Spark, err)
	}
	return scale, nil
}
