package fleet

import (
	"math"
	"slices"
	"sort"

	"headroom/internal/assess/state"
	"headroom/models/cycle"
	"headroom/models/knock"
	"headroom/models/value"
)

// KnockShape is how the knock limit of the cycle model moves with each covariate at each state: its slopes are not the
// same over the map. The limit is taken on the level of the reference, where the engine is driven. Degrees, against the
// reference of the covariate at the same speed and, but for charge, load; empty where the model gives none.
type KnockShape struct {
	RPM      []float64                        `json:"rpm"`       // nodes, rising
	LnCharge []float64                        `json:"ln_charge"` // nodes, of ln(load ÷ reference load), rising
	Charge   [][]float64                      `json:"charge"`    // [speed][charge]
	Nodes    [knock.NumCovariates][]float64   `json:"nodes"`     // of the other covariates' differences, rising
	Limits   [knock.NumCovariates][][]float64 `json:"limits"`    // [speed × charge][node]
}

// shapeNodes is the number of nodes over speed and over charge.
const shapeNodes = 9

// ownAxes are the covariates besides charge that the cycle model follows at each speed and charge.
var ownAxes = []int{knock.ChargeTemperature, knock.OctaneIndex, knock.Lambda, knock.CoolantTemperature}

// axisWidths is what a covariate is followed over at least on each side of its reference, so that a revision, a day or
// a fuel somewhat outside of the logs is still inside: about what a shop's tables, seasons and pumps differ by; common
// practice, no source.
var axisWidths = map[int]float64{knock.ChargeTemperature: 25, knock.OctaneIndex: 4, knock.Lambda: 0.06,
	knock.CoolantTemperature: 10}

// shapeOf computes the shape over where states are; in is the reference.
func (f *Fleet) shapeOf(states []*state.State, in cycle.State) KnockShape {
	scale, err := f.Cycle.ScaleDelay(in)
	if err != nil {
		return KnockShape{}
	}
	config := f.Cycle.Config()
	config.DelayScale = scale
	engine, err := cycle.New(config)
	if err != nil {
		return KnockShape{}
	}
	var rpm, charge []float64
	var own [knock.NumCovariates][]float64
	for _, s := range states {
		rpm, charge = append(rpm, s.RPM), append(charge, math.Log(s.Load/f.KnockRef.Load))
		z := f.differences(s)
		for _, k := range ownAxes {
			own[k] = append(own[k], z[k])
		}
	}
	shape := KnockShape{RPM: evenNodes(rpm), LnCharge: withZero(evenNodes(charge))}
	for _, k := range ownAxes {
		shape.Nodes[k] = ownNodes(own[k], axisWidths[k])
	}
	if !shape.compute(engine, in) {
		return KnockShape{}
	}
	return shape
}

// evenNodes are shapeNodes between the ends of values.
func evenNodes(values []float64) []float64 {
	low, high := slices.Min(values), slices.Max(values)
	if !(high > low) {
		return []float64{low}
	}
	out := make([]float64, shapeNodes)
	for i := range out {
		out[i] = low + (high-low)*float64(i)/(shapeNodes-1)
	}
	return out
}

// withZero puts a node on the reference, in place of one that is all but there.
func withZero(nodes []float64) []float64 {
	const near = 1e-3
	nodes = slices.DeleteFunc(slices.Clone(nodes), func(x float64) bool { return math.Abs(x) < near })
	at, _ := slices.BinarySearch(nodes, 0)
	return slices.Insert(nodes, at, 0)
}

// ownNodes are two nodes on each side of the reference, out to the values' ends or the least width.
func ownNodes(values []float64, width float64) []float64 {
	low, high := math.Min(slices.Min(values), -width), math.Max(slices.Max(values), width)
	return []float64{low, low / 2, 0, high / 2, high}
}

