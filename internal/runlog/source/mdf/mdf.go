// Package mdf answers one question: which readings do the blocks of an ASAM MDF 4 file hold?
//
// It follows the open standard ASAM MDF, versions 4.00 to 4.20 (ASAM e.V., "ASAM MDF: Measurement Data Format"), from
// memory. Records are read in order, so that a file of any length takes bounded memory. What is no number, or cannot be
// told without doubt, is left out with its reason; a file that contradicts itself is a *fault.Fault without its name.
package mdf

import (
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"strings"

	"headroom/internal/fault"
	"headroom/models/unit"
)

// Magic and Unfinished are how files begin: those that were closed, and those whose recorder never did.
const (
	Magic      = "MDF "
	Unfinished = "UnFi"
)

// File is what an MDF file describes.
type File struct {
	Version string // as the file writes it, such as "4.10"
	Groups  []*Group
}

// Group is the channels that were recorded together.
type Group struct {
	Name     string // of its recording, else its number in the file from 1
	Channels []*Channel
	Left     string // why none of it is read, "" when it is
	Records  uint64
	Surplus  int64 // bytes behind the last counted record, which are not read

	// its records are those of another group's time and it has no channels of its own
	Clock bool

	time   *Channel
	scale  float64 // from its unit to seconds
	clock  *Group  // whose records hold the time, nil where they are the group's own
	layout layout
	image  *image
	stored stored

	place, clockAt int64  // of its description, and of the group's that holds its time, 0 for its own
	flags          uint16 // of its description
	alone          bool   // no other group's records lie among its own
	described      *block // the data group's; the same for all groups whose records lie mixed
}

// layout is how records of a group lie among those of others.
type layout struct {
	idSize   int    // bytes of the number before each record, 0 without one
	id       uint64 // of the group's own
	data     int    // bytes of readings
	invalid  int    // bytes of invalidation bits behind them
	siblings map[uint64]int64
}

// variable is the size of a sibling's records when each states its own.
const variable = -1

// Channel is one quantity of a group.
type Channel struct {
	Name string
	Unit string // the channel's, else its conversion's, "" when neither states one
	Left string // why it is not read, "" when it is

	field      field
	invalidBit int // among the invalidation bits, −1 when readings are always valid
	rule       *rule
	virtual    bool // the record's number from 0 is the reading
	sync       byte
	master     bool
}

// Open reads what a file of size bytes describes. Data of more than limit bytes, unpacked, is refused.
func Open(r io.ReaderAt, size, limit int64) (*File, error) {
	m := &image{r: r, size: size, met: map[int64]bool{}, texts: map[int64]string{}}
	if size < idSize+headSize {
		return nil, broken(size, "the file ends within its head")
	}
	var id [idSize]byte
	if err := m.read(id[:], 0); err != nil {
		return nil, err
	}
	file := &File{Version: strings.Trim(string(id[8:16]), " \x00")}
	switch version := binary.LittleEndian.Uint16(id[28:]); {
	case string(id[:len(Unfinished)]) == Unfinished:
		return nil, &fault.Fault{What: "is a measurement (ASAM MDF) that its recorder never finished",
			Remedy: "finish it with the recorder's own program, then export it again"}
	case version < 400 || version >= 500:
		return nil, &fault.Fault{What: fmt.Sprintf("is ASAM MDF of version %d.%02d, of which only 4 is read",
			version/100, version%100), Remedy: "export it as MDF 4 or as delimited text"}
	}
	head, err := m.block(idSize, "HD", 1, 0)
	if err != nil {
		return nil, err
	}
	rules := ruleBook{image: m, known: map[int64]*rule{}}
	total := int64(0)
	for at := head.link[0]; at != 0; {
		dg, err := m.linked(at, "DG", 4, 1)
		if err != nil {
			return nil, err
		}
		groups, err := m.dataGroup(dg, rules, len(file.Groups))
		if err != nil {
			return nil, err
		}
		for _, g := range groups[:min(1, len(groups))] { // they share their data
			if total += g.stored.size + g.stored.invalidSize; total > limit {
				return nil, &fault.Fault{What: fmt.Sprintf("unpacks to more than the reader's limit of %d bytes",
					limit), Remedy: "split the log into shorter ones"}
			}
		}
		file.Groups = append(file.Groups, groups...)
		at = dg.link[0]
	}
	return file, file.settle()
}

// settle finds the time of each group, which may be another's, and says which groups are read.
func (f *File) settle() error {
	byPlace := map[int64]*Group{}
	for _, g := range f.Groups {
		byPlace[g.place] = g
	}
	for _, g := range f.Groups {
		if g.flags&groupRemote == 0 {
			continue
		}
		c := byPlace[g.clockAt]
		if c == nil || c.flags&groupRemote != 0 {
			continue
		}
		if g.time = c.time; c.Records != g.Records {
			return broken(g.place, "group %s has %d records, and that of its time %d", g.Name, g.Records, c.Records)
		}
		g.clock = c
		c.Clock = c.Clock || len(c.Channels) == 0
	}
	for _, g := range f.Groups {
		g.leaveOut()
	}
	for _, g := range f.Groups {
		if err := g.measure(); err != nil {
			return err
		}
	}
	return nil
}

