package demo

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"headroom/internal/hazard"
	"headroom/internal/parallel"
	"headroom/internal/workspace"
)

// Options say which fleet to invent.
type Options struct {
	Cars int    // 6 or more; 0 means 24
	Seed uint64 // any; the same seed gives the same bytes
	// TruthPulls is how many pulls are simulated for the truth of each of the four proposed revisions; 0 means 800.
	// Fewer build faster and leave coarser probabilities.
	TruthPulls int
	// Proving makes the fleet that the other kinds of graded proposals need (see ProposalsOf): one platform's intake
	// cam moves, the shop knows three more fuels, and six more cars of each 24 carry a fault.
	Proving bool
}

// DefaultCars is the size of the fleet when Options.Cars is 0.
const DefaultCars = 24

// Summary says what Build wrote.
type Summary struct {
	Dir        string
	Cars       int
	Logs       int // readable ones
	Pulls      int // full-throttle pulls in them
	Revisions  int // proposed ones included
	Bytes      int64
	Proposed   []string // ids of the four proposed revisions, oldest first
	Unreadable string   // path of the one log that cannot be read
}

// Build invents a fleet and writes it as a workspace into dir, which must be absent or empty. Beside the workspace's
// files it writes truth.json (see Truth). It fails when dir has something in it, when too few cars are asked for, or
// when a file cannot be written.
func Build(dir string, o Options) (Summary, error) {
	if o.Cars == 0 {
		o.Cars = DefaultCars
	}
	if o.TruthPulls == 0 {
		o.TruthPulls = finalPulls
	}
	if o.TruthPulls < 0 {
		return Summary{}, fmt.Errorf("%d simulated pulls: ask for one or more", o.TruthPulls)
	}
	if err := emptyDir(dir); err != nil {
		return Summary{}, err
	}
	f, err := invent(o)
	if err != nil {
		return Summary{}, err
	}
	w := &writer{dir: dir}
	if err := f.writeLogs(w); err != nil {
		return Summary{}, err
	}
	if err := f.propose(); err != nil {
		return Summary{}, err
	}
	return f.writeRest(w)
}

// Proposals adds n simulated proposed revisions of graded danger, sim-0001 and on, to a workspace made by Build, and
// returns their truth in that order. Changes of spark, boost, lambda and mixtures of them fall on random cars, each a
// child of the car's latest driven revision. The same workspace, n and seed give the same files and numbers. It fails
// when dir was not made by Build or cannot be written.
func Proposals(dir string, n int, seed uint64) ([]ProposalTruth, error) {
	known, err := ReadTruth(dir)
	if err != nil {
		return nil, err
	}
	f, err := invent(Options{Cars: known.Cars, Seed: known.Seed, Proving: known.Proving})
	if err != nil {
		return nil, err
	}
	made, err := f.graded(n, seed)
	if err != nil {
		return nil, err
	}
	return write(dir, made)
}

// ProposalsOf adds n simulated proposed revisions of the given kinds in turn, <kind>-0001 and on, to a workspace made
// by Build with Options.Proving, and returns their truth in that order. The same workspace, kinds, n and seed give the
// same files and numbers. It fails when dir was not so made or cannot be written, or when there is no kind or an
// unknown one.
func ProposalsOf(dir string, kinds []Kind, n int, seed uint64) ([]ProposalTruth, error) {
	known, err := ReadTruth(dir)
	if err != nil {
		return nil, err
	}
	if !known.Proving {
		return nil, fmt.Errorf("%s has no proving fleet: build it with Options.Proving", dir)
	}
	f, err := invent(Options{Cars: known.Cars, Seed: known.Seed, Proving: true})
	if err != nil {
		return nil, err
	}
	made, err := f.ofKinds(kinds, n, seed)
	if err != nil {
		return nil, err
	}
	return write(dir, made)
}

// write adds proposed revisions to a workspace.
func write(dir string, made []*proposal) ([]ProposalTruth, error) {
	w := &writer{dir: dir}
	out := make([]ProposalTruth, len(made))
	for i, p := range made {
		if err := w.revision(p.revision); err != nil {
			return nil, err
		}
		out[i] = p.truth
	}
	return out, nil
}

func emptyDir(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("demo directory: %w", err)
	}
	if len(entries) > 0 {
		return fmt.Errorf("%s is not empty: name a new directory for the demo", dir)
	}
	return nil
}

// writer writes files below a directory and counts their bytes.
type writer struct {
	dir   string
	mu    sync.Mutex
	bytes int64
}

func (w *writer) put(name string, content []byte) error {
	file := filepath.Join(w.dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		return fmt.Errorf("writing the demo: %w", err)
	}
	if err := os.WriteFile(file, content, 0o644); err != nil {
		return fmt.Errorf("writing the demo: %w", err)
	}
	w.mu.Lock()
	w.bytes += int64(len(content))
	w.mu.Unlock()
	return nil
}

func (w *writer) revision(r *revision) error {
	files := r.files()
	for _, name := range sortedKeys(files) {
		if err := w.put(name, files[name]); err != nil {
			return err
		}
	}
	return nil
}

