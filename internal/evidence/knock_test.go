package evidence

import (
	"math"
	"testing"

	"headroom/models/channel"
)

// In these runs samples 20–100 are the pull, ten samples to a cell: 2500 rpm starts at sample 30, 3000 at 40, 3500 at
// 50. Commanded spark falls by 0.1° a sample, as a table does along speed; the controller steps 3°.
func commanded(i int, _ float64) float64 { return 25 - 0.1*float64(i) }

// stepped is a retard that jumps to size at a sample and then recovers by 0.05° a sample (0.5°/s).
func stepped(from int, size float64) shape {
	return func(i int, _ float64) float64 {
		if i < from {
			return 0
		}
		return math.Max(0, size-0.05*float64(i-from))
	}
}

func knockRun(retard, learned shape) []Row {
	total := func(i int, t float64) float64 {
		v := retard(i, t)
		if learned != nil {
			v += learned(i, t)
		}
		return v
	}
	change := map[channel.ID]shape{
		channel.KnockRetard:    retard,
		channel.SparkAdvance:   func(i int, t float64) float64 { return commanded(i, t) - total(i, t) },
		channel.SparkCommanded: commanded,
	}
	if learned != nil {
		change[channel.KnockRetardLearned] = learned
	}
	rows, _ := Rows(pullRun(change), setup())
	return rows
}

func pullRows(rows []Row) []Row {
	var out []Row
	for _, r := range rows {
		if r.Kind == KindPull {
			out = append(out, r)
		}
	}
	return out
}

func events(rows []Row) int {
	n := 0
	for _, r := range rows {
		n += int(r.KnockEvents)
	}
	return n
}

// Methods 1.7: a rise is an event in the cell where it shows, and the limit lies between the spark just after and
// just before it. At sample 44 the table commands 20.6°; nothing was retarded before, so 20.6° knocked and 17.6° is
// what was delivered after.
func TestRiseIsAnEvent(t *testing.T) {
	rows := knockRun(stepped(44, 3), nil)
	if n := events(rows); n != 1 {
		t.Fatalf("%d events, want 1", n)
	}
	r := rowAt(t, pullRows(rows), 3000)
	if r.KnockEvents != 1 || !r.KnockLogged {
		t.Fatalf("row %+v", r)
	}
	near(t, "spark before", r.SparkBefore, 20.6, 1e-9)
	near(t, "spark after", r.SparkAfter, 17.6, 1e-9)
	near(t, "rise", r.RetardRise, 3, 1e-9)
	near(t, "largest retard", r.RetardMax, 3, 1e-9)
	near(t, "retard on entering", r.RetardStart, 0, 0)
}

// The cells after a knocking one still read retard while it recovers, and are clean up to what they were delivered.
// Knock takes cycles to be heard: at 3000 rpm a sample 0.1 s before the one that precedes a rise was not passed without
// knock, one 0.2 s before it was. Samples 40 to 49 are the cell's; commanded is 21.0° at the first of them.
func TestSparkIsPassedOnlyAfterHearing(t *testing.T) {
	for _, c := range []struct {
		from int
		want float64
	}{
		{42, 25 - 4.2 - 3},        // 40 and 41 may have been heard: what the rise left is what passed
		{43, 25 - 4.0},            // 40 was passed
		{46, 25 - 4.0},            // so it was
		{48, 25 - 4.0},            // and here
		{41, 25 - 4.1 - 3 + 0.05}, // none before
	} {
		r := rowAt(t, pullRows(knockRun(stepped(c.from, 3), nil)), 3000)
		near(t, "largest spark passed", r.RiseClean, c.want, 0.35) // charge moves a little within the cell
	}
}

func TestLeftoverRetardIsNotAnEvent(t *testing.T) {
	rows := knockRun(stepped(44, 3), nil)
	r := rowAt(t, pullRows(rows), 3500)
	if r.KnockEvents != 0 || !r.KnockLogged || !math.IsNaN(r.SparkBefore) || !math.IsNaN(r.SparkAfter) {
		t.Errorf("row after the event: %+v", r)
	}
	near(t, "retard on entering", r.RetardStart, 3-0.05*6, 1e-9)
	near(t, "rise", r.RetardRise, 0, 0)
	// Samples 50–59: commanded 20.0 … 19.1, retard 2.70 … 2.25; the largest delivered is the first.
	near(t, "clean up to", r.SparkMax, 20.0-2.7, 1e-9)
}

