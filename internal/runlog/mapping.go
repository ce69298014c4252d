package runlog

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"headroom/models/channel"
	"headroom/models/unit"
)

// bid is one column's settled offer to be a channel.
type bid struct {
	column     int
	claim      claim
	reading    reading
	confidence float64
	lag        float64
	header     string // as the series names it
	mapped     bool   // by the user's channel map
	empty      []bool // cells the file leaves empty, nil when none
	origins    []origin
}

// mapper settles which column is which channel.
type mapper struct {
	tb      *table
	rule    FileRule
	ctx     *context
	columns []Column
	claims  [][]claim
	userBy  map[int]ColumnRule
	series  map[channel.ID]bid
	notes   []Finding

	sample   int          // rows by which all this was settled
	unfilled map[int]bool // columns without a reading in them
	private  map[int]bool // columns known to be private after them
}

// order is the sequence in which channels are settled: first those by which the others are judged.
var order = func() []channel.ID {
	ids := []channel.ID{channel.EngineSpeed, channel.VehicleSpeed, channel.ThrottlePosition, channel.PedalPosition,
		channel.BarometricPressure, channel.CoolantTemperature, channel.OilTemperature, channel.ManifoldPressure,
		channel.Lambda}
	for _, d := range channel.All() {
		if !slices.Contains(ids, d.ID) {
			ids = append(ids, d.ID)
		}
	}
	return ids
}()

