package report

import (
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// words says the facts of a result in the reader's units. A reason it has no words for is said by its code, and
// TestEveryReasonHasWords fails.
type words struct {
	show.Display
	forPrograms bool // plain blanks between a number and its unit
}

// said is a sentence with the blanks its reader can use.
func (w words) said(s string) string {
	if w.forPrograms {
		return strings.ReplaceAll(s, show.NBSP, " ")
	}
	return s
}

// list says each reason.
func (w words) list(reasons result.Reasons) []string {
	out := make([]string, len(reasons))
	for i, r := range reasons {
		out[i] = w.reason(r)
	}
	return out
}

// sentences says each reason as a sentence of its own.
func (w words) sentences(reasons result.Reasons) []string {
	out := w.list(reasons)
	for i, s := range out {
		out[i] = capital(sentence(s))
	}
	return out
}

// joined says reasons in one line, "" without any.
func (w words) joined(reasons result.Reasons) string {
	var out []string
	for _, s := range w.list(reasons) {
		if !slices.Contains(out, s) { // two limits may lack the same
			out = append(out, s)
		}
	}
	return strings.Join(out, "; ")
}

func (w words) reason(r result.Reason) string {
	for _, say := range []func(result.Reason) string{w.verdictReason, w.judgedReason, w.caution, w.nextPull,
		w.fleetReason, recordReason} {
		if s := say(r); s != "" {
			return w.said(s)
		}
	}
	return r.Code()
}

// verdictReason says what a verdict rests on.
func (w words) verdictReason(r result.Reason) string {
	switch r := r.(type) {
	case assess.NothingAgainst:
		return "every serious hazard was assessed, stays inside its limit and, where a limit is near, inside what " +
			"the fleet has been shown to run, also under the stress conditions tried and where changed values of " +
			"tables are read by no pull"
	case assess.TooLikely:
		return overThreshold(&r)
	case assess.MeasuredCrossing:
		return fmt.Sprintf("%s: measured beyond its limit in %d of %s (%s)", plain(r.Hazard), r.Pulls,
			count(r.Of, "own pull"), madeIn(r.Cars, r.Runs))
	case assess.NotJudged:
		return fmt.Sprintf("%s (%s) %s: %s", plain(r.Hazard), r.Severity, notJudged(r), w.joined(r.Why))
	case assess.OutsideEnvelope:
		return plain(r.Hazard) + ": outside the fleet's envelope at " + cellsBetween(r.Cells)
	case assess.EnvelopeUnknown:
		return fmt.Sprintf("%s: too few cars have been logged at %s to say what the fleet runs there", plain(r.Hazard),
			cellsBetween(r.Cells))
	case assess.NeverLoggedHere:
		return fmt.Sprintf("%s: %s; log that before relying on the fleet's spread", plain(r.Hazard),
			neverLogged(r.Lack))
	case assess.FuelNotShown:
		return fmt.Sprintf("fuel %s: the pulls it is judged on ran on %s; log pulls on it before relying on what is "+
			"computed", r.To, strings.Join(r.From, " and "))
	case assess.PartNotShown:
		return partNotShown(&r)
	case assess.NotProven, assess.NoKnockEvent, assess.CleanPastPhysics, assess.KnockNotHeard,
		assess.ChargeStoodStill, assess.MayNotHear, assess.LogsOffTable, assess.ChargeBelowAmbient,
		assess.ClimateUnused, assess.RecordAgainst, assess.MovesAgainst, assess.LimitMovesAgainst,
		assess.HigherThanLogged, assess.StandsApart:
		return w.sensorReason(r)
	case assess.FileDoubt:
		return w.fileDoubt(&r)
	case assess.NoAccount:
		say := tableName(r.Role, r.Name) + " differs, and neither physics nor a log says what that does"
		if why := obstacle(r.Obstacle); why != "" {
			say += ": " + why
		}
		return say + "; take it back, or log pulls on it"
	case assess.CrossesUnder:
		return fmt.Sprintf("%s crosses its limit with %s (margin %s)", plain(r.Hazard), w.stress(r.Stress),
			w.Difference(r.Margin, r.Unit))
	case assess.LikelyUnder:
		return w.likelyUnder(&r)
	case assess.DangerousIfVisited:
		return w.dangerousIfVisited(&r)
	case assess.NotPlaced:
		return fmt.Sprintf("%s of tables %s read by no judged pull and could not be judged, as no log knows what it "+
			"takes to be there, or what the turbocharger makes of more boost there; log there, or take the change back",
			count(r.Values, "changed value"), isAre(r.Values))
	case assess.FarFromLogged:
		return farFromLogged(&r)
	case assess.Unmodelled:
		return w.gap(r.Gap)
	}
	return ""
}

func overThreshold(r *assess.TooLikely) string {
	say := fmt.Sprintf("%s: %s of pulls cross the limit (90 %% interval %s), upper bound over the %s allowed for "+
		"a %s hazard", plain(r.Hazard), spokenShare(r.Chance), show.Probabilities(r.Interval90),
		show.Probability(r.Threshold), r.Severity)
	if r.Cell != nil {
		say += fmt.Sprintf(
			"; likeliest at %s and %s",
			show.Range(r.Cell.RPM, "rpm"),
			show.Range(r.Cell.LoadPct, "% load"),
		)
	}
	switch {
	case !r.Parent.Known():
	case r.ParentHeld:
		say += fmt.Sprintf("; the parent crosses in %s and would be held too", spokenShare(r.Parent))
	default:
		say += fmt.Sprintf("; the parent crosses in %s", spokenShare(r.Parent))
	}
	return say
}

func (w words) likelyUnder(r *assess.LikelyUnder) string {
	say := fmt.Sprintf("%s: %s of pulls cross the limit with %s, over the %s allowed under a stress", plain(r.Hazard),
		spokenShare(r.Chance), w.stress(r.Stress), show.Probability(r.Threshold))
	if r.Parent.Known() {
		say += fmt.Sprintf("; the parent crosses in %s", spokenShare(r.Parent))
	}
	return say
}

func (w words) dangerousIfVisited(r *assess.DangerousIfVisited) string {
	p := &r.Worst
	changes := fmt.Sprintf("the %s table changes by %s at %s, where no judged pull has been", plain(p.Role),
		w.Change(p.Change, p.RoleUnit), placeOf(p.At, w.Display))
	if p.Inherited {
		changes = fmt.Sprintf("the %s table stands %s over that of %s at %s, where no judged pull has been since",
			plain(p.Role), w.Change(p.Change, p.RoleUnit), p.Against, placeOf(p.At, w.Display))
	}
	return fmt.Sprintf("%s: %s; %s of pulls that go there would cross the limit (90 %% interval %s; before %s; %s). "+
		"%s affected: log there, or take the change back", plain(p.Hazard), changes, spokenShare(p.IfVisited),
		show.Probabilities(p.Interval90), show.Probability(p.Parent), w.reached(p),
		capital(count(len(r.Cells), "cell")))
}

func farFromLogged(r *assess.FarFromLogged) string {
	f := &r.Furthest
	return fmt.Sprintf("outside what %s logged: %s, furthest by %s at %s and %s; log there in small steps",
		count(r.Cars, "car"), cellsBetween(r.Cells), feature(f.Mostly), show.Range(f.Cell.RPM, "rpm"),
		show.Range(f.Cell.LoadPct, "% load"))
}

// spokenShare is a share of pulls in a sentence, where a sign in front of it would be stumbled over.
func spokenShare(p result.Number) string {
	return strings.NewReplacer("<", "under"+show.NBSP, ">", "over"+show.NBSP).Replace(show.Probability(p))
}

func notJudged(r assess.NotJudged) string {
	switch {
	case r.Partial:
		return "not assessed against all of its limits"
	case r.Status == result.Thin:
		return "on thin evidence"
	}
	return "not assessed"
}

// madeIn names the cars and logs of some pulls.
func madeIn(cars, runs []string) string { return strings.Join(cars, ", ") + ": " + logNames(runs) }

// logNames names the first of some logs.
func logNames(runs []string) string {
	logs := make([]string, len(runs))
	for i, r := range runs {
		logs[i] = path.Base(r)
	}
	if len(logs) > fewLogs {
		logs = append(logs[:fewLogs], fmt.Sprintf("%d more", len(logs)-fewLogs))
	}
	return strings.Join(logs, ", ")
}

// fewLogs is how many logs a sentence names; the machine formats name them all.
const fewLogs = 3

// cellsBetween is a number of cells with the speeds they lie between.
func cellsBetween(cells []result.Cell) string {
	if len(cells) == 0 {
		return count(0, "cell")
	}
	low, high := cells[0].RPM[0], cells[0].RPM[1]
	met := map[result.Cell]bool{} // a cell is listed once for each limit it concerns
	for _, c := range cells {
		met[c] = true
		low, high = min(low, c.RPM[0]), max(high, c.RPM[1])
	}
	return fmt.Sprintf("%s between %.0f and %.0f rpm", count(len(met), "cell"), float64(low), float64(high))
}

// stress names a stress condition.
func (w words) stress(s assess.Stress) string {
	switch s.Kind {
	case state.HotCharge:
		if s.From == state.SizeOfClimate || s.From == state.SizeOfFleet {
			return "a hot day, " + w.Change(s.Size, "K")
		}
		return "charge temperature " + w.Change(s.Size, "K")
	case state.LowOctane:
		return fmt.Sprintf("fuel lower by %s octane numbers", show.Number(s.Size, 0))
	case state.LessEthanol:
		return fmt.Sprintf("ethanol share lower by %s points", show.Number(s.Size, 0))
	case state.ThinAir:
		return "ambient pressure " + w.Value(s.Size, "kPa")
	case state.UntoldBlend:
		return fmt.Sprintf("a control unit that does not hear of the new fuel (mixture %s %% leaner)",
			show.Number(s.Size, 0))
	case state.ColdCharge:
		return "a cold day, " + w.Change(-s.Size, "K")
	case state.BoostSpike:
		return "a boost spike of " + w.Value(s.Size, "kPa")
	case state.UnknownAir:
		return "surrounding air denser by " + w.Difference(s.Size, "kPa") + " than was assumed for logs that tell " +
			"neither barometer nor place"
	case state.RichSensor:
		return fmt.Sprintf(
			"lambda sensor reading %s %% rich",
			strconv.FormatFloat(math.Round(10*float64(s.Size))/10, 'f', -1, 64),
		)
	}
	return plain(s.Kind)
}

// gap says which change was not computed and why.
func (w words) gap(g state.Gap) string {
	table := tableName(g.Role, g.Name)
	switch g.Kind {
	case state.OneSided:
		return fmt.Sprintf(
			"%s has no %s table and %s has one, so what it changes is not known: list the table that it runs",
			g.Revision,
			table,
			g.Other,
		)
	case state.AxisNotLogged:
		return table + " table is read by a channel these logs do not have: change not modelled"
	case state.CamNotLogged:
		return "intake cam table: the cam's angle is not in these logs: change not modelled"
	case state.CamMoved:
		return "intake cam table: the cam moves, and what that does to filling and residual gas is not modelled; log " +
			"pulls " +
			"on it"
	case state.NoPressure:
		return table + " table: manifold pressure is neither logged nor to be had from load: change not modelled"
	case state.NotSettled:
		return "boost and load do not settle on one another: change not modelled"
	case state.TableAdded:
		return table + ": added, not modelled"
	case state.TableChanged:
		return table + ": changed, not modelled"
	case state.UnknownAxis:
		return fmt.Sprintf(
			"%s table of %s: axis %s is not known from a logged pull",
			table,
			g.Revision,
			plain(g.Axis),
		)
	}
	return table + ": not modelled"
}

// judgedReason says what a hazard was judged on, or why it was not.
func (w words) judgedReason(r result.Reason) string {
	switch r := r.(type) {
	case assess.NoLimit:
		return "no limit for it in " + r.File
	case assess.LimitUnread:
		return "a limit for it in " + r.File + " could not be read"
	case assess.Lacking:
		return lack(r.Lack, "the "+plain(r.Metric))
	case assess.UnknownMetric:
		return fmt.Sprintf("this version does not know how to judge %s", plain(r.Metric))
	case assess.OutOfRange:
		return fmt.Sprintf("no logged pull is in the speed range where the %s limit applies", plain(r.Metric))
	case assess.NothingToRun:
		return r.Fault
	case assess.ThinEvidence:
		return fmt.Sprintf("%s and %s; %s and %s are asked for", count(r.Cars, "car"), count(r.Pulls, "pull"),
			count(r.CarsWanted, "car"), count(r.PullsWanted, "pull"))
	case assess.NeverLogged:
		return neverLogged(r.Lack) + ": judged by the spread between cars"
	case assess.WorstOf:
		return fmt.Sprintf("worst of %s: %s", count(r.Limits, "limit"), plain(r.Metric))
	case assess.ComputedLevel:
		return "computed from logged states, " + levelOf(r)
	}
	return ""
}

// neverLogged says why a car's own logs do not tell of a hazard.
func neverLogged(l result.Lack) string {
	switch {
	case l.Unusable:
		return "logged on this car nowhere in a state in which it can be judged"
	case len(l.Missing) == 0:
		return "no pull of this car is in the evidence"
	}
	return "not told by this car's logs, as " + missing(l, "it")
}

func levelOf(r assess.ComputedLevel) string {
	switch {
	case r.OwnCar:
		return "level from this car's own measurements"
	case r.OtherCars > 0:
		return "level from measurements on " + count(r.OtherCars, "other car")
	}
	return "not measured"
}

// lack says what is missing and which file or channel supplies it; what names the thing that cannot be judged.
func lack(l result.Lack, what string) string {
	switch {
	case l.Fault != "":
		return "the engine model refused its input: " + l.Fault
	case l.Unusable:
		return "all that " + what + " rests on is logged, but nowhere in a state in which it can be judged: the " +
			"turbocharger still spools there, or the engine model does not reach that far"
	case len(l.Missing) == 0:
		return "nothing says what " + what + " rests on"
	}
	return missing(l, what)
}

// missing says what is not there, file by file: "no log has lambda, nor spark advance, and platforms/k.yaml has no burn
// section".
func missing(l result.Lack, what string) string {
	var logs, files, rest []string
	keys := map[string][]metric.Key{}
	for _, m := range l.Missing {
		switch {
		case m.Together:
			rest = append(rest, "no pull has "+inWords(m.Channels, "and")+" together")
		case m.Key == metric.PortInjection || m.Key == metric.DirectInjection:
			kind := strings.TrimPrefix(string(m.Key), "engine.injection: ")
			rest = append(rest,
				fmt.Sprintf("%s does not say injection: %s, which %s needs", m.File, kind, what))
		case m.Key == "":
			logs = append(logs, inWords(m.Channels, "or"))
		default:
			if keys[m.File] == nil {
				files = append(files, m.File)
			}
			keys[m.File] = append(keys[m.File], m.Key)
		}
	}
	var parts []string
	if len(logs) > 0 {
		whose := "no log"
		if l.Car != "" {
			whose = "no log of " + l.Car + " that is used here"
		}
		parts = append(parts, whose+" has "+strings.Join(logs, ", nor "))
	}
	for _, f := range files {
		parts = append(parts, f+" has "+noKeys(keys[f]))
	}
	return strings.Join(append(parts, rest...), ", and ")
}

// noKeys is "no burn section" or "no burn section and no fuel_system.pump_capacity".
func noKeys(keys []metric.Key) string {
	parts := make([]string, len(keys))
	for i, k := range keys {
		parts[i] = "no " + string(k)
		if !strings.Contains(string(k), ".") {
			parts[i] += " section"
		}
	}
	return strings.Join(parts, " and ")
}

// inWords lists channels, "lambda, charge temperature and spark advance".
func inWords(ids []channel.ID, last string) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = plain(id)
	}
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " " + last + " " + names[len(names)-1]
}

