package report

import (
	"fmt"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/result"
)

// sensorReason says which logs may not show what was there, and what knock rests on where no log shows it.
func (w words) sensorReason(r result.Reason) string {
	switch r := r.(type) {
	case assess.KnockNotHeard:
		return fmt.Sprintf("knock was not heard: knock retard stands at %s through %s and %s of this car (%s), and a "+
			"car that listens would stay silent there with a chance of %s; check the knock sensor and the logged "+
			"channel, then log again", w.Value(r.Retard, "deg"), count(r.Pulls, "pull"),
			count(r.Steady, "steady stretch"), logNames(r.Runs), spokenShare(r.Chance))
	case assess.StandsApart:
		return fmt.Sprintf("%s; %s. Until that is settled %s on a reading that may be wrong", w.standsApart(&r.Suspect),
			apartRemedy(&r.Suspect), hazardsRest(r.Hazards))
	case assess.MayNotHear:
		return w.mayNotHear(&r)
	case assess.RecordAgainst:
		return fmt.Sprintf("%s: %d of %s on the parent crossed the limit, so %s or more of them do (95 %% sure), and "+
			"%s was computed for it (upper 90 %% bound %s): this car does what the fleet's model does not say; find "+
			"out why (fuel, sensor, deposits, a change of the car), and log again", plain(r.Hazard), r.Crossed,
			count(r.Of, "pull"), spokenShare(r.Low), show.Probability(r.Parent), show.Probability(r.High))
	case assess.MovesAgainst:
		through := r.Through
		if through == "air" {
			through = "boost, or another that is neither mixture nor spark"
		}
		return fmt.Sprintf("%s: by %s of %s it moved by %.2f ± %.2f of what the cycle gives a change of %s, where "+
			"about %.2f is expected, and which holds decides here; log two pulls on this revision with gentle "+
			"steps, then review again", plain(r.Hazard), count(r.Revisions, "past revision"), count(r.Cars, "car"),
			r.Shown, r.ShownSD, through, r.Expected)
	case assess.LimitMovesAgainst:
		return fmt.Sprintf("knock: %s of %s show the limit moving by %+.2g ± %.2g° of spark a unit of %s (%s), where "+
			"the cycle gives %+.2g, and which holds decides here; log two pulls on this revision with gentle steps, "+
			"then review again", count(r.Pulls, "pull"), count(r.Cars, "car"), r.Shown, r.ShownSD, r.Covariate, r.Unit,
			r.Expected)
	case assess.LogsOffTable:
		return fmt.Sprintf("the %s in %s of %s lies %s from its own table: were they made on another revision, or is "+
			"the channel another one? File the logs under what the car ran, then review again", plain(r.Role),
			count(r.Pulls, "pull"), r.Revision, w.Change(r.By, r.Unit))
	case assess.ChargeBelowAmbient:
		return fmt.Sprintf("charge temperature in %s lies %s below ambient, which no intercooler does: its sensor or "+
			"channel is wrong, or ambient is; mend it, then log again", count(r.Pulls, "pull"), w.Value(r.By, "K"))
	case assess.HigherThanLogged:
		return fmt.Sprintf("the climate of headroom.yaml goes down to %s and no log was made below %s: turbine speed "+
			"and boost control in air that thin are in no log; log there, or keep the car below",
			w.Value(r.Climate, "kPa"), w.Value(r.Logged, "kPa"))
	case assess.ClimateUnused:
		return fmt.Sprintf("the climate of headroom.yaml was not used: %d of %s do not say how warm the day was; "+
			"fill in ambient_c in runs.csv", r.Pulls, count(r.Of, "judged pull"))
	case assess.ChargeStoodStill:
		return fmt.Sprintf("charge temperature stands at %s through %s of this car (%s), boost or not: its sensor or "+
			"channel is dead and was left out; mend it, then log again", w.Value(r.At, "°C"),
			count(r.Pulls, "pull"), logNames(r.Runs))
	case assess.CleanPastPhysics:
		return fmt.Sprintf("no knock in %s of %s with spark %s past the knock limit that physics gives: either "+
			"physics is wrong for this engine (check burn and fuel in the platform file) or knock was not heard "+
			"(check the sensor and its channel)", count(r.Pulls, "pull"), count(r.Cars, "car"),
			w.Value(r.Beyond, "deg"))
	case assess.NoKnockEvent:
		return fmt.Sprintf("no knock in %s of %s: how much more spark they take is physics alone; add spark in small "+
			"steps and log each", count(r.Pulls, "pull"), count(r.Cars, "car"))
	case assess.NotProven:
		said := fmt.Sprintf("%s: %s of pulls would cross the limit (90 %% interval %s, %s allowed for a %s hazard)",
			plain(r.Hazard), spokenShare(r.Chance), show.Probabilities(r.Interval90), show.Probability(r.Threshold),
			r.Severity)
		if r.Run {
			return said + " by a calculation that no log can check. The same calculation puts pulls that were run as " +
				"near to the limit: go no further without a cylinder-pressure trace"
		}
		return said + ", but the evidence does not show it: " + w.joined(r.Why)
	}
	return ""
}

func (w words) mayNotHear(r *assess.MayNotHear) string {
	if !r.Threshold.Known() {
		return fmt.Sprintf("knock retard never moves in any log of this car (%s, %s), as in %s of cars whose channel "+
			"works; knock passes without these logs too (%s of pulls), but check that the knock sensor hears",
			count(r.Pulls, "pull"), count(r.Steady, "steady stretch"), spokenShare(r.Silent), spokenShare(r.Chance))
	}
	with, bound := "", fmt.Sprintf(" (upper 90 %% bound %s, %s allowed)", show.Probability(r.High),
		show.Probability(r.Threshold))
	if r.Under != nil {
		with, bound = " with "+w.stress(*r.Under), fmt.Sprintf(" (%s allowed)", show.Probability(r.Threshold))
	}
	return fmt.Sprintf("knock retard never moves in any log of this car (%s, %s), as in %s of cars whose channel "+
		"works; if this one's does not, %s of pulls would knock past the limit%s%s: check that the knock sensor "+
		"hears, or log a pull in which knock retard moves", count(r.Pulls, "pull"), count(r.Steady, "steady stretch"),
		spokenShare(r.Silent), spokenShare(r.Chance), with, bound)
}
