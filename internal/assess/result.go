package assess

import (
	"headroom/internal/assess/fleet"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// Verdict is what a review comes to.
type Verdict string

// Verdicts, from the mildest.
const (
	VerdictRelease    Verdict = "release"
	VerdictConditions Verdict = "conditions"
	VerdictHold       Verdict = "hold"
	VerdictUndecided  Verdict = "undecided"
)

// Verdicts are all verdicts, those that need attention first.
var Verdicts = []Verdict{VerdictHold, VerdictUndecided, VerdictConditions, VerdictRelease}

// Basis says what a prediction rests on.
type Basis string

// Bases of a prediction.
const (
	BasisPredicted Basis = "predicted" // from logs of other calibrations
	BasisMeasured  Basis = "measured"  // a crossing seen in the revision's own logs
	BasisBoth      Basis = "both"      // the revision's own logs, with the fleet's model
)

// Review is the scored revision (schema headroom/review/1).
type Review struct {
	result.Stamp
	Revision   string              `json:"revision"`
	Parent     string              `json:"parent"`
	Platform   string              `json:"platform"`
	Vehicle    string              `json:"vehicle"`
	Author     string              `json:"author"`
	Fuel       string              `json:"fuel"`
	Verdict    Verdict             `json:"verdict"`
	Because    []string            `json:"because"`  // Reasons in words, by internal/report
	Hazards    []Hazard            `json:"hazards"`  // every hazard of the contract, in the contract's order
	Findings   []Finding           `json:"findings"` // ranked
	Gains      []Gain              `json:"gains"`
	Conditions []Condition         `json:"conditions"`
	Footprint  footprint.Footprint `json:"footprint"`
	NextPulls  []NextPull          `json:"next_pulls"`
	Changes    []Changed           `json:"changes"`   // all that differs, with what is known of it
	Cautions   []string            `json:"cautions"`  // Notes in words, and what ends every report; by internal/report
	OwnLogs    []OwnLog            `json:"own_logs"`  // expected against measured; empty without logs of this revision
	Reasons    result.Reasons      `json:"reasons"`   // of the verdict
	Notes      result.Reasons      `json:"notes"`     // what a reader must know of this result
	Weather    Weather             `json:"weather"`   // it was judged over
	Unvisited  Unvisited           `json:"unvisited"` // changed values of tables that no judged pull reads
	Support    Support             `json:"support"`   // how far from what the fleet has logged

	Curves []Curve `json:"-"` // what the plots show
	// fuel and parts of the revision that no judged pull ran with, and numbers of the platform file that are in doubt
	unshown result.Reasons
	// per hazard, the limit most likely to be crossed; dropped where many reviews are kept
	worst map[hazard.ID]*evaluation
	uses  []workspace.Use         // see overUses
	draws map[hazard.ID][]float64 // per hazard, its probability at draws shared by the cars of Across
}

// Hazard is the summary of one hazard over all cells.
type Hazard struct {
	Hazard             hazard.ID       `json:"hazard"`
	Severity           hazard.Severity `json:"severity"` // minor | moderate | major | catastrophic
	Status             result.Status   `json:"status"`
	Why                string          `json:"why"`                  // Reasons in words, by internal/report
	ProbabilityPerPull result.Number   `json:"probability_per_pull"` // that a pull crosses the limit in any cell
	Interval90         result.Span     `json:"interval90"`           // of that probability
	Basis              Basis           `json:"basis"`                // predicted | measured | both
	Cars               int             `json:"cars"`
	Pulls              int             `json:"pulls"`
	// of the parent on the same logged states; null without one
	Parent result.Number `json:"parent_probability_per_pull"`
	// of the probability less the parent's, at the same parameter draws
	Change90 result.Span `json:"change_interval90"`

	Reasons result.Reasons `json:"reasons"` // what it was judged on, or why it was not
	Record  *HazardRecord  `json:"record"`  // how chances of the hazard came out before; null without one
	Uses    []UseChance    `json:"uses"`    // the chance that any pull of a use crosses

	ModelHigh  float64       `json:"-"` // the upper bound of its chance before risk.Trust
	parentHigh result.Number // the upper bound of the parent's chance; not known without one

	unseen  bool        // a car it is meant for has never logged it
	ownLack result.Lack // why not, where unseen
	partial bool        // one of its limits could not be assessed
	unread  bool        // it has a limit and none could be assessed
	untold  bool        // it is computed, no channel that a log may have measures it, and its error is a guess
	asRun   bool        // the judged pulls ran the parent, and the chance is no larger than its
	// why its evidence does not hold a revision by itself, empty where it does
	unproven      result.Reasons
	parentsRecord *RecordAgainst // what the parent's own pulls say against its prediction, nil where nothing
	// what logs say against how it was predicted to change, nil where that is no matter
	against result.Reason
}

// Finding is one hazard in one cell, worst first.
type Finding struct {
	Rank               int             `json:"rank"`
	Hazard             hazard.ID       `json:"hazard"`
	Severity           hazard.Severity `json:"severity"`
	Cell               result.Cell     `json:"cell"`
	Metric             metric.ID       `json:"metric"`
	Unit               string          `json:"unit"`
	Predicted          result.Number   `json:"predicted"`
	Interval90         result.Span     `json:"interval90"` // of the predicted metric for one pull
	Limit              result.Number   `json:"limit"`
	LimitSource        string          `json:"limit_source"`
	Margin             result.Number   `json:"margin"` // positive: inside the limit
	MarginSD           result.Number   `json:"margin_sd"`
	ProbabilityPerPull result.Number   `json:"probability_per_pull"`
	Envelope           EnvelopeCheck   `json:"envelope"`
	Basis              Basis           `json:"basis"`
	Change             Change          `json:"change"`
	Say                string          `json:"say"` // the finding in words, by internal/report

	worsened bool // the revision moves this cell towards the limit, by more than is negligible
	run      bool // pulls have run the like: it lies inside the envelope, or they ran the parent and it is not worsened
}

// EnvelopeCheck compares the prediction with what the platform has been shown to survive in that cell.
type EnvelopeCheck struct {
	Limit  result.Number `json:"limit"` // what has been run of the metric, in the finding's unit
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
	SpentHazard hazard.ID     `json:"spent_hazard"`
	SpentMargin result.Number `json:"spent_margin"`
	SpentUnit   string        `json:"spent_unit"`
	SpentSD     result.Number `json:"spent_sd"` // margin spent over its one-pull standard deviation
}

// Condition is one stress condition's effect on one hazard.
type Condition struct {
	Condition          string        `json:"condition"` // Stress in words, by internal/report
	Hazard             hazard.ID     `json:"hazard"`
	Margin             result.Number `json:"margin"` // smallest cell margin under the condition
	Unit               string        `json:"unit"`
	ProbabilityPerPull result.Number `json:"probability_per_pull"`

	Stress Stress        `json:"stress"`
	Parent result.Number `json:"parent_probability_per_pull"` // under the same; null without one

	cost      float64       // margin lost, in standard deviations
	crosses   bool          // the smallest margin is negative
	passes    bool          // the chance passes what the workspace allows under a stress
	threshold result.Number // that is
}

// NextPull is a logging request that would narrow the verdict.
type NextPull struct {
	RPM      result.Span    `json:"rpm"`
	LoadPct  result.Span    `json:"load_pct"`
	Gear     result.Number  `json:"gear"`
	Channels []string       `json:"channels"`
	Narrows  string         `json:"narrows"` // For in words, by internal/report
	For      result.Reasons `json:"reasons"` // what it would do
}

// Curve is the margin of one hazard over engine speed: the worst cell at each speed, for the parent and the revision.
type Curve struct {
	Hazard hazard.ID
	Metric metric.ID
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
	Envelope result.Number // margin at the envelope's limit in that cell
	Cars     int           // that have been in it
	Standing Standing      // of its state, where the revision takes it

	cell state.CellKey
}

// Audit ranks every revision of a workspace (schema headroom/audit/1).
type Audit struct {
	result.Stamp
	By       string       `json:"by"`
	Rows     []AuditRow   `json:"revisions"`
	Groups   []AuditGroup `json:"groups"`
	Failed   []AuditError `json:"failed"`
	Cautions []string     `json:"cautions"` // by internal/report
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
	Verdict            Verdict       `json:"verdict"`
	TopHazard          hazard.ID     `json:"top_hazard"`
	Cell               *result.Cell  `json:"cell"`
	ProbabilityPerPull result.Number `json:"probability_per_pull"`
	Interval90         result.Span   `json:"interval90"`
	OwnPulls           int           `json:"own_pulls"` // pulls logged on this very revision
	ReleasedWithoutLog bool          `json:"released_without_own_logs"`
	LogsBeforeHardware int           `json:"own_pulls_before_hardware_change"`

	CellsChanged        int            `json:"cells_changed"` // grid cells the tables change
	CellsChangedVisited int            `json:"cells_changed_visited"`
	Because             string         `json:"because"` // Reasons in words, by internal/report
	Reasons             result.Reasons `json:"reasons"` // the first of the verdict's

	severity hazard.Severity // of the top hazard
}

// AuditGroup counts verdicts in a group.
type AuditGroup struct {
	Group              string         `json:"group"`
	Revisions          int            `json:"revisions"`
	Hold               int            `json:"hold"`
	Undecided          int            `json:"undecided"`
	Conditions         int            `json:"conditions"`
	Release            int            `json:"release"`
	ReleasedWithoutLog int            `json:"released_without_own_logs"`
	Caution            string         `json:"caution"` // Reasons in words, by internal/report
	Reasons            result.Reasons `json:"reasons"` // what to bear in mind of the group
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
	Cautions  []string           `json:"cautions"` // by internal/report
}

// PlatformEnvelope is one platform's envelopes and knock fit.
type PlatformEnvelope struct {
	Platform string           `json:"platform"`
	Cars     int              `json:"cars"`
	Pulls    int              `json:"pulls"`
	Knock    KnockSummary     `json:"knock"`
	Cells    []fleet.Envelope `json:"cells"`
	// the platform file against the logs, key by key
	FileChecks []fleet.FileCheck `json:"file_checks"`
}

// KnockSummary is the state of a platform's knock fit.
type KnockSummary struct {
	Status    result.Status  `json:"status"` // assessed | thin | not_assessed
	Why       string         `json:"why"`    // Reasons in words, by internal/report
	Rows      int            `json:"rows"`
	Events    int            `json:"events"`
	Cars      int            `json:"cars"`
	Pulls     int            `json:"pulls"`
	CarSD     result.Number  `json:"car_sd_deg"`
	PullSD    result.Number  `json:"pull_sd_deg"`
	CellSD    result.Number  `json:"cell_sd_deg"`
	Slopes    []KnockSlope   `json:"slopes"`
	Limit     []KnockPoint   `json:"limit"` // knock-limited spark over speed at the reference state
	Warnings  []string       `json:"warnings"`
	Converged bool           `json:"converged"`
	Steady    int            `json:"steady"`  // stretches of steady running among the rows, beside the pulls
	Reasons   result.Reasons `json:"reasons"` // why there is no fit, or only a thin one
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
