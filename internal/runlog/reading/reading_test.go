package reading

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"headroom/internal/runlog/header"
	"headroom/models/channel"
	"headroom/models/unit"
)

// drive is 60 samples of a turbocharged engine in stored units: at rest, at idle, at full throttle, with the throttle
// closed, at a barometer of 98 kPa.
type drive struct{ seconds, speed, opening, road, manifold, lambda, coolant []float64 }

const baro = 98.0

func newDrive() drive {
	var d drive
	for i := range 60 {
		f := float64(i%15) / 14
		rpm, opening, road, kpa, lambda := 0.0, 6.0, 0.0, baro, 1.0
		switch {
		case i >= 45:
			rpm, road, kpa, lambda = 6000-3000*f, 100, 28, 1.4
		case i >= 30:
			rpm, opening, road, kpa, lambda = 2500+3500*f, 100, 60, 150+60*f, 0.85-0.05*f
		case i >= 15:
			rpm, kpa = 800+float64(i%3), 34+f
		}
		d.seconds = append(d.seconds, float64(i))
		d.speed, d.opening, d.road = append(d.speed, rpm), append(d.opening, opening), append(d.road, road)
		d.manifold, d.lambda = append(d.manifold, kpa), append(d.lambda, lambda)
		d.coolant = append(d.coolant, 90+0.01*f)
	}
	return d
}

// context knows speed, throttle and road speed of the drive.
func (d drive) context() *Context {
	ctx := &Context{Seconds: d.seconds}
	ctx.Keep(channel.EngineSpeed, Reading{Values: d.speed})
	ctx.Keep(channel.ThrottlePosition, Reading{Values: d.opening})
	ctx.Keep(channel.VehicleSpeed, Reading{Values: d.road})
	return ctx
}

func mapped(values []float64, f func(float64) float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = f(v)
	}
	return out
}

// claim is the best claim of a header.
func claim(t *testing.T, name string) header.Claim {
	t.Helper()
	claims := header.Match(name, "")
	if len(claims) == 0 {
		t.Fatalf("%q names nothing", name)
	}
	return claims[0]
}

// What is written in other units and references comes out in stored ones. Factors: 1 psi = 6.894757 kPa (NIST SP 811),
// °F = 1.8 °C + 32; the rest by definition.
func TestRead(t *testing.T) {
	d := newDrive()
	gauge := func(v float64) float64 { return (v - baro) / 6.894757 }
	for name, c := range map[string]struct {
		header string
		values []float64 // stored
		from   func(float64) float64
		say    string // part of the reason
	}{
		"boost above the surroundings": {"Boost (psi)", d.manifold, gauge, "gauge"},
		"called absolute, no unit":     {"MAP", d.manifold, func(v float64) float64 { return v }, "only kPa fits"},
		"psi without a word": {"MAP (psi)", d.manifold, func(v float64) float64 { return v / 6.894757 },
			"rest"},
		"air-fuel ratio": {"AFR", d.lambda, func(v float64) float64 { return 14.7 * v },
			"divided by 14.7"},
		"fuel-air ratio": {"Equivalence Ratio", d.lambda, func(v float64) float64 { return 1 / v }, "φ"},
		"lambda":         {"Lambda", d.lambda, func(v float64) float64 { return v }, "is λ"},
		"Fahrenheit": {"Coolant Temp", d.coolant, func(v float64) float64 { return 1.8*v + 32 },
			"sits in °F only"},
		"fraction": {"Throttle", d.opening, func(v float64) float64 { return v / 100 }, "fractions"},
		"trim that multiplies": {"STFT", mapped(d.seconds, func(s float64) float64 { return math.Sin(s) * 5 }),
			func(v float64) float64 { return 1 + v/100 }, "multiply"},
		"retard below zero": {"Knock Retard (deg)", mapped(d.seconds, func(s float64) float64 {
			return math.Floor(s / 20)
		}), func(v float64) float64 { return -v }, "turned to positive"},
		"barometer in inches": {"Baro", mapped(d.seconds, func(float64) float64 { return baro }),
			func(v float64) float64 { return v / 3.386389 }, "inHg"},
		"spark": {"Timing Advance", mapped(d.speed, func(v float64) float64 { return v / 200 }),
			func(v float64) float64 { return v }, "deg"},
	} {
		ctx := d.context()
		ctx.Barometer = baro
		r, err := ctx.Read(claim(t, c.header), mapped(c.values, c.from))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for i, want := range c.values {
			if math.Abs(r.Values[i]-want) > 1e-3*math.Max(1, math.Abs(want)) {
				t.Errorf("%s: sample %d is %v, want %v: %s", name, i, r.Values[i], want, r.Why)
				break
			}
		}
		if !strings.Contains(r.Why, c.say) || r.Unit == "" || !(r.Confidence > 0 && r.Confidence <= 1) {
			t.Errorf("%s: %+v, want a reason with %q", name, r, c.say)
		}
	}
}

