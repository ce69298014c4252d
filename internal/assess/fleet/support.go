package fleet

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/models/channel"
	"headroom/models/unit"
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
	// PlacedCut is the distance beyond which a state of a car is unlike what is put at its place for another car on
	// its class of fuel from the logs of other cells, in the same weather; Cut where nothing can be put anywhere.
	PlacedCut float64 `json:"placed_cut"`
	Cars      int     `json:"cars"`
	Visits    int     `json:"visits"`
}

const (
	supportPoints = 2000 // logged states kept
	supportShare  = 0.99 // of a car's own states that lie within Cut of the other cars'
	supportCars   = 3    // fewer cannot tell
	supportFolds  = 24   // most times that coordinates are learnt anew without some of the cars
)

// seenState is a logged state by its features.
type seenState struct {
	state *state.State
	x     []float64
}

// fitSupport learns where pulls have been. nil where fewer than supportCars cars logged what it takes. steady running
// beside them is put where no pull was.
func (f *Fleet) fitSupport(pulls, steady []*state.Visit) *Support {
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
	var all []seenState
	cars := evidence.NewIndex[string]()
	for _, v := range pulls {
		if x, ok := out.read(&v.State); ok {
			all = append(all, seenState{&v.State, x})
			cars.Of(v.Car)
		}
	}
	if len(cars.Keys) < supportCars || len(out.Known) == 0 || !out.learn(all, f.RPMStep) {
		return nil
	}
	out.Cars, out.Visits = len(cars.Keys), len(all)
	step := (len(all) + supportPoints - 1) / supportPoints
	var kept []seenState
	for i := 0; i < len(all); i += step {
		kept = append(kept, all[i])
		out.Points = append(out.Points, out.at(all[i].state.RPM/f.RPMStep, all[i].x))
	}
	r := &reference{Fleet: f, cars: cars.Keys, kept: kept, made: f.madeElsewhere(f.donorLogs(pulls, steady), kept)}
	logged, placed := r.distances(func(others []seenState) *Support {
		p := &Support{Known: out.Known}
		if !p.learn(others, f.RPMStep) {
			return nil
		}
		return p
	})
	if len(logged) == 0 {
		return nil
	}
	out.Cut = cutOf(logged)
	if out.PlacedCut = out.Cut; len(placed) > 0 {
		out.PlacedCut = cutOf(placed)
	}
	return out
}

// learn takes a support's coordinates from logged states; false where they have none.
func (p *Support) learn(from []seenState, rpmStep float64) bool {
	if len(from) < 2 {
		return false
	}
	left := mat.NewDense(len(from), len(p.Known), nil)
	for k := range p.Known {
		bins := map[int][]float64{}
		for _, s := range from {
			b := int(math.Floor(s.state.RPM / rpmStep))
			bins[b] = append(bins[b], s.x[k])
		}
		middle := map[int]float64{}
		for b, v := range bins {
			middle[b] = value.Median(v)
		}
		for i, s := range from {
			left.Set(i, k, s.x[k]-middle[int(math.Floor(s.state.RPM/rpmStep))])
		}
	}
	return p.scale(left)
}

// donorLogs are logged states by car and class of fuel: what a review puts where no pull was.
type donorLogs struct {
	*Fleet
	cars map[string][]string // by class, in order of appearance
	of   map[[2]string][]*state.State
}

func (f *Fleet) donorLogs(pulls, steady []*state.Visit) *donorLogs {
	out := &donorLogs{f, map[string][]string{}, map[[2]string][]*state.State{}}
	for _, visits := range [][]*state.Visit{pulls, steady} {
		for _, v := range visits {
			class := f.FuelClass(v.Fuel)
			key := [2]string{v.Car, class}
			if out.of[key] == nil {
				out.cars[class] = append(out.cars[class], v.Car)
			}
			out.of[key] = append(out.of[key], &v.State)
		}
	}
	return out
}

// ofAnother are the logs of another car on a state's class of fuel, which spark is set by; the turn says which. None
// where no other car runs it.
func (l *donorLogs) ofAnother(s *state.State, turn int) []*state.State {
	class := l.FuelClass(s.Fuel)
	cars := l.cars[class]
	at, others := slices.Index(cars, s.Car), len(cars)
	if at >= 0 {
		others--
	}
	if others == 0 {
		return nil
	}
	return l.of[[2]string{cars[(at+1+turn%others)%len(cars)], class}]
}

// madeElsewhere is, for each of the kept states, what is put at its speed and load for another car, other cars in
// turn, from the logs of that car in other cells.
func (f *Fleet) madeElsewhere(logs *donorLogs, kept []seenState) [][]*state.State {
	turn := map[string]int{}
	out := make([][]*state.State, len(kept))
	for i, s := range kept {
		out[i] = f.madeAt(s.state, logs.ofAnother(s.state, turn[s.state.Car]))
		turn[s.state.Car]++
	}
	return out
}

