package assess

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/parallel"
	"headroom/internal/result"
	"headroom/internal/store"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// AuditBy are the groupings an audit knows; "" groups nothing.
var AuditBy = []string{"author", "platform", "fuel"}

// smallGroup is the number of revisions below which a group's shares prove nothing; common practice, no source.
const smallGroup = 5

// Audit scores every revision of the workspace, riskiest first. Revisions that cannot be scored are listed with the
// reason; the rest go on. done is called after each revision, from any goroutine.
func (j *Job) Audit(by string, jobs int, done func(finished, total int)) (*Audit, error) {
	if by != "" && !slices.Contains(AuditBy, by) {
		return nil, fmt.Errorf("cannot group by %q: give one of %v", by, AuditBy)
	}
	return j.auditOf(slices.Sorted(maps.Keys(j.ws.Revisions)), by, jobs, done)
}

func (j *Job) auditOf(ids []string, by string, jobs int, done func(finished, total int)) (*Audit, error) {
	reviews := make([]*Review, len(ids))
	failures := make([]error, len(ids))
	parallel.Each(len(ids), jobs, done, func(i int) {
		if reviews[i], failures[i] = j.ReviewWithoutUses(ids[i]); failures[i] == nil {
			reviews[i].worst = nil // it holds every logged state
		}
	})
	out := &Audit{Stamp: j.Stamp("headroom/audit/1"), By: by, Rows: []AuditRow{}, Groups: []AuditGroup{},
		Failed: []AuditError{}}
	for i, id := range ids {
		if failures[i] != nil {
			out.Failed = append(out.Failed, AuditError{Revision: id, Error: failures[i].Error()})
			continue
		}
		row, err := j.auditRow(reviews[i])
		if err != nil {
			out.Failed = append(out.Failed, AuditError{Revision: id, Error: err.Error()})
			continue
		}
		out.Rows = append(out.Rows, row)
	}
	out.rank()
	if by != "" {
		out.Groups = groupRows(out.Rows, by)
	}
	return out, nil
}

func (j *Job) auditRow(r *Review) (AuditRow, error) {
	rev := j.ws.Revisions[r.Revision]
	own, err := j.pullsOn(rev)
	if err != nil {
		return AuditRow{}, err
	}
	row := AuditRow{
		Revision: r.Revision, Platform: r.Platform, Vehicle: r.Vehicle, Author: r.Author, Fuel: r.Fuel,
		Status:  rev.Status,
		Verdict: r.Verdict, ProbabilityPerPull: result.Unknown(), Interval90: result.UnknownSpan(),
		OwnPulls: evidence.CountPulls(own), Reasons: r.Reasons[:1],
	}
	if len(r.Findings) > 0 {
		top := r.Findings[0]
		row.TopHazard, row.Cell = top.Hazard, &top.Cell
		for _, h := range r.Hazards {
			if h.Hazard == top.Hazard {
				row.ProbabilityPerPull, row.Interval90, row.severity = h.ProbabilityPerPull, h.Interval90, h.Severity
			}
		}
	}
	row.CellsChanged, row.CellsChangedVisited = r.Footprint.CellsChanged, r.Footprint.CellsChangedVisited
	row.LogsBeforeHardware = j.beforeHardware(own)
	row.ReleasedWithoutLog = rev.Status == "released" && row.OwnPulls == 0
	return row, nil
}

// beforeHardware counts pulls that were logged before their car's last hardware change: they show another car.
func (j *Job) beforeHardware(pulls []*evidence.Row) int {
	return evidence.CountPulls(evidence.Filter(pulls, func(r *evidence.Row) bool {
		return !loggedSince(r, j.hardwareDate(r.Vehicle))
	}))
}

// pullsOn are all pulls made on a revision.
func (j *Job) pullsOn(rev *workspace.Revision) ([]*evidence.Row, error) {
	rows, err := j.some(store.Filter{Platform: rev.Platform, Revision: rev.ID})
	return evidence.PullRows(rows), err
}

func (a *Audit) rank() {
	slices.SortStableFunc(a.Rows, func(x, y AuditRow) int {
		return cmp.Or(
			cmp.Compare(slices.Index(Verdicts, x.Verdict), slices.Index(Verdicts, y.Verdict)),
			cmp.Compare(weighted(y), weighted(x)),
			cmp.Compare(x.Revision, y.Revision))
	})
	for i := range a.Rows {
		a.Rows[i].Rank = i + 1
	}
}

// weighted is the chance of a revision's top hazard by its severity's weight, 0 where no hazard was assessed.
func weighted(r AuditRow) float64 {
	return r.severity.Weight() * value.Or(float64(r.ProbabilityPerPull), 0)
}

func groupRows(rows []AuditRow, by string) []AuditGroup {
	groups := map[string]*AuditGroup{}
	for _, r := range rows {
		key := map[string]string{"author": r.Author, "platform": r.Platform, "fuel": r.Fuel}[by]
		g, ok := groups[key]
		if !ok {
			g = &AuditGroup{Group: key}
			groups[key] = g
		}
		g.Revisions++
		switch r.Verdict {
		case VerdictHold:
			g.Hold++
		case VerdictUndecided:
			g.Undecided++
		case VerdictConditions:
			g.Conditions++
		case VerdictRelease:
			g.Release++
		}
		if r.ReleasedWithoutLog {
			g.ReleasedWithoutLog++
		}
	}
	out := []AuditGroup{}
	for _, key := range slices.Sorted(maps.Keys(groups)) {
		g := groups[key]
		if g.Revisions < smallGroup {
			g.Reasons = result.Reasons{SmallGroup{Revisions: g.Revisions}}
		}
		out = append(out, *g)
	}
	return out
}
