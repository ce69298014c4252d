package evidence

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"headroom/internal/runlog"
)

// planted is a log being written, with the pulls that were planted in it, in seconds.
type planted struct {
	rng                  *rand.Rand
	form                 plantedForm
	t, rpm, road         float64
	ratio                float64 // rpm per km/h
	gear                 int
	rows                 []string
	pulls                [][2]float64
	speedShown, roadTime float64
}

// plantedForm is one way in which customers' logs differ.
type plantedForm struct {
	name    string
	step    float64 // seconds between rows
	columns string  // of RPM, speed, throttle, pedal, gear
	flicker bool    // the gear column flickers while the ratio is one
	slow    float64 // seconds between readings of road speed; 0: each row
	diesel  bool    // the throttle stands open at idle
	top     float64 // rpm
	digit   float64 // of engine speed, rpm; 0: fine
	drive   bool    // the control unit closes the throttle within the pull
}

// plantedForms are common practice, no source: each stands for logs that were read wrong.
var plantedForms = []plantedForm{
	{name: "plain", step: 0.1, columns: "throttle", top: 6500},
	{name: "with road speed", step: 0.1, columns: "throttle speed", top: 6500},
	{name: "gear flickers, road speed", step: 0.1, columns: "throttle speed gear", flicker: true, top: 6500},
	{name: "gear flickers", step: 0.1, columns: "throttle gear", flicker: true, top: 6500},
	{name: "gear", step: 0.05, columns: "throttle gear", top: 7000},
	{name: "road speed once a second", step: 0.1, columns: "throttle speed", slow: 1, top: 6500},
	{name: "road speed twice a second, gear flickers", step: 0.05, columns: "pedal speed gear", slow: 0.5,
		flicker: true,
		top:     6500},
	{name: "pedal and closing throttle", step: 0.1, columns: "throttle pedal speed", drive: true, top: 6500},
	{name: "diesel with pedal", step: 0.1, columns: "throttle pedal speed", diesel: true, top: 4400},
	{name: "diesel without pedal", step: 0.1, columns: "throttle speed", diesel: true, top: 4400},
	{name: "race engine", step: 0.02, columns: "throttle gear", top: 15500},
	{name: "two rows a second", step: 0.5, columns: "throttle speed", top: 6500},
	{name: "steps of 64 rpm", step: 0.1, columns: "throttle speed", digit: 64, top: 6500},
}

// write appends rows for some seconds; speed gives engine speed by the share of them that has passed.
func (p *planted) write(seconds, pedal float64, speed func(f float64) float64, inGear bool) {
	for k := 0; float64(k)*p.form.step < seconds; k++ {
		p.rpm = speed(float64(k) * p.form.step / seconds)
		if inGear {
			p.road = p.rpm / p.ratio
		}
		p.row(pedal, float64(k)*p.form.step/seconds)
	}
}

func (p *planted) row(pedal, f float64) {
	shown := p.rpm + 6*p.rng.NormFloat64()*math.Min(1, p.rpm/800)
	if p.form.digit > 0 {
		shown = p.form.digit * math.Floor(shown/p.form.digit)
	}
	if p.form.slow == 0 || p.t-p.roadTime >= p.form.slow-1e-9 {
		p.roadTime, p.speedShown = p.t, math.Round(p.road)
	}
	throttle := 3 + 0.97*pedal
	switch {
	case p.form.diesel:
		throttle = 83.5
	case p.form.drive && pedal > 90 && f > 0.3 && f < 0.7:
		throttle = 62
	}
	gear := float64(p.gear)
	if p.form.flicker && p.rng.IntN(3) == 0 {
		gear += 2
	}
	line := fmt.Sprintf("%.3f,%.1f,90", p.t, math.Max(0, shown))
	for _, c := range strings.Fields(p.form.columns) {
		v := map[string]float64{"throttle": throttle, "pedal": pedal, "speed": p.speedShown, "gear": gear}[c]
		line += fmt.Sprintf(",%.1f", v)
	}
	p.rows = append(p.rows, line)
	p.t += p.form.step
}

// pull plants one pull from engine speed low to high in one gear.
func (p *planted) pull(low, high, seconds float64) {
	from := p.t
	p.write(seconds, 100, func(f float64) float64 { return low + (high-low)*math.Pow(f, 0.9) }, true)
	if !p.form.diesel || strings.Contains(p.form.columns, "pedal") {
		p.pulls = append(p.pulls, [2]float64{from, p.t - p.form.step})
	}
}