// mapColumns settles every column but the time column.
func mapColumns(tb *table, rule FileRule, opts Options, cw *clockwork) *mapper {
	m := &mapper{tb: tb, rule: rule, ctx: &context{opts: opts, seconds: cw.seconds}, series: map[channel.ID]bid{},
		userBy: map[int]ColumnRule{},
		sample: tb.rows, unfilled: map[int]bool{}, private: map[int]bool{}}
	m.columns = make([]Column, len(tb.columns))
	m.claims = make([][]claim, len(tb.columns))
	for i, c := range tb.columns {
		m.columns[i] = Column{Index: i, Header: c.header}
		m.unfilled[i], m.private[i] = c.filled == 0, c.private != ""
		m.prepare(i, c, cw)
	}
	m.noteMissingRules()
	for _, id := range order {
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
func (m *mapper) prepare(i int, c *column, cw *clockwork) {
	col := &m.columns[i]
	switch {
	case i == cw.index:
		col.Reason, col.Confidence = cw.describe(), 1
		return
	case c.private != "":
		col.Reason = "not read: " + c.private
		m.notes = append(m.notes, Finding{Kind: KindPrivacy, Removed: true, Detail: fmt.Sprintf("column %d was "+
			"dropped: %s", i+1, c.private)})
		return
	}
	if r, ok := m.rule.find(c.header); ok {
		if r.Channel == "none" {
			col.Reason, col.Confidence = fmt.Sprintf("left out by channels.yaml line %d", r.Line), 1
			return
		}
		m.userBy[i] = r
		m.claims[i] = []claim{userClaim(r, c)}
		return
	}
	if why, ok := cw.others[i]; ok {
		col.Reason = "not used: " + why
		return
	}
	if c.header == "" {
		col.Reason = "not used: no header"
		return
	}
	m.claims[i] = matchHeader(c.header, c.unitsRow)
}

// userClaim is the claim a channels.yaml line makes. Without a unit the header's is taken.
func userClaim(r ColumnRule, c *column) claim {
	cl := claim{id: channel.ID(r.Channel), mapped: true, confidence: 1, why: fmt.Sprintf("channels.yaml line %d",
		r.Line)}
	if r.Unit != "" {
		u, marked, _ := unit.ParseMarked(r.Unit)
		cl.unit = headerUnit{name: c.header, text: r.Unit, unit: u, marked: marked, known: u != ""}
	} else {
		ways := cutUnits(c.header, c.unitsRow)
		cl.unit = ways[0]
		for _, way := range ways {
			if way.known && acceptsUnit(cl.id, way.unit) {
				cl.unit = way
				break
			}
		}
	}
	n := parseName(cl.unit.name)
	cl.phi, cl.afr, cl.cylinder = n.has("equivalence"), n.has("afr"), n.cylinder
	cl.gauge = n.has("boost")
	return cl
}

// noteMissingRules reports channels.yaml lines whose header the file does not have.
func (m *mapper) noteMissingRules() {
	for _, r := range m.rule.Columns {
		found := slices.ContainsFunc(m.tb.columns,
			func(c *column) bool { return foldHeader(c.header) == foldHeader(r.Header) })
		if !found && r.Channel != "none" {
			m.notes = append(m.notes, Finding{Channel: channel.ID(r.Channel), Kind: KindMissing,
				Detail: fmt.Sprintf("channels.yaml line %d names column %q, which the file does not have", r.Line,
					r.Header)})
		}
	}
}

// settle picks the column of one channel.
func (m *mapper) settle(id channel.ID) {
	var bids []bid
	for i, claims := range m.claims {
		if len(claims) == 0 || claims[0].id != id || m.columns[i].Reason != "" {
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
			id, m.tb.columns[best.column].header, best.confidence, b.confidence, b.claim.why)
		m.columns[b.column].RunnerUp = string(id)
	}
	if len(bids) > 1 {
		best.claim.why += fmt.Sprintf("; preferred to %q", m.tb.columns[bids[1].column].header)
	}
	m.take(best)
}

// bid reads a column by its best claim; a claim that fails leaves the column out with the reason.
func (m *mapper) bid(i int, claims []claim) (bid, bool) {
	c, col := claims[0], &m.columns[i]
	if len(claims) > 1 {
		col.RunnerUp = fmt.Sprintf("%s (%.2f)", claims[1].id, claims[1].confidence)
	}
	rule, mapped := m.userBy[i]
	raw, from := m.tb.columns[i].values, origin{column: i}
	if mapped && (rule.Scale != 0 || rule.Offset != 0) {
		from.preScale, from.preOffset = rule.Scale, rule.Offset
		if rule.Scale == 0 {
			from.preScale = 1
		}
		raw = apply(raw, from.preScale, from.preOffset)
	}
	if !mapped && c.confidence < threshold {
		col.Reason = fmt.Sprintf("not used: nearest is %s, but %s; name it in channels.yaml if that is what it holds",
			c.id, c.why)
		col.Confidence, col.RunnerUp = c.confidence, string(c.id)
		return bid{}, false
	}
	if m.tb.columns[i].filled == 0 {
		col.Reason = fmt.Sprintf("not used: named like %s, but it holds no numbers", c.id)
		return bid{}, false
	}
	r, f := m.ctx.read(c, raw)
	if f != nil {
		col.Reason = fmt.Sprintf("not used: %s (%s), but %s", c.id, c.why, f.why)
		col.RunnerUp = string(c.id)
		return bid{}, false
	}
	confidence := c.confidence * r.confidence
	if mapped {
		confidence = 1
	} else if confidence < threshold {
		col.Reason = fmt.Sprintf("not used: %s (%s; %s) has a confidence of only %.2f; name it in channels.yaml if "+
			"that is what it holds", c.id, c.why, r.why, confidence)
		col.Confidence, col.RunnerUp = confidence, string(c.id)
		return bid{}, false
	}
	if m.ctx.imperial = m.ctx.imperial || r.imperial; rule.Lag > 0 {
		c.why += fmt.Sprintf(", lag %g s", rule.Lag)
	}
	from.conv = r.conv
	return bid{column: i, origins: []origin{from}, header: m.tb.columns[i].header, claim: c, reading: r,
		empty: emptyCells(m.tb.columns[i].values), confidence: confidence, lag: rule.Lag, mapped: mapped}, true
}

// contested leaves out columns that claim a channel about equally well and disagree.
func (m *mapper) contested(bids []bid) bool {
	best, second := bids[0], bids[1]
	if best.mapped != second.mapped || best.confidence-second.confidence > 0.045 ||
		agree(best.reading.values, second.reading.values) {
		return false
	}
	for _, b := range bids {
		if best.confidence-b.confidence > 0.045 {
			m.columns[b.column].Reason = fmt.Sprintf("not used: %s, and better columns for it disagree", b.claim.id)
			continue
		}
		var rivals []string
		for _, o := range bids {
			if o.column != b.column {
				rivals = append(rivals, fmt.Sprintf("%q", m.tb.columns[o.column].header))
			}
		}
		m.columns[b.column].Reason = fmt.Sprintf("not used: ambiguous, %s is claimed as well by %s with other "+
			"readings; choose in channels.yaml", b.claim.id, strings.Join(rivals, ", "))
		m.columns[b.column].RunnerUp = string(b.claim.id)
		m.columns[b.column].Confidence = b.confidence
	}
	return true
}

// agree reports whether two columns tell the same within a hundredth of their span.
func agree(a, b []float64) bool {
	s := finite(a)
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
		if b.claim.cylinder > 0 {
			byCylinder++
		}
	}
	if byCylinder == 0 {
		return false
	}
	merged := bids[0]
	merged.reading.values = slices.Clone(merged.reading.values)
	merged.origins = nil
	var headers []string
	for _, b := range bids {
		merged.origins = append(merged.origins, b.origins...)
		headers = append(headers, b.header)
		for i, v := range b.reading.values {
			merged.reading.values[i] = larger(v, merged.reading.values[i])
		}
		merged.confidence = math.Min(merged.confidence, b.confidence)
	}
	for _, b := range bids {
		m.use(b, fmt.Sprintf("%s; %s; the largest of %d columns is taken", b.claim.why, b.reading.why, len(bids)))
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

// take records the column of a channel and what later columns are judged by.
func (m *mapper) take(b bid) {
	m.use(b, b.claim.why+"; "+b.reading.why)
	m.keep(b)
}

// use fills a column's record.
func (m *mapper) use(b bid, reason string) {
	col := &m.columns[b.column]
	col.Channel, col.Unit, col.Confidence, col.Reason = b.claim.id, b.reading.unit, b.confidence, reason
}

// keep stores a series and widens the context.
func (m *mapper) keep(b bid) {
	m.series[b.claim.id] = b
	for _, f := range b.reading.notes {
		f.Channel = b.claim.id
		m.notes = append(m.notes, f)
	}
	switch b.claim.id {
	case channel.EngineSpeed:
		m.ctx.speed = b.reading.values
	case channel.VehicleSpeed:
		m.ctx.road = b.reading.values
	case channel.ThrottlePosition:
		m.ctx.opening = b.reading.values
	case channel.PedalPosition:
		if m.ctx.opening == nil {
			m.ctx.opening = b.reading.values
		}
	case channel.BarometricPressure:
		m.ctx.baro = b.reading.values
	case channel.ManifoldPressure:
		m.ctx.manifold = b.reading.values
	case channel.Lambda:
		m.ctx.lambda = b.reading.values
	}
}

// explain says why a column nobody claimed is not used.
func (m *mapper) explain(i int) {
	c, col := m.tb.columns[i], &m.columns[i]
	switch {
	case c.filled == 0 && c.texts > 0:
		col.Reason = "not used: text"
	case c.filled == 0:
		col.Reason = "not used: empty"
	default:
		col.Reason = "not used: its name is no channel's"
	}
}
