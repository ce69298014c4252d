package evidence

import (
	"fmt"
	"maps"

	"headroom/internal/runlog"
	"headroom/models/channel"
)

const (
	// usualLambdaLag is by how many seconds lambda at the tailpipe trails what is burned where neither a file nor the
	// log says so: gas takes 0.1 to 0.4 s to the sensor, a heated wideband 0.05 to 0.25 s. Common practice, no source.
	usualLambdaLag = 0.2
	// A log tells the lag where commanded and measured lambda move together this much, and to this many seconds. Common
	// practice, no source.
	lagCorrelation = 0.3
	lagWithin      = 0.1
)

// lagsOf are the setup's lags and, where lambda has none, what the log tells of it: the mixture in the cylinders
// follows the commanded one within a few cycles, so what measured lambda trails it by is the way to the sensor and the
// sensor. A mixture that is read late is held against the limit at a speed and load where it was not: lean while it is
// rich.
func lagsOf(run *runlog.Run, setup *Setup) (map[channel.ID]float64, []runlog.Finding) {
	_, stated := setup.Lags[channel.Lambda]
	for _, s := range run.Series {
		stated = stated || s.Channel == channel.Lambda && s.Lag != 0
	}
	if stated || logged(run, channel.Lambda) == nil {
		return setup.Lags, nil
	}
	out := maps.Clone(setup.Lags)
	if out == nil {
		out = map[channel.ID]float64{}
	}
	lag, err := runlog.EstimateLag(run, channel.LambdaCommanded, channel.Lambda)
	if err == nil && lag.Correlation >= lagCorrelation && lag.Uncertainty <= lagWithin {
		out[channel.Lambda] = lag.Seconds
		return out, []runlog.Finding{wholeRun(run, channel.Lambda, KindLagTold, fmt.Sprintf("no lag is stated; lambda "+
			"trails commanded lambda by %.2f s in this log and is moved back by that", lag.Seconds))}
	}
	out[channel.Lambda] = usualLambdaLag
	return out, []runlog.Finding{wholeRun(run, channel.Lambda, KindLagTold, fmt.Sprintf("no lag is stated and the log "+
		"does not tell it; lambda is moved back by %.2f s, as is usual", usualLambdaLag))}
}

// LagEstimate is how far a channel appears to trail another one that moves for the same cause.
type LagEstimate struct {
	Channel channel.ID
	Against channel.ID
	Lag     runlog.Lag // zero when Why is set
	Why     string     // why there is no estimate, "" when there is one
}

// lagPairs are channels whose movement has one cause, the slower one first.
var lagPairs = [...]struct{ slow, fast channel.ID }{
	{channel.ManifoldPressure, channel.ThrottlePosition},
	{channel.MassAirFlow, channel.ManifoldPressure},
	{channel.Lambda, channel.LambdaCommanded},
	{channel.RailPressure, channel.RailPressureTarget},
	{channel.ExhaustTemperature, channel.MassAirFlow},
}

// EstimateLags estimates the lag of each logged pair of channels that move together (runlog.EstimateLag). It reads
// the run as logged, not aligned. The estimate is an aid for writing a platform's lags and is never applied by
// itself, but for lambda's (see lagsOf): a real delay of the engine and a slow sensor look alike here.
func EstimateLags(run *runlog.Run) []LagEstimate {
	var out []LagEstimate
	for _, p := range lagPairs {
		if logged(run, p.slow) == nil || logged(run, p.fast) == nil {
			continue
		}
		e := LagEstimate{Channel: p.slow, Against: p.fast}
		lag, err := runlog.EstimateLag(run, p.fast, p.slow)
		if err != nil {
			e.Why = err.Error()
		} else {
			e.Lag = lag
		}
		out = append(out, e)
	}
	return out
}
