package assess

import (
	"slices"

	"headroom/internal/hazard"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/channel"
)

// sensorDoubts are what keeps a release away because a car's logs may not show what was there: a lambda sensor that
// reads off, a charge temperature that stands still, a knock channel that does not hear.
func (m *Model) sensorDoubts(car string) result.Reasons {
	var out result.Reasons
	if d, suspect := m.Doubts[car]; suspect {
		out = append(out, SuspectSensor{Steady: result.Number(d.Steady), Full: result.Number(d.Full),
			Leaner: result.Number(d.Leaner())})
	}
	if d, still := m.Still[car]; still {
		out = append(out, ChargeStoodStill{Runs: d.Runs, Pulls: d.Pulls, At: result.Number(d.At)})
	}
	if u, deaf := m.Unheard[car]; deaf {
		out = append(out, KnockNotHeard{Runs: u.Runs, Pulls: u.Pulls, Steady: u.Steady,
			Retard: result.Number(u.Retard), Chance: result.Number(u.Chance)})
	}
	for _, s := range m.apart[car] {
		if rests := restOn(s.Channel, s.Against); len(rests) > 0 {
			out = append(out, StandsApart{Suspect: s, Hazards: rests})
		}
	}
	return out
}

// restOn are the hazards that a log tells of by one of the channels. What is read of the surrounding air stands in
// manifold pressure wherever that was logged above it.
func restOn(ids ...channel.ID) []hazard.ID {
	if slices.Contains(ids, channel.BarometricPressure) {
		ids = append(ids, channel.ManifoldPressure)
	}
	out := []hazard.ID{}
	for _, h := range hazard.All() {
		if slices.ContainsFunc(h.Needs(), func(line []channel.ID) bool {
			return slices.ContainsFunc(line, func(id channel.ID) bool { return slices.Contains(ids, id) })
		}) {
			out = append(out, h.ID)
		}
	}
	return out
}

// mayNotHear asks whether knock would still be let through if the car's silent knock channel were dead: it is judged
// again as for a car whose knock was never logged, as it stands and under the stresses. What it finds is a doubt where
// a threshold is passed, else a note; neither for a car whose channel has moved.
func (m *Model) mayNotHear(b *bench, stresses []*bench) (doubt, note result.Reasons, err error) {
	quiet, silent := m.NeverMoved[b.car]
	if !silent || m.AloneWithPhysics() {
		return nil, nil, nil
	}
	knock, _ := hazard.Of(hazard.Knock)
	severity := m.severity(knock)
	for _, on := range append([]*bench{b}, stresses...) {
		unheard := *on
		unheard.car = ""
		e, _, err := m.knockEvaluation(&unheard, knock)
		if e == nil || err != nil {
			return nil, nil, err
		}
		said := MayNotHear{Pulls: quiet.Pulls, Steady: quiet.Steady, Silent: result.Number(quiet.Chance),
			Chance: result.Number(e.result.Probability), High: result.Number(e.result.High),
			Threshold: result.Unknown()}
		passing, threshold := e.result.High, m.decision().HoldProbability[severity]
		if on != b {
			under := stressOf(on.stress)
			said.Under, said.High = &under, result.Unknown()
			passing, threshold = e.result.Probability, m.decision().StressProbability[severity]
		}
		if passing > threshold {
			said.Threshold = result.Number(threshold)
			return result.Reasons{said}, nil, nil
		}
		if on == b {
			note = result.Reasons{said}
		}
	}
	return nil, note, nil
}

// notHeard reports whether it is said already that the car's logs did not hear knock.
func (r *Review) notHeard(h hazard.ID) bool {
	return h == hazard.Knock && slices.ContainsFunc(r.unshown, func(reason result.Reason) bool {
		_, deaf := reason.(KnockNotHeard)
		return deaf
	})
}

// mayBeLeaner is what is added to a metric because the car's lambda sensor reads rich; 0 for all but lambda.
func (m *Model) mayBeLeaner(q metric.ID, car string) float64 {
	if q != metric.Lambda {
		return 0
	}
	return m.Doubts[car].Leaner()
}

// knockAgainstPhysics notes in a knock summary that physics alone says where knock begins, and returns what contradicts
// it: clean logs past that limit, on which nothing can be decided.
func (m *Model) knockAgainstPhysics(h *Hazard) result.Reasons {
	if c := m.KnockAgainst; c != nil {
		against := CleanPastPhysics{Cars: c.Cars, Pulls: c.Pulls, Beyond: result.Number(c.Beyond),
			Chance: result.Number(c.Chance)}
		h.Status = result.Thin
		h.unproven = append(h.unproven, against)
		return result.Reasons{against}
	}
	if m.AloneWithPhysics() {
		h.unproven = append(h.unproven, NoKnockEvent{Cars: m.Knock.Cars, Pulls: m.KnockPulls})
	}
	return nil
}

// notProven says why a hazard that passes a threshold does not hold the revision.
func (h *Hazard) notProven(threshold float64, why result.Reasons) NotProven {
	return NotProven{Hazard: h.Hazard, Severity: h.Severity, Chance: h.ProbabilityPerPull, Interval90: h.Interval90,
		Threshold: result.Number(threshold), Why: why}
}

// unprovenAt is what keeps a hazard whose bound passes a threshold from holding the revision. Where the car never
// logged the metric the spread between cars makes the bound: it says what is not known of the car, and one pull with
// the channel would tell, so there the chance itself must pass.
func (h *Hazard) unprovenAt(threshold float64) result.Reasons {
	if h.unseen && float64(h.ProbabilityPerPull) <= threshold {
		return append(slices.Clone(h.unproven), NeverLogged{Lack: h.ownLack})
	}
	return h.unproven
}
