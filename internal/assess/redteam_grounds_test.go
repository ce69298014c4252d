package assess

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"headroom/internal/fleettest"
)

// Tables that no log has a channel for: of the intake cam by speed, as the base calibration has it, and by speed and
// load, and the speed limit of a warm engine.
const (
	camTable   = "rpm,1000,3000,5000,7000\ncam,10,22,15,5\n"
	camByLoad  = "load % \\ rpm,1000,3000,5000,7000\n40,0,5,5,0\n100,10,20,15,5\n160,15,25,15,5\n"
	soundLimit = 6600 // rpm
)

// ground is a workspace that revisions stand in.
type ground int

const (
	soundFleet  ground = iota // six cars of one platform without a fault
	threeCars                 // three of them, and ten months
	oneLimit                  // as threeCars, with one limit in the platform file
	sickSensors               // as soundFleet, with one broken sensor in each of four cars
)

var grounds = [...]func(t *testing.T) string{
	soundFleet:  soundGround,
	threeCars:   func(t *testing.T) string { return fleettest.Copy(t, fleettest.Marlins(t)) },
	oneLimit:    oneLimitGround,
	sickSensors: sickSensorsGround,
}

// soundGround is the sound fleet without a limit on oil temperature, which two cars log, so that no revision is kept
// away by that alone. It has fuels nobody has run, a base calibration that has a cam table and a speed limit, a driven
// one whose cam table has a load axis, a car without logs, and one that got another turbo after its last log.
func soundGround(t *testing.T) string {
	dir := fleettest.Copy(t, fleettest.Sound(t))
	inFile(t, dir, "platforms/"+fleettest.Marlin+".yaml", `(?m)^  - \{hazard: oil_temperature.*\n`, "")
	inFile(t, dir, "headroom.yaml", `(?m)^fuels:\n`, "fuels:\n"+
		"  pump-89: {class: pump, ron: 92, mon: 83, ethanol_share: 0.1, source: test}\n"+
		"  pump-95: {class: pump, ron: 100, mon: 90, ethanol_share: 0.1, source: test}\n"+
		"  blend-e50: {class: e50, ron: 101, mon: 89, ethanol_share: 0.5, source: test}\n"+
		"  blend-e85: {class: e85, ron: 105, mon: 90, ethanol_share: 0.85, source: test}\n")
	inFile(t, dir, "vehicles.csv", `(?m)^car-002,.*$`, "car-002,marlin-25t,pump-93,compressor-b,2026-10-01")
	fleettest.AddLines(t, dir, "vehicles.csv", "car-099,marlin-25t,pump-93,stock,\n")
	base := draft{t, filepath.Join(dir, "revisions", fleettest.Marlin+"-base")}
	cam(0)(base)
	newTable(`role: intake_cam, x: {channel: engine_speed, unit: rpm}, y: {channel: absolute_load, unit: "%"}, `+
		`unit: deg`, "intake_cam.csv", camByLoad)(draft{t, filepath.Join(dir, "revisions", "rev-0114-b")})
	limitTo(soundLimit)(base)
	return dir
}

// inFile replaces what matches a pattern in a file of a workspace.
func inFile(t *testing.T, dir, file, pattern, by string) {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(file))
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := regexp.MustCompile(pattern).ReplaceAll(b, []byte(by))
	if string(out) == string(b) {
		t.Fatalf("%s has nothing like %s", file, pattern)
	}
	if err := os.WriteFile(path, out, 0o644); err != nil {
		t.Fatal(err)
	}
}

func oneLimitGround(t *testing.T) string {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	inFile(t, dir, "platforms/"+fleettest.Marlin+".yaml",
		`(?m)^  - \{hazard: (fuel|rail|ch|cool|oil|ex|cy|low|bo|dr).*\n`, "")
	return dir
}

// sickSensorsGround breaks a sensor in every log of a car each: lambda reads 5 % rich of the truth, the knock channel
// never moves, the charge temperature is frozen, and torque is all zero.
func sickSensorsGround(t *testing.T) string {
	dir := fleettest.Copy(t, fleettest.Sound(t))
	none := func(float64) float64 { return 0 }
	sensor(t, dir, "car-006", "Lambda", func(v float64) float64 { return 0.95 * v })
	sensor(t, dir, "car-014", "Knock Retard (deg)", none)
	sensor(t, dir, "car-014", "Learned Knock Retard (deg)", none)
	sensor(t, dir, "car-004", "Charge Air Temp [°F]", func(float64) float64 { return 77 })
	sensor(t, dir, "car-016", "Engine Torque (Nm)", none)
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

// sensor writes a column of every log of a car anew.
func sensor(t *testing.T, dir, car, header string, reads func(v float64) float64) {
	t.Helper()
	logs, err := filepath.Glob(filepath.Join(dir, "runs", car, "*", "*.csv"))
	if err != nil || len(logs) == 0 {
		t.Fatalf("%s has no logs: %v", car, err)
	}
	for _, file := range logs {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(string(b), "\n")
		separator, at, first := columnOf(lines, header)
		if at < 0 {
			t.Fatalf("%s has no column %s", file, header)
		}
		for i := first; i < len(lines); i++ {
			lines[i] = withCell(lines[i], separator, at, reads)
		}
		if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// columnOf finds a column by its header, and the line after the headers; -1 when it is not there.
func columnOf(lines []string, header string) (separator string, column, first int) {
	for i, line := range lines {
		for _, s := range []string{";", "\t", ","} {
			if at := slices.Index(strings.Split(line, s), header); at >= 0 {
				return s, at, i + 1
			}
		}
	}
	return "", -1, 0
}

// withCell is a line with one of its numbers written anew; lines without the number stay.
func withCell(line, separator string, at int, reads func(v float64) float64) string {
	cells := strings.Split(line, separator)
	if at >= len(cells) {
		return line
	}
	v, err := strconv.ParseFloat(strings.Replace(cells[at], ",", ".", 1), 64)
	if err != nil {
		return line // the row of units
	}
	written := strconv.FormatFloat(reads(v), 'f', 3, 64)
	if separator == ";" { // with decimal commas
		written = strings.Replace(written, ".", ",", 1)
	}
	cells[at] = written
	return strings.Join(cells, separator)
}
