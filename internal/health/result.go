package health

import (
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/channel"
)

// Fleet is the periodic health review (schema headroom/fleet/1). Fields said to be "by internal/report" are empty in
// the result: they are its facts in words.
type Fleet struct {
	result.Stamp
	NewestRun       string           `json:"newest_run"` // date of the newest log: the review's today
	Drift           DriftCalls       `json:"drift"`
	Cars            []CarDrift       `json:"cars"` // called ones first, then the most drifting
	Trends          []Trend          `json:"trends"`
	EnvelopeChanges EnvelopeChanges  `json:"envelope_changes"`
	Outcomes        []OutcomeProof   `json:"outcomes"`
	Survival        []Survival       `json:"survival"`
	Comparisons     []RateComparison `json:"comparisons"`
	OverdueAfter    int              `json:"overdue_after_days"`
	Overdue         []OverdueCar     `json:"overdue"`
	Cautions        []string         `json:"cautions"` // by internal/report

	watched []watched
}

// DriftCalls says how many charts were called and how far the calls can be trusted.
type DriftCalls struct {
	Chart string `json:"chart"`
	// chance, at most, that one chart of a healthy car ever passes its threshold
	FalseAlarm    result.Number `json:"false_alarm"`
	Charts        int           `json:"charts"` // cars × metrics watched
	Called        int           `json:"called"` // charts
	Cars          int           `json:"cars_called"`
	DiscoveryRate result.Number `json:"false_discovery_rate"` // promised share of called charts that are false, at most
	ExpectedFalse result.Number `json:"expected_false"`       // of the called charts, at most
	// by platform and metric: what would be called by now
	Smallest []SmallestDrift `json:"smallest"`
}

// SmallestDrift is the smallest steady drift, from a car's first day on, that nine in ten of the cars would by now be
// called for, with the days that they have logged.
type SmallestDrift struct {
	Platform   string        `json:"platform"`
	Metric     string        `json:"metric"`
	Unit       string        `json:"unit"`
	Per100Days result.Number `json:"per_100_days"` // null where none of the sizes tried would be
	Cars       int           `json:"cars"`         // in whose days drifts were planted
}

// CarDrift is one car's drift in one metric against its own past and the fleet, seen by the stated chart.
type CarDrift struct {
	Rank     int    `json:"rank"`
	Vehicle  string `json:"vehicle"`
	Platform string `json:"platform"`
	Metric   string `json:"metric"`
	Unit     string `json:"unit"`
	Chart    string `json:"chart"`
	// the car's level before the onset, on its last tables and parts; conditions and the fleet's movement taken off
	Baseline  result.Number `json:"baseline"`
	Latest    result.Number `json:"latest"`    // since the onset; without a signal the newest day
	Shift     result.Number `json:"shift"`     // latest minus baseline
	Statistic result.Number `json:"statistic"` // logarithm to base 10 of the likelihood ratio, as Threshold
	Threshold result.Number `json:"threshold"`
	PValue    result.Number `json:"p_value"`    // chance, at most, that a healthy car's chart ever gets this far
	AdjustedP result.Number `json:"adjusted_p"` // corrected for all charts of the review (Benjamini and Hochberg)
	Signal    bool          `json:"signal"`     // past the threshold and called among all charts
	HeldBack  bool          `json:"held_back"`  // would be called, but begins with new tables or parts
	// date of the first run after the change, "" unless called or held back
	Onset      string `json:"onset"`
	Coincides  string `json:"coincides"` // Change in words, by internal/report
	Runs       int    `json:"runs"`
	Rows       int    `json:"rows"`
	FalseAlarm string `json:"false_alarm"`  // what the chart promises over the runs watched, by internal/report
	Say        string `json:"say"`          // by internal/report
	Watched    int    `json:"runs_watched"` // after the car's own baseline
	Change     Change `json:"change"`       // within a run of the onset
	// what a table sets and was taken out where it was logged, "" for a metric that no table sets directly
	Command channel.ID `json:"command"`

	unbroken unbrokenChart
	passed   float64 // days from the first log to the one at which the chart passed its threshold, NaN before
}

// Change is what was new on a car on a day, against its day before.
type Change struct {
	Kind     ChangeKind `json:"kind"`
	Revision string     `json:"revision"` // logged from that day on, "" for a change of hardware
	Date     string     `json:"date"`     // of the change of hardware, "" for one of revision
}

// ChangeKind is what kind of change it was.
type ChangeKind string

// Kinds of a Change.
const (
	NoChange       ChangeKind = ""
	RevisionChange ChangeKind = "revision"
	HardwareChange ChangeKind = "hardware"
)

// Trend is the slope over time of one metric over a whole platform, within cars, conditions removed.
type Trend struct {
	Platform        string        `json:"platform"`
	Metric          string        `json:"metric"`
	Unit            string        `json:"unit"`
	Status          result.Status `json:"status"`
	SlopePer100Days result.Number `json:"slope_per_100_days"`
	Interval95      result.Span   `json:"interval95"` // of the slope, cars as clusters
	PValue          result.Number `json:"p_value"`
	AdjustedP       result.Number `json:"adjusted_p"` // corrected for all trends of the review
	Signal          bool          `json:"signal"`
	Cars            int           `json:"cars"` // with two days or more
	Days            int           `json:"days"` // of those cars together
	From            string        `json:"from"`
	To              string        `json:"to"`
	Say             string        `json:"say"` // by internal/report
	// why there is no slope, or what a called one cannot tell apart
	Reasons result.Reasons `json:"reasons"`
}

