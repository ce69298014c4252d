package knock

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"
)

// What the estimator promises on fleets whose truth is another model (sim_test.go).
const (
	mostBias      = 0.2 // degrees
	leastSpread   = 0.8 // standard deviation of standardised errors
	mostSpread    = 1.2
	leastCoverage = 0.85 // of 90 % bands
	mostCoverage  = 0.95
	mostECE       = 0.05
	leastArea     = 0.92
)

// A small version of TestProof: the same promises, each given two Monte-Carlo standard errors. Cars are the
// independent units (two visits each), and a fleet's level error is common to its cars, so the bias has one standard
// error of the fleets' level besides.
func TestKnownTruth(t *testing.T) {
	var all record
	const fleets = 2
	small := mixed
	small.pulls = 9
	for seed := uint64(1); seed <= fleets; seed++ {
		r, err := study(200+seed, small, 40, 20)
		if err != nil {
			t.Fatal(err)
		}
		all.merge(r)
	}
	if all.converged != fleets {
		t.Errorf("%d of %d fits converged", all.converged, fleets)
	}
	for _, s := range []struct {
		name string
		score
	}{{"seen car, one cell", all.seen}, {"unseen car, one cell", all.unseen}, {"seen car, state", all.seenState},
		{"unseen car, state", all.unseenState}} {
		cars := float64(s.n) / 2
		biasSE := math.Hypot(s.rms()/math.Sqrt(cars), 0.35/math.Sqrt(fleets))
		if math.Abs(s.bias()) > mostBias+2*biasSE {
			t.Errorf("%s: bias %.2f° ± %.2f", s.name, s.bias(), biasSE)
		}
		spreadSE := s.spread() / math.Sqrt(2*cars)
		if v := s.spread(); v < leastSpread-2*spreadSE || v > mostSpread+2*spreadSE {
			t.Errorf("%s: standardised errors spread %.2f ± %.2f", s.name, v, spreadSE)
		}
		coverSE := math.Sqrt(0.9 * 0.1 / cars)
		if v := s.coverage(); v < leastCoverage-2*coverSE || v > mostCoverage+2*coverSE {
			t.Errorf("%s: 90 %% band holds %.3f ± %.3f", s.name, v, coverSE)
		}
		t.Logf("%s: %s", s.name, &s.score)
	}
	ece, noise, _ := calibration(all.proposals)
	if ece > mostECE+2*noise {
		t.Errorf("expected calibration error %.3f, of which %.3f is sampling", ece, noise)
	}
	auc, se := area(all.proposals)
	if auc < leastArea-2*se {
		t.Errorf("area under the curve %.3f ± %.3f", auc, se)
	}
	t.Logf("calibration error %.3f (sampling %.3f), area %.3f ± %.3f", ece, noise, auc, se)
}

