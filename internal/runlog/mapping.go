package runlog

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"headroom/internal/runlog/channelmap"
	"headroom/internal/runlog/header"
	"headroom/internal/runlog/reading"
	"headroom/internal/runlog/samples"
	"headroom/internal/runlog/source"
	"headroom/internal/runlog/timebase"
	"headroom/models/channel"
	"headroom/models/unit"
)

// threshold is the confidence below which a column is left out; from nearly on it is told as one that misses its
// channel by its name.
const (
	threshold = 0.6
	nearly    = 0.5
)

// LackChoice is what columns lack that claim one channel equally well and disagree.
const LackChoice reading.Lack = "choice"

// bid is one column's settled offer to be a channel.
type bid struct {
	column     int
	claim      header.Claim
	reading    reading.Reading
	confidence float64
	lag        float64
	header     string // as the series names it
	mapped     bool   // by the user's channel map
	empty      []bool // cells the file leaves empty, nil when none
	origins    []origin
}

// mapper settles which column is which channel.
type mapper struct {
	tb      *source.Table
	rule    channelmap.FileRule
	ctx     *reading.Context
	columns []Column
	claims  [][]header.Claim
	userBy  map[int]channelmap.ColumnRule
	series  map[channel.ID]bid
	notes   []Finding

	sample   int          // rows by which all this was settled
	unfilled map[int]bool // columns without a reading in them
	private  map[int]bool // columns known to be private after them

	keepUnread bool // columns left out are handed on with their numbers
}

// order is the sequence in which channels are settled: first those by which the others are judged.
var order = func() []channel.ID {
	ids := []channel.ID{channel.EngineSpeed, channel.VehicleSpeed, channel.ThrottlePosition, channel.PedalPosition,
		channel.BarometricPressure, channel.CoolantTemperature, channel.OilTemperature, channel.ManifoldPressure,
		channel.Lambda, channel.MassAirFlow, channel.InjectorPulse}
	for _, d := range channel.All() {
		if !slices.Contains(ids, d.ID) {
			ids = append(ids, d.ID)
		}
	}
	return ids
}()

// mapColumns settles every column but the time column.
func mapColumns(tb *source.Table, rule channelmap.FileRule, opts Options, axis *timebase.Axis) *mapper {
	logger := rule.Logger().Over(opts.Logger)
	rule.LambdaLagS = logger.LambdaLag
	ctx := &reading.Context{Barometer: logger.Barometer, Stoich: logger.Stoich, Displacement: opts.Displacement,
		Seconds: axis.Seconds, Standard: math.NaN()}
	if logger.Altitude != nil {
		ctx.Altitude, ctx.Standard = *logger.Altitude, channelmap.StandardPressure(*logger.Altitude)
	}
	if opts.Barometer > 0 {
		ctx.Barometer = opts.Barometer
	}
	if opts.Stoich > 0 {
		ctx.Stoich = opts.Stoich
	}
	m := &mapper{tb: tb, rule: rule, ctx: ctx, series: map[channel.ID]bid{}, userBy: map[int]channelmap.ColumnRule{},
		sample: tb.Rows, unfilled: map[int]bool{}, private: map[int]bool{},
		keepUnread: opts.KeepUnread}
	m.columns = make([]Column, len(tb.Columns))
	m.claims = make([][]header.Claim, len(tb.Columns))
	for i, c := range tb.Columns {
		m.columns[i] = Column{Index: i, Header: c.Header}
		m.unfilled[i], m.private[i] = c.Filled == 0, c.Private != ""
		m.prepare(i, c, axis)
	}
	m.noteMissingRules()
	m.noteHardware()
	for _, id := range order {
		if id == channel.Lambda {
			m.learnStoich()
		}
		m.settle(id)
	}
	for i := range m.columns {
		if m.columns[i].Channel == "" && m.columns[i].Reason == "" {
			m.explain(i)
		}
	}
	return m
}

