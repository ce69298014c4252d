package health

import (
	"cmp"
	"math"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/lifetime"
	"headroom/models/value"
)

// Settings of the outcome proofs.
const (
	proofConfidence = 0.95 // one-sided bounds, two-sided bands
	// cars in each power bracket, below which the platform is not divided; common practice, no source
	fewestInBracket = 3
	// failures in two brackets together: at equal exposure 2·0.5⁶ = 0.031 is the first chance below 0.05
	fewestToCompare = 6
	secondsPerHour  = 3600
)

// history is what one logged car went through.
type history struct {
	vehicle     string // as reports name it
	first, last string // dates of its logs, "" when unknown
	pulls       int
	hours       float64
	power       float64 // kW, NaN when unknown
	measured    bool    // power from a logged torque
	failures    []workspace.Outcome
	retired     string // date, "" while it runs
}

// addOutcomes adds what the recorded failures of a platform, or their absence, prove about its logged cars.
func (f *Fleet) addOutcomes(job *assess.Job, model *assess.Model, platform string, pulls []*evidence.Row) error {
	cars := histories(job, model, platform, pulls)
	whole, err := proofOf(platform, GroupPlatform, "", result.UnknownSpan(), cars, anyFailure)
	if err != nil {
		return err
	}
	f.Outcomes = append(f.Outcomes, whole)
	brackets, err := powerBrackets(platform, cars)
	if err != nil {
		return err
	}
	f.Outcomes = append(f.Outcomes, brackets...)
	if len(cars) > 0 {
		comparison, err := compareBrackets(platform, brackets)
		if err != nil {
			return err
		}
		f.Comparisons = append(f.Comparisons, comparison)
	}
	for _, component := range components(job.Workspace(), platform) {
		o, err := proofOf(platform, GroupComponent, component, whole.PowerKW, cars,
			func(o workspace.Outcome) bool { return o.Component == component })
		if err != nil {
			return err
		}
		f.Outcomes = append(f.Outcomes, o)
	}
	curve, err := survivalOf(platform, cars)
	if err != nil {
		return err
	}
	f.Survival = append(f.Survival, curve)
	return nil
}

func anyFailure(workspace.Outcome) bool { return true }

// histories gathers the logged cars of a platform in the order of their ids.
func histories(job *assess.Job, model *assess.Model, platform string, pulls []*evidence.Row) []history {
	ws := job.Workspace()
	byCar := map[string][]*evidence.Row{}
	for _, r := range pulls {
		byCar[r.Vehicle] = append(byCar[r.Vehicle], r)
	}
	var out []history
	for id, v := range ws.Vehicles {
		rows := byCar[job.Alias(id)]
		if v.Platform != platform || len(rows) == 0 {
			continue
		}
		h := history{vehicle: job.Alias(id), pulls: evidence.CountPulls(rows), retired: retired(ws, id)}
		for _, r := range rows {
			h.hours += value.Or(r.Duration, 0) / secondsPerHour
			if r.Date != "" {
				h.last = max(h.last, r.Date)
				if h.first == "" || r.Date < h.first {
					h.first = r.Date
				}
			}
		}
		h.power, h.measured = model.PeakPower(rows)
		for _, o := range ws.Outcomes {
			if o.Vehicle == id && o.Event == workspace.EventFailure {
				h.failures = append(h.failures, o)
			}
		}
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b history) int { return cmp.Compare(a.vehicle, b.vehicle) })
	return out
}

// retired is the date a car left the fleet without a failure, "" when it did not.
func retired(ws *workspace.Workspace, vehicle string) string {
	for _, o := range ws.Outcomes {
		if o.Vehicle == vehicle && o.Event == workspace.EventRetired {
			return o.Date
		}
	}
	return ""
}

