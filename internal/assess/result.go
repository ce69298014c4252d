package assess

import (
	"encoding/json"
	"math"
)

// Number is a float64 that is written as null in JSON when it is not finite: missing is shown as missing.
type Number float64

// MarshalJSON writes a finite number, or null.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads a number, or NaN from null.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	return json.Unmarshal(b, (*float64)(n))
}

// Known reports whether the number is finite.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// Span is a closed interval [low, high] in the unit that stands beside it.
type Span [2]Number

// Stamp says what a result was computed from, so that it can be computed again.
type Stamp struct {
	Schema          string `json:"schema"`
	ToolVersion     string `json:"tool_version"`
	WorkspaceDigest string `json:"workspace_digest"` // SHA-256 over workspace files and evidence, hex
	Seed            uint64 `json:"seed"`
}

// Verdicts, from the mildest.
const (
	VerdictRelease    = "release"
	VerdictConditions = "conditions"
	VerdictHold       = "hold"
	VerdictUndecided  = "undecided"
)

// Status of a hazard.
const (
	StatusAssessed    = "assessed"
	StatusNotAssessed = "not_assessed"
	StatusThin        = "thin"
)

// Review is the scored revision (schema headroom/review/1).
type Review struct {
	Stamp
	Revision   string      `json:"revision"`
	Parent     string      `json:"parent"`
	Platform   string      `json:"platform"`
	Vehicle    string      `json:"vehicle"`
	Author     string      `json:"author"`
	Fuel       string      `json:"fuel"`
	Verdict    string      `json:"verdict"`
	Because    []string    `json:"because"`
	Hazards    []Hazard    `json:"hazards"`  // every hazard of the contract, in the contract's order
	Findings   []Finding   `json:"findings"` // ranked
	Gains      []Gain      `json:"gains"`
	Conditions []Condition `json:"conditions"`
	Footprint  Footprint   `json:"footprint"`
	NextPulls  []NextPull  `json:"next_pulls"`
	Cautions   []string    `json:"cautions"`
	OwnLogs    []OwnLog    `json:"own_logs"` // expected against measured; empty without logs of this revision

	Curves []Curve                `json:"-"` // what the plots show
	worst  map[string]*evaluation // per hazard, the limit most likely to be crossed; dropped where many reviews are kept
	draws  map[string][]float64   // per hazard, its probability at draws shared by the cars of Across
}

// Hazard is the summary of one hazard over all cells.
type Hazard struct {
	Hazard             string `json:"hazard"`
	Severity           string `json:"severity"` // minor | moderate | major | catastrophic
	Status             string `json:"status"`
	Why                string `json:"why"`
	ProbabilityPerPull Number `json:"probability_per_pull"` // that a pull crosses the limit in any cell
	Interval90         Span   `json:"interval90"`           // of that probability
	Basis              string `json:"basis"`                // predicted | measured | both
	Cars               int    `json:"cars"`
	Pulls              int    `json:"pulls"`
	Parent             Number `json:"parent_probability_per_pull"` // of the parent on the same logged states; null without one
	Change90           Span   `json:"change_interval90"`           // of the probability less the parent's, at the same parameter draws

	unseen bool // a car it is meant for has never logged it
}

// Finding is one hazard in one cell, worst first.
type Finding struct {
	Rank               int           `json:"rank"`
	Hazard             string        `json:"hazard"`
	Severity           string        `json:"severity"`
	Cell               Cell          `json:"cell"`
	Metric             string        `json:"metric"`
	Unit               string        `json:"unit"`
	Predicted          Number        `json:"predicted"`
	Interval90         Span          `json:"interval90"` // of the predicted metric for one pull
	Limit              Number        `json:"limit"`
	LimitSource        string        `json:"limit_source"`
	Margin             Number        `json:"margin"` // positive: inside the limit
	MarginSD           Number        `json:"margin_sd"`
	ProbabilityPerPull Number        `json:"probability_per_pull"`
	Envelope           EnvelopeCheck `json:"envelope"`
	Basis              string        `json:"basis"`
	Change             Change        `json:"change"`
	Say                string        `json:"say"`

	worsened bool // the revision moves this cell towards the limit
}

