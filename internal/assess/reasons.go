package assess

import (
	"headroom/internal/assess/fleet"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/landmark"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/channel"
)

// Reasons that a hazard could not be judged, or on what it was.
type (
	// NoLimit: the platform file has no limit for the hazard.
	NoLimit struct {
		File string `json:"file"`
	}
	// LimitUnread: the platform file has a limit for the hazard that could not be read.
	LimitUnread struct {
		File string `json:"file"`
	}
	// Lacking: something that the metric rests on is missing.
	Lacking struct {
		Metric metric.ID `json:"metric"`
		result.Lack
	}
	// UnknownMetric: this version does not know how to judge a metric that the platform file has a limit on.
	UnknownMetric struct {
		Metric metric.ID `json:"metric"`
	}
	// OutOfRange: no logged pull is in the speed range where the limit applies.
	OutOfRange struct {
		Metric metric.ID `json:"metric"`
	}
	// NothingToRun: there is no logged state to run the revision on.
	NothingToRun struct {
		Fault string `json:"fault"` // with its remedy
	}
	// ThinEvidence: fewer cars or pulls than the workspace asks for.
	ThinEvidence struct {
		Cars        int `json:"cars"`
		Pulls       int `json:"pulls"`
		CarsWanted  int `json:"cars_wanted"`
		PullsWanted int `json:"pulls_wanted"`
	}
	// NeverLogged: the car's logs do not tell of the hazard, for lack of what; it is judged by the spread between cars.
	NeverLogged struct {
		result.Lack
	}
	// WorstOf: the hazard has several limits; this metric's is the likeliest to be crossed.
	WorstOf struct {
		Limits int       `json:"limits"`
		Metric metric.ID `json:"metric"`
	}
	// ComputedLevel: the metric is computed from logged states, at a level that measurements gave.
	ComputedLevel struct {
		OwnCar    bool `json:"own_car"`    // this car's own measurements
		OtherCars int  `json:"other_cars"` // else those of so many others; 0: none measured it
	}
)

// Code implements result.Reason.
func (NoLimit) Code() string       { return "no_limit" }
func (LimitUnread) Code() string   { return "limit_unread" }
func (Lacking) Code() string       { return "lacking" }
func (UnknownMetric) Code() string { return "unknown_metric" }
func (OutOfRange) Code() string    { return "out_of_range" }
func (NothingToRun) Code() string  { return "nothing_to_run" }
func (ThinEvidence) Code() string  { return "thin_evidence" }
func (NeverLogged) Code() string   { return "never_logged" }
func (WorstOf) Code() string       { return "worst_of" }
func (ComputedLevel) Code() string { return "computed_level" }

