package report

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/assess"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/report/show"
	"headroom/internal/result"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// everyReason is one of every kind of reason at least, as the fixtures hold them.
func everyReason() result.Reasons {
	out := slices.Clone(facts)
	for _, h := range fixtureHazards() {
		out = append(out, h.Reasons...)
	}
	a := fixtureAgainst()
	for _, list := range []result.Reasons{fixtureReview().Reasons, fixtureNotes(), fixtureSensors(), a.Left.Reasons,
		a.Right.Reasons, a.Notes} {
		out = append(out, list...)
	}
	for _, h := range a.Hazards {
		out = append(append(out, h.Left.Reasons...), h.Right.Reasons...)
	}
	for _, p := range fixtureReview().NextPulls {
		out = append(out, p.For...)
	}
	for _, row := range fixtureAudit().Rows {
		out = append(out, row.Reasons...)
	}
	for _, g := range fixtureAudit().Groups {
		out = append(out, g.Reasons...)
	}
	return out
}

// TestEveryReasonHasWords finds every type of internal/assess that is a reason, by its method Code, and fails for one
// that has no words in either system of units, or that no fixture shows.
func TestEveryReasonHasWords(t *testing.T) {
	types := reasonTypes(t, filepath.Join("..", "assess"))
	if len(types) < 30 {
		t.Fatalf("only %d reasons found: %v", len(types), types)
	}
	shown := map[string]bool{}
	for _, units := range []show.Units{{}, imperial} {
		w := wordsIn(t, units)
		for _, r := range everyReason() {
			shown[typeName(r)] = true
			said := w.reason(r)
			if said == r.Code() {
				t.Errorf("%T has no words: %q", r, said)
			}
			if units == imperial {
				foreign(t, typeName(r), said)
			}
		}
	}
	for _, name := range types {
		if !shown[name] {
			t.Errorf("no fixture holds a %s: is it worded?", name)
		}
	}
}

func typeName(r result.Reason) string {
	_, name, _ := strings.Cut(fmt.Sprintf("%T", r), ".")
	return name
}

// reasonTypes are the types of a package that have a method Code() string, by its source.
func reasonTypes(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if m, ok := d.(*ast.FuncDecl); ok && m.Name.Name == "Code" && m.Recv != nil {
				found[fmt.Sprint(m.Recv.List[0].Type)] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(found))
}

func wordsIn(t *testing.T, units show.Units) words {
	t.Helper()
	d, err := show.NewDisplay(units)
	if err != nil {
		t.Fatal(err)
	}
	return words{Display: d, forPrograms: true}
}

