package calmap

import (
	"fmt"
	"math"
	"slices"
)

// Roles of tables whose effect is modelled.
const (
	RoleSpark      = "spark"
	RoleLambda     = "lambda"
	RoleBoost      = "boost"
	RoleIntakeCam  = "intake_cam"
	RoleExhaustCam = "exhaust_cam"
	RoleSpeedLimit = "speed_limit"
)

// Range is what values of a role may plausibly be, in the stored unit.
type Range struct {
	Low, High float64
	Unit      string
	spike     float64 // smallest lone step worth a note, in Unit
}

// Roles lists the modelled roles.
func Roles() []string {
	return []string{RoleSpark, RoleLambda, RoleBoost, RoleIntakeCam, RoleExhaustCam, RoleSpeedLimit}
}

// RangeOf returns the plausible range and stored unit of a role's values, ok false for a role that is not modelled.
// Spark is degrees before top dead centre, boost kPa absolute, cams degrees of advance from the parked position.
// Common practice, no source.
func RangeOf(role string) (r Range, ok bool) {
	switch role {
	case RoleSpark:
		return Range{-30, 60, "deg", 1.5}, true
	case RoleLambda:
		return Range{0.6, 1.3, "lambda", 0.02}, true
	case RoleBoost:
		return Range{20, 400, "kPa", 8}, true
	case RoleIntakeCam, RoleExhaustCam:
		return Range{-60, 80, "deg", 4}, true
	case RoleSpeedLimit:
		return Range{500, 20000, "rpm", 150}, true
	}
	return Range{}, false
}

// Kinds of Note.
const (
	NoteShape = "shape" // axes or rows are not those of a table; nothing else was looked at
	NoteUnit  = "unit"  // sign or scale looks like another unit
	NoteRange = "range" // a value outside the role's plausible range
	NoteSpike = "spike" // a value that stands alone against its neighbours
)

// Note is one doubt about a table.
type Note struct {
	Kind        string
	Row, Column int     // of the value, counted from 1 without the breakpoints; 0 when the whole table is meant
	X, Y        float64 // its breakpoint; NaN when the whole table is meant, Y also in a one-axis table
	Value       float64 // NaN when the whole table is meant
	Say         string  // one plain sentence
}

// Lint lists what looks wrong in a table of a role: a shape that New refuses, a sign or scale that looks like another
// unit, values outside the role's plausible range, and isolated spikes. For a role that is not modelled only shape
// and spikes are looked at. Order: kind as listed, then row by row. Notes are doubts, not faults: a spike may be meant.
func (t *Table) Lint(role string) []Note {
	if err := t.Check(); err != nil {
		return []Note{whole(NoteShape, err.Error())}
	}
	r, known := RangeOf(role)
	var notes []Note
	if known {
		if say := otherUnit(role, t.values()); say != "" {
			notes = append(notes, whole(NoteUnit, say))
		}
		notes = append(notes, t.outOfRange(role, r)...)
	}
	floor := r.spike
	if !known {
		floor = floorShare * (slices.Max(t.values()) - slices.Min(t.values()))
	}
	return append(notes, t.spikes(floor)...)
}

// floorShare of a table's span of values is the smallest lone step worth a note where the role has no range.
const floorShare = 0.05

func whole(kind, say string) Note {
	return Note{Kind: kind, X: math.NaN(), Y: math.NaN(), Value: math.NaN(), Say: say}
}

func (t *Table) note(kind string, j, i int, say string) Note {
	n := Note{Kind: kind, Row: j + 1, Column: i + 1, X: t.X[i], Y: math.NaN(), Value: t.Z[j][i]}
	if len(t.Y) > 0 {
		n.Y = t.Y[j]
	}
	at := fmt.Sprintf("x %g", n.X)
	if len(t.Y) > 0 {
		at += fmt.Sprintf(", y %g", n.Y)
	}
	n.Say = fmt.Sprintf("value %.4g at %s %s", n.Value, at, say)
	return n
}

func (t *Table) values() []float64 { return slices.Concat(t.Z...) }