// EnvelopeChanges compares the envelopes with those of the last review that was remembered.
type EnvelopeChanges struct {
	Remembered  bool   `json:"remembered"`
	SinceRun    string `json:"since_run"`    // newest log of the remembered review
	SinceDigest string `json:"since_digest"` // its workspace digest
	// deviations of pulls within a car past which a limit counts as moved
	MovedBy         result.Number `json:"moved_by"`
	PlatformsGained []string      `json:"platforms_gained"`
	PlatformsLost   []string      `json:"platforms_lost"`
	Groups          []MoveGroup   `json:"moved_by_metric"` // farthest first
	Moved           []LimitMove   `json:"moved"`           // farthest first
	CellsNew        []CellChange  `json:"cells_new"`
	CellsGone       []CellChange  `json:"cells_gone"`
	Say             string        `json:"say"` // by internal/report
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
	Platform  string        `json:"platform"`
	Kind      string        `json:"kind"`
	FuelClass string        `json:"fuel_class"`
	Cell      result.Cell   `json:"cell"`
	Metric    metric.ID     `json:"metric"`
	Unit      string        `json:"unit"`
	Side      metric.Side   `json:"side"`
	Was       result.Number `json:"was"`
	Now       result.Number `json:"now"`
	MovedSD   result.Number `json:"moved_sd"` // in deviations of pulls within a car
	Change    MoveKind      `json:"change"`
	CarsWas   int           `json:"cars_was"`
	CarsNow   int           `json:"cars_now"`
	Say       string        `json:"say"` // by internal/report
}

// MoveKind says how a limit moved.
type MoveKind string

// Kinds of a LimitMove.
const (
	Wider    MoveKind = "wider"
	Narrower MoveKind = "narrower"
	Reached  MoveKind = "reached" // cars became enough for a limit
	Lost     MoveKind = "lost"    // cars became too few for one
)

// CellChange is an operating cell that only one of the two reviews knows.
type CellChange struct {
	Platform  string      `json:"platform"`
	Kind      string      `json:"kind"`
	FuelClass string      `json:"fuel_class"`
	Cell      result.Cell `json:"cell"`
	Metrics   []metric.ID `json:"metrics"`
	Cars      int         `json:"cars"`
	Pulls     int         `json:"pulls"`
}

// OutcomeProof is what failures, or their absence, prove for the logged cars of a platform, of a power bracket of it,
// or for one component. Bounds are one-sided at 95 %.
type OutcomeProof struct {
	Platform string      `json:"platform"`
	Group    Group       `json:"group"`
	Name     string      `json:"name"`     // of the component; of another group by internal/report
	PowerKW  result.Span `json:"power_kw"` // bounds of a bracket of peak brake power, null where open
	// cars of a bracket whose power rests on logged torque; the rest is modelled
	PowerMeasured int           `json:"power_measured"`
	Cars          int           `json:"cars"`
	FailedCars    int           `json:"failed_cars"`
	Failures      int           `json:"failures"` // a car may have several
	Pulls         int           `json:"pulls"`
	Hours         result.Number `json:"hours_at_load"`    // in those pulls
	ShareUpper    result.Number `json:"share_upper95"`    // of cars failing over an exposure like theirs
	PullsUpper    result.Number `json:"per_pull_upper95"` // failures per logged pull
	HoursUpper    result.Number `json:"per_hour_upper95"` // failures per logged hour at load
	Say           string        `json:"say"`              // by internal/report
}

// Group says what cars or failures were counted.
type Group string

// Groups of an OutcomeProof.
const (
	GroupPlatform  Group = "platform"
	GroupPower     Group = "power"
	GroupComponent Group = "component"
)

// Survival is the share of a platform's cars still running over time (Kaplan and Meier), with pointwise 95 % bands.
type Survival struct {
	Platform   string          `json:"platform"`
	Unit       string          `json:"unit"` // of Days, by internal/report
	Cars       int             `json:"cars"`
	Failures   int             `json:"failures"`
	LeftOut    int             `json:"left_out"` // cars that cannot be placed in time
	ObservedTo result.Number   `json:"observed_to"`
	Points     []SurvivalPoint `json:"points"`
	Say        string          `json:"say"` // by internal/report
}

// SurvivalPoint is the curve from Days after a car's first log on, up to the next point.
type SurvivalPoint struct {
	Days     result.Number `json:"days"`
	AtRisk   int           `json:"at_risk"` // just before
	Failures int           `json:"failures"`
	Censored int           `json:"censored"` // last seen running
	Running  result.Number `json:"running"`  // share, 0–1
	Band95   result.Span   `json:"band95"`
}

// RateComparison compares failures per logged pull of the strongest power bracket (A) with the weakest (B).
type RateComparison struct {
	Platform   string        `json:"platform"`
	Status     result.Status `json:"status"`
	A          string        `json:"a"` // its power, by internal/report
	B          string        `json:"b"`
	Ratio      result.Number `json:"ratio"` // A over B
	Interval95 result.Span   `json:"interval95"`
	PValue     result.Number `json:"p_value"`
	Say        string        `json:"say"`    // by internal/report
	Signal     bool          `json:"signal"` // the rates differ by more than chance explains, at 95 %
	// what is compared; unknown power and nothing counted where the platform was not divided
	Strongest RateGroup      `json:"strongest"`
	Weakest   RateGroup      `json:"weakest"`
	Reasons   result.Reasons `json:"reasons"` // why nothing was compared
}

// RateGroup is one side of a RateComparison.
type RateGroup struct {
	PowerKW  result.Span `json:"power_kw"` // bounds of peak brake power, null where open
	Failures int         `json:"failures"`
	Pulls    int         `json:"pulls"` // logged
}

// OverdueCar has not logged for longer than the workspace expects, measured from the newest log of the fleet.
type OverdueCar struct {
	Vehicle  string        `json:"vehicle"`
	Platform string        `json:"platform"`
	LastRun  string        `json:"last_run"` // "" when it never logged
	Days     result.Number `json:"days"`
}
