package report

import (
	"fmt"

	"headroom/internal/assess"
	"headroom/internal/report/show"
	"headroom/internal/result"
)

// burnTaken says where the burn angles come from.
func burnTaken(r *assess.BurnTaken) string {
	why := "The platform file has no burn section: those usual for such an engine stand in"
	switch {
	case r.Given && r.Known == "":
		why = "The platform file does not say how its burn section is known: it is taken as a guess, and what is " +
			"usual for such an engine weighs more"
	case r.Given && r.Known == "guess":
		why = "Those of the platform file are a guess: what is usual for such an engine weighs more"
	case r.Given:
		why = "Those of the platform file are weighed against what is usual for such an engine"
	}
	fit := ""
	if r.Cars > 0 {
		fit = fmt.Sprintf(", moved by the torque that %s logged", count(r.Cars, "car"))
	}
	return fmt.Sprintf("Burn angles are not measured. %s%s. Ignition lag is taken as %s, burn duration as %s; "+
		"cylinder pressure, knock, torque and exhaust temperature are less sure for it. A cylinder-pressure trace "+
		"would settle it.", why, fit, plusMinus(r.Lag, r.LagSD), plusMinus(r.Duration, r.DurationSD))
}

// plusMinus is an angle with its deviation.
func plusMinus(v, sd result.Number) string {
	return show.Number(v, 1) + " ± " + show.Number(sd, 1) + "°"
}
