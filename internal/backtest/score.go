package backtest

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"

	"headroom/internal/assess"
	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/lifetime"
	"headroom/models/risk"
)

// score fills the record of every hazard and of all together.
func (r *Record) score(job *assess.Job) error {
	seed := job.Seed()
	for _, h := range hazard.All() {
		mine := []Prediction{}
		for _, p := range r.Predictions {
			if p.Hazard == h.ID {
				mine = append(mine, p)
			}
		}
		s, err := scoreOf(h.ID, mine, seed)
		if err != nil {
			return fmt.Errorf("score of %s: %w", h.ID, err)
		}
		if len(mine) == 0 {
			s.Reasons = result.Reasons{neverScored(job.Workspace(), h)}
		}
		r.Hazards = append(r.Hazards, s)
	}
	var err error
	if r.Overall, err = scoreOf(AllHazards, r.Predictions, seed); err != nil {
		return fmt.Errorf("score of all hazards: %w", err)
	}
	if r.Overall.SkillBase.Known() {
		r.Overall.Reasons = append(r.Overall.Reasons, HazardsMixed{})
	}
	return nil
}

// neverScored says why a hazard has no record.
func neverScored(ws *workspace.Workspace, h hazard.Info) result.Reason {
	if h.ID == hazard.Knock {
		return NoKnock{}
	}
	if !slices.ContainsFunc(h.Metrics, measurable) {
		return NotMeasurable{Metrics: h.Metrics}
	}
	limited := slices.ContainsFunc(slices.Sorted(maps.Keys(ws.Platforms)),
		func(id string) bool { return len(ws.Platforms[id].LimitsFor(h.ID)) > 0 })
	if !limited {
		return NoLimits{}
	}
	return NeverBoth{Metrics: h.Metrics}
}

func measurable(id metric.ID) bool {
	m, ok := metric.Of(id)
	return ok && m.Measurable()
}

// scoreOf is the record of some predictions.
func scoreOf(id hazard.ID, predictions []Prediction, seed uint64) (Score, error) {
	none := result.Unknown()
	s := Score{
		Hazard: id, Status: StatusNotScored, BaseRate: none, Stated: none, Brier: none, BrierBase: none,
		BrierNaive: none,
		SkillBase:  none, SkillBase90: result.Span{none, none}, SkillNaive: none, SkillNaive90: result.Span{none, none},
		LogScore: none, LogScoreBase: none, CalibrationError: none, Reliability: []Bin{},
		Bands: Bands{CountsExpected: none, Margins90: result.Span{none, none}},
	}
	if len(predictions) == 0 {
		s.Reasons = result.Reasons{NothingPredicted{}}
		return s, nil
	}
	s.Status = StatusScored
	stated, base, naive := s.count(predictions)
	if err := s.scores(stated, base, naive); err != nil {
		return s, err
	}
	if err := s.skills(groupsOf(predictions), stated, base, naive, seed); err != nil {
		return s, err
	}
	return s, s.calibration(stated)
}

// count adds up what was seen and returns the forecasts of the estimator, the base rate and the naive rule.
func (s *Score) count(predictions []Prediction) (stated, base, naive []risk.Forecast) {
	revisions, thin := map[string]bool{}, map[string]bool{}
	expected, of, b := 0.0, 0.0, 0.0
	for _, p := range predictions {
		revisions[p.Revision] = true
		if p.Status == result.Thin {
			thin[p.Revision] = true
		}
		s.Pulls += p.Pulls
		s.Crossed += p.Crossed
		stated = append(stated, risk.Forecast{Probability: float64(p.ProbabilityPerPull), Pulls: p.Pulls,
			Crossed: p.Crossed})
		base = append(base, risk.Forecast{Probability: float64(p.BaseRate), Pulls: p.Pulls, Crossed: p.Crossed})
		naive = append(naive, risk.Forecast{Probability: float64(p.Naive), Pulls: p.Pulls, Crossed: p.Crossed})
		of += float64(p.ProbabilityPerPull) * float64(p.Pulls)
		b += float64(p.BaseRate) * float64(p.Pulls)
		s.Bands.Counts++
		if p.Inside {
			s.Bands.CountsHeld++
		}
		expected += p.expected
		for _, m := range p.Margins {
			s.Bands.Margins += m.Pulls
			s.Bands.MarginsHeld += m.Held
			s.Bands.MarginsBelow += m.Below
		}
	}
	s.Revisions, s.ThinRevisions = len(revisions), len(thin)
	s.Stated, s.BaseRate = result.Number(of/float64(s.Pulls)), result.Number(b/float64(s.Pulls))
	s.Bands.CountsExpected = result.Number(expected / float64(s.Bands.Counts))
	return stated, base, naive
}