// linked is block, of one that may be linked to once.
func (m *image) linked(at int64, id string, links, size int) (*block, error) {
	if err := m.once(at); err != nil {
		return nil, err
	}
	return m.block(at, id, links, size)
}

// dataGroup reads the channel groups whose records share one stream of data; before is how many groups came before.
func (m *image) dataGroup(dg *block, rules ruleBook, before int) ([]*Group, error) {
	idSize := int(dg.data[0])
	switch idSize {
	case 0, 1, 2, 4, 8:
	default:
		return nil, broken(dg.at, "record numbers of %d bytes are not known", idSize)
	}
	stored, err := m.stored(dg.link[2])
	if err != nil {
		return nil, err
	}
	var groups []*Group
	siblings := map[uint64]int64{}
	for at := dg.link[1]; at != 0; {
		cg, err := m.linked(at, "CG", 2, 32)
		if err != nil {
			return nil, err
		}
		at = cg.link[0]
		g, err := m.group(cg, rules, before+len(groups)+1)
		if err != nil {
			return nil, err
		}
		g.flags = binary.LittleEndian.Uint16(cg.data[16:])
		size := int64(g.layout.data) + int64(g.layout.invalid)
		if g.flags&groupVariable != 0 {
			size = variable
		}
		if _, twice := siblings[g.layout.id]; twice {
			return nil, broken(cg.at, "two groups have the record number %d", g.layout.id)
		}
		siblings[g.layout.id] = size
		if size == variable {
			continue // it holds the texts and bytes of another group's channels
		}
		if len(cg.link) > 6 {
			g.clockAt = cg.link[6]
		}
		g.image, g.stored, g.described, g.place = m, stored, dg, cg.at
		g.layout.idSize, g.layout.siblings = idSize, siblings
		groups = append(groups, g)
	}
	if idSize == 0 && len(siblings) > 1 {
		return nil, broken(dg.at, "%d groups share data without record numbers", len(siblings))
	}
	if stored.apart && (idSize > 0 || len(siblings) > 1) {
		return nil, broken(dg.at, "columns of one group are expected, not records of %d", len(siblings))
	}
	for _, g := range groups {
		g.alone = len(siblings) == 1
	}
	return groups, nil
}

// Flags of a channel group.
const (
	groupVariable = 1 << 0 // its records have lengths of their own
	groupPlainBus = 1 << 2 // it holds frames of a bus, undecoded
	groupRemote   = 1 << 3 // its time is another group's
)

// leaveOut settles whether the group is read at all.
func (g *Group) leaveOut() {
	switch {
	case g.flags&groupRemote != 0 && g.clock == nil:
		g.Left = "its time is stored with another group, which is not there"
	case g.flags&groupPlainBus != 0:
		g.Left = "it holds frames of a bus, not readings"
	case g.time == nil:
		g.Left = "it has no master channel, so that no time is known"
	case g.time.sync != syncTime:
		g.Left = "its master channel is not time but " + syncNames[g.time.sync]
	case g.time.Left != "":
		g.Left = "its time is not read: " + g.time.Left
	case !g.timed():
		g.Left = fmt.Sprintf("its time is in %q, which is no unit of time", g.time.Unit)
	case g.Records == 0:
		g.Left = "it has no records"
	case g.layout.data == 0:
		g.Left = "its records are empty"
	case len(g.Channels) == 0:
		g.Left = "it has no channels besides time"
	case !slices.ContainsFunc(g.Channels, func(c *Channel) bool { return c.Left == "" }):
		g.Left = fmt.Sprintf("none of its channels is read: of the first, %s", g.Channels[0].Left)
	}
}

// timed settles the unit of time, seconds where none is stated; false where what is stated is none.
func (g *Group) timed() bool {
	g.scale = 1
	if g.time.Unit == "" {
		return true
	}
	u, err := unit.Parse(g.time.Unit)
	if err != nil || u.Quantity() != unit.Time {
		return false
	}
	g.scale, _, err = unit.Linear(u, unit.Second)
	return err == nil
}

// measure checks that the group's records fit into the data there is.
func (g *Group) measure() error {
	if g.Left != "" && !g.Clock {
		return nil
	}
	size, s := int64(g.layout.idSize)+int64(g.layout.data), &g.stored
	if !s.apart {
		size += int64(g.layout.invalid)
	}
	short := func(what string, size, there int64) error {
		return &fault.Fault{What: fmt.Sprintf("is cut short: group %s has %d records of %d bytes%s, its data only %d "+
			"bytes (described at byte %d)", g.Name, g.Records, size, what, there, g.described.at),
			Remedy: "export or copy the log again"}
	}
	if size > 0 && g.Records > uint64(s.size/size) {
		return short("", size, s.size)
	}
	bits := int64(g.layout.invalid)
	if s.apart && bits > 0 && len(s.invalid) > 0 && g.Records > uint64(s.invalidSize/bits) {
		return short(" of invalidation bits", bits, s.invalidSize)
	}
	if g.alone {
		g.Surplus = s.size - int64(g.Records)*size
	}
	return nil
}

