package knock

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"

	"headroom/models/value"
)

// Fit returns the posterior of the knock-limited spark of a fleet. Cars may come in any order; ids must be unique. An
// error means an argument that cannot be used (it says which). Anything the data are too poor for is an answer with
// Warnings instead: without rows the model is the prior; without a single event it is bounded below and wide above; a
// fit that does not converge says so (Converged false) and is the prior with its full width.
func Fit(cars []Car, prior Prior, opt Options) (*Model, error) {
	prior, opt = prior.withDefaults(), opt.withDefaults()
	if err := prior.check(); err != nil {
		return nil, fmt.Errorf("knock fit: %w", err)
	}
	if err := opt.check(); err != nil {
		return nil, fmt.Errorf("knock fit: %w", err)
	}
	sorted, err := checked(cars)
	if err != nil {
		return nil, fmt.Errorf("knock fit: %w", err)
	}
	spline, err := splineFor(sorted, prior, opt)
	if err != nil {
		return nil, fmt.Errorf("knock fit: %w", err)
	}
	reach := reachOf(sorted)
	d := flatten(sorted, &spline, &reach, opt.MissShare)
	m := priorModel(spline, reach, prior)
	m.count(sorted)
	m.Warnings = append(m.Warnings, dataWarnings(sorted)...)
	if m.Rows == 0 {
		m.Converged = true
		return m, nil
	}
	s := newSearch(d, spline, prior, opt)
	if err := s.run(); err != nil {
		m.Iterations = s.evaluations
		m.warn("the fit did not converge (%v): the result is the physics prior with its full width", err)
		return m, nil
	}
	s.fill(m)
	m.Warnings = append(m.Warnings, m.fitWarnings()...)
	return m, nil
}

func splineFor(cars []Car, prior Prior, opt Options) (Spline, error) {
	var speeds []float64
	for _, c := range cars {
		for _, p := range c.Pulls {
			for _, cell := range p.Cells {
				speeds = append(speeds, cell.RPM)
			}
		}
	}
	lo, hi, distinct := 1500.0, 7000.0, opt.Knots
	if len(speeds) > 0 {
		slices.Sort(speeds)
		lo, hi = speeds[0], speeds[len(speeds)-1]
		distinct = 1
		for i := 1; i < len(speeds); i++ {
			if speeds[i] > speeds[i-1] {
				distinct++
			}
		}
	}
	if opt.RPMLow > 0 {
		lo = opt.RPMLow
	}
	if opt.RPMHigh > 0 {
		hi = opt.RPMHigh
	}
	if hi < lo {
		return Spline{}, fmt.Errorf("speed range %g to %g rpm runs backwards", lo, hi)
	}
	knots := placeKnots(lo, hi, distinct, opt.Knots)
	ref := prior.LevelRPM
	if ref == 0 {
		ref = (lo + hi) / 2
	}
	return newSpline(knots, ref)
}

func flatten(cars []Car, spline *Spline, reach *[NumCovariates]float64, missShare float64) *data {
	nb := len(spline.Knots)
	d := &data{p: numCoefs(nb)}
	for _, c := range cars {
		from := len(d.pulls)
		for _, p := range c.Pulls {
			if len(p.Cells) == 0 {
				continue
			}
			lo, cleans := len(d.rows), 0
			for _, cell := range p.Cells {
				r := row{kind: interval, lower: cell.Lower, upper: cell.Upper, detect: cell.Detect,
					falsely: math.Pow(falseRepeat, float64(max(cell.Steps, 1)-1))}
				if cell.FalseShare > 0 {
					r.falsely *= cell.FalseShare
				}
				if cell.Clean() {
					r.kind = clean
					cleans++
				}
				r.detect = math.Min(math.Max(r.detect, minDetect), 1-missShare)
				d.rows = append(d.rows, r)
				at := len(d.x)
				d.x = append(d.x, make([]float64, d.p)...)
				spline.design(cell.RPM, d.x[at:at+nb])
				copy(d.x[at+nb:], cell.Z[:])
				bends(&cell.Z, reach, d.x[at+nb+NumCovariates:])
			}
			d.pulls = append(d.pulls, span{lo, len(d.rows)})
			d.cleans = append(d.cleans, cleans)
		}
		if len(d.pulls) > from {
			d.cars = append(d.cars, span{from, len(d.pulls)})
			d.ids = append(d.ids, c.ID)
		}
	}
	d.split()
	return d
}

