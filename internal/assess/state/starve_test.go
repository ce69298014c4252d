package state

import (
	"math"
	"testing"

	"headroom/internal/workspace"
)

// By hand: a car whose pump's pressure falls away at 80 % of what the state needs is short by a quarter, so λ is asked
// 0.86 and may be 1.075. Below the knee, or without a described pump, nothing is short. What was measured does not
// matter: a mixture that is lean already shows what was delivered, not what was wanted.
func TestStarvation(t *testing.T) {
	p := kestrel(t)
	s := loggedState()
	s.Rail = 15000
	use := p.PumpUse(&s)
	s.PumpKnee = 0.8 * use
	s.Lambda = 0.95
	close(t, "a quarter short", p.Starvation(&s), 0.86*0.25, 1e-9)
	s.PumpKnee = use * 1.01
	close(t, "below the knee", p.Starvation(&s), 0, 0)
	s.PumpKnee = 0.8 * use
	p.FuelSystem.PumpCapacity = workspace.Curve{}
	close(t, "no pump described", p.Starvation(&s), 0, 0)
}

// At a quarter of the pressure a pulse is twice as long open (flow with the square root of pressure: Bernoulli), and
// where that overfills the window, the window says what the mixture lacks.
func TestStarvationByTheWindow(t *testing.T) {
	p := kestrel(t)
	s := loggedState()
	s.Rail = 15000
	dead := p.FuelSystem.DeadTimeMS / 1000 * s.RPM * 6 / p.FuelSystem.UsableWindowDeg
	full, quarter := p.windowAt(&s, 1), p.windowAt(&s, 0.25)
	close(t, "open for twice as long", quarter-dead, 2*(full-dead), 1e-9)

	s.PumpKnee = p.PumpUse(&s) / 1.6 // 40 % of the pressure is left
	p.FuelSystem.UsableWindowDeg *= full
	window := p.windowAt(&s, 0.4)
	if !(window > 1.6*0.9) || math.Abs(p.windowAt(&s, 1)-1) > 1e-9 {
		t.Fatalf("a window that is full before pressure falls is filled by %.2f after", window)
	}
	close(t, "short by the window", p.Starvation(&s), 0.86*(math.Max(window, 1.6)-1), 1e-9)
}

// By hand: a tenth more charge asks a tenth more of a pump that is at its knee, so that a mixture commanded at 0.86 may
// lean by 0.086, and by half of that at a share of a half. What burns is leaner, what is asked for is not.
func TestStarvedMixtureBurns(t *testing.T) {
	p := kestrel(t).WithStarvedShare(0.5)
	s := loggedState()
	s.Rail, s.Lambda = 15000, 0.88
	commanded := s
	commanded.Lambda = 0.86
	s.PumpKnee = p.PumpUse(&commanded)
	more := s
	more.Load *= 1.1
	flow := p.FuelFlow(&more)
	p.starved(&more, &s)
	close(t, "leaner", more.Leaned, 0.5*0.86*0.1, 1e-9)
	close(t, "asked of the pump", p.FuelFlow(&more), flow, 0)
	burned, ok := p.CycleState(&more)
	if !ok {
		t.Fatal("no state of the cycle")
	}
	close(t, "burned", burned.Lambda, 0.88+0.043, 1e-9)
	less := s
	less.Load *= 0.9
	p.starved(&less, &s)
	close(t, "below the knee", less.Leaned, 0, 0)
}
