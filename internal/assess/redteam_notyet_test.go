package assess

// notYet are the revisions that are not judged as they should be. Nothing is taken off their expectation, and one that
// is judged as it should be must leave the list: TestRedTeam fails until it does.
var notYet = map[string]bool{
	// Held by a calculation that no measurement of any car bounds: cold days to come bring more torque.
	"sensor-torque-other-car": true,

	// Released: too few pulls for a silent channel to be told from a quiet engine.
	"sensor-knock": true,

	// Harmless, and kept away by envelopes that do not reach past what six cars have run.
	"richer":       true,
	"richer-top":   true,
	"boost-less-5": true,

	// Harmless and kept away.
	"three-cars-richer": true,
}