// Reasons of a verdict.
type (
	// NothingAgainst: no assessed limit, envelope or stress condition speaks against a release.
	NothingAgainst struct{}
	// TooLikely: the upper bound of the chance that a pull crosses passes what the workspace allows.
	TooLikely struct {
		Hazard     hazard.ID       `json:"hazard"`
		Severity   hazard.Severity `json:"severity"`
		Chance     result.Number   `json:"probability_per_pull"`
		Interval90 result.Span     `json:"interval90"`
		Threshold  result.Number   `json:"threshold"`
		Cell       *result.Cell    `json:"cell"`                        // where it is likeliest; may be nil
		Parent     result.Number   `json:"parent_probability_per_pull"` // null without a parent
		ParentHeld bool            `json:"parent_held"`                 // the parent would be held for the same
	}
	// MeasuredCrossing: pulls made on the revision went beyond a limit.
	MeasuredCrossing struct {
		Hazard hazard.ID `json:"hazard"`
		Pulls  int       `json:"pulls"`
		Of     int       `json:"of"`   // own pulls
		Cars   []string  `json:"cars"` // that they were made on
		Runs   []string  `json:"runs"` // logs that hold them

		severity hazard.Severity
	}
	// NotJudged: a hazard could not be assessed, or only in part, or on too little.
	NotJudged struct {
		Hazard   hazard.ID       `json:"hazard"`
		Severity hazard.Severity `json:"severity"`
		Status   result.Status   `json:"status"`
		Partial  bool            `json:"partial"` // some of its limits were assessed
		Why      result.Reasons  `json:"why"`
	}
	// OutsideEnvelope: the revision moves cells beyond what the fleet has been shown to run.
	OutsideEnvelope struct {
		Hazard hazard.ID     `json:"hazard"`
		Cells  []result.Cell `json:"cells"`
	}
	// EnvelopeUnknown: the revision moves cells that too few cars have visited to say what the fleet runs there.
	EnvelopeUnknown struct {
		Hazard hazard.ID     `json:"hazard"`
		Cells  []result.Cell `json:"cells"`
	}
	// NeverLoggedHere: a serious hazard that this car's logs do not tell of, and that the spread between cars leaves
	// open.
	NeverLoggedHere struct {
		Hazard hazard.ID `json:"hazard"`
		result.Lack
	}
	// FuelNotShown: no judged pull ran on a fuel of the revision's class.
	FuelNotShown struct {
		From []string `json:"from"` // fuels of the judged pulls
		To   string   `json:"to"`
	}
	// PartNotShown: no judged pull ran with a part that the revision is made for.
	PartNotShown struct {
		Item    string      `json:"item"`
		From    []string    `json:"from"` // parts of the judged pulls
		To      string      `json:"to"`
		Hazards []hazard.ID `json:"hazards"` // whose prediction rests on the part
	}
	// FileDoubt: a number of the platform file is not what logs show, or none tells and it is unusual.
	FileDoubt struct {
		File  string          `json:"file"`
		Check fleet.FileCheck `json:"check"`
	}
	// CrossesUnder: a hazard crosses its limit under a stress.
	CrossesUnder struct {
		Hazard hazard.ID     `json:"hazard"`
		Stress Stress        `json:"stress"`
		Margin result.Number `json:"margin"`
		Unit   string        `json:"unit"`
	}
	// LikelyUnder: a serious hazard passes what the workspace allows under a stress.
	LikelyUnder struct {
		Hazard    hazard.ID       `json:"hazard"`
		Severity  hazard.Severity `json:"severity"`
		Stress    Stress          `json:"stress"`
		Chance    result.Number   `json:"probability_per_pull"`
		Parent    result.Number   `json:"parent_probability_per_pull"` // under the same stress
		Threshold result.Number   `json:"threshold"`
	}
	// DangerousIfVisited: a table changes where no judged pull has been, and a pull that went there would be too
	// likely to cross a limit.
	DangerousIfVisited struct {
		Worst     UnvisitedPlace `json:"worst"`
		Cells     []result.Cell  `json:"cells"`
		Threshold result.Number  `json:"threshold"`
	}
	// NotPlaced: changed values of tables that no judged pull reads and where no logged state could be put.
	NotPlaced struct {
		Values int `json:"values"`
	}
	// FarFromLogged: the revision takes cells where no log was.
	FarFromLogged struct {
		Cells    []result.Cell `json:"cells"` // furthest first
		Furthest FarState      `json:"furthest"`
		Cars     int           `json:"cars"` // whose logs it is set against
	}
	// NotProven: the upper bound of the chance that a pull crosses passes what the workspace allows, on evidence that
	// does not hold a revision by itself.
	NotProven struct {
		Hazard     hazard.ID       `json:"hazard"`
		Severity   hazard.Severity `json:"severity"`
		Chance     result.Number   `json:"probability_per_pull"`
		Interval90 result.Span     `json:"interval90"`
		Threshold  result.Number   `json:"threshold"`
		Why        result.Reasons  `json:"why"` // it does not
		// Run: no log can tell how near the limit is, and the same calculation puts pulls that were run as near to it
		Run bool `json:"run"`
	}
	// NoKnockEvent: no logged event of the platform shows the knock limit, so its upper side is physics alone.
	NoKnockEvent struct {
		Cars  int `json:"cars"`
		Pulls int `json:"pulls"`
	}
	// CleanPastPhysics: logged pulls without knock lie past the knock limit that physics alone gives.
	CleanPastPhysics struct {
		Cars   int           `json:"cars"`
		Pulls  int           `json:"pulls"`
		Beyond result.Number `json:"beyond_deg"` // the limit, in the middle of their cells
		Chance result.Number `json:"chance"`     // that they stay silent if physics is right
	}
	// ChargeStoodStill: charge temperature stands still through logs of the car, so its sensor or channel is dead.
	ChargeStoodStill struct {
		Runs  []string      `json:"runs"`
		Pulls int           `json:"pulls"`
		At    result.Number `json:"at_c"`
	}
	// StandsApart: logs of the car read apart from other cars' by what reads alike on sound ones.
	StandsApart struct {
		landmark.Suspect
		Hazards []hazard.ID `json:"hazards"` // that rest on the channel in doubt
	}
	// KnockNotHeard: knock retard never moves in logs of the car in which a listening car's would have.
	KnockNotHeard struct {
		Runs   []string      `json:"runs"`
		Pulls  int           `json:"pulls"`
		Steady int           `json:"steady"` // stretches
		Retard result.Number `json:"retard_deg"`
		Chance result.Number `json:"chance"` // that a listening car stays silent
	}
	// MayNotHear: knock retard never moves in any log of the car, as a sound and quiet car's may do; what knock is
	// without what those logs show.
	MayNotHear struct {
		Pulls     int           `json:"pulls"`
		Steady    int           `json:"steady"`               // stretches
		Silent    result.Number `json:"silent"`               // chance that a listening car stays silent in them
		Chance    result.Number `json:"probability_per_pull"` // of knock, for a car whose knock was not logged
		High      result.Number `json:"high"`                 // upper 90 % bound of it; unknown under a stress
		Under     *Stress       `json:"under"`                // nil: as the car is driven
		Threshold result.Number `json:"threshold"`            // that it passes; unknown: none
	}
	// RecordAgainst: the judged pulls of the parent crossed a limit more often than was computed for them, whatever
	// chance did.
	RecordAgainst struct {
		Hazard   hazard.ID       `json:"hazard"`
		Severity hazard.Severity `json:"severity"`
		Crossed  int             `json:"crossed"`
		Of       int             `json:"of"`  // pulls in which it was measured
		Low      result.Number   `json:"low"` // of the share that crosses, 95 % sure (Clopper and Pearson)
		Parent   result.Number   `json:"parent_probability_per_pull"`
		High     result.Number   `json:"parent_high"` // its upper bound, 95 % sure
	}
	// MovesAgainst: past revisions of the platform show another slope of a metric over what physics expects of a change
	// than physics can have, and which of the two is right decides the hazard.
	MovesAgainst struct {
		Hazard    hazard.ID     `json:"hazard"`
		Metric    metric.ID     `json:"metric"`
		Through   string        `json:"through"`  // spark, mixture or air
		Shown     result.Number `json:"shown"`    // share of the expected change that came, 1: all
		ShownSD   result.Number `json:"shown_sd"` // its deviation
		Expected  result.Number `json:"expected"`
		Cars      int           `json:"cars"`
		Revisions int           `json:"revisions"`
	}
	// LimitMovesAgainst: the platform's rows show another slope of the knock limit than the cycle model can have, and
	// which of the two is right decides.
	LimitMovesAgainst struct {
		Covariate string        `json:"covariate"`
		Unit      string        `json:"unit"`
		Shown     result.Number `json:"shown"` // degrees per unit
		ShownSD   result.Number `json:"shown_sd"`
		Expected  result.Number `json:"expected"`
		Cars      int           `json:"cars"`
		Pulls     int           `json:"pulls"`
	}
	// LogsOffTable: what the judged logs of a revision show is not what its table asks for, as where they were made on
	// another.
	LogsOffTable struct {
		Revision string        `json:"revision"`
		Role     string        `json:"role"`
		By       result.Number `json:"by"` // logged less the table's, the median
		Unit     string        `json:"unit"`
		Pulls    int           `json:"pulls"`
	}
	// ChargeBelowAmbient: charge behind the compressor is logged colder than the air that it breathes.
	ChargeBelowAmbient struct {
		By    result.Number `json:"below_k"` // the median
		Pulls int           `json:"pulls"`
	}
	// ClimateUnused: headroom.yaml gives a climate, and judged pulls do not say how warm their days were.
	ClimateUnused struct {
		Pulls int `json:"pulls"` // without ambient temperature
		Of    int `json:"of"`
	}
	// HigherThanLogged: the climate of headroom.yaml goes to thinner air than any log of the platform was made in.
	HigherThanLogged struct {
		Climate result.Number `json:"climate_kpa"`
		Logged  result.Number `json:"logged_kpa"` // the lowest of days
	}
	// NoAccount: a table differs, and neither physics nor a log says what that does.
	NoAccount struct {
		Role     string             `json:"role"`
		Name     string             `json:"name"`
		Obstacle footprint.Obstacle `json:"obstacle"` // to the comparison, where there was one
	}
	// Unmodelled: a table changes and its effect was not computed.
	Unmodelled struct {
		state.Gap
	}
)

