package report

import (
	"math"

	"headroom/internal/assess"
	"headroom/internal/assess/fleet"
	"headroom/internal/assess/footprint"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/fault"
	"headroom/internal/hazard"
	"headroom/internal/ingest"
	"headroom/internal/landmark"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/runlog"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
	"headroom/internal/store"
	"headroom/models/calmap"
	"headroom/models/channel"
	"headroom/models/unit"
)

// The fixtures are made by hand to be awkward: missing numbers, hazards without evidence, chances at both ends, long
// and hostile identifiers, several scripts.

var none = result.Unknown()

var noSpan = result.Span{none, none}

const (
	longID    = "rev-0142-c-a-very-long-identifier-that-nobody-should-ever-type-but-somebody-always-does-2026-03-04"
	hostileID = `<script>alert("x")</script>`
	digest    = "9f2b7c64d0a1e835f7764c1b0c55a1de3f8e0b9a4c2d7e6f1a2b3c4d5e6f7081"
)

var stamp = result.Stamp{Schema: "headroom/review/1", ToolVersion: "0.1.0", WorkspaceDigest: digest, Seed: 1}

func cellAt(rpm, load float64) result.Cell {
	return result.Cell{
		RPM:     result.Span{result.Number(rpm), result.Number(rpm + 500)},
		LoadPct: result.Span{result.Number(load), result.Number(load + 20)},
	}
}

func fixtureWeather() assess.Weather {
	return assess.Weather{From: assess.FromCar, Cars: 14, Days: 61, Own: 3, Year: true, Judged: result.Span{2.4, 27.1},
		Logged: result.Span{11, 14.5}, Hot: 30.2}
}

func farState() assess.FarState {
	return assess.FarState{Cell: cellAt(3500, 160), Distance: 1.7, Mostly: fleet.FeatureSpark, Visited: true}
}

func placeUnvisited() assess.UnvisitedPlace {
	return assess.UnvisitedPlace{Hazard: "knock", Severity: "major", Cell: cellAt(6500, 200), Against: "rev-0142-b",
		At: []footprint.AxisValue{
			{Channel: "engine_speed", Value: 7000, Unit: "rpm"},
			{Channel: "absolute_load", Value: 200,
				Unit: "%"},
		}, Role: "spark", Change: 12, RoleUnit: "deg", Metric: "knock_margin", Unit: "deg", Limit: -3,
		Margin: -6.2, MarginSD: 2.4, IfVisited: 0.98, Interval90: result.Span{0.71, 1}, Parent: 0.002, FleetCars: 1,
		FleetPulls: 2, OfPulls: 220,
		OtherGear: &assess.GearShare{Gear: 5, Pulls: 1, OfPulls: 14},
		Brings:    []assess.Stress{{Kind: state.ThinAir, Size: 93.5, From: state.SizeOfFleet}},
		Dangerous: true}
}

func fixtureUnvisited() assess.Unvisited {
	quiet := placeUnvisited()
	quiet.Hazard, quiet.Severity, quiet.Metric, quiet.Unit, quiet.Limit, quiet.Margin, quiet.MarginSD = "lean",
		"catastrophic", "lambda", "lambda", 0.9, 0.041, 0.011
	quiet.IfVisited, quiet.Interval90, quiet.Parent, quiet.FleetCars, quiet.FleetPulls = 0.0004, result.Span{
		0,
		0.003,
	}, none,
		0, 0
	quiet.OtherGear, quiet.Brings, quiet.Dangerous = nil, []assess.Stress{{Kind: state.BoostSpike, Size: 15,
		From: state.SizeUsual}, {Kind: state.ColdCharge, Size: 14, From: state.SizeOfFleet}}, false
	old := placeUnvisited()
	old.Hazard, old.Inherited, old.Against, old.IfVisited, old.Interval90 = "low_speed_load", true, "kestrel-20t-base",
		0.37, result.Span{0.08, 0.73}
	return assess.Unvisited{Values: 14, NotJudged: 2, Places: []assess.UnvisitedPlace{placeUnvisited(), old, quiet}}
}

func fixtureChanges() []assess.Changed {
	change := func(what assess.Differing, name, from, to string, account assess.Account, pulls int,
		reasons ...result.Reason) assess.Changed {
		return assess.Changed{What: what, Name: name, From: from, To: to, Largest: none, At: []footprint.AxisValue{},
			Values: none, Account: account, Pulls: pulls, Reasons: append(result.Reasons{}, reasons...)}
	}
	spark := change(assess.DiffersTable, "spark", "rev-0142-a/tables/spark.csv", "rev-0142-b/tables/spark.csv",
		assess.AccountComputed, 12)
	spark.Largest, spark.Unit, spark.At, spark.Values = 12, "deg", placeUnvisited().At, 31
	limit := change(assess.DiffersSpeedLimit, "speed_limit", "rev-0142-a/tables/limit.csv",
		"rev-0142-b/tables/limit.csv", assess.AccountShown, 12)
	limit.Largest, limit.Unit, limit.Values = -400, "rpm", 2
	cells := change(assess.DiffersCells, "", "", "", assess.AccountNone, 12, assess.NotPlaced{Values: 2})
	cells.Values = 14
	return []assess.Changed{spark, limit,
		change(assess.DiffersTable, "other fan_duty", "", "tables/fan.csv", assess.AccountNone, 0,
			assess.Unmodelled{Gap: state.Gap{Kind: state.TableAdded, Role: "other", Name: "fan_duty"}}),
		cells,
		change(assess.DiffersFuel, "", "pump-91", "pump-93", assess.AccountShown, 12),
		change(assess.DiffersPart, "turbo", "stock", hostileID, assess.AccountNone, 0, otherPart()),
		change(assess.DiffersCar, "", "car-001, car-009", "car-017", assess.AccountComputed, 60),
	}
}

