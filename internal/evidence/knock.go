package evidence

import (
	"fmt"
	"math"

	"headroom/internal/runlog"
	"headroom/models/channel"
	"headroom/models/knock"
	"headroom/models/value"
)

// riseWithoutStep is the least rise of retard that counts where the controller's step is not known, degrees: above
// the resolution of the usual logs. Common practice, no source.
const riseWithoutStep = 0.4

// riseThreshold is half the controller's step: a whole step that has recovered by half still counts, a rounding step
// of the log does not.
func riseThreshold(k *KnockControl) float64 {
	if k == nil {
		return riseWithoutStep
	}
	return k.StepDeg / 2
}

// retard is the total knock retard of a run.
type retard struct {
	total    []float64 // feedback plus learned, degrees; nil without feedback
	interval float64   // median seconds between usable samples
}

// totalRetard adds the feedback and the learned part sample by sample, so that handing retard from one to the other
// changes nothing. Where both are logged, a sample with only one of them usable is unknown. Learned retard alone tells
// nothing of what is heard in a pull: without feedback, knock is not logged.
func totalRetard(run *runlog.Run) retard {
	feedback, learned := logged(run, channel.KnockRetard), logged(run, channel.KnockRetardLearned)
	total := feedback
	if feedback != nil && learned != nil {
		total = make([]float64, len(feedback))
		for i := range total {
			total[i] = feedback[i] + learned[i]
		}
	}
	return retard{total: total, interval: validInterval(run.Time, total)}
}

// slow reports whether a controller's step may come and go between two samples: what is left of it after one sample
// interval is below the threshold at which a rise is counted. False when the controller is not known.
func (r retard) slow(k *KnockControl) bool {
	return k != nil && r.total != nil && k.StepDeg-k.RecoveryDegPerSecond*r.interval < riseThreshold(k)
}

// rise is one knock event: total retard rose by size between the usable samples before and at.
type rise struct {
	at, before int
	size       float64 // degrees
}

// pairs calls f for each two consecutive usable samples of total retard inside the segment that are not separated by
// a gap: a retard that was already there when the segment began is never differenced. A sample that belongs to no cell
// is not usable here, so that a rise at it shows in the next cell instead of being lost.
func (r retard) pairs(time []float64, interval float64, s Segment, inCell func(i int) bool, f func(before, at int)) {
	if r.total == nil {
		return
	}
	reach := gapFactor * math.Max(interval, r.interval)
	last := -1
	for i := s.From; i < s.To; i++ {
		if !value.Known(r.total[i]) || !inCell(i) {
			continue
		}
		if last >= 0 && time[i]-time[last] <= reach {
			f(last, i)
		}
		last = i
	}
}

// spark is the spark of a run, before and after knock retard, degrees before top dead centre.
type spark struct {
	delivered, commanded []float64 // nil when neither logged nor derivable
	source               string
}

// Sources of spark.
const (
	SparkBoth      = "both"      // delivered and commanded are logged
	SparkDelivered = "delivered" // delivered is logged; commanded = delivered + total retard
	SparkCommanded = "commanded" // commanded is logged; delivered = commanded − total retard
	SparkNone      = ""          // neither
)

// sparkOf reads delivered and commanded spark, or derives the one that is missing from the other and total retard;
// without retard it stays unknown.
func sparkOf(run *runlog.Run, r retard) spark {
	delivered, commanded := logged(run, channel.SparkAdvance), logged(run, channel.SparkCommanded)
	switch {
	case delivered != nil && commanded != nil:
		return spark{delivered, commanded, SparkBoth}
	case delivered != nil:
		return spark{delivered, addScaled(delivered, r.total, 1), SparkDelivered}
	case commanded != nil:
		return spark{addScaled(commanded, r.total, -1), commanded, SparkCommanded}
	}
	return spark{source: SparkNone}
}

// addScaled is a + k·b sample by sample, nil when b is not logged.
func addScaled(a, b []float64, k float64) []float64 {
	if b == nil {
		return nil
	}
	out := make([]float64, len(a))
	for i := range a {
		out[i] = a[i] + k*b[i]
	}
	return out
}

