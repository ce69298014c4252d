package demo

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"unicode/utf16"
)

// signal is one thing a logger may have recorded.
type signal int

const (
	timeSignal signal = iota
	speedSignal
	vehicleSignal
	gearSignal
	throttleSignal
	pedalSignal
	loadSignal
	airFlowSignal
	manifoldSignal
	targetSignal
	baroSignal
	wastegateSignal
	chargeSignal
	ambientSignal
	coolantSignal
	oilSignal
	exhaustSignal
	sparkSignal
	sparkTargetSignal
	retardSignal
	learnedSignal
	lambdaSignal
	lambdaTargetSignal
	trimSignal
	longTrimSignal
	pulseSignal
	dutySignal
	railSignal
	railTargetSignal
	ethanolSignal
	torqueSignal
	camSignal
	boostSignal       // gauge
	boostTargetSignal // gauge
	signals
)

// group ties signals that a logger has or lacks together.
var group = map[signal]signal{railTargetSignal: railSignal, longTrimSignal: trimSignal}

// column is one column of a dialect: value written = signal × scale + offset.
type column struct {
	header, unit string
	signal       signal
	scale        float64
	offset       float64
	decimals     int
}

// dialect is how one kind of logger writes a file. None of them is a real one.
type dialect struct {
	name      string
	separator string
	comma     bool // decimal comma
	units     bool // a row of units under the header
	preamble  []string
	every     int // ticks between rows
	columns   []column
}

const (
	perPSI  = 1 / 6.894757 // psi in a kPa: NIST SP 811
	perLbM  = 0.1322774    // lb/min in a g/s: NIST SP 811
	airFuel = 14.7         // gauge scale of the trade: common practice, no source
)

