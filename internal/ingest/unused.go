package ingest

import (
	"cmp"
	"slices"

	"headroom/internal/hazard"
	"headroom/internal/runlog"
	"headroom/internal/store"
	"headroom/models/channel"
)

// LackColumn is what a log lacks of which no column is even named like the channel.
const LackColumn = "column"

// Unused is one channel that logs were not read for, with one reason.
type Unused struct {
	Channel channel.ID
	Lack    string      // a reading.Lack, LackChoice or LackColumn
	Logs    int         // how many
	Example string      // path of the first of them
	Header  string      // of the column there, "" without one
	Unit    string      // in which it would be read there, "" where that is open
	Costs   []hazard.ID // what cannot be judged from these logs for want of it, in the catalogue's order
}

// unusedOf lists what a log was not read for: columns that lack something to be a channel the log has not, and what its
// hazards need and no column is named like. In the order of channels.
func unusedOf(run *runlog.Run) []store.Unused {
	read := func(id channel.ID) bool { return run.Values(id) != nil }
	named := map[channel.ID]bool{}
	var out []store.Unused
	for _, c := range run.Columns {
		if c.Wanted == "" || c.Lack == "" || named[c.Wanted] || read(c.Wanted) {
			continue
		}
		named[c.Wanted] = true
		out = append(out, store.Unused{Channel: string(c.Wanted), Lack: string(c.Lack), Header: c.Header,
			Unit: c.WantedUnit, Costs: costs(c.Wanted, read)})
	}
	for _, line := range unmet(read) {
		if id := line[0]; !slices.ContainsFunc(line, func(of channel.ID) bool { return named[of] }) {
			named[id] = true
			out = append(out, store.Unused{Channel: string(id), Lack: LackColumn, Costs: costs(id, read)})
		}
	}
	slices.SortFunc(out, func(a, b store.Unused) int {
		return cmp.Compare(channel.Order(channel.ID(a.Channel)), channel.Order(channel.ID(b.Channel)))
	})
	return out
}

// unmet are the lines of what hazards need of which a log holds no channel, what every log needs first.
func unmet(read func(channel.ID) bool) [][]channel.ID {
	var out [][]channel.ID
	for _, line := range hazard.Always() {
		if !slices.ContainsFunc(line, read) {
			out = append(out, line)
		}
	}
	for _, h := range hazard.All() {
		out = append(out, h.Missing(read)...)
	}
	return out
}

// costs are the hazards of which a log cannot tell, among other reasons for want of the channel.
func costs(id channel.ID, read func(channel.ID) bool) []string {
	every := false
	for _, line := range hazard.Always() {
		every = every || slices.Contains(line, id) && !slices.ContainsFunc(line, read)
	}
	var out []string
	for _, h := range hazard.All() {
		if every || slices.ContainsFunc(h.Missing(read),
			func(line []channel.ID) bool { return slices.Contains(line, id) }) {
			out = append(out, string(h.ID))
		}
	}
	return out
}

// groupUnused gathers what logs were not read for: one line a channel and lack, those that cost most logs first.
func groupUnused(sources []store.Source, real map[string]string) []Unused {
	type key struct{ channel, lack string }
	groups := map[key]*Unused{}
	for _, s := range sources {
		for _, u := range s.Unused {
			k := key{u.Channel, u.Lack}
			g := groups[k]
			if g == nil {
				g = &Unused{Channel: channel.ID(u.Channel), Lack: u.Lack, Example: real[s.Path], Header: u.Header,
					Unit: u.Unit}
				groups[k] = g
			}
			g.Logs++
			for _, id := range u.Costs {
				if !slices.Contains(g.Costs, hazard.ID(id)) {
					g.Costs = append(g.Costs, hazard.ID(id))
				}
			}
		}
	}
	var out []Unused
	for _, g := range groups {
		slices.SortFunc(g.Costs, func(a, b hazard.ID) int { return cmp.Compare(place(a), place(b)) })
		out = append(out, *g)
	}
	slices.SortFunc(out, func(a, b Unused) int {
		return cmp.Or(cmp.Compare(b.Logs, a.Logs), cmp.Compare(channel.Order(a.Channel), channel.Order(b.Channel)),
			cmp.Compare(a.Lack, b.Lack))
	})
	return out
}

// place is a hazard's in the catalogue.
func place(id hazard.ID) int {
	return slices.IndexFunc(hazard.All(), func(h hazard.Info) bool { return h.ID == id })
}