// Gauge pressure of a log that tells nothing of its place is read above the usual air, and says between which bounds it
// may lie: the deepest vacuum of the running engine, 12 kPa above which no engine pulls, is the lowest. All columns of
// a log are read above the same air. 194 m and 99.0 kPa are the standard atmosphere's (ISO 2533).
func TestAssumedAir(t *testing.T) {
	d := newDrive()
	for vacuum, want := range map[float64]Air{40: {99, 78, 104}, 75: {99, 87, 104}, 90: {102, 102, 104}} {
		ctx, raw := d.context(), mapped(d.manifold, func(v float64) float64 { return (v - baro) / 6.894757 })
		for i := 45; i < len(raw); i++ { // on the overrun
			raw[i] = -vacuum / 6.894757
		}
		r, err := ctx.Read(claim(t, "Boost (psi gauge)"), raw)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Air.KPa-want.KPa) > 0.1 || math.Abs(r.Air.Low-want.Low) > 0.1 || r.Air.High != want.High {
			t.Errorf("vacuum of %g kPa: %+v, want %+v", vacuum, r.Air, want)
		}
	}
}

// What may be one thing or another is not read: a misread unit is worse than a missing channel.
func TestRefusals(t *testing.T) {
	d := newDrive()
	same := func(v float64) float64 { return v }
	for name, c := range map[string]struct {
		header string
		values []float64
		from   func(float64) float64
		say    string
	}{
		"absolute by word, gauge by values": {"MAP (kPa abs)", d.manifold, func(v float64) float64 { return v - baro },
			"written as absolute but"},
		"still warming up": {"Coolant Temp", mapped(d.seconds, func(s float64) float64 { return 40 + s }), same,
			"still changes"},
		"percent in name, fractions in values": {"Throttle (%)", d.opening, func(v float64) float64 { return v / 100 },
			"as fractions do"},
		"both signs": {"Knock Retard (deg)", mapped(d.seconds, func(s float64) float64 { return math.Sin(s) }), same,
			"which sign"},
		"a switching sensor": {"Lambda", mapped(d.seconds, func(s float64) float64 {
			return 0.1 + 0.8*float64(int(s)%2) + 0.5*0
		}), same, "narrow-band"},
		"zero throughout": {"AFR", mapped(d.seconds, func(float64) float64 { return 0 }), same,
			"zero is no mixture"},
		"outside the range": {"Engine Speed (rpm)", d.speed, func(v float64) float64 { return 1e4 + 10*v },
			"do not fit"},
		"no readings": {"Engine Speed (rpm)", d.speed, func(float64) float64 { return math.NaN() },
			"no readings"},
		"unit of another":    {"Engine Speed (kPa)", d.speed, same, "is not a unit of"},
		"spark after centre": {"Timing Advance", d.speed, func(v float64) float64 { return -v / 200 }, "ATDC"},
		"flow without idle": {"MAF", mapped(d.speed, func(v float64) float64 {
			if v < 1200 {
				return math.NaN()
			}
			return v / 50
		}), same, "without idle readings"},
	} {
		if r, err := d.context().Read(claim(t, c.header), mapped(c.values, c.from)); err == nil ||
			!strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v (%s), want %q", name, err, r.Why, c.say)
		}
	}
}

