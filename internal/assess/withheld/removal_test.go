package withheld

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/assess/assesstest"
	"headroom/internal/demo"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/runlog"
	"headroom/internal/workspace"
	"headroom/models/channel"
)

// What these tests hold the verdict to: taking channels or logs away never turns it towards release. They go from the
// logs of a workspace to the review, not to internal structs.
//
// Exact, for every removal:
//   - all hazards are listed, and one that is not assessed has a reason and no number;
//   - a release has every serious hazard assessed on enough evidence, and none that the car never logged unless the
//     spread between cars rules it out;
//   - a hazard whose channel is gone from every log is not assessed, and a serious one then keeps every release away;
//   - a channel gone from all logs, or from all of the car's, turns no hold into a release, and into conditions only
//     with a word of what is missing;
//   - a condition goes only while its hazard keeps its footing (see footing), not because its hazard can no longer be
//     judged.
//
// Not exact, and counted, because no rule on the evidence that is left can tell:
//   - conditions rest on estimates, the fleet's envelope in a cell and the margin under a stress, that move either way
//     when evidence goes; the envelope, up to what was seen, moves inwards as cars go, and outwards where the
//     tolerance limit lies inside what was seen (movedEstimate);
//   - a car whose one log with a crossing is gone looks like a car without a crossing, and one whose own logs are gone
//     like the fleet's next car (logsGone, logsReleased).

// removalSeed draws the graded proposals, of which the proof takes proofRemovals.
const (
	removalSeed   = 11
	proofRemovals = 40
)

// removal takes evidence out of a workspace.
type removal struct {
	name  string
	spoil func(t *testing.T, dir string)
	ids   []string    // the revisions to compare
	tells []hazard.ID // hazards that nothing can tell once it is done
	logs  bool        // whole logs go, so nothing says what they would have shown
}

// removals reviews revisions before and after evidence is taken away.
type removals struct {
	fleet   string // what dir was copied from, unless more was done to it
	dir     string
	full    map[string]*assess.Review // before any removal, of the revisions asked for so far
	ids     []string                  // sorted
	byCar   map[string][]string
	runs    []workspace.RunFile
	headers map[channel.ID][]string
	seen    map[string][]string    // violations by removal and kind
	turns   map[string][]string    // turns towards release that are no violation, by kind
	total   map[assess.Verdict]int // verdicts compared, by what they were before
}

// newRemovals works on a copy of a fleet with n graded proposals, reduced to one platform where one is named.
func newRemovals(t *testing.T, fleet, platform string, n int, seed uint64) *removals {
	t.Helper()
	x := &removals{fleet: fleet, dir: fleettest.Copy(t, fleet), full: map[string]*assess.Review{},
		byCar: map[string][]string{},
		seen:  map[string][]string{}, turns: map[string][]string{}, total: map[assess.Verdict]int{}}
	if n > 0 {
		x.fleet = x.dir
		if _, err := demo.Proposals(x.dir, n, seed); err != nil {
			t.Fatal(err)
		}
	}
	if platform != "" {
		x.fleet = x.dir
		fleettest.Only(t, x.dir, platform)
	}
	ws, err := workspace.Open(x.dir)
	if err != nil {
		t.Fatal(err)
	}
	x.ids, x.runs = slices.Sorted(maps.Keys(ws.Revisions)), ws.Runs
	for _, id := range x.ids {
		if v := ws.Revisions[id].Vehicle; v != workspace.Fleet {
			x.byCar[v] = append(x.byCar[v], id)
		}
	}
	x.headers = headersOf(t, ws)
	return x
}

// headersOf lists the headers under which the workspace's logs have each channel.
func headersOf(t *testing.T, ws *workspace.Workspace) map[channel.ID][]string {
	t.Helper()
	out := map[channel.ID][]string{}
	for _, r := range ws.Runs {
		logged, err := runlog.Read(filepath.Join(ws.Dir, filepath.FromSlash(r.Path)),
			runlog.Options{Barometer: r.BaroKPa})
		if err != nil {
			continue // the fleet has a log that cannot be read
		}
		for _, c := range logged[0].Columns {
			if c.Channel != "" && !slices.Contains(out[c.Channel], c.Header) {
				out[c.Channel] = append(out[c.Channel], c.Header)
			}
		}
	}
	return out
}

