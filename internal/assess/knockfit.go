package assess

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/models/knock"
	"headroom/models/value"
)

// reference is the operating point the knock covariates are measured from: the medians of the evidence.
type reference struct {
	RPM, Load, Charge, OctaneIndex, Lambda, Coolant, LnCycles, IntakeCam float64
	Spark, Manifold                                                      float64
	Fuel                                                                 string // the commonest
}

// priors of the slopes that the cycle model does not give. Dwell: methods.md section 3. Intake cam: no physics slope
// is claimed, so it is centred on zero; common practice, no source.
const (
	dwellSlope, dwellSlopeSD = -0.5, 0.3
	camSlopeSD               = 0.15
	physicsSlopeShare        = 0.35 // methods.md section 3: β_k ~ N(slope from the cycle model, (35 %)²)
	physicsLevelSD           = 6.0  // degrees; the level of the knock integral is known to be off by several
)

// knockable reports whether a row says anything about knock.
func knockable(r *evidence.Row) bool {
	return r.KnockLogged && value.Known(r.Bound.Delivered) && value.Known(r.Load) && value.Known(r.ChargeTemperature) &&
		(value.Known(r.Lambda) || value.Known(r.LambdaCommanded)) &&
		(r.KnockEvents == 0 || value.Known(r.SparkBefore) && value.Known(r.SparkAfter))
}

// fitKnock fits the platform's knock-limited spark, or records why it cannot.
func (p *platform) fitKnock(f *platformFit, rows []evidence.Row) error {
	if p.KnockControl == nil {
		f.KnockWhy = "the platform file has no knock_control section"
		return nil
	}
	if p.cycle == nil {
		f.KnockWhy = "the cycle model cannot be built: " + p.cycleWhy
		return nil
	}
	var use []*evidence.Row
	for i := range rows {
		if knockable(&rows[i]) {
			use = append(use, &rows[i])
		}
	}
	if len(use) == 0 {
		f.KnockWhy = "no log has knock retard together with spark, load, charge temperature and lambda"
		return nil
	}
	f.KnockRef = p.knockReference(use)
	f.KnockSeen = p.knockSeen(use)
	prior, err := p.knockPrior(f.KnockRef)
	if err != nil {
		f.KnockWhy = "no physics slopes at the platform's median state: " + err.Error()
		return nil
	}
	copy(f.Slopes[:], prior.SlopeMean[:])
	model, err := knock.Fit(p.knockCars(f.KnockRef, use), prior, knock.Options{})
	if err != nil {
		return fmt.Errorf("platform %s, knock-limited spark: %w", p.ID, err)
	}
	f.Knock = model
	return nil
}

func (p *platform) knockReference(rows []*evidence.Row) reference {
	column := func(get func(s *state) float64, fallback float64) float64 {
		var v []float64
		for _, r := range rows {
			s := stateOf(r)
			if x := get(&s); value.Known(x) {
				v = append(v, x)
			}
		}
		if len(v) == 0 {
			return fallback
		}
		return value.Median(v)
	}
	return reference{
		RPM:         column(func(s *state) float64 { return s.rpm }, math.NaN()),
		Load:        column(func(s *state) float64 { return s.load }, math.NaN()),
		Charge:      column(func(s *state) float64 { return s.charge }, math.NaN()),
		OctaneIndex: column(func(s *state) float64 { return p.octaneIndex(s) }, math.NaN()),
		Lambda:      column(func(s *state) float64 { return s.lambda }, math.NaN()),
		Coolant:     column(func(s *state) float64 { return s.coolant }, standardCoolant),
		LnCycles:    column(func(s *state) float64 { return math.Log(s.cycles) }, 0),
		IntakeCam:   column(func(s *state) float64 { return s.intakeCam }, 0),
		Spark:       column(func(s *state) float64 { return s.spark }, math.NaN()),
		Manifold:    column(func(s *state) float64 { return s.manifold }, standardBarometer),
		Fuel:        commonestFuel(rows),
	}
}

func commonestFuel(rows []*evidence.Row) string {
	count := map[string]int{}
	best := ""
	for _, r := range rows {
		count[r.Fuel]++
		if n := count[r.Fuel]; n > count[best] || (n == count[best] && r.Fuel < best) {
			best = r.Fuel
		}
	}
	return best
}