// A gauge that stops at zero does not show vacuum: what it shows then is taken out and counted.
func TestFloor(t *testing.T) {
	d := newDrive()
	ctx := d.context()
	ctx.Barometer = baro
	r, err := ctx.Read(claim(t, "Boost (psi)"), mapped(d.manifold, func(v float64) float64 {
		return math.Max(0, (v-baro)/6.894757)
	}))
	if err != nil {
		t.Fatal(err)
	}
	gone := 0
	for i, v := range r.Values {
		vacuum := d.speed[i] > 0 && d.manifold[i] < baro
		if math.IsNaN(v) != vacuum || !vacuum && math.Abs(v-d.manifold[i]) > 0.01 {
			t.Errorf("sample %d: %v, truly %v", i, v, d.manifold[i])
		}
		if vacuum {
			gone++
		}
	}
	if r.Floored != gone || gone == 0 {
		t.Errorf("%d counted, %d gone", r.Floored, gone)
	}
}

// What had to be assumed is said, and what the user states outright is not overruled.
func TestAssumptions(t *testing.T) {
	d := newDrive()
	ctx := d.context()
	afr := mapped(d.lambda, func(v float64) float64 { return 14.7 * v })
	if r, err := ctx.Read(claim(t, "AFR"), afr); err != nil || len(r.Assumptions) != 1 ||
		!strings.Contains(r.Assumptions[0], "14.7") {
		t.Errorf("%v, %q", err, r.Assumptions)
	}
	ctx.Stoich = 14.7
	if r, err := ctx.Read(claim(t, "AFR"), afr); err != nil || len(r.Assumptions) != 0 ||
		math.Abs(r.Values[20]-1) > 1e-9 {
		t.Errorf("%v, %q", err, r.Assumptions)
	}
	ctx.Stoich = 9
	if r, err := ctx.Read(claim(t, "AFR"), afr); err != nil || len(r.Assumptions) != 1 ||
		!strings.Contains(r.Assumptions[0], "may be another") {
		t.Errorf("%v, %q", err, r.Assumptions)
	}
	stated := header.Stated(channel.ManifoldPressure, "kPa gauge", "Sensor A", "", "line 1")
	ctx.Barometer = baro
	if r, err := ctx.Read(stated, d.manifold); err != nil || len(r.Assumptions) != 1 ||
		math.Abs(r.Values[0]-2*baro) > 1e-9 {
		t.Errorf("%v, %q, %v", err, r.Assumptions, r.Values)
	}
	rail := mapped(d.speed, func(v float64) float64 { return 50 + v/100 })
	bare := d.context()
	if r, err := bare.Read(claim(t, "Rail Pressure (bar)"), rail); err != nil || len(r.Assumptions) != 1 ||
		math.Abs(r.Values[0]-5101.325) > 0.01 {
		t.Errorf("gauge as SAE J1979 has it, standard air added: %v, %q, %v", err, r.Assumptions, r.Values[0])
	}
}

