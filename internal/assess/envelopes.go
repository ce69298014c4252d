package assess

import (
	"maps"
	"slices"
)

// Envelopes lists what each platform has been shown to run, and the state of its knock fit.
func (j *Job) Envelopes() (*Envelopes, error) {
	out := &Envelopes{Stamp: j.stamp("headroom/envelope/1"), Platforms: []PlatformEnvelope{}, Cautions: []string{}}
	for _, id := range slices.Sorted(maps.Keys(j.ws.Platforms)) {
		p, f, rows, err := j.fitted(id)
		if err != nil {
			return nil, err
		}
		pulls := pullRows(rows)
		out.Platforms = append(out.Platforms, PlatformEnvelope{
			Platform: id, Cars: countCars(pulls), Pulls: countPulls(pulls),
			Knock: p.knockSummary(f), Cells: f.sortedEnvelopes(),
		})
	}
	out.Cautions = append(out.Cautions, StandingCautions...)
	return out, nil
}
