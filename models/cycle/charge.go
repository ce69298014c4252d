package cycle

import (
	"errors"
	"fmt"
	"math"

	"headroom/models/unit"
)

// charge is one prepared cycle: what is trapped, how it burns, how it loses heat.
type charge struct {
	fresh, burned gas
	mass          float64 // kg
	residual      float64
	heat          float64 // J/kg of trapped mass
	tIVC, pIVC    float64
	pExhaust      float64
	lag, duration float64 // degrees
	start         float64 // of the burn, degrees after TDC
	perDegree     float64 // seconds a degree
	wall          float64 // K
	speedTerm     float64 // Woschni's 2.28·S_p, m/s
	burnTerm      float64 // Woschni's 3.24e-3·V_d·T/(p·V), m/s/Pa
	speed8        float64 // speedTerm^0.8
	swirl         power   // of Woschni's speed, as far as the cycle has been followed
	filmScale     float64 // of Engine.film; 0 without heat transfer
	dR            float64 // relative change of R from unburned to burned
	knockScale    float64 // 1/τ factor an atm^1.7, 1/degree
}

// errTooLate marks a burn that is not finished when the exhaust valve opens.
var errTooLate = errors.New("spark is too late")

// Range of a scaled burn duration in degrees: shorter ones the crank grid cannot follow, longer ones are misfires.
const (
	minDuration = 8.0
	maxDuration = 250.0
)

// mix fills what is trapped and its state at intake-valve closing.
func (e *Engine) mix(s *State, c *charge) error {
	m := newMixture(&s.Fuel, s.Lambda)
	fuelMass := s.AirMass / m.airFuel
	fresh := s.AirMass + fuelMass
	c.pExhaust = e.exhaustPressure(s)

	ch := &e.cfg.Charging
	c.residual = s.Residual
	switch {
	case s.Residual == NoResidual:
		c.residual = 0
	case s.Residual == 0:
		left := c.pExhaust * e.cfg.Geometry.ClearanceVolume() / (m.burned.r * ch.ResidualTemperature)
		c.residual = left / (fresh + left)
	}
	if !(c.residual <= maxResidual) {
		return fmt.Errorf("estimated residual share %.3f is above %g: too little air for this exhaust pressure",
			c.residual, maxResidual)
	}
	c.mass = fresh / (1 - c.residual)
	c.fresh = blendGas(&m.fresh, &m.burned, c.residual)
	c.burned = m.burned
	c.heat = e.cfg.CombustionEfficiency * fuelMass * m.heat / c.mass

	warm := s.ChargeTemperature + ch.WallHeating*(s.CoolantTemperature-s.ChargeTemperature)
	mixed := (1-c.residual)*warm + c.residual*ch.ResidualTemperature
	cp := c.fresh.heatCapacity(mixed) + c.fresh.r
	c.tIVC = mixed - ch.Evaporation*fuelMass*s.Fuel.HeatOfVaporisation()/(c.mass*cp)
	if !(c.tIVC >= 200) {
		return fmt.Errorf("charge of %.0f K after evaporation is colder than 200 K: charge temperature %g K is too "+
			"low for this fuel", c.tIVC, s.ChargeTemperature)
	}
	c.pIVC = c.mass * c.fresh.r * c.tIVC / e.vIVC
	return nil
}

// fill prepares the whole cycle.
func (e *Engine) fill(s *State, c *charge) error {
	if err := e.mix(s, c); err != nil {
		return err
	}
	b := &e.cfg.Burn
	c.lag = b.Lag * math.Exp(e.lagIndex(s, c)-e.lag0)
	c.duration = b.Duration * math.Exp(e.durationIndex(s, c, c.lag)-e.dur0)
	if !(c.duration >= minDuration && c.duration <= maxDuration) {
		return fmt.Errorf("scaled burn duration of %.1f° is outside %g to %g°: the state is too far from the burn "+
			"anchor at %g rpm, %g %% load", c.duration, minDuration, maxDuration, b.RPM, b.AbsoluteLoad)
	}
	c.start = c.lag - s.Spark
	if end := c.start + c.duration*wiebe90; !(end < e.cfg.ExhaustValveOpening) {
		return fmt.Errorf("%w: spark %g° before TDC has 90 %% burned at %.0f°, not before exhaust-valve opening at %g°",
			errTooLate, s.Spark, end, e.cfg.ExhaustValveOpening)
	}
	if c.start <= e.cfg.IntakeValveClosing {
		return fmt.Errorf("spark %g° before TDC lies before intake-valve closing", s.Spark)
	}

	c.perDegree = 1 / (6 * s.RPM)
	c.wall = s.CoolantTemperature + e.cfg.HeatTransfer.WallRise
	c.speedTerm = 2.28 * e.cfg.Geometry.PistonSpeed(s.RPM)
	c.burnTerm = 3.24e-3 * e.cfg.Geometry.CylinderDisplacement() * c.tIVC / (c.pIVC * e.vIVC)
	c.speed8 = math.Pow(c.speedTerm, 0.8)
	c.swirl = power{c.speedTerm, c.speed8}
	c.filmScale = e.cfg.HeatTransfer.Scale * e.woschni * math.Pow(c.mass*c.fresh.r, 0.8) * c.perDegree / c.mass
	c.dR = c.burned.r/c.fresh.r - 1
	c.knockScale = 1000 * c.perDegree / (douaudA * e.cfg.DelayScale * math.Pow(s.Octane/100, douaudB))
	return nil
}

