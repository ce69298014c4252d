package knock

import (
	"errors"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// Spline is the speed curve α(N): a natural cubic spline through len(Knots) knots, linear outside them. Its value at
// any speed is linear in len(Knots) coefficients: the level (°), the slope from RefRPM (°/1000 rpm), and one
// coefficient a roughness direction, scaled so that the sum of their squares is ∫α″² (Green & Silverman 1994,
// eq. 2.1–2.4, with speed in thousands).
type Spline struct {
	Knots     []float64   `json:"knots_rpm"` // strictly increasing, at least two
	RefRPM    float64     `json:"ref_rpm"`
	Value     [][]float64 `json:"value"`     // [knot][coefficient]: α at the knot
	Curvature [][]float64 `json:"curvature"` // [knot][coefficient]: α″ at the knot per (1000 rpm)²
}

// newSpline prepares the basis. Knots must be strictly increasing and at least two.
func newSpline(knots []float64, ref float64) (Spline, error) {
	k := len(knots)
	s := Spline{Knots: knots, RefRPM: ref, Value: square(k), Curvature: square(k)}
	for i, n := range knots {
		s.Value[i][0] = 1
		s.Value[i][1] = (n - ref) / 1000
	}
	if k == 2 {
		return s, nil
	}
	q := mat.NewDense(k, k-2, nil)
	r := mat.NewSymDense(k-2, nil)
	for j := 0; j < k-2; j++ {
		h0, h1 := (knots[j+1]-knots[j])/1000, (knots[j+2]-knots[j+1])/1000
		q.Set(j, j, 1/h0)
		q.Set(j+1, j, -1/h0-1/h1)
		q.Set(j+2, j, 1/h1)
		r.SetSym(j, j, (h0+h1)/3)
		if j+1 < k-2 {
			r.SetSym(j, j+1, h1/6)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(r) {
		return s, errors.New("speed knots are too close together for a spline")
	}
	var c mat.TriDense
	chol.LTo(&c)
	var gram, values, curv mat.Dense
	gram.Mul(q.T(), q)
	if err := values.Solve(&gram, &c); err != nil {
		return s, errors.New("speed knots are too close together for a spline")
	}
	var atKnots mat.Dense
	atKnots.Mul(q, &values)
	eye := mat.NewDense(k-2, k-2, nil)
	for j := 0; j < k-2; j++ {
		eye.Set(j, j, 1)
	}
	if err := curv.Solve(c.T(), eye); err != nil {
		return s, errors.New("speed knots are too close together for a spline")
	}
	for i := 0; i < k; i++ {
		for j := 0; j < k-2; j++ {
			s.Value[i][j+2] = atKnots.At(i, j)
			if i > 0 && i < k-1 {
				s.Curvature[i][j+2] = curv.At(i-1, j)
			}
		}
	}
	return s, nil
}

// design writes the coefficients' weights at a speed (rev/min) into dst[:len(Knots)].
func (s *Spline) design(rpm float64, dst []float64) {
	k := len(s.Knots)
	i := sort.SearchFloat64s(s.Knots, rpm) - 1
	i = min(max(i, 0), k-2)
	h := (s.Knots[i+1] - s.Knots[i]) / 1000
	lo, hi := s.Value[i], s.Value[i+1]
	c0, c1 := s.Curvature[i], s.Curvature[i+1]
	t := (rpm - s.Knots[i]) / 1000
	switch {
	case rpm < s.Knots[0]:
		for c := 0; c < k; c++ {
			slope := (hi[c]-lo[c])/h - h*(2*c0[c]+c1[c])/6
			dst[c] = lo[c] + t*slope
		}
	case rpm > s.Knots[k-1]:
		for c := 0; c < k; c++ {
			slope := (hi[c]-lo[c])/h + h*(c0[c]+2*c1[c])/6
			dst[c] = hi[c] + (t-h)*slope
		}
	default:
		b := t / h
		a := 1 - b
		for c := 0; c < k; c++ {
			dst[c] = a*lo[c] + b*hi[c] - h*h/6*(a*b*(1+a)*c0[c]+a*b*(1+b)*c1[c])
		}
	}
}

// placeKnots puts up to n knots between lo and hi, evenly in speed but no more than the distinct speeds can carry;
// a range without width gets two knots around it, which leaves a straight line.
func placeKnots(lo, hi float64, distinct, n int) []float64 {
	if hi-lo < 200 {
		mid := (lo + hi) / 2
		return []float64{mid - 250, mid + 250}
	}
	n = min(n, max(distinct, 2))
	knots := make([]float64, n)
	for i := range knots {
		knots[i] = lo + (hi-lo)*float64(i)/float64(n-1)
	}
	return knots
}

func square(n int) [][]float64 {
	flat := make([]float64, n*n)
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = flat[i*n : (i+1)*n]
	}
	return rows
}
