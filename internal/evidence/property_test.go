package evidence

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

// drive is a random run at 8 Hz (so that times are exact in binary): pulls with knock at random samples, and between
// them lifts whose speed falls too fast to be steady. It also returns the middle sample of each lift.
func drive(t *rapid.T) (*runlog.Run, []int) {
	const interval = 0.125
	var rpm, throttle, retard, spark []float64
	var lifts []int
	total := 0.0
	add := func(n, th float64) {
		total = math.Max(0, total-0.0625)
		if rapid.IntRange(0, 30).Draw(t, "knock") == 0 {
			total += 3
		}
		rpm, throttle, retard = append(rpm, n), append(throttle, th), append(retard, total)
		spark = append(spark, 20-n/1000-total)
	}
	for range rapid.IntRange(1, 4).Draw(t, "pulls") {
		from := float64(rapid.IntRange(1500, 3000).Draw(t, "from"))
		rate := float64(rapid.IntRange(20, 120).Draw(t, "rate"))
		n := rapid.IntRange(5, 60).Draw(t, "samples")
		for i := range n {
			add(from+rate*float64(i), 100)
		}
		lifts = append(lifts, len(rpm)+10)
		for i := range 20 {
			add(math.Max(1000, from+rate*float64(n)-150*float64(i+1)), 0)
		}
	}
	run := &runlog.Run{SampleInterval: interval}
	flat := make([]float64, len(rpm))
	warm := make([]float64, len(rpm))
	for i := range rpm {
		run.Time = append(run.Time, float64(i)*interval)
		flat[i], warm[i] = 120+40*throttle[i]/100, 90
	}
	run.Series = []runlog.Series{
		{Channel: channel.EngineSpeed, Values: rpm}, {Channel: channel.ThrottlePosition, Values: throttle},
		{Channel: channel.KnockRetard, Values: retard}, {Channel: channel.SparkAdvance, Values: spark},
		{Channel: channel.AbsoluteLoad, Values: flat}, {Channel: channel.CoolantTemperature, Values: warm},
	}
	return run, lifts
}

func part(run *runlog.Run, from, to int) *runlog.Run {
	out := *run
	out.Time = run.Time[from:to]
	out.Series = slices.Clone(run.Series)
	for i, s := range run.Series {
		out.Series[i].Values = s.Values[from:to]
	}
	return &out
}

func sameRows(t *rapid.T, what string, want, got []Row) {
	if diff := cmp.Diff(want, got, cmpopts.EquateNaNs(), cmpopts.EquateApprox(0, 1e-9)); diff != "" {
		t.Fatalf("%s: rows differ (-want +got):\n%s", what, diff)
	}
}

func TestRowsDoNotDependOnWhenOrInWhichOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run, _ := drive(t)
		want, _ := Rows(run, setup())

		later := part(run, 0, len(run.Time))
		later.Time = slices.Clone(run.Time)
		by := float64(rapid.IntRange(-1000, 100000).Draw(t, "seconds"))
		for i := range later.Time {
			later.Time[i] += by
		}
		got, _ := Rows(later, setup())
		sameRows(t, "shifted in time", want, got)

		mixed := part(run, 0, len(run.Time))
		slices.Reverse(mixed.Series)
		got, _ = Rows(mixed, setup())
		sameRows(t, "channels in another order", want, got)
	})
}

// A log cut in two between pulls holds the same observations.
func TestSplittingALogKeepsItsRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run, lifts := drive(t)
		at := rapid.SampledFrom(lifts).Draw(t, "cut")
		want, _ := Rows(run, setup())
		first, _ := Rows(part(run, 0, at), setup())
		second, _ := Rows(part(run, at, len(run.Time)), setup())
		got := append(slices.Clone(first), second...)
		for _, rows := range [][]Row{want, got} { // these count from the start of the file
			for i := range rows {
				rows[i].Segment, rows[i].Order, rows[i].Start = 0, 0, 0
			}
		}
		sameRows(t, "split", want, got)
	})
}

func TestRowsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run, _ := drive(t)
		s := setup()
		segments, _ := Segments(run, s)
		rows, _ := Rows(run, s)
		samples, seconds := map[int32]int{}, map[int32]float64{}
		for _, r := range rows {
			samples[r.Segment] += int(r.Samples)
			seconds[r.Segment] += r.Duration
			if (r.KnockEvents > 0) != (r.SparkBefore-r.SparkAfter >= s.Knock.StepDeg/2-1e-9) {
				t.Fatalf("events %d with spark %v before, %v after", r.KnockEvents, r.SparkBefore, r.SparkAfter)
			}
			if r.RPM < r.RPMLow || r.RPM >= r.RPMHigh || r.Load < r.LoadLow || r.Load >= r.LoadHigh {
				t.Fatalf("mean outside its cell: %+v", r)
			}
			if r.SparkDelivered > r.SparkMax+1e-9 || r.RetardStart > r.RetardMax+1e-9 {
				t.Fatalf("a mean or a start above the largest: %+v", r)
			}
		}
		for n, seg := range segments {
			if got := samples[int32(n)]; got != seg.To-seg.From {
				t.Fatalf("segment %d: %d samples in cells, %d in the segment", n, got, seg.To-seg.From)
			}
			if d := seconds[int32(n)] - (run.Time[seg.To-1] - run.Time[seg.From]); math.Abs(d) > 1e-9 {
				t.Fatalf("segment %d: cells last %v s longer than the segment", n, d)
			}
		}
	})
}

// A level says nothing: retard added to a whole run, as a learned offset, changes no event; and retard that only
// recovers has none.
func TestEventsDependOnRisesOnly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		run, _ := drive(t)
		want, _ := Rows(run, setup())
		offset := rapid.Float64Range(0, 8).Draw(t, "offset")
		raised := part(run, 0, len(run.Time))
		learned := make([]float64, len(run.Time))
		for i := range learned {
			learned[i] = offset
		}
		raised.Series = append(raised.Series, runlog.Series{Channel: channel.KnockRetardLearned, Values: learned})
		got, _ := Rows(raised, setup())
		for i := range want {
			if got[i].KnockEvents != want[i].KnockEvents {
				t.Fatalf("row %d: %d events with an offset of %v, %d without", i, got[i].KnockEvents, offset,
					want[i].KnockEvents)
			}
		}
		falling := part(run, 0, len(run.Time))
		down := slices.Clone(run.Values(channel.KnockRetard))
		slices.Sort(down)
		slices.Reverse(down)
		falling.Series[2].Values = down
		rows, _ := Rows(falling, setup())
		if n := events(rows); n != 0 {
			t.Fatalf("%d events while retard only recovers", n)
		}
	})
}
