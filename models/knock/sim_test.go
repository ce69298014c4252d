package knock

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"

	"headroom/models/risk"
)

// trueFleet is a fleet whose knock comes from other equations than the ones fitted: a speed curve with a step and a
// ripple, charge, heat and mixture acting nonlinearly, Student-t cars, pulls and cells, a controller that steps and
// recovers slowly cycle by cycle, knock heard only with some chance, false knock, logs sampled fast and slowly, and a
// few sensors that are off.
type trueFleet struct {
	rng *rand.Rand
	scenario
	fleet []trueCar
}

// scenario is what a fleet looks like to the fit.
type scenario struct {
	name        string
	cars, pulls int
	intervals   []float64 // of the logs, s; each car has one
	plainBounds bool      // events bounded by the sparks around the rise alone, without Rise.Bounds
	eachOnce    bool      // states of a log that skips cells stand for themselves alone
	wholeRise   bool      // events bounded by the whole rise, however many steps it was of
	eachRise    bool      // a rise counts as one step, however many it was of
	shift       float64   // of every spark table, °: more or less knock
}

var mixed = scenario{name: "mixed logs, 0.05–1 s", cars: 30, pulls: 14, intervals: []float64{0.05, 0.1, 0.2, 0.5, 1}}

type trueCar struct {
	id           string
	u            float64
	advance      float64 // of its spark table over the fleet's
	interval     float64 // of its log, s
	heatOff      float64 // of its charge temperature sensor, K
	lambdaOff    float64
	octane, heat float64 // its usual fuel and weather
}

const (
	stepDeg   = 1.5
	recovery  = 0.8 // °/s
	tolerated = 3.0
)

// student draws a t variate with the given degrees of freedom, scaled to the given standard deviation.
func student(rng *rand.Rand, df int, sd float64) float64 {
	chi := 0.0
	for range df {
		x := rng.NormFloat64()
		chi += x * x
	}
	return sd * rng.NormFloat64() / math.Sqrt(chi/float64(df)) * math.Sqrt(float64(df-2)/float64(df))
}

func newTrueFleet(seed uint64, sc scenario) *trueFleet {
	f := &trueFleet{rng: rand.New(rand.NewPCG(seed, 77)), scenario: sc}
	for c := range sc.cars {
		f.fleet = append(f.fleet, f.draw(fmt.Sprintf("car-%03d", c)))
	}
	return f
}

func (f *trueFleet) draw(id string) trueCar {
	r := f.rng
	car := trueCar{id: id, u: student(r, 5, 1.1), advance: 1.2 * r.NormFloat64(),
		interval: f.intervals[r.IntN(len(f.intervals))],
		octane:   float64(r.IntN(3)-1) * 2, heat: 5 * r.NormFloat64()}
	switch r.IntN(20) {
	case 0:
		car.heatOff = 8
	case 1:
		car.lambdaOff = 0.03
	}
	return car
}

// visit is a stay in one cell: what is really so, and what the log's covariates say.
type visit struct {
	rpm, charge, heat, lambda, cycles float64
	octane, coolant                   float64
	limit, mean                       float64 // knock-limited spark of this visit, and without pull and cell
	table                             float64 // spark commanded by the parent's table
	z                                 [NumCovariates]float64
}

func trueLimit(v *visit) float64 {
	x := (v.rpm - 4000) / 1000
	k := 15 + 3*math.Tanh(1.2*(x+0.6)) + 0.5*math.Sin(2.2*x)
	k += -20*(v.charge-1) + 9*(v.charge-1)*(v.charge-1)
	k += -0.13*v.heat - 0.0012*v.heat*v.heat
	k += 0.75*v.octane - 0.04*v.octane*v.octane
	k += -10*(v.lambda-0.85) - 60*(v.lambda-0.85)*(v.lambda-0.85)
	k += -0.04 * v.coolant
	k += -0.6 * (math.Sqrt(v.cycles/20) - 1)
	return k
}

