package assess

import "headroom/internal/result"

// Verdicts, from the mildest.
const (
	VerdictRelease    = "release"
	VerdictConditions = "conditions"
	VerdictHold       = "hold"
	VerdictUndecided  = "undecided"
)

// Review is the scored revision (schema headroom/review/1).
type Review struct {
	result.Stamp
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

	Curves []Curve `json:"-"` // what the plots show
	// per hazard, the limit most likely to be crossed; dropped where many reviews are kept
	worst map[string]*evaluation
	draws map[string][]float64 // per hazard, its probability at draws shared by the cars of Across
}

// Hazard is the summary of one hazard over all cells.
type Hazard struct {
	Hazard             string        `json:"hazard"`
	Severity           string        `json:"severity"` // minor | moderate | major | catastrophic
	Status             string        `json:"status"`
	Why                string        `json:"why"`
	ProbabilityPerPull result.Number `json:"probability_per_pull"` // that a pull crosses the limit in any cell
	Interval90         result.Span   `json:"interval90"`           // of that probability
	Basis              string        `json:"basis"`                // predicted | measured | both
	Cars               int           `json:"cars"`
	Pulls              int           `json:"pulls"`
	// of the parent on the same logged states; null without one
	Parent result.Number `json:"parent_probability_per_pull"`
	// of the probability less the parent's, at the same parameter draws
	Change90 result.Span `json:"change_interval90"`

	unseen  bool // a car it is meant for has never logged it
	partial bool // one of its limits could not be assessed
	unread  bool // it has a limit and none could be assessed
}

// Finding is one hazard in one cell, worst first.
type Finding struct {
	Rank               int           `json:"rank"`
	Hazard             string        `json:"hazard"`
	Severity           string        `json:"severity"`
	Cell               result.Cell   `json:"cell"`
	Metric             string        `json:"metric"`
	Unit               string        `json:"unit"`
	Predicted          result.Number `json:"predicted"`
	Interval90         result.Span   `json:"interval90"` // of the predicted metric for one pull
	Limit              result.Number `json:"limit"`
	LimitSource        string        `json:"limit_source"`
	Margin             result.Number `json:"margin"` // positive: inside the limit
	MarginSD           result.Number `json:"margin_sd"`
	ProbabilityPerPull result.Number `json:"probability_per_pull"`
	Envelope           EnvelopeCheck `json:"envelope"`
	Basis              string        `json:"basis"`
	Change             Change        `json:"change"`
	Say                string        `json:"say"`

	worsened bool // the revision moves this cell towards the limit
}

// EnvelopeCheck compares the prediction with what the platform has been shown to survive in that cell.
type EnvelopeCheck struct {
	Limit  result.Number `json:"limit"` // tolerance limit of the metric, in the finding's unit
	Cars   int           `json:"cars"`
	Pulls  int           `json:"pulls"`
	Inside *bool         `json:"inside"` // nil: not enough cars to say
}

// Change is what the revision does in that cell (child minus parent).
type Change struct {
	SparkDeg result.Number `json:"spark_deg"`
	Lambda   result.Number `json:"lambda"`
	BoostKPa result.Number `json:"boost_kpa"`
}

// Gain is brake torque by speed, parent and child, from the cycle model anchored to measured torque where there is any.
type Gain struct {
	RPM       result.Number `json:"rpm"`
	TorqueNm  result.Span   `json:"torque_nm"`
	ChangePct result.Number `json:"change_pct"`
	Change90  result.Span   `json:"change_interval90_pct"`
	PowerKW   result.Span   `json:"power_kw"`

	// What the change costs at this speed: of the serious hazards the one that loses most margin in units of its own
	// standard deviation. Empty when none loses any.
	SpentHazard string        `json:"spent_hazard"`
	SpentMargin result.Number `json:"spent_margin"`
	SpentUnit   string        `json:"spent_unit"`
	SpentSD     result.Number `json:"spent_sd"` // margin spent over its one-pull standard deviation
}

