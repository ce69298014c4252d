package evidence

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"headroom/internal/runlog"
	"headroom/models/channel"
	"headroom/models/unit"
	"headroom/models/value"
)

// Rows makes the evidence of one run: one Row per segment × cell, ordered by segment, then speed, then load. The run
// is aligned by the setup's lags first. The findings say what was left out or is weak, and why; a setup that cannot
// be worked with (see Setup.Check) gives no rows and one finding of kind "setup".
func Rows(run *runlog.Run, setup *Setup) ([]Row, []runlog.Finding) {
	if err := setup.Check(); err != nil {
		return nil, []runlog.Finding{wholeRun(run, "", KindSetup, err.Error())}
	}
	lags, told := lagsOf(run, setup)
	run = Align(run, lags)
	load, source := AbsoluteLoad(run, setup)
	segments, findings := Segments(run, setup)
	findings = append(findings, told...)
	findings = append(findings, loadFindings(run, setup, load, source)...)
	if len(segments) == 0 || source == LoadNone {
		return nil, findings
	}
	b := newBuilder(run, setup, load, source)
	findings = append(findings, knockFindings(run, b.retard, b.spark, setup.Knock)...)
	var rows []Row
	pulls, lost := 0, 0
	for n, s := range segments {
		made, without := b.segment(n, pulls, s)
		rows = append(rows, made...)
		lost += without
		if s.Kind == KindPull {
			pulls++
		}
	}
	if lost > 0 {
		findings = append(findings, runlog.Finding{
			Channel: channel.AbsoluteLoad, Kind: KindNoCell, From: run.Time[0], To: run.Time[len(run.Time)-1],
			Samples: lost, Removed: true,
			Detail: fmt.Sprintf("%d samples inside segments have no speed or no absolute load and belong to no cell",
				lost),
		})
	}
	return rows, findings
}

// builder holds the channels of one run while its rows are made.
type builder struct {
	run      *runlog.Run
	setup    *Setup
	interval float64
	load     []float64
	source   string
	retard   retard
	spark    spark
	channels map[channel.ID][]float64

	heard []bool // by sample: its spark may be the one at which a rise was heard

	lambdaError, railShortfall, boostError []float64
}

func newBuilder(run *runlog.Run, setup *Setup, load []float64, source string) *builder {
	b := &builder{
		run: run, setup: setup, interval: sampleInterval(run.Time), load: load, source: source,
		retard: totalRetard(run), channels: map[channel.ID][]float64{}, heard: make([]bool, len(run.Time)),
	}
	for _, s := range run.Series {
		b.channels[s.Channel] = logged(run, s.Channel)
	}
	b.spark = sparkOf(run, b.retard)
	b.lambdaError = difference(b.channels[channel.Lambda], b.channels[channel.LambdaCommanded])
	b.railShortfall = difference(b.channels[channel.RailPressureTarget], b.channels[channel.RailPressure])
	b.boostError = difference(b.channels[channel.ManifoldPressure], b.channels[channel.ManifoldPressureTarget])
	return b
}

// cell is one bin of the grid, by its number along each axis.
type cell struct{ rpm, load int }

// content is what a segment left in a cell.
type content struct {
	places  []int // samples, in time order
	seconds float64
	cycles  float64
	knock   *knockCell
}

// leanWindow is how long, in seconds, a mixture must stay lean to count: about what a heated wideband sensor needs to
// settle. The extreme of single samples would be the extreme of the sensor's noise, and more so the faster the log.
// Common practice, no source.
const leanWindow = 0.3

