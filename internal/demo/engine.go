package demo

import (
	"headroom/internal/hazard"
	"headroom/internal/metric"
)

// engine is a platform as it truly is, beside what its platform file says.
type engine struct {
	id, name             string
	cylinders            int
	boreMM, strokeMM     float64
	rodMM, ratio         float64
	closing, opening     float64
	direct               bool
	ve                   grid // over rpm, one row
	compressorEfficiency float64
	bestRatio            float64
	intercooler          float64
	redline              float64

	// knock and burn
	octaneWeight   float64
	fileOctaneK    float64
	ethanolCooling float64
	burnBase       float64
	compression    float64
	heat           float64
	speedExponent  float64
	dipRPM         float64
	dipWidth       float64
	dipDepth       float64
	delayLevel     float64
	burnSpeed      speedCurve
	knockSpeed     speedCurve
	peakBase       float64
	peakHeat       float64
	efficiency     float64

	// burn anchor of the platform file
	anchorRPM, anchorLoad, anchorLambda, anchorSpark, anchorLag, anchorDuration float64

	// knock control
	step, recovery, tolerated float64

	// fuel system
	injectorCC, ratedKPa, deadTime, window float64
	pump                                   grid // over kPa, g/s

	// calibration
	baseBoost grid // over rpm, kPa absolute
	loadAxis  []float64
	home      grid    // intake cam advance of the engine's own calibration, over rpm and load; empty without a cam
	baseGain  float64 // share of the gauge boost the base calibration runs
	margin    func(rpm float64) float64
	mass      float64 // kg, of a typical car
	limits    []limit
}

// limit is one limit of a platform file.
type limit struct {
	hazard    hazard.ID
	metric    metric.ID
	grid      // over rpm, in the metric's stored unit; a single value has one breakpoint
	low, high float64
}

func constant(h hazard.ID, m metric.ID, value, low, high float64) limit {
	return along(h, m, []float64{0}, []float64{value}, low, high)
}

func along(h hazard.ID, m metric.ID, at, values []float64, low, high float64) limit {
	return limit{hazard: h, metric: m, grid: line(at, values), low: low, high: high}
}

// unit is the one the limit is written in.
func (l *limit) unit() string {
	m, _ := metric.Of(l.metric)
	return m.Unit
}

var rpmAxis = []float64{800, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000, 6500, 7000}

// engines returns the two invented platforms.
func engines() []*engine {
	k, m := kestrel(), marlin()
	k.setSpeedCurves()
	m.setSpeedCurves()
	ref := condition{rpm: 3500, load: 1.65, manifold: 188, charge: 318, coolant: 364, lambda: 0.87,
		fuel: gasoline{96, 86, 0.10}}
	k.setKnockLevel(ref, 9)
	ref.manifold, ref.load = 180, 1.6
	m.setKnockLevel(ref, 10)
	return []*engine{k, m}
}

func kestrel() *engine {
	return &engine{
		id: "kestrel-20t", name: "Kestrel 2.0 turbo (invented)",
		cylinders: 4, boreMM: 83.5, strokeMM: 91, rodMM: 147, ratio: 9.6, closing: -138, opening: 132, direct: true,
		ve: line([]float64{1000, 2000, 3000, 4000, 5000, 6000, 7000},
			[]float64{0.82, 0.90, 0.95, 0.98, 0.97, 0.93, 0.86}),
		compressorEfficiency: 0.72, bestRatio: 1.9, intercooler: 0.80, redline: 6700,
		octaneWeight: 0.35, fileOctaneK: -0.25, ethanolCooling: 45,
		burnBase: 16, compression: 15, heat: 2.0, speedExponent: 0.42, dipRPM: 3700, dipWidth: 750, dipDepth: 0.14,
		peakBase: 19, peakHeat: 2.45, efficiency: 0.39,
		anchorRPM: 4000, anchorLoad: 165, anchorLambda: 0.87, anchorSpark: 10, anchorLag: 9, anchorDuration: 45,
		step: 1.5, recovery: 0.7, tolerated: 4.5,
		injectorCC: 1250, ratedKPa: 10000, deadTime: 0.25, window: 230,
		pump:      line([]float64{8000, 14000, 20000}, []float64{31, 28, 25}),
		baseBoost: line(rpmAxis, []float64{100, 128, 153, 175, 186, 190, 192, 192, 190, 187, 183, 178, 168}),
		loadAxis:  []float64{20, 40, 60, 80, 100, 120, 140, 160, 180, 200}, baseGain: 0.80,
		margin: func(rpm float64) float64 { return 1.5 + 0.5*wave(rpm, 2600) }, mass: 1420,
		limits: []limit{
			along(hazard.Lean, metric.Lambda, []float64{2500, 3500, 5000, 7000},
				[]float64{0.975, 0.95, 0.90, 0.885}, 2500, 7200),
			constant(hazard.FuelDelivery, metric.InjectionWindowUse, 95, 0, 0),
			constant(hazard.FuelDelivery, metric.PumpUse, 96, 0, 0),
			constant(hazard.RailPressure, metric.RailShortfall, 2500, 0, 0),
			constant(hazard.ChargeTemperature, metric.ChargeTemperature, 88, 0, 0),
			constant(hazard.CoolantTemperature, metric.CoolantTemperature, 112, 0, 0),
			constant(hazard.OilTemperature, metric.OilTemperature, 145, 0, 0),
			constant(hazard.ExhaustTemperature, metric.ExhaustTemperature, 960, 0, 0),
			constant(hazard.CylinderPressure, metric.PeakPressure, 13000, 0, 0),
			along(hazard.LowSpeedLoad, metric.BMEP, []float64{1500, 2000, 2500, 3000},
				[]float64{1500, 1880, 2240, 2500}, 1000, 3000),
			constant(hazard.BoostControl, metric.BoostOvershoot, 18, 0, 0),
			constant(hazard.Driveline, metric.Torque, 430, 0, 0),
		},
	}
}

