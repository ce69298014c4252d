package evidence

import "math"

// Row is the unit of evidence: what one segment (a pull, or a steady part-throttle stretch) of one car showed in one
// operating cell. Samples inside a segment are one observation, so a Row is one observation. Float fields that were
// not logged are NaN ("not measured"), never zero. Angles in crank degrees, spark before top dead centre, retard
// positive, pressures absolute kPa, temperatures °C, shares and trims in percent, times in seconds.
type Row struct {
	Platform string `parquet:"platform,dict"`
	Vehicle  string `parquet:"vehicle,dict"`
	Revision string `parquet:"revision,dict"`
	Fuel     string `parquet:"fuel,dict"` // fuel id of headroom.yaml
	Run      string `parquet:"run,dict"`  // path relative to the workspace
	Date     string `parquet:"date,dict"` // of the run, YYYY-MM-DD, "" when unknown
	Kind     string `parquet:"kind,dict"` // KindPull or KindSteady
	Segment  int32  `parquet:"segment"`   // 0-based within the run
	Order    int32  `parquet:"order"`     // 0-based count of pulls before this one in the run (heat soak)

	RPMLow   float64 `parquet:"rpm_low"`
	RPMHigh  float64 `parquet:"rpm_high"`
	LoadLow  float64 `parquet:"load_low"`
	LoadHigh float64 `parquet:"load_high"`

	Start          float64 `parquet:"start"`    // seconds into the run at which the cell was entered
	Duration       float64 `parquet:"duration"` // seconds spent in the cell
	Into           float64 `parquet:"into"`     // seconds into the segment at the cell's last sample
	Samples        int32   `parquet:"samples"`
	SampleInterval float64 `parquet:"sample_interval"` // median of the run
	Cycles         float64 `parquet:"cycles"`          // engine cycles spent in the cell (two revolutions each)

	RPM        float64 `parquet:"rpm"`      // mean
	Load       float64 `parquet:"load"`     // mean absolute load, %
	LoadMax    float64 `parquet:"load_max"` // largest
	LoadSource string  `parquet:"load_source,dict"`

	SparkDelivered float64 `parquet:"spark_delivered"` // mean
	SparkCommanded float64 `parquet:"spark_commanded"` // mean, before knock retard
	SparkMax       float64 `parquet:"spark_max"`       // largest delivered: a cell without a rise is clean up to here
	// which of the two was logged: SparkBoth, SparkDelivered, SparkCommanded, SparkNone
	SparkSource string `parquet:"spark_source,dict"`
	// total retard was compared here at least once: clean means clean, not unknown
	KnockLogged bool `parquet:"knock_logged"`
	// sampled too slowly for the controller: a rise may have passed unseen, clean is weak
	KnockSlow   bool  `parquet:"knock_slow"`
	KnockEvents int32 `parquet:"knock_events"` // rises of total retard
	// delivered just before the lowest rise; NaN without one, or when spark is unknown there
	SparkBefore float64 `parquet:"spark_before"`
	SparkAfter  float64 `parquet:"spark_after"` // delivered just after it: SparkBefore less the rise

	// What narrows the bracket when spark was climbing back after an earlier event; NaN without an event.
	RiseRetard float64 `parquet:"rise_retard"` // retard standing just before the lowest rise
	// largest spark delivered in the cell at a sample no rise follows within hearing (models/knock), moved to the
	// charge of the rise; NaN without one
	RiseClean float64 `parquet:"rise_clean"`

	// Four samples of the cell, kept whole: spark, charge, torque and the limits set on them move across a cell, so its
	// means would mix one sample's spark with another's charge, or one sample's torque with another's limit.
	// says most about the knock limit: where the lowest rise shows, else where delivered spark comes closest to a limit
	// that falls with charge (see boundSlope)
	Bound Sample `parquet:"bound"`
	// the first: in a pull the lowest speed, where a limit that rises with speed is nearest
	Entry Sample `parquet:"entry"`
	Exit  Sample `parquet:"exit"` // the last
	Peak  Sample `parquet:"peak"` // the highest manifold pressure (load where it was not logged)

	RetardRise  float64 `parquet:"retard_rise"`  // sum of rises
	RetardMax   float64 `parquet:"retard_max"`   // largest total retard
	RetardStart float64 `parquet:"retard_start"` // retard on entering the cell, left over from before
	// median seconds between usable samples of total retard in the run
	RetardInterval float64 `parquet:"retard_interval"`

	Lambda          float64 `parquet:"lambda"`         // mean
	LambdaLeanest   float64 `parquet:"lambda_leanest"` // largest 0.3 s mean of a 3-sample running median
	LeanestRPM      float64 `parquet:"leanest_rpm"`    // speed there
	LeanestLoad     float64 `parquet:"leanest_load"`   // absolute load there, %
	LambdaCommanded float64 `parquet:"lambda_commanded"`
	LambdaError     float64 `parquet:"lambda_error"` // mean of measured minus commanded
	ShortTermTrim   float64 `parquet:"short_term_trim"`
	LongTermTrim    float64 `parquet:"long_term_trim"`

	InjectorDuty  float64 `parquet:"injector_duty"`  // largest
	InjectorPulse float64 `parquet:"injector_pulse"` // largest, ms
	RailPressure  float64 `parquet:"rail_pressure"`  // smallest
	RailShortfall float64 `parquet:"rail_shortfall"` // largest of target minus actual

	ManifoldPressure       float64 `parquet:"manifold_pressure"` // mean
	ManifoldPressureMax    float64 `parquet:"manifold_pressure_max"`
	ManifoldPressureTarget float64 `parquet:"manifold_pressure_target"` // mean
	BoostError             float64 `parquet:"boost_error"`              // mean of actual minus target
	BoostOvershoot         float64 `parquet:"boost_overshoot"`          // largest of actual minus target
	// mean rate of the target, kPa/s, positive rising
	TargetRate    float64 `parquet:"target_rate"`
	SpeedRate     float64 `parquet:"speed_rate"`     // mean rate of engine speed, rpm/s
	WastegateDuty float64 `parquet:"wastegate_duty"` // largest
	MassAirFlow   float64 `parquet:"mass_air_flow"`  // mean, g/s

	ChargeTemperature     float64 `parquet:"charge_temperature"`      // mean
	ChargeTemperatureMax  float64 `parquet:"charge_temperature_max"`  // largest
	ChargeTemperatureRise float64 `parquet:"charge_temperature_rise"` // this cell's largest minus the segment's first
	CoolantTemperature    float64 `parquet:"coolant_temperature"`     // largest
	CoolantRise           float64 `parquet:"coolant_rise"`
	OilTemperature        float64 `parquet:"oil_temperature"` // largest
	OilRise               float64 `parquet:"oil_rise"`
	ExhaustTemperature    float64 `parquet:"exhaust_temperature"` // largest
	ExhaustRise           float64 `parquet:"exhaust_rise"`
	ExhaustRate           float64 `parquet:"exhaust_rate"` // K/s at the largest reading: see trend

	Ethanol   float64 `parquet:"ethanol"`   // % by volume
	Barometer float64 `parquet:"barometer"` // kPa
	// kPa by which the surrounding air may have been denser than Barometer, and manifold pressure higher with it, where
	// it had to be assumed; 0 where it is known or the manifold's pressure is not measured from it
	BarometerMore float64 `parquet:"barometer_more"`
	Ambient       float64 `parquet:"ambient"`    // °C
	Gear          float64 `parquet:"gear"`       // NaN when not logged
	IntakeCam     float64 `parquet:"intake_cam"` // mean
	ExhaustCam    float64 `parquet:"exhaust_cam"`

	Thinned Thinned `parquet:"thinned"`
}

