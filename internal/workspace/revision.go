package workspace

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"headroom/internal/fault"
	"headroom/internal/plainfile"
	"headroom/internal/yamlfile"
	"headroom/models/calmap"
)

// Statuses of a revision.
const (
	Proposed  = "proposed"
	Released  = "released"
	Withdrawn = "withdrawn"
)

// readRevision reads revisions/<id>/revision.yaml and its tables, and checks everything that needs no other revision.
// A revision with any problem is left out (nil).
func (w *Workspace) readRevision(fsys fs.FS, id string, platformFiles map[string]string) (r *Revision, parentLine int) {
	dir := path.Join("revisions", id)
	r = &Revision{File: path.Join(dir, "revision.yaml")}
	data, err := plainfile.Read(fsys, r.File, plainfile.YAML)
	if err != nil {
		w.Problems = append(w.Problems, fault.Fault{File: r.File, What: readFailure(err), Remedy: "each folder of " +
			"revisions/ holds a revision.yaml"})
		return nil, 0
	}
	f, p := yamlfile.Decode(r.File, data, r)
	if p != nil {
		w.Problems = append(w.Problems, *p)
		return nil, 0
	}
	c := &checker{file: f}
	w.revisionKeys(c, r, id, platformFiles)
	seen := map[string]int{}
	for i := range r.Tables {
		key := fmt.Sprintf("tables[%d]", i)
		t := &r.Tables[i]
		name := t.Role + "/" + t.Name
		if first, twice := seen[name]; twice {
			c.add(key, fmt.Sprintf("role %s is already given by tables[%d]", strings.TrimSuffix(name, "/"), first),
				"keep one; tables that are not modelled need different names")
			continue
		}
		seen[name] = i
		c.problems = append(c.problems, readTable(fsys, dir, c, key, t)...)
	}
	w.Problems = append(w.Problems, c.problems...)
	if len(c.problems) > 0 {
		return nil, 0
	}
	return r, f.Line("parent")
}

// unreadable is the fault of a file or directory that is there and cannot be read.
func unreadable(file string, err error) fault.Fault {
	var refused *fault.Fault
	if errors.As(err, &refused) {
		return fault.Fault{File: file, What: refused.What, Remedy: refused.Remedy}
	}
	return fault.Fault{File: file, What: readFailure(err), Remedy: "check its permissions"}
}

func readFailure(err error) string {
	if isMissing(err) {
		return "file is missing"
	}
	var refused *fault.Fault
	if errors.As(err, &refused) {
		return refused.What
	}
	return "cannot be read: " + err.Error()
}

func (w *Workspace) revisionKeys(c *checker, r *Revision, id string, platformFiles map[string]string) {
	switch why := badID(r.ID); {
	case why != "":
		c.add("id", why, "give the id, as the folder is named: "+id)
	case r.ID != id:
		c.add("id", fmt.Sprintf("%q differs from the folder name %s", r.ID, id),
			"give both the same name; logs are filed by it")
	}
	platformGone := w.Platforms[r.Platform] == nil
	if platformGone {
		what, remedy := w.unknownPlatform(r.Platform, platformFiles)
		if r.Platform == "" {
			what = "missing"
		}
		c.add("platform", what, remedy)
	}
	v := w.Vehicles[r.Vehicle]
	switch {
	case r.Vehicle == "":
		c.add("vehicle", "missing", "give a vehicle of vehicles.csv, or fleet")
	case r.Vehicle == Fleet || platformGone:
	case v == nil:
		what, remedy := w.unknownVehicle(r.Vehicle)
		c.add("vehicle", what, remedy+", or give fleet")
	case v.Platform != r.Platform:
		c.add("vehicle", fmt.Sprintf("vehicle %s is a %s, the revision is for %s", r.Vehicle, v.Platform, r.Platform),
			"give a vehicle of that platform")
	}
	c.oneOf("status", r.Status, Proposed, Released, Withdrawn)
	if r.Date == "" {
		c.add("date", "missing", dateRemedy+"; the order of revisions in time decides what was known before")
	} else if why := badDate(r.Date); why != "" {
		c.add("date", why, dateRemedy)
	}
	if !w.hasFuel(r.Fuel) {
		what := fmt.Sprintf("fuel %q is not known", r.Fuel)
		if r.Fuel == "" {
			what = "missing"
		}
		c.add("fuel", what, w.fuelRemedy())
	}
}

