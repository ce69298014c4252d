package report

import (
	"fmt"
	"strconv"
	"strings"

	"headroom/internal/hazard"
	"headroom/internal/landmark"
	"headroom/models/channel"
)

// spokenLandmarks are landmarks as they are spoken of.
var spokenLandmarks = map[landmark.ID]string{
	landmark.SteadyLambda:      "lambda where the control unit holds it at 1",
	landmark.CommandedStands:   "the commanded lambda that part throttle stands at",
	landmark.KeyOn:             "manifold pressure with the engine at rest, over the barometer,",
	landmark.AirAtRest:         "manifold pressure with the engine at rest, over the air that is stated,",
	landmark.Surroundings:      "the barometer, over the air that is stated,",
	landmark.RailAtIdle:        "rail pressure at idle",
	landmark.WarmCoolant:       "coolant once warm",
	landmark.WarmOil:           "oil once warm",
	landmark.ChargeOverAir:     "charge temperature at part throttle, over ambient,",
	landmark.FullExhaust:       "exhaust temperature at full throttle",
	landmark.FlowPerPressure:   "air flow at full throttle for its manifold pressure",
	landmark.LoadPerPressure:   "absolute load at full throttle for its manifold pressure",
	landmark.TorquePerPressure: "torque at full throttle for its manifold pressure",
	landmark.ChargingVoltage:   "voltage with the engine turning",
}

// standsApart says what logs read and what those of the other cars do.
func (w words) standsApart(s *landmark.Suspect) string {
	reads := fmt.Sprintf("reads %.3g times what it does on the other %s (sound cars differ by some %.2g %%)",
		float64(s.Reads), count(s.Cars-1, "car"), 100*float64(s.Spread))
	if s.Form != landmark.Factor {
		d, _ := channel.Lookup(s.Channel)
		as := w.Value
		if s.Form == landmark.Difference {
			as = w.Change
		}
		stored := string(d.Unit)
		reads = fmt.Sprintf("reads %s, on the other %s %s (sound cars differ by some %s)", as(s.Reads, stored),
			count(s.Cars-1, "car"), as(s.Others, stored), w.Difference(s.Spread, stored))
	}
	return fmt.Sprintf("%s (column %q) %s in %d of %s", spokenLandmarks[s.Landmark], s.Column, reads, len(s.Logs),
		count(s.Of, "log"))
}

// apartRemedy is what would bring the reading to where the others are, and the line to write.
func apartRemedy(s *landmark.Suspect) string {
	switch c := s.Cause; {
	case c.Stoich > 0:
		stoich := strconv.FormatFloat(c.Stoich, 'f', -1, 64)
		return fmt.Sprintf("its display looks scaled by %s, not by %.4g; if it is, write afr_stoich %s for the car in "+
			"vehicles.csv", stoich, c.From, stoich)
	case c.Unit != "":
		return fmt.Sprintf("it looks like %s, not %s; if it is, write in channels.yaml: {header: %q, channel: %s, "+
			"unit: %s}", c.Unit, c.Was, s.Column, s.Channel, c.Unit)
	case s.Landmark == landmark.Surroundings || s.Landmark == landmark.AirAtRest:
		return "if the car runs at another height, write its altitude_m in vehicles.csv; else check the sensor"
	}
	return fmt.Sprintf("no unit explains it; check the sensor, or write in channels.yaml: {header: %q, channel: %s, "+
		"scale: …, offset: …}", s.Column, s.Channel)
}

// hazardsRest is "knock and lean mixture rest", or "knock rests".
func hazardsRest(ids []hazard.ID) string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = plain(id)
	}
	if len(names) == 1 {
		return names[0] + " rests"
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1] + " rest"
}
