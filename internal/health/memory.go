package health

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/assess/fleet"
	"headroom/internal/metric"
	"headroom/internal/plainfile"
	"headroom/internal/result"
	"headroom/models/value"
)

// MemoryFile is where Remember keeps the envelopes, inside the workspace. It is the user's own record and not derived
// state: deleting the evidence leaves it alone.
const MemoryFile = "reports/fleet-memory.json"

// memorySchema is 2 since a limit is what has been run; in 1 it was the tolerance limit, and the two do not compare.
const memorySchema = "headroom/fleet-memory/2"

// envelopeMoved is how far a limit must move to be reported, in deviations of pulls within a car. Common practice, no
// source: less than that is what another handful of logs does to a limit.
const envelopeMoved = 1.0

// leastWithin keeps the yardstick from vanishing for a metric that hardly varies within a car, such as a learned trim:
// it is at least this share of the deviation between cars. Common practice, no source.
const leastWithin = 0.25

// memory is the file. Envelopes are kept as the envelope command shows them.
type memory struct {
	result.Stamp
	NewestRun string                    `json:"newest_run"`
	Platforms []assess.PlatformEnvelope `json:"platforms"`
}

// Remember keeps today's envelopes for later reviews to compare with and returns the file's path in the workspace.
func Remember(job *assess.Job) (string, error) {
	ws := job.Workspace()
	e, err := job.Envelopes()
	if err != nil {
		return "", err
	}
	b, err := json.MarshalIndent(memory{Stamp: job.Stamp(memorySchema), NewestRun: newestRun(ws),
		Platforms: e.Platforms}, "", " ")
	if err != nil {
		return "", fmt.Errorf("fleet memory: %w", err)
	}
	path := filepath.Join(ws.Dir, filepath.FromSlash(MemoryFile))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return "", fmt.Errorf("fleet memory: %w", err)
	}
	if err := plainfile.Write(path, append(b, '\n')); err != nil {
		return "", fmt.Errorf("fleet memory: %w", err)
	}
	return MemoryFile, nil
}

// recall reads the memory; nil without one.
func recall(dir string) (*memory, error) {
	b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(MemoryFile)))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("fleet memory: %w", err)
	}
	var m memory
	if err := json.Unmarshal(b, &m); err != nil {
		return nil, fmt.Errorf("%s: %w; delete it and run headroom fleet --remember", MemoryFile, err)
	}
	if m.Schema != memorySchema {
		return nil, fmt.Errorf("%s: schema %q is not %s; delete it and run headroom fleet --remember",
			MemoryFile, m.Schema, memorySchema)
	}
	return &m, nil
}

// limitKey names a remembered limit.
type limitKey struct {
	kind, class string
	metric      metric.ID
	side        metric.Side
	rpm, load   float64
}

// cellID names a remembered cell.
type cellID struct {
	kind, class string
	rpm, load   float64
}

func keyOf(c *fleet.Envelope) limitKey {
	return limitKey{c.Kind, c.FuelClass, c.Metric, c.Side, float64(c.Cell.RPM[0]), float64(c.Cell.LoadPct[0])}
}

func (k limitKey) cell() cellID { return cellID{k.kind, k.class, k.rpm, k.load} }

// envelopeChanges compares today's envelopes with the remembered ones.
func envelopeChanges(job *assess.Job) (EnvelopeChanges, error) {
	out := EnvelopeChanges{MovedBy: envelopeMoved, PlatformsGained: []string{}, PlatformsLost: []string{},
		Groups: []MoveGroup{}, Moved: []LimitMove{}, CellsNew: []CellChange{}, CellsGone: []CellChange{}}
	then, err := recall(job.Workspace().Dir)
	if err != nil {
		return out, err
	}
	if then == nil {
		return out, nil
	}
	out.Remembered, out.SinceRun, out.SinceDigest = true, then.NewestRun, then.WorkspaceDigest
	now, err := job.Envelopes()
	if err != nil {
		return out, err
	}
	was, is := byPlatform(then.Platforms), byPlatform(now.Platforms)
	for _, id := range slices.Sorted(maps.Keys(is)) {
		if was[id] == nil {
			out.PlatformsGained = append(out.PlatformsGained, id)
			continue
		}
		comparePlatform(&out, id, was[id], is[id])
	}
	for _, id := range slices.Sorted(maps.Keys(was)) {
		if is[id] == nil {
			out.PlatformsLost = append(out.PlatformsLost, id)
		}
	}
	slices.SortStableFunc(out.Moved, func(a, b LimitMove) int {
		return cmp.Compare(value.Or(math.Abs(float64(b.MovedSD)), -1), value.Or(math.Abs(float64(a.MovedSD)), -1))
	})
	out.Groups = groupMoves(out.Moved)
	return out, nil
}

