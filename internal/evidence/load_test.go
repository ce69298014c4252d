package evidence

import (
	"strings"
	"testing"

	"headroom/models/channel"
)

// What is missing for absolute load is named as it is: each source is short of something else.
func TestMissingLoadIsNamed(t *testing.T) {
	flow := map[channel.ID]shape{channel.AbsoluteLoad: nil, channel.MassAirFlow: constant(59.2)}
	pressure := map[channel.ID]shape{channel.AbsoluteLoad: nil, channel.ManifoldPressure: constant(180)}
	dense := map[channel.ID]shape{channel.AbsoluteLoad: nil, channel.ManifoldPressure: constant(180),
		channel.ChargeTemperature: constant(40)}
	dead := map[channel.ID]shape{channel.AbsoluteLoad: nil, channel.MassAirFlow: constant(-5)}
	apart := map[channel.ID]shape{channel.AbsoluteLoad: nil, channel.ManifoldPressure: constant(180),
		channel.ChargeTemperature: constant(-300)}
	breathing := setup()
	breathing.VolumetricEfficiency = func(float64) float64 { return 0.9 }
	noEngine := setup()
	noEngine.DisplacementL, noEngine.Cylinders = 0, 0
	for _, c := range []struct {
		name   string
		logged map[channel.ID]shape
		setup  *Setup
		want   string
		never  string
	}{
		{"nothing logged", map[channel.ID]shape{channel.AbsoluteLoad: nil}, setup(), "log absolute load, mass air flow",
			"displacement"},
		{"mass air flow without a displacement", flow, noEngine, "displacement is not known", "log absolute load"},
		{"pressure without charge temperature", pressure, setup(), "without charge temperature", "displacement"},
		{"pressure and charge without a volumetric efficiency", dense, setup(), "volumetric_efficiency",
			"displacement"},
		{"pressure and charge without a displacement", dense, noEngine, "displacement is not known",
			"volumetric_efficiency"},
		{"air flow without a usable sample", dead, setup(), "mass air flow has no usable sample", "displacement"},
		{"pressure and charge never together", apart, breathing, "no usable sample together", "volumetric_efficiency"},
	} {
		_, findings := Rows(pullRun(c.logged), c.setup)
		said := ""
		for _, f := range findings {
			if f.Kind == KindNoLoad {
				said = f.Detail
			}
		}
		if !strings.Contains(said, c.want) || strings.Contains(said, c.never) {
			t.Errorf("%s: %q, want %q and not %q", c.name, said, c.want, c.never)
		}
	}
}
