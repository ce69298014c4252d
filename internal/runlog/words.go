package runlog

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

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

// name is a header taken apart.
type name struct {
	words     []string // expanded, in header order, without qualifiers
	bank      int      // 0: not given
	sensor    int
	cylinder  int
	number    int    // a bare number
	respelled string // note of words read as a near spelling, "" when none
}

func (n name) has(word string) bool { return slices.Contains(n.words, word) }

// tokens splits a header at blanks, punctuation, camel-case humps and between letters and digits.
func tokens(header string) []string {
	var out []string
	var cur []rune
	flush := func() {
		if len(cur) > 0 {
			out = append(out, strings.ToLower(string(cur)))
			cur = cur[:0]
		}
	}
	runes := []rune(header)
	for i, r := range runes {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			flush()
			continue
		}
		if len(cur) > 0 {
			last := cur[len(cur)-1]
			hump := unicode.IsLower(last) && unicode.IsUpper(r)
			acronymEnd := unicode.IsUpper(last) && unicode.IsUpper(r) && i+1 < len(runes) &&
				unicode.IsLower(runes[i+1]) && i+2 < len(runes) && unicode.IsLower(runes[i+2])
			digits := unicode.IsDigit(last) != unicode.IsDigit(r)
			if hump || acronymEnd || digits && !oxygen(cur, r) {
				flush()
			}
		}
		cur = append(cur, r)
	}
	flush()
	return out
}

// oxygen keeps "O2" in one piece.
func oxygen(cur []rune, r rune) bool {
	return r == '2' && len(cur) == 1 && (cur[0] == 'o' || cur[0] == 'O')
}

// parseName expands a header into words and qualifiers.
func parseName(header string) name {
	header = strings.NewReplacer("A/F", "AFR", "a/f", "afr", "Air/Fuel", "air fuel", "air/fuel", "air fuel").Replace(
		header)
	var n name
	toks := tokens(header)
	for i := 0; i < len(toks); i++ {
		t := toks[i]
		next := 0
		if i+1 < len(toks) {
			next = small(toks[i+1])
		}
		switch {
		case next > 0 && (t == "bank" || t == "b"):
			n.bank = next
			i++
		case next > 0 && (t == "sensor" || t == "s"):
			n.sensor = next
			i++
		case next > 0 && (t == "cylinder" || t == "cyl"):
			n.cylinder = next
			i++
		case small(t) > 0:
			n.number = small(t)
		default:
			n.add(t)
		}
	}
	return n
}

// add appends the words a token stands for; an unknown token that is one keystroke from a known word is read as it.
func (n *name) add(token string) {
	if alias, ok := aliases[token]; ok {
		n.words = append(n.words, strings.Fields(alias)...)
		return
	}
	if !vocabulary[token] {
		if near := nearWord(token); near != "" {
			if n.respelled != "" {
				n.respelled += ", "
			}
			n.respelled += fmt.Sprintf("%q read as %q", token, near)
			token = near
		}
	}
	n.words = append(n.words, token)
}

// small reads a token of one or two digits, 1–99; 0 for anything else.
func small(s string) int {
	if len(s) > 2 || !allDigits(s) {
		return 0
	}
	v := 0
	for _, c := range s {
		v = v*10 + int(c-'0')
	}
	return v
}

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

// nearWord returns the one word of at least four letters that a header may ask for and that is a single insertion,
// deletion, replacement or swap of neighbours away from token; "" when there is none or more than one. Blocking words
// are not looked for: an unknown word blocks as well as they do.
func nearWord(token string) string {
	if len(token) < 4 || !isASCIILetters(token) {
		return ""
	}
	found := ""
	for w := range vocabulary {
		if len(w) >= 4 && oneEdit(token, w) && (!blocking[w] || timeWords[w]) {
			if found != "" {
				return ""
			}
			found = w
		}
	}
	return found
}

func isASCIILetters(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < 'a' || s[i] > 'z' {
			return false
		}
	}
	return s != ""
}

