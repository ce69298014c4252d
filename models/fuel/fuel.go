// Package fuel answers: what does a gasoline with this much ethanol in it need in air, give in heat, cool by
// evaporating, and stand in knock?
//
// A fuel is a mixture of a base gasoline and ethanol, given by ethanol's share of the volume. Amounts go from volume
// to mass to mole; mass properties (heating value, heat of vaporisation, composition) mix by mass, octane numbers by
// mole (Anderson, Kramer, Mueller and Wallington, Energy & Fuels 24, 2010, and Anderson and others, SAE
// 2012-01-1274). The volume lost on mixing (below 0.3 %) is neglected. Stoichiometry and pure-substance data follow
// Heywood, Internal Combustion Engine Fundamentals, 1st ed. 1988, eq. 3.6 and table D.4 (table from memory). The
// octane index is Kalghatgi's (SAE 2001-01-3584). SI inside: kg/m³, J/kg, kg/mol; densities at 15 °C.
package fuel

import (
	"fmt"
	"math"

	"headroom/models/bound"
)

// Molar masses of the elements, kg/mol (Heywood eq. 3.6 uses these roundings).
const (
	massC = 12.011e-3
	massH = 1.008e-3
	massO = 16e-3
)

// Base is a gasoline without ethanol, or a pure substance.
type Base struct {
	Name               string
	HydrogenToCarbon   float64 // y of CH_yO_z, 0–4
	OxygenToCarbon     float64 // z of CH_yO_z, 0–1
	MolarMass          float64 // mean, kg/mol, 0.03–0.2
	Density            float64 // kg/m³ at 15 °C, 600–900
	LowerHeatingValue  float64 // J/kg of liquid fuel burned to CO2 and water vapour, 15e6–50e6
	HeatOfVaporisation float64 // J/kg at 25 °C, 100e3–1500e3
	RON, MON           float64 // research and motor octane number, 0–130
}

// Gasoline returns a base gasoline of the given octane numbers with the properties of a typical gasoline: CH1.87,
// 110 g/mol, 44.0 MJ/kg, 350 kJ/kg (Heywood table D.4, from memory) and 745 kg/m³ (middle of the EN 228 range).
func Gasoline(ron, mon float64) Base {
	return Base{Name: "gasoline", HydrogenToCarbon: 1.87, MolarMass: 0.110, Density: 745,
		LowerHeatingValue: 44.0e6, HeatOfVaporisation: 350e3, RON: ron, MON: mon}
}

// Ethanol is pure ethanol: C2H6O, 46.07 g/mol, 26.9 MJ/kg, 840 kJ/kg (Heywood table D.4, from memory), 794 kg/m³ at
// 15 °C. RON 109 and MON 90 are the neat-ethanol numbers that make molar blending linear (Anderson and others, SAE
// 2012-01-1274; from memory).
func Ethanol() Base {
	return Base{Name: "ethanol", HydrogenToCarbon: 3, OxygenToCarbon: 0.5, MolarMass: 0.04607, Density: 794,
		LowerHeatingValue: 26.9e6, HeatOfVaporisation: 840e3, RON: 109, MON: 90}
}

// Validate returns an error that names the first property outside its range.
func (b Base) Validate() error {
	err := bound.First(
		bound.Check("hydrogen-to-carbon ratio", b.HydrogenToCarbon, 0, 4, ""),
		bound.Check("oxygen-to-carbon ratio", b.OxygenToCarbon, 0, 1, ""),
		bound.Check("molar mass", b.MolarMass, 0.03, 0.2, "kg/mol"),
		bound.Check("density", b.Density, 600, 900, "kg/m³"),
		bound.Check("lower heating value", b.LowerHeatingValue, 15e6, 50e6, "J/kg"),
		bound.Check("heat of vaporisation", b.HeatOfVaporisation, 100e3, 1500e3, "J/kg"),
		bound.Check("research octane number", b.RON, 0, 130, ""),
		bound.Check("motor octane number", b.MON, 0, 130, ""),
	)
	if err != nil {
		return fmt.Errorf("fuel %q: %w", b.Name, err)
	}
	return nil
}