func fixtureReview() *assess.Review {
	yes, no := true, false
	return &assess.Review{
		Stamp:    stamp,
		Revision: "rev-0142-c", Parent: "rev-0142-b", Platform: "kestrel-20t", Vehicle: "car-017", Author: "t2",
		Fuel:    "pump-91",
		Verdict: assess.VerdictHold,
		Reasons: result.Reasons{tooLikely(), measuredCrossing()},
		Notes:   fixtureNotes(),
		Changes: fixtureChanges(), Weather: fixtureWeather(), Unvisited: fixtureUnvisited(),
		Support: assess.Support{Cars: 14, Visits: 2610, Outside: []assess.FarState{farState()}, Largest: 1.7},
		Hazards: fixtureHazards(),
		Findings: []assess.Finding{
			{
				Rank:               1,
				Hazard:             "knock",
				Severity:           "major",
				Cell:               cellAt(3000, 160),
				Metric:             "knock_margin",
				Unit:               "deg",
				Predicted:          -1.8,
				Interval90:         result.Span{-4.1, 0.4},
				Limit:              -3,
				LimitSource:        "shop rule, 2024",
				Margin:             1.2,
				MarginSD:           1.4,
				ProbabilityPerPull: 0.19,
				Envelope: assess.EnvelopeCheck{Limit: -0.4,
					Cars: 14, Pulls: 160, Inside: &no},
				Basis: "predicted",
				Change: assess.Change{SparkDeg: 1.5,
					Lambda: 0, BoostKPa: 8},
			},
			{Rank: 2, Hazard: "charge_temperature", Severity: "moderate", Cell: cellAt(5500, 180),
				Metric: "charge_temperature", Unit: "°C", Predicted: 78, Interval90: result.Span{71.4, 84.9}, Limit: 70,
				LimitSource: "platform handbook, table 4",
				Margin:      -8, MarginSD: 4.1, ProbabilityPerPull: 0.999, Envelope: assess.EnvelopeCheck{Limit: 74,
					Cars: 12, Pulls: 140, Inside: &no}, Basis: "measured", Change: assess.Change{SparkDeg: 0, Lambda: 0,
					BoostKPa: 14.6}},
			{Rank: 3, Hazard: "cylinder_pressure", Severity: "catastrophic", Cell: cellAt(2500, 180),
				Metric: "peak_pressure", Unit: "kPa", Predicted: 10240, Interval90: result.Span{9110, 11390},
				Limit: 12000, LimitSource: "engine maker's letter; <b>not public</b>",
				Margin: 1760, MarginSD: 700, ProbabilityPerPull: 0.004, Envelope: assess.EnvelopeCheck{Limit: 10600,
					Cars: 12, Pulls: 148, Inside: &yes}, Basis: "predicted", Change: assess.Change{SparkDeg: 1.5,
					Lambda: -0.01, BoostKPa: 8}},
			{Rank: 4, Hazard: "lean", Severity: "major", Cell: cellAt(6000, 160), Metric: "lambda", Unit: "lambda",
				Predicted: 0.842, Interval90: result.Span{0.821, 0.863}, Limit: 0.9, LimitSource: "shop rule, 2024",
				Margin: 0.058, MarginSD: 0.0125, ProbabilityPerPull: 1e-6, Envelope: assess.EnvelopeCheck{Limit: none,
					Cars: 2, Pulls: 11}, Basis: "both", Change: assess.Change{SparkDeg: none, Lambda: 0.012,
					BoostKPa: 0}},
			{Rank: 5, Hazard: "rail_pressure", Severity: "major", Cell: result.Cell{RPM: noSpan, LoadPct: noSpan},
				Metric: "rail_shortfall", Unit: "kPa", Predicted: none, Interval90: noSpan, Limit: 1500,
				LimitSource: "",
				Margin:      none, MarginSD: none, ProbabilityPerPull: none, Envelope: assess.EnvelopeCheck{Limit: none,
					Cars: 0, Pulls: 0}, Basis: "", Change: assess.Change{SparkDeg: none, Lambda: none, BoostKPa: none}},
			{Rank: 6, Hazard: "oil_temperature", Severity: "moderate", Cell: cellAt(4000, 120),
				Metric: "oil_temperature", Unit: "°C", Predicted: 104, Interval90: result.Span{99, 109}, Limit: 140,
				LimitSource: "shop rule, 2024",
				Margin:      36, MarginSD: 3.1, ProbabilityPerPull: 1e-7, Envelope: assess.EnvelopeCheck{Limit: 118,
					Cars: 12, Pulls: 101, Inside: &yes}, Basis: "predicted"},
		},
		Gains: []assess.Gain{
			{RPM: 2250, TorqueNm: result.Span{352, 357.2}, ChangePct: 1.48, Change90: result.Span{0.99, 1.97},
				PowerKW: result.Span{82.9, 84.2}, SpentMargin: none, SpentSD: none},
			{RPM: 3250, TorqueNm: result.Span{412, 438}, ChangePct: 6.31, Change90: result.Span{4.23, 8.39},
				PowerKW: result.Span{140.2, 149.1}, SpentHazard: "knock", SpentMargin: 1.71, SpentUnit: "deg",
				SpentSD: 1.22},
			{RPM: 4250, TorqueNm: result.Span{420, 420.9}, ChangePct: 0.21, Change90: result.Span{0.14, 0.28},
				PowerKW: result.Span{186.9, 187.3}, SpentHazard: "charge_temperature", SpentMargin: 2.4,
				SpentUnit: "°C", SpentSD: 0.59},
			{RPM: 4750, TorqueNm: result.Span{401, 405.4}, ChangePct: 1.1, Change90: result.Span{-0.2, 2.4},
				PowerKW: result.Span{199.5, 201.7}, SpentHazard: "cylinder_pressure", SpentMargin: 212,
				SpentUnit: "kPa", SpentSD: 0.3},
			{RPM: 5750, TorqueNm: result.Span{331, 330.9}, ChangePct: -0.03, Change90: result.Span{-0.04, -0.02},
				PowerKW: result.Span{199.3, 199.2}, SpentHazard: "knock", SpentMargin: 0.04, SpentUnit: "deg",
				SpentSD: 0.03},
			{RPM: 6250, TorqueNm: result.Span{301, 304}, ChangePct: 1, Change90: noSpan,
				PowerKW: result.Span{197, none}, SpentHazard: "lean", SpentMargin: none, SpentUnit: "lambda",
				SpentSD: none},
			{RPM: 6750, TorqueNm: noSpan, ChangePct: none, Change90: noSpan, PowerKW: noSpan, SpentHazard: "knock",
				SpentMargin: 1.1, SpentUnit: "deg", SpentSD: 0.8},
		},
		Conditions: []assess.Condition{
			{Stress: assess.Stress{Kind: state.HotCharge, Size: 20, From: state.SizeUsual},
				Hazard: "knock", Parent: 0.4, Margin: -1.9, Unit: "deg",
				ProbabilityPerPull: 0.62},
			{Stress: assess.Stress{Kind: state.LowOctane, Size: 2, From: state.SizeUsual},
				Hazard: "knock", Margin: -0.4, Unit: "deg",
				ProbabilityPerPull: 0.41},
			{Stress: assess.Stress{Kind: state.ThinAir, Size: 85, From: state.SizeUsual},
				Hazard: "charge_temperature", Margin: -17,
				Unit: "°C", ProbabilityPerPull: 1},
			{Stress: assess.Stress{Kind: state.RichSensor, Size: 3, From: state.SizeUsual},
				Hazard: "lean", Margin: none, Unit: "lambda",
				ProbabilityPerPull: none},
			{Stress: assess.Stress{Kind: state.LessEthanol, Size: 15, From: state.SizeUsual},
				Hazard: "knock", Margin: 0.2, Unit: "deg",
				ProbabilityPerPull: 0.31},
			{Stress: assess.Stress{Kind: state.UntoldBlend, Size: 17.2, From: state.SizeOfFuels},
				Hazard: "lean", Parent: 0.002, Margin: -0.06, Unit: "lambda",
				ProbabilityPerPull: 0.999},
		},
		Footprint: fixtureFootprint(),
		NextPulls: []assess.NextPull{
			{RPM: result.Span{2500, 4000}, LoadPct: result.Span{150, 190}, Gear: 4, Channels: []string{"knock_retard",
				"lambda", "charge_temperature"},
				For: result.Reasons{assess.NarrowsMargins{Hazard: "knock", Share: 0.34, Margins: 3}}},
			{RPM: result.Span{4500, 6500}, LoadPct: result.Span{140, 180}, Gear: none,
				Channels: []string{"exhaust_temperature"}, For: result.Reasons{assess.JudgesHazard{
					Hazard: "exhaust_temperature", Why: result.Reasons{noExhaust()}}}},
			{RPM: result.Span{2000, 6500}, LoadPct: result.Span{100, 180}, Gear: none, Channels: []string{},
				For: result.Reasons{assess.FirstPull{}}},
		},
		OwnLogs: fixtureOwnLogs(),
		Curves:  fixtureCurves(),
	}
}

func tooLikely() result.Reason {
	return assess.TooLikely{Hazard: "knock", Severity: "major", Chance: 0.19, Interval90: result.Span{0.09, 0.33},
		Threshold: 0.05, Cell: &likeliestCell, Parent: 0.07, ParentHeld: true}
}

var likeliestCell = cellAt(3000, 160)

func measuredCrossing() result.Reason {
	return assess.MeasuredCrossing{Hazard: "lean", Pulls: 3, Of: 12, Cars: []string{"car-017"},
		Runs: []string{"runs/car-017/rev-0142-c/pull-1.csv", "runs/car-017/rev-0142-c/pull-2.csv"}}
}

func outsideEnvelope() result.Reason {
	return assess.OutsideEnvelope{Hazard: "charge_temperature", Cells: []result.Cell{cellAt(5000, 180),
		cellAt(5500, 180)}}
}

func lackingKey(m metric.ID, key metric.Key) result.Reason {
	return assess.Lacking{Metric: m, Lack: result.Lack{Missing: []result.Missing{{Key: key,
		File: "platforms/kestrel-20t.yaml"}}}}
}

