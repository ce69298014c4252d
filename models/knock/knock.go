// Package knock answers one question: at which spark does each car of a fleet start to knock, given logs that never
// show that limit itself?
//
// A log bounds the knock-limited spark K from one side or two. A cell without a rise of retard says K lies above the
// spark delivered in it, as far as the log could have shown a rise; a cell with a rise says K lies between the spark
// just after it and the spark just before it. The package fits an interval- and right-censored normal regression
// with cells nested in pulls nested in cars,
//
//	K = α(N) + Σ (β_k z_k + δ_k b(z_k)) + u_car + w_pull + ε,   u ~ N(0, σ_u²), w ~ N(0, σ_w²), ε ~ N(0, σ²),
//
// where N is engine speed, z are covariates as differences from the platform's reference, α is a penalised natural
// cubic spline (Green & Silverman, Nonparametric Regression and Generalized Linear Models, 1994, ch. 2) and the
// slopes β have priors from the cycle model: physics gives the slope, the fleet the level, the car the offset. δ bends
// each of these lines over what was driven. A tenth
// of the residuals ε is TailScale times as wide unless the rows object. Censored regression follows Tobin
// (Econometrica 26, 1958) and Turnbull (JRSS B 38, 1976); the marginal likelihood is computed by adaptive
// Gauss–Hermite quadrature over car and pull (Pinheiro & Bates, J. Comput. Graph. Statist. 4, 1995, nested as in
// Rabe-Hesketh, Skrondal & Pickles, J. Econometrics 128, 2005), its information matrix by Louis (JRSS B 44, 1982), and
// the posterior is the normal (Laplace) approximation at its mode.
package knock

import (
	"fmt"
	"math"
	"sort"

	"headroom/models/value"
)

// Indices of the covariates in Cell.Z, Prior.SlopeMean and Prior.SlopeSD. Each covariate is a difference from the
// platform's reference state, so a row at the reference has zeros.
const (
	LnCharge           = iota // natural log of air charge over the reference air charge
	ChargeTemperature         // K
	OctaneIndex               // octane numbers
	Lambda                    // relative air–fuel ratio
	CoolantTemperature        // K
	LnCycles                  // natural log of engine cycles spent in the cell over the reference number of cycles
	IntakeCam                 // degrees of advance from the reference position
	NumCovariates             // number of covariates
)

// Name returns the plain name of covariate k (0 ≤ k < NumCovariates), "" outside that range.
func Name(k int) string { return lookup(k, covariateNames) }

// Unit returns the unit of a difference in covariate k (0 ≤ k < NumCovariates), "" outside that range. A slope is
// in crank degrees per that unit.
func Unit(k int) string { return lookup(k, covariateUnits) }

var (
	covariateNames = [NumCovariates]string{"ln air charge", "charge temperature", "octane index", "lambda",
		"coolant temperature", "ln cycles in the cell", "intake cam advance"}
	covariateUnits = [NumCovariates]string{"ln", "K", "octane number", "lambda", "K", "ln", "deg"}
)

func lookup(k int, in [NumCovariates]string) string {
	if k < 0 || k >= NumCovariates {
		return ""
	}
	return in[k]
}

// physical are the covariates that physics gives a slope for: the slope keeps its sign, and may change with them.
var physical = [...]int{LnCharge, ChargeTemperature, OctaneIndex, Lambda, CoolantTemperature}

// reachDeviations is how many deviations of a covariate the bend of its line reaches.
const reachDeviations = 2

// reachOf is how far each covariate reaches in the rows: reachDeviations of its root mean square from the reference.
func reachOf(cars []Car) (reach [NumCovariates]float64) {
	rows := 0.0
	for _, c := range cars {
		for _, p := range c.Pulls {
			for i := range p.Cells {
				rows++
				for k, z := range p.Cells[i].Z {
					reach[k] += z * z
				}
			}
		}
	}
	for k := range reach {
		reach[k] = reachDeviations * math.Sqrt(reach[k]/math.Max(rows, 1))
	}
	return reach
}