// components are those that outcomes.csv names for cars of a platform, sorted.
func components(ws *workspace.Workspace, platform string) []string {
	var out []string
	for _, o := range ws.Outcomes {
		if v := ws.Vehicles[o.Vehicle]; v != nil && v.Platform == platform && o.Component != "" {
			out = append(out, o.Component)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// proofOf is what a group of cars proves about failures of one kind.
func proofOf(platform string, group Group, name string, power result.Span, cars []history,
	counts func(workspace.Outcome) bool) (OutcomeProof, error) {
	nan := result.Unknown()
	out := OutcomeProof{Platform: platform, Group: group, Name: name, PowerKW: power, Cars: len(cars),
		ShareUpper: nan, PullsUpper: nan, HoursUpper: nan}
	hours := 0.0
	for i := range cars {
		n := 0
		for _, o := range cars[i].failures {
			if counts(o) {
				n++
			}
		}
		out.Failures += n
		if n > 0 {
			out.FailedCars++
		}
		out.Pulls += cars[i].pulls
		hours += cars[i].hours
	}
	out.Hours = result.Number(hours)
	if len(cars) == 0 {
		return out, nil
	}
	proof, err := lifetime.Prove(lifetime.Group{Name: name, Cars: out.Cars, Failed: out.FailedCars,
		Failures: out.Failures, Exposure: float64(out.Pulls)}, proofConfidence)
	if err != nil {
		return out, err
	}
	out.ShareUpper, out.PullsUpper = result.Number(proof.ShareUpper), result.Number(proof.RateUpper)
	if hours > 0 {
		upper, err := lifetime.RateUpper(out.Failures, hours, proofConfidence)
		if err != nil {
			return out, err
		}
		out.HoursUpper = result.Number(upper)
	}
	return out, nil
}

// powerBrackets divides the cars of known power at the terciles of their peak power. Bounds are those of the cars in
// each bracket, halfway to the next one.
func powerBrackets(platform string, cars []history) ([]OutcomeProof, error) {
	var powered []history
	for i := range cars {
		if value.Known(cars[i].power) {
			powered = append(powered, cars[i])
		}
	}
	n := len(powered)
	if n < 3*fewestInBracket {
		return nil, nil
	}
	slices.SortStableFunc(powered, func(a, b history) int { return cmp.Compare(a.power, b.power) })
	edge := func(i int) float64 { return math.Round((powered[i-1].power + powered[i].power) / 2) }
	first, second := (n+1)/3, (2*n+1)/3
	low, high := edge(first), edge(second)
	nan := result.Unknown()
	var out []OutcomeProof
	for _, b := range []struct {
		span result.Span
		cars []history
	}{
		{result.Span{nan, result.Number(low)}, powered[:first]},
		{result.Span{result.Number(low), result.Number(high)}, powered[first:second]},
		{result.Span{result.Number(high), nan}, powered[second:]},
	} {
		o, err := proofOf(platform, GroupPower, "", b.span, b.cars, anyFailure)
		if err != nil {
			return nil, err
		}
		measured := 0
		for i := range b.cars {
			if b.cars[i].measured {
				measured++
			}
		}
		o.PowerMeasured = measured
		out = append(out, o)
	}
	return out, nil
}

// compareBrackets compares the failure rates of the strongest and the weakest cars, where enough failed to tell.
func compareBrackets(platform string, brackets []OutcomeProof) (RateComparison, error) {
	nan := result.Unknown()
	out := RateComparison{Platform: platform, Status: result.NotAssessed, Ratio: nan,
		Interval95: result.UnknownSpan(), PValue: nan,
		Strongest: RateGroup{PowerKW: result.UnknownSpan()}, Weakest: RateGroup{PowerKW: result.UnknownSpan()}}
	if len(brackets) == 0 {
		out.Reasons = result.Reasons{NotDivided{CarsWanted: 3 * fewestInBracket}}
		return out, nil
	}
	weak, strong := brackets[0], brackets[len(brackets)-1]
	out.Strongest, out.Weakest = rateGroup(&strong), rateGroup(&weak)
	if total := weak.Failures + strong.Failures; total < fewestToCompare {
		out.Reasons = result.Reasons{FewFailures{Failures: total, Wanted: fewestToCompare}}
		return out, nil
	}
	group := func(name string, o *OutcomeProof) lifetime.Group {
		return lifetime.Group{Name: name, Cars: o.Cars, Failed: o.FailedCars, Failures: o.Failures,
			Exposure: float64(o.Pulls)}
	}
	r, err := lifetime.CompareRates(group("strongest cars", &strong), group("weakest cars", &weak), proofConfidence)
	if err != nil {
		return out, err
	}
	out.Status = result.Assessed
	out.Ratio, out.PValue = result.Number(r.Ratio), result.Number(r.PValue)
	out.Interval95 = result.Span{result.Number(r.Low), result.Number(r.High)}
	out.Signal = r.PValue <= 1-proofConfidence
	return out, nil
}

func rateGroup(o *OutcomeProof) RateGroup {
	return RateGroup{PowerKW: o.PowerKW, Failures: o.Failures, Pulls: o.Pulls}
}

// survivalOf is the share of a platform's cars still running over the days since their first log. A car leaves at its
// first failure, when it is retired, or with its newest log, whichever the workspace knows; nothing is extended past
// it.
func survivalOf(platform string, cars []history) (Survival, error) {
	out := Survival{Platform: platform, Points: []SurvivalPoint{}, ObservedTo: result.Unknown()}
	var seen []lifetime.Observation
	for i := range cars {
		exit, failed := cars[i].exit()
		days, ok := daysBetween(cars[i].first, exit)
		if !ok || days <= 0 {
			out.LeftOut++
			continue
		}
		seen = append(seen, lifetime.Observation{Exit: days, Failed: failed})
	}
	if len(seen) == 0 {
		return out, nil
	}
	curve, err := lifetime.KaplanMeier(seen, proofConfidence)
	if err != nil {
		return out, err
	}
	out.Cars, out.Failures = curve.Cars, curve.Failures
	for _, p := range curve.Points {
		out.Points = append(out.Points, SurvivalPoint{Days: result.Number(p.Time), AtRisk: p.AtRisk,
			Failures: p.Failures, Censored: p.Censored,
			Running: result.Number(p.Survival), Band95: result.Span{result.Number(p.Low), result.Number(p.High)}})
	}
	out.ObservedTo = out.Points[len(out.Points)-1].Days
	return out, nil
}

// exit is the date a car leaves the observation, and whether by a failure.
func (h *history) exit() (date string, failed bool) {
	for _, o := range h.failures {
		if o.Date != "" && (date == "" || o.Date < date) {
			date, failed = o.Date, true
		}
	}
	if h.retired != "" && (date == "" || h.retired < date) {
		return h.retired, false
	}
	if !failed {
		return h.last, false
	}
	return date, true
}
