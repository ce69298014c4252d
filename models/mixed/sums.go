package mixed

import "math"

// sums are symmetric sums of squares and products of the columns (the coefficients', then y); the upper triangle is
// kept, by rows.
type sums struct {
	width int
	a     []float64
	diff  []float64 // scratch
}

func newSums(width int) *sums {
	return &sums{width: width, a: make([]float64, width*width), diff: make([]float64, width)}
}

// set makes s w times other.
func (s *sums) set(other *sums, w float64) {
	for i, v := range other.a {
		s.a[i] = w * v
	}
}

// plus adds w times other.
func (s *sums) plus(other *sums, w float64) {
	for i, v := range other.a {
		s.a[i] += w * v
	}
}

// outer adds w·x·x'.
func (s *sums) outer(x []float64, w float64) {
	for i, xi := range x {
		wx := w * xi
		row := s.a[i*s.width+i : (i+1)*s.width]
		for j, xj := range x[i:] {
			row[j] += wx * xj
		}
	}
}

// mean is a running weighted mean of the columns.
type mean struct {
	weight float64
	value  []float64
}

func newMean(width int) mean { return mean{value: make([]float64, width)} }

// add takes x in with a weight, and what x scatters about the mean into s: Chan, Golub and LeVeque, The American
// Statistician 37, 1983, equation 2.1b, with weights in the place of counts. A nil s takes nothing.
func (m *mean) add(weight float64, x []float64, s *sums) {
	if m.weight == 0 {
		m.weight = weight
		copy(m.value, x)
		return
	}
	total := m.weight + weight
	share := weight / total
	if s == nil {
		for j, v := range x {
			m.value[j] += share * (v - m.value[j])
		}
		m.weight = total
		return
	}
	for j, v := range x {
		s.diff[j] = v - m.value[j]
		m.value[j] += share * s.diff[j]
	}
	s.outer(s.diff, m.weight*share)
	m.weight = total
}

// eliminate takes the coefficients out of the sums, in place (Gauss, without square roots): the logarithm of the
// determinant of their block and what is left of y's. It fails when the block is not positive definite.
func (s *sums) eliminate() (logDet, left float64, ok bool) {
	p := s.width - 1
	for k := range p {
		pivotRow := s.a[k*s.width : (k+1)*s.width]
		pivot := pivotRow[k]
		if !(pivot > 0) {
			return 0, 0, false
		}
		logDet += math.Log(pivot)
		for i := k + 1; i <= p; i++ {
			f := pivotRow[i] / pivot
			row := s.a[i*s.width : (i+1)*s.width]
			for j := i; j <= p; j++ {
				row[j] -= f * pivotRow[j]
			}
		}
	}
	return logDet, math.Max(0, s.a[p*s.width+p]), true
}
