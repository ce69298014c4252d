package assess

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"

	"golang.org/x/sync/errgroup"

	"headroom/internal/evidence"
	"headroom/internal/store"
	"headroom/internal/workspace"
	"headroom/models/lifetime"
	"headroom/models/risk"
)

// Backtest is the estimator's own record (schema headroom/backtest/1): every past revision that was logged, predicted
// from what was known before its first own log, and set beside what its own pulls did.
type Backtest struct {
	Stamp
	Revisions   int                  `json:"revisions"`    // with own pulls
	Predicted   int                  `json:"predicted"`    // of them, with a prediction that could be scored
	UndatedRows int                  `json:"undated_rows"` // rows of evidence left out because their log has no date
	Overall     BacktestScore        `json:"overall"`      // all hazards together
	Hazards     []BacktestScore      `json:"hazards"`      // every hazard of the contract, in the contract's order
	Predictions []BacktestPrediction `json:"predictions"`  // by date, revision and hazard
	Fits        []BacktestFit        `json:"fits"`         // by platform and date
	NotScored   []AuditError         `json:"not_scored"`   // revisions with own pulls but without a prediction
	Rules       []string             `json:"rules"`        // how the numbers are made
	Cautions    []string             `json:"cautions"`
}

// BacktestScore is the record of one hazard. Scores are per pull; smaller is better but for skill.
type BacktestScore struct {
	Hazard           string        `json:"hazard"`
	Status           string        `json:"status"` // scored | not_scored
	Why              string        `json:"why"`    // what could not be said, and why
	Revisions        int           `json:"revisions"`
	Pulls            int           `json:"pulls"`
	Crossed          int           `json:"crossed"`       // of the pulls
	ThinRevisions    int           `json:"thin"`          // of the revisions: predicted on evidence the verdict calls thin
	BaseRate         Number        `json:"base_rate"`     // mean over the pulls of the share known before
	Stated           Number        `json:"stated"`        // mean over the pulls of the predicted probability
	Brier            Number        `json:"brier"`         // Brier (1950)
	BrierBase        Number        `json:"brier_base"`    // of the base rate known before
	BrierNaive       Number        `json:"brier_naive"`   // of "as the car's last log"
	SkillBase        Number        `json:"skill_base"`    // 1 − brier/brier_base
	SkillBase90      Span          `json:"skill_base90"`  // 90 % interval, whole revisions resampled
	SkillNaive       Number        `json:"skill_naive"`   // 1 − brier/brier_naive
	SkillNaive90     Span          `json:"skill_naive90"` // 90 % interval
	LogScore         Number        `json:"log_score"`     // nats
	LogScoreBase     Number        `json:"log_score_base"`
	CalibrationError Number        `json:"calibration_error"`
	Reliability      []BacktestBin `json:"reliability"`
	Bands            BacktestBands `json:"bands"`
}

// Status of a BacktestScore.
const (
	StatusScored    = "scored"
	StatusNotScored = "not_scored"
)

// BacktestBin is one bin of a reliability table.
type BacktestBin struct {
	Stated     Span   `json:"stated"`   // edges of the bin
	Mean       Number `json:"mean"`     // stated probability, over the bin's pulls
	Observed   Number `json:"observed"` // share of the bin's pulls that crossed
	Interval90 Span   `json:"interval90"`
	Predicted  int    `json:"predictions"`
	Pulls      int    `json:"pulls"`
	Crossed    int    `json:"crossed"`
}

// BacktestBands says how often the 90 % bands held.
type BacktestBands struct {
	Counts         int    `json:"counts"`          // predictions whose number of crossings had a band
	CountsHeld     int    `json:"counts_held"`     // of them
	CountsExpected Number `json:"counts_expected"` // share the bands should hold, 0.90 or more: counts are whole
	Margins        int    `json:"margins"`         // pulls whose worst margin was measured
	MarginsHeld    int    `json:"margins_held"`    // of them
	Margins90      Span   `json:"margins_held90"`  // exact binomial interval of the share held, pulls taken as independent
	MarginsBelow   int    `json:"margins_below"`   // worse than the band: the dangerous side
}