func (s *Score) scores(stated, base, naive []risk.Forecast) error {
	for _, x := range []struct {
		to *result.Number
		of []risk.Forecast
	}{{&s.Brier, stated}, {&s.BrierBase, base}, {&s.BrierNaive, naive}} {
		v, err := risk.Brier(x.of)
		if err != nil {
			return err
		}
		*x.to = result.Number(v)
	}
	for _, x := range []struct {
		to *result.Number
		of []risk.Forecast
	}{{&s.LogScore, stated}, {&s.LogScoreBase, base}} {
		v, err := risk.LogScore(x.of, LogScoreFloor)
		if err != nil {
			return err
		}
		*x.to = result.Number(v)
	}
	return nil
}

// groupsOf numbers each prediction's revision, in order.
func groupsOf(predictions []Prediction) []int {
	numbers := map[string]int{}
	out := make([]int, len(predictions))
	for i, p := range predictions {
		if _, ok := numbers[p.Revision]; !ok {
			numbers[p.Revision] = len(numbers)
		}
		out[i] = numbers[p.Revision]
	}
	return out
}

// skills compares with the base rate and with the naive rule, unless the outcomes are all alike.
func (s *Score) skills(groups []int, stated, base, naive []risk.Forecast, seed uint64) error {
	switch {
	case s.Crossed == 0:
		s.Reasons = result.Reasons{NoneCrossed{}}
		return nil
	case s.Crossed == s.Pulls:
		s.Reasons = result.Reasons{AllCrossed{}}
		return nil
	}
	if s.Revisions < fewRevisions {
		s.Reasons = result.Reasons{SkillOrLuck{Revisions: s.Revisions}}
	}
	for i, x := range []struct {
		skill    *result.Number
		interval *result.Span
		brier    result.Number
		of       []risk.Forecast
	}{{&s.SkillBase, &s.SkillBase90, s.BrierBase, base}, {&s.SkillNaive, &s.SkillNaive90, s.BrierNaive, naive}} {
		v, err := risk.Skill(float64(s.Brier), float64(x.brier))
		if err != nil {
			return err
		}
		*x.skill = result.Number(v)
		if s.Revisions < 2 {
			continue
		}
		low, high, err := risk.SkillInterval(sums(groups, stated), sums(groups, x.of), skillResamples,
			rand.New(rand.NewPCG(seed, uint64(i))))
		if err != nil {
			return err
		}
		*x.interval = result.Span{result.Number(low), result.Number(high)}
	}
	return nil
}

// sums adds up squared errors by revision.
func sums(groups []int, forecasts []risk.Forecast) []float64 {
	out := make([]float64, slices.Max(groups)+1)
	for i, f := range forecasts {
		out[groups[i]] += f.SquaredError()
	}
	return out
}

// calibration fills the reliability table, its error, and the interval of the margin bands.
func (s *Score) calibration(stated []risk.Forecast) error {
	bins, err := risk.Reliability(stated, reliabilityEdges)
	if err != nil {
		return err
	}
	s.CalibrationError = result.Number(risk.CalibrationError(bins))
	for _, b := range bins {
		in, err := lifetime.ShareInterval(b.Crossed, b.Pulls, 0.9)
		if err != nil {
			return err
		}
		s.Reliability = append(s.Reliability, Bin{
			Stated: result.Span{result.Number(b.From), result.Number(b.To)}, Mean: result.Number(b.Mean),
			Observed:   result.Number(b.Share),
			Interval90: result.Span{result.Number(in.Low), result.Number(in.High)}, Predicted: b.Forecasts,
			Pulls: b.Pulls, Crossed: b.Crossed,
		})
	}
	if s.Bands.Margins == 0 {
		return nil
	}
	in, err := lifetime.ShareInterval(s.Bands.MarginsHeld, s.Bands.Margins, 0.9)
	if err != nil {
		return err
	}
	s.Bands.Margins90 = result.Span{result.Number(in.Low), result.Number(in.High)}
	return nil
}
