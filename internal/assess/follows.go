package assess

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/knock"
	"headroom/models/value"
)

// change is how far a metric's predictor lies from where logs give its level, through all but spark and through spark.
type change struct{ rest, spark float64 }

func (c change) known() bool { return value.Known(c.rest) && value.Known(c.spark) }

// does is what a change does to the metric.
func (c change) does(f *fleet.Follows) float64 { return c.rest*f.Rest.Mean + c.spark*f.Spark.Mean }

// changeFrom is the change of a metric's predictor at a state from a base. What is not the revision's, as weather or
// the place of a state that was put where no log was, is told from spark's part only by what spark does at the state.
func (m *Model) changeFrom(q *fleet.Quantity, s *state.State, base float64) change {
	all := q.Predictor(m.Platform, s) - base
	if q.SparkSD == 0 {
		return change{rest: all}
	}
	_, spark := q.ChangeOf(m.Platform, s)
	return change{all - spark, spark}
}

// missed is what a deviation of what past revisions did beside their slopes adds at a state: all of it for a change as
// large as theirs, in proportion for a smaller one.
func (m *Model) missed(q *fleet.Quantity, s *state.State, f *fleet.Follows) float64 {
	if f.Typical == 0 {
		return 0
	}
	rest, spark := q.ChangeOf(m.Platform, s)
	return math.Min(1, math.Hypot(rest, spark)/f.Typical)
}

// What a revision moves a metric through, where physics and past revisions are compared.
const (
	ThroughSpark = "spark"
	ThroughRest  = "rest"
)

// dispute makes predictor.dispute.
func (m *Model) dispute(q *fleet.Quantity, f *fleet.Follows) func(s *state.State) float64 {
	if !f.Rest.Against && !f.Spark.Against {
		return nil
	}
	return func(s *state.State) float64 {
		rest, spark := q.ChangeOf(m.Platform, s)
		apart := 0.0
		if f.Rest.Against {
			apart += math.Abs(rest * (f.Rest.Shown - q.PhysicsSlope()))
		}
		if f.Spark.Against {
			apart += math.Abs(spark * (f.Spark.Shown - q.PhysicsSlope()))
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

// movesAgainst says what logs show against physics: past revisions of a measured metric, all rows of the knock limit.
func (m *Model) movesAgainst(e *evaluation) result.Reason {
	if e.ID == metric.KnockMargin {
		return m.limitMovesAgainst()
	}
	f := e.predictor.follows
	through, slope := ThroughRest, f.Rest
	if !f.Rest.Against {
		through, slope = ThroughSpark, f.Spark
	}
	expected := fleet.QuantityOf(e.ID).PhysicsSlope()
	return MovesAgainst{Hazard: e.hazard, Metric: e.ID, Through: through, Shown: result.Number(slope.Shown),
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
const numFollows = 3

// withFollows adds to a covariance those of how a metric follows its predictor: two slopes, and what past revisions did
// beside them.
func withFollows(cov *mat.SymDense, f *fleet.Follows) *mat.SymDense {
	n := cov.SymmetricDim()
	out := widened(cov, numFollows)
	out.SetSym(n, n, f.Rest.SD*f.Rest.SD)
	out.SetSym(n+1, n+1, f.Spark.SD*f.Spark.SD)
	out.SetSym(n, n+1, f.Covariance)
	out.SetSym(n+2, n+2, f.Missed*f.Missed)
	return out
}