// falseRepeat is the chance that a false event in a cell is followed by one more: real knock repeats until the spark
// is below the limit, noise seldom does. Common practice, no source.
const falseRepeat = 0.05

// minDetect keeps an event in a log that should never have shown it from being impossible.
const minDetect = 1e-4

// search is the state of one fit. Parameters are worked on in units of their prior: raw = centre + scale·b with
// b ~ N(0, 1), so the prior is ½Σb² and a scale of zero holds a parameter at its centre. A slope of physics is
// raw = centre·exp(b·scale/|centre|).
type search struct {
	*integrator
	centre, scale []float64
	signed        []int // parameters that keep the sign of their centre
	b             []float64
	curved        span // coefficients that share the roughness scale
	roughness     float64
	roughPrior    float64
	opt           Options
	evaluations   int

	tails        []float64 // shares of wide residuals to try
	logLike      float64
	logPosterior float64   // up to a constant
	lambda       []float64 // eigenvalues of the precision of b, floored
	vectors      mat.Dense
	moments      []carMoments // of the cars at the last placement
	indefinite   bool
	frozen       bool // the nodes had to be held for the mode to settle
}

func newSearch(d *data, spline Spline, prior Prior, opt Options) *search {
	nb := len(spline.Knots)
	s := &search{opt: opt, curved: span{2, nb}, roughness: prior.CurvatureScale, roughPrior: prior.CurvatureScale}
	s.integrator = newIntegrator(d, opt.CarNodes, opt.PullNodes, opt.Workers, prior.CarSD.Median, prior.PullSD.Median)
	s.centre, s.scale = whitening(nb, prior)
	for _, k := range physical {
		if prior.SlopeMean[k] != 0 && prior.SlopeSD[k] > 0 {
			s.signed = append(s.signed, nb+k)
		}
	}
	s.tails = prior.tails()
	s.b = make([]float64, len(s.centre))
	return s
}

// numCoefs is the number of coefficients with a spline of so many: slopes and bends follow.
func numCoefs(splines int) int { return splines + NumCovariates + len(physical) }

// whitening returns the centre and scale of every parameter's prior.
func whitening(nb int, prior Prior) (centre, scale []float64) {
	n := numCoefs(nb) + numSpreads
	centre, scale = make([]float64, n), make([]float64, n)
	centre[0], scale[0] = prior.LevelMean, prior.LevelSD
	centre[1], scale[1] = prior.SpeedSlopeMean, prior.SpeedSlopeSD
	for i := 2; i < nb; i++ {
		scale[i] = prior.CurvatureScale
	}
	for k := 0; k < NumCovariates; k++ {
		centre[nb+k], scale[nb+k] = prior.SlopeMean[k], prior.SlopeSD[k]
	}
	at := nb + NumCovariates
	for i, k := range physical {
		scale[at+i] = prior.BendShare * prior.SlopeSD[k]
	}
	at += len(physical)
	for i, sp := range []Spread{prior.CarSD, prior.PullSD, prior.CellSD} {
		centre[at+i], scale[at+i] = math.Log(sp.Median), sp.LogSD
	}
	c := prior.Contamination
	centre[at+atShare], scale[at+atShare] = math.Log(c.Median/(1-c.Median)), c.LogSD
	return centre, scale
}

func (s *search) raw(b []float64) []float64 {
	raw := make([]float64, len(b))
	for i, v := range b {
		raw[i] = s.centre[i] + s.scale[i]*v
	}
	for _, i := range s.signed {
		raw[i] = s.centre[i] * math.Exp(s.logSD(i)*b[i])
	}
	return raw
}

// logSD is the prior deviation of the logarithm of a signed parameter.
func (s *search) logSD(i int) float64 { return s.scale[i] / math.Abs(s.centre[i]) }

