package fleet

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/air"
	"headroom/models/channel"
	"headroom/models/knock"
	"headroom/models/unit"
	"headroom/models/value"
)

// Keys of the platform file that are held against logs.
const (
	keyDisplacement metric.Key = "engine.bore_mm, stroke_mm, cylinders"
	keyRatio        metric.Key = "engine.compression_ratio"
	keyBreathing    metric.Key = "air_path.volumetric_efficiency"
	keyFlow         metric.Key = "fuel_system.injector_flow_cc_min"
	keyDeadTime     metric.Key = "fuel_system.dead_time_ms"
	keyBurn         metric.Key = "burn"
	keyOctane       metric.Key = "octane_index_k"
)

// checkFile holds the platform file against all rows, key by key; what no log tells is in the list too.
func (f *Fleet) checkFile(rows []evidence.Row) []FileCheck {
	displacement := f.checkDisplacement(rows)
	out := []FileCheck{displacement, f.checkRatio()}
	if f.AirPath != nil && f.AirPath.VolumetricEfficiency.Known() {
		out = append(out, f.checkBreathing(rows))
	}
	if f.FuelSystem != nil {
		out = append(out, f.checkInjector(rows)...)
		if f.FuelSystem.PumpCapacity.Known() {
			out = append(out, f.checkPump(rows))
		}
	}
	return append(out, f.checkTorque(&displacement), f.checkExhaust(), f.checkOctane(rows))
}

// byCar collects a value of rows by car, in the order met.
type byCar struct {
	cars   *evidence.Index[string]
	values [][]float64
	pulls  map[string]bool
}

func newByCar() *byCar { return &byCar{cars: evidence.NewIndex[string](), pulls: map[string]bool{}} }

func (b *byCar) add(r *evidence.Row, v float64) {
	if !value.Known(v) {
		return
	}
	k := b.cars.Of(r.Vehicle)
	if k == len(b.values) {
		b.values = append(b.values, nil)
	}
	b.values[k] = append(b.values[k], v)
	if r.Kind == evidence.KindPull {
		b.pulls[evidence.PullID(r)] = true
	}
}

// medians are the cars' medians.
func (b *byCar) medians() []float64 {
	out := make([]float64, len(b.values))
	for k, v := range b.values {
		out[k] = value.Median(v)
	}
	return out
}

// flowMass is the air of one intake stroke by mass air flow, kg; NaN where it was not logged.
func (f *Fleet) flowMass(r *evidence.Row) float64 {
	m, err := air.MassByFlow(r.MassAirFlow/1000, r.RPM, f.Geometry.Cylinders)
	if err != nil || !value.Known(m) || m <= 0 {
		return math.NaN()
	}
	return m
}

// loadMass is the air of one intake stroke by the control unit's absolute load, kg for a displacement; NaN where load
// was not logged as such.
func (f *Fleet) loadMass(r *evidence.Row) float64 {
	if r.LoadSource != evidence.LoadLogged {
		return math.NaN()
	}
	m, err := air.MassFromLoad(r.Load, f.Geometry.CylinderDisplacement())
	if err != nil || m <= 0 {
		return math.NaN()
	}
	return m
}

// checkDisplacement compares air by mass air flow with air by logged absolute load, which is relative to the
// displacement (SAE J1979, PID 0x43): their ratio is the true displacement over the file's.
func (f *Fleet) checkDisplacement(rows []evidence.Row) FileCheck {
	says := f.Geometry.CylinderDisplacement() * float64(f.Geometry.Cylinders) / unit.CubicMetrePerLitre
	c := check(keyDisplacement, "L", says, channel.MassAirFlow, channel.AbsoluteLoad)
	seen := newByCar()
	for i := range rows {
		seen.add(&rows[i], math.Log(f.flowMass(&rows[i])/f.loadMass(&rows[i])))
	}
	c.Pulls = len(seen.pulls)
	c.relative(spread{car: 0.03, common: 0.04, matters: 0.12}, seen.medians())
	return c
}

