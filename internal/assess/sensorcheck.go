package assess

import (
	"fmt"
	"maps"
	"math"
	"slices"

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

// suspectLambdaSensor says when a car's lambda reads off by as much in steady running, where the control unit holds
// stoichiometry by a sensor of its own, as at full throttle: then the logging sensor is the likelier fault, and the
// lean hazard is judged on it. The reading is not corrected, because the control unit's sensor may be the wrong one. ""
// where nothing speaks for it.
func suspectLambdaSensor(rows []evidence.Row, car string) string {
	var steady, pulls []float64
	for i := range rows {
		r := &rows[i]
		if r.Vehicle != car || !value.Known(r.LambdaError) {
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
		return ""
	}
	atRest, atFull := value.Median(steady), value.Median(pulls)
	if math.Abs(atRest) < sensorOffset || math.Abs(atFull-atRest) > sensorAgrees*math.Abs(atRest) {
		return ""
	}
	side := "leaner"
	if atRest < 0 {
		side = "richer"
	}
	return fmt.Sprintf("This car's lambda reads %.3f %s than commanded in steady running, where the control unit "+
		"holds it by its own sensor, and %+.3f at full throttle. "+
		"The logging sensor is the likelier fault: check it first, because the lean hazard is judged on what it reads.",
		math.Abs(atRest), side, atFull)
}

// suspectCars are the cars whose lambda sensor is suspect, sorted.
func suspectCars(rows []evidence.Row) []string {
	byCar := map[string][]evidence.Row{}
	for i := range rows {
		byCar[rows[i].Vehicle] = append(byCar[rows[i].Vehicle], rows[i])
	}
	var out []string
	for _, car := range slices.Sorted(maps.Keys(byCar)) {
		if suspectLambdaSensor(byCar[car], car) != "" {
			out = append(out, car)
		}
	}
	return out
}