// Cell is an operating cell.
type Cell struct {
	RPM     Span `json:"rpm"`
	LoadPct Span `json:"load_pct"`
}

// EnvelopeCheck compares the prediction with what the platform has been shown to survive in that cell.
type EnvelopeCheck struct {
	Limit  Number `json:"limit"` // tolerance limit of the metric, in the finding's unit
	Cars   int    `json:"cars"`
	Pulls  int    `json:"pulls"`
	Inside *bool  `json:"inside"` // nil: not enough cars to say
}

// Change is what the revision does in that cell (child minus parent).
type Change struct {
	SparkDeg Number `json:"spark_deg"`
	Lambda   Number `json:"lambda"`
	BoostKPa Number `json:"boost_kpa"`
}

// Gain is brake torque by speed, parent and child, from the cycle model anchored to measured torque where there is any.
type Gain struct {
	RPM       Number `json:"rpm"`
	TorqueNm  Span   `json:"torque_nm"`
	ChangePct Number `json:"change_pct"`
	Change90  Span   `json:"change_interval90_pct"`
	PowerKW   Span   `json:"power_kw"`

	// What the change costs at this speed: of the serious hazards the one that loses most margin in units of its own
	// standard deviation. Empty when none loses any.
	SpentHazard string `json:"spent_hazard"`
	SpentMargin Number `json:"spent_margin"`
	SpentUnit   string `json:"spent_unit"`
	SpentSD     Number `json:"spent_sd"` // margin spent over its one-pull standard deviation
}

// Condition is one stress condition's effect on one hazard.
type Condition struct {
	Condition          string `json:"condition"`
	Hazard             string `json:"hazard"`
	Margin             Number `json:"margin"` // smallest cell margin under the condition
	Unit               string `json:"unit"`
	ProbabilityPerPull Number `json:"probability_per_pull"`

	cost    float64 // margin lost, in standard deviations
	crosses bool    // the smallest margin is negative
}

// Footprint is where the revision's tables differ from the parent's, and how much of that the judged pulls visit. A cell
// is changed where a modelled table the revision lists differs anywhere inside it, and visited where a judged pull has
// been, as the revision would run it. Cells are those that the tables' breakpoints span, and visited ones beyond.
type Footprint struct {
	CellsChanged             int      `json:"cells_changed"`
	CellsChangedVisited      int      `json:"cells_changed_visited"`
	StatesPastLastBreakpoint int      `json:"states_past_last_breakpoint"`
	NotModelled              []string `json:"not_modelled"`

	CellsChangedUnvisited Number        `json:"cells_changed_unvisited"` // no log says what these changes do; null where not compared
	CellsVisitedUnchanged Number        `json:"cells_visited_unchanged"` // the driven part the revision leaves alone; null where not compared
	Unvisited             []ChangedArea `json:"unvisited"`               // the changed and unvisited cells, most cells first
	Tables                []TableChange `json:"tables"`                  // the tables the revision lists, in its order
	Spikes                []Spike       `json:"spikes"`                  // values of those tables that stand alone
	NotCompared           string        `json:"not_compared"`            // why nothing could be compared with the parent; "" when it was
}

// ChangedArea is a rectangle of operating cells that are changed and not visited.
type ChangedArea struct {
	RPM     Span         `json:"rpm"`
	LoadPct Span         `json:"load_pct"`
	Cells   int          `json:"cells"`
	Changes []RoleChange `json:"changes"` // largest in the area, per role
}

// RoleChange is a table's value minus the parent's; not known where the two cannot be compared.
type RoleChange struct {
	Role   string `json:"role"`
	Change Number `json:"change"`
	Unit   string `json:"unit"`
}

