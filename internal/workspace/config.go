package workspace

import (
	"fmt"
	"maps"
	"slices"

	"headroom/internal/hazard"

	"headroom/internal/fault"
	"headroom/internal/yamlfile"
)

// ConfigFile is the file that makes a directory a workspace.
const ConfigFile = "headroom.yaml"

var (
	rpmStepSpan  = span{50, 2000, "rpm", "the width of a cell in engine speed", "500"}
	loadStepSpan = span{2, 100, "%", "the width of a cell in absolute load", "20"}

	throttleMinSpan   = span{20, 100, "%", "the least throttle or pedal of a pull", "80"}
	minSecondsSpan    = span{0.2, 60, "s", "the least duration of a pull", "2"}
	minSpanRPMSpan    = span{100, 8000, "rpm", "the least rise of engine speed of a pull", "1000"}
	steadySecondsSpan = span{1, 600, "s", "the least duration of a steady stretch", "5"}
	warmCoolantSpan   = span{0, 120, "°C", "the coolant temperature from which the engine counts as warm", "70"}

	ronSpan     = span{60, 140, "", "the research octane number of the finished fuel", "95"}
	monSpan     = span{60, 130, "", "the motor octane number of the finished fuel", "85"}
	ethanolSpan = span{0, 1, "", "the ethanol share by volume of the finished fuel (10 % is 0.10)", "0.10"}
)

// readConfig returns the configuration with defaults filled in. err names everything that makes it unusable; problems
// are fuels that were left out.
func readConfig(rel string, data []byte) (cfg Config, problems, fatal []fault.Fault) {
	f, p := yamlfile.Decode(rel, data, &cfg)
	if p != nil {
		return cfg, nil, []fault.Fault{*p}
	}
	c := &checker{file: f}
	c.decision(cfg.Decision)
	if cfg.Display.Pressure != "" {
		c.oneOf("display.pressure", cfg.Display.Pressure, "kPa", "bar", "psi")
	}
	if cfg.Display.Temperature != "" {
		c.oneOf("display.temperature", cfg.Display.Temperature, "C", "F")
	}
	if cfg.Display.Torque != "" {
		c.oneOf("display.torque", cfg.Display.Torque, "Nm", "lbfft")
	}
	c.climate(cfg.Climate)
	c.uses(cfg.Uses)
	c.cells("cells", cfg.Cells)
	c.pulls("pulls", cfg.Pulls)
	if key, what, remedy := cfg.Logs.Wrong(); key != "" {
		c.add("logs."+key, what, remedy)
	}
	problems = c.fuels(cfg.Fuels)
	seedGiven := f.Has("seed")
	seed := cfg.Seed
	cfg.fill(Defaults())
	if seedGiven {
		cfg.Seed = seed // 0 is a seed like any other
	}
	return cfg, problems, c.problems
}

func (c *checker) decision(d Decision) {
	c.thresholds("decision.hold_probability", d.HoldProbability)
	c.thresholds("decision.stress_probability", d.StressProbability)
	c.optional("decision.thin_pulls", float64(d.ThinPulls), span{1, 10000, "", "the number of pulls below which " +
		"evidence is thin", "8"})
	c.optional("decision.thin_cars", float64(d.ThinCars), span{1, 1000, "", "the number of cars below which evidence " +
		"is thin", "3"})
	for key, v := range map[string]float64{"decision.content": d.Content, "decision.confidence": d.Confidence} {
		if c.file.Has(key) && !(v >= 0.5 && v <= 0.999) {
			c.add(key, fmt.Sprintf("%g is outside the valid range", v), "give a share from 0.5 to 0.999, e.g. 0.95")
		}
	}
}

func (c *checker) thresholds(key string, of map[hazard.Severity]float64) {
	for _, s := range slices.Sorted(maps.Keys(of)) {
		at := key + "." + string(s)
		if s != hazard.Catastrophic && s != hazard.Major {
			c.add(at, fmt.Sprintf("severity %q never holds a revision", s),
				"give thresholds for catastrophic and major only")
			continue
		}
		if v := of[s]; !(v > 0 && v < 1) {
			c.add(at, fmt.Sprintf("%g is outside the valid range", v),
				"give a probability per pull above 0 and below 1, e.g. 0.05")
		}
	}
}

func (c *checker) cells(key string, v Cells) {
	c.optional(key+".rpm_step", v.RPMStep, rpmStepSpan)
	c.optional(key+".load_step_pct", v.LoadStep, loadStepSpan)
}

func (c *checker) pulls(key string, v Pulls) {
	c.optional(key+".throttle_min_pct", v.ThrottleMin, throttleMinSpan)
	c.optional(key+".min_seconds", v.MinSeconds, minSecondsSpan)
	c.optional(key+".min_span_rpm", v.MinSpanRPM, minSpanRPMSpan)
	c.optional(key+".steady_seconds", v.SteadySeconds, steadySecondsSpan)
	c.optional(key+".warm_coolant_c", v.WarmCoolantC, warmCoolantSpan)
}

// fuels checks each fuel on its own, takes the bad ones out of the map and returns their problems.
func (c *checker) fuels(fuels map[string]Fuel) []fault.Fault {
	var out []fault.Fault
	for _, id := range slices.Sorted(maps.Keys(fuels)) {
		f := fuels[id]
		key := "fuels." + id
		one := &checker{file: c.file}
		if why := badID(id); why != "" {
			one.add(key, why, idRemedy)
		}
		one.text(key+".class", f.Class, `the class that envelopes are kept by, e.g. "pump"`)
		one.required(key+".ron", f.RON, ronSpan)
		one.required(key+".mon", f.MON, monSpan)
		one.required(key+".ethanol_share", f.EthanolShare, ethanolSpan)
		if f.MON > f.RON {
			one.add(key+".mon", fmt.Sprintf("MON %g exceeds RON %g", f.MON, f.RON), "check whether the two are swapped")
		}
		if len(one.problems) > 0 {
			delete(fuels, id)
			out = append(out, one.problems...)
		}
	}
	return out
}
