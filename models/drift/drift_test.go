package drift

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.8g, want %.8g ± %.2g", what, got, want, tolerance)
	}
}

func columns(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("../../testdata/reference/drift", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]float64, len(rows[0]))
	for _, r := range rows[1:] {
		for j, s := range r {
			v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
			if err != nil {
				t.Fatal(err)
			}
			out[j] = append(out[j], v)
		}
	}
	return out
}

func TestAdjustedAgainstR(t *testing.T) {
	c := columns(t, "adjusted.csv")
	got, err := Adjusted(c[0])
	if err != nil {
		t.Fatal(err)
	}
	for i := range got {
		near(t, fmt.Sprint("adjusted ", c[0][i]), got[i], c[1][i], 1e-12)
	}
	if _, err := Adjusted([]float64{0.5, math.NaN()}); err == nil {
		t.Error("NaN accepted")
	}
	if got, err := Adjusted(nil); err != nil || len(got) != 0 {
		t.Errorf("no charts: %v %v", got, err)
	}
}

func normalSeries(rng *rand.Rand, runs int, drift func(run int) float64) Series {
	s := Series{}
	for i := range runs {
		s.Times = append(s.Times, float64(i))
		s.Values = append(s.Values, 12+3*(rng.NormFloat64()+drift(i)))
	}
	return s
}

func healthy(int) float64 { return 0 }

// moved is the mean of a car's second half less that of its first.
func moved(s Series) float64 {
	half := len(s.Values) / 2
	return stat.Mean(s.Values[half:], nil) - stat.Mean(s.Values[:half], nil)
}

// What moves the whole fleet is taken off each car: by three deviations, of which four standard errors of a car's
// halves are left at most.
func TestAgainstFleet(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	var cars []Series
	for car := range 40 {
		s := normalSeries(rng, 30, func(i int) float64 {
			season := 0.0
			if i >= 15 {
				season = 3 // the whole fleet moves
			}
			return season + float64(car)
		})
		cars = append(cars, s)
	}
	free, alone, err := AgainstFleet(cars, 0.5)
	if err != nil || alone != 0 {
		t.Fatal(alone, err)
	}
	slack := 4 * 3 * math.Sqrt(2.0/15)
	for i := range cars {
		near(t, "as logged", moved(cars[i]), 9, slack)
		near(t, "against the fleet", moved(free[i]), 0, slack)
	}
	same, alone, err := AgainstFleet(cars[:1], 0.5)
	if err != nil || alone != 30 || !cmp.Equal(same[0], cars[0]) {
		t.Errorf("a fleet of one: alone %d %v", alone, err)
	}
	if _, _, err := AgainstFleet(cars, 0); err == nil {
		t.Error("window 0 accepted")
	}
}
