package workspace

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/hazard"
)

// Each case spoils one thing in the good workspace. Every problem must say file, line, key or cell and the remedy,
// the spoilt item must be gone, and the rest must still be there.
func TestProblems(t *testing.T) {
	const (
		config   = "headroom.yaml"
		kestrel  = "platforms/kestrel-20t.yaml"
		base     = "revisions/base-1/revision.yaml"
		rev2     = "revisions/rev-2/revision.yaml"
		rev3     = "revisions/rev-3/revision.yaml"
		spark    = "revisions/base-1/tables/spark.csv"
		boost    = "revisions/base-1/tables/boost.csv"
		vehicles = "vehicles.csv"
		outcomes = "outcomes.csv"
		runs     = "runs.csv"
	)
	noPlatform := func(w *Workspace) bool {
		return w.Platforms["kestrel-20t"] == nil && w.Platforms["plover-14"] != nil && w.Vehicles["car-002"] != nil
	}
	noRevision := func(ids ...string) func(*Workspace) bool {
		return func(w *Workspace) bool {
			for _, id := range []string{"base-1", "rev-2", "rev-3"} {
				if (w.Revisions[id] == nil) != slices.Contains(ids, id) {
					return false
				}
			}
			return true
		}
	}
	noLimit := func(h hazard.ID) func(*Workspace) bool {
		return func(w *Workspace) bool {
			p := w.Platforms["kestrel-20t"]
			return p != nil && len(p.LimitsFor(h)) == 0 && slices.Contains(p.UnreadLimits, h) &&
				len(p.LimitsFor(hazard.BoostControl)) == 1
		}
	}
	all := func(w *Workspace) bool {
		return len(w.Platforms) == 2 && len(w.Vehicles) == 2 && len(w.Revisions) == 3
	}
	withRuns := func(n int) func(*Workspace) bool {
		return func(w *Workspace) bool { return all(w) && len(w.Runs) == n }
	}
	withOutcomes := func(n int) func(*Workspace) bool {
		return func(w *Workspace) bool { return all(w) && len(w.Outcomes) == n }
	}
	for _, c := range []struct {
		name, file, old, new string
		want                 string // one whole line of Problems
		gone                 func(*Workspace) bool
	}{
		// fuels
		{"what spoils a car's platform", kestrel, "compression_ratio: 9.6", "compression_ratio: 96",
			"vehicles.csv:2: platform: platform kestrel-20t is left out; mend platforms/kestrel-20t.yaml:9: " +
				"engine.compression_ratio",
			noPlatform},
		{"fuel without ron", config, "ron: 101, ", "", "headroom.yaml:7: fuels.blend-30.ron: missing; give the " +
			"research octane number of the finished fuel, e.g. 95",
			func(w *Workspace) bool { return len(w.Config.Fuels) == 1 && w.Vehicles["car-002"] == nil && all2(w) }},
		{"ethanol in percent", config, "ethanol_share: 0.3}", "ethanol_share: 30}",
			"headroom.yaml:7: fuels.blend-30.ethanol_share: 30 is outside the valid range; give the ethanol share by " +
				"volume of the finished fuel (10 % is 0.10), 0 to 1, e.g. 0.10", all2},
		{"octane numbers swapped", config, "ron: 101, mon: 89", "ron: 89, mon: 101",
			"headroom.yaml:7: fuels.blend-30.mon: MON 101 exceeds RON 89; check whether the two are swapped", all2},

		// platforms
		{"missing key", kestrel, "  bore_mm: 82.5\n", "", "platforms/kestrel-20t.yaml:4: engine.bore_mm: missing; " +
			"give the cylinder bore in millimetres, e.g. 82.5", noPlatform},
		{"null key", kestrel, "bore_mm: 82.5", "bore_mm:", "platforms/kestrel-20t.yaml:6: engine.bore_mm: missing; " +
			"give the cylinder bore in millimetres, e.g. 82.5", noPlatform},
		{"unknown key", kestrel, "bore_mm:", "bor_mm:", "platforms/kestrel-20t.yaml:6: engine.bor_mm: unknown key; " +
			"did you mean bore_mm?", noPlatform},
		{"known as nothing known", kestrel, "# Wiebe duration, a = 5, m = 2", "\n  known: surely",
			"platforms/kestrel-20t.yaml:22: burn.known: \"surely\" is not known; give one of: measured, handbook, " +
				"guess", noPlatform},
		{"octane known by hearsay", kestrel, "octane_index_k: -0.3", "octane_index_k: -0.3\n" +
			"octane_index_known: hearsay", "platforms/kestrel-20t.yaml:46: octane_index_known: \"hearsay\" is not " +
			"known; give one of: measured, handbook, guess", noPlatform},
		{"unlike any key", kestrel, "bore_mm:", "diameter:", "platforms/kestrel-20t.yaml:6: engine.diameter: unknown " +
			"key; remove it or correct its spelling", noPlatform},
		{"key twice", kestrel, "  bore_mm: 82.5\n", "  bore_mm: 82.5\n  bore_mm: 83\n",
			"platforms/kestrel-20t.yaml:7: mapping key \"bore_mm\" already defined at [6:3]; mend the YAML",
			noPlatform},
		{"bore in metres", kestrel, "bore_mm: 82.5", "bore_mm: 0.0825",
			"platforms/kestrel-20t.yaml:6: engine.bore_mm: 0.0825 is outside the valid range; give the cylinder bore " +
				"in millimetres, 40 to 200 mm, e.g. 82.5", noPlatform},
		{"not a number", kestrel, "bore_mm: 82.5", "bore_mm: wide", "platforms/kestrel-20t.yaml:6: engine.bore_mm: " +
			"\"wide\" is not a number; write a number", noPlatform},
		{"NaN", kestrel, "bore_mm: 82.5", "bore_mm: .nan", "platforms/kestrel-20t.yaml:6: engine.bore_mm: NaN is " +
			"outside the valid range; give the cylinder bore in millimetres, 40 to 200 mm, e.g. 82.5", noPlatform},
		{"half a cylinder", kestrel, "cylinders: 4", "cylinders: 4.5",
			"platforms/kestrel-20t.yaml:5: engine.cylinders: 4.5 is not a whole number; write a whole number",
			noPlatform},
		{"valve closing after top dead centre", kestrel, "closing_deg: -140", "closing_deg: 140",
			"platforms/kestrel-20t.yaml:10: engine.intake_valve_closing_deg: 140 is outside the valid range; give " +
				"intake-valve closing in degrees after firing top dead centre (before it is negative), -180 to -60 " +
				"deg, e.g. -140", noPlatform},
		{"rod and stroke swapped", kestrel, "stroke_mm: 92.8\n  rod_mm: 144", "stroke_mm: 144\n  rod_mm: 92.8",
			"platforms/kestrel-20t.yaml:8: engine.rod_mm: rod 92.8 mm is not longer than the stroke 144 mm; check " +
				"both lengths; a rod is about 1.5 to 2 strokes long", noPlatform},
		{"injection", kestrel, "injection: direct", "injection: carburettor",
			"platforms/kestrel-20t.yaml:12: engine.injection: \"carburettor\" is not known; give one of: direct, port",
			noPlatform},
		{"id differs", kestrel, "id: kestrel-20t", "id: kestrel", "platforms/kestrel-20t.yaml:1: id: \"kestrel\" " +
			"differs from the file name kestrel-20t; give both the same name, so that nothing is filed twice",
			noPlatform},
		{"curve not increasing", kestrel, "at: [1500, 3000, 4500, 6500]", "at: [1500, 3000, 3000, 6500]",
			"platforms/kestrel-20t.yaml:32: air_path.volumetric_efficiency.at[2]: 3000 does not exceed the one " +
				"before it (3000); list the breakpoints in increasing order, each once", noPlatform},
		{"curve one short", kestrel, "value: [0.82, 0.93, 0.97, 0.88]", "value: [0.82, 0.93, 0.97]",
			"platforms/kestrel-20t.yaml:32: air_path.volumetric_efficiency.value: 3 values for 4 breakpoints; give " +
				"one value per entry of at", noPlatform},
		{"efficiency in percent", kestrel, "compressor_efficiency: 0.70", "compressor_efficiency: 70",
			"platforms/kestrel-20t.yaml:33: air_path.compressor_efficiency: 70 is outside the valid range; give the " +
				"isentropic efficiency of the compressor, 0.4 to 0.85, e.g. 0.70", noPlatform},
		{"intercooler not stated", kestrel, "  intercooler_effectiveness: 0.75\n", "",
			"platforms/kestrel-20t.yaml:31: air_path.intercooler_effectiveness: missing; give the effectiveness of " +
				"the intercooler (0: none), e.g. 0.75", noPlatform},
		{"unknown lag channel", kestrel, "lags: {lambda: 0.3}", "lags: {lamda: 0.3}",
			"platforms/kestrel-20t.yaml:67: lags.lamda: channel \"lamda\" is not known; did you mean lambda?",
			noPlatform},
		{"knock limit without source", kestrel, "tolerated_retard_deg: 4\n  source: invented",
			"tolerated_retard_deg: 4", "platforms/kestrel-20t.yaml:47: knock_control.source: missing; give where " +
				"tolerated_retard_deg comes from: it is the knock limit", noPlatform},
		{"broken YAML", kestrel, "engine:", "engine: [", "platforms/kestrel-20t.yaml:15: ',' or ']' must be " +
			"specified; mend the YAML", noPlatform},

		{"alias", kestrel, "cylinders: 4\n  bore_mm: 82.5", "cylinders: &four 4\n  bore_mm: *four",
			"platforms/kestrel-20t.yaml:6: engine.bore_mm: refers to another place of the file by an alias; write " +
				"the value out", noPlatform},

		// limits
		{"no source", kestrel, "value: 950, source: invented", "value: 950",
			"platforms/kestrel-20t.yaml:61: limits[7].source: missing; give where the limit comes from (data sheet, " +
				"measurement, shop rule and who set it)", noLimit(hazard.ExhaustTemperature)},
		{"value and curve", kestrel, "value: 65,", "value: 65, along: engine_speed, at: [1000], values: [60],",
			"platforms/kestrel-20t.yaml:58: limits[4]: has both a value and a curve; keep value, or along, at and " +
				"values, not both", noLimit(hazard.ChargeTemperature)},
		{"neither value nor curve", kestrel, "value: 65, ", "", "platforms/kestrel-20t.yaml:58: limits[4].value: " +
			"missing; give value, or a curve: along, at and values", noLimit(hazard.ChargeTemperature)},
		{"unknown hazard", kestrel, "hazard: boost_control", "hazard: overboost",
			"platforms/kestrel-20t.yaml:64: limits[10].hazard: \"overboost\" is not known; give one of: knock, lean, " +
				"fuel_delivery, rail_pressure, charge_temperature, coolant_temperature, oil_temperature, " +
				"exhaust_temperature, cylinder_pressure, low_speed_load, boost_control, driveline", noPlatform},
		{"unknown metric", kestrel, "metric: torque", "metric: power",
			"platforms/kestrel-20t.yaml:65: limits[11].metric: \"power\" is not known; give one of: torque",
			noLimit(hazard.Driveline)},
		{"another hazard's metric", kestrel, "metric: torque", "metric: peak_pressure",
			"platforms/kestrel-20t.yaml:65: limits[11].metric: peak_pressure is a metric of the hazard " +
				"cylinder_pressure, not of driveline; write hazard: cylinder_pressure, or give a metric of driveline" +
				": torque",
			noLimit(hazard.Driveline)},
		{"unit of another quantity", kestrel, "unit: Nm", "unit: kW",
			"platforms/kestrel-20t.yaml:65: limits[11].unit: kW (power) does not convert to Nm (torque); give N·m or " +
				"another unit of the same quantity", noLimit(hazard.Driveline)},
		{"unknown unit", kestrel, "unit: Nm", "unit: furlong", "platforms/kestrel-20t.yaml:65: limits[11].unit: unit " +
			"\"furlong\" is not known; write a usual one such as \"kPa\", \"psi gauge\", \"°C\", \"%\", \"g/s\"; " +
			"give N·m or another unit of the same quantity", noLimit(hazard.Driveline)},
		{"bar meant as kPa", kestrel, "unit: bar, value: 120", "unit: kPa, value: 120",
			"platforms/kestrel-20t.yaml:62: limits[8].value: 120 kPa is outside the valid range; give the peak " +
				"cylinder pressure allowed, 3000 to 40000 kPa, and check the unit", noLimit(hazard.CylinderPressure)},
		{"severity", kestrel, "severity: major", "severity: bad", "platforms/kestrel-20t.yaml:65: " +
			"limits[11].severity: \"bad\" is not known; give one of: minor, moderate, major, catastrophic",
			noLimit(hazard.Driveline)},
		{"low-speed load at every speed", kestrel, "rpm_range: [1000, 2500], ", "",
			"platforms/kestrel-20t.yaml:63: limits[9]: says nothing about engine speed; give rpm_range, e.g. [1000, " +
				"2500], or a curve along engine_speed", noLimit(hazard.LowSpeedLoad)},
		{"range upside down", kestrel, "[1000, 2500]", "[2500, 1000]",
			"platforms/kestrel-20t.yaml:63: limits[9].rpm_range: [2500 1000] is not a range; give the low and the " +
				"high engine speed in rpm, e.g. [1000, 2500]", noLimit(hazard.LowSpeedLoad)},
		{"knock among limits", kestrel, "{hazard: driveline, metric: torque, unit: Nm, value: 420",
			"{hazard: knock, metric: knock_retard, unit: deg, value: 4",
			"platforms/kestrel-20t.yaml:65: limits[11].hazard: the knock limit is not written here; give " +
				"knock_control.tolerated_retard_deg and its source", func(w *Workspace) bool { return all(w) }},

		// vehicles
		{"unknown platform", vehicles, "car-001,kestrel-20t", "car-001,kestrel",
			"vehicles.csv:2: platform: platform \"kestrel\" is not known; give one of platforms/: kestrel-20t, " +
				"plover-14", noCar1},
		{"unknown fuel", vehicles, "kestrel-20t,pump-91", "kestrel-20t,pump",
			"vehicles.csv:2: fuel: fuel \"pump\" is not known; give a fuel of headroom.yaml: blend-30, pump-91",
			noCar1},
		{"twice", vehicles, "car-002,plover-14", "car-001,plover-14",
			"vehicles.csv:3: vehicle: car-001 is already on line 2; this row is left out; keep one row per car",
			func(w *Workspace) bool {
				return len(w.Vehicles) == 1 && w.Vehicles["car-001"].Platform == "kestrel-20t"
			}},
		{"slash in id", vehicles, "car-002", "car/002", "vehicles.csv:3: vehicle: \"car/002\" contains \"/\"; an id " +
			"is letters, digits, dots, underscores and hyphens, starting with a letter or digit, e.g. car-017", all2},
		{"car named fleet", vehicles, "car-002", "fleet", "vehicles.csv:3: vehicle: \"fleet\" stands for every car " +
			"and cannot be one; give the car another id", all2},
		{"row of a revision's vehicle left out", vehicles, "kestrel-20t,pump-91", "kestrel-20t,",
			"revisions/rev-2/revision.yaml:4: vehicle: vehicle car-001 is left out; mend line 2 of vehicles.csv, or " +
				"give fleet", noCar1},
		{"row of a run's vehicle left out", vehicles, "kestrel-20t,pump-91", "kestrel-20t,",
			"runs/car-001/rev-2: 3 logs left out: vehicle car-001 is left out; mend line 2 of vehicles.csv", noCar1},
		{"misspelt column", vehicles, "hardware_date", "hardware_data",
			"vehicles.csv:1: column 5: column \"hardware_data\" is not used; did you mean hardware_date?", all},
		{"column missing", vehicles, "vehicle,platform,fuel", "vehicle,platform,petrol",
			"vehicles.csv:1: header: column \"fuel\" is missing; the first row names the columns: " +
				"vehicle,platform,fuel,hardware,hardware_date,barometer_kpa,altitude_m,afr_stoich,lambda_lag_s",
			func(w *Workspace) bool {
				return len(w.Vehicles) == 0 &&
					len(w.Platforms) == 2
			}},
		{"delimiter inside a cell", vehicles, `"quiet, grey"`, "quiet, grey",
			"vehicles.csv:2: 7 cells for 6 columns; put a cell that contains the delimiter in double quotes", noCar1},
		{"date", vehicles, "2025-11-02", "02.11.2025", "vehicles.csv:2: hardware_date: \"02.11.2025\" is not a date; " +
			"write year-month-day, e.g. 2026-03-04", noCar1},

		// revisions
		{"missing parent", rev2, "parent: base-1", "parent: base-0", "revisions/rev-2/revision.yaml:2: parent: " +
			"parent \"base-0\" is not known; add revisions/base-0, or leave parent empty for a base calibration",
			noRevision("rev-2", "rev-3")},
		{"grandchild of a missing parent", rev2, "parent: base-1", "parent: base-0",
			"revisions/rev-3/revision.yaml:2: parent: parent rev-2 is left out; mend revisions/rev-2 first",
			noRevision("rev-2", "rev-3")},
		{"loop", rev2, "parent: base-1", "parent: rev-3", "revisions/rev-2/revision.yaml:2: parent: the parents go " +
			"round in a loop: rev-2 → rev-3 → rev-2; give the revision this one was really made from; a base " +
			"calibration has no parent", noRevision("rev-2", "rev-3")},
		{"own parent", rev3, "parent: rev-2", "parent: rev-3", "revisions/rev-3/revision.yaml:2: parent: the parents " +
			"go round in a loop: rev-3 → rev-3; give the revision this one was really made from; a base calibration " +
			"has no parent", noRevision("rev-3")},
		{"parent of another platform", rev3, "platform: kestrel-20t\nvehicle: car-001",
			"platform: plover-14\nvehicle: car-002",
			"revisions/rev-3/revision.yaml:2: parent: parent rev-2 is for platform kestrel-20t, this one for " +
				"plover-14; give a parent of the same platform", noRevision("rev-3")},
		{"unknown platform of a revision", rev3, "platform: kestrel-20t", "platform: kestrel",
			"revisions/rev-3/revision.yaml:3: platform: platform \"kestrel\" is not known; give one of platforms/: " +
				"kestrel-20t, plover-14", noRevision("rev-3")},
		{"unknown vehicle", rev3, "vehicle: car-001", "vehicle: car-009",
			"revisions/rev-3/revision.yaml:4: vehicle: vehicle \"car-009\" is not known; add it to vehicles.csv, or " +
				"give fleet", noRevision("rev-3")},
		{"vehicle of another platform", rev3, "vehicle: car-001", "vehicle: car-002",
			"revisions/rev-3/revision.yaml:4: vehicle: vehicle car-002 is a plover-14, the revision is for " +
				"kestrel-20t; give a vehicle of that platform", noRevision("rev-3")},
		{"unknown fuel of a revision", rev3, "fuel: pump-91", "fuel: pump-90",
			"revisions/rev-3/revision.yaml:7: fuel: fuel \"pump-90\" is not known; give a fuel of headroom.yaml: " +
				"blend-30, pump-91", noRevision("rev-3")},
		{"status", rev3, "status: proposed", "status: draft", "revisions/rev-3/revision.yaml:5: status: \"draft\" is " +
			"not known; give one of: proposed, released, withdrawn", noRevision("rev-3")},
		{"no date", rev3, "date: 2026-03-04\n", "", "revisions/rev-3/revision.yaml: date: missing; write " +
			"year-month-day, e.g. 2026-03-04; the order of revisions in time decides what was known before",
			noRevision("rev-3")},
		{"id of another folder", rev3, "id: rev-3", "id: rev-2", "revisions/rev-3/revision.yaml:1: id: \"rev-2\" " +
			"differs from the folder name rev-3; give both the same name; logs are filed by it", noRevision("rev-3")},
		{"role twice", base, "role: boost", "role: spark", "revisions/base-1/revision.yaml:10: tables[1]: role spark " +
			"is already given by tables[0]; keep one; tables that are not modelled need different names",
			noRevision("base-1", "rev-2", "rev-3")},
		{"misspelt role", base, "role: boost", "role: bost", "revisions/base-1/revision.yaml:10: tables[1].role: " +
			"role \"bost\" is not known; did you mean boost?", noRevision("base-1", "rev-2", "rev-3")},
		{"other without name", base, "name: idle speed, ", "", "revisions/base-1/revision.yaml:11: tables[2].name: " +
			"missing; name a table of role other, e.g. wastegate base duty", noRevision("base-1", "rev-2", "rev-3")},
		{"table file missing", base, "tables/spark.csv", "tables/sparks.csv",
			"revisions/base-1/revision.yaml:9: tables[0].file: revisions/base-1/tables/sparks.csv: file is missing; " +
				"export the table from the spreadsheet as CSV to this path", noRevision("base-1", "rev-2", "rev-3")},
		{"table outside the folder", base, "tables/spark.csv", "../rev-2/tables/lambda.csv",
			"revisions/base-1/revision.yaml:9: tables[0].file: \"../rev-2/tables/lambda.csv\" leaves the revision's " +
				"folder or has backslashes; give a path inside the folder with forward slashes, e.g. tables/spark.csv",
			noRevision("base-1", "rev-2", "rev-3")},
		{"unknown axis channel", base, "channel: absolute_load", "channel: absolut_load",
			"revisions/base-1/revision.yaml:9: tables[0].y.channel: channel \"absolut_load\" is not known; did you " +
				"mean absolute_load?", noRevision("base-1", "rev-2", "rev-3")},
		{"axis unit of another quantity", base, `unit: "%"`, "unit: kPa",
			"revisions/base-1/revision.yaml:9: tables[0].y.unit: kPa (pressure) does not convert to % (ratio); give " +
				"% or another unit of the same quantity", noRevision("base-1", "rev-2", "rev-3")},
		{"psi alone", base, "unit: psi gauge", "unit: psi", "revisions/base-1/revision.yaml:10: tables[1].unit: psi " +
			"may mean gauge or absolute; write psi absolute, or psi gauge with barometer_kpa",
			noRevision("base-1", "rev-2", "rev-3")},
		{"gauge without barometer", base, ", barometer_kpa: 100", "",
			"revisions/base-1/revision.yaml:10: tables[1].unit: psi gauge is relative to a barometric pressure that " +
				"is not stated; add barometer_kpa, e.g. 101.3, or give the table in kPa absolute",
			noRevision("base-1", "rev-2", "rev-3")},
		{"barometer in bar", base, "barometer_kpa: 100", "barometer_kpa: 1",
			"revisions/base-1/revision.yaml:10: tables[1].barometer_kpa: 1 is outside the valid range; give the " +
				"barometric pressure that gauge values are relative to, 50 to 110 kPa, e.g. 101.3; in bar it would " +
				"be 100 kPa",
			noRevision("base-1", "rev-2", "rev-3")},
		{"AFR without ratio", rev2, "stoichiometric_ratio: 14.7, ", "",
			"revisions/rev-2/revision.yaml:11: tables[0].unit: AFR says nothing without the ratio its scale was made " +
				"for; add stoichiometric_ratio, e.g. 14.7, or give the table in lambda", noRevision("rev-2", "rev-3")},
		{"equivalence ratio", rev2, "unit: AFR", "unit: phi", "revisions/rev-2/revision.yaml:11: tables[0].unit: phi " +
			"(equivalence ratio) does not convert to lambda (lambda): lambda = air-fuel ratio / stoichiometric ratio " +
			"of the fuel = 1 / equivalence ratio; give lambda or another unit of the same quantity",
			noRevision("rev-2", "rev-3")},
		{"AFR called lambda", rev2, "unit: AFR", "unit: lambda", "revisions/rev-2/tables/lambda.csv: 9 of 9 values " +
			"are outside what a lambda table can hold (0.6 to 1.3 lambda): the median value 13.23 looks like an " +
			"air–fuel ratio; check the table, and unit in revisions/rev-2/revision.yaml, tables[0]",
			noRevision("rev-2", "rev-3")},

		{"revision of an outcome left out", rev2, "status: released", "status: sold",
			"outcomes.csv:2: revision: revision rev-2 is left out; mend revisions/rev-2, or leave the cell empty",
			noRevision("rev-2", "rev-3")},

		// tables
		{"x not increasing", spark, "load / rpm,1000,2000,3000", "load / rpm,1000,3000,3000",
			"revisions/base-1/tables/spark.csv:1: row 1, column 4: x breakpoint 3000 does not exceed the one before " +
				"it (3000); put the breakpoints in strictly increasing order", noRevision("base-1", "rev-2", "rev-3")},
		{"y not increasing", spark, "100,10,14,18", "40,10,14,18", "revisions/base-1/tables/spark.csv:3: row 3, " +
			"column 1: y breakpoint 40 does not exceed the one before it (50); put the rows in strictly increasing " +
			"order of y", noRevision("base-1", "rev-2", "rev-3")},
		{"bad cell", spark, "150,2,6.5,11,", "150,2,#REF!,11,", "revisions/base-1/tables/spark.csv:5: row 4, column " +
			"3: \"#REF!\" is not a number; write a plain number, without unit or thousands mark",
			noRevision("base-1", "rev-2", "rev-3")},
		{"empty cell", spark, "150,2,6.5,11,", "150,2,,11,", "revisions/base-1/tables/spark.csv:5: row 4, column 3: " +
			"cell is empty; write a plain number, without unit or thousands mark", noRevision("base-1", "rev-2",
			"rev-3")},
		{"row too long", spark, "100,10,14,18", "100,10,14,18,20", "revisions/base-1/tables/spark.csv:3: row 3, " +
			"column 5: value \"20\" has no x breakpoint above it; give the breakpoint in the first row, or remove " +
			"the value", noRevision("base-1", "rev-2", "rev-3")},
		{"decimal commas between commas", spark, "100,10,14,18", "100,10,5,14,25,18,0",
			"revisions/base-1/tables/spark.csv:3: row 3, column 5: value \"25\" has no x breakpoint above it; give " +
				"the breakpoint in the first row, or remove the value; where commas are decimal marks, separate the " +
				"cells by semicolons", noRevision("base-1", "rev-2", "rev-3")},
		{"no label column", boost, "rpm;1000;2000,5;3000\nboost;0;10;14,5", "1000;2000,5;3000\n0;10;14,5",
			"revisions/base-1/tables/boost.csv:1: row 1, column 1: corner cell \"1000\" is a number; keep the first " +
				"column for y breakpoints or a label, and put text or nothing in the corner",
			noRevision("base-1", "rev-2",
				"rev-3")},
		{"rows without y", boost, "boost;0;10;14,5\n", "1;0;10;14,5\n2;0;10;14,5\n",
			"revisions/base-1/tables/boost.csv: has 2 rows of values, but revision.yaml gives no y axis; give y in " +
				"revision.yaml, or keep one row of values", noRevision("base-1", "rev-2", "rev-3")},
		{"empty table", boost, "rpm;1000;2000,5;3000\nboost;0;10;14,5\n", "",
			"revisions/base-1/tables/boost.csv: is not a table; first row: a corner cell, then the x breakpoints; " +
				"then one row per y breakpoint (or one row of values) with its label in the first column",
			noRevision("base-1", "rev-2", "rev-3")},
		{"open quote", boost, "boost;0", "\"boost;0", "revisions/base-1/tables/boost.csv:2: extraneous or missing \" " +
			"in quoted-field; check the double quotes on this line", noRevision("base-1", "rev-2", "rev-3")},

		// runs and outcomes
		{"log twice", runs, "runs\\car-001\\base-1\\first.csv,,,2025-11-08", "runs/loose/d.log.gz,,,2025-11-08",
			"runs.csv:3: path: runs/loose/d.log.gz is already on line 2; the run is left out; keep one row per log",
			withRuns(4)},
		{"no such log", runs, "first.csv", "last.csv", "runs.csv:3: path: runs/car-001/base-1/last.csv is not a log " +
			"under runs/; give the path from the workspace, with forward slashes, e.g. runs/car-017/rev-1/pull.csv",
			withRuns(5)},
		{"barometer in hPa", runs, "100.2", "1002", "runs.csv:2: baro_kpa: 1002 is outside 50 to 110 kPa; give the " +
			"barometric pressure in kPa, or leave the cell empty", withRuns(4)},
		{"fuel of a run", runs, "blend-30", "blend-31", "runs.csv:2: fuel: fuel \"blend-31\" is not known; give a " +
			"fuel of headroom.yaml: blend-30, pump-91", withRuns(4)},
		{"vehicle of a run", runs, "d.log.gz,car-001", "d.log.gz,car-009",
			"runs.csv:2: vehicle: vehicle \"car-009\" is not known; add it to vehicles.csv", withRuns(4)},
		{"run without car", runs, "d.log.gz,car-001,base-1", "d.log.gz,,",
			"runs.csv:2: vehicle: the log says neither by folder nor by runs.csv which vehicle and revision it is " +
				"of; file it as runs/<vehicle>/<revision>/<name>, or give vehicle and revision in runs.csv",
			withRuns(4)},
		{"platforms of a run differ", runs, "d.log.gz,car-001", "d.log.gz,car-002",
			"runs.csv:2: revision: vehicle car-002 is a plover-14, revision base-1 is for kestrel-20t; file the log " +
				"under the revision the car ran", withRuns(4)},
		{"misspelt event", outcomes, "failure", "failuer", "outcomes.csv:2: event: event \"failuer\" is not known; " +
			"give failure, inspection, service or retired", withOutcomes(1)},
		{"failure of what", outcomes, "clutch", "", "outcomes.csv:2: component: missing; name the component that " +
			"failed", withOutcomes(1)},
		{"odometer", outcomes, "84200", "84.200,1", "outcomes.csv:2: 7 cells for 6 columns; put a cell that contains " +
			"the delimiter in double quotes", withOutcomes(1)},
		{"outcome without a date", outcomes, "2026-02-01", "", "outcomes.csv:2: date: missing; write " +
			"year-month-day, e.g. 2026-03-04", withOutcomes(1)},
		{"not text", outcomes, "vehicle,", "vehicle\x00,", "outcomes.csv: is not UTF-8 text; save it from the " +
			"spreadsheet as CSV, UTF-8", withOutcomes(0)},
		{"column twice", outcomes, ",odometer_km", ",date", "outcomes.csv:1: column 6: column \"date\" is there " +
			"twice; keep one", withOutcomes(0)},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir := copyGood(t)
			old := read(t, dir, c.file)
			if strings.Count(old, c.old) != 1 {
				t.Fatalf("%q is %d times in %s", c.old, strings.Count(old, c.old), c.file)
			}
			write(t, dir, c.file, strings.Replace(old, c.old, c.new, 1))
			w, err := Open(dir)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, p := range w.Problems {
				got = append(got, p.String())
			}
			if !slices.Contains(got, c.want) {
				t.Errorf("want\n  %s\ngot\n  %s", c.want, strings.Join(got, "\n  "))
			}
			if !c.gone(w) {
				t.Errorf("wrong items left out; problems:\n  %s", strings.Join(got, "\n  "))
			}
		})
	}
}