// Condition is one stress condition's effect on one hazard.
type Condition struct {
	Condition          string        `json:"condition"`
	Hazard             string        `json:"hazard"`
	Margin             result.Number `json:"margin"` // smallest cell margin under the condition
	Unit               string        `json:"unit"`
	ProbabilityPerPull result.Number `json:"probability_per_pull"`

	cost    float64 // margin lost, in standard deviations
	crosses bool    // the smallest margin is negative
}

// Footprint is where the revision's tables differ from the parent's, and how much of that the judged pulls visit. A
// cell is changed where a modelled table the revision lists differs anywhere inside it, and visited where a judged pull
// has been, as the revision would run it. Cells are those that the tables' breakpoints span, and visited ones beyond.
type Footprint struct {
	CellsChanged             int      `json:"cells_changed"`
	CellsChangedVisited      int      `json:"cells_changed_visited"`
	StatesPastLastBreakpoint int      `json:"states_past_last_breakpoint"`
	NotModelled              []string `json:"not_modelled"`

	// no log says what these changes do; null where not compared
	CellsChangedUnvisited result.Number `json:"cells_changed_unvisited"`
	// the driven part the revision leaves alone; null where not compared
	CellsVisitedUnchanged result.Number `json:"cells_visited_unchanged"`
	// the changed and unvisited cells, most cells first
	Unvisited []ChangedArea `json:"unvisited"`
	Tables    []TableChange `json:"tables"` // the tables the revision lists, in its order
	Spikes    []Spike       `json:"spikes"` // values of those tables that stand alone
	// why nothing could be compared with the parent; "" when it was
	NotCompared string `json:"not_compared"`
}

// ChangedArea is a rectangle of operating cells that are changed and not visited.
type ChangedArea struct {
	RPM     result.Span  `json:"rpm"`
	LoadPct result.Span  `json:"load_pct"`
	Cells   int          `json:"cells"`
	Changes []RoleChange `json:"changes"` // largest in the area, per role
}

// RoleChange is a table's value minus the parent's; not known where the two cannot be compared.
type RoleChange struct {
	Role   string        `json:"role"`
	Change result.Number `json:"change"`
	Unit   string        `json:"unit"`
}

// TableChange is how one table that the revision lists differs from the parent's. Breakpoints are those of both tables
// together.
type TableChange struct {
	Role               string        `json:"role"`
	Name               string        `json:"name"` // of a table whose role is not modelled
	File               string        `json:"file"`
	Breakpoints        result.Number `json:"breakpoints"`
	BreakpointsChanged result.Number `json:"breakpoints_changed"`
	LargestChange      result.Number `json:"largest_change"`
	Unit               string        `json:"unit"`
	At                 []AxisValue   `json:"at"`           // of the largest change
	NotCompared        string        `json:"not_compared"` // why; "" when it was compared
}

// AxisValue is a value on an axis of a table.
type AxisValue struct {
	Channel string        `json:"channel"`
	Value   result.Number `json:"value"`
	Unit    string        `json:"unit"`
}

// Spike is a value of a table that stands alone against its neighbours (models/calmap, Spikes).
type Spike struct {
	Role       string        `json:"role"`
	Name       string        `json:"name"`
	File       string        `json:"file"`
	At         []AxisValue   `json:"at"`
	Unit       string        `json:"unit"`
	Value      result.Number `json:"value"`
	Neighbours result.Span   `json:"neighbours"` // lowest and highest value beside it
	Stands     result.Number `json:"stands"`     // how far it stands out
	// how far the parent's table stands out there; null without one to compare with
	ParentStands result.Number `json:"parent_stands"`
	New          bool          `json:"new"` // the parent stands out less than half as far
	// judged cells that read it; null where no model knows who reads the table
	VisitedCells result.Number `json:"visited_cells"`
}

// NextPull is a logging request that would narrow the verdict.
type NextPull struct {
	RPM      result.Span   `json:"rpm"`
	LoadPct  result.Span   `json:"load_pct"`
	Gear     result.Number `json:"gear"`
	Channels []string      `json:"channels"`
	Narrows  string        `json:"narrows"`
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
	Margin   float64       // revision
	Low      float64       // 5 %
	High     float64       // 95 %
	Parent   float64       // parent's margin at the same speed
	Envelope result.Number // margin at the envelope's tolerance limit
	Cars     int
}