// checkBreathing compares the air that logs show with what fills the displacement at manifold density. Logged absolute
// load does so whatever the displacement; mass air flow, where no car logs load, through the file's.
func (f *Fleet) checkBreathing(rows []evidence.Row) FileCheck {
	c := check(keyBreathing, "", 0, channel.AbsoluteLoad, channel.ManifoldPressure, channel.ChargeTemperature)
	seen, says := newByCar(), newByCar()
	for _, mass := range []func(*evidence.Row) float64{f.loadMass, f.flowMass} {
		for i := range rows {
			r := &rows[i]
			file := f.AirPath.VolumetricEfficiency.At(r.RPM)
			full, err := air.MassBySpeedDensity(r.ManifoldPressure*unit.PascalPerKilopascal,
				r.ChargeTemperature+unit.ZeroCelsius, file, f.Geometry.CylinderDisplacement())
			if shown := math.Log(mass(r) / full); err == nil && value.Known(shown) {
				seen.add(r, shown)
				says.add(r, file)
			}
		}
		if len(seen.values) > 0 {
			break
		}
	}
	c.Says, c.Pulls = result.Number(meanOf(says.medians())), len(seen.pulls)
	c.relative(spread{car: 0.03, common: 0.06, matters: 0.15}, seen.medians())
	return c
}

func meanOf(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	return stat.Mean(v, nil)
}

// A car says something of its injectors where its logged pulses are at least fewPulses and spread by pulseSpan; common
// practice, no source.
const (
	fewPulses = 10
	pulseSpan = 1.5
)

// checkInjector regresses each car's logged pulses on the open time that its fuel demand asks for by the file's flow,
// both where manifold pressure is highest in the cell: the slope is the file's flow over the true one, the intercept
// the dead time.
func (f *Fleet) checkInjector(rows []evidence.Row) []FileCheck {
	pulse := []channel.ID{channel.InjectorPulse, channel.Lambda, channel.AbsoluteLoad}
	flow := check(keyFlow, "cc/min", f.FuelSystem.InjectorFlowCCMin, pulse...)
	dead := check(keyDeadTime, "ms", f.FuelSystem.DeadTimeMS, pulse...)
	open, shown := newByCar(), newByCar()
	for i := range rows {
		r := &rows[i]
		ms := loggedPulse(r)
		s := f.ReadPeak(r)
		t := f.OpenTime(&s) * value.Or(f.flowMass(r)/f.massOf(r), 1)
		if value.Known(ms) && value.Known(t) && value.Known(r.Lambda) {
			open.add(r, t)
			shown.add(r, ms)
		}
	}
	var ratios, times []float64
	for k := range open.values {
		x, y := open.values[k], shown.values[k]
		if len(x) < fewPulses || slices.Max(x) < pulseSpan*slices.Min(x) {
			continue
		}
		intercept, slope := stat.LinearRegression(x, y, nil, false)
		if slope > 0 {
			ratios, times = append(ratios, -math.Log(slope)), append(times, intercept-f.FuelSystem.DeadTimeMS)
		}
	}
	flow.Pulls, dead.Pulls = len(open.pulls), len(open.pulls)
	flow.relative(spread{car: 0.04, common: 0.06, matters: 0.18}, ratios)
	dead.absolute(spread{car: 0.1, common: 0.15, matters: 0.4}, times)
	return []FileCheck{flow, dead}
}

// massOf is the air of one intake stroke that a row's load stands for, kg.
func (f *Fleet) massOf(r *evidence.Row) float64 {
	m, err := air.MassFromLoad(r.Load, f.Geometry.CylinderDisplacement())
	if err != nil {
		return math.NaN()
	}
	return m
}

// loggedPulse is a row's largest pulse, ms, by its duty where the pulse itself was not logged.
func loggedPulse(r *evidence.Row) float64 {
	return value.Or(r.InjectorPulse, r.InjectorDuty/100*2*unit.SecondsPerMinute*1000/r.RPM)
}

// What pumps of one kind differ by when worn, clogged or badly fed (ln), what all computed demand is off by together,
// and how far a pump reaches beyond the largest flow its engine has been seen to take; common practice, no source.
const (
	pumpSpread  = 0.25
	demandError = 0.10
	pumpReserve = 5.0
)

