package knock

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Quadrature of Silence: steps of the shared offset, in its standard deviations, and nodes over a pull's effect.
const (
	silenceReach = 8.0
	silenceStep  = 0.25
	silenceNodes = 11
)

// Silence returns the chance, 0–1, that a log of these pulls shows no rise of retard in any cell although knock is
// listened for: each cell as if it had been clean at its Lower, as score says of a clean row, pulls and cells
// independent given the car. carID as in Model.Joint: "" asks of a car the fit has not seen. What is not known of
// parameters and car is taken to err to the same side in all cells, which makes silence the likeliest; false events are
// not counted on. So a small value speaks against a log that heard, a large one says nothing. 1 without a cell that
// bounds the limit. Derived from the censored model (package comment); the comonotone error is common practice, no
// source.
func (m *Model) Silence(carID string, pulls []Pull) float64 {
	core := m.CellSD / math.Sqrt(1+m.TailShare*(TailScale*TailScale-1))
	res := residual{sd: core, inv: 1 / core, tail: m.TailShare}
	listened := m.listened(carID, pulls)
	over := hermite(silenceNodes)
	given := func(t float64) float64 {
		chance := 1.0
		for _, cells := range listened {
			sum := 0.0
			for k, w := range over.x {
				like := math.Exp(over.logW[k] - w*w/2)
				for i := range cells {
					like *= cells[i].like(cells[i].eta+cells[i].sd*t+m.PullSD*w, &res)
				}
				sum += like
			}
			chance *= sum
		}
		return chance
	}
	total, weight := 0.0, 0.0
	for t := -silenceReach; t <= silenceReach+silenceStep/2; t += silenceStep {
		total += pdf(t) * given(t)
		weight += pdf(t)
	}
	return math.Min(total/weight, 1)
}

// listenedCell is a cell as if it had been clean, with the knock limit expected there and its deviation.
type listenedCell struct {
	row
	eta, sd float64
}

func (m *Model) listened(carID string, pulls []Pull) [][]listenedCell {
	mean, cov := m.Joint(carID)
	params := mat.NewVecDense(m.Dim(), mean)
	miss := Options{}.withDefaults().MissShare
	out := make([][]listenedCell, len(pulls))
	for i, p := range pulls {
		for _, c := range p.Cells {
			if math.IsInf(c.Lower, 0) {
				continue
			}
			x := mat.NewVecDense(m.Dim(), m.Design(c.RPM, c.Z, nil))
			out[i] = append(out[i], listenedCell{
				row: row{kind: clean, lower: c.Lower, detect: math.Min(math.Max(c.Detect, 0), 1-miss)},
				eta: mat.Dot(x, params), sd: math.Sqrt(math.Max(mat.Inner(x, cov, x), 0)),
			})
		}
	}
	return out
}

// quietLogSD is the least standard deviation of the logit of the false events' share between cars that Quiet allows:
// some engines rattle, some do not. Common practice, no source.
const quietLogSD = 1

// Quiet returns the chance, 0–1, that cells of a listening car hold no false event either: (1−c)^cells, averaged over a
// logit-normal share c about the model's contamination, or about the prior's median where that is less, because a fit
// may count real knock as false. cells below 1 give 1.
func (m *Model) Quiet(cells int) float64 {
	c := math.Min(m.Contamination, Prior{}.withDefaults().Contamination.Median)
	if cells < 1 || !(c > 0) {
		return 1
	}
	sd := math.Max(quietLogSD, m.SpreadLogSD[atShare])
	total, weight := 0.0, 0.0
	for t := -silenceReach; t <= silenceReach+silenceStep/2; t += silenceStep {
		share := 1 / (1 + math.Exp(-(math.Log(c/(1-c)) + sd*t)))
		total += pdf(t) * math.Exp(float64(cells)*math.Log1p(-share))
		weight += pdf(t)
	}
	return math.Min(total/weight, 1)
}
