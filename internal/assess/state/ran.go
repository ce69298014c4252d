package state

import (
	"hash/maphash"
	"sync/atomic"

	"headroom/models/cycle"
	"headroom/models/fuel"
)

// ran keeps results of the cycle model: a revision runs most states as its parent does, and reviews of one platform are
// made on the same logs. A result is a function of what it is kept by, so which of them are kept shows in nothing.
// A later result takes the place of an earlier one, so that no more than ranSlots are held. Many goroutines may use it.
type ran struct {
	seed   maphash.Seed
	slots  [ranSlots]atomic.Pointer[ranCycle]
	blends [ranBlends]atomic.Pointer[blend]
}

// ranSlots is some reviews' worth: about 16 MB at most. Pulls of a log have one fuel.
const (
	ranSlots  = 1 << 17
	ranBlends = 1 << 10
)

// ranBy is all that a result depends on.
type ranBy struct {
	engine                         *cycle.Engine
	fuel                           string
	ethanol, octaneShift           float64
	rpm, load, manifold            float64
	charge, coolant, lambda, spark float64
}

type ranCycle struct {
	by     ranBy
	result Simulated
}

func newRan() *ran { return &ran{seed: maphash.MakeSeed()} }

// slot is where the result of a key is kept.
func (r *ran) slot(by *ranBy) *atomic.Pointer[ranCycle] {
	return &r.slots[maphash.Comparable(r.seed, *by)%ranSlots]
}

// ranBy is what a cycle model's result at a state depends on.
func (p *Platform) ranBy(e *cycle.Engine, s *State) ranBy {
	ethanol := 0.0
	if named, ok := p.fuels[s.Fuel]; ok {
		ethanol = named.ethanolShare(s)
	}
	return ranBy{engine: e, fuel: s.Fuel, ethanol: ethanol, octaneShift: s.OctaneShift, rpm: s.RPM,
		load: s.Load, manifold: s.intake(), charge: s.Charge,
		coolant: s.warmth(), lambda: s.burned(), spark: s.Spark}
}

// blendBy is all that a blend of the shop's fuels depends on.
type blendBy struct {
	id    string
	share float64
}

type blend struct {
	by   blendBy
	fuel fuel.Fuel
	ok   bool
}

// blend is a fuel of the shop at another ethanol share.
func (r *ran) blend(id string, named *shopFuel, share float64) (*fuel.Fuel, bool) {
	by := blendBy{id, share}
	slot := &r.blends[maphash.Comparable(r.seed, by)%ranBlends]
	if kept := slot.Load(); kept != nil && kept.by == by {
		return &kept.fuel, kept.ok
	}
	f, err := named.fuel.WithEthanol(share)
	made := &blend{by, f, err == nil}
	slot.Store(made)
	return &made.fuel, made.ok
}
