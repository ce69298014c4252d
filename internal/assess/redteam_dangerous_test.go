package assess

import (
	"fmt"
	"slices"
)

// dangerousRevisions are those of which none may be released.
func dangerousRevisions() []revisionCase {
	return slices.Concat(otherFuels(), otherParts(), camsAndRoles(), tooMuch(), lone(), mistakes(), pastTheLogs(),
		littleToGoBy(), brokenSensors())
}

func otherFuels() []revisionCase {
	return []revisionCase{
		{name: "fuel-e50", why: "half ethanol takes a fifth more fuel; no log ran on it",
			made: []edit{fuel("blend-e50")}, may: keptAway, tell: "fuel_not_shown"},
		{name: "fuel-e85", why: "85 % ethanol takes two fifths more fuel through the same injectors",
			made: []edit{fuel("blend-e85")}, may: keptAway, tell: "fuel_not_shown"},
		{name: "fuel-e30", why: "30 % ethanol that no car of the platform has run",
			made: []edit{fuel("blend-e30")}, may: keptAway, tell: "fuel_not_shown"},
		{name: "fuel-lower-octane", why: "six octane less under a spark set near the knock limit",
			made: []edit{fuel("pump-89")}, may: keptAway},
		{name: "fuel-e85-and-spark", why: "the spark that E85 bears, before a pull on E85 was logged",
			made: []edit{fuel("blend-e85"), raise("spark", 4, fullLoad)}, may: keptAway, tell: "fuel_not_shown"},
	}
}

func otherParts() []revisionCase {
	return []revisionCase{
		{name: "part-turbo", why: "another compressor: charge and exhaust temperature are not those logged",
			made: []edit{part("turbo", "larger")}, may: unsure, tell: "part_not_shown"},
		{name: "part-injectors", why: "other injectors: fuelling is not what was logged",
			made: []edit{part("injectors", "1000cc")}, may: unsure, tell: "part_not_shown"},
		{name: "part-pump", why: "another fuel pump: rail pressure and its droop are not those logged",
			made: []edit{part("fuel_pump", "larger")}, may: unsure, tell: "part_not_shown"},
		{name: "part-intake", why: "an open intake breathes and meters otherwise",
			made: []edit{part("intake", "open")}, may: keptAway, tell: "part_not_shown"},
		{name: "part-intercooler", why: "knock rests on the charge temperature behind it",
			made: []edit{part("intercooler", "front")}, may: keptAway, tell: "part_not_shown"},
		{name: "part-clutch", why: "no log tells what another clutch holds",
			made: []edit{part("clutch", "twin-disc")}, may: keptAway, tell: "part_not_shown"},
		{name: "part-pistons", why: "other pistons: compression and knock limit are not those logged",
			made: []edit{part("pistons", "forged")}, may: unsure, tell: "part_not_shown"},
		{name: "part-removed", why: "the logs ran with the axle-back exhaust that goes", of: "rev-0116-a",
			made: []edit{part("exhaust", "stock")}, may: keptAway, tell: "part_not_shown"},
		{name: "parts-all", why: "turbo, injectors and intercooler at once, tables of the old ones",
			made: []edit{part("turbo", "larger"), part("injectors", "1000cc"), part("intercooler", "front")},
			may:  unsure, tell: "part_not_shown"},
		{name: "part-after-logs", why: "the car got another compressor after its last log", of: "rev-0102-b",
			may: keptAway},
	}
}

func camsAndRoles() []revisionCase {
	return []revisionCase{
		{name: "cam-15", why: "15° of intake cam move trapped air and residual gas; no log has a cam channel",
			made: []edit{cam(15)}, may: keptAway, tell: "unmodelled"},
		{name: "cam-40", why: "40° of intake cam may meet the piston",
			made: []edit{cam(40)}, may: keptAway, tell: "unmodelled"},
		{name: "speed-limit-7200", why: "opens 600 rpm that no pull has reached",
			made: []edit{limitTo(7200)}, may: keptAway},
		{name: "speed-limit-9000", why: "rods and valve train at twice the load",
			made: []edit{limitTo(9000)}, may: keptAway},
		{name: "new-role", why: "a table of a role that nothing models",
			made: []edit{newTable("role: dwell, x: {channel: engine_speed, unit: rpm}, unit: ms", "dwell.csv",
				"rpm,1000,7000\ndwell,3.5,1.8\n")}, may: keptAway, tell: "unmodelled"},
		{name: "idle-changed", why: "a table that nothing models changes",
			made: []edit{newTable("role: other, name: idle_speed, x: {channel: coolant_temperature, unit: C}, "+
				"unit: rpm", "idle_speed.csv", "coolant C,0,80\nidle,1500,1200\n")}, may: keptAway, tell: "unmodelled"},
	}
}

