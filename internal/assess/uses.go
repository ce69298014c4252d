package assess

import (
	"cmp"

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
func (m *Model) overUses(r *Review, b *bench) error {
	uses := m.usesOf(b)
	asked := make([]risk.Use, len(uses))
	for i, u := range uses {
		asked[i] = risk.Use{Days: u.Days, Pulls: u.Pulls}
	}
	for i := range r.Hazards {
		h := &r.Hazards[i]
		e := r.worst[h.Hazard]
		if e == nil {
			continue
		}
		chances, err := risk.OverUse(e.problem, asked, stressDraws, m.seed)
		if err != nil {
			return err
		}
		for k, c := range chances {
			h.Uses = append(h.Uses, UseChance{Use: uses[k].Name, Days: uses[k].Days, PullsEachDay: uses[k].Pulls,
				Probability: result.Number(c.Probability),
				Interval90:  result.Span{result.Number(c.Low), result.Number(c.High)}})
		}
	}
	return nil
}
