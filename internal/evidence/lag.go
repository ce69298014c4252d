package evidence

import (
	"headroom/internal/runlog"
	"headroom/models/channel"
)

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
// itself: a real delay of the engine and a slow sensor look alike here.
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
