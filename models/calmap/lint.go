package calmap

import (
	"fmt"
	"math"
	"slices"

	"headroom/models/value"
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
	Value       float64 // of a unit note the median of the table; NaN for a shape
	LooksLike   string  // of a unit note the unit or quantity that the values look like
	Say         string  // one plain sentence, in the stored unit
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
		if n, ok := otherUnit(role, t.values()); ok {
			notes = append(notes, n)
		}
		notes = append(notes, t.outOfRange(role, r)...)
	}
	for _, p := range t.Spikes(role, nil) {
		notes = append(notes, t.note(NoteSpike, p.Row-1, p.Column-1, fmt.Sprintf("stands %+.3g against its "+
			"neighbours", p.Stands)))
	}
	return notes
}

// floorShare of a table's span of values is the smallest lone step worth a note where the role has no range.
const floorShare = 0.05

func whole(kind, say string) Note {
	return Note{Kind: kind, X: math.NaN(), Y: math.NaN(), Value: math.NaN(), Say: say}
}

func (t *Table) note(kind string, j, i int, say string) Note {
	n := Note{Kind: kind, Row: j + 1, Column: i + 1, X: t.X[i], Y: t.yAt(j), Value: t.Z[j][i]}
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
				notes = append(notes, t.note(NoteRange, j, i, fmt.Sprintf("is outside what a %s table can hold (%g "+
					"to %g %s)", role, r.Low, r.High, r.Unit)))
			}
		}
	}
	return notes
}

// otherUnit is the suspicion that a table's values are in another unit or of the opposite sign, judged by their median;
// false when there is none. Common practice, no source.
func otherUnit(role string, values []float64) (Note, bool) {
	m := value.Median(values)
	if role == RoleBoost {
		if looksLike := gauge(values); looksLike != "" {
			n := whole(NoteUnit, fmt.Sprintf("values down to %.4g look like %s; %s", slices.Min(values), looksLike,
				boostKept))
			n.Value, n.LooksLike = m, looksLike
			return n, true
		}
	}
	for _, s := range suspicions {
		if slices.Contains(s.roles, role) && m > s.above && m < s.below {
			n := whole(NoteUnit, fmt.Sprintf("the median value %.4g looks like %s", m, s.looksLike))
			if s.kept != "" {
				n.Say += "; " + s.kept
			}
			n.Value, n.LooksLike = m, s.looksLike
			return n, true
		}
	}
	return Note{}, false
}

// gauge says which gauge pressure a boost table's values look like, "" for none. Absolute pressures of a running engine
// are never near 0 in any unit, while a gauge table is there, or below, wherever the throttle or the turbine does
// nothing; the largest value tells the unit. A lone value may be a slip. Common practice, no source.
func gauge(values []float64) string {
	top := slices.Max(values)
	least, looksLike := 3.0, "gauge pressure"
	switch {
	case top <= 4:
		least, looksLike = 0.1, "gauge pressure in bar"
	case top <= 40:
		looksLike = "gauge pressure in psi"
	}
	low := 0
	for _, v := range values {
		if v < least {
			low++
		}
	}
	if low < 2 || 10*low < len(values) {
		return ""
	}
	return looksLike
}

const (
	boostKept = "boost is kept as kPa absolute"
	camsKept  = "cams are kept as degrees of advance from the parked position"
)

var suspicions = []struct {
	roles        []string
	above, below float64 // of the median, exclusive
	looksLike    string
	kept         string // how values of the role are kept, "" where that helps nobody
}{
	{[]string{RoleSpark}, math.Inf(-1), -5, "degrees after top dead centre", "spark is kept as degrees before it"},
	{[]string{RoleSpark}, 60, math.Inf(1), "tenths of a degree or another scale", ""},
	{[]string{RoleLambda}, 4, 25, "an air–fuel ratio", ""},
	{[]string{RoleLambda}, 0.03, 0.3, "a fuel–air ratio by mass", ""},
	{[]string{RoleLambda}, 25, math.Inf(1), "lambda in percent or thousandths", ""},
	{[]string{RoleBoost}, math.Inf(-1), 0.35, "gauge pressure", boostKept},
	{[]string{RoleBoost}, 0.35, 5, "bar or a pressure ratio", boostKept},
	{[]string{RoleBoost}, 5, 60, "psi", boostKept},
	{[]string{RoleBoost}, 400, math.Inf(1), "mbar or hPa", boostKept},
	{[]string{RoleIntakeCam, RoleExhaustCam}, 80, math.Inf(1), "a centreline angle", camsKept},
	{[]string{RoleIntakeCam, RoleExhaustCam}, math.Inf(-1), -60, "a centreline angle", camsKept},
	{[]string{RoleSpeedLimit}, 0, 20, "thousands of rpm", ""},
	{[]string{RoleSpeedLimit}, 20, 400, "revolutions a second or a road speed", ""},
}

