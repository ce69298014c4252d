package assess

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/models/lifetime"
	"headroom/models/value"
)

// gradedSeed draws the graded proposals; the default tests draw another set than the proof.
const (
	gradedSeed = 7
	otherSeed  = 39 // for the other kinds
	proofCount = 200
)

// graded is one proposal: what is true and what the review said.
type graded struct {
	truth  demo.ProposalTruth
	review *Review
	fleet  uint64 // its seed, for kinds of a proving fleet
}

// proposals writes n graded proposals into a copy of the demo workspace and reviews them.
func proposals(t *testing.T, dir string, n int, seed uint64) []graded {
	t.Helper()
	truths, err := demo.Proposals(dir, n, seed)
	if err != nil {
		t.Fatal(err)
	}
	return gradedReviews(t, dir, truths)
}

// ofKinds makes a proving fleet, writes n graded proposals of the kinds for it and reviews them.
func ofKinds(t *testing.T, fleet demo.Options, kinds []demo.Kind, n int, seed uint64) []graded {
	t.Helper()
	fleet.Proving = true
	dir := proofFleet(t, fleet)
	truths, err := demo.ProposalsOf(dir, kinds, n, seed)
	if err != nil {
		t.Fatal(err)
	}
	out := gradedReviews(t, dir, truths)
	for i := range out {
		out[i].fleet = fleet.Seed
	}
	return out
}

