package assess

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"sync"
	"testing"

	"headroom/internal/demo"
	"headroom/internal/fleettest"
	"headroom/internal/hazard"
	"headroom/internal/result"

	"github.com/google/go-cmp/cmp"
)

// The four proposed revisions of the demo against the invented fleet's truth, which comes from other equations than the
// fitted model (internal/demo, package comment): the dangerous ones are not released, and each names the truly worst
// hazard first, at speeds where it truly happens.
func TestProposalsAgainstTruth(t *testing.T) {
	dir := fleettest.Demo(t)
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(truth.Proposed) != 4 {
		t.Fatalf("%d proposals in truth.json, want 4", len(truth.Proposed))
	}
	for _, p := range truth.Proposed {
		r := reviewed(t, dir, p.Revision)
		if p.WorstPerPull < 0.2 {
			if r.Verdict != VerdictRelease && r.Verdict != VerdictConditions {
				t.Errorf("%s is truly mild (%s, %.3f a pull) but got %s: %v", p.Revision, p.WorstHazard, p.WorstPerPull,
					r.Verdict, r.Reasons)
			}
			continue
		}
		if r.Verdict == VerdictRelease || r.Verdict == VerdictConditions {
			t.Errorf("%s truly crosses %s in %.2f of pulls but got %s", p.Revision, p.WorstHazard, p.WorstPerPull,
				r.Verdict)
		}
		top := r.Findings[0]
		if top.Hazard != p.WorstHazard {
			t.Errorf("%s: first finding is %s, the truth is %s", p.Revision, top.Hazard, p.WorstHazard)
		}
		if float64(top.Cell.RPM[1]) <= p.RPM[0] || float64(top.Cell.RPM[0]) >= p.RPM[1] {
			t.Errorf("%s: first finding at %v rpm, the revision is dangerous at %v", p.Revision, top.Cell.RPM, p.RPM)
		}
	}
}

// Every hazard of the contract is listed, in its order, with a reason where it is not assessed and with an evidence
// count and an interval around the probability where it is.
func TestEveryHazardIsListed(t *testing.T) {
	j := openJob(t, fleettest.Demo(t))
	for id, rev := range j.ws.Revisions {
		if rev.Status != "proposed" && id != "kestrel-20t-blend-e30-s1" { // whose fuel is stressed by its ethanol
			continue
		}
		r := reviewed(t, j.ws.Dir, id)
		for i, h := range hazard.All() {
			got := r.Hazards[i]
			if got.Hazard != h.ID {
				t.Fatalf("%s: hazard %d is %s, want %s", id, i, got.Hazard, h.ID)
			}
			if got.Status == result.NotAssessed {
				if len(got.Reasons) == 0 || got.ProbabilityPerPull.Known() {
					t.Errorf("%s: %s not assessed needs a reason and no number: %+v", id, h.ID, got)
				}
				continue
			}
			p, lo, hi := got.ProbabilityPerPull, got.Interval90[0], got.Interval90[1]
			if !p.Known() || p < 0 || p > 1 || lo < 0 || hi > 1 || lo > hi || got.Cars == 0 || got.Pulls == 0 {
				t.Errorf("%s: %s lacks evidence or interval: %+v", id, h.ID, got)
			}
		}
	}
}

// auditOfThree is an audit of the fleet of three cars, by two workers on the kept fit; it is made once.
var auditOfThree struct {
	once  sync.Once
	audit *Audit
	err   error
}

func threeAudited(t *testing.T) *Audit {
	t.Helper()
	j := openJob(t, fleettest.Marlins(t))
	auditOfThree.once.Do(func() {
		auditOfThree.audit, auditOfThree.err = j.Audit("author", 2, func(int, int) {})
	})
	if auditOfThree.err != nil {
		t.Fatal(auditOfThree.err)
	}
	return auditOfThree.audit
}

