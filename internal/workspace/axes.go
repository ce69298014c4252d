package workspace

import (
	"fmt"
	"slices"

	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/unit"
)

// wrongAxes says what is wrong with the axes of a table as it is written, and what mends it, where the breakpoints
// alone give it away: the two axes are exchanged, or one is in another unit than revision.yaml states. What only a
// parent or logs can tell is for the assessment.
func wrongAxes(t *TableRef, written *calmap.Table, conv conversion) (what, remedy string) {
	if t.Y != nil && exchanged(t, written, conv) {
		return fmt.Sprintf("the axes look exchanged: x, said to be %s, runs from %g to %g, and y, said to be %s, from "+
				"%g to %g", t.X.Channel, written.X[0], written.X[len(written.X)-1], t.Y.Channel, written.Y[0],
				written.Y[len(written.Y)-1]),
			fmt.Sprintf("swap rows and columns, or say x: %s and y: %s", t.Y.Channel, t.X.Channel)
	}
	if s := axisSuspicion(t.X.Channel, stored(written.X, conv.x)); s != nil {
		return s.what("x", t.X, written.X), s.remedy("x")
	}
	if t.Y == nil {
		return "", ""
	}
	if s := axisSuspicion(t.Y.Channel, stored(written.Y, conv.y)); s != nil {
		return s.what("y", *t.Y, written.Y), s.remedy("y")
	}
	return "", ""
}

// exchanged reports whether each axis can only be the other: read as the other in the other's unit both have values
// that their channels can have, and as they are written one of them does not.
func exchanged(t *TableRef, written *calmap.Table, conv conversion) bool {
	return plausible(t.Y.Channel, stored(written.X, conv.y)) && plausible(t.X.Channel, stored(written.Y, conv.x)) &&
		!(plausible(t.X.Channel, stored(written.X, conv.x)) && plausible(t.Y.Channel, stored(written.Y, conv.y)))
}

func stored(axis []float64, to func(float64) float64) []float64 {
	out := slices.Clone(axis)
	for i := range out {
		if to != nil {
			out[i] = to(out[i])
		}
	}
	return out
}

func plausible(id channel.ID, axis []float64) bool {
	return !slices.ContainsFunc(axis, func(v float64) bool { return !id.Plausible(v) })
}

// suspicion is another unit that an axis can only be in.
type suspicion struct {
	quantity     unit.Quantity
	above, below float64 // of the last breakpoint in the stored unit, as a share of the channel's largest reading
	looksLike    string
	write        string // the unit to state, "" where it is the stored one
}

// suspicions of axes. An axis that ends below the first share ends where no engine is driven, at a speed that none
// turns, and one that ends above the last lies past anything that can be logged. Common practice, no source.
var suspicions = []suspicion{
	{unit.RotationalSpeed, 0.5 / 12000, 20.0 / 12000, "thousands of rpm", "krpm"},
	{unit.RotationalSpeed, 10, 10000, "plain rpm", ""},
	{unit.Ratio, 0.002, 0.01, "a fraction of 1, not in percent", "fraction"},
	{unit.Ratio, 10, 1000, "in percent, not a fraction of 1", ""},
	{unit.Pressure, 0.0005, 0.01, "bar", "bar absolute"},
}

// maySmall are channels whose axes may well end at a hundredth of their largest reading.
var maySmall = []channel.ID{channel.ShortTermTrim, channel.LongTermTrim, channel.RailPressure,
	channel.RailPressureTarget, channel.EthanolShare}

// axisSuspicion is the other unit that breakpoints, in the stored unit, can only be in; nil for none. A single
// breakpoint rules everywhere whatever it says.
func axisSuspicion(id channel.ID, axis []float64) *suspicion {
	d, ok := channel.Lookup(id)
	if !ok || len(axis) < 2 || slices.Contains(maySmall, id) {
		return nil
	}
	last := axis[len(axis)-1]
	for i := range suspicions {
		s := &suspicions[i]
		if d.Unit.Quantity() == s.quantity && last > s.above*d.Max && last <= s.below*d.Max {
			return s
		}
	}
	return nil
}

func (s *suspicion) what(name string, a Axis, written []float64) string {
	return fmt.Sprintf("the %s axis (%s) runs from %g to %g %s: it looks like %s", a.Channel, name, written[0],
		written[len(written)-1], a.Unit, s.looksLike)
}

func (s *suspicion) remedy(axis string) string {
	d := "write the breakpoints in the unit that is stated, or state the unit they are in"
	if s.write == "" {
		return d + " for " + axis
	}
	return fmt.Sprintf("%s (unit: %s) for %s", d, s.write, axis)
}
