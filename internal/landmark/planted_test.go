package landmark

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"headroom/internal/runlog"
	"headroom/internal/runlog/channelmap"
	"headroom/models/channel"
	"headroom/models/unit"
)

// column is one column of an invented logger.
type column struct {
	head  string
	write func(v float64) float64 // what the logger writes of the true value
}

func plain(v float64) float64 { return v }

// loggers write columns under these heads, in the units that these name.
var loggers = map[channel.ID]column{
	channel.LambdaCommanded:    {"AFR Target", func(v float64) float64 { return 14.7 * v }},
	channel.Lambda:             {"AFR", func(v float64) float64 { return 14.7 * v }},
	channel.RailPressure:       {"Fuel Rail Pressure (kPa)", plain},
	channel.CoolantTemperature: {"Coolant (°C)", plain},
	channel.OilTemperature:     {"Oil Temp (°C)", plain},
	channel.ChargeTemperature:  {"Charge Temp (°C)", plain},
	channel.AmbientTemperature: {"Ambient Temp (°C)", plain},
	channel.ExhaustTemperature: {"EGT (°C)", plain},
	channel.MassAirFlow:        {"MAF (g/s)", plain},
	channel.AbsoluteLoad:       {"Absolute Load (%)", plain},
	channel.Torque:             {"Measured Torque (Nm)", plain},
	channel.ManifoldPressure:   {"MAP (kPa)", plain},
	channel.BarometricPressure: {"Baro (kPa)", plain},
	channel.ModuleVoltage:      {"Battery (V)", plain},
}

// planted is one fault of one car's logger.
type planted struct {
	name    string
	channel channel.ID
	head    string // "" for the usual one
	write   func(v float64) float64
	cause   Cause // the zero value where none is to be told
}

func scaled(by float64) func(v float64) float64 { return func(v float64) float64 { return by * v } }

var faults = []planted{
	{"display of 14.64 read by a stated 14.7", channel.LambdaCommanded, "", scaled(14.64), Cause{Stoich: 14.64,
		From: 14.7}},
	{"display of 14.08 read by a stated 14.7", channel.LambdaCommanded, "", scaled(14.08), Cause{Stoich: 14.08,
		From: 14.7}},
	{"rail in psi headed kPa", channel.RailPressure, "", scaled(1 / 6.894757), Cause{Unit: unit.PSIGauge, Was: "kPa " +
		"gauge"}},
	{"coolant reads 40 K too little", channel.CoolantTemperature, "", func(v float64) float64 { return v - 40 },
		Cause{}},
	{"oil reads 65 K too little", channel.OilTemperature, "", func(v float64) float64 { return v - 65 }, Cause{}},
	{"charge in °F headed °C", channel.ChargeTemperature, "", func(v float64) float64 { return 1.8*v + 32 },
		Cause{Unit: unit.Fahrenheit, Was: unit.Celsius}},
	{"exhaust in °C headed °F", channel.ExhaustTemperature, "EGT (°F)", plain,
		Cause{Unit: unit.Celsius, Was: unit.Fahrenheit}},
	{"air flow in lb/min headed g/s", channel.MassAirFlow, "", scaled(1 / 7.559873),
		Cause{Unit: unit.LbPerMinute, Was: unit.GramPerSecond}},
	{"air flow in kg/h headed g/s", channel.MassAirFlow, "", scaled(3.6),
		Cause{Unit: unit.KgPerHour, Was: unit.GramPerSecond}},
	{"load on another scale", channel.AbsoluteLoad, "", scaled(2), Cause{}},
	{"torque in lbf·ft headed Nm", channel.Torque, "", scaled(1 / 1.355818), Cause{Unit: unit.PoundFoot,
		Was: unit.NewtonMetre}},
	{"manifold pressure off by 20 kPa", channel.ManifoldPressure, "", func(v float64) float64 { return v + 20 },
		Cause{}},
	{"barometer off by 30 kPa", channel.BarometricPressure, "", func(v float64) float64 { return v - 30 }, Cause{}},
	{"battery reads a fifth too much", channel.ModuleVoltage, "", scaled(1.2), Cause{}},
}

// car is what is true of one car of an invented platform.
type car struct {
	lambda, rail, filling, load, torque                  float64 // factors
	coolant, oil, charge, exhaust, keyOn, baro, charging float64 // departures
	lacks                                                map[channel.ID]bool
}

