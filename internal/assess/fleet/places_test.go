package fleet

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
)

// dyestuff is the yield of five preparations of each of six batches (Davies and Goldsmith 1972, as shipped with
// lme4: testdata/reference/mixed/dyestuff.csv), less 1500.
var dyestuff = [6][5]float64{
	{45, -60, -60, 20, 80}, {40, 55, -10, 60, -5}, {95, 50, 105, 10, 60},
	{-55, -60, 95, -35, 45}, {95, 130, 15, 135, 125}, {20, -45, -50, -20, -55},
}

// Cars' places are what Dyestuff's batches are. REML by lme4 (testdata/reference/mixed/reference.csv): level 1527.5,
// variance of batches 1764.05 and within them 2451.25, batches that deviate as below. With variances τ² and σ² taken as
// known and B = τ²/(τ² + σ²/5) the level of a batch is known to τ²(1 − B) + (1 − B)²(τ² + σ²/5)/6 (Prasad and Rao, J.
// Amer. Statist. Assoc. 85, 1990, g₁ + g₂; from memory), and a day more deviates by σ² beside.
func TestPlacesOfDyestuff(t *testing.T) {
	var rows []evidence.Row
	for car, days := range dyestuff {
		for day, v := range days {
			rows = append(rows, dayRow(fmt.Sprint("car-", car), fmt.Sprintf("2026-07-%02d", day+1), v))
		}
	}
	w, err := weatherOf(platformWith(t, "direct", func(*workspace.Platform) {}), rows)
	if err != nil {
		t.Fatal(err)
	}
	if w.Places.Year {
		t.Error("July is taken for the year")
	}
	const between, within, batches, each = 1764.05, 2451.25, 6, 5
	b := between / (between + within/each)
	sd := math.Sqrt(within + between*(1-b) + (1-b)*(1-b)*(between+within/each)/batches)
	for car, want := range []float64{-17.6069, 0.3913, 28.5622, -23.0845, 56.7332, -44.9953} {
		id := fmt.Sprint("car-", car)
		days := daysToCome(t, w.Places, id)
		if got := stat.Mean(days.Values, nil) - 27.5; math.Abs(got-want) > 0.01 {
			t.Errorf("%s: place deviates by %.4f, lme4 says %.4f", id, got, want)
		}
		for _, share := range []float64{0.05, 0.5, 0.95} {
			if got := days.Quantile(share) - 27.5 - want; math.Abs(got-sd*distuv.UnitNormal.Quantile(share)) > 0.02*sd {
				t.Errorf("%s: %g of days lie below %.2f, want %.2f", id, share, got,
					sd*distuv.UnitNormal.Quantile(share))
			}
		}
		if own := w.Places.OwnDays(id); own != each {
			t.Errorf("%s: %d days of its own", id, own)
		}
	}
	// A car that was never logged has a place like any other.
	new := daysToCome(t, w.Places, "another")
	want := math.Sqrt(within + between + (between+within/each)/batches)
	if got := stat.StdDev(new.Values, nil); math.Abs(got/want-1) > 0.01 || w.Places.OwnDays("another") != 0 {
		t.Errorf("a car without logs: days deviate by %.2f, want %.2f", got, want)
	}
}

func dayRow(car, date string, ambient float64) evidence.Row {
	r := *wholeRow()
	r.Vehicle, r.Date, r.Run, r.Ambient = car, date, "runs/"+car+"/"+date+".csv", ambient
	return r
}

func daysToCome(t *testing.T, p *Places, car string) Days {
	t.Helper()
	d, err := p.DaysOf(car)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// climate is an invented country: places differ, and so do seasons and days.
type climate struct{ places, wave, days float64 }

// warmth is a day's ambient temperature at a place.
func (c climate) warmth(rng *rand.Rand, place float64, date time.Time) float64 {
	return 12 + place + c.wave*math.Cos(2*math.Pi*float64(date.YearDay()-205)/365.25) + c.days*rng.NormFloat64()
}

// Of the days that cars meet over a year, nine in ten lie within 5 to 95 % of what was said, and one in fifty past the
// hot day, whether cars were logged often or once, all over the year or each in one season; on average over cars and
// fleets, within three standard errors between fleets of the simulation. Variance components are taken as known, which
// costs half a point, and widened where few days tell them (models/mixed), which gives up to two.
func TestDaysToComeAreMet(t *testing.T) {
	const fleets, carsEach, fresh = 60, 20, 200
	start := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name    string
		climate climate
		oneTime bool // each car is logged within one month
	}{
		{"one place", climate{0, 6, 3}, false},
		{"places", climate{5, 8, 4}, false},
		{"places, each car in one month", climate{5, 8, 4}, true},
		{"no seasons", climate{4, 0, 4}, true},
	} {
		rng := rand.New(rand.NewPCG(20261126, 3))
		var inside, hot []float64 // by fleet
		for range fleets {
			places := make([]float64, carsEach)
			var days []loggedDay
			for car := range places {
				places[car] = c.climate.places * rng.NormFloat64()
				first := rng.IntN(365)
				for range 1 + rng.IntN(5) {
					at := rng.IntN(365)
					if c.oneTime {
						at = first + rng.IntN(30)
					}
					date := start.AddDate(0, 0, at)
					days = append(days, loggedDay{fmt.Sprint(car), date.Format(time.DateOnly),
						c.climate.warmth(rng, places[car], date)})
				}
			}
			p, err := placesOf(days)
			if err != nil {
				t.Fatal(err)
			}
			if !p.Year {
				t.Fatalf("%s: %d days of %d cars do not tell the year", c.name, len(days), carsEach)
			}
			in, past := 0.0, 0.0
			for car, place := range places {
				d := daysToCome(t, p, fmt.Sprint(car))
				low, high, hot := d.Quantile(0.05), d.Quantile(0.95), d.Quantile(0.98)
				for range fresh {
					switch v := c.climate.warmth(rng, place, start.AddDate(0, 0, rng.IntN(365))); {
					case v > hot:
						past++
					case v >= low && v <= high:
						in++
					}
				}
			}
			inside, hot = append(inside, in/carsEach/fresh), append(hot, past/carsEach/fresh)
		}
		for _, x := range []struct {
			what      string
			got       []float64
			low, high float64
		}{{"within 5 to 95 %", inside, 0.895, 0.92}, {"past the hot day", hot, 0.015, 0.0225}} {
			mean, sd := stat.MeanStdDev(x.got, nil)
			slack := 3 * sd / math.Sqrt(fleets)
			t.Logf("%s: %.4f %s, known to %.4f", c.name, mean, x.what, slack)
			if mean < x.low-slack || mean > x.high+slack {
				t.Errorf("%s: %.4f of days %s, want %g to %g", c.name, mean, x.what, x.low, x.high)
			}
		}
	}
}