var dialects = []dialect{
	{name: "metric", separator: ",", every: 3, columns: []column{
		{"Time (s)", "", timeSignal, 1, 0, 3},
		{"Engine Speed (rpm)", "", speedSignal, 1, 0, 0},
		{"Vehicle Speed (km/h)", "", vehicleSignal, 1, 0, 1},
		{"Gear", "", gearSignal, 1, 0, 0},
		{"Throttle Position (%)", "", throttleSignal, 1, 0, 1},
		{"Accelerator Pedal Position (%)", "", pedalSignal, 1, 0, 1},
		{"Absolute Load (%)", "", loadSignal, 1, 0, 1},
		{"Mass Air Flow (g/s)", "", airFlowSignal, 1, 0, 2},
		{"MAP (kPa)", "", manifoldSignal, 1, 0, 1},
		{"Boost Target (kPa)", "", targetSignal, 1, 0, 1},
		{"Barometric Pressure (kPa)", "", baroSignal, 1, 0, 1},
		{"Wastegate Duty (%)", "", wastegateSignal, 1, 0, 1},
		{"Charge Air Temperature (°C)", "", chargeSignal, 1, 0, 1},
		{"Ambient Air Temperature (°C)", "", ambientSignal, 1, 0, 1},
		{"Coolant Temperature (°C)", "", coolantSignal, 1, 0, 1},
		{"Oil Temperature (°C)", "", oilSignal, 1, 0, 1},
		{"Exhaust Gas Temperature (°C)", "", exhaustSignal, 1, 0, 0},
		{"Spark Advance (deg)", "", sparkSignal, 1, 0, 2},
		{"Spark Advance Commanded (deg)", "", sparkTargetSignal, 1, 0, 2},
		{"Knock Retard (deg)", "", retardSignal, 1, 0, 2},
		{"Learned Knock Retard (deg)", "", learnedSignal, 1, 0, 2},
		{"Lambda", "", lambdaSignal, 1, 0, 3},
		{"Lambda Target", "", lambdaTargetSignal, 1, 0, 3},
		{"Short Term Fuel Trim (%)", "", trimSignal, 1, 0, 1},
		{"Long Term Fuel Trim (%)", "", longTrimSignal, 1, 0, 1},
		{"Injector Pulse Width (ms)", "", pulseSignal, 1, 0, 2},
		{"Injector Duty Cycle (%)", "", dutySignal, 1, 0, 1},
		{"Fuel Rail Pressure (kPa)", "", railSignal, 1, 0, 0},
		{"Fuel Rail Pressure Target (kPa)", "", railTargetSignal, 1, 0, 0},
		{"Ethanol Content (%)", "", ethanolSignal, 1, 0, 1},
		{"Engine Torque (Nm)", "", torqueSignal, 1, 0, 1},
		{"Intake Cam Advance (deg)", "", camSignal, 1, 0, 1},
	}},
	{name: "imperial", separator: ",", every: 4, columns: []column{
		{"Time [s]", "", timeSignal, 1, 0, 2},
		{"RPM", "", speedSignal, 1, 0, 0},
		{"Vehicle Speed [mph]", "", vehicleSignal, 1 / 1.609344, 0, 1},
		{"Gear", "", gearSignal, 1, 0, 0},
		{"Throttle Position [%]", "", throttleSignal, 1, 0, 1},
		{"Accel Pedal [%]", "", pedalSignal, 1, 0, 1},
		{"Absolute Load [%]", "", loadSignal, 1, 0, 1},
		{"Mass Air Flow [lb/min]", "", airFlowSignal, perLbM, 0, 3},
		{"Boost [psi]", "", boostSignal, perPSI, 0, 2},
		{"Boost Target [psi]", "", boostTargetSignal, perPSI, 0, 2},
		{"Barometric Pressure [psi]", "", baroSignal, perPSI, 0, 2},
		{"Wastegate Duty [%]", "", wastegateSignal, 1, 0, 1},
		{"Charge Air Temp [°F]", "", chargeSignal, 1.8, 32, 1},
		{"Ambient Temp [°F]", "", ambientSignal, 1.8, 32, 1},
		{"Coolant Temp [°F]", "", coolantSignal, 1.8, 32, 1},
		{"Oil Temp [°F]", "", oilSignal, 1.8, 32, 1},
		{"EGT [°F]", "", exhaustSignal, 1.8, 32, 0},
		{"Ignition Timing [deg]", "", sparkSignal, 1, 0, 2},
		{"Knock Retard [deg]", "", retardSignal, -1, 0, 2},
		{"Learned Knock Retard [deg]", "", learnedSignal, -1, 0, 2},
		{"Wideband AFR", "", lambdaSignal, airFuel, 0, 2},
		{"Target AFR", "", lambdaTargetSignal, airFuel, 0, 2},
		{"Short Term Trim [%]", "", trimSignal, 1, 0, 1},
		{"Long Term Trim [%]", "", longTrimSignal, 1, 0, 1},
		{"Injector Pulse Width [ms]", "", pulseSignal, 1, 0, 2},
		{"Injector Duty [%]", "", dutySignal, 1, 0, 1},
		{"Fuel Rail Pressure [psi]", "", railSignal, perPSI, 0, 1},
		{"Fuel Rail Pressure Target [psi]", "", railTargetSignal, perPSI, 0, 1},
		{"Ethanol [%]", "", ethanolSignal, 1, 0, 1},
		{"Torque [lbft]", "", torqueSignal, 1 / 1.355818, 0, 1},
		{"Intake Cam Advance [deg]", "", camSignal, 1, 0, 1},
	}},
	{name: "units row", separator: ";", comma: true, units: true, every: 5,
		preamble: []string{"logged on the road", ""}, columns: []column{
			{"Time", "s", timeSignal, 1, 0, 2},
			{"Engine Speed", "rpm", speedSignal, 1, 0, 0},
			{"Vehicle Speed", "km/h", vehicleSignal, 1, 0, 1},
			{"Gear", "-", gearSignal, 1, 0, 0},
			{"Throttle Position", "%", throttleSignal, 1, 0, 1},
			{"Pedal Position", "%", pedalSignal, 1, 0, 1},
			{"Absolute Load", "%", loadSignal, 1, 0, 1},
			{"Mass Air Flow", "kg/h", airFlowSignal, 3.6, 0, 1},
			{"Manifold Absolute Pressure", "bar", manifoldSignal, 0.01, 0, 3},
			{"Manifold Pressure Target", "bar", targetSignal, 0.01, 0, 3},
			{"Barometric Pressure", "mbar", baroSignal, 10, 0, 0},
			{"Wastegate Duty", "%", wastegateSignal, 1, 0, 1},
			{"Intake Air Temperature", "°C", chargeSignal, 1, 0, 1},
			{"Ambient Temperature", "°C", ambientSignal, 1, 0, 1},
			{"Coolant Temperature", "°C", coolantSignal, 1, 0, 1},
			{"Oil Temperature", "°C", oilSignal, 1, 0, 1},
			{"Exhaust Temperature", "°C", exhaustSignal, 1, 0, 0},
			{"Ignition Advance", "°", sparkSignal, 1, 0, 2},
			{"Knock Retard", "°", retardSignal, 1, 0, 2},
			{"Learned Knock Retard", "°", learnedSignal, 1, 0, 2},
			{"Lambda", "-", lambdaSignal, 1, 0, 3},
			{"Lambda Target", "-", lambdaTargetSignal, 1, 0, 3},
			{"Short Term Fuel Trim", "%", trimSignal, 1, 0, 1},
			{"Long Term Fuel Trim", "%", longTrimSignal, 1, 0, 1},
			{"Injection Time", "ms", pulseSignal, 1, 0, 2},
			{"Injector Duty", "%", dutySignal, 1, 0, 1},
			{"Fuel Rail Pressure", "bar", railSignal, 0.01, 0, 2},
			{"Fuel Rail Pressure Target", "bar", railTargetSignal, 0.01, 0, 2},
			{"Ethanol Content", "%", ethanolSignal, 1, 0, 1},
			{"Torque", "Nm", torqueSignal, 1, 0, 1},
			{"Intake Cam Advance", "°", camSignal, 1, 0, 1},
		}},
	{name: "milliseconds", separator: "\t", every: 2, columns: []column{
		{"Time (ms)", "", timeSignal, 1000, 0, 0},
		{"Engine RPM", "", speedSignal, 1, 0, 0},
		{"Gear", "", gearSignal, 1, 0, 0},
		{"Throttle (%)", "", throttleSignal, 1, 0, 1},
		{"Pedal Position (%)", "", pedalSignal, 1, 0, 1},
		{"Absolute Load (%)", "", loadSignal, 1, 0, 1},
		{"MAF (g/s)", "", airFlowSignal, 1, 0, 2},
		{"Manifold Pressure (kPa abs)", "", manifoldSignal, 1, 0, 1},
		{"Manifold Pressure Target (kPa abs)", "", targetSignal, 1, 0, 1},
		{"Baro (kPa)", "", baroSignal, 1, 0, 1},
		{"Wastegate Duty (%)", "", wastegateSignal, 1, 0, 1},
		{"Charge Temp (C)", "", chargeSignal, 1, 0, 1},
		{"Ambient Temp (C)", "", ambientSignal, 1, 0, 1},
		{"Coolant Temp (C)", "", coolantSignal, 1, 0, 1},
		{"Oil Temp (C)", "", oilSignal, 1, 0, 1},
		{"Exhaust Temp (C)", "", exhaustSignal, 1, 0, 0},
		{"Timing Advance (deg)", "", sparkSignal, 1, 0, 2},
		{"Knock Retard (deg)", "", retardSignal, -1, 0, 2},
		{"Learned Knock Retard (deg)", "", learnedSignal, -1, 0, 2},
		{"Lambda", "", lambdaSignal, 1, 0, 3},
		{"Commanded Lambda", "", lambdaTargetSignal, 1, 0, 3},
		{"STFT (%)", "", trimSignal, 1, 0, 1},
		{"LTFT (%)", "", longTrimSignal, 1, 0, 1},
		{"Injector Duty (%)", "", dutySignal, 1, 0, 1},
		{"Rail Pressure (kPa)", "", railSignal, 1, 0, 0},
		{"Rail Pressure Target (kPa)", "", railTargetSignal, 1, 0, 0},
		{"Ethanol (%)", "", ethanolSignal, 1, 0, 1},
		{"Intake Cam (deg)", "", camSignal, 1, 0, 1},
	}},
}

