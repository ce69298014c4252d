package landmark

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"headroom/internal/result"
	"headroom/models/apart"
	"headroom/models/channel"
	"headroom/models/value"
)

// FalseAlarm is the chance that a comparison of sound cars, of any number of logs and landmarks, names any of them.
const FalseAlarm = 0.05

// Log is what one log shows.
type Log struct {
	Path     string
	Platform string
	Vehicle  string
	Readings []Reading
}

// Suspect is a car of whose logs some stand apart from the other cars' by one landmark.
type Suspect struct {
	Landmark ID            `json:"landmark"`
	Channel  channel.ID    `json:"channel"` // in doubt
	Against  channel.ID    `json:"against"` // that it is read against, "" without one
	Form     Form          `json:"form"`
	Vehicle  string        `json:"vehicle"`
	Logs     []string      `json:"logs"`   // that stand apart, by path
	Of       int           `json:"of"`     // logs of the car that show the landmark
	Column   string        `json:"column"` // of the first of them
	Reads    result.Number `json:"reads"`  // median of them as it is compared; of Factor the ratio to the others
	Others   result.Number `json:"others"` // middle of the cars; of Factor 1
	Spread   result.Number `json:"spread"` // of sound readings, one standard deviation; of Factor a share
	Cars     int           `json:"cars"`   // compared, this one among them
	Chance   result.Number `json:"chance"` // that a sound reading lies as far, of the furthest log
	Cause    Cause         `json:"cause"`
}

// group is the readings of one landmark that are compared with one another.
type group struct {
	kind  *Kind
	cars  []string
	logs  [][]*Log
	reads [][]Reading
	x     [][]float64
}

// Suspects are the cars whose logs stand apart, in the order of cars, platforms and landmarks. A landmark is compared
// where three cars or more show it: of two that differ, either may be the wrong one.
func Suspects(logs []Log) []Suspect {
	groups := grouped(logs)
	tries := 0
	for _, g := range groups {
		if len(g.cars) >= apart.Fewest {
			for _, x := range g.x {
				tries += len(x)
			}
		}
	}
	var out []Suspect
	for _, g := range groups {
		sound, ok := apart.Of(g.x, g.kind.Usual)
		if !ok {
			continue
		}
		for i := range g.cars {
			if s, found := g.suspect(i, sound, FalseAlarm/float64(tries)); found {
				out = append(out, s)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Suspect) int { return cmp.Compare(a.Vehicle, b.Vehicle) })
	return out
}

// grouped sorts what logs show by what it is compared with.
func grouped(logs []Log) []*group {
	logs = slices.Clone(logs)
	slices.SortFunc(logs, func(a, b Log) int { return cmp.Compare(a.Path, b.Path) })
	var out []*group
	for k := range kinds {
		by := map[string]*group{}
		place := map[string]map[string]int{}
		for i := range logs {
			l := &logs[i]
			key := l.Platform
			if kinds[k].Everywhere {
				key = ""
			}
			for _, r := range l.Readings {
				if r.Landmark != kinds[k].ID {
					continue
				}
				if by[key] == nil {
					by[key], place[key] = &group{kind: &kinds[k]}, map[string]int{}
				}
				by[key].add(place[key], l, r)
			}
		}
		for _, key := range slices.Sorted(maps.Keys(by)) {
			out = append(out, by[key])
		}
	}
	return out
}

func (g *group) add(place map[string]int, l *Log, r Reading) {
	at, known := place[l.Vehicle]
	if !known {
		at = len(g.cars)
		place[l.Vehicle] = at
		g.cars = append(g.cars, l.Vehicle)
		g.logs, g.reads, g.x = append(g.logs, nil), append(g.reads, nil), append(g.x, nil)
	}
	g.logs[at], g.reads[at] = append(g.logs[at], l), append(g.reads[at], r)
	g.x[at] = append(g.x[at], g.kind.compared(r.Value, r.Against))
}

// suspect is what a car's logs show that stand apart.
func (g *group) suspect(car int, sound apart.Sound, chance float64) (s Suspect, found bool) {
	var odd []int
	least := 1.0
	for i, x := range g.x[car] {
		if p := sound.Chance(x); p < chance {
			odd = append(odd, i)
			least = math.Min(least, p)
		}
	}
	if len(odd) == 0 {
		return s, false
	}
	// the logs that read as the first does are one finding; one that lies on the other side has a cause of its own
	first := odd[0]
	var x []float64
	for _, i := range odd {
		if (g.x[car][i] > sound.Middle) != (g.x[car][first] > sound.Middle) {
			continue
		}
		s.Logs = append(s.Logs, g.logs[car][i].Path)
		x = append(x, g.x[car][i])
	}
	r := g.reads[car][first]
	s.Landmark, s.Channel, s.Against, s.Form = g.kind.ID, g.kind.Channel, g.kind.Against, g.kind.Form
	s.Vehicle, s.Of, s.Column, s.Cars = g.cars[car], len(g.x[car]), r.Column, len(g.cars)
	s.Chance = result.Number(least)
	reads := value.Median(x)
	s.Reads, s.Others, s.Spread = result.Number(reads), result.Number(sound.Middle), result.Number(sound.Spread)
	if g.kind.Form == Factor {
		s.Reads, s.Others = result.Number(math.Exp(reads-sound.Middle)), 1
	}
	s.Cause = g.kind.causeOf(r, sound)
	return s, s.Cause != (Cause{}) || !g.kind.Explained
}
