// Package ingest answers the question: which logs of this workspace are new or changed, and what do they add to the
// evidence? It reads them (runlog), makes their rows (evidence) and keeps them (store). The state after an ingest
// depends on the workspace only: not on the number of jobs, the order of files or what was ingested before.
package ingest

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"headroom/internal/evidence"
	"headroom/internal/fault"
	"headroom/internal/landmark"
	"headroom/internal/parallel"
	"headroom/internal/runlog"
	"headroom/internal/store"
	"headroom/internal/workspace"
)

// commitEvery is after how many logs the catalogue is written, so that an interrupted ingest need not start over.
const commitEvery = 200

// StoreDir is where the evidence of the workspace in dir is kept.
func StoreDir(dir string) string { return filepath.Join(dir, store.DirName) }

// Options of an ingest.
type Options struct {
	Paths    []string                           // files or folders to look at; empty: all logs of the workspace
	Prune    bool                               // take out however many logs the workspace no longer has
	Jobs     int                                // logs worked on at once; below 1: one per processor
	Progress func(done, total int, path string) // called after each log, one call at a time; may be nil
}

// Summary says what an ingest did and what the store holds after it.
type Summary struct {
	Read    int       // logs read now: new or changed, or their platform, vehicle or channel map changed
	Skipped int       // logs that had not changed
	Removed int       // logs the workspace no longer has
	Gone    int       // logs the workspace no longer has and that were kept: too many at once, or not Options.Prune
	Failed  []Failure // logs that could not be read, now or before without having changed since; by path

	// Of the whole store, after the ingest.
	Logs, Rows, Pulls, Steady, Findings int
	Empty                               []string // logs read well in which no segment and cell was found; by path

	Unused   []Unused           // what logs of the store were not read for, the most logs first
	Suspects []landmark.Suspect // cars of which logs of the store read apart from the other cars'

	AssumedAir []string // logs read above surrounding air that had to be assumed; by path

	ProblemsFromWorkspace []fault.Fault // what the workspace itself left out
}

// Failure is one log, or one given path, that was left out.
type Failure struct {
	Path  string // relative to the workspace; as given when it is not in the workspace
	Error string // names file, line where there is one, and remedy
}

// Ingest brings the workspace's store up to date. A log that cannot be read is listed in Failed and left out; the
// rest goes in. Logs that are unchanged (size and modification time, else SHA-256) and whose setup is unchanged are
// skipped. When no paths are given, logs that the workspace no longer has are taken out, unless they are more than a
// tenth of the store or a folder under runs/ could not be listed. The error is for what stops the whole: another
// writer, runs/ missing, an unreadable channels.yaml, a store that cannot be written.
func Ingest(ws *workspace.Workspace, opts Options) (summary Summary, err error) {
	if f := ws.Unlisted; len(opts.Paths) == 0 && len(f) > 0 && f[0].File == "runs" {
		return Summary{}, fmt.Errorf("runs: %s: nothing was taken in or out; put the folder of the logs back, or make "+
			"an empty one", f[0].What)
	}
	st, err := store.Open(StoreDir(ws.Dir))
	if err != nil {
		return Summary{}, err
	}
	unlock, err := st.Lock()
	if err != nil {
		return Summary{}, err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	r, err := newReader(ws)
	if err != nil {
		return Summary{}, err
	}
	runs, unknown := selectRuns(ws, opts.Paths)
	results := make([]result, len(runs))
	jobs := opts.Jobs
	if jobs < 1 {
		jobs = runtime.GOMAXPROCS(0)
	}
	if err := parallel.Until(len(runs), jobs, func(i int) error {
		var err error
		results[i], err = r.update(st, &runs[i])
		return err
	}, func(done, i int) error {
		if opts.Progress != nil {
			opts.Progress(done, len(runs), runs[i].Path)
		}
		if done%commitEvery == 0 {
			return st.Commit()
		}
		return nil
	}); err != nil {
		return Summary{}, err
	}
	summary = Summary{Failed: unknown, ProblemsFromWorkspace: ws.Problems}
	for i, res := range results {
		summary.count(runs[i].Path, res)
	}
	if len(opts.Paths) == 0 {
		if err := r.removeGone(st, opts.Prune, &summary); err != nil {
			return Summary{}, err
		}
	}
	if err := st.Commit(); err != nil {
		return Summary{}, err
	}
	r.total(st, &summary)
	return summary, nil
}

// result is what became of one log.
type result struct {
	skipped bool
	failure string // "" when the log is in the store
}

func (s *Summary) count(path string, res result) {
	if res.failure != "" {
		s.Failed = append(s.Failed, Failure{path, res.failure})
	}
	switch {
	case res.skipped:
		s.Skipped++
	case res.failure == "":
		s.Read++
	}
}

// selectRuns picks the runs at or below the given paths, and names paths that hold none.
func selectRuns(ws *workspace.Workspace, paths []string) ([]workspace.RunFile, []Failure) {
	if len(paths) == 0 {
		return ws.Runs, nil
	}
	wanted := make([]bool, len(ws.Runs))
	var unknown []Failure
	for _, given := range paths {
		rel, ok := relative(ws.Dir, given)
		found := false
		for i, run := range ws.Runs {
			if ok && (rel == "." || run.Path == rel || strings.HasPrefix(run.Path, rel+"/")) {
				wanted[i], found = true, true
			}
		}
		if !found {
			unknown = append(unknown, Failure{given, fmt.Sprintf("%s: no log of this workspace is there: put it "+
				"under runs/<vehicle>/<revision>/, or see what was left out of the workspace", given)})
		}
	}
	var out []workspace.RunFile
	for i, run := range ws.Runs {
		if wanted[i] {
			out = append(out, run)
		}
	}
	return out, unknown
}

// relative gives a path as it is named in the workspace: relative to its directory, with slashes. A path that does
// not exist from here but does from the workspace is taken as seen from there.
func relative(dir, given string) (string, bool) {
	abs, err := filepath.Abs(given)
	if err != nil {
		return "", false
	}
	if _, err := os.Stat(abs); err != nil && !filepath.IsAbs(given) {
		abs = filepath.Join(dir, given)
	}
	rel, err := filepath.Rel(resolved(dir), resolved(abs))
	if err != nil || rel == ".." || strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return "", false
	}
	return filepath.ToSlash(rel), true
}