// prepare gathers a column's claims, or says at once why it is not used.
func (m *mapper) prepare(i int, c *source.Column, axis *timebase.Axis) {
	col := &m.columns[i]
	switch {
	case i == axis.Column:
		col.Reason, col.Confidence = axis.Describe(), 1
		return
	case c.Private != "":
		col.Reason = "not read: " + c.Private
		m.notes = append(m.notes, Finding{Kind: KindPrivacy, Removed: true, Detail: fmt.Sprintf("column %d was "+
			"dropped: %s", i+1, c.Private)})
		return
	}
	if r, ok := m.rule.Find(c.Header); ok {
		if r.Channel == "none" {
			col.Reason, col.Confidence = fmt.Sprintf("left out by channels.yaml line %d", r.Line), 1
			return
		}
		m.userBy[i] = r
		m.claims[i] = []header.Claim{header.Stated(channel.ID(r.Channel), r.Unit, c.Header, c.UnitsRow,
			fmt.Sprintf("channels.yaml line %d", r.Line))}
		return
	}
	if why, ok := axis.PassedOver[i]; ok {
		col.Reason = "not used: " + why
		return
	}
	if c.Header == "" {
		col.Reason = "not used: no header"
		return
	}
	m.claims[i] = header.Match(c.Header, c.UnitsRow)
}

// noteHardware notes what the names of the columns tell of the engine: that its air is metered, that it is charged.
func (m *mapper) noteHardware() {
	for _, claims := range m.claims {
		if len(claims) == 0 || claims[0].Confidence < threshold {
			continue
		}
		switch c := claims[0]; c.Channel {
		case channel.MassAirFlow:
			m.ctx.Metered = true
		case channel.ManifoldPressureTarget, channel.WastegateDuty:
			m.ctx.Forced = true
		case channel.ManifoldPressure:
			m.ctx.Forced = m.ctx.Forced || c.Gauge
		}
	}
}

// noteMissingRules reports channels.yaml lines whose header the file does not have.
func (m *mapper) noteMissingRules() {
	for _, r := range m.rule.Columns {
		found := slices.ContainsFunc(m.tb.Columns,
			func(c *source.Column) bool { return header.Fold(c.Header) == header.Fold(r.Header) })
		if !found && r.Channel != "none" {
			m.notes = append(m.notes, Finding{Channel: channel.ID(r.Channel), Kind: KindMissing,
				Detail: fmt.Sprintf("channels.yaml line %d names column %q, which the file does not have", r.Line,
					r.Header)})
		}
	}
}

// learnStoich learns the scale of air–fuel ratios from the column of the commanded one, where there is just one.
func (m *mapper) learnStoich() {
	commanded := -1
	for i, claims := range m.claims {
		if len(claims) == 0 || claims[0].Channel != channel.LambdaCommanded || m.columns[i].Reason != "" {
			continue
		}
		if commanded >= 0 {
			return
		}
		commanded = i
	}
	if commanded < 0 {
		return
	}
	if rule := m.userBy[commanded]; rule.Scale == 0 && rule.Offset == 0 {
		m.ctx.LearnStoich(m.tb.Columns[commanded].Values)
	}
}

// settle picks the column of one channel.
func (m *mapper) settle(id channel.ID) {
	var bids []bid
	for i, claims := range m.claims {
		if len(claims) == 0 || claims[0].Channel != id || m.columns[i].Reason != "" {
			continue
		}
		if b, ok := m.bid(i, claims); ok {
			bids = append(bids, b)
		}
	}
	if len(bids) == 0 {
		return
	}
	if id == channel.KnockRetard && m.mergeCylinders(bids) {
		return
	}
	sort.SliceStable(bids, func(a, b int) bool {
		if bids[a].mapped != bids[b].mapped {
			return bids[a].mapped
		}
		return bids[a].confidence > bids[b].confidence
	})
	best := bids[0]
	if len(bids) > 1 && m.contested(bids) {
		return
	}
	for _, b := range bids[1:] {
		m.columns[b.column].Reason = fmt.Sprintf("not used: %s is read from %q instead (confidence %.2f against "+
			"%.2f); %s",
			id, m.tb.Columns[best.column].Header, best.confidence, b.confidence, b.claim.Why)
		m.columns[b.column].RunnerUp = string(id)
	}
	if len(bids) > 1 {
		best.claim.Why += fmt.Sprintf("; preferred to %q", m.tb.Columns[bids[1].column].Header)
	}
	m.assign(best)
}

