package mixed

import (
	"errors"
	"fmt"
	"math"
	"sort"
)

// data is what the likelihood needs: sums of squares inside pulls, taken once, and the mean of each pull. Columns
// are divided by their root mean square; y is divided by its deviation about an ordinary least-squares fit, which
// is taken off first, so that nothing large cancels later.
type data struct {
	p, rows   int
	xScale    []float64
	yScale    float64
	offset    []float64 // ordinary fit, scaled units
	priorMean []float64 // of the scaled coefficients, less offset
	priorPrec []float64 // 0: flat
	flat      int       // flat coefficients
	withinXX  []float64 // p×p
	withinXY  []float64
	withinYY  float64
	pullRows  []int     // rows of each pull
	pullX     []float64 // pulls×p, means
	pullY     []float64
	cars      []carSpan
	floor     float64 // smallest residual variance, scaled units
	exact     bool    // the ordinary fit leaves no residual
	warnings  []string

	betweenCoefs int // flat coefficients whose column is constant within every car
	mostPulls    int // in a car
	mostRows     int // in a pull
}

// carSpan is the pulls of one car, [from, to).
type carSpan struct {
	id             string
	from, to, rows int
}

// split names components that the layout cannot separate.
type split int

const (
	splitNone split = iota
	splitCarPull
	splitPullResidual
	splitAll
)

// plan says which components the data can tell.
type plan struct {
	carFree, pullFree     bool
	split                 split
	assumeCar, assumePull bool
}

func (d *data) plan() plan {
	p := plan{carFree: true, pullFree: true}
	if len(d.cars) == 1 || len(d.cars) <= d.betweenCoefs {
		p.carFree, p.assumeCar = false, true
	}
	switch {
	case len(d.cars) == 1 && d.mostPulls == 1:
		p.pullFree, p.assumePull = false, true
	case d.mostPulls == 1 && d.mostRows == 1:
		p.carFree, p.pullFree, p.split = false, false, splitAll
	case d.mostPulls == 1 && !p.assumeCar:
		p.pullFree, p.split = false, splitCarPull
	case d.mostPulls == 1:
		p.pullFree, p.assumePull = false, true
	case d.mostRows == 1:
		p.pullFree, p.split = false, splitPullResidual
	}
	return p
}

// prepare checks the input and reduces it to data.
func prepare(cars []Car, prior Prior) (*data, error) {
	sorted, p, err := check(cars)
	if err != nil {
		return nil, err
	}
	mean, sd, err := prior.expand(p)
	if err != nil {
		return nil, err
	}
	d := &data{p: p, floor: 1e-12}
	cols, y := d.columns(sorted)
	flat := make([]bool, p)
	for j := range p {
		flat[j] = math.IsInf(sd[j], 1)
	}
	fit := ordinary(cols, y, flat)
	for j := range p {
		if flat[j] && !fit.aliased[j] {
			d.flat++
			if constantWithinCars(cols[j], d.cars, d.pullRows) {
				d.betweenCoefs++
			}
		}
	}
	if d.rows <= d.flat {
		return nil, fmt.Errorf("mixed: %d rows cannot tell %d coefficients without a prior and a spread: log at least %d rows",
			d.rows, d.flat, d.flat+1)
	}
	d.scale(cols, y, fit, mean)
	d.priorMean, d.priorPrec = make([]float64, p), make([]float64, p)
	ySD := math.Max(deviation(y), d.yScale)
	for j := range p {
		s := sd[j] * d.xScale[j] / d.yScale
		m := mean[j] * d.xScale[j] / d.yScale
		if fit.aliased[j] {
			s, m = aliasSDs*ySD/d.yScale, 0
			d.warnings = append(d.warnings, fmt.Sprintf("column %d is constant or a combination of earlier columns: its effect is unknown and keeps a wide prior", j))
		}
		if !math.IsInf(s, 1) {
			d.priorPrec[j] = 1 / (s * s)
			d.priorMean[j] = m - d.offset[j]
		}
	}
	d.summarise(cols, y)
	return d, nil
}