func (t *Table) outOfRange(role string, r Range) []Note {
	var notes []Note
	for j, row := range t.Z {
		for i, v := range row {
			if v < r.Low || v > r.High {
				notes = append(notes, t.note(NoteRange, j, i, fmt.Sprintf("is outside what a %s table can hold (%g to %g %s)", role, r.Low, r.High, r.Unit)))
			}
		}
	}
	return notes
}

// otherUnit words the suspicion that a table's values are in another unit or of the opposite sign, judged by their
// median; "" when there is none. Common practice, no source.
func otherUnit(role string, values []float64) string {
	m := median(values)
	for _, s := range suspicions {
		if slices.Contains(s.roles, role) && m > s.above && m < s.below {
			return fmt.Sprintf("the median value %.4g looks like %s", m, s.looksLike)
		}
	}
	return ""
}

var suspicions = []struct {
	roles        []string
	above, below float64 // of the median, exclusive
	looksLike    string
}{
	{[]string{RoleSpark}, math.Inf(-1), -5, "degrees after top dead centre; spark is kept as degrees before it"},
	{[]string{RoleSpark}, 60, math.Inf(1), "tenths of a degree or another scale"},
	{[]string{RoleLambda}, 4, 25, "an air–fuel ratio"},
	{[]string{RoleLambda}, 0.03, 0.3, "a fuel–air ratio by mass"},
	{[]string{RoleLambda}, 25, math.Inf(1), "lambda in percent or thousandths"},
	{[]string{RoleBoost}, math.Inf(-1), 0.35, "gauge pressure; boost is kept as kPa absolute"},
	{[]string{RoleBoost}, 0.35, 5, "bar or a pressure ratio; boost is kept as kPa absolute"},
	{[]string{RoleBoost}, 5, 60, "psi; boost is kept as kPa absolute"},
	{[]string{RoleBoost}, 60, 85, "gauge pressure in kPa; boost is kept as kPa absolute"},
	{[]string{RoleBoost}, 400, math.Inf(1), "mbar or hPa; boost is kept as kPa absolute"},
	{[]string{RoleIntakeCam, RoleExhaustCam}, 80, math.Inf(1), "a centreline angle; cams are kept as degrees of advance from the parked position"},
	{[]string{RoleIntakeCam, RoleExhaustCam}, math.Inf(-1), -60, "a centreline angle; cams are kept as degrees of advance from the parked position"},
	{[]string{RoleSpeedLimit}, 0, 20, "thousands of rpm"},
	{[]string{RoleSpeedLimit}, 20, 400, "revolutions a second or a road speed"},
}

// spikeMADs is how many robust standard deviations a lone step must stand out by. Common practice, no source.
const spikeMADs = 6

// madToSD turns the median absolute deviation of a normal sample into its standard deviation (Hampel, JASA 69, 1974;
// from memory).
const madToSD = 1.4826

// spikes finds values that stand out from their neighbours on both axes to the same side. The measure is the second
// difference on uneven breakpoints: the value minus the straight line through its two neighbours (at an edge of a
// two-axis table: through the two values inside it). It is compared with the median absolute deviation of the same
// measure over the table, and with floor. A one-axis table is judged on its inner values only; a two-axis table with
// fewer than three rows or columns is not judged.
func (t *Table) spikes(floor float64) []Note {
	inX := make([][]float64, len(t.Z))
	for j, row := range t.Z {
		inX[j] = secondDifferences(t.X, row, len(t.Y) > 0)
	}
	if len(t.Z) < 3 {
		if len(t.Y) > 0 {
			return nil // too few rows to tell a spike from a step
		}
		return t.spikesAlong(inX[0], floor)
	}
	stands := make([][]float64, len(t.Z))
	for j := range stands {
		stands[j] = make([]float64, len(t.X))
	}
	for i := range t.X {
		inY := secondDifferences(t.Y, t.column(i), true)
		for j := range t.Z {
			if lone(inX[j], i) && lone(inY, j) {
				stands[j][i] = agreeing(inX[j][i], inY[j])
			}
		}
	}
	limit := max(floor, spikeMADs*madToSD*mad(slices.Concat(inX...)))
	var notes []Note
	for j, row := range stands {
		for i, d := range row {
			if math.Abs(d) > limit && t.largestAround(stands, j, i) {
				notes = append(notes, t.note(NoteSpike, j, i, fmt.Sprintf("stands %+.3g against its neighbours", d)))
			}
		}
	}
	return notes
}