func drawCar(r *rand.Rand) car {
	c := car{
		lambda: math.Exp(0.008 * r.NormFloat64()), rail: math.Exp(0.06 * r.NormFloat64()),
		filling: math.Exp(0.03 * r.NormFloat64()), load: math.Exp(0.03 * r.NormFloat64()),
		torque:  math.Exp(0.03 * r.NormFloat64()),
		coolant: 3 * r.NormFloat64(), oil: 6 * r.NormFloat64(), charge: 4 * r.NormFloat64(),
		exhaust: 25 * r.NormFloat64(), keyOn: 0.8 * r.NormFloat64(), baro: -6 * r.Float64(),
		charging: 0.2 * r.NormFloat64(), lacks: map[channel.ID]bool{},
	}
	for _, id := range []channel.ID{channel.RailPressure, channel.OilTemperature, channel.ExhaustTemperature,
		channel.Torque, channel.BarometricPressure, channel.ModuleVoltage} {
		c.lacks[id] = r.Float64() < 0.2
	}
	return c
}

// written is a log of the car: key-on, a quarter of an hour of idle and cruise, three pulls.
func (c *car) written(r *rand.Rand, fault *planted) string {
	ids := []channel.ID{}
	for id := range loggers {
		if !c.lacks[id] || fault != nil && fault.channel == id || id == channel.BarometricPressure && fault != nil {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	var b strings.Builder
	b.WriteString("Time (s),RPM,Throttle (%)")
	for _, id := range ids {
		head := loggers[id].head
		if fault != nil && fault.channel == id && fault.head != "" {
			head = fault.head
		}
		b.WriteString("," + head)
	}
	b.WriteString("\n")
	baro, ambient := 101+c.baro+0.8*r.NormFloat64(), 18+7*r.NormFloat64()
	noise := func(v, sd float64) float64 { return v + sd*r.NormFloat64() }
	for i, t := 0, 0.0; t < 1050; i++ {
		step := 1.0
		rpm, throttle, manifold, lambda, warm := 820.0, 3.0, 34.0, 1.0, 1.0
		switch phase := math.Mod(t, 350); {
		case t < 5:
			rpm, throttle, manifold = 0, 0, baro
		case phase > 335:
			step, rpm, throttle, manifold, lambda = 0.25, 2000+300*(phase-335), 100, 190, 0.85
		case phase > 150:
			rpm, throttle, manifold = 2200, 18, 60
		}
		truth := map[channel.ID]float64{}
		charge := ambient + 20 + c.charge + 12*(manifold-34)/156
		density := manifold * 1000 / (287.05 * (charge + 273.15))
		truth[channel.LambdaCommanded], truth[channel.Lambda] = lambda, noise(lambda*c.lambda, 0.008)
		truth[channel.RailPressure] = noise((5000+40*(manifold-34))*c.rail, 60)
		truth[channel.CoolantTemperature] = 92*warm + c.coolant + noise(0, 0.4)
		truth[channel.OilTemperature] = 100 + c.oil + noise(0, 0.4)
		truth[channel.ChargeTemperature], truth[channel.AmbientTemperature] = charge, ambient
		truth[channel.ExhaustTemperature] = 500 + 2*(manifold-34) + c.exhaust
		truth[channel.MassAirFlow] = noise(0.9*2*density*rpm/120*c.filling, 0.2)
		truth[channel.AbsoluteLoad] = noise(100*0.9*density/1.184*c.load, 0.5)
		truth[channel.Torque] = noise(180*density/1.184*c.torque-20, 4)
		truth[channel.ManifoldPressure] = noise(manifold, 0.4) + c.keyOn
		truth[channel.BarometricPressure] = math.Round(baro)
		truth[channel.ModuleVoltage] = 14 + c.charging + noise(0, 0.05)
		fmt.Fprintf(&b, "%.2f,%.0f,%.1f", t, rpm, throttle)
		for _, id := range ids {
			write := loggers[id].write
			if fault != nil && fault.channel == id {
				write = fault.write
			}
			if fault != nil && id == channel.Lambda && fault.channel == channel.LambdaCommanded {
				write = fault.write // one logger, one scale
			}
			fmt.Fprintf(&b, ",%.3f", write(truth[id]))
		}
		b.WriteString("\n")
		t += step
	}
	return b.String()
}

// fleetOf reads a fleet's logs, one or two a car; the car odd has the fault, where there is one.
func fleetOf(t *testing.T, seed uint64, cars int, fault *planted) (logs []Log, odd string) {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, uint64(cars)))
	at := r.IntN(cars)
	odd = fmt.Sprintf("car-%02d", at)
	for i := range cars {
		c := drawCar(r)
		var f *planted
		if i == at && fault != nil {
			f = fault
		}
		for k := range 1 + r.IntN(2) {
			path := fmt.Sprintf("runs/car-%02d/rev/%d.csv", i, k)
			opts := runlog.Options{Logger: channelmap.Logger{}}
			if f != nil && f.channel == channel.LambdaCommanded {
				opts.Logger.Stoich = 14.7
			}
			runs, err := runlog.ReadFrom(strings.NewReader(c.written(r, f)), path, opts)
			if err != nil {
				t.Fatal(err)
			}
			logs = append(logs, Log{Path: path, Platform: "p", Vehicle: fmt.Sprintf("car-%02d", i),
				Readings: Readings(runs[0])})
		}
	}
	return logs, odd
}

