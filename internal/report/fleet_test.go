package report

import (
	"headroom/internal/health"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/channel"
)

// fixtureFleet has charts called, held back and not, one without a number, hostile and long identifiers, groups of
// outcomes with and without cars, and rates compared and not.
func fixtureFleet() *health.Fleet {
	s := stamp
	s.Schema = "headroom/fleet/1"
	at := cellAt(4500, 160)
	move := health.LimitMove{Platform: "kestrel-20t", Kind: "pull", FuelClass: "pump", Cell: at,
		Metric: metric.ChargeTemperature, Unit: "°C", Side: metric.Upper, Was: 58, Now: 63, MovedSD: 2.4,
		Change: health.Wider, CarsWas: 12, CarsNow: 14}
	reached := health.LimitMove{Platform: "kestrel-20t", Kind: "pull", FuelClass: "pump", Cell: at,
		Metric: metric.PeakPressure, Unit: "kPa", Side: metric.Upper, Was: none, Now: 9100, MovedSD: none,
		Change:  health.Reached,
		CarsWas: 1, CarsNow: 3}
	return &health.Fleet{
		Stamp: s, NewestRun: "2026-03-03",
		Drift: health.DriftCalls{Chart: "likelihood ratio of ramps and steps", FalseAlarm: 0.01, Charts: 8, Called: 2,
			Cars: 2, DiscoveryRate: 0.1, ExpectedFalse: 0.08, Smallest: []health.SmallestDrift{
				{Platform: "kestrel-20t", Metric: "wastegate duty", Unit: "%", Per100Days: 2.4, Cars: 20},
				{Platform: "heron-15t", Metric: "knock retard", Unit: "deg", Per100Days: none, Cars: 6}}},
		Cars: []health.CarDrift{
			{Rank: 1, Vehicle: "car-021", Platform: "kestrel-20t", Metric: "fuel trim, long and short", Unit: "%",
				Chart:    "likelihood ratio of ramps and steps",
				Baseline: 1.2, Latest: 6.9, Shift: 5.7, Statistic: 4.81, Threshold: 2.86, PValue: 2e-6,
				AdjustedP: 1.6e-5, Signal: true, Onset: "2026-02-11", Runs: 14, Rows: 322, Watched: 12},
			{Rank: 2, Vehicle: hostileID, Platform: "kestrel-20t", Metric: "wastegate duty", Unit: "%",
				Chart:    "likelihood ratio of ramps and steps",
				Baseline: 48, Latest: 61, Shift: 13, Statistic: 4.1, Threshold: 2.86, PValue: 1e-4, AdjustedP: 4e-4,
				Signal: true, Onset: "2025-12-01", Runs: 8, Rows: 190, Watched: 6,
				Change:  health.Change{Kind: health.RevisionChange, Revision: "rev-0107-a"},
				Command: channel.ManifoldPressureTarget},
			{Rank: 3, Vehicle: "car-044", Platform: "heron-15t", Metric: "knock retard", Unit: "deg",
				Chart:    "likelihood ratio of ramps and steps",
				Baseline: 0.4, Latest: 2.1, Shift: 1.7, Statistic: 3.4, Threshold: 2.86, PValue: 0.002,
				AdjustedP: 0.005, HeldBack: true, Onset: "2026-01-15", Runs: 6, Rows: 130, Watched: 4,
				Change:  health.Change{Kind: health.RevisionChange, Revision: "rev-0144-b"},
				Command: channel.SparkCommanded},
			{Rank: 4, Vehicle: longID, Platform: "kestrel-20t", Metric: "charge temperature rise", Unit: "K",
				Chart:    "likelihood ratio of ramps and steps",
				Baseline: 11, Latest: 12.4, Shift: 1.4, Statistic: 2.2, Threshold: 5,
				PValue:    0.06,
				AdjustedP: 0.12, Runs: 9, Rows: 201, Watched: 7},
			{Rank: 5, Vehicle: "car-003", Platform: "heron-15t", Metric: "boost error", Unit: "kPa",
				Chart:    "likelihood ratio of ramps and steps",
				Baseline: none, Latest: none, Shift: none, Statistic: none, Threshold: none, PValue: none,
				AdjustedP: none, Runs: 2, Rows: 18},
			{Rank: 6, Vehicle: "car-004", Platform: "heron-15t", Metric: "boost error", Unit: "kPa", Baseline: -4,
				Latest: -4, Shift: 0, Statistic: 0.3, Threshold: 2.8, PValue: 1, AdjustedP: 1, Runs: 4, Rows: 40},
			{Rank: 7, Vehicle: "car-005", Platform: "heron-15t", Metric: "boost error", Unit: "kPa", Baseline: -4,
				Latest: -4, Shift: 0, Statistic: 0.3, Threshold: 2.8, PValue: 1, AdjustedP: 1, Runs: 4, Rows: 40},
			{Rank: 8, Vehicle: "car-006", Platform: "heron-15t", Metric: "boost error", Unit: "kPa", Baseline: -4,
				Latest: -4, Shift: 0, Statistic: 0.3, Threshold: 2.8, PValue: 1, AdjustedP: 1, Runs: 4, Rows: 40,
				Watched: 2},
		},
		Trends: []health.Trend{
			{Platform: "kestrel-20t", Metric: "charge temperature", Unit: "K", Status: result.Assessed,
				SlopePer100Days: 3.2,
				Interval95:      result.Span{1.4, 5}, PValue: 0.001, AdjustedP: 0.02, Signal: true, Cars: 12, Days: 51,
				From: "2025-02-01", To: "2026-03-03",
				Reasons: result.Reasons{health.SeasonOrAgeing{DaysWanted: 730}}},
			{Platform: "heron-15t", Metric: "fuel trim, long and short", Unit: "%", Status: result.Assessed,
				SlopePer100Days: -0.1, Interval95: result.Span{-0.4, 0.2}, PValue: 0.4, AdjustedP: 0.8, Cars: 7,
				Days: 20, From: "2025-02-01", To: "2026-02-03"},
			{Platform: "heron-15t", Metric: "rail shortfall", Unit: "kPa", Status: result.NotAssessed,
				SlopePer100Days: none, Interval95: noSpan, PValue: none, AdjustedP: none, Cars: 2, Days: 4,
				Reasons: result.Reasons{health.FewCars{Cars: 2, Wanted: 5}}},
		},
		EnvelopeChanges: health.EnvelopeChanges{
			Remembered: true, SinceRun: "2025-12-20", SinceDigest: digest, MovedBy: 1,
			PlatformsGained: []string{"marlin-25t"}, PlatformsLost: []string{"osprey-16t"},
			Groups: []health.MoveGroup{{Limits: 1, Wider: 1, Farthest: move},
				{Limits: 1, Reached: 1, Farthest: reached}}, Moved: []health.LimitMove{move, reached},
			CellsNew: []health.CellChange{{Platform: "kestrel-20t", Kind: "pull", FuelClass: "pump",
				Cell: cellAt(6500, 140), Metrics: []metric.ID{metric.Lambda, metric.Torque}, Cars: 2, Pulls: 5}},
			CellsGone: []health.CellChange{},
		},
		Outcomes: []health.OutcomeProof{
			{Platform: "kestrel-20t", Group: health.GroupPlatform, PowerKW: noSpan, Cars: 30, Pulls: 415,
				Hours: 1.6, ShareUpper: 0.0950, PullsUpper: 0.00719, HoursUpper: 1.87},
			{Platform: "kestrel-20t", Group: health.GroupPower, PowerKW: result.Span{210, none},
				PowerMeasured: 3, Cars: 10, Pulls: 150, Hours: 0.6, ShareUpper: 0.259, PullsUpper: 0.0198,
				HoursUpper: 4.99},
			{Platform: "kestrel-20t", Group: health.GroupComponent, Name: "charge hose", PowerKW: noSpan, Cars: 30,
				FailedCars: 1,
				Failures:   2, Pulls: 415, Hours: 1.6, ShareUpper: 0.149, PullsUpper: 0.0152, HoursUpper: 3.93},
			{Platform: "heron-15t", Group: health.GroupPlatform, PowerKW: noSpan, Hours: 0,
				ShareUpper: none, PullsUpper: none, HoursUpper: none},
		},
		Survival: []health.Survival{
			{Platform: "kestrel-20t", Cars: 29, Failures: 1, LeftOut: 1,
				ObservedTo: 402,
				Points: []health.SurvivalPoint{{Days: 120, AtRisk: 29, Censored: 2, Running: 1,
					Band95: result.Span{0.881, 1}}, {Days: 250, AtRisk: 27, Failures: 1, Running: 0.963,
					Band95: result.Span{0.765, 0.995}}, {Days: 402, AtRisk: 3, Censored: 3, Running: 0.963,
					Band95: result.Span{0.765, 0.995}}}},
			{Platform: "heron-15t", ObservedTo: none, Points: []health.SurvivalPoint{}},
		},
		Comparisons: []health.RateComparison{
			{Platform: "kestrel-20t", Status: result.NotAssessed, Ratio: none, Interval95: noSpan, PValue: none,
				Strongest: health.RateGroup{PowerKW: result.Span{210, none}, Pulls: 150},
				Weakest:   health.RateGroup{PowerKW: result.Span{none, 190}, Failures: 1, Pulls: 130},
				Reasons:   result.Reasons{health.FewFailures{Failures: 1, Wanted: 6}}},
			{Platform: "heron-15t", Status: result.Assessed, Ratio: 5.1, Interval95: result.Span{1.3, 24},
				PValue: 0.009, Signal: true,
				Strongest: health.RateGroup{PowerKW: result.Span{140, none}, Failures: 7, Pulls: 90},
				Weakest:   health.RateGroup{PowerKW: result.Span{none, 110}, Failures: 4, Pulls: 260}},
		},
		OverdueAfter: 180,
		Overdue: []health.OverdueCar{{Vehicle: "car-030", Platform: "heron-15t", LastRun: "2025-08-01", Days: 214},
			{Vehicle: "car-031", Platform: "heron-15t", Days: none}},
	}
}