// caution says what a reader must know of how a result came about.
func (w words) caution(r result.Reason) string {
	switch r := r.(type) {
	case assess.BeforeHardware:
		return fmt.Sprintf("%s of this car from before its hardware change on %s are left out", count(r.Pulls, "pull"),
			r.Date)
	case assess.OtherCalibrations:
		on := "the parent " + r.Parent
		if r.Parent == "" {
			on = "this revision, which has no parent"
		}
		return fmt.Sprintf("fewer than %s of this car on %s: its pulls on other calibrations are used, moved to this "+
			"revision's tables where they differ", count(r.Wanted, "pull"), on)
	case assess.CarOnOtherFuel:
		return fmt.Sprintf("vehicles.csv has %s on %s and this revision is for %s: fill the tank with that before it "+
			"is driven, or mend the list", r.Car, r.Fuel, r.Revision)
	case assess.DatedBeforeParent:
		return fmt.Sprintf("it is dated %s, before its parent %s of %s: the order of revisions in time decides what "+
			"was known before; mend the date", r.Date, r.Parent, r.ParentDate)
	case assess.HardwareUndated:
		return fmt.Sprintf("vehicles.csv gives %s the hardware %s without a hardware_date: all of its logs are taken "+
			"as made with it; give the day it was fitted", r.Car, r.Hardware)
	case assess.LowerSeverity:
		return fmt.Sprintf("the platform file counts %s as %s, where the catalogue has %s: fewer revisions are held "+
			"for it", plain(r.Hazard), r.Severity, r.Usual)
	case assess.LaxThreshold:
		under := ""
		if r.Stress {
			under = " under a stress"
		}
		return fmt.Sprintf("the thresholds of headroom.yaml allow a %s hazard in %s of pulls%s, where %s is usual: "+
			"fewer revisions are held", r.Severity, show.Probability(r.Allowed), under, show.Probability(r.Usual))
	case assess.Withdrawn:
		if r.Own {
			return "it was withdrawn: do not hand it out again before what led to that is known"
		}
		return fmt.Sprintf("it was made from %s, which was withdrawn: make sure that what led to that is not in it",
			r.Revision)
	case assess.LoggedBeforeRevision:
		return fmt.Sprintf("logs filed under %s are dated from %s on, before it was made (%s), with %s in them: file "+
			"them under what the car ran, or mend a date", r.Revision, r.First, r.Date, count(r.Pulls, "pull"))
	case assess.OtherCars:
		return fmt.Sprintf("this car has %s: other cars of the platform stand in for it, with the spread between cars "+
			"added", someOrNo(r.Pulls, "logged pull"))
	case assess.PullsLeftOut:
		return fmt.Sprintf("pulls logged on %s left out: %s", r.Revision, r.Fault)
	case assess.SuspectSensor:
		return suspectSensor(r)
	case assess.TableDoubt:
		return "Table " + r.File + ": " + w.tableDoubt(&r)
	case assess.NewSpike:
		return w.newSpike(&r.Spike)
	case assess.NoCycle:
		return "No cycle model for this platform: " + lack(r.Lack, "the cycle") +
			". Cylinder pressure, torque and the " +
			"effect of spark on exhaust temperature are not predicted."
	case assess.BurnTaken:
		return burnTaken(&r)
	case assess.Guessed:
		return fmt.Sprintf("The %s section of the platform file is a guess: what rests on it is less sure for it. "+
			"Measure it, or take it from a data sheet.", r.Section)
	case assess.FitWarning:
		if r.Metric == metric.KnockMargin {
			return "Knock fit: " + r.Note
		}
		return fmt.Sprintf("Fit of %s: %s", plain(r.Metric), r.Note)
	case assess.BoundUnsettled:
		return fmt.Sprintf("%s: the upper bound, %s, lies so near to the %s allowed that %d draws of what is not "+
			"known (standard error %.2g %%) do not tell on which side: take it as being there", plain(r.Hazard),
			show.Probability(r.High), show.Probability(r.Threshold), r.Draws, 100*float64(r.Error))
	case assess.DifferentCars:
		return fmt.Sprintf("The revisions are for different cars (%s and %s): the difference between the cars is in "+
			"the comparison.", r.Left, r.Right)
	case assess.SmallGroup:
		return count(r.Revisions, "revision") + ": too few to compare with other groups"
	}
	return ""
}

