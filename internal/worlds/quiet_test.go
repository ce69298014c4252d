package worlds

import (
	"math"
	"testing"
)

// The bound that spares knock integrals holds in every drawn world with one, for charges as far from each other as
// those of some ticks are.
func TestMostGrowth(t *testing.T) {
	tried, worst := 0, 0.0
	for seed := uint64(1); seed <= 12; seed++ {
		w := drawWorld(seed)
		if w.knock.delay == nil {
			continue
		}
		d := newDice(seed, diceBase, 77)
		auto := func(c *charge, spark float64) float64 {
			f := w.engine.fire(&w.burn, c, spark, w.knock.delay)
			return math.Log(f.auto)
		}
		for range 4000 {
			load := d.between(0.8, 2.4)
			c := charge{rpm: d.between(1500, 6800), load: load, manifold: 105 * load, exhaust: 120 * load,
				temp: d.between(285, 350), coolant: d.between(355, 375), lambda: d.between(0.76, 1),
				tank: w.fuels[0].fill(d, w.octaneK), cooling: w.cooling}
			spark := d.between(-4, 26)
			was := integrated{c, spark, auto(&c, spark)}
			c.rpm, c.load = c.rpm*d.between(0.97, 1.03), c.load*d.between(0.93, 1.07)
			c.manifold, c.exhaust = c.manifold*d.between(0.93, 1.07), c.exhaust*d.between(0.95, 1.05)
			c.temp, c.coolant, c.lambda = c.temp+d.around(0, 3), c.coolant+d.around(0, 1), c.lambda+d.around(0, 0.02)
			c.tank.octane, c.cam = c.tank.octane+d.around(0, 0.5), c.cam+d.around(0, 2)
			spark += d.around(0, 2)
			grown := auto(&c, spark) - was.auto
			if most := was.mostGrowth(&c, spark); grown > most {
				t.Errorf("seed %d: grew by %.3f, bound %.3f: %+v to %+v, %g", seed, grown, most, was, c, spark)
			} else {
				worst = max(worst, grown/most)
			}
			tried++
		}
	}
	if tried < 1000 {
		t.Errorf("only %d pairs", tried)
	}
	t.Logf("%d pairs, the largest growth %.2f of its bound", tried, worst)
}
