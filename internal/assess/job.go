// Package assess answers the questions of the people who tune: which limit does this revision get closest to, where,
// how sure are we, and compared with what this platform has been shown to run? It takes logged states from the
// evidence, moves them from the calibration they were logged on to the one under review as the control unit would
// (models/calmap), gets slopes from physics (models/cycle, models/fuelling, models/air), levels from the fleet
// (models/knock, models/mixed, models/envelope) and offsets from the car, and turns margins into probabilities with
// intervals (models/risk). The verdict's rule is VerdictRule; docs/methods.md gives the sources.
//
// It is the only room that predicts. Others (internal/health, internal/backtest) ask a Job for its workspace and
// evidence and a Model for what it foresees and measures; how a state is moved, evaluated and drawn stays in here.
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

	"headroom/internal/evidence"
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
}

// learned is a platform's evidence and what was learned from it, each read or fitted once, when first asked for: a
// review on a kept fit needs only its car's rows.
type learned struct {
	platform func() *platform
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
	j := &Job{ws: ws, store: st, version: version, digest: hex.EncodeToString(sum[:]), platforms: map[string]*learned{}}
	for id := range ws.Platforms {
		j.platforms[id] = j.learner(id)
	}
	return j, nil
}

// learner is a platform of which nothing has been read yet.
func (j *Job) learner(id string) *learned {
	l := &learned{}
	l.platform = sync.OnceValue(func() *platform { return newPlatform(j.ws, j.ws.Platforms[id]) })
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
		f, err := j.cachedFit(p, l.rows)
		if err != nil {
			return nil, err
		}
		return &Model{job: j, platform: p, fit: f}, nil
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

// CarOf is the id the evidence knows a revision's car by, "" for a revision meant for the fleet.
func (j *Job) CarOf(rev *workspace.Revision) string {
	if rev.Vehicle == workspace.Fleet {
		return ""
	}
	return j.Alias(rev.Vehicle)
}

// Evidence is every row of a platform, in the store's order. It is read once and shared: do not change it.
func (j *Job) Evidence(platform string) ([]evidence.Row, error) {
	l, err := j.named(platform)
	if err != nil {
		return nil, err
	}
	return l.rows()
}

// fitted is a platform with its fit and all its evidence.
func (j *Job) fitted(id string) (*platform, *platformFit, []evidence.Row, error) {
	m, err := j.Model(id)
	if err != nil {
		return nil, nil, nil, err
	}
	rows, err := j.Evidence(id)
	return m.platform, m.fit, rows, err
}

// evidenceFor is the evidence a revision is reviewed on: its car's own where that is enough, else the platform's.
func (j *Job) evidenceFor(rev *workspace.Revision, car string) ([]evidence.Row, error) {
	l, err := j.named(rev.Platform)
	if err != nil {
		return nil, err
	}
	if car == "" || l.loaded.Load() {
		return l.rows()
	}
	own, err := j.store.Rows(store.Filter{Platform: rev.Platform, Vehicle: car})
	if err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", car, err)
	}
	since := hardwareDate(j.ws, rev)
	if evidence.CountPulls(evidence.Filter(evidence.PullRows(own), func(r *evidence.Row) bool {
		return r.Date == "" ||
			r.Date >= since
	})) < enoughOwnPulls {
		return l.rows()
	}
	return own, nil
}

// hardwareDate is the day of the last hardware change of a revision's car, "" when there is none.
func hardwareDate(ws *workspace.Workspace, rev *workspace.Revision) string {
	if v := ws.Vehicles[rev.Vehicle]; v != nil {
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
