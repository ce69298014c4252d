package assess

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/unit"
	"headroom/models/value"
)

// Kinds of TableDoubt beside those of models/calmap.
const (
	DoubtAxis      = "axis"      // an axis in another unit
	DoubtExchanged = "exchanged" // two axes that changed places
)

// What a table was compared with.
const (
	WithParent = "parent"
	WithLogs   = "logs"
)

// tableDoubts are what looks wrong in the revision's own tables, by themselves, against its parent's, and against what
// the logged states ran at and with. Each keeps a release away.
func (m *Model) tableDoubts(rev *workspace.Revision, states []logged) result.Reasons {
	var out result.Reasons
	for i := range rev.Tables {
		t := &rev.Tables[i]
		if _, modelled := calmap.RangeOf(t.Role); !modelled || t.Table == nil {
			continue
		}
		own := lintDoubts(t)
		for _, d := range own {
			out = append(out, d)
		}
		was, _ := m.ws.TableOf(rev.Parent, t.Role, t.Name)
		if axes := axisDoubts(t, was, states); len(axes) > 0 { // its values cannot be compared
			out = append(out, axes...)
			continue
		}
		if !slices.ContainsFunc(own, func(d TableDoubt) bool { return d.Kind == calmap.NoteUnit }) {
			out = append(out, valueDoubts(t, was, states)...)
		}
	}
	return out
}

// lintDoubts are what looks wrong in a table by itself, one a kind: of values out of range the furthest, and how many.
func lintDoubts(t *workspace.TableRef) []TableDoubt {
	var out []TableDoubt
	of, outside, furthest := len(t.Table.Z)*len(t.Table.X), -1, 0.0
	for _, n := range t.Table.Lint(t.Role) {
		if n.Kind == calmap.NoteSpike {
			continue
		}
		d := tableDoubt(t, n)
		d.Of = of
		if n.Kind != calmap.NoteRange {
			d.Count = of
			out = append(out, d)
			continue
		}
		by := max(float64(d.Range[0])-n.Value, n.Value-float64(d.Range[1]))
		switch {
		case outside < 0:
			outside, furthest, d.Count = len(out), by, 1
			out = append(out, d)
		case by > furthest:
			furthest, d.Count = by, out[outside].Count+1
			out[outside] = d
		default:
			out[outside].Count++
		}
	}
	return out
}

// tableDoubt is a note on a table as a fact.
func tableDoubt(t *workspace.TableRef, n calmap.Note) TableDoubt {
	out := blankDoubt(t, n.Kind)
	out.Value, out.LooksLike = result.Number(n.Value), n.LooksLike
	if n.Kind == calmap.NoteShape {
		out.Fault = n.Say
		return out
	}
	if r, ok := calmap.RangeOf(t.Role); ok {
		out.Unit, out.Range = r.Unit, result.Span{result.Number(r.Low), result.Number(r.High)}
	}
	if n.Kind == calmap.NoteRange {
		out.At = footprint.Breakpoint(t, n.X, n.Y)
	}
	return out
}

func blankDoubt(t *workspace.TableRef, kind string) TableDoubt {
	return TableDoubt{Kind: kind, File: t.File, Role: t.Role, At: []footprint.AxisValue{}, Value: result.Unknown(),
		Range: result.UnknownSpan(), Axes: []channel.ID{}, Ends: result.UnknownSpan(), Driven: result.UnknownSpan(),
		Was: result.Unknown()}
}

// misreading is a way to misread a table's values, and how they are read right.
type misreading struct {
	role      string
	looksLike string
	right     func(v float64) float64
	within    float64 // of the parent's or logged value, read right: the same table
	apart     float64 // from it as written, in a tenth of the values: not the same table
}

