package header

import (
	"strings"
)

// aliases turns the trade's abbreviations and spelling variants into the words of the synonym table.
var aliases = map[string]string{
	"eng": "engine", "spd": "speed", "veh": "vehicle", "vss": "vehicle speed", "revs": "rpm", "crank": "crankshaft",
	"temp": "temperature", "temps": "temperature", "tmp": "temperature", "press": "pressure", "pres": "pressure",
	"prs": "pressure",
	"pos": "position", "posn": "position", "tps": "throttle position", "thr": "throttle",
	"app": "accelerator pedal position", "accel": "accelerator",
	"ect": "engine coolant temperature", "clt": "coolant temperature", "iat": "intake air temperature",
	"mat":  "manifold air temperature",
	"cact": "charge air cooler temperature", "aat": "ambient air temperature", "oat": "outside air temperature",
	"eot": "engine oil temperature",
	"egt": "exhaust gas temperature", "map": "manifold absolute pressure", "maf": "mass air flow", "baro": "barometric",
	"bap": "barometric absolute pressure",
	"atm": "atmospheric", "stft": "short term fuel trim", "ltft": "long term fuel trim", "ign": "ignition",
	"adv": "advance", "tmg": "timing",
	"kr": "knock retard", "ret": "retard", "wgdc": "wastegate duty cycle", "wg": "wastegate", "dc": "duty cycle",
	"idc": "injector duty cycle",
	"inj": "injector", "injectors": "injector", "ipw": "injector pulse width", "pw": "pulse width",
	"pulsewidth": "pulse width", "frp": "fuel rail pressure",
	"batt": "battery", "bat": "battery", "vbat": "battery voltage", "volt": "voltage", "volts": "voltage",
	"etoh": "ethanol", "eth": "ethanol",
	"camshaft": "cam", "int": "intake", "exh": "exhaust", "cat": "catalyst", "tq": "torque", "trq": "torque",
	"lam": "lambda", "λ": "lambda",
	"wb": "wideband", "cmd": "target", "commanded": "target", "command": "target", "tgt": "target", "targ": "target",
	"des": "target", "desired": "target",
	"req": "target", "requested": "target", "request": "target", "setpoint": "target", "goal": "target",
	"specified": "target", "demanded": "target",
	"act": "actual", "meas": "measured", "equiv": "equivalence", "eq": "equivalence", "eqr": "equivalence ratio",
	"phi": "equivalence ratio", "φ": "equivalence ratio",
	"calc": "calculated", "abs": "absolute", "rel": "relative", "avg": "average", "cyl": "cylinder",
	"throt": "throttle", "airflow": "air flow",
	"cor": "correction", "corr": "correction", "pct": "percent", "percentage": "percent", "perc": "percent",
	"sens": "sensor", "amb": "ambient",
	"lvl": "level", "cont": "content", "advance angle": "advance", "rail1": "rail", "learn": "learned",
	"lrn": "learned", "adaptive": "learned", "adapt": "learned", "o2": "oxygen",
	"secs": "seconds", "sec": "seconds", "msec": "milliseconds", "runtime": "run time", "datetime": "date time",
	"ts": "timestamp", "timestamps": "timestamp", "mech": "mechanical",
	"idx": "index", "trims": "trim", "turbocharger": "turbo", "lat": "latitude", "lng": "longitude", "lon": "longitude",
}

// neutral words say nothing about which quantity a column holds.
var neutral = wordSet("actual measured current value sensor signal input reading the of data sae percent " +
	"instantaneous live")

// blocking words are known, so that they are never taken for a misspelling of another word; a header with one of them
// is some other quantity unless the synonym asks for the word.
var blocking = wordSet(`
	limit maximum minimum max min peak voltage transmission gearbox clutch turbo pump purge evaporative vapor
	distance codes cleared trouble warm ups mil since run start error deviation difference delta correction
	compensation offset raw average estimated modelled status state flag switch relative absolute wheel tire
	tyre lateral longitudinal acceleration yaw steering brake brakes cooling fan differential heater cabin
	cooler inlet outlet pre post front rear left right lean rich loop closed open level consumption economy
	economic oxygen resistance current idle ratio final drive power horsepower odometer trip latitude longitude
	altitude heading boost cruise window dwell coil spool response counter count number index filter cut rate
	rotor twin stage monitor version wide wire fire rating`)

func wordSet(s string) map[string]bool {
	set := map[string]bool{}
	for _, w := range strings.Fields(s) {
		set[w] = true
	}
	return set
}

// timeWords may appear in the header of a time column.
var timeWords = wordSet(`
	time timestamp stamp elapsed clock date seconds milliseconds microseconds minutes s ms run engine log
	logging session recording record relative absolute local system utc since start offset of day the total
	sample device t timer test`)

// timeCore are the words of which a time column's header must have one.
var timeCore = wordSet("time timestamp elapsed clock date seconds milliseconds s ms t timer")

// indexWords are those of a header of a column that counts samples.
var indexWords = wordSet("sample samples index row record line number no counter count")

// vocabulary is every word the reader knows.
var vocabulary = func() map[string]bool {
	v := map[string]bool{}
	for _, set := range []map[string]bool{neutral, blocking, timeWords} {
		for w := range set {
			v[w] = true
		}
	}
	for alias, words := range aliases {
		v[alias] = true
		for _, w := range strings.Fields(words) {
			v[w] = true
		}
	}
	for _, s := range synonyms {
		for _, w := range strings.Fields(s.words) {
			v[w] = true
		}
	}
	return v
}()
