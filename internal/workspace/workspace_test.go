package workspace

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"headroom/internal/hazard"
	"headroom/models/channel"
)

func openGood(t *testing.T) *Workspace {
	t.Helper()
	w, err := Open("testdata/good")
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestOpenGood(t *testing.T) {
	w := openGood(t)
	if len(w.Problems) > 0 {
		t.Errorf("problems in the good workspace: %v", w.Problems)
	}
	if got := len(w.Platforms); got != 2 {
		t.Errorf("%d platforms, want 2", got)
	}
	want := []Vehicle{
		{ID: "car-001", Platform: "kestrel-20t", Fuel: "pump-91", Hardware: "axle-back", HardwareDate: "2025-11-02",
			Line: 2},
		{ID: "car-002", Platform: "plover-14", Fuel: "blend-30", Hardware: "stock", Line: 3},
	}
	if diff := cmp.Diff(want, []Vehicle{*w.Vehicles["car-001"], *w.Vehicles["car-002"]}); diff != "" {
		t.Errorf("vehicles (-want +got):\n%s", diff)
	}
	if got := len(w.Outcomes); got != 2 || w.Outcomes[0].OdometerKM != 84200 || !math.IsNaN(w.Outcomes[1].OdometerKM) {
		t.Errorf("outcomes %+v", w.Outcomes)
	}
}

func TestConfigKeepsDefaultsAndOverrides(t *testing.T) {
	c := openGood(t).Config
	want := Defaults()
	want.Decision.HoldProbability[hazard.Major] = 0.2
	want.Decision.ThinCars = 4
	want.Display.Pressure = "bar"
	want.Cells.LoadStep = 25
	want.Seed = 0 // given as 0, not left away
	want.Fuels = c.Fuels
	if diff := cmp.Diff(want, c); diff != "" {
		t.Errorf("config (-want +got):\n%s", diff)
	}
	if got := c.Fuels["blend-30"].EthanolShare; got != 0.3 {
		t.Errorf("ethanol share %g, want 0.3", got)
	}
}

func TestOptionalSectionsStayNil(t *testing.T) {
	p := openGood(t).Platforms["plover-14"]
	if p.Burn != nil || p.AirPath != nil || p.FuelSystem != nil || p.Friction != nil || p.KnockControl != nil {
		t.Errorf("sections that are not given must stay nil: %+v", p)
	}
	if want := (Cells{RPMStep: 500, LoadStep: 25}); p.Cells != want {
		t.Errorf("cells %+v, want the workspace's %+v", p.Cells, want)
	}
}

// Conversion factors by hand from NIST SP 811: 1 bar = 100 kPa, 1 psi = 6.894757 kPa, 1 rev/s = 60 rpm.
func TestStoredUnits(t *testing.T) {
	w := openGood(t)
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-4*math.Abs(want) {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	for _, l := range w.Platforms["kestrel-20t"].Limits {
		switch l.Hazard {
		case hazard.CylinderPressure:
			near("peak pressure of 120 bar", *l.Value, 12000)
			if l.Unit != "kPa" {
				t.Errorf("unit %q, want kPa", l.Unit)
			}
		case hazard.RailPressure:
			near("shortfall of 15 bar", *l.Value, 1500)
		}
	}
	boost, from := w.TableOf("rev-3", "boost", "")
	if boost == nil || from.ID != "base-1" {
		t.Fatalf("boost of rev-3 comes from %v, want base-1", from)
	}
	near("10 psi gauge at 100 kPa", boost.Table.At(2000.5, math.NaN()), 168.9476)
	lambda, _ := w.TableOf("rev-3", "lambda", "")
	near("50 rev/s", lambda.Table.X[1], 3000)
	near("15 psi gauge at 101.3 kPa", lambda.Table.Y[2], 204.7214)
	near("AFR 12.495 on the 14.7 scale", lambda.Table.At(1500, 300), 0.85)
	spark, _ := w.TableOf("rev-2", "spark", "")
	if diff := cmp.Diff([][]float64{{20, 24, 28}, {10, 14, 18}, {2, 6.5, 11}}, spark.Table.Z); diff != "" {
		t.Errorf("spark (-want +got):\n%s", diff)
	}
	idle, _ := w.TableOf("rev-3", "other", "idle speed")
	if diff := cmp.Diff([]float64{-4, 176}, idle.Table.X); diff != "" {
		t.Errorf("a table that is not modelled keeps its units (-want +got):\n%s", diff)
	}
}

func TestRuns(t *testing.T) {
	w := openGood(t)
	nan := math.NaN()
	want := []RunFile{
		{"runs/car-001/base-1/first.csv", "car-001", "base-1", "2025-11-08", "", nan, nan, "pump-91"},
		{"runs/car-001/rev-2/2026-01-20-hill.TXT", "car-001", "rev-2", "2026-01-20", "", nan, nan, "pump-91"},
		{"runs/car-001/rev-2/b.csv.zst", "car-001", "rev-2", "", "", nan, nan, "pump-91"},
		{"runs/car-001/rev-2/c.parquet", "car-001", "rev-2", "", "", nan, nan, "pump-91"},
		{"runs/loose/d.log.gz", "car-001", "base-1", "2025-11-09", "mill road", 12.5, 100.2, "blend-30"},
	}
	sameNaN := cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })
	if diff := cmp.Diff(want, w.Runs, sameNaN); diff != "" {
		t.Errorf("runs (-want +got):\n%s", diff)
	}
}