func (t *Table) column(i int) []float64 {
	out := make([]float64, len(t.Z))
	for j := range t.Z {
		out[j] = t.Z[j][i]
	}
	return out
}

// spikesAlong judges a one-axis table by its second differences d. A spike's neighbours deviate by half of it to the
// other side, so only the largest of three counts, and the three are left out of the scale it is compared with. With so
// few values the floor is doubled.
func (t *Table) spikesAlong(d []float64, floor float64) []Note {
	var notes []Note
	for i := 1; i < len(d)-1; i++ {
		a := math.Abs(d[i])
		if a < math.Abs(d[i-1]) || a < math.Abs(d[i+1]) || !lone(d, i) {
			continue
		}
		rest := slices.Concat(d[1:max(1, i-1)], d[min(len(d)-1, i+2):len(d)-1])
		limit := 2 * floor
		if len(rest) > 0 {
			limit = max(limit, spikeMADs*madToSD*mad(rest))
		}
		if a > limit {
			notes = append(notes, t.note(NoteSpike, 0, i, fmt.Sprintf("stands %+.3g against its neighbours", d[i])))
		}
	}
	return notes
}

// secondDifferences returns, for each value, its distance from the line through its neighbours; at the ends from the
// line through the two values inside when ends is set, else 0. All 0 for fewer than three values.
func secondDifferences(axis, v []float64, ends bool) []float64 {
	n := len(v)
	d := make([]float64, n)
	if n < 3 {
		return d
	}
	off := func(i, a, b int) float64 {
		return v[i] - (v[a] + (v[b]-v[a])*(axis[i]-axis[a])/(axis[b]-axis[a]))
	}
	for i := 1; i < n-1; i++ {
		d[i] = off(i, i-1, i+1)
	}
	if ends {
		d[0], d[n-1] = off(0, 1, 2), off(n-1, n-2, n-3)
	}
	return d
}

// lone tells a spike from a knee by the second differences d around it: a value that stands alone bends its
// neighbours the other way, by about half its own height each on even breakpoints, while a knee leaves them straight.
// A quarter is asked for. Ends do not count as neighbours; without any inner one nothing can be told and the value
// passes as lone.
func lone(d []float64, i int) bool {
	sum, inner := 0.0, false
	for _, k := range []int{i - 1, i + 1} {
		if k >= 1 && k <= len(d)-2 {
			sum, inner = sum+d[k], true
		}
	}
	return !inner || sum*d[i] <= -d[i]*d[i]/4
}

// agreeing returns the smaller of two deviations to the same side, 0 when they disagree.
func agreeing(a, b float64) float64 {
	switch {
	case a > 0 && b > 0:
		return min(a, b)
	case a < 0 && b < 0:
		return max(a, b)
	}
	return 0
}

func (t *Table) largestAround(v [][]float64, j, i int) bool {
	for r := max(0, j-1); r <= min(len(v)-1, j+1); r++ {
		for c := max(0, i-1); c <= min(len(v[r])-1, i+1); c++ {
			if math.Abs(v[r][c]) > math.Abs(v[j][i]) {
				return false
			}
		}
	}
	return true
}

// mad is the median absolute deviation from the median.
func mad(v []float64) float64 {
	m := median(v)
	d := make([]float64, len(v))
	for i := range v {
		d[i] = math.Abs(v[i] - m)
	}
	return median(d)
}

// median of at least one value.
func median(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	n := len(s)
	return s[(n-1)/2] + (s[n/2]-s[(n-1)/2])/2
}