func lackingLog(m metric.ID, ids ...channel.ID) result.Reason {
	return assess.Lacking{Metric: m, Lack: result.Lack{Missing: []result.Missing{{Channels: ids}}}}
}

// otherFuel is a fuel that no judged pull ran on.
func otherFuel() result.Reason {
	return assess.FuelNotShown{From: []string{"pump-91", "pump-93"}, To: "blend-e30"}
}

// otherPart is a turbocharger that no judged pull ran with.
func otherPart() result.Reason {
	return assess.PartNotShown{Item: "turbo", From: []string{"stock"}, To: "larger",
		Hazards: []hazard.ID{hazard.ChargeTemperature, hazard.ExhaustTemperature}}
}

// noExhaust is why exhaust temperature is not judged: it was not logged.
func noExhaust() result.Reason {
	return assess.Lacking{Metric: "exhaust_temperature", Lack: result.Lack{Missing: []result.Missing{
		{Channels: []channel.ID{"exhaust_temperature"}}}}}
}

func exhaustNotJudged() result.Reason {
	return assess.NotJudged{Hazard: "exhaust_temperature", Severity: "major", Status: result.NotAssessed,
		Why: result.Reasons{noExhaust()}}
}

func fixtureHazards() []assess.Hazard {
	return []assess.Hazard{
		{Hazard: "knock", Severity: "major", Status: "assessed", ProbabilityPerPull: 0.19,
			Interval90: result.Span{0.09, 0.33}, Basis: "predicted", Cars: 12, Pulls: 148, Parent: 0.03,
			Change90: result.Span{0.06, 0.29},
			Record:   &assess.HazardRecord{Revisions: 22, Pulls: 253, Stated: 0.1, Crossed: 0},
			Uses: []assess.UseChance{
				{Use: "a track day", Days: 1, PullsEachDay: 40, Probability: 0.93,
					Interval90: result.Span{0.7, 1}},
				{Use: "its logs again", Days: 6, PullsEachDay: 4, Probability: 0.88,
					Interval90: result.Span{0.6, 0.99}}}},
		{Hazard: "lean", Severity: "catastrophic", Status: "assessed", ProbabilityPerPull: 1e-6,
			Interval90: result.Span{0, 0.0008}, Basis: "both", Cars: 12, Pulls: 148, Parent: 1e-7,
			Change90: result.Span{0, 0.0008},
			Uses: []assess.UseChance{
				{Use: "a track day", Days: 1, PullsEachDay: 40, Probability: 0.019,
					Interval90: result.Span{0, 0.07}},
				{Use: "its logs again", Days: 6, PullsEachDay: 4, Probability: 0.011,
					Interval90: result.Span{0, 0.04}}}},
		{Hazard: "fuel_delivery", Severity: "major", Status: "assessed", ProbabilityPerPull: 0.031,
			Interval90: result.Span{0.012, 0.071}, Basis: "predicted", Cars: 11, Pulls: 140, Parent: 0.047,
			Change90: result.Span{-0.04, 0.002}, Reasons: result.Reasons{assess.WorstOf{Limits: 3,
				Metric: "injection_window_use"}, assess.ComputedLevel{OwnCar: true}}},
		{Hazard: "rail_pressure", Severity: "major", Status: "thin", Reasons: result.Reasons{assess.ThinEvidence{
			Cars: 2, Pulls: 9, CarsWanted: 5, PullsWanted: 30}}, ProbabilityPerPull: none, Interval90: noSpan,
			Cars: 2, Pulls: 9, Parent: none, Change90: noSpan},
		{Hazard: "charge_temperature", Severity: "moderate", Status: "assessed", ProbabilityPerPull: 0.999,
			Interval90: result.Span{0.97, 1}, Basis: "measured", Cars: 12, Pulls: 148, Parent: none,
			Change90: noSpan},
		{Hazard: "coolant_temperature", Severity: "moderate", Status: "assessed", ProbabilityPerPull: 0,
			Interval90: result.Span{0, 0}, Basis: "measured", Cars: 12, Pulls: 148, Parent: none, Change90: noSpan,
			Reasons: result.Reasons{assess.NeverLogged{Lack: lackingLog("coolant_temperature",
				"coolant_temperature").(assess.Lacking).Lack}}},
		{Hazard: "oil_temperature", Severity: "moderate", Status: "not_assessed",
			Reasons:            result.Reasons{lackingLog("oil_temperature", "oil_temperature")},
			ProbabilityPerPull: none, Interval90: noSpan, Parent: none, Change90: noSpan},
		{Hazard: "exhaust_temperature", Severity: "major", Status: "not_assessed",
			Reasons: result.Reasons{noExhaust()}, ProbabilityPerPull: none, Interval90: noSpan, Parent: none,
			Change90: noSpan},
		{Hazard: "cylinder_pressure", Severity: "catastrophic", Status: "assessed", ProbabilityPerPull: 0.004,
			Interval90: result.Span{0.0004, 0.03}, Basis: "predicted", Cars: 12, Pulls: 148, Parent: none,
			Change90: noSpan, Reasons: result.Reasons{assess.ComputedLevel{}}},
		{Hazard: "low_speed_load", Severity: "catastrophic", Status: "assessed", ProbabilityPerPull: 0.0021,
			Interval90: result.Span{0.0002, 0.012}, Basis: "predicted", Cars: 12, Pulls: 148, Parent: none,
			Change90: noSpan, Reasons: result.Reasons{assess.ComputedLevel{OtherCars: 9}}},
		{Hazard: "boost_control", Severity: "moderate", Status: "not_assessed",
			Reasons:            result.Reasons{assess.OutOfRange{Metric: "boost_overshoot"}},
			ProbabilityPerPull: none, Interval90: noSpan, Parent: none, Change90: noSpan},
		{Hazard: "driveline", Severity: "major", Status: "not_assessed",
			Reasons:            result.Reasons{assess.NoLimit{File: "platforms/kestrel-20t.yaml"}},
			ProbabilityPerPull: none, Interval90: noSpan, Parent: none, Change90: noSpan},
	}
}

func fixtureOwnLogs() []assess.OwnLog {
	return []assess.OwnLog{
		{Hazard: "knock", Metric: "knock_margin", Unit: "deg", Pulls: 12, Expected: 1.1, Measured: 0.8, Cells: 96,
			Outside: 1, PullsCrossed: 1, Crossing99: result.Span{0.0004, 0.4577}, Logs: []assess.OwnLogPart{
				{Vehicle: "car-017", Run: "runs/car-017/rev-0142-c/pull-1.csv", Pulls: 12, Expected: 1.1,
					Measured: 0.8, Outside: 1, PullsCrossed: 1}}},
		{Hazard: "charge_temperature", Metric: "charge_temperature", Unit: "°C", Pulls: 12, Expected: 61.5,
			Measured: 74.1, Cells: 96, Outside: 10, PullsCrossed: 9, Crossing99: result.Span{0.343, 0.965},
			Surprise: true, Logs: []assess.OwnLogPart{
				{Vehicle: "car-017", Run: "runs/car-017/rev-0142-c/pull-1.csv", Pulls: 7, Expected: 61.2,
					Measured: 75.3, Outside: 7, PullsCrossed: 6},
				{Vehicle: "car-018", Run: "runs/car-018/rev-0142-c/pull-2.csv", Pulls: 5, Expected: 61.9,
					Measured: 72.4, Outside: 3, PullsCrossed: 3}}},
		{Hazard: "lean", Metric: "lambda", Unit: "lambda", Pulls: 1, Expected: none, Measured: 0.841, Cells: 8,
			Outside: 0, PullsCrossed: 0, Crossing99: noSpan, Logs: []assess.OwnLogPart{
				{Vehicle: "car-017", Run: "runs/car-017/rev-0142-c/pull-1.csv", Pulls: 1, Expected: none,
					Measured: 0.841}}},
	}
}