// segment makes the rows of one segment and counts its samples that belong to no cell.
func (b *builder) segment(number, pullsBefore int, s Segment) ([]Row, int) {
	cells := map[cell]*content{}
	lost := 0
	for i := s.From; i < s.To; i++ {
		c, ok := b.cellAt(i)
		if !ok {
			lost++
			continue
		}
		k := cells[c]
		if k == nil {
			k = &content{knock: newKnockCell()}
			cells[c] = k
		}
		k.places = append(k.places, i)
		seconds := b.share(i, s)
		k.seconds += seconds
		k.cycles += b.channels[channel.EngineSpeed][i] / (2 * unit.SecondsPerMinute) * seconds
	}
	b.knock(cells, s)
	lambda := sustained(median3(b.channels[channel.Lambda], s.From, s.To), b.run.Time[s.From:s.To], leanWindow)
	order := make([]cell, 0, len(cells))
	for c := range cells {
		order = append(order, c)
	}
	slices.SortFunc(order, func(a, c cell) int {
		return cmp.Or(cmp.Compare(a.rpm, c.rpm), cmp.Compare(a.load, c.load))
	})
	rows := make([]Row, 0, len(order))
	thinned := b.thin(s)
	for _, c := range order {
		r := b.row(c, cells[c], s, lambda)
		r.Thinned = thinned.of(cells[c])
		r.Segment, r.Order = int32(number), int32(pullsBefore)
		rows = append(rows, r)
	}
	return rows, lost
}

// cellAt is the cell of a sample: bins are closed below and open above.
func (b *builder) cellAt(i int) (cell, bool) {
	rpm, load := b.channels[channel.EngineSpeed][i], b.load[i]
	if !value.Known(rpm) || !value.Known(load) {
		return cell{}, false
	}
	return cell{int(math.Floor(rpm / b.setup.RPMStep)), int(math.Floor(load / b.setup.LoadStep))}, true
}

// share is the time a sample stands for: half the way to each neighbour inside the segment, so that the samples of a
// segment add up to its length. A gap is never counted.
func (b *builder) share(i int, s Segment) float64 {
	seconds := 0.0
	if i > s.From {
		seconds += (b.run.Time[i] - b.run.Time[i-1]) / 2
	}
	if i+1 < s.To {
		seconds += (b.run.Time[i+1] - b.run.Time[i]) / 2
	}
	return seconds
}

// knock books each comparison of total retard in the cell of its second sample.
func (b *builder) knock(cells map[cell]*content, s Segment) {
	threshold := riseThreshold(b.setup.Knock)
	inCell := func(i int) bool {
		_, ok := b.cellAt(i)
		return ok
	}
	entered := func(i int, left float64) *knockCell {
		c, _ := b.cellAt(i)
		k := cells[c].knock
		if math.IsNaN(k.start) {
			k.start = left
		}
		return k
	}
	for i := s.From; i < s.To; i++ {
		if value.Known(at(b.retard.total, i)) && inCell(i) {
			entered(i, b.retard.total[i])
			break
		}
	}
	b.retard.pairs(b.run.Time, b.interval, s, inCell, func(before, i int) {
		r := rise{at: i, before: before, size: b.retard.total[i] - b.retard.total[before]}
		// Retard left over on entering: without what was added at this very sample, and never more than stands here.
		k := entered(i, math.Min(b.retard.total[before], b.retard.total[i]))
		k.compared++
		if r.size >= threshold-1e-9 {
			k.note(r, b.spark, b.retard.total[before])
			b.hear(r, s)
		}
	})
}