// byPlatform leaves out platforms without a single envelope: they have not been shown to run anything.
func byPlatform(platforms []assess.PlatformEnvelope) map[string]map[limitKey]*fleet.Envelope {
	out := map[string]map[limitKey]*fleet.Envelope{}
	for i := range platforms {
		p := &platforms[i]
		if len(p.Cells) == 0 {
			continue
		}
		out[p.Platform] = map[limitKey]*fleet.Envelope{}
		for k := range p.Cells {
			out[p.Platform][keyOf(&p.Cells[k])] = &p.Cells[k]
		}
	}
	return out
}

// comparePlatform notes limits that moved and cells that came or went.
func comparePlatform(out *EnvelopeChanges, platform string, was, is map[limitKey]*fleet.Envelope) {
	for _, k := range slices.SortedFunc(maps.Keys(is), compareKeys) {
		if a := was[k]; a != nil {
			if m, moved := limitMove(platform, a, is[k]); moved {
				out.Moved = append(out.Moved, m)
			}
		}
	}
	out.CellsNew = append(out.CellsNew, missingCells(platform, is, was)...)
	out.CellsGone = append(out.CellsGone, missingCells(platform, was, is)...)
}

// missingCells lists the cells of one set of limits that another has no limit in, with their metrics.
func missingCells(platform string, of, from map[limitKey]*fleet.Envelope) []CellChange {
	known := map[cellID]bool{}
	for k := range from {
		known[k.cell()] = true
	}
	var out []CellChange
	index := map[cellID]int{}
	for _, k := range slices.SortedFunc(maps.Keys(of), compareKeys) {
		if known[k.cell()] {
			continue
		}
		at, seen := index[k.cell()]
		if !seen {
			at = len(out)
			index[k.cell()] = at
			out = append(out, CellChange{Platform: platform, Kind: k.kind, FuelClass: k.class, Cell: of[k].Cell,
				Metrics: []metric.ID{}})
		}
		out[at].Metrics = append(out[at].Metrics, k.metric)
		out[at].Cars, out[at].Pulls = max(out[at].Cars, of[k].Cars), max(out[at].Pulls, of[k].Pulls)
	}
	return out
}

func compareKeys(a, b limitKey) int {
	return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.class, b.class), cmp.Compare(a.rpm, b.rpm),
		cmp.Compare(a.load, b.load), cmp.Compare(a.metric, b.metric), cmp.Compare(a.side, b.side))
}

// limitMove compares one limit with the remembered one. A limit that was first reached, or is no longer, counts as
// moved.
func limitMove(platform string, was, is *fleet.Envelope) (LimitMove, bool) {
	m := LimitMove{Platform: platform, Kind: is.Kind, FuelClass: is.FuelClass, Cell: is.Cell, Metric: is.Metric,
		Unit: is.Unit, Side: is.Side,
		Was: was.Limit, Now: is.Limit, MovedSD: result.Unknown(), CarsWas: was.Cars, CarsNow: is.Cars}
	switch {
	case !was.Limit.Known() && !is.Limit.Known():
		return m, false
	case !was.Limit.Known():
		m.Change = Reached
		return m, true
	case !is.Limit.Known():
		m.Change = Lost
		return m, true
	}
	sd := math.Max(yardstick(is), yardstick(was))
	if !(sd > 0) {
		return m, false // no deviation to measure a move by
	}
	m.MovedSD = result.Number(float64(is.Limit-was.Limit) / sd)
	if math.Abs(float64(m.MovedSD)) <= envelopeMoved {
		return m, false
	}
	m.Change = Narrower
	if (is.Limit > was.Limit) == (is.Side == metric.Upper) {
		m.Change = Wider
	}
	return m, true
}

// yardstick is what a limit's move is measured by: the deviation of pulls within a car, 0 when unknown.
func yardstick(c *fleet.Envelope) float64 {
	return math.Max(value.Or(float64(c.WithinSD), 0), leastWithin*value.Or(float64(c.BetweenSD), 0))
}

// groupKey names the limits that are counted together.
type groupKey struct {
	platform, kind, class string
	metric                metric.ID
	side                  metric.Side
}

// groupMoves counts the moves by metric, keeping the farthest of each; moves are sorted farthest first.
func groupMoves(moves []LimitMove) []MoveGroup {
	out := []MoveGroup{}
	index := map[groupKey]int{}
	for _, m := range moves {
		key := groupKey{m.Platform, m.Kind, m.FuelClass, m.Metric, m.Side}
		at, seen := index[key]
		if !seen {
			at = len(out)
			index[key] = at
			out = append(out, MoveGroup{Farthest: m})
		}
		g := &out[at]
		g.Limits++
		switch m.Change {
		case Wider:
			g.Wider++
		case Narrower:
			g.Narrower++
		case Reached:
			g.Reached++
		case Lost:
			g.Lost++
		}
	}
	return out
}
