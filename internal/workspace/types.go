package workspace

import (
	"headroom/internal/fault"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/runlog/channelmap"
	"headroom/models/calmap"
	"headroom/models/channel"
)

// Workspace is everything a shop keeps about its fleet, read and validated.
type Workspace struct {
	Dir       string // absolute
	Config    Config
	Platforms map[string]*Platform
	Vehicles  map[string]*Vehicle
	Revisions map[string]*Revision
	Runs      []RunFile // sorted by Path
	Outcomes  []Outcome
	// what was left out while reading, in a stable order, with files relative to the workspace; the rest is usable
	Problems []fault.Fault

	// folders of logs that could not be listed, runs/ itself first; what is in them is not in Runs
	Unlisted []fault.Fault

	vehicleRows  map[string]int // line of every id in vehicles.csv, read or left out
	revisionDirs []string       // every folder of revisions/, read or left out
}

// Config is headroom.yaml.
type Config struct {
	Decision Decision        `yaml:"decision"`
	Display  Display         `yaml:"display"`
	Privacy  Privacy         `yaml:"privacy"`
	Fuels    map[string]Fuel `yaml:"fuels"`
	Climate  Climate         `yaml:"climate,omitempty"` // empty: the weather that the fleet's logs met
	Uses     []Use           `yaml:"uses,omitempty"`    // that chances are stated over
	Cells    Cells           `yaml:"cells,omitempty"`   // for platforms that give none of their own
	Pulls    Pulls           `yaml:"pulls,omitempty"`   // for platforms that give none of their own
	// of logs that do not say it themselves, and whose car (vehicles.csv) and logger (channels.yaml) do not
	Logs channelmap.Logger `yaml:"logs,omitempty"`
	Seed uint64            `yaml:"seed"`
}

// Decision holds the thresholds of the verdict (docs/methods.md, "Verdict").
type Decision struct {
	// by severity: catastrophic, major (moderate and minor never hold); per pull, 0–1
	HoldProbability map[hazard.Severity]float64 `yaml:"hold_probability"`
	// the same under a stress that the report prints
	StressProbability map[hazard.Severity]float64 `yaml:"stress_probability"`
	// fewer pulls than this on the platform: evidence is thin
	ThinPulls  int     `yaml:"thin_pulls"`
	ThinCars   int     `yaml:"thin_cars"`
	Content    float64 `yaml:"content"`    // envelope content, 0–1
	Confidence float64 `yaml:"confidence"` // envelope confidence, 0–1
}

// Display holds the units a report shows; results keep the stored units.
type Display struct {
	Pressure    string `yaml:"pressure"`    // kPa | bar | psi
	Temperature string `yaml:"temperature"` // C | F
	Torque      string `yaml:"torque"`      // Nm | lbfft
}

// Privacy says how identifiers are treated.
type Privacy struct {
	// non-empty: vehicle ids are replaced by a keyed hash in the store and reports
	PseudonymKey string `yaml:"pseudonym_key"`
}

// Fuel is one fuel the shop meets: a base gasoline with ethanol already in it.
type Fuel struct {
	Class        string  `yaml:"class"`         // envelopes are kept per class, e.g. "pump", "blend"
	RON          float64 `yaml:"ron"`           // research octane number of the finished fuel
	MON          float64 `yaml:"mon"`           // motor octane number of the finished fuel
	EthanolShare float64 `yaml:"ethanol_share"` // volume share 0–1 of the finished fuel
	Source       string  `yaml:"source"`
}

// Platform is one file of platforms/: an engine family with its limits. Crank angles are degrees after firing top
// dead centre (compression is negative), so intake-valve closing is about −140 and exhaust-valve opening about 130.
type Platform struct {
	ID       string    `yaml:"id"`
	Name     string    `yaml:"name"`
	Engine   Engine    `yaml:"engine"`
	Burn     *Burn     `yaml:"burn,omitempty"`     // nil: burn angles usual for such an engine stand in, widest
	Friction *Friction `yaml:"friction,omitempty"` // nil: handbook defaults
	// nil: boost cannot be turned into charge; a change of boost cannot be assessed
	AirPath      *AirPath               `yaml:"air_path,omitempty"`
	FuelSystem   *FuelSystem            `yaml:"fuel_system,omitempty"` // nil: fuel_delivery cannot be assessed
	OctaneIndexK float64                `yaml:"octane_index_k"`
	OctaneKnown  Known                  `yaml:"octane_index_known,omitempty"` // how octane_index_k is known
	KnockControl *KnockControl          `yaml:"knock_control"`                // nil: knock cannot be assessed
	Limits       []Limit                `yaml:"limits"`
	Lags         map[channel.ID]float64 `yaml:"lags"` // seconds a channel trails engine speed
	Cells        Cells                  `yaml:"cells"`
	Pulls        Pulls                  `yaml:"pulls"`
	File         string                 `yaml:"-"`
	// hazards whose limits were left out because one of them is bad: not assessable
	UnreadLimits []hazard.ID `yaml:"-"`
	// 1-based line of a key such as "limits[2].value" or of the nearest key around it; 0 unknown
	KeyLine func(path string) int `yaml:"-"`
}