// all2: everything but car-002 and its fuel is there.
func all2(w *Workspace) bool {
	return w.Vehicles["car-001"] != nil && w.Vehicles["car-002"] == nil && len(w.Revisions) == 3 &&
		len(w.Platforms) == 2
}

// noCar1: car-001 is left out, and with it its revisions and runs; the fleet's base calibration stays.
func noCar1(w *Workspace) bool {
	return w.Vehicles["car-001"] == nil && w.Vehicles["car-002"] != nil && w.Revisions["base-1"] != nil &&
		w.Revisions["rev-2"] == nil && len(w.Runs) == 0
}

func TestUnusableWorkspace(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"syntax", "decision: {", "headroom.yaml:1"},
		{"unknown key", "decisions: {}\n", "headroom.yaml:1: decisions: unknown key; did you mean decision?"},
		{"climate in Fahrenheit", "climate: [{place: dale, day_to_day_k: 4, ambient_c: [30, 32, 41, 50, 60, 70, 75, " +
			"74, 66, 55, 44, 34]}]\n", "headroom.yaml:1: climate[0].ambient_c[3]: 50 is outside the valid range; " +
			"give the mean temperature of a month, -50 to 42 °C, e.g. 12; in °F it would be 10 °C"},
		{"threshold", "decision: {hold_probability: {major: 5}}", "headroom.yaml:1: decision.hold_probability.major: " +
			"5 is outside the valid range; give a probability per pull above 0 and below 1, e.g. 0.05"},
		{"moderate never holds", "decision:\n  hold_probability: {moderate: 0.2}",
			"headroom.yaml:2: decision.hold_probability.moderate: severity \"moderate\" never holds a revision; give " +
				"thresholds for catastrophic and major only"},
		{"display", "display: {pressure: atm}", "headroom.yaml:1: display.pressure: \"atm\" is not known; give one " +
			"of: kPa, bar, psi"},
		{"cells", "cells: {rpm_step: 0}", "headroom.yaml:1: cells.rpm_step: 0 is outside the valid range; give the " +
			"width of a cell in engine speed, 50 to 2000 rpm, e.g. 500"},
		{"content", "decision: {content: 95}", "headroom.yaml:1: decision.content: 95 is outside the valid range; " +
			"give a share from 0.5 to 0.999, e.g. 0.95"},
		{"seed", "seed: -1", "headroom.yaml:1: seed: -1 is not a whole number, zero or more; write a whole number, " +
			"zero or more"},
		{"a list", "- 1", "headroom.yaml:1"},
		{"two documents", "seed: 1\n---\nseed: 2\n", "headroom.yaml: holds several YAML documents; keep one; remove " +
			"the lines that are only ---"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			write(t, dir, ConfigFile, c.text)
			_, err := Open(dir)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got error\n  %v\nwant it to say\n  %s", err, c.want)
			}
		})
	}
	if _, err := Open(t.TempDir()); err == nil || !strings.Contains(err.Error(), "headroom init") {
		t.Errorf("no headroom.yaml: error %v must say how to make one", err)
	}
}