func sortedKeys(m map[string][]byte) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// onAll calls f for 0…n−1 on all processors and returns the errors by index.
func onAll(n int, f func(i int) error) error {
	failed := make([]error, n)
	parallel.Each(n, runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) { failed[i] = f(i) })
	return errors.Join(failed...)
}

func (f *fleet) writeLogs(w *writer) error {
	return onAll(len(f.cars), func(i int) error {
		c := f.cars[i]
		for n, l := range c.logs {
			content, err := c.drive(l, f.options.Seed, n)
			if err != nil {
				return err
			}
			if err := w.put(l.name, content); err != nil {
				return err
			}
		}
		return nil
	})
}

func (f *fleet) writeRest(w *writer) (Summary, error) {
	s := Summary{Dir: w.dir, Cars: len(f.cars)}
	files := map[string][]byte{
		"headroom.yaml": f.config(), "vehicles.csv": f.vehicles(), "runs.csv": f.runs(), "outcomes.csv": f.outcomes(),
	}
	for _, e := range f.engines {
		files["platforms/"+e.id+".yaml"] = e.file()
	}
	s.Unreadable, files[f.unreadableName()] = f.unreadableName(), noise(f.options.Seed)
	truth := Truth{
		Schema: "headroom/demo-truth/1", Seed: f.options.Seed, Cars: len(f.cars),
		Proving: f.options.Proving,
		Note: "invented; what the tool is not told. Probabilities are shares of simulated pulls, on days of a year " +
			"to come at the places of the fleet, of the car as it was in the parent's logs.",
		Fleet: []CarTruth{}, Unreadable: s.Unreadable,
	}
	revisions := slices.Clone(f.common)
	for _, c := range f.cars {
		truth.Fleet = append(truth.Fleet, c.truth())
		revisions = append(revisions, c.revisions...)
		s.Logs += len(c.logs)
		for _, l := range c.logs {
			s.Pulls += len(l.gears)
		}
	}
	for _, p := range f.proposals {
		truth.Proposed = append(truth.Proposed, p.truth)
		revisions = append(revisions, p.revision)
		s.Proposed = append(s.Proposed, p.revision.id)
	}
	for _, r := range revisions {
		if err := w.revision(r); err != nil {
			return s, err
		}
	}
	text, err := json.MarshalIndent(truth, "", " ")
	if err != nil {
		return s, fmt.Errorf("writing %s: %w", TruthFile, err)
	}
	files[TruthFile] = append(text, '\n')
	for _, name := range sortedKeys(files) {
		if err := w.put(name, files[name]); err != nil {
			return s, err
		}
	}
	s.Revisions, s.Bytes = len(revisions), w.bytes
	return s, nil
}

// unreadableName is a log of the first car that is not a log at all.
func (f *fleet) unreadableName() string {
	c := f.cars[roleUnreadable]
	return fmt.Sprintf("runs/%s/%s/%s-broken.csv", c.id, c.latest().id, historyEnd.Format(time.DateOnly))
}

