package worlds

import (
	"bytes"
	"math"
	"slices"
	"strconv"
)

// signal is one thing a logger may record.
type signal int

const (
	sigTime signal = iota
	sigSpeed
	sigVehicle
	sigGear
	sigThrottle
	sigPedal
	sigLoad
	sigAirFlow
	sigManifold
	sigTarget
	sigBaro
	sigWastegate
	sigCharge
	sigAmbient
	sigCoolant
	sigOil
	sigExhaust
	sigSpark
	sigSparkCmd
	sigRetard
	sigLearned
	sigLambda
	sigLambdaCmd
	sigShortTrim
	sigLongTrim
	sigPulse
	sigDuty
	sigRail
	sigRailTarget
	sigEthanol
	sigTorque
	sigCam
	signals
)

// column is one column of a logger: it writes signal × scale + offset.
type column struct {
	header, unit  string
	signal        signal
	scale, offset float64
	gauge         bool // less the barometer
	decimals      int
}

// logger is one kind of logger among a fleet's cars. None is a real one: its headings are put together from words of
// the trade.
type logger struct {
	separator string
	comma     bool // decimal comma
	unitsRow  bool
	brackets  [2]string
	every     int // ticks between rows
	columns   []column
}

// written is how a signal may be headed and in which units, and how often a logger lacks it.
type written struct {
	signal   signal
	heads    []string
	metric   []unitOf
	imperial []unitOf // nil: as metric
	missing  float64
}

// unitOf is a unit, what a stored value is multiplied and shifted by, and the decimals loggers give it.
type unitOf struct {
	name          string
	scale, offset float64
	decimals      int
}

// Conversions: NIST SP 811. The scale of an air–fuel ratio display is 14.7: common practice, no source.
const (
	psi    = 1 / 6.894757
	pound  = 60 / 453.59237
	footLb = 1 / 1.355818
	afr    = 14.7
)

var (
	percent = []unitOf{{"%", 1, 0, 1}}
	degrees = []unitOf{{"deg", 1, 0, 2}, {"°", 1, 0, 1}}
	celsius = []unitOf{{"°C", 1, 0, 1}, {"C", 1, 0, 0}}
	fahren  = []unitOf{{"°F", 1.8, 32, 0}, {"F", 1.8, 32, 1}}
	kpa     = []unitOf{{"kPa", 1, 0, 1}, {"bar", 0.01, 0, 3}}
	pounds  = []unitOf{{"psi", psi, 0, 2}}
	railSI  = []unitOf{{"kPa", 1, 0, 0}, {"bar", 0.01, 0, 2}, {"MPa", 0.001, 0, 3}}
	ratio   = []unitOf{{"lambda", 1, 0, 3}}
)

// absolute marks a pressure's unit.
func absolute(of []unitOf) []unitOf {
	out := slices.Clone(of)
	for i := range out {
		out[i].name += " abs"
	}
	return out
}