// Engine is the geometry.
type Engine struct {
	Cylinders             int     `yaml:"cylinders"`
	BoreMM                float64 `yaml:"bore_mm"`
	StrokeMM              float64 `yaml:"stroke_mm"`
	RodMM                 float64 `yaml:"rod_mm"` // connecting rod, centre to centre
	CompressionRatio      float64 `yaml:"compression_ratio"`
	IntakeValveClosingDeg float64 `yaml:"intake_valve_closing_deg"`  // −180…−60
	ExhaustValveOpenDeg   float64 `yaml:"exhaust_valve_opening_deg"` // 60…180
	Injection             string  `yaml:"injection"`                 // direct | port
	Induction             string  `yaml:"induction"`                 // turbo | natural
	Known                 Known   `yaml:"known,omitempty"`           // of the compression ratio
}

// Burn anchors the burn angles at one reference point; the cycle model scales them from there.
type Burn struct {
	SpeedRPM       float64 `yaml:"speed_rpm"`
	AbsoluteLoad   float64 `yaml:"absolute_load_pct"`
	Lambda         float64 `yaml:"lambda"`
	SparkDeg       float64 `yaml:"spark_deg"`        // before top dead centre
	IgnitionLagDeg float64 `yaml:"ignition_lag_deg"` // spark to start of Wiebe burn
	DurationDeg    float64 `yaml:"duration_deg"`     // Wiebe total duration, a=5, m=2
	Known          Known   `yaml:"known,omitempty"`
	Source         string  `yaml:"source"`
}

// Friction is Chen and Flynn (SAE 650733): fmep = Constant + PeakPressure·p_max + Speed·S_p + SpeedSquared·S_p².
type Friction struct {
	ConstantKPa  float64 `yaml:"constant_kpa"`
	PeakPressure float64 `yaml:"peak_pressure"` // kPa per kPa
	Speed        float64 `yaml:"speed"`         // kPa per m/s
	SpeedSquared float64 `yaml:"speed_squared"` // kPa per (m/s)²
	Known        Known   `yaml:"known,omitempty"`
	Source       string  `yaml:"source"`
}

// AirPath turns manifold pressure into charge and boost into temperature.
type AirPath struct {
	// over rpm, relative to manifold density, 0.4–1.3
	VolumetricEfficiency     Curve   `yaml:"volumetric_efficiency"`
	CompressorEfficiency     float64 `yaml:"compressor_efficiency"`     // isentropic, 0.4–0.85; 0 for natural induction
	IntercoolerEffectiveness float64 `yaml:"intercooler_effectiveness"` // 0–1
	Known                    Known   `yaml:"known,omitempty"`
	Source                   string  `yaml:"source"`
}

// Curve is a value along one breakpoint axis, held at the edges.
type Curve struct {
	Breakpoints []float64 `yaml:"at"`    // strictly increasing
	Value       []float64 `yaml:"value"` // one per breakpoint
}

// FuelSystem is what the pump and the injectors can deliver.
type FuelSystem struct {
	InjectorFlowCCMin float64 `yaml:"injector_flow_cc_min"` // each, at RatedPressureKPa
	RatedPressureKPa  float64 `yaml:"rated_pressure_kpa"`
	DeadTimeMS        float64 `yaml:"dead_time_ms"`
	UsableWindowDeg   float64 `yaml:"usable_window_deg"` // direct injection only
	PumpCapacity      Curve   `yaml:"pump_capacity"`     // at: pressure kPa, value: g/s
	Known             Known   `yaml:"known,omitempty"`
	Source            string  `yaml:"source"`
}

