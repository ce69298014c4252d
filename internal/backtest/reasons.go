package backtest

import "headroom/internal/metric"

// Reasons that a score is not there, or that it says less than it seems to.
type (
	// NothingPredicted: no revision was predicted.
	NothingPredicted struct{}
	// NoneCrossed: no pull crossed, so skill is not defined.
	NoneCrossed struct{}
	// AllCrossed: every pull crossed, so skill is not defined.
	AllCrossed struct{}
	// SkillOrLuck: too few revisions to tell skill from luck.
	SkillOrLuck struct {
		Revisions int `json:"revisions"`
	}
	// HazardsMixed: hazards that hardly ever cross lift the skill of all together.
	HazardsMixed struct{}
	// NoKnock: no own pull has knock retard, or no knock model could be fitted before one.
	NoKnock struct{}
	// NotMeasurable: no log can measure what the hazard's limits are written on.
	NotMeasurable struct {
		Metrics []metric.ID `json:"metrics"`
	}
	// NoLimits: no platform file has a limit for the hazard.
	NoLimits struct{}
	// NeverBoth: no revision has the hazard both predicted and measured in its own pulls where the limit applies.
	NeverBoth struct {
		Metrics []metric.ID `json:"metrics"`
	}
)

// Code implements result.Reason.
func (NothingPredicted) Code() string { return "nothing_predicted" }
func (NoneCrossed) Code() string      { return "none_crossed" }
func (AllCrossed) Code() string       { return "all_crossed" }
func (SkillOrLuck) Code() string      { return "skill_or_luck" }
func (HazardsMixed) Code() string     { return "hazards_mixed" }
func (NoKnock) Code() string          { return "no_knock" }
func (NotMeasurable) Code() string    { return "not_measurable" }
func (NoLimits) Code() string         { return "no_limits" }
func (NeverBoth) Code() string        { return "never_both" }

// Reasons that a revision with own pulls was not predicted.
type (
	// NothingBefore: no pull of the platform is dated before the revision's first own log.
	NothingBefore struct {
		Platform string `json:"platform"`
		Date     string `json:"date"` // of the first own log
	}
	// NoFit: the platform could not be fitted to what was known.
	NoFit struct {
		Before string `json:"before"` // the day
		Fault  string `json:"fault"`
	}
	// NothingInCommon: no hazard was both predicted and measured in its own pulls.
	NothingInCommon struct{}
	// NotPredicted: the prediction failed.
	NotPredicted struct {
		Fault string `json:"fault"`
	}
)

// Code implements result.Reason.
func (NothingBefore) Code() string   { return "nothing_before" }
func (NoFit) Code() string           { return "no_fit" }
func (NothingInCommon) Code() string { return "nothing_in_common" }
func (NotPredicted) Code() string    { return "not_predicted" }

// Cautions: what a record cannot show.
type (
	// NoRecord: nothing could be scored.
	NoRecord struct{}
	// UndatedRows: rows of evidence left out because their logs have no date.
	UndatedRows struct {
		Rows int `json:"rows"`
	}
	// ShortRecord: too few revisions for a record.
	ShortRecord struct {
		Revisions int `json:"revisions"`
	}
	// MilderRevisions: revisions that were thought too dangerous were not logged.
	MilderRevisions struct{}
)

// Code implements result.Reason.
func (NoRecord) Code() string        { return "no_record" }
func (UndatedRows) Code() string     { return "undated_rows" }
func (ShortRecord) Code() string     { return "short_record" }
func (MilderRevisions) Code() string { return "milder_revisions" }
