package health

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/models/drift"
)

// seasonFleet is twelve cars with eight days between January and July, of one to five pulls: charge gets hotter with
// the weather, 8 K for 10, and torque of car-00 falls by so many N·m in 100 days at the same load.
func seasonFleet(rng *rand.Rand, loss float64) []*evidence.Row {
	nan := math.NaN()
	var out []*evidence.Row
	for car := range 12 {
		offset := rng.NormFloat64()
		for day := range 8 {
			date := fmt.Sprintf("2025-%02d-%02d", 1+day*6/7, 1+rng.IntN(28))
			into := float64(30*(day*6/7)) / 100
			ambient := 2 + 3.5*float64(day) + 2*rng.NormFloat64()
			for pull := range int32(1 + rng.IntN(5)) {
				luck := rng.NormFloat64()
				for cell := range 4 {
					load := 140 + 10*float64(cell) + 3*rng.NormFloat64()
					r := &evidence.Row{Vehicle: fmt.Sprintf("car-%02d", car), Date: date, Kind: evidence.KindPull,
						Revision: "a", Run: date + fmt.Sprint(car), Segment: pull, Order: pull,
						RPM: 2400 + 900*float64(cell), Load: load, Ambient: ambient, SparkCommanded: 12}
					r.ChargeTemperature = 30 + offset + 0.8*ambient + luck + 0.3*rng.NormFloat64()
					torque := 2.4*load + 3*offset + luck
					if car == 0 {
						torque -= loss * into
					}
					for _, at := range r.Kept() {
						at.Load, at.Torque = load, nan
					}
					r.Peak.Torque, r.Exit.Torque = torque, torque
					out = append(out, r)
				}
			}
		}
	}
	return out
}

// Spring that warms the charge of every car is no trend of the platform where ambient temperature is known; where it is
// not, it is one that cannot be told from the season.
func TestWeatherIsNoTrend(t *testing.T) {
	rows := seasonFleet(rand.New(rand.NewPCG(1, 2)), 0)
	trend := func() Trend {
		days, err := dailyResiduals(trendMetrics[0], rows)
		if err != nil {
			t.Fatal(err)
		}
		all := []Trend{trendOf("p", trendMetrics[0], days)}
		if err := callTrends(all); err != nil {
			t.Fatal(err)
		}
		return all[0]
	}
	if r := trend(); r.Status != result.Assessed || r.Signal || math.Abs(float64(r.SlopePer100Days)) > 1 {
		t.Errorf("weather known: %+v", r)
	}
	for _, r := range rows {
		r.Ambient = math.NaN()
	}
	if r := trend(); !r.Signal || len(r.Reasons) != 1 {
		t.Errorf("weather not known: %+v", r)
	}
}

// Power lost at the same charge is called, of the car that loses it, and the smallest loss that would be is no larger.
func TestPowerLossIsCalled(t *testing.T) {
	var torque watchedMetric
	for _, m := range watchedMetrics {
		if m.name == "torque at its load" {
			torque = m
		}
	}
	const loss = 10 // of some 370 N·m, in 100 days
	days, err := dailyResiduals(torque, seasonFleet(rand.New(rand.NewPCG(1, 3)), loss))
	if err != nil {
		t.Fatal(err)
	}
	markChanges(days, nil)
	cars, w, err := driftOf(standardDesign, "p", torque, days)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := callDrift(cars); err != nil {
		t.Fatal(err)
	}
	for _, c := range cars {
		if c.Signal != (c.Vehicle == "car-00") || c.Signal && !(c.Shift < -10 && c.Shift > -25) {
			t.Errorf("%+v", c)
		}
	}
	smallest, err := smallestDrifts([]watched{*w}, len(cars))
	if err != nil {
		t.Fatal(err)
	}
	if s := smallest[0]; s.Cars != 12 || !(s.Per100Days > 0.2 && s.Per100Days < loss) {
		t.Errorf("%+v", s)
	}
	few, err := (&watched{metric: torque, ratio: drift.Ratio{Fewest: 3, Span: 1, FalseAlarm: 0.01}}).smallest(0.01)
	if err != nil || few.Per100Days.Known() {
		t.Errorf("no cars: %+v %v", few, err)
	}
}

// A day of one pull strays farther than one of five.
func TestFewPullsStrayFarther(t *testing.T) {
	days, err := dailyResiduals(trendMetrics[0], seasonFleet(rand.New(rand.NewPCG(1, 4)), 0))
	if err != nil {
		t.Fatal(err)
	}
	var one, five []float64
	for i := range days {
		for k, w := range days[i].Wide {
			switch days[i].pulls[k] {
			case 1:
				one = append(one, w)
			case 5:
				five = append(five, w)
			}
		}
	}
	if len(one) == 0 || len(five) == 0 || !(one[0] > 1.2*five[0]) {
		t.Errorf("one pull %v, five %v", one, five)
	}
}

// Speeds that all lie above a bend of the line over speed still have residuals, as one table value throughout does.
func TestConditionsOnALine(t *testing.T) {
	rows := seasonFleet(rand.New(rand.NewPCG(1, 5)), 0)
	for _, r := range rows {
		r.RPM += 1000
	}
	days, err := dailyResiduals(trendMetrics[0], rows)
	if err != nil || len(days) != 12 {
		t.Errorf("%d cars, %v", len(days), err)
	}
	if days, err := dailyResiduals(trendMetrics[0], nil); err != nil || days != nil {
		t.Errorf("no rows: %v %v", days, err)
	}
}
