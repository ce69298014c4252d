package state

import (
	"math"
	"testing"

	"headroom/internal/evidence"
)

// The bad tank of a blend is as weak as the fleet's, and 15 points weaker where no fleet tells; of a pump fuel it is
// two octane numbers.
func TestBadTank(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		ethanol, weak float64
		want          Stress
	}{
		{50, 6, Stress{Kind: LessEthanol, Size: 6, From: SizeOfFleet}},
		{50, nan, Stress{Kind: LessEthanol, Size: 15, From: SizeUsual}},
		{10, 6, Stress{Kind: LowOctane, Size: 2, From: SizeUsual}},
		{nan, nan, Stress{Kind: LowOctane, Size: 2, From: SizeUsual}},
	} {
		got := badTank(Met{EthanolPct: c.ethanol, WeakBlendPct: c.weak})
		var s State
		got.apply(nil, &s)
		if got.Kind != c.want.Kind || got.Size != c.want.Size || got.From != c.want.From {
			t.Errorf("%+v: %+v", c, got)
		}
		if moved := -s.EthanolShift - s.OctaneShift; moved != c.want.Size {
			t.Errorf("%+v: moved by %g", c, moved)
		}
	}
}

// A pump fuel of a tenth ethanol and a blend of 85 % ask air in 14.1 and 9.8 parts (common figures: Heywood 1988,
// table D.4, by mass fraction) and weigh 0.750 and 0.784 kg/L: without hearing of it the mixture is 14.1/9.8 ×
// √(0.750/0.784) = 1.41 times as lean. Less ethanol is richer, which is no stress of this kind; neither is the fuel
// of the log.
func TestUntold(t *testing.T) {
	p := kestrel(t)
	logged := State{Fuel: "pump-91", Ethanol: math.NaN()}
	on := func(shift float64) *State {
		return &State{Fuel: "pump-91", Ethanol: math.NaN(), EthanolShift: shift, Logged: &logged}
	}
	if got := p.Untold(on(75)); math.Abs(got-41) > 1.5 {
		t.Errorf("E85: %.1f %% leaner", got)
	}
	if same, less := p.Untold(on(0)), p.Untold(on(-5)); same != 0 || less != 0 {
		t.Errorf("the same fuel %g, less ethanol %g", same, less)
	}
}

// What takes an engine to other cells: air 20 K colder holds by the ideal gas law 313.15/293.15 as much at the same
// pressure, and boost over its target fills the cylinder more; without boost there is no spike.
func TestWays(t *testing.T) {
	p := kestrel(t)
	nan := math.NaN()
	ways := Ways(Met{HotDay: 60, CommonDay: 40, ColdDay: 20, ChargeADay: 1, DaysFrom: SizeOfFleet, SpikeKPa: nan})
	cold, spike := ways[0], ways[1]
	if cold.Size != 20 || cold.From != SizeOfFleet || spike.Size != boostSpike || spike.From != SizeUsual {
		t.Fatalf("%+v", ways)
	}
	s := State{Load: 100, Charge: 40, Manifold: 180, Barometer: 100, Day: 40}
	cold.apply(p, &s)
	if math.Abs(s.Load-100*313.15/293.15) > 1e-9 || s.Charge != 20 || s.Manifold != 180 {
		t.Errorf("a cold day: %+v", s)
	}
	s = State{Load: 100, Charge: 40, Manifold: 180, Barometer: 100, RPM: 4000}
	spike.apply(p, &s)
	if s.Manifold != 195 || s.Load <= 100 {
		t.Errorf("a spike: %+v", s)
	}
	s = State{Load: 60, Charge: 40, Manifold: 90, Barometer: 100}
	if spike.apply(p, &s); s.Manifold != 90 {
		t.Errorf("a spike without boost: %+v", s)
	}
}

// Air that a log does not tell of may have been denser than was taken: manifold pressure was higher by as much, load
// only where it was made of manifold pressure. A log with a barometer is not tried, and neither is anything where all
// have one.
func TestUnknownAir(t *testing.T) {
	p := kestrel(t)
	if n := len(Stresses(Met{DenserAir: 5})) - len(Stresses(Met{})); n != 1 {
		t.Fatalf("%d stresses more", n)
	}
	for _, c := range []struct {
		more float64
		from string
		load float64 // factor
	}{{0, evidence.LoadSpeedDensity, 1}, {5, evidence.LoadLogged, 1}, {5, evidence.LoadSpeedDensity, 1.02}} {
		s := loggedState()
		row := *s.Row
		row.BarometerMore, row.LoadSource = c.more, c.from
		s.Row = &row
		was := s
		unknownAir(5).apply(p, &s)
		close(t, "manifold", s.Manifold, was.Manifold+c.more, 1e-9)
		close(t, "target", s.Target, was.Target+c.more, 1e-9)
		close(t, "barometer", s.Barometer, was.Barometer+c.more, 1e-9)
		close(t, "load of "+c.from, s.Load, was.Load*c.load, 0.012*was.Load*(c.load-1)/0.02)
	}
}