// Same inputs, same bytes: two jobs over one workspace, one that fits anew and one on the kept fit, and audits with one
// and with two workers. HEADROOM_PROOF=1 audits the small fleet's two platforms.
func TestSameBytes(t *testing.T) {
	encode := func(v any, err error) []byte {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	envelopes := func(j *Job) []byte {
		e, err := j.Envelopes()
		return encode(e, err)
	}
	audit := func(j *Job, by string, jobs int) []byte {
		a, err := j.Audit(by, jobs, func(int, int) {})
		return encode(a, err)
	}
	compare := func(dir, by string, keptAudit func(kept *Job) []byte) {
		anew := fleettest.Copy(t, dir)
		fleettest.RemoveFits(t, anew)
		fits, kept := openJob(t, anew), openJob(t, dir)
		if !bytes.Equal(envelopes(fits), envelopes(kept)) {
			t.Error("the envelopes differ between a fresh and a kept fit")
		}
		if !bytes.Equal(audit(fits, by, 1), keptAudit(kept)) {
			t.Error("the audit depends on the number of workers or on whether the fit was kept")
		}
	}
	compare(fleettest.Marlins(t), "author", func(*Job) []byte { return encode(threeAudited(t), nil) })
	if os.Getenv("HEADROOM_PROOF") != "" {
		compare(fleettest.Small(t), "fuel", func(kept *Job) []byte { return audit(kept, "fuel", 2) })
	}
}

// Every revision of the workspace is in the audit exactly once, held ones before the rest, and a group below five
// carries a caution. HEADROOM_PROOF=1 audits the small fleet's two platforms.
func TestAuditRanksEverything(t *testing.T) {
	j := openJob(t, fleettest.Marlins(t))
	checkAudit(t, j, threeAudited(t))
	if os.Getenv("HEADROOM_PROOF") != "" {
		j := openJob(t, fleettest.Small(t))
		a, err := j.Audit("author", 2, func(int, int) {})
		if err != nil {
			t.Fatal(err)
		}
		checkAudit(t, j, a)
	}
	if _, err := j.Audit("colour", 1, func(int, int) {}); err == nil {
		t.Error("grouping by colour was accepted")
	}
}

func checkAudit(t *testing.T, j *Job, a *Audit) {
	t.Helper()
	if len(a.Rows)+len(a.Failed) != len(j.ws.Revisions) {
		t.Errorf("%d scored and %d failed of %d revisions", len(a.Rows), len(a.Failed), len(j.ws.Revisions))
	}
	seen := map[string]bool{}
	for i, r := range a.Rows {
		if r.Rank != i+1 || seen[r.Revision] {
			t.Errorf("row %d: rank %d of %s", i, r.Rank, r.Revision)
		}
		seen[r.Revision] = true
		if i > 0 && slices.Index(Verdicts, r.Verdict) < slices.Index(Verdicts, a.Rows[i-1].Verdict) {
			t.Errorf("%s (%s) ranks below a milder verdict", r.Revision, r.Verdict)
		}
	}
	total := 0
	for _, g := range a.Groups {
		total += g.Revisions
		if (g.Revisions < smallGroup) != (len(g.Reasons) > 0) {
			t.Errorf("group %s of %d: caution %v", g.Group, g.Revisions, g.Reasons)
		}
	}
	if total != len(a.Rows) {
		t.Errorf("groups hold %d of %d revisions", total, len(a.Rows))
	}
}

// A group counts each verdict.
func TestGroupsCountVerdicts(t *testing.T) {
	rows := []AuditRow{{Author: "a", Verdict: VerdictHold}, {Author: "a", Verdict: VerdictRelease},
		{Author: "a", Verdict: VerdictUndecided}, {Author: "a", Verdict: VerdictUndecided},
		{Author: "a", Verdict: VerdictConditions, ReleasedWithoutLog: true}, {Author: "b", Verdict: VerdictHold}}
	want := []AuditGroup{
		{Group: "a", Revisions: 5, Hold: 1, Undecided: 2, Conditions: 1, Release: 1, ReleasedWithoutLog: 1},
		{Group: "b", Revisions: 1, Hold: 1},
	}
	got := groupRows(rows, "author")
	for i := range got {
		got[i].Reasons = nil
	}
	if !cmp.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}

// Taking evidence away never makes a verdict milder (methods: missing evidence is never a pass).
func TestMissingEvidenceIsNeverAPass(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Marlins(t))
	mild := mildProposal(t, dir)
	if r := reviewed(t, fleettest.Marlins(t), mild.Revision); r.Verdict == VerdictUndecided {
		t.Fatalf("with knock control the verdict is %s already (%v): nothing is tested", r.Verdict, r.Reasons)
	}
	fleettest.Cut(t, dir, "platforms/"+mild.Platform+".yaml", "knock_control:", "limits:")
	r, err := openJob(t, dir).Review(mild.Revision)
	if err != nil {
		t.Fatal(err)
	}
	if r.Verdict != VerdictUndecided {
		t.Errorf("without knock control the verdict is %s (%v), want undecided", r.Verdict, r.Reasons)
	}
}

