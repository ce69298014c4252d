package assess

import (
	"headroom/internal/result"
	"headroom/internal/workspace"
)

// fileNotes say which numbers of the platform file are not known well enough to be taken as they stand.
func (m *Model) fileNotes() result.Reasons {
	var out result.Reasons
	if m.Cycle != nil && (m.Burn == nil || m.Burn.Known != workspace.Measured) {
		a := m.Angles
		taken := BurnTaken{Given: m.Burn != nil, Lag: result.Number(a.Lag), LagSD: result.Number(a.LagSD),
			Duration: result.Number(a.Duration), DurationSD: result.Number(a.DurationSD), Cars: m.BurnFit.Cars}
		if m.Burn != nil {
			taken.Known = m.Burn.Known
		}
		out = append(out, taken)
	}
	guess := func(section string, known workspace.Known) {
		if known == workspace.Guess {
			out = append(out, Guessed{Section: section})
		}
	}
	guess("engine", m.Engine.Known)
	if m.Friction != nil {
		guess("friction", m.Friction.Known)
	}
	if m.AirPath != nil {
		guess("air_path", m.AirPath.Known)
	}
	if m.FuelSystem != nil {
		guess("fuel_system", m.FuelSystem.Known)
	}
	return out
}

// fileDoubts are the numbers of the platform file that logs contradict, or that are unusual and no log tells of.
func (m *Model) fileDoubts() result.Reasons {
	var out result.Reasons
	for i := range m.Checks {
		if m.Checks[i].Doubtful() {
			out = append(out, FileDoubt{File: m.File, Check: m.Checks[i]})
		}
	}
	return out
}