// fixtureNotes are cautions of every kind that a review can carry.
func fixtureNotes() result.Reasons {
	return result.Reasons{
		assess.BeforeHardware{Pulls: 19, Date: "2026-01-15"}, assess.OtherCalibrations{Wanted: 8, Parent: "rev-0142-a"},
		assess.CarOnOtherFuel{Car: "car-017", Fuel: "blend-e30", Revision: "pump-91"},
		assess.DatedBeforeParent{Date: "2024-03-01", Parent: "rev-0142-a", ParentDate: "2026-01-12"},
		assess.HardwareUndated{Car: "car-017", Hardware: "turbo-large"},
		assess.LowerSeverity{Hazard: "lean", Severity: "minor", Usual: "catastrophic"},
		assess.LaxThreshold{Severity: "major", Allowed: 0.5, Usual: 0.1},
		assess.LaxThreshold{Severity: "catastrophic", Stress: true, Allowed: 0.3, Usual: 0.1},
		assess.Withdrawn{Revision: "rev-0101-a"}, assess.Withdrawn{Revision: "rev-0142-b", Own: true},
		assess.LoggedBeforeRevision{Revision: "rev-0142-a", Date: "2026-01-12", First: "2025-11-03", Pulls: 4},
		assess.BoundUnsettled{Hazard: "knock", High: 0.101, Error: 0.0012, Threshold: 0.1, Draws: 4096},
		assess.OtherCars{Pulls: 1}, assess.PullsLeftOut{Revision: "rev-0139-a", Fault: "revision rev-0139-a: " +
			"there is no base calibration behind it: name one as parent"},
		assess.SuspectSensor{Steady: 0.031, Full: 0.034},
		assess.TableDoubt{Kind: calmap.NoteUnit, File: "tables/boost.csv", Role: "boost", Value: 74, Unit: "kPa",
			Range: result.Span{20, 400}, LooksLike: "gauge pressure", Count: 52, Of: 52, Compared: assess.WithParent,
			Was: 175, Axes: []channel.ID{}, Ends: result.UnknownSpan(), Driven: result.UnknownSpan(),
			At: []footprint.AxisValue{}},
		assess.TableDoubt{Kind: calmap.NoteRange, File: "tables/boost.csv", Role: "boost", Value: 460, Unit: "kPa",
			At: fixtureFootprint().Spikes[0].At, Range: result.Span{20, 400}, Count: 3, Of: 52, Was: none,
			Axes: []channel.ID{}, Ends: result.UnknownSpan(), Driven: result.UnknownSpan()},
		assess.TableDoubt{Kind: assess.DoubtAxis, File: "tables/spark.csv", Role: "spark", Value: none, Unit: "rpm",
			At: []footprint.AxisValue{}, Range: result.UnknownSpan(), LooksLike: "revolutions a second", Count: 88,
			Of: 88, Compared: assess.WithLogs, Was: none, Axes: []channel.ID{channel.EngineSpeed},
			Ends: result.Span{13, 117}, Driven: result.Span{2100, 6700}},
		assess.TableDoubt{Kind: assess.DoubtExchanged, File: "tables/lambda.csv", Role: "lambda", Value: none,
			At: []footprint.AxisValue{}, Range: result.UnknownSpan(), Compared: assess.WithParent, Was: none,
			Axes: []channel.ID{channel.AbsoluteLoad, channel.ManifoldPressure}, Ends: result.UnknownSpan(),
			Driven: result.UnknownSpan()},
		assess.NewSpike{Spike: fixtureFootprint().Spikes[0]},
		assess.NoCycle{Lack: result.Lack{Missing: []result.Missing{}, Fault: "cycle: anchor lambda 1.5 is out of " +
			"range: 0.65 to 1.4"}},
		assess.BurnTaken{Given: true, Known: "handbook", Lag: 7.9, LagSD: 1.9, Duration: 47.6, DurationSD: 5.1,
			Cars: 6},
		assess.BurnTaken{Given: true, Lag: 7.9, LagSD: 2.5, Duration: 47.6, DurationSD: 6.9},
		assess.BurnTaken{Lag: 7, LagSD: 3, Duration: 45, DurationSD: 9},
		assess.Guessed{Section: "fuel_system"},
		assess.FitWarning{Metric: metric.KnockMargin, Note: "one car: the spread between cars is the prior's"},
		assess.FitWarning{Metric: metric.ChargeTemperature, Note: "a single day cannot tell the variance between " +
			"days: taken equal to pull plus residual variance"},
	}
}

// fixtureSensors are what is said of sensors that may not show what was there, and of knock on physics alone.
func fixtureSensors() result.Reasons {
	clean := assess.CleanPastPhysics{Cars: 1, Pulls: 9, Beyond: 44, Chance: 1e-12}
	return result.Reasons{
		assess.SuspectSensor{Steady: -0.05, Full: -0.048, Leaner: 0.05},
		assess.ChargeStoodStill{Runs: []string{"runs/car-017/rev-0142-a/pull-1.csv",
			"runs/car-017/rev-0142-a/pull-2.csv"}, Pulls: 6, At: 25},
		assess.StandsApart{Suspect: fixtureApart()[0], Hazards: []hazard.ID{hazard.LowSpeedLoad}},
		assess.StandsApart{Suspect: fixtureApart()[1], Hazards: []hazard.ID{hazard.Knock, hazard.CylinderPressure}},
		assess.KnockNotHeard{Runs: []string{"runs/car-017/rev-0142-a/pull-1.csv", "runs/car-017/rev-0142-a/pull-2.csv"},
			Pulls: 31, Steady: 12, Retard: 0, Chance: 0.0004},
		assess.MayNotHear{Pulls: 12, Steady: 24, Silent: 0.21, Chance: 0.12, High: 0.34, Threshold: 0.1},
		assess.MayNotHear{Pulls: 12, Steady: 24, Silent: 0.21, Chance: 0.31, High: result.Unknown(),
			Under: &assess.Stress{Kind: "hot_charge", Size: 19, From: "fleet"}, Threshold: 0.2},
		assess.MayNotHear{Pulls: 12, Steady: 24, Silent: 0.21, Chance: 0.004, High: 0.02, Threshold: result.Unknown()},
		assess.RecordAgainst{Hazard: "knock", Severity: "major", Crossed: 5, Of: 23, Low: 0.091, Parent: 0.037,
			High: 0.084},
		assess.MovesAgainst{Hazard: "exhaust_temperature", Metric: "exhaust_temperature", Through: "spark",
			Shown: 0.07, ShownSD: 0.05, Expected: 0.7, Cars: 19, Revisions: 62},
		assess.LimitMovesAgainst{Covariate: "lambda", Unit: "lambda", Shown: 37.6, ShownSD: 7.2, Expected: -20,
			Cars: 24, Pulls: 431},
		assess.LogsOffTable{Revision: "rev-0142-a", Role: "spark", By: 6.2, Unit: "deg", Pulls: 6},
		assess.ChargeBelowAmbient{By: 11.5, Pulls: 6},
		assess.ClimateUnused{Pulls: 4, Of: 6},
		assess.HigherThanLogged{Climate: 62, Logged: 93.2},
		assess.NoAccount{Role: "other", Name: "launch spark", Obstacle: footprint.Obstacle{Kind: footprint.OtherAxes}},
		clean,
		assess.NoKnockEvent{Cars: 3, Pulls: 24},
		assess.NotProven{Hazard: "knock", Severity: "major", Chance: 0.98, Interval90: result.Span{0.6, 1},
			Threshold: 0.1, Why: result.Reasons{clean}},
		assess.NotProven{Hazard: "cylinder_pressure", Severity: "catastrophic", Chance: 0.02,
			Interval90: result.Span{0, 0.31}, Threshold: 0.05, Why: result.Reasons{assess.ComputedLevel{}}, Run: true},
	}
}