// TableChange is how one table that the revision lists differs from the parent's. Breakpoints are those of both tables
// together.
type TableChange struct {
	Role               string      `json:"role"`
	Name               string      `json:"name"` // of a table whose role is not modelled
	File               string      `json:"file"`
	Breakpoints        Number      `json:"breakpoints"`
	BreakpointsChanged Number      `json:"breakpoints_changed"`
	LargestChange      Number      `json:"largest_change"`
	Unit               string      `json:"unit"`
	At                 []AxisValue `json:"at"`           // of the largest change
	NotCompared        string      `json:"not_compared"` // why; "" when it was compared
}

// AxisValue is a value on an axis of a table.
type AxisValue struct {
	Channel string `json:"channel"`
	Value   Number `json:"value"`
	Unit    string `json:"unit"`
}

// Spike is a value of a table that stands alone against its neighbours (models/calmap, Spikes).
type Spike struct {
	Role         string      `json:"role"`
	Name         string      `json:"name"`
	File         string      `json:"file"`
	At           []AxisValue `json:"at"`
	Unit         string      `json:"unit"`
	Value        Number      `json:"value"`
	Neighbours   Span        `json:"neighbours"`    // lowest and highest value beside it
	Stands       Number      `json:"stands"`        // how far it stands out
	ParentStands Number      `json:"parent_stands"` // how far the parent's table stands out there; null without one to compare with
	New          bool        `json:"new"`           // the parent stands out less than half as far
	VisitedCells Number      `json:"visited_cells"` // judged cells that read it; null where no model knows who reads the table
}

// NextPull is a logging request that would narrow the verdict.
type NextPull struct {
	RPM      Span     `json:"rpm"`
	LoadPct  Span     `json:"load_pct"`
	Gear     Number   `json:"gear"`
	Channels []string `json:"channels"`
	Narrows  string   `json:"narrows"`
}

// Curve is the margin of one hazard over engine speed: the worst cell at each speed, for the parent and the revision.
type Curve struct {
	Hazard string
	Metric string
	Unit   string
	Points []CurvePoint
}

// CurvePoint is one speed bin of a Curve.
type CurvePoint struct {
	RPM      float64
	Margin   float64 // revision
	Low      float64 // 5 %
	High     float64 // 95 %
	Parent   float64 // parent's margin at the same speed
	Envelope Number  // margin at the envelope's tolerance limit
	Cars     int
}

// Audit ranks every revision of a workspace (schema headroom/audit/1).
type Audit struct {
	Stamp
	By       string       `json:"by"`
	Rows     []AuditRow   `json:"revisions"`
	Groups   []AuditGroup `json:"groups"`
	Failed   []AuditError `json:"failed"`
	Cautions []string     `json:"cautions"`
}

// AuditRow is one revision of an audit, riskiest first.
type AuditRow struct {
	Rank               int    `json:"rank"`
	Revision           string `json:"revision"`
	Platform           string `json:"platform"`
	Vehicle            string `json:"vehicle"`
	Author             string `json:"author"`
	Fuel               string `json:"fuel"`
	Status             string `json:"status"`
	Verdict            string `json:"verdict"`
	TopHazard          string `json:"top_hazard"`
	Cell               *Cell  `json:"cell"`
	ProbabilityPerPull Number `json:"probability_per_pull"`
	Interval90         Span   `json:"interval90"`
	OwnPulls           int    `json:"own_pulls"` // pulls logged on this very revision
	ReleasedWithoutLog bool   `json:"released_without_own_logs"`
	LogsBeforeHardware int    `json:"own_pulls_before_hardware_change"`

	CellsChanged        int    `json:"cells_changed"` // grid cells the tables change
	CellsChangedVisited int    `json:"cells_changed_visited"`
	Because             string `json:"because"`

	severity string // of the top hazard
}

// AuditGroup counts verdicts in a group.
type AuditGroup struct {
	Group              string `json:"group"`
	Revisions          int    `json:"revisions"`
	Hold               int    `json:"hold"`
	Undecided          int    `json:"undecided"`
	Conditions         int    `json:"conditions"`
	Release            int    `json:"release"`
	ReleasedWithoutLog int    `json:"released_without_own_logs"`
	Caution            string `json:"caution"` // small groups prove nothing
}

