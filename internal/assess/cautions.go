package assess

import (
	"fmt"

	"headroom/internal/say"
	"headroom/internal/workspace"
	"headroom/models/calmap"
)

// StandingCautions end every report.
var StandingCautions = []string{
	"This is evidence for a decision, not the decision: a calibration can destroy an engine and injure people. A " +
		"qualified professional decides, under controlled test conditions, on a dynamometer or closed course.",
	"Predictions are no better than the sensors behind them: check that lambda, pressure, temperature and knock " +
		"sensors are calibrated and that the fuel in the tank is the fuel named here.",
	"What no log has visited is not known. Fuel batch, heat, altitude and wear differ from day to day; a result for " +
		"one car does not carry over to another without its own logs.",
	"Emissions, noise and road-use law differ by place; whoever releases a calibration answers for it.",
}

// lintNotes are what looks wrong in the revision's own tables. Of the spikes those that the parent does not have: the
// footprint lists them all.
func lintNotes(rev *workspace.Revision, f *Footprint) []string {
	var out []string
	for _, t := range rev.Tables {
		if t.Table == nil {
			continue
		}
		for _, n := range t.Table.Lint(t.Role) {
			if n.Kind != calmap.NoteSpike {
				out = append(out, fmt.Sprintf("Table %s: %s", t.File, n.Say))
			}
		}
	}
	for i := range f.Spikes {
		if f.Spikes[i].New {
			out = append(out, f.Spikes[i].sentence())
		}
	}
	return out
}

// notes are what a reader must know about how a platform's numbers came about.
func (p *platform) notes(f *platformFit) []string {
	var out []string
	if p.cycle == nil {
		out = append(out, "No cycle model for this platform: "+p.cycleWhy+". Cylinder pressure, torque and the "+
			"effect of spark on exhaust temperature are not predicted.")
	}
	if f.Knock != nil {
		for _, w := range f.Knock.Warnings {
			out = append(out, "Knock fit: "+w)
		}
	}
	for i := range metrics {
		fit, ok := f.Margins[metrics[i].name]
		if !ok {
			continue
		}
		for _, w := range fit.Model.Warnings {
			out = append(out, fmt.Sprintf("Fit of %s: %s", say.Words(metrics[i].name), w))
		}
	}
	return out
}
