package runlog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// drive is an invented run in stored units with the surroundings it was made in.
type drive struct {
	seconds []float64
	values  map[channel.ID][]float64
	baro    float64
	litres  float64
}

// put appends one sample.
func (d *drive) put(sample map[channel.ID]float64) {
	d.seconds = append(d.seconds, 0.2*float64(len(d.seconds)))
	for id, v := range sample {
		d.values[id] = append(d.values[id], v)
	}
}

// simulateDrive strings together key-on, idle, cruise, pull and overrun, each present or not, of an engine of 1 to 4
// litres at a barometer from sea level to 2000 m, cold or warm.
func simulateDrive(rng *rand.Rand) *drive {
	d := &drive{values: map[channel.ID][]float64{}, baro: 79 + 23*rng.Float64()}
	d.litres = 1 + 3*rng.Float64()
	boost := 160 * rng.Float64()
	idleMap := 26 + 16*rng.Float64()
	coolant := []float64{88, 95, 20, 45}[rng.IntN(4)]
	settled := 84 + 14*rng.Float64()
	charge := 5 + 40*rng.Float64()
	closed := []float64{0, 3, 8, 16}[rng.IntN(4)]
	sample := func(rpm, throttle, kpa, spark, lambda, road float64) {
		coolant += (settled - coolant) * 0.01
		noise := func(s float64) float64 { return s * rng.NormFloat64() }
		airflow := 0.0
		if rpm > 0 {
			airflow = rpm / 120 * d.litres * 0.85 * kpa / 101.3 * 1.18
			rpm += noise(8)
		}
		d.put(map[channel.ID]float64{
			channel.EngineSpeed: rpm, channel.ThrottlePosition: math.Min(100, math.Max(0, throttle+noise(0.1))),
			channel.ManifoldPressure:   kpa + noise(0.5),
			channel.BarometricPressure: d.baro, channel.CoolantTemperature: coolant + noise(0.2),
			channel.ChargeTemperature: charge + noise(0.2),
			channel.OilTemperature:    coolant - 2 + noise(0.2), channel.SparkAdvance: spark + noise(0.3),
			channel.Lambda:      lambda + noise(0.006),
			channel.MassAirFlow: airflow, channel.VehicleSpeed: math.Max(0, road), channel.ModuleVoltage: 13.9 +
				noise(0.05), channel.ShortTermTrim: 3 * math.Sin(coolant*7+rpm/300),
			channel.LambdaCommanded: math.Round(100*lambda) / 100,
		})
	}
	for range rng.IntN(2) * 10 {
		sample(0, closed, d.baro, 0, 1, 0)
	}
	for i := range rng.IntN(2) * 60 {
		sample(780, closed, idleMap+float64(i%3), 12, 1, 0)
	}
	for i := range rng.IntN(2) * 80 {
		sample(1800+5*float64(i), 20, 52+8*math.Sin(float64(i)/9), 28, 1, 60+float64(i)/8)
	}
	for i := range 40 + rng.IntN(40) {
		f := float64(i) / 79
		sample(2200+4200*f, 100, d.baro*0.97+boost*math.Min(1, 3*f), 8+12*f, 0.9-0.08*f, 40+100*f)
	}
	for i := range rng.IntN(2) * 50 {
		sample(5500-60*float64(i), closed, idleMap-6, 24, 1.5+0.01*float64(i), 130-float64(i))
	}
	return d
}

// guises are the ways each channel may stand in a file: header, and the function from stored value (and barometer) to
// what is written.
type guise struct {
	header string
	from   func(v, baro float64) float64
}

func in(u unit.Unit) func(v, baro float64) float64 {
	return func(v, baro float64) float64 {
		switch u.Quantity() {
		case unit.Temperature:
			v, _ = unit.Convert(v, unit.Celsius, u)
		case unit.GaugePressure:
			v, _ = unit.Convert(v-baro, unit.KilopascalGauge, u)
		case unit.Pressure:
			v, _ = unit.Convert(v, unit.Kilopascal, u)
		case unit.MassFlow:
			v, _ = unit.Convert(v, unit.GramPerSecond, u)
		case unit.Speed:
			v, _ = unit.Convert(v, unit.KmPerHour, u)
		case unit.Ratio:
			v, _ = unit.Convert(v, unit.Percent, u)
		}
		return v
	}
}