// someOrNo is a number of things in a sentence, "no pull" for none.
func someOrNo(n int, thing string) string {
	if n == 0 {
		return "no " + thing
	}
	return count(n, thing)
}

func suspectSensor(r assess.SuspectSensor) string {
	judged := "on what it reads"
	if r.Leaner > 0 {
		judged = fmt.Sprintf("as if the mixture were %.3f leaner than it reads", float64(r.Leaner))
	}
	return fmt.Sprintf("This car's lambda reads %s than commanded in steady running, where the control unit "+
		"holds it by its own sensor, and %s at full throttle. The logging sensor is the likelier fault: check or "+
		"replace it and log again. Until then %s is judged %s.",
		leanerOrRicher(r.Steady), leanerOrRicher(r.Full), plain(hazard.Lean), judged)
}

// leanerOrRicher is a difference of lambda in words.
func leanerOrRicher(by result.Number) string {
	if by < 0 {
		return fmt.Sprintf("%.3f richer", -float64(by))
	}
	return fmt.Sprintf("%.3f leaner", float64(by))
}

// tableDoubt says what looks wrong in a table, and what settles it.
func (w words) tableDoubt(t *assess.TableDoubt) string {
	switch {
	case t.Kind == calmap.NoteUnit && t.Compared != "":
		against, of := "the parent's table", "values"
		if t.Compared == assess.WithLogs {
			against, of = "what the logs ran with", "readings"
		}
		return fmt.Sprintf("the values look like %s: so read, %d of %d %s agree with %s, whose median is %s; as "+
			"written theirs is %s. Check the unit in revision.yaml", t.LooksLike, t.Count, t.Of, of, against,
			w.Value(t.Was, t.Unit), w.Value(t.Value, t.Unit))
	case t.Kind == calmap.NoteUnit:
		return fmt.Sprintf("in the unit that revision.yaml states, its median is %s; the values look like %s",
			w.Value(t.Value, t.Unit), t.LooksLike)
	case t.Kind == calmap.NoteRange && t.Count > 1:
		return fmt.Sprintf("%d of %d values are outside what a %s table can hold (%s), %s at %s the furthest", t.Count,
			t.Of, plain(t.Role), w.Interval(t.Range, t.Unit), w.Value(t.Value, t.Unit), placeOf(t.At, w.Display))
	case t.Kind == calmap.NoteRange:
		return fmt.Sprintf("%s at %s is outside what a %s table can hold (%s)", w.Value(t.Value, t.Unit),
			placeOf(t.At, w.Display), plain(t.Role), w.Interval(t.Range, t.Unit))
	case t.Kind == assess.DoubtAxis && len(t.Axes) == 1:
		return fmt.Sprintf("the axis of %s runs over %s, and %d of %d logged readings lie past it (most within %s): "+
			"it looks like %s. Check the unit of the axis in revision.yaml", plain(t.Axes[0]),
			w.Interval(t.Ends, t.Unit), t.Count, t.Of, w.Interval(t.Driven, t.Unit), t.LooksLike)
	case t.Kind == assess.DoubtExchanged && len(t.Axes) == 2:
		return fmt.Sprintf("the axes look exchanged: that of %s has the parent's breakpoints of %s, and the other way "+
			"round. Swap rows and columns, or x and y in revision.yaml", plain(t.Axes[0]), plain(t.Axes[1]))
	}
	return or(t.Fault, plain(t.Kind))
}