// check validates cars and returns them sorted by ID, without empty ones, and the number of coefficients.
func check(cars []Car) ([]Car, int, error) {
	sorted := make([]Car, 0, len(cars))
	p := -1
	for _, c := range cars {
		rows := 0
		for k, pull := range c.Pulls {
			rows += len(pull.Rows)
			for i, r := range pull.Rows {
				if p < 0 {
					p = len(r.X)
				}
				if len(r.X) != p {
					return nil, 0, fmt.Errorf("mixed: car %q pull %d row %d has %d columns, others have %d", c.ID, k, i, len(r.X), p)
				}
				if !finite(r.Y) {
					return nil, 0, fmt.Errorf("mixed: car %q pull %d row %d: y is %g: leave rows that were not measured out", c.ID, k, i, r.Y)
				}
				for j, x := range r.X {
					if !finite(x) {
						return nil, 0, fmt.Errorf("mixed: car %q pull %d row %d: column %d is %g: leave rows that were not measured out", c.ID, k, i, j, x)
					}
				}
			}
		}
		if rows > 0 {
			sorted = append(sorted, c)
		}
	}
	if len(sorted) == 0 {
		return nil, 0, errors.New("mixed: no rows: nothing to fit")
	}
	if p == 0 {
		return nil, 0, errors.New("mixed: rows have no columns: give at least an intercept, a column of ones")
	}
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].ID < sorted[j].ID })
	for i := 1; i < len(sorted); i++ {
		if sorted[i].ID == sorted[i-1].ID {
			return nil, 0, fmt.Errorf("mixed: car %q is given twice: put all its pulls in one Car", sorted[i].ID)
		}
	}
	return sorted, p, nil
}

// expand checks a prior against p coefficients; the zero Prior is flat.
func (pr Prior) expand(p int) (mean, sd []float64, err error) {
	if len(pr.Mean) == 0 && len(pr.SD) == 0 {
		mean, sd = make([]float64, p), make([]float64, p)
		for j := range sd {
			sd[j] = math.Inf(1)
		}
		return mean, sd, nil
	}
	if len(pr.Mean) != p || len(pr.SD) != p {
		return nil, nil, fmt.Errorf("mixed: prior has %d means and %d deviations for %d coefficients", len(pr.Mean), len(pr.SD), p)
	}
	for j := range p {
		if !(pr.SD[j] > 0) {
			return nil, nil, fmt.Errorf("mixed: prior deviation %d is %g: give a positive number, or +Inf for none", j, pr.SD[j])
		}
		if !finite(pr.Mean[j]) {
			return nil, nil, fmt.Errorf("mixed: prior mean %d is %g: give a finite number", j, pr.Mean[j])
		}
	}
	return pr.Mean, pr.SD, nil
}

// columns lays the rows out by column and notes where pulls and cars begin and end.
func (d *data) columns(cars []Car) (cols [][]float64, y []float64) {
	cols = make([][]float64, d.p)
	for _, c := range cars {
		span := carSpan{id: c.ID, from: len(d.pullRows)}
		for _, pull := range c.Pulls {
			n := len(pull.Rows)
			if n == 0 {
				continue
			}
			for _, r := range pull.Rows {
				y = append(y, r.Y)
				for j, x := range r.X {
					cols[j] = append(cols[j], x)
				}
			}
			d.pullRows = append(d.pullRows, n)
			d.mostRows = max(d.mostRows, n)
			span.rows += n
		}
		span.to = len(d.pullRows)
		d.mostPulls = max(d.mostPulls, span.to-span.from)
		d.cars = append(d.cars, span)
	}
	d.rows = len(y)
	return cols, y
}

// scale divides the columns and y, after taking the ordinary fit off y. It works in place.
func (d *data) scale(cols [][]float64, y []float64, fit ordinaryFit, priorMean []float64) {
	d.xScale = make([]float64, d.p)
	for j, col := range cols {
		d.xScale[j] = rms(col)
		if d.xScale[j] == 0 {
			d.xScale[j] = 1
		}
		for i := range col {
			col[i] /= d.xScale[j]
		}
	}
	start := fit.coef
	if d.rows <= fit.rank { // priors carry some coefficients: start from their means
		start = priorMean
	}
	d.offset = make([]float64, d.p)
	total := rms(y)
	for i := range y {
		for j := range cols {
			y[i] -= cols[j][i] * d.xScale[j] * start[j]
		}
	}
	left := rms(y)
	df := max(d.rows-fit.rank, 1)
	d.yScale = left * math.Sqrt(float64(d.rows)/float64(df))
	if left <= 1e-10*total || left == 0 {
		d.exact = true
		d.yScale = 1e-6 * math.Max(total, 1)
		d.floor = 1
		d.warnings = append(d.warnings, "every value lies on the fit exactly: the spread cannot be told and the deviations are a lower bound")
	}
	for i := range y {
		y[i] /= d.yScale
	}
	for j := range d.p {
		d.offset[j] = start[j] * d.xScale[j] / d.yScale
	}
}