// gradedReviews reviews proposed revisions of a workspace.
func gradedReviews(t *testing.T, dir string, truths []demo.ProposalTruth) []graded {
	t.Helper()
	ids, out := make([]string, len(truths)), make([]graded, len(truths))
	for i := range truths {
		ids[i] = truths[i].Revision
	}
	for i, r := range reviewedAll(t, openJob(t, dir), ids) {
		out[i] = graded{truth: truths[i], review: r}
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

// band is how bad a proposal truly is.
type band int

const (
	mild           band = iota // below 0.02 a pull in every serious hazard, and where the engine rarely goes
	middle                     // between the two
	dangerousThere             // 0.2 and more of the drives that go where usual pulls hardly do
	dangerous                  // 0.2 and more a pull in a serious hazard
	bands                      // how many there are
)

const (
	mildBelow        = 0.02 // a pull
	dangerousFrom    = 0.2
	enoughDangerous  = 5 // cases of a hazard below which its ranking says nothing
	worstCalibration = 0.05
	leastArea        = 0.9
	leastCover       = 0.85
	leastLetThrough  = 0.8 // of mild proposals
)

// bandNames are in the words of the page, by band.
var bandNames = [bands]string{"mild (< 0.02)", "middle (0.02–0.2)", "dangerous if visited", "dangerous (≥ 0.2)"}

func bandOf(p *demo.ProposalTruth) band {
	switch {
	case p.WorstPerPull >= dangerousFrom:
		return dangerous
	case p.IfVisited.Dangerous(dangerousFrom):
		return dangerousThere
	case p.WorstPerPull >= mildBelow || p.IfVisited.Dangerous(mildBelow):
		return middle
	}
	return mild
}

// releasedOf tells the released proposals of a band apart: the change, its truth and what the review said of it.
func releasedOf(all []graded, of band) (out []string) {
	for i := range all {
		p, r := &all[i].truth, all[i].review
		if bandOf(p) != of || r.Verdict != VerdictRelease {
			continue
		}
		said := "-"
		if p.WorstHazard != "" {
			h := r.HazardOf(p.WorstHazard)
			said = fmt.Sprintf("%.3f [%.3f, %.3f] of %d pulls, parent %.3f", h.ProbabilityPerPull, h.Interval90[0],
				h.Interval90[1], h.Pulls, h.Parent)
		}
		out = append(out, fmt.Sprintf("%s %s of %s (%s, spark %+.1f, lambda %+.3f, boost %+.0f at %.0f rpm): %s %.3f, "+
			"said %s", p.Kind, p.Revision, p.Parent, p.Vehicle, p.SparkDeg, p.Lambda, p.BoostKPa, p.RPM, p.WorstHazard,
			p.WorstPerPull, said))
	}
	return out
}

// tally counts verdicts by band.
type tally [bands]map[Verdict]int

// tallyOf counts so many verdicts by the band that each is of.
func tallyOf(count int, of func(i int) (band, Verdict)) (n tally) {
	for b := range n {
		n[b] = map[Verdict]int{}
	}
	for i := range count {
		b, v := of(i)
		n[b][v]++
	}
	return n
}

func verdicts(all []graded) tally {
	return tallyOf(len(all), func(i int) (band, Verdict) { return bandOf(&all[i].truth), all[i].review.Verdict })
}

// The small version of the proof: no truly dangerous proposal is released, and knock ranks and is calibrated within
// what 40 proposals can show (the bound on the error adds its Monte-Carlo part of about 0.04). HEADROOM_PROOF=1 draws
// the 40, else their first 24 are held to the same bounds.
func TestGradedProposals(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates proposals")
	}
	count := 24
	if os.Getenv("HEADROOM_PROOF") != "" {
		count = 40
	}
	all := proposals(t, fleettest.Copy(t, fleettest.Demo(t)), count, gradedSeed)
	n := verdicts(all)
	if n[dangerous][VerdictRelease] > 0 {
		t.Errorf("of the dangerous proposals %v", n[dangerous])
	}
	if n[mild][VerdictRelease]+n[mild][VerdictConditions] == 0 {
		t.Errorf("of the mild proposals %v", n[mild])
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

// The proving fleets: a moving cam, fuels that nobody ran, planted faults. Their proposals are of the other kinds,
// twice as many large steps as of each of the rest.
var provingFleets = []uint64{51, 52, 53, 54, 55, 56, 57, 58}

const provingProposals = 84 // a fleet

func provingKinds() []demo.Kind { return append(demo.ProvingKinds(), demo.KindLarge) }

// fleetsAsked are the first of the fleets, as many as HEADROOM_PROOF_FLEETS says, for a look while something is built;
// all without it. Promises are held to all of them.
func fleetsAsked(t *testing.T, all []uint64) []uint64 {
	t.Helper()
	text := os.Getenv("HEADROOM_PROOF_FLEETS")
	if text == "" {
		return all
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > len(all) {
		t.Fatalf("HEADROOM_PROOF_FLEETS=%q: ask for 1 to %d", text, len(all))
	}
	return all[:n]
}

// The proof: docs/proof-judgement.md is its output. With HEADROOM_PROOF_FLEETS the page is only logged.
func TestProofJudgement(t *testing.T) {
	if os.Getenv("HEADROOM_PROOF") == "" {
		t.Skip("set HEADROOM_PROOF=1")
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# Proof: the judgement on graded proposals\n\nWritten by `HEADROOM_PROOF=1 go test -run "+
		"ProofJudgement -timeout 60m ./internal/assess`. Demo fleets of 24 cars with\n"+
		"proposed revisions of random kind and size, each a child of its car's latest driven revision; true "+
		"probabilities from 200\n"+
		"simulated pulls each (standard error about 0.03 near 0.2). *Dangerous*: at least 0.2 a pull in truth in a "+
		"serious hazard.\n"+
		"*Mild*: below 0.02 in every serious one. *Middle*: between the two. Calibration shows nothing of a hazard "+
		"that was never\ndangerous: \"–\". How truth and fitted model differ: [proof.md](proof.md).\n")
	usualKinds(t, &b)
	otherKinds(t, &b)
	if os.Getenv("HEADROOM_PROOF_FLEETS") != "" {
		t.Log(b.String())
		return
	}
	fmt.Fprintf(&b, "\n## %d proposals on the fleet looked at while tuning (seed %d)\n", proofCount, lookedAtFleet)
	prove(t, &b, proposals(t, proofFleet(t, demo.Options{Seed: lookedAtFleet}), proofCount, lookedAtProposals))
	b.WriteString(redTeamPage())
	if err := os.WriteFile(filepath.Join("..", "..", "docs", "proof-judgement.md"), []byte(b.String()),
		0o644); err != nil {
		t.Fatal(err)
	}
}

// usualKinds proves the judgement on changes of spark, lambda and boost on cells that pulls visit.
func usualKinds(t *testing.T, b *strings.Builder) {
	t.Helper()
	fleets := fleetsAsked(t, unseenFleets)
	fmt.Fprintf(b, "\n## %d proposals on %d fleets not looked at before (seeds %d to %d)\n",
		unseenProposals*len(fleets), len(fleets), fleets[0], fleets[len(fleets)-1])
	var pool []graded
	byFleet := fleetTable(b)
	for _, seed := range fleets {
		all := proposals(t, proofFleet(t, demo.Options{Seed: seed}), unseenProposals, 1000*seed+1)
		byFleet(seed, all)
		pool = append(pool, all...)
	}
	prove(t, b, pool)
}

// otherKinds proves that nothing dangerous of the other kinds is released, and reports what else the judgement makes of
// them.
func otherKinds(t *testing.T, b *strings.Builder) {
	t.Helper()
	fleets := fleetsAsked(t, provingFleets)
	fmt.Fprintf(b, "\n## %d proposals of other kinds on %d fleets with planted faults (seeds %d to %d)\n\n",
		provingProposals*len(fleets), len(fleets), fleets[0], fleets[len(fleets)-1])
	b.WriteString("Kinds: another *fuel* of the shop (three of six that no car has run), tables the same or changed " +
		"with it; a *hardware* part;\n" +
		"the intake *cam* table; breakpoints *unvisited* by any usual pull of the fleet; *part load*; and *large* " +
		"steps towards each\n" +
		"hazard's limit, for which six more cars carry a fault that shows in their logs. *Dangerous if visited*: " +
		"less a pull, but at\n" +
		"least 0.2 of the drives that go where usual pulls hardly do, and less than half as often on the parent. " +
		"Of these kinds one\nthing is promised: nothing dangerous is released, if visited or not.\n")
	var pool []graded
	byFleet := fleetTable(b)
	for _, seed := range fleets {
		all := ofKinds(t, demo.Options{Seed: seed}, provingKinds(), provingProposals, 1000*seed+1)
		byFleet(seed, all)
		pool = append(pool, all...)
	}
	short := hazardTable(b, pool)
	short = append(short, verdictTables(b, pool)...)
	wayTable(b, pool)
	b.WriteString(reliability("Knock", calls(pool, hazard.Knock)))
	b.WriteString(reliability("Lean", calls(pool, hazard.Lean)))
	b.WriteString("\nOf the promises of the usual kinds these are not kept here:\n\n")
	if len(short) == 0 {
		b.WriteString("none.\n")
	}
	for _, s := range short {
		fmt.Fprintf(b, "- %s\n", s)
	}
	for _, said := range noneReleased(t, pool) {
		fmt.Fprintf(b, "- %s, which may be fewer than one in five\n", said)
	}
	if len(fleets) == len(provingFleets) {
		everyHazardDangerous(t, pool)
	}
}

// noneReleased checks that no dangerous proposal is released, if visited or not, and returns those whose truth, counted
// in so many simulated pulls, cannot be told from the threshold.
func noneReleased(t *testing.T, all []graded) (unsure []string) {
	t.Helper()
	for _, g := range all {
		if bandOf(&g.truth) < dangerousThere || g.review.Verdict != VerdictRelease {
			continue
		}
		if v := g.truth.IfVisited; v.Dangerous(dangerousFrom) {
			t.Errorf("fleet %d: %s is released; by %s it crosses %s in %.2f of drives, its parent in %.2f", g.fleet,
				g.truth.Revision, v.Way, v.WorstHazard, v.WorstPerTrip, v.Parent)
			continue
		}
		crossed := int(math.Round(g.truth.WorstPerPull * float64(g.truth.Pulls)))
		low, err := lifetime.ShareLower(crossed, g.truth.Pulls, knownSure)
		if err != nil {
			t.Fatal(err)
		}
		said := fmt.Sprintf("fleet %d: %s is released; it crosses %s in %d of %d pulls", g.fleet, g.truth.Revision,
			g.truth.WorstHazard, crossed, g.truth.Pulls)
		if low >= dangerousFrom {
			t.Error(said)
			continue
		}
		unsure = append(unsure, said)
	}
	return unsure
}

// everyHazardDangerous checks that the proof has enough dangerous cases of every hazard, of all severities.
func everyHazardDangerous(t *testing.T, all []graded) {
	t.Helper()
	for _, h := range hazard.All() {
		n := 0
		for _, g := range all {
			if g.truth.Hazard(h.ID).ProbabilityPerPull >= dangerousFrom {
				n++
			}
		}
		if n < enoughDangerous {
			t.Errorf("%s: dangerous in %d proposals, which proves nothing", h.ID, n)
		}
	}
}

// The small version for the other kinds: two of each on a fleet of eight cars, of a seed with dangerous ones in most
// kinds.
func TestGradedProposalsOfOtherKinds(t *testing.T) {
	if testing.Short() {
		t.Skip("simulates proposals")
	}
	all := ofKinds(t, demo.Options{Seed: 6, Cars: 8}, demo.ProvingKinds(), 12, otherSeed)
	n := verdicts(all)
	if total(n[dangerous]) < 3 || total(n[dangerousThere]) < 1 {
		t.Fatalf("dangerous %v, if visited %v: nothing is tested", n[dangerous], n[dangerousThere])
	}
	for _, said := range noneReleased(t, all) {
		t.Error(said)
	}
}

func proofFleet(t *testing.T, o demo.Options) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "ws")
	o.TruthPulls = 100
	if _, err := demo.Build(dir, o); err != nil {
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

// fleetTable begins the table by fleet and returns what writes a row.
func fleetTable(b *strings.Builder) func(seed uint64, all []graded) {
	b.WriteString("\n| fleet seed | dangerous: held | conditions | released | mild: released or conditions " +
		"|\n|---|---|---|---|---|\n")
	return func(seed uint64, all []graded) {
		n := verdicts(all)
		bad := n[dangerous]
		fmt.Fprintf(b, "| %d | %d of %d | %d | %d | %.0f %% of %d |\n", seed, bad[VerdictHold]+bad[VerdictUndecided],
			total(bad), bad[VerdictConditions], bad[VerdictRelease], 100*letThrough(n[mild]), total(n[mild]))
	}
}

// prove writes the tables of some proposals and checks their promises: ranking where five or more are dangerous,
// calibration and cover of the hazards that ever cross, and the verdicts.
func prove(t *testing.T, b *strings.Builder, all []graded) {
	t.Helper()
	for _, short := range slices.Concat(hazardTable(b, all), verdictTables(b, all)) {
		t.Error(short)
	}
	b.WriteString(reliability("Knock", calls(all, hazard.Knock)))
	b.WriteString(reliability("Lean", calls(all, hazard.Lean)))
}

// hazardTable writes the hazards' table and returns what falls short of the promises.
func hazardTable(b *strings.Builder, all []graded) (short []string) {
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
			if x.truth >= dangerousFrom {
				bad++
			}
			predicted += x.p / float64(len(c))
			truth += x.truth / float64(len(c))
		}
		area, e, cover := rankingArea(c), calibrationError(c), coverage(c)
		shownError := "–"
		if bad > 0 {
			shownError = fmt.Sprintf("%.3f", e)
		}
		fmt.Fprintf(b, "| %s | %d | %d | %s | %s | %.3f | %.3f | %.1f %% |\n", h.Spoken, len(c), bad, shown(area),
			shownError, predicted, truth, 100*cover)
		if e > worstCalibration {
			short = append(short, fmt.Sprintf("%s: calibration error %.3f", h.Spoken, e))
		}
		if bad >= enoughDangerous && area < leastArea {
			short = append(short, fmt.Sprintf("%s: area under the curve %.3f", h.Spoken, area))
		}
		if cover < leastCover {
			short = append(short, fmt.Sprintf("%s: the 90 %% interval holds %.3f of the true probabilities", h.Spoken,
				cover))
		}
	}
	return short
}

// shown is a share, "–" when it is not known.
func shown(v float64) string {
	if !value.Known(v) {
		return "–"
	}
	return fmt.Sprintf("%.3f", v)
}

// verdictTables write the verdicts by band, and by kind and band, and return what falls short of the promises.
func verdictTables(b *strings.Builder, all []graded) (short []string) {
	n := verdicts(all)
	b.WriteString("\n| truth | hold | undecided | conditions | release |\n|---|---|---|---|---|\n")
	for at := dangerous; at >= mild; at-- {
		if at != dangerousThere || total(n[at]) > 0 {
			fmt.Fprintf(b, "| %s | %d | %d | %d | %d |\n", bandNames[at], n[at][VerdictHold], n[at][VerdictUndecided],
				n[at][VerdictConditions], n[at][VerdictRelease])
		}
	}
	there := total(n[dangerousThere]) > 0
	b.WriteString("\nBy kind, hold / undecided / conditions / release:\n\n| kind | proposals |")
	rule := "\n|---|---|"
	for at := dangerous; at >= mild; at-- {
		if at != dangerousThere || there {
			b.WriteString(" " + bandNames[at] + " |")
			rule += "---|"
		}
	}
	b.WriteString(rule + "\n")
	byKind := map[demo.Kind][]graded{}
	for _, g := range all {
		byKind[g.truth.Kind] = append(byKind[g.truth.Kind], g)
	}
	for _, kind := range slices.Sorted(maps.Keys(byKind)) {
		of := byKind[kind]
		fmt.Fprintf(b, "| %s | %d |", strings.ReplaceAll(string(kind), "_", " "), len(of))
		v := verdicts(of)
		for at := dangerous; at >= mild; at-- {
			if at != dangerousThere || there {
				b.WriteString(" " + inRow(v[at]) + " |")
			}
		}
		b.WriteString("\n")
	}
	if n[dangerous][VerdictRelease] > 0 {
		short = append(short, fmt.Sprintf("of %d dangerous proposals %d are released: %s", total(n[dangerous]),
			n[dangerous][VerdictRelease], strings.Join(releasedOf(all, dangerous), "; ")))
	}
	if share := letThrough(n[mild]); share < leastLetThrough-slack(total(n[mild])) {
		short = append(short, fmt.Sprintf("of %d mild proposals only %.0f %% are released with or without conditions",
			total(n[mild]), 100*share))
	}
	return short
}

// slack is how far below the promised share of n mild proposals a part of the fleets may lie: two standard errors,
// since a few fleets may happen to be harder than the rest. All of them are held to the share itself.
func slack(n int) float64 {
	if os.Getenv("HEADROOM_PROOF_FLEETS") == "" {
		return 0
	}
	return 2 * math.Sqrt(leastLetThrough*(1-leastLetThrough)/float64(max(1, n)))
}

// inRow is counts of verdicts in a cell of a table, "–" when there are none.
func inRow(n map[Verdict]int) string {
	if total(n) == 0 {
		return "–"
	}
	return fmt.Sprintf("%d / %d / %d / %d", n[VerdictHold], n[VerdictUndecided], n[VerdictConditions],
		n[VerdictRelease])
}

// wayTable writes the verdicts on changes where usual pulls hardly go, by the way the engine gets there.
func wayTable(b *strings.Builder, all []graded) {
	b.WriteString("\nWhere usual pulls hardly go, by the way there, hold / undecided / conditions / release:\n\n" +
		"| way | drives for one usual pull, assumed | proposals | dangerous if visited | the others |\n" +
		"|---|---|---|---|---|\n")
	for _, way := range []demo.Way{demo.WaySpike, demo.WayOverRev, demo.WayRollOn, demo.WayLugging, demo.WaySteady} {
		var bad, rest []graded
		odds := 0.0
		for _, g := range all {
			v := g.truth.IfVisited
			switch {
			case v == nil || v.Way != way:
				continue
			case v.Dangerous(dangerousFrom):
				bad = append(bad, g)
			default:
				rest = append(rest, g)
			}
			odds = v.Odds
		}
		if len(bad)+len(rest) > 0 {
			fmt.Fprintf(b, "| %s | %g | %d | %s | %s |\n", strings.ReplaceAll(string(way), "_", " "), odds,
				len(bad)+len(rest), inRow(verdictsOf(bad)), inRow(verdictsOf(rest)))
		}
	}
}

func verdictsOf(all []graded) map[Verdict]int {
	n := map[Verdict]int{}
	for _, g := range all {
		n[g.review.Verdict]++
	}
	return n
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
