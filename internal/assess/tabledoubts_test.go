package assess

import (
	"maps"
	"slices"
	"testing"

	"headroom/internal/assess/state"
	"headroom/internal/fleettest"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/unit"
)

// No revision of an invented fleet has a doubtful table, with or without its parent to compare with.
func TestInventedTablesAreNotDoubted(t *testing.T) {
	for _, dir := range []string{fleettest.Marlins(t), fleettest.Kestrels(t), fleettest.Sound(t)} {
		j := openJob(t, dir)
		for _, id := range slices.Sorted(maps.Keys(j.ws.Revisions)) {
			rev := *j.ws.Revisions[id]
			m, err := j.Model(rev.Platform)
			if err != nil {
				t.Fatal(err)
			}
			rows, err := j.judgedOn(&rev, j.CarOf(rev.Vehicle), "")
			if err != nil {
				t.Fatal(err)
			}
			var states []logged
			for i := range rows {
				states = append(states, logged{state: m.As(&rows[i], "").State})
			}
			if len(states) < enoughDriven {
				t.Errorf("%s: %d states", id, len(states))
			}
			told := m.tableDoubts(&rev, states)
			rev.Parent = ""
			if told = append(told, m.tableDoubts(&rev, states)...); len(told) > 0 {
				t.Errorf("%s: %+v", id, told)
			}
		}
	}
}

// ran are states of pulls at loads and speeds of a boosted engine, richer and later with load.
func ran() (out []logged) {
	for rpm := 2000.0; rpm <= 6500; rpm += 500 {
		for load := 40.0; load <= 180; load += 20 {
			s := state.State{RPM: rpm, Load: load, Pedal: min(100, load/1.5), Manifold: 15 + load,
				Lambda: lambdaAt(load), Spark: 40 - load/6}
			out = append(out, logged{state: s})
		}
	}
	return out
}

func lambdaAt(load float64) float64 { return min(1, 1.07-load/800) }

var doubtedSpeeds, doubtedLoads = []float64{1000, 2500, 4000, 5500, 7000}, []float64{20, 60, 100, 140, 180}

func doubted(t *testing.T, role string, x, y []float64, z func(x, y float64) float64) *workspace.TableRef {
	t.Helper()
	values := make([][]float64, len(y))
	for j := range y {
		for i := range x {
			values[j] = append(values[j], z(x[i], y[j]))
		}
	}
	table, err := calmap.New(x, y, values)
	if err != nil {
		t.Fatal(err)
	}
	return &workspace.TableRef{Role: role, File: "tables/" + role + ".csv", Table: table,
		X: workspace.Axis{Channel: channel.EngineSpeed, Unit: "rpm"},
		Y: &workspace.Axis{Channel: channel.AbsoluteLoad, Unit: "%"}}
}

