package cycle

import (
	"fmt"
	"math"
)

// Run computes one cycle. It allocates nothing and may be called from many goroutines. Out-of-range input is an error
// that names the quantity and its range.
func (e *Engine) Run(s State) (Result, error) {
	return e.run(&s, true)
}

// RunWork is Run for who asks for pressure, work and heat alone, in less time: the end gas is left out, its temperature
// and the knock integral are NaN. All else is the same to the bit.
func (e *Engine) RunWork(s State) (Result, error) {
	return e.run(&s, false)
}

func (e *Engine) run(s *State, knock bool) (Result, error) {
	var c charge
	if err := e.prepare(s, &c); err != nil {
		return Result{}, err
	}
	return e.result(s, &c, knock, nil)
}

// Trace is Run that also appends every crank node of the cycle to points, in order, and returns them.
func (e *Engine) Trace(s State, points []Point) (Result, []Point, error) {
	var c charge
	if err := e.prepare(&s, &c); err != nil {
		return Result{}, points, err
	}
	r, err := e.result(&s, &c, true, &points)
	return r, points, err
}

func (e *Engine) prepare(s *State, c *charge) error {
	if err := s.validate(e); err != nil {
		return fmt.Errorf("cycle: %w", err)
	}
	if err := e.fill(s, c); err != nil {
		return fmt.Errorf("cycle: %w", err)
	}
	return nil
}

// result integrates and turns the sums into the quantities of the trade.
func (e *Engine) result(s *State, c *charge, knock bool, points *[]Point) (Result, error) {
	var r Result
	e.integrate(c, &r, knock, points)

	g := &e.cfg.Geometry
	swept := g.CylinderDisplacement()
	bottom := g.Volume(180)
	vEVO := e.grid.volume[e.grid.nodes]
	// Before closing the cylinder follows the pressure at closing; after opening it blows down linearly over volume.
	ends := c.pIVC*(e.vIVC-bottom) + (r.PressureEVO+c.pExhaust)/2*(bottom-vEVO)
	r.IMEP = (r.Work + ends) / swept
	r.PMEP = c.pExhaust - s.ManifoldPressure
	r.FMEP = e.cfg.Friction.FMEP(r.PeakPressure, g.PistonSpeed(s.RPM))
	r.BMEP = r.IMEP - r.PMEP - r.FMEP

	r.IgnitionLag, r.BurnDuration = c.lag, c.duration
	r.CA10 = c.start + wiebe10*c.duration
	r.CA50 = c.start + wiebe50*c.duration
	r.CA90 = c.start + wiebe90*c.duration

	// Energy kept by the gas as it leaves at constant exhaust pressure: h_out = u_EVO + p_exh·v_EVO, residual
	// neglected.
	cv := c.burned.heatCapacity(r.TemperatureEVO)
	gamma := 1 + c.burned.r/cv
	r.ExhaustTemperature = r.TemperatureEVO * (1 + (gamma-1)*min(1, c.pExhaust/r.PressureEVO)) / gamma

	r.TemperatureIVC, r.PressureIVC = c.tIVC, c.pIVC
	r.ResidualFraction, r.TrappedMass = c.residual, c.mass
	sum := r.PeakPressure + r.IMEP
	if knock {
		sum += r.KnockIntegral
	}
	if !(r.PeakPressure > 0 && r.TemperatureEVO > 0 && !(knock && r.KnockIntegral <= 0)) ||
		math.IsInf(sum, 0) || math.IsNaN(sum) {
		return Result{}, fmt.Errorf("cycle: no finite result at %g rpm, %g kg air, spark %g°", s.RPM, s.AirMass,
			s.Spark)
	}
	return r, nil
}

// node is the gas at one crank node.
type node struct {
	deg   float64
	t, p  float64
	x, dx float64 // burned share and its slope, 1/degree
	film  float64 // Woschni's coefficient times area, seconds a degree and mass: J/(kg·K·degree)
	flow  flow
	dLnP  float64 // slope of ln p, 1/degree
	lnP   float64 // ln Pa, with the rest only up to 85 % burned
	tu    float64 // end gas, K
	f, df float64 // knock rate 1/τ and its slope, 1/degree
}

