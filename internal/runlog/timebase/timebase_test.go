package timebase

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/source"
)

// tableOf reads a log of text as source does.
func tableOf(t *testing.T, text string) *source.Table {
	t.Helper()
	rows, err := source.Open(source.Input{Reader: strings.NewReader(text)}, source.Limits{Bytes: 1 << 20,
		Cells: math.MaxInt})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rows.Fill(); err != nil {
		t.Fatal(err)
	}
	return rows.Table()
}

// logOf is a log of a time column and engine speed, which differs from row to row.
func logOf(header string, stamps ...string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s;RPM\n", header)
	for i, s := range stamps {
		fmt.Fprintf(&b, "%s;%d\n", s, 800+i)
	}
	return b.String()
}

// Stamps as loggers write them, and the seconds from the first that a reader with a watch would note.
func TestUnits(t *testing.T) {
	for name, c := range map[string]struct {
		header string
		stamps []string
		want   []float64
		unit   string
	}{
		"milliseconds by word":  {"Time (ms)", []string{"0", "50", "100"}, []float64{0, 0.05, 0.1}, "ms"},
		"minutes":               {"Elapsed [min]", []string{"0", "0.5", "1"}, []float64{0, 30, 60}, "min"},
		"milliseconds by steps": {"Time", []string{"0", "100", "200"}, []float64{0, 0.1, 0.2}, "ms"},
		"seconds by steps":      {"Time", []string{"5", "5.1", "5.2"}, []float64{0, 0.1, 0.2}, "s"},
		"since 1970": {"Timestamp", []string{"1700000000", "1700000001", "1700000003"}, []float64{0, 1, 3},
			"s"},
		"since 1970 in ms": {"Timestamp", []string{"1700000000000", "1700000000250", "1700000000500"},
			[]float64{0, 0.25, 0.5}, "ms"},
		"past midnight": {"Clock", []string{"23:59:58.5", "23:59:59.0", "23:59:59.5", "00:00:00.0", "00:00:00.5",
			"00:00:01.0"}, []float64{0, 0.5, 1, 1.5, 2, 2.5}, "clock"},
		"half past noon": {"Clock", []string{"11:59:59 AM", "12:00:00 PM", "12:00:01 PM"}, []float64{0, 1, 2}, "clock"},
		"dates": {"Date", []string{"2026-03-04 23:59:59", "2026-03-05 00:00:00"}, []float64{0, 1},
			"date-time"},
		"day first or not": {"Date", []string{"02/03/2026 23:59:59", "03/03/2026 00:00:00", "03/03/2026 00:00:01"},
			[]float64{0, 1, 2}, "date-time"},
		"with a zone": {"Date", []string{"2026-03-04T12:00:00+01:00", "2026-03-04T11:00:02Z"}, []float64{0, 2},
			"date-time"},
	} {
		tb := tableOf(t, logOf(c.header, c.stamps...))
		a, err := Settle(tb, channelmap.FileRule{}, 0)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		s := a.Stretch(tb, [2]int{0, tb.Rows}, nil)
		for i, want := range c.want {
			if i >= len(s.Time) || math.Abs(s.Time[i]-want) > 1e-6 {
				t.Errorf("%s: %v, want %v", name, s.Time, c.want)
				break
			}
		}
		if a.Base.Unit != c.unit || a.Base.Column != c.header || a.Column != 0 ||
			!strings.HasPrefix(a.Describe(), "time base, "+c.unit) {
			t.Errorf("%s: %+v", name, a.Base)
		}
	}
}

