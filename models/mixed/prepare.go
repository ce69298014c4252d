package mixed

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"headroom/models/value"
)

// data is what the likelihood needs: sums of squares and products inside pulls and between equally long pulls of one
// day, taken once, and the means of the latter. Columns are divided by their root mean square; y is divided by its
// deviation about an ordinary least-squares fit, which is taken off first, so that nothing large cancels later. Sums
// and means have p+1 columns, the last being y.
type data struct {
	p, rows   int
	xScale    []float64
	yScale    float64
	offset    []float64 // ordinary fit, scaled units
	priorMean []float64 // of the scaled coefficients, less offset
	priorPrec []float64 // 0: flat
	flat      int       // flat coefficients
	within    *sums     // inside pulls
	sizes     []size
	groups    []group
	days      []span // groups of each day
	cars      []carSpan
	floor     float64 // smallest residual variance, scaled units
	exact     bool    // the ordinary fit leaves no residual
	warnings  []string

	unitRows   [3][]int // rows of each car, day and pull
	levelCoefs [4]int   // flat coefficients whose column varies at a level but not below
	freedom    [4]int   // degrees of freedom of each level: its units less those of the next coarser and levelCoefs
}

// size is all pulls of so many rows.
type size struct {
	rows, pulls int
	between     *sums // about the mean of the pulls of this size in one day, over all days
}

// group is the pulls of one size in one day.
type group struct {
	size  int  // index in sizes
	pulls mean // of their means; its weight is how many
}

// span is [from, to).
type span struct{ from, to int }

// carSpan is the days of one car.
type carSpan struct {
	span
	id          string
	pulls, rows int
}