// row fills one row.
func (b *builder) row(c cell, k *content, s Segment, lambda []float64) Row {
	get := func(id channel.ID) []float64 { return b.channels[id] }
	meanOf := func(id channel.ID) float64 { return mean(get(id), k.places) }
	largestOf := func(id channel.ID) float64 { return largest(get(id), k.places) }
	risen := func(id channel.ID) float64 { return largestOf(id) - firstUsable(get(id), s.From, s.To) }
	orElse := func(v, fallback float64) float64 {
		if math.IsNaN(v) {
			return fallback
		}
		return v
	}
	inSegment := make([]int, len(k.places))
	for j, i := range k.places {
		inSegment[j] = i - s.From
	}
	leanest := placeOfLargest(lambda, inSegment, s.From)
	set := b.setup
	return Row{
		Platform: set.Platform, Vehicle: set.Vehicle, Revision: set.Revision, Fuel: set.Fuel, Run: set.Run,
		Date:   set.Date,
		Kind:   s.Kind,
		RPMLow: float64(c.rpm) * set.RPMStep, RPMHigh: float64(c.rpm+1) * set.RPMStep,
		LoadLow: float64(c.load) * set.LoadStep, LoadHigh: float64(c.load+1) * set.LoadStep,

		Start: b.run.Time[k.places[0]] - b.run.Time[0], Duration: k.seconds,
		Into:    b.run.Time[k.places[len(k.places)-1]] - b.run.Time[s.From],
		Samples: int32(len(k.places)), SampleInterval: b.interval, Cycles: k.cycles,
		RPM: meanOf(channel.EngineSpeed), Load: mean(b.load, k.places), LoadMax: largest(b.load, k.places),
		LoadSource: b.source,

		SparkDelivered: mean(b.spark.delivered, k.places), SparkCommanded: mean(b.spark.commanded, k.places),
		SparkMax: largest(b.spark.delivered, k.places), SparkSource: b.spark.source,
		KnockLogged: k.knock.compared > 0, KnockSlow: b.retard.slow(set.Knock), RetardInterval: b.retardInterval(),
		KnockEvents: int32(k.knock.events), SparkBefore: k.knock.before, SparkAfter: k.knock.after,
		RiseRetard: k.knock.retard, RiseClean: b.cleanSpark(k),
		Bound: b.sample(b.bounding(k)), Entry: b.sample(k.places[0]), Exit: b.sample(k.places[len(k.places)-1]),
		Peak:       b.sample(b.peak(k)),
		RetardRise: b.riseSum(k), RetardMax: largest(b.retard.total, k.places), RetardStart: k.knock.start,

		Lambda: meanOf(channel.Lambda), LambdaLeanest: largest(lambda, inSegment),
		LeanestRPM: leanest.of(get(channel.EngineSpeed)), LeanestLoad: leanest.of(b.load),
		LambdaCommanded: meanOf(channel.LambdaCommanded), LambdaError: mean(b.lambdaError, k.places),
		ShortTermTrim: meanOf(channel.ShortTermTrim), LongTermTrim: meanOf(channel.LongTermTrim),

		InjectorDuty: largestOf(channel.InjectorDuty), InjectorPulse: largestOf(channel.InjectorPulse),
		RailPressure: smallest(get(channel.RailPressure), k.places), RailShortfall: largest(b.railShortfall, k.places),

		ManifoldPressure: meanOf(channel.ManifoldPressure), ManifoldPressureMax: largestOf(channel.ManifoldPressure),
		ManifoldPressureTarget: meanOf(channel.ManifoldPressureTarget),
		BoostError:             mean(b.boostError, k.places), BoostOvershoot: largest(b.boostError, k.places),
		TargetRate:    b.rate(get(channel.ManifoldPressureTarget), k, s),
		SpeedRate:     b.rate(get(channel.EngineSpeed), k, s),
		WastegateDuty: largestOf(channel.WastegateDuty), MassAirFlow: meanOf(channel.MassAirFlow),

		ChargeTemperature:     meanOf(channel.ChargeTemperature),
		ChargeTemperatureMax:  largestOf(channel.ChargeTemperature),
		ChargeTemperatureRise: risen(channel.ChargeTemperature),
		CoolantTemperature:    largestOf(channel.CoolantTemperature), CoolantRise: risen(channel.CoolantTemperature),
		OilTemperature: largestOf(channel.OilTemperature), OilRise: risen(channel.OilTemperature),
		ExhaustTemperature: largestOf(channel.ExhaustTemperature), ExhaustRise: risen(channel.ExhaustTemperature),
		ExhaustRate: trendAtLargest(b.run.Time[s.From:s.To], within(get(channel.ExhaustTemperature), s), inSegment),

		Ethanol:       meanOf(channel.EthanolShare),
		Barometer:     orElse(orElse(meanOf(channel.BarometricPressure), set.Barometer), b.statedBarometer()),
		BarometerMore: b.barometerMore(),
		Ambient:       orElse(meanOf(channel.AmbientTemperature), set.Ambient),
		Gear:          s.Gear,
		IntakeCam:     meanOf(channel.IntakeCam), ExhaustCam: meanOf(channel.ExhaustCam),
	}
}

// barometerMore is by how much, kPa, the manifold may have held more than was read, because the surrounding air had to
// be assumed.
func (b *builder) barometerMore() float64 {
	if !b.run.ManifoldAssumed {
		return 0
	}
	return b.run.Assumed.High - b.run.Assumed.KPa
}