// AuditError is a revision that could not be scored.
type AuditError struct {
	Revision string `json:"revision"`
	Error    string `json:"error"`
}

// Fleet is the periodic health review (schema headroom/fleet/1).
type Fleet struct {
	Stamp
	NewestRun       string           `json:"newest_run"` // date of the newest log: the review's today
	Drift           DriftCalls       `json:"drift"`
	Cars            []FleetCar       `json:"cars"` // called ones first, then the most drifting
	Trends          []FleetTrend     `json:"trends"`
	EnvelopeChanges EnvelopeChanges  `json:"envelope_changes"`
	Outcomes        []OutcomeProof   `json:"outcomes"`
	Survival        []Survival       `json:"survival"`
	Comparisons     []RateComparison `json:"comparisons"`
	OverdueAfter    int              `json:"overdue_after_days"`
	Overdue         []OverdueCar     `json:"overdue"`
	Cautions        []string         `json:"cautions"`
}

// DriftCalls says how many charts were called and how far the calls can be trusted.
type DriftCalls struct {
	Chart         string `json:"chart"`
	FalseAlarm    Number `json:"false_alarm"` // chance that one chart of a healthy car passes its threshold over its days watched
	Charts        int    `json:"charts"`      // cars × metrics watched
	Called        int    `json:"called"`      // charts
	Cars          int    `json:"cars_called"`
	DiscoveryRate Number `json:"false_discovery_rate"` // promised share of called charts that are false, at most
	ExpectedFalse Number `json:"expected_false"`       // of the called charts, at most
}

// FleetCar is one car's drift in one metric against its own past and the fleet, seen by the stated chart.
type FleetCar struct {
	Rank       int    `json:"rank"`
	Vehicle    string `json:"vehicle"`
	Platform   string `json:"platform"`
	Metric     string `json:"metric"`
	Unit       string `json:"unit"`
	Chart      string `json:"chart"`
	Baseline   Number `json:"baseline"` // the car's level before the onset, conditions and the fleet's movement taken off
	Latest     Number `json:"latest"`   // since the onset; without a signal the newest day
	Shift      Number `json:"shift"`    // latest minus baseline
	Statistic  Number `json:"statistic"`
	Threshold  Number `json:"threshold"`
	PValue     Number `json:"p_value"`    // chance that a healthy car's chart gets this far
	AdjustedP  Number `json:"adjusted_p"` // corrected for all charts of the review (Benjamini and Hochberg)
	Signal     bool   `json:"signal"`     // past the threshold and called among all charts
	HeldBack   bool   `json:"held_back"`  // would be called, but new tables cannot be told from drift
	Onset      string `json:"onset"`      // date of the first run after the change, "" unless called or held back
	Coincides  string `json:"coincides"`  // change of revision or hardware within a run of the onset, "" without one
	Runs       int    `json:"runs"`
	Rows       int    `json:"rows"`
	FalseAlarm string `json:"false_alarm"` // the chart's stated rate
	Say        string `json:"say"`

	commandName string // what was taken out because tables set it
}

// FleetTrend is the slope over time of one metric over a whole platform, within cars, conditions removed.
type FleetTrend struct {
	Platform        string `json:"platform"`
	Metric          string `json:"metric"`
	Unit            string `json:"unit"`
	Status          string `json:"status"` // assessed | not_assessed
	SlopePer100Days Number `json:"slope_per_100_days"`
	Interval95      Span   `json:"interval95"` // of the slope, cars as clusters
	PValue          Number `json:"p_value"`
	AdjustedP       Number `json:"adjusted_p"` // corrected for all trends of the review
	Signal          bool   `json:"signal"`
	Cars            int    `json:"cars"` // with two days or more
	Days            int    `json:"days"` // of those cars together
	From            string `json:"from"`
	To              string `json:"to"`
	Say             string `json:"say"`
}

