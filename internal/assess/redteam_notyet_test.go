package assess

// notYet are the revisions that are not judged as they should be. Nothing is taken off their expectation, and one that
// is judged as it should be must leave the list: TestRedTeam fails until it does.
var notYet = map[string]bool{
	// Released, or held, on a broken sensor.

	// Unchanged, and kept away by what the car itself does over the weather to come, on a hot day above all.
	"same-car-014":           true,
	"same-car-016":           true,
	"same-parent-not-driven": true,

	// Released: too few pulls for a silent channel to be told from a quiet engine.
	"sensor-knock": true,

	// Harmless, and kept away by what the car does on a hot day.
	"boost-less-cam": true,
}