// Kept are the samples kept of the row's cell, in no order of time.
func (r *Row) Kept() []*Sample { return []*Sample{&r.Bound, &r.Entry, &r.Exit, &r.Peak} }

// WithoutCharge is a copy of the row as if charge temperature had not been logged.
func (r *Row) WithoutCharge() *Row {
	c, nan := *r, math.NaN()
	c.ChargeTemperature, c.ChargeTemperatureMax, c.ChargeTemperatureRise = nan, nan, nan
	c.Thinned.ChargeTemperatureMax = nan
	for _, at := range c.Kept() {
		at.Charge = nan
	}
	return &c
}

// Sample is one instant of a cell; units as in Row.
type Sample struct {
	RPM       float64 `parquet:"rpm"`
	Load      float64 `parquet:"load"`
	Delivered float64 `parquet:"delivered"` // spark
	Commanded float64 `parquet:"commanded"` // spark, before knock retard
	Manifold  float64 `parquet:"manifold"`  // pressure
	Target    float64 `parquet:"target"`    // of manifold pressure
	Charge    float64 `parquet:"charge"`    // temperature
	Torque    float64 `parquet:"torque"`    // brake, N·m, where measured
}

// Kinds of segment.
const (
	KindPull   = "pull"
	KindSteady = "steady"
)

// spoolGap is how far below target (kPa) a cell's highest boost may stay before the cell counts as spooling; common
// practice, no source.
const spoolGap = 10

// Spooling reports whether the turbocharger still spools in a cell of this boost overshoot (kPa): an overshoot cannot
// happen there, and boost error and wastegate duty say nothing about control. False where the overshoot is not known.
func Spooling(overshoot float64) bool { return overshoot < -spoolGap }
