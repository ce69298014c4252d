// Package assess answers the questions of the people who tune: which limit does this revision get closest to, where,
// how sure are we, and compared with what this platform has been shown to run? It takes logged states from the
// evidence, moves them from the calibration they were logged on to the one under review as the control unit would
// (models/calmap), gets slopes from physics (models/cycle, models/fuelling, models/air), levels from the fleet
// (models/knock, models/mixed, models/envelope) and offsets from the car, and turns margins into probabilities with
// intervals (models/risk). The verdict's rule is VerdictRule; docs/methods.md gives the sources.
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
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// Job is one workspace with its evidence, ready to be asked. It is safe for concurrent use.
type Job struct {
	ws      *workspace.Workspace
	store   *store.Store
	version string
	digest  string
	once    map[string]func() (*fittedPlatform, error)
}

// fittedPlatform is a platform and what was learned from its evidence. The evidence itself is read when first asked for:
// a review on a kept fit needs only its car's.
type fittedPlatform struct {
	platform *platform
	rows     func() ([]evidence.Row, error)
	loaded   atomic.Bool // rows has been called
	fit      *platformFit
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
	j := &Job{ws: ws, store: st, version: version, digest: hex.EncodeToString(sum[:]), once: map[string]func() (*fittedPlatform, error){}}
	for id := range ws.Platforms {
		j.once[id] = sync.OnceValues(func() (*fittedPlatform, error) { return j.load(id) })
	}
	return j, nil
}

// Seed is the workspace's random seed.
func (j *Job) Seed() uint64 { return j.ws.Config.Seed }

func (j *Job) stamp(schema string) Stamp {
	return Stamp{Schema: schema, ToolVersion: j.version, WorkspaceDigest: j.digest, Seed: j.Seed()}
}

// fitted returns a platform with its fit and all its evidence.
func (j *Job) fitted(id string) (*platform, *platformFit, []evidence.Row, error) {
	f, err := j.prepared(id)
	if err != nil {
		return nil, nil, nil, err
	}
	rows, err := f.rows()
	return f.platform, f.fit, rows, err
}

// prepared returns a platform with its fit, fitting it once.
func (j *Job) prepared(id string) (*fittedPlatform, error) {
	once, ok := j.once[id]
	if !ok {
		return nil, fmt.Errorf("platform %s is not in the workspace or its file could not be read: mend platforms/%s.yaml", id, id)
	}
	return once()
}

func (j *Job) load(id string) (*fittedPlatform, error) {
	f := &fittedPlatform{platform: newPlatform(j.ws, j.ws.Platforms[id])}
	f.rows = sync.OnceValues(func() ([]evidence.Row, error) {
		f.loaded.Store(true)
		rows, err := j.store.Rows(store.Filter{Platform: id})
		if err != nil {
			return nil, fmt.Errorf("evidence of platform %s: %w", id, err)
		}
		return rows, nil
	})
	var err error
	f.fit, err = j.cachedFit(f.platform, f.rows)
	return f, err
}

// evidenceFor is the evidence a revision is reviewed on: its car's own where that is enough, else the platform's.
func (j *Job) evidenceFor(f *fittedPlatform, rev *workspace.Revision, car string) ([]evidence.Row, error) {
	if car == "" || f.loaded.Load() {
		return f.rows()
	}
	own, err := j.store.Rows(store.Filter{Platform: f.platform.ID, Vehicle: car})
	if err != nil {
		return nil, fmt.Errorf("evidence of %s: %w", car, err)
	}
	since := hardwareDate(j.ws, rev)
	if countPulls(filterRows(pullRows(own), func(r *evidence.Row) bool { return r.Date == "" || r.Date >= since })) < enoughOwnPulls {
		return f.rows()
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
		return fmt.Errorf("revision %s: the workspace has no readable revision; put one under revisions/%s/revision.yaml", id, id)
	}
	for _, p := range j.ws.Problems {
		if strings.HasPrefix(p.File, "revisions/"+id+"/") {
			return fmt.Errorf("revision %s was left out: %s", id, p)
		}
	}
	return fmt.Errorf("revision %s is not in the workspace; it has %s", id, strings.Join(known, ", "))
}

// alias is the id a vehicle goes by in the store and in reports.
func (j *Job) alias(vehicle string) string {
	if vehicle == workspace.Fleet {
		return vehicle
	}
	return store.Pseudonym(j.ws.Config.Privacy.PseudonymKey, vehicle)
}

// carOf is the id the evidence knows a revision's car by, "" for a revision meant for the fleet.
func (j *Job) carOf(rev *workspace.Revision) string {
	if rev.Vehicle == workspace.Fleet {
		return ""
	}
	return j.alias(rev.Vehicle)
}