// noise is what a failing memory card leaves.
func noise(seed uint64) []byte {
	rng := stream(seed, streamLog)
	b := make([]byte, 6000)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

func (f *fleet) config() []byte {
	var b bytes.Buffer
	d := workspace.Defaults()
	b.WriteString("# An invented shop. Thresholds are the defaults.\n")
	fmt.Fprintf(&b, "decision:\n  hold_probability: {%s: %g, %s: %g}\n", hazard.Catastrophic,
		d.Decision.HoldProbability[hazard.Catastrophic], hazard.Major,
		d.Decision.HoldProbability[hazard.Major])
	fmt.Fprintf(&b, "  thin_pulls: %d\n  thin_cars: %d\n  content: %g\n  confidence: %g\n", d.Decision.ThinPulls,
		d.Decision.ThinCars, d.Decision.Content, d.Decision.Confidence)
	fmt.Fprintf(&b, "display: {pressure: %s, temperature: %s, torque: %s}\nfuels:\n", d.Display.Pressure,
		d.Display.Temperature, d.Display.Torque)
	for _, k := range f.fuels() {
		fmt.Fprintf(&b, "  %s: {class: %s, ron: %g, mon: %g, ethanol_share: %g, source: invented for the demo}\n", k.id,
			k.class, k.nominal.ron, k.nominal.mon, k.nominal.ethanol)
	}
	fmt.Fprintf(&b, "seed: %d\n", d.Seed)
	return b.Bytes()
}

func (f *fleet) vehicles() []byte {
	var b bytes.Buffer
	b.WriteString("vehicle,platform,fuel,hardware,hardware_date\n")
	for _, c := range f.cars {
		fmt.Fprintf(&b, "%s,%s,%s,%s,%s\n", c.id, c.engine.id, c.fuel.id, c.hardware, c.hardwareDate)
	}
	return b.Bytes()
}

// runs lists every log's date and place; conditions only where somebody wrote them down.
func (f *fleet) runs() []byte {
	var b bytes.Buffer
	b.WriteString("path,vehicle,revision,date,place,ambient_c,baro_kpa,fuel\n")
	for _, c := range f.cars {
		for _, l := range c.logs {
			ambient, baro, fuel := "", "", ""
			if l.listed {
				ambient, baro, fuel = fixed(l.ambient, 1), fixed(l.baro, 1), c.fuel.id
			}
			fmt.Fprintf(&b, "%s,%s,%s,%s,%s,%s,%s,%s\n", l.name, c.id, l.revision.id, l.date.Format(time.DateOnly),
				l.place.name, ambient, baro, fuel)
		}
	}
	return b.Bytes()
}

// outcomes are the shop's few failures.
func (f *fleet) outcomes() []byte {
	var b bytes.Buffer
	b.WriteString("vehicle,date,revision,event,component,odometer_km\n")
	row := func(c *car, component string, km int) {
		last := c.logs[len(c.logs)-1]
		fmt.Fprintf(&b, "%s,%s,%s,failure,%s,%d\n", c.id, last.date.AddDate(0, 0, 9).Format(time.DateOnly),
			last.revision.id, component, km)
	}
	row(f.cars[len(f.cars)-1], "clutch", 84200)
	if len(f.cars) > roleLeak {
		row(f.cars[roleLeak], "charge hose", 61900)
	}
	return b.Bytes()
}

func fixed(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }

// list writes numbers as a YAML flow sequence.
func list(v []float64) string {
	s := make([]string, len(v))
	for i := range v {
		s[i] = strconv.FormatFloat(v[i], 'f', -1, 64)
	}
	return "[" + strings.Join(s, ", ") + "]"
}

// file is the platform file: what the shop believes about the engine.
func (e *engine) file() []byte {
	const source = "invented for the demo"
	injection := "port"
	if e.direct {
		injection = "direct"
	}
	var b bytes.Buffer
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("id: %s\nname: %s", e.id, e.name)
	p("engine:\n  cylinders: %d\n  bore_mm: %g\n  stroke_mm: %g\n  rod_mm: %g\n  compression_ratio: %g", e.cylinders,
		e.boreMM, e.strokeMM, e.rodMM, e.ratio)
	p("  intake_valve_closing_deg: %g\n  exhaust_valve_opening_deg: %g\n  injection: %s\n  induction: turbo", e.closing,
		e.opening, injection)
	p("burn:\n  speed_rpm: %g\n  absolute_load_pct: %g\n  lambda: %g\n  spark_deg: %g\n  ignition_lag_deg: %g\n  "+
		"duration_deg: %g\n  source: %s", e.anchorRPM, e.anchorLoad, e.anchorLambda, e.anchorSpark, e.anchorLag,
		e.anchorDuration, source)
	p("air_path:\n  volumetric_efficiency: {at: %s, value: %s}\n  compressor_efficiency: %g\n  "+
		"intercooler_effectiveness: %g\n  source: %s", list(e.ve.x), list(e.ve.z[0]), e.compressorEfficiency,
		e.intercooler, source)
	p("fuel_system:\n  injector_flow_cc_min: %g\n  rated_pressure_kpa: %g\n  dead_time_ms: %g", e.injectorCC,
		e.ratedKPa, e.deadTime)
	if e.direct {
		p("  usable_window_deg: %g", e.window)
	}
	p("  pump_capacity: {at: %s, value: %s}\n  source: %s", list(e.pump.x), list(e.pump.z[0]), source)
	p("octane_index_k: %g", e.fileOctaneK)
	p("knock_control:\n  step_deg: %g\n  recovery_deg_per_second: %g\n  tolerated_retard_deg: %g\n  source: %s", e.step,
		e.recovery, e.tolerated, source)
	p("limits:")
	for _, l := range e.limits {
		value := "value: " + strconv.FormatFloat(l.z[0][0], 'f', -1, 64)
		if len(l.x) > 1 {
			value = fmt.Sprintf("along: engine_speed, at: %s, values: %s", list(l.x), list(l.z[0]))
		}
		if l.high > 0 {
			value += fmt.Sprintf(", rpm_range: [%g, %g]", l.low, l.high)
		}
		p("  - {hazard: %s, metric: %s, unit: \"%s\", %s, source: %s}", l.hazard, l.metric, l.unit(), value, source)
	}
	p("lags: {lambda: 0.3, charge_temperature: 0.5}")
	d := workspace.Defaults()
	p("cells: {rpm_step: %g, load_step_pct: %g}", d.Cells.RPMStep, d.Cells.LoadStep)
	p("pulls: {throttle_min_pct: %g, min_seconds: %g, min_span_rpm: %g, steady_seconds: %g, warm_coolant_c: %g}",
		d.Pulls.ThrottleMin, d.Pulls.MinSeconds, d.Pulls.MinSpanRPM, d.Pulls.SteadySeconds, d.Pulls.WarmCoolantC)
	return b.Bytes()
}
