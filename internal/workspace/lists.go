package workspace

import (
	"fmt"
	"math"
	"slices"

	"headroom/internal/fault"
)

// Events of outcomes.csv.
const (
	EventFailure    = "failure"    // a component failed in use
	EventInspection = "inspection" // a component was looked at and found sound
	EventService    = "service"    // work without a failure
	EventRetired    = "retired"    // the car left the fleet without a failure
)

var vehicleColumns = []string{"vehicle", "platform", "fuel", "hardware", "hardware_date", "barometer_kpa",
	"altitude_m", "afr_stoich", "lambda_lag_s"}

// vehicles reads vehicles.csv. Rows that name something unknown are left out.
func (w *Workspace) vehicles(rel string, data []byte, platformFiles map[string]string) {
	rows, problems := readList(rel, data, vehicleColumns[:3], vehicleColumns)
	w.Problems = append(w.Problems, problems...)
	for _, row := range rows {
		v := &Vehicle{
			ID: row.cells["vehicle"], Platform: row.cells["platform"], Fuel: row.cells["fuel"],
			Hardware: row.cells["hardware"], HardwareDate: row.cells["hardware_date"], Line: row.line,
		}
		if v.Hardware == "" || isStock(v.Hardware) {
			v.Hardware = Stock
		}
		bad := func(column, what, remedy string) {
			w.Problems = append(w.Problems, fault.Fault{File: rel, Line: row.line, Where: column, What: what,
				Remedy: remedy})
		}
		loggerColumn, loggerWhy, loggerRemedy := v.readLogger(row.cells)
		first, twice := w.Vehicles[v.ID]
		w.vehicleRows[v.ID] = row.line
		switch why := badID(v.ID); {
		case why != "":
			bad("vehicle", why, idRemedy)
		case v.ID == Fleet:
			bad("vehicle", `"fleet" stands for every car and cannot be one`, "give the car another id")
		case twice:
			bad("vehicle", fmt.Sprintf("%s is already on line %d; this row is left out", v.ID, first.Line),
				"keep one row per car")
		case w.Platforms[v.Platform] == nil:
			what, remedy := w.unknownPlatform(v.Platform, platformFiles)
			bad("platform", what, remedy)
		case !w.hasFuel(v.Fuel):
			bad("fuel", fmt.Sprintf("fuel %q is not known", v.Fuel), w.fuelRemedy())
		case badDate(v.HardwareDate) != "":
			bad("hardware_date", badDate(v.HardwareDate), dateRemedy)
		case loggerColumn != "":
			bad(loggerColumn, loggerWhy, loggerRemedy)
		default:
			w.Vehicles[v.ID] = v
		}
	}
}

// readLogger reads what a row of vehicles.csv states of the car's logger and place; column is "" where nothing is wrong
// with it.
func (v *Vehicle) readLogger(cells map[string]string) (column, what, remedy string) {
	for _, at := range []struct {
		column string
		set    func(float64)
	}{
		{"barometer_kpa", func(n float64) { v.Logger.Barometer = n }},
		{"altitude_m", func(n float64) { v.Logger.Altitude = &n }},
		{"afr_stoich", func(n float64) { v.Logger.Stoich = n }},
		{"lambda_lag_s", func(n float64) { v.Logger.LambdaLag = n }},
	} {
		if cells[at.column] == "" {
			continue
		}
		n, err := number(cells[at.column])
		if err != nil {
			return at.column, err.Error(), "give a number, or leave the cell empty"
		}
		at.set(n)
	}
	return v.Logger.Wrong()
}

// Fleet is what Revision.Vehicle says for a revision meant for every car of its platform.
const Fleet = "fleet"

// unknownVehicle words that a vehicle cannot be used.
func (w *Workspace) unknownVehicle(id string) (what, remedy string) {
	if line, ok := w.vehicleRows[id]; ok {
		return fmt.Sprintf("vehicle %s is left out", id), fmt.Sprintf("mend line %d of vehicles.csv", line)
	}
	return fmt.Sprintf("vehicle %q is not known", id), "add it to vehicles.csv"
}

func (w *Workspace) hasFuel(id string) bool { _, ok := w.Config.Fuels[id]; return ok }

func (w *Workspace) fuelRemedy() string {
	return fmt.Sprintf("give a fuel of %s: %s", ConfigFile, listed(w.Config.Fuels, "it has none yet; add it under "+
		"fuels"))
}

func (w *Workspace) unknownPlatform(id string, files map[string]string) (what, remedy string) {
	if file, ok := files[id]; ok {
		remedy = "mend " + file
		if k := slices.IndexFunc(w.Problems, func(f fault.Fault) bool { return f.File == file }); k >= 0 {
			remedy = "mend " + w.Problems[k].Place()
		}
		return fmt.Sprintf("platform %s is left out", id), remedy
	}
	return fmt.Sprintf("platform %q is not known", id), "give one of platforms/: " + listed(w.Platforms,
		"it has none yet; add a file")
}

var outcomeColumns = []string{"vehicle", "date", "revision", "event", "component", "odometer_km"}

// outcomes reads outcomes.csv.
func (w *Workspace) outcomes(rel string, data []byte) {
	rows, problems := readList(rel, data, []string{"vehicle", "date", "event"}, outcomeColumns)
	w.Problems = append(w.Problems, problems...)
	for _, row := range rows {
		o := Outcome{
			Vehicle: row.cells["vehicle"], Date: row.cells["date"], Revision: row.cells["revision"],
			Event: row.cells["event"], Component: row.cells["component"], Line: row.line,
		}
		bad := func(column, what, remedy string) {
			w.Problems = append(w.Problems, fault.Fault{File: rel, Line: row.line, Where: column, What: what,
				Remedy: remedy})
		}
		km, why := cellIn(row.cells["odometer_km"], span{0, 3e6, "km", "", ""})
		o.OdometerKM = km
		switch {
		case w.Vehicles[o.Vehicle] == nil:
			what, remedy := w.unknownVehicle(o.Vehicle)
			bad("vehicle", what, remedy)
		case o.Date == "":
			bad("date", "missing", dateRemedy)
		case badDate(o.Date) != "":
			bad("date", badDate(o.Date), dateRemedy)
		case o.Revision != "" && w.Revisions[o.Revision] == nil:
			what, remedy := w.unknownRevision(o.Revision)
			bad("revision", what, remedy+", or leave the cell empty")
		case o.Event != EventFailure && o.Event != EventInspection && o.Event != EventService &&
			o.Event != EventRetired:
			bad("event", fmt.Sprintf("event %q is not known", o.Event), "give failure, inspection, service or retired")
		case o.Event == EventFailure && o.Component == "":
			bad("component", "missing", "name the component that failed")
		case why != "":
			bad("odometer_km", why, "give the reading in kilometres, or leave the cell empty")
		default:
			w.Outcomes = append(w.Outcomes, o)
		}
	}
}

// cellIn reads an optional number; NaN when the cell is empty.
func cellIn(cell string, s span) (float64, string) {
	if cell == "" {
		return math.NaN(), ""
	}
	v, err := number(cell)
	if err != nil {
		return math.NaN(), err.Error()
	}
	if !s.holds(v) {
		return math.NaN(), fmt.Sprintf("%g is outside %s", v, s.text())
	}
	return v, ""
}
