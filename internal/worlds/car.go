package worlds

import (
	"fmt"
	"math"
	"time"
)

// car is one customer's car as it truly is.
type car struct {
	index  int
	id     string
	fuel   int // of the shop's
	home   int // of the places
	logger int

	knock    float64    // luck of its knock limit, in the knock law's unit
	pattern  [2]float64 // phases of its pattern over speed
	ve       float64    // factors
	injector float64    // flow that the control unit does not know of
	pump     float64
	cooler   float64
	reach    float64 // of the turbocharger's pressure
	torque   float64
	spool    float64 // rpm
	boost    float64 // kPa, standing error of control
	valve    float64 // % duty
	lambda   float64 // relative error of true lambda
	exhaust  float64 // K, true
	warm     float64 // °C of coolant at rest
	oil      float64 // K of oil above that
	mass     float64 // kg

	// sensors
	lambdaBias, chargeBias, exhaustBias, manifoldBias float64

	injectors float64 // factor on the flow of the injectors fitted, 1: as the file says
	oddities  []string
	drift     drift
	revisions []*calibration // own ones, oldest first
	logs      []*runLog
}

// DriftKind is what moves in a car that drifts.
type DriftKind string

// Kinds of drift.
const (
	DriftDeposits DriftKind = "knock deposits"     // the knock limit falls
	DriftPump     DriftKind = "pump wear"          // pump capacity falls
	DriftSensor   DriftKind = "lambda sensor ages" // the sensor reads leaner than it is
	DriftLeak     DriftKind = "boost leak"         // boost falls short, charge gets hotter
	DriftPower    DriftKind = "power loss"         // the same charge gives less torque; planted only
	driftNone     DriftKind = ""
)

// drift is a change with time.
type drift struct {
	kind DriftKind
	year float64 // of knock luck, share of capacity, lambda, share of boost reach, share of torque
}

// Shares of cars that stand apart: common practice, no source.
const (
	shareWeakPump = 0.04
	shareBias     = 0.04
	shareDeposits = 0.04
	shareDrifting = 0.06
)

func (w *world) drawCar(i int) *car {
	d := newDice(w.seed, diceCar, uint64(i))
	c := &car{
		index: i, id: fmt.Sprintf("car-%03d", i+1), home: d.IntN(len(w.places)), logger: d.IntN(len(w.loggers)),
		knock: w.knock.car * clamp(w.knock.carLaw.draw(d), -4, 3), pattern: [2]float64{d.between(0, 7),
			d.between(0, 7)},
		ve: d.around(1, 0.018), injector: d.around(1, 0.01), pump: d.around(1, 0.03),
		cooler: clamp(d.around(1, 0.05), 0.8, 1.1),
		reach:  d.around(1, 0.02), torque: d.around(1, 0.015), spool: d.around(0, 50), boost: d.around(0, 2),
		valve: d.around(0, 3), lambda: w.mixture.car * w.mixture.carLaw.draw(d), exhaust: d.around(0, 10),
		warm: d.around(89, 2), oil: d.around(4, 3), mass: w.engine.mass + d.around(0, 50),
		lambdaBias: d.around(0, 0.004), chargeBias: d.around(0, 1), exhaustBias: d.around(0, 6),
		manifoldBias: d.around(0, 0.7), injectors: 1,
	}
	if d.chance(0.3) {
		c.fuel = 1
	}
	if d.chance(shareWeakPump) {
		c.pump *= d.between(0.72, 0.9)
		c.oddities = append(c.oddities, "weak pump")
	}
	if d.chance(shareBias) {
		c.lambdaBias += oneOf(d, -1.0, 1.0) * d.between(0.015, 0.035)
		c.oddities = append(c.oddities, "biased lambda sensor")
	}
	if d.chance(shareDeposits) {
		c.knock -= w.knock.car * d.between(1.5, 3)
		c.oddities = append(c.oddities, "deposits")
	}
	if d.chance(shareDrifting) {
		c.drift = w.drawDrift(d)
	}
	return c
}

// plant makes a share of the cars drift, of any kind, and no other.
func (w *world) plant(share float64) {
	if w.planted = share; share == 0 {
		return
	}
	for i, c := range w.cars {
		c.drift = drift{}
		if d := newDice(w.seed, dicePlanted, uint64(i)); d.chance(share) {
			c.drift = w.driftOf(d, oneOf(d, DriftDeposits, DriftPump, DriftSensor, DriftLeak, DriftPower))
		}
	}
}

func (w *world) drawDrift(d dice) drift {
	return w.driftOf(d, oneOf(d, DriftDeposits, DriftPump, DriftSensor, DriftLeak))
}

func (w *world) driftOf(d dice, k DriftKind) drift {
	switch k {
	case DriftDeposits:
		return drift{k, -w.knock.car * d.between(1.2, 2.5)}
	case DriftPump:
		return drift{k, -d.between(0.08, 0.2)}
	case DriftSensor:
		return drift{k, d.between(0.02, 0.04)}
	case DriftPower:
		return drift{k, -d.between(0.06, 0.15)}
	default:
		return drift{k, -d.between(0.06, 0.15)}
	}
}

// on is the car as it is on a day.
func (c *car) on(day time.Time) *car {
	if c.drift.kind == driftNone {
		return c
	}
	out := *c
	by := c.drift.year * math.Max(0, day.Sub(historyStart).Hours()/(24*365.25))
	switch c.drift.kind {
	case DriftDeposits:
		out.knock += by
	case DriftPump:
		out.pump = max(0.5, out.pump+by)
	case DriftSensor:
		out.lambdaBias += by
	case DriftPower:
		out.torque = max(0.6, out.torque+by)
	case DriftLeak:
		out.reach = max(0.6, out.reach+by)
		out.boost += 40 * by
		out.cooler = max(0.6, out.cooler+by)
	}
	return &out
}

// knockLuck is the car's at a speed.
func (c *car) knockLuck(k *knockLaw, rpm float64) float64 {
	return c.knock + k.pattern*(math.Sin(rpm/420+c.pattern[0])+math.Sin(rpm/870+c.pattern[1]))
}

// part is a piece of hardware that a proposed revision may be made for.
type part struct{ item, name string }

var parts = []part{{"injectors", "wide"}, {"intake", "open"}, {"turbo", "large"}}

// with is the car with parts fitted, and what the shop's rescaling of the control unit missed.
func (c *car) with(fitted map[string]string, d dice) *car {
	out := *c
	for _, p := range parts {
		if fitted[p.item] != p.name {
			continue
		}
		switch p.item {
		case "injectors":
			out.injectors *= 1.3
			out.lambda += d.around(0, 0.03)
		case "intake":
			out.ve *= d.between(1.0, 1.03)
			out.reach *= d.between(1.0, 1.06)
			out.lambda += d.around(0.005, 0.012)
		case "turbo":
			out.spool += d.between(250, 600)
			out.reach *= d.between(1.05, 1.2)
			out.boost += d.around(3, 5)
			out.cooler *= d.between(1.0, 1.05)
		}
	}
	return &out
}