// bends writes the weights of the bends into dst[:len(physical)]: a coefficient is by how much the slope is larger one
// reach above the reference, and smaller one below. Past that the line is straight.
func bends(z, reach *[NumCovariates]float64, dst []float64) {
	for i, k := range physical {
		dst[i] = 0
		if r := reach[k]; r > 0 {
			inside := math.Min(math.Abs(z[k]), r)
			dst[i] = inside*inside/(2*r) + math.Abs(z[k]) - inside
		}
	}
}

// TailScale is how many times wider the wide part of a cell's residual is than its core: the residual is a scale
// mixture of two normals (Tukey 1960), so that K now and then lies far from where it is expected.
const TailScale = 2.5

// Cell is what one pull showed in one operating cell. Sparks are crank degrees before top dead centre.
type Cell struct {
	RPM float64                // engine speed, rev/min, > 0
	Z   [NumCovariates]float64 // covariates, differences from the reference; 0 where not logged

	// Lower and Upper bound the knock-limited spark. Clean cell: Lower is the largest spark delivered, Upper is
	// +Inf. Event: Lower is the spark just after the rise of retard (−Inf allowed), Upper the spark just before it;
	// Rise.Bounds says more where the log does.
	Lower, Upper float64

	// Steps counts the controller's steps in the cell, of which a slow log shows several as one rise (StepsOf); 0 and
	// 1 both mean one. Noise is heard once, knock until the spark is below the limit, so more than one makes a false
	// event unlikely.
	Steps int

	// FalseShare is the share of the stay, 0–1, in which a false event would have shown as this rise did; see the
	// function of that name. 0 counts as 1.
	FalseShare float64

	// Detect is the chance, 0–1, that a rise of retard, had it happened, would have shown in this log; see
	// Detectability. 0 makes a clean cell say nothing.
	Detect float64
}

// Clean reports whether the cell showed no rise of retard.
func (c Cell) Clean() bool { return math.IsInf(c.Upper, 1) }

// Pull is one pull: cells that share fuel, weather and heat.
type Pull struct {
	Cells []Cell
}

// Car is the pulls of one car.
type Car struct {
	ID    string // unique within a fit
	Pulls []Pull
}

// Spread is a log-normal prior of a standard deviation (degrees) or, for Prior.Contamination, a logit-normal prior
// of a share.
type Spread struct {
	Median float64 // > 0; for a share 0 < Median < 1
	LogSD  float64 // standard deviation of the natural log (of the logit for a share), ≥ 0; 0 means known exactly
}

// Prior is what is believed before the first log. The zero value of a Spread, of Discrepancy, of
// TailShare, of SpeedSlopeSD and of CurvatureScale means the default stated beside it; the defaults are weakly
// informative, common practice without a source.
type Prior struct {
	// SlopeMean and SlopeSD are crank degrees per unit of the covariate; SD 0 means known exactly. A slope that physics
	// gives is its mean times a positive factor, log-normal about 1 with SD ÷ |mean| for the deviation of its
	// logarithm, so that no fit turns it round. The others, and one with a mean of 0, are normal.
	SlopeMean, SlopeSD [NumCovariates]float64

	// BendShare is the deviation of what a slope changes over the reach of its covariate, in units of SlopeSD: physics
	// may be as wrong about a slope's change as about the slope. Default 1; negative: straight lines.
	BendShare float64

	LevelMean, LevelSD float64 // knock-limited spark at the reference state, °BTDC; LevelSD > 0, several degrees

	LevelRPM       float64 // speed the level is stated at, rev/min; 0: the middle of the speed range
	SpeedSlopeMean float64 // degrees per 1000 rev/min
	SpeedSlopeSD   float64 // default 2
	// prior scale of the spline's roughness √∫α″², degrees per (1000 rev/min)^1.5; default 1
	CurvatureScale float64

	// Discrepancy is the standard deviation, in degrees, of what straight lines in the covariates and the spline in
	// speed miss at a state: it is added to every prediction's parameter uncertainty, as part of the car effect.
	// Default 0.3, from simulated fleets with curved truth (docs/proof-knock.md); negative: none.
	Discrepancy float64

	// TailShare is the share of cells whose residual is TailScale times as wide as the rest. 0: a tenth, unless the
	// rows object, then none; negative: none; up to 0.5 otherwise.
	TailShare float64

	CarSD         Spread // σ_u, default median 1.2°, log sd 0.6
	PullSD        Spread // σ_w, default median 0.8°, log sd 0.6
	CellSD        Spread // σ, default median 1.0°, log sd 0.6
	Contamination Spread // share of cells with a false event, default median 0.002, logit sd 1
}

