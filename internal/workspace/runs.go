package workspace

import (
	"fmt"
	"io/fs"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"headroom/internal/fault"
	"headroom/internal/runlog/source"
)

var runColumns = []string{"path", "vehicle", "revision", "date", "place", "ambient_c", "baro_kpa", "fuel"}

// override is one row of runs.csv; zero values leave the folder rule alone.
type override struct {
	run  RunFile
	line int
	bad  bool // the run it names is left out
}

// readRuns lists the logs under runs/ with what runs.csv says about them.
func (w *Workspace) readRuns(fsys fs.FS, overrides map[string]*override) {
	used := map[string]bool{}
	skipped := map[fault.Fault]int{} // one problem per folder, not per log
	err := fs.WalkDir(fsys, "runs", func(p string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			missing := unreadable(p, err)
			w.Unlisted = append(w.Unlisted, missing)
			if p != "runs" || !isMissing(err) { // a workspace may be read before it has logs
				w.Problems = append(w.Problems, missing)
			}
			return nil
		case !utf8.ValidString(d.Name()):
			w.Problems = append(w.Problems, misnamed(p))
			return passOver(d)
		case p != "runs" && strings.HasPrefix(d.Name(), "."):
			return passOver(d)
		case d.IsDir() || strings.HasPrefix(strings.ToLower(d.Name()), "readme"):
			return nil
		case !source.IsLog(p):
			w.Problems = append(w.Problems, fault.Fault{File: p, What: "is not a log format that is read",
				Remedy: "export it as " + source.Readable() + ", or move it out of runs/"})
			return nil
		}
		o := overrides[p]
		used[p] = true
		if o != nil && o.bad {
			return nil // reported with its row
		}
		run, why := w.runFile(p, o)
		if why != nil {
			skipped[*why]++
			return nil
		}
		w.Runs = append(w.Runs, run)
		return nil
	})
	if err != nil {
		w.Problems = append(w.Problems, unreadable("runs", err))
	}
	for p, n := range skipped {
		if n > 1 {
			p.What = fmt.Sprintf("%d logs left out: %s", n, p.What)
		}
		w.Problems = append(w.Problems, p)
	}
	for p, o := range overrides {
		if !used[p] && !o.bad {
			w.Problems = append(w.Problems, fault.Fault{File: "runs.csv", Line: o.line, Where: "path",
				What:   p + " is not a log under runs/",
				Remedy: "give the path from the workspace, with forward slashes, e.g. runs/car-017/rev-1/pull.csv"})
		}
	}
	slices.SortFunc(w.Runs, func(a, b RunFile) int { return strings.Compare(a.Path, b.Path) })
}

// misnamed is the fault of a file or folder whose name is not UTF-8. JSON cannot hold such a name, and two of them can
// read as one there, so nothing of it is kept.
func misnamed(name string) fault.Fault {
	return fault.Fault{File: strings.Trim(strconv.Quote(name), `"`), What: "its name is not UTF-8",
		Remedy: "rename it; letters, digits and - do on every machine"}
}

// runFile settles whose run a log is. The problem, if any, is worded for the folder so that equal ones fold into one.
func (w *Workspace) runFile(p string, o *override) (RunFile, *fault.Fault) {
	run := RunFile{Path: p, AmbientC: math.NaN(), BaroKPa: math.NaN(), Date: dateIn(path.Base(p))}
	if parts := strings.Split(p, "/"); len(parts) == 4 {
		run.Vehicle, run.Revision = parts[1], parts[2]
	}
	where := fault.Fault{File: path.Dir(p)}
	if o != nil {
		run = merged(run, o.run)
		where = fault.Fault{File: "runs.csv", Line: o.line}
	}
	problem := func(column, what, remedy string) (RunFile, *fault.Fault) {
		q := where
		if o != nil {
			q.Where = column
		}
		q.What, q.Remedy = what, remedy
		return RunFile{}, &q
	}
	if run.Vehicle == "" || run.Revision == "" {
		return problem("vehicle", "the log says neither by folder nor by runs.csv which vehicle and revision it is of",
			"file it as runs/<vehicle>/<revision>/<name>, or give vehicle and revision in runs.csv")
	}
	v, r := w.Vehicles[run.Vehicle], w.Revisions[run.Revision]
	switch {
	case v == nil:
		what, remedy := w.unknownVehicle(run.Vehicle)
		return problem("vehicle", what, remedy)
	case r == nil:
		what, remedy := w.unknownRevision(run.Revision)
		return problem("revision", what, remedy)
	case v.Platform != r.Platform:
		return problem("revision", fmt.Sprintf("vehicle %s is a %s, revision %s is for %s", v.ID, v.Platform, r.ID,
			r.Platform), "file the log under the revision the car ran")
	}
	if run.Fuel == "" {
		run.Fuel = v.Fuel
	}
	return run, nil
}

// dateIn reads a leading year-month-day of a file name, "" without one.
func dateIn(name string) string {
	if len(name) < len(time.DateOnly) || badDate(name[:len(time.DateOnly)]) != "" {
		return ""
	}
	return name[:len(time.DateOnly)]
}

func merged(run, o RunFile) RunFile {
	for _, f := range []struct{ to, from *string }{
		{&run.Vehicle, &o.Vehicle}, {&run.Revision, &o.Revision}, {&run.Date, &o.Date}, {&run.Place, &o.Place},
		{&run.Fuel, &o.Fuel},
	} {
		if *f.from != "" {
			*f.to = *f.from
		}
	}
	run.AmbientC, run.BaroKPa = o.AmbientC, o.BaroKPa
	return run
}

// readOverrides reads runs.csv.
func (w *Workspace) readOverrides(rel string, data []byte) map[string]*override {
	rows, problems := readList(rel, data, runColumns[:1], runColumns)
	w.Problems = append(w.Problems, problems...)
	out := map[string]*override{}
	for _, row := range rows {
		o := &override{line: row.line}
		bad := func(column, what, remedy string) {
			o.bad = true
			w.Problems = append(w.Problems, fault.Fault{File: rel, Line: row.line, Where: column, What: what,
				Remedy: remedy})
		}
		p := path.Clean(strings.ReplaceAll(row.cells["path"], `\`, "/"))
		ambient, whyAmbient := cellIn(row.cells["ambient_c"], span{-50, 60, "°C", "", ""})
		baro, whyBaro := cellIn(row.cells["baro_kpa"], barometerSpan)
		o.run = RunFile{
			Path: p, Vehicle: row.cells["vehicle"], Revision: row.cells["revision"], Date: row.cells["date"],
			Place: row.cells["place"], AmbientC: ambient, BaroKPa: baro, Fuel: row.cells["fuel"],
		}
		if why := badDate(o.run.Date); why != "" {
			bad("date", why, dateRemedy)
		}
		if whyAmbient != "" {
			bad("ambient_c", whyAmbient, "give the ambient temperature in °C, or leave the cell empty")
		}
		if whyBaro != "" {
			bad("baro_kpa", whyBaro, "give the barometric pressure in kPa, or leave the cell empty")
		}
		if o.run.Fuel != "" && !w.hasFuel(o.run.Fuel) {
			bad("fuel", fmt.Sprintf("fuel %q is not known", o.run.Fuel), w.fuelRemedy())
		}
		if first, twice := out[p]; twice {
			first.bad = true
			bad("path", fmt.Sprintf("%s is already on line %d; the run is left out", p, first.line),
				"keep one row per log")
			continue
		}
		out[p] = o
	}
	return out
}