// pull draws one pull of a car at charge times the usual.
func (f *trueFleet) pull(car *trueCar, boost float64) []visit {
	r := f.rng
	w := student(r, 6, 0.75)
	heat := car.heat + 8*r.NormFloat64()
	coolant := 3 * r.NormFloat64()
	rise := 6 + 2*r.NormFloat64()
	rate := 500 + 400*r.Float64() // rev/min per second
	surge := 1 + 0.03*r.NormFloat64()
	var out []visit
	for rpm := 2200.0; rpm < 6400; rpm += 400 {
		x := (rpm - 4000) / 1000
		v := visit{rpm: rpm + 200, octane: car.octane, coolant: coolant}
		v.charge = boost * surge * (1 + 0.12*math.Exp(-x*x/2) - 0.03*x) * (1 + 0.01*r.NormFloat64())
		v.heat = heat + rise*(rpm-2200)/4200 + 30*(boost-1)
		v.lambda = 0.85 + 0.012*r.NormFloat64() - 0.01*x
		dwell := 400 / rate
		v.cycles = dwell * v.rpm / 120
		v.mean = trueLimit(&v) + car.u
		v.limit = v.mean + w + student(r, 4, 0.9)
		v.table = math.Round(10*(12+f.shift+car.advance+2.2*x-0.5*x*x-18*math.Log(v.charge/1.05)+0.5*car.octane)) / 10
		v.z[LnCharge] = math.Log(v.charge / 1.05)
		v.z[ChargeTemperature] = v.heat + car.heatOff
		v.z[OctaneIndex] = v.octane
		v.z[Lambda] = v.lambda + car.lambdaOff - 0.85
		v.z[CoolantTemperature] = v.coolant
		v.z[LnCycles] = math.Log(v.cycles / 20)
		out = append(out, v)
	}
	return out
}

// drive runs the controller through a pull with the table raised by advance. It returns the largest retard and what a
// log sampled every interval shows, cell by cell, with the visit that each cell is of.
func (f *trueFleet) drive(visits []visit, advance, interval float64) (largest float64, cells []Cell, of []int) {
	r := f.rng
	retard, sinceStep := 0.0, 1.0
	nextSample := interval * r.Float64()
	lastRetard := 0.0
	now, sampledAt := 0.0, math.Inf(-1)
	for i := range visits {
		v := &visits[i]
		dt := 120 / v.rpm
		cell := Cell{RPM: v.rpm, Z: v.z, Lower: math.Inf(-1), Upper: math.Inf(1)}
		samples, dwell := 0, 0.0
		lowest := math.Inf(1)
		var lowestRise Rise
		passed := passedSpark{largest: math.NaN()}
		largestSpark := math.Inf(-1)
		falseAt := -1
		if r.Float64() < 0.004 {
			falseAt = r.IntN(int(v.cycles) + 1)
		}
		for c := 0; c < int(v.cycles); c++ {
			spark := v.table + advance - retard
			heard := spark > v.limit && r.Float64() < 0.6
			if (heard || c == falseAt) && sinceStep > 0.06 {
				retard += stepDeg
				sinceStep = 0
			} else {
				retard = math.Max(0, retard-recovery*dt)
			}
			largest = math.Max(largest, retard)
			sinceStep += dt
			now += dt
			if now < nextSample {
				continue
			}
			for nextSample <= now {
				nextSample += interval
			}
			samples++
			// A log's samples stand for the time between them: internal/evidence books a cell's time and cycles so.
			dwell += math.Min(now-sampledAt, math.Max(interval, dt))
			before := sampledAt
			sampledAt = now
			sampled := v.table + advance - retard
			largestSpark = math.Max(largestSpark, sampled)
			if rise := retard - lastRetard; rise > visibleShare*stepDeg {
				passed.until(before - Hearing(v.rpm))
				passed.open = passed.open[:0]
				if f.eachRise {
					cell.Steps++
				} else {
					cell.Steps += StepsOf(rise, stepDeg)
				}
				if top := v.table + advance - lastRetard; top < lowest {
					lowest = top
					lowestRise = Rise{Before: top, After: sampled, RetardBefore: lastRetard}
				}
			} else {
				passed.open = append(passed.open, passedSample{now, sampled})
			}
			lastRetard = retard
		}
		if samples == 0 {
			continue
		}
		cell.Z[LnCycles] = math.Log(dwell / dt / 20)
		cell.Detect = Detectability(interval, stepDeg, recovery, dwell)
		if cell.Steps == 0 {
			cell.Lower = largestSpark
		} else {
			passed.until(now - Hearing(v.rpm))
			lowestRise.CleanSpark = passed.largest
			cell.FalseShare = FalseShare(interval, v.rpm, dwell)
			cell.Lower, cell.Upper = lowestRise.Bounds(interval, stepDeg, recovery)
			switch {
			case f.plainBounds:
				cell.Lower, cell.Upper = lowestRise.After, lowestRise.Before
			case f.wholeRise:
				cell.Lower, cell.Upper = lowestRise.whole(interval)
			}
		}
		cells, of = append(cells, cell), append(of, i)
	}
	return largest, cells, of
}

// passedSpark is the largest spark of a cell's samples that no rise follows within the time in which knock is heard;
// open are those of which that is not yet known.
type passedSpark struct {
	largest float64
	open    []passedSample
}