// oneEdit reports whether a and b differ by exactly one edit (Damerau 1964).
func oneEdit(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if len(b)-len(a) > 1 || a == b {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	if len(a) == len(b) {
		swapped := i+1 < len(a) && a[i] == b[i+1] && a[i+1] == b[i] && a[i+2:] == b[i+2:]
		return a[i+1:] == b[i+1:] || swapped
	}
	return a[i:] == b[i+1:]
}

// headerUnit is one way to cut a header into a name and a unit.
type headerUnit struct {
	name   string
	text   string    // unit as written, "" when none is written
	unit   unit.Unit // "" when none is written or it is not known
	marked bool      // the reference of a pressure is spelled out
	known  bool      // text is a unit
}

// cutUnits returns the ways to read a header, the likeliest first: the unit in brackets, else the units row, else no
// unit, and then a unit behind the last slash, dash, comma, underscore or blank.
func cutUnits(header, unitsRow string) []headerUnit {
	base, bracket, rest := cutBracket(header)
	if bracket != "" {
		if u, marked, err := unit.ParseMarked(bracket); err == nil {
			return []headerUnit{{name: base, text: bracket, unit: u, marked: marked, known: true}}
		}
		base = rest
	}
	if unitsRow != "" {
		hu := headerUnit{name: base, text: unitsRow}
		if u, marked, err := unit.ParseMarked(unitsRow); err == nil {
			hu.unit, hu.marked, hu.known = u, marked, true
		}
		return []headerUnit{hu}
	}
	ways := []headerUnit{{name: base}}
	for _, at := range cutPoints(base) {
		head, tail := base[:at], strings.Trim(base[at:], " _-/,.:")
		if len(tail) > 12 {
			continue
		}
		u, marked, err := unit.ParseMarked(tail)
		if err != nil || u == unit.One || strings.Trim(head, " _-/,.:") == "" {
			continue
		}
		ways = append(ways, headerUnit{name: head, text: tail, unit: u, marked: marked, known: true})
	}
	if u, marked, err := unit.ParseMarked(base); err == nil && u != unit.One {
		ways = append(ways, headerUnit{name: base, text: base, unit: u, marked: marked, known: true})
	}
	return ways
}

// cutBracket splits "name (unit)": base is the header without the last bracket, bracket its content, rest the header
// with the brackets' signs taken out.
func cutBracket(header string) (base, bracket, rest string) {
	header = strings.TrimSpace(header)
	for _, pair := range []string{"()", "[]", "{}"} {
		end := strings.LastIndexByte(header, pair[1])
		if end < 0 {
			continue
		}
		start := matchingBracket(header[:end+1], pair)
		if start < 0 {
			continue
		}
		base = strings.TrimSpace(header[:start] + " " + header[end+1:])
		return base, strings.TrimSpace(header[start+1 : end]), strings.NewReplacer(pair[:1], " ", pair[1:],
			" ").Replace(header)
	}
	return header, "", header
}

// matchingBracket finds the opening bracket that belongs to the closing one at the end of s.
func matchingBracket(s, pair string) int {
	depth := 0
	for i := len(s) - 1; i >= 0; i-- {
		switch s[i] {
		case pair[1]:
			depth++
		case pair[0]:
			depth--
			if depth == 0 {
				return i
			}
		}
	}
	return -1
}

// cutPoints lists the byte positions, nearest to the start first among the last three, where a unit may begin, and the
// last camel-case hump.
func cutPoints(s string) []int {
	var points []int
	for i := 1; i < len(s); i++ {
		if strings.IndexByte(" _-/,:", s[i]) >= 0 {
			points = append(points, i)
		}
	}
	if len(points) > 3 {
		points = points[len(points)-3:]
	}
	runes := []rune(s)
	for i := len(runes) - 1; i > 0; i-- {
		if (unicode.IsLower(runes[i-1]) || unicode.IsDigit(runes[i-1])) && unicode.IsUpper(runes[i]) ||
			runes[i] == '%' || runes[i] == '°' {
			points = append(points, len(string(runes[:i])))
			break
		}
	}
	return points
}
