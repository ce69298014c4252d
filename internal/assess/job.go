// Package assess answers the questions of the people who tune: which limit does this revision get closest to, where,
// how sure are we, and compared with what this platform has been shown to run? It takes logged states from the
// evidence, moves them from the calibration they were logged on to the one under review as the control unit would
// (models/calmap), gets slopes from physics (models/cycle, models/fuelling, models/air), levels from the fleet
// (models/knock, models/mixed, models/envelope) and offsets from the car, and turns margins into probabilities with
// intervals (models/risk). The verdict's rule is VerdictRule; docs/methods.md gives the sources.
//
// It is the only room that predicts. Others (internal/health, internal/backtest) ask a Job for its workspace and
// evidence and a Model for what it predicts and measures. How a state is prepared and moved is internal/assess/state's,
// what the fleet teaches internal/assess/fleet's, what a revision changes and nobody has driven
// internal/assess/footprint's; this room decides.
package assess

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/evidence"
	"headroom/internal/landmark"
	"headroom/internal/result"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// Job is one workspace with its evidence, ready to be asked. It is safe for concurrent use.
type Job struct {
	ws        *workspace.Workspace
	store     *store.Store
	version   string
	digest    string
	platforms map[string]*learned
	vehicles  map[string]*workspace.Vehicle // by the id the evidence knows a car by

	apart func() map[string][]landmark.Suspect // by car: what its logs read apart from other cars'
}

// learned is a platform's evidence and what was learned from it, each read or fitted once, when first asked for: a
// review on a kept fit needs only its car's rows.
type learned struct {
	platform func() *state.Platform
	rows     func() ([]evidence.Row, error)
	loaded   atomic.Bool // rows has been called
	model    func() (*Model, error)
}

// Open prepares a workspace and its evidence store; version is the tool's, stamped on every result.
func Open(ws *workspace.Workspace, st *store.Store, version string) (*Job, error) {
	workspaceDigest, err := ws.Digest()
	if err != nil {
		return nil, err
	}
	evidenceDigest, err := st.Digest()
	if err != nil {
		return nil, fmt.Errorf("evidence store: %w", err)
	}
	sum := sha256.Sum256([]byte(workspaceDigest + "\n" + evidenceDigest))
	j := &Job{ws: ws, store: st, version: version, digest: hex.EncodeToString(sum[:]), platforms: map[string]*learned{},
		vehicles: map[string]*workspace.Vehicle{}}
	j.apart = sync.OnceValue(func() map[string][]landmark.Suspect {
		out := map[string][]landmark.Suspect{}
		for _, s := range landmark.Suspects(st.Landmarks()) {
			out[s.Vehicle] = append(out[s.Vehicle], s)
		}
		return out
	})
	for id, v := range ws.Vehicles {
		j.vehicles[j.Alias(id)] = v
	}
	for id := range ws.Platforms {
		j.platforms[id] = j.learner(id)
	}
	return j, nil
}

// learner is a platform of which nothing has been read yet.
func (j *Job) learner(id string) *learned {
	l := &learned{}
	l.platform = sync.OnceValue(func() *state.Platform { return state.NewPlatform(j.ws, j.ws.Platforms[id]) })
	l.rows = sync.OnceValues(func() ([]evidence.Row, error) {
		l.loaded.Store(true)
		rows, err := j.store.Rows(store.Filter{Platform: id})
		if err != nil {
			return nil, fmt.Errorf("evidence of platform %s: %w", id, err)
		}
		return rows, nil
	})
	l.model = sync.OnceValues(func() (*Model, error) {
		p := l.platform()
		digest, err := j.fitDigest(p)
		if err != nil {
			return nil, err
		}
		f, err := j.keptFit(p, digest, l.rows)
		if err != nil {
			return nil, err
		}
		m := j.modelOf(f)
		if m.record, err = j.keptRecord(p, digest, l.rows); err != nil {
			return nil, err
		}
		return m, nil
	})
	return l
}

// named finds a platform by its id.
func (j *Job) named(id string) (*learned, error) {
	l, ok := j.platforms[id]
	if !ok {
		return nil, fmt.Errorf("platform %s is not in the workspace or its file could not be read: mend "+
			"platforms/%s.yaml", id, id)
	}
	return l, nil
}

// Workspace is what the job was opened on. It is read, never changed.
func (j *Job) Workspace() *workspace.Workspace { return j.ws }

// Seed is the workspace's random seed.
func (j *Job) Seed() uint64 { return j.ws.Config.Seed }

// Stamp is what a result of a schema says of its inputs.
func (j *Job) Stamp(schema string) result.Stamp {
	return result.Stamp{Schema: schema, ToolVersion: j.version, WorkspaceDigest: j.digest, Seed: j.Seed()}
}