// Further rows of a column are read as the first ones were, and what was concluded of the logger's habits goes on.
func TestFurtherRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := newDrive()
		ctx := d.context()
		ctx.Barometer = rapid.Float64Range(75, 103).Draw(t, "barometer")
		for _, name := range []string{"Boost (psi)", "AFR", "Equivalence Ratio", "ECT (F)", "STFT (%)"} {
			var raw []float64
			switch name {
			case "Boost (psi)":
				raw = mapped(d.manifold, func(v float64) float64 { return math.Max(0, (v-baro)/6.894757) })
			case "AFR":
				raw = mapped(d.lambda, func(v float64) float64 { return 14.7 * v })
			case "Equivalence Ratio":
				raw = mapped(d.lambda, func(v float64) float64 { return 1 / v })
			case "ECT (F)":
				raw = mapped(d.coolant, func(v float64) float64 { return 1.8*v + 32 })
			default:
				raw = mapped(d.seconds, func(s float64) float64 { return 4 * math.Sin(s) })
			}
			raw[rapid.IntRange(0, 59).Draw(t, "missing")] = math.NaN()
			r, err := ctx.Read(header.Match(name, "")[0], raw)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			further := ctx.Further(d.seconds)
			further.Keep(channel.EngineSpeed, Reading{Values: d.speed})
			again, floored := r.Conversion.Apply(further, raw)
			if floored != r.Floored {
				t.Fatalf("%s: %d floored, then %d", name, r.Floored, floored)
			}
			for i, v := range again {
				if math.Float64bits(v) != math.Float64bits(r.Values[i]) && !(math.IsNaN(v) && math.IsNaN(r.Values[i])) {
					t.Fatalf("%s: sample %d is %v, then %v", name, i, r.Values[i], v)
				}
			}
		}
	})
	ctx := &Context{Imperial: true, Stoich: 14.1, Displacement: 2, Barometer: 99, thermal: unit.Fahrenheit}
	ctx.Keep(channel.PedalPosition, Reading{Values: []float64{1}})
	ctx.Keep(channel.ThrottlePosition, Reading{Values: []float64{2}})
	if ctx.Opening[0] != 2 {
		t.Error("the throttle speaks before the pedal")
	}
	f := ctx.Further([]float64{7})
	if !f.Imperial || f.Stoich != 14.1 || f.Displacement != 2 || f.Barometer != 99 || f.thermal != unit.Fahrenheit ||
		f.Opening != nil || f.Seconds[0] != 7 {
		t.Errorf("%+v", f)
	}
}

// The scale of a displayed air–fuel ratio is that at which the commanded one stands while the control unit holds λ at
// 1. A display of another make stands elsewhere and keeps its own, and a plateau that is no fuel's is none.
func TestScaleOfTheCommandedPlateau(t *testing.T) {
	speed, opening, truth := []float64{}, []float64{}, []float64{}
	for i := range 100 {
		if pull := i >= 60; pull {
			speed, opening, truth = append(speed, 2000+100*float64(i-60)), append(opening, 100), append(truth, 0.85)
			continue
		}
		speed, opening, truth = append(speed, 2000), append(opening, 15), append(truth, 1)
	}
	for name, c := range map[string]struct {
		commanded, measured float64 // scales
		want                float64 // measured λ of a pull
		assumed             int
	}{
		"one scale":              {14.64, 14.64, 0.85, 0},
		"the usual display":      {14.7, 14.7, 0.85, 0},
		"gasoline with ethanol":  {14.08, 14.08, 0.85, 0},
		"a blend of 85 %":        {9.77, 9.77, 0.85, 0},
		"another display":        {14.08, 14.7, 0.85, 1},
		"enriched while driving": {12.9, 14.7, 0.85, 1},
	} {
		ctx := &Context{}
		ctx.Keep(channel.EngineSpeed, Reading{Values: speed})
		ctx.Keep(channel.ThrottlePosition, Reading{Values: opening})
		ctx.LearnStoich(mapped(truth, func(v float64) float64 { return c.commanded * v }))
		noise := 0.0
		afr := mapped(truth, func(v float64) float64 { // closed loop swings by a hundredth about λ 1
			noise = 0.01 - noise
			return c.measured * v * (0.995 + noise)
		})
		r, err := ctx.Read(claim(t, "AFR"), afr)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if mean := (r.Values[80] + r.Values[81]) / 2; math.Abs(mean-c.want) > 1e-9 || len(r.Assumptions) != c.assumed {
			t.Errorf("%s: λ %.4f, want %.4f; %q", name, mean, c.want, r.Assumptions)
		}
	}
}
