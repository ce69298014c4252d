package fleet

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/models/mixed"
	"headroom/models/value"
)

// Follows is how a measured metric follows its predictor where a calibration changes. Inside a pull the two move
// together for other reasons too: a sensor trails, heat soaks in, speed does what physics leaves out; what is learnt
// there is not what a revision does. So the slopes of changes are learnt from the fleet's past revisions alone.
type Follows struct {
	Slopes          [NumParts]Slope // of the metric a unit of its predictor's change through each part
	Covariance      [NumParts]Parts // of their errors
	Cars, Revisions int             // that show them: of cars that were logged on two revisions or more
	Missed          float64         // deviation of what a revision did beside the slopes, in the metric's unit
	Typical         float64         // root mean square of the predictor's changes that they were learnt from
}

// Does is what a change of the predictor does to the metric.
func (f *Follows) Does(by Parts) (sum float64) {
	for k, x := range by {
		sum += x * f.Slopes[k].Mean
	}
	return sum
}

// Slope is what physics and past revisions together say of a slope, and what past revisions alone do.
type Slope struct {
	Mean, SD       float64
	Shown, ShownSD float64 // both 0 where no past revision shows it
	Against        bool    // what they show contradicts physics
}

// passage is where several revisions of one car were logged, at one speed and on one fuel.
type passage struct {
	car       string
	revisions []string
	ran       [][]*state.State // by revision: as logged
	sampled   [][]state.State  // some of these, each as every revision would have run it, by revision
}

// sampledStates is how many states a passage foretells the difference of its revisions at, of each revision.
const sampledStates = 2

// passages are those of the pulls of a fleet.
func (f *Fleet) passages(pulls []*state.Visit) []passage {
	type place struct {
		car, fuel string
		speed     int
	}
	places := evidence.NewIndex[place]()
	var out []passage
	for _, v := range pulls {
		s := &v.State
		k := places.Of(place{s.Car, s.Row.Fuel, int(math.Floor(s.RPM / f.RPMStep))})
		if k == len(out) {
			out = append(out, passage{car: s.Car})
		}
		p := &out[k]
		r := slices.Index(p.revisions, s.Row.Revision)
		if r < 0 {
			r = len(p.revisions)
			p.revisions, p.ran = append(p.revisions, s.Row.Revision), append(p.ran, nil)
		}
		p.ran[r] = append(p.ran[r], s)
	}
	out = slices.DeleteFunc(out, func(p passage) bool { return len(p.revisions) < 2 })
	for i := range out {
		out[i].foretell(f.Platform)
	}
	return out
}

// foretell runs some states of each revision on every other.
func (p *passage) foretell(on *state.Platform) {
	for _, states := range p.ran {
		for _, s := range states[:min(len(states), sampledStates)] {
			moved := make([]state.State, len(p.revisions))
			known := true
			for t, revision := range p.revisions {
				var ok bool
				moved[t], ok = on.MovedTo(s, revision)
				known = known && ok
			}
			if known {
				p.sampled = append(p.sampled, moved)
			}
		}
	}
}

// foretold are the changes of a metric's predictor by revision, from the mean over the revisions; nil where it is not
// known.
func (p *passage) foretold(on *state.Platform, m *Quantity) []Parts {
	out, n := make([]Parts, len(p.revisions)), 0.0
	for _, moved := range p.sampled {
		if slices.ContainsFunc(moved, func(s state.State) bool { return !value.Known(m.Predictor(on, &s)) }) {
			continue
		}
		for t := range moved {
			for k, by := range m.PartsOf(on, &moved[t]) {
				out[t][k] += by
			}
		}
		n++
	}
	if n == 0 {
		return nil
	}
	for k := range NumParts {
		mean := 0.0
		for t := range out {
			out[t][k] /= n
			mean += out[t][k] / float64(len(out))
		}
		for t := range out {
			out[t][k] -= mean
		}
	}
	return out
}

// about are a reading of states by revision less its mean over the revisions.
func about(byRevision [][]*state.State, read func(s *state.State) float64) [][]float64 {
	out, mean := make([][]float64, len(byRevision)), 0.0
	for r, states := range byRevision {
		for _, s := range states {
			out[r] = append(out[r], read(s))
		}
		mean += stat.Mean(out[r], nil) / float64(len(byRevision))
	}
	for r := range out {
		floats.AddConst(-mean, out[r])
	}
	return out
}

// shown is what a row shows beside its car's mean over revisions at that speed.
type shown struct {
	s              *state.State
	change         Parts   // foretold of its revision's predictor: see passage.foretold
	order, ambient float64 // 0 where ambient temperature is not known at the whole passage
	y              float64
}