// plantedLog drives: idle, cruise, pulls with lifts between, in gears of their own; and what is no pull: revving in
// neutral, half pedal up to the top, a short stab, overrun.
func plantedLog(rng *rand.Rand, form plantedForm) *planted {
	p := &planted{rng: rng, form: form, ratio: 50, gear: 4, roadTime: -9}
	top := form.top
	p.write(12, 0, func(float64) float64 { return 800 }, false)
	for range 4 {
		p.gear = 2 + rng.IntN(3)
		p.ratio = []float64{110, 75, 55}[p.gear-2] * top / 6500
		low, high := top*(0.28+0.1*rng.Float64()), top*(0.75+0.22*rng.Float64())
		p.write(4, 20, func(f float64) float64 { return low * (0.98 + 0.02*f) }, true)
		p.pull(low, high, 3+5*rng.Float64())
		p.write(3, 0, func(f float64) float64 { return high * (1 - 0.5*f) }, true)
		switch rng.IntN(4) {
		case 0: // half pedal
			p.write(8, 55, func(f float64) float64 { return top * (0.35 + 0.5*f) }, true)
			p.write(3, 0, func(f float64) float64 { return top * (0.85 - 0.5*f) }, true)
		case 1: // a stab
			p.write(0.8, 100, func(f float64) float64 { return top * (0.4 + 0.03*f) }, true)
			p.write(2, 0, func(f float64) float64 { return top * (0.43 - 0.05*f) }, true)
		case 2: // revving in neutral
			p.road = 0
			p.write(3, 0, func(float64) float64 { return 820 }, false)
			p.write(0.9, 100, func(f float64) float64 { return 820 + 0.6*top*f }, false)
			p.write(3, 0, func(f float64) float64 { return 820 + 0.6*top*(1-f) }, false)
		}
	}
	p.road = 0
	p.write(5, 0, func(float64) float64 { return 800 }, false)
	return p
}

// TestPlantedPulls plants pulls in logs of each form, reads the logs and counts which pulls are found. A pull counts as
// found when one found pull covers nine tenths of it, but for one row at either end, and a found pull as false when
// it lies within none by nine tenths.
func TestPlantedPulls(t *testing.T) {
	runs := 12
	if os.Getenv("HEADROOM_PROOF") != "" {
		runs = 100
	}
	totalPlanted, totalHits, totalFound, totalFalse := 0, 0, 0, 0
	for k, form := range plantedForms {
		plants, hits, found, wrong := 0, 0, 0, 0
		for seed := range runs {
			p := plantedLog(rand.New(rand.NewPCG(uint64(seed), uint64(k))), form)
			names := map[string]string{"throttle": "Throttle (%)", "pedal": "Accelerator Pedal (%)",
				"speed": "Vehicle Speed (km/h)", "gear": "Gear"}
			head := "Time (s),RPM,Coolant (°C)"
			for _, c := range strings.Fields(form.columns) {
				head += "," + names[c]
			}
			read, err := runlog.ReadFrom(strings.NewReader(head+"\n"+strings.Join(p.rows, "\n")+"\n"), "planted.csv",
				runlog.Options{})
			if err != nil || len(read) != 1 {
				t.Fatalf("%s: %v, %d runs", form.name, err, len(read))
			}
			segments, _ := Segments(Align(read[0], nil), setup())
			var got [][2]float64
			for _, s := range pullsOf(segments) {
				got = append(got, [2]float64{read[0].Time[s.From], read[0].Time[s.To-1]})
			}
			plants, found = plants+len(p.pulls), found+len(got)
			for _, want := range p.pulls {
				hit := false
				for _, g := range got {
					inner := [2]float64{want[0] + form.step, want[1] - form.step}
					hit = hit || covered(inner, g) >= 0.9
				}
				if hit {
					hits++
				} else {
					t.Logf("%s, seed %d: the pull of %.1f to %.1f s is not found whole: %v", form.name, seed, want[0],
						want[1],
						got)
				}
			}
			for _, g := range got {
				within := false
				for _, want := range p.pulls {
					within = within || covered(g, want) >= 0.9
				}
				if !within {
					wrong++
					t.Logf("%s, seed %d: a pull of %.1f to %.1f s is found that was not planted: %v", form.name, seed,
						g[0], g[1],
						p.pulls)
				}
			}
		}
		t.Logf("%-42s planted %3d, found whole %3d, found %3d, false %d", form.name, plants, hits, found, wrong)
		totalPlanted, totalHits, totalFound, totalFalse = totalPlanted+plants, totalHits+hits, totalFound+found,
			totalFalse+wrong
	}
	recall, falseShare := float64(totalHits)/float64(totalPlanted), float64(totalFalse)/float64(totalFound)
	t.Logf("recall %.1f %% of %d, false %.2f %% of %d", 100*recall, totalPlanted, 100*falseShare, totalFound)
	if recall < 0.95 || falseShare > 0.01 {
		t.Errorf("recall %.3f, false %.3f: want at least 0.95 and at most 0.01", recall, falseShare)
	}
}

// covered is the share of a stretch that another covers.
func covered(a, by [2]float64) float64 {
	return math.Max(0, math.Min(a[1], by[1])-math.Max(a[0], by[0])) / math.Max(a[1]-a[0], 1e-9)
}
