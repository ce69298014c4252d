package assess

import (
	"maps"
	"slices"

	"headroom/internal/evidence"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/knock"
	"headroom/models/value"
)

// Envelopes lists what each platform has been shown to run, and the state of its knock fit.
func (j *Job) Envelopes() (*Envelopes, error) {
	out := &Envelopes{Stamp: j.Stamp("headroom/envelope/1"), Platforms: []PlatformEnvelope{}}
	for _, id := range slices.Sorted(maps.Keys(j.ws.Platforms)) {
		m, err := j.Model(id)
		if err != nil {
			return nil, err
		}
		rows, err := j.Evidence(id)
		if err != nil {
			return nil, err
		}
		pulls := evidence.PullRows(rows)
		out.Platforms = append(out.Platforms, PlatformEnvelope{
			Platform: id, Cars: evidence.CountCars(pulls), Pulls: evidence.CountPulls(pulls),
			Knock: m.knockSummary(), Cells: m.SortedEnvelopes(), FileChecks: m.Checks,
		})
	}
	return out, nil
}

// knockSummary is the printable state of a platform's knock fit.
func (m *Model) knockSummary() KnockSummary {
	k := m.Knock
	if k == nil {
		unknown := result.Unknown()
		return KnockSummary{
			Status: result.NotAssessed, Reasons: result.Reasons{Lacking{Metric: metric.KnockMargin, Lack: m.KnockLack}},
			CarSD: unknown, PullSD: unknown, CellSD: unknown,
			Warnings: []string{}, Slopes: []KnockSlope{}, Limit: []KnockPoint{},
		}
	}
	s := KnockSummary{
		Status: result.Assessed, Rows: k.Rows, Events: k.Events, Cars: k.Cars, Pulls: m.KnockPulls,
		Steady: m.KnockSteady,
		CarSD:  result.Number(k.CarSD), PullSD: result.Number(k.PullSD), CellSD: result.Number(k.CellSD),
		Warnings: append([]string{}, k.Warnings...), Converged: k.Converged,
	}
	s.Limit = m.knockCurve()
	if thin := m.thin(k.Cars, m.KnockPulls); thin != nil {
		s.Status, s.Reasons = result.Thin, result.Reasons{thin}
	}
	for c := range knock.NumCovariates {
		mean, sd := k.Slope(c)
		s.Slopes = append(s.Slopes, KnockSlope{
			Covariate: knock.Name(c), Unit: knock.Unit(c),
			Physics: result.Number(m.Slopes[c]), Fitted: result.Number(mean), SD: result.Number(sd),
		})
	}
	return s
}

// knockCurve is the fleet's knock-limited spark over the speeds it has visited, at the reference state, for a pull of
// a car not seen before.
func (m *Model) knockCurve() []KnockPoint {
	out := []KnockPoint{}
	bins := slices.Sorted(maps.Keys(m.KnockSeen))
	for _, b := range bins {
		rpm := (float64(b) + 0.5) * m.RPMStep
		mean, _, sd := m.Knock.Predict("", rpm, [knock.NumCovariates]float64{})
		out = append(out, KnockPoint{
			RPM: result.Number(rpm), LoadPct: result.Number(m.KnockRef.Load), SparkDeg: result.Number(mean),
			Interval90: result.Span{result.Number(mean - value.Z95*sd), result.Number(mean + value.Z95*sd)},
			Rows:       m.KnockSeen[b][0], Events: m.KnockSeen[b][1],
		})
	}
	return out
}
