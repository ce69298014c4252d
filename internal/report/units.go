package report

import (
	"fmt"
	"strings"

	"headroom/models/unit"
)

// display formats numbers in the units the reader asked for.
type display struct {
	pressure, temperature, torque unit.Unit
}

// choice is one display unit under the name the workspace configuration gives it.
type choice struct {
	key  string
	unit unit.Unit
}

var (
	pressures    = []choice{{"kPa", unit.Kilopascal}, {"bar", unit.Bar}, {"psi", unit.PSI}}
	temperatures = []choice{{"C", unit.Celsius}, {"F", unit.Fahrenheit}}
	torques      = []choice{{"Nm", unit.NewtonMetre}, {"lbfft", unit.PoundFoot}}
)

func newDisplay(u Units) (display, error) {
	var d display
	var err error
	if d.pressure, err = pick("pressure", u.Pressure, pressures); err != nil {
		return d, err
	}
	if d.temperature, err = pick("temperature", u.Temperature, temperatures); err != nil {
		return d, err
	}
	d.torque, err = pick("torque", u.Torque, torques)
	return d, err
}

func pick(quantity, key string, choices []choice) (unit.Unit, error) {
	if key == "" {
		return choices[0].unit, nil
	}
	keys := make([]string, len(choices))
	for i, c := range choices {
		if c.key == key {
			return c.unit, nil
		}
		keys[i] = c.key
	}
	return "", fmt.Errorf("unknown display unit %q for %s: use one of %s", key, quantity, strings.Join(keys, ", "))
}

// scale turns stored readings into shown ones: shown = stored·factor + offset. A difference has no offset.
type scale struct {
	name           string
	factor, offset float64
}

// of returns the scale of a stored unit. Results keep differences of temperature in K. A unit that has no display
// choice, or that the unit table does not know, is shown as it is stored.
func (d display) of(stored string) scale {
	from, err := unit.Parse(stored)
	if err != nil {
		return scale{name: stored, factor: 1}
	}
	to := from
	switch from.Quantity() {
	case unit.Pressure:
		to = d.pressure
	case unit.Temperature:
		to = d.temperature
	case unit.Torque:
		to = d.torque
	}
	if from == unit.Kelvin && to == unit.Celsius {
		return scale{name: "K", factor: 1}
	}
	factor, offset, err := unit.Linear(from, to)
	if err != nil {
		return scale{name: stored, factor: 1}
	}
	if from == unit.Kelvin {
		offset = 0
	}
	return scale{name: spelling(to), factor: factor, offset: offset}
}

// spelling is how a unit is printed.
func spelling(u unit.Unit) string {
	switch u {
	case unit.NewtonMetre:
		return "N·m"
	case unit.LambdaUnit:
		return "λ"
	case unit.One:
		return ""
	}
	return string(u)
}