// resolved follows symbolic links where the path exists.
func resolved(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return real
	}
	return path
}

// update brings one log up to date. The error is for a store that cannot be written.
func (r *reader) update(st *store.Store, run *workspace.RunFile) (result, error) {
	file, name := r.file(run.Path), r.alias(run.Path)
	setup, err := r.setup(run)
	if err != nil {
		return result{failure: err.Error()}, st.Remove(name)
	}
	info, err := os.Stat(file)
	if err != nil {
		return r.unread(st, run, err)
	}
	now := store.Source{
		Path: name, Size: info.Size(), ModTime: info.ModTime().UTC().Round(0),
		Platform: setup.Platform, Vehicle: setup.Vehicle, Revision: setup.Revision, Setup: r.digest(run, setup),
	}
	known, ok := st.Source(name)
	usable := ok && known.Setup == now.Setup && known.Evidence == store.EvidenceVersion() && st.Has(known)
	if usable && known.Size == now.Size && known.ModTime.Equal(now.ModTime) {
		return r.skip(known, run), nil
	}
	if now.SHA256, err = store.HashFile(file, runlog.DefaultMaxBytes); err != nil {
		return r.unread(st, run, err)
	}
	if usable && known.SHA256 == now.SHA256 {
		known.Size, known.ModTime = now.Size, now.ModTime
		return r.skip(known, run), st.Touch(known)
	}
	made, err := r.rows(run, setup)
	if err != nil {
		now.Status, now.Error = store.StatusFailed, r.plain(err, run, name)
		return result{failure: r.plain(err, run, run.Path)}, st.Put(now, nil)
	}
	now.Status, now.Findings = store.StatusOK, made.findings
	now.Unused, now.Landmarks, now.AssumedAir = made.unused, made.landmarks, made.assumedAir
	now.Pulls, now.Steady = segments(made.rows)
	return result{}, st.Put(now, made.rows)
}

// unread is the result of a log that could not be opened. It leaves no entry in the catalogue: what could not be opened
// may open tomorrow without having changed.
func (r *reader) unread(st *store.Store, run *workspace.RunFile, err error) (result, error) {
	var refused *fault.Fault
	if !errors.As(err, &refused) {
		err = fmt.Errorf("%w: check the file and its permissions", err)
	}
	return result{failure: r.plain(err, run, run.Path)}, st.Remove(r.alias(run.Path))
}

// skip is the result of a log that has not changed; one that failed has not become better.
func (r *reader) skip(known store.Source, run *workspace.RunFile) result {
	res := result{skipped: true}
	if known.Status == store.StatusFailed {
		res.failure = strings.ReplaceAll(known.Error, known.Path, run.Path)
	}
	return res
}

// taken is what one log gave.
type taken struct {
	rows      []evidence.Row
	findings  int
	unused    []store.Unused     // what it was not read for
	landmarks []landmark.Reading // what can be held against other cars

	assumedAir bool
}

// rows reads one log and makes its rows; segments of several runs in one file are numbered through. Memory is
// bounded beside the rows. What the log was not read for, and its landmarks, are told by its first run.
func (r *reader) rows(run *workspace.RunFile, setup *evidence.Setup) (out taken, err error) {
	defer func() {
		if crash := recover(); crash != nil { // one log must not stop the batch
			err = fmt.Errorf("%s: the reader failed on it (%v): please report it with the log", r.file(run.Path), crash)
		}
	}()
	var segment, pulls int32
	first := true
	err = runlog.Each(r.file(run.Path), r.options(run), func(part *runlog.Run) error {
		if first {
			out.unused, out.landmarks, first = unusedOf(part), landmark.Readings(part), false
		}
		out.assumedAir = out.assumedAir || part.Assumed.KPa > 0
		made, notes := evidence.Rows(part, setup)
		out.findings += len(part.Findings) + len(notes)
		lastSegment, lastPulls := segment, pulls
		for i := range made {
			made[i].Segment += segment
			made[i].Order += pulls
			lastSegment = max(lastSegment, made[i].Segment+1)
			if made[i].Kind == evidence.KindPull {
				lastPulls = max(lastPulls, made[i].Order+1)
			}
		}
		segment, pulls = lastSegment, lastPulls
		out.rows = append(out.rows, made...)
		return nil
	})
	if err != nil {
		return taken{}, err
	}
	return out, nil
}