// rates are the derivatives of the raw parameters by b.
func (s *search) rates(b []float64) []float64 {
	rates := slices.Clone(s.scale)
	for _, i := range s.signed {
		rates[i] *= math.Copysign(math.Exp(s.logSD(i)*b[i]), s.centre[i])
	}
	return rates
}

// objective returns minus the log posterior at b and writes its gradient.
func (s *search) objective(b, grad []float64) float64 {
	s.evaluations++
	v := -s.value(s.raw(b), grad)
	rates := s.rates(b)
	for i, x := range b {
		grad[i] = -grad[i]*rates[i] + x
		v += 0.5 * x * x
	}
	return v
}

// Fits of more rows than this start from a fit of every k-th car.
const (
	subsetAbove = 15000
	subsetRows  = 8000
)

func (s *search) run() error {
	n := len(s.rows)
	if n <= subsetAbove || len(s.cars) < 20 {
		return s.chooseTail()
	}
	every := min((n+subsetRows-1)/subsetRows, len(s.cars)/10)
	sub := *s
	sub.scale = slices.Clone(s.scale)
	sub.b = slices.Clone(s.b)
	sub.moments = nil
	sub.integrator = newIntegrator(s.everyCar(every), s.opt.CarNodes, s.opt.PullNodes, s.opt.Workers, s.uSD[0],
		s.wSD[0])
	s.tail = s.tails[0]
	if err := sub.chooseTail(); err == nil {
		s.b, s.scale, s.roughness, s.tail = sub.b, sub.scale, sub.roughness, sub.tail
	}
	s.evaluations = sub.evaluations
	return s.rounds()
}

// objection is how much lower the log posterior may lie with heavy tails before they are given up: short of that the
// rows do not tell, and heavier tails are the cautious reading of them.
const objection = 1

// chooseTail fits with each share of wide residuals and keeps the last one the rows do not object to.
func (s *search) chooseTail() error {
	s.tail = s.tails[0]
	err := s.fromBothStarts()
	for _, tail := range s.tails[1:] {
		alt := s.fork()
		alt.tail = tail
		altErr := alt.rounds()
		s.evaluations = alt.evaluations
		if altErr != nil || err == nil && alt.logPosterior < s.logPosterior-objection {
			continue
		}
		*s, err = *alt, nil
	}
	return err
}

// fork is a search of the same data that starts where this one stands and leaves it as it is.
func (s *search) fork() *search {
	alt := *s
	alt.b, alt.scale = slices.Clone(s.b), slices.Clone(s.scale)
	g := *s.integrator
	g.u, g.uSD = slices.Clone(s.u), slices.Clone(s.uSD)
	g.w, g.wSlope, g.wSD = slices.Clone(s.w), slices.Clone(s.wSlope), slices.Clone(s.wSD)
	alt.integrator = &g
	alt.vectors = mat.Dense{}
	alt.moments = nil
	return &alt
}

// farFromPrior is how many prior deviations the level of the events may lie from the prior's before a search from there
// is made as well.
const farFromPrior = 1

// fromBothStarts searches from the prior and, where events lie far from it, from the level they show, and keeps the
// higher posterior. With a prior far off, the search from it alone can end where all events are false ones: each event
// far below the limit says so more firmly than the level can move.
func (s *search) fromBothStarts() error {
	shown, ok := s.eventLevel()
	if !ok || math.Abs(shown) < farFromPrior {
		return s.rounds()
	}
	alt := s.fork()
	alt.b[0] = shown
	err, altErr := s.rounds(), alt.believing()
	alt.evaluations += s.evaluations
	if altErr == nil && (err != nil || alt.logPosterior > s.logPosterior) {
		*s, err = *alt, nil
	}
	s.evaluations = alt.evaluations
	return err
}

// believing searches with the share of false events held at its prior, and then with it free.
func (s *search) believing() error {
	share := len(s.scale) - numSpreads + atShare
	free := s.scale[share]
	s.scale[share] = 0
	err := s.rounds()
	s.scale[share] = free
	if err != nil {
		return err
	}
	return s.rounds()
}

