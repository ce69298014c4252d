package runlog

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"headroom/models/channel"
)

// Two groups of channels read a hundred times a second each, the second 7 ms behind the first: rows come 7 and 3 ms
// apart, and every row but the first few has a reading of both, held from the row before.
func TestHoldsAcrossGroupsOfOneRate(t *testing.T) {
	var b strings.Builder
	b.WriteString("time (s),engine speed (rpm),coolant temperature (°C)\n")
	for k := range 300 {
		fmt.Fprintf(&b, "%.3f,%d,\n%.3f,,%d\n", float64(k)*0.01, 2000+k, float64(k)*0.01+0.007, 80+k/100)
	}
	runs, err := ReadFrom(strings.NewReader(b.String()), "x.csv", Options{})
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	for _, id := range []channel.ID{channel.EngineSpeed, channel.CoolantTemperature} {
		empty := 0
		for _, v := range runs[0].Values(id) {
			if math.IsNaN(v) {
				empty++
			}
		}
		if empty > 2 {
			t.Errorf("%s is empty in %d of %d rows", id, empty, runs[0].Rows)
		}
	}
}

// A reading that was not taken in its turn is missing, though a later one came.
func TestHoldsNoReadingThatIsMissing(t *testing.T) {
	var b strings.Builder
	b.WriteString("time (s),engine speed (rpm)\n")
	for k := range 300 {
		if k%20 == 10 {
			fmt.Fprintf(&b, "%.3f,\n", float64(k)*0.01)
		} else {
			fmt.Fprintf(&b, "%.3f,%d\n", float64(k)*0.01, 2000+k)
		}
	}
	runs, err := ReadFrom(strings.NewReader(b.String()), "x.csv", Options{})
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	if v := runs[0].Values(channel.EngineSpeed); !math.IsNaN(v[10]) || !math.IsNaN(v[30]) || math.IsNaN(v[31]) {
		t.Errorf("%v", v[8:33])
	}
}