// BacktestPrediction is one hazard of one revision: what would have been said, and what happened.
type BacktestPrediction struct {
	Revision           string           `json:"revision"`
	Platform           string           `json:"platform"`
	Vehicle            string           `json:"vehicle"`
	Date               string           `json:"date"`       // of the first own log: only earlier rows were known
	FitBefore          string           `json:"fit_before"` // the platform's model knew only rows dated before this day
	Hazard             string           `json:"hazard"`
	Status             string           `json:"status"` // assessed | thin
	Cars               int              `json:"cars"`
	KnownPulls         int              `json:"known_pulls"` // behind the prediction
	ProbabilityPerPull Number           `json:"probability_per_pull"`
	Interval90         Span             `json:"interval90"`
	BaseRate           Number           `json:"base_rate"`
	Naive              Number           `json:"naive"`
	Pulls              int              `json:"pulls"` // own, in which the hazard was measured
	Crossed            int              `json:"crossed"`
	Band90             [2]int           `json:"crossed_band90"` // the number of crossings foreseen
	Inside             bool             `json:"inside"`         // the number seen lies in the band
	Margins            []BacktestMargin `json:"margins"`        // none for knock: a log shows retard, not how far the limit is

	expected float64 // probability that the band holds
}

// BacktestMargin sets the band of the smallest margin of a pull beside the own pulls.
type BacktestMargin struct {
	Metric string `json:"metric"`
	Unit   string `json:"unit"`
	Band90 Span   `json:"band90"`
	Seen   Span   `json:"seen"` // smallest and largest worst margin of an own pull
	Pulls  int    `json:"pulls"`
	Held   int    `json:"held"`
	Below  int    `json:"below"`
}

// BacktestFit is one fit of a platform to what was known before a day.
type BacktestFit struct {
	Platform string `json:"platform"`
	Before   string `json:"before"`
	Cars     int    `json:"cars"`
	Pulls    int    `json:"pulls"`
	Used     int    `json:"revisions"` // predicted with it
}

// Choices of the backtest; common practice, no source.
const (
	refitGrowth    = 1.25 // a platform is fitted anew once this many times as many pulls are known as at the last fit
	logScoreFloor  = 1e-3 // probabilities nearer to 0 or 1 count as this far away: rarer than a fleet's logs can show
	skillResamples = 1000
	fewRevisions   = 10 // below this the scores of a hazard say little
)

// reliabilityEdges are closer where most revisions lie and where the verdict turns.
var reliabilityEdges = []float64{0, 0.01, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1}

// backtestRules are printed with the record.
var backtestRules = []string{
	"A revision counts when its car (for a revision meant for the fleet: any car) has pulls logged on it. Its date is that of its first own log, steady stretches included, whichever car made it. All its own pulls count, however much later: faults and wear that came since are in them.",
	"The prediction uses only rows dated before that day; rows of logs without a date are left out of both sides. Limits, fuels and calibration tables are those the workspace holds today.",
	fmt.Sprintf("Going forward in time, a platform is fitted anew at a revision's date once the pulls known before it are %g times those of the last fit; until then the last fit serves. So a later log cannot move an earlier prediction. The pulls the revision is judged on are picked up to its own date.", refitGrowth),
	"A pull crosses a hazard when a measured metric passes its limit in any cell, for knock when total retard passes the tolerated retard. The probability is that of the worst of the hazard's measured limits.",
	"Base rate: share of the platform's pulls known before that crossed the hazard, (crossed + ½) / (pulls + 1) (Jeffreys' prior). Naive rule: every pull will be as the car's last log before, outside when any pull of it crossed, smoothed likewise with the pulls of that log; the base rate where the car has no log of the hazard and for a revision meant for the fleet.",
	"Brier score: mean over pulls of (probability − outcome)². Skill: 1 − score / score of the rule compared with; its 90 % interval resamples whole revisions. " +
		fmt.Sprintf("Log score: mean of −ln of the probability given to what happened, probabilities kept %g away from 0 and 1. Calibration error: mean over pulls of the distance between stated and seen in the pull's bin.", logScoreFloor),
	"Count bands: the number of own pulls that crossed lies between the 5 and the 95 % quantile of the binomial counts mixed over the uncertainty of the probability. Counts are whole, so such bands should hold more often than 90 %: how often is stated.",
	"Margin bands: the smallest margin of each own pull lies in the 90 % band given for the smallest margin of a pull. Knock has none, because a log shows how much retard was taken and not how far the limit was.",
	"Pulls of one day share fuel and weather, so the pulls of a revision are not independent: intervals that count pulls are too narrow, those over revisions are not.",
}

