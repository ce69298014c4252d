package header

import (
	"strings"

	"headroom/models/channel"
	"headroom/models/unit"
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
	"meas": "measured", "equiv": "equivalence", "eq": "equivalence", "eqr": "equivalence ratio",
	"phi": "equivalence ratio", "φ": "equivalence ratio",
	"calc": "calculated", "abs": "absolute", "rel": "relative", "avg": "average", "cyl": "cylinder",
	"throt": "throttle", "airflow": "air flow",
	"cor": "correction", "corr": "correction", "pct": "percent", "percentage": "percent", "perc": "percent",
	"sens": "sensor", "amb": "ambient",
	"shrtft": "short term fuel trim", "longft": "long term fuel trim", "sparkadv": "spark advance",
	"tp": "throttle position", "vpwr": "module voltage", "fli": "fuel level", "alch": "alcohol fuel",
	"catemp": "catalyst temperature", "eqrat": "equivalence ratio", "rat": "ratio", "cac": "charge air cooler",
	"act": "actual", "uego": "wideband", "pid": "value", "airmass": "air mass",
	"spk": "spark", "thrott": "throttle", "clnt": "coolant", "cool": "coolant", "exhst": "exhaust",
	"mnfld": "manifold", "man": "manifold", "bst": "boost", "brm": "barometric", "knk": "knock",
	"fb": "feedback", "ltrim": "long trim", "strim": "short trim", "st": "short term", "lt": "long term",
	"vehspd": "vehicle speed", "engspd": "engine speed", "tmap": "manifold absolute pressure",
	"frt": "fuel rail temperature", "vvt": "cam", "vct": "cam", "wot": "wide throttle", "outdoor": "outside",
	"hpfp": "high pressure fuel", "trans": "transmission",
	"lvl": "level", "cont": "content", "advance angle": "advance", "rail1": "rail", "learn": "learned",
	"lrn": "learned", "adaptive": "learned", "adapt": "learned", "o2": "oxygen",
	"secs": "seconds", "sec": "seconds", "msec": "milliseconds", "runtime": "run time", "datetime": "date time",
	"ts": "timestamp", "timestamps": "timestamp", "mech": "mechanical",
	"idx": "index", "trims": "trim", "turbocharger": "turbo", "lat": "latitude", "lng": "longitude", "lon": "longitude",
}