type passedSample struct{ at, spark float64 }

// until takes the open samples up to a time as passed.
func (p *passedSpark) until(at float64) {
	const round = 1e-9
	for len(p.open) > 0 && p.open[0].at <= at+round {
		if s := p.open[0].spark; !(p.largest >= s) {
			p.largest = s
		}
		p.open = p.open[1:]
	}
}

// whole is Bounds as it was without regard to the last step.
func (r Rise) whole(interval float64) (lower, upper float64) {
	lower, upper = r.After, r.Before+math.Min(interval*recovery, r.RetardBefore)
	if r.RetardBefore > 0 && !math.IsNaN(r.CleanSpark) {
		lower = math.Max(lower, math.Min(r.CleanSpark, upper)-visibleShare*stepDeg)
	}
	return lower, upper
}

// logs drives pulls with every car and returns what the fit may see.
func (f *trueFleet) logs() []Car {
	var out []Car
	for i := range f.fleet {
		car := Car{ID: f.fleet[i].id}
		for range f.pulls {
			_, cells, _ := f.drive(f.pull(&f.fleet[i], 1), 0, f.fleet[i].interval)
			if len(cells) > 0 {
				car.Pulls = append(car.Pulls, Pull{Cells: cells})
			}
		}
		out = append(out, car)
	}
	return out
}

// simPrior is what a cycle model would say: level off by four degrees, slopes off by a fifth.
func simPrior() Prior {
	p := Prior{LevelMean: 19, LevelSD: 5}
	p.SlopeMean = [NumCovariates]float64{-17, -0.17, 0.6, -14, -0.05, -0.5, 0}
	for k, s := range p.SlopeMean {
		p.SlopeSD[k] = 0.35 * math.Abs(s)
	}
	p.SlopeSD[LnCycles] = 0.3
	return p
}

// score collects errors of predicted limits.
type score struct {
	n, inside       int
	sum, sum2       float64
	sumStd, sumStd2 float64
}

func (s *score) add(err, sd float64) {
	s.n++
	s.sum += err
	s.sum2 += err * err
	s.sumStd += err / sd
	s.sumStd2 += err * err / (sd * sd)
	if math.Abs(err) <= 1.6449*sd {
		s.inside++
	}
}

func (s *score) bias() float64     { return s.sum / float64(s.n) }
func (s *score) coverage() float64 { return float64(s.inside) / float64(s.n) }

func (s *score) rms() float64 { return math.Sqrt(s.sum2 / float64(s.n)) }

// spread is the standard deviation of the standardised errors.
func (s *score) spread() float64 {
	m := s.sumStd / float64(s.n)
	return math.Sqrt(s.sumStd2/float64(s.n) - m*m)
}

func (s *score) merge(t score) {
	s.n, s.inside = s.n+t.n, s.inside+t.inside
	s.sum2 += t.sum2
	s.sum, s.sumStd, s.sumStd2 = s.sum+t.sum, s.sumStd+t.sumStd, s.sumStd2+t.sumStd2
}

func (s *score) String() string {
	return fmt.Sprintf("bias %+.2f°, standardised sd %.2f, 90 %% band holds %.1f %%", s.bias(), s.spread(),
		100*s.coverage())
}

// proposal is one graded change of one car and how it fared.
type proposal struct {
	predicted float64
	high      float64 // upper bound of predicted
	crossed   int
	pulls     int
}

func (p proposal) rate() float64 { return float64(p.crossed) / float64(p.pulls) }

// record is what one fleet taught.
type record struct {
	seen, unseen           score // one cell of one pull: pull and cell included in the sd
	seenState, unseenState score // the expected limit at a state: parameters and car only
	proposals              []proposal
	events, rows           int
	fits, converged        int
}

func (r *record) merge(t record) {
	r.seen.merge(t.seen)
	r.unseen.merge(t.unseen)
	r.seenState.merge(t.seenState)
	r.unseenState.merge(t.unseenState)
	r.proposals = append(r.proposals, t.proposals...)
	r.events, r.rows = r.events+t.events, r.rows+t.rows
	r.fits, r.converged = r.fits+t.fits, r.converged+t.converged
}