// bid reads a column by its best claim; a claim that fails leaves the column out with the reason.
func (m *mapper) bid(i int, claims []header.Claim) (bid, bool) {
	c, col := claims[0], &m.columns[i]
	if len(claims) > 1 {
		col.RunnerUp = fmt.Sprintf("%s (%.2f)", claims[1].Channel, claims[1].Confidence)
	}
	rule, mapped := m.userBy[i]
	raw, from := m.tb.Columns[i].Values, origin{column: i}
	if mapped && (rule.Scale != 0 || rule.Offset != 0) {
		from.preScale, from.preOffset = rule.Scale, rule.Offset
		if rule.Scale == 0 {
			from.preScale = 1
		}
		raw = samples.Scaled(raw, from.preScale, from.preOffset)
	}
	if !mapped && c.Confidence < threshold {
		col.Reason = fmt.Sprintf("not used: nearest is %s, but %s; name it in channels.yaml if that is what it holds",
			c.Channel, c.Why)
		col.Confidence, col.RunnerUp = c.Confidence, string(c.Channel)
		if c.Confidence >= nearly {
			col.Wanted, col.Lack = c.Channel, reading.LackName
		}
		return bid{}, false
	}
	if m.tb.Columns[i].Filled == 0 {
		col.Reason = fmt.Sprintf("not used: named like %s, but it holds no numbers", c.Channel)
		return bid{}, false
	}
	r, err := m.ctx.Read(c, raw)
	if err != nil {
		col.Reason = fmt.Sprintf("not used: %s (%s), but %v", c.Channel, c.Why, err)
		col.RunnerUp = string(c.Channel)
		var refusal *reading.Refusal
		if errors.As(err, &refusal) {
			col.Wanted, col.WantedUnit, col.Lack = c.Channel, refusal.Unit, refusal.Lack
		}
		return bid{}, false
	}
	confidence := c.Confidence * r.Confidence
	if mapped {
		confidence = 1
	} else if confidence < threshold {
		col.Reason = fmt.Sprintf("not used: %s (%s; %s) has a confidence of only %.2f; name it in channels.yaml if "+
			"that is what it holds", c.Channel, c.Why, r.Why, confidence)
		col.Confidence, col.RunnerUp = confidence, string(c.Channel)
		col.Wanted, col.WantedUnit, col.Lack = c.Channel, r.Unit, reading.LackName
		return bid{}, false
	}
	if c.Channel == channel.Lambda && rule.Lag == 0 {
		rule.Lag = m.rule.LambdaLagS
	}
	if m.ctx.Imperial = m.ctx.Imperial || r.Imperial; rule.Lag > 0 {
		c.Why += fmt.Sprintf(", lag %g s", rule.Lag)
	}
	from.conv = r.Conversion
	return bid{column: i, origins: []origin{from}, header: m.tb.Columns[i].Header, claim: c, reading: r,
		empty: emptyCells(m.tb.Columns[i].Values), confidence: confidence, lag: rule.Lag, mapped: mapped}, true
}

// contested leaves out columns that claim a channel about equally well and disagree.
func (m *mapper) contested(bids []bid) bool {
	best, second := bids[0], bids[1]
	if best.mapped != second.mapped || best.confidence-second.confidence > 0.045 ||
		agree(best.reading.Values, second.reading.Values) {
		return false
	}
	for _, b := range bids {
		if best.confidence-b.confidence > 0.045 {
			m.columns[b.column].Reason = fmt.Sprintf("not used: %s, and better columns for it disagree",
				b.claim.Channel)
			continue
		}
		var rivals []string
		for _, o := range bids {
			if o.column != b.column {
				rivals = append(rivals, fmt.Sprintf("%q", m.tb.Columns[o.column].Header))
			}
		}
		m.columns[b.column].Reason = fmt.Sprintf("not used: ambiguous, %s is claimed as well by %s with other "+
			"readings; choose in channels.yaml", b.claim.Channel, strings.Join(rivals, ", "))
		m.columns[b.column].RunnerUp = string(b.claim.Channel)
		m.columns[b.column].Confidence = b.confidence
		m.columns[b.column].Wanted, m.columns[b.column].WantedUnit = b.claim.Channel, b.reading.Unit
		m.columns[b.column].Lack = LackChoice
	}
	return true
}