// vocabulary is every signal but time. Shares of missing channels are common practice, no source.
var vocabulary = []written{
	{sigSpeed, []string{"Engine Speed", "Engine RPM", "RPM"}, []unitOf{{"rpm", 1, 0, 0}}, nil, 0},
	{sigVehicle, []string{"Vehicle Speed", "Road Speed"}, []unitOf{{"km/h", 1, 0, 1}},
		[]unitOf{{"mph", 1 / 1.609344, 0, 1}}, 0.2},
	{sigGear, []string{"Gear", "Gear Position"}, []unitOf{{"-", 1, 0, 0}}, nil, 0.4},
	{sigThrottle, []string{"Throttle Position", "Throttle Opening"}, percent, nil, 0},
	{sigPedal, []string{"Pedal Position", "Accelerator Pedal Position"}, percent, nil, 0.3},
	{sigLoad, []string{"Absolute Load", "Absolute Engine Load"}, percent, nil, 0.15},
	{sigAirFlow, []string{"Mass Air Flow", "Air Mass Flow"}, []unitOf{{"g/s", 1, 0, 2}, {"kg/h", 3.6, 0, 1}},
		[]unitOf{{"lb/min", pound, 0, 3}}, 0.3},
	{sigManifold, []string{"Manifold Absolute Pressure", "Intake Manifold Pressure"}, absolute(kpa), absolute(pounds),
		0},
	{sigTarget, []string{"Manifold Pressure Target"}, absolute(kpa), absolute(pounds), 0.1},
	{sigBaro, []string{"Barometric Pressure", "Barometer"}, kpa, pounds, 0.2},
	{sigWastegate, []string{"Wastegate Duty", "Boost Control Duty"}, percent, nil, 0.3},
	{sigCharge, []string{"Charge Air Temperature", "Charge Temperature", "Intake Manifold Temperature"}, celsius,
		fahren, 0},
	{sigAmbient, []string{"Ambient Temperature", "Outside Air Temperature"}, celsius, fahren, 0.4},
	{sigCoolant, []string{"Coolant Temperature", "Engine Coolant Temperature"}, celsius, fahren, 0},
	{sigOil, []string{"Oil Temperature", "Engine Oil Temperature"}, celsius, fahren, 0.5},
	{sigExhaust, []string{"Exhaust Gas Temperature", "Exhaust Temperature"}, celsius, fahren, 0.35},
	{sigSpark, []string{"Spark Advance", "Ignition Advance", "Ignition Timing"}, degrees, nil, 0.03},
	{sigSparkCmd, []string{"Spark Advance Commanded", "Ignition Advance Commanded"}, degrees, nil, 0.5},
	{sigRetard, []string{"Knock Retard", "Knock Control Retard"}, degrees, nil, 0.05},
	{sigLearned, []string{"Learned Knock Retard", "Long Term Knock Retard"}, degrees, nil, 0.5},
	{sigLambda, []string{"Lambda", "Wideband Lambda"}, ratio, nil, 0.08},
	{sigLambdaCmd, []string{"Lambda Commanded", "Lambda Target"}, ratio, nil, 0.15},
	{sigShortTrim, []string{"Short Term Fuel Trim", "Short Term Trim"}, percent, nil, 0.3},
	{sigLongTrim, []string{"Long Term Fuel Trim", "Long Term Trim"}, percent, nil, 0.3},
	{sigPulse, []string{"Injector Pulse Width", "Injection Time"}, []unitOf{{"ms", 1, 0, 2}}, nil, 0.25},
	{sigDuty, []string{"Injector Duty", "Injector Duty Cycle"}, percent, nil, 0.35},
	{sigRail, []string{"Fuel Rail Pressure", "Rail Pressure"}, railSI, []unitOf{{"psi", psi, 0, 1}}, 0.25},
	{sigRailTarget, []string{"Fuel Rail Pressure Target", "Rail Pressure Target"}, railSI, []unitOf{{"psi", psi, 0, 1}},
		0},
	{sigEthanol, []string{"Ethanol Content", "Ethanol"}, percent, nil, 0.6},
	{sigTorque, []string{"Engine Torque", "Brake Torque"}, []unitOf{{"Nm", 1, 0, 1}}, []unitOf{{"lbft", footLb, 0, 1}},
		0.55},
	{sigCam, []string{"Intake Cam Advance", "Intake Cam Angle"}, degrees, nil, 0.3},
}

// drawLoggers draws two to four kinds; the first lacks nothing that a limit is measured by.
func drawLoggers(d dice, cam bool) []logger {
	out := make([]logger, d.whole(2, 4))
	for i := range out {
		out[i] = drawLogger(d, cam, i == 0)
	}
	return out
}

func drawLogger(d dice, cam, whole bool) logger {
	l := logger{separator: oneOf(d, ",", ",", ";", "\t"), unitsRow: d.chance(0.3), every: oneOf(d, 1, 2, 2, 4, 5, 10),
		brackets: oneOf(d, [2]string{" (", ")"}, [2]string{" [", "]"})}
	l.comma = l.separator != "," && d.chance(0.5)
	imperial, gauge, asRatio, coarse := d.chance(0.4), d.chance(0.35), d.chance(0.3), d.chance(0.3)
	l.columns = append(l.columns, oneOf(d, column{"Time", "s", sigTime, 1, 0, false, 3},
		column{"Time", "ms", sigTime, 1000, 0, false, 0}))
	lacks := map[signal]bool{sigCam: !cam}
	for _, v := range vocabulary {
		missing := v.missing
		if whole && missing < 0.6 {
			missing = 0
		}
		if d.chance(missing) {
			lacks[v.signal] = true
		}
	}
	if lacks[sigLoad] {
		lacks[sigAirFlow] = false
	}
	if gauge {
		lacks[sigBaro] = false
	}
	lacks[sigRailTarget] = lacks[sigRail]
	for _, v := range vocabulary {
		if !lacks[v.signal] {
			c := v.column(d, imperial, gauge, asRatio, coarse)
			if (v.signal == sigRail || v.signal == sigRailTarget) && lacks[sigBaro] {
				c.gauge, c.unit = false, c.unit+" abs"
			}
			l.columns = append(l.columns, c)
		}
	}
	return l
}

func (v *written) column(d dice, imperial, gauge, asRatio, coarse bool) column {
	units := v.metric
	if imperial && v.imperial != nil {
		units = v.imperial
	}
	u := units[0]
	if len(units) > 1 {
		u = oneOf(d, units...)
	}
	c := column{header: oneOf(d, v.heads...), unit: u.name, signal: v.signal, scale: u.scale, offset: u.offset,
		decimals: u.decimals}
	switch v.signal {
	case sigManifold, sigTarget:
		if gauge {
			c.header, c.gauge = map[signal]string{sigManifold: "Boost Pressure", sigTarget: "Boost Target"}[v.signal],
				true
			c.unit = c.unit[:len(c.unit)-len(" abs")]
		}
	case sigRail, sigRailTarget:
		c.gauge = true // SAE J1979
	case sigLambda, sigLambdaCmd:
		if asRatio {
			c.header = map[signal]string{sigLambda: "Wideband AFR", sigLambdaCmd: "AFR Target"}[v.signal]
			c.unit, c.scale, c.decimals = "AFR", afr, 2
		}
	case sigRetard, sigLearned:
		if asRatio { // some write what is taken away as negative
			c.scale = -c.scale
		}
	}
	if coarse && c.decimals > 1 {
		c.decimals--
	}
	return c
}

