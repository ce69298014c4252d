package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"headroom/internal/health"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/models/channel"
)

// healthCautions end every health review, before the standing ones.
var healthCautions = []string{
	"Drift says that a car changed, not why: a sensor, its fuel or its driver can move a number as well as a fault. " +
		"Look at the car.",
	"A car that is not called may still be failing: few logs see only large changes, and what is not logged is not " +
		"watched.",
}

// survivalUnit is what a survival curve counts.
const survivalUnit = "days since the first log"

func wordedFleet(f *health.Fleet, w words) *health.Fleet {
	out := *f
	out.Cautions = slices.Concat(healthCautions, StandingCautions)
	out.Cars = slices.Clone(f.Cars)
	for i := range out.Cars {
		c := &out.Cars[i]
		c.Coincides, c.FalseAlarm = change(c.Change), falseAlarm(c.Watched, f.Drift.FalseAlarm)
		c.Say = w.said(w.drift(c))
	}
	out.Trends = slices.Clone(f.Trends)
	for i := range out.Trends {
		out.Trends[i].Say = w.said(w.trend(&f.Trends[i]))
	}
	out.EnvelopeChanges = wordedChanges(&f.EnvelopeChanges, w)
	out.Outcomes = slices.Clone(f.Outcomes)
	for i := range out.Outcomes {
		o := &out.Outcomes[i]
		o.Name, o.Say = w.said(w.groupName(o)), w.said(proof(o))
	}
	out.Survival = slices.Clone(f.Survival)
	for i := range out.Survival {
		out.Survival[i].Unit, out.Survival[i].Say = survivalUnit, w.said(survival(&f.Survival[i]))
	}
	out.Comparisons = slices.Clone(f.Comparisons)
	for i := range out.Comparisons {
		c := &out.Comparisons[i]
		c.A, c.B = w.said(w.power(c.Strongest.PowerKW)), w.said(w.power(c.Weakest.PowerKW))
		c.Say = w.said(w.comparison(c))
	}
	return &out
}

func wordedChanges(c *health.EnvelopeChanges, w words) health.EnvelopeChanges {
	out := *c
	out.Moved = slices.Clone(c.Moved)
	for i := range out.Moved {
		out.Moved[i].Say = w.said(move(&c.Moved[i]))
	}
	out.Groups = slices.Clone(c.Groups)
	for i := range out.Groups {
		out.Groups[i].Farthest.Say = w.said(move(&c.Groups[i].Farthest))
	}
	out.Say = w.said(changes(c))
	return out
}

// fleetReason says why something in a health review is not told, or what it cannot tell apart.
func (w words) fleetReason(r result.Reason) string {
	switch r := r.(type) {
	case health.FewCars:
		return fmt.Sprintf("%s logged it on two days or more, a trend takes %d", count(r.Cars, "car"), r.Wanted)
	case health.NoSlope:
		return "too few days apart for a slope"
	case health.SeasonOrAgeing:
		return fmt.Sprintf("less than %s were logged, so season and ageing cannot be told apart",
			count(r.DaysWanted/daysInYear, "year"))
	case health.NotDivided:
		return fmt.Sprintf("not divided by power: it takes %s of known peak power", count(r.CarsWanted, "car"))
	case health.FewFailures:
		return fmt.Sprintf("%s in the weakest and strongest cars together: that more power fails sooner, or does not, "+
			"cannot be read from fewer than %d", count(r.Failures, "failure"), r.Wanted)
	}
	return ""
}

const daysInYear = 365

// drift says how far a car has moved from its own past.
func (w words) drift(c *health.CarDrift) string {
	if !c.Signal && !c.HeldBack {
		return fmt.Sprintf("%s has not moved by more than chance explains over %s of logs.", capital(plain(c.Metric)),
			count(c.Runs, "day"))
	}
	direction := "risen"
	if c.Shift < 0 {
		direction = "fallen"
	}
	moved := fmt.Sprintf("%s has %s by %s since %s", capital(plain(c.Metric)), direction,
		w.Difference(size(c.Shift), c.Unit), c.Onset)
	set, with := command(c.Command), change(c.Change)
	switch {
	case c.HeldBack:
		return fmt.Sprintf("%s, together with %s. What new tables or parts move is theirs, not a drift of the car: "+
			"not called.", moved, with)
	case with != "" && set != "":
		return fmt.Sprintf("%s. It begins within a run of %s; %s is already taken out. Look at the car, and at that "+
			"change, before its next revision.", moved, with, set)
	case with != "":
		return fmt.Sprintf("%s. It begins within a run of %s, which may be the cause. Look at the car, and at that "+
			"change, before its next revision.", moved, with)
	}
	return moved + ": look at the car before its next revision."
}

// change names a change of revision or hardware, "" for none.
func change(c health.Change) string {
	switch c.Kind {
	case health.RevisionChange:
		return "revision " + c.Revision
	case health.HardwareChange:
		return "hardware of " + c.Date
	}
	return ""
}

// command names what a table sets, "" for nothing.
func command(id channel.ID) string {
	switch id {
	case "":
		return ""
	case channel.LambdaCommanded:
		return "commanded lambda"
	case channel.ManifoldPressureTarget:
		return "the boost target"
	case channel.SparkCommanded:
		return "commanded spark"
	}
	return plain(id)
}

// falseAlarm says what a chart promises, "" where it has watched nothing.
func falseAlarm(runs int, chance result.Number) string {
	if runs == 0 || !chance.Known() {
		return ""
	}
	return fmt.Sprintf("a healthy car ever signals with chance %.3g at most, however often it is looked at; %s so far",
		float64(chance), count(runs, "day"))
}

