package mixed

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// dense solves Henderson's mixed-model equations (Biometrics 31, 1975) for (β, u, d, w) with no structure used and
// returns the mean and covariance of (β, u).
func dense(cars []Car, prior Prior, c Components) (mean []float64, cov *mat.SymDense) {
	p := len(prior.Mean)
	var z [][]float64 // rows: x, then where the 1 of each level stands
	var at [][3]int
	var y []float64
	n := [3]int{}
	for _, car := range cars {
		for _, day := range car.Days {
			for _, pull := range day.Pulls {
				for _, r := range pull.Rows {
					z, y, at = append(z, r.X), append(y, r.Y), append(at, n)
				}
				n[2]++
			}
			n[1]++
		}
		n[0]++
	}
	from := [3]int{p, p + n[0], p + n[0] + n[1]}
	size := from[2] + n[2]
	a, b := mat.NewSymDense(size, nil), mat.NewVecDense(size, nil)
	for j := range p {
		if !math.IsInf(prior.SD[j], 1) {
			w := 1 / (prior.SD[j] * prior.SD[j])
			a.SetSym(j, j, w)
			b.SetVec(j, w*prior.Mean[j])
		}
	}
	for l, v := range []float64{c.Car, c.Day, c.Pull} {
		for k := range n[l] {
			a.SetSym(from[l]+k, from[l]+k, 1/v)
		}
	}
	for i := range z {
		row := make([]float64, size)
		copy(row, z[i])
		for l := range 3 {
			row[from[l]+at[i][l]] = 1
		}
		v := mat.NewVecDense(size, row)
		a.SymRankOne(a, 1/c.Residual, v)
		b.AddScaledVec(b, y[i]/c.Residual, v)
	}
	var inv, sol mat.Dense
	if err := inv.Inverse(a); err != nil {
		panic(err)
	}
	sol.Mul(&inv, b)
	cov = mat.NewSymDense(p+n[0], nil)
	for i := range p + n[0] {
		mean = append(mean, sol.At(i, 0))
		for j := i; j < p+n[0]; j++ {
			cov.SetSym(i, j, inv.At(i, j))
		}
	}
	return mean, cov
}
