package fleet

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/models/knock"
	"headroom/models/value"
)

// silentByChance is the chance of silence below which logs that never move are not heard, and clean logs contradict
// physics: it bounds how often a listening car is called deaf, were it driven where that can be told. Common practice,
// no source; measured in models/knock (TestSilenceFalseAlarms).
const silentByChance = 0.001

// worthAFit is the chance of silence by a fit with the silent logs in it below which one without them is made; common
// practice, no source.
const worthAFit = 0.3

// Unheard are logs of a car in which knock was not heard: their total retard never moves where a listening car's would
// have. Their clean cells bound the knock limit from the wrong side and are no evidence.
type Unheard struct {
	Runs   []string // in order of time: all of the car's, or its last
	Pulls  int
	Steady int     // stretches
	Retard float64 // that they stand at, degrees
	Chance float64 // that a listening car shows no rise in all of them
}

// unheardRuns are the logs of all cars in which knock was not heard.
func (f *Fit) unheardRuns() map[string]bool {
	return logsIn(f.Unheard, func(u Unheard) []string { return u.Runs })
}

// logsIn are the logs that runs names of what is known by car.
func logsIn[T any](by map[string]T, runs func(T) []string) map[string]bool {
	out := map[string]bool{}
	for _, of := range by {
		for _, run := range runs(of) {
			out[run] = true
		}
	}
	return out
}

// resting are a car's last logs in a row whose total retard never moves.
type resting struct {
	runs   []string
	all    bool // of the car's logs
	retard float64
}

// restingLogs finds, by car, the last logs in which total retard stands still from the first row to the last. A sensor
// or a channel that has died stays dead, so logs before one that moves are taken to be heard.
func restingLogs(visits []state.Visit) map[string]resting {
	type log struct {
		date, run string
		level     float64
		moves     bool
	}
	byCar := map[string]map[string]*log{}
	for i := range visits {
		r := visits[i].Row
		if !r.KnockLogged {
			continue
		}
		if byCar[r.Vehicle] == nil {
			byCar[r.Vehicle] = map[string]*log{}
		}
		l := byCar[r.Vehicle][r.Run]
		if l == nil {
			l = &log{date: r.Date, run: r.Run, level: r.RetardMax}
			byCar[r.Vehicle][r.Run] = l
		}
		l.moves = l.moves || r.KnockEvents > 0 || r.RetardMax != l.level || r.RetardStart != l.level
	}
	out := map[string]resting{}
	for car, logs := range byCar {
		sorted := slices.SortedFunc(maps.Values(logs), func(a, b *log) int {
			return cmp.Or(cmp.Compare(a.date, b.date), cmp.Compare(a.run, b.run))
		})
		from := len(sorted)
		for from > 0 && !sorted[from-1].moves && sorted[from-1].level == sorted[len(sorted)-1].level {
			from--
		}
		if from == len(sorted) {
			continue
		}
		still := resting{all: from == 0, retard: sorted[from].level}
		for _, l := range sorted[from:] {
			still.runs = append(still.runs, l.run)
		}
		out[car] = still
	}
	return out
}

// unheardIn are the cars whose resting logs were not heard: a listening car, as its heard logs show it and as one not
// seen before too, would have stayed silent through all of them, by false events of its pulls too, with a chance below
// silentByChance, by a fit without these logs. Other silent logs stay in that fit, because a fleet of those that
// knocked alone would look too ready to knock. A fit is made only where the model of all logs leaves a car not seen a
// chance of silence below worthAFit: the car's own offset in that model comes from the silent logs too. A fleet in
// which nothing was heard says nothing.
func (f *Fleet) unheardIn(
	use []*state.State,
	prior knock.Prior,
	still map[string]resting,
) (map[string]Unheard, error) {
	out := map[string]Unheard{}
	for _, car := range slices.Sorted(maps.Keys(still)) {
		logs := still[car]
		var own, others []*state.State
		for _, s := range use {
			if s.Car == car && slices.Contains(logs.runs, s.Row.Run) {
				own = append(own, s)
			} else {
				others = append(others, s)
			}
		}
		if len(own) == 0 {
			continue
		}
		pulls := f.knockCars(own)[0].Pulls
		if f.Knock.Events == 0 || silence(f.Knock, "", pulls, own) >= worthAFit {
			continue
		}
		without, err := knock.Fit(f.knockCars(others), prior, knock.Options{})
		if err != nil {
			return nil, err
		}
		chance := silence(without, "", pulls, own)
		if !logs.all { // what it showed before may have been false knock
			chance = math.Max(chance, silence(without, car, pulls, own))
		}
		if !without.Converged || chance >= silentByChance {
			continue
		}
		u := Unheard{Runs: logs.runs, Retard: logs.retard, Chance: chance}
		u.Pulls, u.Steady = countSegments(own)
		out[car] = u
	}
	return out, nil
}

