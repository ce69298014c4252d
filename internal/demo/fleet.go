package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// fuelKind is a fuel of headroom.yaml.
type fuelKind struct {
	id, class string
	nominal   gasoline
	extra     float64 // gauge boost of a stage calibration relative to the base target
}

var fuels = []fuelKind{
	{"pump-91", "pump", gasoline{96, 86, 0.10}, 1.00},
	{"pump-93", "pump", gasoline{98, 88, 0.10}, 1.06},
	{"blend-e30", "blend", gasoline{101, 89, 0.30}, 1.12},
}

// site is where cars are driven: invented roads with their air.
type site struct {
	name    string
	warmer  float64 // K above the shop's own weather
	baroKPa float64
}

var places = []site{{"harbour straight", 1, 101.6}, {"mill road rollers", 3, 100.9}, {"upland loop", -3, 94.2}}

// car is one customer's car as it truly is.
type car struct {
	index  int
	id     string
	engine *engine
	fuel   *fuelKind

	knockOffset  float64 // degrees added to the knock limit
	ve           float64 // factor on volumetric efficiency
	intercooler  float64 // factor on effectiveness
	lambdaError  float64 // true minus commanded, relative
	lambdaBias   float64 // sensor
	manifoldBias float64 // kPa, sensor
	chargeBias   float64 // K, sensor
	exhaustBias  float64 // K, real
	thermostat   float64 // °C
	wastegate    float64 // % duty
	longTrim     float64 // %
	pressure     float64 // factor on peak pressure
	torque       float64 // factor on brake torque
	pump         float64 // factor on pump capacity
	learned      float64 // degrees the control unit has learned to hold back
	mass         float64
	faulty
	fitted

	drift  float64 // degrees of knock limit a year
	leak   float64 // share of a full boost leak a year
	faults []FaultTruth

	hardware, hardwareDate string
	dialect                *dialect
	missing                []signal
	revisions              []*revision // own ones, oldest first
	logs                   []*logPlan
}

// logPlan is one log to be driven and written.
type logPlan struct {
	name     string
	revision *revision
	date     time.Time
	place    site
	ambient  float64 // °C
	baro     float64 // kPa
	tank     gasoline
	gears    []int
	listed   bool // conditions stand in runs.csv

	stuckCoolant, truncated, wide, zipped bool

	truth LogTruth
}

var (
	historyStart = time.Date(2025, 1, 10, 0, 0, 0, 0, time.UTC)
	historyEnd   = time.Date(2026, 6, 20, 0, 0, 0, 0, time.UTC)
)

// roles of the cars by index in a block of 24: the first four proposals, the planted faults, the odd files.
const (
	minimumCars    = 6
	block          = 24
	roleUnreadable = 0
	roleWide       = 1
	roleLowSpeed   = 2
	roleMild       = 3
	roleMidSpark   = 4
	roleLeanTop    = 5
	roleLeak       = 6
	roleLambda     = 7
	rolePump       = 8
	roleCoolant    = 9
	roleKnockDrift = 10
	roleZipped     = 11
)

// proposes reports whether the car carries one of the four proposed revisions.
func proposes(index int) bool { return index >= roleLowSpeed && index <= roleLeanTop }

// fleet is the whole invented shop in memory.
type fleet struct {
	options   Options
	engines   []*engine
	common    []*revision // base and stage calibrations of the platforms
	cars      []*car
	proposals []*proposal
}

// stream is a random source of its own, so that the order of work never matters.
func stream(seed uint64, parts ...uint64) *rand.Rand {
	h := uint64(0x9E3779B97F4A7C15)
	for _, p := range parts {
		h = (h ^ p) * 0xBF58476D1CE4E5B9
		h ^= h >> 29
	}
	return rand.New(rand.NewPCG(seed, h))
}

// kinds of stream.
const (
	streamCar uint64 = iota + 1
	streamLog
	streamGraded
	streamTruth
	streamProving
	streamKinds
)

// student is a draw of Student's t with nu degrees of freedom.
func student(rng *rand.Rand, nu int) float64 {
	chi := 0.0
	for range nu {
		z := rng.NormFloat64()
		chi += z * z
	}
	return rng.NormFloat64() / math.Sqrt(chi/float64(nu))
}

func clamp(v, low, high float64) float64 { return min(max(v, low), high) }

// invent makes the fleet of the options, logs planned but not driven.
func invent(o Options) (*fleet, error) {
	if o.Cars < minimumCars {
		return nil, fmt.Errorf("a demo fleet of %d cars is too small for its four proposed revisions: ask for %d or "+
			"more", o.Cars, minimumCars)
	}
	f := &fleet{options: o, engines: engines()}
	if o.Proving {
		f.engines[0].giveCam()
	}
	for _, e := range f.engines {
		f.common = append(f.common, commonRevisions(e)...)
	}
	for i := range o.Cars {
		f.cars = append(f.cars, f.inventCar(i))
	}
	return f, nil
}