func TestRunProblemsFold(t *testing.T) {
	dir := copyGood(t)
	for _, n := range []string{"a.csv", "b.csv", "c.csv"} {
		write(t, dir, "runs/car-777/base-1/"+n, "x")
	}
	write(t, dir, "runs/car-001/rev-2/pull.xlsx", "x")
	write(t, dir, "runs/car-001/rev-2/.hidden.csv", "x")
	w, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"runs/car-001/rev-2/pull.xlsx: is not a log format that is read; export it as delimited text (.csv, .txt, " +
			".tsv, .log, also .gz or .zst), .parquet or .mf4, or move it out of runs/",
		"runs/car-777/base-1: 3 logs left out: vehicle \"car-777\" is not known; add it to vehicles.csv",
	}
	var got []string
	for _, p := range w.Problems {
		got = append(got, p.String())
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n  %s", strings.Join(got, "\n  "))
	}
	if len(w.Runs) != 5 {
		t.Errorf("%d runs, want the 5 good ones", len(w.Runs))
	}
}

func TestPlatformTwice(t *testing.T) {
	dir := copyGood(t)
	write(t, dir, "platforms/plover-14.yml", "id: plover-14\n")
	w, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	want := "platforms/plover-14.yml: id: platform plover-14 is already in platforms/plover-14.yaml; this file is " +
		"left out; keep one file per platform"
	if len(w.Problems) != 1 || w.Problems[0].String() != want {
		t.Errorf("got %v", w.Problems)
	}
}

func TestRevisionFileMissing(t *testing.T) {
	dir := copyGood(t)
	if err := os.Remove(filepath.Join(dir, "revisions", "rev-3", "revision.yaml")); err != nil {
		t.Fatal(err)
	}
	w, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	want := "revisions/rev-3/revision.yaml: file is missing; each folder of revisions/ holds a revision.yaml"
	if len(w.Problems) != 1 || w.Problems[0].String() != want {
		t.Errorf("got %v", w.Problems)
	}
}

func TestProblemsAreStable(t *testing.T) {
	dir := copyGood(t)
	write(t, dir, "vehicles.csv", "vehicle,platform,fuel\nx y,a,b\ncar-001,q,pump-91\n")
	write(t, dir, "platforms/kestrel-20t.yaml", "id: other\nlimits: [{hazard: a}, {hazard: b}]\n")
	var first string
	for range 5 {
		w, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		for _, p := range w.Problems {
			b.WriteString(p.String() + "\n")
		}
		if first == "" {
			first = b.String()
		}
		if b.String() != first {
			t.Fatalf("problems vary:\n%s\n%s", first, b.String())
		}
	}
}
