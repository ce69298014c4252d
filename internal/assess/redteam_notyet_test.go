package assess

// notYet are the revisions that are not judged as they should be. Nothing is taken off their expectation, and one that
// is judged as it should be must leave the list: TestRedTeam fails until it does.
var notYet = map[string]bool{
	// Released, or held, on a broken sensor.
	"sensor-lambda":           true,
	"sensor-knock":            true,
	"sensor-charge":           true,
	"sensor-torque-other-car": true,

	// Released though a cell that nobody visited is dangerous.
	"lean-to-100":           true,
	"boost-last-speed-60":   true,
	"boost-part-pedal":      true,
	"spike-spark-corner":    true,
	"spike-spark-part-load": true,
	"spike-spark-low-speed": true,
	"spike-boost-unvisited": true,

	// Released although nothing says which boost it runs.
	"no-parent-no-boost": true,

	// Released, and the mistake is not called by its name.
	"lambda-load-as-fraction": true,
	"pedal-as-fraction":       true,

	// Kept away, and the mistake is not called by its name.
	"speed-in-thousands":  true,
	"load-as-fraction":    true,
	"boost-kpa-gauge":     true,
	"boost-psi-gauge":     true,
	"lambda-equivalence":  true,
	"spark-axes-swapped":  true,
	"spark-axes-misnamed": true,
	"lambda-axes-swapped": true,

	// Harmless and kept away.
	"boost-less-5":      true,
	"boost-less-cam":    true,
	"all-milder":        true,
	"speed-limit-lower": true,
	"three-cars-richer": true,
}