// spikeMADs is how many robust standard deviations a lone step must stand out by. Common practice, no source.
const spikeMADs = 6

// madToSD turns the median absolute deviation of a normal sample into its standard deviation (Hampel, JASA 69, 1974;
// from memory).
const madToSD = 1.4826

// Spike is a value that stands alone against its neighbours.
type Spike struct {
	Row, Column int     // of the value, counted from 1 without the breakpoints
	X, Y        float64 // its breakpoint; Y is NaN in a one-axis table
	Value       float64
	Neighbours  [2]float64 // lowest and highest of the values beside it on either axis
	Stands      float64    // how far it stands out, positive upwards
	WasStanding float64    // how far the parent stands out at the same breakpoint; NaN without a parent
}

// New reports whether the spike is the child's doing: the parent stands out less than half as far to the same side at
// that breakpoint, or there is no parent. Common practice, no source.
func (s Spike) New() bool { return !(s.WasStanding/s.Stands >= 0.5) }

// Spikes finds values that stand out from their neighbours on both axes to the same side, and how far the parent (nil
// for none), read at the same breakpoints, stands out there. The measure is the second difference on uneven
// breakpoints: the value minus the straight line through its two neighbours (at an edge of a two-axis table: through
// the two values inside it), of both axes the smaller one. It is compared with the median absolute deviation of the
// same measure over the table, and with the smallest lone step worth a note for the role. A one-axis table is judged on
// its inner values only; a two-axis table with fewer than three rows or columns is not judged. Unusable tables have
// none. Order: row by row.
func (t *Table) Spikes(role string, parent *Table) []Spike {
	if t.Check() != nil {
		return nil
	}
	stands, inX := t.standing()
	was := t.standingOf(parent)
	var out []Spike
	for _, p := range t.spikePlaces(stands, inX, t.spikeFloor(role)) {
		j, i := p[0], p[1]
		s := Spike{Row: j + 1, Column: i + 1, X: t.X[i], Y: t.yAt(j), Value: t.Z[j][i], Neighbours: t.neighbours(j, i),
			Stands: stands[j][i], WasStanding: math.NaN()}
		if was != nil {
			s.WasStanding = was[j][i]
		}
		out = append(out, s)
	}
	return out
}

// spikeFloor is the smallest lone step worth a note.
func (t *Table) spikeFloor(role string) float64 {
	if r, known := RangeOf(role); known {
		return r.spike
	}
	return floorShare * (slices.Max(t.values()) - slices.Min(t.values()))
}

// standing is how far each value stands out, 0 where its two axes disagree or it is part of a knee, and the second
// differences along x.
func (t *Table) standing() (stands, inX [][]float64) {
	stands, inX = make([][]float64, len(t.Z)), make([][]float64, len(t.Z))
	for j, row := range t.Z {
		stands[j] = make([]float64, len(t.X))
		inX[j] = secondDifferences(t.X, row, len(t.Y) > 0)
	}
	if len(t.Y) == 0 {
		for i := range t.X {
			if lone(t.X, inX[0], i) {
				stands[0][i] = inX[0][i]
			}
		}
		return stands, inX
	}
	for i := range t.X {
		inY := secondDifferences(t.Y, t.column(i), true)
		for j := range t.Z {
			if lone(t.X, inX[j], i) && lone(t.Y, inY, j) {
				stands[j][i] = agreeing(inX[j][i], inY[j])
			}
		}
	}
	return stands, inX
}

