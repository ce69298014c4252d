package health

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/assess/assesstest"
	"headroom/internal/assess/fleet"
	"headroom/internal/demo"
	"headroom/internal/evidence"
	"headroom/internal/fleettest"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/store"
	"headroom/internal/workspace"
	"headroom/models/channel"
)

// buildsUp names the watched metric in which a planted fault of the demo shows as it grows.
var buildsUp = map[string]string{"boost_leak": "wastegate duty", "knock_level_drift": "knock retard"}

// chartsOf runs a design over the ingested fleet in dir and returns its charts, called, with the truth.
func chartsOf(t *testing.T, dir string, d design, watch []watchedMetric, season float64) ([]CarDrift, demo.Truth) {
	t.Helper()
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	_, st := fleettest.Open(t, dir)
	platforms := map[string]bool{}
	for _, c := range truth.Fleet {
		platforms[c.Platform] = true
	}
	var cars []CarDrift
	for id := range platforms {
		rows, err := st.Rows(store.Filter{Platform: id})
		if err != nil {
			t.Fatal(err)
		}
		for k, m := range watch {
			days, err := dailyResiduals(m, evidence.PullRows(rows))
			if err != nil {
				t.Fatal(err)
			}
			addSeason(days, season, float64(k))
			markChanges(days, nil)
			c, _, err := driftOf(d, id, m, days)
			if err != nil {
				t.Fatal(err)
			}
			cars = append(cars, c...)
		}
	}
	if _, err := callDrift(cars); err != nil {
		t.Fatal(err)
	}
	return cars, truth
}

// addSeason moves the whole fleet through a year's cycle of so many pooled deviations.
func addSeason(days []series, size, phase float64) {
	squares, cars := 0.0, 0.0 // of cars' first two days about their mean
	for i := range days {
		if first := slices.DeleteFunc(slices.Clone(days[i].Values), math.IsNaN); len(first) >= 2 {
			squares, cars = squares+math.Pow(first[1]-first[0], 2)/2, cars+1
		}
	}
	if cars == 0 || size == 0 {
		return
	}
	sd := math.Sqrt(squares / cars)
	for i := range days {
		for k, t := range days[i].Times {
			days[i].Values[k] += size * sd * math.Sin(2*math.Pi*t/365.25+phase)
		}
	}
}

// callTally counts planted faults that build up and were found, calls on cars with any fault, and calls on healthy
// cars.
type callTally struct{ planted, found, faulty, wrong int }

func (n *callTally) add(cars []CarDrift, truth demo.Truth) {
	faults := map[string]demo.FaultTruth{}
	for _, c := range truth.Fleet {
		for _, f := range c.Faults {
			if f.Fault != "stuck_coolant_sensor" { // not among the watched metrics: the car is healthy in them
				faults[c.Vehicle] = f
			}
		}
	}
	for _, c := range cars {
		f, faulty := faults[c.Vehicle]
		main := faulty && c.Metric == buildsUp[f.Fault]
		switch {
		case main && c.Signal:
			n.planted, n.found, n.faulty = n.planted+1, n.found+1, n.faulty+1
		case main:
			n.planted++
		case faulty && c.Signal:
			n.faulty++
		case c.Signal:
			n.wrong++
		}
	}
}

