package assess

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"unicode"

	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// restsOn are the hazards whose prediction rests on a part, by a word in its name: what the logs of one part say of
// them does not carry over to another. Parts of other names are taken to shift levels only. Common practice, no source.
var restsOn = []struct {
	words   []string
	hazards []hazard.ID
}{
	{[]string{"turbo", "compressor", "turbine", "supercharger", "wastegate"},
		[]hazard.ID{hazard.Knock, hazard.ChargeTemperature, hazard.ExhaustTemperature, hazard.BoostControl}},
	{[]string{"intercooler"}, []hazard.ID{hazard.Knock, hazard.ChargeTemperature}},
	{[]string{"injector", "pump", "fuel"}, []hazard.ID{hazard.Lean, hazard.FuelDelivery, hazard.RailPressure}},
	{[]string{"piston", "head", "cam", "rod", "block", "bore", "stroke", "compression"},
		[]hazard.ID{hazard.Knock, hazard.CylinderPressure, hazard.LowSpeedLoad}},
}

// unshown are the fuel and the parts of a revision that none of the pulls it is judged on ran with.
func (m *Model) unshown(rev *workspace.Revision, car string, rows []*evidence.Row) result.Reasons {
	var out result.Reasons
	if from := m.otherFuels(rev.Fuel, rows); len(from) > 0 {
		out = append(out, FuelNotShown{From: from, To: rev.Fuel})
	}
	parts, hardware := m.ws.HardwareOf(rev.ID), map[string]map[string]string{}
	for _, r := range rows {
		if hardware[r.Revision] == nil {
			hardware[r.Revision] = m.ws.HardwareOf(r.Revision)
		}
	}
	for _, logged := range hardware {
		for item := range logged {
			if _, named := parts[item]; !named {
				parts[item] = workspace.Stock
			}
		}
	}
	for _, item := range slices.Sorted(maps.Keys(parts)) {
		if from := m.otherParts(item, parts[item], rows, hardware); len(from) > 0 {
			out = append(out, PartNotShown{Item: item, From: from, To: parts[item], Hazards: rests(item)})
		}
	}
	return append(out, m.carsParts(car, parts, rows)...)
}

// carsParts is the hardware that vehicles.csv says a revision's car has, where none of the rows ran with it: logs of
// the car from before it, and of cars that have it not, show another car. nil where the revision names it itself.
func (m *Model) carsParts(car string, parts map[string]string, rows []*evidence.Row) result.Reasons {
	v := m.vehicles[car]
	if v == nil || v.Hardware == workspace.Stock || slices.Contains(slices.Collect(maps.Values(parts)), v.Hardware) {
		return nil
	}
	met := map[string]bool{}
	for _, r := range rows {
		ran := cmp.Or(m.codeOn(r), workspace.Stock)
		if ran == v.Hardware {
			return nil
		}
		met[ran] = true
	}
	return result.Reasons{PartNotShown{Item: "hardware", From: slices.Sorted(maps.Keys(met)), To: v.Hardware,
		Hazards: rests(v.Hardware)}}
}

// codeOn is the hardware code that vehicles.csv gives a row's car for its day, "" where it says none.
func (m *Model) codeOn(r *evidence.Row) string {
	v := m.vehicles[r.Vehicle]
	if v == nil || !loggedSince(r, v.HardwareDate) {
		return ""
	}
	return v.Hardware
}

// newFuel reports whether no pull that is judged on ran on a fuel like the revision's.
func (b *bench) newFuel() bool {
	return slices.ContainsFunc(b.unshown, func(r result.Reason) bool {
		_, is := r.(FuelNotShown)
		return is
	})
}

// otherFuels are the fuels of the rows where none is of the class of the given one.
func (m *Model) otherFuels(fuel string, rows []*evidence.Row) []string {
	met := map[string]bool{}
	for _, r := range rows {
		if r.Fuel == fuel || m.FuelClass(r.Fuel) == m.FuelClass(fuel) {
			return nil
		}
		met[r.Fuel] = true
	}
	return slices.Sorted(maps.Keys(met))
}

// otherParts are the parts that the rows ran with in place of the given one, where none ran with it. A row's car has
// the hardware that its revision names, else the code that vehicles.csv gives the car from a day on, else stock.
func (m *Model) otherParts(item, part string, rows []*evidence.Row, hardware map[string]map[string]string) []string {
	met := map[string]bool{}
	for _, r := range rows {
		had, named := hardware[r.Revision][item]
		if !named {
			had = workspace.Stock
		}
		if had == part || !named && m.codeOn(r) == part {
			return nil
		}
		met[had] = true
	}
	return slices.Sorted(maps.Keys(met))
}

func rests(item string) []hazard.ID {
	named := strings.FieldsFunc(strings.ToLower(item), func(r rune) bool { return !unicode.IsLetter(r) })
	out := []hazard.ID{}
	for _, r := range restsOn {
		if slices.ContainsFunc(r.words, func(w string) bool {
			return slices.ContainsFunc(named, func(n string) bool { return partWord(n, w) })
		}) {
			out = append(out, r.hazards...)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// partWord reports whether a word of an item's name means a part: the part, several of it, or a name that it begins
// or ends ("turbocharger", "camshaft", "lowpump"); a header is no head.
func partWord(word, part string) bool {
	switch {
	case word == part, word == part+"s":
		return true
	case part == "head":
		return word == "cylinderhead" || word == "headgasket"
	case part == "rod", part == "cam", part == "bore":
		return word == part+"shaft" || word == part+"shafts" || word == "con"+part || word == "con"+part+"s" ||
			word == "big"+part
	}
	return strings.HasPrefix(word, part) || strings.HasSuffix(word, part) || strings.HasSuffix(word, part+"s")
}