// TestWordsOfEveryKind walks the kinds that a reason, gap, stress or obstacle has.
func TestWordsOfEveryKind(t *testing.T) {
	metric, imp := wordsIn(t, show.Units{}), wordsIn(t, imperial)
	lacking := func(l result.Lack) result.Reason { return assess.Lacking{Metric: "pump_use", Lack: l} }
	gap := func(k state.GapKind) result.Reason {
		return assess.Unmodelled{Gap: state.Gap{Kind: k, Role: "boost", Revision: "rev-2", Other: "rev-1",
			Axis: "oil_temperature"}}
	}
	under := func(k state.StressKind, size result.Number) result.Reason {
		return assess.CrossesUnder{Hazard: "knock", Stress: assess.Stress{Kind: k, Size: size}, Margin: -1.5,
			Unit: "deg"}
	}
	for _, c := range []struct {
		of           result.Reason
		want, wantUS string // wantUS: "" where the units make no difference
	}{
		{lacking(result.Lack{Missing: []result.Missing{{Channels: []channel.ID{"lambda", "lambda_commanded"}}}}),
			"no log has lambda or commanded lambda", ""},
		{lacking(result.Lack{Missing: []result.Missing{{Channels: []channel.ID{"lambda_commanded"}},
			{Key: "fuel_system.pump_capacity", File: "platforms/k.yaml"}}}),
			"no log has commanded lambda, and platforms/k.yaml has no fuel_system.pump_capacity", ""},
		{lacking(result.Lack{Missing: []result.Missing{{Channels: []channel.ID{"knock_retard", "knock_retard_learned"}},
			{Channels: []channel.ID{"charge_temperature"}}, {Key: "knock_control", File: "platforms/k.yaml"},
			{Key: "burn", File: "platforms/k.yaml"}}}), "no log has knock retard or learned knock retard, nor charge " +
			"temperature, and platforms/k.yaml has no knock_control section and no burn section", ""},
		{lacking(result.Lack{Missing: []result.Missing{{Key: "knock_control", File: "platforms/k.yaml"}}}),
			"platforms/k.yaml has no knock_control section", ""},
		{lacking(result.Lack{Missing: []result.Missing{{Key: "engine.injection: port", File: "platforms/k.yaml"}}}),
			"platforms/k.yaml does not say injection: port, which the use of the fuel pump's capacity needs", ""},
		{lacking(result.Lack{Missing: []result.Missing{{Together: true, Channels: []channel.ID{"lambda",
			"absolute_load",
			"charge_temperature"}}}}), "no pull has lambda, absolute load and charge temperature together", ""},
		{lacking(result.Lack{Unusable: true}), "all that the use of the fuel pump's capacity rests on is logged, but " +
			"nowhere in a state in which it can be judged: the turbocharger still spools there, or the engine model " +
			"does not reach that far", ""},
		{lacking(result.Lack{Car: "car-3", Missing: []result.Missing{{Channels: []channel.ID{"lambda_commanded"}}}}),
			"no log of car-3 that is used here has commanded lambda", ""},
		{assess.NeverLogged{}, "no pull of this car is in the evidence: judged by the spread between cars", ""},
		{assess.NeverLogged{Lack: result.Lack{Unusable: true}}, "logged on this car nowhere in a state in which it " +
			"can be judged: judged by the spread between cars", ""},
		{assess.NeverLogged{Lack: result.Lack{Missing: []result.Missing{{Channels: []channel.ID{"lambda_commanded"}}}}},
			"not told by this car's logs, as no log has commanded lambda: judged by the spread between cars", ""},
		{lacking(result.Lack{Fault: "the compression ratio is 2"}), "the engine model refused its input: the " +
			"compression ratio is 2", ""},
		{lacking(result.Lack{}), "nothing says what the use of the fuel pump's capacity rests on", ""},
		{gap(state.OneSided), "rev-2 has no boost table and rev-1 has one, so what it changes is " +
			"not known: list the table that it runs", ""},
		{gap(state.AxisNotLogged), "boost table is read by a channel these logs do not have: change not modelled", ""},
		{gap(state.NoPressure), "boost table: manifold pressure is neither logged nor to be had from load: change " +
			"not modelled", ""},
		{gap(state.CamNotLogged), "intake cam table: the cam's angle is not in these logs: change not modelled", ""},
		{gap(state.NotSettled), "boost and load do not settle on one another: change not modelled", ""},
		{gap(state.TableAdded), "boost: added, not modelled", ""},
		{gap(state.TableChanged), "boost: changed, not modelled", ""},
		{gap(state.UnknownAxis), "boost table of rev-2: axis oil temperature is not known from a logged pull", ""},
		{under(state.HotCharge, 20), "knock crosses its limit with charge temperature +20 K (margin −1.5 deg)",
			"knock crosses its limit with charge temperature +36 °F (margin −1.5 deg)"},
		{under(state.LowOctane, 2), "knock crosses its limit with fuel lower by 2 octane numbers (margin −1.5 deg)",
			""},
		{under(state.LessEthanol, 15), "knock crosses its limit with ethanol share lower by 15 points (margin −1.5 " +
			"deg)", ""},
		{under(state.ThinAir, 85), "knock crosses its limit with ambient pressure 85 kPa (margin −1.5 deg)",
			"knock crosses its limit with ambient pressure 12.3 psi (margin −1.5 deg)"},
		{under(state.UnknownAir, 5), "knock crosses its limit with surrounding air denser by 5 kPa than was assumed " +
			"for " +
			"logs that tell neither barometer nor place (margin −1.5 deg)", "knock crosses its limit with " +
			"surrounding " +
			"air denser by 0.7 psi than was assumed for logs that tell neither barometer nor place (margin −1.5 deg)"},
		{under(state.RichSensor, 3), "knock crosses its limit with lambda sensor reading 3 % rich (margin −1.5 deg)",
			""},
		{assess.TableDoubt{Kind: calmap.NoteShape, File: "tables/spark.csv", Fault: "the table has no breakpoints"},
			"Table tables/spark.csv: the table has no breakpoints", ""},
		{assess.TableDoubt{Kind: calmap.NoteUnit, File: "tables/boost.csv", Role: "boost", Value: 74, Unit: "kPa",
			LooksLike: "gauge pressure"},
			"Table tables/boost.csv: in the unit that revision.yaml states, its median is " +
				"74 kPa; the values look like gauge pressure",
			"Table tables/boost.csv: in the unit that revision.yaml " +
				"states, its median is 10.7 psi; the values look like gauge pressure"},
		{assess.TooLikely{Hazard: "low_speed_load", Severity: "catastrophic", Chance: 0.0004,
			Interval90: result.Span{0, 0.06}, Threshold: 0.05, Parent: none},
			"low-speed load: under 0.1 % of pulls cross the limit " +
				"(90 % interval <0.1 to 6.0 %), upper bound over the 5.0 % allowed for a catastrophic hazard", ""},
		{assess.OtherCalibrations{Wanted: 3}, "fewer than 3 pulls of this car on this revision, which has no parent: " +
			"its pulls on other calibrations are used, moved to this revision's tables where they differ", ""},
		{assess.SuspectSensor{Steady: -0.03, Full: -0.034}, "This car's lambda reads 0.030 richer than commanded in " +
			"steady running, where the control unit holds it by its own sensor, and 0.034 richer at full throttle. " +
			"The logging sensor is the likelier fault: check or replace it and log again. Until then lean mixture is " +
			"judged on what it reads.", ""},
		{assess.OtherCars{}, "this car has no logged pull: other cars of the platform stand in for it, with the " +
			"spread between cars added", ""},
	} {
		if got := metric.reason(c.of); got != c.want {
			t.Errorf("said %q\nwant %q", got, c.want)
		}
		if got := imp.reason(c.of); got != or(c.wantUS, c.want) {
			t.Errorf("said %q\nwant %q", got, or(c.wantUS, c.want))
		}
	}
	for _, k := range []footprint.ObstacleKind{footprint.NoParent, footprint.NoParentTable, footprint.OtherAxes,
		footprint.OtherUnits} {
		if said := obstacle(footprint.Obstacle{Kind: k}); said == plain(k) {
			t.Errorf("%s has no words", k)
		}
	}
	if said := obstacle(footprint.Obstacle{Kind: footprint.Unresolved, Fault: "why"}); said != "why" {
		t.Errorf("unresolved is said as %q", said)
	}
}