// statedBarometer is what was stated of the log's surroundings, NaN where nothing was.
func (b *builder) statedBarometer() float64 {
	if b.run.Barometer > 0 {
		return b.run.Barometer
	}
	return math.NaN()
}

// sample reads all that is judged at one instant.
func (b *builder) sample(i int) Sample {
	get := func(id channel.ID) float64 { return at(b.channels[id], i) }
	return Sample{
		RPM: get(channel.EngineSpeed), Load: b.load[i], Delivered: at(b.spark.delivered, i),
		Commanded: at(b.spark.commanded, i),
		Manifold:  get(channel.ManifoldPressure), Target: get(channel.ManifoldPressureTarget),
		Charge: get(channel.ChargeTemperature), Torque: get(channel.Torque),
	}
}

// peak is the first sample with the highest manifold pressure, or load where no pressure was logged.
func (b *builder) peak(k *content) int {
	pressure := b.channels[channel.ManifoldPressure]
	best, most := k.places[0], math.Inf(-1)
	for _, i := range k.places {
		v := at(pressure, i)
		if pressure == nil {
			v = b.load[i]
		}
		if v > most {
			best, most = i, v
		}
	}
	return best
}

// rate is how fast a channel moves over the cell, per second: from the sample before it to the sample after it, where
// the segment has them.
func (b *builder) rate(values []float64, k *content, s Segment) float64 {
	first, last := k.places[0], k.places[len(k.places)-1]
	first, last = max(first-1, s.From), min(last+1, s.To-1)
	seconds := b.run.Time[last] - b.run.Time[first]
	if !(seconds > 0) {
		return math.NaN()
	}
	return (at(values, last) - at(values, first)) / seconds
}

// trendWithin is how far from an instant, in seconds, samples tell the trend there: as short as gas temperature changes
// along a pull, and long enough that noise of a kelvin or two leaves a few kelvin a second. Common practice, no source.
const trendWithin = 0.5

// trend is the slope of the least-squares line through what a channel shows within trendWithin of a sample, a second,
// and at least from the sample before it to the one after it. NaN where fewer than two of these are known.
func trend(time, values []float64, at int) float64 {
	from, to := at, at
	for from > 0 && (from == at || time[from-1] >= time[at]-trendWithin) {
		from--
	}
	for to+1 < len(time) && (to == at || time[to+1] <= time[at]+trendWithin) {
		to++
	}
	var x, y []float64
	for i := from; i <= to; i++ {
		if value.Known(values[i]) {
			x, y = append(x, time[i]-time[at]), append(y, values[i])
		}
	}
	if len(x) < 2 {
		return math.NaN()
	}
	_, slope := stat.LinearRegression(x, y, nil, false)
	return slope
}

// trendAtLargest is the trend of a channel, nil where it is not logged, where the largest of some of its values lies.
func trendAtLargest(time, values []float64, places []int) float64 {
	if values == nil {
		return math.NaN()
	}
	at := placeOfLargest(values, places, 0)
	if at < 0 {
		return math.NaN()
	}
	return trend(time, values, int(at))
}

// within is a channel's part in a segment, nil where it is not logged.
func within(values []float64, s Segment) []float64 {
	if values == nil {
		return nil
	}
	return values[s.From:s.To]
}

// instant is a sample of the run, none below 0.
type instant int

// of is what a channel shows at an instant, NaN where there is none or it is not logged.
func (i instant) of(values []float64) float64 {
	if i < 0 {
		return math.NaN()
	}
	return at(values, int(i))
}

// placeOfLargest is where the first largest of some values of a segment that begins at from lies.
func placeOfLargest(values []float64, places []int, from int) instant {
	most := largest(values, places)
	for _, i := range places {
		if values[i] == most {
			return instant(from + i)
		}
	}
	return -1
}

// retardInterval is NaN when knock retard is not logged.
func (b *builder) retardInterval() float64 {
	if b.retard.total == nil {
		return math.NaN()
	}
	return b.retard.interval
}

// riseSum is NaN where retard could not be compared: unknown is not zero.
func (b *builder) riseSum(k *content) float64 {
	if k.knock.compared == 0 {
		return math.NaN()
	}
	return k.knock.sum
}