// cam is the base's intake cam table, further advanced.
func cam(by float64) edit {
	return func(d draft) {
		newTable("role: intake_cam, x: {channel: engine_speed, unit: rpm}, unit: deg", "intake_cam.csv", camTable)(d)
		if by != 0 {
			raise("intake_cam", by, everywhere)(d)
		}
	}
}

// limitTo is a table that limits a warm engine to a speed and a cold one to less.
func limitTo(rpm float64) edit {
	return newTable("role: speed_limit, x: {channel: coolant_temperature, unit: C}, unit: rpm", "speed_limit.csv",
		fmt.Sprintf("coolant C,0,40,80\nlimit,%g,%g,%g\n", rpm-2000, rpm, rpm))
}

func tooMuch() []revisionCase {
	mid := fullLoad.speeds(3000, 4500)
	return []revisionCase{
		{name: "spark-mid-8", why: "8° more where knock is nearest", made: []edit{raise("spark", 8, mid)}, may: held},
		{name: "spark-all-6", why: "6° more at every load", made: []edit{raise("spark", 6, everywhere)}, may: held},
		{name: "spark-all-3", why: "knocks in most pulls of a hot day",
			made: []edit{raise("spark", 3, fullLoad)}, may: keptAway},
		{name: "spark-all-2", why: "knocks in every other pull of the hot day that its own report prints",
			made: []edit{raise("spark", 2, fullLoad)}, may: keptAway},
		{name: "spark-top-row-10", why: "10° more in the row of most load, which a cold day or a boost spike reaches",
			made: []edit{raise("spark", 10, area{everywhere.rpm, [2]float64{175, 175}})}, may: keptAway},
		{name: "spark-late-top", why: "15° later at the top: the exhaust gets what the crank does not",
			made: []edit{raise("spark", -15, fullLoad.speeds(5000, 7000))}, may: keptAway},
		{name: "lean-top", why: "0.1 leaner from 5000 rpm on at full load",
			made: []edit{raise("lambda", 0.1, fullLoad.speeds(5000, 7000))}, may: held},
		{name: "lean-full-load", why: "0.06 leaner at all full load",
			made: []edit{raise("lambda", 0.06, fullLoad)}, may: keptAway},
		{name: "lean-to-100", why: "0.25 leaner at all loads up to 100 %, which every tip-in passes",
			made: []edit{raise("lambda", 0.25, area{everywhere.rpm, [2]float64{0, 100}})}, may: keptAway},
		{name: "rich-0.6", why: "lambda 0.6 at full load: a third more fuel through pump and injectors",
			made: []edit{put("lambda", 0.6, fullLoad)}, may: keptAway},
		{name: "boost-all-60", why: "60 kPa more at full pedal",
			made: []edit{raise("boost", 60, fullPedal)}, may: held},
		{name: "boost-low-50", why: "50 kPa more below 2500 rpm: low-speed load",
			made: []edit{raise("boost", 50, fullPedal.speeds(1500, 2500))}, may: held},
		{name: "boost-first-speed-150", why: "150 kPa more at 800 rpm, where no log's turbocharger makes any boost",
			made: []edit{raise("boost", 150, fullPedal.speeds(800, 800))}, may: keptAway},
		{name: "boost-last-speed-60", why: "60 kPa more at 7000 rpm, towards which every pull runs",
			made: []edit{raise("boost", 60, fullPedal.speeds(7000, 7000))}, may: keptAway},
		{name: "boost-part-pedal", why: "all the boost at 40 % pedal, where nobody has logged it",
			made: []edit{table("boost", func(s *sheet) { s.Z[1] = slices.Clone(s.Z[3]) })}, may: keptAway},
		{name: "spark-and-boost", why: "3° and 15 kPa more, each near its limit",
			made: []edit{raise("spark", 3, fullLoad), raise("boost", 15, fullPedal)}, may: keptAway},
		{name: "lean-and-spark", why: "0.04 leaner and 3° more at the top",
			made: []edit{raise("lambda", 0.04, fullLoad.speeds(4500, 7000)), raise("spark", 3, fullLoad)},
			may:  keptAway},
	}
}