// A revision nobody has logged a pull for is undecided, with every hazard and the reason listed.
func TestNoLogsAtAll(t *testing.T) {
	dir := fleettest.Copy(t, fleettest.Small(t))
	fleettest.RemoveEvidence(t, dir)
	r, err := openJob(t, dir).Review(mildProposal(t, dir).Revision)
	if err != nil {
		t.Fatal(err)
	}
	if r.Verdict != VerdictUndecided || len(r.Hazards) != len(hazard.All()) || len(r.Findings) != 0 {
		t.Fatalf("verdict %s, %d hazards, %d findings", r.Verdict, len(r.Hazards), len(r.Findings))
	}
	for _, h := range r.Hazards {
		if h.Status != result.NotAssessed || len(h.Reasons) == 0 {
			t.Errorf("%+v", h)
		}
	}
}

func mildProposal(t *testing.T, dir string) demo.ProposalTruth {
	t.Helper()
	truth, err := demo.ReadTruth(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range truth.Proposed {
		if p.WorstPerPull < 0.2 {
			return p
		}
	}
	t.Fatal("the demo has no mild proposal")
	return demo.ProposalTruth{}
}

// A review on the kept fit, and an audit of the demo's revisions.
func BenchmarkReview(b *testing.B) {
	j := openJob(b, fleettest.Demo(b))
	truth, err := demo.ReadTruth(j.ws.Dir)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := j.Review(truth.Proposed[0].Revision); err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for b.Loop() {
		if _, err := j.Review(truth.Proposed[0].Revision); err != nil {
			b.Fatal(err)
		}
	}
}

// With a pseudonym key no vehicle id is in a result, and the car's own logs are still found.
func TestPseudonyms(t *testing.T) {
	plain, hidden := fleettest.Marlins(t), fleettest.Copy(t, fleettest.Marlins(t))
	fleettest.AddLines(t, hidden, "headroom.yaml", "privacy: {pseudonym_key: a key of the shop}\n")
	fleettest.RemoveEvidence(t, hidden)
	if err := fleettest.Ingest(hidden); err != nil {
		t.Fatal(err)
	}
	id := mildProposal(t, plain).Revision
	a := reviewed(t, plain, id)
	b, err := openJob(t, hidden).Review(id)
	if err != nil {
		t.Fatal(err)
	}
	if a.Verdict != b.Verdict || len(a.Findings) != len(b.Findings) {
		t.Errorf("the verdict depends on the pseudonyms: %s with %d findings, %s with %d", a.Verdict, len(a.Findings),
			b.Verdict, len(b.Findings))
	}
	text, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(text, []byte("car-00")) {
		t.Errorf("a vehicle id is in the result: %s", text)
	}
}
