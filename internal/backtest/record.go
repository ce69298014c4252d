package backtest

import (
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
)

// Record is what the backtest found (schema headroom/backtest/1): every past revision that was logged, predicted from
// what was known before its first own log, and set beside what its own pulls did. Fields said to be "by
// internal/report" are empty in the record: they are its facts in words.
type Record struct {
	result.Stamp
	Revisions   int          `json:"revisions"`    // with own pulls
	Predicted   int          `json:"predicted"`    // of them, with a prediction that could be scored
	UndatedRows int          `json:"undated_rows"` // rows of evidence left out because their log has no date
	Overall     Score        `json:"overall"`      // all hazards together
	Hazards     []Score      `json:"hazards"`      // every hazard of the contract, in the contract's order
	Predictions []Prediction `json:"predictions"`  // by date, revision and hazard
	Fits        []Fit        `json:"fits"`         // by platform and date
	NotScored   []Unscored   `json:"not_scored"`   // revisions with own pulls but without a prediction
	Rules       []string     `json:"rules"`        // how the numbers are made, by internal/report
	Cautions    []string     `json:"cautions"`     // by internal/report
	// what this record cannot show
	Notes result.Reasons `json:"notes"`
}

// Score is the record of one hazard. Scores are per pull; smaller is better but for skill.
type Score struct {
	Hazard    hazard.ID   `json:"hazard"`
	Status    ScoreStatus `json:"status"`
	Why       string      `json:"why"` // by internal/report
	Revisions int         `json:"revisions"`
	Pulls     int         `json:"pulls"`
	Crossed   int         `json:"crossed"` // of the pulls
	// of the revisions: predicted on evidence the verdict calls thin
	ThinRevisions    int           `json:"thin"`
	BaseRate         result.Number `json:"base_rate"`     // mean over the pulls of the share known before
	Stated           result.Number `json:"stated"`        // mean over the pulls of the predicted probability
	Brier            result.Number `json:"brier"`         // Brier (1950)
	BrierBase        result.Number `json:"brier_base"`    // of the base rate known before
	BrierNaive       result.Number `json:"brier_naive"`   // of "as the car's last log"
	SkillBase        result.Number `json:"skill_base"`    // 1 − brier/brier_base
	SkillBase90      result.Span   `json:"skill_base90"`  // 90 % interval, whole revisions resampled
	SkillNaive       result.Number `json:"skill_naive"`   // 1 − brier/brier_naive
	SkillNaive90     result.Span   `json:"skill_naive90"` // 90 % interval
	LogScore         result.Number `json:"log_score"`     // nats
	LogScoreBase     result.Number `json:"log_score_base"`
	CalibrationError result.Number `json:"calibration_error"`
	Reliability      []Bin         `json:"reliability"`
	Bands            Bands         `json:"bands"`
	// what could not be said, and why
	Reasons result.Reasons `json:"reasons"`
}

// AllHazards is the hazard of the score over all hazards together.
const AllHazards hazard.ID = "all"

// ScoreStatus says whether there is a record.
type ScoreStatus string

// Statuses of a Score.
const (
	StatusScored    ScoreStatus = "scored"
	StatusNotScored ScoreStatus = "not_scored"
)

// Bin is one bin of a reliability table.
type Bin struct {
	Stated     result.Span   `json:"stated"`   // edges of the bin
	Mean       result.Number `json:"mean"`     // stated probability, over the bin's pulls
	Observed   result.Number `json:"observed"` // share of the bin's pulls that crossed
	Interval90 result.Span   `json:"interval90"`
	Predicted  int           `json:"predictions"`
	Pulls      int           `json:"pulls"`
	Crossed    int           `json:"crossed"`
}

// Bands says how often the 90 % bands held.
type Bands struct {
	Counts         int           `json:"counts"`          // predictions whose number of crossings had a band
	CountsHeld     int           `json:"counts_held"`     // of them
	CountsExpected result.Number `json:"counts_expected"` // share the bands should hold, 0.90 or more: counts are whole
	Margins        int           `json:"margins"`         // pulls whose worst margin was measured
	MarginsHeld    int           `json:"margins_held"`    // of them
	// exact binomial interval of the share held, pulls taken as independent
	Margins90    result.Span `json:"margins_held90"`
	MarginsBelow int         `json:"margins_below"` // worse than the band: the dangerous side
}

// Prediction is one hazard of one revision: what would have been said, and what happened.
type Prediction struct {
	Revision           string        `json:"revision"`
	Platform           string        `json:"platform"`
	Vehicle            string        `json:"vehicle"`
	Date               string        `json:"date"`       // of the first own log: only earlier rows were known
	FitBefore          string        `json:"fit_before"` // the platform's model knew only rows dated before this day
	Hazard             hazard.ID     `json:"hazard"`
	Status             result.Status `json:"status"` // result.Assessed or result.Thin
	Cars               int           `json:"cars"`
	KnownPulls         int           `json:"known_pulls"` // behind the prediction
	ProbabilityPerPull result.Number `json:"probability_per_pull"`
	Interval90         result.Span   `json:"interval90"`
	BaseRate           result.Number `json:"base_rate"`
	Naive              result.Number `json:"naive"`
	Pulls              int           `json:"pulls"` // own, in which the hazard was measured
	Crossed            int           `json:"crossed"`
	Band90             [2]int        `json:"crossed_band90"` // predicted number of crossings
	Inside             bool          `json:"inside"`         // the number seen lies in the band
	// none for knock: a log shows retard, not how far the limit is
	Margins []Margin `json:"margins"`

	expected float64 // probability that the band holds
}

// Margin sets the band of the smallest margin of a pull beside the own pulls.
type Margin struct {
	Metric metric.ID   `json:"metric"`
	Unit   string      `json:"unit"`
	Band90 result.Span `json:"band90"`
	Seen   result.Span `json:"seen"` // smallest and largest worst margin of an own pull
	Pulls  int         `json:"pulls"`
	Held   int         `json:"held"`
	Below  int         `json:"below"`
}

// Fit is one fit of a platform to what was known before a day.
type Fit struct {
	Platform string `json:"platform"`
	Before   string `json:"before"`
	Cars     int    `json:"cars"`
	Pulls    int    `json:"pulls"`
	Used     int    `json:"revisions"` // predicted with it
}

// Unscored is a revision with own pulls that could not be predicted.
type Unscored struct {
	Revision string         `json:"revision"`
	Error    string         `json:"error"` // by internal/report
	Reasons  result.Reasons `json:"reasons"`
}
