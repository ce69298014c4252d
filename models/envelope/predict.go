package envelope

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// CarsForPrediction is the smallest number of cars k from which a limit that assumes no shape holds the next car's pull
// with probability content: the k+1 cars, the next one among them, are alike, so nothing seen can promise more than
// k/(k+1). Content lies strictly between 0 and 1.
func CarsForPrediction(content float64) (int, error) {
	if err := checkShares(content, content); err != nil {
		return 0, err
	}
	const rounding = 1e-12 // shares such as 0.9 are not exact in binary
	k := math.Ceil(content / (1 - content) * (1 - rounding))
	if k > math.MaxInt32 {
		return 0, fmt.Errorf("envelope: content %g takes more than %d cars: ask for less", content, math.MaxInt32)
	}
	return int(math.Max(k, 1)), nil
}

// predictionLimit is the upper limit of the mirrored values that the next pull of a car not seen stays at or below with
// probability content, whatever the shape between and within cars; NaN with fewer cars than CarsForPrediction. It is
// the smallest value y at which
//
//	Σ over cars of the share of the car's pulls at or below y ≥ content·(k + 1),
//
// which is what drawing one pull a car again and again comes to when the conformal p-values of all draws are averaged
// (Dunn, Wasserman and Ramdas, JASA 118, 2023, "repeated subsampling"). Their bound for an average of p-values is twice
// the level; that this average keeps the level itself is hierarchical conformal prediction (Lee, Barber and Willett,
// "Distribution-free inference with hierarchical data", arXiv 2306.06342): of k+1 cars that are alike, each counted
// once, the weighted content quantile holds the next one's pull, and counting the next car as infinite only raises it.
//
// What it asks is that cars to come are drawn as the cars seen were, and a car's pulls among themselves. What it
// promises is an average over fleets and cars: of a fleet at hand more than 1 − content of pulls may lie past it.
func predictionLimit(cars []CarMoments, content, sign float64) float64 {
	type pull struct{ value, weight float64 }
	var pulls []pull
	for i := range cars {
		for _, v := range cars[i].Values {
			pulls = append(pulls, pull{sign * v, 1 / float64(cars[i].Pulls)})
		}
	}
	slices.SortFunc(pulls, func(a, b pull) int {
		return cmp.Or(cmp.Compare(a.value, b.value), cmp.Compare(a.weight, b.weight))
	})
	const rounding = 1e-9 // of a sum of shares
	below := 0.0
	for _, p := range pulls {
		below += p.weight
		if below >= content*float64(len(cars)+1)-rounding {
			return sign * p.value
		}
	}
	return math.NaN()
}
