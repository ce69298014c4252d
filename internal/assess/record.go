package assess

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/hazard"
	"headroom/internal/parallel"
	"headroom/internal/plainfile"
	"headroom/internal/result"
	"headroom/internal/store"
	"headroom/models/risk"
)

// The cars whose last revision is left out of a fit to see what would have been said of it: with fewer the fit is not
// worth making, and with more it is made of as many.
const (
	fewestHeldOut = 6
	mostHeldOut   = 100
)

// trustBefore is what is thought of a stated chance before any came out: its log odds are off by 0.15 that all of a
// hazard share and 0.2 that are the revision's, and what was called certain comes out otherwise once in two thousand
// pulls, on the strength of half a case. Common practice, no source; docs/proof-worlds.md shows what stated chances
// were worth in worlds drawn at random.
var trustBefore = risk.TrustPrior{Shift: 0.15, Between: 0.2, Contrary: risk.Beta{Seen: 0.5, Of: 1000}, Certain: 0.01}

// HazardRecord is what was said of a hazard for past revisions, each from a fit that had not seen its pulls, and what
// those pulls did.
type HazardRecord struct {
	Revisions int           `json:"revisions"` // one a car
	Pulls     int           `json:"pulls"`     // of them, in which the hazard was measured
	Stated    result.Number `json:"stated"`    // chance that a pull crosses, mean over those pulls
	Crossed   int           `json:"crossed"`   // pulls that did
}

// Record is how the chances stated for a platform came out: of each car's last logged revision, said by a fit to all
// other logs.
type Record struct {
	Hazards map[hazard.ID]HazardRecord
	Trust   map[hazard.ID]risk.Trust
}

// trust is how far the chances of a hazard may be taken at their word.
func (m *Model) trust(id hazard.ID) risk.Trust {
	if m.record != nil {
		if t, ok := m.record.Trust[id]; ok {
			return t
		}
	}
	return m.trustless
}

// recordOf is a hazard's record, nil without one.
func (m *Model) recordOf(id hazard.ID) *HazardRecord {
	if m.record == nil {
		return nil
	}
	if r, ok := m.record.Hazards[id]; ok {
		return &r
	}
	return nil
}

// heldOut is a car's last revision with its pulls, and what else was logged of the car.
type heldOut struct {
	car, revision string
	own, before   []evidence.Row
}

// heldOutOf are the last revisions that cars were logged on after others, since their last change of hardware, by car.
// Cars without a date on every log are left out: nothing says which of their revisions was the last.
func (j *Job) heldOutOf(rows []evidence.Row) []heldOut {
	byCar := map[string][]evidence.Row{}
	for i := range rows {
		byCar[rows[i].Vehicle] = append(byCar[rows[i].Vehicle], rows[i])
	}
	var out []heldOut
	for _, car := range slices.Sorted(maps.Keys(byCar)) {
		if h, ok := lastOf(byCar[car]); ok && j.hardwareDate(car) == "" && j.ws.Revisions[h.revision] != nil {
			h.car = car
			out = append(out, h)
		}
	}
	return out
}

// lastOf splits a car's rows into those of its last revision and those before.
func lastOf(rows []evidence.Row) (out heldOut, ok bool) {
	first := map[string]string{}
	for i := range rows {
		r := &rows[i]
		if r.Date == "" {
			return out, false
		}
		if day, met := first[r.Revision]; !met || r.Date < day {
			first[r.Revision] = r.Date
		}
	}
	last := slices.MaxFunc(slices.Sorted(maps.Keys(first)), func(a, b string) int {
		return cmp.Compare(first[a], first[b])
	})
	out.revision = last
	for i := range rows {
		if rows[i].Revision == last {
			out.own = append(out.own, rows[i])
		} else if rows[i].Date < first[last] {
			out.before = append(out.before, rows[i])
		}
	}
	return out, evidence.CountPulls(evidence.PullRows(out.before)) >= enoughOwnPulls &&
		evidence.CountPulls(evidence.PullRows(out.own)) > 0
}

// recordFrom fits a platform without the last revision of each car and holds what that says of them against their
// pulls; nil where too few cars have one.
func (j *Job) recordFrom(platform string, rows []evidence.Row) (*Record, error) {
	held := j.heldOutOf(rows)
	if len(held) < fewestHeldOut {
		return nil, nil
	}
	rows, held = someOf(rows, held)
	return j.recordOf(platform, rows, held)
}