// The faults of the demo that build up are called in the right metric and direction, and their onset lies among the
// logs in which they truly grow, give or take one log.
func TestHealthFindsPlantedFaults(t *testing.T) {
	dir := fleettest.Demo(t)
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Review(assesstest.Open(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for _, car := range truth.Fleet {
		for _, f := range car.Faults {
			faulty := buildsUp[f.Fault]
			if faulty == "" {
				continue
			}
			checked++
			at := slices.IndexFunc(r.Cars, func(c CarDrift) bool {
				return c.Vehicle == car.Vehicle &&
					c.Metric == faulty
			})
			if at < 0 || !r.Cars[at].Signal || !(r.Cars[at].Shift > 0) {
				t.Errorf("%s, %s: %s has not been called as risen", car.Vehicle, f.Fault, faulty)
				continue
			}
			from, to := growing(car.Logs)
			onset := slices.IndexFunc(car.Logs, func(l demo.LogTruth) bool { return l.Date == r.Cars[at].Onset })
			if onset < from-1 || onset > to+1 {
				t.Errorf("%s: onset at log %d (%s), the fault grows over logs %d to %d", car.Vehicle, onset,
					r.Cars[at].Onset, from, to)
			}
		}
	}
	if checked != 2 {
		t.Fatalf("%d faults that build up in the demo, want 2", checked)
	}
	var n callTally
	n.add(r.Cars, truth)
	if n.wrong > 1 || r.Drift.Called != n.faulty+n.wrong || float64(r.Drift.ExpectedFalse) > discoveryRate*float64(
		r.Drift.Called) {
		t.Errorf("%d healthy charts called, %d on faulty cars; the review says %+v", n.wrong, n.faulty, r.Drift)
	}
}

// growing are the first log after which a fault grew, and the one by which it had come half the way.
func growing(logs []demo.LogTruth) (from, to int) {
	size := func(l demo.LogTruth) float64 { return l.Leak - l.KnockOffsetDeg }
	first, last := size(logs[0]), size(logs[len(logs)-1])
	to = slices.IndexFunc(logs, func(l demo.LogTruth) bool { return size(l)-first >= (last-first)/2 })
	return 1, to
}

// Over several small fleets the share of false calls stays within the promised false-discovery rate, give or take two
// standard deviations of that many calls, and at least half of the faults that build up are found: twelve cars tell the
// fleet's spread poorly. HEADROOM_PROOF=1 adds a fleet.
func TestHealthFalseCalls(t *testing.T) {
	if testing.Short() {
		t.Skip("builds fleets")
	}
	var n callTally
	last := uint64(102)
	if os.Getenv("HEADROOM_PROOF") != "" {
		last = 103
	}
	for seed := uint64(101); seed <= last; seed++ {
		cars, truth := chartsOf(t, seeded(t, seed, 12), standardDesign, watchedMetrics, 0)
		n.add(cars, truth)
	}
	calls := float64(n.faulty + n.wrong)
	if allowed := discoveryRate*calls + 2*math.Sqrt(discoveryRate*(1-discoveryRate)*calls); float64(n.wrong) > allowed {
		t.Errorf("%d of %.0f calls are false, at most %.1f go with the promise", n.wrong, calls, allowed)
	}
	if n.found*2 < n.planted {
		t.Errorf("%d of %d faults that build up were found", n.found, n.planted)
	}
	t.Logf("%+v", n)
}

func seeded(t *testing.T, seed uint64, cars int) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ws")
	if _, err := demo.Build(dir, demo.Options{Seed: seed, Cars: cars, TruthPulls: 1}); err != nil {
		t.Fatal(err)
	}
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestHealthDesign is the simulation the chart was chosen by; it takes minutes and runs with HEADROOM_PROOF set. Each
// design sees the same 14 demo fleets of 24 cars (28 faults that build up, 1801 charts of healthy cars), as they are
// and with a season of 1.5 pooled deviations laid over the whole fleet.
func TestHealthDesign(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("takes minutes: set HEADROOM_PROOF")
	}
	blind := slices.Clone(watchedMetrics) // without the commanded values
	for i := range blind {
		blind[i].command = nil
	}
	designs := []struct {
		name  string
		d     design
		watch []watchedMetric
	}{
		{"standard", standardDesign, watchedMetrics},
		{"fleet left in", design{standardDesign.fewest, 0}, watchedMetrics},
		{"no commanded values", standardDesign, blind},
	}
	plain, season := make([]callTally, len(designs)), make([]callTally, len(designs))
	for seed := uint64(1); seed <= 14; seed++ {
		dir := seeded(t, seed, 24)
		for i, d := range designs {
			cars, truth := chartsOf(t, dir, d.d, d.watch, 0)
			plain[i].add(cars, truth)
			cars, truth = chartsOf(t, dir, d.d, d.watch, 1.5)
			season[i].add(cars, truth)
		}
	}
	for i, d := range designs {
		t.Logf("%-30s plain %+v, season %+v", d.name, plain[i], season[i])
	}
	// The EWMA of scores before it found 24 of these and 20 with a season; what it cost, and what it missed elsewhere,
	// stands in docs/decisions.md.
	if best := plain[0]; best.found < 17 || best.wrong > 3 || season[0].found < 17 {
		t.Errorf("the chosen design finds %+v, with a season %+v", best, season[0])
	}
}

// boostedFleet is ten cars with four days each, whose wastegate duty follows the boost target; after the second day the
// calibration of car-00 asks for more boost. Without targets the logs do not show why.
func boostedFleet(targets bool) []*evidence.Row {
	rng := rand.New(rand.NewPCG(3, 4))
	var out []*evidence.Row
	for car := range 10 {
		for day := range 4 {
			target, revision := 200+5*rng.NormFloat64(), "a"
			if car == 0 && day >= 2 {
				target, revision = 240, "b"
			}
			shared := 0.5 * rng.NormFloat64()
			for k := range 12 {
				r := fleettest.BlankRow()
				r.Vehicle, r.Revision, r.Date = fmt.Sprintf("car-%02d", car), revision, fmt.Sprintf("2025-%02d-%02d",
					1+3*day, 1+2*car)
				r.Run, r.RPM, r.Load = fmt.Sprintf("%d-%d", car, day), 3000+250*float64(k), 140+4*float64(k)
				r.WastegateDuty = 40 + 0.3*(target-200) + shared + 0.5*rng.NormFloat64()
				if targets || car != 0 {
					r.ManifoldPressureTarget = target
				}
				out = append(out, &r)
			}
		}
	}
	return out
}

// More boost asked for by a new calibration is not drift: with the target logged nothing stands out, without it the
// call is held back and says why. A change of hardware on another day explains nothing.
func TestNewTablesAreNotDrift(t *testing.T) {
	wastegate := watchedMetrics[slices.IndexFunc(watchedMetrics,
		func(m watchedMetric) bool { return m.name == "wastegate duty" })]
	first := func(targets bool) CarDrift {
		days, err := dailyResiduals(wastegate, boostedFleet(targets))
		if err != nil {
			t.Fatal(err)
		}
		markChanges(days, nil)
		cars, _, err := driftOf(standardDesign, "p", wastegate, days)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := callDrift(cars); err != nil {
			t.Fatal(err)
		}
		return cars[slices.IndexFunc(cars, func(c CarDrift) bool { return c.Vehicle == "car-00" })]
	}
	if c := first(true); c.Signal || c.HeldBack {
		t.Errorf("with the target logged: %+v", c)
	}
	c := first(false)
	if c.Signal || !c.HeldBack || c.Onset != "2025-07-01" ||
		c.Change != (Change{Kind: RevisionChange, Revision: "b"}) || c.Command != channel.ManifoldPressureTarget {
		t.Errorf("without the target: %+v", c)
	}
}

// A change of hardware is noted on the first log after it, before a change of revision on the same day.
func TestMarkChanges(t *testing.T) {
	s := []series{{vehicle: "car", dates: []string{"2025-01-01", "2025-02-01", "2025-04-01", "2025-05-01"},
		revisions: []string{"a", "b", "c", "c"}}}
	markChanges(s, map[string]string{"car": "2025-03-10"})
	hardware := Change{Kind: HardwareChange, Date: "2025-03-10"}
	want := []Change{{}, {Kind: RevisionChange, Revision: "b"}, hardware, {}}
	if !slices.Equal(s[0].changes, want) {
		t.Errorf("changes %+v, want %+v", s[0].changes, want)
	}
	if got := s[0].changeNear(3); got != hardware {
		t.Errorf("near the last day: %+v", got)
	}
}

// The trend's 95 % interval holds the true slope 95 times in 100 although cars have slopes of their own (days of a car
// are not independent), and a platform of four cars gets none.
func TestTrendCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const slope, rounds = 0.02, 2000
	inside := 0
	for range rounds {
		var cars []series
		for range 10 {
			own := slope + 0.01*rng.NormFloat64()
			s := series{}
			for d := range 3 + rng.IntN(5) {
				day := float64(80*d + rng.IntN(60))
				s.dates = append(s.dates, fmt.Sprintf("2025-%02d-01", d+1))
				s.Times, s.Values = append(s.Times, day), append(s.Values, 5+own*day+rng.NormFloat64())
			}
			cars = append(cars, s)
		}
		r := trendOf("p", watchedMetrics[0], cars)
		if float64(r.Interval95[0]) <= 100*slope && 100*slope <= float64(r.Interval95[1]) {
			inside++
		}
		if few := trendOf("p", watchedMetrics[0], cars[:4]); few.Status != result.NotAssessed ||
			few.SlopePer100Days.Known() || !slices.Equal(few.Reasons, result.Reasons{FewCars{Cars: 4, Wanted: 5}}) {
			t.Fatalf("four cars: %+v", few)
		}
	}
	if share := float64(inside) / rounds; share < 0.935 || share > 0.975 {
		t.Errorf("the 95 %% interval holds the slope in %.3f of %d rounds", share, rounds)
	}
}