// eventLevel is the median level, in units of the prior, at which the spark of events would be the limit, with all else
// as the prior has it.
func (s *search) eventLevel() (float64, bool) {
	raw := s.raw(make([]float64, len(s.b)))
	var levels []float64
	for i, r := range s.rows {
		if r.kind == clean {
			continue
		}
		levels = append(levels, (r.upper-value.Dot(s.x[i*s.p:(i+1)*s.p], raw[:s.p]))/s.scale[0])
	}
	if len(levels) == 0 || s.scale[0] == 0 {
		return 0, false
	}
	slices.Sort(levels)
	return levels[len(levels)/2], true
}

// everyCar returns the data of cars 0, k, 2k, …
func (d *data) everyCar(k int) *data {
	sub := &data{p: d.p}
	for c := 0; c < len(d.cars); c += k {
		from := len(sub.pulls)
		for p := d.cars[c].lo; p < d.cars[c].hi; p++ {
			lo := len(sub.rows)
			sub.rows = append(sub.rows, d.rows[d.pulls[p].lo:d.pulls[p].hi]...)
			sub.x = append(sub.x, d.x[d.pulls[p].lo*d.p:d.pulls[p].hi*d.p]...)
			sub.pulls = append(sub.pulls, span{lo, len(sub.rows)})
			sub.cleans = append(sub.cleans, d.cleans[p])
		}
		sub.cars = append(sub.cars, span{from, len(sub.pulls)})
		sub.ids = append(sub.ids, d.ids[c])
	}
	sub.split()
	return sub
}

const (
	gradientTolerance  = 0.02 // of a posterior sd: how far from the mode a fit may stop
	dampFrom           = 6    // rounds after which the nodes go half way and the mode may swing by laterTolerance
	laterTolerance     = 0.1  // of a posterior sd, the error of the quadrature itself on awkward data
	freezeFrom         = 16   // rounds after which the nodes stay where they are
	roughnessTolerance = 0.05 // of ln roughness
	roundIterations    = 12
)

// rounds alternates placing the quadrature nodes with a quasi-Newton search at fixed nodes until the mode no longer
// moves when the nodes do.
func (s *search) rounds() error {
	grad := make([]float64, len(s.b))
	tolerance := gradientTolerance
	for round := range s.opt.MaxRounds {
		if round >= dampFrom {
			tolerance = laterTolerance
		}
		if s.frozen = round >= freezeFrom; !s.frozen {
			s.place(s.raw(s.b), round >= dampFrom)
		}
		loss := s.objective(s.b, grad)
		s.measure(grad)
		if !value.Known(loss) || !value.AllKnown(grad...) || !value.AllKnown(s.lambda...) {
			return fmt.Errorf("the likelihood is not finite")
		}
		moved := s.smooth()
		if !moved && s.decrement(grad) < tolerance {
			s.logPosterior = -loss
			s.logLike = -loss
			for _, x := range s.b {
				s.logLike += 0.5 * x * x
			}
			return nil
		}
		if err := s.descend(); err != nil {
			return err
		}
	}
	return fmt.Errorf("the mode still moved after %d rounds", s.opt.MaxRounds)
}

// measure sets the precision of b at the present parameters, where grad is the objective's gradient.
func (s *search) measure(grad []float64) {
	n := len(s.b)
	if s.moments == nil {
		s.moments = make([]carMoments, len(s.cars))
	}
	info := s.information(s.raw(s.b), s.moments)
	j := mat.NewSymDense(n, nil)
	rates := s.rates(s.b)
	for a := 0; a < n; a++ {
		for c := a; c < n; c++ {
			v := info[a*n+c] * rates[a] * rates[c]
			if a == c {
				v++
			}
			j.SetSym(a, c, v)
		}
	}
	for _, i := range s.signed {
		j.SetSym(i, i, j.At(i, i)+s.logSD(i)*(grad[i]-s.b[i])) // the curve of raw itself
	}
	s.lambda = make([]float64, n)
	for i := range s.lambda {
		s.lambda[i] = math.NaN()
	}
	var eig mat.EigenSym
	if !value.AllKnown(info...) || !eig.Factorize(j, true) {
		return
	}
	eig.Values(s.lambda)
	eig.VectorsTo(&s.vectors)
	s.indefinite = s.lambda[0] < minPrecision
	for i, l := range s.lambda {
		s.lambda[i] = math.Max(l, minPrecision)
	}
}