// Fuel is a finished fuel. Make it with Blend, Finished or WithEthanol; the zero value is no fuel (Valid is false).
type Fuel struct {
	base       Base
	baseOctane bool // the base's octane numbers are known well enough to blend from
	share      float64
	massShare  float64
	moleShare  float64
	comp       Composition
	stoich     float64
	lhv        float64
	hov        float64
	density    float64
	ron, mon   float64
}

// Composition is a fuel as CH_yO_z with its mean molar mass and element mass fractions.
type Composition struct {
	Y, Z      float64 // hydrogen and oxygen atoms a carbon atom
	MolarMass float64 // mean of the molecules, kg/mol
	C, H, O   float64 // mass fractions, sum 1
}

// Blend returns base with ethanol at a share of the volume, 0–1. Octane numbers follow the mole fraction.
func Blend(base Base, ethanolShare float64) (Fuel, error) {
	if err := bound.First(base.Validate(), checkShare(ethanolShare)); err != nil {
		return Fuel{}, err
	}
	f := mix(base, ethanolShare)
	e := Ethanol()
	f.ron = base.RON + f.moleShare*(e.RON-base.RON)
	f.mon = base.MON + f.moleShare*(e.MON-base.MON)
	f.baseOctane = true
	return f, nil
}

// Range of a base gasoline's octane numbers that Finished accepts as implied by a finished fuel.
const (
	minBaseOctane = 60
	maxBaseOctane = 110
)

// Finished returns the fuel a pump sells: its own octane numbers (RON 60–130, MON 60–130, MON not above RON + 1)
// with the ethanol already in it, at a share 0–1 of the volume. The base gasoline's octane numbers follow by undoing
// the molar blending. Where so much ethanol is in it that they come out absurd, the fuel is valid but WithEthanol
// refuses.
func Finished(ron, mon, ethanolShare float64) (Fuel, error) {
	err := bound.First(
		bound.Check("research octane number", ron, 60, 130, ""),
		bound.Check("motor octane number", mon, 60, math.Min(130, ron+1), ""),
		checkShare(ethanolShare),
	)
	if err != nil {
		return Fuel{}, err
	}
	base := Gasoline(ron, mon)
	f := mix(base, ethanolShare)
	f.ron, f.mon = ron, mon
	e := Ethanol()
	if rest := 1 - f.moleShare; rest > 0.02 {
		f.base.RON = (ron - f.moleShare*e.RON) / rest
		f.base.MON = (mon - f.moleShare*e.MON) / rest
		f.baseOctane = inBase(f.base.RON) && inBase(f.base.MON)
	}
	return f, nil
}

func inBase(on float64) bool { return on >= minBaseOctane && on <= maxBaseOctane }

// WithEthanol returns a fuel of the same base gasoline with another ethanol share of the volume, 0–1. It refuses
// where the base's octane numbers cannot be told from the finished fuel's; make such a fuel with Blend from a known
// base.
func (f Fuel) WithEthanol(share float64) (Fuel, error) {
	if !f.Valid() {
		return Fuel{}, fmt.Errorf("fuel is empty: make it with Blend or Finished")
	}
	if !f.baseOctane {
		return Fuel{}, fmt.Errorf("base gasoline of a fuel with %g %% ethanol cannot be told from its octane numbers "+
			"%g/%g: give the base gasoline", 100*f.share, f.ron, f.mon)
	}
	return Blend(f.base, share)
}

func checkShare(s float64) error { return bound.Check("ethanol share of volume", s, 0, 1, "") }

