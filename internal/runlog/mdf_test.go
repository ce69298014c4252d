package runlog

import (
	"math"
	"strings"
	"testing"

	"headroom/models/channel"
)

// A measurement of three channel groups at rates of their own becomes one run; the units are the file's.
func TestReadMDF(t *testing.T) {
	runs, err := Read("source/mdf/testdata/rates.mf4", Options{})
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	r := runs[0]
	if r.TimeBase.Column != "time" || !strings.HasPrefix(r.Dialect.Encoding, "ASAM MDF 4.10") || r.Rows != 117 {
		t.Errorf("%+v, %+v, %d rows", r.TimeBase, r.Dialect, r.Rows)
	}
	// The first readings as testdata/make.py has them, in the channels' own units.
	for id, want := range map[channel.ID]float64{channel.EngineSpeed: 800, channel.CoolantTemperature: 20,
		channel.Lambda: 0.85, channel.OilTemperature: 90, channel.BarometricPressure: 96, channel.VehicleSpeed: 40} {
		first := math.NaN()
		for _, v := range r.Values(id) {
			if first = v; !math.IsNaN(v) {
				break
			}
		}
		if math.Abs(first-want) > 1e-9 {
			t.Errorf("%s begins with %v, want %v", id, first, want)
		}
	}
}