// standingOf is how far another table, read at t's breakpoints, stands out at each of them; nil for one that cannot be
// read there.
func (t *Table) standingOf(other *Table) [][]float64 {
	if other.Check() != nil || len(t.Y) == 0 && len(other.Y) > 0 {
		return nil
	}
	read := &Table{X: t.X, Y: t.Y, Z: make([][]float64, len(t.Z))}
	for j := range t.Z {
		y := 0.0
		if len(t.Y) > 0 {
			y = t.Y[j]
		}
		for _, x := range t.X {
			read.Z[j] = append(read.Z[j], other.At(x, y))
		}
	}
	stands, _ := read.standing()
	return stands
}

// spikePlaces lists row and column of the spikes. Fewer than three rows or columns of a two-axis table cannot tell a
// spike from a step: they have no second difference, so none stands out.
func (t *Table) spikePlaces(stands, inX [][]float64, floor float64) [][2]int {
	if len(t.Y) == 0 {
		return spikesAlong(t.X, inX[0], floor)
	}
	limit := max(floor, spikeMADs*madToSD*mad(slices.Concat(inX...)))
	var out [][2]int
	for j, row := range stands {
		for i, d := range row {
			if math.Abs(d) > limit && largestAround(stands, j, i) {
				out = append(out, [2]int{j, i})
			}
		}
	}
	return out
}

// neighbours is the span of the values beside one on either axis; the value itself where it is the only one.
func (t *Table) neighbours(j, i int) [2]float64 {
	var beside []float64
	for _, at := range [][2]int{{j, i - 1}, {j, i + 1}, {j - 1, i}, {j + 1, i}} {
		if at[0] >= 0 && at[0] < len(t.Z) && at[1] >= 0 && at[1] < len(t.X) {
			beside = append(beside, t.Z[at[0]][at[1]])
		}
	}
	if len(beside) == 0 {
		return [2]float64{t.Z[j][i], t.Z[j][i]}
	}
	return [2]float64{slices.Min(beside), slices.Max(beside)}
}

func (t *Table) column(i int) []float64 {
	out := make([]float64, len(t.Z))
	for j := range t.Z {
		out[j] = t.Z[j][i]
	}
	return out
}

// spikesAlong lists row and column of the spikes of a one-axis table by its second differences d. A spike's neighbours
// deviate by half of it to the other side, so only the largest of three counts, and the three are left out of the scale
// it is compared with. With so few values the floor is doubled.
func spikesAlong(axis, d []float64, floor float64) [][2]int {
	var out [][2]int
	for i := 1; i < len(d)-1; i++ {
		a := math.Abs(d[i])
		if a < math.Abs(d[i-1]) || a < math.Abs(d[i+1]) || !lone(axis, d, i) {
			continue
		}
		rest := slices.Concat(d[1:max(1, i-1)], d[min(len(d)-1, i+2):len(d)-1])
		limit := 2 * floor
		if len(rest) > 0 {
			limit = max(limit, spikeMADs*madToSD*mad(rest))
		}
		if a > limit {
			out = append(out, [2]int{0, i})
		}
	}
	return out
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

// lone tells a spike from a knee and from the edge of a raised block by the second differences d around it: a value
// that stands alone bends each neighbour the other way, by the weight it has in that neighbour's line (half of its
// height on even breakpoints), while a knee and the inner side of an edge leave theirs straight. A quarter of that is
// asked for. Ends do not count as neighbours; without any inner one nothing can be told and the value passes as lone.
func lone(axis, d []float64, i int) bool {
	for _, k := range []int{i - 1, i + 1} {
		if k < 1 || k > len(d)-2 {
			continue
		}
		far := 2*k - i // the neighbour's other neighbour
		weight := (axis[k] - axis[far]) / (axis[i] - axis[far])
		if d[k]*d[i] > -weight*d[i]*d[i]/4 {
			return false
		}
	}
	return true
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

func largestAround(v [][]float64, j, i int) bool {
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
	m := value.Median(v)
	d := make([]float64, len(v))
	for i := range v {
		d[i] = math.Abs(v[i] - m)
	}
	return value.Median(d)
}
