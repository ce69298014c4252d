package cycle

import (
	"math"

	"headroom/models/fuel"
	"headroom/models/unit"
)

// Reference temperature of sensible energy and heating values, and the joint of the two ranges of the property fits.
const (
	referenceTemperature = 298.15
	jointTemperature     = 1000
)

// species is a gas with cp/R as a polynomial in T below and above 1000 K: NASA seven-coefficient fits as distributed
// with the natural-gas mechanism GRI-Mech 3.0 (Smith and others; fits from Kee, Rupley and Miller, SAND87-8215B, and
// McBride, Gordon and Reno, NASA TM-4513).
type species struct {
	molarMass float64 // kg/mol
	low, high [5]float64
}

var (
	speciesO2 = species{31.999e-3,
		[5]float64{3.78245636, -2.99673416e-3, 9.84730201e-6, -9.68129509e-9, 3.24372837e-12},
		[5]float64{3.28253784, 1.48308754e-3, -7.57966669e-7, 2.09470555e-10, -2.16717794e-14}}
	// Nitrogen with air's argon and CO2: 28.16 g/mol, 3.773 mol a mol of oxygen (Heywood section 3.2).
	speciesN2 = species{28.16e-3,
		[5]float64{3.298677, 1.4082404e-3, -3.963222e-6, 5.641515e-9, -2.444854e-12},
		[5]float64{2.92664, 1.4879768e-3, -5.68476e-7, 1.0097038e-10, -6.753351e-15}}
	speciesCO2 = species{44.0095e-3,
		[5]float64{2.35677352, 8.98459677e-3, -7.12356269e-6, 2.45919022e-9, -1.43699548e-13},
		[5]float64{3.85746029, 4.41437026e-3, -2.21481404e-6, 5.23490188e-10, -4.72084164e-14}}
	speciesH2O = species{18.015e-3,
		[5]float64{4.19864056, -2.0364341e-3, 6.52040211e-6, -5.48797062e-9, 1.77197817e-12},
		[5]float64{3.03399249, 2.17691804e-3, -1.64072518e-7, -9.7041987e-11, 1.68200992e-14}}
	speciesCO = species{28.0101e-3,
		[5]float64{3.57953347, -6.1035368e-4, 1.01681433e-6, 9.07005884e-10, -9.04424499e-13},
		[5]float64{2.71518561, 2.06252743e-3, -9.98825771e-7, 2.30053008e-10, -2.03647716e-14}}
	speciesH2 = species{2.01588e-3,
		[5]float64{2.34433112, 7.98052075e-3, -1.9478151e-5, 2.01572094e-8, -7.37611761e-12},
		[5]float64{3.3372792, -4.94024731e-5, 4.99456778e-7, -1.79566394e-10, 2.00255376e-14}}
)

// Vapour cp in J/(mol·K) as a cubic in T (Reid, Prausnitz and Poling, The Properties of Gases and Liquids, 4th ed.
// 1987, appendix A; from memory). Gasoline vapour is taken as iso-octane by mass.
var (
	vapourIsoOctane = [4]float64{-7.461, 7.779e-1, -4.287e-4, 9.173e-8}
	vapourEthanol   = [4]float64{9.014, 2.141e-1, -8.390e-5, 1.373e-9}
)

const (
	massIsoOctane = 0.11423
	massEthanol   = 0.04607
)

// gas is one kilogram of an ideal-gas mixture: R, and cv and sensible energy as polynomials in T in two ranges.
type gas struct {
	r  float64       // J/(kg·K)
	cv [2][5]float64 // J/(kg·K^(k+1))
	u0 [2]float64    // so that the energy is zero at the reference temperature and continuous at the joint
}

// add puts n moles of a species into the kilogram.
func (g *gas) add(s *species, n float64) {
	nr := n * unit.MolarGasConstant
	g.r += nr
	for k := range s.low {
		g.cv[0][k] += nr * s.low[k]
		g.cv[1][k] += nr * s.high[k]
	}
}

// addVapour puts m kilograms of a fuel vapour into the kilogram.
func (g *gas) addVapour(cp *[4]float64, molarMass, m float64) {
	n := m / molarMass
	for k, c := range cp {
		g.cv[0][k] += n * c
		g.cv[1][k] += n * c
	}
}

// seal turns the collected cp into cv and sets the energy's zero.
func (g *gas) seal() {
	g.cv[0][0] -= g.r
	g.cv[1][0] -= g.r
	g.level()
}

// level sets the energy's zero and makes it continuous at the joint.
func (g *gas) level() {
	g.u0 = [2]float64{}
	g.u0[0] = -g.energyIn(0, referenceTemperature)
	g.u0[1] = g.energyIn(0, jointTemperature) - g.energyIn(1, jointTemperature)
}

