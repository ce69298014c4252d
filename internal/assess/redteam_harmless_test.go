package assess

import (
	"math"
	"strings"
)

// harmlessRevisions are those that must be released.
func harmlessRevisions() []revisionCase {
	out := []revisionCase{
		{name: "same", why: "the tables, fuel and parts that were driven"},
		{name: "same-car-014", why: "the same of another car", of: "rev-0114-b"},
		{name: "same-car-016", why: "the same of another car", of: "rev-0116-a"},
		{name: "same-parent-not-driven", why: "equal to what its grandparent was driven with",
			via: []edit{line("^author: .*$", "author: t9")}},
		{name: "other-author", why: "another author and status",
			made: []edit{line("^author: .*$", "author: t4"), line("^status: .*$", "status: released")}},
		{name: "other-date", why: "another date", made: []edit{line("^date: .*$", "date: 2026-12-24")}},
		{name: "tables-inherited", why: "lists none of its parent's tables, so has them all",
			made: []edit{line(`(?s)^tables:\n.*`, "tables: []\n")}},
		{name: "parts-restated", why: "names a part that every log had",
			made: []edit{part("exhaust", "stock, intake: stock")}},
		{name: "spark-less-1", why: "1° later everywhere", made: []edit{raise("spark", -1, everywhere)}},
		{name: "spark-less-1-full-load", why: "1° later at full load", made: []edit{raise("spark", -1, fullLoad)}},
		{name: "spark-less-one-speed", why: "1° later at 4000 rpm",
			made: []edit{raise("spark", -1, fullLoad.speeds(4000, 4000))}},
		{name: "spark-less-half-top", why: "half a degree later at the top",
			made: []edit{raise("spark", -0.5, fullLoad.speeds(5500, 7000))}},
		{name: "richer", why: "0.01 richer at full load", made: []edit{raise("lambda", -0.01, fullLoad)}},
		{name: "three-cars-same", why: "what was driven, and three cars", on: threeCars},
		{name: "three-cars-richer", why: "0.01 richer, and three cars, of which two log oil temperature", on: threeCars,
			made: []edit{raise("lambda", -0.01, fullLoad)}},
		{name: "richer-top", why: "0.015 richer at the top",
			made: []edit{raise("lambda", -0.015, fullLoad.speeds(5000, 7000))}},
		{name: "boost-less-5", why: "5 kPa less at full pedal", made: []edit{raise("boost", -5, fullPedal)}},
		{name: "boost-less-cam", why: "5 kPa less, by which the cam moves a fraction of a degree", of: "rev-0114-b",
			made: []edit{raise("boost", -5, fullPedal)}},
		{name: "boost-less-low", why: "8 kPa less at low speed",
			made: []edit{raise("boost", -8, fullPedal.speeds(1500, 2500))}},
		{name: "all-milder", why: "later, richer and less boost at once",
			made: []edit{raise("spark", -0.5, fullLoad), raise("lambda", -0.005, fullLoad),
				raise("boost", -3, fullPedal)}},
		{name: "spark-empty-smoothed", why: "cells that no pull reaches get what a smoother surface gives: up to 1.5°",
			made: []edit{table("spark", smoothedCorner)}},
		{name: "spark-empty-less", why: "3° later where nobody goes", made: []edit{raise("spark", -3,
			area{[2]float64{800, 1500}, [2]float64{130, 300}})}},
		{name: "spark-cruise-3", why: "3° earlier at light load, where no full-throttle pull goes and nothing is near",
			made: []edit{raise("spark", 3, area{[2]float64{2000, 3500}, [2]float64{20, 40}})}},
		{name: "lambda-empty-smoothed", why: "0.01 richer below the speeds of any pull at most load",
			made: []edit{raise("lambda", -0.01, area{[2]float64{800, 800}, [2]float64{140, 300}})}},
		{name: "boost-empty-smoothed", why: "3 kPa less at half pedal",
			made: []edit{raise("boost", -3, area{[2]float64{2500, 7000}, [2]float64{40, 40}})}},
		{name: "higher-octane", why: "two octane more, the same ethanol", made: []edit{fuel("pump-95")}},
		{name: "spark-finer", why: "more breakpoints on the same surface", made: []edit{finer("spark")}},
		{name: "lambda-finer", why: "more breakpoints on the same surface", made: []edit{finer("lambda")}},
		{name: "boost-finer", why: "more breakpoints on the same surface", made: []edit{finer("boost")}},
		{name: "spark-in-atdc", why: "the same spark, written after top dead centre",
			made: []edit{scaled("spark", -1, 0), tableKeys("spark", "unit: deg}", "unit: deg ATDC}")}},
		{name: "lambda-in-afr", why: "the same mixture, written as air–fuel ratio", made: []edit{
			scaled("lambda", 14.7, 0), tableKeys("lambda", "unit: lambda}", "unit: AFR, stoichiometric_ratio: 14.7}")}},
		{name: "boost-in-psi-gauge", why: "the same boost, written as gauge psi", made: []edit{
			scaled("boost", 1/6.894757, -101.325/6.894757),
			tableKeys("boost", "unit: kPa}", "unit: psi gauge, barometer_kpa: 101.325}")}},
		{name: "boost-in-bar", why: "the same boost, written as absolute bar",
			made: []edit{scaled("boost", 0.01, 0), tableKeys("boost", "unit: kPa}", "unit: bar absolute}")}},
		{name: "decimal-comma", why: "the same spark as another spreadsheet writes it",
			made: []edit{semicolons("spark")}},
		{name: "speed-limit-lower", why: "400 rpm less to run into", made: []edit{limitTo(6200)}},
		{name: "cam-finer", why: "more breakpoints on the base's cam surface",
			made: []edit{cam(0), finer("intake_cam")}},
		{name: "stock-capital", why: "a stock part, written otherwise", made: []edit{part("exhaust", "Stock")}},
		{name: "knock-never-moved", on: sickSensors,
			why: "the knock channel never moves, and a quarter of a degree less passes without its logs too",
			of:  "rev-0114-b", made: []edit{raise("spark", -0.25, fullLoad)}, tell: MayNotHear{}.Code()},
		{name: "set-back", why: "equal to its driven grandparent, over a parent with 6° more",
			via: []edit{raise("spark", 6, fullLoad)}, made: []edit{raise("spark", -6, fullLoad)}},
		{name: "cam-same", why: "the base's cam table, listed anew", made: []edit{cam(0)}},
	}
	for i := range out {
		out[i].may = released
	}
	return out
}

// smoothedCorner halves the second difference of the cells below 1500 rpm and above 130 % load, which no pull reaches.
func smoothedCorner(s *sheet) {
	was := s.Table
	s.each(area{[2]float64{800, 1500}, [2]float64{130, 300}}, func(v, x, y float64) float64 {
		around := was.At(x+500, y)/4 + was.At(x-500, y)/4 + was.At(x, y+15)/4 + was.At(x, y-15)/4
		return math.Round(10*math.Min(v+1.5, (v+around)/2)) / 10
	})
}

// semicolons writes a table with semicolons and decimal commas.
func semicolons(role string) edit {
	return func(d draft) {
		d.file("tables/"+role+".csv", func(text string) string {
			return strings.NewReplacer(",", ";", ".", ",").Replace(text)
		})
	}
}