func TestWhichColumn(t *testing.T) {
	tb := tableOf(t, "Sample,Session Time (s),Device Time (ms),Clock,RPM\n"+
		"1,0,0,12:00:00,800\n2,0.1,100,12:00:00,810\n3,0.2,200,12:00:00,820\n")
	a, err := Settle(tb, channelmap.FileRule{}, 0)
	if err != nil || a.Base.Column != "Session Time (s)" || len(a.PassedOver) != 2 || a.PassedOver[3] == "" ||
		!strings.Contains(a.Base.Reason, "passed over") {
		t.Errorf("%v, %+v", err, a)
	}
	rule := channelmap.FileRule{Time: &channelmap.TimeRule{Header: "device  time (MS)", Unit: "s"}}
	if a, err = Settle(tb, rule, 0); err != nil || a.Column != 2 || a.Seconds[2] != 200 ||
		!strings.HasPrefix(a.Base.Reason, "named in channels.yaml; ") {
		t.Errorf("%v, %+v", err, a)
	}
	rule.Time.Header = "no such"
	if _, err = Settle(tb, rule, 0); err == nil || !strings.Contains(err.Error(), "not in the file") {
		t.Error(err)
	}
	// a column that the map makes a channel is no time
	rule = channelmap.FileRule{Columns: []channelmap.ColumnRule{{Header: "Session Time (s)", Channel: "lambda"},
		{Header: "Clock", Channel: "none"}}}
	if a, err = Settle(tb, rule, 0); err != nil || a.Column != 2 {
		t.Errorf("%v, %+v", err, a)
	}
}

