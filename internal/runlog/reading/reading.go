package reading

import (
	"fmt"

	"headroom/internal/runlog/header"
	"headroom/internal/runlog/samples"
	"headroom/models/channel"
	"headroom/models/unit"
)

// Reading is a column in stored units.
type Reading struct {
	Values      []float64
	Conversion  Conversion // that makes the values of the column
	Unit        string     // unit the column's numbers were taken to be in
	Confidence  float64    // 0–1
	Why         string     // why they were taken so
	Imperial    bool       // they are in psi, °F, mph or lb/min
	Assumptions []string   // what the log does not say and had to be taken from elsewhere, in plain sentences
	Air         Air        // of the surroundings, where it had to be assumed
	Floored     int        // readings taken out because a boost gauge that stops at zero shows no vacuum
}

// Stoich is the stoichiometric ratio by which air–fuel ratios were divided; 0 for another reading.
func (r *Reading) Stoich() float64 {
	if r.Unit != string(unit.AFR) {
		return 0
	}
	return 1 / r.Conversion.scale
}

// assumes notes what had to be taken from elsewhere.
func (r *Reading) assumes(format string, args ...any) {
	r.Assumptions = append(r.Assumptions, fmt.Sprintf(format, args...))
}

// Read turns a column into stored units by the claim. The error is the reason why it cannot be read.
func (ctx *Context) Read(c header.Claim, raw []float64) (Reading, error) {
	def, _ := channel.Lookup(c.Channel)
	written := c.Unit
	if written.Text != "" && !written.Known {
		return Reading{}, refuse("its unit %q is not known", written.Text)
	}
	if written.Known && !header.Accepts(c.Channel, written.Unit) {
		return Reading{}, refuse("its unit %s is not a unit of %s", written.Unit, def.Unit.Quantity())
	}
	u := written.Unit
	if u == unit.One {
		u = ""
	}
	var r Reading
	var err error
	switch {
	case c.Channel == channel.Lambda || c.Channel == channel.LambdaCommanded:
		r, err = ctx.readMixture(c, u, raw)
	case (c.Channel == channel.SparkAdvance || c.Channel == channel.SparkCommanded) && !c.Stated:
		r, err = ctx.readSpark(c.Channel, u, raw)
	case c.Channel == channel.KnockRetard || c.Channel == channel.KnockRetardLearned:
		r, err = ctx.readRetard(c.Channel, u, raw)
	case c.Channel == channel.ManifoldPressure || c.Channel == channel.ManifoldPressureTarget:
		r, err = ctx.readManifold(c, u, raw)
	case c.Channel == channel.RailPressure || c.Channel == channel.RailPressureTarget:
		r, err = ctx.readRail(c, u, raw)
	case c.Channel == channel.ShortTermTrim || c.Channel == channel.LongTermTrim:
		r, err = readTrim(u, raw)
	case def.Unit == unit.Percent:
		r, err = readShare(c.Channel, u, raw)
	case def.Unit == unit.Celsius:
		r, err = ctx.readTemperature(c.Channel, u, raw)
	default:
		r, err = ctx.readPlain(c.Channel, u, raw)
	}
	if err != nil {
		return Reading{}, err
	}
	if err := ctx.speaksFor(c, r.Values); err != nil {
		return Reading{}, err
	}
	if err := plausible(def, r.Values); err != nil {
		return Reading{}, err
	}
	r.Imperial = u == unit.PSI || u == unit.PSIGauge || u == unit.Fahrenheit || u == unit.MilePerHour ||
		u == unit.LbPerMinute
	return r, nil
}

// Lack names what would have let a column be read.
type Lack string

// Lacks.
const (
	LackFit       Lack = "values"    // values that are the quantity's in the unit
	LackUnit      Lack = "unit"      // a written unit
	LackReference Lack = "reference" // whether pressure is absolute or gauge, a ratio fuel-air or air-fuel
	LackName      Lack = "name"      // a name that leaves no other quantity open
	LackPlace     Lack = "place"     // on which side of the compressor the sensor sits
)

// Refusal is the reason why a column is not read.
type Refusal struct {
	Lack Lack
	Unit string // in which the column would have been read, "" where that is not settled
	What string // is wrong, in words
	// what would let it be read, in words
	Remedy string
}

// Error implements error.
func (r *Refusal) Error() string { return r.What + "; " + r.Remedy }

// Remedies that many refusals name.
const (
	stateUnit = "channels.yaml can state its unit, scale and channel"
	nameIt    = "name it in channels.yaml"
)

// refuse is a refusal because of the column's values.
func refuse(format string, args ...any) error { return lacks(LackFit, stateUnit, format, args...) }

// lacks is a refusal for want of something.
func lacks(lack Lack, remedy, format string, args ...any) error {
	return &Refusal{Lack: lack, What: fmt.Sprintf(format, args...), Remedy: remedy}
}

// plausible refuses a column of which more than a fifth of the values lie outside the channel's range.
func plausible(def channel.Definition, values []float64) error {
	n, low, high := samples.Extent(values)
	if n == 0 {
		return refuse("it has no readings")
	}
	inside := 0
	for _, v := range values {
		if v >= def.Min && v <= def.Max {
			inside++
		}
	}
	if 5*inside < 4*n {
		return refuse("its values, %.4g to %.4g %s, do not fit %s (%.4g to %.4g)", low, high, def.Unit, def.ID, def.Min,
			def.Max)
	}
	return nil
}

func asWritten(u unit.Unit) string { return "unit " + string(u) + " as written" }

// convert is the reading in a stated unit.
func convert(from, to unit.Unit, raw []float64) (Reading, error) {
	scale, offset, err := unit.Linear(from, to)
	if err != nil {
		return Reading{}, refuse("%v", err)
	}
	return Reading{Values: samples.Scaled(raw, scale, offset), Conversion: Conversion{scale: scale, offset: offset},
		Unit: string(from), Confidence: 1, Why: asWritten(from)}, nil
}

// assume is the reading in a unit that was concluded rather than read.
func assume(from, to unit.Unit, raw []float64, confidence float64, why string) (Reading, error) {
	r, err := convert(from, to, raw)
	r.Confidence, r.Why = confidence, why
	return r, err
}