func lone() []revisionCase {
	return []revisionCase{
		{name: "spike-spark-visited", why: "8° in one cell that every pull passes",
			made: []edit{raise("spark", 8, cell(4000, 160))}, may: keptAway, tell: "new_spike"},
		{name: "spike-spark-corner", why: "12° at the last corner, reached by one missed gear",
			made: []edit{raise("spark", 12, cell(7000, 175))}, may: keptAway},
		{name: "spike-spark-part-load", why: "12° at 3500 rpm and 100 % load, in the way of every tip-in",
			made: []edit{raise("spark", 12, cell(3500, 100))}, may: keptAway},
		{name: "spike-spark-low-speed", why: "40° at 1500 rpm and 160 % load, where nobody was: lugging",
			made: []edit{put("spark", 38, cell(1500, 160))}, may: keptAway, tell: "new_spike"},
		{name: "spike-lambda-visited", why: "lambda 1.05 in one cell of full load",
			made: []edit{put("lambda", 1.05, cell(5000, 140))}, may: keptAway},
		{name: "spike-lambda-unvisited", why: "lambda 1.15 at 3000 rpm and 180 % load, which a cold day reaches",
			made: []edit{put("lambda", 1.15, cell(3000, 180))}, may: keptAway},
		{name: "spike-boost-visited", why: "40 kPa at one speed of full pedal",
			made: []edit{raise("boost", 40, cell(3500, 100))}, may: keptAway},
		{name: "spike-boost-unvisited", why: "80 kPa at 40 % pedal and 6000 rpm",
			made: []edit{raise("boost", 80, cell(6000, 40))}, may: keptAway},
		{name: "spike-typed", why: "a decimal point left away: 195 for 19.5",
			made: []edit{put("spark", 195, cell(6000, 130))}, may: keptAway, tell: "table_doubt"},
	}
}

