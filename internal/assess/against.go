package assess

import (
	"fmt"
	"math"

	"headroom/internal/workspace"
)

// Against sets two revisions side by side (schema headroom/against/1).
type Against struct {
	Stamp
	Left     AgainstSide     `json:"left"`
	Right    AgainstSide     `json:"right"`
	Hazards  []AgainstHazard `json:"hazards"`
	Gains    []AgainstGain   `json:"gains"`
	Cautions []string        `json:"cautions"`
}

// AgainstSide is one of the two.
type AgainstSide struct {
	Revision string   `json:"revision"`
	Vehicle  string   `json:"vehicle"`
	Verdict  string   `json:"verdict"`
	Because  []string `json:"because"`
}

// AgainstHazard is one hazard under both.
type AgainstHazard struct {
	Hazard   string `json:"hazard"`
	Severity string `json:"severity"`
	Left     Hazard `json:"left"`
	Right    Hazard `json:"right"`
	Change   Number `json:"change"` // right minus left probability per pull
	Worse    Number `json:"worse"`  // share of parameter draws at which right is the more likely to cross; null when the draws do not pair
}

// AgainstGain is torque by speed under both, N·m.
type AgainstGain struct {
	RPM   Number `json:"rpm"`
	Left  Number `json:"left_nm"`
	Right Number `json:"right_nm"`
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
		return nil, fmt.Errorf("revisions %s and %s are of platforms %s and %s: only revisions of one platform can be compared", left, right, a.Platform, b.Platform)
	}
	out := &Against{Stamp: j.stamp("headroom/against/1"), Left: sideOf(a), Right: sideOf(b), Hazards: []AgainstHazard{}, Gains: []AgainstGain{}}
	for i, h := range workspace.Hazards() {
		out.Hazards = append(out.Hazards, AgainstHazard{
			Hazard: h.Name, Severity: a.Hazards[i].Severity, Left: a.Hazards[i], Right: b.Hazards[i],
			Change: b.Hazards[i].ProbabilityPerPull - a.Hazards[i].ProbabilityPerPull,
			Worse:  Number(worseShare(a, b, h.Name)),
		})
	}
	out.Gains = pairGains(a.Gains, b.Gains)
	if a.Vehicle != b.Vehicle {
		out.Cautions = append(out.Cautions, fmt.Sprintf("The revisions are for different cars (%s and %s): the difference between the cars is in the comparison.", a.Vehicle, b.Vehicle))
	}
	out.Cautions = append(out.Cautions, StandingCautions...)
	return out, nil
}

func sideOf(r *Review) AgainstSide {
	return AgainstSide{Revision: r.Revision, Vehicle: r.Vehicle, Verdict: r.Verdict, Because: r.Because}
}

// worseShare compares draw by draw; draws pair only for one car under one posterior.
func worseShare(a, b *Review, hazard string) float64 {
	x, y := a.draws[hazard], b.draws[hazard]
	if a.Vehicle != b.Vehicle || len(x) == 0 || len(x) != len(y) {
		return math.NaN()
	}
	worse := 0
	for i := range x {
		if y[i] > x[i] {
			worse++
		}
	}
	return float64(worse) / float64(len(x))
}

func pairGains(a, b []Gain) []AgainstGain {
	right := map[Number]Number{}
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