// A car that was logged on one hot day in July is not one of hot years: where its day was as warm as July is, its year
// is the fleet's. Where the fleet itself was logged in summer alone, no season is made up.
func TestJulyIsNotTheYear(t *testing.T) {
	country := climate{places: 3, wave: 9, days: 3}
	fleetOf := func(month func(k int) int) []loggedDay {
		rng := rand.New(rand.NewPCG(7, 7))
		var days []loggedDay
		for car := range 12 {
			place := country.places * rng.NormFloat64()
			for k := range 6 {
				date := time.Date(2025, time.Month(month(k)), 1+rng.IntN(28), 0, 0, 0, 0, time.UTC)
				days = append(days, loggedDay{fmt.Sprint(car), date.Format(time.DateOnly),
					country.warmth(rng, place, date)})
			}
		}
		return days
	}
	july := loggedDay{"july", "2025-07-24", 12 + 9} // as warm as that day is in a common place
	p, err := placesOf(append(fleetOf(func(k int) int { return 1 + 2*k }), july))
	if err != nil {
		t.Fatal(err)
	}
	its, common := daysToCome(t, p, "july"), daysToCome(t, p, "another")
	if got := its.Quantile(0.5) - common.Quantile(0.5); !p.Year || math.Abs(got) > 2 {
		t.Errorf("after one common day of July its median day is %.1f K from that of a common place", got)
	}
	if its.Quantile(0.05) > 4 || its.Quantile(0.95) > 27 {
		t.Errorf("nine days in ten lie from %.1f to %.1f °C", its.Quantile(0.05), its.Quantile(0.95))
	}
	summer, err := placesOf(append(fleetOf(func(k int) int { return 6 + k%3 }), july))
	if err != nil {
		t.Fatal(err)
	}
	its = daysToCome(t, summer, "july")
	if summer.Year || its.Quantile(0.05) < 10 {
		t.Errorf("summers tell a winter of %.1f °C", its.Quantile(0.05))
	}
}

// A year is told by days in all of it, whichever the year and the order.
func TestCoversYear(t *testing.T) {
	months := func(of ...int) (parts []float64) {
		for _, m := range of {
			for day := range yearDays {
				date := time.Date(2020+day%5, time.Month(m), 1+2*day, 0, 0, 0, 0, time.UTC)
				parts = append(parts, partOfYear(date.Format(time.DateOnly)))
			}
		}
		return parts
	}
	for _, c := range []struct {
		months []int
		want   bool
	}{
		{[]int{1, 4, 7, 10}, true}, {[]int{10, 1, 7, 4}, true}, {[]int{1, 5, 9}, true},
		{[]int{3, 4, 5, 6, 7, 8, 9, 10}, false}, // a gap over the turn of the year
		{[]int{1, 2, 3, 9, 10, 11, 12}, false}, {[]int{7}, false}, {nil, false},
	} {
		if got := coversYear(months(c.months...)); got != c.want {
			t.Errorf("months %v: %v", c.months, got)
		}
	}
	if coversYear([]float64{0, 0.25, 0.5, 0.75}) {
		t.Error("four days tell a year")
	}
	if value := partOfYear(""); !math.IsNaN(value) {
		t.Errorf("no date lies at %g", value)
	}
}

// Days without a date stand beside the rest where there are no seasons, and are left out where there are.
func TestUndatedDays(t *testing.T) {
	var days []loggedDay
	for month := 1; month <= 12; month++ {
		days = append(days, loggedDay{fmt.Sprint(month % 3), fmt.Sprintf("2025-%02d-10", month), 10})
	}
	undated := loggedDay{"0", "", 40}
	with, err := placesOf(append(slices.Clone(days), undated))
	if err != nil {
		t.Fatal(err)
	}
	if !with.Year || with.Model.Days != 12 {
		t.Errorf("with seasons of %d days", with.Model.Days)
	}
	few, err := placesOf(append(slices.Clone(days[:9]), undated))
	if err != nil {
		t.Fatal(err)
	}
	if few.Year || few.Model.Days != 10 {
		t.Errorf("without seasons of %d days", few.Model.Days)
	}
}