// minPrecision floors the posterior precision in prior units: the posterior is never taken for much wider than the
// prior.
const minPrecision = 0.5

// decrement is the length of the gradient in units of posterior sd.
func (s *search) decrement(grad []float64) float64 {
	sum := 0.0
	for k, l := range s.lambda {
		dot := 0.0
		for i, g := range grad {
			dot += s.vectors.At(i, k) * g
		}
		sum += dot * dot / l
	}
	return math.Sqrt(sum)
}

// covariance of b.
func (s *search) covariance() *mat.SymDense {
	n := len(s.b)
	cov := mat.NewSymDense(n, nil)
	for i := 0; i < n; i++ {
		for j := i; j < n; j++ {
			sum := 0.0
			for k, l := range s.lambda {
				sum += s.vectors.At(i, k) * s.vectors.At(j, k) / l
			}
			cov.SetSym(i, j, sum)
		}
	}
	return cov
}

// roughWeight is the number of pseudo-observations behind the prior roughness.
const roughWeight = 2

// smooth takes one EM step of the roughness scale τ, τ² = (ν τ₀² + Σ E[c²]) / (ν + n) over the n roughness
// coefficients c (Dempster, Laird & Rubin 1977 applied to the spline's random coefficients), and reports whether it
// moved.
func (s *search) smooth() bool {
	n := s.curved.hi - s.curved.lo
	if n <= 0 {
		return false
	}
	sum := roughWeight * s.roughPrior * s.roughPrior
	for i := s.curved.lo; i < s.curved.hi; i++ {
		v := 0.0
		for k, l := range s.lambda {
			e := s.vectors.At(i, k)
			v += e * e / l
		}
		sum += s.scale[i] * s.scale[i] * (s.b[i]*s.b[i] + v)
	}
	next := math.Sqrt(sum / float64(roughWeight+n))
	if math.Abs(math.Log(next/s.roughness)) < roughnessTolerance {
		return false
	}
	for i := s.curved.lo; i < s.curved.hi; i++ {
		s.b[i] *= s.roughness / next
		s.scale[i] = next
	}
	s.roughness = next
	return true
}

// descend runs the quasi-Newton search in coordinates where the posterior measured at its start is a unit ball.
func (s *search) descend() error {
	n := len(s.b)
	start := slices.Clone(s.b)
	b, grad := make([]float64, n), make([]float64, n)
	var lastX []float64
	var lastV float64
	lastG := make([]float64, n)
	at := func(y []float64) {
		if lastX != nil && slices.Equal(lastX, y) {
			return
		}
		lastX = append(lastX[:0], y...)
		copy(b, start)
		for k, l := range s.lambda {
			t := y[k] / math.Sqrt(l)
			for i := range b {
				b[i] += s.vectors.At(i, k) * t
			}
		}
		lastV = s.objective(b, grad)
		for k, l := range s.lambda {
			dot := 0.0
			for i, g := range grad {
				dot += s.vectors.At(i, k) * g
			}
			lastG[k] = dot / math.Sqrt(l)
		}
	}
	problem := optimize.Problem{
		Func: func(y []float64) float64 { at(y); return lastV },
		Grad: func(g, y []float64) { at(y); copy(g, lastG) },
	}
	settings := &optimize.Settings{
		GradientThreshold: gradientTolerance / 4,
		MajorIterations:   roundIterations,
		Converger:         &optimize.FunctionConverge{Absolute: 1e-6, Iterations: 3},
	}
	result, err := optimize.Minimize(problem, make([]float64, n), settings, &optimize.BFGS{})
	if result == nil || !value.AllKnown(result.X...) || !value.Known(result.F) {
		return fmt.Errorf("quasi-Newton search failed: %w", err)
	}
	for k, l := range s.lambda {
		t := result.X[k] / math.Sqrt(l)
		for i := range s.b {
			s.b[i] += s.vectors.At(i, k) * t
		}
	}
	return nil
}