var guises = map[channel.ID][]guise{
	channel.EngineSpeed: {{"RPM", in("")}},
	channel.ThrottlePosition: {{"Throttle", in(unit.Percent)}, {"Throttle", in(unit.Fraction)},
		{"TPS (%)", in(unit.Percent)}, {"TPS (%)", in(unit.Fraction)}},
	channel.BarometricPressure: {{"Baro", in(unit.Kilopascal)}, {"Baro", in(unit.PSI)}, {"Baro", in(unit.InchHg)},
		{"Baro", in(unit.Millibar)}},
	channel.ManifoldPressure: {{"MAP", in(unit.Kilopascal)}, {"MAP", in(unit.PSI)}, {"MAP", in(unit.Bar)},
		{"MAP", in(unit.Millibar)}, {"MAP", in(unit.PSIGauge)}, {"Boost", in(unit.PSIGauge)},
		{"Boost", in(unit.BarGauge)}, {"Boost", in(unit.Kilopascal)}, {"Boost (psi)", in(unit.PSIGauge)},
		{"Boost (kPa)", in(unit.Kilopascal)}, {"Boost (kPa)", in(unit.KilopascalGauge)},
		{"Boost (bar)", in(unit.Bar)},
		{"Boost (psi)", func(v, baro float64) float64 { g := in(unit.PSIGauge)(v, baro); return math.Max(0, g) }},
		{"MAP (psia)", in(unit.PSI)}, {"MAP (kPa)", in(unit.Kilopascal)}, {"MAP (kPa)", in(unit.KilopascalGauge)}},
	channel.CoolantTemperature: {{"Coolant Temp", in(unit.Celsius)}, {"Coolant Temp", in(unit.Fahrenheit)},
		{"ECT (°C)", in(unit.Celsius)}, {"ECT (F)", in(unit.Fahrenheit)}},
	channel.ChargeTemperature: {{"Charge Temp", in(unit.Celsius)}, {"Charge Temp (°F)", in(unit.Fahrenheit)}},
	channel.OilTemperature:    {{"Oil Temp", in(unit.Celsius)}, {"Oil Temp (degF)", in(unit.Fahrenheit)}},
	channel.SparkAdvance: {{"Ignition Timing", in("")}, {"Ignition Timing " +
		"(deg)", func(v, _ float64) float64 { return -v }}},
	channel.Lambda: {{"Lambda", in("")}, {"AFR", func(v, _ float64) float64 { return 14.7 * v }},
		{"Lambda", func(v, _ float64) float64 { return 14.7 * v }},
		{"Wideband", func(v, _ float64) float64 { return 14.7 * v }},
		{"Equivalence Ratio", func(v, _ float64) float64 { return 1 / v }}, {"Equivalence Ratio", in("")},
		{"AFR", in("")}},
	channel.LambdaCommanded: {{"Commanded Equivalence Ratio", in("")}, {"Commanded Equivalence Ratio",
		func(v, _ float64) float64 { return 1 / v }}, {"Target AFR", func(v, _ float64) float64 { return 14.7 * v }},
		{"Target Lambda", in("")}},
	channel.MassAirFlow: {{"MAF", in(unit.GramPerSecond)}, {"MAF", in(unit.KgPerHour)},
		{"MAF", in(unit.LbPerMinute)}, {"MAF (lb/min)", in(unit.LbPerMinute)}},
	channel.ShortTermTrim: {{"STFT", in(unit.Percent)}, {"STFT", in(unit.Fraction)},
		{"STFT", func(v, _ float64) float64 { return 1 + v/100 }}},
	channel.ModuleVoltage: {{"Battery", in("")}, {"Battery", func(v, _ float64) float64 { return 1000 * v }}},
	channel.VehicleSpeed: {{"Vehicle Speed (mph)", in(unit.MilePerHour)},
		{"Vehicle Speed (km/h)", in(unit.KmPerHour)}},
}