func fixtureFootprint() footprint.Footprint {
	at := func(rpm, load result.Number) []footprint.AxisValue {
		return []footprint.AxisValue{{Channel: "engine_speed", Value: rpm, Unit: "rpm"}, {Channel: "absolute_load",
			Value: load, Unit: "%"}}
	}
	coolant := []footprint.AxisValue{{Channel: "coolant_temperature", Value: 90, Unit: "°C"}}
	return footprint.Footprint{
		CellsChanged: 61, CellsChangedVisited: 38, StatesPastLastBreakpoint: 12,
		Gaps: []state.Gap{
			{Kind: state.TableChanged, Role: "other", Name: "fan_duty"},
			{Kind: state.AxisNotLogged, Role: "intake_cam", Axis: "coolant_temperature"},
		},
		CellsChangedUnvisited: 23, CellsVisitedUnchanged: 14,
		Unvisited: []footprint.ChangedArea{
			{RPM: result.Span{4000, 7000}, LoadPct: result.Span{180, 220}, Cells: 12,
				Changes: []footprint.RoleChange{{Role: "spark", Change: 2, Unit: "deg"}, {Role: "boost", Change: 8,
					Unit: "kPa"}}},
			{RPM: result.Span{5000, 6500}, LoadPct: result.Span{120, 180}, Cells: 9,
				Changes: []footprint.RoleChange{{Role: "lambda", Change: -0.02, Unit: "lambda"}}},
			{RPM: result.Span{2000, 2500}, LoadPct: result.Span{140, 180}, Cells: 2,
				Changes: []footprint.RoleChange{{Role: "intake_cam", Change: none, Unit: "deg"}}},
		},
		Tables: []footprint.TableChange{
			{Role: "spark", File: "tables/spark.csv", Breakpoints: 130, BreakpointsChanged: 24, LargestChange: 2,
				Unit: "deg", At: at(3500, 162.5)},
			{Role: "lambda", File: "tables/lambda.csv", Breakpoints: 49, BreakpointsChanged: 0, LargestChange: none,
				Unit: "lambda", At: []footprint.AxisValue{}},
			{Role: "intake_cam", File: "tables/cam.csv", Breakpoints: none, BreakpointsChanged: none,
				LargestChange: none, Unit: "deg", At: []footprint.AxisValue{},
				Obstacle: footprint.Obstacle{Kind: footprint.NoParentTable}},
			{Role: "other", Name: "fan_duty", File: "tables/fan.csv", Breakpoints: 6, BreakpointsChanged: 1,
				LargestChange: 15, Unit: "%", At: coolant},
		},
		Spikes: []footprint.Spike{
			{Role: "spark", File: "tables/spark.csv", At: at(3500, 162.5), Unit: "deg", Value: 19.5,
				Neighbours: result.Span{12, 15.5}, Stands: 5.2, ParentStands: 0.4, New: true, VisitedCells: 4},
			{Role: "boost", File: "tables/boost.csv", At: at(6000, 100)[:1], Unit: "kPa", Value: 188,
				Neighbours: result.Span{214, 214}, Stands: -26, ParentStands: -26, VisitedCells: 0},
			{Role: "other", Name: "fan_duty", File: "tables/fan.csv", At: coolant, Unit: "%", Value: 75,
				Neighbours: result.Span{40, 45}, Stands: 32, ParentStands: none, New: true, VisitedCells: none},
		},
	}
}

func fixtureCurves() []assess.Curve {
	nan := math.NaN()
	return []assess.Curve{
		{Hazard: "knock", Metric: "knock_margin", Unit: "deg", Points: []assess.CurvePoint{
			{RPM: 2250, Margin: 4.1, Low: 1.6, High: 6.6, Parent: 5.0, Envelope: 3.9, Cars: 14},
			{RPM: 2750, Margin: 2.4, Low: 0, High: 4.7, Parent: 3.8, Envelope: 3.1, Cars: 14},
			{RPM: 3250, Margin: 1.2, Low: -1.1, High: 3.4, Parent: 2.9, Envelope: 2.6, Cars: 14},
			{RPM: 3750, Margin: 1.9, Low: -0.4, High: 4.2, Parent: 3.1, Envelope: 2.8, Cars: 13},
			{RPM: 4250, Margin: 2.8, Low: 0.5, High: 5.1, Parent: 3.5, Envelope: 3, Cars: 12},
			{RPM: 4750, Margin: 3.4, Low: 1, High: 5.8, Parent: 3.9, Envelope: none, Cars: 9},
			{RPM: 5250, Margin: 3.9, Low: 1.3, High: 6.4, Parent: 4.2, Envelope: none, Cars: 7,
				Standing: assess.Outside},
			{RPM: 5750, Margin: 4.2, Low: 1.2, High: 7.2, Parent: 4.4, Envelope: none, Cars: 4,
				Standing: assess.FarOutside},
		}},
		{Hazard: "charge_temperature", Metric: "charge_temperature", Unit: "°C", Points: []assess.CurvePoint{
			{RPM: 2250, Margin: 24, Low: 19, High: 30, Parent: 27, Envelope: 17, Cars: 12},
			{RPM: 3250, Margin: 15, Low: 9, High: 21, Parent: 19, Envelope: 10, Cars: 12},
			{RPM: 4250, Margin: nan, Low: nan, High: nan, Parent: 11, Envelope: 3, Cars: 0},
			{RPM: 5250, Margin: -2, Low: -9, High: 5, Parent: 6, Envelope: 0, Cars: 12},
			{RPM: 5750, Margin: -8, Low: -14.9, High: -1.4, Parent: 2, Envelope: -4, Cars: 12},
		}},
		{Hazard: "cylinder_pressure", Metric: "peak_pressure", Unit: "kPa", Points: []assess.CurvePoint{
			{RPM: 2250, Margin: 1900, Low: 700, High: 3100, Parent: 2400, Envelope: 1400, Cars: 12},
			{RPM: 2750, Margin: 1760, Low: 610, High: 2890, Parent: 2310, Envelope: 1400, Cars: 12},
			{RPM: 4250, Margin: 2100, Low: 900, High: 3300, Parent: 2500, Envelope: 1700, Cars: 12},
			{RPM: 5750, Margin: 2900, Low: 1500, High: 4300, Parent: 3100, Envelope: 2300, Cars: 11},
		}},
		{Hazard: "fuel_delivery", Metric: "injector_duty", Unit: "%", Points: []assess.CurvePoint{
			{RPM: 5250, Margin: nan, Low: nan, High: nan, Parent: nan, Envelope: none, Cars: 0},
			{RPM: 5750, Margin: 11.5, Low: 6.2, High: 16.8, Parent: 14, Envelope: 9, Cars: 11},
		}},
		{Hazard: "rail_pressure", Metric: "rail_shortfall", Unit: "kPa",
			Points: []assess.CurvePoint{{RPM: 3000, Margin: nan, Low: nan, High: nan, Parent: nan, Envelope: none,
				Cars: 2}}},
	}
}

// awkwardReview is fixtureReview with long and hostile identifiers everywhere an identifier can stand.
func awkwardReview() *assess.Review {
	r := fixtureReview()
	r.Revision, r.Parent, r.Vehicle, r.Author = longID, hostileID, longID, hostileID
	r.Platform, r.Fuel = "kestrel|20t*_`x`", "\x1b[31mred\x1b[0m\u202egnirts"
	r.Reasons = append(r.Reasons, assess.MeasuredCrossing{Hazard: longID, Pulls: 1, Of: 1, Cars: []string{hostileID},
		Runs: []string{"runs/" + hostileID + "/" + longID + ".csv"}})
	r.Findings[0].Metric, r.Findings[0].LimitSource = hostileID, hostileID+" "+longID+longID
	r.Findings[1].Unit, r.Findings[1].Hazard, r.Findings[2].Metric = hostileID, longID, longID
	r.Hazards[3].Reasons = result.Reasons{assess.NoLimit{File: longID}}
	r.Curves[0].Unit, r.Curves[1].Hazard = hostileID, hostileID
	r.Footprint.Gaps = []state.Gap{{Kind: state.OneSided, Role: hostileID, Name: longID, Revision: longID,
		Other: hostileID}}
	r.Footprint.Tables[0].Unit, r.Footprint.Tables[3].Name = hostileID, longID
	r.Footprint.Tables[2].Obstacle = footprint.Obstacle{Kind: footprint.Unresolved, Fault: hostileID}
	r.Footprint.Spikes[0].Role, r.Footprint.Spikes[2].At[0].Channel,
		r.Footprint.Unvisited[0].Changes[0].Role = hostileID, longID, longID
	r.NextPulls[0].Channels = []string{longID, hostileID}
	r.Notes = result.Reasons{assess.PullsLeftOut{Revision: hostileID, Fault: longID + hostileID}}
	r.OwnLogs[0].Metric, r.OwnLogs[1].Metric, r.OwnLogs[2].Unit = longID, hostileID+longID, hostileID
	r.OwnLogs[1].Logs[0].Run, r.OwnLogs[1].Logs[1].Vehicle = hostileID+longID, hostileID
	r.Gains[1].SpentHazard, r.Gains[2].SpentUnit = longID, hostileID
	r.WorkspaceDigest = hostileID
	return r
}

