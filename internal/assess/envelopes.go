package assess

import (
	"maps"
	"slices"

	"headroom/internal/evidence"
)

// Envelopes lists what each platform has been shown to run, and the state of its knock fit.
func (j *Job) Envelopes() (*Envelopes, error) {
	out := &Envelopes{Stamp: j.Stamp("headroom/envelope/1"), Platforms: []PlatformEnvelope{}, Cautions: []string{}}
	for _, id := range slices.Sorted(maps.Keys(j.ws.Platforms)) {
		p, f, rows, err := j.fitted(id)
		if err != nil {
			return nil, err
		}
		pulls := evidence.PullRows(rows)
		out.Platforms = append(out.Platforms, PlatformEnvelope{
			Platform: id, Cars: evidence.CountCars(pulls), Pulls: evidence.CountPulls(pulls),
			Knock: p.knockSummary(f), Cells: f.sortedEnvelopes(),
		})
	}
	out.Cautions = append(out.Cautions, StandingCautions...)
	return out, nil
}