// A rise at the very first sample of a cell belongs to that cell, at that cell's spark: the sample before lies in
// another cell, where the table commanded 5° more.
func TestRiseAtTheCellEdge(t *testing.T) {
	table := func(i int, _ float64) float64 {
		if i < 40 {
			return 25
		}
		return 20
	}
	retard := stepped(40, 3)
	rows, _ := Rows(pullRun(map[channel.ID]shape{
		channel.KnockRetard:  retard,
		channel.SparkAdvance: func(i int, t float64) float64 { return table(i, t) - retard(i, t) },
	}), setup())
	r := rowAt(t, pullRows(rows), 3000)
	if r.KnockEvents != 1 || events(rows) != 1 {
		t.Fatalf("events %d, row %+v", events(rows), r)
	}
	near(t, "spark before", r.SparkBefore, 20, 1e-9)
	near(t, "spark after", r.SparkAfter, 17, 1e-9)
	near(t, "retard on entering", r.RetardStart, 0, 0)
}

// Handing retard from feedback to learned keeps the total.
func TestExchangeOfLearnedAndFeedbackIsNotAnEvent(t *testing.T) {
	feedback := func(i int, _ float64) float64 {
		if i < 50 {
			return 4
		}
		return 1
	}
	learned := func(i int, _ float64) float64 {
		if i < 50 {
			return 0
		}
		return 3
	}
	for name, rows := range map[string][]Row{
		"to learned": knockRun(feedback, learned), "to feedback": knockRun(learned, feedback),
	} {
		if n := events(rows); n != 0 {
			t.Errorf("%s: %d events", name, n)
		}
		r := rowAt(t, pullRows(rows), 3500)
		near(t, "largest retard", r.RetardMax, 4, 1e-12)
	}
	// A real step during the exchange shows.
	both := knockRun(func(i int, t float64) float64 { return feedback(i, t) + stepped(50, 3)(i, t) }, learned)
	if n := events(both); n != 1 {
		t.Errorf("a knock during the exchange gives %d events, want 1", n)
	}
}

// Steps below half the controller's step are rounding; without a known step, 0.4° is the bound.
func TestThresholdOfARise(t *testing.T) {
	for _, c := range []struct {
		size  float64
		knock *KnockControl
		want  int
	}{{1.4, &KnockControl{StepDeg: 3}, 0}, {1.5, &KnockControl{StepDeg: 3}, 1}, {0.35, nil, 0}, {0.7, nil, 1}} {
		s := setup()
		s.Knock = c.knock
		rows, _ := Rows(pullRun(map[channel.ID]shape{channel.KnockRetard: stepped(44, c.size)}), s)
		if n := events(rows); n != c.want {
			t.Errorf("a rise of %v with %+v: %d events, want %d", c.size, c.knock, n, c.want)
		}
	}
}

// Two knocks in one cell: the second met less spark and is the one that binds.
func TestLowestRiseIsKept(t *testing.T) {
	rows := knockRun(func(i int, t float64) float64 { return stepped(42, 3)(i, t) + stepped(46, 3)(i, t) }, nil)
	r := rowAt(t, pullRows(rows), 3000)
	if r.KnockEvents != 2 {
		t.Fatalf("%d events, want 2", r.KnockEvents)
	}
	// Just before the second: commanded 20.4 at sample 46, retard left of the first 3 − 3·0.05 at sample 45.
	near(t, "spark before", r.SparkBefore, 20.4-2.85, 1e-9)
	near(t, "spark after", r.SparkAfter, 20.4-2.85-(3-0.05), 1e-9)
	near(t, "sum of rises", r.RetardRise, 3+2.95, 1e-9)
}

// The same the other way round: the table gives so much spark back that the first knock met less than the second.
func TestLowestRiseIsKeptWhenItIsTheFirst(t *testing.T) {
	retard := func(i int, t float64) float64 { return stepped(42, 3)(i, t) + stepped(46, 3)(i, t) }
	rows, _ := Rows(pullRun(map[channel.ID]shape{
		channel.KnockRetard:  retard,
		channel.SparkAdvance: func(i int, t float64) float64 { return float64(i) - retard(i, t) },
	}), setup())
	r := rowAt(t, pullRows(rows), 3000)
	if r.KnockEvents != 2 {
		t.Fatalf("%d events, want 2", r.KnockEvents)
	}
	near(t, "spark before", r.SparkBefore, 42, 1e-9)
	near(t, "spark after", r.SparkAfter, 39, 1e-9)
}

func TestDeliveredAndCommandedStandInForEachOther(t *testing.T) {
	retard := stepped(44, 3)
	delivered := func(i int, t float64) float64 { return commanded(i, t) - retard(i, t) }
	for source, change := range map[string]map[channel.ID]shape{
		SparkDelivered: {channel.KnockRetard: retard, channel.SparkAdvance: delivered},
		SparkCommanded: {channel.KnockRetard: retard, channel.SparkAdvance: nil, channel.SparkCommanded: commanded},
		SparkBoth: {channel.KnockRetard: retard, channel.SparkAdvance: delivered,
			channel.SparkCommanded: commanded},
	} {
		rows, _ := Rows(pullRun(change), setup())
		r := rowAt(t, pullRows(rows), 3000)
		if r.SparkSource != source {
			t.Errorf("source %q, want %q", r.SparkSource, source)
		}
		near(t, source+" spark before", r.SparkBefore, 20.6, 1e-9)
		near(t, source+" spark after", r.SparkAfter, 17.6, 1e-9)
		near(t, source+" mean commanded", r.SparkCommanded, 25-0.1*44.5, 1e-9)
	}
}