// Options sets the numerical work. The zero value means the defaults.
type Options struct {
	Knots     int // of the speed spline, 2–20, default 7; fewer are used when there are fewer distinct speeds
	CarNodes  int // Gauss–Hermite nodes over the car effect, 1–31, default 5
	PullNodes int // Gauss–Hermite nodes over the pull effect, 1–31, default 5
	MaxRounds int // rounds of node placement and quasi-Newton, default 30
	Workers   int // goroutines, default GOMAXPROCS; the result does not depend on it
	// share of knocking cells even a fast log and a sound sensor miss, 0–0.5, default 0.02; negative: 0
	MissShare float64
	RPMLow    float64 // lower end of the spline, rev/min; 0: the lowest speed of the data
	RPMHigh   float64 // upper end; 0: the highest
}

func (p Prior) withDefaults() Prior {
	def := func(s *Spread, median, logSD float64) {
		if *s == (Spread{}) {
			*s = Spread{median, logSD}
		}
	}
	def(&p.CarSD, 1.2, 0.6)
	def(&p.PullSD, 0.8, 0.6)
	def(&p.CellSD, 1.0, 0.6)
	def(&p.Contamination, 0.002, 1)
	if p.Discrepancy == 0 {
		p.Discrepancy = 0.3
	}
	p.Discrepancy = math.Max(p.Discrepancy, 0)
	if p.BendShare == 0 {
		p.BendShare = 1
	}
	p.BendShare = math.Max(p.BendShare, 0)
	if p.SpeedSlopeSD == 0 {
		p.SpeedSlopeSD = 2
	}
	if p.CurvatureScale == 0 {
		p.CurvatureScale = 1
	}
	return p
}

// tails lists the shares of wide residuals to try.
func (p Prior) tails() []float64 {
	switch {
	case p.TailShare == 0:
		return []float64{0, 0.1}
	case p.TailShare < 0:
		return []float64{0}
	}
	return []float64{p.TailShare}
}

func (p Prior) check() error {
	for k := range p.SlopeMean {
		if !value.AllKnown(p.SlopeMean[k], p.SlopeSD[k]) || p.SlopeSD[k] < 0 {
			return fmt.Errorf("prior slope of %s is %g with sd %g: both must be finite and the sd not negative",
				Name(k), p.SlopeMean[k], p.SlopeSD[k])
		}
	}
	if !value.Known(p.BendShare) {
		return fmt.Errorf("prior bend share is %g: give a finite one", p.BendShare)
	}
	if !value.AllKnown(p.LevelMean, p.LevelSD) || p.LevelSD <= 0 {
		return fmt.Errorf("prior level is %g° with sd %g°: give a finite level and a positive sd", p.LevelMean,
			p.LevelSD)
	}
	if !value.AllKnown(p.LevelRPM, p.SpeedSlopeMean, p.SpeedSlopeSD, p.CurvatureScale) ||
		!value.Known(p.Discrepancy) ||
		p.LevelRPM < 0 || p.SpeedSlopeSD < 0 || p.CurvatureScale < 0 {
		return fmt.Errorf("prior of the speed curve is not usable (level at %g rpm, slope %g ± %g, curvature %g): "+
			"all must be finite and not negative", p.LevelRPM, p.SpeedSlopeMean, p.SpeedSlopeSD, p.CurvatureScale)
	}
	for _, s := range []struct {
		what string
		Spread
	}{{"car sd", p.CarSD}, {"pull sd", p.PullSD}, {"cell sd", p.CellSD}, {"contamination", p.Contamination}} {
		if !value.AllKnown(s.Median, s.LogSD) || s.Median <= 0 || s.LogSD < 0 {
			return fmt.Errorf("prior of the %s has median %g and log sd %g: give a positive median and a log sd not "+
				"below zero", s.what, s.Median, s.LogSD)
		}
	}
	if !value.Known(p.TailShare) || p.TailShare > 0.5 {
		return fmt.Errorf("prior tail share is %g: it is a share up to 0.5", p.TailShare)
	}
	if p.Contamination.Median >= 1 {
		return fmt.Errorf("prior median of the contamination is %g: it is a share below 1", p.Contamination.Median)
	}
	return nil
}