func TestAncestry(t *testing.T) {
	w := openGood(t)
	var got []string
	for _, r := range w.Ancestry("rev-3") {
		got = append(got, r.ID)
	}
	if want := []string{"rev-2", "base-1"}; !slices.Equal(got, want) {
		t.Errorf("ancestry %v, want %v", got, want)
	}
	if w.Ancestry("base-1") != nil || w.Ancestry("nobody") != nil {
		t.Error("a base or unknown revision has no ancestors")
	}
}

func TestLimitAt(t *testing.T) {
	value := 1900.0
	bmep := Limit{Value: &value, RPMRange: []float64{1000, 2500}}
	lean := Limit{Along: channel.AbsoluteLoad, Breakpoints: []float64{60, 120}, Values: []float64{1.0, 0.9}}
	torque := Limit{Along: channel.EngineSpeed, Breakpoints: []float64{2000, 4000}, Values: []float64{300, 400}}
	for _, c := range []struct {
		name      string
		l         *Limit
		rpm, load float64
		want      float64
		applies   bool
	}{
		{"inside", &bmep, 1800, 150, 1900, true},
		{"low end", &bmep, 1000, 150, 1900, true},
		{"high end", &bmep, 2500, 150, 1900, true},
		{"outside", &bmep, 2500.1, 150, 0, false},
		{"unknown speed", &bmep, math.NaN(), 150, 0, false},
		{"between", &lean, 3000, 90, 0.95, true},
		{"held low", &lean, 3000, 10, 1.0, true},
		{"held high", &lean, math.NaN(), 300, 0.9, true},
		{"unknown load", &lean, 3000, math.NaN(), 0, false},
		{"along speed", &torque, 2500, math.NaN(), 325, true},
	} {
		got, applies := c.l.At(c.rpm, c.load)
		if applies != c.applies || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %g, %v; want %g, %v", c.name, got, applies, c.want, c.applies)
		}
	}
	var unknown *Curve
	if unknown.Known() || !math.IsNaN(unknown.At(1)) {
		t.Error("a nil curve must be unknown")
	}
}

func TestEffectiveSeverity(t *testing.T) {
	if l := (Limit{Hazard: hazard.Lean}); l.EffectiveSeverity() != hazard.Catastrophic {
		t.Errorf("default severity of lean is %s", l.EffectiveSeverity())
	}
	if l := (Limit{Hazard: hazard.Lean, Severity: hazard.Minor}); l.EffectiveSeverity() != hazard.Minor {
		t.Errorf("a limit's own severity is not kept: %s", l.EffectiveSeverity())
	}
}

