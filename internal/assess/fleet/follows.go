package fleet

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
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
	Rest, Spark     Slope   // of the metric a unit of its predictor's change through all but spark, and through spark
	Covariance      float64 // of the two
	Cars, Revisions int     // that show them: of cars that were logged on two revisions or more
	Missed          float64 // deviation of what a revision did to the metric beside the slopes, in the metric's unit
	Typical         float64 // root mean square of the predictor's changes that they were learnt from
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

// foretold are the changes of a metric's predictor by revision, through all but spark and through spark, from the mean
// over the revisions; nil where it is not known.
func (p *passage) foretold(on *state.Platform, m *Quantity) [][2]float64 {
	out, n := make([][2]float64, len(p.revisions)), 0.0
	for _, moved := range p.sampled {
		if slices.ContainsFunc(moved, func(s state.State) bool { return !value.Known(m.Predictor(on, &s)) }) {
			continue
		}
		for t := range moved {
			rest, spark := m.ChangeOf(on, &moved[t])
			out[t][0] += rest
			out[t][1] += spark
		}
		n++
	}
	if n == 0 {
		return nil
	}
	for k := range 2 {
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
	change         [2]float64 // foretold of its revision's predictor: see passage.foretold
	order, ambient float64    // 0 where ambient temperature is not known at the whole passage
	y              float64
}

// shows are the rows of a passage that tell how a metric follows its predictor.
func (p *passage) shows(on *state.Platform, m *Quantity) (out []shown) {
	foretold := p.foretold(on, m)
	if foretold == nil {
		return nil
	}
	var kept [][]*state.State
	var change [][2]float64
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

// trailed turns the changes of rows into what a probe shows of them, which trails by a lag: the mean over the cells of
// the pull up to then, weighed as it weighs them.
func trailed(all []shown, lag float64) {
	if lag == 0 {
		return
	}
	pulls := evidence.NewIndex[string]()
	var byPull [][]*shown
	for i := range all {
		k := pulls.Of(all[i].s.Pull)
		if k == len(byPull) {
			byPull = append(byPull, nil)
		}
		byPull[k] = append(byPull[k], &all[i])
	}
	for _, rows := range byPull {
		slices.SortStableFunc(rows, func(a, b *shown) int { return cmp.Compare(a.s.Row.Into, b.s.Row.Into) })
		var sum [2]float64
		weight, last := 0.0, 0.0
		for _, row := range rows {
			fade := math.Exp(-(row.s.Row.Into - last) / lag)
			own := 1 - math.Exp(-row.s.Row.Duration/lag)
			weight = weight*fade + own
			for k := range sum {
				sum[k] = sum[k]*fade + own*row.change[k]
				if weight > 0 {
					row.change[k] = sum[k] / weight
				}
			}
			last = row.s.Row.Into
		}
	}
}

// followed learns how a metric follows its predictor from revision to revision, at passages of all cars but some: what
// a row shows is the slopes times what the tables foretell, heat soak, ambient temperature and deviations of the
// revision, its day and its pull.
func (f *Fleet) followed(m *Quantity, at []passage, without []string) (Follows, error) {
	out := Follows{Rest: Slope{Mean: m.slope, SD: m.slopeSD}}
	if m.SparkSD > 0 {
		out.Spark = out.Rest
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
	if m.trails() {
		trailed(all, f.Platform.Probe.Lag)
	}
	var squares [2]float64
	for _, row := range all {
		for k, x := range row.change {
			squares[k] += x * x
		}
	}
	slopes := []*Slope{&out.Rest, &out.Spark}
	var told []int // which of them
	for k := range slopes {
		if squares[k] > 0 && slopes[k].SD > 0 {
			told = append(told, k)
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
		nest.AddTo(row.s.Car+"\x00"+row.s.Row.Revision, row.s.Row, mixed.Row{X: x, Y: row.y})
	}
	model, err := mixed.Fit(MixedCars(nest), mixed.Prior{})
	if err != nil {
		return out, err
	}
	out.Cars, out.Revisions = len(cars), len(nest.Cars)
	out.Typical = math.Sqrt((squares[0] + squares[1]) / float64(len(all)))
	// Means over a car's revisions were taken off, which takes a degree of freedom a car.
	freed := float64(out.Revisions) / float64(max(1, out.Revisions-out.Cars))
	out.Missed = math.Sqrt(freed * model.Estimated.Car)
	const first = 2 // of the slopes' columns
	for j, k := range told {
		slopes[k].Shown, slopes[k].ShownSD = model.Coef[first+j], math.Sqrt(model.Cov[first+j][first+j])
	}
	together := 0.0
	if len(told) == 2 {
		together = model.Cov[first][first+1] / (out.Rest.ShownSD * out.Spark.ShownSD)
	}
	m.believe(&out, together)
	return out, nil
}

// A slope's posterior is summed over slopeGrid points within slopeReach prior deviations.
const (
	slopeGrid  = 161
	slopeReach = 5
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

// believe joins what past revisions show of the slopes, normal with the given correlation of their errors, with their
// priors, and keeps the first two moments.
func (m *Quantity) believe(f *Follows, correlation float64) {
	grid := func(s *Slope) []float64 {
		if s.ShownSD == 0 {
			return []float64{math.NaN()}
		}
		z := make([]float64, slopeGrid)
		for i := range z {
			z[i] = slopeZ(i)
		}
		return z
	}
	apart := func(s *Slope, z float64) (prior, d float64) {
		if s.ShownSD == 0 {
			return 0, 0
		}
		return z * z, (s.Shown - m.slopeAt(z)) / s.ShownSD
	}
	var rest, spark, weights []float64
	most := math.Inf(-1)
	for _, zr := range grid(&f.Rest) {
		for _, zs := range grid(&f.Spark) {
			pr, dr := apart(&f.Rest, zr)
			ps, ds := apart(&f.Spark, zs)
			w := -(pr + ps + (dr*dr-2*correlation*dr*ds+ds*ds)/(1-correlation*correlation)) / 2
			rest, spark, weights = append(rest, m.slopeAt(zr)), append(spark, m.slopeAt(zs)), append(weights, w)
			most = math.Max(most, w)
		}
	}
	for i := range weights {
		weights[i] = math.Exp(weights[i] - most)
	}
	for k, s := range []*Slope{&f.Rest, &f.Spark} {
		if s.ShownSD > 0 {
			mean, variance := stat.PopMeanVariance([][]float64{rest, spark}[k], weights)
			s.Mean, s.SD = mean, math.Sqrt(variance)
			s.Against = m.contradicts(s, f.Revisions-f.Cars)
		}
	}
	if f.Rest.ShownSD > 0 && f.Spark.ShownSD > 0 {
		total := 0.0
		for i, w := range weights {
			f.Covariance += w * (rest[i] - f.Rest.Mean) * (spark[i] - f.Spark.Mean)
			total += w
		}
		f.Covariance /= total
	}
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
