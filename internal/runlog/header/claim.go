package header

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"headroom/models/channel"
	"headroom/models/unit"
)

// Claim is one reading of a header: a channel, and the unit written with it.
type Claim struct {
	Channel     channel.ID
	Confidence  float64 // 0–1
	Why         string
	Unit        WrittenUnit
	Gauge       bool // the name means pressure above the surroundings
	Equivalence bool // the name says equivalence ratio
	AirFuel     bool // the name says air–fuel ratio
	Cylinder    int  // the name is of one cylinder; 0: of none
	StandsIn    bool // intake air stands in for the charge: true behind the compressor, or without one
	Tentative   bool // the name and unit fit other quantities too: the values must speak for this one
	Stated      bool // by the user's channel map: what it states outright is not overruled
}

// Stated is the claim that a user's channel map makes for a column: its channel and unit. Without a unit the header's
// is taken, where possible one that fits the channel.
func Stated(id channel.ID, written, header, unitsRow, why string) Claim {
	c := Claim{Channel: id, Stated: true, Confidence: 1, Why: why}
	if written != "" {
		u, marked, _ := unit.ParseMarked(written)
		c.Unit = WrittenUnit{Name: header, Text: written, Unit: u, Marked: marked, Known: u != ""}
	} else {
		ways := Units(header, unitsRow)
		c.Unit = ways[0]
		for _, way := range ways {
			if way.Known && Accepts(id, way.Unit) {
				c.Unit = way
				break
			}
		}
	}
	n := Parse(c.Unit.Name)
	c.Equivalence, c.AirFuel, c.Cylinder, c.Gauge = n.Has("equivalence"), n.Has("afr"), n.cylinder, n.Has("boost")
	return c
}

// Match returns the readings of a header, best first: one a channel.
func Match(header, unitsRow string) []Claim {
	best := map[channel.ID]Claim{}
	for _, way := range Units(header, unitsRow) {
		n := Parse(way.Name)
		for _, s := range synonyms {
			c, ok := s.match(n, way)
			if ok && c.Confidence > best[c.Channel].Confidence {
				best[c.Channel] = c
			}
		}
		if way.Unit.Quantity() == unit.Speed && way.Text == way.Name && best[channel.VehicleSpeed].Confidence < 0.8 {
			best[channel.VehicleSpeed] = Claim{Channel: channel.VehicleSpeed, Confidence: 0.8, Unit: way,
				Why: "a column headed only by a unit of road speed"}
		}
	}
	claims := make([]Claim, 0, len(best))
	for _, c := range best {
		claims = append(claims, c)
	}
	sort.Slice(claims, func(i, j int) bool {
		if claims[i].Confidence != claims[j].Confidence {
			return claims[i].Confidence > claims[j].Confidence
		}
		return channel.Order(claims[i].Channel) < channel.Order(claims[j].Channel)
	})
	return claims
}

// What the parts of a match cost: common practice, no source. A claim below 0.6 is not used.
const (
	otherQuantity = 0.45 // a known word that makes it another quantity, or an unknown one without a unit that fits
	wrongUnit     = 0.5  // a unit of another quantity
	misspelt      = 0.1  // a word read as a near spelling …
	onlyMisspelt  = 0.45 // … and no word but such beside no unit that fits
)

// match scores a header's words and unit against the synonym. Every word of the synonym must be there, and its unit
// where it asks for one. Words that are neutral or go with the channel cost nothing; an unknown one little where the
// unit narrows what it can be, and as much as a known one of another quantity where it does not.
func (s synonym) match(n Name, way WrittenUnit) (Claim, bool) {
	want := strings.Fields(s.words)
	for _, w := range want {
		if !n.Has(w) {
			return Claim{}, false
		}
	}
	fits := way.Known && Accepts(s.id, way.Unit) && way.Unit != unit.One
	if len(s.beside) > 0 && !slices.Contains(s.beside, way.Unit.Quantity()) {
		return Claim{}, false
	}
	id, confidence := s.id, s.confidence
	var extra, unknown []string
	for _, w := range n.words {
		switch {
		case slices.Contains(want, w) || neutral[w] || familiar[s.id][w]:
		case w == "target" && targets[s.id] != "":
			id = targets[s.id]
		case w == "engine" && s.id != channel.CalculatedLoad:
		case fits && !vocabulary[w] && !certain[s.id] && strangers[way.Unit.Quantity()] > 0:
			unknown = append(unknown, w)
			confidence -= strangers[way.Unit.Quantity()]
		default:
			extra = append(extra, w)
			confidence -= otherQuantity
		}
	}
	penalty, why := qualify(id, n)
	confidence -= penalty
	if way.Known && !Accepts(id, way.Unit) {
		if way.Text == way.Name || !sameBracket(way) {
			confidence -= wrongUnit // a unit cut off the end of the name that does not fit was part of the name
		}
	}
	if n.Respelled != "" {
		confidence -= misspelt
		if !fits && !slices.ContainsFunc(want, func(w string) bool { return slices.Contains(n.exact, w) }) {
			confidence -= onlyMisspelt
		}
	}
	if confidence <= 0 {
		return Claim{}, false
	}
	c := Claim{Channel: id, Confidence: confidence, Unit: way, Cylinder: n.cylinder,
		Gauge: s.gauge && !n.Has("absolute"), Equivalence: n.Has("equivalence"), AirFuel: n.Has("afr") ||
			n.Has("fuel") &&
				n.Has("air") && !n.Has("equivalence")}
	c.Why = describeMatch(s, n, way, extra, unknown, why)
	c.Tentative = s.tentative
	c.StandsIn = s.id == channel.ChargeTemperature && (slices.Contains(want, "intake") ||
		slices.Contains(want, "inlet")) && !n.Has("manifold") && !n.Has("plenum") && !n.Has("charge")
	return c, true
}

