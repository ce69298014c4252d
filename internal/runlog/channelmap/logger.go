package channelmap

import (
	"fmt"
	"math"
)

// Logger is what a shop states of its loggers and of where its cars are logged, for the logs that do not say it. The
// zero value states nothing. It stands in headroom.yaml (of all logs), vehicles.csv (of a car's) and channels.yaml (of
// a logger's); what is nearer to the log goes first.
type Logger struct {
	Barometer float64  `yaml:"barometer_kpa,omitempty"` // kPa absolute, 50–110; 0: not stated
	Altitude  *float64 `yaml:"altitude_m,omitempty"`    // metres above the sea, −430–5000; nil: not stated
	Stoich    float64  `yaml:"afr_stoich,omitempty"`    // at which displays show λ 1, 5–20; 0: not stated
	LambdaLag float64  `yaml:"lambda_lag_s,omitempty"`  // s by which lambda trails engine speed, 0–5; 0: not stated
}

// Over is l with d where l states nothing. Barometer and altitude say one thing: stating either, l wants neither of d.
func (l Logger) Over(d Logger) Logger {
	if l.Barometer == 0 && l.Altitude == nil {
		l.Barometer, l.Altitude = d.Barometer, d.Altitude
	}
	if l.Stoich == 0 {
		l.Stoich = d.Stoich
	}
	if l.LambdaLag == 0 {
		l.LambdaLag = d.LambdaLag
	}
	return l
}

// Wrong names the key of the first value outside its range, what is wrong with it and what would be right; key is ""
// where all are right.
func (l Logger) Wrong() (key, what, remedy string) {
	out := func(v, low, high float64) bool { return v != 0 && !(v >= low && v <= high) }
	switch {
	case out(l.Barometer, 50, 110):
		return "barometer_kpa", fmt.Sprintf("%g is outside 50 to 110 kPa", l.Barometer),
			"give the pressure of the surrounding air in kPa, absolute, e.g. 98.5"
	case l.Altitude != nil && !(*l.Altitude >= -430 && *l.Altitude <= 5000):
		return "altitude_m", fmt.Sprintf("%g is outside -430 to 5000 m", *l.Altitude),
			"give the height above the sea in metres, e.g. 450"
	case out(l.Stoich, 5, 20):
		return "afr_stoich", fmt.Sprintf("%g is outside 5 to 20", l.Stoich),
			"give the air-fuel ratio that the display shows at lambda 1, e.g. 14.7"
	case out(l.LambdaLag, 0, 5):
		return "lambda_lag_s", fmt.Sprintf("%g is outside 0 to 5 s", l.LambdaLag),
			"give the seconds by which lambda trails engine speed, e.g. 0.3"
	}
	return "", "", ""
}

// Weather moves the barometer about the standard atmosphere of a place by this much, kPa, one standard deviation:
// common practice, no source.
const Weather = 1.0

// StandardPressure is that of the standard atmosphere in kPa at an altitude in metres below 11 000 (ISO 2533).
func StandardPressure(altitude float64) float64 {
	return 101.325 * math.Pow(1-altitude*0.0065/288.15, 5.255876)
}