// shows are the rows of a passage that tell how a metric follows its predictor.
func (p *passage) shows(on *state.Platform, m *Quantity) (out []shown) {
	foretold := p.foretold(on, m)
	if foretold == nil {
		return nil
	}
	var kept [][]*state.State
	var change []Parts
	for r, states := range p.ran {
		measured := slices.DeleteFunc(slices.Clone(states), func(s *state.State) bool {
			return !value.Known(m.Measured(on, s))
		})
		if len(measured) > 0 {
			kept, change = append(kept, measured), append(change, foretold[r])
		}
	}
	if len(kept) < 2 {
		return nil
	}
	y := about(kept, func(s *state.State) float64 { return m.Fine(on, s) })
	order := about(kept, func(s *state.State) float64 { return s.Order })
	ambient := about(kept, func(s *state.State) float64 { return s.Ambient })
	for r, states := range kept {
		for k, s := range states {
			out = append(out, shown{s: s, change: change[r], order: order[r][k], ambient: value.Or(ambient[r][k], 0),
				y: y[r][k]})
		}
	}
	return out
}

// What exhaust temperature follows of what the cycle gives for charge: of a hotter day's hotter charge the flow is
// thinner too, and most of the one is lost in the other. No revision tells it from air flow. Common practice, no
// source.
const (
	chargeSlope   = 0.3
	chargeSlopeSD = 0.3
)

// followed learns how a metric follows its predictor from revision to revision, at passages of all cars but some: what
// a row shows is the slopes times what the tables foretell, heat soak, ambient temperature and deviations of the
// revision, its day and its pull.
func (f *Fleet) followed(m *Quantity, at []passage, without []string) (Follows, error) {
	out := Follows{}
	for k := range out.Slopes {
		switch {
		case k == int(ThroughCharge) && m.flow > 0:
			out.Slopes[k] = Slope{Mean: chargeSlope, SD: chargeSlopeSD}
		case k == int(ThroughAir), k != int(ThroughCharge) && m.SparkSD > 0:
			out.Slopes[k] = Slope{Mean: m.slope, SD: m.slopeSD}
		}
	}
	for j := range out.Slopes {
		for k := range out.Slopes {
			out.Covariance[j][k] = m.slopeCorrelation(j, k) * out.Slopes[j].SD * out.Slopes[k].SD
		}
	}
	var all []shown
	cars := map[string]bool{}
	for i := range at {
		if slices.Contains(without, at[i].car) {
			continue
		}
		rows := at[i].shows(f.Platform, m)
		all = append(all, rows...)
		if len(rows) > 0 {
			cars[at[i].car] = true
		}
	}
	var squares Parts
	for _, row := range all {
		for k, x := range row.change {
			squares[k] += x * x
		}
	}
	var told, parts []int // which of the slopes revisions show, and which may be learnt
	for k := range out.Slopes {
		if out.Slopes[k].SD == 0 || k == int(ThroughCharge) {
			continue
		}
		if squares[k] > 0 {
			told = append(told, k)
		}
		if squares[k] > 0 || m.together > 0 {
			parts = append(parts, k)
		}
	}
	if len(told) == 0 {
		return out, nil
	}
	nest := evidence.NewNest[mixed.Row]() // of cars' revisions
	for _, row := range all {
		x := []float64{row.order, row.ambient}
		for _, k := range told {
			x = append(x, row.change[k])
		}
		nest.AddTo(row.s.Car+"\x00"+row.s.Row.Revision, row.s.Row,
			mixed.Row{X: x, Y: row.y - out.Slopes[ThroughCharge].Mean*row.change[ThroughCharge]})
	}
	model, err := mixed.Fit(MixedCars(nest), mixed.Prior{})
	if err != nil {
		return out, err
	}
	out.Cars, out.Revisions = len(cars), len(nest.Cars)
	out.Typical = math.Sqrt(floats.Sum(squares[:]) / float64(len(all)))
	// Means over a car's revisions were taken off, which takes a degree of freedom a car.
	freed := float64(out.Revisions) / float64(max(1, out.Revisions-out.Cars))
	out.Missed = math.Sqrt(freed * model.Estimated.Car)
	const first = 2 // of the slopes' columns
	seen := mat.NewSymDense(len(told), nil)
	for j, k := range told {
		out.Slopes[k].Shown, out.Slopes[k].ShownSD = model.Coef[first+j], math.Sqrt(model.Cov[first+j][first+j])
		for i := range j + 1 {
			seen.SetSym(i, j, model.Cov[first+i][first+j])
		}
	}
	m.believe(&out, parts, told, seen)
	return out, nil
}

// The posterior of slopes is summed over grids of slopeNodes points a slope: first within slopeReach prior deviations,
// then slopeRounds times within slopeReach deviations of what the grid before said.
const (
	slopeNodes  = 31
	slopeReach  = 5.0
	slopeRounds = 4
	slopeGrid   = 161 // of contradicts
)

// contradicted is the two-sided prior predictive probability (Box, J. R. Statist. Soc. A 143, 1980) below which what
// past revisions show contradicts the slope that physics gives: one in a hundred for the dozen slopes of a platform.
const contradicted = 0.001

// slopeZ is a grid point, in prior deviations.
func slopeZ(i int) float64 { return slopeReach * (2*float64(i)/(slopeGrid-1) - 1) }

// slopeAt is the slope z prior deviations from its median. Physics gives a slope its sign: its prior is log-normal
// about the physics value, and no fit turns it round. A slope that physics gives no value has a normal prior about
// zero.
func (m *Quantity) slopeAt(z float64) float64 {
	if m.slope == 0 {
		return m.slopeSD * z
	}
	return m.slope * math.Exp(m.slopeSD/m.slope*z)
}

