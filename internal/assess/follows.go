package assess

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/knock"
	"headroom/models/value"
)

// missed is what a deviation of what past revisions did beside their slopes adds at a state: all of it for a change as
// large as theirs, in proportion for a smaller one.
func (m *Model) missed(q *fleet.Quantity, s *state.State, f *fleet.Follows) float64 {
	if f.Typical == 0 {
		return 0
	}
	rest, spark := q.ChangeOf(m.Platform, s)
	return math.Min(1, math.Hypot(rest, spark)/f.Typical)
}

// dispute makes predictor.dispute.
func (m *Model) dispute(q *fleet.Quantity, f *fleet.Follows) func(s *state.State) float64 {
	if !slices.ContainsFunc(f.Slopes[:], func(s fleet.Slope) bool { return s.Against }) {
		return nil
	}
	return func(s *state.State) float64 {
		apart := 0.0
		for k, by := range q.PartsOf(m.Platform, s) {
			if f.Slopes[k].Against {
				apart += math.Abs(by * (f.Slopes[k].Shown - q.PhysicsSlope()))
			}
		}
		return apart
	}
}

// smallDispute is the share of a pull's deviation up to which a dispute is of no matter; common practice, no source.
const smallDispute = 0.25

// disputes reports whether the limit of a reading is within reach by the less favourable of two accounts, and those lie
// apart by more than a small part of what pulls differ by.
func (pr *predictor) disputes(r reading) bool {
	if pr.dispute == nil {
		return false
	}
	apart, sd := pr.dispute(r.at), math.Hypot(pr.pullSD, pr.cellSD)
	return apart > smallDispute*sd && r.margin-apart < value.Z95*sd
}

// throughs are the names of the parts of a change in results.
var throughs = [fleet.NumParts]string{"air", "mixture", "spark", "charge"}

// movesAgainst says what logs show against physics: past revisions of a measured metric, all rows of the knock limit.
func (m *Model) movesAgainst(e *evaluation) result.Reason {
	if e.ID == metric.KnockMargin {
		return m.limitMovesAgainst()
	}
	f := e.predictor.follows
	part := slices.IndexFunc(f.Slopes[:], func(s fleet.Slope) bool { return s.Against })
	slope := f.Slopes[part]
	expected := fleet.QuantityOf(e.ID).PhysicsSlope()
	return MovesAgainst{Hazard: e.hazard, Metric: e.ID, Through: throughs[part], Shown: result.Number(slope.Shown),
		ShownSD: result.Number(slope.ShownSD), Expected: result.Number(expected), Cars: f.Cars, Revisions: f.Revisions}
}

// limitMovesAgainst says which slope of the knock limit contradicts physics, of several the oddest.
func (m *Model) limitMovesAgainst() LimitMovesAgainst {
	k := m.ContradictedSlopes()[0]
	shown := m.Knock.Shown[k]
	return LimitMovesAgainst{Covariate: knock.Name(k), Unit: knock.Unit(k), Shown: result.Number(shown.Slope),
		ShownSD: result.Number(shown.SD), Expected: result.Number(m.Slopes[k]), Cars: m.Knock.Cars,
		Pulls: m.KnockPulls}
}

// numFollows is how many parameters withFollows adds.
const numFollows = int(fleet.NumParts) + 1

// withFollows adds to a covariance those of how a metric follows its predictor: a slope for each part of a change, and
// what past revisions did beside them.
func withFollows(cov *mat.SymDense, f *fleet.Follows) *mat.SymDense {
	n := cov.SymmetricDim()
	out := widened(cov, numFollows)
	for j := range f.Covariance {
		for k := j; k < len(f.Covariance); k++ {
			out.SetSym(n+j, n+k, f.Covariance[j][k])
		}
	}
	out.SetSym(n+numFollows-1, n+numFollows-1, f.Missed*f.Missed)
	return out
}
