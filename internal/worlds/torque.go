package worlds

// torqueForm is a form of the torque law.
type torqueForm string

const (
	torqueWillans torqueForm = "willans" // a line in fuel energy: Guzzella and Onder, 2nd ed. 2010, section 2.5.1
	torqueTrace   torqueForm = "trace"   // work of the pressure trace, less what walls take in proportion to its peak
)

// torqueLaw turns a cycle into brake mean effective pressure.
type torqueLaw struct {
	form       torqueForm
	efficiency float64 // of the inner process at best spark, lambda 1
	retard     float64 // share lost a square degree of phasing away from the best
	rich       float64 // share of efficiency lost a unit of lambda below 1, beyond the fuel that finds no air
	friction   [3]float64
	kept, wall float64 // of the trace: share of its work, and kPa lost a kPa of peak
}

// Best inner efficiencies lie near 0.38 to 0.42 for such compression ratios and fall with the square of phasing (Ayala,
// Gerty and Heywood, SAE 2006-01-0229: about 10 % at 20 degrees late, from memory). Friction, bar:
// 0.97 + 0.15·N/1000 + 0.05·(N/1000)², Barnes-Moss 1975, in Heywood 1988, eq. 13.6; scaled by ±20 %.
func drawTorque(d dice, form torqueForm) torqueLaw {
	scale := d.between(0.8, 1.2)
	return torqueLaw{form: form, efficiency: d.between(0.375, 0.42), retard: d.between(0.00019, 0.00032),
		rich: d.between(0, 0.15), friction: [3]float64{97 * scale, 15 * scale, 5 * scale}}
}

// inner is the share of released heat that becomes indicated work. Compression and expansion of the Willans form lose
// in proportion to the square of phasing; a quarter as much when burning is very late, so that it never turns negative.
func (l *torqueLaw) inner(b *burnLaw, c *charge, f *fired) float64 {
	late := square(f.middle - b.best)
	return l.efficiency / (1 + l.retard*late) * (1 - l.rich*max(0, 1-c.lambda))
}

// bmep is the brake mean effective pressure, kPa.
func (l *torqueLaw) bmep(e *engine, b *burnLaw, c *charge, f *fired) float64 {
	k := c.rpm / 1000
	loss := l.friction[0] + l.friction[1]*k + l.friction[2]*k*k + c.exhaust - c.manifold
	if l.form == torqueTrace {
		return f.work*l.kept - f.peak*l.wall - loss
	}
	return c.released()*l.inner(b, c, f) - loss
}

// released is the heat released a swept volume, kPa.
func (c *charge) released() float64 {
	fuel := c.load * loadAir / (c.lambda * stoichiometric(c.tank.ethanol))
	return fuel * heatValue(c.tank.ethanol) * 1000 * completeness(c.lambda)
}

// settle sets what the trace form keeps and loses, so that at a reference state the most torque is at the burn law's
// best phasing and the inner efficiency is the drawn one: a trace without wall losses alone has its best too early.
func (l *torqueLaw) settle(e *engine, b *burnLaw, c *charge) {
	best := b.bestSpark(e, c)
	early, at, late := e.fire(b, c, best+6, nil), e.fire(b, c, best, nil), e.fire(b, c, best-6, nil)
	share := max(0, (early.work-late.work)/(early.peak-late.peak)) // of wall over kept
	l.kept = c.released() * l.inner(b, c, &at) / (at.work - share*at.peak)
	l.wall = share * l.kept
}