// backtestTask is one revision to be predicted.
type backtestTask struct {
	rev  *workspace.Revision
	car  string
	date string
	fit  int // into the platform's fits; −1: nothing was known
	own  []*evidence.Row
}

// backtestPlatform is a platform with its dated rows, the days it is fitted before, and its revisions in date order.
type backtestPlatform struct {
	*platform
	rows    []evidence.Row // dated ones, in the store's order
	dates   []string       // of every pull, sorted
	before  []string       // the day each fit knows nothing from or after
	fits    []*platformFit
	fitErrs []error
	tasks   []*backtestTask
	undated int
}

// Backtest predicts every revision that has pulls of its own from the rows dated before its first own log, and scores
// the predictions. The result does not depend on jobs; done is called after each fit and prediction, from any goroutine.
func (j *Job) Backtest(jobs int, done func(finished, total int)) (*Backtest, error) {
	out := &Backtest{
		Stamp:   j.stamp("headroom/backtest/1"),
		Hazards: []BacktestScore{}, Predictions: []BacktestPrediction{}, Fits: []BacktestFit{}, NotScored: []AuditError{},
		Rules: backtestRules, Cautions: []string{},
	}
	var all []*backtestPlatform
	total := 0
	for _, id := range slices.Sorted(maps.Keys(j.ws.Platforms)) {
		p, err := j.backtestPlan(id)
		if err != nil {
			return nil, err
		}
		all = append(all, p)
		total += len(p.before) + len(p.tasks)
		out.Revisions += len(p.tasks)
		out.UndatedRows += p.undated
	}
	var finished atomic.Int64
	step := func() { done(int(finished.Add(1)), total) }
	fitAll(all, jobs, step)
	if err := j.predictAll(out, all, jobs, step); err != nil {
		return nil, err
	}
	for _, p := range all {
		out.Fits = append(out.Fits, p.fitList()...)
	}
	if err := j.score(out); err != nil {
		return nil, err
	}
	out.Cautions = append(out.cautions(), StandingCautions...)
	return out, nil
}

// backtestPlan reads a platform's rows and lays out what is predicted when, from what.
func (j *Job) backtestPlan(id string) (*backtestPlatform, error) {
	rows, err := j.store.Rows(store.Filter{Platform: id})
	if err != nil {
		return nil, fmt.Errorf("evidence of platform %s: %w", id, err)
	}
	return j.planFrom(id, rows), nil
}

// planFrom lays out a platform's backtest over rows in the store's order.
func (j *Job) planFrom(id string, rows []evidence.Row) *backtestPlatform {
	p := &backtestPlatform{platform: newPlatform(j.ws, j.ws.Platforms[id])}
	for i := range rows {
		if rows[i].Date == "" {
			p.undated++
			continue
		}
		p.rows = append(p.rows, rows[i])
	}
	first := map[string]string{}
	pulls := newIndex[string]()
	for i := range p.rows {
		r := &p.rows[i]
		if day, ok := first[r.Revision]; !ok || r.Date < day {
			first[r.Revision] = r.Date
		}
		if n := len(pulls.keys); r.Kind == evidence.KindPull && pulls.of(pullID(r)) == n {
			p.dates = append(p.dates, r.Date)
		}
	}
	slices.Sort(p.dates)
	for _, revID := range slices.Sorted(maps.Keys(first)) {
		rev, ok := j.ws.Revisions[revID]
		if !ok || rev.Platform != id {
			continue
		}
		t := &backtestTask{rev: rev, car: j.carOf(rev), date: first[revID]}
		t.own = filterRows(pullRows(p.rows), func(r *evidence.Row) bool {
			return r.Revision == revID && (t.car == "" || r.Vehicle == t.car)
		})
		if len(t.own) == 0 {
			continue
		}
		p.tasks = append(p.tasks, t)
	}
	slices.SortStableFunc(p.tasks, func(a, b *backtestTask) int {
		return cmp.Or(cmp.Compare(a.date, b.date), cmp.Compare(a.rev.ID, b.rev.ID))
	})
	p.planFits()
	return p
}