// compute fills the limits; it reports whether the model has a limit at the reference of every speed.
func (s *KnockShape) compute(engine *cycle.Engine, in cycle.State) bool {
	at := func(rpm, charge float64) cycle.State {
		moved := in
		moved.RPM = rpm
		moved.AirMass *= math.Exp(charge)
		moved.ManifoldPressure *= math.Exp(charge)
		return moved
	}
	limit := func(c cycle.State) float64 {
		spark, err := engine.KnockLimitedSpark(c)
		if err != nil {
			return math.NaN()
		}
		return spark
	}
	for _, k := range ownAxes {
		s.Limits[k] = make([][]float64, 0, len(s.RPM)*len(s.LnCharge))
	}
	zero := slices.Index(s.LnCharge, 0)
	for _, rpm := range s.RPM {
		base := make([]float64, len(s.LnCharge))
		for j, charge := range s.LnCharge {
			base[j] = limit(at(rpm, charge))
		}
		if !value.Known(base[zero]) {
			return false
		}
		for _, k := range ownAxes {
			column := make([][]float64, len(s.LnCharge))
			for j, charge := range s.LnCharge {
				here := at(rpm, charge)
				here.Spark = base[j]
				column[j] = make([]float64, len(s.Nodes[k]))
				for n, d := range s.Nodes[k] {
					column[j][n] = math.NaN()
					if value.Known(base[j]) {
						column[j][n] = limit(moved(here, k, d)) - base[j]
					}
				}
				straighten(s.Nodes[k], column[j])
			}
			s.Limits[k] = append(s.Limits[k], nearestKnown(column, zero)...)
		}
		for j := range base {
			if j != zero {
				base[j] -= base[zero]
			}
		}
		base[zero] = 0
		straighten(s.LnCharge, base)
		s.Charge = append(s.Charge, base)
	}
	for _, k := range ownAxes {
		for _, column := range s.Limits[k] {
			if !value.AllKnown(column...) {
				return false
			}
		}
	}
	for _, base := range s.Charge {
		if !value.AllKnown(base...) {
			return false
		}
	}
	return true
}

// moved is a cycle state with a covariate moved.
func moved(c cycle.State, k int, by float64) cycle.State {
	switch k {
	case knock.ChargeTemperature:
		c.ChargeTemperature += by
	case knock.OctaneIndex:
		c.Octane += by
	case knock.Lambda:
		c.Lambda += by
	case knock.CoolantTemperature:
		c.CoolantTemperature += by
	}
	return c
}

// straighten puts values that are not known, outside of those that are, on the straight line of the two nearest.
func straighten(nodes, values []float64) {
	zero := slices.Index(nodes, 0)
	line := func(i, a, b int) {
		values[i] = values[a] + (values[b]-values[a])/(nodes[b]-nodes[a])*(nodes[i]-nodes[a])
	}
	for i := zero - 1; i >= 0; i-- {
		if !value.Known(values[i]) && i+2 < len(nodes) {
			line(i, i+1, i+2)
		}
	}
	for i := zero + 1; i < len(nodes); i++ {
		if !value.Known(values[i]) && i >= 2 {
			line(i, i-1, i-2)
		}
	}
}

// nearestKnown gives a charge at which the model has no limit the column of the next one towards the reference.
func nearestKnown(columns [][]float64, zero int) [][]float64 {
	for j := zero - 1; j >= 0; j-- {
		if !value.AllKnown(columns[j]...) {
			columns[j] = columns[j+1]
		}
	}
	for j := zero + 1; j < len(columns); j++ {
		if !value.AllKnown(columns[j]...) {
			columns[j] = columns[j-1]
		}
	}
	return columns
}

// between are the segment of nodes that x is read in and how far along it: held at the ends, or beyond them along the
// end's line.
func between(nodes []float64, x float64, hold bool) (i int, t float64) {
	if len(nodes) < 2 {
		return 0, 0
	}
	i = min(max(sort.SearchFloat64s(nodes, x)-1, 0), len(nodes)-2)
	t = (x - nodes[i]) / (nodes[i+1] - nodes[i])
	if hold {
		t = math.Min(math.Max(t, 0), 1)
	}
	return i, t
}

// line reads values over nodes.
func line(values []float64, i int, t float64) float64 {
	if len(values) < 2 {
		return values[0]
	}
	return values[i] + t*(values[i+1]-values[i])
}

// moves is how many degrees the limit moves for the differences of a state, in place of slope × difference.
func (s *KnockShape) moves(rpm float64, z *[knock.NumCovariates]float64, slopes *[knock.NumCovariates]float64) {
	if len(s.RPM) == 0 {
		return
	}
	r, tr := between(s.RPM, rpm, true)
	along := func(read func(r int) float64) float64 {
		if tr == 0 {
			return read(r)
		}
		return read(r) + tr*(read(r+1)-read(r))
	}
	charge := z[knock.LnCharge]
	for _, k := range ownAxes {
		if slopes[k] == 0 || z[k] == 0 {
			continue
		}
		c, tc := between(s.LnCharge, charge, true)
		n, tn := between(s.Nodes[k], z[k], false)
		z[k] = along(func(r int) float64 {
			row := s.Limits[k][r*len(s.LnCharge):]
			low := line(row[c], n, tn)
			if tc == 0 {
				return low
			}
			return low + tc*(line(row[c+1], n, tn)-low)
		}) / slopes[k]
	}
	if slopes[knock.LnCharge] != 0 {
		c, tc := between(s.LnCharge, charge, false)
		z[knock.LnCharge] = along(func(r int) float64 { return line(s.Charge[r], c, tc) }) / slopes[knock.LnCharge]
	}
}