func TestWithoutRetardNothingIsClean(t *testing.T) {
	rows, findings := Rows(pullRun(map[channel.ID]shape{channel.KnockRetard: nil}), setup())
	wantKind(t, findings, "no_knock")
	for _, r := range rows {
		if r.KnockLogged || r.KnockEvents != 0 || !math.IsNaN(r.RetardRise) || !math.IsNaN(r.SparkCommanded) ||
			!math.IsNaN(r.RetardInterval) {
			t.Errorf("row %+v", r)
		}
		near(t, "largest delivered", r.SparkMax, 15, 0)
	}
}

// The retard was there when the pull began: unknown when it rose, so it is no event; a cell in which retard was read
// only once, at the very start, has been compared with nothing.
func TestRetardBeforeThePullIsNotDifferenced(t *testing.T) {
	rows := knockRun(func(i int, _ float64) float64 {
		if i < 20 {
			return 0
		}
		return 5
	}, nil)
	if n := events(pullRows(rows)); n != 0 {
		t.Errorf("%d events", n)
	}
	once := knockRun(func(i int, _ float64) float64 {
		if i == 29 || i >= 45 {
			return 0
		}
		return nan
	}, nil)
	if r := rowAt(t, pullRows(once), 2000); r.KnockLogged {
		t.Errorf("one reading counts as clean: %+v", r)
	}
}

// Retard read at every second sample: a rise still shows; a hole of a second hides what happened in it.
func TestRetardIsNotDifferencedAcrossAHole(t *testing.T) {
	sparse := knockRun(func(i int, t float64) float64 {
		if i%2 == 1 {
			return nan
		}
		return stepped(44, 3)(i, t)
	}, nil)
	if n := events(sparse); n != 1 {
		t.Errorf("every second sample: %d events, want 1", n)
	}
	near(t, "interval of retard", sparse[0].RetardInterval, 0.2, 1e-9)
	hole := knockRun(func(i int, t float64) float64 {
		if i >= 40 && i < 50 {
			return nan
		}
		return stepped(44, 3)(i, t)
	}, nil)
	if n := events(hole); n != 0 {
		t.Errorf("across a hole: %d events, want 0", n)
	}
	if r := rowAt(t, pullRows(hole), 3000); r.KnockLogged {
		t.Errorf("a cell without a reading counts as clean: %+v", r)
	}
}

// A step of 3° recovering at 2°/s is down to 1° after a second: a 1 Hz log may miss it, a 10 Hz log does not.
func TestSlowLogIsMarked(t *testing.T) {
	s := setup()
	s.Knock = &KnockControl{StepDeg: 3, RecoveryDegPerSecond: 2}
	fast, _ := Rows(pullRun(nil), s)
	if fast[0].KnockSlow {
		t.Error("10 Hz is marked as slow")
	}
	shapes := pullShapes()
	shapes[channel.EngineSpeed] = func(_ int, t float64) float64 { return 2000 + 400*t }
	shapes[channel.ThrottlePosition] = constant(100)
	slow, findings := Rows(trace(10, 1, shapes), s)
	wantKind(t, findings, KindSlowRetard)
	if len(slow) == 0 || !slow[0].KnockSlow {
		t.Errorf("1 Hz is not marked as slow: %+v", slow)
	}
}

// A rise at a sample that belongs to no cell shows in the next one instead of being lost.
func TestRiseWithoutACellIsNotLost(t *testing.T) {
	retard := stepped(44, 3)
	rows, findings := Rows(pullRun(map[channel.ID]shape{
		channel.KnockRetard: retard,
		channel.AbsoluteLoad: func(i int, _ float64) float64 {
			if i == 44 {
				return nan
			}
			return 150
		},
	}), setup())
	wantKind(t, findings, "no_cell")
	if r := rowAt(t, pullRows(rows), 3000); r.KnockEvents != 1 || r.Samples != 9 {
		t.Errorf("row %+v", r)
	}
}

// Where spark was not read at the sample that shows a rise, its last reading since the sample before stands in: still
// the spark before the rise. With none in between, the bracket is open.
func TestBracketWithoutAReadingAtTheRise(t *testing.T) {
	s := spark{delivered: []float64{18, 17, nan, nan}}
	if before, after := s.bracket(rise{before: 1, at: 3, size: 3}); before != 17 || after != 14 {
		t.Errorf("bracket %v to %v, want 17 to 14", before, after)
	}
	if before, after := s.bracket(rise{before: 2, at: 3, size: 3}); !math.IsNaN(before) || !math.IsNaN(after) {
		t.Errorf("bracket %v to %v of spark that was not read", before, after)
	}
}