// Code implements result.Reason.
func (NothingAgainst) Code() string     { return "nothing_against" }
func (TooLikely) Code() string          { return "too_likely" }
func (MeasuredCrossing) Code() string   { return "measured_crossing" }
func (NotJudged) Code() string          { return "not_judged" }
func (OutsideEnvelope) Code() string    { return "outside_envelope" }
func (EnvelopeUnknown) Code() string    { return "envelope_unknown" }
func (NeverLoggedHere) Code() string    { return "never_logged_here" }
func (FuelNotShown) Code() string       { return "fuel_not_shown" }
func (PartNotShown) Code() string       { return "part_not_shown" }
func (CrossesUnder) Code() string       { return "crosses_under" }
func (LikelyUnder) Code() string        { return "likely_under" }
func (DangerousIfVisited) Code() string { return "dangerous_if_visited" }
func (NotPlaced) Code() string          { return "not_placed" }
func (FarFromLogged) Code() string      { return "far_from_logged" }
func (Unmodelled) Code() string         { return "unmodelled" }
func (NotProven) Code() string          { return "not_proven" }
func (NoKnockEvent) Code() string       { return "no_knock_event" }
func (CleanPastPhysics) Code() string   { return "clean_past_physics" }
func (ChargeStoodStill) Code() string   { return "charge_stood_still" }
func (KnockNotHeard) Code() string      { return "knock_not_heard" }
func (StandsApart) Code() string        { return "stands_apart" }
func (RecordAgainst) Code() string      { return "record_against" }
func (MovesAgainst) Code() string       { return "moves_against" }
func (LimitMovesAgainst) Code() string  { return "limit_moves_against" }
func (LogsOffTable) Code() string       { return "logs_off_table" }
func (ChargeBelowAmbient) Code() string { return "charge_below_ambient" }
func (ClimateUnused) Code() string      { return "climate_unused" }
func (HigherThanLogged) Code() string   { return "higher_than_logged" }
func (NoAccount) Code() string          { return "no_account" }
func (MayNotHear) Code() string         { return "may_not_hear" }
func (FileDoubt) Code() string          { return "file_doubt" }