// pullsBefore is how many pulls are dated before a day.
func (p *backtestPlatform) pullsBefore(day string) int {
	n, _ := slices.BinarySearch(p.dates, day)
	return n
}

// rowsBefore are the rows dated before a day: all that was known then.
func (p *backtestPlatform) rowsBefore(day string) []evidence.Row {
	var out []evidence.Row
	for i := range p.rows {
		if p.rows[i].Date < day {
			out = append(out, p.rows[i])
		}
	}
	return out
}

// planFits gives each revision the fit it is predicted with: a new one where enough has become known, else the last.
func (p *backtestPlatform) planFits() {
	last := 0
	for _, t := range p.tasks {
		t.fit = -1
		known := p.pullsBefore(t.date)
		if known == 0 {
			continue
		}
		if len(p.before) == 0 || float64(known) >= refitGrowth*float64(last) {
			p.before = append(p.before, t.date)
			last = known
		}
		t.fit = len(p.before) - 1
	}
	p.fits, p.fitErrs = make([]*platformFit, len(p.before)), make([]error, len(p.before))
}

// fitAll makes every planned fit; a fit that fails leaves its revisions without a prediction.
func fitAll(all []*backtestPlatform, jobs int, step func()) {
	var g errgroup.Group
	g.SetLimit(max(1, jobs))
	for _, p := range all {
		for i := len(p.before) - 1; i >= 0; i-- { // the largest first
			g.Go(func() error {
				p.fits[i], p.fitErrs[i] = p.fitPlatform(p.rowsBefore(p.before[i]))
				step()
				return nil
			})
		}
	}
	_ = g.Wait() // errors are kept a fit
}

func (p *backtestPlatform) fitList() []BacktestFit {
	out := make([]BacktestFit, len(p.before))
	for i, day := range p.before {
		known := pullRows(p.rowsBefore(day))
		out[i] = BacktestFit{Platform: p.ID, Before: day, Cars: countCars(known), Pulls: countPulls(known)}
	}
	for _, t := range p.tasks {
		if t.fit >= 0 {
			out[t.fit].Used++
		}
	}
	return out
}

