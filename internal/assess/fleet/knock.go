package fleet

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/cycle"
	"headroom/models/knock"
	"headroom/models/value"
)

// Reference is the operating point the knock covariates are measured from: the medians of the evidence.
type Reference struct {
	RPM, Load, Charge, OctaneIndex, Lambda, Coolant, LnCycles, IntakeCam float64
	Spark, Manifold                                                      float64
	Fuel                                                                 string // the commonest
}

// priors of the slopes that the cycle model does not give. Dwell: docs/methods.md, "Margins". Intake cam: no physics
// slope is claimed, so it is centred on zero; common practice, no source.
const (
	dwellSlope, dwellSlopeSD = -0.5, 0.3
	camSlopeSD               = 0.15
	physicsSlopeShare        = 0.35 // docs/methods.md, "Margins": β_k ~ N(slope from the cycle model, (35 %)²)
	physicsLevelSD           = 6.0  // degrees; the level of the knock integral is known to be off by several
)

// knockable reports whether a row says anything about knock.
func knockable(r *evidence.Row) bool {
	return r.KnockLogged && value.Known(r.Bound.Delivered) && value.Known(r.Load) && value.Known(r.ChargeTemperature) &&
		(value.Known(r.Lambda) || value.Known(r.LambdaCommanded)) &&
		(r.KnockEvents == 0 || value.Known(r.SparkBefore) && value.Known(r.SparkAfter))
}

// fitKnock fits the platform's knock-limited spark, or records why it cannot.
func (f *Fleet) fitKnock(visits []state.Visit) error {
	every := make([]*state.Visit, len(visits))
	var use []*state.State
	for i := range visits {
		every[i] = &visits[i]
		if knockable(visits[i].Row) {
			use = append(use, &visits[i].State)
		}
	}
	if f.KnockControl == nil || len(use) == 0 {
		f.KnockLack = f.Lacking(row(metric.KnockMargin), every)
		return nil
	}
	if f.Cycle == nil {
		f.KnockLack = result.Lack{Missing: []result.Missing{}, Fault: f.CycleWhy}
		return nil
	}
	still := restingLogs(visits)
	for {
		prior, err := f.fitKnockTo(use)
		if err != nil || f.Knock == nil {
			return err
		}
		deaf, err := f.unheardIn(use, prior, still)
		if err != nil {
			return err
		}
		if len(deaf) == 0 {
			f.NeverMoved = f.neverMovedIn(use, still)
			return nil
		}
		maps.Copy(f.Unheard, deaf)
		if use = f.heard(use); len(use) == 0 {
			f.Knock, f.KnockLack = nil, f.Lacking(row(metric.KnockMargin), every)
			return nil
		}
		for car := range deaf {
			delete(still, car)
		}
	}
}

// fitKnockTo fits it to some states, and returns the prior it was given.
func (f *Fleet) fitKnockTo(use []*state.State) (knock.Prior, error) {
	f.KnockPulls, f.KnockSteady = countSegments(use)
	f.KnockRef = f.knockReference(use)
	f.KnockSeen = f.knockSeen(use)
	f.KnockShape = KnockShape{}
	prior, err := f.knockPrior()
	if err != nil {
		f.Knock, f.KnockLack = nil, result.Lack{Missing: []result.Missing{}, Fault: err.Error()}
		return prior, nil
	}
	copy(f.Slopes[:], prior.SlopeMean[:])
	if in, ok := f.referenceCycle(); ok {
		f.KnockShape = f.shapeOf(use, in)
	}
	cars := f.knockCars(use)
	if f.Knock, err = knock.Fit(cars, prior, knock.Options{}); err != nil {
		return prior, fmt.Errorf("platform %s, knock-limited spark: %w", f.ID, err)
	}
	if f.KnockAgainst, err = f.contradiction(cars, prior); err != nil {
		return prior, fmt.Errorf("platform %s, knock limit of physics: %w", f.ID, err)
	}
	return prior, nil
}

// countSegments counts the pulls and the steady stretches that states are of.
func countSegments(states []*state.State) (pulls, steady int) {
	met := map[string]bool{}
	for _, s := range states {
		if met[s.Pull] {
			continue
		}
		met[s.Pull] = true
		if s.Row.Kind == evidence.KindPull {
			pulls++
		} else {
			steady++
		}
	}
	return pulls, steady
}

func (f *Fleet) knockReference(states []*state.State) Reference {
	column := func(get func(s *state.State) float64, fallback float64) float64 {
		var v []float64
		for _, s := range states {
			if x := get(s); value.Known(x) {
				v = append(v, x)
			}
		}
		if len(v) == 0 {
			return fallback
		}
		return value.Median(v)
	}
	return Reference{
		RPM:         column(func(s *state.State) float64 { return s.RPM }, math.NaN()),
		Load:        column(func(s *state.State) float64 { return s.Load }, math.NaN()),
		Charge:      column(func(s *state.State) float64 { return s.Charge }, math.NaN()),
		OctaneIndex: column(f.OctaneIndex, math.NaN()),
		Lambda:      column(func(s *state.State) float64 { return s.Lambda }, math.NaN()),
		Coolant:     column(func(s *state.State) float64 { return s.Coolant }, state.StandardCoolant),
		LnCycles:    column(func(s *state.State) float64 { return math.Log(s.Cycles) }, 0),
		IntakeCam:   column(func(s *state.State) float64 { return s.IntakeCam }, 0),
		Spark:       column(func(s *state.State) float64 { return s.Spark }, math.NaN()),
		Manifold:    column(func(s *state.State) float64 { return s.Manifold }, state.StandardBarometer),
		Fuel:        commonestFuel(states),
	}
}