// sameBracket reports whether the unit was set apart by brackets or a units row, not cut off the name.
func sameBracket(way WrittenUnit) bool {
	return !strings.HasSuffix(way.Name, way.Text) && way.Text != ""
}

// qualify prices bank, sensor, cylinder and bare numbers.
func qualify(id channel.ID, n Name) (penalty float64, why string) {
	switch {
	case n.cylinder > 0 && id == channel.KnockRetard:
		return 0.05, fmt.Sprintf("cylinder %d", n.cylinder)
	case n.cylinder == 1 && id == channel.SparkAdvance && n.Has("ignition") && n.Has("timing") && n.Has("advance"):
		return 0.1, "SAE J1979 describes the engine's spark so (PID 0x0E)"
	case n.cylinder > 0:
		return 0.45, "one cylinder does not speak for the engine"
	case n.sensor > 1 && id == channel.Lambda:
		return 0.45, "a sensor behind the catalyst does not show the mixture"
	}
	if n.bank > 1 {
		penalty, why = penalty+0.15, fmt.Sprintf("bank %d", n.bank)
	}
	if n.sensor > 1 {
		penalty, why = penalty+0.2, strings.TrimSpace(why+fmt.Sprintf(" sensor %d", n.sensor))
	}
	if n.number > 1 {
		penalty, why = penalty+0.15, strings.TrimSpace(why+fmt.Sprintf(" number %d", n.number))
	}
	if (n.bank > 0 || n.number > 0) && !banked[id] {
		penalty, why = penalty+0.15, strings.TrimSpace(why+" a numbered one of several")
	}
	return penalty, why
}

func describeMatch(s synonym, n Name, way WrittenUnit, extra, unknown []string, qualifier string) string {
	why := fmt.Sprintf("named %q", s.words)
	switch {
	case len(s.beside) > 0 && s.words == "":
		why = fmt.Sprintf("in %s", way.Unit)
	case len(s.beside) > 0:
		why += fmt.Sprintf(" and in %s", way.Unit)
	}
	if s.note != "" {
		why += ": " + s.note
	}
	if len(extra) > 0 {
		why += fmt.Sprintf("; but %q is said too, which makes it another quantity", strings.Join(extra, " "))
	}
	if len(unknown) > 0 {
		why += fmt.Sprintf("; what %q says is not known, but the unit fits", strings.Join(unknown, " "))
	}
	if qualifier != "" {
		why += "; " + qualifier
	}
	if n.Respelled != "" {
		why += "; " + n.Respelled
	}
	return why
}

// Accepts reports whether a column of unit u can hold the channel, if need be after a conversion that needs more
// than a factor.
func Accepts(id channel.ID, u unit.Unit) bool {
	d, ok := channel.Lookup(id)
	if !ok {
		return false
	}
	q := u.Quantity()
	switch d.Unit.Quantity() {
	case unit.Pressure:
		return q == unit.Pressure || q == unit.GaugePressure
	case unit.Lambda:
		return q == unit.Lambda || q == unit.AirFuelRatio || q == unit.EquivalenceRatio || u == unit.Fraction ||
			u == unit.One
	case unit.Ratio, unit.Count:
		return q == d.Unit.Quantity() || u == unit.One
	}
	return q == d.Unit.Quantity()
}
