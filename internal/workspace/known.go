package workspace

// Known says how the numbers of a section of a platform file are known. It sets the error that they carry into what is
// computed from them (docs/methods.md, "What the platform file is worth").
type Known string

// Ways to know.
const (
	Measured Known = "measured" // on such an engine, by the shop or whoever is named as source
	Handbook Known = "handbook" // from a data sheet, or published for such an engine
	Guess    Known = "guess"    // taken from another engine, or chosen to look right
)

// ways lists them in the order a problem report names them.
var ways = []Known{Measured, Handbook, Guess}

// Or is how a section is known that does not say so itself.
func (k Known) Or(otherwise Known) Known {
	if k == "" {
		return otherwise
	}
	return k
}

// known checks how a section of the platform file is known, which may be left away.
func (c *checker) known(section string, k Known) { c.way(section+".known", k) }

func (c *checker) way(key string, k Known) {
	if c.file.Has(key) {
		c.oneOf(key, string(k), names(ways)...)
	}
}
