package report

import (
	"fmt"
	"strings"

	"headroom/internal/assess"
	"headroom/internal/assess/fleet"
	"headroom/internal/report/show"
	"headroom/internal/report/text"
)

// fileCheckTable sets the platform file against the logs.
func fileCheckTable(checks []fleet.FileCheck, d show.Display) *text.Table {
	t := &text.Table{
		Caption: "Platform file against logs",
		Columns: []text.Column{{Head: "Key of the platform file", Flex: true}, {Head: "Against", Wide: true},
			{Head: "File says", Right: true}, {Head: "Logs show", Right: true}, {Head: "95 %, over cars", Right: true},
			{Head: "Evidence"}, {Head: "Result"}},
		Absent: "no log tells, or a bound on one side only.",
	}
	for i := range checks {
		c := &checks[i]
		row := text.Row{Cells: []text.Cell{
			text.Of(fileKey(c)).Toned(text.Loud), text.Of(or(inWords(c.Channels, "and"), show.Missing)),
			text.Of(d.Value(c.Says, c.Unit)), text.Of(d.Value(c.Shown, c.Unit)), text.Of(fileInterval(c, d)),
			checkEvidence(c), text.Of(checkResult(c)).Toned(checkTones[c.Status]),
		}}
		if c.Status != fleet.Agrees {
			row.Notes = []string{capital(sentence(fileAdvice(c)))}
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// fileKey is a key, with what it is held against where that is in two rows.
func fileKey(c *fleet.FileCheck) string {
	if c.Key == "burn" && len(c.Channels) > 0 {
		return "burn, by " + plain(c.Channels[0])
	}
	return string(c.Key)
}

// fileInterval is an interval of which one end may be open.
func fileInterval(c *fleet.FileCheck, d show.Display) string {
	switch low, high := c.Interval[0], c.Interval[1]; {
	case low.Known() && !high.Known():
		return "at least " + d.Value(low, c.Unit)
	case high.Known() && !low.Known():
		return "at most " + d.Value(high, c.Unit)
	}
	return d.Interval(c.Interval, c.Unit)
}

// checkResults are the outcomes of a check in words.
var checkResults = map[fleet.FileStatus]string{
	fleet.Agrees: "agrees", fleet.Contradicts: "contradicts", fleet.Unusual: "unusual, and not told by any log",
	fleet.NotTold: "not told by any log",
}

// checkResult is the outcome of a check in words. What logs show without settling it is not what no log tells.
func checkResult(c *fleet.FileCheck) string {
	if c.Status == fleet.NotTold && c.Shown.Known() {
		return "not settled by logs"
	}
	return checkResults[c.Status]
}

func checkEvidence(c *fleet.FileCheck) text.Cell {
	if c.Cars == 0 {
		return text.Of(show.Missing)
	}
	return evidenceOf(c.Cars, c.Pulls)
}

var checkTones = map[fleet.FileStatus]text.Tone{
	fleet.Contradicts: text.Alarm, fleet.Unusual: text.Doubt, fleet.NotTold: text.Doubt,
}

// fileTells is what would tell a number of the platform file, by its section or key and what it is held against.
var fileTells = []struct{ key, channel, tells string }{
	{"engine.bore_mm", "", "log mass air flow together with the control unit's own absolute load, and measure bore " +
		"and stroke"},
	{"engine.compression_ratio", "", "measure the volume of the combustion chamber"},
	{"air_path.volumetric_efficiency", "", "log absolute load, manifold pressure and charge temperature on more cars"},
	{"fuel_system.injector_flow_cc_min", "", "log injector pulse, lambda and load from cruise to full load on more " +
		"cars, or have the injectors flowed"},
	{"fuel_system.dead_time_ms", "", "log injector pulse, lambda and load from cruise to full load on more cars, or " +
		"have the injectors flowed"},
	{"fuel_system.pump_capacity", "", "log rail pressure and its target up to where the pump no longer holds it, or " +
		"have the pump flowed"},
	{"burn", "torque", "torque has other causes too: only a cylinder-pressure trace tells the burn angles"},
	{"burn", "exhaust_temperature", "the sensor trails and stands in cooler gas than the model's: only a " +
		"cylinder-pressure trace tells the burn angles"},
	{"octane_index_k", "", "log knock on fuels that differ by 3 or more in RON − MON and hardly in ethanol"},
}

// fileRemedy is what would tell a number.
func fileRemedy(c *fleet.FileCheck) string {
	for _, f := range fileTells {
		against := f.channel == "" || len(c.Channels) > 0 && string(c.Channels[0]) == f.channel
		if against && strings.HasPrefix(string(c.Key), f.key) {
			return f.tells
		}
	}
	return "measure it"
}

// fileAdvice is what to do about a number that logs do not bear out.
func fileAdvice(c *fleet.FileCheck) string {
	if c.Status == fleet.Contradicts {
		return "put it right, or find what is wrong with " + inWords(c.Channels, "and")
	}
	return fileRemedy(c)
}

// fileDoubt says which number of the platform file cannot be relied on.
func (w words) fileDoubt(r *assess.FileDoubt) string {
	c := &r.Check
	says := fmt.Sprintf("the %s of %s is %s", fileKey(c), r.File, w.Value(c.Says, c.Unit))
	if c.Status == fleet.Unusual {
		return fmt.Sprintf("%s, unusual for such an engine (%s), and no log tells: %s; if it is right, write "+
			"%s: measured", says, w.Interval(c.Usual, c.Unit), fileRemedy(c), knownKey(c))
	}
	shown := fileInterval(c, w.Display)
	if c.Shown.Known() {
		shown = w.Value(c.Shown, c.Unit) + ", 95 % interval " + shown
	}
	return fmt.Sprintf("%s, but logs of %s show %s: %s", says, count(c.Cars, "car"), shown, fileAdvice(c))
}

// knownKey is the key that says how a number is known.
func knownKey(c *fleet.FileCheck) string {
	section, _, within := strings.Cut(string(c.Key), ".")
	if !within {
		return "octane_index_known"
	}
	return section + ".known"
}
