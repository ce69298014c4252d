package assess

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/models/risk"
)

// Against sets two revisions side by side (schema headroom/against/1).
type Against struct {
	result.Stamp
	Left     AgainstSide     `json:"left"`
	Right    AgainstSide     `json:"right"`
	Hazards  []AgainstHazard `json:"hazards"`
	Gains    []AgainstGain   `json:"gains"`
	Cautions []string        `json:"cautions"` // Notes in words and what ends every report, by internal/report
	Notes    result.Reasons  `json:"notes"`
}

// AgainstSide is one of the two.
type AgainstSide struct {
	Revision string         `json:"revision"`
	Vehicle  string         `json:"vehicle"`
	Verdict  Verdict        `json:"verdict"`
	Because  []string       `json:"because"` // Reasons in words, by internal/report
	Reasons  result.Reasons `json:"reasons"`
}

// AgainstHazard is one hazard under both.
type AgainstHazard struct {
	Hazard   hazard.ID       `json:"hazard"`
	Severity hazard.Severity `json:"severity"`
	Left     Hazard          `json:"left"`
	Right    Hazard          `json:"right"`
	Change   result.Number   `json:"change"` // right minus left probability per pull
	// share of parameter draws at which right is the more likely to cross; null for different cars or metrics
	Worse result.Number `json:"worse"`
}

// AgainstGain is torque by speed under both, N·m.
type AgainstGain struct {
	RPM   result.Number `json:"rpm"`
	Left  result.Number `json:"left_nm"`
	Right result.Number `json:"right_nm"`
}

// Against scores two revisions of one platform and compares them hazard by hazard.
func (j *Job) Against(left, right string) (*Against, error) {
	a, err := j.Review(left)
	if err != nil {
		return nil, err
	}
	b, err := j.Review(right)
	if err != nil {
		return nil, err
	}
	if a.Platform != b.Platform {
		return nil, fmt.Errorf("revisions %s and %s are of platforms %s and %s: only revisions of one platform can "+
			"be compared", left, right, a.Platform, b.Platform)
	}
	out := &Against{Stamp: j.Stamp("headroom/against/1"), Left: sideOf(a), Right: sideOf(b), Hazards: []AgainstHazard{},
		Gains: []AgainstGain{}}
	for i, h := range hazard.All() {
		out.Hazards = append(out.Hazards, AgainstHazard{
			Hazard: h.ID, Severity: a.Hazards[i].Severity, Left: a.Hazards[i], Right: b.Hazards[i],
			Change: b.Hazards[i].ProbabilityPerPull - a.Hazards[i].ProbabilityPerPull,
			Worse:  result.Unknown(),
		})
		if x, y := a.worst[h.ID], b.worst[h.ID]; x != nil && y != nil && x.ID == y.ID &&
			a.Vehicle == b.Vehicle {
			worse, err := worseShare(x, y, j.Seed())
			if err != nil {
				return nil, fmt.Errorf("%s: %w", h.ID, err)
			}
			out.Hazards[i].Worse = result.Number(worse)
		}
	}
	out.Gains = pairGains(a.Gains, b.Gains)
	if a.Vehicle != b.Vehicle {
		out.Notes = append(out.Notes, DifferentCars{Left: a.Vehicle, Right: b.Vehicle})
	}
	return out, nil
}

func sideOf(r *Review) AgainstSide {
	return AgainstSide{Revision: r.Revision, Vehicle: r.Vehicle, Verdict: r.Verdict, Reasons: r.Reasons}
}

// worseShare judges both at the same parameter draws, which needs one metric of one car; NaN where the car's posterior
// is not the same on both sides, as when one was judged on other cars' logs.
func worseShare(left, right *evaluation, seed uint64) (float64, error) {
	if !mat.Equal(left.problem.Cov, right.problem.Cov) {
		return math.NaN(), nil
	}
	r, err := risk.EvaluateMany([]risk.Problem{left.problem, right.problem}, 0, seed)
	if err != nil {
		return 0, err
	}
	return risk.Worse(r[0], r[1]), nil
}

func pairGains(a, b []Gain) []AgainstGain {
	right := map[result.Number]result.Number{}
	for _, g := range b {
		right[g.RPM] = g.TorqueNm[1]
	}
	out := []AgainstGain{}
	for _, g := range a {
		if r, ok := right[g.RPM]; ok {
			out = append(out, AgainstGain{RPM: g.RPM, Left: g.TorqueNm[1], Right: r})
		}
	}
	return out
}