// Without a time column rows are numbered, by a column that counts samples where there is one, and further rows go on
// where the last ones ended.
func TestNumbered(t *testing.T) {
	tb := tableOf(t, "RPM,Throttle\n800,5\n810,6\n820,7\n")
	if _, err := Settle(tb, channelmap.FileRule{}, 0); err == nil || !strings.Contains(err.Error(), "no time column") {
		t.Error(err)
	}
	for _, c := range []struct{ inMap, stated, want float64 }{{0, 10, 0.2}, {20, 10, 0.1}} {
		a, err := Settle(tb, channelmap.FileRule{Rate: c.inMap}, c.stated)
		if err != nil || a.Column != -1 || a.Base.Column != "" || math.Abs(a.Seconds[2]-c.want) > 1e-9 {
			t.Errorf("%v, %+v", err, a)
		}
	}
	a, err := Settle(tb, channelmap.FileRule{}, 10)
	if err != nil {
		t.Fatal(err)
	}
	tb.Drop(2)
	a.Drop(2)
	a.Extend(&source.Table{Columns: tb.Columns, Rows: 3})
	if !slices.Equal(a.Seconds, []float64{0.2, 0.3, 0.4}) {
		t.Errorf("after three rows, of which two went: %v", a.Seconds)
	}
	counted := tableOf(t, "Row No.,RPM\n1,800\n2,810\n4,820\n")
	if a, err := Settle(counted, channelmap.FileRule{}, 10); err != nil || a.Column != 0 ||
		math.Abs(a.Seconds[2]-a.Seconds[1]-0.2) > 1e-9 {
		t.Errorf("a row is missing: %v, %+v", err, a)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct{ text, unit, say string }{
		{"Time;RPM;Speed;Load\nfurlongs;rpm;km/h;%\n0;800;0;20\n1;810;0;20\n", "",
			"its unit \"furlongs\" is not known"},
		{logOf("Time", "0", "5000", "10000"), "", "fit none"},
		{logOf("Time", "0", "1", "2"), "kPa", "not a unit of time"},
		{logOf("Time", "-", "-", "7"), "", "has no values"},
	} {
		rule := channelmap.FileRule{Time: &channelmap.TimeRule{Header: strings.Split(c.text, ";")[0], Unit: c.unit}}
		if _, err := Settle(tableOf(t, c.text), rule, 0); err == nil || !strings.Contains(err.Error(), c.say) ||
			!strings.Contains(err.Error(), "; ") {
			t.Errorf("%v, want %q and a remedy", err, c.say)
		}
	}
}

// What becomes of rows that do not go forward.
func TestStretches(t *testing.T) {
	var b strings.Builder
	b.WriteString("Time (s),RPM\n")
	put := func(at float64, rpm int) { fmt.Fprintf(&b, "%g,%d\n", at, rpm) }
	for i := range 20 {
		put(float64(i)/10, 800+i)
		switch i {
		case 5:
			put(0.5, 805) // written twice
		case 7:
			put(0.7, 990) // its time again
		case 9:
			put(0.2, 991) // one step back
		case 11:
			b.WriteString("-,992\n")
		}
	}
	for i := range 15 { // and the logger was started anew
		put(float64(i)/10, 900+i)
	}
	tb := tableOf(t, b.String())
	a, err := Settle(tb, channelmap.FileRule{}, 0)
	if err != nil {
		t.Fatal(err)
	}
	parts := a.Ranges(tb)
	if !slices.Equal(parts, [][2]int{{0, 24}, {24, 39}}) {
		t.Fatalf("parts %v", parts)
	}
	s := a.Stretch(tb, parts[0], nil)
	if len(s.Time) != 20 || s.LeftOut != (LeftOut{NoTime: 1, Backwards: 1, Twice: 1, Repeated: 1}) || s.Nominal != 0 {
		t.Errorf("%d rows, left out %+v", len(s.Time), s.LeftOut)
	}
	if s := a.Stretch(tb, parts[1], nil); len(s.Time) != 15 || s.Rows[0] != 24 || s.LeftOut != (LeftOut{}) {
		t.Errorf("%+v", s)
	}
	// a header in the midst begins a run as well
	again := tableOf(t, logOf("Time (s)", "0", "1", "2")+logOf("Time (s)", "3", "4"))
	if a, err = Settle(again, channelmap.FileRule{}, 0); err != nil ||
		!slices.Equal(a.Ranges(again), [][2]int{{0, 3}, {3, 5}}) {
		t.Errorf("%v, %v", err, a.Ranges(again))
	}
}

// A running time in whole seconds at an uneven rate: rows are spread so that time goes forward, never more than a
// second from the stamp, and rows before the engine turns stand before it.
func TestCoarseStamps(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	var b strings.Builder
	b.WriteString("Engine Run Time (s),RPM\n")
	var speed []float64
	for range 30 { // key on
		b.WriteString("0,0\n")
		speed = append(speed, 0)
	}
	second := 0
	for at := 0.0; at < 60; at += 0.15 + 0.1*rng.Float64() {
		second = int(at)
		fmt.Fprintf(&b, "%d,%d\n", second, 800+len(speed))
		speed = append(speed, float64(800+len(speed)))
	}
	tb := tableOf(t, b.String())
	a, err := Settle(tb, channelmap.FileRule{}, 0)
	if err != nil || a.Base.Unit != "run time (whole seconds)" {
		t.Fatalf("%v, %+v", err, a.Base)
	}
	s := a.Stretch(tb, [2]int{0, tb.Rows}, speed)
	if len(s.Time) != len(speed) || s.Nominal != 30 || s.LeftOut != (LeftOut{}) {
		t.Fatalf("%d of %d rows, %d nominal, left out %+v", len(s.Time), len(speed), s.Nominal, s.LeftOut)
	}
	start := s.Time[30]
	if math.Abs(start-30*s.Step) > 1e-9 || s.Step < 0.15 || s.Step > 0.25 {
		t.Errorf("30 rows before the start last %v s, %v each", start, s.Step)
	}
	for i := 1; i < len(s.Time); i++ {
		if !(s.Time[i] > s.Time[i-1]) {
			t.Fatalf("row %d: %v after %v", i, s.Time[i], s.Time[i-1])
		}
		if stamp := tb.Columns[0].Values[i]; i > 30 && math.Abs(s.Time[i]-start-stamp) > 1 {
			t.Fatalf("row %d of stamp %v is placed at %v", i, stamp, s.Time[i]-start)
		}
	}
}