// logger writes rows of a session in a dialect.
type logger struct {
	out     bytes.Buffer
	dialect *dialect
	columns []column
	row     []byte
	values  [signals]float64
	count   int
	rng     *rand.Rand
}

func newLogger(c *car, l *logPlan, rng *rand.Rand) *logger {
	g := &logger{dialect: c.dialect, rng: rng}
	lacks := map[signal]bool{}
	for _, s := range c.missing {
		lacks[s] = true
	}
	for _, col := range c.dialect.columns {
		key := col.signal
		if k, ok := group[key]; ok {
			key = k
		}
		if !lacks[key] {
			g.columns = append(g.columns, col)
		}
	}
	for _, p := range c.dialect.preamble {
		if p != "" {
			p += " " + l.date.Format("02.01.2006")
		}
		g.out.WriteString(p + "\n")
	}
	var head, units []string
	for _, col := range g.columns {
		head, units = append(head, col.header), append(units, col.unit)
	}
	g.out.WriteString(strings.Join(head, g.dialect.separator) + "\n")
	if g.dialect.units {
		g.out.WriteString(strings.Join(units, g.dialect.separator) + "\n")
	}
	return g
}

// record writes one row when its turn has come.
func (g *logger) record(s *session) {
	g.count++
	if g.count%g.dialect.every != 0 {
		return
	}
	g.sense(s)
	g.row = g.row[:0]
	for i := range g.columns {
		col := &g.columns[i]
		if i > 0 {
			g.row = append(g.row, g.dialect.separator...)
		}
		from := len(g.row)
		g.row = appendFixed(g.row, g.values[col.signal]*col.scale+col.offset, col.decimals)
		if g.dialect.comma {
			if at := bytes.IndexByte(g.row[from:], '.'); at >= 0 {
				g.row[from+at] = ','
			}
		}
	}
	g.row = append(g.row, '\n')
	g.out.Write(g.row)
}