// misreadings; how near and how far is common practice, no source. A barometer of 86 to 116 kPa is near enough.
var misreadings = []misreading{
	{calmap.RoleBoost, "gauge pressure", func(v float64) float64 { return v + unit.PascalPerAtmosphere/1000 }, 15, 60},
	{calmap.RoleBoost, "gauge pressure in psi", func(v float64) float64 {
		return (v*unit.PascalPerPSI + unit.PascalPerAtmosphere) / 1000
	}, 15, 60},
	{calmap.RoleBoost, "psi", func(v float64) float64 { return v * unit.PascalPerPSI / 1000 }, 15, 60},
	{calmap.RoleLambda, "the equivalence ratio, the inverse of lambda", func(v float64) float64 { return 1 / v }, 0.03,
		0.12},
	{calmap.RoleSpark, "degrees after top dead centre, the opposite sign", func(v float64) float64 { return -v }, 3,
		10},
}

// afrScale is the reading of a table of air–fuel ratios whose values are all by one factor leaner or richer than those
// it is compared with: made for another stoichiometric ratio than the stated one. Within and apart, λ: common practice,
// no source.
func afrScale(t *workspace.TableRef, is, ran []float64) []misreading {
	if t.StoichiometricRatio == 0 {
		return nil
	}
	ratios := make([]float64, len(is))
	for i := range is {
		ratios[i] = is[i] / ran[i]
	}
	by := value.Median(ratios)
	return []misreading{{calmap.RoleLambda,
		fmt.Sprintf("an air-fuel ratio with stoichiometric_ratio %.1f", by*t.StoichiometricRatio),
		func(v float64) float64 { return v / by }, 0.015, 0.04}}
}

// misread reports whether the doubt is of how the whole table was written, so that every number computed from it is
// wrong if the doubt is right.
func (d TableDoubt) misread() bool {
	return d.Kind == calmap.NoteUnit || d.Kind == DoubtAxis || d.Kind == DoubtExchanged
}

func isMisreadTable(r result.Reason) bool {
	d, is := r.(TableDoubt)
	return is && d.misread()
}

const (
	nearlyAll   = 0.9 // of the values fit a reading; common practice, no source
	enoughPairs = 8   // values to compare; common practice, no source
)

// valueDoubts is the suspicion that values are in another unit, since read in it they are those of the parent, or of
// the logs where there is no such parent's table.
func valueDoubts(t, was *workspace.TableRef, states []logged) result.Reasons {
	is, ran, with := againstParent(t, was)
	if len(is) == 0 {
		is, ran, with = againstLogs(t, states)
	}
	if len(is) < enoughPairs {
		return nil
	}
	apart := make([]float64, len(is))
	for i := range is {
		apart[i] = math.Abs(is[i] - ran[i])
	}
	slices.Sort(apart)
	for _, r := range append(afrScale(t, is, ran), misreadings...) {
		if r.role != t.Role || apart[int(nearlyAll*float64(len(apart)))] < r.apart {
			continue
		}
		fit := 0
		for i := range is {
			if math.Abs(r.right(is[i])-ran[i]) <= r.within {
				fit++
			}
		}
		if float64(fit) < nearlyAll*float64(len(is)) {
			continue
		}
		d := blankDoubt(t, calmap.NoteUnit)
		d.LooksLike, d.Compared, d.Count, d.Of = r.looksLike, with, fit, len(is)
		d.Value, d.Was = result.Number(value.Median(is)), result.Number(value.Median(ran))
		limits, _ := calmap.RangeOf(t.Role)
		d.Unit, d.Range = limits.Unit, result.Span{result.Number(limits.Low), result.Number(limits.High)}
		return result.Reasons{d}
	}
	return nil
}

// againstParent are the values of a table and what the parent's says at the same breakpoints; none where they are not
// read by the same.
func againstParent(t, was *workspace.TableRef) (is, ran []float64, with string) {
	if was == nil || was.Table == nil || was.X.Channel != t.X.Channel ||
		was.Y != nil && (t.Y == nil || t.Y.Channel != was.Y.Channel) {
		return nil, nil, ""
	}
	for j, row := range t.Table.Z {
		y := 0.0
		if t.Y != nil {
			y = t.Table.Y[j]
		}
		for i, v := range row {
			is, ran = append(is, v), append(ran, was.Table.At(t.Table.X[i], y))
		}
	}
	return is, ran, WithParent
}