func TestFind(t *testing.T) {
	dir := t.TempDir()
	deep := filepath.Join(dir, "runs", "car", "rev")
	if err := os.MkdirAll(deep, 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err := Find(deep); err == nil || !strings.Contains(err.Error(), "headroom init") {
		t.Errorf("no workspace above: error %v must say how to make one", err)
	}
	write(t, dir, ConfigFile, "")
	got, err := Find(deep)
	if err != nil {
		t.Fatal(err)
	}
	same, err := os.Stat(got)
	if err != nil {
		t.Fatal(err)
	}
	if want, _ := os.Stat(dir); !os.SameFile(same, want) {
		t.Errorf("found %s, want %s", got, dir)
	}
}

func TestInit(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "shop")
	if err := Init(dir); err != nil {
		t.Fatal(err)
	}
	w, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Problems) > 0 {
		t.Errorf("problems in a new workspace: %v", w.Problems)
	}
	if diff := cmp.Diff(Defaults(), w.Config); diff != "" {
		t.Errorf("a new workspace has the defaults (-want +got):\n%s", diff)
	}
	if err := Init(dir); err == nil || !strings.Contains(err.Error(), "already") {
		t.Errorf("second Init: %v, want a refusal", err)
	}
}

// The commented-out settings of a new headroom.yaml are the defaults, and its platform template is a valid platform.
func TestInitTemplatesAreTrue(t *testing.T) {
	dir := t.TempDir()
	if err := Init(dir); err != nil {
		t.Fatal(err)
	}
	var settings []string
	for _, line := range strings.Split(read(t, dir, ConfigFile), "\n") {
		s, commented := strings.CutPrefix(line, "#")
		if commented && (strings.HasPrefix(s, "  ") && !strings.HasPrefix(s, "   ") || s != "" && s[0] >= 'a' &&
			s[0] <= 'z') {
			settings = append(settings, s)
		}
	}
	if len(settings) < 10 {
		t.Fatalf("only %d settings in the template: %q", len(settings), settings)
	}
	cfg, problems, fatal := readConfig(ConfigFile, []byte(strings.Join(settings, "\n")))
	if len(problems)+len(fatal) > 0 {
		t.Errorf("template settings: %v %v", problems, fatal)
	}
	if diff := cmp.Diff(Defaults(), cfg); diff != "" {
		t.Errorf("template settings (-defaults +template):\n%s", diff)
	}
	if err := os.Rename(filepath.Join(dir, "platforms", "example.yaml.txt"), filepath.Join(dir, "platforms",
		"example.yaml")); err != nil {
		t.Fatal(err)
	}
	w, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Problems) > 0 || w.Platforms["example"] == nil {
		t.Errorf("platform template: %v", w.Problems)
	}
	for _, h := range hazard.All() {
		if h.ID != hazard.Knock && len(w.Platforms["example"].LimitsFor(h.ID)) == 0 {
			t.Errorf("platform template shows no limit for %s", h.ID)
		}
	}
}

func TestDigest(t *testing.T) {
	dir := copyGood(t)
	digest := func() string {
		w, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		d, err := w.Digest()
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	before := digest()
	write(t, dir, ".headroom/catalogue.json", "{}")
	write(t, dir, "reports/review.md", "x")
	write(t, dir, "runs/car-001/rev-2/new.csv", "t,rpm")
	if digest() != before {
		t.Error("derived files, reports and logs must not change the digest")
	}
	for _, name := range []string{"headroom.yaml", "vehicles.csv", "runs.csv", "outcomes.csv",
		"platforms/plover-14.yaml", "revisions/rev-3/revision.yaml", "revisions/base-1/tables/boost.csv"} {
		old := read(t, dir, name)
		write(t, dir, name, old+"\n")
		if digest() == before {
			t.Errorf("a change of %s must change the digest", name)
		}
		write(t, dir, name, old)
	}
	write(t, dir, "channels.yaml", "x: y\n")
	if digest() == before {
		t.Error("channels.yaml must change the digest")
	}
}

func copyGood(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("testdata/good")); err != nil {
		t.Fatal(err)
	}
	return dir
}

func write(t *testing.T, dir, name, text string) {
	t.Helper()
	file := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, dir, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