// units counts the cars, days, pulls or rows.
func (d *data) units(l level) int {
	if l == residualLevel {
		return d.rows
	}
	return len(d.unitRows[l])
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
			d.levelCoefs[d.levelOf(cols[j])]++
		}
	}
	coarser := 0
	for l := range d.freedom {
		d.freedom[l] = d.units(level(l)) - coarser - d.levelCoefs[l]
		coarser = d.units(level(l))
	}
	if d.rows <= d.flat {
		return nil, fmt.Errorf("mixed: %d rows cannot tell %d coefficients without a prior and a spread: log at "+
			"least %d rows",
			d.rows, d.flat, d.flat+1)
	}
	d.scale(cols, y, fit, mean)
	d.priorMean, d.priorPrec = make([]float64, p), make([]float64, p)
	_, squares := value.Moments(y)
	ySD := math.Max(math.Sqrt(squares/float64(max(len(y)-1, 1))), d.yScale)
	for j := range p {
		s := sd[j] * d.xScale[j] / d.yScale
		m := mean[j] * d.xScale[j] / d.yScale
		if fit.aliased[j] {
			s, m = aliasSDs*ySD/d.yScale, 0
			d.warnings = append(d.warnings, fmt.Sprintf("column %d is constant or a combination of earlier columns: "+
				"its effect is unknown and keeps a wide prior", j))
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
		for d, day := range c.Days {
			for k, pull := range day.Pulls {
				rows += len(pull.Rows)
				for i, r := range pull.Rows {
					if p < 0 {
						p = len(r.X)
					}
					if err := r.check(p); err != nil {
						return nil, 0, fmt.Errorf("mixed: car %q day %d pull %d row %d: %w", c.ID, d, k, i, err)
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
			return nil, 0, fmt.Errorf("mixed: car %q is given twice: put all its days in one Car", sorted[i].ID)
		}
	}
	return sorted, p, nil
}

func (r Row) check(p int) error {
	if len(r.X) != p {
		return fmt.Errorf("it has %d columns, others have %d", len(r.X), p)
	}
	if !value.Known(r.Y) {
		return fmt.Errorf("y is %g: leave rows that were not measured out", r.Y)
	}
	for j, x := range r.X {
		if !value.Known(x) {
			return fmt.Errorf("column %d is %g: leave rows that were not measured out", j, x)
		}
	}
	return nil
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
		return nil, nil, fmt.Errorf("mixed: prior has %d means and %d deviations for %d coefficients", len(pr.Mean),
			len(pr.SD), p)
	}
	for j := range p {
		if !(pr.SD[j] > 0) {
			return nil, nil, fmt.Errorf("mixed: prior deviation %d is %g: give a positive number, or +Inf for none", j,
				pr.SD[j])
		}
		if !value.Known(pr.Mean[j]) {
			return nil, nil, fmt.Errorf("mixed: prior mean %d is %g: give a finite number", j, pr.Mean[j])
		}
	}
	return pr.Mean, pr.SD, nil
}

// columns lays the rows out by column and notes where pulls, days and cars begin and end. Within a day pulls go by
// size.
func (d *data) columns(cars []Car) (cols [][]float64, y []float64) {
	cols = make([][]float64, d.p)
	for _, c := range cars {
		car := carSpan{id: c.ID, span: span{from: len(d.unitRows[dayLevel])}}
		for _, day := range c.Days {
			pulls := bySize(day.Pulls)
			dayRows := 0
			for _, pull := range pulls {
				for _, r := range pull.Rows {
					y = append(y, r.Y)
					for j, x := range r.X {
						cols[j] = append(cols[j], x)
					}
				}
				dayRows += len(pull.Rows)
				d.unitRows[pullLevel] = append(d.unitRows[pullLevel], len(pull.Rows))
			}
			if dayRows == 0 {
				continue
			}
			d.unitRows[dayLevel] = append(d.unitRows[dayLevel], dayRows)
			car.pulls += len(pulls)
			car.rows += dayRows
		}
		car.to = len(d.unitRows[dayLevel])
		d.unitRows[carLevel] = append(d.unitRows[carLevel], car.rows)
		d.cars = append(d.cars, car)
	}
	d.rows = len(y)
	return cols, y
}

// bySize is the pulls that have rows, short ones first.
func bySize(pulls []Pull) []Pull {
	out := make([]Pull, 0, len(pulls))
	for _, p := range pulls {
		if len(p.Rows) > 0 {
			out = append(out, p)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return len(out[i].Rows) < len(out[j].Rows) })
	return out
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
		d.warnings = append(d.warnings, "every value lies on the fit exactly: the spread cannot be told and the "+
			"deviations are a lower bound")
	}
	for i := range y {
		y[i] /= d.yScale
	}
	for j := range d.p {
		d.offset[j] = start[j] * d.xScale[j] / d.yScale
	}
}

// summarise takes the sums inside pulls, and of the pulls of one size in one day the mean and the sums about it.
func (d *data) summarise(cols [][]float64, y []float64) {
	table := append(append([][]float64(nil), cols...), y)
	width := len(table)
	d.within = newSums(width)
	x, inside := make([]float64, width), newMean(width)
	index := map[int]int{}
	row, pull := 0, 0
	for _, dayRows := range d.unitRows[dayLevel] {
		day := span{from: len(d.groups)}
		for end := row + dayRows; row < end; pull++ {
			n := d.unitRows[pullLevel][pull]
			k, seen := index[n]
			if !seen {
				k = len(d.sizes)
				index[n] = k
				d.sizes = append(d.sizes, size{rows: n, between: newSums(width)})
			}
			inside.weight = 0
			for range n {
				for j := range table {
					x[j] = table[j][row]
				}
				inside.add(1, x, d.within)
				row++
			}
			d.sizes[k].pulls++
			last := len(d.groups) - 1
			if last < day.from || d.groups[last].size != k {
				d.groups = append(d.groups, group{size: k, pulls: newMean(width)})
				last++
			}
			d.groups[last].pulls.add(1, inside.value, d.sizes[k].between)
		}
		day.to = len(d.groups)
		d.days = append(d.days, day)
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
		size := math.Sqrt(value.Dot(v, v))
		r := make([]float64, len(q)+1)
		for range 2 { // twice is enough (Parlett, The Symmetric Eigenvalue Problem, 1980)
			for i := range q {
				s := value.Dot(q[i], v)
				r[i] += s
				for t := range n {
					v[t] -= s * q[i][t]
				}
			}
		}
		left := math.Sqrt(value.Dot(v, v))
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
		z[i] = value.Dot(q[i], y)
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

// levelOf is the coarsest level within whose units a column is constant.
func (d *data) levelOf(col []float64) level {
	for l := carLevel; l < residualLevel; l++ {
		if constantWithin(col, d.unitRows[l]) {
			return l
		}
	}
	return residualLevel
}

func constantWithin(col []float64, unitRows []int) bool {
	row := 0
	for _, n := range unitRows {
		for i := row + 1; i < row+n; i++ {
			if col[i] != col[row] {
				return false
			}
		}
		row += n
	}
	return true
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
