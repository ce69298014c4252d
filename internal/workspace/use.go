package workspace

import "fmt"

// Use is driving over which a review states the chance that any pull crosses a limit.
type Use struct {
	Name  string `yaml:"use"`   // as reports call it
	Days  int    `yaml:"days"`  // of driving, 1–400
	Pulls int    `yaml:"pulls"` // full-throttle pulls on each, 1–1000
}

var (
	useDaysSpan  = span{1, 400, "", "the days of driving", "1"}
	usePullsSpan = span{1, 1000, "", "the full-throttle pulls on each of those days", "40"}
)

func (c *checker) uses(uses []Use) {
	for i, u := range uses {
		key := fmt.Sprintf("uses[%d]", i)
		c.text(key+".use", u.Name, "a name for the use")
		c.required(key+".days", float64(u.Days), useDaysSpan)
		c.required(key+".pulls", float64(u.Pulls), usePullsSpan)
	}
}
