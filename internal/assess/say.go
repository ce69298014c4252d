package assess

import (
	"fmt"
	"math"

	"headroom/internal/result"
	"headroom/internal/say"
	"headroom/internal/workspace"
)

func chance(p result.Number, interval result.Span) string {
	return fmt.Sprintf("%s of pulls cross the limit (90 %% interval %s to %s)", say.Percent(p),
		say.Percent(interval[0]), say.Percent(interval[1]))
}

// sentence says a finding in words a tuner can act on.
func (p *platform) sentence(f *Finding) string {
	where := fmt.Sprintf("at %.0f–%.0f rpm and %.0f–%.0f %% load", float64(f.Cell.RPM[0]), float64(f.Cell.RPM[1]),
		float64(f.Cell.LoadPct[0]), float64(f.Cell.LoadPct[1]))
	if f.Hazard == workspace.Knock {
		side := fmt.Sprintf("%.1f° short of", math.Abs(float64(f.Predicted)))
		if f.Predicted < 0 {
			side = fmt.Sprintf("%.1f° past", math.Abs(float64(f.Predicted)))
		}
		return fmt.Sprintf("Commanded spark %s is %s the expected knock limit; %s of pulls would take more than the "+
			"tolerated %.1f° of retard there.",
			where, side, say.Percent(f.ProbabilityPerPull), p.KnockControl.ToleratedRetardDeg)
	}
	return fmt.Sprintf("%s %s is expected at %s against a limit of %s; %s of pulls cross it there.",
		say.Capital(say.Metric(f.Metric)), where, say.Quantity(f.Predicted, f.Unit), say.Quantity(f.Limit, f.Unit),
		say.Percent(f.ProbabilityPerPull))
}