func marlin() *engine {
	return &engine{
		id: "marlin-25t", name: "Marlin 2.5 turbo (invented)",
		cylinders: 4, boreMM: 93, strokeMM: 92, rodMM: 150, ratio: 8.8, closing: -132, opening: 128, direct: false,
		ve: line([]float64{1000, 2000, 3000, 4000, 5000, 6000, 7000},
			[]float64{0.80, 0.88, 0.93, 0.95, 0.94, 0.90, 0.82}),
		compressorEfficiency: 0.70, bestRatio: 1.8, intercooler: 0.74, redline: 6500,
		octaneWeight: 0.20, fileOctaneK: -0.15, ethanolCooling: 20,
		burnBase: 18, compression: 13.4, heat: 2.05, speedExponent: 0.50, dipRPM: 3200, dipWidth: 900, dipDepth: 0.12,
		peakBase: 17, peakHeat: 2.75, efficiency: 0.374,
		anchorRPM: 4000, anchorLoad: 155, anchorLambda: 0.86, anchorSpark: 12, anchorLag: 10, anchorDuration: 47,
		step: 2.0, recovery: 0.9, tolerated: 4.0,
		injectorCC: 780, ratedKPa: 300, deadTime: 0.9,
		pump:      line([]float64{300, 450, 600}, []float64{44, 38, 31}),
		baseBoost: line(rpmAxis, []float64{100, 126, 152, 174, 188, 193, 195, 194, 191, 186, 180, 173, 162}),
		loadAxis:  []float64{20, 40, 60, 80, 100, 115, 130, 145, 160, 175}, baseGain: 0.80,
		margin: func(rpm float64) float64 { return 1.6 + 0.5*wave(rpm, 2100) }, mass: 1560,
		limits: []limit{
			along(hazard.Lean, metric.Lambda, []float64{2500, 3500, 5000, 7000},
				[]float64{0.975, 0.945, 0.895, 0.88}, 2500, 7200),
			constant(hazard.FuelDelivery, metric.InjectorDuty, 90, 0, 0),
			constant(hazard.FuelDelivery, metric.PumpUse, 96, 0, 0),
			constant(hazard.RailPressure, metric.RailShortfall, 70, 0, 0),
			constant(hazard.ChargeTemperature, metric.ChargeTemperature, 90, 0, 0),
			constant(hazard.CoolantTemperature, metric.CoolantTemperature, 112, 0, 0),
			constant(hazard.OilTemperature, metric.OilTemperature, 148, 0, 0),
			constant(hazard.ExhaustTemperature, metric.ExhaustTemperature, 960, 0, 0),
			constant(hazard.CylinderPressure, metric.PeakPressure, 12000, 0, 0),
			along(hazard.LowSpeedLoad, metric.BMEP, []float64{1500, 2000, 2500, 3000},
				[]float64{1380, 1720, 2050, 2300}, 1000, 3000),
			constant(hazard.BoostControl, metric.BoostOvershoot, 18, 0, 0),
			constant(hazard.Driveline, metric.Torque, 490, 0, 0),
		},
	}
}