// EnvelopeChanges compares the envelopes with those of the last review that was remembered.
type EnvelopeChanges struct {
	Remembered      bool         `json:"remembered"`
	SinceRun        string       `json:"since_run"`    // newest log of the remembered review
	SinceDigest     string       `json:"since_digest"` // its workspace digest
	MovedBy         Number       `json:"moved_by"`     // deviations of pulls within a car past which a limit counts as moved
	PlatformsGained []string     `json:"platforms_gained"`
	PlatformsLost   []string     `json:"platforms_lost"`
	Groups          []MoveGroup  `json:"moved_by_metric"` // farthest first
	Moved           []LimitMove  `json:"moved"`           // farthest first
	CellsNew        []CellChange `json:"cells_new"`
	CellsGone       []CellChange `json:"cells_gone"`
	Say             string       `json:"say"`
}

// MoveGroup counts the moved limits of one metric of a platform and shows the farthest.
type MoveGroup struct {
	Limits   int       `json:"limits"`
	Wider    int       `json:"wider"`
	Narrower int       `json:"narrower"`
	Reached  int       `json:"reached"`
	Lost     int       `json:"lost"`
	Farthest LimitMove `json:"farthest"`
}

// LimitMove is an envelope limit that is not where it was.
type LimitMove struct {
	Platform  string `json:"platform"`
	Kind      string `json:"kind"`
	FuelClass string `json:"fuel_class"`
	Cell      Cell   `json:"cell"`
	Metric    string `json:"metric"`
	Unit      string `json:"unit"`
	Side      string `json:"side"`
	Was       Number `json:"was"`
	Now       Number `json:"now"`
	MovedSD   Number `json:"moved_sd"` // in deviations of pulls within a car
	Change    string `json:"change"`   // wider | narrower | reached | lost
	CarsWas   int    `json:"cars_was"`
	CarsNow   int    `json:"cars_now"`
	Say       string `json:"say"`
}

// CellChange is an operating cell that only one of the two reviews knows.
type CellChange struct {
	Platform  string   `json:"platform"`
	Kind      string   `json:"kind"`
	FuelClass string   `json:"fuel_class"`
	Cell      Cell     `json:"cell"`
	Metrics   []string `json:"metrics"`
	Cars      int      `json:"cars"`
	Pulls     int      `json:"pulls"`
}

// OutcomeProof is what failures, or their absence, prove for the logged cars of a platform, of a power bracket of it,
// or for one component. Bounds are one-sided at 95 %.
type OutcomeProof struct {
	Platform      string `json:"platform"`
	Group         string `json:"group"`          // platform | power | component
	Name          string `json:"name"`           // of the bracket or component
	PowerKW       Span   `json:"power_kw"`       // bounds of a bracket of peak brake power, null where open
	PowerMeasured int    `json:"power_measured"` // cars of a bracket whose power rests on logged torque; the rest is modelled
	Cars          int    `json:"cars"`
	FailedCars    int    `json:"failed_cars"`
	Failures      int    `json:"failures"` // a car may have several
	Pulls         int    `json:"pulls"`
	Hours         Number `json:"hours_at_load"`    // in those pulls
	ShareUpper    Number `json:"share_upper95"`    // of cars failing over an exposure like theirs
	PullsUpper    Number `json:"per_pull_upper95"` // failures per logged pull
	HoursUpper    Number `json:"per_hour_upper95"` // failures per logged hour at load
	Say           string `json:"say"`
}

// Survival is the share of a platform's cars still running over time (Kaplan and Meier), with pointwise 95 % bands.
type Survival struct {
	Platform   string          `json:"platform"`
	Unit       string          `json:"unit"`
	Cars       int             `json:"cars"`
	Failures   int             `json:"failures"`
	LeftOut    int             `json:"left_out"` // cars that cannot be placed in time
	ObservedTo Number          `json:"observed_to"`
	Points     []SurvivalPoint `json:"points"`
	Say        string          `json:"say"`
}

