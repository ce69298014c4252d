package assess

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"headroom/internal/assess/fleet"
	"headroom/internal/assess/state"
	"headroom/internal/metric"
	"headroom/internal/result"
	"headroom/models/value"
)

// WeatherFrom says where the weather that a revision is judged over comes from.
type WeatherFrom string

// Sources of weather.
const (
	FromClimate WeatherFrom = "climate" // headroom.yaml
	FromCar     WeatherFrom = "car"     // of the car's place, by its own logged ambient temperatures and the fleet's
	FromAmbient WeatherFrom = "ambient" // the days on which the fleet logged ambient temperature
	FromCharge  WeatherFrom = "charge"  // the days on which the fleet logged charge temperature
	FromLogs    WeatherFrom = "logs"    // no more than the days of the judged pulls
)

// Weather is what a revision was judged over: the days that a car will meet, not those of its few logs.
type Weather struct {
	From   WeatherFrom   `json:"from"`
	Cars   int           `json:"cars"` // behind it, with their days; 0 for a climate that was given
	Days   int           `json:"days"`
	Own    int           `json:"own_days"` // of these days the car's own, or its own that tell its places
	Year   bool          `json:"year"`     // the days are spread over all seasons
	Judged result.Span   `json:"judged"`   // 5 to 95 % of days, °C; of charge: K from a common day
	Logged result.Span   `json:"logged"`   // the days of the judged pulls on the same scale
	Hot    result.Number `json:"hot"`      // a day that one in fifty passes, on the same scale
}

// hotShare is the share of days that the hot day of the stress leaves behind it.
const hotShare = 0.98

// days is weather as a scale that days stand on, in kelvin.
type days struct {
	from        WeatherFrom
	cars, count int
	own         int
	year        bool
	charge      float64 // K of charge temperature a K of the scale
	quantile    func(share float64) float64
	at          func(s *state.State) float64 // where the day of a logged state stands
	// pressure is the ambient pressure of the day at a share, kPa, 0 where it is that of the log; nil where all are
	pressure func(share float64) float64
}

// barometer is the ambient pressure of the day at a share, kPa; 0: that of the log.
func (d *days) barometer(share float64) float64 {
	if d.pressure == nil {
		return 0
	}
	return d.pressure(share)
}

// daysFor chooses the weather that logged visits are put in. Where all logs say how warm their days were: of the
// workspace's climate, else of the place of the car that the revision is for ("" for a fleet's: of the fleet) as logged
// ambient temperatures tell it; where not all do, of the fleet's charge temperatures. nil where the days of the logs
// are all there is.
func (m *Model) daysFor(visits []state.Visit, car string) (*days, error) {
	logged := make([]*state.State, len(visits))
	known := true
	for i := range visits {
		logged[i] = &visits[i].State
		known = known && value.Known(logged[i].Ambient)
	}
	if known {
		return m.ambientDays(car)
	}
	return m.chargeDays(logged), nil
}

// ambientDays is weather by ambient temperature, °C; nil where nothing tells of it.
func (m *Model) ambientDays(car string) (*days, error) {
	d := &days{charge: m.AmbientShare(), at: func(s *state.State) float64 { return s.Ambient }}
	if c := m.ws.Config.Climate; c.Known() {
		own := m.Fit.Weather.ByCar[car]
		given := c.Days(c.Shares(own))
		var ambient fleet.Days
		for _, day := range given {
			ambient.Values = append(ambient.Values, day.Ambient)
		}
		d.from, d.year, d.own, d.quantile = FromClimate, true, len(own), ambient.Quantile
		d.pressure = func(share float64) float64 {
			return given[min(int(share*float64(len(given))), len(given)-1)].Barometer
		}
		return d, nil
	}
	w := &m.Fit.Weather
	if w.Places == nil {
		return nil, nil
	}
	d.from, d.cars, d.count, d.quantile = FromAmbient, w.Ambient.Cars, w.Ambient.Count, w.Ambient.Quantile
	if car == "" {
		return d, nil
	}
	of, err := w.Places.DaysOf(car)
	if err != nil {
		return nil, err
	}
	d.from, d.cars, d.count, d.quantile = FromCar, of.Cars, of.Count, of.Quantile
	d.own, d.year = w.Places.OwnDays(car), w.Places.Year
	return d, nil
}

// byAmbient reports whether days stand on a scale of ambient temperature.
func (d *days) byAmbient() bool { return d != nil && d.from != FromCharge }

// chargeDays is weather by charge temperature, K from a common day; nil where its days do not differ.
func (m *Model) chargeDays(logged []*state.State) *days {
	by, sd, ok := m.ChargeDays(logged)
	if !ok {
		return nil
	}
	fit := m.Margins[metric.ChargeTemperature]
	return &days{from: FromCharge, cars: fit.Cars, count: len(by), charge: 1,
		quantile: func(share float64) float64 { return sd * distuv.UnitNormal.Quantile(share) },
		at:       func(s *state.State) float64 { return by[fleet.DayOf(s)] }}
}

// goldenRatio spreads days evenly over any number of pulls (the additive recurrence of Weyl; Niederreiter, Random
// Number Generation and Quasi-Monte Carlo Methods, 1992, sec. 3.1).
var goldenRatio = (math.Sqrt(5) - 1) / 2

