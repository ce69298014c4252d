package state

import (
	"math"

	"headroom/internal/evidence"
	"headroom/models/value"
)

// Control units take spark out by themselves as charge gets hot, beside the tables of a revision. What they took in a
// log is in its measured spark; a pull that is moved to hotter charge loses more, one moved to colder less. Logs of the
// same cells on days of other warmth tell how much.

// HeatLine is the spark that control units take out for heat: PerK degrees a kelvin of charge temperature above From,
// °C. The zero value takes none.
type HeatLine struct {
	From, PerK float64
	Readings   int // behind it
}

// taken is the spark taken out at a charge temperature, degrees; 0 where that is not known.
func (h HeatLine) taken(charge float64) float64 {
	return h.PerK * value.Or(math.Max(0, charge-h.From), 0)
}

// heatSure is how many standard errors a line must lie from none to be taken for one: more than the best of the tried
// knees reaches by chance (TestNoHeatLine); common practice, no source.
const heatSure = 5

// Knees that are tried, °C charge temperature.
const (
	firstKnee = 20
	lastKnee  = 70
	kneeStep  = 5
)

// heatReading is how far a row's commanded spark lies from its table, degrees, at a charge temperature, °C.
type heatReading struct {
	cell, pull     int
	charge, beside float64
}

// HeatLineOf fits the line to logged spark less that of the tables it was logged on: least squares within the cells of
// each car's calibrations, so that only the same place on other days or later in a run counts, over a row of knees
// (broken-line regression: Hinkley, J. Amer. Statist. Assoc. 66, 1971; from memory). Its error counts pulls, not rows
// (cluster-robust: Liang and Zeger, Biometrika 73, 1986). A line that gives spark for heat is none.
func (p *Platform) HeatLineOf(rows []evidence.Row) HeatLine {
	type place struct {
		car, revision string
		cell          CellKey
	}
	cells, pulls := evidence.NewIndex[place](), evidence.NewIndex[string]()
	var all []heatReading
	for i := range rows {
		r := &rows[i]
		if r.Kind != evidence.KindPull {
			continue
		}
		s := stateAt(r, &r.Bound)
		if d := s.Spark - p.tableValue("spark", &s); value.Known(d) && value.Known(s.Charge) {
			cell := cells.Of(place{r.Vehicle, r.Revision, p.CellOf(&s)})
			all = append(all, heatReading{cell, pulls.Of(s.Pull), s.Charge, d})
		}
	}
	best, most, sure := HeatLine{}, 0.0, 0.0
	for knee := firstKnee; knee <= lastKnee; knee += kneeStep {
		perK, explained, z := heatAt(all, float64(knee), len(cells.Keys), len(pulls.Keys))
		if explained > most {
			best, most, sure = HeatLine{From: float64(knee), PerK: perK, Readings: len(all)}, explained, z
		}
	}
	if !(sure > heatSure) {
		return HeatLine{}
	}
	return best
}

// heatAt is the spark taken out a kelvin above a knee, the squares that this explains, and its standard errors from 0.
func heatAt(all []heatReading, knee float64, cells, pulls int) (perK, explained, z float64) {
	n, hot, beside := make([]float64, cells), make([]float64, cells), make([]float64, cells)
	for _, r := range all {
		n[r.cell]++
		hot[r.cell] += math.Max(0, r.charge-knee)
		beside[r.cell] += r.beside
	}
	within := func(r *heatReading) (x, y float64) {
		return math.Max(0, r.charge-knee) - hot[r.cell]/n[r.cell], r.beside - beside[r.cell]/n[r.cell]
	}
	xx, xy := 0.0, 0.0
	for i := range all {
		x, y := within(&all[i])
		xx, xy = xx+x*x, xy+x*y
	}
	if xx == 0 {
		return 0, 0, 0
	}
	scores := make([]float64, pulls)
	for i := range all {
		x, y := within(&all[i])
		scores[all[i].pull] += x * (y - x*xy/xx)
	}
	squares := 0.0
	for _, s := range scores {
		squares += s * s
	}
	return -xy / xx, xy * xy / xx, -xy / math.Sqrt(squares)
}

// WithHeat is the platform with what its control units take out for heat.
func (p *Platform) WithHeat(h HeatLine) *Platform {
	out := *p
	out.Heat = h
	return &out
}

// heated takes from a state's spark what its control unit takes out beyond what it did at another charge temperature.
func (p *Platform) heated(s *State, was float64) {
	s.Spark -= p.Heat.taken(s.Charge) - p.Heat.taken(was)
}