// heatCapacity returns cv in J/(kg·K).
func (g *gas) heatCapacity(t float64) float64 {
	a := &g.cv[0]
	if t > jointTemperature {
		a = &g.cv[1]
	}
	return a[0] + t*(a[1]+t*(a[2]+t*(a[3]+t*a[4])))
}

// energy returns the sensible internal energy in J/kg, zero at 298.15 K.
func (g *gas) energy(t float64) float64 {
	if t > jointTemperature {
		return g.energyIn(1, t)
	}
	return g.energyIn(0, t)
}

func (g *gas) energyIn(i int, t float64) float64 {
	a := &g.cv[i]
	return g.u0[i] + t*(a[0]+t*(a[1]*(1.0/2)+t*(a[2]*(1.0/3)+t*(a[3]*(1.0/4)+t*a[4]*(1.0/5)))))
}

// blendGas returns (1−w) of a and w of b by mass.
func blendGas(a, b *gas, w float64) gas {
	g := gas{r: (1-w)*a.r + w*b.r}
	for i := range g.cv {
		g.u0[i] = (1-w)*a.u0[i] + w*b.u0[i]
		for k := range g.cv[i] {
			g.cv[i][k] = (1-w)*a.cv[i][k] + w*b.cv[i][k]
		}
	}
	return g
}

// Heats of combustion of the partly burned species at 298.15 K, J/mol (CODATA/JANAF; from memory).
const (
	heatCO = 282.98e3
	heatH2 = 241.82e3
)

// Equilibrium constant of CO2 + H2 = CO + H2O in the frozen products of rich mixtures (Heywood section 4.2: 3.5 at
// 1740 K).
const waterGas = 3.5

// Moles of apparent nitrogen a mole of oxygen in air (Heywood section 3.2).
const nitrogenPerOxygen = 3.773

// mixture is a fuel–air mixture before and after burning.
type mixture struct {
	fresh, burned gas
	airFuel       float64 // kg air a kg fuel
	heat          float64 // heat released by a kilogram of vaporised fuel, J/kg, less what CO and H2 keep
}

// newMixture builds the properties of a fuel at a relative air–fuel ratio: complete combustion in lean mixtures, the
// water-gas equilibrium in rich ones (Heywood table 4.3), no dissociation.
func newMixture(f *fuel.Fuel, lambda float64) mixture {
	c := f.Composition()
	perCarbon := 12.011e-3 + 1.008e-3*c.Y + 16e-3*c.Z // kg a mole of carbon
	stoichO2 := 1 + c.Y/4 - c.Z/2
	o2 := lambda * stoichO2
	n2 := nitrogenPerOxygen * o2
	mass := perCarbon + o2*speciesO2.molarMass + n2*speciesN2.molarMass
	scale := 1 / mass

	m := mixture{airFuel: lambda * f.Stoich(), heat: f.LowerHeatingValue() + f.HeatOfVaporisation()}
	m.fresh.add(&speciesO2, o2*scale)
	m.fresh.add(&speciesN2, n2*scale)
	fuelMass := perCarbon * scale
	m.fresh.r += fuelMass / c.MolarMass * unit.MolarGasConstant
	we := f.EthanolMassShare()
	m.fresh.addVapour(&vapourIsoOctane, massIsoOctane, fuelMass*(1-we))
	m.fresh.addVapour(&vapourEthanol, massEthanol, fuelMass*we)
	m.fresh.seal()

	co, h2 := 0.0, 0.0
	if lambda < 1 {
		co, h2 = partlyBurned(c.Y, 2*stoichO2*(1-lambda))
		m.heat -= (co*heatCO + h2*heatH2) / perCarbon
		m.burned.add(&speciesCO, co*scale)
		m.burned.add(&speciesH2, h2*scale)
	} else if lambda > 1 {
		m.burned.add(&speciesO2, (o2-stoichO2)*scale)
	}
	m.burned.add(&speciesCO2, (1-co)*scale)
	m.burned.add(&speciesH2O, (c.Y/2-h2)*scale)
	m.burned.add(&speciesN2, n2*scale)
	m.burned.seal()
	return m
}

// partlyBurned returns the moles of CO and H2 a mole of carbon that together lack the given moles of oxygen atoms,
// shared by the water-gas equilibrium: (H2O·CO)/(CO2·H2) = 3.5.
func partlyBurned(y, missing float64) (co, h2 float64) {
	a := waterGas - 1
	b := waterGas*(1+missing) + y/2 - missing
	co = (b - math.Sqrt(b*b-4*a*waterGas*missing)) / (2 * a)
	return co, missing - co
}