// TestProof is the full version; it runs with HEADROOM_PROOF=1, holds the main scenario to the promises without
// allowance and writes docs/proof-knock.md.
func TestProof(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") != "1" {
		t.Skip("set HEADROOM_PROOF=1 to run the full simulations and write docs/proof-knock.md")
	}
	var doc strings.Builder
	doc.WriteString(proofIntro)
	main := mixed
	fast, slow, few, many, quiet, plain := mixed, mixed, mixed, mixed, mixed, mixed
	fast.name, fast.intervals = "fast logs, 0.05 s", []float64{0.05}
	slow.name, slow.intervals = "slow logs, 0.5–1 s", []float64{0.5, 1}
	few.name, few.cars = "8 cars", 8
	many.name, many.cars = "100 cars", 100
	quiet.name, quiet.shift = "little knock (tables 2° later)", -2
	plain.name, plain.plainBounds = "mixed logs, events bounded by the sparks around the rise alone", true
	doc.WriteString("| fleet | fleets, seeds | cells with an event | prediction | bias ° | standardised error sd | " +
		"90 % band holds |\n|---|---|---|---|---|---|---|\n")
	var lines []string
	var mainRecord record
	for i, sc := range []scenario{main, fast, slow, few, many, quiet, plain} {
		fleets := uint64(12)
		if i == 0 {
			fleets = 40
		}
		var all record
		for seed := uint64(1); seed <= fleets; seed++ {
			r, err := study(proofSeed+seed, sc, 60, 30)
			if err != nil {
				t.Fatal(err)
			}
			all.merge(r)
		}
		if i == 0 {
			mainRecord = all
		}
		where := fmt.Sprintf("| %s | %d, %d–%d | %.1f %% ", sc.name, fleets, proofSeed+1, proofSeed+fleets,
			100*float64(all.events)/float64(all.rows))
		for _, s := range []struct {
			name string
			*score
		}{{"one cell of a seen car", &all.seen}, {"one cell of an unseen car", &all.unseen},
			{"expected limit, seen car", &all.seenState}, {"expected limit, unseen car", &all.unseenState}} {
			fmt.Fprintf(&doc, "%s| %s | %+.2f | %.2f | %.1f %% |\n", where, s.name, s.bias(), s.spread(),
				100*s.coverage())
			where = "| | | "
		}
		ece, noise, _ := calibration(all.proposals)
		auc, se := area(all.proposals)
		lines = append(lines, fmt.Sprintf("| %s | %d of %d | %.3f (%.3f) | %.3f ± %.3f |\n", sc.name, all.converged,
			all.fits, ece, noise, auc, se))
	}
	doc.WriteString(proofCrossing)
	doc.WriteString(strings.Join(lines, ""))
	_, _, table := calibration(mainRecord.proposals)
	doc.WriteString(proofTable)
	for i, b := range table {
		fmt.Fprintf(&doc, "| %.1f–%.1f | %d | %.3f | %.3f |\n",
			float64(i)/10, float64(i+1)/10, b.n, b.predicted, b.observed)
	}
	doc.WriteString(proofRates)
	writeRates(t, &doc, proofSeed+1, 12)
	doc.WriteString(proofSpeed)
	for _, n := range []int{100, 300, 1000} {
		cars := ownFleet(rand.New(rand.NewPCG(1, 2)), n, 17, 12)
		at := time.Now()
		m, err := Fit(cars, ownPrior(), Options{})
		if err != nil || !m.Converged {
			t.Fatal(err, m.Warnings)
		}
		fmt.Fprintf(&doc, "| %d | %d | %.1f | %d |\n", n, m.Rows, time.Since(at).Seconds(), m.Iterations)
	}
	doc.WriteString(proofEnd)
	if err := os.WriteFile("../../docs/proof-knock.md", []byte(doc.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	holdPromises(t, mainRecord)
}

func holdPromises(t *testing.T, r record) {
	for _, s := range []struct {
		name string
		*score
	}{{"seen car, one cell", &r.seen}, {"unseen car, one cell", &r.unseen}, {"seen car, state", &r.seenState},
		{"unseen car, state", &r.unseenState}} {
		if math.Abs(s.bias()) > mostBias || s.spread() < leastSpread || s.spread() > mostSpread ||
			s.coverage() < leastCoverage || s.coverage() > mostCoverage {
			t.Errorf("%s: %s", s.name, s.score)
		}
	}
	if ece, _, _ := calibration(r.proposals); ece > mostECE {
		t.Errorf("expected calibration error %.3f", ece)
	}
	if auc, _ := area(r.proposals); auc < leastArea {
		t.Errorf("area under the curve %.3f", auc)
	}
}

// The proof's fleets have seeds above this; those below were used while building.
const proofSeed = 300

const (
	proofIntro = `# Proof: knock-limited spark and the chance of crossing

Written by ` + "`HEADROOM_PROOF=1 go test ./models/knock -run Proof`" + `; the tests run a small version with
the same promises.

The fleets are invented and come from other equations than the ones fitted: a speed curve with a step and a
ripple, charge, heat, octane, mixture and dwell acting nonlinearly, cars, pulls and cells with Student-t tails
(5, 6 and 4 degrees of freedom; deviations 1.1°, 0.75°, 0.9°), pull effects shared by the cells of a pull, a
controller that takes 1.5° a step, hears each knocking cycle with chance 0.6, gives back 0.8°/s and hears false
knock in 0.4 % of cells, logs sampled every 0.05 to 1 s, one car in twenty with a charge temperature 8 K too
high and one with lambda 0.03 too lean. The prior has the level four degrees too high (± 5°) and slopes off by
up to 40 % (± 35 %). Everything else is the default. The defaults were chosen while looking at fleets of seeds
1–8 and 101–112 (among them the 0.3° of Discrepancy and the tenth of wide residuals), and causes of bias looked
for on seeds 1–8 and 101–124; the fleets below were run at least three times, once for each state of the fit that
this page has told of. Unless said otherwise 30 cars of 14 pulls. Seeds are those of the fleets (PCG, second word
77).

## Limit

Promise: bias at most 0.2°, standardised errors with deviation 0.8–1.2, 90 % bands that hold 85–95 %.
Predictions are for new pulls: *one cell* with the deviation of one cell of one pull, *expected limit* with that
of parameters and car alone. The promise is tested on the first fleet of the table; the others show where it
bends.

`
	proofCrossing = `
## Crossing

60 graded changes a fleet (spark −1.5° to +5.5°, charge up to +6 %), predicted from the parent's pulls and then
driven 30 pulls each. A crossing is retard above 3°. Promise: expected calibration error at most 0.05 (in
brackets the part sampling alone gives) and area under the curve at least 0.92 for telling changes that cross in
more than a tenth of their pulls.

| fleet | fits converged | calibration error | area under the curve |
|---|---|---|---|
`
	proofTable = `
Reliability, first fleet:

| predicted | pulls | mean predicted | share crossed |
|---|---|---|---|
`
	proofRates = `
## Logging rate

The same pulls of 12 fleets (seeds 301–312) logged at each rate, all cars alike. *Whole rise* is as it was: an event
censored over all the steps between two samples, and a state of a log that skips cells counted once. *Last step* is as
it is: the limit within one step of the spark just after the rise, and a state standing for the cells that its pull
passed between the samples. Figures are those of one cell of a seen / an unseen car. The last column is the mean of the
upper bounds of 360 chances of crossing less those from the same pulls logged at 50 Hz; promise: at most 0.02 lower.
The bound by the last step was chosen on seeds 101–108. All else is as it is in both.

| rate | event bounded by | bias ° | standardised error sd | 90 % band holds | calibration error | upper bound |
|---|---|---|---|---|---|---|
`
	proofSpeed = `
## Speed

Fleets from the fitted model, 17 pulls of 12 cells a car, default options, on the machine that wrote this page (two
cores, at a load of eight). Promise: 1000 cars of 200 rows in under 5 s on an idle machine, time linear in rows. In
processor time the fits of 100 and 300 cars take what they took with straight lines (8.1–8.3 s against 8.3–8.5 s for
two of each).

| cars | rows | seconds | evaluations |
|---|---|---|---|
`
	proofEnd = `
## Where it bends

- Bounding an event by the sparks around the rise alone makes level and spreads too large, because a spark that
  climbs back into knock meets the limit at the upper end of that interval every time; ` + "`Rise.Bounds`" + `
  uses the spark that was passed without knock.
- Before lines could bend, false events were told of the moment at which they show, steps were counted instead of
  rises and sparks that may have been heard were kept from counting as passed, the same fleets gave a bias of +0.29
  to +0.39° on mixed logs, +0.27 to +0.45° on fast ones, +0.55° with little knock and +0.60 to +0.83° with eight
  cars, and calibration errors of 0.028 to 0.049.
- Bands of fast logs hold somewhat more than they say (94 %): the quarter of a step below the spark that was passed
  widens the intervals of sparks that climb back into knock.
- In slow logs many a rise is written to the cell after the one that knocked, and a stepping that a sample cuts in two
  gives the second cell an event that is not its own; bounds of crossing from 2 Hz logs are somewhat lower than from
  fast ones: see the table of rates. Treating such a rise as possibly another cell's, by the share of the interval
  spent outside, was tried (seeds 101–108) and left out: the limit came out 1 to 7° too high.
- Where fewer than one cell in thirty knocks, the limit is known from its lower tail alone, whose shape is
  assumed. The twelve fleets above have a bias of +0.4°; twenty-four others (seeds 101–124) had one of +0.02 to
  +0.13° and bands that held 89 to 93 %.
- With eight cars the spread between cars leans on its prior: twenty-four others had a bias of +0.3°.
`
)