func study(seed uint64, sc scenario, proposals, pullsEach int) (record, error) {
	f := newTrueFleet(seed, sc)
	m, err := Fit(f.logs(), simPrior(), Options{})
	if err != nil {
		return record{}, err
	}
	r := record{events: m.Events, rows: m.Rows, fits: 1}
	if m.Converged {
		r.converged = 1
	}
	for i := range f.fleet {
		f.predict(m, &f.fleet[i], f.fleet[i].id, &r.seen, &r.seenState)
		other := f.draw("new")
		f.predict(m, &other, "", &r.unseen, &r.unseenState)
	}
	for k := range proposals {
		p, err := f.propose(m, &f.fleet[k%len(f.fleet)], k, pullsEach)
		if err != nil {
			return record{}, err
		}
		r.proposals = append(r.proposals, p)
	}
	return r, nil
}

func (f *trueFleet) predict(m *Model, car *trueCar, id string, one, state *score) {
	for range 2 {
		visits := f.pull(car, 1)
		v := visits[f.rng.IntN(len(visits))]
		k, sp, st := m.Predict(id, v.rpm, v.z)
		one.add(k-v.limit, st)
		state.add(k-v.mean, sp)
	}
}

// propose predicts a graded change from logged pulls of the parent and then drives the change.
func (f *trueFleet) propose(m *Model, car *trueCar, k, pullsEach int) (proposal, error) {
	advance := 0.5 * float64(f.rng.IntN(15)-3)
	boost := 1 + 0.03*float64(f.rng.IntN(3))
	mean, cov := m.Joint(car.id)
	problem := risk.Problem{Cov: cov, PullSD: m.PullSD, CellSD: m.CellSD, TailShare: m.TailShare, TailScale: TailScale,
		Excess: stepDeg}
	for p := range 10 {
		visits := f.pull(car, boost)
		_, cells, of := f.drive(visits, 0, car.interval)
		passed := 1.0
		if len(of) > 0 && !f.eachOnce { // as internal/assess counts what a log skips
			passed = float64(of[len(of)-1]-of[0]+1) / float64(len(of))
		}
		for k, i := range of {
			x := m.Design(cells[k].RPM, cells[k].Z, nil)
			margin := tolerated - visits[i].table - advance
			for j, c := range x {
				margin += c * mean[j]
			}
			problem.States = append(problem.States, risk.State{Pull: p, Cell: i, Margin: margin, Grad: x,
				Stands: passed})
		}
	}
	r, err := risk.Evaluate(problem, 0, uint64(k))
	if err != nil {
		return proposal{}, err
	}
	out := proposal{predicted: r.Probability, high: r.High, pulls: pullsEach}
	for range pullsEach {
		if largest, _, _ := f.drive(f.pull(car, boost), advance, 0.1); largest > tolerated {
			out.crossed++
		}
	}
	return out, nil
}

// calibration is the expected calibration error over ten bins of equal width: the mean distance between predicted
// probability and observed share, weighted by pulls.
//
// noise is the part of it that binomial sampling alone gives a perfect predictor: E|N(0,s)| = s·√(2/π) a bin.
func calibration(ps []proposal) (ece, noise float64, table [10]bin) {
	total := 0
	for _, p := range ps {
		b := &table[min(int(10*p.predicted), 9)]
		b.n += p.pulls
		b.predicted += p.predicted * float64(p.pulls)
		b.observed += float64(p.crossed)
		total += p.pulls
	}
	for i := range table {
		b := &table[i]
		if b.n == 0 {
			continue
		}
		b.predicted /= float64(b.n)
		b.observed /= float64(b.n)
		share := float64(b.n) / float64(total)
		ece += math.Abs(b.predicted-b.observed) * share
		noise += math.Sqrt(2/math.Pi*b.predicted*(1-b.predicted)/float64(b.n)) * share
	}
	return ece, noise, table
}

type bin struct {
	n                   int
	predicted, observed float64
}

// area is the area under the ROC curve of predicted against whether the change crosses in more than a tenth of its
// pulls, with its standard error (Hanley & McNeil, Radiology 143, 1982).
func area(ps []proposal) (auc, se float64) {
	var bad, good []float64
	for _, p := range ps {
		if p.rate() > 0.1 {
			bad = append(bad, p.predicted)
		} else {
			good = append(good, p.predicted)
		}
	}
	sort.Float64s(good)
	sum := 0.0
	for _, b := range bad {
		lo := sort.SearchFloat64s(good, b)
		hi := sort.Search(len(good), func(i int) bool { return good[i] > b })
		sum += float64(lo) + 0.5*float64(hi-lo)
	}
	nb, ng := float64(len(bad)), float64(len(good))
	auc = sum / (nb * ng)
	q1, q2 := auc/(2-auc), 2*auc*auc/(1+auc)
	return auc, math.Sqrt((auc*(1-auc) + (nb-1)*(q1-auc*auc) + (ng-1)*(q2-auc*auc)) / (nb * ng))
}