// madeAt are states of other cells put at the speed, load and charge temperature of a state: a table changes nothing
// about the weather.
func (f *Fleet) madeAt(s *state.State, from []*state.State) []*state.State {
	var elsewhere []*state.State
	for _, v := range from {
		if f.CellOf(v) != f.CellOf(s) {
			elsewhere = append(elsewhere, v)
		}
	}
	at := state.Place{X: channel.EngineSpeed, Y: channel.AbsoluteLoad, AtX: s.RPM, AtY: s.Load}
	var out []*state.State
	for _, i := range f.Donors(elsewhere, at) {
		made, ok := f.Made(elsewhere[i], at)
		if !ok {
			continue
		}
		if value.Known(made.Charge) && value.Known(s.Charge) { // the same air, warmer or colder
			made.Manifold *= (s.Charge + unit.ZeroCelsius) / (made.Charge + unit.ZeroCelsius)
			made.Charge = s.Charge
		}
		out = append(out, &made)
	}
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

// reference is what a state's distance is held against: logged states of whole cars, each held against the others'.
type reference struct {
	*Fleet
	cars []string
	kept []seenState
	made [][]*state.State // for each of kept, see madeElsewhere
}

// scored is a distance and what it counts.
type scored struct{ distance, weight float64 }

// distances are how far each kept state lies from all other cars' (logged), and from what is put at its place for
// another car (placed). Coordinates are learnt without the car that is held against the others, as they are of a new
// car: learnt with it they fit it too well, and cars that come later lie outside more often than promised (Barber,
// Candès, Ramdas and Tibshirani, Annals of Statistics 49, 2021, sec. 1.1; with more cars than supportFolds, some are
// left out together, as in their CV+, sec. 3).
func (r *reference) distances(learn func(others []seenState) *Support) (logged, placed []scored) {
	count, fold := map[string]float64{}, map[string]int{}
	for i, c := range r.cars {
		fold[c] = i % supportFolds
	}
	for _, s := range r.kept {
		count[s.state.Car]++
	}
	for k := range min(len(r.cars), supportFolds) {
		var others []seenState
		for _, s := range r.kept {
			if fold[s.state.Car] != k {
				others = append(others, s)
			}
		}
		p := learn(others)
		if p == nil {
			continue
		}
		points := make([][]float64, len(r.kept))
		for i, s := range r.kept {
			points[i] = p.at(s.state.RPM/r.RPMStep, s.x)
		}
		for i, s := range r.kept {
			if fold[s.state.Car] != k {
				continue
			}
			weight := 1 / count[s.state.Car]
			logged = append(logged, scored{r.fromOthers(points, i), weight})
			if d := r.fromMade(p, points[i], i); value.Known(d) {
				placed = append(placed, scored{d, weight})
			}
		}
	}
	return logged, placed
}

// fromOthers is the distance from one of the kept states to the nearest of another car.
func (r *reference) fromOthers(points [][]float64, i int) float64 {
	nearest := math.Inf(1)
	for j, point := range points {
		if r.kept[j].state.Car != r.kept[i].state.Car {
			nearest = math.Min(nearest, squared(points[i], point))
		}
	}
	return math.Sqrt(nearest)
}

// fromMade is the distance from one of the kept states to the furthest of those put at its place, as any of them takes
// a place outside; NaN where none was.
func (r *reference) fromMade(p *Support, here []float64, i int) float64 {
	most := math.NaN()
	for _, made := range r.made[i] {
		if x, ok := p.read(made); ok {
			if d := squared(here, p.at(made.RPM/r.RPMStep, x)); !(d <= most) {
				most = d
			}
		}
	}
	return math.Sqrt(most)
}

// cutOf is the distance within which supportShare of a car's states lie, cars counting the same: the conformal quantile
// over states left out car by car (Lei and others, JASA 113, 2018, sec. 2.2).
func cutOf(all []scored) float64 {
	slices.SortFunc(all, func(a, b scored) int { return cmp.Compare(a.distance, b.distance) })
	total, below := 0.0, 0.0
	for _, s := range all {
		total += s.weight
	}
	for _, s := range all {
		if below += s.weight; below >= supportShare*total {
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
	if f.Support == nil {
		return math.NaN(), ""
	}
	distance, far = f.between(a, b)
	return distance / math.Max(f.Support.Cut, 1), far
}

// PlacedApart is Apart of two states that were put at a place where no pull has been, a revision's and its parent's, in
// units of PlacedCut: a change within it is no more than what the fleet's cars differ by at a place from what is put
// there, so that only what a change adds beyond it is unlike what was logged.
func (f *Fleet) PlacedApart(a, b *state.State) (distance float64, far Feature) {
	if f.Support == nil {
		return math.NaN(), ""
	}
	distance, far = f.between(a, b)
	return distance / math.Max(f.Support.PlacedCut, 1), far
}

// between is how far two states lie from each other; NaN where either does not know a feature.
func (f *Fleet) between(a, b *state.State) (distance float64, far Feature) {
	p := f.Support
	x, okA := p.read(a)
	y, okB := p.read(b)
	if !okA || !okB {
		return math.NaN(), ""
	}
	here, there := p.at(a.RPM/f.RPMStep, x), p.at(b.RPM/f.RPMStep, y)
	return math.Sqrt(squared(here, there)), p.furthest(here, there)
}