// Alias is the id a vehicle goes by in the store and in reports.
func (j *Job) Alias(vehicle string) string {
	if vehicle == workspace.Fleet {
		return vehicle
	}
	return store.Pseudonym(j.ws.Config.Privacy.PseudonymKey, vehicle)
}

// CarOf is the id the evidence knows a revision's vehicle by, "" for a revision meant for the fleet.
func (j *Job) CarOf(vehicle string) string {
	if vehicle == workspace.Fleet {
		return ""
	}
	return j.Alias(vehicle)
}

// Evidence is every row of a platform, in the store's order. It is read once and shared: do not change it.
func (j *Job) Evidence(platform string) ([]evidence.Row, error) {
	l, err := j.named(platform)
	if err != nil {
		return nil, err
	}
	return l.rows()
}

// Model is a platform's model fitted to all its evidence: the one reviews use, kept in the workspace.
func (j *Job) Model(platform string) (*Model, error) {
	l, err := j.named(platform)
	if err != nil {
		return nil, err
	}
	return l.model()
}

// Fit is a platform's model fitted to some rows of it, of pulls and of steady running. It is not kept.
func (j *Job) Fit(platform string, rows []evidence.Row) (*Model, error) {
	l, err := j.named(platform)
	if err != nil {
		return nil, err
	}
	f, err := fleet.Learn(l.platform(), j.ws.Config.Decision, rows)
	if err != nil {
		return nil, err
	}
	return j.modelOf(f), nil
}

func (j *Job) modelOf(f *fleet.Fleet) *Model {
	return &Model{Fleet: f, ws: j.ws, vehicles: j.vehicles, apart: j.apart(), seed: j.Seed(),
		trustless: trustBefore.Before()}
}

// some is the evidence of a platform that a filter selects, in the store's order: out of what is in memory where all of
// it was read, else from the store. Both give the same rows.
func (j *Job) some(f store.Filter) ([]evidence.Row, error) {
	l, err := j.named(f.Platform)
	if err != nil {
		return nil, err
	}
	if !l.loaded.Load() {
		rows, err := j.store.Rows(f)
		if err != nil {
			return nil, fmt.Errorf("evidence of platform %s: %w", f.Platform, err)
		}
		return rows, nil
	}
	rows, err := l.rows()
	if err != nil {
		return nil, err
	}
	var out []evidence.Row
	for i := range rows {
		r := &rows[i]
		if (f.Vehicle == "" || r.Vehicle == f.Vehicle) && (f.Revision == "" || r.Revision == f.Revision) {
			out = append(out, *r)
		}
	}
	return out, nil
}

// judgedOn is the evidence a revision is judged on: its car's own where that is enough, else the platform's. car is ""
// for a revision meant for the fleet, since the day of the car's last hardware change.
func (j *Job) judgedOn(rev *workspace.Revision, car, since string) ([]evidence.Row, error) {
	if car == "" {
		return j.Evidence(rev.Platform)
	}
	own, err := j.some(store.Filter{Platform: rev.Platform, Vehicle: car})
	if err != nil {
		return nil, err
	}
	kept := evidence.Filter(evidence.PullRows(own), func(r *evidence.Row) bool { return loggedSince(r, since) })
	if evidence.CountPulls(kept) < enoughOwnPulls {
		return j.Evidence(rev.Platform)
	}
	return own, nil
}

// ownPulls are the pulls made on a revision, whatever the car, without those from before a car's last hardware change:
// they show another car. car limits them to one car; "" takes all.
func (j *Job) ownPulls(rev *workspace.Revision, car string) ([]evidence.Row, error) {
	rows, err := j.some(store.Filter{Platform: rev.Platform, Revision: rev.ID, Vehicle: car})
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(rows, func(r evidence.Row) bool {
		return r.Kind != evidence.KindPull || !loggedSince(&r, j.hardwareDate(r.Vehicle))
	}), nil
}

// hardwareDate is the day of the last hardware change of a car of the evidence, "" when there is none.
func (j *Job) hardwareDate(car string) string {
	if v := j.vehicles[car]; v != nil {
		return v.HardwareDate
	}
	return ""
}

func (j *Job) noRevision(id string) error {
	known := slices.Sorted(maps.Keys(j.ws.Revisions))
	if len(known) == 0 {
		return fmt.Errorf("revision %s: the workspace has no readable revision; put one under "+
			"revisions/%s/revision.yaml", id, id)
	}
	for _, p := range j.ws.Problems {
		if strings.HasPrefix(p.File, "revisions/"+id+"/") {
			return fmt.Errorf("revision %s was left out: %s", id, p)
		}
	}
	return fmt.Errorf("revision %s is not in the workspace; it has %s", id, strings.Join(known, ", "))
}
