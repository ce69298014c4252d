package mixed

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// dense solves Henderson's mixed-model equations for (β, u, w) with no structure used.
func dense(cars []Car, prior Prior, vu, vw, ve float64) (beta []float64, cov [][]float64, u, uVar []float64) {
	p := len(cars[0].Pulls[0].Rows[0].X)
	pulls := 0
	for _, c := range cars {
		pulls += len(c.Pulls)
	}
	n := p + len(cars) + pulls
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for j := range p {
		if !math.IsInf(prior.SD[j], 1) {
			w := 1 / (prior.SD[j] * prior.SD[j])
			a.SetSym(j, j, w)
			b.SetVec(j, w*prior.Mean[j])
		}
	}
	k := 0
	for c, car := range cars {
		a.SetSym(p+c, p+c, 1/vu)
		for _, pull := range car.Pulls {
			a.SetSym(p+len(cars)+k, p+len(cars)+k, 1/vw)
			for _, r := range pull.Rows {
				z := make([]float64, n)
				copy(z, r.X)
				z[p+c], z[p+len(cars)+k] = 1, 1
				v := mat.NewVecDense(n, z)
				a.SymRankOne(a, 1/ve, v)
				b.AddScaledVec(b, r.Y/ve, v)
			}
			k++
		}
	}
	var inv, sol mat.Dense
	if err := inv.Inverse(a); err != nil {
		panic(err)
	}
	sol.Mul(&inv, b)
	for i := range p {
		beta = append(beta, sol.At(i, 0))
		cov = append(cov, nil)
		for j := range p {
			cov[i] = append(cov[i], inv.At(i, j))
		}
	}
	for c := range cars {
		u = append(u, sol.At(p+c, 0))
		uVar = append(uVar, inv.At(p+c, p+c))
	}
	return beta, cov, u, uVar
}
