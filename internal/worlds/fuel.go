package worlds

// fuel is a fuel that the shop names, and how its tanks differ.
type fuel struct {
	id, class           string
	ron, mon            float64 // of the label
	ethanol             float64 // share by volume
	octaneSD, ethanolSD float64 // from tank to tank
	octaneOff           float64 // the place's fuel is that much better than its label
}

// tank is what a filling station really gave.
type tank struct{ octane, ethanol float64 }

// Stoichiometric air–fuel ratios by mass and densities (kg/L) of gasoline and ethanol: Heywood, Internal Combustion
// Engine Fundamentals, 1988, table D.4; the gasoline's density is common practice, no source.
const (
	gasolineRatio, ethanolRatio     = 14.6, 9.0
	gasolineDensity, ethanolDensity = 0.745, 0.785
	gasolineHeat, ethanolHeat       = 43.6, 26.9 // MJ/kg, lower heating value: the same table
)

// ethanolMass is the share of ethanol by mass.
func ethanolMass(volume float64) float64 {
	e := volume * ethanolDensity
	return e / (e + (1-volume)*gasolineDensity)
}

// stoichiometric is the air–fuel ratio by mass.
func stoichiometric(ethanol float64) float64 {
	return gasolineRatio + (ethanolRatio-gasolineRatio)*ethanolMass(ethanol)
}

// heatValue is the lower heating value, MJ/kg.
func heatValue(ethanol float64) float64 {
	return gasolineHeat + (ethanolHeat-gasolineHeat)*ethanolMass(ethanol)
}

// drawFuels draws the shop's fuels: a common grade, a better one or a blend, and one that no car has run. Batches of
// one grade differ by some half an octane number, blends mixed by hand by several percent of ethanol: common practice,
// no source.
func drawFuels(d dice) []fuel {
	ron := d.between(94, 97)
	common := fuel{id: "grade-one", class: "pump", ron: round(ron, 0.5), mon: round(ron-d.between(8, 10.5), 0.5),
		ethanol: oneOf(d, 0, 0.05, 0.10)}
	better := fuel{id: "grade-two", class: "pump", ron: common.ron + round(d.between(1.5, 3.5), 0.5),
		mon: common.mon + round(d.between(1, 2.5), 0.5), ethanol: common.ethanol}
	if d.chance(0.4) {
		better = blend("blend-one", common, d.between(0.2, 0.4))
	}
	fresh := blend("blend-two", common, d.between(0.45, 0.75))
	out := []fuel{common, better, fresh}
	for i := range out {
		f := &out[i]
		f.octaneSD, f.ethanolSD = d.between(0.25, 0.7), d.between(0.003, 0.012)
		f.octaneOff = d.around(0.3, 0.4)
		if f.class == "blend" {
			f.ethanolSD = d.between(0.015, 0.05)
		}
	}
	return out
}

// blend is a fuel with ethanol added. Its octane numbers follow the mole share, which is nearly level beyond half
// (Anderson and others, Fuel 97, 2012: blending by mole); the two-thirds power stands in for that, no source.
func blend(id string, base fuel, ethanol float64) fuel {
	more := square(1) - square(1-ethanol) // concave
	return fuel{id: id, class: "blend", ron: round(base.ron+(109-base.ron)*more, 0.5),
		mon: round(base.mon+(90-base.mon)*more, 0.5), ethanol: round(ethanol, 0.05)}
}

func square(v float64) float64 { return v * v }

// fill draws a tank. The octane index is Kalghatgi's (SAE 2001-01-3584): OI = RON − K·(RON − MON). An ethanol share off
// the label's brings its octane with it.
func (f *fuel) fill(d dice, k float64) tank {
	off := f.ethanolSD * d.NormFloat64()
	share := clamp(f.ethanol+off, 0, 0.9)
	octane := f.ron - k*(f.ron-f.mon) + f.octaneOff + f.octaneSD*d.NormFloat64() + 16*(share-f.ethanol)
	return tank{octane, share}
}