// againstLogs are the values that logged states read in a table, and what they ran with.
func againstLogs(t *workspace.TableRef, states []logged) (is, ran []float64, with string) {
	run := map[string]func(s *state.State) float64{
		calmap.RoleBoost:  func(s *state.State) float64 { return s.Manifold },
		calmap.RoleLambda: func(s *state.State) float64 { return s.Lambda },
		calmap.RoleSpark:  func(s *state.State) float64 { return s.Spark },
	}[t.Role]
	if run == nil {
		return nil, nil, ""
	}
	l := state.LookupOf(t)
	for i := range states {
		s := &states[i].state
		if v, _, ok := l.At(s); ok && value.Known(run(s)) {
			is, ran = append(is, v), append(ran, run(s))
		}
	}
	return is, ran, WithLogs
}

// axisDoubts is the suspicion that two axes changed places, since each has the parent's breakpoints of the other, or
// that an axis is in another unit, since nearly all that was driven lies past it as it is written and on it in that
// unit.
func axisDoubts(t, was *workspace.TableRef, states []logged) result.Reasons {
	if t.Y == nil {
		return driven(t, t.X, t.Table.X, states)
	}
	if was != nil && was.Table != nil && was.Y != nil && t.X.Channel != t.Y.Channel {
		x, y := breakpointsOf(was, t.X.Channel), breakpointsOf(was, t.Y.Channel)
		if !slices.Equal(x, y) && slices.Equal(t.Table.X, y) && slices.Equal(t.Table.Y, x) {
			d := blankDoubt(t, DoubtExchanged)
			d.Axes, d.Compared = []channel.ID{t.X.Channel, t.Y.Channel}, WithParent
			return result.Reasons{d}
		}
	}
	return append(driven(t, t.X, t.Table.X, states), driven(t, *t.Y, t.Table.Y, states)...)
}

// breakpointsOf are a two-axis table's of a channel, nil where it is not read by it.
func breakpointsOf(t *workspace.TableRef, id channel.ID) []float64 {
	switch id {
	case t.X.Channel:
		return t.Table.X
	case t.Y.Channel:
		return t.Table.Y
	}
	return nil
}

// otherUnits are those that an axis may be written in while another is stated; models/unit says of which quantity.
var otherUnits = []struct {
	unit      unit.Unit
	looksLike string
}{
	{unit.RevPerSecond, "revolutions a second"}, {unit.RadPerSecond, "radians a second"},
	{unit.PSI, "psi"}, {unit.Bar, "bar"},
}

// Common practice, no source: how many logged states tell, which share of them lies past an axis that cannot be what
// it is said to be, and how many times the largest of them an axis may reach.
const (
	enoughDriven = 20
	pastAxis     = 0.95
	farPast      = 2
)

func driven(t *workspace.TableRef, axis workspace.Axis, at []float64, states []logged) result.Reasons {
	var ran []float64
	for i := range states {
		if v := states[i].state.Axis(axis.Channel); value.Known(v) {
			ran = append(ran, v)
		}
	}
	d, ok := channel.Lookup(axis.Channel)
	if !ok || len(ran) < enoughDriven || len(at) < 2 {
		return nil
	}
	slices.Sort(ran)
	quantile := func(p float64) float64 { return ran[int(p*float64(len(ran)-1))] }
	first, last := at[0], at[len(at)-1]
	if quantile(1-pastAxis) <= last {
		return nil
	}
	for _, u := range otherUnits {
		scale, _, err := unit.Linear(u.unit, d.Unit)
		if err != nil || last*scale < quantile(nearlyAll) || last*scale > farPast*ran[len(ran)-1] {
			continue
		}
		out := blankDoubt(t, DoubtAxis)
		out.Axes, out.Unit = []channel.ID{axis.Channel}, string(d.Unit)
		out.LooksLike, out.Compared = u.looksLike, WithLogs
		out.Ends = result.Span{result.Number(first), result.Number(last)}
		out.Driven = result.Span{result.Number(quantile(1 - pastAxis)), result.Number(quantile(pastAxis))}
		out.Of = len(ran)
		for _, v := range ran {
			if v > last {
				out.Count++
			}
		}
		return result.Reasons{out}
	}
	return nil
}