// weatherDays is how many days a revision is judged over at least.
const weatherDays = 12

// daysOfPull are the shares of days that stay below the days a pull is put in: so many that all pulls together meet
// weatherDays.
func daysOfPull(pull, pulls int) []float64 {
	n := max(1, (weatherDays+pulls-1)/pulls)
	out := make([]float64, n)
	for k := range out {
		_, out[k] = math.Modf(0.5 + float64(pull*n+k)*goldenRatio)
	}
	return out
}

// said is the weather as a result shows it.
func (d *days) said(visits []state.Visit) Weather {
	out := Weather{From: FromLogs, Judged: result.UnknownSpan(), Logged: result.UnknownSpan(), Hot: result.Unknown()}
	if d == nil {
		return out
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range visits {
		at := d.at(visits[i].Root())
		low, high = math.Min(low, at), math.Max(high, at)
	}
	out.From, out.Cars, out.Days, out.Own, out.Year = d.from, d.cars, d.count, d.own, d.year
	out.Judged = result.Span{result.Number(d.quantile(0.05)), result.Number(d.quantile(0.95))}
	out.Logged = result.Span{result.Number(low), result.Number(high)}
	out.Hot = result.Number(d.quantile(hotShare))
	return out
}

// rareShare is the share of days, or of cars, that a stress leaves beyond it on the side that hurts; common practice,
// no source.
const rareShare = 1 - hotShare

// met is what is known of the conditions to come: of the workspace's climate where it says, else of what the fleet met.
func (m *Model) met(b *bench) state.Met {
	nan := math.NaN()
	out := state.Met{HotDay: nan, CommonDay: nan, ColdDay: nan, SpikeKPa: nan, LowPressure: nan, SensorPct: nan,
		WeakBlendPct: nan, EthanolPct: value.Median(b.known(m.EthanolPct))}
	if b.days != nil {
		out.HotDay, out.CommonDay, out.DaysFrom = b.days.quantile(hotShare), b.days.quantile(0.5), state.SizeOfFleet
		out.ColdDay = b.days.quantile(rareShare)
		out.ChargeADay = b.days.charge
		if b.days.from == FromClimate {
			out.DaysFrom = state.SizeOfClimate
		}
	}
	out.LowPressure, out.PressureFrom = m.ws.Config.Climate.LowestPressure(), state.SizeOfClimate
	if w := &m.Fit.Weather.Barometer; !value.Known(out.LowPressure) && w.Known() {
		out.LowPressure, out.PressureFrom = w.Quantile(rareShare), state.SizeOfFleet
	}
	if w := &m.Fit.Weather.Overshoot; w.Known() {
		out.SpikeKPa = math.Max(0, w.Quantile(hotShare))
	}
	if w := &m.Fit.Weather.Blends; w.Known() {
		out.WeakBlendPct = math.Max(0, -w.Quantile(rareShare))
	}
	if fit, ok := m.Margins[metric.Lambda]; ok && fit.Cars >= m.decision().ThinCars && fit.Ref > 0 {
		out.SensorPct = 100 * value.Z95 * math.Sqrt(fit.Model.CarVar) / fit.Ref
	}
	for i := range b.visits {
		if row := b.visits[i].Root().Row; row != nil {
			out.DenserAir = math.Max(out.DenserAir, row.BarometerMore)
		}
	}
	if b.newFuel() {
		out.UntoldPct = value.Or(value.Median(b.known(m.Untold)), 0)
	}
	return out
}

// withAmbient leaves out the visits of pulls that do not say how warm their day was, where a climate is given and
// enough others do; where not enough do, the climate cannot be used.
func (m *Model) withAmbient(visits []state.Visit, on []*state.Calibration) ([]state.Visit, []*state.Calibration,
	result.Reasons) {
	without, all := map[string]bool{}, map[string]bool{}
	for i := range visits {
		s := &visits[i].State
		all[s.Pull] = true
		if !value.Known(s.Ambient) {
			without[s.Pull] = true
		}
	}
	if !m.ws.Config.Climate.Known() || len(without) == 0 {
		return visits, on, nil
	}
	if len(all)-len(without) < enoughOwnPulls {
		return visits, on, result.Reasons{ClimateUnused{Pulls: len(without), Of: len(all)}}
	}
	var kept []state.Visit
	var ran []*state.Calibration
	for i := range visits {
		if !without[visits[i].State.Pull] {
			kept, ran = append(kept, visits[i]), append(ran, on[i])
		}
	}
	return slices.Clip(kept), ran, nil
}

// thinner is by how much air may be thinner than any that was logged without it being said, kPa: about 400 m of height
// (standard atmosphere, ISO 2533). Common practice, no source.
const thinner = 5

// higherThanLogged keeps a release away where the given climate goes where no log of the platform was: turbine speed
// and boost control up there are in no log.
func (m *Model) higherThanLogged() result.Reasons {
	lowest, logged := m.ws.Config.Climate.LowestPressure(), &m.Fit.Weather.Barometer
	if !value.Known(lowest) || len(logged.Values) == 0 || lowest >= logged.Values[0]-thinner {
		return nil
	}
	return result.Reasons{HigherThanLogged{Climate: result.Number(lowest), Logged: result.Number(logged.Values[0])}}
}
