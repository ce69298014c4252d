package ingest

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/evidence"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

const config = "fuels:\n  pump: {class: pump, ron: 98, mon: 88, ethanol_share: 0.05, source: test}\n"

const platform = `id: lark
name: invented
engine: {cylinders: 4, bore_mm: 86, stroke_mm: 86, rod_mm: 143, compression_ratio: 9.5, injection: port,
  induction: turbo, intake_valve_closing_deg: -140, exhaust_valve_opening_deg: 130}
octane_index_k: -0.3
knock_control: {step_deg: 3, recovery_deg_per_second: 0.5, tolerated_retard_deg: 4, source: test}
limits:
  - {hazard: charge_temperature, metric: charge_temperature, unit: C, value: 65, source: test}
`

// logText is a 10 Hz log with a pull from 2000 to 6000 rpm that knocks once at the given sample.
func logText(knockAt int) string {
	var b strings.Builder
	b.WriteString("Time (s),Engine Speed (rpm),Throttle Position (%),Absolute Load (%),Coolant Temperature (C),Spark " +
		"Advance (deg),Knock Retard (deg)\n")
	for i := range 121 {
		t := float64(i) / 10
		rpm, throttle := 2000.0, 15.0
		switch {
		case t > 10:
			rpm = 6000 - 1500*(t-10)
		case t > 2:
			rpm, throttle = 2000+500*(t-2), 100
		}
		retard := 0.0
		if i >= knockAt {
			retard = math.Max(0, 3-0.05*float64(i-knockAt))
		}
		fmt.Fprintf(&b, "%.1f,%.0f,%.0f,%.1f,%.0f,%.2f,%.2f\n", t, rpm+float64(i%3), throttle+0.1*float64(i%2),
			150+0.1*float64(i%5), 90+float64(i%2), 15+0.05*float64(i)-retard, retard)
	}
	return b.String()
}

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	file := filepath.Join(dir, filepath.FromSlash(name))
	if err := errors.Join(os.MkdirAll(filepath.Dir(file), 0o755), os.WriteFile(file, []byte(text), 0o644)); err != nil {
		t.Fatal(err)
	}
	past := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	if err := os.Chtimes(file, past, past); err != nil {
		t.Fatal(err)
	}
}

// fleet writes a workspace of two cars with three good logs and a bad one.
func fleet(t *testing.T, extra string) string {
	t.Helper()
	dir := t.TempDir()
	write(t, dir, "headroom.yaml", config+extra)
	write(t, dir, "platforms/lark.yaml", platform)
	write(t, dir, "vehicles.csv", "vehicle,platform,fuel,hardware\ncar-1,lark,pump,stock\ncar-2,lark,pump,stock\n")
	write(t, dir, "revisions/base/revision.yaml", "id: base\nplatform: lark\nvehicle: fleet\nauthor: t1\nstatus: "+
		"released\ndate: 2026-01-01\nfuel: pump\ntables:\n  - {role: spark, file: tables/spark.csv, x: {channel: "+
		"engine_speed, unit: rpm}, y: {channel: absolute_load, unit: \"%\"}, unit: deg}\n")
	write(t, dir, "revisions/base/tables/spark.csv", "load/rpm,2000,6000\n100,20,25\n200,10,18\n")
	write(t, dir, "runs/car-1/base/2026-03-01-a.csv", logText(44))
	write(t, dir, "runs/car-1/base/2026-03-02-b.csv", logText(1000))
	write(t, dir, "runs/car-2/base/2026-03-01-a.csv", logText(64))
	write(t, dir, "runs/car-2/base/bad.csv", "")
	return dir
}

func openWorkspace(t *testing.T, dir string) *workspace.Workspace {
	t.Helper()
	ws, err := workspace.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(ws.Problems) > 0 {
		t.Fatalf("the test's workspace has problems: %v", ws.Problems)
	}
	return ws
}