func fixtureAudit() *assess.Audit {
	at := cellAt(3000, 160)
	s := stamp
	s.Schema = "headroom/audit/1"
	return &assess.Audit{
		Stamp: s, By: "author",
		Rows: []assess.AuditRow{
			{Rank: 1, Revision: "rev-0142-c", Platform: "kestrel-20t", Vehicle: "car-017", Author: "t2",
				Fuel: "pump-91", Status: "proposed", Verdict: "hold", TopHazard: "knock", Cell: &at,
				ProbabilityPerPull: 0.19, Interval90: result.Span{0.09, 0.33}, OwnPulls: 0, CellsChanged: 61,
				CellsChangedVisited: 12, Reasons: result.Reasons{tooLikely()}},
			{Rank: 2, Revision: longID, Platform: "kestrel-20t", Vehicle: "fleet", Author: "t1", Fuel: "blend-30",
				Status: "released", Verdict: "undecided", TopHazard: "exhaust_temperature", ProbabilityPerPull: none,
				Interval90: noSpan, OwnPulls: 0, ReleasedWithoutLog: true,
				Reasons: result.Reasons{exhaustNotJudged()}},
			{
				Rank:                3,
				Revision:            "rev-0090-a",
				Platform:            "heron-15t",
				Vehicle:             "car-004",
				Author:              "t2",
				Fuel:                "pump-95",
				Status:              "released",
				Verdict:             "conditions",
				TopHazard:           "charge_temperature",
				Cell:                &at,
				ProbabilityPerPull:  0.0007,
				Interval90:          result.Span{0, 0.004},
				OwnPulls:            31,
				LogsBeforeHardware:  19,
				CellsChanged:        8,
				CellsChangedVisited: 1,
				Reasons:             result.Reasons{outsideEnvelope()},
			},
			{
				Rank:                4,
				Revision:            "rev-0088-a",
				Platform:            "heron-15t",
				Vehicle:             "car-004",
				Author:              "t3",
				Fuel:                "pump-95",
				Status:              "released",
				Verdict:             "release",
				TopHazard:           "knock",
				Cell:                &at,
				ProbabilityPerPull:  1e-6,
				Interval90:          result.Span{0, 0.0004},
				OwnPulls:            64,
				CellsChanged:        1,
				CellsChangedVisited: 1,
				Reasons:             result.Reasons{assess.NothingAgainst{}},
			},
		},
		Groups: []assess.AuditGroup{
			{Group: "t1", Revisions: 1, Undecided: 1, ReleasedWithoutLog: 1,
				Reasons: result.Reasons{assess.SmallGroup{Revisions: 1}}},
			{Group: "t2", Revisions: 2, Hold: 1, Conditions: 1}, {Group: "t3", Revisions: 1, Release: 1},
		},
		Failed: []assess.AuditError{{Revision: "rev-0003-x", Error: "revisions/rev-0003-x/tables/spark.csv, row 3, " +
			"column 5: not a number; write a number or leave the row out"}},
	}
}

func fixtureAcross() *assess.Across {
	s := stamp
	s.Schema = "headroom/across/1"
	return &assess.Across{
		Stamp: s, Revision: "rev-0142-c", Parent: "rev-0142-b", Platform: "kestrel-20t", Fuel: "pump-91",
		Hazards: []assess.AcrossHazard{
			{Hazard: "knock", Severity: "major", Threshold: 0.05, Assessed: 14, Expected: 6.37,
				Interval90: result.Span{
					2,
					11,
				}, Likely: []string{"car-002", "car-003", "car-005", "car-009", "car-011",
					"car-014", longID, hostileID}},
			{Hazard: "lean", Severity: "major", Threshold: 0.05, Assessed: 14, Expected: 0, Interval90: result.Span{0,
				0}, Likely: []string{}},
			{Hazard: "cylinder_pressure", Severity: "catastrophic", Threshold: 0.01, Assessed: 1, Expected: 0.52,
				Interval90: result.Span{0, 1}, Likely: []string{"car-017"}},
			{Hazard: "exhaust_temperature", Severity: "major", Threshold: 0.05, Assessed: 0, Expected: none,
				Interval90: noSpan, Likely: []string{}},
		},
		Cars: []assess.AcrossCar{
			{Vehicle: "car-003", Verdict: "hold", TopHazard: "knock", ProbabilityPerPull: 0.61,
				Interval90: result.Span{0.4, 0.8}, CarPulls: 31,
				Reasons: result.Reasons{assess.TooLikely{Hazard: "knock", Severity: "major", Chance: 0.61,
					Interval90: result.Span{0.4, 0.8}, Threshold: 0.05}}},
			{Vehicle: longID, Verdict: "undecided", TopHazard: "exhaust_temperature", ProbabilityPerPull: none,
				Interval90: noSpan, CarPulls: 0,
				Reasons: result.Reasons{exhaustNotJudged()}},
			{Vehicle: "car-017", Verdict: "conditions", TopHazard: "charge_temperature", ProbabilityPerPull: 0.0007,
				Interval90: result.Span{0, 0.004}, CarPulls: 12,
				Reasons: result.Reasons{assess.NeverLoggedHere{Hazard: "cylinder_pressure",
					Lack: noExhaust().(assess.Lacking).Lack}}},
			{Vehicle: "car-020", Verdict: "release", TopHazard: "", ProbabilityPerPull: none, Interval90: noSpan,
				CarPulls: 64},
		},
		Failed: []assess.AcrossError{{Vehicle: hostileID, Error: "vehicles.csv, line 9: the fuel is not in " +
			"headroom.yaml; add it under fuels"}},
	}
}

