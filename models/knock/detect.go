package knock

import (
	"math"

	"headroom/models/value"
)

// visibleShare is the part of a controller step that must still stand at the next sample for the rise to be told
// from noise. Common practice, no source.
const visibleShare = 0.25

// Detectability returns the chance, 0–1, that knock in a cell would have shown as a rise of retard in a log.
//
// The controller takes stepDeg (°) of spark at once and gives it back at recoveryDegPerSecond (°/s, 0: never). A log
// sampled every sampleInterval (s) sees the rise only if at least a quarter of the step still stands at the next
// sample, which comes uniformly 0–sampleInterval after the event:
//
//	p = min(1, 0.75·step / (recovery·interval)).
//
// Spark above the limit is recovered and heard again about every step/recovery seconds, so a stay of dwell seconds
// gives n = 1 + dwell·recovery/step chances, 1 − (1−p)ⁿ of seeing one, provided a sample falls into the stay at
// all (chance min(1, dwell/interval)). Derived here from that picture; no source.
//
// A non-positive or non-finite interval, step or dwell, or a negative or non-finite recovery, gives 0: such a log
// proves nothing by being clean.
func Detectability(sampleInterval, stepDeg, recoveryDegPerSecond, dwell float64) float64 {
	if !value.AllKnown(sampleInterval, stepDeg, recoveryDegPerSecond, dwell) ||
		sampleInterval <= 0 || stepDeg <= 0 || dwell <= 0 || recoveryDegPerSecond < 0 {
		return 0
	}
	sampled := math.Min(1, dwell/sampleInterval)
	if recoveryDegPerSecond == 0 {
		return sampled
	}
	once := math.Min(1, (1-visibleShare)*stepDeg/(recoveryDegPerSecond*sampleInterval))
	chances := 1 + dwell*recoveryDegPerSecond/stepDeg
	return sampled * (1 - math.Pow(1-once, chances))
}

// HearingCycles is within how many engine cycles a controller has heard knock: one that hears every second knocking
// cycle has missed it in four with a chance of one in sixteen. Common practice, no source.
const HearingCycles = 4

// Hearing is the time in which knock is heard at an engine speed (rev/min, > 0), s: HearingCycles of two revolutions.
func Hearing(rpm float64) float64 { return HearingCycles * 120 / rpm }

// FalseShare is the share of a stay of dwell seconds in which a false event would have shown as a rise of retard did,
// for Cell.FalseShare. Knock meets its limit at a spark and so at a moment, which the log knows to within a sample
// interval and the time in which knock is heard; false events fall anywhere in the stay. 1 where an argument is not
// known or not positive. Derived here, no source.
func FalseShare(sampleInterval, rpm, dwell float64) float64 {
	if !value.AllKnown(sampleInterval, rpm, dwell) || sampleInterval <= 0 || rpm <= 0 || dwell <= 0 {
		return 1
	}
	return math.Min(1, (sampleInterval+Hearing(rpm))/dwell)
}

// StepsOf is how many of the controller's steps a rise of retard was of, both in degrees; 1 where the step is not
// known.
func StepsOf(rise, stepDeg float64) int {
	if !value.AllKnown(rise, stepDeg) || stepDeg <= 0 {
		return 1
	}
	return max(1, int(math.Round(rise/stepDeg)))
}

// Rise is one rise of retard in a cell as a log shows it. Sparks are °BTDC, retard positive degrees.
type Rise struct {
	Before, After float64 // delivered spark at the sample just before the rise and at the one that shows it
	RetardBefore  float64 // retard standing at Before, ≥ 0
	// largest spark delivered in the cell at a sample that no rise follows within the time of Hearing; NaN without one
	CleanSpark float64
}

// Bounds returns the interval the knock-limited spark lies in, for Cell.Lower and Cell.Upper.
//
// The controller goes on giving spark back after the sample before the rise, so knock was met at up to
// recovery·interval more than Before, though never at more than the retard that was left. In a slow log the rise may be
// of several steps, and each but the last was not enough: knock was heard again after it. The last step was taken at
// spark s, left s − step, and only recovery followed, so s is at most After + step, whatever the number of steps, what
// was recovered in between and what the spark was at the sample before. If spark was climbing
// (RetardBefore > 0) and passed a lower value in this cell without knock, the limit lies between the two: taking After
// for the lower end there would put the limit too low by up to a step, in just the rows that bound it from above, and
// a fit answers that with too wide a spread and too high a level. A quarter of a step is left for knock that was met
// but not heard at once. Interval censoring between the last inspection passed and the first failed is Turnbull (JRSS
// B 38, 1976); the quarter is common practice, no source.
//
// stepDeg is the controller's step (°), sampleInterval in s, recoveryDegPerSecond in °/s; a non-finite or negative
// one counts as 0. lower < upper whenever After < Before.
func (r Rise) Bounds(sampleInterval, stepDeg, recoveryDegPerSecond float64) (lower, upper float64) {
	known := func(v float64) float64 {
		if !value.Known(v) {
			return 0
		}
		return math.Max(v, 0)
	}
	retard := known(r.RetardBefore)
	lower = r.After
	upper = r.Before + math.Min(known(sampleInterval)*known(recoveryDegPerSecond), retard)
	if step := known(stepDeg); step > 0 {
		upper = math.Min(upper, r.After+step)
	}
	slack := visibleShare * known(stepDeg)
	if retard > 0 && value.Known(r.CleanSpark) && slack > 0 {
		lower = math.Max(lower, math.Min(r.CleanSpark, upper)-slack)
	}
	return lower, upper
}
