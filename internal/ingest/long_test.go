package ingest

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"headroom/internal/evidence"
	"headroom/internal/store"
)

// A log that is read in parts gives the rows that it gives as a whole: cuts fall between pulls, and segments and pulls
// are numbered through. Only the start of a row counts from the beginning of its part.
func TestLongLogGivesTheSameRowsInParts(t *testing.T) {
	fleetDir := fleet(t, "")
	var b strings.Builder
	lines := strings.SplitAfter(logText(44), "\n")
	b.WriteString(lines[0])
	for lap := range 30 {
		for _, line := range lines[1 : len(lines)-1] {
			var at float64
			if _, err := fmt.Sscan(line[:strings.IndexByte(line, ',')], &at); err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&b, "%.1f%s", at+float64(lap)*13, line[strings.IndexByte(line, ','):])
		}
	}
	const name = "runs/car-1/base/2026-04-01-long.csv"
	write(t, fleetDir, name, b.String())
	ws := openWorkspace(t, fleetDir)
	r, err := newReader(ws)
	if err != nil {
		t.Fatal(err)
	}
	i := 0
	for ws.Runs[i].Path != name {
		i++
	}
	setup, err := r.setup(&ws.Runs[i])
	if err != nil {
		t.Fatal(err)
	}
	wholeLog, err := r.rows(&ws.Runs[i], setup)
	whole := wholeLog.rows
	if err != nil || len(whole) == 0 {
		t.Fatalf("%d rows, %v", len(whole), err)
	}
	r.maxCells = 7 * 500
	partsLog, err := r.rows(&ws.Runs[i], setup)
	if err != nil {
		t.Fatal(err)
	}
	parts := partsLog.rows
	pulls := map[int32]bool{}
	for _, row := range whole {
		if row.Kind == evidence.KindPull {
			pulls[row.Order] = true
		}
	}
	if len(pulls) != 30 {
		t.Errorf("%d pulls in the whole, 30 driven", len(pulls))
	}
	near := cmpopts.EquateApprox(1e-9, 1e-6)
	if diff := cmp.Diff(whole, parts, cmpopts.IgnoreFields(evidence.Row{}, "Start"), cmpopts.EquateNaNs(),
		near); diff != "" {
		t.Error(diff)
	}
}

// The platform's displacement settles the unit of a mass flow that is written without one: at idle 11 could be kg/h or
// g/s, but only in kg/h does a 2-litre engine breathe as an engine can.
func TestDisplacementSettlesMassFlow(t *testing.T) {
	dir := fleet(t, "")
	text := logText(1000)
	lines := strings.Split(strings.TrimSpace(text), "\n")
	for i := range lines {
		if i == 0 {
			lines[i] += ",MAP (kPa),MAF"
			continue
		}
		var at, rpm, throttle float64
		if _, err := fmt.Sscanf(lines[i], "%f,%f,%f", &at, &rpm, &throttle); err != nil {
			t.Fatal(err)
		}
		kpa := 40 + 1.4*throttle
		lines[i] += fmt.Sprintf(",%.1f,%.2f", kpa, 3.6*gramsPerSecond(rpm, kpa))
	}
	write(t, dir, "runs/car-2/base/2026-05-01-flow.csv", strings.Join(lines, "\n")+"\n")
	ingest(t, dir, Options{})
	n := 0
	for _, row := range rows(t, dir, store.Filter{}) {
		if !strings.HasSuffix(row.Run, "flow.csv") || row.Kind != evidence.KindPull {
			continue
		}
		n++
		if want := gramsPerSecond(row.RPM, 180); !(math.Abs(row.MassAirFlow-want) <= 0.03*want) {
			t.Errorf("at %.0f rpm the flow is %.1f g/s, want %.1f", row.RPM, row.MassAirFlow, want)
		}
	}
	if n == 0 {
		t.Error("no rows")
	}
}

// gramsPerSecond is the air of 1.998 L at 40 °C with a volumetric efficiency of 0.9 (Heywood, eq. 2.27; R = 287
// J/(kg·K)).
func gramsPerSecond(rpm, kpa float64) float64 {
	return rpm / 120 * 1.998 * 0.9 * kpa * 1000 / (287 * 313.15)
}