// fleets is how many of each kind are drawn.
func fleets() int {
	if os.Getenv("HEADROOM_PROOF") != "" {
		return 40
	}
	return 2
}

// In sound fleets, in which cars differ as sound cars do, are at different heights and lack channels, hardly anything
// is named; each fault planted once is, on the right car and channel, with the unit or scale that explains it, and no
// other car is.
func TestPlantedFaults(t *testing.T) {
	called, sound := 0, 0
	for _, n := range []int{3, 6, 12, 24}[:sizes()] {
		for seed := range fleets() {
			logs, _ := fleetOf(t, uint64(seed), n, nil)
			sound++
			if s := Suspects(logs); len(s) > 0 {
				called++
				t.Logf("sound fleet %d of %d cars: %+v", seed, n, s)
			}
		}
	}
	t.Logf("of %d sound fleets something is named in %d", sound, called)
	if float64(called) > FalseAlarm*float64(sound) {
		t.Errorf("something is named in %d of %d sound fleets", called, sound)
	}
	for _, n := range []int{12, 4}[:sizes()/2] {
		all, named := 0, 0
		for i := range faults {
			f := &faults[i]
			found, explained, others, tried := 0, 0, 0, 0
			for seed := range fleets() {
				logs, odd := fleetOf(t, uint64(1000+seed), n, f)
				if !shows(logs, f.channel) {
					continue // too few other cars log it
				}
				tried++
				hit, right := false, false
				for _, s := range Suspects(logs) {
					switch {
					case s.Vehicle != odd:
						others++
					case s.Channel == f.channel || s.Against == f.channel:
						hit = true
						right = right || s.Channel == f.channel && s.Cause == f.cause
					}
				}
				if hit {
					found++
				}
				if right {
					explained++
				}
			}
			t.Logf("%2d cars, %-42s named in %d of %d, explained in %d; another car in %d", n, f.name, found, tried,
				explained, others)
			if 10*explained < 9*found || others > tried/10 {
				t.Errorf("%d cars, %s: named in %d of %d, explained in %d, others in %d", n, f.name, found, tried,
					explained, others)
			}
			all, named = all+tried, named+found
		}
		if t.Logf("%2d cars: %d of %d planted faults are named", n, named,
			all); float64(named) < least[n]*float64(all) {
			t.Errorf("of %d cars only %d of %d faults", n, named, all)
		}
	}
}

// least is the share of all faults that must be named, by the number of cars.
var least = map[int]float64{12: 0.9, 4: 0.75}

// sizes is how many sizes of fleets are drawn.
func sizes() int {
	if os.Getenv("HEADROOM_PROOF") != "" {
		return 4
	}
	return 2
}

// shows reports whether three cars or more show a landmark of the channel.
func shows(logs []Log, id channel.ID) bool {
	for _, k := range kinds {
		cars := map[string]bool{}
		for _, l := range logs {
			if slices.ContainsFunc(l.Readings, func(r Reading) bool { return r.Landmark == k.ID }) {
				cars[l.Vehicle] = true
			}
		}
		if k.Channel == id && len(cars) >= 3 {
			return true
		}
	}
	return false
}

// The same logs in another order, and those of a platform beside those of another, say the same.
func TestOrderDoesNotMatter(t *testing.T) {
	logs, _ := fleetOf(t, 5, 6, &faults[2])
	want := fmt.Sprint(Suspects(logs))
	other, _ := fleetOf(t, 6, 3, nil)
	for i := range other {
		other[i].Platform, other[i].Vehicle = "q", other[i].Vehicle+"-q"
	}
	slices.Reverse(logs)
	if got := fmt.Sprint(Suspects(logs)); got != want || want == "[]" {
		t.Errorf("%s, want %s", got, want)
	}
	if got := Suspects(append(logs, other...)); len(got) != 1 || got[0].Channel != channel.RailPressure {
		t.Errorf("beside another platform: %+v", got)
	}
}