// Cautions.
type (
	// BeforeHardware: pulls of the car from before its last hardware change are left out.
	BeforeHardware struct {
		Pulls int    `json:"pulls"`
		Date  string `json:"date"`
	}
	// OtherCalibrations: too few pulls on the parent; the car's pulls on other calibrations are used.
	OtherCalibrations struct {
		Wanted int    `json:"wanted"`
		Parent string `json:"parent"` // "": the revision has none
	}
	// CarOnOtherFuel: vehicles.csv says that the car runs on another fuel than the revision is made for.
	CarOnOtherFuel struct {
		Car      string `json:"car"`
		Fuel     string `json:"fuel"`     // of the car
		Revision string `json:"revision"` // fuel of the revision
	}
	// HardwareUndated: vehicles.csv names hardware of the car and no day from which it has it.
	HardwareUndated struct {
		Car      string `json:"car"`
		Hardware string `json:"hardware"`
	}
	// LowerSeverity: the platform file says a hazard is less severe than it is by the catalogue.
	LowerSeverity struct {
		Hazard   hazard.ID       `json:"hazard"`
		Severity hazard.Severity `json:"severity"`
		Usual    hazard.Severity `json:"usual"`
	}
	// LaxThreshold: headroom.yaml allows a higher chance than is usual.
	LaxThreshold struct {
		Severity hazard.Severity `json:"severity"`
		Stress   bool            `json:"stress"` // under a stress
		Allowed  result.Number   `json:"allowed"`
		Usual    result.Number   `json:"usual"`
	}
	// Withdrawn: the revision, or one that it was made from, was withdrawn.
	Withdrawn struct {
		Revision string `json:"revision"` // the nearest that was
		Own      bool   `json:"own"`      // it is the revision itself
	}
	// LoggedBeforeRevision: logs of the revision, or of its parent, are dated before it was made.
	LoggedBeforeRevision struct {
		Revision string `json:"revision"`
		Date     string `json:"date"`  // of the revision
		First    string `json:"first"` // date of the first such log
		Pulls    int    `json:"pulls"` // in such logs
	}
	// DatedBeforeParent: the revision is dated before the one that it is made from.
	DatedBeforeParent struct {
		Date       string `json:"date"`
		Parent     string `json:"parent"`
		ParentDate string `json:"parent_date"`
	}
	// OtherCars: too few pulls of the car; other cars stand in for it.
	OtherCars struct {
		Pulls int `json:"pulls"` // of this car
	}
	// PullsLeftOut: pulls logged on a revision that cannot be resolved.
	PullsLeftOut struct {
		Revision string `json:"revision"`
		Fault    string `json:"fault"`
	}
	// SuspectSensor: the car's lambda sensor reads off in steady running as at full throttle.
	SuspectSensor struct {
		Steady result.Number `json:"steady"` // λ leaner than commanded
		Full   result.Number `json:"full"`
		Leaner result.Number `json:"leaner"` // λ added to what it reads where the lean hazard is judged
	}
	// TableDoubt: something in a table of the revision looks wrong, one for each kind and file.
	TableDoubt struct {
		Kind      string                `json:"kind"` // shape | unit | range of models/calmap, axis | exchanged
		File      string                `json:"file"`
		Role      string                `json:"role"`
		At        []footprint.AxisValue `json:"at"`         // of the value furthest out of range; else empty
		Value     result.Number         `json:"value"`      // that value, or the median where the unit is in doubt
		Unit      string                `json:"unit"`       // of value and range, or of the axis in doubt
		Range     result.Span           `json:"range"`      // that a table of the role can hold
		LooksLike string                `json:"looks_like"` // what the values or breakpoints look like
		Fault     string                `json:"fault"`      // what is wrong with a shape
		Count     int                   `json:"count"`      // values, or of an axis logged states, that show it
		Of        int                   `json:"of"`         // looked at
		Compared  string                `json:"compared"`   // parent | logs, "" for the table by itself
		Was       result.Number         `json:"was"`        // median of what it is compared with
		Axes      []channel.ID          `json:"axes"`       // in doubt
		Ends      result.Span           `json:"ends"`       // first and last breakpoint of the axis in doubt
		Driven    result.Span           `json:"driven"`     // 5th and 95th percentile of what was logged there
	}
	// NewSpike: a value of a table stands alone, and did not in the parent's.
	NewSpike struct {
		Spike footprint.Spike `json:"spike"`
	}
	// NoCycle: the platform has no cycle model.
	NoCycle struct {
		result.Lack
	}
	// BurnTaken: the burn angles of the cycle model are not measured ones. Given is false for a platform file without a
	// burn section, and Known as it is written there.
	BurnTaken struct {
		Given      bool            `json:"given"`
		Known      workspace.Known `json:"known"` // measured | handbook | guess, "" where the file does not say
		Lag        result.Number   `json:"ignition_lag_deg"`
		LagSD      result.Number   `json:"ignition_lag_sd_deg"`
		Duration   result.Number   `json:"duration_deg"`
		DurationSD result.Number   `json:"duration_sd_deg"`
		Cars       int             `json:"cars"` // whose logged torque had a say
	}
	// Guessed: a section of the platform file is a guess, and what rests on it is wider for it.
	Guessed struct {
		Section string `json:"section"`
	}
	// FitWarning: what a fit had to assume.
	FitWarning struct {
		Metric metric.ID `json:"metric"`
		Note   string    `json:"note"`
	}
	// BoundUnsettled: the upper bound of a hazard's chance lies within two of its own Monte-Carlo errors of what the
	// workspace allows, at the most parameter draws that are made.
	BoundUnsettled struct {
		Hazard    hazard.ID     `json:"hazard"`
		High      result.Number `json:"high"`
		Error     result.Number `json:"error"` // standard error of High
		Threshold result.Number `json:"threshold"`
		Draws     int           `json:"draws"`
	}
	// DifferentCars: the two revisions compared are for different cars.
	DifferentCars struct {
		Left  string `json:"left"`
		Right string `json:"right"`
	}
	// SmallGroup: a group of an audit has too few revisions for its shares to prove anything.
	SmallGroup struct {
		Revisions int `json:"revisions"`
	}
)

