package demo

import (
	"fmt"
	"testing"
)

func TestZZTrace(t *testing.T) {
	o := Options{Seed: 4, Cars: 24}
	f, err := invent(o)
	if err != nil {
		t.Fatal(err)
	}
	all, err := f.graded(8, 4005)
	if err != nil {
		t.Fatal(err)
	}
	p := all[7]
	c := f.cars[12]
	fmt.Println(p.truth.Vehicle, p.truth.BoostKPa, c.id)
	for _, cal := range []*revision{c.latest(), p.revision} {
		for i := range 2 {
			days := c.daysOn(cal.parent)
			rng := stream(4, 4, uint64(c.index), 108, uint64(i))
			day := *days[0]
			s := newSession(c, cal, &day, rng)
			n := 0
			s.write = func(float64) {
				if s.inPull && s.rpm < 3000 {
					if n%4 == 0 {
						lim := 0.0
						for _, l := range c.engine.limits {
							if l.metric == "bmep" {
								lim = l.at(s.rpm, 0)
							}
						}
						fmt.Printf("%.2f rpm %.0f map %.0f target %.0f load %.0f bmep %.0f lim %.0f %v\n", s.time, s.rpm, s.manifold, s.target, 100*s.load, s.bmep, lim, s.bmep > lim)
					}
					n++
				}
			}
			s.pull(4, 1900, 6500)
			fmt.Println("--")
		}
	}
}