// newSpike says a value that stands alone, and did not in the parent's table.
func (w words) newSpike(s *footprint.Spike) string {
	read := ""
	switch {
	case !s.VisitedCells.Known():
	case s.VisitedCells == 0:
		read = "; no judged pull reads it"
	default:
		read = "; judged pulls read it in " + count(int(s.VisitedCells), "cell")
	}
	parent := ""
	if s.ParentStands.Known() {
		parent = "; the parent has no such spike"
	}
	return fmt.Sprintf(
		"Table %s: %s at %s stands %s against its neighbours (%s)%s%s",
		s.File,
		w.Value(s.Value, s.Unit),
		placeOf(s.At, w.Display),
		w.Change(s.Stands, s.Unit),
		w.besideSpike(s),
		parent,
		read,
	)
}

// besideSpike are the values beside a spike.
func (w words) besideSpike(s *footprint.Spike) string {
	if s.Neighbours[0] == s.Neighbours[1] {
		return w.Value(s.Neighbours[0], s.Unit)
	}
	return w.Interval(s.Neighbours, s.Unit)
}

// nextPull says what another pull would do.
func (w words) nextPull(r result.Reason) string {
	switch r := r.(type) {
	case assess.JudgesHazard:
		return plain(r.Hazard) + ", which could not be assessed: " + w.joined(r.Why)
	case assess.NarrowsMargins:
		return fmt.Sprintf("%s: one more pull through this cell takes about %s off the variance of the %s not yet "+
			"settled", plain(r.Hazard), show.Probability(r.Share), count(r.Margins, "margin"))
	case assess.FirstPull:
		return "everything: no full-throttle pull of this platform has been logged yet"
	}
	return ""
}