// checkParents leaves out revisions whose ancestry is broken: a parent that is missing, left out or of another
// platform, or a loop. read holds what could be read.
func (w *Workspace) checkParents(read map[string]*Revision, lineOf map[string]int) {
	drop := func(r *Revision, what, remedy string) {
		w.Problems = append(w.Problems, fault.Fault{File: r.File, Line: lineOf[r.ID], Where: "parent", What: what,
			Remedy: remedy})
		delete(read, r.ID)
	}
	for _, loop := range loops(read) {
		for _, id := range loop {
			drop(read[id], "the parents go round in a loop: "+strings.Join(append(slices.Clone(loop), loop[0]), " → "),
				"give the revision this one was really made from; a base calibration has no parent")
		}
	}
	for again := true; again; {
		again = false
		for _, id := range slices.Sorted(maps.Keys(read)) {
			r := read[id]
			parent := read[r.Parent]
			switch {
			case r.Parent == "":
				continue
			case parent == nil && slices.Contains(w.revisionDirs, r.Parent):
				drop(r, fmt.Sprintf("parent %s is left out", r.Parent), fmt.Sprintf("mend revisions/%s first",
					r.Parent))
			case parent == nil:
				drop(r, fmt.Sprintf("parent %q is not known", r.Parent),
					"add revisions/"+r.Parent+", or leave parent empty for a base calibration")
			case parent.Platform != r.Platform:
				drop(r, fmt.Sprintf("parent %s is for platform %s, this one for %s", r.Parent, parent.Platform,
					r.Platform), "give a parent of the same platform")
			default:
				continue
			}
			again = true
		}
	}
	w.Revisions = read
}

// unknownRevision words that a revision cannot be used.
func (w *Workspace) unknownRevision(id string) (what, remedy string) {
	if slices.Contains(w.revisionDirs, id) {
		return fmt.Sprintf("revision %s is left out", id), fmt.Sprintf("mend revisions/%s", id)
	}
	return fmt.Sprintf("revision %q is not known", id), fmt.Sprintf("add revisions/%s", id)
}

// loops finds the cycles among parents, each starting at its alphabetically first id, in order.
func loops(rs map[string]*Revision) [][]string {
	var out [][]string
	done := map[string]bool{}
	for _, start := range slices.Sorted(maps.Keys(rs)) {
		var walk []string
		at := start
		for rs[at] != nil && !done[at] && !slices.Contains(walk, at) {
			walk = append(walk, at)
			at = rs[at].Parent
		}
		if i := slices.Index(walk, at); i >= 0 {
			out = append(out, rotated(walk[i:]))
		}
		for _, id := range walk {
			done[id] = true
		}
	}
	return out
}

// rotated starts a loop at its alphabetically first id.
func rotated(loop []string) []string {
	i := slices.Index(loop, slices.Min(loop))
	return slices.Concat(loop[i:], loop[:i])
}

// Ancestry returns the revision's ancestors, the parent first and the base calibration last; nil for an unknown or
// base revision.
func (w *Workspace) Ancestry(id string) []*Revision {
	var out []*Revision
	seen := map[string]bool{id: true}
	for r := w.Revisions[id]; r != nil && r.Parent != "" && !seen[r.Parent]; {
		seen[r.Parent] = true
		r = w.Revisions[r.Parent]
		if r != nil {
			out = append(out, r)
		}
	}
	return out
}

// Line is a revision and its ancestors, the nearest first; nil for an unknown revision.
func (w *Workspace) Line(id string) []*Revision {
	r := w.Revisions[id]
	if r == nil {
		return nil
	}
	return append([]*Revision{r}, w.Ancestry(id)...)
}

// Stock is the part that a car has where nothing else is said.
const Stock = "stock"

// isStock reports whether a part is written as the stock one, in whatever case.
func isStock(part string) bool { return strings.EqualFold(strings.TrimSpace(part), Stock) }

// HardwareOf is what a revision is made for, part by item: its own word on an item, else its nearest ancestor's. An
// item that none of them names is not in it.
func (w *Workspace) HardwareOf(id string) map[string]string {
	out := map[string]string{}
	for _, r := range w.Line(id) {
		for item, part := range r.Hardware {
			if _, known := out[item]; !known {
				out[item] = part
				if isStock(part) {
					out[item] = Stock
				}
			}
		}
	}
	return out
}

