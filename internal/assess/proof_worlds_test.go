package assess

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/result"
	"headroom/internal/worlds"
	"headroom/models/value"
)

// worldSeed draws the proposals of drawn worlds.
const worldSeed = 20261127

// weighed is a proposal of a drawn world and what the review said.
type weighed struct {
	world      uint64
	truth      worlds.Graded
	review     *Review
	thresholds map[hazard.Severity]float64
}

// worldBand is how bad a proposal truly is. Mild means below 0.02 in every hazard with a limit, if visited too.
func worldBand(g *worlds.Graded) band {
	switch {
	case g.Worst() >= dangerousFrom:
		return dangerous
	case g.WorstIfVisited() >= dangerousFrom:
		return dangerousThere
	case g.WorstIfVisited() >= mildBelow || slices.ContainsFunc(g.Hazards, func(h worlds.HazardTruth) bool {
		return h.Probability >= mildBelow
	}):
		return middle
	}
	return mild
}

// reviewWorld draws a world, lets the tool ingest it and reviews its proposals.
func reviewWorld(t *testing.T, set *worlds.Set, seed uint64) ([]weighed, *worlds.Truth) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ws")
	truth, graded, err := worlds.BuildProposed(dir, set.Fleet(seed), set.Proposals, worldSeed)
	if err != nil {
		t.Fatal(err)
	}
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	j := openJob(t, dir)
	ids, out := make([]string, len(graded)), make([]weighed, len(graded))
	for i := range graded {
		ids[i] = graded[i].Revision
	}
	for i, r := range reviewedAll(t, j, ids) {
		out[i] = weighed{seed, graded[i], r, j.ws.Config.Decision.HoldProbability}
	}
	return out, truth
}

// hazardOf is the review's word on a hazard.
func (x *weighed) hazardOf(id hazard.ID) *Hazard {
	return x.review.HazardOf(id)
}

// rightly reports whether a truly dangerous serious hazard is one that its own bound holds back, or that is open.
func (x *weighed) rightly() bool {
	for _, h := range x.truth.Hazards {
		info, _ := hazard.Of(h.Hazard)
		if h.Probability < dangerousFrom || !info.Severity.Serious() {
			continue
		}
		said := x.hazardOf(h.Hazard)
		if said.Status != result.Assessed || float64(said.Interval90[1]) >= x.thresholds[said.Severity] {
			return true
		}
	}
	return false
}

// told is a predicted probability with its truth and the truth's standard error.
type told struct {
	call
	se, parent, parentTrue float64
}

// toldOf are the calls of a hazard, and how many dangerous cases were not assessed.
func toldOf(all []weighed, id hazard.ID) (out []told, silent, silentBad int) {
	for i := range all {
		truth, limited := all[i].truth.Hazard(id)
		if !limited {
			continue
		}
		h := all[i].hazardOf(id)
		if !h.ProbabilityPerPull.Known() {
			if silent++; truth.Probability >= dangerousFrom {
				silentBad++
			}
			continue
		}
		out = append(out, told{call{float64(h.ProbabilityPerPull), float64(h.Interval90[0]), float64(h.Interval90[1]),
			truth.Probability}, truth.Error, float64(h.Parent), truth.Parent})
	}
	return out, silent, silentBad
}

func callsOf(c []told) []call {
	out := make([]call, len(c))
	for i := range c {
		out[i] = c[i].call
	}
	return out
}

// inside is the share of truths within their interval, strictly and allowing two standard errors of the truth and one
// pull.
func inside(c []told) (strict, allowed float64) {
	for _, x := range c {
		slack := 2*x.se + 1.0/400
		strict += share(x.truth >= x.lo && x.truth <= x.hi, len(c))
		allowed += share(x.truth >= x.lo-slack && x.truth <= x.hi+slack, len(c))
	}
	return strict, allowed
}

func share(is bool, of int) float64 {
	if is {
		return 1 / float64(of)
	}
	return 0
}

