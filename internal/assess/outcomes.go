package assess

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/lifetime"
)

// Settings of the outcome proofs.
const (
	proofConfidence  = 0.95 // one-sided bounds, two-sided bands
	fewestInBracket  = 3    // cars in each power bracket, below which the platform is not divided; common practice, no source
	fewestToCompare  = 6    // failures in two brackets together: at equal exposure 2·0.5⁶ = 0.031 is the first chance below 0.05
	secondsPerHour   = 3600
	kilowattPerNmRPM = 2 * math.Pi / 60 / 1000
)

// Groups of an OutcomeProof.
const (
	GroupPlatform  = "platform"
	GroupPower     = "power"
	GroupComponent = "component"
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

// outcomes adds what the recorded failures of a platform, or their absence, prove about its logged cars.
func (j *Job) outcomes(out *Fleet, p *platform, f *platformFit, pulls []*evidence.Row) error {
	cars := j.histories(p, f, pulls)
	whole, err := proofOf(p.ID, GroupPlatform, "whole platform", Span{Number(math.NaN()), Number(math.NaN())}, cars, anyFailure)
	if err != nil {
		return err
	}
	out.Outcomes = append(out.Outcomes, whole)
	brackets, err := powerBrackets(p.ID, cars)
	if err != nil {
		return err
	}
	out.Outcomes = append(out.Outcomes, brackets...)
	if len(cars) > 0 {
		comparison, err := compareBrackets(p.ID, brackets)
		if err != nil {
			return err
		}
		out.Comparisons = append(out.Comparisons, comparison)
	}
	for _, component := range j.components(p.ID) {
		o, err := proofOf(p.ID, GroupComponent, component, whole.PowerKW, cars, func(o workspace.Outcome) bool { return o.Component == component })
		if err != nil {
			return err
		}
		out.Outcomes = append(out.Outcomes, o)
	}
	curve, err := survivalOf(p.ID, cars)
	if err != nil {
		return err
	}
	out.Survival = append(out.Survival, curve)
	return nil
}

func anyFailure(workspace.Outcome) bool { return true }

// histories gathers the logged cars of a platform in the order of their ids.
func (j *Job) histories(p *platform, f *platformFit, pulls []*evidence.Row) []history {
	byCar := map[string][]*evidence.Row{}
	for _, r := range pulls {
		byCar[r.Vehicle] = append(byCar[r.Vehicle], r)
	}
	var out []history
	for id, v := range j.ws.Vehicles {
		rows := byCar[j.alias(id)]
		if v.Platform != p.ID || len(rows) == 0 {
			continue
		}
		h := history{vehicle: j.alias(id), pulls: countPulls(rows), retired: j.retired(id)}
		for _, r := range rows {
			h.hours += orElse(r.Duration, 0) / secondsPerHour
			if r.Date != "" {
				h.last = max(h.last, r.Date)
				if h.first == "" || r.Date < h.first {
					h.first = r.Date
				}
			}
		}
		h.power, h.measured = p.peakPower(f, rows)
		for _, o := range j.ws.Outcomes {
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
func (j *Job) retired(vehicle string) string {
	for _, o := range j.ws.Outcomes {
		if o.Vehicle == vehicle && o.Event == workspace.EventRetired {
			return o.Date
		}
	}
	return ""
}

// components are those that outcomes.csv names for cars of a platform, sorted.
func (j *Job) components(platform string) []string {
	var out []string
	for _, o := range j.ws.Outcomes {
		if v := j.ws.Vehicles[o.Vehicle]; v != nil && v.Platform == platform && o.Component != "" {
			out = append(out, o.Component)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// peakPower is a car's peak brake power, kW: the median over its pulls of each pull's largest torque × speed, so that
// one odd sample does not move a car to another bracket. Torque is the logged one where the car logs it; else the
// cycle's with the level the fleet's measurements give it, at the cell of each pull that burns most air per second.
func (p *platform) peakPower(f *platformFit, rows []*evidence.Row) (kW float64, measured bool) {
	seen, modelled := map[string]float64{}, map[string]*evidence.Row{}
	for _, r := range rows {
		id := pullID(r)
		for _, at := range []*evidence.Sample{&r.Bound, &r.Peak} {
			if known(at.Torque) {
				seen[id] = math.Max(seen[id], kilowattPerNmRPM*at.Torque*at.RPM)
			}
		}
		if best := modelled[id]; known(r.Load) && (best == nil || r.Load*r.RPM > best.Load*best.RPM) {
			modelled[id] = r
		}
	}
	var peaks []float64
	for _, v := range seen {
		peaks = append(peaks, v)
	}
	if len(peaks) > 0 {
		return median(peaks), true
	}
	const torqueBias = 0.08 // of the cycle's level, as for the metric torque
	for _, r := range modelled {
		s := stateOf(r)
		p.simulate(&s)
		factor := f.Levels["torque"].factor(&s, r.Vehicle, torqueBias)
		if v := kilowattPerNmRPM * s.sim.torqueNm * factor * s.rpm; known(v) && v > 0 {
			peaks = append(peaks, v)
		}
	}
	return median(peaks), false
}

// proofOf is what a group of cars proves about failures of one kind.
func proofOf(platform, group, name string, power Span, cars []history, counts func(workspace.Outcome) bool) (OutcomeProof, error) {
	nan := Number(math.NaN())
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
	out.Hours = Number(hours)
	if len(cars) == 0 {
		out.Say = "No car here has logged a pull: nothing is proven."
		return out, nil
	}
	proof, err := lifetime.Prove(lifetime.Group{Name: name, Cars: out.Cars, Failed: out.FailedCars, Failures: out.Failures,
		Exposure: float64(out.Pulls), ExposureUnit: "logged pulls"}, proofConfidence)
	if err != nil {
		return out, err
	}
	out.ShareUpper, out.PullsUpper, out.Say = Number(proof.ShareUpper), Number(proof.RateUpper), sentenceCase(proof.Say)+"."
	if hours > 0 {
		upper, err := lifetime.RateUpper(out.Failures, hours, proofConfidence)
		if err != nil {
			return out, err
		}
		out.HoursUpper = Number(upper)
	}
	return out, nil
}

// powerBrackets divides the cars of known power at the terciles of their peak power. Bounds are those of the cars in
// each bracket, halfway to the next one.
func powerBrackets(platform string, cars []history) ([]OutcomeProof, error) {
	var powered []history
	for i := range cars {
		if known(cars[i].power) {
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
	nan := Number(math.NaN())
	var out []OutcomeProof
	for _, b := range []struct {
		name string
		span Span
		cars []history
	}{
		{fmt.Sprintf("up to %.0f kW", low), Span{nan, Number(low)}, powered[:first]},
		{fmt.Sprintf("%.0f to %.0f kW", low, high), Span{Number(low), Number(high)}, powered[first:second]},
		{fmt.Sprintf("over %.0f kW", high), Span{Number(high), nan}, powered[second:]},
	} {
		o, err := proofOf(platform, GroupPower, b.name, b.span, b.cars, anyFailure)
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
	nan := Number(math.NaN())
	out := RateComparison{Platform: platform, Status: StatusNotAssessed, Ratio: nan, Interval95: Span{nan, nan}, PValue: nan}
	if len(brackets) == 0 {
		out.Say = fmt.Sprintf("Not divided by power: it takes %d cars of known peak power.", 3*fewestInBracket)
		return out, nil
	}
	weak, strong := brackets[0], brackets[len(brackets)-1]
	out.A, out.B = strong.Name, weak.Name
	if total := weak.Failures + strong.Failures; total < fewestToCompare {
		out.Say = fmt.Sprintf("%s in the weakest and strongest cars together: that more power fails sooner, or does not, cannot be read from fewer than %d.", count(total, "failure"), fewestToCompare)
		return out, nil
	}
	group := func(o OutcomeProof) lifetime.Group {
		return lifetime.Group{Name: o.Name, Cars: o.Cars, Failed: o.FailedCars, Failures: o.Failures, Exposure: float64(o.Pulls), ExposureUnit: "logged pulls"}
	}
	r, err := lifetime.CompareRates(group(strong), group(weak), proofConfidence)
	if err != nil {
		return out, err
	}
	out.Status = StatusAssessed
	out.Ratio, out.Interval95, out.PValue = Number(r.Ratio), Span{Number(r.Low), Number(r.High)}, Number(r.PValue)
	verdict := "is more than chance explains"
	if r.PValue > 1-proofConfidence {
		verdict = "may be chance"
	}
	out.Say = fmt.Sprintf("Failures per logged pull, cars %s against %s: %d against %d in %d and %d pulls. The difference %s (exact p = %s).",
		strong.Name, weak.Name, strong.Failures, weak.Failures, strong.Pulls, weak.Pulls, verdict, short(out.PValue))
	return out, nil
}

// survivalOf is the share of a platform's cars still running over the days since their first log. A car leaves at its
// first failure, when it is retired, or with its newest log, whichever the workspace knows; nothing is extended past it.
func survivalOf(platform string, cars []history) (Survival, error) {
	out := Survival{Platform: platform, Unit: "days since the first log", Points: []SurvivalPoint{}, ObservedTo: Number(math.NaN())}
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
		out.Say = "No car was seen on two dates: nothing can be said over time."
		return out, nil
	}
	curve, err := lifetime.KaplanMeier(seen, proofConfidence)
	if err != nil {
		return out, err
	}
	out.Cars, out.Failures = curve.Cars, curve.Failures
	for _, p := range curve.Points {
		out.Points = append(out.Points, SurvivalPoint{Days: Number(p.Time), AtRisk: p.AtRisk, Failures: p.Failures, Censored: p.Censored,
			Running: Number(p.Survival), Band95: Span{Number(p.Low), Number(p.High)}})
	}
	last := out.Points[len(out.Points)-1]
	out.ObservedTo = last.Days
	out.Say = fmt.Sprintf("After %.0f days, the longest any car was followed, %s still run (95 %% band %s to %s; %s failed, %s in the last step). Nothing is said beyond.",
		float64(last.Days), percent(last.Running), percent(last.Band95[0]), percent(last.Band95[1]), count(out.Failures, "car"), count(last.AtRisk, "car"))
	if out.LeftOut > 0 {
		out.Say += fmt.Sprintf(" %s could not be placed in time.", count(out.LeftOut, "car"))
	}
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

// sentenceCase capitalises a sentence that may begin with a number.
func sentenceCase(s string) string { return strings.ToUpper(s[:min(1, len(s))]) + s[min(1, len(s)):] }
