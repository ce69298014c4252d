package evidence

import (
	"headroom/internal/runlog"
	"headroom/models/channel"
)

// Kinds of finding made here, besides those of runlog.
const (
	KindSetup          = "setup"            // the setup cannot be worked with
	KindNoSpeed        = "no_speed"         // engine speed is not logged
	KindNoThrottle     = "no_throttle"      // neither throttle nor pedal is logged
	KindNoFullThrottle = "no_full_throttle" // throttle and pedal never reach the rule for a pull
	KindShort          = "short"            // full-throttle stretches too short to be pulls
	KindWarmthUnknown  = "warmth_unknown"   // coolant temperature is not logged
	KindNoLoad         = "no_load"          // no source of absolute load
	KindLoadDisagrees  = "load_disagrees"   // two sources of absolute load differ
	KindNoCell         = "no_cell"          // samples without speed or load
	KindNoKnock        = "no_knock"         // knock retard is not logged
	KindNoSpark        = "no_spark"         // spark is not logged
	KindLagTold        = "lag_told"         // a channel's lag is not stated and taken from elsewhere
	KindSlowRetard     = "slow_retard"      // knock retard is sampled too slowly for the controller
)

// wholeRun is a finding about the whole length of a run.
func wholeRun(run *runlog.Run, id channel.ID, kind, detail string) runlog.Finding {
	f := runlog.Finding{Channel: id, Kind: kind, Samples: len(run.Time), Detail: detail}
	if n := len(run.Time); n > 0 {
		f.From, f.To = run.Time[0], run.Time[n-1]
	}
	return f
}