// knockSeen counts rows and rows with an event by speed bin.
func (p *platform) knockSeen(rows []*evidence.Row) map[int][2]int {
	out := map[int][2]int{}
	for _, r := range rows {
		b := int(math.Floor(r.RPM / p.rpmStep))
		n := out[b]
		n[0]++
		if r.KnockEvents > 0 {
			n[1]++
		}
		out[b] = n
	}
	return out
}

// standardCoolant stands in where a log has no coolant temperature; °C, common practice, no source.
const standardCoolant = 90

// knockCovariates are the differences of a state from the reference; a channel that was not logged counts as being
// at the reference.
func (p *platform) knockCovariates(s *state, ref reference) (z [knock.NumCovariates]float64) {
	z[knock.LnCharge] = math.Log(s.load / ref.Load)
	z[knock.ChargeTemperature] = s.charge - ref.Charge
	z[knock.OctaneIndex] = p.octaneIndex(s) - ref.OctaneIndex
	z[knock.Lambda] = s.lambda - ref.Lambda
	z[knock.CoolantTemperature] = value.Or(s.coolant-ref.Coolant, 0)
	z[knock.LnCycles] = math.Log(s.cycles) - ref.LnCycles
	z[knock.IntakeCam] = value.Or(s.intakeCam-ref.IntakeCam, 0)
	return z
}