func fixtureAgainst() *assess.Against {
	s := stamp
	s.Schema = "headroom/against/1"
	hazards := fixtureReview().Hazards
	side := func(i int, p, low, high float64) assess.Hazard {
		h := hazards[i]
		h.ProbabilityPerPull, h.Interval90 = result.Number(p), result.Span{result.Number(low), result.Number(high)}
		return h
	}
	thinner := side(2, 0.05, 0.001, 0.4)
	thinner.Status, thinner.Reasons = result.Thin, result.Reasons{assess.ThinEvidence{Cars: 4, Pulls: 20,
		CarsWanted: 5, PullsWanted: 30}}
	unread, untold := hazards[7], hazards[7]
	unread.Reasons = result.Reasons{assess.LimitUnread{File: "platforms/kestrel-20t.yaml"},
		assess.UnknownMetric{Metric: "turbine_speed"}}
	untold.Reasons = result.Reasons{assess.NothingToRun{Fault: "revision rev-0142-b: platform kestrel-20t has no " +
		"logged pull: put logs under runs/<vehicle>/<revision>/ and run headroom ingest"}}
	return &assess.Against{
		Stamp: s,
		Left: assess.AgainstSide{Revision: "rev-0142-b", Vehicle: "car-017", Verdict: "conditions",
			Reasons: append(fileDoubts(), result.Reasons{
				otherFuel(),
				otherPart(),
				outsideEnvelope(),
				assess.EnvelopeUnknown{Hazard: "lean",
					Cells: []result.Cell{cellAt(6000, 160)}},
				assess.NeverLoggedHere{Hazard: "cylinder_pressure",
					Lack: noExhaust().(assess.Lacking).Lack},
				assess.CrossesUnder{
					Hazard: "charge_temperature",
					Stress: assess.Stress{Kind: state.ThinAir, Size: 85, From: state.SizeUsual},
					Margin: -17,
					Unit:   "°C",
				},
				assess.LikelyUnder{
					Hazard:   "knock",
					Severity: "major",
					Stress: assess.Stress{Kind: state.HotCharge, Size: 10.6,
						From: state.SizeOfFleet},
					Chance:    0.34,
					Parent:    0.12,
					Threshold: 0.2,
				},
				assess.DangerousIfVisited{
					Worst:     placeUnvisited(),
					Cells:     []result.Cell{cellAt(6500, 200)},
					Threshold: 0.1,
				},
				assess.NotPlaced{Values: 2},
				assess.FarFromLogged{Cells: []result.Cell{cellAt(3500, 160)},
					Furthest: farState(), Cars: 14},
				assess.Unmodelled{Gap: state.Gap{Kind: state.CamMoved, Role: "intake_cam"}},
				assess.Unmodelled{Gap: state.Gap{Kind: state.TableAdded, Role: "other", Name: "fan_duty"}},
			}...)},
		Right: assess.AgainstSide{Revision: longID, Vehicle: "fleet", Verdict: "hold",
			Reasons: result.Reasons{tooLikely(), assess.NotJudged{Hazard: "fuel_delivery", Severity: "major",
				Status: result.Thin, Why: thinner.Reasons}, assess.Unmodelled{Gap: state.Gap{Kind: state.OneSided,
				Role: "spark", Revision: longID, Other: hostileID}}}},
		Hazards: []assess.AgainstHazard{
			{Hazard: "knock", Severity: "major", Left: side(0, 0.03, 0.01, 0.08), Right: hazards[0], Change: 0.16,
				Worse: 0.97},
			{Hazard: "lean", Severity: "major", Left: hazards[1], Right: hazards[1], Change: 0, Worse: 0},
			{
				Hazard:   "fuel_delivery",
				Severity: "major",
				Left:     hazards[2],
				Right:    thinner,
				Change:   0.019,
				Worse:    none,
			},
			{Hazard: "rail_pressure", Severity: "major", Left: hazards[3], Right: hazards[3], Change: none,
				Worse: none},
			{Hazard: "charge_temperature", Severity: "moderate", Left: hazards[4], Right: side(4, 0.9, 0.8, 0.95),
				Change: -0.099, Worse: 0.11},
			{Hazard: "exhaust_temperature", Severity: "major", Left: unread, Right: untold,
				Change: none, Worse: none},
			{Hazard: "cylinder_pressure", Severity: "catastrophic", Left: hazards[8], Right: side(8, 0.0042, 0.0005,
				0.031), Change: 0.0002, Worse: 0.55},
		},
		Gains: []assess.AgainstGain{{RPM: 2250, Left: 352, Right: 357.2}, {RPM: 3250, Left: 438, Right: 412},
			{RPM: 6750, Left: none, Right: 300}},
		Notes: result.Reasons{assess.DifferentCars{Left: "car-017", Right: "fleet"}},
	}
}

func fixtureEnvelopes() *assess.Envelopes {
	s := stamp
	s.Schema = "headroom/envelope/1"
	var cells []fleet.Envelope
	for i, rpm := range []float64{2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000} {
		for j, load := range []float64{120, 140, 160, 180} {
			if (i == 0 && j == 3) || (i > 6 && j == 0) {
				continue
			}
			c := fleet.Envelope{
				Kind: "pull", FuelClass: "pump", Cell: cellAt(rpm, load), Metric: "charge_temperature", Unit: "°C",
				Side: "upper", Status: "assessed",
				Limit: result.Number(50 + 3*i + 3*j), Mean: result.Number(40 + 3*i + 2*j), BetweenSD: 4.2,
				WithinSD: 2.1, Cars: 14 - i, Pulls: 160 - 9*i,
				Method: "most extreme value seen", ExtremeSeen: result.Number(50 + 3*i + 3*j),
				ToleranceLimit: result.Number(52 + 3*i + 4*j), ToleranceMethod: "random effects, REML",
				PredictionLimit: none, PredictionCarsNeeded: 5 + i,
			}
			if i == 8 {
				c.Status, c.Limit, c.BetweenSD, c.WithinSD, c.CarsNeeded, c.Cars, c.Method = "not_enough_cars", none,
					none, none, 3, 2, ""
				c.ToleranceLimit, c.ToleranceMethod, c.PredictionCarsNeeded = none, "", 17
			}
			cells = append(cells, c)
		}
	}
	cells = append(cells, fleet.Envelope{Kind: "steady", FuelClass: "blend", Cell: cellAt(2000, 40),
		Metric: "lambda", Unit: "lambda", Side: "upper", Status: "assessed", Limit: 1.017, Mean: 0.998,
		BetweenSD: 0.006, WithinSD: 0.009, Cars: 59, Pulls: 301, Method: "distribution-free prediction limit",
		ExtremeSeen: 1.021, ToleranceLimit: 1.019, ToleranceMethod: "random effects, REML", PredictionLimit: 1.017})
	return &assess.Envelopes{
		Stamp: s,
		Platforms: []assess.PlatformEnvelope{
			{Platform: "kestrel-20t", Cars: 14, Pulls: 160, Cells: cells, Knock: assess.KnockSummary{
				Status: "assessed", Rows: 1890, Events: 131, Cars: 14, Pulls: 160, Steady: 240, CarSD: 1.31,
				PullSD: 0.82,
				CellSD: 0.57, Converged: true,
				Warnings: []string{"2 % of events look like false knock"},
				Slopes: []assess.KnockSlope{
					{Covariate: "ln air charge", Unit: "ln", Physics: -17.2, Fitted: -15.9, SD: 2.4},
					{Covariate: "charge temperature", Unit: "K", Physics: -0.121, Fitted: -0.134, SD: 0.02},
				},
				Limit: []assess.KnockPoint{
					{RPM: 2500, LoadPct: 160, SparkDeg: 9.4, Interval90: result.Span{6.8, 12}, Rows: 180, Events: 19},
					{RPM: 4500, LoadPct: 160, SparkDeg: none, Interval90: noSpan},
				},
			}, FileChecks: fixtureChecks()},
			{Platform: "heron-15t", Cars: 1, Pulls: 3, Knock: assess.KnockSummary{Status: "not_assessed",
				Reasons: result.Reasons{lackingKey("knock_margin", metric.KnockControl)}, CarSD: none, PullSD: none,
				CellSD: none}},
			{Platform: "egret-18t", Knock: assess.KnockSummary{Status: "not_assessed",
				Reasons: result.Reasons{assess.Lacking{Metric: "knock_margin", Lack: result.Lack{
					Missing: []result.Missing{{Together: true, Channels: []channel.ID{"knock_retard", "spark_advance",
						"absolute_load", "charge_temperature", "lambda"}}}}}}, CarSD: none, PullSD: none, CellSD: none},
				Cells: []fleet.Envelope{{Kind: "steady", FuelClass: "pump", Cell: cellAt(2000, 40),
					Metric: "lambda", Unit: "lambda", Side: "upper", Status: "not_enough_cars", Limit: none,
					Mean: 1.001, BetweenSD: none, WithinSD: none, Cars: 2, Pulls: 9, CarsNeeded: 1,
					ExtremeSeen: 1.012, ToleranceLimit: none, PredictionLimit: none, PredictionCarsNeeded: 17}}},
		},
	}
}