// agree reports whether two columns tell the same within a hundredth of their span.
func agree(a, b []float64) bool {
	s := samples.Sorted(a)
	if len(s) == 0 {
		return false
	}
	span := math.Max(s[len(s)-1]-s[0], 1e-6)
	n, off := 0, 0
	for i := range a {
		if math.IsNaN(a[i]) || math.IsNaN(b[i]) {
			continue
		}
		n++
		if math.Abs(a[i]-b[i]) > 0.01*span {
			off++
		}
	}
	return n > 0 && off*20 <= n
}

// mergeCylinders makes knock retard of one column a cylinder: the largest of them, together with a column for the whole
// engine when there is one, so that no cylinder's knock is lost.
func (m *mapper) mergeCylinders(bids []bid) bool {
	byCylinder := 0
	for _, b := range bids {
		if b.mapped != bids[0].mapped {
			return false
		}
		if b.claim.Cylinder > 0 {
			byCylinder++
		}
	}
	if byCylinder == 0 {
		return false
	}
	merged := bids[0]
	merged.reading.Values = slices.Clone(merged.reading.Values)
	merged.origins = nil
	var headers []string
	for _, b := range bids {
		merged.origins = append(merged.origins, b.origins...)
		headers = append(headers, b.header)
		for i, v := range b.reading.Values {
			merged.reading.Values[i] = larger(v, merged.reading.Values[i])
		}
		merged.confidence = math.Min(merged.confidence, b.confidence)
	}
	for _, b := range bids {
		m.use(b, fmt.Sprintf("%s; %s; the largest of %d columns is taken", b.claim.Why, b.reading.Why, len(bids)))
	}
	merged.header = strings.Join(headers, " + ")
	m.keep(merged)
	return true
}

// larger of two readings, the present one when the other is absent.
func larger(a, b float64) float64 {
	switch {
	case math.IsNaN(a):
		return b
	case math.IsNaN(b):
		return a
	}
	return math.Max(a, b)
}

// assign records the column of a channel and what later columns are judged by.
func (m *mapper) assign(b bid) {
	m.use(b, b.claim.Why+"; "+b.reading.Why)
	m.keep(b)
}

// use fills a column's record.
func (m *mapper) use(b bid, reason string) {
	col := &m.columns[b.column]
	col.Channel, col.Unit, col.Confidence, col.Reason = b.claim.Channel, b.reading.Unit, b.confidence, reason
	col.Stoich = b.reading.Stoich()
}

// keep stores a series and widens the context.
func (m *mapper) keep(b bid) {
	m.series[b.claim.Channel] = b
	m.notes = append(m.notes, readingFindings(b.claim.Channel, b.reading)...)
	m.ctx.Keep(b.claim.Channel, b.reading)
}

// candidates names the channels that a column's written unit leaves, for the user to choose from; "" where the unit
// says little.
func (m *mapper) candidates(i int) string {
	for _, way := range header.Units(m.tb.Columns[i].Header, m.tb.Columns[i].UnitsRow) {
		if !way.Known || way.Unit.Quantity() == unit.Count || way.Text == way.Name {
			continue
		}
		var ids []string
		for _, d := range channel.All() {
			if _, taken := m.series[d.ID]; !taken && header.Accepts(d.ID, way.Unit) {
				ids = append(ids, string(d.ID))
			}
		}
		if n := len(ids); n > 0 && n <= 4 {
			return fmt.Sprintf("; in %s it could be %s: name it in channels.yaml", way.Unit, strings.Join(ids, ", "))
		}
	}
	return ""
}

// explain says why a column nobody claimed is not used.
func (m *mapper) explain(i int) {
	c, col := m.tb.Columns[i], &m.columns[i]
	switch {
	case c.Filled == 0 && c.Texts > 0:
		col.Reason = "not used: text"
	case c.Filled == 0:
		col.Reason = "not used: empty"
	default:
		col.Reason = "not used: its name is no channel's" + m.candidates(i)
	}
}
