package assess

import (
	"cmp"
	"fmt"

	"headroom/internal/evidence"
	"headroom/internal/result"
	"headroom/internal/workspace"
	"headroom/models/risk"
)

// UseChance is the chance that any pull of a use crosses a limit, with days and the car kept as they are: all pulls are
// of one car, those of a day have its weather and tank.
type UseChance struct {
	Use          string        `json:"use"`
	Days         int           `json:"days"`
	PullsEachDay int           `json:"pulls_each_day"`
	Probability  result.Number `json:"probability"`
	Interval90   result.Span   `json:"interval90"`
}

// asLogged is what the use is called that is the car's own logs again.
const asLogged = "its logs again"

// usesOf are the workspace's uses, and for one car the days and pulls of its judged logs over again.
func (m *Model) usesOf(b *bench) []workspace.Use {
	uses := m.ws.Config.Uses
	if b.car == "" || b.onlyCar() == "" {
		return uses
	}
	days, pulls := evidence.NewIndex[string](), evidence.NewIndex[string]()
	for i := range b.visits {
		r := b.visits[i].Row
		days.Of(cmp.Or(r.Date, r.Run))
		pulls.Of(evidence.PullID(r))
	}
	each := (len(pulls.Keys) + len(days.Keys) - 1) / len(days.Keys)
	return append(uses[:len(uses):len(uses)], workspace.Use{Name: asLogged, Days: len(days.Keys), Pulls: each})
}

// overUses fills in the chances of a review's hazards over uses, each of its limit most likely to be crossed.
func (j *Job) overUses(r *Review) error {
	asked := make([]risk.Use, len(r.uses))
	for i, u := range r.uses {
		asked[i] = risk.Use{Days: u.Days, Pulls: u.Pulls}
	}
	for i := range r.Hazards {
		h := &r.Hazards[i]
		e := r.worst[h.Hazard]
		if e == nil {
			continue
		}
		chances, err := risk.OverUse(e.problem, asked, stressDraws, j.Seed())
		if err != nil {
			return fmt.Errorf("revision %s, %s over a use: %w", r.Revision, h.Hazard, err)
		}
		for k, c := range chances {
			u := r.uses[k]
			h.Uses = append(h.Uses, UseChance{Use: u.Name, Days: u.Days, PullsEachDay: u.Pulls,
				Probability: result.Number(c.Probability),
				Interval90:  result.Span{result.Number(c.Low), result.Number(c.High)}})
		}
	}
	return nil
}
