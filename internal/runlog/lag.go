package runlog

import (
	"fmt"
	"math"

	"headroom/models/channel"
)

// Lag is how far one channel trails another.
type Lag struct {
	Seconds     float64 // positive: the lagging channel comes later
	Uncertainty float64 // standard uncertainty, s
	Correlation float64 // of the changes at that lag, −1…1
	Samples     int     // changes compared
}

// Limits of the lag estimate: common practice, no source.
const (
	maxLagSeconds  = 3.0
	lagBlocks      = 8
	minLagSamples  = 64
	minCorrelation = 0.3
)

// EstimateLag estimates by how many seconds lagging trails reference, from the largest magnitude of the
// cross-correlation of their changes over lags of 0 to 3 s (Box, Jenkins & Reinsel, Time Series Analysis, ch. 12), with
// a parabola through the peak. The standard uncertainty is the delete-one-block jackknife over eight blocks (Künsch,
// Annals of Statistics 17, 1989), never less than the sample interval over √12. It fails when a channel is absent,
// there are fewer than 64 common changes or less than 12 s, or the correlation stays below 0.3 in magnitude.
func EstimateLag(run *Run, reference, lagging channel.ID) (Lag, error) {
	a, b := run.Values(reference), run.Values(lagging)
	if a == nil || b == nil {
		return Lag{}, fmt.Errorf("lag of %s behind %s: one of them is not logged", lagging, reference)
	}
	dt := run.SampleInterval
	if !(dt > 0) {
		return Lag{}, fmt.Errorf("lag of %s behind %s: the run has no sample interval", lagging, reference)
	}
	x, y := changes(resample(run.Time, a, dt)), changes(resample(run.Time, b, dt))
	steps := int(math.Ceil(maxLagSeconds / dt))
	if common(x, y) < minLagSamples || len(x) < 4*steps {
		return Lag{}, fmt.Errorf("lag of %s behind %s: too few common samples", lagging, reference)
	}
	lag, corr, n := peakLag(x, y, steps, -1, 0)
	if math.Abs(corr) < minCorrelation || math.IsNaN(lag) {
		return Lag{}, fmt.Errorf("lag of %s behind %s: the two hardly move together (correlation %.2f)", lagging,
			reference, corr)
	}
	width := (len(x) + lagBlocks - 1) / lagBlocks
	var kept []float64
	for block := range lagBlocks {
		if l, _, _ := peakLag(x, y, steps, block*width, width); !math.IsNaN(l) {
			kept = append(kept, l)
		}
	}
	spread := jackknife(kept)
	return Lag{Seconds: lag * dt, Uncertainty: math.Hypot(spread*dt, dt/math.Sqrt(12)), Correlation: corr, Samples: n},
		nil
}

// jackknife is the standard error of an estimate from its delete-one values.
func jackknife(values []float64) float64 {
	n := float64(len(values))
	if n < 2 {
		return 0
	}
	mean := 0.0
	for _, v := range values {
		mean += v / n
	}
	sum := 0.0
	for _, v := range values {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt((n - 1) / n * sum)
}

// resample interpolates a channel linearly on an even grid; across holes of more than three intervals it stays NaN.
func resample(t, v []float64, dt float64) []float64 {
	n := int(math.Min((t[len(t)-1]-t[0])/dt, 4*float64(len(t)))) + 1
	out := make([]float64, n)
	j := 0
	for i := range out {
		at := t[0] + float64(i)*dt
		for j+1 < len(t) && t[j+1] <= at {
			j++
		}
		out[i] = math.NaN()
		switch {
		case t[j] == at || j+1 == len(t) && at-t[j] < dt/2:
			out[i] = v[j]
		case j+1 < len(t) && t[j+1]-t[j] <= 3*dt:
			w := (at - t[j]) / (t[j+1] - t[j])
			out[i] = (1-w)*v[j] + w*v[j+1]
		}
	}
	return out
}

// changes is the first difference.
func changes(v []float64) []float64 {
	if len(v) < 2 {
		return nil
	}
	out := make([]float64, len(v)-1)
	for i := range out {
		out[i] = v[i+1] - v[i]
	}
	return out
}

func common(x, y []float64) int {
	n := 0
	for i := range x {
		if !math.IsNaN(x[i]) && !math.IsNaN(y[i]) {
			n++
		}
	}
	return n
}

// peakLag finds the lag in samples, with a fraction, of the largest correlation magnitude; samples in [skip,
// skip+width) are left out.
func peakLag(x, y []float64, steps, skip, width int) (lag, corr float64, n int) {
	corrs := make([]float64, steps+1)
	best := 0
	for k := range corrs {
		c, m := correlation(x, y, k, skip, width)
		corrs[k] = c
		if math.Abs(c) > math.Abs(corrs[best]) {
			best, n = k, m
		} else if k == 0 {
			n = m
		}
	}
	if corrs[best] == 0 {
		return math.NaN(), 0, n
	}
	lag = float64(best)
	if best > 0 && best < steps {
		sign := math.Copysign(1, corrs[best])
		l, c, r := sign*corrs[best-1], sign*corrs[best], sign*corrs[best+1]
		if curve := l - 2*c + r; curve < 0 {
			lag += 0.5 * (l - r) / curve
		}
	}
	return lag, corrs[best], n
}

// correlation is Pearson's, of x[i] and y[i+k]; 0 when there is nothing to compare.
func correlation(x, y []float64, k, skip, width int) (float64, int) {
	var sx, sy, sxx, syy, sxy, n float64
	for i := 0; i+k < len(y); i++ {
		a, b := x[i], y[i+k]
		if i >= skip && i < skip+width || math.IsNaN(a) || math.IsNaN(b) {
			continue
		}
		n++
		sx, sy = sx+a, sy+b
		sxx, syy, sxy = sxx+a*a, syy+b*b, sxy+a*b
	}
	if n < 3 {
		return 0, int(n)
	}
	cov, vx, vy := sxy-sx*sy/n, sxx-sx*sx/n, syy-sy*sy/n
	if vx <= 0 || vy <= 0 {
		return 0, int(n)
	}
	return cov / math.Sqrt(vx*vy), int(n)
}