// finding says a finding in words a tuner can act on.
func (w words) finding(f *assess.Finding) string {
	at := "in one cell"
	if speed, load := show.Range(f.Cell.RPM, "rpm"), show.Range(f.Cell.LoadPct, "% load"); speed != show.Missing {
		at = "at " + speed + " and " + load
	}
	if !f.Predicted.Known() {
		return fmt.Sprintf("%s %s could not be predicted.", capital(plain(f.Metric)), at)
	}
	chance := spokenShare(f.ProbabilityPerPull)
	if f.Hazard != hazard.Knock {
		return fmt.Sprintf("%s %s is expected at %s against a limit of %s; %s of pulls cross it there.",
			capital(plain(f.Metric)), at, w.Value(f.Predicted, f.Unit), w.Value(f.Limit, f.Unit), chance)
	}
	side := "short of"
	if f.Predicted < 0 {
		side = "past"
	}
	return fmt.Sprintf("Commanded spark %s is %s %s the expected knock limit; %s of pulls would take more than the "+
		"tolerated %s of retard there.", at, w.Value(result.Number(math.Abs(float64(f.Predicted))), f.Unit), side,
		chance, w.Value(-f.Limit, f.Unit))
}

// ownLog says how a revision's own logs compare with what was expected of them.
func (w words) ownLog(o *assess.OwnLog) string {
	return fmt.Sprintf("%s in %s of the revision: %s on average where %s was expected; %d of %s outside their 99 %% "+
		"band.",
		capital(plain(o.Metric)), count(o.Pulls, "pull"), w.Value(o.Measured, o.Unit), w.Value(o.Expected, o.Unit),
		o.Outside, verb(o.Pulls, "pull", "lies", "lie"))
}

// obstacle says why a comparison could not be made, "" where it was.
func obstacle(o footprint.Obstacle) string {
	switch o.Kind {
	case "":
		return ""
	case footprint.NoParent:
		return "a base calibration has no parent to be compared with"
	case footprint.NoParentTable:
		return "what it is compared with has no such table"
	case footprint.OtherAxes:
		return "the table it is compared with is read by other channels"
	case footprint.OtherUnits:
		return "the table it is compared with is written in other units"
	}
	return or(o.Fault, plain(o.Kind))
}

// partNotShown says that the judged pulls ran with other hardware, and what rests on it.
func partNotShown(r *assess.PartNotShown) string {
	say := fmt.Sprintf("%s %s: the pulls it is judged on ran with %s", strings.ReplaceAll(r.Item, "_", " "), r.To,
		strings.Join(r.From, " and "))
	if len(r.Hazards) > 0 {
		names := make([]string, len(r.Hazards))
		for i, h := range r.Hazards {
			names[i] = plain(h)
		}
		say += ", and what is predicted of " + strings.Join(names, ", ") + " rests on that part"
	}
	return say + "; log pulls with it"
}
