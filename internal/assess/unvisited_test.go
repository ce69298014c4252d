package assess

import (
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/fleettest"
)

// Of the pulls of another gear the share that goes to a cell is told, of the judged pulls' own gear nothing.
func TestOtherGear(t *testing.T) {
	j := openJob(t, fleettest.Marlins(t))
	m, err := j.Model("marlin-25t")
	if err != nil {
		t.Fatal(err)
	}
	all, err := j.Evidence("marlin-25t")
	if err != nil {
		t.Fatal(err)
	}
	pulls := evidence.PullRows(all)
	class, at := m.FuelClass(pulls[0].Fuel), m.Read(pulls[0])
	cell := m.CellOf(&at)
	var rows []evidence.Row
	log := func(gear float64, pull int32, there bool) {
		r := *pulls[0]
		r.Gear, r.Segment = gear, pull
		if !there {
			r.Bound.RPM *= 2
		}
		rows = append(rows, r)
	}
	for i := range int32(5) {
		log(3, i, true)
		log(4, 10+i, i == 0) // 1 of 5
	}
	log(4, 10, true) // another cell's row of the pull that was there
	for i := range int32(4) {
		log(5, 20+i, i < 2) // 2 of 4
	}
	there := []UnvisitedPlace{{Cell: m.Cell(cell)}}
	of := m.gearsOf(&bench{}, rows, class, there)
	of.judged = 3
	if got := of.other(cell); got == nil || *got != (GearShare{Gear: 5, Pulls: 2, OfPulls: 4}) {
		t.Errorf("%+v", got)
	}
	of.judged = 5
	if got := of.other(cell); got == nil || *got != (GearShare{Gear: 3, Pulls: 5, OfPulls: 5}) {
		t.Errorf("%+v", got)
	}
	if got := m.gearsOf(&bench{}, rows, "another class", there).other(cell); got != nil {
		t.Errorf("of another fuel: %+v", got)
	}
}