// KnockControl is how the control unit reacts to knock.
type KnockControl struct {
	StepDeg              float64 `yaml:"step_deg"`                // retard taken per heard event
	RecoveryDegPerSecond float64 `yaml:"recovery_deg_per_second"` // how fast it gives spark back
	ToleratedRetardDeg   float64 `yaml:"tolerated_retard_deg"`    // accumulated retard beyond this is a crossing
	Source               string  `yaml:"source"`
}

// Limit is one limit of a platform: Value, or Along with Breakpoints and Values; exactly one of the two is given.
type Limit struct {
	Hazard      hazard.ID  `yaml:"hazard"`
	Metric      metric.ID  `yaml:"metric"`
	Unit        string     `yaml:"unit"`
	Value       *float64   `yaml:"value"`
	Along       channel.ID `yaml:"along"` // with at/values: engine_speed or absolute_load
	Breakpoints []float64  `yaml:"at"`
	Values      []float64  `yaml:"values"`
	RPMRange    []float64  `yaml:"rpm_range"` // [low, high] where the limit applies; empty: everywhere
	// minor | moderate | major | catastrophic; "" takes the hazard's default
	Severity hazard.Severity `yaml:"severity"`
	Source   string          `yaml:"source"`
}

// Cells is the operating grid.
type Cells struct {
	RPMStep  float64 `yaml:"rpm_step"`
	LoadStep float64 `yaml:"load_step_pct"`
}

// Pulls are the rules for finding pulls and steady stretches.
type Pulls struct {
	ThrottleMin   float64 `yaml:"throttle_min_pct"` // of throttle or pedal
	MinSeconds    float64 `yaml:"min_seconds"`
	MinSpanRPM    float64 `yaml:"min_span_rpm"`
	SteadySeconds float64 `yaml:"steady_seconds"`
	WarmCoolantC  float64 `yaml:"warm_coolant_c"`
}

// Vehicle is one row of vehicles.csv.
type Vehicle struct {
	ID           string
	Platform     string
	Fuel         string
	Hardware     string // free text code, "stock" when empty
	HardwareDate string // YYYY-MM-DD of the last hardware change, "" when unknown
	Line         int
	Logger       channelmap.Logger // what is stated of the car's logger and place
}

// Revision is one calibration revision with its tables read.
type Revision struct {
	ID       string            `yaml:"id"`
	Parent   string            `yaml:"parent"` // "" for a base calibration
	Platform string            `yaml:"platform"`
	Vehicle  string            `yaml:"vehicle"` // vehicle id or "fleet"
	Author   string            `yaml:"author"`
	Status   string            `yaml:"status"` // proposed | released | withdrawn
	Date     string            `yaml:"date"`
	Fuel     string            `yaml:"fuel"`
	Hardware map[string]string `yaml:"hardware"`
	Tables   []TableRef        `yaml:"tables"`
	File     string            `yaml:"-"`
}

// TableRef names one table of a revision; Table is filled by the reader.
type TableRef struct {
	Role string `yaml:"role"` // spark | lambda | boost | intake_cam | exhaust_cam | speed_limit | other
	Name string `yaml:"name"` // needed for role other
	File string `yaml:"file"`
	X    Axis   `yaml:"x"`
	Y    *Axis  `yaml:"y"`
	Unit string `yaml:"unit"`

	// needed for unit AFR: the ratio that scale was made for
	StoichiometricRatio float64 `yaml:"stoichiometric_ratio,omitempty"`
	// needed for gauge pressure: what it is relative to
	BarometerKPa float64 `yaml:"barometer_kpa,omitempty"`

	// axes and values in stored units (rpm, %, kPa absolute, λ, deg); as written for roles not modelled
	Table *calmap.Table `yaml:"-"`
}

// Axis is what a table is looked up by.
type Axis struct {
	Channel channel.ID `yaml:"channel"`
	Unit    string     `yaml:"unit"`
}

// RunFile is one log in the workspace.
type RunFile struct {
	Path     string // relative, slash-separated
	Vehicle  string
	Revision string
	Date     string
	Place    string
	AmbientC float64 // NaN when unknown
	BaroKPa  float64 // NaN when unknown
	Fuel     string  // fuel id; the vehicle's when not overridden
}

// Outcome is one row of outcomes.csv.
type Outcome struct {
	Vehicle, Date, Revision, Event, Component string
	OdometerKM                                float64 // NaN when unknown
	Line                                      int
}