// predictAll predicts every revision, in parallel, and collects the predictions in date order.
func (j *Job) predictAll(out *Backtest, all []*backtestPlatform, jobs int, step func()) error {
	type job struct {
		p *backtestPlatform
		t *backtestTask
	}
	var work []job
	for _, p := range all {
		for _, t := range p.tasks {
			work = append(work, job{p, t})
		}
	}
	slices.SortStableFunc(work, func(a, b job) int {
		return cmp.Or(cmp.Compare(a.t.date, b.t.date), cmp.Compare(a.t.rev.ID, b.t.rev.ID))
	})
	made := make([][]BacktestPrediction, len(work))
	left := make([]error, len(work))
	var g errgroup.Group
	g.SetLimit(max(1, jobs))
	for i, w := range work {
		g.Go(func() error {
			defer step()
			made[i], left[i] = j.predictBefore(w.p, w.t)
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for i, w := range work {
		if left[i] != nil {
			out.NotScored = append(out.NotScored, AuditError{Revision: w.t.rev.ID, Error: left[i].Error()})
			continue
		}
		out.Predicted++
		out.Predictions = append(out.Predictions, made[i]...)
	}
	return nil
}

// predictBefore is what would have been said of a revision the day before its first own log, hazard by hazard, beside
// what its own pulls did.
func (j *Job) predictBefore(p *backtestPlatform, t *backtestTask) ([]BacktestPrediction, error) {
	if t.fit < 0 {
		return nil, fmt.Errorf("no pull of platform %s is dated before its first own log on %s", p.ID, t.date)
	}
	if err := p.fitErrs[t.fit]; err != nil {
		return nil, fmt.Errorf("no fit to what was known before %s: %w", p.before[t.fit], err)
	}
	f := p.fits[t.fit]
	before := p.rowsBefore(t.date)
	b, err := p.benchFor(f, j.asOf(t), before, t.rev, t.car)
	if err != nil {
		return nil, err
	}
	b.seed = j.Seed()
	var out []BacktestPrediction
	for _, h := range workspace.Hazards() {
		evals, _, err := p.hazardEvaluations(f, b, h)
		if err != nil {
			return nil, err
		}
		pr, ok, err := p.compare(t, pullRows(before), h, evals)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", h.Name, err)
		}
		if ok {
			pr.FitBefore = p.before[t.fit]
			pr.Vehicle = j.alias(t.rev.Vehicle)
			out = append(out, pr)
		}
	}
	if len(out) == 0 {
		return nil, errors.New("no hazard was both predicted and measured in its own pulls")
	}
	return out, nil
}

// asOf is the workspace without what a vehicle's row says of a hardware change after the revision's date.
func (j *Job) asOf(t *backtestTask) *workspace.Workspace {
	v := j.ws.Vehicles[t.rev.Vehicle]
	if v == nil || v.HardwareDate <= t.date {
		return j.ws
	}
	then := *v
	then.HardwareDate = ""
	ws := *j.ws
	ws.Vehicles = maps.Clone(j.ws.Vehicles)
	ws.Vehicles[v.ID] = &then
	return &ws
}

// compare sets the evaluations of a hazard beside the own pulls, before being the pulls known at the time; ok is false when nothing was both predicted and
// measured.
func (p *backtestPlatform) compare(t *backtestTask, before []*evidence.Row, h workspace.HazardInfo, evals []*evaluation) (out BacktestPrediction, ok bool, err error) {
	seen := map[string]map[string]float64{} // by metric
	worst := (*evaluation)(nil)
	for _, e := range evals {
		margins := p.pullMargins(e.metric, h, t.own)
		if len(margins) == 0 {
			continue
		}
		seen[e.metric] = margins
		if worst == nil || e.result.Probability > worst.result.Probability {
			worst = e
		}
	}
	if worst == nil {
		return out, false, nil
	}
	out = BacktestPrediction{
		Revision: t.rev.ID, Platform: p.ID, Date: t.date, Hazard: h.Name, Status: StatusAssessed,
		Cars: worst.cars, KnownPulls: worst.pulls, ProbabilityPerPull: Number(worst.result.Probability),
		Interval90: Span{Number(worst.result.Low), Number(worst.result.High)}, Margins: []BacktestMargin{},
	}
	if worst.measured && p.thin(worst.cars, worst.pulls) != "" {
		out.Status = StatusThin
	}
	metrics := slices.Sorted(maps.Keys(seen))
	out.Pulls, out.Crossed = tally(crossings(seen))
	out.BaseRate = Number(smoothed(tally(p.outcomes(h, metrics, before))))
	out.Naive = Number(p.naive(t, before, h, metrics, float64(out.BaseRate)))
	band, err := risk.CrossingBand(worst.result.Draws, out.Pulls)
	if err != nil {
		return out, false, err
	}
	out.Band90, out.Inside, out.expected = [2]int{band.Low, band.High}, band.Holding(out.Crossed), band.Holds
	for _, e := range evals {
		if margins := seen[e.metric]; len(margins) > 0 && e.metric != knockMetric {
			out.Margins = append(out.Margins, heldMargins(e, margins))
		}
	}
	return out, true, nil
}

// heldMargins counts the pulls whose smallest margin lies in the band.
func heldMargins(e *evaluation, margins map[string]float64) BacktestMargin {
	w := e.result.Worst
	out := BacktestMargin{
		Metric: e.metric, Unit: e.unit, Band90: Span{Number(w.Low), Number(w.High)},
		Seen: Span{Number(math.Inf(1)), Number(math.Inf(-1))}, Pulls: len(margins),
	}
	for _, m := range margins {
		out.Seen[0], out.Seen[1] = min(out.Seen[0], Number(m)), max(out.Seen[1], Number(m))
		switch {
		case m < w.Low:
			out.Below++
		case m <= w.High:
			out.Held++
		}
	}
	return out
}

// pullMargins is the smallest measured margin of each pull to the limits of one metric, positive inside; pulls in which
// it was not measured, or met no limit, are not in it. For knock the margin is what was left of the tolerated retard.
func (p *platform) pullMargins(name string, h workspace.HazardInfo, rows []*evidence.Row) map[string]float64 {
	out := map[string]float64{}
	note := func(r *evidence.Row, margin float64) {
		if !known(margin) {
			return
		}
		id := pullID(r)
		if old, ok := out[id]; !ok || margin < old {
			out[id] = margin
		}
	}
	if name == knockMetric {
		for _, r := range rows {
			if p.KnockControl != nil && r.KnockLogged {
				note(r, p.KnockControl.ToleratedRetardDeg-r.RetardMax)
			}
		}
		return out
	}
	m := metricNamed(name)
	if m == nil || m.measured == nil {
		return out
	}
	for _, l := range p.LimitsFor(h.Name) {
		if l.Metric != name {
			continue
		}
		for _, r := range rows {
			note(r, p.measuredMargin(m, l, r))
		}
	}
	return out
}

// crossings merges margins by metric into one answer a pull: did it cross any limit?
func crossings(seen map[string]map[string]float64) map[string]bool {
	out := map[string]bool{}
	for _, margins := range seen {
		for pull, m := range margins {
			out[pull] = out[pull] || m < 0
		}
	}
	return out
}

func tally(crossed map[string]bool) (pulls, crossings int) {
	for _, c := range crossed {
		if c {
			crossings++
		}
	}
	return len(crossed), crossings
}

// outcomes says of each pull in which one of the metrics was measured whether it crossed.
func (p *platform) outcomes(h workspace.HazardInfo, metrics []string, rows []*evidence.Row) map[string]bool {
	seen := map[string]map[string]float64{}
	for _, m := range metrics {
		seen[m] = p.pullMargins(m, h, rows)
	}
	return crossings(seen)
}

// smoothed is a share with half a pull added to both sides (Jeffreys' prior for a binomial share: Brown, Cai &
// DasGupta, Statistical Science 16, 2001).
func smoothed(pulls, crossed int) float64 { return (float64(crossed) + 0.5) / (float64(pulls) + 1) }

// naive is the rule of thumb: all pulls will be as those of the car's last log that measured the hazard.
func (p *platform) naive(t *backtestTask, before []*evidence.Row, h workspace.HazardInfo, metrics []string, base float64) float64 {
	if t.car == "" {
		return base
	}
	byRun := newIndex[string]()
	var runs [][]*evidence.Row
	for _, r := range filterRows(before, func(r *evidence.Row) bool { return r.Vehicle == t.car }) {
		i := byRun.of(r.Date + "\x00" + r.Run)
		if i == len(runs) {
			runs = append(runs, nil)
		}
		runs[i] = append(runs[i], r)
	}
	for _, key := range slices.Backward(slices.Sorted(slices.Values(byRun.keys))) {
		pulls, crossed := tally(p.outcomes(h, metrics, runs[byRun.known[key]]))
		if pulls == 0 {
			continue
		}
		if crossed > 0 {
			crossed = pulls
		}
		return smoothed(pulls, crossed)
	}
	return base
}

// score fills the record of every hazard and of all together.
func (j *Job) score(out *Backtest) error {
	seed := j.Seed()
	for _, h := range workspace.Hazards() {
		mine := []BacktestPrediction{}
		for _, p := range out.Predictions {
			if p.Hazard == h.Name {
				mine = append(mine, p)
			}
		}
		s, err := scoreOf(h.Name, mine, seed)
		if err != nil {
			return fmt.Errorf("score of %s: %w", h.Name, err)
		}
		if len(mine) == 0 {
			s.Why = j.neverScored(h)
		}
		out.Hazards = append(out.Hazards, s)
	}
	var err error
	if out.Overall, err = scoreOf("all", out.Predictions, seed); err != nil {
		return fmt.Errorf("score of all hazards: %w", err)
	}
	if out.Overall.SkillBase.Known() {
		out.Overall.Why = joinReasons(out.Overall.Why, "hazards that hardly ever cross lift the skill of all together: read it hazard by hazard")
	}
	return nil
}

// neverScored says why a hazard has no record.
func (j *Job) neverScored(h workspace.HazardInfo) string {
	if h.Name == workspace.Knock {
		return "no own pull of a predicted revision has knock retard, or no knock model could be fitted before one"
	}
	var metrics []string
	measurable := false
	for _, m := range h.Metrics {
		if of := metricNamed(m.Name); of != nil && of.measured != nil {
			measurable = true
		}
		metrics = append(metrics, metricWords(m.Name))
	}
	what := strings.Join(metrics, ", ")
	if !measurable {
		return what + ": no log can measure it, so a prediction cannot be held against one"
	}
	limited := slices.ContainsFunc(slices.Sorted(maps.Keys(j.ws.Platforms)), func(id string) bool { return len(j.ws.Platforms[id].LimitsFor(h.Name)) > 0 })
	if !limited {
		return "no platform file has a limit for it"
	}
	return what + ": no revision has it both predicted from earlier logs and measured in its own pulls where the limit applies"
}

// scoreOf is the record of some predictions.
func scoreOf(hazard string, predictions []BacktestPrediction, seed uint64) (BacktestScore, error) {
	none := Number(math.NaN())
	s := BacktestScore{
		Hazard: hazard, Status: StatusNotScored, BaseRate: none, Stated: none, Brier: none, BrierBase: none, BrierNaive: none,
		SkillBase: none, SkillBase90: Span{none, none}, SkillNaive: none, SkillNaive90: Span{none, none},
		LogScore: none, LogScoreBase: none, CalibrationError: none, Reliability: []BacktestBin{},
		Bands: BacktestBands{CountsExpected: none, Margins90: Span{none, none}},
	}
	if len(predictions) == 0 {
		s.Why = "no revision was predicted"
		return s, nil
	}
	s.Status = StatusScored
	stated, base, naive := s.count(predictions)
	if err := s.scores(stated, base, naive); err != nil {
		return s, err
	}
	if err := s.skills(groupsOf(predictions), stated, base, naive, seed); err != nil {
		return s, err
	}
	return s, s.calibration(stated)
}

// count adds up what was seen and returns the forecasts of the estimator, the base rate and the naive rule.
func (s *BacktestScore) count(predictions []BacktestPrediction) (stated, base, naive []risk.Forecast) {
	revisions := newIndex[string]()
	thin := newIndex[string]()
	expected, of, b := 0.0, 0.0, 0.0
	for _, p := range predictions {
		revisions.of(p.Revision)
		if p.Status == StatusThin {
			thin.of(p.Revision)
		}
		s.Pulls += p.Pulls
		s.Crossed += p.Crossed
		stated = append(stated, risk.Forecast{Probability: float64(p.ProbabilityPerPull), Pulls: p.Pulls, Crossed: p.Crossed})
		base = append(base, risk.Forecast{Probability: float64(p.BaseRate), Pulls: p.Pulls, Crossed: p.Crossed})
		naive = append(naive, risk.Forecast{Probability: float64(p.Naive), Pulls: p.Pulls, Crossed: p.Crossed})
		of += float64(p.ProbabilityPerPull) * float64(p.Pulls)
		b += float64(p.BaseRate) * float64(p.Pulls)
		s.Bands.Counts++
		if p.Inside {
			s.Bands.CountsHeld++
		}
		expected += p.expected
		for _, m := range p.Margins {
			s.Bands.Margins += m.Pulls
			s.Bands.MarginsHeld += m.Held
			s.Bands.MarginsBelow += m.Below
		}
	}
	s.Revisions, s.ThinRevisions = len(revisions.keys), len(thin.keys)
	s.Stated, s.BaseRate = Number(of/float64(s.Pulls)), Number(b/float64(s.Pulls))
	s.Bands.CountsExpected = Number(expected / float64(s.Bands.Counts))
	return stated, base, naive
}

func (s *BacktestScore) scores(stated, base, naive []risk.Forecast) error {
	for _, x := range []struct {
		to *Number
		of []risk.Forecast
	}{{&s.Brier, stated}, {&s.BrierBase, base}, {&s.BrierNaive, naive}} {
		v, err := risk.Brier(x.of)
		if err != nil {
			return err
		}
		*x.to = Number(v)
	}
	for _, x := range []struct {
		to *Number
		of []risk.Forecast
	}{{&s.LogScore, stated}, {&s.LogScoreBase, base}} {
		v, err := risk.LogScore(x.of, logScoreFloor)
		if err != nil {
			return err
		}
		*x.to = Number(v)
	}
	return nil
}

// groupsOf numbers each prediction's revision, in order.
func groupsOf(predictions []BacktestPrediction) []int {
	revisions := newIndex[string]()
	out := make([]int, len(predictions))
	for i, p := range predictions {
		out[i] = revisions.of(p.Revision)
	}
	return out
}

// skills compares with the base rate and with the naive rule, unless the outcomes are all alike.
func (s *BacktestScore) skills(groups []int, stated, base, naive []risk.Forecast, seed uint64) error {
	switch {
	case s.Crossed == 0:
		s.Why = "no pull crossed: skill is not defined, because every rule that says \"never\" is right"
		return nil
	case s.Crossed == s.Pulls:
		s.Why = "every pull crossed: skill is not defined, because every rule that says \"always\" is right"
		return nil
	}
	if s.Revisions < fewRevisions {
		s.Why = fmt.Sprintf("%s: too few to tell skill from luck", count(s.Revisions, "revision"))
	}
	for i, x := range []struct {
		skill    *Number
		interval *Span
		brier    Number
		of       []risk.Forecast
	}{{&s.SkillBase, &s.SkillBase90, s.BrierBase, base}, {&s.SkillNaive, &s.SkillNaive90, s.BrierNaive, naive}} {
		v, err := risk.Skill(float64(s.Brier), float64(x.brier))
		if err != nil {
			return err
		}
		*x.skill = Number(v)
		if s.Revisions < 2 {
			continue
		}
		low, high, err := risk.SkillInterval(sums(groups, stated), sums(groups, x.of), skillResamples, rand.New(rand.NewPCG(seed, uint64(i))))
		if err != nil {
			return err
		}
		*x.interval = Span{Number(low), Number(high)}
	}
	return nil
}

// sums adds up squared errors by revision.
func sums(groups []int, forecasts []risk.Forecast) []float64 {
	out := make([]float64, slices.Max(groups)+1)
	for i, f := range forecasts {
		out[groups[i]] += f.SquaredError()
	}
	return out
}

// calibration fills the reliability table, its error, and the interval of the margin bands.
func (s *BacktestScore) calibration(stated []risk.Forecast) error {
	bins, err := risk.Reliability(stated, reliabilityEdges)
	if err != nil {
		return err
	}
	s.CalibrationError = Number(risk.CalibrationError(bins))
	for _, b := range bins {
		in, err := lifetime.ShareInterval(b.Crossed, b.Pulls, 0.9)
		if err != nil {
			return err
		}
		s.Reliability = append(s.Reliability, BacktestBin{
			Stated: Span{Number(b.From), Number(b.To)}, Mean: Number(b.Mean), Observed: Number(b.Share),
			Interval90: Span{Number(in.Low), Number(in.High)}, Predicted: b.Forecasts, Pulls: b.Pulls, Crossed: b.Crossed,
		})
	}
	if s.Bands.Margins == 0 {
		return nil
	}
	in, err := lifetime.ShareInterval(s.Bands.MarginsHeld, s.Bands.Margins, 0.9)
	if err != nil {
		return err
	}
	s.Bands.Margins90 = Span{Number(in.Low), Number(in.High)}
	return nil
}

// cautions are what this record cannot show.
func (b *Backtest) cautions() []string {
	var out []string
	if b.Predicted == 0 {
		out = append(out, "Nothing could be scored: the estimator has no record on this workspace yet.")
	}
	if b.UndatedRows > 0 {
		out = append(out, fmt.Sprintf("%s of evidence left out because their logs have no date: name them in runs.csv or begin the file name with YYYY-MM-DD.", count(b.UndatedRows, "row")))
	}
	if b.Predicted > 0 && b.Predicted < fewRevisions {
		out = append(out, fmt.Sprintf("%s: too few for a record.", count(b.Predicted, "revision")))
	}
	if b.Predicted > 0 {
		out = append(out, "Revisions that were thought too dangerous were not logged, so the record is of the milder ones; it says less about a proposal beyond them.")
	}
	return out
}
