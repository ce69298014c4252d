package assess

import (
	"headroom/internal/assess/fleet"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/landmark"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/risk"
)

// Model is a platform with what rows of evidence taught of it, and the limits and thresholds of its shop. It is what a
// review predicts with. It is safe for concurrent use.
type Model struct {
	*fleet.Fleet
	ws       *workspace.Workspace
	vehicles map[string]*workspace.Vehicle // by the id the evidence knows a car by
	seed     uint64

	apart map[string][]landmark.Suspect // by car: what its logs read apart from other cars'

	record    *Record    // how stated chances came out; nil without one
	trustless risk.Trust // in chances of a hazard without a record
}

// decision holds the workspace's thresholds.
func (m *Model) decision() workspace.Decision { return m.ws.Config.Decision }

// thin is why evidence is too thin, nil where it is not.
func (m *Model) thin(cars, pulls int) result.Reason {
	d := m.decision()
	if cars >= d.ThinCars && pulls >= d.ThinPulls {
		return nil
	}
	return ThinEvidence{Cars: cars, Pulls: pulls, CarsWanted: d.ThinCars, PullsWanted: d.ThinPulls}
}

// severity is the gravest severity the platform gives a hazard.
func (m *Model) severity(h hazard.Info) hazard.Severity {
	out := h.Severity
	for i, l := range m.LimitsFor(h.ID) {
		if s := l.EffectiveSeverity(); i == 0 || s.Rank() > out.Rank() {
			out = s
		}
	}
	return out
}

// Forecast is what a model says of one limit of a hazard under a revision.
type Forecast struct {
	Hazard      hazard.ID
	Metric      metric.ID
	Unit        string
	Probability float64    // that a pull crosses the limit in any cell
	Interval90  [2]float64 // of that probability
	Draws       []float64  // the probability at draws of the parameters: what is not known of it
	Worst90     [2]float64 // 5 and 95 % quantile of a pull's smallest margin, in Unit, positive inside
	Cars        int        // behind it
	Pulls       int        // behind it
	Thin        bool       // it rests on measurements, and on fewer than the workspace asks for
}

// Predict says what a revision would do on the logged pulls that a review of it would be judged on, were rows all the
// evidence there is. car is the id the evidence knows the revision's car by ("" for a revision meant for the fleet);
// rows of it from before since are left out, because they show another car ("" leaves none out). Hazards come in the
// contract's order, without those that cannot be assessed. An error says why nothing can be predicted.
func (m *Model) Predict(rev *workspace.Revision, car, since string, rows []evidence.Row) ([]Forecast, error) {
	b, err := m.benchFor(rows, rev, car, since)
	if err != nil {
		return nil, err
	}
	var out []Forecast
	for _, h := range hazard.All() {
		evals, _, err := m.evaluations(b, h)
		if err != nil {
			return nil, err
		}
		for _, e := range evals {
			r := &e.result
			out = append(out, Forecast{
				Hazard: h.ID, Metric: e.ID, Unit: e.Unit, Probability: r.Probability,
				Interval90: [2]float64{r.Low, r.High}, Draws: r.Draws,
				Worst90: [2]float64{r.Worst.Low, r.Worst.High}, Cars: e.cars, Pulls: e.pulls,
				Thin: e.measured && m.thin(e.cars, e.pulls) != nil,
			})
		}
	}
	return out, nil
}
