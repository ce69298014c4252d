package state

import (
	"cmp"
	"slices"

	"headroom/models/channel"
)

// GapKind says why the effect of a change could not be computed.
type GapKind string

// Kinds of gap.
const (
	OneSided      GapKind = "one_sided"          // only one of two calibrations has the table
	AxisNotLogged GapKind = "axis_not_logged"    // the table is read by a channel that the judged logs lack
	NoPressure    GapKind = "no_pressure"        // manifold pressure is neither logged nor to be had from load
	CamNotLogged  GapKind = "cam_not_logged"     // the cam table changes and no log says where the cam stood
	CamMoved      GapKind = "cam_moved"          // its effect on filling and residual gas is not computed
	NotSettled    GapKind = "not_settled"        // boost and load do not settle on one another
	TableAdded    GapKind = "table_added"        // of a role whose effect is not computed
	TableChanged  GapKind = "table_changed"      // of a role whose effect is not computed
	UnknownAxis   GapKind = "axis_not_supported" // the table is read by a channel that no logged pull can know
)

// Unread reports whether judged states cannot look the table up.
func (k GapKind) Unread() bool { return k == AxisNotLogged || k == NoPressure || k == UnknownAxis }

// Gap is a change of a table whose effect was not computed.
type Gap struct {
	Kind     GapKind    `json:"kind"`
	Role     string     `json:"role"`     // of the table
	Name     string     `json:"name"`     // of the table, where its role is not modelled
	Revision string     `json:"revision"` // it is about (OneSided: that lacks it), "" for the one under review
	Other    string     `json:"other"`    // the calibration that has it, OneSided only
	Axis     channel.ID `json:"axis"`     // UnknownAxis only
}

// Gaps sorts gaps and drops what is said twice.
func Gaps(all []Gap) []Gap {
	out := slices.Clone(all)
	slices.SortFunc(out, func(a, b Gap) int {
		return cmp.Or(cmp.Compare(a.Role, b.Role), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Kind, b.Kind),
			cmp.Compare(a.Revision, b.Revision),
			cmp.Compare(a.Other, b.Other), cmp.Compare(a.Axis, b.Axis))
	})
	return slices.Compact(out)
}
