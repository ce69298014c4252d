package show

import (
	"fmt"
	"strings"

	"headroom/models/unit"
)

// Units are the display units. The fields and their types are those of the workspace's display settings, so one
// converts to the other. Empty means the first unit named.
type Units struct {
	Pressure    string // kPa | bar | psi
	Temperature string // C | F
	Torque      string // Nm | lbfft; power follows in kW or hp
}

// Display writes numbers in the units the reader asked for. Make one with NewDisplay.
type Display struct {
	pressure, temperature, torque, power unit.Unit
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

// powerBeside is the unit of power that goes with one of torque; nobody who reads torque in lbf·ft reads power in kW.
var powerBeside = map[unit.Unit]unit.Unit{unit.NewtonMetre: unit.Kilowatt, unit.PoundFoot: unit.Horsepower}

// NewDisplay returns the display in the given units. The error, for a unit that is not known, lists the choices.
func NewDisplay(u Units) (Display, error) {
	var d Display
	var err error
	if d.pressure, err = pick("pressure", u.Pressure, pressures); err != nil {
		return d, err
	}
	if d.temperature, err = pick("temperature", u.Temperature, temperatures); err != nil {
		return d, err
	}
	d.torque, err = pick("torque", u.Torque, torques)
	d.power = powerBeside[d.torque]
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

// Scale turns stored readings into shown ones: shown = stored·factor + offset. A difference has no offset.
type Scale struct {
	Name           string // of the unit, as it is printed; "" without one
	Factor, Offset float64
}

// Of returns the scale of a stored unit. Results keep differences of temperature in K. A unit that has no display
// choice, or that the unit table does not know, is shown as it is stored.
func (d Display) Of(stored string) Scale {
	from, err := unit.Parse(stored)
	if err != nil {
		return Scale{Name: stored, Factor: 1}
	}
	to := from
	switch from.Quantity() {
	case unit.Pressure:
		to = d.pressure
	case unit.Temperature:
		to = d.temperature
	case unit.Torque:
		to = d.torque
	case unit.Power:
		to = d.power
	}
	if from == unit.Kelvin && to == unit.Celsius {
		return Scale{Name: "K", Factor: 1}
	}
	factor, offset, err := unit.Linear(from, to)
	if err != nil {
		return Scale{Name: stored, Factor: 1}
	}
	if from == unit.Kelvin {
		offset = 0
	}
	return Scale{Name: spelling(to), Factor: factor, Offset: offset}
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
