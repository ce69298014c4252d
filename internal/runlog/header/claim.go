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

// match scores a header's words against the synonym. Every word of the synonym must be there; a further word that is
// not neutral costs so much that the claim falls below what is used.
func (s synonym) match(n Name, way WrittenUnit) (Claim, bool) {
	want := strings.Fields(s.words)
	for _, w := range want {
		if !n.Has(w) {
			return Claim{}, false
		}
	}
	id, confidence := s.id, s.confidence
	var extra []string
	for _, w := range n.words {
		switch {
		case slices.Contains(want, w) || neutral[w]:
		case w == "target" && targets[s.id] != "":
			id = targets[s.id]
		case (w == "engine" || w == "rpm") && s.id == channel.EngineSpeed, w == "engine" &&
			s.id != channel.CalculatedLoad:
		case w == "fuel" && way.Unit == unit.LambdaUnit:
		case w == "air" && n.Has("fuel") && n.Has("equivalence"):
		default:
			extra = append(extra, w)
		}
	}
	confidence -= 0.45 * float64(len(extra))
	penalty, why := qualify(id, n)
	confidence -= penalty
	if way.Known && !Accepts(id, way.Unit) {
		if way.Text == way.Name || !sameBracket(way) {
			confidence -= 0.5 // a unit cut off the end of the name that does not fit was part of the name
		}
	}
	if n.Respelled != "" {
		confidence -= 0.1
	}
	if confidence <= 0 {
		return Claim{}, false
	}
	c := Claim{Channel: id, Confidence: confidence, Unit: way, Cylinder: n.cylinder,
		Gauge: s.gauge && !n.Has("absolute"), Equivalence: n.Has("equivalence"), AirFuel: n.Has("afr") ||
			n.Has("fuel") &&
				n.Has("air") && !n.Has("equivalence")}
	c.Why = describeMatch(s, n, extra, why)
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

func describeMatch(s synonym, n Name, extra []string, qualifier string) string {
	why := fmt.Sprintf("named %q", s.words)
	if s.note != "" {
		why += ": " + s.note
	}
	if len(extra) > 0 {
		why += fmt.Sprintf("; but %q is said too, which makes it another quantity", strings.Join(extra, " "))
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
