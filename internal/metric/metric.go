// Package metric is the catalogue of what is limited, measured and computed: one row a quantity, with its unit, the
// side on which it hurts, the values a limit can sensibly have, the log channels that show it, what computes it, and
// what it is called in a sentence. It answers what a name such as "rail_shortfall" means, once for the workspace
// reader, the judgement, the reports, the schemas and the documentation. Limit ranges are common practice, no source:
// wider than any engine this tool is for, narrow enough to catch a wrong unit.
package metric

import (
	"slices"

	"headroom/models/channel"
)

// ID names a metric in workspace files, results and schemas.
type ID string

// Metrics that platform limits are written on, and KnockMargin, whose limit is the tolerated retard.
const (
	KnockMargin        ID = "knock_margin"
	Lambda             ID = "lambda"
	InjectorDuty       ID = "injector_duty"
	InjectionWindowUse ID = "injection_window_use"
	PumpUse            ID = "pump_use"
	RailShortfall      ID = "rail_shortfall"
	ChargeTemperature  ID = "charge_temperature"
	CoolantTemperature ID = "coolant_temperature"
	OilTemperature     ID = "oil_temperature"
	ExhaustTemperature ID = "exhaust_temperature"
	PeakPressure       ID = "peak_pressure"
	BMEP               ID = "bmep"
	BoostOvershoot     ID = "boost_overshoot"
	WastegateDuty      ID = "wastegate_duty"
	Torque             ID = "torque"
)

// Metrics that no limit is written on and that envelopes are kept of, because tuners read them off a fleet.
const (
	SparkAdvance  ID = "spark_advance"
	ShortTermTrim ID = "short_term_trim"
	LongTermTrim  ID = "long_term_trim"
)

// Side says on which side of a limit the hazard lies.
type Side string

// Upper: the metric must not rise above its limit. Lower: it must not fall below.
const (
	Upper Side = "upper"
	Lower Side = "lower"
)

// Sign is +1 for an upper limit and −1 for a lower one: Sign·(limit − value) is the margin, positive inside.
func (s Side) Sign() float64 {
	if s == Lower {
		return -1
	}
	return 1
}

// Span is the range of values a limit can sensibly have, in the metric's stored unit; outside it a unit is wrong.
type Span struct {
	Low, High float64
	Meaning   string // what the limit is, for a remedy
	Example   string // a typical value
}

// Input is one thing a metric rests on: a quantity that a log gives, or a key of the platform file. Exactly one of the
// two is set.
type Input struct {
	Channels []channel.ID // any one of them will do
	Key      Key          // of the platform file
}

// Key is a key of the platform file that a metric rests on, and the value it must have where that is not any.
type Key string

// Keys.
const (
	FuelSystem      Key = "fuel_system"
	PumpCapacity    Key = "fuel_system.pump_capacity"
	KnockControl    Key = "knock_control"
	PortInjection   Key = "engine.injection: port"
	DirectInjection Key = "engine.injection: direct"
)

// Info is one row of the catalogue.
type Info struct {
	ID      ID
	Unit    string // stored unit; a limit in another unit of the same quantity is converted on reading
	Side    Side
	Spoken  string // in a sentence or a table, without a capital
	Meaning string // for the documentation
	Limit   Span   // zero where no limit is written on it

	// Shown is what a log must hold, all of it, for the metric to be measured; empty where no log can show it.
	Shown []Input
	// Computed is what physics needs, all of it, to say how a revision moves the metric or, for a metric that can stand
	// without measurements, what it is; empty where nothing is computed.
	Computed []Input
}

// logged is an input that any of some channels gives.
func logged(ids ...channel.ID) Input { return Input{Channels: ids} }

// written is an input that a key of the platform file gives.
func written(key Key) Input { return Input{Key: key} }

// What many rows rest on.
var (
	load = logged(channel.AbsoluteLoad, channel.MassAirFlow)
	// mixture is the measured lambda, or the commanded one in its place.
	mixture = logged(channel.Lambda, channel.LambdaCommanded)
	spark   = logged(channel.SparkAdvance, channel.SparkCommanded)
	// unretarded is what tells spark before knock retard: the command itself, or delivered spark with the retard in it.
	unretarded = logged(channel.KnockRetard, channel.KnockRetardLearned, channel.SparkCommanded)
	charge     = logged(channel.ChargeTemperature)
	// flow is what the fuel an engine burns follows from.
	flow = []Input{load, mixture}
	// onTarget tells boost that is controlled from a turbocharger that still spools.
	onTarget = []Input{logged(channel.ManifoldPressure), logged(channel.ManifoldPressureTarget)}
	// combustion is what the cycle model needs.
	combustion = []Input{load, charge, mixture, spark, unretarded}
)

// with is a list of inputs followed by more; the list itself is left alone.
func with(list []Input, more ...Input) []Input { return append(slices.Clone(list), more...) }

