package fleet

import (
	"math"

	"headroom/internal/evidence"
	"headroom/models/value"
)

// What makes a lambda sensor suspect; common practice, no source.
const (
	sensorOffset   = 0.02 // λ, of the mean error in steady closed-loop running
	sensorAgrees   = 0.5  // the error at full throttle lies within this share of it
	nearStoich     = 0.02 // commanded λ this close to 1 is closed loop
	sensorFewCells = 3    // cells of either kind
)

// SensorDoubt is by how much a suspect lambda sensor reads off, λ, positive reading leaner than commanded.
type SensorDoubt struct {
	Steady float64 // in steady running, where the control unit holds stoichiometry by a sensor of its own
	Full   float64 // at full throttle
}

// Leaner is by how much the mixture may be leaner than a suspect sensor reads, λ: all that it reads rich, in whichever
// running it reads richer. 0 for one that reads lean, whose reading errs to the safe side.
func (d SensorDoubt) Leaner() float64 { return max(0, -d.Steady, -d.Full) }

// doubtOf says when a car's lambda reads off by as much in steady running, where the control unit holds stoichiometry
// by a sensor of its own, as at full throttle: then the logging sensor is the likelier fault, and the lean hazard is
// judged on it. The reading is not corrected, because the control unit's sensor may be the wrong one; see Leaner for
// what is added to it. One that reads rich in steady running is suspect whatever it reads at full throttle: it would
// hide a mixture that leans there by as much. ok is false where nothing speaks for it. rows are the car's.
func doubtOf(rows []*evidence.Row) (d SensorDoubt, ok bool) {
	var steady, pulls []float64
	for _, r := range rows {
		if !value.Known(r.LambdaError) {
			continue
		}
		switch {
		case r.Kind == evidence.KindPull:
			pulls = append(pulls, r.LambdaError)
		case math.Abs(r.LambdaCommanded-1) < nearStoich:
			steady = append(steady, r.LambdaError)
		}
	}
	if len(steady) < sensorFewCells || len(pulls) < sensorFewCells {
		return d, false
	}
	d = SensorDoubt{Steady: value.Median(steady), Full: value.Median(pulls)}
	agrees := math.Abs(d.Full-d.Steady) <= sensorAgrees*math.Abs(d.Steady)
	return d, d.Steady <= -sensorOffset || d.Steady >= sensorOffset && agrees
}

// doubtsOf are the cars whose lambda sensor is suspect.
func doubtsOf(rows []evidence.Row) map[string]SensorDoubt {
	byCar := map[string][]*evidence.Row{}
	for i := range rows {
		byCar[rows[i].Vehicle] = append(byCar[rows[i].Vehicle], &rows[i])
	}
	out := map[string]SensorDoubt{}
	for car, own := range byCar {
		if d, ok := doubtOf(own); ok {
			out[car] = d
		}
	}
	return out
}