// SurvivalPoint is the curve from Days on, up to the next point.
type SurvivalPoint struct {
	Days     Number `json:"days"`
	AtRisk   int    `json:"at_risk"` // just before
	Failures int    `json:"failures"`
	Censored int    `json:"censored"` // last seen running
	Running  Number `json:"running"`  // share, 0–1
	Band95   Span   `json:"band95"`
}

// RateComparison compares failures per logged pull of the strongest power bracket (A) with the weakest (B).
type RateComparison struct {
	Platform   string `json:"platform"`
	Status     string `json:"status"` // assessed | not_assessed
	A          string `json:"a"`
	B          string `json:"b"`
	Ratio      Number `json:"ratio"` // A over B
	Interval95 Span   `json:"interval95"`
	PValue     Number `json:"p_value"`
	Say        string `json:"say"`
}

// OverdueCar has not logged for longer than the workspace expects, measured from the newest log of the fleet.
type OverdueCar struct {
	Vehicle  string `json:"vehicle"`
	Platform string `json:"platform"`
	LastRun  string `json:"last_run"` // "" when it never logged
	Days     Number `json:"days"`
}

// Envelopes lists what each platform has been shown to survive (schema headroom/envelope/1).
type Envelopes struct {
	Stamp
	Platforms []PlatformEnvelope `json:"platforms"`
	Cautions  []string           `json:"cautions"`
}

// PlatformEnvelope is one platform's envelopes and knock fit.
type PlatformEnvelope struct {
	Platform string         `json:"platform"`
	Cars     int            `json:"cars"`
	Pulls    int            `json:"pulls"`
	Knock    KnockSummary   `json:"knock"`
	Cells    []EnvelopeCell `json:"cells"`
}

// KnockSummary is the state of a platform's knock fit.
type KnockSummary struct {
	Status    string       `json:"status"` // assessed | thin | not_assessed
	Why       string       `json:"why"`
	Rows      int          `json:"rows"`
	Events    int          `json:"events"`
	Cars      int          `json:"cars"`
	Pulls     int          `json:"pulls"`
	CarSD     Number       `json:"car_sd_deg"`
	PullSD    Number       `json:"pull_sd_deg"`
	CellSD    Number       `json:"cell_sd_deg"`
	Slopes    []KnockSlope `json:"slopes"`
	Limit     []KnockPoint `json:"limit"` // knock-limited spark over speed at the reference state
	Warnings  []string     `json:"warnings"`
	Converged bool         `json:"converged"`
}

// KnockSlope is one covariate's effect on knock-limited spark.
type KnockSlope struct {
	Covariate string `json:"covariate"`
	Unit      string `json:"unit"`
	Physics   Number `json:"physics"` // prior, from the cycle model
	Fitted    Number `json:"fitted"`
	SD        Number `json:"sd"`
}

// KnockPoint is the fleet's knock-limited spark at one speed.
type KnockPoint struct {
	RPM        Number `json:"rpm"`
	LoadPct    Number `json:"load_pct"`
	SparkDeg   Number `json:"spark_deg"`
	Interval90 Span   `json:"interval90"` // for a pull of a car not seen before
	Rows       int    `json:"rows"`
	Events     int    `json:"events"`
}

// EnvelopeCell is one cell and metric.
type EnvelopeCell struct {
	Kind        string `json:"kind"` // pull | steady
	FuelClass   string `json:"fuel_class"`
	Cell        Cell   `json:"cell"`
	Metric      string `json:"metric"`
	Unit        string `json:"unit"`
	Side        string `json:"side"`   // upper | lower
	Status      string `json:"status"` // assessed | not_enough_cars
	Limit       Number `json:"limit"`
	Mean        Number `json:"mean"`
	BetweenSD   Number `json:"between_sd"`
	WithinSD    Number `json:"within_sd"`
	Cars        int    `json:"cars"`
	Pulls       int    `json:"pulls"`
	CarsNeeded  int    `json:"cars_needed"` // more cars that would do, 0 when assessed
	Method      string `json:"method"`
	ExtremeSeen Number `json:"extreme_seen"` // most extreme value logged on that side
}