// mix fills everything but the octane numbers.
func mix(base Base, share float64) Fuel {
	e := Ethanol()
	mb, me := (1-share)*base.Density, share*e.Density
	nb, ne := mb/base.MolarMass, me/e.MolarMass
	f := Fuel{base: base, share: share, density: mb + me, massShare: me / (mb + me), moleShare: ne / (nb + ne)}
	w := f.massShare
	f.lhv = (1-w)*base.LowerHeatingValue + w*e.LowerHeatingValue
	f.hov = (1-w)*base.HeatOfVaporisation + w*e.HeatOfVaporisation
	f.comp = composition((1-w)/unitMass(base), w/unitMass(e), base, e)
	f.comp.MolarMass = (mb + me) / (nb + ne)
	f.stoich = Stoich(f.comp.Y, f.comp.Z)
	return f
}

// unitMass is the mass of CH_yO_z, kg per mole of carbon.
func unitMass(b Base) float64 { return massC + b.HydrogenToCarbon*massH + b.OxygenToCarbon*massO }

// composition mixes carbon moles cb of base and ce of ethanol, together one kilogram.
func composition(cb, ce float64, b, e Base) Composition {
	c := cb + ce
	y := (cb*b.HydrogenToCarbon + ce*e.HydrogenToCarbon) / c
	z := (cb*b.OxygenToCarbon + ce*e.OxygenToCarbon) / c
	m := massC + y*massH + z*massO
	return Composition{Y: y, Z: z, C: massC / m, H: y * massH / m, O: z * massO / m}
}

// Stoich returns the stoichiometric air–fuel ratio by mass of a fuel CH_yO_z: 34.56(4+y−2z)/(12.011+1.008y+16z)
// (Heywood eq. 3.6). y and z must be those of a fuel: non-negative, with 4 + y − 2z above 0.
func Stoich(y, z float64) float64 { return 34.56 * (4 + y - 2*z) / (12.011 + 1.008*y + 16*z) }

// Valid reports whether f was made by a constructor of this package.
func (f Fuel) Valid() bool { return f.stoich > 0 }

// Base returns the base gasoline; for a Finished fuel its octane numbers are implied ones.
func (f Fuel) Base() Base { return f.base }

// EthanolShare returns ethanol's share of the volume, 0–1.
func (f Fuel) EthanolShare() float64 { return f.share }

// EthanolMassShare returns ethanol's share of the mass, 0–1.
func (f Fuel) EthanolMassShare() float64 { return f.massShare }

// Composition returns the fuel as CH_yO_z.
func (f Fuel) Composition() Composition { return f.comp }

// Stoich returns the stoichiometric air–fuel ratio by mass (Heywood eq. 3.6).
func (f Fuel) Stoich() float64 { return f.stoich }

// LowerHeatingValue returns J/kg of liquid fuel burned to CO2 and water vapour, by mass share.
func (f Fuel) LowerHeatingValue() float64 { return f.lhv }

// HeatOfVaporisation returns J/kg at 25 °C, by mass share (heat of mixing neglected).
func (f Fuel) HeatOfVaporisation() float64 { return f.hov }

// Density returns kg/m³ at 15 °C, volumes adding up.
func (f Fuel) Density() float64 { return f.density }

// RON returns the research octane number.
func (f Fuel) RON() float64 { return f.ron }

// MON returns the motor octane number.
func (f Fuel) MON() float64 { return f.mon }

// AKI returns the anti-knock index (RON+MON)/2, the number on pumps in North America (ASTM D4814).
func (f Fuel) AKI() float64 { return (f.ron + f.mon) / 2 }

// OctaneIndex returns RON − K·(RON−MON), the octane number the fuel acts as in an engine whose end gas is K
// between the research (0) and motor (1) tests; K is at or below 0 in boosted engines (Kalghatgi, SAE 2001-01-3584). K
// must be −2…2: the range seen in published tests, with room.
func (f Fuel) OctaneIndex(k float64) (float64, error) {
	if err := bound.Check("octane-index factor K", k, -2, 2, ""); err != nil {
		return 0, err
	}
	return f.ron - k*(f.ron-f.mon), nil
}