// mistakes are of units, axes and signs, and of copying. Where the numbers alone give it away, it has to be called by
// its name.
func mistakes() []revisionCase {
	return []revisionCase{
		{name: "speed-in-thousands", why: "all speeds lie past the last breakpoint: one column rules",
			made: []edit{axes("spark", 0.001, 1)}, may: caught, call: []string{"thousand"}},
		{name: "load-as-fraction", why: "all loads lie past the last breakpoint: one row rules",
			made: []edit{axes("spark", 1, 0.01)}, may: caught, call: []string{"fraction", "in percent"}},
		{name: "lambda-load-as-fraction", why: "all loads lie past the last breakpoint: one row rules",
			made: []edit{axes("lambda", 1, 0.01)}, may: caught, call: []string{"fraction", "in percent"}},
		{name: "pedal-as-fraction", why: "full boost at any pedal",
			made: []edit{axes("boost", 1, 0.01)}, may: caught, call: []string{"fraction", "in percent"}},
		{name: "boost-psi-absolute", why: "psi written where kPa is said",
			made: []edit{scaled("boost", 1/6.894757, 0)}, may: caught, call: []string{"psi"}},
		{name: "boost-psi-gauge", why: "gauge psi written where absolute kPa is said",
			made: []edit{scaled("boost", 1/6.894757, -14.7)}, may: caught, call: []string{"psi", "gauge"}},
		{name: "boost-kpa-gauge", why: "gauge pressure where absolute is said",
			made: []edit{scaled("boost", 1, -100)}, may: caught, call: []string{"gauge"}},
		{name: "boost-hpa", why: "hPa where kPa is said: ten times the pressure",
			made: []edit{scaled("boost", 10, 0)}, may: caught, call: []string{"hpa", "mbar"}},
		{name: "boost-barometer", why: "a gauge table with a barometer of 125 kPa: 24 kPa too much",
			made: []edit{scaled("boost", 1, -101.3), tableKeys("boost", "unit: kPa}",
				"unit: kPa gauge, barometer_kpa: 125}")}, may: caught},
		{name: "spark-sign", why: "late for early: the engine melts its exhaust",
			made: []edit{scaled("spark", -1, 0)}, may: caught,
			call: []string{"opposite sign", "after top dead centre"}},
		{name: "spark-atdc", why: "unit after top dead centre, values before it",
			made: []edit{tableKeys("spark", "unit: deg}", "unit: deg ATDC}")}, may: caught,
			call: []string{"opposite sign", "after top dead centre"}},
		{name: "lambda-afr", why: "air–fuel ratio where lambda is said",
			made: []edit{scaled("lambda", 14.7, 0)}, may: caught, call: []string{"air–fuel"}},
		{name: "lambda-equivalence", why: "fuel–air equivalence where lambda is said: rich becomes lean",
			made: []edit{table("lambda", func(s *sheet) {
				s.each(everywhere, func(v, _, _ float64) float64 { return 1 / v })
			})}, may: caught, call: []string{"equivalence", "inverse"}},
		{name: "lambda-stoichiometric", why: "written on the scale of 14.7, said to be of 13.5: 9 % lean",
			made: []edit{scaled("lambda", 14.7, 0), tableKeys("lambda", "unit: lambda}",
				"unit: AFR, stoichiometric_ratio: 13.5}")}, may: []Verdict{VerdictHold, refused},
			call: []string{"stoichiometric_ratio 14.7"}},
		{name: "spark-axes-swapped", why: "rows are speeds, columns loads",
			made: []edit{transposed("spark")}, may: caught, call: []string{"swap", "exchange", "transpos"}},
		{name: "spark-axes-misnamed", why: "x is said to be load, y to be speed",
			made: []edit{tableKeys("spark",
				`x: {channel: engine_speed, unit: rpm}, y: {channel: absolute_load, unit: "%"}`,
				`x: {channel: absolute_load, unit: "%"}, y: {channel: engine_speed, unit: rpm}`)}, may: caught,
			call: []string{"swap", "exchange", "transpos"}},
		{name: "lambda-axes-swapped", why: "rows are speeds, columns loads",
			made: []edit{transposed("lambda")}, may: caught, call: []string{"swap", "exchange", "transpos"}},
		{name: "spark-upside-down", why: "light-load spark at full load", made: []edit{upsideDown("spark")}, may: held},
		{name: "spark-slipped", why: "pasted two rows too far down: 6° more at full load",
			made: []edit{slipped("spark", 2)}, may: keptAway},
		{name: "spark-cut-load", why: "the last rows are gone: the spark of 130 % is held to 175 %",
			made: []edit{cutAbove("spark", 9000, 130)}, may: keptAway},
		{name: "lambda-cut-load", why: "the last rows are gone: the mixture of 100 % is held to 180 %",
			made: []edit{cutAbove("lambda", 9000, 100)}, may: held},
		{name: "lambda-cut-speed", why: "the last columns are gone: the mixture of 2000 rpm is held to the top",
			made: []edit{cutAbove("lambda", 2000, 300)}, may: keptAway},
		{name: "tables-of-another-car", why: "another car's for pump-93 and 3° more, in a car on pump-91",
			of: "rev-0106-a", made: []edit{tablesOf("rev-0102-b"), raise("spark", 3, fullLoad)}, may: keptAway},
	}
}

// pastTheLogs are changes that a comparison of driven cells, or with the parent alone, passes by.
func pastTheLogs() []revisionCase {
	pressure := func(role string) edit {
		return tableKeys(role, `y: {channel: absolute_load, unit: "%"}`, "y: {channel: manifold_pressure, unit: kPa}")
	}
	idle := newTable("role: other, name: idle_speed, x: {channel: coolant_temperature, unit: C}, unit: rpm",
		"idle_speed.csv", "coolant C,0,80\nidle,4000,4000\n")
	return []revisionCase{
		{name: "named-spark", why: "8° more in a spark table with a name: which one does the engine run by?",
			made: []edit{tableKeys("spark", "file:", "name: secondary, file:"), raise("spark", 8, fullLoad)},
			may:  caught},
		{name: "spark-by-pressure", why: "read by pressure instead of load, and 20° more below 1500 rpm",
			made: []edit{pressure("spark"), raise("spark", 20, everywhere.speeds(0, 1500))}, may: keptAway},
		{name: "spark-by-pressure-spike", why: "read by pressure, and 25° more in a cell at the top",
			made: []edit{pressure("spark"), raise("spark", 25, cell(3000, 175))}, may: keptAway},
		{name: "spark-by-oil", why: "read by what no logged state knows, so that nothing tells what it does",
			made: []edit{tableKeys("spark", `y: {channel: absolute_load, unit: "%"}`,
				"y: {channel: oil_temperature, unit: C}"), raise("spark", 8, fullLoad)}, may: unsure,
			tell: "unmodelled"},
		{name: "lambda-by-pressure", why: "read by pressure, and lambda 1.2 in the last row",
			made: []edit{pressure("lambda"), put("lambda", 1.2, area{everywhere.rpm, [2]float64{175, 300}})},
			may:  keptAway},
		{name: "boost-without-pedal", why: "full boost at any pedal",
			made: []edit{table("boost", func(s *sheet) { s.Y, s.Z, s.label = nil, s.Z[len(s.Z)-1:], "boost" }),
				line(`^(  - \{role: boost,.*), y: \{[^}]*\}`, "${1}")}, may: keptAway},
		{name: "via-spike", why: "equal to a parent nobody drove, with 12° more in the last cell",
			via: []edit{raise("spark", 12, cell(7000, 175))}, may: keptAway},
		{name: "via-boost", why: "equal to a parent nobody drove, with 60 kPa more at the last speed",
			via: []edit{raise("boost", 60, fullPedal.speeds(7000, 7000))}, may: keptAway},
		{name: "via-idle", why: "equal to a parent nobody drove, that idles at 4000 rpm", via: []edit{idle},
			may: keptAway},
		{name: "via-limit", why: "equal to a parent nobody drove, with no limit below 9500 rpm",
			via: []edit{limitTo(9500)}, may: keptAway},
		{name: "no-tables", why: "no parent and no table: nothing says what the engine runs",
			made: []edit{noParent(), line(`(?s)^tables:\n.*`, "tables: []\n")}, may: unsure, tell: "unmodelled"},
		{name: "idle-alone", why: "no parent and an idle table",
			made: []edit{noParent(), line(`(?s)^tables:\n.*`, "tables:\n"), idle}, may: unsure, tell: "unmodelled"},
	}
}

