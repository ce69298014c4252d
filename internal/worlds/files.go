package worlds

import (
	"bytes"
	"fmt"
	"math"
	"time"
)

// platformFile is what the shop knows of the platform: geometry right, the rest wrong by what shops get wrong.
// Volumetric efficiency is within 4 %, the pump within 5 %, the burn anchor within 5 degrees, or missing.
func (w *world) platformFile() []byte {
	d := newDice(w.seed, diceFleet, 9)
	e := &w.engine
	var b bytes.Buffer
	injection := "port"
	if e.direct {
		injection = "direct"
	}
	fmt.Fprintf(&b, "id: %s\nname: invented\nengine:\n  cylinders: %d\n  bore_mm: %g\n  stroke_mm: %g\n  rod_mm: %g\n",
		e.id, e.cylinders, e.bore, e.stroke, e.rod)
	fmt.Fprintf(&b, "  compression_ratio: %s\n  intake_valve_closing_deg: %g\n  exhaust_valve_opening_deg: %g\n",
		number(e.compression), e.ivc, e.evo)
	fmt.Fprintf(&b, "  injection: %s\n  induction: turbo\n", injection)
	w.burnSection(&b, d)
	at := []float64{1500, 2500, 3500, 4500, 5500, 6500}
	scale, tilt := d.between(0.97, 1.03), d.between(-0.01, 0.01)
	var ve []float64
	for i, rpm := range at {
		p := w.base[0].boostTarget(rpm, 100)
		v := e.breathing(rpm, p, e.exhaustPressure(100, e.airFlow(rpm, p/100)), 0)
		ve = append(ve, round(clamp(v*(scale+tilt*(float64(i)-2.5)/2.5), 0.45, 1.25), 0.005))
	}
	fmt.Fprintf(&b, "air_path:\n  volumetric_efficiency: {at: %s, value: %s}\n", numbers(at), numbers(ve))
	fmt.Fprintf(&b,
		"  compressor_efficiency: %s\n  intercooler_effectiveness: %s\n  source: rounded off air flow logs, invented\n",
		number(round(d.between(0.66, 0.74), 0.01)), number(round(d.between(0.65, 0.85), 0.05)))
	s := &w.fuelSystem
	fmt.Fprintf(&b, "fuel_system:\n  injector_flow_cc_min: %s\n  rated_pressure_kpa: %g\n  dead_time_ms: %s\n",
		number(round(s.flow*d.between(0.98, 1.02), 5)), s.rated, number(round(s.dead*d.between(0.85, 1.15), 0.01)))
	if e.direct {
		fmt.Fprintf(&b, "  usable_window_deg: %g\n", s.window)
	}
	wrong := d.between(0.95, 1.05)
	pressures := []float64{s.base / 2, s.base, s.base * 1.5}
	var flows []float64
	for _, p := range pressures {
		flows = append(flows, round(s.limit(p)*wrong, 0.1))
	}
	fmt.Fprintf(&b, "  pump_capacity: {at: %s, value: %s}\n  source: data sheets, invented\n", numbers(pressures),
		numbers(flows))
	if d.chance(0.7) {
		fmt.Fprintf(&b, "octane_index_k: %s\n", number(round(w.octaneK+d.around(0, 0.1), 0.05)))
	}
	k := &w.controller
	fmt.Fprintf(&b, "knock_control:\n  step_deg: %g\n  recovery_deg_per_second: %s\n", k.step, number(k.recovery))
	fmt.Fprintf(&b, "  tolerated_retard_deg: %g\n", k.tolerated)
	b.WriteString("  source: shop rule, invented\nlimits:\n")
	for i := range w.limits {
		w.limits[i].write(&b)
	}
	if d.chance(0.7) {
		pipe := w.mixture.pipe*0.7 + w.mixture.sensor
		fmt.Fprintf(&b, "lags: {lambda: %s}\n", number(max(0.05, round(pipe*d.between(0.7, 1.3), 0.05))))
	}
	return b.Bytes()
}

