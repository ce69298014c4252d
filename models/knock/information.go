package knock

import "math"

// carMoments is one car's posterior of u given the parameters, and how its mean moves with them.
type carMoments struct {
	mean, variance float64
	slope          []float64 // d mean / d parameter
}

// information returns minus the second derivatives of the log-likelihood at raw parameters (row-major, d×d), by
// Louis's formula: mean complete-data information minus the posterior variance of the complete-data score. moments
// receives every car's posterior of u.
func (g *integrator) information(raw []float64, moments []carMoments) []float64 {
	q := unpack(raw, g.tail)
	d := len(raw)
	parts := make([][]float64, len(g.chunks))
	g.each(func(ch int, s *scratch) {
		parts[ch] = make([]float64, d*d)
		for c := g.chunks[ch].lo; c < g.chunks[ch].hi; c++ {
			moments[c] = g.carInformation(c, &q, parts[ch], s)
		}
	})
	sum := make([]float64, d*d)
	for _, part := range parts {
		for i, v := range part {
			sum[i] += v
		}
	}
	for i := 0; i < d; i++ {
		for j := i + 1; j < d; j++ {
			sum[i*d+j] = sum[j*d+i]
		}
	}
	return sum
}

// carInformation adds car c's information to the lower triangle of into and returns its moments.
func (g *integrator) carInformation(c int, q *params, into []float64, s *scratch) carMoments {
	rs, ps, k, d := g.rowsOf(c), g.cars[c], len(g.car.x), g.p+numSpreads
	eta := grow(&s.eta, rs.hi-rs.lo)
	g.linear(c, q.beta, eta)
	postK := g.carPosterior(c, q, eta, s)
	carScore, within := growZero(&s.carScore, k*d), growZero(&s.within, k*d*d)
	for p := ps.lo; p < ps.hi; p++ {
		pr := g.pulls[p]
		g.pullInformation(p, c, eta[pr.lo-rs.lo:pr.hi-rs.lo], q, postK, carScore, within, into, s)
	}

	m := carMoments{slope: make([]float64, d)}
	mean := make([]float64, d)
	u2 := 0.0
	for a, x := range g.car.x {
		u := g.u[c] + g.uSD[c]*x
		z2 := u * u / (q.carSD * q.carSD)
		carScore[a*d+g.p+atCarSD] += z2 - 1
		m.mean += postK[a] * u
		u2 += postK[a] * u * u
		into[(g.p+atCarSD)*d+g.p+atCarSD] += postK[a] * 2 * z2
		for i := 0; i < d; i++ {
			mean[i] += postK[a] * carScore[a*d+i]
		}
	}
	m.variance = math.Max(u2-m.mean*m.mean, 0)
	for a, x := range g.car.x {
		u := g.u[c] + g.uSD[c]*x
		sc, v := carScore[a*d:(a+1)*d], within[a*d*d:(a+1)*d*d]
		for i := 0; i < d; i++ {
			di := sc[i] - mean[i]
			m.slope[i] += postK[a] * (u - m.mean) * di
			for j := 0; j <= i; j++ {
				into[i*d+j] -= postK[a] * (v[i*d+j] + di*(sc[j]-mean[j]))
			}
		}
	}
	return m
}

// pullInformation adds one pull's mean information to into, and its mean score and score variance given u to carScore
// and within, for every car node.
func (g *integrator) pullInformation(p, c int, eta []float64, q *params, postK, carScore, within, into []float64,
	s *scratch) {
	ps, m, d := g.pulls[p], len(g.pull.x), g.p+numSpreads
	rows := g.rows[ps.lo:ps.hi]
	n := len(rows)
	if cap(s.hess) < n {
		s.hess = make([]second, n)
	}
	hess := s.hess[:n]
	clear(hess)
	score, mean := grow(&s.score, m*d), grow(&s.mean, d)
	w2Mean := 0.0
	for a, x := range g.car.x {
		u := g.u[c] + g.uSD[c]*x
		_, w2 := g.pullGivenU(p, c, u, eta, q, s)
		w2Mean += postK[a] * w2
		clear(score)
		clear(mean)
		centre := g.w[p] + g.wSlope[p]*(u-g.u[c])
		for j, xw := range g.pull.x {
			w := centre + g.wSD[p]*xw
			sc := score[j*d : (j+1)*d]
			weight := postK[a] * s.post[j]
			for i := range rows {
				de := s.dEta[j*n+i]
				if de == 0 {
					continue
				}
				for col, v := range g.x[(ps.lo+i)*g.p : (ps.lo+i+1)*g.p] {
					sc[col] += de * v
				}
				_, h := rows[i].curvature(eta[i]+u+w, &q.residual)
				hess[i].add(weight, h)
			}
			sc[g.p+atPullSD] = w*w/(q.pulSD*q.pulSD) - 1
			sc[g.p+atCellSD] = s.dSD[j]
			sc[g.p+atShare] = s.dShare[j]
			for i, v := range sc {
				mean[i] += s.post[j] * v
			}
		}
		v := within[a*d*d : (a+1)*d*d]
		for j := range g.pull.x {
			sc := score[j*d : (j+1)*d]
			for i := 0; i < d; i++ {
				di := s.post[j] * (sc[i] - mean[i])
				for l := 0; l <= i; l++ {
					v[i*d+l] += di * (sc[l] - mean[l])
				}
			}
		}
		for i, v := range mean {
			carScore[a*d+i] += v
		}
	}
	sd, sh, wp := g.p+atCellSD, g.p+atShare, g.p+atPullSD
	for i := range hess {
		h := &hess[i]
		x := g.x[(ps.lo+i)*g.p : (ps.lo+i+1)*g.p]
		for col, v := range x {
			t := -h.etaEta * v
			for l := 0; l <= col; l++ {
				into[col*d+l] += t * x[l]
			}
			into[sd*d+col] -= h.etaSD * v
			into[sh*d+col] -= h.etaShare * v
		}
		into[sd*d+sd] -= h.sdSD
		into[sh*d+sd] -= h.sdShare
		into[sh*d+sh] -= h.shareShare
	}
	into[sh*d+sh] += float64(g.cleans[p]) * q.share * (1 - q.share)
	into[wp*d+wp] += 2 * w2Mean / (q.pulSD * q.pulSD)
}
