package assess

import (
	"fmt"
	"maps"
	"slices"

	"headroom/internal/hazard"
	"headroom/internal/parallel"
	"headroom/internal/result"
	"headroom/models/risk"
	"headroom/models/value"
)

// Across scores one revision for every car of its platform (schema headroom/across/1).
type Across struct {
	result.Stamp
	Revision string         `json:"revision"`
	Parent   string         `json:"parent"`
	Platform string         `json:"platform"`
	Fuel     string         `json:"fuel"`
	Hazards  []AcrossHazard `json:"hazards"`
	Cars     []AcrossCar    `json:"cars"` // riskiest first
	Failed   []AcrossError  `json:"failed"`
	Cautions []string       `json:"cautions"` // by internal/report
}

// AcrossHazard is how many cars would cross a limit too often: in more pulls than the workspace's threshold for the
// hazard's severity (0.10 where the severity has none).
type AcrossHazard struct {
	Hazard     hazard.ID       `json:"hazard"`
	Severity   hazard.Severity `json:"severity"`
	Threshold  result.Number   `json:"threshold"`  // probability per pull
	Assessed   int             `json:"assessed"`   // cars it could be assessed for
	Expected   result.Number   `json:"expected"`   // cars
	Interval90 result.Span     `json:"interval90"` // cars; what the cars share in uncertainty moves them together
	Likely     []string        `json:"likely"`     // cars more likely than not to be among them
}

// AcrossCar is the revision on one car.
type AcrossCar struct {
	Vehicle            string         `json:"vehicle"`
	Verdict            Verdict        `json:"verdict"`
	TopHazard          hazard.ID      `json:"top_hazard"`
	ProbabilityPerPull result.Number  `json:"probability_per_pull"`
	Interval90         result.Span    `json:"interval90"`
	CarPulls           int            `json:"car_pulls"` // pulls of this car, on any calibration
	Because            string         `json:"because"`   // the first reason in words, by internal/report
	Reasons            result.Reasons `json:"reasons"`   // the first
}

// AcrossError is a car the revision could not be scored for.
type AcrossError struct {
	Vehicle string `json:"vehicle"`
	Error   string `json:"error"`
}

// defaultThreshold counts a car where the workspace has no threshold for a severity.
const defaultThreshold = 0.10

// Across scores a revision as if it were meant for each car of the platform in turn. Cars that cannot be scored are
// listed with the reason.
func (j *Job) Across(id string, jobs int, done func(finished, total int)) (*Across, error) {
	rev, ok := j.ws.Revisions[id]
	if !ok {
		return nil, j.noRevision(id)
	}
	m, err := j.Model(rev.Platform)
	if err != nil {
		return nil, fmt.Errorf("revision %s: %w", id, err)
	}
	out := &Across{
		Stamp: j.Stamp("headroom/across/1"), Revision: id, Parent: rev.Parent, Platform: rev.Platform, Fuel: rev.Fuel,
		Hazards: []AcrossHazard{}, Cars: []AcrossCar{}, Failed: []AcrossError{},
	}
	var vehicles []string
	for _, v := range slices.Sorted(maps.Keys(j.ws.Vehicles)) {
		if j.ws.Vehicles[v].Platform == rev.Platform {
			vehicles = append(vehicles, v)
		}
	}
	reviews, failures := make([]*Review, len(vehicles)), make([]error, len(vehicles))
	parallel.Each(len(vehicles), jobs, done, func(i int) {
		r, err := j.review(rev, vehicles[i], j.Alias(vehicles[i]))
		if err == nil {
			r.draws, err = memberDraws(r.worst, j.Seed(), uint64(i))
			r.worst = nil
		}
		reviews[i], failures[i] = r, err
	})
	var scored []*Review
	for i, v := range vehicles {
		if failures[i] != nil {
			out.Failed = append(out.Failed, AcrossError{Vehicle: j.Alias(v), Error: failures[i].Error()})
			continue
		}
		scored = append(scored, reviews[i])
		out.Cars = append(out.Cars, j.acrossCar(rev.Platform, reviews[i]))
	}
	for _, h := range hazard.All() {
		out.Hazards = append(out.Hazards, m.acrossHazard(h, scored))
	}
	slices.SortStableFunc(out.Cars, func(a, b AcrossCar) int {
		return compareRisk(a.Verdict, b.Verdict, float64(a.ProbabilityPerPull), float64(b.ProbabilityPerPull))
	})
	return out, nil
}

// compareRisk orders by verdict, the gravest first, then by probability.
func compareRisk(va, vb Verdict, pa, pb float64) int {
	if d := slices.Index(Verdicts, va) - slices.Index(Verdicts, vb); d != 0 {
		return d
	}
	switch a, b := value.Or(pa, -1), value.Or(pb, -1); {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}

func (j *Job) acrossCar(platform string, r *Review) AcrossCar {
	car := AcrossCar{
		Vehicle: r.Vehicle, Verdict: r.Verdict, ProbabilityPerPull: result.Unknown(),
		Interval90: result.UnknownSpan(), Reasons: r.Reasons[:1],
	}
	if rows, err := j.Evidence(platform); err == nil {
		for _, n := range pullsOf(rows, r.Vehicle) {
			car.CarPulls += n
		}
	}
	if len(r.Findings) == 0 {
		return car
	}
	car.TopHazard = r.Findings[0].Hazard
	for _, h := range r.Hazards {
		if h.Hazard == car.TopHazard {
			car.ProbabilityPerPull, car.Interval90 = h.ProbabilityPerPull, h.Interval90
		}
	}
	return car
}

// acrossDraws is how many parameter draws the cars are counted at.
const acrossDraws = 200

// memberDraws is each hazard's probability for one car at draws of the platform's parameters that all cars share, with
// draws of the car's own.
func memberDraws(worst map[hazard.ID]*evaluation, seed, member uint64) (map[hazard.ID][]float64, error) {
	out := map[hazard.ID][]float64{}
	for id, e := range worst {
		if e == nil {
			continue
		}
		d, err := risk.MemberDraws(e.problem, e.predictor.own, acrossDraws, seed, member)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", id, err)
		}
		out[id] = d
	}
	return out, nil
}

// acrossHazard counts, draw by draw, the cars whose probability passes the threshold: what is uncertain for the whole
// platform moves the count as a whole, what is a car's own moves that car alone.
func (m *Model) acrossHazard(h hazard.Info, reviews []*Review) AcrossHazard {
	severity := m.severity(h)
	threshold, ok := m.decision().HoldProbability[severity]
	if !ok {
		threshold = defaultThreshold
	}
	out := AcrossHazard{Hazard: h.ID, Severity: severity, Threshold: result.Number(threshold),
		Expected:   result.Unknown(),
		Interval90: result.UnknownSpan(), Likely: []string{}}
	var counts []float64
	for _, r := range reviews {
		draws := r.draws[h.ID]
		if len(draws) == 0 {
			continue
		}
		out.Assessed++
		if counts == nil {
			counts = make([]float64, len(draws))
		}
		over := 0
		for k, v := range draws {
			if v > threshold {
				over++
				counts[k]++
			}
		}
		if 2*over > len(draws) {
			out.Likely = append(out.Likely, r.Vehicle)
		}
	}
	if counts == nil {
		return out
	}
	slices.Sort(counts)
	sum := 0.0
	for _, c := range counts {
		sum += c
	}
	n := len(counts)
	out.Expected = result.Number(sum / float64(n))
	out.Interval90 = result.Span{result.Number(counts[n*5/100]), result.Number(counts[n-1-n*5/100])}
	return out
}