// recorder writes one log.
type recorder struct {
	logger *logger
	d      dice
	out    bytes.Buffer
	values [signals]float64
	ticks  int
	stuck  map[signal]float64
	sticks signal // that stands still at its first reading; 0: none
}

func (l *logger) begin(d dice) *recorder {
	g := &recorder{logger: l, d: d}
	for _, units := range []bool{false, true} {
		if units && !l.unitsRow {
			break
		}
		for i := range l.columns {
			c := &l.columns[i]
			if i > 0 {
				g.out.WriteString(l.separator)
			}
			switch {
			case units:
				g.out.WriteString(c.unit)
			case l.unitsRow || c.unit == "-":
				g.out.WriteString(c.header)
			default:
				g.out.WriteString(c.header + l.brackets[0] + c.unit + l.brackets[1])
			}
		}
		g.out.WriteByte('\n')
	}
	return g
}

// record writes a row when it is time.
func (g *recorder) record(s *session) {
	g.ticks++
	if (g.ticks-1)%g.logger.every != 0 {
		return
	}
	g.sense(s)
	var row []byte
	for i := range g.logger.columns {
		c := &g.logger.columns[i]
		if i > 0 {
			row = append(row, g.logger.separator...)
		}
		v := g.values[c.signal]
		if c.gauge {
			v -= s.air.baro
		}
		from := len(row)
		row = strconv.AppendFloat(row, unsigned(v*c.scale+c.offset, c.decimals), 'f', c.decimals, 64)
		if at := bytes.IndexByte(row[from:], '.'); g.logger.comma && at >= 0 {
			row[from+at] = ','
		}
	}
	g.out.Write(append(row, '\n'))
}

// unsigned rounds without leaving a minus zero.
func unsigned(v float64, decimals int) float64 {
	p := math.Pow10(decimals)
	if v = math.Round(v*p) / p; v == 0 {
		return 0
	}
	return v
}

// sense is what sensors and control unit report: true values with lags, bias and noise.
func (g *recorder) sense(s *session) {
	c, v, n := s.car, &g.values, g.d.NormFloat64
	v[sigTime] = s.time
	v[sigSpeed] = s.rpm + 3*n()
	v[sigVehicle] = s.road
	v[sigGear] = float64(s.gear)
	v[sigThrottle] = clamp(s.pedal+0.3*n(), 0, 100)
	v[sigPedal] = s.pedal
	v[sigLoad] = 100 * s.load * (1 + 0.004*n())
	v[sigAirFlow] = s.airFlow * (1 + 0.008*n())
	v[sigManifold] = s.turbo.pressure + c.manifoldBias + 0.5*n()
	v[sigTarget] = s.target
	v[sigBaro] = round(s.air.baro, 0.1)
	v[sigWastegate] = clamp(s.turbo.duty+0.5*n(), 0, 100)
	v[sigCharge] = s.sensedCharge - zeroCelsius + c.chargeBias
	v[sigAmbient] = s.air.ambient
	v[sigCoolant] = s.coolant
	v[sigOil] = s.oil
	v[sigExhaust] = s.probe + c.exhaustBias + 1.5*n()
	v[sigSpark] = s.spark
	v[sigSparkCmd] = s.spark + s.ear.delivered(&s.w.controller)
	v[sigRetard] = s.ear.delivered(&s.w.controller)
	v[sigLearned] = 0
	if s.load > s.w.controller.deaf {
		v[sigLearned] = s.ear.learned
		v[sigSparkCmd] += s.ear.learned
	}
	v[sigLambda] = s.path.sensed + c.lambdaBias + 0.003*n()
	v[sigLambdaCmd] = s.lambdaCmd
	v[sigShortTrim] = s.trim / 3
	v[sigLongTrim] = 100 * (c.lambda - (c.injector - 1)) * 0.6
	v[sigPulse] = s.fuel.pulse
	v[sigDuty] = s.fuel.duty
	v[sigRail] = s.fuel.rail * (1 + 0.003*n())
	v[sigRailTarget] = s.fuel.target
	v[sigEthanol] = clamp(100*s.has.ethanol+0.1*n(), 0, 100)
	v[sigTorque] = s.torque*(1+0.008*n()) + n()
	v[sigCam] = s.cam
	if g.sticks != 0 {
		if g.stuck == nil {
			g.stuck = map[signal]float64{g.sticks: v[g.sticks]}
		}
		v[g.sticks] = g.stuck[g.sticks]
	}
}