// group reads a channel group and its channels.
func (m *image) group(cg *block, rules ruleBook, number int) (*Group, error) {
	name := ""
	if len(cg.link) > 2 {
		var err error
		if name, err = m.text(cg.link[2]); err != nil {
			return nil, err
		}
	}
	g := &Group{Name: fmt.Sprint(number), Records: binary.LittleEndian.Uint64(cg.data[8:])}
	if name != "" {
		g.Name = fmt.Sprintf("%d (%q)", number, name)
	}
	data, invalid := binary.LittleEndian.Uint32(cg.data[24:]), binary.LittleEndian.Uint32(cg.data[28:])
	g.layout.id = binary.LittleEndian.Uint64(cg.data[0:])
	if binary.LittleEndian.Uint16(cg.data[16:])&groupVariable != 0 {
		return g, nil
	}
	if data > maxRecord || invalid > maxRecord {
		return nil, broken(cg.at, "records of %d bytes are larger than the reader's limit of %d", uint64(data)+
			uint64(invalid), maxRecord)
	}
	g.layout.data, g.layout.invalid = int(data), int(invalid)
	if err := m.channels(g, cg.link[1], rules, 0); err != nil {
		return nil, err
	}
	return g, nil
}

// maxRecord bounds a record, bytes.
const maxRecord = 1 << 20

// maxDepth bounds structures within structures, and conversions within conversions.
const maxDepth = 8

// channels reads a list of channels, and those that they are composed of.
func (m *image) channels(g *Group, at int64, rules ruleBook, depth int) error {
	for at != 0 {
		cn, err := m.linked(at, "CN", 8, 40)
		if err != nil {
			return err
		}
		at = cn.link[0]
		composed, err := m.composed(cn.link[1])
		if err != nil {
			return err
		}
		if composed == "CN" {
			if depth == maxDepth {
				return broken(cn.at, "structures are nested more than %d deep", maxDepth)
			}
			if err := m.channels(g, cn.link[1], rules, depth+1); err != nil {
				return err
			}
			continue
		}
		c, err := m.channel(cn, g.layout, rules)
		if err != nil {
			return err
		}
		if composed != "" && c.Left == "" {
			c.Left = "it holds an array"
		}
		if !c.master {
			g.Channels = append(g.Channels, c)
		} else if g.time == nil || g.time.sync != syncTime {
			g.time = c
		}
	}
	return nil
}

// composed is the name of the block that a channel is composed of, "" for none.
func (m *image) composed(at int64) (string, error) {
	if at == 0 {
		return "", nil
	}
	f, err := m.frame(at)
	return f.id, err
}

// Kinds of channels.
const (
	channelFixed         = 0
	channelMaster        = 2
	channelVirtualMaster = 3
	channelVirtual       = 6
)

// syncTime is the kind of master channels that are time.
const syncTime = 1

var syncNames = map[byte]string{0: "of no stated kind", 2: "an angle", 3: "a distance", 4: "a sample number"}

// Flags of a channel.
const (
	allInvalid = 1 << 0
	hasInvalid = 1 << 1
)

// channel reads one channel.
func (m *image) channel(cn *block, l layout, rules ruleBook) (*Channel, error) {
	d := cn.data
	kind := d[0]
	c := &Channel{sync: d[1], invalidBit: -1}
	c.virtual = kind == channelVirtualMaster || kind == channelVirtual
	c.master = kind == channelMaster || kind == channelVirtualMaster
	var err error
	if c.Name, err = m.text(cn.link[2]); err != nil {
		return nil, err
	}
	if name, _, found := strings.Cut(c.Name, `\`); found && name != "" { // where it came from
		c.Name = name
	}
	if c.Unit, err = m.text(cn.link[6]); err != nil {
		return nil, err
	}
	if c.rule, err = rules.at(cn.link[4], 0); err != nil {
		return nil, err
	}
	if c.Unit == "" && c.rule != nil {
		c.Unit = c.rule.unit
	}
	flags := binary.LittleEndian.Uint32(d[12:])
	switch {
	case flags&allInvalid != 0:
		c.Left = "the file marks all its readings as invalid"
	case !c.virtual && kind != channelFixed && kind != channelMaster:
		c.Left = "its readings are no numbers of fixed length"
	case !c.virtual:
		c.field, c.Left = fieldOf(d)
	}
	if c.Left == "" && c.rule != nil {
		c.Left = c.rule.left
	}
	if c.Left == "" && !c.virtual && c.field.at+int64(c.field.bytes) > int64(l.data) {
		return nil, broken(cn.at, "channel %q lies outside its record of %d bytes", c.Name, l.data)
	}
	if flags&hasInvalid != 0 && c.Left == "" {
		bit := binary.LittleEndian.Uint32(d[16:])
		if int64(bit/8) >= int64(l.invalid) {
			return nil, broken(cn.at, "the invalidation bit of channel %q lies outside its record", c.Name)
		}
		c.invalidBit = int(bit)
	}
	return c, nil
}