// Tables against their parent's or against logs. What is looked like follows from the definitions: lambda is one over
// the equivalence ratio, absolute pressure is gauge pressure and a barometer's, here 98 kPa (NIST SP 811, B.8, for
// psi).
func TestTableDoubts(t *testing.T) {
	boost := func(_, load float64) float64 { return 15 + load }
	mixture := func(_, load float64) float64 { return lambdaAt(load) }
	spark := func(_, load float64) float64 { return 40 - load/6 }
	gauge := func(x, y float64) float64 { return boost(x, y) - 98 }
	high := func(_, load float64) float64 { return 130 + load/2 } // nowhere near 0 as gauge
	speeds, loads := doubtedSpeeds, doubtedLoads
	scaled := func(axis []float64, by float64) []float64 {
		out := slices.Clone(axis)
		for i := range out {
			out[i] *= by
		}
		return out
	}
	made := func(role string, z func(x, y float64) float64) *workspace.TableRef {
		return doubted(t, role, speeds, loads, z)
	}
	for _, c := range []struct {
		name    string
		is, was *workspace.TableRef
		kind    string // "" for no doubt
		with    string
		like    string
	}{
		{"the parent's", made("boost", boost), made("boost", boost), "", "", ""},
		{"gauge by its zeros", made("boost", gauge), nil, calmap.NoteUnit, "", "gauge pressure"},
		{"gauge by its parent", made("boost", func(x, y float64) float64 { return high(x, y) - 98 }),
			made("boost", high), calmap.NoteUnit, WithParent, "gauge pressure"},
		{"psi by its size", made("boost", func(x, y float64) float64 { return high(x, y) * 1000 / unit.PascalPerPSI }),
			made("boost", high), calmap.NoteUnit, "", "psi"},
		{"gauge psi", made("boost", func(x, y float64) float64 { return gauge(x, y) * 1000 / unit.PascalPerPSI }), nil,
			calmap.NoteUnit, "", "gauge pressure in psi"},
		{"equivalence by its parent", made("lambda", func(x, y float64) float64 { return 1 / mixture(x, y) }),
			made("lambda", mixture), calmap.NoteUnit, WithParent, "the equivalence ratio, the inverse of lambda"},
		{"equivalence by logs", made("lambda", func(x, y float64) float64 { return 1 / mixture(x, y) }), nil,
			calmap.NoteUnit, WithLogs, "the equivalence ratio, the inverse of lambda"},
		{"lean cruise", made("lambda", func(x, y float64) float64 {
			if y < 90 {
				return 1.12
			}
			return mixture(x, y)
		}), made("lambda", mixture), "", "", ""},
		{"leaner by 0.06", made("lambda", func(x, y float64) float64 { return mixture(x, y) + 0.06 }),
			made("lambda", mixture), "", "", ""},
		{"naturally aspirated", made("boost", func(_, load float64) float64 { return 30 + load/3 }),
			made("boost", func(_, load float64) float64 { return 30 + load/3 }), "", "", ""},
		{"naturally aspirated, no parent", made("boost", func(_, load float64) float64 { return 30 + load/3 }), nil, "",
			"", ""},
		{"one zero", made("boost", func(x, y float64) float64 {
			if x == 1000 && y == 20 {
				return 0
			}
			return 100 + y/2
		}), nil, calmap.NoteRange, "", ""},
		{"low speeds only", doubted(t, "spark", []float64{800, 1100, 1400, 1700}, loads, spark),
			made("spark", spark), "", "", ""},
		{"light load only", doubted(t, "spark", speeds, []float64{5, 10, 20}, spark), made("spark", spark), "", "", ""},
		{"revolutions a second", doubted(t, "spark", scaled(speeds, 1.0/60), loads, spark), made("spark", spark),
			DoubtAxis, WithLogs, "revolutions a second"},
	} {
		rev := &workspace.Revision{ID: "child", Parent: "parent", Tables: []workspace.TableRef{*c.is}}
		ws := &workspace.Workspace{Revisions: map[string]*workspace.Revision{"child": rev}}
		if c.was != nil {
			ws.Revisions["parent"] = &workspace.Revision{ID: "parent", Tables: []workspace.TableRef{*c.was}}
		}
		told := (&Model{ws: ws}).tableDoubts(rev, ran())
		if c.kind == "" {
			if len(told) > 0 {
				t.Errorf("%s: %+v", c.name, told)
			}
			continue
		}
		if i := slices.IndexFunc(told, func(r result.Reason) bool { return r.(TableDoubt).Kind == c.kind }); i < 0 {
			t.Errorf("%s: %+v", c.name, told)
		} else if d := told[i].(TableDoubt); d.Compared != c.with || d.LooksLike != c.like || d.Count == 0 ||
			d.Count > d.Of {
			t.Errorf("%s: %+v", c.name, d)
		}
	}
}

// Two axes that can both be what they are said to be are told to have changed places by the parent's.
func TestExchangedByParent(t *testing.T) {
	z := func(x, y float64) float64 { return 30 - x/20 - y/20 }
	was := doubted(t, "spark", []float64{20, 60, 100, 150}, []float64{0, 40, 70, 100}, z)
	was.X.Channel, was.Y.Channel = channel.AbsoluteLoad, channel.PedalPosition
	is := doubted(t, "spark", []float64{0, 40, 70, 100}, []float64{20, 60, 100, 150}, z)
	is.X.Channel, is.Y.Channel = was.X.Channel, was.Y.Channel
	if got := axisDoubts(is, was, nil); len(got) != 1 || got[0].(TableDoubt).Kind != DoubtExchanged {
		t.Errorf("rows and columns exchanged: %+v", got)
	}
	turned := *is
	turned.X, turned.Y = workspace.Axis{Channel: was.Y.Channel}, &workspace.Axis{Channel: was.X.Channel}
	if got := axisDoubts(&turned, was, nil); len(got) > 0 {
		t.Errorf("the same table the other way round: %+v", got)
	}
}

// Values out of range are one doubt, with their number and the furthest.
func TestDoubtsAreMerged(t *testing.T) {
	is := doubted(t, "boost", doubtedSpeeds, doubtedLoads, func(x, y float64) float64 {
		if y == 180 {
			return 400 + x/100
		}
		return 150
	})
	got := lintDoubts(is)
	if len(got) != 1 || got[0].Count != 5 || got[0].Of != 25 || got[0].Value != 470 || len(got[0].At) != 2 {
		t.Errorf("%+v", got)
	}
}