// One slope among many flat ones is called, and less than two years of logs cannot tell season from ageing.
func TestTrendsAreCorrected(t *testing.T) {
	trends := make([]Trend, 20)
	for i := range trends {
		trends[i] = Trend{Metric: "fuel trim", Status: result.Assessed, PValue: 0.03, SlopePer100Days: 1, Unit: "%",
			From: "2025-01-01", To: "2025-12-01"}
	}
	if err := callTrends(trends[:1]); err != nil || !trends[0].Signal ||
		!slices.Equal(trends[0].Reasons, result.Reasons{SeasonOrAgeing{DaysWanted: 730}}) {
		t.Errorf("one trend at 0.03: %+v, %v", trends[0], err)
	}
	trends[0].To = "2027-01-01"
	if err := callTrends(trends[:1]); err != nil || !trends[0].Signal || len(trends[0].Reasons) != 0 {
		t.Errorf("one trend at 0.03 over two years: %+v, %v", trends[0], err)
	}
	for i := range trends {
		trends[i].PValue = result.Number(0.03 + 0.04*float64(i))
	}
	trends[0].Status, trends[0].PValue = result.NotAssessed, result.Unknown()
	trends[1].PValue = 1e-4
	if err := callTrends(trends); err != nil {
		t.Fatal(err)
	}
	if !trends[0].Signal || trends[0].PValue != 1e-4 || trends[1].Signal || trends[19].Status != result.NotAssessed {
		t.Errorf("corrected over 19: first %+v, second %+v, last %+v", trends[0], trends[1], trends[19])
	}
}