// trend says what all cars of a platform do together.
func (w words) trend(t *health.Trend) string {
	what := capital(plain(t.Metric))
	if t.Status != result.Assessed {
		return sentence(what + ": " + w.joined(t.Reasons))
	}
	if !t.Signal {
		return fmt.Sprintf("%s of the platform shows no trend beyond chance in %s of %s.", what, count(t.Days, "day"),
			count(t.Cars, "car"))
	}
	verb := "rises"
	if t.SlopePer100Days < 0 {
		verb = "falls"
	}
	said := fmt.Sprintf("%s %s by %s in 100 days over the whole platform, %s to %s.", what, verb,
		w.Difference(size(t.SlopePer100Days), t.Unit), t.From, t.To)
	for _, r := range w.list(t.Reasons) {
		said += " " + sentence(capital(r))
	}
	return said
}

// size is a number without its sign.
func size(v result.Number) result.Number { return result.Number(math.Abs(float64(v))) }

// changes says what became of the envelopes since the review that was remembered.
func changes(c *health.EnvelopeChanges) string {
	if !c.Remembered {
		return "No earlier review is remembered, so there is nothing to compare with. Run headroom fleet --remember " +
			"to keep today's envelopes in " + health.MemoryFile + "."
	}
	parts := []string{
		fmt.Sprintf("%s moved by more than %g × the deviation of pulls within a car (sd), or came or went with the "+
			"number of cars", count(len(c.Moved), "limit"), float64(c.MovedBy)),
		count(len(c.CellsNew), "cell") + " newly visited",
		count(len(c.CellsGone), "cell") + " no longer",
	}
	if len(c.PlatformsGained) > 0 {
		parts = append(parts, "platforms gained: "+strings.Join(c.PlatformsGained, ", "))
	}
	if len(c.PlatformsLost) > 0 {
		parts = append(parts, "platforms lost: "+strings.Join(c.PlatformsLost, ", "))
	}
	return "Since the review of logs up to " + or(c.SinceRun, "no date") + ": " + strings.Join(parts, "; ") + "."
}

// move says how a limit of an envelope moved.
func move(m *health.LimitMove) string {
	switch m.Change {
	case health.Reached:
		return capital(plain(m.Metric)) + " now has cars enough for a limit here."
	case health.Lost:
		return capital(plain(m.Metric)) + " no longer has cars enough for a limit here."
	}
	return fmt.Sprintf("The %s limit of %s is %s by %s times the deviation of pulls within a car.", m.Side,
		plain(m.Metric), m.Change, show.Number(size(m.MovedSD), 2))
}

// groupName names the cars or the component that outcomes were counted of.
func (w words) groupName(o *health.OutcomeProof) string {
	switch o.Group {
	case health.GroupPlatform:
		return "whole platform"
	case health.GroupPower:
		return w.power(o.PowerKW)
	}
	return o.Name
}

// power names a bracket of peak brake power, "" for none.
func (w words) power(kW result.Span) string {
	switch low, high := kW[0].Known(), kW[1].Known(); {
	case low && high:
		return w.Interval(kW, "kW")
	case low:
		return "over " + w.Value(kW[0], "kW")
	case high:
		return "up to " + w.Value(kW[1], "kW")
	}
	return ""
}

// proof says what failures, or their absence, prove.
func proof(o *health.OutcomeProof) string {
	if o.Cars == 0 {
		return "No car here has logged a pull: nothing is proven."
	}
	seen := fmt.Sprintf("%d of %s failed", o.FailedCars, count(o.Cars, "car"))
	if o.FailedCars == 0 {
		seen = "No failure in " + count(o.Cars, "car")
	}
	said := fmt.Sprintf("%s: with 95 %% confidence at most %s of such cars fail over an exposure like theirs", seen,
		show.Bound(o.ShareUpper))
	if o.PullsUpper.Known() {
		said += fmt.Sprintf(", and such cars have at most %s failures in 1000 logged pulls (%d seen)",
			show.TwoDigits(1000*float64(o.PullsUpper)), o.Pulls)
	}
	return said + "; nothing is said beyond that exposure."
}

// comparison says whether more power fails sooner, or why that cannot be read from what was seen.
func (w words) comparison(c *health.RateComparison) string {
	if c.Status != result.Assessed {
		return sentence(capital(w.joined(c.Reasons)))
	}
	verdict := "may be chance"
	if c.Signal {
		verdict = "is more than chance explains"
	}
	strong, weak := c.Strongest, c.Weakest
	return fmt.Sprintf("Failures per logged pull, cars %s against %s: %d against %d in %d and %d pulls. The "+
		"difference %s (exact p = %s).", w.power(strong.PowerKW), w.power(weak.PowerKW), strong.Failures, weak.Failures,
		strong.Pulls, weak.Pulls, verdict, tiny(c.PValue))
}

// survival says how many cars still run at the end of a curve.
func survival(s *health.Survival) string {
	if len(s.Points) == 0 {
		return "No car was seen on two dates: nothing can be said over time."
	}
	last := s.Points[len(s.Points)-1]
	said := fmt.Sprintf("After %s days, the longest any car was followed, %s still run (95 %% band %s; %s failed, %s "+
		"in the last step). Nothing is said beyond.", show.Number(last.Days, 0), show.Probability(last.Running),
		show.Probabilities(last.Band95), count(s.Failures, "car"), count(last.AtRisk, "car"))
	if s.LeftOut > 0 {
		said += " " + count(s.LeftOut, "car") + " could not be placed in time."
	}
	return said
}