func (o Options) withDefaults() Options {
	def := func(v *int, to int) {
		if *v == 0 {
			*v = to
		}
	}
	def(&o.Knots, 7)
	def(&o.CarNodes, 5)
	def(&o.PullNodes, 5)
	def(&o.MaxRounds, 30)
	if o.MissShare == 0 {
		o.MissShare = 0.02
	}
	o.MissShare = math.Max(o.MissShare, 0)
	return o
}

func (o Options) check() error {
	switch {
	case o.Knots < 2 || o.Knots > 20:
		return fmt.Errorf("%d knots: give 2 to 20", o.Knots)
	case o.CarNodes < 1 || o.CarNodes > 31 || o.PullNodes < 1 || o.PullNodes > 31:
		return fmt.Errorf("%d car and %d pull nodes: give 1 to 31 of each", o.CarNodes, o.PullNodes)
	case o.MaxRounds < 1 || o.Workers < 0:
		return fmt.Errorf("%d rounds and %d workers: give at least one round and no negative number", o.MaxRounds,
			o.Workers)
	case !value.AllKnown(o.MissShare, o.RPMLow, o.RPMHigh) || o.MissShare > 0.5:
		return fmt.Errorf("share of missed knock %g, speed range %g–%g rpm: give a share up to 0.5 and a finite range",
			o.MissShare, o.RPMLow, o.RPMHigh)
	}
	return nil
}

// checked returns the cars sorted by ID, or an error that names the first unusable cell.
func checked(cars []Car) ([]Car, error) {
	sorted := append([]Car(nil), cars...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].ID < sorted[j].ID })
	for i, c := range sorted {
		if i > 0 && c.ID == sorted[i-1].ID {
			return nil, fmt.Errorf("car %q is given twice: join its pulls into one car", c.ID)
		}
		for j, p := range c.Pulls {
			for k, cell := range p.Cells {
				if err := cell.check(); err != nil {
					return nil, fmt.Errorf("car %q, pull %d, cell %d: %w", c.ID, j, k, err)
				}
			}
		}
	}
	return sorted, nil
}

func (c Cell) check() error {
	if !value.Known(c.RPM) || c.RPM <= 0 {
		return fmt.Errorf("engine speed %g rpm: leave the cell out or give a positive speed", c.RPM)
	}
	for k, z := range c.Z {
		if !value.Known(z) {
			return fmt.Errorf("%s is %g: use 0 (the reference) where it was not logged", Name(k), z)
		}
	}
	switch {
	case math.IsNaN(c.Lower) || math.IsNaN(c.Upper) || c.Lower >= c.Upper || math.IsInf(c.Lower, 1):
		return fmt.Errorf("limits %g to %g °BTDC: the lower must lie below the upper", c.Lower, c.Upper)
	case math.IsInf(c.Lower, -1) && c.Clean():
		return fmt.Errorf("limits −Inf to +Inf °BTDC: leave a cell out that bounds nothing")
	case !(c.FalseShare >= 0 && c.FalseShare <= 1):
		return fmt.Errorf("share of the stay for a false event is %g: it lies between 0 and 1", c.FalseShare)
	case !(c.Detect >= 0 && c.Detect <= 1):
		return fmt.Errorf("detection chance %g: it lies between 0 and 1", c.Detect)
	}
	return nil
}
