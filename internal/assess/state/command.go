package state

import (
	"fmt"
	"io"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/evidence"
	"headroom/internal/workspace"
	"headroom/models/value"
)

// Where commanded lambda was not logged, the lambda table of the calibration is read at the logged state. Control units
// command something else now and then, to protect hot parts or at tip-in; logs that hold both tell how much.

// CommandError is what control units command beyond their tables in pulls, λ, positive leaner.
type CommandError struct {
	Mean  float64
	CarSD float64 // between cars
	RowSD float64 // between the cells of one car's pulls
	Cars  int     // that logged both
}

// Before any car logged both, commands are taken to differ from tables by commandCarSD between cars and commandRowSD
// between cells; the first counts as much as commandCars cars. Common practice, no source.
const (
	commandCarSD = 0.01
	commandRowSD = 0.01
	commandCars  = 5
)

// CommandErrorOf compares logged commands with the tables they were logged on: the mean over cars, the variance within
// cars pooled, and that between their means less what scatter within a car gives them (method of moments: Searle,
// Casella and McCulloch, Variance Components, 1992, sec. 3.6), blended with what is taken before (conjugate, as the
// levels of internal/assess/fleet).
func (p *Platform) CommandErrorOf(rows []evidence.Row) CommandError {
	byCar := map[string][]float64{}
	for i := range rows {
		r := &rows[i]
		s := stateAt(r, &r.Bound)
		if d := r.LambdaCommanded - p.tableCommand(&s); r.Kind == evidence.KindPull && value.Known(d) {
			byCar[r.Vehicle] = append(byCar[r.Vehicle], d)
		}
	}
	out := CommandError{CarSD: commandCarSD, RowSD: commandRowSD, Cars: len(byCar)}
	if len(byCar) == 0 {
		return out
	}
	var means []float64
	squares, freedom, scatter := 0.0, 0.0, 0.0
	for _, car := range slices.Sorted(maps.Keys(byCar)) {
		d := byCar[car]
		mean := stat.Mean(d, nil)
		means = append(means, mean)
		for _, v := range d {
			squares += (v - mean) * (v - mean)
		}
		freedom += float64(len(d) - 1)
		scatter += 1 / float64(len(d))
	}
	out.Mean = stat.Mean(means, nil)
	if freedom > 0 {
		out.RowSD = math.Sqrt(squares / freedom)
	}
	n := float64(len(means) - 1)
	between := 0.0
	if n > 0 {
		between = math.Max(0, stat.Variance(means, nil)-out.RowSD*out.RowSD*scatter/(n+1))
	}
	out.CarSD = math.Sqrt((commandCars*commandCarSD*commandCarSD + n*between) / (commandCars + n))
	return out
}

// tableCommand is what the lambda table of the calibration that a state was logged on asks for; NaN without one.
func (p *Platform) tableCommand(s *State) float64 { return p.tableValue("lambda", s) }

// tableValue is what a table of the calibration that a state was logged on asks for; NaN without one.
func (p *Platform) tableValue(role string, s *State) float64 {
	c, ok := p.calibrations[s.Row.Revision]
	if !ok {
		return math.NaN()
	}
	return c.ValueAt(role, s)
}

// fillCommand gives a state the command of its table where its log has none, with what control units add to it.
func (p *Preparer) fillCommand(s *State) {
	if value.Known(s.LambdaCommanded) {
		return
	}
	s.LambdaCommanded = p.tableCommand(s) + p.Command.Mean
	s.LookedUp = value.Known(s.LambdaCommanded)
}

// WriteTables writes the modelled tables of a revision, for a digest of what CommandErrorOf, HeatLineOf, Made and the
// states of its logs depend on.
func (p *Platform) WriteTables(w io.Writer, revision string) {
	c, ok := p.calibrations[revision]
	if !ok {
		return
	}
	for _, role := range ModelledRoles {
		if l, ok := c.Lookups[role]; ok {
			fmt.Fprintln(w, revision, role, l.X, l.Y, l.Table.X, l.Table.Y, l.Table.Z)
		}
	}
}

// calibrationsOf are the revisions of a platform that can be resolved.
func calibrationsOf(ws *workspace.Workspace, platform string) map[string]*Calibration {
	out := map[string]*Calibration{}
	for id, r := range ws.Revisions {
		if r.Platform != platform {
			continue
		}
		if c, err := CalibrationOf(ws, id); err == nil { // a review of what rests on it says why not
			out[id] = c
		}
	}
	return out
}