// Kaplan and Meier by hand: of four cars one fails at 100 days (3/4 left), one is last seen at 200, one fails at 300
// (half of the rest left), one is last seen at 400. A car that failed before its first log cannot be placed.
func TestSurvivalByHand(t *testing.T) {
	car := func(last, failed string) history {
		h := history{first: "2025-01-01", last: last}
		if failed != "" {
			h.failures = []workspace.Outcome{{Date: failed}}
		}
		return h
	}
	s, err := survivalOf("p", []history{car("2025-03-01", "2025-04-11"), car("2025-07-20", ""),
		car("2025-06-01", "2025-10-28"), car("2026-02-05", ""), car("2025-02-01", "2024-12-24")})
	if err != nil {
		t.Fatal(err)
	}
	want := [][2]float64{{100, 0.75}, {200, 0.75}, {300, 0.375}, {400, 0.375}}
	if len(s.Points) != 4 || s.LeftOut != 1 || s.Cars != 4 || s.Failures != 2 || s.ObservedTo != 400 {
		t.Fatalf("%+v", s)
	}
	for i, p := range s.Points {
		if float64(p.Days) != want[i][0] || math.Abs(float64(p.Running)-want[i][1]) > 1e-12 ||
			p.Band95[0] > p.Running || p.Band95[1] < p.Running {
			t.Errorf("point %d: %+v, want %v", i, p, want[i])
		}
	}
	retired := car("2025-07-20", "2025-10-01")
	retired.retired = "2025-08-01"
	if date, failed := retired.exit(); date != "2025-08-01" || failed {
		t.Errorf("retired before its failure: leaves %s, failed %v", date, failed)
	}
}

