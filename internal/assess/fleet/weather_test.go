package fleet

import (
	"fmt"
	"math"
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
)

// How far blends stray from their names is read from days of blends alone, whatever the named share; ten days that
// lie 1 to 10 points below theirs put the one in fifty at the lowest (definition 5 of Hyndman and Fan, 1996: R's
// quantile(-(1:10), 0.02, type = 5) is -10).
func TestWeakBlends(t *testing.T) {
	p := platformWith(t, "direct", func(*workspace.Platform) {})
	var rows []evidence.Row
	for day := range 10 {
		r := wholeRow()
		r.Vehicle, r.Date, r.Fuel = fmt.Sprint("car-", day%3), fmt.Sprintf("2026-03-%02d", day+1), "blend-30"
		r.Ethanol = 30 - float64(day+1)
		pump := *wholeRow()
		pump.Date, pump.Ethanol = r.Date, 2
		rows = append(rows, *r, pump)
	}
	w, err := weatherOf(p, rows)
	if err != nil {
		t.Fatal(err)
	}
	if !w.Blends.Known() || w.Blends.Count != 10 || math.Abs(w.Blends.Quantile(0.02)+10) > 1e-9 {
		t.Errorf("%+v", w.Blends)
	}
	if w, err = weatherOf(p, rows[:10]); err != nil || w.Blends.Known() {
		t.Errorf("of five days: %+v", w.Blends)
	}
}