func fixtureInspections() []ingest.Inspection {
	nan := math.NaN()
	return []ingest.Inspection{
		{
			Path: "runs/car-017/rev-0142-b/pull-3.csv", Part: 1, Parts: 2, Platform: "kestrel-20t", Vehicle: "car-017",
			LoadSource: "mass_air_flow", Rows: 14,
			Run: &runlog.Run{
				Rows: 1200, SampleInterval: 0.1,
				Dialect: source.Dialect{Encoding: "UTF-16LE", Compression: "gzip", Delimiter: "\t", Decimal: ",",
					HeaderLine: 3, UnitsLine: 4, FirstData: 5, Reason: "tabs give 12 columns in every line"},
				TimeBase: timebase.Base{Column: "Time", Unit: "s", Rate: 10, Reason: "strictly increasing"},
				Columns: []runlog.Column{
					{Index: 0, Header: "Time", Unit: "s", Reason: "the time base", Confidence: 1},
					{Index: 1, Header: "Engine speed (rpm)", Channel: "engine_speed", Unit: "rpm",
						Reason: "the header says so", Confidence: 0.98, RunnerUp: "vehicle_speed"},
					{Index: 2, Header: hostileID + longID, Reason: "no channel fits this header", Confidence: nan},
				},
				Findings: []runlog.Finding{{Channel: "lambda", Kind: "stuck", From: 12, To: 19.4, Samples: 74,
					Detail: "lambda stands at 1.000 for 7.4 s", Removed: true}},
			},
			Segments: []ingest.SegmentSummary{
				{Kind: "pull", From: 31.2, To: 38, RPMFrom: 2410, RPMTo: 6480, Gear: 4, Cells: 9,
					Reason: "pedal above 90 % while speed rises by 4070 rpm"},
				{Kind: "steady", From: 50, To: 62, RPMFrom: 2200, RPMTo: nan, Gear: nan, Cells: 5,
					Reason: "speed within 100 rpm for 12 s"},
			},
			Findings: []runlog.Finding{
				{Kind: "cold", From: nan, To: nan, Samples: 0, Detail: "coolant is not logged"},
			},
			Lags: []evidence.LagEstimate{
				{Channel: "lambda", Against: "lambda_commanded", Lag: runlog.Lag{Seconds: 0.31, Uncertainty: 0.04,
					Correlation: 0.83, Samples: 240}},
				{Channel: "rail_pressure", Against: "rail_pressure_target", Why: "too few changes"},
			},
		},
		{Path: "notes.txt", Error: "notes.txt: line 1: no column looks like a time: name one in channels.yaml"},
	}
}

// fixtureApart are logs that read apart from other cars', of each form and cause.
func fixtureApart() []landmark.Suspect {
	log := []string{"runs/car-009/rev-0001-a/pull.csv"}
	return []landmark.Suspect{
		{Landmark: landmark.FlowPerPressure, Channel: channel.MassAirFlow,
			Against: channel.ManifoldPressure, Form: landmark.Factor, Vehicle: "car-009",
			Logs: log, Of: 2, Column: "Air", Reads: 0.132, Others: 1, Spread: 0.09, Cars: 12, Chance: 1.2e-7,
			Cause: landmark.Cause{Unit: unit.LbPerMinute, Was: unit.GramPerSecond}},
		{Landmark: landmark.KeyOn, Channel: channel.ManifoldPressure, Against: channel.BarometricPressure,
			Form: landmark.Difference, Vehicle: "car-010", Logs: log, Of: 1, Column: "MAP", Reads: 19.4, Others: 0.2,
			Spread: 1.3, Cars: 9, Chance: 2e-6},
		{Landmark: landmark.CommandedStands, Channel: channel.LambdaCommanded, Form: landmark.Factor,
			Vehicle: "car-011", Logs: log, Of: 1, Column: "AFR target", Reads: 0.9959, Others: 1, Spread: 0.0005,
			Cars:   7,
			Chance: 4e-5, Cause: landmark.Cause{Stoich: 14.64, From: 14.7}},
		{Landmark: landmark.WarmCoolant, Channel: channel.CoolantTemperature, Form: landmark.Plain, Vehicle: "car-012",
			Logs: log, Of: 1, Column: "ECT", Reads: 41, Others: 92, Spread: 3, Cars: 7, Chance: 1e-6},
		{Landmark: landmark.Surroundings, Channel: channel.BarometricPressure, Form: landmark.Difference,
			Vehicle: "car-013", Logs: log, Of: 1, Column: "Baro", Reads: -31, Others: -2, Spread: 3, Cars: 7,
			Chance: 3e-5},
	}
}

func fixtureSummary() *ingest.Summary {
	return &ingest.Summary{
		Read: 12, Skipped: 403, Removed: 1, Logs: 414, Rows: 5210, Pulls: 415, Steady: 122, Findings: 88,
		Failed: []ingest.Failure{{Path: "runs/car-003/rev-0001-a/bad.csv", Error: "bad.csv: line 17: " +
			"4 columns where the header has 12: mend or remove the line"}},
		Unused: []ingest.Unused{{Channel: channel.ManifoldPressure, Lack: "unit", Logs: 20,
			Example: "runs/car-005/rev-0001-a/pull.csv", Header: "Boost",
			Costs: []hazard.ID{hazard.BoostControl}}},
		AssumedAir: []string{"runs/car-006/rev-0001-a/pull.csv", "runs/car-007/rev-0001-a/pull.csv"},
		Suspects:   fixtureApart(),
		Empty:      []string{"runs/car-004/rev-0001-a/idle.csv"},
		ProblemsFromWorkspace: []fault.Fault{{File: "platforms/heron-15t.yaml", Line: 12, Where: "engine.bore_mm",
			What: "is 8.6", Remedy: "a bore in millimetres, 50 to 150"}},
	}
}

func fixtureFaults() []store.Mismatch {
	return []store.Mismatch{
		{Kind: "part_changed", Path: "evidence/platform=kestrel-20t/part-1.parquet",
			Detail: "the part is not what was written: run ingest"},
		{Kind: "source_missing", Path: longID, Detail: "the log is gone: run ingest"},
	}
}

// fixtureChecks are checks of the platform file of every outcome.
func fixtureChecks() []fleet.FileCheck {
	return []fleet.FileCheck{
		{Key: "engine.bore_mm, stroke_mm, cylinders", Unit: "L", Says: 1.993, Shown: 1.987,
			Interval: result.Span{1.839, 2.161}, Cars: 6, Pulls: 217, Status: fleet.Agrees, Usual: noSpan,
			Channels: []channel.ID{channel.MassAirFlow, channel.AbsoluteLoad}},
		{Key: "burn", Says: 1, Shown: 1.014, Interval: result.Span{0.861, 1.193}, Cars: 3, Pulls: 41,
			Status: fleet.NotTold, Usual: noSpan, Channels: []channel.ID{channel.Torque}},
		{Key: "engine.compression_ratio", Says: 12.5, Shown: none, Interval: noSpan, Status: fleet.Unusual,
			Channels: []channel.ID{}, Usual: result.Span{7, 11.5}},
		{Key: metric.PumpCapacity, Unit: "g/s", Says: 260.1, Shown: 25.7, Interval: result.Span{18.9, 36.8}, Cars: 10,
			Pulls: 174, Status: fleet.Contradicts, Usual: result.Span{19.8, 99.1},
			Channels: []channel.ID{channel.RailPressure, channel.RailPressureTarget}},
		{Key: metric.PumpCapacity, Unit: "g/s", Says: 22, Shown: none, Interval: result.Span{25.7, none}, Cars: 9,
			Pulls: 143, Status: fleet.NotTold, Usual: result.Span{21, 105},
			Channels: []channel.ID{channel.RailPressure, channel.RailPressureTarget}},
	}
}

// fileDoubts are conditions that the platform file sets.
func fileDoubts() result.Reasons {
	var out result.Reasons
	for _, c := range fixtureChecks()[2:] {
		out = append(out, assess.FileDoubt{File: "platforms/kestrel-20t.yaml", Check: c})
	}
	return out
}
