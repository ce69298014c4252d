package health

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/result"
	"headroom/models/drift"
)

// design is how a car's days become a chart.
type design struct {
	fewest int     // days of logs before a car is watched; few, because cars log rarely
	window float64 // days on both sides within which other cars tell what the fleet did; 0: not taken off
}

// standardDesign is what TestHealthDesign simulates. Taking the fleet's movement off keeps a season from hiding faults;
// TestNewTablesAreNotDrift shows what taking out the commanded values is for.
var standardDesign = design{fewest: 3, window: 45}

// driftOf charts one metric for every car of a platform; nil where too few days differ.
func driftOf(d design, platform string, m watchedMetric, all []series) ([]CarDrift, *watched, error) {
	plain := make([]drift.Series, len(all))
	for i := range all {
		plain[i] = all[i].Series
	}
	if d.window > 0 {
		var err error
		if plain, _, err = drift.AgainstFleet(plain, d.window); err != nil {
			return nil, nil, err
		}
	}
	laws, err := drift.FitLaws(plain)
	if err != nil {
		return nil, nil, nil //nolint:nilerr // nothing to watch yet
	}
	w := &watched{platform, m, plain, laws,
		drift.Ratio{Fewest: d.fewest, Span: drift.UsualSpan(plain), FalseAlarm: falseAlarm}}
	var cars []CarDrift
	for i := range all {
		without := laws.Without(i)
		c, err := w.ratio.Watch(plain[i], without)
		if err != nil {
			return nil, nil, fmt.Errorf("car %s: %w", all[i].vehicle, err)
		}
		if c.Status != drift.StatusWatched {
			continue
		}
		unbroken := plain[i]
		unbroken.Breaks = nil
		u, err := w.ratio.Watch(unbroken, without)
		if err != nil {
			return nil, nil, fmt.Errorf("car %s: %w", all[i].vehicle, err)
		}
		cars = append(cars, carDrift(platform, m, &all[i], &c, &u))
	}
	return cars, w, nil
}

// hardwareDates are the days of the cars' last hardware changes, by the names reports give them.
func hardwareDates(job *assess.Job) map[string]string {
	out := map[string]string{}
	for id, v := range job.Workspace().Vehicles {
		out[job.Alias(id)] = v.HardwareDate
	}
	return out
}

// markChanges notes on which days a car came with another revision, or the first time after its hardware changed
// (hardwareDates).
func markChanges(all []series, hardware map[string]string) {
	for i := range all {
		s := &all[i]
		s.changes, s.Breaks = make([]Change, len(s.dates)), make([]drift.Break, len(s.dates))
		for k := 1; k < len(s.dates); k++ {
			since := hardware[s.vehicle]
			switch {
			case since > s.dates[k-1] && since <= s.dates[k]:
				s.changes[k], s.Breaks[k] = Change{Kind: HardwareChange, Date: since}, drift.Rebuilt
			case s.revisions[k] != s.revisions[k-1]:
				s.changes[k], s.Breaks[k] = Change{Kind: RevisionChange, Revision: s.revisions[k]}, drift.Revised
			}
		}
	}
}

// changeNear is the change of revision or hardware nearest to a day, within the coincidence.
func (s *series) changeNear(day int) Change {
	for off := 0; off <= coincidence; off++ {
		for _, k := range []int{day - off, day + off} {
			if k >= 0 && k < len(s.changes) && s.changes[k].Kind != NoChange {
				return s.changes[k]
			}
		}
	}
	return Change{}
}