// appendFixed writes v with a fixed number of decimals, never as minus zero.
func appendFixed(b []byte, v float64, decimals int) []byte {
	p := math.Pow10(decimals)
	n := math.Round(v * p)
	if n == 0 {
		n = 0
	}
	return strconv.AppendFloat(b, math.Abs(n)/p*sign(n), 'f', decimals, 64)
}

func sign(v float64) float64 {
	if v < 0 {
		return -1
	}
	return 1
}

// sense is what the sensors and the control unit report: true values with bias and noise.
func (g *logger) sense(s *session) {
	c, v, n := s.car, &g.values, g.rng.NormFloat64
	v[timeSignal] = s.time
	v[speedSignal] = s.rpm + 3*n()
	v[vehicleSignal] = s.road
	v[gearSignal] = float64(s.gear)
	v[throttleSignal] = clamp(s.pedal*1.02-1+0.3*n(), 0, 100)
	v[pedalSignal] = s.pedal
	v[loadSignal] = 100 * s.load * (1 + 0.003*n())
	v[airFlowSignal] = s.airFlow * (1 + 0.006*n())
	v[manifoldSignal] = s.manifold + c.manifoldBias + 0.4*n()
	v[targetSignal] = s.target
	v[baroSignal] = s.baro
	v[wastegateSignal] = clamp(s.wastegate+0.4*n(), 0, 100)
	v[chargeSignal] = s.sensedHeat + c.chargeBias
	v[ambientSignal] = s.ambientK - zeroCelsius
	v[coolantSignal] = s.coolant
	if s.stuckCoolant {
		v[coolantSignal] = 88
	}
	v[oilSignal] = s.oil
	v[exhaustSignal] = s.exhaust + 2*n()
	v[sparkSignal] = s.spark
	v[sparkTargetSignal] = s.sparkCmd
	v[retardSignal] = s.retard
	v[learnedSignal] = 0
	if s.load > 1 {
		v[learnedSignal] = c.learned
	}
	v[lambdaSignal] = s.sensed + c.lambdaBias + 0.003*n()
	v[lambdaTargetSignal] = s.lambdaCmd
	v[trimSignal] = s.shortTrim
	v[longTrimSignal] = c.longTrim
	v[pulseSignal] = s.pulse
	v[dutySignal] = s.duty
	v[railSignal] = s.rail*(1+0.003*n()) - s.baro
	v[railTargetSignal] = s.railTarget - s.baro
	v[ethanolSignal] = 100*s.tank.ethanol + 0.05*n()
	v[torqueSignal] = s.torque * (1 + 0.006*n())
	v[camSignal] = s.cam
	v[boostSignal] = v[manifoldSignal] - s.baro
	v[boostTargetSignal] = s.target - s.baro
}

// bytes is the finished file, with the oddities planned for it.
func (g *logger) bytes(l *logPlan) ([]byte, error) {
	text := g.out.Bytes()
	if l.truncated {
		text = text[:len(text)-len(g.row)*2/3]
	}
	if l.wide {
		text = utf16le(text)
	}
	if !l.zipped {
		return text, nil
	}
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := z.Write(text); err != nil {
		return nil, fmt.Errorf("compressing %s: %w", l.name, err)
	}
	if err := z.Close(); err != nil {
		return nil, fmt.Errorf("compressing %s: %w", l.name, err)
	}
	return b.Bytes(), nil
}

// utf16le is the text as little-endian UTF-16 with a byte-order mark.
func utf16le(text []byte) []byte {
	out := []byte{0xFF, 0xFE}
	for _, u := range utf16.Encode([]rune(string(text))) {
		out = binary.LittleEndian.AppendUint16(out, u)
	}
	return out
}

// drive runs the planned log and returns its bytes.
func (c *car) drive(l *logPlan, seed uint64, number int) ([]byte, error) {
	rng := stream(seed, streamLog, uint64(c.index), uint64(number))
	s := newSession(c, l.revision, l, rng)
	g := newLogger(c, l, rng)
	s.write = func(float64) { g.record(s) }
	s.tally = &tally{}
	s.warmUp()
	for _, gear := range l.gears {
		end := c.engine.redline - 400*rng.Float64()
		if rng.Float64() < 0.1 {
			end -= 900 // traffic
		}
		s.pull(gear, 1700+400*rng.Float64(), end)
		s.rest()
	}
	l.truth = LogTruth{
		Path: l.name, Date: l.date.Format("2006-01-02"), Revision: l.revision.id, RON: round(l.tank.ron, 0.01),
		EthanolShare: round(l.tank.ethanol, 0.001),
		Pulls:        len(l.gears), PullCells: s.tally.cells, PullCellsWithKnock: s.tally.events,
		KnockOffsetDeg: round(c.offsetAt(l.date), 0.01), Leak: round(c.leakAt(l.date), 0.01),
		StuckCoolant: l.stuckCoolant,
	}
	return g.bytes(l)
}
