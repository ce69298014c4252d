package knock

import (
	"fmt"
	"strings"
	"testing"
)

// rates are sample intervals of logs, s: 50, 20, 10, 5, 2 and 1 Hz.
var rates = []float64{0.02, 0.05, 0.1, 0.2, 0.5, 1}

// mostEased is by how much the upper bounds of crossing may lie lower, on average, than those of the same pulls logged
// at 50 Hz: what is left is the spread between cells, which slow logs teach too small.
const mostEased = 0.02

// atRates logs the same pulls of the same fleets at each rate; equal seeds give equal pulls, knock and proposals,
// whatever the rate.
func atRates(t *testing.T, rates []float64, sc scenario, seed, fleets uint64, proposals, pullsEach int) []record {
	t.Helper()
	out := make([]record, len(rates))
	for i, interval := range rates {
		sc.intervals = []float64{interval}
		for k := range fleets {
			r, err := study(seed+k, sc, proposals, pullsEach)
			if err != nil {
				t.Fatal(err)
			}
			out[i].merge(r)
		}
	}
	return out
}

// eased is the mean fall of upper bounds from those of other logs of the same pulls.
func eased(fast, slow record) float64 {
	sum := 0.0
	for i, p := range slow.proposals {
		sum += fast.proposals[i].high - p.high
	}
	return sum / float64(len(slow.proposals))
}

// Thinning logs does not ease: at every rate the upper bounds of the chance of crossing are on average no lower than
// those of the same pulls logged at 50 Hz, up to mostEased, and lower at 1 Hz where states do not stand for the cells
// that the log skips.
func TestThinningDoesNotEase(t *testing.T) {
	small := mixed
	small.pulls = 10
	once := small
	once.eachOnce = true
	const seed, fleets, proposals = 201, 3, 25
	counted := atRates(t, rates, small, seed, fleets, proposals, 1)
	for i, interval := range rates {
		if e := eased(counted[0], counted[i]); e > mostEased {
			t.Errorf("a sample every %g s: upper bounds %.4f lower", interval, e)
		}
		t.Logf("a sample every %g s: upper bounds %+.4f", interval, -eased(counted[0], counted[i]))
	}
	last := len(rates) - 1
	single := atRates(t, rates[last:], once, seed, fleets, proposals, 1) // at 50 Hz nothing is skipped
	if eased(counted[0], single[0]) < eased(counted[0], counted[last])+0.01 {
		t.Error("standing for skipped cells makes no difference")
	}
}

// writeRates writes the limit and the bound of crossing at each rate, before and after.
func writeRates(t *testing.T, doc *strings.Builder, seed, fleets uint64) {
	t.Helper()
	before := mixed
	before.wholeRise, before.eachOnce = true, true
	was, now := atRates(t, rates, before, seed, fleets, 30, 30), atRates(t, rates, mixed, seed, fleets, 30, 30)
	for i, interval := range rates {
		for _, s := range []struct {
			name string
			r    *record
			fast *record
		}{{"whole rise", &was[i], &was[0]}, {"last step", &now[i], &now[0]}} {
			ece, _, _ := calibration(s.r.proposals)
			fmt.Fprintf(doc, "| %g Hz | %s | %+.2f / %+.2f | %.2f / %.2f | %.1f / %.1f %% | %.3f | %+.3f |\n",
				1/interval, s.name, s.r.seen.bias(), s.r.unseen.bias(), s.r.seen.spread(), s.r.unseen.spread(),
				100*s.r.seen.coverage(), 100*s.r.unseen.coverage(), ece, -eased(*s.fast, *s.r))
		}
		if v := eased(now[0], now[i]); v > mostEased {
			t.Errorf("a sample every %g s: upper bounds %.4f lower", interval, v)
		}
	}
}