// Nine cars of 100 to 180 kW fall into three brackets of three; with six failures among the strongest against none the
// brackets are compared (chance 2·(1/2)⁶ = 0.031 at equal exposure), with fewer nothing is read from them.
func TestPowerBrackets(t *testing.T) {
	cars := func(failures int) []history {
		var out []history
		for i := range 9 {
			h := history{vehicle: fmt.Sprint(i), pulls: 20, hours: 0.1, power: 100 + 10*float64(i), measured: i < 2}
			if i == 8 {
				h.failures = make([]workspace.Outcome, failures)
			}
			out = append(out, h)
		}
		return append(out, history{vehicle: "unknown", pulls: 5, power: math.NaN()})
	}
	b, err := powerBrackets("p", cars(6))
	if err != nil {
		t.Fatal(err)
	}
	if len(b) != 3 || b[0].PowerKW[1] != 125 || b[1].PowerKW != (result.Span{125, 155}) || b[2].PowerKW[0] != 155 ||
		b[0].PowerMeasured != 2 {
		t.Fatalf("%+v", b)
	}
	if b[0].Cars != 3 || b[2].FailedCars != 1 || b[2].Failures != 6 || b[0].Pulls != 60 {
		t.Errorf("%+v", b)
	}
	// No failure of three cars, one-sided 95 %: 1 − 0.05^(1/3) = 0.632.
	if math.Abs(float64(b[0].ShareUpper)-0.632) > 0.001 {
		t.Errorf("no failure in three cars allows %v", b[0].ShareUpper)
	}
	c, err := compareBrackets("p", b)
	if err != nil || c.Status != result.Assessed || math.Abs(float64(c.PValue)-0.03125) > 1e-6 ||
		!c.Signal || c.Strongest.Failures != 6 || c.Weakest.Failures != 0 || len(c.Reasons) != 0 {
		t.Errorf("six against none: %+v, %v", c, err)
	}
	if b, err = powerBrackets("p", cars(5)); err != nil {
		t.Fatal(err)
	}
	if c, err = compareBrackets("p", b); err != nil || c.Status != result.NotAssessed || c.PValue.Known() ||
		c.Signal || !slices.Equal(c.Reasons, result.Reasons{FewFailures{Failures: 5, Wanted: 6}}) {
		t.Errorf("five against none: %+v, %v", c, err)
	}
	if b, err = powerBrackets("p", cars(5)[:8]); err != nil || b != nil {
		t.Errorf("eight cars: %+v, %v", b, err)
	}
	if c, err = compareBrackets("p", b); err != nil || c.Signal ||
		!slices.Equal(c.Reasons, result.Reasons{NotDivided{CarsWanted: 9}}) {
		t.Errorf("eight cars: %+v, %v", c, err)
	}
}