func (f *fleet) inventCar(i int) *car {
	rng := stream(f.options.Seed, streamCar, uint64(i))
	e := f.engines[i%len(f.engines)]
	c := &car{
		index: i, id: fmt.Sprintf("car-%03d", i+1), engine: e, fuel: &fuels[fuelOf(i, rng)],
		knockOffset:  clamp(1.1*student(rng, 4), -6, 6),
		ve:           1 + 0.015*rng.NormFloat64(),
		intercooler:  clamp(1+0.04*rng.NormFloat64(), 0.88, 1.08),
		lambdaError:  0.004 * rng.NormFloat64(),
		lambdaBias:   0.004 * rng.NormFloat64(),
		manifoldBias: 0.6 * rng.NormFloat64(),
		chargeBias:   0.8 * rng.NormFloat64(),
		exhaustBias:  12 * rng.NormFloat64(),
		thermostat:   90 + 1.5*rng.NormFloat64(),
		wastegate:    2.5 * rng.NormFloat64(),
		longTrim:     2 * rng.NormFloat64(),
		pressure:     1 + 0.02*rng.NormFloat64(),
		torque:       1 + 0.015*rng.NormFloat64(),
		pump:         1, mass: e.mass + 40*rng.NormFloat64(),
		hardware: "stock",
	}
	if rng.Float64() < 0.4 {
		c.hardware, c.hardwareDate = "axle-back", historyStart.AddDate(0, 0, -rng.IntN(200)).Format(time.DateOnly)
	}
	if rng.Float64() < 0.2 {
		c.learned = round(0.5+rng.Float64(), 0.25)
	}
	c.dialect = &dialects[(i/2+i/8)%len(dialects)]
	c.missing = missingSignals(rng)
	if proposes(i) {
		c.knockOffset, c.learned, c.missing = clamp(0.8*rng.NormFloat64(), -1.2, 1.5), 0,
			[]signal{torqueSignal, learnedSignal}
	}
	c.plantFault(rng)
	c.prove(f)
	c.writeRevisions(f, rng)
	c.planLogs(f, rng)
	return c
}

func fuelOf(i int, rng *rand.Rand) int {
	switch {
	case i == roleMild:
		return 1
	case proposes(i):
		return 0
	}
	u := rng.Float64()
	switch {
	case u < 0.40:
		return 0
	case u < 0.75:
		return 1
	}
	return 2
}

// missingSignals are the channels the owner's logger does not have.
func missingSignals(rng *rand.Rand) []signal {
	var out []signal
	for _, m := range []struct {
		s     signal
		share float64
	}{
		{oilSignal, 0.35}, {exhaustSignal, 0.4}, {railSignal, 0.2}, {wastegateSignal, 0.1}, {torqueSignal, 0.5},
		{airFlowSignal, 0.3}, {loadSignal, 0.3}, {ethanolSignal, 0.5}, {baroSignal, 0.15}, {ambientSignal, 0.3},
		{trimSignal, 0.15}, {lambdaTargetSignal, 0.15}, {lambdaSignal, 0.06}, {learnedSignal, 0.3}, {gearSignal, 0.25},
	} {
		if rng.Float64() < m.share {
			out = append(out, m.s)
		}
	}
	return out
}

// plantFault gives a car the fault of its place in the block.
func (c *car) plantFault(rng *rand.Rand) {
	keep := func(s ...signal) {
		c.missing = slices.DeleteFunc(c.missing, func(m signal) bool { return slices.Contains(s, m) })
	}
	switch c.index % block {
	case roleLeak:
		c.leak = 0.8 + 0.2*rng.Float64()
		c.faults = append(c.faults, FaultTruth{"boost_leak", "wastegate_duty", 22 * c.leak, "% a year",
			"wastegate duty climbs and boost falls short as a hose joint opens"})
		keep(wastegateSignal)
	case roleLambda:
		c.lambdaBias = 0.03 + 0.01*rng.Float64()
		c.faults = append(c.faults, FaultTruth{"lambda_sensor_offset", "lambda", c.lambdaBias, "lambda",
			"sensor reads lean by this much in every log"})
		keep(lambdaSignal, lambdaTargetSignal)
	case rolePump:
		c.pump = 0.66
		c.faults = append(c.faults, FaultTruth{"weak_fuel_pump", "rail_shortfall", c.pump, "share of rated capacity",
			"rail pressure droops at full flow"})
		keep(railSignal)
	case roleCoolant:
		c.faults = append(c.faults, FaultTruth{"stuck_coolant_sensor", "coolant_temperature", 88, "°C",
			"coolant reads one value through one log"})
	case roleKnockDrift:
		c.drift = -2.5 - rng.Float64()
		c.learned = 0
		c.faults = append(c.faults, FaultTruth{"knock_level_drift", "knock_limit", c.drift, "deg a year",
			"deposits: the knock limit falls with time"})
	}
	if c.index%block == roleLeak || c.index%block == roleKnockDrift {
		c.knockOffset = clamp(c.knockOffset, -1, 2)
	}
}