// carDrift takes the chart that foretells what revisions and parts move, and beside it the one that knows of neither.
func carDrift(platform string, m watchedMetric, s *series, c, unbroken *drift.Chart) CarDrift {
	out := CarDrift{
		Vehicle: s.vehicle, Platform: platform, Metric: m.name, Unit: m.unit, Chart: c.Kind,
		Baseline: result.Number(c.Baseline), Latest: result.Number(c.Level), Shift: result.Number(c.Level - c.Baseline),
		Statistic: result.Number(c.Statistic), Threshold: result.Number(c.Threshold), PValue: result.Number(c.PValue),
		Signal: c.Signal,
		Runs:   len(s.Values), Rows: s.rows, Watched: c.Runs, Command: m.commandChannel,
	}
	out.passed = math.NaN()
	if c.OnsetIndex >= 0 {
		out.passed = s.Times[c.SignalIndex] - s.Times[0]
		out.Onset = s.dates[c.OnsetIndex]
		if c.OnsetIndex > 0 { // what a car has done since its first log did not begin with anything
			out.Change = s.changeNear(c.OnsetIndex)
		}
	}
	if unbroken.OnsetIndex >= 0 {
		out.unbroken = unbrokenChart{PValue: unbroken.PValue, Baseline: unbroken.Baseline, Level: unbroken.Level,
			Onset: s.dates[unbroken.OnsetIndex], Change: s.changeNear(unbroken.OnsetIndex)}
	} else {
		out.unbroken.PValue = unbroken.PValue
	}
	return out
}

// unbrokenChart is a car's chart by one that takes it for the same car with the same tables throughout.
type unbrokenChart struct {
	PValue, Baseline, Level float64
	Onset                   string // "" without a signal
	Change                  Change // near the onset
}

// holdBack shows what would have been called, had the change with which it begins not been known.
func (c *CarDrift) holdBack() {
	u := &c.unbroken
	c.HeldBack, c.Onset, c.Change = true, u.Onset, u.Change
	c.Baseline, c.Latest = result.Number(u.Baseline), result.Number(u.Level)
	c.Shift = result.Number(u.Level - u.Baseline)
}

// callDrift ranks the charts, calls those that stand out among all of them and says how far the calls can be trusted.
func callDrift(cars []CarDrift) (DriftCalls, error) {
	out := DriftCalls{Charts: len(cars), FalseAlarm: falseAlarm, DiscoveryRate: discoveryRate}
	if len(cars) > 0 {
		out.Chart = cars[0].Chart
	}
	p, unbroken := make([]float64, len(cars)), make([]float64, len(cars))
	for i := range cars {
		p[i], unbroken[i] = float64(cars[i].PValue), cars[i].unbroken.PValue
	}
	adjusted, err := drift.Adjusted(p)
	if err != nil {
		return out, err
	}
	if unbroken, err = drift.Adjusted(unbroken); err != nil {
		return out, err
	}
	called := map[string]bool{}
	for i := range cars {
		c := &cars[i]
		c.AdjustedP = result.Number(adjusted[i])
		c.Signal = c.Signal && adjusted[i] <= discoveryRate
		switch {
		case c.Signal:
		case c.unbroken.Change.Kind != NoChange && unbroken[i] <= discoveryRate:
			c.holdBack()
		default:
			c.Onset, c.Change = "", Change{}
		}
		if c.Signal {
			out.Called++
			called[c.Vehicle] = true
		}
	}
	out.Cars = len(called)
	out.ExpectedFalse = result.Number(min(discoveryRate*float64(out.Called), falseAlarm*float64(out.Charts)))
	slices.SortStableFunc(cars, func(a, b CarDrift) int {
		return cmp.Or(cmp.Compare(callOrder(a), callOrder(b)), cmp.Compare(a.PValue, b.PValue),
			cmp.Compare(b.Statistic/b.Threshold, a.Statistic/a.Threshold),
			cmp.Compare(a.Vehicle, b.Vehicle), cmp.Compare(a.Metric, b.Metric))
	})
	for i := range cars {
		cars[i].Rank = i + 1
	}
	return out, nil
}

// callOrder puts signals first, then what was held back, then the rest.
func callOrder(c CarDrift) int {
	switch {
	case c.Signal:
		return 0
	case c.HeldBack:
		return 1
	}
	return 2
}