// Code implements result.Reason.
func (BeforeHardware) Code() string       { return "before_hardware" }
func (OtherCalibrations) Code() string    { return "other_calibrations" }
func (CarOnOtherFuel) Code() string       { return "car_on_other_fuel" }
func (DatedBeforeParent) Code() string    { return "dated_before_parent" }
func (HardwareUndated) Code() string      { return "hardware_undated" }
func (LowerSeverity) Code() string        { return "lower_severity" }
func (LaxThreshold) Code() string         { return "lax_threshold" }
func (Withdrawn) Code() string            { return "withdrawn" }
func (LoggedBeforeRevision) Code() string { return "logged_before_revision" }
func (OtherCars) Code() string            { return "other_cars" }
func (PullsLeftOut) Code() string         { return "pulls_left_out" }
func (SuspectSensor) Code() string        { return "suspect_sensor" }
func (TableDoubt) Code() string           { return "table_doubt" }
func (NewSpike) Code() string             { return "new_spike" }
func (NoCycle) Code() string              { return "no_cycle" }
func (BurnTaken) Code() string            { return "burn_taken" }
func (Guessed) Code() string              { return "guessed" }
func (FitWarning) Code() string           { return "fit_warning" }
func (BoundUnsettled) Code() string       { return "bound_unsettled" }
func (DifferentCars) Code() string        { return "different_cars" }
func (SmallGroup) Code() string           { return "small_group" }

// What a next pull would do.
type (
	// JudgesHazard: it would let a hazard be judged that could not be.
	JudgesHazard struct {
		Hazard hazard.ID      `json:"hazard"`
		Why    result.Reasons `json:"why"`
	}
	// NarrowsMargins: it would take a share off the variance of the margins that are not settled.
	NarrowsMargins struct {
		Hazard  hazard.ID     `json:"hazard"`
		Share   result.Number `json:"share"`
		Margins int           `json:"margins"`
	}
	// FirstPull: no pull of the platform has been logged yet.
	FirstPull struct{}
)

// Code implements result.Reason.
func (JudgesHazard) Code() string   { return "judges_hazard" }
func (NarrowsMargins) Code() string { return "narrows_margins" }
func (FirstPull) Code() string      { return "first_pull" }