// Audit ranks every revision of a workspace (schema headroom/audit/1).
type Audit struct {
	result.Stamp
	By       string       `json:"by"`
	Rows     []AuditRow   `json:"revisions"`
	Groups   []AuditGroup `json:"groups"`
	Failed   []AuditError `json:"failed"`
	Cautions []string     `json:"cautions"`
}

// AuditRow is one revision of an audit, riskiest first.
type AuditRow struct {
	Rank               int           `json:"rank"`
	Revision           string        `json:"revision"`
	Platform           string        `json:"platform"`
	Vehicle            string        `json:"vehicle"`
	Author             string        `json:"author"`
	Fuel               string        `json:"fuel"`
	Status             string        `json:"status"`
	Verdict            string        `json:"verdict"`
	TopHazard          string        `json:"top_hazard"`
	Cell               *result.Cell  `json:"cell"`
	ProbabilityPerPull result.Number `json:"probability_per_pull"`
	Interval90         result.Span   `json:"interval90"`
	OwnPulls           int           `json:"own_pulls"` // pulls logged on this very revision
	ReleasedWithoutLog bool          `json:"released_without_own_logs"`
	LogsBeforeHardware int           `json:"own_pulls_before_hardware_change"`

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

// Envelopes lists what each platform has been shown to survive (schema headroom/envelope/1).
type Envelopes struct {
	result.Stamp
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
	Status    string        `json:"status"` // assessed | thin | not_assessed
	Why       string        `json:"why"`
	Rows      int           `json:"rows"`
	Events    int           `json:"events"`
	Cars      int           `json:"cars"`
	Pulls     int           `json:"pulls"`
	CarSD     result.Number `json:"car_sd_deg"`
	PullSD    result.Number `json:"pull_sd_deg"`
	CellSD    result.Number `json:"cell_sd_deg"`
	Slopes    []KnockSlope  `json:"slopes"`
	Limit     []KnockPoint  `json:"limit"` // knock-limited spark over speed at the reference state
	Warnings  []string      `json:"warnings"`
	Converged bool          `json:"converged"`
}

// KnockSlope is one covariate's effect on knock-limited spark.
type KnockSlope struct {
	Covariate string        `json:"covariate"`
	Unit      string        `json:"unit"`
	Physics   result.Number `json:"physics"` // prior, from the cycle model
	Fitted    result.Number `json:"fitted"`
	SD        result.Number `json:"sd"`
}

// KnockPoint is the fleet's knock-limited spark at one speed.
type KnockPoint struct {
	RPM        result.Number `json:"rpm"`
	LoadPct    result.Number `json:"load_pct"`
	SparkDeg   result.Number `json:"spark_deg"`
	Interval90 result.Span   `json:"interval90"` // for a pull of a car not seen before
	Rows       int           `json:"rows"`
	Events     int           `json:"events"`
}

// EnvelopeCell is one cell and metric.
type EnvelopeCell struct {
	Kind        string        `json:"kind"` // pull | steady
	FuelClass   string        `json:"fuel_class"`
	Cell        result.Cell   `json:"cell"`
	Metric      string        `json:"metric"`
	Unit        string        `json:"unit"`
	Side        string        `json:"side"`   // upper | lower
	Status      string        `json:"status"` // assessed | not_enough_cars
	Limit       result.Number `json:"limit"`
	Mean        result.Number `json:"mean"`
	BetweenSD   result.Number `json:"between_sd"`
	WithinSD    result.Number `json:"within_sd"`
	Cars        int           `json:"cars"`
	Pulls       int           `json:"pulls"`
	CarsNeeded  int           `json:"cars_needed"` // more cars that would do, 0 when assessed
	Method      string        `json:"method"`
	ExtremeSeen result.Number `json:"extreme_seen"` // most extreme value logged on that side
}
