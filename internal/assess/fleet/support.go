package fleet

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"headroom/internal/assess/state"
	"headroom/models/value"
)

// Feature is a quantity by which operating states are told to be alike.
type Feature string

// Features, beside engine speed.
const (
	FeatureLoad     Feature = "load"
	FeatureManifold Feature = "manifold_pressure"
	FeatureCharge   Feature = "charge_temperature"
	FeatureSpark    Feature = "spark"
	FeatureLambda   Feature = "lambda"
)

// features are read in this order; smallest is the deviation below which a feature counts as not varying, so that a
// fleet on one calibration does not take a tenth of a degree for a long way: common practice, no source.
var features = []struct {
	id       Feature
	read     func(s *state.State) float64
	smallest float64
}{
	{FeatureLoad, func(s *state.State) float64 { return 100 * math.Log(s.Load) }, 3},
	{FeatureManifold, func(s *state.State) float64 { return s.Manifold }, 3},
	{FeatureCharge, func(s *state.State) float64 { return s.Charge }, 3},
	{FeatureSpark, func(s *state.State) float64 { return s.Spark }, 1},
	{FeatureLambda, func(s *state.State) float64 { return s.LambdaCommanded }, 0.02},
}

// Support is where the fleet has been with its engines in pulls: logged states in coordinates in which a unit is a
// deviation of states of one speed, correlations taken out (Mahalanobis, Proceedings of the National Institute of
// Sciences of India 2, 1936), and speed in cells of the grid.
type Support struct {
	Known  []Feature   `json:"known"`  // that the fleet logs, in the order of features
	Spread []float64   `json:"spread"` // of each about its speed's median, in its unit
	Whiten [][]float64 `json:"whiten"` // inverse of the lower Cholesky factor of their correlations
	Points [][]float64 `json:"points"` // logged states: speed first, then whitened features
	Cut    float64     `json:"cut"`    // distance beyond which a state of a car is unlike all of the other cars'
	Cars   int         `json:"cars"`
	Visits int         `json:"visits"`
}

const (
	supportPoints = 2000 // logged states kept
	supportShare  = 0.99 // of a car's own states that lie within Cut of the other cars'
	supportCars   = 3    // fewer cannot tell
)

// fitSupport learns where pulls have been. nil where fewer than supportCars cars logged what it takes.
func (f *Fleet) fitSupport(pulls []*state.Visit) *Support {
	out := &Support{}
	for _, x := range features {
		known := 0
		for _, v := range pulls {
			if value.Known(x.read(&v.State)) {
				known++
			}
		}
		if known > 0 && float64(known) >= 0.8*float64(len(pulls)) {
			out.Known = append(out.Known, x.id)
		}
	}
	type seen struct {
		car string
		rpm float64
		x   []float64
	}
	var all []seen
	for _, v := range pulls {
		if x, ok := out.read(&v.State); ok {
			all = append(all, seen{v.Car, v.RPM, x})
		}
	}
	byCar := map[string]int{}
	for _, s := range all {
		byCar[s.car]++
	}
	if len(byCar) < supportCars || len(out.Known) == 0 {
		return nil
	}
	out.Cars, out.Visits = len(byCar), len(all)
	left := mat.NewDense(len(all), len(out.Known), nil)
	for k := range out.Known {
		bins := map[int][]float64{}
		for _, s := range all {
			b := int(math.Floor(s.rpm / f.RPMStep))
			bins[b] = append(bins[b], s.x[k])
		}
		middle := map[int]float64{}
		for b, v := range bins {
			middle[b] = value.Median(v)
		}
		for i, s := range all {
			left.Set(i, k, s.x[k]-middle[int(math.Floor(s.rpm/f.RPMStep))])
		}
	}
	if !out.scale(left) {
		return nil
	}
	step := (len(all) + supportPoints - 1) / supportPoints
	var cars []string
	for i := 0; i < len(all); i += step {
		out.Points = append(out.Points, out.at(all[i].rpm/f.RPMStep, all[i].x))
		cars = append(cars, all[i].car)
	}
	out.Cut = out.cut(cars)
	return out
}

// read are a state's features; ok is false where one is not known.
func (p *Support) read(s *state.State) (x []float64, ok bool) {
	for _, f := range features {
		if !slices.Contains(p.Known, f.id) {
			continue
		}
		v := f.read(s)
		if !value.Known(v) {
			return nil, false
		}
		x = append(x, v)
	}
	return x, value.Known(s.RPM)
}