// flow is the rate of change at one stage of a step.
type flow struct {
	dT   float64 // K/degree
	work float64 // J/(kg·degree)
	lost float64 // J/(kg·degree)
}

// integrate walks the crank table with the classical fourth-order Runge–Kutta method, temperature as the state. Work
// and heat loss ride along; Woschni's coefficient is taken at the middle and the end of a step. The end gas and the
// knock rate are taken at the nodes, and the knock integral by the cubic Hermite rule, which is of the same order.
// Without knock they are left out.
func (e *Engine) integrate(c *charge, r *Result, knocks bool, points *[]Point) {
	g := &e.grid
	ivc := e.cfg.IntakeValveClosing
	at85 := c.start + c.duration*wiebe85
	tail := c.start + 1.25*c.duration
	fine := g.burnStride(c.duration)
	motor := 0.0 // p·V^n of the motored line, set when the burn starts

	n := node{deg: ivc, t: c.tIVC, tu: c.tIVC}
	n.film = e.film(c, 0, motor, n.t, 0)
	e.close(c, &n, 0)
	n.lnP = math.Log(n.p)
	c.knockRate(&n)
	var work, lost, knock float64
	r.PeakPressure, r.PeakPressureAngle, r.PeakTemperature = n.p, n.deg, n.t
	if points != nil {
		*points = append(*points, e.point(&n, 0, 0))
	}

	var next node
	for k := 0; k < g.nodes; {
		stride := g.stride(n.deg, c.start, tail, fine)
		stride = min(stride, g.nodes-k)
		h := float64(stride) * g.d
		if motor == 0 && n.deg+h > c.start {
			motor = n.p / g.polytrope[k]
		}
		mid, end := k+stride/2, k+stride
		xm, dxm := c.burn(ivc + float64(mid)*g.d)
		next.deg = ivc + float64(end)*g.d
		next.x, next.dx = c.burn(next.deg)

		f1 := &n.flow
		t2 := n.t + h/2*f1.dT
		film := e.film(c, mid, motor, t2, xm)
		f2 := e.rate(c, mid, film, t2, xm, dxm)
		f3 := e.rate(c, mid, film, n.t+h/2*f2.dT, xm, dxm)
		t4 := n.t + h*f3.dT
		next.film = e.film(c, end, motor, t4, next.x)
		f4 := e.rate(c, end, next.film, t4, next.x, next.dx)
		next.t = n.t + h/6*(f1.dT+2*(f2.dT+f3.dT)+f4.dT)
		work += h / 6 * (f1.work + 2*(f2.work+f3.work) + f4.work)
		lost += h / 6 * (f1.lost + 2*(f2.lost+f3.lost) + f4.lost)

		e.close(c, &next, end)
		if knocks && (n.deg < at85 || points != nil) {
			next.lnP = math.Log(next.p)
			c.compressEndGas(&n, &next)
			c.knockRate(&next)
		}
		if knocks && n.deg < at85 {
			knock += knockStep(&n, &next, h, at85)
			r.EndGasTemperature = n.tu + (next.tu-n.tu)*min(1, (at85-n.deg)/h)
		}
		peaks(r, &n, &next, h)
		if points != nil {
			*points = append(*points, e.point(&next, end, knock))
		}
		n, k = next, end
	}

	if r.KnockIntegral = knock; !knocks {
		r.KnockIntegral, r.EndGasTemperature = math.NaN(), math.NaN()
	}
	r.TemperatureEVO, r.PressureEVO = n.t, n.p
	r.Work, r.Lost = work*c.mass, lost*c.mass
	r.Released = c.heat * c.mass * n.x
	r.Stored = c.mass * (c.energy(n.t, n.x) - c.energy(c.tIVC, 0))
}

// stride returns the nodes of the step from a crank angle: fine from just before the start of burn to its tail.
func (g *grid) stride(deg, start, tail float64, fine int) int {
	if deg < -farAngle-float64(g.far)*g.d || deg > farAngle {
		if deg+float64(g.far)*g.d <= start || deg >= tail {
			return g.far
		}
	}
	if deg+float64(g.coarse)*g.d <= start || deg >= tail {
		return g.coarse
	}
	return fine
}

