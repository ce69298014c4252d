package backtest

import (
	"cmp"
	"maps"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/evidence"
	"headroom/internal/workspace"
)

// plan is a platform with its dated rows, what is fitted when, and its revisions in date order.
type plan struct {
	platform string
	rows     []evidence.Row // dated ones, in the store's order; shared, never changed
	dates    []string       // of every pull, sorted
	fits     []*fit         // by date
	tasks    []*task
	undated  int
}

// fit is one fit of a platform to what was known before a day.
type fit struct {
	plan   *plan
	before string // it knows nothing from this day or later
	model  *assess.Model
	err    error // why there is no model
}

// task is one revision to be predicted.
type task struct {
	plan *plan
	rev  *workspace.Revision
	car  string // as the evidence knows it, "" for a revision meant for the fleet
	date string // of its first own log
	fit  *fit   // what it is predicted with; nil: nothing was known
	own  []*evidence.Row
}

// planOf lays out a platform's backtest over its rows, which are in the store's order.
func planOf(job *assess.Job, platform string, rows []evidence.Row) *plan {
	p := &plan{platform: platform, rows: rows}
	if p.undated = countUndated(rows); p.undated > 0 {
		p.rows = datedRows(rows)
	}
	first := map[string]string{}
	pulls := map[string]bool{}
	for i := range p.rows {
		r := &p.rows[i]
		if day, ok := first[r.Revision]; !ok || r.Date < day {
			first[r.Revision] = r.Date
		}
		if r.Kind != evidence.KindPull {
			continue
		}
		if id := evidence.PullID(r); !pulls[id] {
			pulls[id] = true
			p.dates = append(p.dates, r.Date)
		}
	}
	slices.Sort(p.dates)
	for _, id := range slices.Sorted(maps.Keys(first)) {
		rev, ok := job.Workspace().Revisions[id]
		if !ok || rev.Platform != platform {
			continue
		}
		t := &task{plan: p, rev: rev, car: job.CarOf(rev.Vehicle), date: first[id]}
		t.own = evidence.Filter(evidence.PullRows(p.rows), func(r *evidence.Row) bool {
			return r.Revision == id && (t.car == "" || r.Vehicle == t.car)
		})
		if len(t.own) > 0 {
			p.tasks = append(p.tasks, t)
		}
	}
	slices.SortStableFunc(p.tasks, inTime)
	p.planFits()
	return p
}

// inTime orders by date, then by revision.
func inTime(a, b *task) int {
	return cmp.Or(cmp.Compare(a.date, b.date), cmp.Compare(a.rev.ID, b.rev.ID))
}

func countUndated(rows []evidence.Row) int {
	n := 0
	for i := range rows {
		if rows[i].Date == "" {
			n++
		}
	}
	return n
}

func datedRows(rows []evidence.Row) []evidence.Row {
	var out []evidence.Row
	for i := range rows {
		if rows[i].Date != "" {
			out = append(out, rows[i])
		}
	}
	return out
}

// planFits gives each revision the fit it is predicted with: a new one where enough has become known, else the last.
func (p *plan) planFits() {
	last := 0
	for _, t := range p.tasks {
		known := p.pullsBefore(t.date)
		if known == 0 {
			continue
		}
		if len(p.fits) == 0 || float64(known) >= RefitGrowth*float64(last) {
			p.fits = append(p.fits, &fit{plan: p, before: t.date})
			last = known
		}
		t.fit = p.fits[len(p.fits)-1]
	}
}

// pullsBefore is how many pulls are dated before a day.
func (p *plan) pullsBefore(day string) int {
	n, _ := slices.BinarySearch(p.dates, day)
	return n
}

// rowsBefore are the rows dated before a day: all that was known then.
func (p *plan) rowsBefore(day string) []evidence.Row {
	var out []evidence.Row
	for i := range p.rows {
		if p.rows[i].Date < day {
			out = append(out, p.rows[i])
		}
	}
	return out
}

// learn makes the fit; one that fails leaves its revisions without a prediction.
func (f *fit) learn(job *assess.Job) {
	f.model, f.err = job.Fit(f.plan.platform, f.plan.rowsBefore(f.before))
}

// fitsOf are all the fits, the largest first.
func fitsOf(all []*plan) []*fit {
	var out []*fit
	for _, p := range all {
		out = append(out, p.fits...)
	}
	slices.SortStableFunc(out, func(a, b *fit) int {
		return cmp.Compare(b.plan.pullsBefore(b.before), a.plan.pullsBefore(a.before))
	})
	return out
}

// tasksOf are all the revisions, in date order.
func tasksOf(all []*plan) []*task {
	var out []*task
	for _, p := range all {
		out = append(out, p.tasks...)
	}
	slices.SortStableFunc(out, inTime)
	return out
}

// fitList says what was fitted and what for.
func (p *plan) fitList() []Fit {
	out := make([]Fit, len(p.fits))
	for i, f := range p.fits {
		known := evidence.PullRows(p.rowsBefore(f.before))
		out[i] = Fit{Platform: p.platform, Before: f.before, Cars: evidence.CountCars(known),
			Pulls: evidence.CountPulls(known)}
		for _, t := range p.tasks {
			if t.fit == f {
				out[i].Used++
			}
		}
	}
	return out
}