// NeverMoved is a car whose knock channel stands still in all of its logs, which a sound and quiet car's may do too.
type NeverMoved struct {
	Pulls  int
	Steady int     // stretches
	Chance float64 // that a listening car of the platform shows no rise in all of them
}

// neverMovedIn are the cars whose resting logs are all they have and that are not called deaf.
func (f *Fleet) neverMovedIn(use []*state.State, still map[string]resting) map[string]NeverMoved {
	out := map[string]NeverMoved{}
	for car, logs := range still {
		own := slices.DeleteFunc(slices.Clone(use), func(s *state.State) bool { return s.Car != car })
		if !logs.all || len(own) == 0 {
			continue
		}
		n := NeverMoved{Chance: silence(f.Knock, "", f.knockCars(own)[0].Pulls, own)}
		n.Pulls, n.Steady = countSegments(own)
		out[car] = n
	}
	return out
}

// silence is the chance that a car like another ("" for one not seen) shows no rise in its pulls, by false events too.
func silence(m *knock.Model, like string, pulls []knock.Pull, own []*state.State) float64 {
	return m.Silence(like, pulls) * m.Quiet(pullCells(own))
}

// pullCells counts the states of pulls: false events are those of full load.
func pullCells(states []*state.State) (n int) {
	for _, s := range states {
		if s.Row.Kind == evidence.KindPull {
			n++
		}
	}
	return n
}

// heard are the states whose logs heard knock; those that were not are marked.
func (f *Fleet) heard(use []*state.State) []*state.State {
	f.Silent = f.unheardRuns()
	for _, s := range use {
		s.Unheard = f.Silent[s.Row.Run]
	}
	return slices.DeleteFunc(use, func(s *state.State) bool { return s.Unheard })
}

// Contradiction is how far logged pulls without knock lie from the knock limit that physics alone gives, where no log
// of the platform holds an event that could show the limit itself.
type Contradiction struct {
	Cars   int     // that drove clean where physics says they knock
	Pulls  int     // of theirs
	Beyond float64 // degrees past that limit, the median over their clean cells
	Chance float64 // the smallest of theirs to stay silent if physics were right
}

// AloneWithPhysics reports whether the upper side of the knock limit is physics alone: no logged event shows it, or the
// fit did not settle on the logs.
func (f *Fit) AloneWithPhysics() bool {
	return f.Knock != nil && (f.Knock.Events == 0 || !f.Knock.Converged)
}

// contradiction holds clean logs against the prior, nil where events show the limit or nothing contradicts.
func (f *Fleet) contradiction(cars []knock.Car, prior knock.Prior) (*Contradiction, error) {
	if !f.AloneWithPhysics() {
		return nil, nil
	}
	low, high := speedsOf(cars)
	physics, err := knock.Fit(nil, prior, knock.Options{RPMLow: low, RPMHigh: high})
	if err != nil {
		return nil, err
	}
	out := Contradiction{Chance: 1}
	var beyond []float64
	for _, car := range cars {
		clean := cleanPulls(car)
		chance := physics.Silence("", clean)
		if chance >= silentByChance {
			continue
		}
		out.Cars++
		out.Pulls += len(clean)
		out.Chance = math.Min(out.Chance, chance)
		for _, p := range clean {
			for _, c := range p.Cells {
				limit, _, _ := physics.Predict("", c.RPM, c.Z)
				beyond = append(beyond, c.Lower-limit)
			}
		}
	}
	if out.Cars == 0 {
		return nil, nil
	}
	out.Beyond = value.Median(beyond)
	return &out, nil
}

func speedsOf(cars []knock.Car) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, car := range cars {
		for _, p := range car.Pulls {
			for _, c := range p.Cells {
				low, high = math.Min(low, c.RPM), math.Max(high, c.RPM)
			}
		}
	}
	return low, high
}

// cleanPulls are a car's pulls with their clean cells alone.
func cleanPulls(car knock.Car) (out []knock.Pull) {
	for _, p := range car.Pulls {
		cells := slices.DeleteFunc(slices.Clone(p.Cells), func(c knock.Cell) bool { return !c.Clean() })
		if len(cells) > 0 {
			out = append(out, knock.Pull{Cells: cells})
		}
	}
	return out
}

// UnheardIn reports whether a row's log did not hear knock.
func (f *Fleet) UnheardIn(r *evidence.Row) bool { return f.Silent[r.Run] }