// TableOf returns the table of a role as the revision runs it, and the revision that supplied it: its own, or the
// nearest ancestor's when it lists none. name tells tables of roles that are not modelled apart; "" for modelled ones.
func (w *Workspace) TableOf(id, role, name string) (*TableRef, *Revision) {
	for _, r := range w.Line(id) {
		for i := range r.Tables {
			if t := &r.Tables[i]; t.Role == role && t.Name == name {
				return t, r
			}
		}
	}
	return nil, nil
}

// readTable reads one table of a revision into t.Table.
func readTable(fsys fs.FS, dir string, c *checker, key string, t *TableRef) []fault.Fault {
	one := &checker{file: c.file}
	modelled := slices.Contains(calmap.Roles(), t.Role)
	switch {
	case t.Role == "":
		one.add(key+".role", "missing", "give one of: "+strings.Join(calmap.Roles(), ", ")+", or other with a name")
	case !modelled && t.Role != "other":
		if meant := fault.DidYouMean(t.Role, calmap.Roles()); meant != "" {
			one.add(key+".role", fmt.Sprintf("role %q is not known", t.Role), meant)
		}
	case t.Role == "other" && t.Name == "":
		one.add(key+".name", "missing", "name a table of role other, e.g. wastegate base duty")
	case modelled && t.Name != "":
		one.add(key+".name", fmt.Sprintf("a revision has one %s table, and it needs no name", t.Role),
			"leave the name out where this is the table that the engine runs by; else give it role other")
	}
	if t.File == "" {
		one.add(key+".file", "missing", "give the table's CSV file, e.g. tables/spark.csv")
	} else if !filepath.IsLocal(t.File) || strings.Contains(t.File, `\`) {
		one.add(key+".file", fmt.Sprintf("%q leaves the revision's folder or has backslashes", t.File),
			"give a path inside the folder with forward slashes, e.g. tables/spark.csv")
	}
	conv := tableConversion(one, key, t, modelled)
	if len(one.problems) > 0 {
		return one.problems
	}
	rel := path.Join(dir, t.File)
	data, err := plainfile.Read(fsys, rel, plainfile.Table)
	if err != nil {
		one.add(key+".file", rel+": "+readFailure(err), "export the table from the spreadsheet as CSV to this path")
		return one.problems
	}
	table, p := parseTable(rel, data, t.Y != nil)
	if p != nil {
		return []fault.Fault{*p}
	}
	if modelled {
		if what, remedy := wrongAxes(t, table, conv); what != "" {
			return []fault.Fault{{File: rel, What: what, Remedy: fmt.Sprintf("%s in %s, %s", remedy, c.file.Name, key)}}
		}
	}
	table, err = table.Convert(conv.x, conv.y, conv.z)
	if err != nil {
		return []fault.Fault{{File: rel, What: err.Error(), Remedy: fmt.Sprintf("check the table and the units in %s, "+
			"%s", c.file.Name, key)}}
	}
	if what := wrongScale(t.Role, table); what != "" {
		return []fault.Fault{{File: rel, What: what, Remedy: fmt.Sprintf("check the table, and unit in %s, "+
			"%s", c.file.Name, key)}}
	}
	t.Table = table
	return nil
}

// wrongScale refuses a table of a modelled role with more than half of its values outside what the role can hold:
// the unit is wrong, and no margin computed from it means anything. Single wild cells are for the lint.
func wrongScale(role string, t *calmap.Table) string {
	r, ok := calmap.RangeOf(role)
	if !ok {
		return ""
	}
	outside, all := 0, 0
	for _, row := range t.Z {
		for _, v := range row {
			all++
			if v < r.Low || v > r.High {
				outside++
			}
		}
	}
	if 2*outside <= all {
		return ""
	}
	what := fmt.Sprintf("%d of %d values are outside what a %s table can hold (%g to %g %s)", outside, all, role, r.Low,
		r.High, r.Unit)
	for _, n := range t.Lint(role) {
		if n.Kind == calmap.NoteUnit {
			return what + ": " + n.Say
		}
	}
	return what
}