// recordOf is the record of left-out revisions.
func (j *Job) recordOf(platform string, rows []evidence.Row, held []heldOut) (*Record, error) {
	m, err := j.Fit(platform, without(rows, held))
	if err != nil {
		return nil, err
	}
	m.trustless = risk.Trust{}
	came, errs := make([]map[hazard.ID]risk.Outcome, len(held)), make([]error, len(held))
	parallel.Each(len(held), runtime.GOMAXPROCS(0), func(int, int) {}, func(i int) {
		came[i], errs[i] = m.cameOut(j, &held[i])
	})
	for i, err := range errs {
		if err != nil {
			return nil, fmt.Errorf("record of revision %s: %w", held[i].revision, err)
		}
	}
	out := &Record{Hazards: map[hazard.ID]HazardRecord{}, Trust: map[hazard.ID]risk.Trust{}}
	for _, h := range hazard.All() {
		var of []risk.Outcome
		for i := range came {
			if o, ok := came[i][h.ID]; ok {
				of = append(of, o)
			}
		}
		if len(of) == 0 {
			continue
		}
		out.Hazards[h.ID] = recordOver(of)
		if out.Trust[h.ID], err = trustBefore.Learn(of); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// someOf is as many cars as a record is made of, evenly over their ids, with their rows.
func someOf(rows []evidence.Row, held []heldOut) ([]evidence.Row, []heldOut) {
	if len(held) <= mostHeldOut {
		return rows, held
	}
	some, cars := make([]heldOut, 0, mostHeldOut), map[string]bool{}
	for i := range mostHeldOut {
		h := held[i*len(held)/mostHeldOut]
		some, cars[h.car] = append(some, h), true
	}
	var of []evidence.Row
	for i := range rows {
		if cars[rows[i].Vehicle] {
			of = append(of, rows[i])
		}
	}
	return of, some
}

// without is the rows that are of no held-out revision.
func without(rows []evidence.Row, held []heldOut) []evidence.Row {
	last := map[string]string{}
	for _, h := range held {
		last[h.car] = h.revision
	}
	var out []evidence.Row
	for i := range rows {
		if last[rows[i].Vehicle] != rows[i].Revision {
			out = append(out, rows[i])
		}
	}
	return out
}

// cameOut is what the model says of a revision it has not seen, by hazard, and what its pulls did. A revision that
// nothing can be said of has none.
func (m *Model) cameOut(j *Job, h *heldOut) (map[hazard.ID]risk.Outcome, error) {
	b, err := m.benchFor(h.before, j.ws.Revisions[h.revision], h.car, "")
	if err != nil {
		return nil, nil
	}
	b.draws = stressDraws
	own := evidence.PullRows(h.own)
	out := map[hazard.ID]risk.Outcome{}
	for _, info := range hazard.All() {
		evals, _, err := m.evaluations(b, info)
		if err != nil {
			return nil, err
		}
		var worst *evaluation
		var seen map[string]float64
		for _, e := range evals {
			margins := m.PullMargins(info.ID, e.ID, own)
			if len(margins) > 0 && (worst == nil || e.result.Probability > worst.result.Probability) {
				worst, seen = e, margins
			}
		}
		if worst == nil || m.thin(worst.cars, worst.pulls) != nil {
			continue
		}
		o := risk.Outcome{Draws: worst.result.Draws, Pulls: len(seen)}
		for _, margin := range seen {
			if margin < 0 {
				o.Crossed++
			}
		}
		out[info.ID] = o
	}
	return out, nil
}

// recordOver counts outcomes.
func recordOver(of []risk.Outcome) HazardRecord {
	out := HazardRecord{Revisions: len(of)}
	expected := 0.0
	for _, o := range of {
		for _, p := range o.Draws {
			expected += p * float64(o.Pulls) / float64(len(o.Draws))
		}
		out.Pulls, out.Crossed = out.Pulls+o.Pulls, out.Crossed+o.Crossed
	}
	out.Stated = result.Number(expected / float64(out.Pulls))
	return out
}

// keptFile is a record as kept under .headroom/fits, with the digest of everything it depends on.
type keptFile struct {
	Digest string  `json:"digest"`
	Record *Record `json:"record"`
}

// keptRecord returns the kept record when it was made from the same evidence, files and tool, and else makes and keeps
// it. fit is the digest of the platform's fit.
func (j *Job) keptRecord(p *state.Platform, fit string, read func() ([]evidence.Row, error)) (*Record, error) {
	h := sha256.New()
	fmt.Fprintln(h, fit)
	for _, car := range slices.Sorted(maps.Keys(j.vehicles)) {
		fmt.Fprintln(h, car, j.vehicles[car].HardwareDate)
	}
	digest := hex.EncodeToString(h.Sum(nil))
	path := filepath.Join(j.ws.Dir, store.DirName, "fits", store.Escape(p.ID)+".record.json")
	var kept keptFile
	if b, err := os.ReadFile(path); err == nil && json.Unmarshal(b, &kept) == nil && kept.Digest == digest {
		return kept.Record, nil
	}
	rows, err := read()
	if err != nil {
		return nil, err
	}
	record, err := j.recordFrom(p.ID, rows)
	if err != nil {
		return nil, fmt.Errorf("record of platform %s: %w", p.ID, err)
	}
	b, err := json.Marshal(keptFile{digest, record})
	if err != nil {
		return nil, err
	}
	if err := plainfile.Write(path, b); err != nil {
		return nil, fmt.Errorf("keep the record of platform %s: %w", p.ID, err)
	}
	return record, nil
}