func ingest(t *testing.T, dir string, opts Options) Summary {
	t.Helper()
	s, err := Ingest(openWorkspace(t, dir), opts)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func rows(t *testing.T, dir string, f store.Filter) []evidence.Row {
	t.Helper()
	st, err := store.Open(StoreDir(dir))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := st.Rows(f)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// kept maps the store's files, without the lock, to their content.
func kept(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(StoreDir(dir), func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(name)
		rel, _ := filepath.Rel(dir, name)
		out[rel] = string(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestLogsBecomeEvidence(t *testing.T) {
	dir := fleet(t, "")
	var steps []int
	s := ingest(t, dir, Options{Jobs: 2, Progress: func(done, total int, _ string) {
		if total != 4 {
			t.Errorf("total %d, want 4", total)
		}
		steps = append(steps, done)
	}})
	if diff := cmp.Diff([]int{1, 2, 3, 4}, steps); diff != "" {
		t.Errorf("progress: %s", diff)
	}
	if s.Read != 3 || s.Skipped != 0 || s.Logs != 3 || s.Pulls != 3 || len(s.Empty) != 0 {
		t.Errorf("summary %+v", s)
	}
	if len(s.Failed) != 1 || s.Failed[0].Path != "runs/car-2/base/bad.csv" ||
		!strings.Contains(s.Failed[0].Error, "empty") || strings.Contains(s.Failed[0].Error, dir) {
		t.Errorf("failures %+v", s.Failed)
	}
	all := rows(t, dir, store.Filter{Platform: "lark"})
	if len(all) != s.Rows {
		t.Errorf("%d rows stored, summary says %d", len(all), s.Rows)
	}
	// The pull knocks once in each of two logs: at 3200 and at 4200 rpm.
	want := map[string]float64{"runs/car-1/base/2026-03-01-a.csv": 3000, "runs/car-2/base/2026-03-01-a.csv": 4000}
	for _, r := range all {
		if r.KnockEvents > 0 {
			if want[r.Run] != r.RPMLow {
				t.Errorf("event in %s at %v rpm", r.Run, r.RPMLow)
			}
			delete(want, r.Run)
		}
		if r.Fuel != "pump" || r.Revision != "base" || r.Date == "" || r.LoadSource != evidence.LoadLogged {
			t.Fatalf("row %+v", r)
		}
	}
	if len(want) != 0 {
		t.Errorf("no event in %v", want)
	}
}

func TestUnchangedLogsAreSkipped(t *testing.T) {
	dir := fleet(t, "")
	ingest(t, dir, Options{})
	before := kept(t, dir)
	s := ingest(t, dir, Options{})
	if s.Read != 0 || s.Skipped != 4 || len(s.Failed) != 1 || s.Logs != 3 {
		t.Errorf("second ingest: %+v", s)
	}
	if diff := cmp.Diff(before, kept(t, dir)); diff != "" {
		t.Errorf("the store changed:\n%.500s", diff)
	}
	// Touched but the same: skipped by content.
	now := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	if err := os.Chtimes(filepath.Join(dir, "runs/car-1/base/2026-03-01-a.csv"), now, now); err != nil {
		t.Fatal(err)
	}
	if s := ingest(t, dir, Options{}); s.Read != 0 || s.Skipped != 4 {
		t.Errorf("after a touch: %+v", s)
	}
	// A log mended, a log changed.
	write(t, dir, "runs/car-2/base/bad.csv", logText(50))
	write(t, dir, "runs/car-1/base/2026-03-02-b.csv", logText(70)+"\n")
	if s := ingest(t, dir, Options{}); s.Read != 2 || s.Skipped != 2 || len(s.Failed) != 0 || s.Logs != 4 {
		t.Errorf("after a change: %+v", s)
	}
	// A changed platform file reads its logs again.
	write(t, dir, "platforms/lark.yaml", platform+"cells: {rpm_step: 250, load_step_pct: 20}\n")
	if s := ingest(t, dir, Options{}); s.Read != 4 || s.Skipped != 0 {
		t.Errorf("after a change of the platform: %+v", s)
	}
	// A part lost is made again.
	if err := os.RemoveAll(filepath.Join(StoreDir(dir), "evidence")); err != nil {
		t.Fatal(err)
	}
	if s := ingest(t, dir, Options{}); s.Read != 4 {
		t.Errorf("after the parts were lost: %+v", s)
	}
}

func TestResultDoesNotDependOnHistoryOrJobs(t *testing.T) {
	dir := fleet(t, "")
	ingest(t, dir, Options{Jobs: 1})
	one := kept(t, dir)
	if err := os.RemoveAll(StoreDir(dir)); err != nil {
		t.Fatal(err)
	}
	extra := "runs/car-2/base/later-removed.csv"
	write(t, dir, extra, logText(30))
	for _, p := range []string{"runs/car-2", "runs/car-1/base/2026-03-02-b.csv"} {
		ingest(t, dir, Options{Jobs: 3, Paths: []string{filepath.Join(dir, p)}})
	}
	if err := os.Remove(filepath.Join(dir, extra)); err != nil {
		t.Fatal(err)
	}
	s := ingest(t, dir, Options{Jobs: 4, Prune: true})
	if s.Removed != 1 || s.Read != 1 || s.Skipped != 3 {
		t.Errorf("summary %+v", s)
	}
	if diff := cmp.Diff(one, kept(t, dir)); diff != "" {
		t.Errorf("stores differ:\n%.500s", diff)
	}
}

func TestPathsSelectLogs(t *testing.T) {
	dir := fleet(t, "")
	s := ingest(t, dir, Options{Paths: []string{"runs/car-1", "runs/car-9", filepath.Join(dir, "..")}})
	if s.Read != 2 || s.Logs != 2 || len(s.Failed) != 2 || s.Failed[0].Path != "runs/car-9" {
		t.Errorf("summary %+v", s)
	}
}

// With a key no file of the store holds a car's id, and the same car is the same in every run.
func TestPseudonyms(t *testing.T) {
	dir := fleet(t, "privacy: {pseudonym_key: a secret of the shop}\n")
	s := ingest(t, dir, Options{})
	if len(s.Failed) != 1 || s.Failed[0].Path != "runs/car-2/base/bad.csv" ||
		!strings.Contains(s.Failed[0].Error, "bad.csv") {
		t.Errorf("failures %+v", s.Failed)
	}
	for name, data := range kept(t, dir) {
		if strings.Contains(name+data, "car-1") || strings.Contains(name+data, "car-2") {
			t.Errorf("%s holds a car's id", name)
		}
	}
	cars := map[string]bool{}
	for _, r := range rows(t, dir, store.Filter{}) {
		cars[r.Vehicle] = true
	}
	if len(cars) != 2 || !cars[store.Pseudonym("a secret of the shop", "car-1")] {
		t.Errorf("cars %v", cars)
	}
	if s := ingest(t, dir, Options{}); s.Skipped != 4 || len(s.Failed) != 1 ||
		!strings.Contains(s.Failed[0].Error, "bad.csv") {
		t.Errorf("second ingest %+v", s)
	}
	if faults, err := Verify(openWorkspace(t, dir)); err != nil || len(faults) != 0 {
		t.Errorf("faults %v, %v", faults, err)
	}
}

func TestVerifySeesTheWorkspace(t *testing.T) {
	dir := fleet(t, "")
	ingest(t, dir, Options{})
	write(t, dir, "runs/car-1/base/2026-03-01-a.csv", logText(45))
	write(t, dir, "runs/car-1/base/new.csv", logText(45))
	if err := os.Remove(filepath.Join(dir, "runs/car-2/base/2026-03-01-a.csv")); err != nil {
		t.Fatal(err)
	}
	faults, err := Verify(openWorkspace(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range faults {
		got = append(got, f.Kind+" "+f.Path)
	}
	want := []string{
		store.MismatchSourceChanged + " runs/car-1/base/2026-03-01-a.csv",
		store.MismatchSourceMissing + " runs/car-2/base/2026-03-01-a.csv",
		MismatchNotIngested + " runs/car-1/base/new.csv",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func TestSecondIngestIsRefusedWhileOneRuns(t *testing.T) {
	dir := fleet(t, "")
	st, err := store.Open(StoreDir(dir))
	if err != nil {
		t.Fatal(err)
	}
	unlock, err := st.Lock()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Ingest(openWorkspace(t, dir), Options{}); !errors.Is(err, store.ErrLocked) {
		t.Errorf("error %v, want ErrLocked", err)
	}
	if err := unlock(); err != nil {
		t.Fatal(err)
	}
	if s := ingest(t, dir, Options{}); s.Read != 3 {
		t.Errorf("after the other ended: %+v", s)
	}
}

func TestInspect(t *testing.T) {
	dir := fleet(t, "")
	good, bad := filepath.Join(dir, "runs/car-1/base/2026-03-01-a.csv"), filepath.Join(dir, "runs/car-2/base/bad.csv")
	alone, err := Inspect([]string{good, bad}, nil)
	if err != nil || len(alone) != 2 {
		t.Fatalf("%d inspections, %v", len(alone), err)
	}
	if alone[1].Error == "" || alone[1].Run != nil {
		t.Errorf("the empty log is not reported: %+v", alone[1])
	}
	in := alone[0]
	if in.Error != "" || in.Run == nil || in.Platform != "" || in.LoadSource != evidence.LoadLogged || in.Rows == 0 {
		t.Fatalf("inspection %+v", in)
	}
	var pulls []SegmentSummary
	for _, s := range in.Segments {
		if s.Kind == evidence.KindPull {
			pulls = append(pulls, s)
		}
	}
	if len(pulls) != 1 || math.Abs(pulls[0].From-2) > 0.21 || math.Abs(pulls[0].To-10) > 0.11 ||
		pulls[0].RPMFrom > 2100 || pulls[0].RPMTo < 5900 || pulls[0].Cells < 8 {
		t.Errorf("pulls %+v", pulls)
	}
	inside, err := Inspect([]string{good}, openWorkspace(t, dir))
	if err != nil || len(inside) != 1 || inside[0].Platform != "lark" || inside[0].Vehicle != "car-1" {
		t.Errorf("inside the workspace: %+v, %v", inside, err)
	}
}

// channels.yaml goes before what the reader would make of a column, and a map that cannot be read stops the ingest with
// its file and line: reading on without it would give other rows.
func TestChannelMapGoesFirst(t *testing.T) {
	dir := fleet(t, "")
	write(t, dir, "runs/car-1/base/2026-03-03-c.csv", strings.Replace(logText(44), "Absolute Load (%)", "Mystery", 1))
	ingest(t, dir, Options{})
	loaded := func() bool {
		for _, r := range rows(t, dir, store.Filter{}) {
			if strings.Contains(r.Run, "2026-03-03-c") {
				return true
			}
		}
		return false
	}
	if loaded() {
		t.Error("rows of a log whose load nothing names")
	}
	mapped := "files:\n  - pattern: \"*\"\n    columns:\n" +
		"      - {header: Mystery, channel: absolute_load, unit: \"%\"}\n"
	write(t, dir, "channels.yaml", mapped)
	ingest(t, dir, Options{})
	if !loaded() {
		t.Error("the map names the load, and the log still has no rows")
	}
	write(t, dir, "channels.yaml", strings.Replace(mapped, "absolute_load", "pond_depth", 1))
	_, err := Ingest(openWorkspace(t, dir), Options{})
	if err == nil || !strings.Contains(err.Error(), "channels.yaml") || !strings.Contains(err.Error(), "4") {
		t.Errorf("a map that cannot be read: %v", err)
	}
}