// catalogue is the table. Side is Upper wherever nothing else is said.
var catalogue = []Info{
	{ID: KnockMargin, Unit: "deg", Side: Lower, Spoken: "knock margin",
		Meaning:  "spark left to the knock limit, less what is tolerated",
		Shown:    []Input{logged(channel.KnockRetard, channel.KnockRetardLearned), spark, load, charge, mixture},
		Computed: []Input{written(KnockControl)}},
	{ID: Lambda, Unit: "lambda", Side: Upper, Spoken: "lambda",
		Meaning:  "leanest relative air–fuel ratio",
		Limit:    Span{0.6, 1.3, "the leanest lambda allowed", "0.95"},
		Shown:    []Input{logged(channel.Lambda)},
		Computed: []Input{logged(channel.LambdaCommanded)}},
	{ID: InjectorDuty, Unit: "%", Side: Upper, Spoken: "injector duty",
		Meaning:  "share of the cycle an injector is open",
		Limit:    Span{10, 100, "the injector duty allowed", "90"},
		Shown:    []Input{logged(channel.InjectorDuty)},
		Computed: with(flow, written(PortInjection), written(FuelSystem))},
	{ID: InjectionWindowUse, Unit: "%", Side: Upper, Spoken: "use of the injection window",
		Meaning:  "share of the usable crank window the injection takes (direct injection)",
		Limit:    Span{10, 100, "the share of the injection window allowed", "90"},
		Shown:    []Input{logged(channel.InjectorPulse), written(DirectInjection), written(FuelSystem)},
		Computed: with(flow, written(DirectInjection), written(FuelSystem))},
	{ID: PumpUse, Unit: "%", Side: Upper, Spoken: "use of the fuel pump's capacity",
		Meaning:  "share of the pump's capacity at pressure",
		Limit:    Span{10, 100, "the share of pump capacity allowed", "90"},
		Shown:    []Input{logged(channel.InjectorPulse), written(PumpCapacity)},
		Computed: with(flow, written(PumpCapacity))},
	{ID: RailShortfall, Unit: "kPa", Side: Upper, Spoken: "rail shortfall",
		Meaning: "rail pressure target minus actual",
		Limit:   Span{1, 20000, "the rail pressure shortfall allowed", "1500"},
		Shown:   []Input{logged(channel.RailPressure), logged(channel.RailPressureTarget)}},
	{ID: ChargeTemperature, Unit: "°C", Side: Upper, Spoken: "charge temperature",
		Meaning: "charge air temperature",
		Limit:   Span{20, 150, "the charge temperature allowed", "65"},
		Shown:   []Input{charge}},
	{ID: CoolantTemperature, Unit: "°C", Side: Upper, Spoken: "coolant temperature",
		Meaning:  "coolant temperature",
		Limit:    Span{70, 150, "the coolant temperature allowed", "112"},
		Shown:    []Input{logged(channel.CoolantTemperature)},
		Computed: flow},
	{ID: OilTemperature, Unit: "°C", Side: Upper, Spoken: "oil temperature",
		Meaning:  "oil temperature",
		Limit:    Span{70, 200, "the oil temperature allowed", "135"},
		Shown:    []Input{logged(channel.OilTemperature)},
		Computed: flow},
	{ID: ExhaustTemperature, Unit: "°C", Side: Upper, Spoken: "exhaust temperature",
		Meaning:  "exhaust gas temperature",
		Limit:    Span{400, 1200, "the exhaust temperature allowed", "950"},
		Shown:    []Input{logged(channel.ExhaustTemperature)},
		Computed: combustion},
	{ID: PeakPressure, Unit: "kPa", Side: Upper, Spoken: "peak cylinder pressure",
		Meaning:  "peak cylinder pressure",
		Limit:    Span{3000, 40000, "the peak cylinder pressure allowed", "12000"},
		Computed: combustion},
	{ID: BMEP, Unit: "kPa", Side: Upper, Spoken: "brake mean effective pressure",
		Meaning:  "brake mean effective pressure at low speed",
		Limit:    Span{300, 6000, "the brake mean effective pressure allowed", "1900"},
		Shown:    []Input{logged(channel.Torque)},
		Computed: combustion},
	{ID: BoostOvershoot, Unit: "kPa", Side: Upper, Spoken: "boost overshoot",
		Meaning:  "manifold pressure actual minus target",
		Limit:    Span{1, 150, "the boost above target allowed", "20"},
		Shown:    onTarget,
		Computed: onTarget},
	{ID: WastegateDuty, Unit: "%", Side: Upper, Spoken: "wastegate duty",
		Meaning:  "duty of the wastegate's valve at which boost control has nothing left to give",
		Limit:    Span{10, 100, "the wastegate duty allowed", "90"},
		Shown:    with(onTarget, logged(channel.WastegateDuty)),
		Computed: onTarget},
	{ID: Torque, Unit: "N·m", Side: Upper, Spoken: "torque",
		Meaning:  "brake torque",
		Limit:    Span{20, 5000, "the torque allowed", "420"},
		Shown:    []Input{logged(channel.Torque)},
		Computed: combustion},
	{ID: SparkAdvance, Unit: "deg", Side: Upper, Spoken: "spark advance",
		Meaning: "largest delivered spark", Shown: []Input{spark}},
	{ID: ShortTermTrim, Unit: "%", Side: Upper, Spoken: "short-term trim",
		Meaning: "short-term fuel trim, positive adds fuel", Shown: []Input{logged(channel.ShortTermTrim)}},
	{ID: LongTermTrim, Unit: "%", Side: Upper, Spoken: "long-term trim",
		Meaning: "long-term fuel trim, positive adds fuel", Shown: []Input{logged(channel.LongTermTrim)}},
}

// All returns every row in the catalogue's order. The caller owns the slice.
func All() []Info { return slices.Clone(catalogue) }

// Of returns a metric's row, and false for a name that is no metric.
func Of(id ID) (Info, bool) {
	i := slices.IndexFunc(catalogue, func(m Info) bool { return m.ID == id })
	if i < 0 {
		return Info{}, false
	}
	return catalogue[i], true
}

// Limited reports whether platform limits are written on the metric.
func (m Info) Limited() bool { return m.Limit != Span{} }

// Measurable reports whether a log can show the metric; for the others there is only what physics computes.
func (m Info) Measurable() bool { return len(m.Shown) > 0 }

// Worse reports whether a value of the metric lies nearer its hazard than another; false where either is NaN.
func (m Info) Worse(v, than float64) bool { return m.Side.Sign()*v > m.Side.Sign()*than }