// checkPump asks at which share of the described capacity rail pressure falls away. Cars whose pressure holds say that
// their pump reaches further than the largest demand seen: a censored sample, whose mean has an interval by its
// likelihood ratio (Wilks, Annals of Mathematical Statistics 9, 1938).
func (f *Fleet) checkPump(rows []evidence.Row) FileCheck {
	c := check(metric.PumpCapacity, "g/s", 0, channel.RailPressure, channel.RailPressureTarget)
	visits := make([]state.Visit, len(rows))
	var pulls []*state.Visit
	flow, use := 0.0, math.NaN()
	for i := range rows {
		if rows[i].Kind != evidence.KindPull {
			continue
		}
		visits[i].State = f.Read(&rows[i])
		s := &visits[i].State
		if demand := f.FuelFlow(s); demand > flow && value.Known(f.PumpUse(s)) {
			flow, use = demand, f.PumpUse(s)/100
		}
		pulls = append(pulls, &visits[i])
	}
	if !value.Known(use) {
		return c
	}
	says := flow / use
	c.Says = result.Number(says)
	byCar := f.PumpReaches(pulls)
	var reaches []state.PumpReach
	for _, car := range slices.Sorted(maps.Keys(byCar)) {
		reaches = append(reaches, byCar[car])
		c.Pulls += byCar[car].Pulls
	}
	c.Cars = len(reaches)
	low, best, high := pumpShare(reaches, 3.84)
	cutLow, _, cutHigh := pumpShare(reaches, 7.88) // chi-squared, one degree of freedom: 95 % and 1 − falseAlarm
	scale := func(d float64) result.Number { return result.Number(says * math.Exp(d)) }
	c.Shown, c.Interval = scale(best), result.Span{scale(low), scale(high)}
	switch {
	case cutLow > 0 || cutHigh < 0:
		c.Status = Contradicts
	case high-low < 2*math.Log(1.6):
		c.Status = Agrees
	}
	c.usually(flow, pumpReserve*flow, f.FuelSystem.Known == workspace.Measured)
	return c
}

// pumpShare is the ln of true over described capacity by censored knees: best, and where twice the log likelihood ratio
// stays below a quantile of chi-squared. NaN for the best and the high end where no car's pressure falls away, and for
// all without cars.
func pumpShare(reaches []state.PumpReach, quantile float64) (low, best, high float64) {
	if len(reaches) == 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	likelihood := func(mu float64) float64 {
		sum := 0.0
		for _, r := range reaches {
			z := (math.Log(r.Use/state.HealthyKnee) - mu) / pumpSpread
			if r.Falls {
				sum -= z * z / 2
			} else {
				sum += math.Log(math.Max(value.NormalCDF(-z), 1e-300))
			}
		}
		return sum
	}
	const from, to, step = -6.0, 4.0, 0.005
	top := math.Inf(-1)
	for mu := from; mu <= to; mu += step {
		if l := likelihood(mu); l > top+1e-9 {
			top, best = l, mu
		}
	}
	low, high = math.NaN(), math.NaN()
	for mu := from; mu <= to; mu += step {
		if 2*(top-likelihood(mu)) <= quantile {
			low, high = value.Or(low, mu), mu
		}
	}
	common := math.Sqrt(quantile) * demandError
	if !slices.ContainsFunc(reaches, func(r state.PumpReach) bool { return r.Falls }) {
		return low - common, math.NaN(), math.NaN() // nothing bounds it from above, and no value is best
	}
	return best - math.Hypot(best-low, common), best, best + math.Hypot(high-best, common)
}

// checkTorque compares measured with computed torque (their ratio, 1 by the file): burn angles, compression ratio and
// friction in one number, at the file's own say before torque had its own (see fitBurn). A displacement that logs
// contradict has its own row, so what it does to torque is taken out here.
func (f *Fleet) checkTorque(displacement *FileCheck) FileCheck {
	c := check(keyBurn, "", 1, channel.Torque)
	b := f.BurnFit
	if b.Cars == 0 {
		return c
	}
	c.Cars, c.Pulls = b.Cars, b.Pulls
	s := spread{common: math.Hypot(torqueRest, b.Prior), matters: 0.07}
	shown := s.widths(b.Error, carLevelCars+float64(b.Cars)-1)
	shown.mean = b.Ratio
	if displacement.Status == Contradicts {
		shown.mean -= math.Log(float64(displacement.Shown / displacement.Says))
	}
	c.tell(s, shown, func(d float64) result.Number { return result.Number(math.Exp(d)) })
	return c
}