// segments counts the segments that gave rows.
func segments(rows []evidence.Row) (pulls, steady int) {
	seen := map[int32]bool{}
	for _, row := range rows {
		if seen[row.Segment] {
			continue
		}
		seen[row.Segment] = true
		if row.Kind == evidence.KindPull {
			pulls++
		} else {
			steady++
		}
	}
	return pulls, steady
}

// removeGone takes out logs that the workspace no longer has. A folder that was moved, an unmounted disk or a damaged
// vehicles.csv looks like that too, so a loss of more than one log in ten is kept unless it is asked for.
func (r *reader) removeGone(st *store.Store, prune bool, summary *Summary) error {
	have := map[string]bool{}
	for _, run := range r.ws.Runs {
		have[r.alias(run.Path)] = true
	}
	var gone []string
	all := st.Catalogue()
	for _, source := range all {
		if !have[source.Path] {
			gone = append(gone, source.Path)
		}
	}
	if len(r.ws.Unlisted) > 0 || !prune && 10*len(gone) > len(all) {
		summary.Gone = len(gone)
		return nil
	}
	for _, path := range gone {
		if err := st.Remove(path); err != nil {
			return err
		}
	}
	summary.Removed = len(gone)
	return nil
}

// total fills in what the store holds.
func (r *reader) total(st *store.Store, summary *Summary) {
	real := r.realPaths()
	var good []store.Source
	for _, source := range st.Catalogue() {
		if _, ok := real[source.Path]; !ok { // gone and kept
			real[source.Path] = source.Path
		}
		if source.Status != store.StatusOK {
			continue
		}
		summary.Logs++
		summary.Rows += source.Rows
		summary.Pulls += source.Pulls
		summary.Steady += source.Steady
		summary.Findings += source.Findings
		if source.Rows == 0 {
			summary.Empty = append(summary.Empty, real[source.Path])
		}
		if source.AssumedAir {
			summary.AssumedAir = append(summary.AssumedAir, real[source.Path])
		}
		good = append(good, source)
	}
	summary.Unused = groupUnused(good, real)
	summary.Suspects = r.suspects(st, real)
}

// suspects are the cars whose logs read apart from the others', by the names that the workspace has for them.
func (r *reader) suspects(st *store.Store, real map[string]string) []landmark.Suspect {
	cars := make(map[string]string, len(r.ws.Vehicles))
	for id := range r.ws.Vehicles {
		cars[r.alias(id)] = id
	}
	out := landmark.Suspects(st.Landmarks())
	for i := range out {
		s := &out[i]
		s.Vehicle = cmp.Or(cars[s.Vehicle], s.Vehicle) // a car whose logs are gone and kept
		for k, path := range s.Logs {
			s.Logs[k] = real[path]
		}
	}
	slices.SortStableFunc(out, func(a, b landmark.Suspect) int { return cmp.Compare(a.Vehicle, b.Vehicle) })
	return out
}

// Kinds of fault that Verify adds to those of the store.
const MismatchNotIngested = "not_ingested" // the workspace has a log that the catalogue does not

// Verify checks the workspace's store against its catalogue and its logs (store.Verify), and names logs that were
// never ingested.
func Verify(ws *workspace.Workspace) ([]store.Mismatch, error) {
	st, err := store.Open(StoreDir(ws.Dir))
	if err != nil {
		return nil, err
	}
	r := &reader{ws: ws}
	real := r.realPaths()
	faults, err := st.Verify(runlog.DefaultMaxBytes, func(name string) (string, bool) {
		path, ok := real[name]
		return r.file(path), ok
	})
	if err != nil {
		return nil, err
	}
	for _, run := range ws.Runs {
		if _, ok := st.Source(r.alias(run.Path)); !ok {
			faults = append(faults, store.Mismatch{Kind: MismatchNotIngested, Path: run.Path,
				Detail: "the log is not in the catalogue: run ingest"})
		}
	}
	return faults, nil
}

// realPaths maps the names logs go by in the store to their paths in the workspace.
func (r *reader) realPaths() map[string]string {
	out := make(map[string]string, len(r.ws.Runs))
	for _, run := range r.ws.Runs {
		out[r.alias(run.Path)] = run.Path
	}
	return out
}

func (r *reader) file(path string) string { return filepath.Join(r.ws.Dir, filepath.FromSlash(path)) }

// plain words an error about a log without the place of the workspace on this machine, so that the catalogue does
// not depend on it.
func (r *reader) plain(err error, run *workspace.RunFile, name string) string {
	return strings.ReplaceAll(err.Error(), r.file(run.Path), name)
}