func commonestFuel(states []*state.State) string {
	count := map[string]int{}
	best := ""
	for _, s := range states {
		count[s.Fuel]++
		if n := count[s.Fuel]; n > count[best] || (n == count[best] && s.Fuel < best) {
			best = s.Fuel
		}
	}
	return best
}

// knockSeen counts rows and rows with an event by speed bin.
func (f *Fleet) knockSeen(states []*state.State) map[int][2]int {
	out := map[int][2]int{}
	for _, s := range states {
		b := int(math.Floor(s.Row.RPM / f.RPMStep))
		n := out[b]
		n[0]++
		if s.Row.KnockEvents > 0 {
			n[1]++
		}
		out[b] = n
	}
	return out
}

// KnockCovariates are the differences of a state from the reference, in units of what the reference's slopes make of
// them: where the cycle model's slope at the state is twice the reference's, so is the difference. A channel that was
// not logged counts as being at the reference.
func (f *Fleet) KnockCovariates(s *state.State) [knock.NumCovariates]float64 {
	z := f.differences(s)
	f.KnockShape.moves(s.RPM, &z, &f.Slopes)
	return z
}

// differences are those of a state's own numbers from the reference's.
func (f *Fleet) differences(s *state.State) (z [knock.NumCovariates]float64) {
	ref := &f.KnockRef
	z[knock.LnCharge] = math.Log(s.Load / ref.Load)
	z[knock.ChargeTemperature] = s.Charge - ref.Charge
	z[knock.OctaneIndex] = f.OctaneIndex(s) - ref.OctaneIndex
	z[knock.Lambda] = s.Lambda - ref.Lambda
	z[knock.CoolantTemperature] = value.Or(s.Coolant-ref.Coolant, 0)
	z[knock.LnCycles] = math.Log(s.Cycles) - ref.LnCycles
	z[knock.IntakeCam] = value.Or(s.IntakeCam-ref.IntakeCam, 0)
	return z
}

func (f *Fleet) knockCars(states []*state.State) []knock.Car {
	nest := evidence.NewNest[knock.Cell]()
	for _, s := range states {
		r := s.Row
		interval := value.Or(r.RetardInterval, r.SampleInterval)
		cell := knock.Cell{
			RPM: s.RPM, Z: f.KnockCovariates(s), Lower: r.Bound.Delivered, Upper: math.Inf(1),
			Detect: knock.Detectability(interval, f.KnockControl.StepDeg, f.KnockControl.RecoveryDegPerSecond,
				r.Duration),
		}
		if r.KnockEvents > 0 {
			rise := knock.Rise{Before: r.SparkBefore, After: r.SparkAfter, RetardBefore: r.RiseRetard,
				CleanSpark: r.RiseClean}
			cell.Lower, cell.Upper = rise.Bounds(interval, f.KnockControl.StepDeg, f.KnockControl.RecoveryDegPerSecond)
			cell.Detect, cell.Steps = 1, max(int(r.KnockEvents), knock.StepsOf(r.RetardRise, f.KnockControl.StepDeg))
			cell.FalseShare = knock.FalseShare(interval, s.RPM, r.Duration)
		}
		nest.Add(r, cell)
	}
	cars := make([]knock.Car, 0, len(nest.Cars))
	for _, car := range nest.Cars {
		c := knock.Car{ID: car.ID}
		for _, pull := range car.Pulls {
			c.Pulls = append(c.Pulls, knock.Pull{Cells: pull.Rows})
		}
		cars = append(cars, c)
	}
	return cars
}

// KnockMargin is the knock-limited spark of a car less the commanded spark, in degrees; NaN without a knock model.
func (f *Fleet) KnockMargin(s *state.State) float64 {
	if f.Knock == nil || !value.Known(s.Spark) {
		return math.NaN()
	}
	z := f.KnockCovariates(s)
	for _, v := range z {
		if !value.Known(v) {
			return math.NaN()
		}
	}
	limit, _, _ := f.Knock.Predict(s.Car, s.RPM, z)
	return limit - s.Spark
}