// burnSection writes the burn at a reference point as the Wiebe function of the file's form (a = 5, m = 2) that reaches
// a tenth and nine tenths where the true burn does, moved by what a shop gets wrong.
func (w *world) burnSection(b *bytes.Buffer, d dice) {
	if w.forms.BurnFile == "none" {
		return
	}
	c := w.typical(3000, 160, 0.88, 0)
	spark := w.base[0].spark.at(3000, 160)
	lag, duration := w.burn.angles(&w.engine, &c, spark)
	reach := func(share float64) float64 { return math.Cbrt(-math.Log1p(-share) / 5) }
	ten, ninety := lag+duration*w.burn.reach(0.1), lag+duration*w.burn.reach(0.9)
	long := (ninety - ten) / (reach(0.9) - reach(0.1))
	short := ten - long*reach(0.1)
	short = clamp(round(short+d.between(-3, 3), 0.5), 1.5, 30)
	long = round(long+d.between(-5, 5), 1)
	b.WriteString("burn:\n  speed_rpm: 3000\n  absolute_load_pct: 160\n  lambda: 0.88\n")
	fmt.Fprintf(b, "  spark_deg: %s\n  ignition_lag_deg: %s\n  duration_deg: %s\n", number(spark), number(short),
		number(long))
	if d.chance(0.5) {
		b.WriteString("  known: handbook\n")
	}
	b.WriteString("  source: another engine of the kind, invented\n")
}

func (l *limit) write(b *bytes.Buffer) {
	fmt.Fprintf(b, "  - {hazard: %s, metric: %s, unit: %q, ", l.hazard, l.metric, l.unit)
	switch l.form {
	case limitLevel:
		fmt.Fprintf(b, "value: %s, ", number(l.value))
	case limitSpeed:
		fmt.Fprintf(b, "along: engine_speed, at: %s, values: %s, ", numbers(l.at), numbers(l.over))
	case limitLoad:
		fmt.Fprintf(b, "along: absolute_load, at: %s, values: %s, ", numbers(l.at), numbers(l.over))
	}
	if l.high > 0 {
		fmt.Fprintf(b, "rpm_range: [%g, %g], ", l.low, l.high)
	}
	b.WriteString("source: shop rule invented}\n")
}

// configFile is headroom.yaml.
func (w *world) configFile() []byte {
	var b bytes.Buffer
	b.WriteString("fuels:\n")
	for i := range w.fuels {
		f := &w.fuels[i]
		fmt.Fprintf(&b, "  %s: {class: %s, ron: %s, mon: %s, ethanol_share: %s, source: invented}\n", f.id, f.class,
			number(f.ron), number(f.mon), number(f.ethanol))
	}
	if !w.forms.Climate {
		return b.Bytes()
	}
	b.WriteString("climate:\n")
	for i := range w.places {
		p := &w.places[i]
		var months []float64
		for m := time.January; m <= time.December; m++ {
			months = append(months, round(p.season(time.Date(2026, m, 15, 0, 0, 0, 0, time.UTC)), 0.5))
		}
		fmt.Fprintf(&b, "  - {place: %s, ambient_c: %s, day_to_day_k: %s, barometer_kpa: %s}\n", p.name,
			numbers(months), number(round(p.dayToDay, 0.5)), number(round(p.pressure, 0.5)))
	}
	return b.Bytes()
}

func (w *world) vehiclesFile() []byte {
	var b bytes.Buffer
	b.WriteString("vehicle,platform,fuel,hardware\n")
	for _, c := range w.cars {
		fmt.Fprintf(&b, "%s,%s,%s,stock\n", c.id, w.engine.id, w.fuels[c.fuel].id)
	}
	return b.Bytes()
}

func (w *world) runsFile() []byte {
	var b bytes.Buffer
	b.WriteString("path,vehicle,revision,date,place,ambient_c,baro_kpa,fuel\n")
	for _, c := range w.cars {
		for _, l := range c.logs {
			if l.listed {
				fmt.Fprintf(&b, "%s,%s,%s,%s,%s,%.1f,%.1f,\n", l.path, c.id, l.revision.id, l.day.Format(time.DateOnly),
					w.places[l.place].name, l.air.ambient, l.air.baro)
			}
		}
	}
	return b.Bytes()
}