func littleToGoBy() []revisionCase {
	return []revisionCase{
		{name: "no-parent-spark", why: "nothing to compare with, and 8° too many",
			made: []edit{noParent(), raise("spark", 8, fullLoad)}, may: unsure},
		{name: "no-parent-no-boost", why: "nothing says which boost it runs",
			made: []edit{noParent(), withoutRole("boost")}, may: keptAway},
		{name: "parent-not-driven", why: "equal to a parent that nobody drove and that has 6° too many",
			via: []edit{raise("spark", 6, fullLoad)}, may: held},
		{name: "parent-not-driven-part", why: "equal to a parent that nobody drove and that is for another turbo",
			via: []edit{part("turbo", "larger")}, may: unsure, tell: "part_not_shown"},
		{name: "car-without-logs", why: "another car's tables in a car nobody has seen",
			made: []edit{forCar("car-099")}, may: keptAway},
		{name: "car-without-logs-spark", why: "another car's tables and 3° more in a car nobody has seen",
			made: []edit{forCar("car-099"), raise("spark", 3, fullLoad)}, may: keptAway},
		{name: "three-cars-lean", why: "0.03 leaner at full load, and three cars to say what is usual", on: threeCars,
			made: []edit{raise("lambda", 0.03, fullLoad)}, may: keptAway},
		{name: "three-cars-boost", why: "15 kPa more, and three cars to say what is usual", on: threeCars,
			made: []edit{raise("boost", 15, fullPedal)}, may: keptAway},
		{name: "one-limit", why: "the platform file has a limit for lean only", on: oneLimit, may: keptAway,
			tell: "not_judged"},
	}
}

func brokenSensors() []revisionCase {
	return []revisionCase{
		{name: "sensor-lambda", why: "reads 5 % rich: the true mixture is 5 % leaner", on: sickSensors,
			of: "rev-0106-a", may: keptAway},
		{name: "sensor-knock", why: "the knock channel never moves, not heard or quiet, and 1° more", on: sickSensors,
			of: "rev-0114-b", made: []edit{raise("spark", 1, fullLoad)}, may: keptAway, tell: MayNotHear{}.Code()},
		{name: "sensor-charge", why: "the charge temperature is frozen at 25 °C", on: sickSensors,
			may: keptAway},
		{name: "sensor-torque-boost", why: "all-zero torque is no measurement; 50 kPa more at low speed",
			on: sickSensors, of: "rev-0116-a", made: []edit{raise("boost", 50, fullPedal.speeds(1500, 2500))},
			may: keptAway},
		{name: "sensor-torque-other-car", why: "the only torque channel is all zero, so nothing measured bounds " +
			"low-speed load; a bare calculation holds nothing", on: sickSensors, of: "rev-0112-a",
			may: []Verdict{VerdictUndecided, VerdictConditions}},
	}
}