// ContradictedSlopes are the covariates over which rows alone show another slope of the knock limit than physics can
// have, the oddest first.
func (f *Fit) ContradictedSlopes() (out []int) {
	if f.Knock == nil || !f.Knock.Converged {
		return nil
	}
	shown := &f.Knock.Shown
	for k := range shown {
		if shown[k].Contradicts() {
			out = append(out, k)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int { return cmp.Compare(shown[a].Chance, shown[b].Chance) })
	return out
}

// KnockDispute is by how many degrees the knock limit of a state may lie lower than the fit has it, by the less
// favourable of what rows alone show and what physics alone says of the slopes in which they contradict each other,
// for what was moved since the log was made; nil where they agree.
func (f *Fleet) KnockDispute() func(s *state.State) float64 {
	against := f.ContradictedSlopes()
	if len(against) == 0 {
		return nil
	}
	return func(s *state.State) float64 {
		now, then := f.KnockCovariates(s), f.KnockCovariates(s.AsLogged())
		lower := 0.0
		for _, k := range against {
			fitted, _ := f.Knock.Slope(k)
			by := now[k] - then[k]
			lower += math.Max(0, math.Max((fitted-f.Knock.Shown[k].Slope)*by, (fitted-f.Slopes[k])*by))
		}
		return lower
	}
}

// knockPrior takes the slopes from the cycle model at the reference state, taken where the engine is driven rather than
// at the model's own knock limit, because they do not need the model's level to be right.
func (f *Fleet) knockPrior() (knock.Prior, error) {
	ref := f.KnockRef
	in, ok := f.referenceCycle()
	if !ok {
		return knock.Prior{}, fmt.Errorf("the median of the evidence lacks load, charge temperature, lambda or a " +
			"known fuel")
	}
	slopes, err := f.Cycle.Slopes(in)
	if err != nil {
		return knock.Prior{}, err
	}
	if !slopes.KnockKnown {
		return knock.Prior{}, fmt.Errorf("the knock integral does not rise with spark at %.0f rpm and %.0f %% load: "+
			"check the burn anchor of the platform file", ref.RPM, ref.Load)
	}
	g := slopes.Knock
	prior := knock.Prior{LevelRPM: ref.RPM, LevelMean: in.Spark, LevelSD: physicsLevelSD}
	if slopes.Limit.Found {
		prior.LevelMean = slopes.Limit.Spark
	}
	loose := f.looseSlopes(in)
	prior.LevelSD = math.Sqrt(physicsLevelSD*physicsLevelSD + f.looseVariance(loose, looseLevel))
	for k, slope := range slopesOf(g) {
		prior.SlopeMean[k] = slope
		prior.SlopeSD[k] = math.Sqrt(math.Pow(physicsSlopeShare*slope, 2) + f.looseVariance(loose, k))
	}
	prior.SlopeMean[knock.LnCycles], prior.SlopeSD[knock.LnCycles] = dwellSlope, dwellSlopeSD
	prior.SlopeSD[knock.IntakeCam] = camSlopeSD
	return prior, nil
}

// slopesOf are the slopes that the cycle model gives, by covariate.
func slopesOf(g cycle.Gradient) map[int]float64 {
	return map[int]float64{knock.LnCharge: g.LnCharge, knock.ChargeTemperature: g.Charge, knock.OctaneIndex: g.Octane,
		knock.Lambda: g.Lambda, knock.CoolantTemperature: g.Coolant}
}

// looseLevel is the key of the knock limit's level among its slopes.
const looseLevel = -1

// looseSlopes is how the slopes, and the level, of the knock limit change for one deviation of each number of the
// platform file that combustion rests on; nil where it carries no error or the model finds no slopes on either side.
func (f *Fleet) looseSlopes(in cycle.State) (changes [state.NumLoose]map[int]float64) {
	for k := range changes {
		up, down, apart, ok := f.LooseCycles(k)
		if !ok {
			continue
		}
		above, errAbove := up.Slopes(in)
		below, errBelow := down.Slopes(in)
		if errAbove != nil || errBelow != nil || !above.KnockKnown || !below.KnockKnown {
			continue
		}
		low := slopesOf(below.Knock)
		changes[k] = map[int]float64{}
		for c, high := range slopesOf(above.Knock) {
			changes[k][c] = (high - low[c]) / apart
		}
		if above.Limit.Found && below.Limit.Found {
			changes[k][looseLevel] = (above.Limit.Spark - below.Limit.Spark) / apart
		}
	}
	return changes
}

// looseVariance is what they add to the variance of one covariate's slope, or of the level.
func (f *Fleet) looseVariance(changes [state.NumLoose]map[int]float64, c int) float64 {
	var h [state.NumLoose]float64
	for k := range changes {
		h[k] = changes[k][c]
	}
	return f.LooseVariance(h)
}

// referenceCycle is the reference as the cycle model takes it; not ok where something it needs was not logged.
func (f *Fleet) referenceCycle() (in cycle.State, ok bool) {
	s := f.referenceState(f.KnockRef)
	in, ok = f.CycleState(&s)
	in.Octane = f.KnockRef.OctaneIndex
	return in, ok
}

// referenceState is the reference as a state of the platform's commonest fuel, at the anchor's spark.
func (f *Fleet) referenceState(ref Reference) state.State {
	nan := math.NaN()
	return state.State{
		RPM: ref.RPM, Load: ref.Load, Charge: ref.Charge, Coolant: ref.Coolant, Lambda: ref.Lambda, Spark: ref.Spark,
		Manifold: ref.Manifold, Barometer: state.StandardBarometer, Ambient: nan, Ethanol: nan, Fuel: ref.Fuel,
	}
}