// Angles of the Wiebe burn, a = 5, m = 2, as shares of its duration.
var (
	wiebe10 = wiebeShare(0.10)
	wiebe50 = wiebeShare(0.50)
	wiebe85 = wiebeShare(0.85)
	wiebe90 = wiebeShare(0.90)
)

// wiebeA is Wiebe's efficiency factor; the exponent m + 1 is 3.
const wiebeA = 5

func wiebeShare(burned float64) float64 { return math.Cbrt(-math.Log(1-burned) / wiebeA) }

// lagIndex returns ln of what the ignition lag is proportional to: (S_p ν)^(1/3) (h/S_L)^(2/3) at the spark (Hires,
// Tabaczynski and Novak, SAE 780232; Heywood eq. 9.33).
func (e *Engine) lagIndex(s *State, c *charge) float64 {
	lnT, lnP, lnV := e.compressed(c, -s.Spark)
	return (math.Log(s.RPM)+lnViscosity(lnT, lnP))/3 + 2.0/3*(lnV-lnFlameSpeed(s.Lambda, c.residual, lnT, lnP))
}

// durationIndex returns ln of what the burn duration is proportional to: (1/h*)(ρ_i/ρ*)^(10/9) (S_p ν*)^(1/3)
// (h_i/S_L*)^(2/3), i at the spark and * at half burned (SAE 780232; Heywood eq. 9.34). Half burned is placed with the
// anchor's duration scaled by speed^(1/3), and the gas there is that of the compression line.
func (e *Engine) durationIndex(s *State, c *charge, lag float64) float64 {
	b := &e.cfg.Burn
	half := lag - s.Spark + wiebe50*b.Duration*math.Cbrt(s.RPM/b.RPM)
	lnV0 := math.Log(e.cfg.Geometry.Volume(-s.Spark))
	lnT, lnP, lnV := e.compressed(c, half)
	return -lnV + 10.0/9*(lnV-lnV0) + (math.Log(s.RPM)+lnViscosity(lnT, lnP))/3 +
		2.0/3*(lnV0-lnFlameSpeed(s.Lambda, c.residual, lnT, lnP))
}

// compressed returns the logarithms of temperature, pressure and volume on the motored compression line.
func (e *Engine) compressed(c *charge, deg float64) (lnT, lnP, lnV float64) {
	lnV = math.Log(e.cfg.Geometry.Volume(deg))
	squeeze := math.Log(e.vIVC) - lnV
	return math.Log(c.tIVC) + (polytropicExponent-1)*squeeze, math.Log(c.pIVC) + polytropicExponent*squeeze, lnV
}

// lnViscosity returns ln of the kinematic viscosity up to a constant: μ ∝ T^0.7 (Heywood eq. 4.52), ρ ∝ p/T.
func lnViscosity(lnT, lnP float64) float64 { return 1.7*lnT - lnP }

// lnFlameSpeed returns ln of the laminar burning velocity of the reference gasoline RMFD-303 in m/s, as Metghalchi and
// Keck measured it (Combustion and Flame 48, 1982): S_L = [0.2758 − 0.7834(φ−1.13)²](T/298)^α p^β, α = 2.18
// − 0.8(φ−1), β = −0.16 + 0.22(φ−1), p in atm, φ 0.8–1.5; times 1 − 2.06 x^0.77 for a burned-gas share
// x (Rhodes and Keck, SAE 850047; Heywood eq. 9.38). Coefficients from memory.
func lnFlameSpeed(lambda, residual, lnT, lnP float64) float64 {
	phi := 1 / lambda
	level := 0.2758 - 0.7834*(phi-1.13)*(phi-1.13)
	alpha := 2.18 - 0.8*(phi-1)
	beta := -0.16 + 0.22*(phi-1)
	dilution := 1.0
	if residual > 0 {
		dilution = 1 - 2.06*math.Exp(0.77*math.Log(residual))
	}
	return math.Log(level*dilution) + alpha*(lnT-lnRoom) + beta*(lnP-lnAtmosphere)
}

var (
	lnRoom       = math.Log(298)
	lnAtmosphere = math.Log(unit.PascalPerAtmosphere)
)