// neutral words say nothing about which quantity a column holds.
var neutral = wordSet("actual measured current value sensor signal input reading the of data sae percent " +
	"instantaneous live ecu ecm pcm obd obdii can bus channel ch logger log logged internal external main primary " +
	"from for in by at total meter analog digital serial display displayed number no")

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
	rotor twin stage monitor version wide wire fire rating vacuum narrow narrowband heater exchanger adjust adjusted
	adjustment modifier multiplier factor gain bias limiter limited ceiling floor threshold hysteresis
	setting calibration map table cell entry base basic initial minimal maximal mean median peak rms virtual
	estimate calculation inferred predicted simulated modeled model theoretical
	upstream downstream before after behind airbox box compressor turbine shaft propshaft input output
	crankcase egr recirculation particulate diesel dpf urea reductant nox ammonia soot hydraulic servo
	refrigerant conditioning compressor alternator generator starter lamp light door seat belt
	humidity rain wiper axle transfer differential diff gear hub caliper disc pad fluid master
	reservoir suspension damper ride height pitch roll yaw gyro gyroscope lap sector track split corner
	dyno roller wheels horsepower power kilowatts work energy economy mileage range remaining
	counts sum integral derivative slope gradient roc deceleration jerk
	misfire roughness vibration noise level intensity energy background
	duty frequency hz pwm resistance ohms impedance
	head block metal skin surface cylinder liner piston bearing
	lift pump supply return feed low secondary auxiliary aux spare user custom formula math
	enrichment enleanment fueling fuelling acceleration transient warmup afterstart cranking crank_over
	solenoid valve actuator motor stepper bypass blow blowoff recirc diverter vent
	phase fault dtc code codes status active enabled enable allowed permitted
	launch traction antilag nitrous methanol wmi meth spray co2 n2o
	timer delay hours minutes days
	idle overrun decel coast cut shift upshift downshift clutch kickdown
	coil dwell plug gap`)

// familiar are further words that go with a channel and leave it what it is. Synonyms ask for the words without which
// a header does not mean the channel; these may stand beside them in any number and order.
var familiar = map[channel.ID]map[string]bool{
	channel.EngineSpeed:        wordSet("engine rpm speed crankshaft revolutions rotational"),
	channel.VehicleSpeed:       wordSet("vehicle speed road car"),
	channel.Gear:               wordSet("gear position transmission engaged gearbox"),
	channel.ThrottlePosition:   wordSet("throttle position absolute opening plate valve body angle"),
	channel.PedalPosition:      wordSet("accelerator pedal position throttle gas"),
	channel.CalculatedLoad:     wordSet("calculated engine load"),
	channel.AbsoluteLoad:       wordSet("absolute engine load"),
	channel.MassAirFlow:        wordSet("mass air flow intake rate engine"),
	channel.ManifoldPressure:   wordSet("manifold absolute pressure intake inlet air engine plenum"),
	channel.BarometricPressure: wordSet("barometric atmospheric ambient absolute pressure air"),
	channel.ChargeTemperature:  wordSet("charge air manifold intake inlet temperature plenum engine"),
	channel.AmbientTemperature: wordSet("ambient outside air temperature"),
	channel.CoolantTemperature: wordSet("engine coolant water temperature"),
	channel.OilTemperature:     wordSet("engine oil temperature sump"),
	channel.ExhaustTemperature: wordSet("exhaust gas temperature manifold"),
	channel.SparkAdvance: wordSet("spark ignition timing advance angle final delivered before top dead centre " +
		"center overall engine"),
	channel.KnockRetard: wordSet("knock retard ignition timing spark angle control feedback degrees"),
	channel.KnockRetardLearned: wordSet("knock retard ignition timing spark angle control learned long term " +
		"correction"),
	channel.Lambda: wordSet("lambda afr air fuel ratio wideband oxygen exhaust mixture relative equivalence wide " +
		"range engine"),
	channel.ShortTermTrim: wordSet("short term fuel trim correction feedback"),
	channel.LongTermTrim:  wordSet("long term fuel trim learned correction"),
	channel.InjectorPulse: wordSet("injector injection pulse width time fuel on open opening duration"),
	channel.InjectorDuty:  wordSet("injector injection duty cycle fuel"),
	channel.RailPressure:  wordSet("fuel rail pressure high common gauge relative absolute injection"),
	channel.EthanolShare:  wordSet("ethanol alcohol content fuel flex share concentration percent"),
	channel.IntakeCam:     wordSet("intake inlet cam position angle advance"),
	channel.ExhaustCam:    wordSet("exhaust cam position angle advance"),
	channel.WastegateDuty: wordSet("wastegate boost solenoid control duty cycle valve turbo pressure"),
	channel.Torque:        wordSet("torque engine brake flywheel crankshaft"),
	channel.ModuleVoltage: wordSet("module control battery system supply voltage engine"),
	channel.FuelLevel:     wordSet("fuel tank level remaining"),
}

// certain channels are named by words that other parts of a car share: an unknown word beside them may say which part,
// whatever the unit.
var certain = map[channel.ID]bool{
	channel.EngineSpeed: true, channel.VehicleSpeed: true, channel.Gear: true, channel.OilTemperature: true,
	channel.Torque: true, channel.ModuleVoltage: true, channel.FuelLevel: true, channel.CalculatedLoad: true,
	channel.BarometricPressure: true, channel.AmbientTemperature: true, channel.WastegateDuty: true,
	channel.IntakeCam: true, channel.ExhaustCam: true, channel.RailPressure: true,
}

// strangers is what an unknown word costs beside a written unit that fits, by what the unit measures: common practice,
// no source. Few columns of an engine's log are in degrees, milliseconds, grams a second, air–fuel ratio or a gas's
// pressure; many are temperatures, shares and voltages.
var strangers = map[unit.Quantity]float64{
	unit.AirFuelRatio: 0.1, unit.Lambda: 0.1, unit.EquivalenceRatio: 0.1, unit.Angle: 0.1, unit.Time: 0.1,
	unit.MassFlow: 0.1, unit.Pressure: 0.1, unit.GaugePressure: 0.1, unit.Temperature: 0.2, unit.Ratio: 0.2,
}

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
	for _, set := range familiar {
		for w := range set {
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