func reviewsOf(t *testing.T, dir string, ids []string) map[string]*assess.Review {
	t.Helper()
	out := map[string]*assess.Review{}
	for i, r := range reviewedAll(t, assesstest.Open(t, dir), ids) {
		out[ids[i]] = r
	}
	return out
}

// left are the channels left out of the logs that a pattern of channels.yaml fits.
type left struct {
	pattern string
	ids     []channel.ID
}

func (x *removals) without(pattern string, ids ...channel.ID) func(t *testing.T, dir string) {
	return x.withoutEach([]left{{pattern, ids}})
}

func (x *removals) withoutEach(all []left) func(t *testing.T, dir string) {
	return func(t *testing.T, dir string) {
		t.Helper()
		var b strings.Builder
		b.WriteString("files:\n")
		for _, out := range all {
			fmt.Fprintf(&b, "  - pattern: %q\n    columns:\n", out.pattern)
			for _, id := range out.ids {
				if len(x.headers[id]) == 0 {
					t.Fatalf("no log has %s", id)
				}
				for _, h := range x.headers[id] {
					fmt.Fprintf(&b, "      - {header: %q, channel: none}\n", h)
				}
			}
		}
		if err := os.WriteFile(filepath.Join(dir, "channels.yaml"), []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// withoutLogs removes logs, and their rows of runs.csv.
func (x *removals) withoutLogs(gone func(r *workspace.RunFile) bool) func(t *testing.T, dir string) {
	return func(t *testing.T, dir string) {
		t.Helper()
		list, err := os.ReadFile(filepath.Join(dir, "runs.csv"))
		if err != nil {
			t.Fatal(err)
		}
		rows := strings.SplitAfter(string(list), "\n")
		n := 0
		for i := range x.runs {
			r := &x.runs[i]
			if !gone(r) {
				continue
			}
			n++
			if err := os.Remove(filepath.Join(dir, filepath.FromSlash(r.Path))); err != nil {
				t.Fatal(err)
			}
			rows = slices.DeleteFunc(rows, func(row string) bool { return strings.HasPrefix(row, r.Path+",") })
		}
		if n == 0 {
			t.Fatal("no log was removed")
		}
		if err := os.WriteFile(filepath.Join(dir, "runs.csv"), []byte(strings.Join(rows, "")), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// Removals of one car's evidence.
func (x *removals) own(car, name string, ids ...channel.ID) removal {
	return removal{name: "own " + name, ids: x.byCar[car], spoil: x.without(car+"/*/*", ids...)}
}

// datesOf are a car's log dates, sorted.
func (x *removals) datesOf(car string) []string {
	var out []string
	for _, r := range x.runs {
		if r.Vehicle == car {
			out = append(out, r.Date)
		}
	}
	slices.Sort(out)
	return out
}

func (x *removals) ownLogs(car string) removal {
	return removal{name: "own logs", logs: true, ids: x.byCar[car],
		spoil: x.withoutLogs(func(r *workspace.RunFile) bool { return r.Vehicle == car })}
}

func (x *removals) ownNewestHalf(car string) removal {
	dates := x.datesOf(car)
	from := dates[len(dates)/2]
	return removal{name: "own newest half", logs: true, ids: x.byCar[car],
		spoil: x.withoutLogs(func(r *workspace.RunFile) bool { return r.Vehicle == car && r.Date >= from })}
}

// newestOnly takes channels out of a car's newest log.
func (x *removals) newestOnly(car, name string, ids ...channel.ID) removal {
	dates := x.datesOf(car)
	return removal{name: "newest log's " + name, logs: true, ids: x.byCar[car],
		spoil: x.without(car+"/*/"+dates[len(dates)-1]+"*", ids...)}
}

func (x *removals) randomHalf(seed uint64) removal {
	return removal{name: "half of the fleet's logs", logs: true, ids: x.ids, spoil: func(t *testing.T, dir string) {
		rng := rand.New(rand.NewPCG(seed, 0))
		x.withoutLogs(func(*workspace.RunFile) bool { return rng.IntN(2) == 0 })(t, dir)
	}}
}

// limitOutOfReach is as if no log had ever reached the speeds of one of several limits of a serious hazard.
func limitOutOfReach(t *testing.T, dir string) {
	t.Helper()
	file := filepath.Join(dir, "platforms", "marlin-25t.yaml")
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	before, after, ok := strings.Cut(string(b), "\nlimits:\n")
	if !ok {
		t.Fatal("the platform has no limits")
	}
	const limit = `  - {hazard: lean, metric: lambda, unit: "lambda", value: 0.8, rpm_range: [7300, 7900], ` +
		"source: this test}"
	if err := os.WriteFile(file, []byte(before+"\nlimits:\n"+limit+"\n"+after), 0o644); err != nil {
		t.Fatal(err)
	}
}

// everywhere takes channels out of every log.
func (x *removals) everywhere(name string, tells []hazard.ID, ids ...channel.ID) removal {
	return removal{name: name, tells: tells, ids: x.ids, spoil: x.without("*", ids...)}
}

// try does a removal on a copy and books what it turned.
func (x *removals) try(t *testing.T, r removal) {
	t.Helper()
	dir := fleettest.Copy(t, x.dir)
	defer os.RemoveAll(dir)
	r.spoil(t, dir)
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	for _, id := range r.ids {
		if x.full[id] == nil {
			x.full[id] = reviewed(t, x.fleet, id)
		}
	}
	after := reviewsOf(t, dir, r.ids)
	for _, id := range r.ids {
		x.total[x.full[id].Verdict]++
		x.judge(r, x.full[id], after[id])
	}
}

// Kinds of violation and of other turns towards release.
const (
	notListed   = "hazards missing from the list"
	fromNothing = "assessed from nothing"
	unfounded   = "released on what was not assessed"
	holdGone    = "hold released"
	unsaid      = "hold softened without a word"
	lostFooting = "condition lost with its hazard's footing"

	said          = "hold softened, said what is missing"
	movedEstimate = "condition gone, estimate moved"
	logsGone      = "hold softened, logs gone"
	logsReleased  = "hold released, logs gone"
)

func (x *removals) judge(r removal, before, after *assess.Review) {
	fault := func(kind, why string) {
		key := r.name + ": " + kind
		x.seen[key] = append(x.seen[key], after.Revision+" "+why)
	}
	if why := unlisted(after); why != "" {
		fault(notListed, why)
	}
	for _, name := range r.tells {
		if h := after.HazardOf(name); h.Status != result.NotAssessed || h.Severity.Serious() &&
			after.Verdict != assess.VerdictUndecided && after.Verdict != assess.VerdictHold {
			fault(fromNothing, fmt.Sprintf("%s is %s (%s), verdict %s", name, h.Status, h.Reasons, after.Verdict))
		}
	}
	if why := baseless(after); why != "" {
		fault(unfounded, why)
	}
	turn := fmt.Sprintf("%s → %s: was %v, now %v", before.Verdict, after.Verdict, before.Reasons, after.Reasons)
	book := func(kind string) { x.turns[kind] = append(x.turns[kind], r.name+": "+after.Revision+" "+turn) }
	stopped := before.Verdict == assess.VerdictHold || before.Verdict == assess.VerdictUndecided
	switch {
	case stopped && after.Verdict == assess.VerdictRelease && r.logs:
		book(logsReleased)
	case stopped && after.Verdict == assess.VerdictConditions && r.logs:
		book(logsGone)
	case stopped && after.Verdict == assess.VerdictRelease:
		fault(holdGone, turn)
	case stopped && after.Verdict == assess.VerdictConditions:
		if why := silent(before, after); why != "" {
			fault(unsaid, why+"; "+turn)
			return
		}
		book(said)
	case before.Verdict == assess.VerdictConditions && after.Verdict == assess.VerdictRelease:
		if why := footingLost(before, after); why != "" {
			fault(lostFooting, why+"; "+turn)
			return
		}
		book(movedEstimate)
	}
}

// unlisted says what is wrong with the list of hazards.
func unlisted(r *assess.Review) string {
	want := hazard.All()
	if len(r.Hazards) != len(want) {
		return fmt.Sprintf("%d hazards", len(r.Hazards))
	}
	for i, h := range r.Hazards {
		if h.Hazard != want[i].ID {
			return fmt.Sprintf("%s in the place of %s", h.Hazard, want[i].ID)
		}
		if h.Status == result.NotAssessed && (len(h.Reasons) == 0 || h.ProbabilityPerPull.Known() ||
			h.Interval90[1].Known()) {
			return fmt.Sprintf("%s not assessed: reasons %v, %v", h.Hazard, h.Reasons, h.ProbabilityPerPull)
		}
	}
	return ""
}

// has reports whether a kind of reason is among some.
func has[R result.Reason](reasons result.Reasons) bool {
	return slices.ContainsFunc(reasons, func(r result.Reason) bool { _, ok := r.(R); return ok })
}

// baseless says which serious hazard a release does not rest on.
func baseless(r *assess.Review) string {
	if r.Verdict != assess.VerdictRelease {
		return ""
	}
	for _, h := range r.Hazards {
		if h.Severity.Serious() && (h.Status != result.Assessed || !h.Interval90[1].Known() ||
			has[assess.OutOfRange](h.Reasons) ||
			has[assess.NeverLogged](h.Reasons) && h.ModelHigh >= assess.WorthALine) {
			return fmt.Sprintf("%s is %s (%v)", h.Hazard, h.Status, h.Reasons)
		}
	}
	return ""
}

// footing is what a hazard is judged on, from the best down: the car's own measurements or physics at their level,
// other cars' measurements, physics alone, thin evidence, nothing.
func footing(h *assess.Hazard) int {
	switch {
	case h.Status == result.NotAssessed:
		return 4
	case h.Status == result.Thin:
		return 3
	case has[assess.ComputedLevel](h.Reasons) && level(h) == assess.ComputedLevel{}:
		return 2
	case has[assess.NeverLogged](h.Reasons) || level(h).OtherCars > 0:
		return 1
	}
	return 0
}

// level is how a computed metric's level was set; the zero value without one.
func level(h *assess.Hazard) assess.ComputedLevel {
	for _, r := range h.Reasons {
		if l, ok := r.(assess.ComputedLevel); ok {
			return l
		}
	}
	return assess.ComputedLevel{}
}

// about is the hazard that a reason of a verdict is about, "" where it is about none.
func about(r result.Reason) hazard.ID {
	switch r := r.(type) {
	case assess.TooLikely:
		return r.Hazard
	case assess.MeasuredCrossing:
		return r.Hazard
	case assess.NotJudged:
		return r.Hazard
	case assess.OutsideEnvelope:
		return r.Hazard
	case assess.EnvelopeUnknown:
		return r.Hazard
	case assess.NeverLoggedHere:
		return r.Hazard
	case assess.CrossesUnder:
		return r.Hazard
	}
	return ""
}

// reasonsFor are a review's reasons that are about a hazard.
func reasonsFor(r *assess.Review, id hazard.ID) result.Reasons {
	return slices.DeleteFunc(slices.Clone(r.Reasons), func(why result.Reason) bool { return about(why) != id })
}

// namedIn lists the hazards that a review's reasons are about.
func namedIn(r *assess.Review) []hazard.ID {
	var out []hazard.ID
	for _, h := range r.Hazards {
		if len(reasonsFor(r, h.Hazard)) > 0 {
			out = append(out, h.Hazard)
		}
	}
	return out
}

// silent names a hazard that held a revision before and of which the review after does not say that evidence is
// missing: in the hazard's why, or in a reason.
func silent(before, after *assess.Review) string {
	lacks := func(reasons result.Reasons) bool {
		return has[assess.EnvelopeUnknown](reasons) || has[assess.NeverLoggedHere](reasons) ||
			has[assess.NeverLogged](reasons)
	}
	for _, name := range namedIn(before) {
		h := after.HazardOf(name)
		if footing(h) <= footing(before.HazardOf(name)) && !lacks(h.Reasons) &&
			!lacks(reasonsFor(after, name)) {
			return fmt.Sprintf("%s: %v", name, h.Reasons)
		}
	}
	return ""
}

// footingLost names a hazard whose condition went with its footing.
func footingLost(before, after *assess.Review) string {
	for _, name := range namedIn(before) {
		if was, is := before.HazardOf(name), after.HazardOf(name); footing(is) > footing(was) {
			return fmt.Sprintf("%s: %v", name, is.Reasons)
		}
	}
	return ""
}

// unmeasured is the cause of a violation that is known and not mended yet.
const unmeasured = "an envelope and a prediction that were measured become computed ones"

// report holds the violations against those that are pending, by removal and kind with their cause, and prints the
// counts. A pending violation that no longer shows is an error too: its line has to go.
func (x *removals) report(t *testing.T, pending map[string]string) {
	t.Helper()
	for _, key := range slices.Sorted(maps.Keys(x.seen)) {
		what := x.seen[key]
		if cause, ok := pending[key]; ok {
			t.Logf("pending, since %s: %s, %d times:\n\t%s", cause, key, len(what), what[0])
			continue
		}
		t.Errorf("%s, %d times:\n\t%s", key, len(what), strings.Join(what, "\n\t"))
	}
	for _, key := range slices.Sorted(maps.Keys(pending)) {
		if len(x.seen[key]) == 0 {
			t.Errorf("pending %q no longer shows: take its line out", key)
		}
	}
	t.Logf("verdicts compared, by what they were: %v", x.total)
	for _, kind := range slices.Sorted(maps.Keys(x.turns)) {
		t.Logf("no violation: %s, %d times:\n\t%s", kind, len(x.turns[kind]), strings.Join(x.turns[kind], "\n\t"))
	}
}

// Channels that stand in for one another.
var (
	retardChannels = []channel.ID{channel.KnockRetard, channel.KnockRetardLearned}
	sparkChannels  = []channel.ID{channel.SparkAdvance, channel.SparkCommanded}
	lambdaChannels = []channel.ID{channel.Lambda, channel.LambdaCommanded}
	loadChannels   = []channel.ID{channel.AbsoluteLoad, channel.MassAirFlow}
	airChannels    = []channel.ID{channel.AbsoluteLoad, channel.MassAirFlow, channel.ManifoldPressure}
)

// A channel gone from every log of three cars. HEADROOM_PROOF=1 takes it from the small fleet's two platforms.
func TestNothingIsAssessedFromNothing(t *testing.T) {
	fleets := map[string][]string{fleettest.Marlins(t): {"rev-0102-b", "rev-0104-b", "rev-0106-b"}}
	if os.Getenv("HEADROOM_PROOF") != "" {
		fleets[fleettest.Small(t)] = []string{"rev-0101-b", "rev-0103-b", "rev-0104-b"}
	}
	for fleet, ids := range fleets {
		x := newRemovals(t, fleet, "", 0, gradedSeed)
		x.ids = ids
		for _, r := range []removal{
			x.everywhere("feedback retard", []hazard.ID{hazard.Knock}, channel.KnockRetard),
			x.everywhere("lambda", []hazard.ID{hazard.Lean}, channel.Lambda),
			x.everywhere("spark", []hazard.ID{hazard.Knock, hazard.CylinderPressure}, sparkChannels...),
			x.everywhere("load", everyHazard(), airChannels...),
			x.everywhere("four temperatures", []hazard.ID{hazard.ExhaustTemperature, hazard.CoolantTemperature,
				hazard.OilTemperature, hazard.ChargeTemperature, hazard.Knock, hazard.CylinderPressure},
				channel.ExhaustTemperature, channel.CoolantTemperature, channel.OilTemperature,
				channel.ChargeTemperature),
		} {
			x.try(t, r)
		}
		x.report(t, nil)
	}
}

func everyHazard() []hazard.ID {
	var out []hazard.ID
	for _, h := range hazard.All() {
		out = append(out, h.ID)
	}
	return out
}

// The most telling removals. On the demo's cars of one platform: a car whose mixture sensor reads lean loses it while
// a car near its knock limit loses the control unit's feedback, and no log reaches the speeds of a limit. On three
// cars: rail pressure goes from every log. The proof does them one by one on 24 cars.
func TestRemovalNeverReleases(t *testing.T) {
	if testing.Short() {
		t.Skip("fits a fleet twice")
	}
	x := newRemovals(t, fleettest.Demo(t), fleettest.Marlin, 0, removalSeed)
	for _, r := range []removal{
		{name: "own lambda, own feedback retard", ids: slices.Concat(x.byCar["car-008"], x.byCar["car-012"]),
			spoil: x.withoutEach([]left{{"car-008/*/*", []channel.ID{channel.Lambda}},
				{"car-012/*/*", []channel.ID{channel.KnockRetard}}})},
		{name: "speeds of a limit", ids: []string{"rev-0104-b", "rev-0106-a", "rev-0110-a", "rev-0114-a", "rev-0116-a"},
			spoil: limitOutOfReach},
	} {
		x.try(t, r)
	}
	x.report(t, nil)
	x = newRemovals(t, fleettest.Marlins(t), "", 0, removalSeed)
	x.ids = []string{"marlin-25t-pump-91-s1", "rev-0102-a", "rev-0102-b", "rev-0104-a", "rev-0104-b", "rev-0106-a"}
	x.try(t, x.everywhere("rail pressure", []hazard.ID{hazard.RailPressure}, channel.RailPressure))
	x.report(t, nil)
}

// The proof: the removals, on the fleet of 24 cars with graded proposals.
func TestProofRemoval(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	if os.Getenv("HEADROOM_PROOF_FLEETS") != "" {
		t.Skip("a look (see fleetsAsked) leaves removals to the tests above; all of them take half an hour")
	}
	x := newRemovals(t, fleettest.Demo(t), "", proofRemovals, removalSeed)
	all := []removal{
		x.everywhere("feedback retard", []hazard.ID{hazard.Knock}, channel.KnockRetard),
		x.everywhere("retard", []hazard.ID{hazard.Knock}, retardChannels...),
		x.everywhere("spark", []hazard.ID{hazard.Knock, hazard.CylinderPressure}, sparkChannels...),
		x.everywhere("lambda", []hazard.ID{hazard.Lean}, channel.Lambda),
		x.everywhere("both lambdas", []hazard.ID{hazard.Lean, hazard.Knock, hazard.FuelDelivery,
			hazard.CylinderPressure}, lambdaChannels...),
		x.everywhere("manifold pressure", []hazard.ID{hazard.BoostControl}, channel.ManifoldPressure),
		x.everywhere("boost target", []hazard.ID{hazard.BoostControl}, channel.ManifoldPressureTarget),
		x.everywhere("load and air flow", nil, loadChannels...),
		x.everywhere("charge temperature", []hazard.ID{hazard.ChargeTemperature, hazard.Knock,
			hazard.CylinderPressure}, channel.ChargeTemperature),
		x.everywhere("exhaust temperature", []hazard.ID{hazard.ExhaustTemperature}, channel.ExhaustTemperature),
		x.everywhere("rail pressure", []hazard.ID{hazard.RailPressure}, channel.RailPressure),
		x.everywhere("barometer", nil, channel.BarometricPressure),
		x.everywhere("torque", nil, channel.Torque),
		x.everywhere("coolant", []hazard.ID{hazard.CoolantTemperature}, channel.CoolantTemperature),
		x.everywhere("ethanol", nil, channel.EthanolShare),
		x.everywhere("injection", nil, channel.InjectorDuty, channel.InjectorPulse),
		{name: "speeds of a limit", ids: x.ids, spoil: limitOutOfReach},
	}
	for seed := range uint64(3) {
		all = append(all, x.randomHalf(seed))
	}
	for i, car := range slices.Sorted(maps.Keys(x.byCar)) {
		all = append(all,
			x.own(car, "feedback retard", channel.KnockRetard),
			x.own(car, "retard", retardChannels...),
			x.own(car, "lambda", channel.Lambda))
		if i%3 == 0 {
			all = append(all, x.ownLogs(car), x.ownNewestHalf(car), x.newestOnly(car, "retard", retardChannels...),
				x.newestOnly(car, "lambda", channel.Lambda))
		}
	}
	for _, r := range all {
		x.try(t, r)
	}
	x.report(t, map[string]string{"injection: " + lostFooting: unmeasured, "torque: " + lostFooting: unmeasured})
	if n, of := len(x.turns[movedEstimate]), x.total[assess.VerdictConditions]; 10*n > of {
		t.Errorf("%d of %d conditions went because an estimate moved", n, of)
	}
	if n, of := len(x.turns[logsReleased]), x.total[assess.VerdictHold]; 100*n > of {
		t.Errorf("%d of %d holds were released because logs went", n, of)
	}
}