// scale takes spreads and correlations from what is left about the medians: spreads by the median absolute deviation,
// which a few odd cars do not move (Hampel, JASA 69, 1974; 1.4826 makes it a normal's standard deviation).
func (p *Support) scale(left *mat.Dense) bool {
	n, k := left.Dims()
	p.Spread = make([]float64, k)
	for j := range k {
		column := mat.Col(nil, j, left)
		for i := range column {
			column[i] = math.Abs(column[i])
		}
		p.Spread[j] = math.Max(1.4826*value.Median(column), p.smallest(j))
		for i := range n {
			left.Set(i, j, left.At(i, j)/p.Spread[j])
		}
	}
	var correlation mat.SymDense
	stat.CorrelationMatrix(&correlation, left, nil)
	for i := range k {
		for j := range i {
			r := correlation.At(i, j)
			if !value.Known(r) {
				r = 0
			}
			correlation.SetSym(i, j, shrunk*r)
		}
		correlation.SetSym(i, i, 1)
	}
	var c mat.Cholesky
	if !c.Factorize(&correlation) {
		return false
	}
	var lower mat.TriDense
	c.LTo(&lower)
	var inverse mat.TriDense
	if inverse.InverseTri(&lower) != nil {
		return false
	}
	p.Whiten = make([][]float64, k)
	for i := range k {
		p.Whiten[i] = make([]float64, k)
		for j := range i + 1 {
			p.Whiten[i][j] = inverse.At(i, j)
		}
	}
	return true
}

// shrunk keeps correlations that are all but one from taking two readings of one thing, load and manifold pressure,
// for a long way apart; common practice, no source.
const shrunk = 0.9

func (p *Support) smallest(k int) float64 {
	for _, f := range features {
		if f.id == p.Known[k] {
			return f.smallest
		}
	}
	return 1
}

// at is a state in the support's coordinates.
func (p *Support) at(speed float64, x []float64) []float64 {
	out := make([]float64, 1, len(x)+1)
	out[0] = speed
	for i := range x {
		sum := 0.0
		for j := range i + 1 {
			sum += p.Whiten[i][j] * x[j] / p.Spread[j]
		}
		out = append(out, sum)
	}
	return out
}

func squared(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += (a[i] - b[i]) * (a[i] - b[i])
	}
	return sum
}

// cut is the distance within which supportShare of a car's states lie of the other cars', cars counting the same: the
// split-conformal quantile over states left out car by car (Lei and others, JASA 113, 2018, sec. 2.2).
func (p *Support) cut(cars []string) float64 {
	type scored struct{ distance, weight float64 }
	count := map[string]float64{}
	for _, c := range cars {
		count[c]++
	}
	all := make([]scored, len(cars))
	for i, a := range p.Points {
		nearest := math.Inf(1)
		for j, b := range p.Points {
			if cars[j] != cars[i] {
				nearest = math.Min(nearest, squared(a, b))
			}
		}
		all[i] = scored{math.Sqrt(nearest), 1 / count[cars[i]]}
	}
	slices.SortFunc(all, func(a, b scored) int { return cmp.Compare(a.distance, b.distance) })
	below := 0.0
	for _, s := range all {
		if below += s.weight; below >= supportShare*float64(len(count)) {
			return s.distance
		}
	}
	return all[len(all)-1].distance
}

// Distance is how far a state lies from the nearest logged one of the fleet or of own, in units of Cut; NaN where the
// state does not know a feature. own are logged states of the car itself, which the kept points may lack. far is the
// feature that does most to it.
func (f *Fleet) Distance(s *state.State, own []*state.State) (distance float64, far Feature) {
	p := f.Support
	if p == nil {
		return math.NaN(), ""
	}
	x, ok := p.read(s)
	if !ok {
		return math.NaN(), ""
	}
	here := p.at(s.RPM/f.RPMStep, x)
	nearest, at := math.Inf(1), []float64(nil)
	look := func(point []float64) {
		if d := squared(here, point); d < nearest {
			nearest, at = d, point
		}
	}
	for _, point := range p.Points {
		look(point)
	}
	for _, o := range own {
		if y, ok := p.read(o); ok {
			look(p.at(o.RPM/f.RPMStep, y))
		}
	}
	return math.Sqrt(nearest) / math.Max(p.Cut, 1), p.furthest(here, at)
}

// furthest is the feature that two points differ most in, by its own spread.
func (p *Support) furthest(a, b []float64) Feature {
	// Whitening is lower triangular, so features come back by forward substitution.
	most, out := 0.0, Feature("")
	x := make([]float64, len(p.Known))
	for i := range p.Known {
		v := a[i+1] - b[i+1]
		for j := range i {
			v -= p.Whiten[i][j] * x[j]
		}
		x[i] = v / p.Whiten[i][i]
		if math.Abs(x[i]) > most {
			most, out = math.Abs(x[i]), p.Known[i]
		}
	}
	return out
}

// Apart is how far two states lie from each other, in units of Cut; NaN where either does not know a feature. far is
// the feature that does most to it.
func (f *Fleet) Apart(a, b *state.State) (distance float64, far Feature) {
	p := f.Support
	if p == nil {
		return math.NaN(), ""
	}
	x, okA := p.read(a)
	y, okB := p.read(b)
	if !okA || !okB {
		return math.NaN(), ""
	}
	here, there := p.at(a.RPM/f.RPMStep, x), p.at(b.RPM/f.RPMStep, y)
	return math.Sqrt(squared(here, there)) / math.Max(p.Cut, 1), p.furthest(here, there)
}