// energy returns the sensible energy of the trapped gas in J/kg.
func (c *charge) energy(t, x float64) float64 {
	return (1-x)*c.fresh.energy(t) + x*c.burned.energy(t)
}

// burn returns the burned share and its slope a degree.
func (c *charge) burn(deg float64) (x, dx float64) {
	t := (deg - c.start) / c.duration
	if t <= 0 {
		return 0, 0
	}
	if t > 2 { // exp(−40)
		return 1, 0
	}
	at2 := wiebeA * t * t
	left := math.Exp(-at2 * t)
	return 1 - left, 3 * at2 * left / c.duration
}

// rate returns the first law's rates at crank node k.
func (e *Engine) rate(c *charge, k int, film, t, x, dx float64) flow {
	var rGas, cv, release float64
	switch {
	case x == 0:
		rGas, cv = c.fresh.r, c.fresh.heatCapacity(t)
	case x > 1-1e-12:
		rGas, cv = c.burned.r, c.burned.heatCapacity(t)
	default:
		rGas = c.fresh.r + x*(c.burned.r-c.fresh.r)
		cv = (1-x)*c.fresh.heatCapacity(t) + x*c.burned.heatCapacity(t)
		release = (c.heat - c.burned.energy(t) + c.fresh.energy(t)) * dx
	}
	work := rGas * t * e.grid.logSlope[k]
	lost := film * (t - c.wall)
	return flow{dT: (release - work - lost) / cv, work: work, lost: lost}
}

// film returns Woschni's heat transfer at crank node k in J/(kg·K·degree): 3.26 B^−0.2 p^0.8 T^−0.55 w^0.8
// W/(m²K), p in kPa, with w = 2.28 S_p + 3.24e−3 (V_d T_r)/(p_r V_r) (p − p_motored) from the start of burn (SAE
// 670931; Heywood eq. 12.21 ff.). With p = mRT/V that is (mR)^0.8 T^0.25 w^0.8 V^−0.8, and area·V^−0.8 stands in
// the crank table.
func (e *Engine) film(c *charge, k int, motor, t, x float64) float64 {
	g := &e.grid
	if c.filmScale == 0 {
		return 0
	}
	dR := x * c.dR // relative change of R, a few per cent: two terms of its power 0.8
	w8 := c.speed8
	if motor > 0 {
		p := c.mass * c.fresh.r * (1 + dR) * t / g.volume[k]
		w8 = c.swirl.to(c.speedTerm + c.burnTerm*max(0, p-motor*g.polytrope[k]))
	}
	return c.filmScale * w8 * math.Sqrt(math.Sqrt(t)) * g.film[k] * (1 + dR*(0.8-0.08*dR))
}

// power is a number and its power 0.8.
type power struct{ of, is float64 }

// to moves to another number, by Padé's approximant of order 2, 2 for its ratio to the last where that is within 15 %
// of 1 (relative error below 1.6e−7 a move), as it is from one half step to the next but where a burn sets in.
func (p *power) to(x float64) float64 {
	d := x/p.of - 1
	if p.of = x; d > 0.15 || d < -0.15 {
		p.is = math.Exp(0.8 * math.Log(x))
	} else {
		p.is *= (1 + d*(1.4+0.42*d)) / (1 + d*(0.6+0.02*d))
	}
	return p.is
}

// close fills pressure and flow of a node from its temperature and burned share.
func (e *Engine) close(c *charge, n *node, k int) {
	g := &e.grid
	rGas := c.fresh.r + n.x*(c.burned.r-c.fresh.r)
	n.p = c.mass * rGas * n.t / g.volume[k]
	n.flow = e.rate(c, k, n.film, n.t, n.x, n.dx)
	n.dLnP = n.flow.dT/n.t + (c.burned.r-c.fresh.r)*n.dx/rGas - g.logSlope[k]
}

// knockRate fills 1/τ a degree and its slope from pressure and end gas.
func (c *charge) knockRate(n *node) {
	n.f = c.knockScale * math.Exp(1.7*(n.lnP-lnAtmosphere)-douaudC/n.tu)
	n.df = n.f * n.dLnP * (1.7 + douaudC/n.tu*c.kappa(n.tu))
}

