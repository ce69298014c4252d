package assess

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/models/value"
)

// gradedSeed draws the graded proposals; the default tests draw another set than the proof.
const (
	gradedSeed = 7
	proofCount = 200
)

// graded is one proposal: what is true and what the review said.
type graded struct {
	truth  demo.ProposalTruth
	review *Review
}

// proposals writes n graded proposals into a copy of the demo workspace and reviews them.
func proposals(t *testing.T, dir string, n int, seed uint64) []graded {
	t.Helper()
	truths, err := demo.Proposals(dir, n, seed)
	if err != nil {
		t.Fatal(err)
	}
	j := openJob(t, dir)
	out := make([]graded, len(truths))
	for i, p := range truths {
		r, err := j.Review(p.Revision)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = graded{p, r}
	}
	return out
}

// call is a predicted probability and the true one.
type call struct{ p, lo, hi, truth float64 }

func calls(all []graded, id hazard.ID) []call {
	var out []call
	for _, g := range all {
		for _, h := range g.review.Hazards {
			if h.Hazard == id && h.ProbabilityPerPull.Known() {
				out = append(out, call{float64(h.ProbabilityPerPull), float64(h.Interval90[0]),
					float64(h.Interval90[1]), g.truth.Hazard(id).ProbabilityPerPull})
			}
		}
	}
	return out
}

// rankingArea is the area under the receiver operating characteristic for telling truths of 0.2 and more (Hanley and
// McNeil, Radiology 143, 1982: the share of pairs in the right order, ties half); NaN without both kinds.
func rankingArea(c []call) float64 {
	pairs, right := 0.0, 0.0
	for _, a := range c {
		for _, b := range c {
			if a.truth >= 0.2 && b.truth < 0.2 {
				pairs++
				switch {
				case a.p > b.p:
					right++
				case a.p == b.p:
					right += 0.5
				}
			}
		}
	}
	return right / pairs
}

// calibrationError is the expected calibration error over ten bins of equal counts.
func calibrationError(c []call) float64 {
	s := slices.Clone(c)
	slices.SortFunc(s, func(a, b call) int { return cmp.Compare(a.p, b.p) })
	sum := 0.0
	for k := range 10 {
		predicted, truth := 0.0, 0.0
		for _, x := range s[k*len(s)/10 : (k+1)*len(s)/10] {
			predicted += x.p
			truth += x.truth
		}
		sum += math.Abs(predicted - truth)
	}
	return sum / float64(len(s))
}

// coverage is the share of true probabilities inside the 90 % interval, allowing for the two standard errors of a truth
// that was itself simulated with 200 pulls.
func coverage(c []call) float64 {
	in := 0
	for _, x := range c {
		slack := 2*math.Sqrt(x.truth*(1-x.truth)/200) + 1.0/200
		if x.truth >= x.lo-slack && x.truth <= x.hi+slack {
			in++
		}
	}
	return float64(in) / float64(len(c))
}

// verdicts counts what was said of truly dangerous (0.2 and more in a serious hazard) and truly mild (below 0.02 in
// every serious hazard) proposals.
func verdicts(all []graded) (dangerous, mild map[Verdict]int) {
	dangerous, mild = map[Verdict]int{}, map[Verdict]int{}
	for _, g := range all {
		switch {
		case g.truth.WorstPerPull >= 0.2:
			dangerous[g.review.Verdict]++
		case g.truth.WorstPerPull < 0.02:
			mild[g.review.Verdict]++
		}
	}
	return dangerous, mild
}

// The small version of the proof: no truly dangerous proposal is released, and knock ranks and is calibrated within
// what 40 proposals can show (the bound on the error adds its Monte-Carlo part of about 0.04). HEADROOM_PROOF=1 draws
// the 40, else their first 24 are held to the same bounds.
func TestGradedProposals(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates proposals")
	}
	n := 24
	if os.Getenv("HEADROOM_PROOF") != "" {
		n = 40
	}
	all := proposals(t, fleettest.Copy(t, fleettest.Demo(t)), n, gradedSeed)
	dangerous, mild := verdicts(all)
	if dangerous[VerdictRelease] > 0 {
		t.Errorf("of the dangerous proposals %v", dangerous)
	}
	if mild[VerdictRelease]+mild[VerdictConditions] == 0 {
		t.Errorf("of the mild proposals %v", mild)
	}
	c := calls(all, hazard.Knock)
	if area, e := rankingArea(c), calibrationError(c); !(area >= 0.9) || !(e <= 0.09) {
		t.Errorf("knock: area under the curve %.3f, calibration error %.3f", area, e)
	}
}

// The fleets of the proof. Estimator and demo were tuned while looking at the first; the others were drawn when the
// tuning was over, and their promises are held to all of them together.
const lookedAtFleet, lookedAtProposals = fleettest.Seed, 20261124

var unseenFleets = []uint64{41, 42, 43, 44, 45, 46, 47, 48}

const unseenProposals = 100 // a fleet

