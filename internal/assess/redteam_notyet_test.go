package assess

// notYet are the revisions that are not judged as they should be. Nothing is taken off their expectation, and one that
// is judged as it should be must leave the list: TestRedTeam fails until it does.
var notYet = map[string]bool{
	// Unchanged, and kept away by what the car itself does over the weather to come, on a hot day above all.
	"same-car-014": true,
	"same-car-016": true,

	// Harmless, and kept away by what the car does on a hot day.
	"boost-less-cam": true,
}