// summarise takes the sums inside pulls and the pull means.
func (d *data) summarise(cols [][]float64, y []float64) {
	p := d.p
	d.withinXX, d.withinXY = make([]float64, p*p), make([]float64, p)
	d.pullX, d.pullY = make([]float64, len(d.pullRows)*p), make([]float64, len(d.pullRows))
	dx := make([]float64, p)
	row := 0
	for k, n := range d.pullRows {
		mx := d.pullX[k*p : (k+1)*p]
		for i := row; i < row+n; i++ {
			d.pullY[k] += y[i] / float64(n)
			for j := range p {
				mx[j] += cols[j][i] / float64(n)
			}
		}
		for i := row; i < row+n && n > 1; i++ {
			dy := y[i] - d.pullY[k]
			d.withinYY += dy * dy
			for j := range p {
				dx[j] = cols[j][i] - mx[j]
				d.withinXY[j] += dx[j] * dy
			}
			addOuter(d.withinXX, dx, 1)
		}
		row += n
	}
}

// ordinaryFit is a least-squares fit by modified Gram–Schmidt, flat columns first.
type ordinaryFit struct {
	coef    []float64
	aliased []bool // flat columns that earlier flat columns already span
	rank    int
}

func ordinary(cols [][]float64, y []float64, flat []bool) ordinaryFit {
	p, n := len(cols), len(y)
	order := make([]int, 0, p)
	for j := range p {
		if flat[j] {
			order = append(order, j)
		}
	}
	for j := range p {
		if !flat[j] {
			order = append(order, j)
		}
	}
	fit := ordinaryFit{coef: make([]float64, p), aliased: make([]bool, p)}
	q := make([][]float64, 0, p)     // orthonormal columns
	index := make([]int, 0, p)       // column of each
	upper := make([][]float64, 0, p) // upper[k][i]: component of column index[k] along q[i]
	for _, j := range order {
		v := append([]float64(nil), cols[j]...)
		size := math.Sqrt(dot(v, v))
		r := make([]float64, len(q)+1)
		for range 2 { // twice is enough (Parlett, The Symmetric Eigenvalue Problem, 1980)
			for i := range q {
				s := dot(q[i], v)
				r[i] += s
				for t := range n {
					v[t] -= s * q[i][t]
				}
			}
		}
		left := math.Sqrt(dot(v, v))
		if left <= aliasTolerance*size || len(q) == n {
			fit.aliased[j] = flat[j]
			continue
		}
		r[len(q)] = left
		for t := range n {
			v[t] /= left
		}
		q, index, upper = append(q, v), append(index, j), append(upper, r)
	}
	fit.rank = len(q)
	z := make([]float64, len(q))
	for i := range q {
		z[i] = dot(q[i], y)
	}
	for k := len(q) - 1; k >= 0; k-- {
		b := z[k] / upper[k][k]
		fit.coef[index[k]] = b
		for i := range k {
			z[i] -= b * upper[k][i]
		}
	}
	return fit
}

func constantWithinCars(col []float64, cars []carSpan, pullRows []int) bool {
	row := 0
	for _, c := range cars {
		first := col[row]
		for k := c.from; k < c.to; k++ {
			for range pullRows[k] {
				if col[row] != first {
					return false
				}
				row++
			}
		}
	}
	return true
}

func addOuter(dst, x []float64, w float64) {
	p := len(x)
	for i := range p {
		wx := w * x[i]
		row := dst[i*p : (i+1)*p]
		for j := i; j < p; j++ {
			row[j] += wx * x[j]
		}
	}
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

func rms(x []float64) float64 {
	big := 0.0
	for _, v := range x {
		big = math.Max(big, math.Abs(v))
	}
	if big == 0 {
		return 0
	}
	s := 0.0
	for _, v := range x {
		s += (v / big) * (v / big)
	}
	return big * math.Sqrt(s/float64(len(x)))
}

func deviation(x []float64) float64 {
	if len(x) < 2 {
		return 0
	}
	m := 0.0
	for _, v := range x {
		m += v / float64(len(x))
	}
	s := 0.0
	for _, v := range x {
		s += (v - m) * (v - m)
	}
	return math.Sqrt(s / float64(len(x)-1))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