// The proof: docs/proof-judgement.md is its output.
func TestProofJudgement(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# Proof: the judgement on graded proposals\n\nWritten by `HEADROOM_PROOF=1 go test -run "+
		"ProofJudgement -timeout 30m ./internal/assess`. Demo fleets of 24 cars with\n"+
		"proposed revisions of random kind and size, each a child of its car's latest driven revision; true "+
		"probabilities from 200\n"+
		"simulated pulls each (standard error about 0.03 near 0.2). *Dangerous*: at least 0.2 a pull in truth in a "+
		"serious hazard.\n"+
		"*Mild*: below 0.02 in every serious one. How truth and fitted model differ: [proof.md](proof.md).\n")
	fmt.Fprintf(&b, "\n## %d proposals on %d fleets not looked at before (seeds %d to %d)\n",
		unseenProposals*len(unseenFleets), len(unseenFleets), unseenFleets[0], unseenFleets[len(unseenFleets)-1])
	b.WriteString("\n| fleet seed | dangerous: held | conditions | released | mild: released or conditions " +
		"|\n|---|---|---|---|---|\n")
	var pool []graded
	for _, seed := range unseenFleets {
		all := proposals(t, proofFleet(t, seed), unseenProposals, 1000*seed+1)
		dangerous, mild := verdicts(all)
		fmt.Fprintf(&b, "| %d | %d of %d | %d | %d | %.0f %% of %d |\n", seed,
			dangerous[VerdictHold]+dangerous[VerdictUndecided], total(dangerous),
			dangerous[VerdictConditions], dangerous[VerdictRelease], 100*letThrough(mild), total(mild))
		pool = append(pool, all...)
	}
	prove(t, &b, pool)
	fmt.Fprintf(&b, "\n## %d proposals on the fleet looked at while tuning (seed %d)\n", proofCount, lookedAtFleet)
	prove(t, &b, proposals(t, proofFleet(t, lookedAtFleet), proofCount, lookedAtProposals))
	if err := os.WriteFile(filepath.Join("..", "..", "docs", "proof-judgement.md"), []byte(b.String()),
		0o644); err != nil {
		t.Fatal(err)
	}
}

func proofFleet(t *testing.T, seed uint64) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ws")
	if _, err := demo.Build(dir, demo.Options{Seed: seed, TruthPulls: 100}); err != nil {
		t.Fatal(err)
	}
	if err := fleettest.Ingest(dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

func total(n map[Verdict]int) int {
	return n[VerdictHold] + n[VerdictUndecided] + n[VerdictConditions] + n[VerdictRelease]
}

func letThrough(n map[Verdict]int) float64 {
	return float64(n[VerdictRelease]+n[VerdictConditions]) / float64(total(n))
}

// prove writes the tables of some proposals and checks their promises: ranking where five or more are dangerous,
// calibration and cover of the hazards that ever cross, and the verdicts.
func prove(t *testing.T, b *strings.Builder, all []graded) {
	t.Helper()
	b.WriteString("\n| hazard | assessed | truly dangerous | area under the curve | calibration error | mean " +
		"predicted | mean true | 90 % interval holds |\n|---|---|---|---|---|---|---|---|\n")
	for _, h := range hazard.All() {
		c := calls(all, h.ID)
		if len(c) == 0 {
			fmt.Fprintf(b, "| %s | 0 | | | | | | |\n", h.Spoken)
			continue
		}
		bad, predicted, truth := 0, 0.0, 0.0
		for _, x := range c {
			if x.truth >= 0.2 {
				bad++
			}
			predicted += x.p / float64(len(c))
			truth += x.truth / float64(len(c))
		}
		area, shown := rankingArea(c), "–"
		if value.Known(area) {
			shown = fmt.Sprintf("%.3f", area)
		}
		e, cover := calibrationError(c), coverage(c)
		fmt.Fprintf(b, "| %s | %d | %d | %s | %.3f | %.3f | %.3f | %.1f %% |\n", h.Spoken, len(c), bad, shown,
			e, predicted, truth, 100*cover)
		if e > 0.05 {
			t.Errorf("%s: calibration error %.3f", h.ID, e)
		}
		if bad >= 5 && area < 0.9 {
			t.Errorf("%s: area under the curve %.3f", h.ID, area)
		}
		if cover < 0.85 {
			t.Errorf("%s: the 90 %% interval holds %.3f of the true probabilities", h.ID, cover)
		}
	}
	dangerous, mild := verdicts(all)
	b.WriteString("\n| truth | hold | undecided | conditions | release |\n|---|---|---|---|---|\n")
	for _, row := range []struct {
		name string
		n    map[Verdict]int
	}{{"dangerous (≥ 0.2)", dangerous}, {"mild (< 0.02)", mild}} {
		fmt.Fprintf(b, "| %s | %d | %d | %d | %d |\n", row.name, row.n[VerdictHold], row.n[VerdictUndecided],
			row.n[VerdictConditions], row.n[VerdictRelease])
	}
	if dangerous[VerdictRelease] > 0 {
		t.Errorf("dangerous proposals released: %v", dangerous)
	}
	if share := letThrough(mild); share < 0.8 {
		t.Errorf("of %d mild proposals only %.0f %% are released with or without conditions", total(mild), 100*share)
	}
	b.WriteString(reliability("Knock", calls(all, hazard.Knock)))
	b.WriteString(reliability("Lean", calls(all, hazard.Lean)))
}

// reliability is a hazard's table of predicted against true probability.
func reliability(name string, c []call) string {
	var b strings.Builder
	b.WriteString("\n" + name + ", predicted against true probability a pull:\n\n| predicted | proposals | mean " +
		"predicted | mean true |\n|---|---|---|---|\n")
	edges := []float64{0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0000001}
	for i := range len(edges) - 1 {
		n, p, truth := 0, 0.0, 0.0
		for _, x := range c {
			if x.p >= edges[i] && x.p < edges[i+1] {
				n++
				p += x.p
				truth += x.truth
			}
		}
		if n > 0 {
			fmt.Fprintf(&b, "| %.2f–%.2f | %d | %.3f | %.3f |\n", edges[i], math.Min(1, edges[i+1]), n, p/float64(n),
				truth/float64(n))
		}
	}
	return b.String()
}