// slopeCorrelation is that of the logarithms of two slopes beforehand.
func (m *Quantity) slopeCorrelation(j, k int) float64 {
	switch {
	case j == k:
		return 1
	case j == int(ThroughCharge) || k == int(ThroughCharge):
		return 0
	}
	return m.together
}

// believe joins what past revisions show of some of the slopes (told), normal with the covariance of their errors, with
// the priors of those that may be learnt (parts), and keeps the first two moments.
func (m *Quantity) believe(f *Follows, parts, told []int, errors *mat.SymDense) {
	var precision mat.Cholesky
	if !precision.Factorize(errors) {
		return
	}
	centre, reach := make([]float64, len(parts)), make([]float64, len(parts))
	for j := range reach {
		reach[j] = slopeReach
	}
	var sum slopeSums
	for range slopeRounds {
		sum = m.overSlopes(f, parts, told, &precision, centre, reach)
		for j := range parts {
			step := 2 * reach[j] / (slopeNodes - 1)
			spread := math.Sqrt(math.Max(sum.zz[j]-sum.z[j]*sum.z[j], 0))
			centre[j], reach[j] = sum.z[j], slopeReach*math.Max(spread, step)
		}
	}
	for j, k := range parts {
		s := &f.Slopes[k]
		s.Mean = sum.slope[j]
		for i, l := range parts {
			f.Covariance[k][l] = sum.product[i][j] - sum.slope[i]*sum.slope[j]
		}
		s.SD = math.Sqrt(math.Max(f.Covariance[k][k], 0))
		s.Against = slices.Contains(told, k) && m.contradicts(s, f.Revisions-f.Cars)
	}
}

// slopeSums are posterior means over a grid: of places in prior deviations, their squares, slopes and their products.
type slopeSums struct {
	z, zz, slope []float64
	product      [][]float64
}

// overSlopes sums the posterior over a grid of slopes, in prior deviations about a centre.
func (m *Quantity) overSlopes(f *Follows, parts, told []int, errors *mat.Cholesky, centre, reach []float64) slopeSums {
	n := len(parts)
	points := 1
	for range parts {
		points *= slopeNodes
	}
	at, logs := make([][]float64, points), make([]float64, points)
	off, scaled := mat.NewVecDense(len(told), nil), mat.NewVecDense(len(told), nil)
	for i := range at {
		at[i] = make([]float64, n)
		rest := i
		for j := range parts {
			at[i][j] = centre[j] + reach[j]*(2*float64(rest%slopeNodes)/(slopeNodes-1)-1)
			rest /= slopeNodes
		}
		logs[i] = m.priorLog(at[i])
		for j, k := range told {
			off.SetVec(j, f.Slopes[k].Shown-m.slopeAt(at[i][slices.Index(parts, k)]))
		}
		if errors.SolveVecTo(scaled, off) == nil {
			logs[i] -= mat.Dot(off, scaled) / 2
		}
	}
	out := slopeSums{make([]float64, n), make([]float64, n), make([]float64, n), make([][]float64, n)}
	for j := range out.product {
		out.product[j] = make([]float64, n)
	}
	most, total := floats.Max(logs), 0.0
	for i, z := range at {
		w := math.Exp(logs[i] - most)
		total += w
		for j := range parts {
			slope := m.slopeAt(z[j])
			out.z[j] += w * z[j]
			out.zz[j] += w * z[j] * z[j]
			out.slope[j] += w * slope
			for l := range parts {
				out.product[j][l] += w * slope * m.slopeAt(z[l])
			}
		}
	}
	for _, v := range append([][]float64{out.z, out.zz, out.slope}, out.product...) {
		floats.Scale(1/total, v)
	}
	return out
}

// priorLog is the logarithm of the prior density, up to a constant, of slopes so many prior deviations from their
// medians: normal, each two of them correlated alike, whose precision matrix is known in closed form (Sherman and
// Morrison, Ann. Math. Statist. 21, 1950).
func (m *Quantity) priorLog(z []float64) float64 {
	squares, sum := 0.0, 0.0
	for _, v := range z {
		squares, sum = squares+v*v, sum+v
	}
	shared := m.together / (1 + float64(len(z)-1)*m.together)
	return -(squares - shared*sum*sum) / (1 - m.together) / 2
}

// contradicts reports whether what past revisions show of a slope contradicts the one that physics gives; nothing does
// where physics gives none. freedom are the degrees of freedom of its deviation: revisions less the cars they are of.
func (m *Quantity) contradicts(s *Slope, freedom int) bool {
	if m.slope == 0 {
		return false
	}
	t := distuv.StudentsT{Sigma: 1, Nu: float64(max(1, freedom))}
	below, total := 0.0, 0.0
	for i := range slopeGrid {
		z := slopeZ(i)
		prior := math.Exp(-z * z / 2)
		total += prior
		below += prior * t.CDF((s.Shown-m.slopeAt(z))/s.ShownSD)
	}
	below /= total
	return 2*math.Min(below, 1-below) < contradicted
}