// The proof in worlds that nobody chose: docs/proof-worlds.md is its output. It states what is; the promises of the
// page are held to nothing yet.
func TestProofWorlds(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	set, err := worlds.AskedSet()
	if err != nil {
		t.Fatal(err)
	}
	var pool []weighed
	truths := map[uint64]*worlds.Truth{}
	for _, seed := range set.Seeds {
		all, truth := reviewWorld(t, &set, seed)
		pool, truths[seed] = append(pool, all...), truth
		t.Logf("world %d: %d cars, %d pulls", seed, truth.Cars, truth.Pulls)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s%s\n%d proposals.\n", worldsIntro, set.Used(), len(pool))
	worldTable(&b, &set, pool, truths)
	worldHazards(&b, pool)
	worldVerdicts(&b, pool)
	worldMisses(&b, pool)
	for _, id := range []hazard.ID{hazard.Knock, hazard.Lean, hazard.ExhaustTemperature, hazard.CylinderPressure,
		hazard.LowSpeedLoad} {
		info, _ := hazard.Of(id)
		c, _, _ := toldOf(pool, id)
		b.WriteString(reliability(strings.ToUpper(info.Spoken[:1])+info.Spoken[1:], callsOf(c)))
	}
	if err := os.WriteFile(filepath.Join("..", "..", "docs", "proof-worlds.md"), []byte(b.String()),
		0o644); err != nil {
		t.Fatal(err)
	}
}

// worldsIntro begins the page.
const worldsIntro = `# Proof: the judgement in worlds drawn at random

Written by "HEADROOM_PROOF=1 go test -run ProofWorlds -timeout 60m ./internal/assess"; HEADROOM_WORLDS=proof runs the
proof set. Fleets of internal/worlds: form and constants of what is true are drawn for each, and share no equation with
the tool. Proposals are children of any driven revision of any car, selected by nothing about their truth. A truth is
the share of 400 simulated pulls on 80 days of the year to come; its standard error allows for days. *Dangerous*: at
least 0.2 a pull in a serious hazard. *Mild*: below 0.02 in every hazard with a limit. *Middle*: between the two.

`

// worldTable is a row a world: its forms and verdicts.
func worldTable(b *strings.Builder, set *worlds.Set, pool []weighed, truths map[uint64]*worlds.Truth) {
	b.WriteString("\n| world | cars, pulls | knock; luck of cars, pulls | torque; exhaust; boost " +
		"| dangerous: hold / undecided / conditions / release | mild |\n|---|---|---|---|---|---|\n")
	for _, seed := range set.Seeds {
		n := worldTally(slices.Collect(where(pool, func(x *weighed) bool { return x.world == seed })))
		f := truths[seed].Forms
		fmt.Fprintf(b, "| %d | %d, %d | %s; %s, %s | %s; %s; %s | %s | %s |\n", seed, truths[seed].Cars,
			truths[seed].Pulls,
			f.Knock, f.CarLuck, f.PullLuck, f.Torque, f.Exhaust, strings.Split(f.Boost, ",")[0], inRow(n[dangerous]),
			inRow(n[mild]))
	}
}

func where(pool []weighed, is func(*weighed) bool) func(yield func(weighed) bool) {
	return func(yield func(weighed) bool) {
		for i := range pool {
			if is(&pool[i]) && !yield(pool[i]) {
				return
			}
		}
	}
}

func worldTally(all []weighed) tally {
	return tallyOf(len(all), func(i int) (band, Verdict) { return worldBand(&all[i].truth), all[i].review.Verdict })
}

// worldHazards is a row a hazard.
func worldHazards(b *strings.Builder, pool []weighed) {
	b.WriteString("\n| hazard | assessed | not assessed (dangerous) | dangerous | area under the curve " +
		"| calibration error | mean predicted | mean true | 90 % interval holds, strictly | missed " +
		"| change foretold |\n|---|---|---|---|---|---|---|---|---|---|---|\n")
	for _, h := range hazard.All() {
		c, silent, silentBad := toldOf(pool, h.ID)
		if len(c)+silent == 0 {
			continue
		}
		bad, missed, predicted, truth := 0, 0, 0.0, 0.0
		for _, x := range c {
			predicted, truth = predicted+x.p/float64(len(c)), truth+x.truth/float64(len(c))
			if x.truth >= dangerousFrom {
				if bad++; x.hi < 0.05 {
					missed++
				}
			}
		}
		strict, allowed := inside(c)
		fmt.Fprintf(b, "| %s | %d | %d (%d) | %d | %s | %s | %.3f | %.3f | %.0f %%, %.0f %% | %d | %s |\n", h.Spoken,
			len(c),
			silent, silentBad, bad, shown(rankingArea(callsOf(c))), shown(calibrationError(callsOf(c))), predicted,
			truth,
			100*allowed, 100*strict, missed, shown(changeSlope(c)))
	}
	b.WriteString("\n*Missed*: dangerous with an upper bound below 0.05. *Change foretold*: slope of the predicted " +
		"change from the parent on the\ntrue one, 1 where all of it is foretold; with five and more true changes of " +
		"0.1.\n")
}

// changeSlope is the least-squares slope through the origin of the predicted change of probability on the true one; NaN
// with fewer than five true changes of a tenth.
func changeSlope(c []told) float64 {
	products, squares, moved := 0.0, 0.0, 0
	for _, x := range c {
		if !value.Known(x.parent) {
			continue
		}
		change := x.truth - x.parentTrue
		if math.Abs(change) >= 0.1 {
			moved++
		}
		products += change * (x.p - x.parent)
		squares += change * change
	}
	if moved < 5 {
		return math.NaN()
	}
	return products / squares
}

// worldVerdicts are the verdicts by band, and by kind and band.
func worldVerdicts(b *strings.Builder, pool []weighed) {
	n := worldTally(pool)
	b.WriteString("\n| truth | hold | undecided | conditions | release |\n|---|---|---|---|---|\n")
	for at := dangerous; at >= mild; at-- {
		fmt.Fprintf(b, "| %s | %d | %d | %d | %d |\n", bandNames[at], n[at][VerdictHold], n[at][VerdictUndecided],
			n[at][VerdictConditions], n[at][VerdictRelease])
	}
	right, stopped := 0, 0
	for i := range pool {
		if v := pool[i].review.Verdict; worldBand(&pool[i].truth) == dangerous && (v == VerdictHold ||
			v == VerdictUndecided) {
			stopped++
			if pool[i].rightly() {
				right++
			}
		}
	}
	fmt.Fprintf(b, "\nOf %d dangerous ones held or undecided, %d are so for a hazard that is truly dangerous.\n",
		stopped, right)
	fmt.Fprintf(b, "\nBy kind, hold / undecided / conditions / release:\n\n| kind | proposals | %s | %s | %s | %s |\n"+
		"|---|---|---|---|---|---|\n", bandNames[dangerous], bandNames[dangerousThere], bandNames[middle],
		bandNames[mild])
	byKind := map[worlds.Kind][]weighed{}
	for _, x := range pool {
		byKind[x.truth.Kind] = append(byKind[x.truth.Kind], x)
	}
	for _, kind := range slices.Sorted(maps.Keys(byKind)) {
		v := worldTally(byKind[kind])
		fmt.Fprintf(b, "| %s | %d | %s | %s | %s | %s |\n", strings.ReplaceAll(string(kind), "_", " "),
			len(byKind[kind]),
			inRow(v[dangerous]), inRow(v[dangerousThere]), inRow(v[middle]), inRow(v[mild]))
	}
}

// worldMisses lists what the review let through though it is dangerous, and what it called impossible though it is not.
func worldMisses(b *strings.Builder, pool []weighed) {
	b.WriteString("\nDangerous and let through:\n\n")
	none := true
	for i := range pool {
		x := &pool[i]
		at := worldBand(&x.truth)
		if at < dangerousThere || x.review.Verdict == VerdictHold || x.review.Verdict == VerdictUndecided {
			continue
		}
		none = false
		fmt.Fprintf(b, "- world %d, %s, %s (%s of %s): **%s**;%s\n", x.world, x.truth.Revision, x.truth.Kind,
			sizeOf(&x.truth), x.truth.Vehicle, x.review.Verdict, x.gap())
	}
	if none {
		b.WriteString("none.\n")
	}
	impossible := map[hazard.ID]int{}
	for i := range pool {
		for _, h := range calledImpossible(&pool[i]) {
			impossible[h]++
		}
	}
	b.WriteString("\nCalled impossible, 0 [0, 0], and truly 0.02 a pull or more:\n\n")
	for _, h := range slices.Sorted(maps.Keys(impossible)) {
		fmt.Fprintf(b, "- %s: %d\n", h, impossible[h])
	}
	if len(impossible) == 0 {
		b.WriteString("none.\n")
	}
}

// calledImpossible are the hazards that a review calls impossible though they are not.
func calledImpossible(x *weighed) (out []hazard.ID) {
	for _, h := range x.truth.Hazards {
		said := x.hazardOf(h.Hazard)
		if h.Probability >= mildBelow && said.ProbabilityPerPull.Known() && said.Interval90[1] < 5e-4 {
			out = append(out, h.Hazard)
		}
	}
	return out
}

// gap is what was truly dangerous and what was said of it.
func (x *weighed) gap() string {
	var b strings.Builder
	for _, h := range x.truth.Hazards {
		if h.Probability < mildBelow {
			continue
		}
		said := x.hazardOf(h.Hazard)
		fmt.Fprintf(&b, " %s truly %.2f, said %.3f [%.3f, %.3f];", h.Hazard, h.Probability,
			float64(said.ProbabilityPerPull),
			float64(said.Interval90[0]), float64(said.Interval90[1]))
	}
	if v := x.truth.WorstIfVisited(); v > 0 {
		fmt.Fprintf(&b, " if visited %.2f;", v)
	}
	return strings.TrimSuffix(b.String(), ";")
}

// sizeOf is what a proposal changes.
func sizeOf(g *worlds.Graded) string {
	var parts []string
	add := func(format string, v float64) {
		if v != 0 {
			parts = append(parts, fmt.Sprintf(format, v))
		}
	}
	add("%+.1f°", g.SparkDeg)
	add("λ %+.3f", g.Lambda)
	add("%+.0f kPa", g.BoostKPa)
	add("cam %+.0f°", g.CamDeg)
	for _, s := range []string{g.Fuel, g.Part} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(append(parts, fmt.Sprintf("%.0f–%.0f rpm", g.RPM[0], g.RPM[1])), ", ")
}