// kappa returns R/cp of the unburned gas.
func (c *charge) kappa(t float64) float64 { return c.fresh.r / (c.fresh.r + c.fresh.heatCapacity(t)) }

// compressEndGas takes the end gas isentropically to the next node's pressure: d ln T = (R/cp) d ln p by the midpoint
// rule.
func (c *charge) compressEndGas(n, next *node) {
	d := next.lnP - n.lnP
	half := 0.5 * d * c.kappa(n.tu)
	next.tu = n.tu * expNearZero(d*c.kappa(n.tu*(1+half*(1+half/2))))
}

// expNearZero is exp, by five terms of its series within ±0.15 (error below 2e−8), where most crank steps lie.
func expNearZero(x float64) float64 {
	if x > 0.15 || x < -0.15 {
		return math.Exp(x)
	}
	return 1 + x*(1+x*(1.0/2)*(1+x*(1.0/3)*(1+x*(1.0/4)*(1+x*(1.0/5)))))
}

// knockStep returns the integral of the knock rate over a step, cut at the angle where 85 % are burned.
func knockStep(a, b *node, h, until float64) float64 {
	if b.deg <= until {
		return h/2*(a.f+b.f) + h*h/12*(a.df-b.df)
	}
	s := (until - a.deg) / h
	s2 := s * s
	s3, s4 := s2*s, s2*s2
	return h * (a.f*(s-s3+s4/2) + b.f*(s3-s4/2) + h*a.df*(s2/2-2*s3/3+s4/4) + h*b.df*(s4/4-s3/3))
}

// peaks updates the largest pressure, temperature and pressure-rise rate with one step.
func peaks(r *Result, a, b *node, h float64) {
	if b.t > r.PeakTemperature {
		r.PeakTemperature = b.t
	}
	da, db := a.p*a.dLnP, b.p*b.dLnP
	if da > 0 && db <= 0 {
		if s, p := hermitePeak(a.p, b.p, h*da, h*db); p > r.PeakPressure {
			r.PeakPressure, r.PeakPressureAngle = p, a.deg+s*h
		}
	}
	if b.p > r.PeakPressure {
		r.PeakPressure, r.PeakPressureAngle = b.p, b.deg
	}
	// The slope of the cubic Hermite is a parabola through da, db and the mean rise; its top is the largest rise.
	if s, d := hermiteSteepest(a.p, b.p, h*da, h*db); d > h*r.MaxPressureRise {
		r.MaxPressureRise, r.MaxPressureRiseAngle = d/h, a.deg+s*h
	}
}

// hermitePeak returns where in [0, 1] the cubic with end values p0, p1 and end slopes d0 > 0 ≥ d1 is highest, and its
// height.
func hermitePeak(p0, p1, d0, d1 float64) (s, p float64) {
	a, b := 2*(p0-p1)+d0+d1, 3*(p1-p0)-2*d0-d1 // p = p0 + d0 s + b s² + a s³
	s = 0.5
	if root := b*b - 3*a*d0; root >= 0 {
		s = d0 / (math.Sqrt(root) - b)
	}
	s = min(1, max(0, s))
	return s, p0 + s*(d0+s*(b+s*a))
}

// hermiteSteepest returns where in [0, 1] the same cubic rises fastest, and its slope there.
func hermiteSteepest(p0, p1, d0, d1 float64) (s, d float64) {
	a, b := 2*(p0-p1)+d0+d1, 3*(p1-p0)-2*d0-d1
	s, d = 0, d0
	if d1 > d {
		s, d = 1, d1
	}
	if a < 0 {
		if top := -b / (3 * a); top > 0 && top < 1 {
			if v := d0 - b*b/(3*a); v > d {
				s, d = top, v
			}
		}
	}
	return s, d
}

func (e *Engine) point(n *node, k int, knock float64) Point {
	return Point{Angle: n.deg, Volume: e.grid.volume[k], Pressure: n.p, Temperature: n.t, EndGasTemperature: n.tu,
		Burned: n.x, KnockIntegral: knock}
}
