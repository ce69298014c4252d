package assess

import (
	"headroom/internal/evidence"
	"headroom/internal/workspace"
)

// Model is a platform with what rows of evidence taught of it: its physics made ready, and the fleet's levels and
// spreads. It is what a review predicts with. It is safe for concurrent use.
type Model struct {
	job      *Job
	platform *platform
	fit      *platformFit
}

// Model is a platform's model fitted to all its evidence: the one reviews use, kept in the workspace.
func (j *Job) Model(platform string) (*Model, error) {
	l, err := j.named(platform)
	if err != nil {
		return nil, err
	}
	return l.model()
}

// Fit is a platform's model fitted to some rows of it, of pulls and of steady running. It is not kept.
func (j *Job) Fit(platform string, rows []evidence.Row) (*Model, error) {
	l, err := j.named(platform)
	if err != nil {
		return nil, err
	}
	p := l.platform()
	f, err := p.fitPlatform(rows)
	if err != nil {
		return nil, err
	}
	return &Model{job: j, platform: p, fit: f}, nil
}

// Foresight is what a model says of one limit of a hazard under a revision.
type Foresight struct {
	Hazard      string
	Metric      string
	Unit        string
	Probability float64    // that a pull crosses the limit in any cell
	Interval90  [2]float64 // of that probability
	Draws       []float64  // the probability at draws of the parameters: what is not known of it
	Worst90     [2]float64 // 5 and 95 % quantile of a pull's smallest margin, in Unit, positive inside
	Cars        int        // behind it
	Pulls       int        // behind it
	Thin        bool       // it rests on measurements, and on fewer than the workspace asks for
}

// Foresee says what a revision would do on the logged pulls that a review of it would be judged on, were rows all the
// evidence there is. Rows of its own car from before since are left out: they show another car ("" leaves none out).
// Hazards come in the contract's order, without those that cannot be assessed. An error says why nothing can be
// foreseen.
func (m *Model) Foresee(rev *workspace.Revision, since string, rows []evidence.Row) ([]Foresight, error) {
	p := m.platform
	b, err := p.benchFor(m.fit, m.job.ws, rows, rev, m.job.CarOf(rev), since)
	if err != nil {
		return nil, err
	}
	b.seed = m.job.Seed()
	var out []Foresight
	for _, h := range workspace.Hazards() {
		evals, _, err := p.hazardEvaluations(m.fit, b, h)
		if err != nil {
			return nil, err
		}
		for _, e := range evals {
			r := &e.result
			out = append(out, Foresight{
				Hazard: h.Name, Metric: e.metric, Unit: e.unit, Probability: r.Probability,
				Interval90: [2]float64{r.Low, r.High},
				Draws:      r.Draws, Worst90: [2]float64{r.Worst.Low, r.Worst.High}, Cars: e.cars, Pulls: e.pulls,
				Thin: e.measured && p.thin(e.cars, e.pulls) != "",
			})
		}
	}
	return out, nil
}
