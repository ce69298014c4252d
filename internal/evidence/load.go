package evidence

import (
	"fmt"
	"math"

	"headroom/internal/runlog"
	"headroom/models/air"
	"headroom/models/channel"
	"headroom/models/unit"
	"headroom/models/value"
)

// Sources of absolute load, in the order they are preferred.
const (
	LoadLogged       = "logged"        // the control unit's own absolute load
	LoadMassAirFlow  = "mass_air_flow" // from mass air flow and engine speed
	LoadSpeedDensity = "speed_density" // from manifold pressure, charge temperature and volumetric efficiency
	LoadNone         = ""              // none of them
)

const (
	// a source is used when it has this share of the samples of the best one; common practice, no source
	loadShare        = 0.8
	loadDisagreement = 0.15 // relative difference of two sources that is worth a finding; common practice, no source
)

// AbsoluteLoad returns absolute load in percent for every sample, and where it came from. Absolute load is the air
// of one intake stroke over what the cylinder's displacement holds at 1.184 g/L (SAE J1979, service 01, PID 0x43).
//
// Order: the logged absolute load first, because it is the standard's quantity as the control unit itself computes
// it, with its own air model, and the one its tables are looked up by; then mass air flow, which needs nothing but
// the displacement; then manifold pressure and charge temperature by speed–density, which needs a volumetric
// efficiency too. One source serves a whole run, since a change of source inside it would look like a change of
// load: the first whose usable samples are at least 80 % of the most that any source has. Calculated load (PID 0x04)
// is relative to the largest air flow at the current speed and never stands in for absolute load. Without a source
// the result is nil and LoadNone. Samples without a usable input are NaN.
func AbsoluteLoad(run *runlog.Run, setup *Setup) ([]float64, string) {
	most := 0
	sources := loadSources(run, setup)
	for _, s := range sources {
		most = max(most, usable(s.values))
	}
	for _, s := range sources {
		if n := usable(s.values); n > 0 && float64(n) >= loadShare*float64(most) {
			return s.values, s.name
		}
	}
	return nil, LoadNone
}

type loadSource struct {
	name   string
	values []float64
}

// loadSources lists every source the run and the setup allow, in order of preference.
func loadSources(run *runlog.Run, setup *Setup) []loadSource {
	speed := logged(run, channel.EngineSpeed)
	var out []loadSource
	if v := logged(run, channel.AbsoluteLoad); v != nil {
		out = append(out, loadSource{LoadLogged, v})
	}
	if speed == nil || setup.Cylinders <= 0 || setup.DisplacementL <= 0 {
		return out
	}
	cylinder := setup.DisplacementL * unit.CubicMetrePerLitre / float64(setup.Cylinders) // m³
	if flow := logged(run, channel.MassAirFlow); flow != nil {
		mass := func(i int, rpm float64) (float64, error) { return air.MassByFlow(flow[i]/1000, rpm, setup.Cylinders) }
		out = append(out, loadSource{LoadMassAirFlow, perSample(speed, cylinder, mass)})
	}
	pressure, charge := logged(run, channel.ManifoldPressure), logged(run, channel.ChargeTemperature)
	if pressure != nil && charge != nil && setup.VolumetricEfficiency != nil {
		mass := func(i int, rpm float64) (float64, error) {
			return air.MassBySpeedDensity(pressure[i]*unit.PascalPerKilopascal, charge[i]+unit.ZeroCelsius,
				setup.VolumetricEfficiency(rpm), cylinder)
		}
		out = append(out, loadSource{LoadSpeedDensity, perSample(speed, cylinder, mass)})
	}
	return out
}

// perSample turns the air mass of one intake stroke (kg) into absolute load. Samples at which the engine stands or an
// input is unusable or out of range are NaN.
func perSample(speed []float64, cylinder float64, mass func(i int, rpm float64) (float64, error)) []float64 {
	out := make([]float64, len(speed))
	for i, rpm := range speed {
		out[i] = math.NaN()
		if !(rpm > 0) {
			continue
		}
		m, err := mass(i, rpm)
		if err != nil {
			continue
		}
		if load, err := air.AbsoluteLoad(m, cylinder); err == nil && value.Known(load) {
			out[i] = load
		}
	}
	return out
}

func usable(values []float64) int {
	n := 0
	for _, v := range values {
		if value.Known(v) {
			n++
		}
	}
	return n
}

// loadFindings says when there is no absolute load, and when two sources of it disagree.
func loadFindings(run *runlog.Run, setup *Setup, load []float64, source string) []runlog.Finding {
	if source == LoadNone {
		detail := "no absolute load: " + missingForLoad(run, setup)
		if logged(run, channel.CalculatedLoad) != nil {
			detail += "; calculated load is relative to the current maximum and is not used for it"
		}
		return []runlog.Finding{wholeRun(run, channel.AbsoluteLoad, KindNoLoad, detail)}
	}
	var out []runlog.Finding
	for _, other := range loadSources(run, setup) {
		if other.name == source {
			continue
		}
		ratio := medianRatio(other.values, load)
		if math.Abs(ratio-1) > loadDisagreement {
			out = append(out, wholeRun(run, channel.AbsoluteLoad, KindLoadDisagrees, fmt.Sprintf(
				"absolute load by %s is %.2f times that by %s (median), which is the one used: check the sensor, the "+
					"unit and the displacement",
				loadName(other.name), ratio, loadName(source))))
		}
	}
	return out
}

// missingForLoad says what is really missing for absolute load, nearest source first.
func missingForLoad(run *runlog.Run, setup *Setup) string {
	has := func(id channel.ID) bool { return logged(run, id) != nil }
	flow, pressure, charge := has(channel.MassAirFlow), has(channel.ManifoldPressure), has(channel.ChargeTemperature)
	switch {
	case !flow && !pressure:
		return "log absolute load, mass air flow, or manifold pressure with charge temperature"
	case !has(channel.EngineSpeed):
		return "engine speed is not logged, so air flow cannot be turned into air a stroke"
	case setup.DisplacementL <= 0 && (flow || charge):
		return "the engine's displacement is not known: give the platform file's engine section (bore_mm, stroke_mm, " +
			"cylinders), and name the car of this log in the workspace"
	case flow:
		return "mass air flow has no usable sample while the engine runs"
	case !charge:
		return "manifold pressure is logged without charge temperature: log that, mass air flow or absolute load"
	case setup.VolumetricEfficiency == nil:
		return "manifold pressure and charge temperature are logged, but the platform file has no " +
			"air_path.volumetric_efficiency"
	}
	return "manifold pressure and charge temperature have no usable sample together while the engine runs"
}

func loadName(source string) string {
	switch source {
	case LoadLogged:
		return "the logged channel"
	case LoadMassAirFlow:
		return "mass air flow"
	}
	return "speed–density"
}

// medianRatio is the median of a/b over samples where both are usable and b is above zero; NaN without any.
func medianRatio(a, b []float64) float64 {
	var ratios []float64
	for i := range a {
		if value.Known(a[i]) && value.Known(b[i]) && b[i] > 0 {
			ratios = append(ratios, a[i]/b[i])
		}
	}
	return value.Median(ratios)
}