// checkExhaust names exhaust temperature as what cannot tell: the cycle gives gas leaving the cylinder, a sensor in a
// pull trails by seconds and stands behind walls that cool it, so the two differ by hundreds of kelvin on a file that
// is right.
func (f *Fleet) checkExhaust() FileCheck {
	return check(keyBurn, "°C", math.NaN(), channel.ExhaustTemperature)
}

// checkRatio names the compression ratio: a whole unit of it moves torque by about 2.5 %, inside what the level of
// computed torque is known to, and the level of the knock integral is known to several degrees. Usual ratios of spark
// ignition engines for gasoline: common practice, no source.
func (f *Fleet) checkRatio() FileCheck {
	c := check(keyRatio, "", f.Engine.CompressionRatio)
	low, high := 8.0, 14.0
	if f.Engine.Induction == "turbo" {
		low, high = 7, 11.5
	}
	c.usually(low, high, f.Engine.Known == workspace.Measured)
	return c
}

// Fuels tell the weight of sensitivity where they differ in it by sensitivitySpan and agree in ethanol to ethanolSpan,
// whose evaporation moves the limit as well; common practice, no source.
const (
	sensitivitySpan = 3.0
	ethanolSpan     = 0.05
	fewFuelled      = 4 // cars
)

// checkOctane regresses the cars' knock offsets on the sensitivity of their fuels: the file's weight leaves none where
// it is right. Usual weights: 0.5 and less; boosted engines below 0 (Kalghatgi, SAE 2001-01-3584 and 2005-01-0244, from
// memory).
func (f *Fleet) checkOctane(rows []evidence.Row) FileCheck {
	c := check(keyOctane, "", f.OctaneIndexK, channel.KnockRetard)
	if f.Knock != nil {
		f.fitOctane(&c, rows)
	}
	c.usually(-2, 0.5, f.OctaneKnown == workspace.Measured)
	return c
}

// fuelled is a car's knock offset beside the fuel it ran on.
type fuelled struct{ sensitivity, ethanol, offset float64 }

// fitOctane finds the fuel of every car of the knock fit.
func (f *Fleet) fitOctane(c *FileCheck, rows []evidence.Row) {
	var cars []fuelled
	met := map[string]bool{}
	for i := range rows {
		r := &rows[i]
		e, fitted := f.Knock.Effect(r.Vehicle)
		s, share, ok := f.Sensitivity(r.Fuel)
		if !met[r.Vehicle] && fitted && ok {
			met[r.Vehicle] = true
			cars = append(cars, fuelled{s, share, e.Mean})
		}
	}
	gain, _ := f.Knock.Slope(knock.OctaneIndex)
	if c.octane(cars, gain); c.Cars > 0 {
		c.Pulls = f.KnockPulls
	}
}

// octane is least squares of car offsets, degrees, over the sensitivity of their fuels, on the fuels of one ethanol
// share that most cars ran on; gain is degrees of spark an octane number.
func (c *FileCheck) octane(cars []fuelled, gain float64) {
	slices.SortFunc(cars, func(a, b fuelled) int { return cmp.Compare(a.ethanol, b.ethanol) })
	var best []fuelled
	for i := range cars {
		same := slices.DeleteFunc(slices.Clone(cars[i:]), func(o fuelled) bool {
			return o.ethanol-cars[i].ethanol > ethanolSpan
		})
		if len(same) > len(best) {
			best = same
		}
	}
	var x, y []float64
	for _, o := range best {
		x, y = append(x, o.sensitivity), append(y, o.offset)
	}
	if len(x) < fewFuelled || slices.Max(x)-slices.Min(x) < sensitivitySpan || !(gain > 0) {
		return
	}
	intercept, slope := stat.LinearRegression(x, y, nil, false)
	residual := 0.0
	for i := range x {
		residual += math.Pow(y[i]-intercept-slope*x[i], 2)
	}
	usual := spread{car: 1.5, common: 0.2, matters: 0.6}
	freedom := float64(len(x)-2) + carLevelCars
	moment := stat.Variance(x, nil) * float64(len(x)-1)
	shown := usual.widths(math.Sqrt((carLevelCars*usual.car*usual.car+residual)/freedom/moment)/gain, freedom)
	shown.mean = -slope / gain
	c.Cars = len(x)
	c.tell(usual, shown, c.plus)
}