// Without a memory the review says so; right after one nothing has moved; a doctored memory is read back as what it is.
func TestFleetMemory(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Small(t)) // with its fits, which depend on neither vehicles nor outcomes
	changes := func() EnvelopeChanges {
		t.Helper()
		f, err := Review(assesstest.Open(t, dir))
		if err != nil {
			t.Fatal(err)
		}
		return f.EnvelopeChanges
	}
	if c := changes(); c.Remembered {
		t.Errorf("without a memory: %+v", c)
	}
	if _, err := Remember(assesstest.Open(t, dir)); err != nil {
		t.Fatal(err)
	}
	changes = func() EnvelopeChanges {
		t.Helper()
		c, err := envelopeChanges(assesstest.Open(t, dir))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	if c := changes(); !c.Remembered || c.SinceRun == "" ||
		len(c.Moved)+len(c.CellsNew)+len(c.CellsGone)+len(c.PlatformsGained)+len(c.PlatformsLost) != 0 {
		t.Errorf("right after a memory: %+v", c)
	}

	file := filepath.Join(dir, filepath.FromSlash(MemoryFile))
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var m memory
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	var limited *fleet.Envelope
	first := &m.Platforms[0]
	for i := range first.Cells {
		if c := &first.Cells[i]; c.Limit.Known() && yardstick(c) > 0 {
			limited = c
			break
		}
	}
	side := 1.0
	if limited.Side == metric.Lower {
		side = -1
	}
	limited.Limit -= result.Number(2 * side * yardstick(limited))
	gone := first.Cells[0]
	gone.Cell.RPM = result.Span{20000, 20500}
	first.Cells = append(first.Cells, gone)
	lost := m.Platforms[1].Platform
	m.Platforms[1].Platform = "sold"
	if b, err = json.Marshal(m); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, b, 0o644); err != nil {
		t.Fatal(err)
	}
	c := changes()
	if len(c.Moved) != 1 || c.Moved[0].Change != Wider || math.Abs(math.Abs(float64(c.Moved[0].MovedSD))-2) > 1e-9 ||
		len(c.Groups) != 1 || c.Groups[0].Wider != 1 {
		t.Errorf("one limit was 2 deviations narrower: %+v", c.Moved)
	}
	if len(c.CellsGone) != 1 || c.CellsGone[0].Cell.RPM[0] != 20000 || len(c.CellsNew) != 0 {
		t.Errorf("a cell at 20000 rpm is gone: %+v", c.CellsGone)
	}
	if !slices.Equal(c.PlatformsLost, []string{"sold"}) || !slices.Equal(c.PlatformsGained, []string{lost}) {
		t.Errorf("platforms lost %v, gained %v", c.PlatformsLost, c.PlatformsGained)
	}

	// broken, and of the time when a limit was the tolerance limit
	for _, memory := range []string{"{", `{"schema": "headroom/fleet-memory/1"}`} {
		if err := os.WriteFile(file, []byte(memory), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Review(assesstest.Open(t, dir)); err == nil || !strings.Contains(err.Error(), MemoryFile) {
			t.Errorf("the memory %s gives %v", memory, err)
		}
	}
}

// Every group of outcomes has bounds above what was seen, the brackets hold each car of known power once, and a retired
// car owes no log while a car that never logged is overdue.
func TestOutcomesAndOverdue(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Small(t)) // with its fits, which depend on neither vehicles nor outcomes
	fleettest.AddLines(t, dir, "vehicles.csv",
		"car-900,kestrel-20t,pump-91,stock,\ncar-901,kestrel-20t,pump-91,stock,\n")
	fleettest.AddLines(t, dir, "outcomes.csv", "car-901,2026-01-05,,retired,,\n")
	r, err := Review(assesstest.Open(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range r.Outcomes {
		if o.Cars > 0 && (!(float64(o.ShareUpper) > float64(o.FailedCars)/float64(o.Cars)) ||
			!(float64(o.PullsUpper) > float64(o.Failures)/float64(o.Pulls)) || !(o.Hours > 0)) {
			t.Errorf("%+v", o)
		}
	}
	if !slices.ContainsFunc(r.Overdue, func(c OverdueCar) bool {
		return c.Vehicle == "car-900" && c.LastRun == "" &&
			!c.Days.Known()
	}) {
		t.Errorf("car-900 never logged: %+v", r.Overdue)
	}
	if slices.ContainsFunc(r.Overdue, func(c OverdueCar) bool { return c.Vehicle == "car-901" }) {
		t.Error("a retired car is overdue")
	}
}