// offsetAt is the car's knock offset on a date, degrees.
func (c *car) offsetAt(date time.Time) float64 { return c.knockOffset + c.drift*yearsSinceStart(date) }

func (c *car) leakAt(date time.Time) float64 { return clamp(c.leak*yearsSinceStart(date), 0, 1) }

func yearsSinceStart(date time.Time) float64 {
	return math.Max(0, date.Sub(historyStart).Hours()/(24*365.25))
}

// tank draws what the pump really gave: octane and ethanol vary from batch to batch.
func (k *fuelKind) tank(rng *rand.Rand) gasoline {
	octane := 0.5 * rng.NormFloat64()
	ethanol := 0.012 * rng.NormFloat64()
	if k.class != "pump" {
		ethanol *= 2.5 // blended by hand, or by season
	}
	g := k.nominal
	g.ethanol = clamp(g.ethanol+ethanol, 0, 0.85)
	g.ron += octane + 18*ethanol
	g.mon += octane + 10*ethanol
	return g
}

// weather is the air of a day at a place.
func weather(rng *rand.Rand, date time.Time, p site) (ambient, baro float64) {
	season := math.Cos(2 * math.Pi * (float64(date.YearDay()) - 205) / 365.25)
	return round(15+6*season+p.warmer+3*rng.NormFloat64(), 0.1), round(p.baroKPa+0.6*rng.NormFloat64(), 0.1)
}

// dayToCome is the air of any day of the year after the history, at any of the places: cars are not tied to one.
func dayToCome(rng *rand.Rand) (ambient, baro float64) {
	date := historyEnd.AddDate(0, 0, rng.IntN(365))
	return weather(rng, date, places[rng.IntN(len(places))])
}

// planLogs spreads the car's logs over the history: one on the stage calibration, the rest on its own revisions.
func (c *car) planLogs(f *fleet, rng *rand.Rand) {
	counts := []int{1, 2, 1}
	switch {
	case proposes(c.index):
		counts = []int{1, 5}
	case c.leak != 0 || c.drift != 0:
		counts = []int{1, 6}
	case len(c.revisions) == 1:
		counts = []int{1, 2}
	}
	chain := append([]*revision{f.stage(c)}, c.revisions...)
	total := 0
	for i := range chain {
		total += counts[i]
	}
	span := historyEnd.Sub(historyStart)
	n := 0
	for i, r := range chain {
		for range counts[i] {
			share := (float64(n) + 0.1 + 0.8*rng.Float64()) / float64(total)
			date := historyStart.Add(time.Duration(share * float64(span))).Truncate(24 * time.Hour)
			c.logs = append(c.logs, c.planLog(r, date, rng))
			n++
		}
		if i+1 < len(chain) {
			chain[i+1].date = c.logs[len(c.logs)-1].date.AddDate(0, 0, 2)
		}
	}
	c.logs[len(c.logs)-1].mark(c.index % block)
}

func (c *car) planLog(r *revision, date time.Time, rng *rand.Rand) *logPlan {
	p := places[rng.IntN(len(places))]
	ambient, baro := weather(rng, date, p)
	l := &logPlan{revision: r, date: date, place: p, ambient: ambient, baro: baro, tank: c.fuel.tank(rng),
		listed: rng.Float64() < 0.7}
	l.name = fmt.Sprintf("runs/%s/%s/%s-%d.csv", c.id, r.id, date.Format(time.DateOnly), len(c.logs)+1)
	for range 3 + rng.IntN(3) {
		l.gears = append(l.gears, drawGear(rng))
	}
	return l
}

// mark makes a log one of the odd ones.
func (l *logPlan) mark(role int) {
	switch role {
	case roleUnreadable:
		l.truncated = true
	case roleWide:
		l.wide = true
	case roleCoolant:
		l.stuckCoolant = true
	case roleZipped:
		l.zipped = true
		l.name += ".gz"
	}
}

func drawGear(rng *rand.Rand) int {
	u := rng.Float64()
	switch {
	case u < 0.3:
		return 3
	case u < 0.85:
		return 4
	}
	return 5
}