// TestNeverWrong reads invented drives whose headers leave unit and reference open, in every guise of the trade: each
// channel must come out right or not at all. This is the promise that matters: a misread unit is worse than a missing
// channel.
func TestNeverWrong(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 4))
	type tally struct{ right, out, wrong int }
	counts := map[channel.ID]*tally{}
	for _, def := range channel.All() {
		counts[def.ID] = &tally{}
	}
	for range 400 {
		d := simulateDrive(rng)
		// of the temperatures without a written unit: a logger keeps to one
		plain := []unit.Unit{unit.Celsius, unit.Fahrenheit}[rng.IntN(2)]
		var ids []channel.ID
		var worn []guise
		header := []string{"Time (s)"}
		for _, def := range channel.All() {
			options := guises[def.ID]
			if len(options) == 0 || def.ID != channel.EngineSpeed && rng.IntN(4) == 0 {
				continue
			}
			g := options[rng.IntN(len(options))]
			if def.Unit == unit.Celsius && !strings.Contains(g.header, "(") {
				g.from = in(plain)
			}
			ids, worn, header = append(ids, def.ID), append(worn, g), append(header, g.header)
		}
		var b strings.Builder
		b.WriteString(strings.Join(header, ",") + "\n")
		for i, at := range d.seconds {
			fmt.Fprintf(&b, "%.2f", at)
			for k, id := range ids {
				fmt.Fprintf(&b, ",%.5f", worn[k].from(d.values[id][i], d.baro))
			}
			b.WriteString("\n")
		}
		opts := Options{}
		if rng.IntN(2) == 0 {
			opts.Barometer = d.baro
		}
		if rng.IntN(2) == 0 {
			opts.Displacement = d.litres
		}
		runs, err := ReadFrom(strings.NewReader(b.String()), "drive.csv", opts)
		if err != nil || len(runs) != 1 {
			t.Fatalf("%v, %d runs", err, len(runs))
		}
		for k, id := range ids {
			got := runs[0].Values(id)
			if air := runs[0].Assumed; id == channel.ManifoldPressure && air.KPa > 0 { // exact but for what is said
				got = samples.Scaled(got, 1, d.baro-air.KPa)
				if d.baro < air.Low || d.baro > air.High {
					t.Errorf("the air was %.4g kPa, and said to be %.4g to %.4g", d.baro, air.Low, air.High)
				}
			}
			switch off := worstGap(id, got, d); {
			case len(samples.Sorted(got)) == 0:
				counts[id].out++
			case off > 0.03:
				counts[id].wrong++
				t.Errorf("%s in guise %q is off by %.2g of its largest reading: %s", id, worn[k].header, off,
					reasonOf(runs[0], id))
			default:
				counts[id].right++
			}
		}
	}
	for _, def := range channel.All() {
		if c := counts[def.ID]; c.right+c.out+c.wrong > 0 {
			t.Logf("%-22s right %3d, left out %3d, wrong %d", def.ID, c.right, c.out, c.wrong)
		}
	}
}

// worstGap is the gap between reading and truth that one sample in ten exceeds, as a share of the largest reading.
func worstGap(id channel.ID, got []float64, d *drive) float64 {
	var gaps []float64
	scale := 1.0
	for i, v := range got {
		truth := d.values[id][i]
		if math.IsNaN(v) {
			continue
		}
		gaps = append(gaps, math.Abs(v-truth))
		scale = math.Max(scale, math.Abs(truth))
	}
	if len(gaps) == 0 {
		return 0
	}
	return samples.Quantile(samples.Sorted(gaps), 0.9) / scale
}

func reasonOf(r *Run, id channel.ID) string {
	for _, c := range r.Columns {
		if c.Channel == id {
			return c.Reason
		}
	}
	return ""
}