func (p *platform) knockCars(ref reference, rows []*evidence.Row) []knock.Car {
	nest := evidence.NewNest[knock.Cell]()
	for _, r := range rows {
		s := stateOf(r)
		interval := value.Or(r.RetardInterval, r.SampleInterval)
		cell := knock.Cell{
			RPM: s.rpm, Z: p.knockCovariates(&s, ref), Lower: r.Bound.Delivered, Upper: math.Inf(1),
			Detect: knock.Detectability(interval, p.KnockControl.StepDeg, p.KnockControl.RecoveryDegPerSecond,
				r.Duration),
		}
		if r.KnockEvents > 0 {
			rise := knock.Rise{Before: r.SparkBefore, After: r.SparkAfter, RetardBefore: r.RiseRetard,
				CleanSpark: r.RiseClean}
			cell.Lower, cell.Upper = rise.Bounds(interval, p.KnockControl.StepDeg, p.KnockControl.RecoveryDegPerSecond)
			cell.Detect, cell.Rises = 1, int(r.KnockEvents)
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

// knockMargin is the knock-limited spark of a car less the commanded spark, in degrees; NaN without a knock model.
func (p *platform) knockMargin(f *platformFit, s *state) float64 {
	if f.Knock == nil || !value.Known(s.spark) {
		return math.NaN()
	}
	z := p.knockCovariates(s, f.KnockRef)
	for _, v := range z {
		if !value.Known(v) {
			return math.NaN()
		}
	}
	limit, _, _ := f.Knock.Predict(s.car, s.rpm, z)
	return limit - s.spark
}

// knockSummary is the printable state of a platform's knock fit.
func (p *platform) knockSummary(f *platformFit) KnockSummary {
	m := f.Knock
	if m == nil {
		unknown := result.Unknown()
		return KnockSummary{
			Status: result.NotAssessed, Why: f.KnockWhy, CarSD: unknown, PullSD: unknown, CellSD: unknown,
			Warnings: []string{}, Slopes: []KnockSlope{}, Limit: []KnockPoint{},
		}
	}
	s := KnockSummary{
		Status: result.Assessed, Rows: m.Rows, Events: m.Events, Cars: m.Cars, Pulls: m.Pulls,
		CarSD: result.Number(m.CarSD), PullSD: result.Number(m.PullSD), CellSD: result.Number(m.CellSD),
		Warnings: append([]string{}, m.Warnings...), Converged: m.Converged,
	}
	s.Limit = p.knockCurve(f)
	if why := p.thin(m.Cars, m.Pulls); why != "" {
		s.Status, s.Why = result.Thin, why
	}
	for k := range knock.NumCovariates {
		mean, sd := m.Slope(k)
		s.Slopes = append(s.Slopes, KnockSlope{
			Covariate: knock.Name(k), Unit: knock.Unit(k),
			Physics: result.Number(f.Slopes[k]), Fitted: result.Number(mean), SD: result.Number(sd),
		})
	}
	return s
}

// knockPrior takes the slopes from the cycle model at the reference state, taken where the engine is driven rather than
// at the model's own knock limit, because they do not need the model's level to be right.
func (p *platform) knockPrior(ref reference) (knock.Prior, error) {
	s := p.referenceState(ref)
	in, ok := p.cycleState(&s)
	if !ok {
		return knock.Prior{}, fmt.Errorf("the median of the evidence lacks load, charge temperature, lambda or a " +
			"known fuel")
	}
	in.Octane = ref.OctaneIndex
	slopes, err := p.cycle.Slopes(in)
	if err != nil {
		return knock.Prior{}, err
	}
	if !slopes.KnockKnown {
		return knock.Prior{}, fmt.Errorf("the knock integral does not rise with spark at %.0f rpm and %.0f %% load: "+
			"check the burn anchor of the platform file", ref.RPM, ref.Load)
	}
	g := slopes.Knock
	prior := knock.Prior{LevelRPM: ref.RPM, LevelMean: s.spark, LevelSD: physicsLevelSD}
	if slopes.Limit.Found {
		prior.LevelMean = slopes.Limit.Spark
	}
	for k, slope := range map[int]float64{
		knock.LnCharge: g.LnCharge, knock.ChargeTemperature: g.Charge, knock.OctaneIndex: g.Octane,
		knock.Lambda: g.Lambda, knock.CoolantTemperature: g.Coolant,
	} {
		prior.SlopeMean[k], prior.SlopeSD[k] = slope, physicsSlopeShare*math.Abs(slope)
	}
	prior.SlopeMean[knock.LnCycles], prior.SlopeSD[knock.LnCycles] = dwellSlope, dwellSlopeSD
	prior.SlopeSD[knock.IntakeCam] = camSlopeSD
	return prior, nil
}

// referenceState is the reference as a state of the platform's commonest fuel, at the anchor's spark.
func (p *platform) referenceState(ref reference) state {
	nan := math.NaN()
	return state{
		rpm: ref.RPM, load: ref.Load, charge: ref.Charge, coolant: ref.Coolant, lambda: ref.Lambda, spark: ref.Spark,
		manifold: ref.Manifold, baro: standardBarometer, ambient: nan, ethanol: nan, fuel: ref.Fuel,
	}
}

// knockCurve is the fleet's knock-limited spark over the speeds it has visited, at the reference state, for a pull of
// a car not seen before.
func (p *platform) knockCurve(f *platformFit) []KnockPoint {
	out := []KnockPoint{}
	bins := slices.Sorted(maps.Keys(f.KnockSeen))
	for _, b := range bins {
		rpm := (float64(b) + 0.5) * p.rpmStep
		mean, _, sd := f.Knock.Predict("", rpm, [knock.NumCovariates]float64{})
		out = append(out, KnockPoint{
			RPM: result.Number(rpm), LoadPct: result.Number(f.KnockRef.Load), SparkDeg: result.Number(mean),
			Interval90: result.Span{result.Number(mean - value.Z95*sd), result.Number(mean + value.Z95*sd)},
			Rows:       f.KnockSeen[b][0], Events: f.KnockSeen[b][1],
		})
	}
	return out
}

// overshoot is how far below the tolerated retard the need for retard may stay and still cross it. A controller steps
// until knock stops, so retard lands on whole steps; it then gives spark back, and where it meets the limit again
// within the cell it steps from there. With need n, step d and recovery r over a dwell t, retard passes the tolerated
// a when n > ⌊a/d⌋·d, or when n > a − d and spark has come back to the limit: n > ⌊a/d⌋·d − r·t. Retard
// carried in from earlier cells shifts the steps, so the landing is taken as uniform over twice the gap a −
// ⌊a/d⌋·d + r·t, one step at most; a step larger than the tolerated retard is not meant, since a cell that does
// not knock takes none. Derived from the control law in the platform file; that it is uniform is common practice, no
// source.
func (p *platform) overshoot(b *bench) float64 {
	k := p.KnockControl
	var dwell []float64
	for i := range b.states {
		if t := b.states[i].row.Duration; value.Known(t) {
			dwell = append(dwell, t)
		}
	}
	gap := k.ToleratedRetardDeg - math.Floor(k.ToleratedRetardDeg/k.StepDeg)*k.StepDeg +
		k.RecoveryDegPerSecond*value.Or(value.Median(dwell), 0)
	return math.Min(k.StepDeg, 2*gap)
}