// bracket returns the delivered spark just before and just after a rise; the knock limit lies between. NaN when
// delivered spark is unknown there.
//
// Delivered spark moves for two reasons: knock retard, and the table moving with speed and load. Only the first says
// something about knock, and the row's other numbers belong to the cell of the sample at which the rise shows. So the
// bracket is put at that sample's operating point: after is what was delivered there, before is what would have been
// delivered there had retard not risen (after + rise = commanded there − retard before). Taking before from the
// previous sample instead would mix in the table's step from the previous cell, several degrees at the onset of
// boost. Where spark was not read at the sample itself, the last reading since the sample before the rise is used,
// which still is the spark before it.
func (s spark) bracket(r rise) (before, after float64) {
	if v := at(s.delivered, r.at); value.Known(v) {
		return v + r.size, v
	}
	for i := r.at - 1; i >= r.before; i-- {
		if v := at(s.delivered, i); value.Known(v) {
			return v, v - r.size
		}
	}
	return math.NaN(), math.NaN()
}

// knockCell is what total retard says in one cell.
type knockCell struct {
	compared int // pairs of samples that end in the cell
	events   int
	sum      float64
	start    float64 // retard left over on entering, NaN before the first sample
	before   float64
	after    float64
	at       int     // sample at which that rise shows, −1 without one
	retard   float64 // standing before that rise
}

func newKnockCell() *knockCell {
	return &knockCell{start: math.NaN(), before: math.NaN(), after: math.NaN(), retard: math.NaN(), at: -1}
}

// note adds an event; of several the one with the lowest spark is kept, since the limit is the lowest that was met.
func (k *knockCell) note(r rise, s spark, retardBefore float64) {
	k.events++
	k.sum += r.size
	if before, after := s.bracket(r); value.Known(before) && !(k.before <= before) {
		k.before, k.after, k.at, k.retard = before, after, r.at, retardBefore
	}
}

// boundSlope is how far the knock-limited spark falls with the natural logarithm of air charge, degrees: the order of
// magnitude the cycle model gives (models/cycle) for boosted engines, used only to choose the bounding sample.
const boundSlope = 30

// bounding is the sample at which a cell bounds the knock limit, or its last sample where spark is not known.
func (b *builder) bounding(k *content) int {
	if k.knock.at >= 0 {
		return k.knock.at
	}
	best, most := k.places[len(k.places)-1], math.Inf(-1)
	for _, i := range k.places {
		if v := at(b.spark.delivered, i) + boundSlope*math.Log(b.load[i]); v > most {
			best, most = i, v
		}
	}
	return best
}

// hear marks the samples of a segment before a rise whose spark may be the one that was heard: knock is heard within
// knock.HearingCycles of the sample just before it.
func (b *builder) hear(r rise, s Segment) {
	rpm, time := b.channels[channel.EngineSpeed], b.run.Time
	for i := r.before; i >= s.From; i-- {
		if i < r.before && !(time[r.before]-time[i] < knock.Hearing(rpm[r.before])) {
			return
		}
		b.heard[i] = true
	}
}

// cleanSpark is the largest spark delivered in the cell at a sample that no rise follows within hearing, moved to the
// charge of the lowest rise by boundSlope so that it can be set against the bracket; NaN without a rise or such a
// sample.
func (b *builder) cleanSpark(k *content) float64 {
	if k.knock.at < 0 {
		return math.NaN()
	}
	most := math.NaN()
	for _, i := range k.places {
		v := at(b.spark.delivered, i) + boundSlope*math.Log(b.load[i]/b.load[k.knock.at])
		if !b.heard[i] && value.Known(v) && !(most >= v) {
			most = v
		}
	}
	return most
}

// knockFindings says when knock is not logged, or too slowly to be seen.
func knockFindings(run *runlog.Run, r retard, s spark, k *KnockControl) []runlog.Finding {
	if r.total == nil {
		return []runlog.Finding{wholeRun(run, channel.KnockRetard, KindNoKnock, "knock retard is not logged: cells "+
			"are neither clean nor knocking")}
	}
	var out []runlog.Finding
	if s.delivered == nil {
		out = append(out, wholeRun(run, channel.SparkAdvance, KindNoSpark, "spark is not logged: knock events have "+
			"no spark to be judged by"))
	}
	if r.slow(k) {
		out = append(out, wholeRun(run, channel.KnockRetard, KindSlowRetard, fmt.Sprintf(
			"knock retard is sampled every %.2g s while the control unit gives back %g°/s of a %g° step: an event "+
				"may pass unseen, so clean cells are weak evidence",
			r.interval, k.RecoveryDegPerSecond, k.StepDeg)))
	}
	return out
}
