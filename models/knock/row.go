package knock

import (
	"math"

	"headroom/models/value"
)

type kind uint8

const (
	clean    kind = iota // K above lower, as far as the log could show
	interval             // K between lower and upper, or a false event
	exact                // K equals lower, without heavy tails; for checks against published uncensored data
)

// row is one cell, flattened. detect is already capped by the share of knock even a fast log misses.
type row struct {
	kind         kind
	lower, upper float64
	detect       float64
	falsely      float64 // chance that a false event would have looked like this one
}

// residual holds the parameters a single row's likelihood needs besides its mean. The cell's residual is
// (1−tail)·N(0, sd²) + tail·N(0, (TailScale·sd)²).
type residual struct {
	sd    float64
	inv   float64 // 1/sd
	share float64 // contamination
	tail  float64
	mix   *mixture // of the tail; nil without one, or where none is kept
}

// quick returns G(z) and g(z) from a table; ok is false where that leaves too little of a small chance.
func (p *residual) quick(z float64) (cum, density float64, ok bool) {
	switch {
	case p.mix != nil && z > -mixtureEnd && z < mixtureEnd:
		cum, density = p.mix.both(z)
		return cum, density, true
	case p.tail == 0 && z > -near && z < near:
		cum, density = both(z)
		return cum, density, true
	}
	return 0, 0, false
}

// ends returns G(b) − G(a) and g at both, each once.
func (p *residual) ends(a, b float64) (in, atA, atB float64) {
	low, atA, quickA := p.quick(a)
	high, atB, quickB := p.quick(b)
	if quickB && a < b && (quickA || math.IsInf(a, -1)) {
		return high - low, atA, atB
	}
	if !quickA && !math.IsInf(a, -1) {
		atA, _ = p.density(a)
	}
	if !quickB {
		atB, _ = p.density(b)
	}
	return p.between(a, b), atA, atB
}

// below is G(z).
func (p *residual) below(z float64) float64 {
	return (1-p.tail)*value.NormalCDF(z) + p.tail*value.NormalCDF(z/TailScale)
}

const tiny = 1e-300

// above returns 1 − G(z) and g(z) of the residual in units of sd, quickly; beyond the reach of the table below, 1 and
// 0.
func (p *residual) above(z float64) (up, density float64) {
	if p.mix != nil && z > mixtureLow && z < mixtureEnd {
		cum, density := p.mix.both(z)
		return 1 - cum, density
	}
	up, density = upper(z)
	if p.tail > 0 {
		u, d := upper(z / TailScale)
		up += p.tail * (u - up)
		density += p.tail * (d/TailScale - density)
	}
	return up, density
}

// density returns g(z) and g′(z).
func (p *residual) density(z float64) (g, slope float64) {
	g = quickPDF(z)
	slope = -z * g
	if p.tail > 0 {
		w := quickPDF(z/TailScale) / TailScale
		slope += p.tail * (-z*w/(TailScale*TailScale) - slope)
		g += p.tail * (w - g)
	}
	return g, slope
}

// between returns G(b) − G(a).
func (p *residual) between(a, b float64) float64 {
	in := between(a, b)
	if p.tail > 0 {
		in += p.tail * (between(a/TailScale, b/TailScale) - in)
	}
	return in
}

// score returns a row's likelihood given the mean eta and the derivatives of its log by the mean, by ln σ and by the
// logit of the contamination share. A clean row leaves out its constant factor 1 − share, whose log and derivative
// the caller adds once for all clean rows.
//
// Clean: 1 − d·G((s−η)/σ). Event: (1−c)·d·[G((b−η)/σ) − G((a−η)/σ)] + c·q: with chance c the cell
// holds a false event, which says nothing about K and looks like this one with chance q.
func (r *row) score(eta float64, p *residual) (like, dEta, dLogSD, dShare float64) {
	switch r.kind {
	case clean:
		z := (r.lower - eta) * p.inv
		up, g := p.above(z)
		if g == 0 && up == 1 {
			return 1, 0, 0, 0
		}
		like = 1 - r.detect + r.detect*up
		if like < tiny {
			like = tiny
		}
		g *= r.detect / like
		return like, g * p.inv, g * z, 0
	case exact:
		z := (r.lower - eta) * p.inv
		return math.Max(pdf(z)*p.inv, tiny), z * p.inv, z*z - 1, 0
	}
	za, zb := (r.lower-eta)*p.inv, (r.upper-eta)*p.inv
	in, ga, gb := p.ends(za, zb)
	inside := r.detect * in
	a := (1 - p.share) * r.detect
	like = math.Max((1-p.share)*inside+p.share*r.falsely, tiny)
	if math.IsInf(za, -1) {
		za = 0
	}
	dEta = -a * (gb - ga) * p.inv / like
	dLogSD = -a * (zb*gb - za*ga) / like
	return like, dEta, dLogSD, (r.falsely - inside) * p.share * (1 - p.share) / like
}

// like returns score's likelihood alone.
func (r *row) like(eta float64, p *residual) float64 {
	switch r.kind {
	case clean:
		up, _ := p.above((r.lower - eta) * p.inv)
		return math.Max(1-r.detect+r.detect*up, tiny)
	case exact:
		return math.Max(pdf((r.lower-eta)*p.inv)*p.inv, tiny)
	}
	inside := r.detect * p.between((r.lower-eta)*p.inv, (r.upper-eta)*p.inv)
	return math.Max((1-p.share)*inside+p.share*r.falsely, tiny)
}

// second holds the second derivatives of a row's log-likelihood.
type second struct {
	etaEta, etaSD, sdSD, etaShare, sdShare, shareShare float64
}

func (s *second) add(w float64, t second) {
	s.etaEta += w * t.etaEta
	s.etaSD += w * t.etaSD
	s.sdSD += w * t.sdSD
	s.etaShare += w * t.etaShare
	s.sdShare += w * t.sdShare
	s.shareShare += w * t.shareShare
}

// curvature returns the first derivative of the log of score's likelihood by the mean, and its second derivatives, with
// the constant factor of clean rows left out as there.
func (r *row) curvature(eta float64, p *residual) (dEta float64, s second) {
	z := (r.lower - eta) * p.inv
	if r.kind == exact {
		return z * p.inv, second{etaEta: -p.inv * p.inv, etaSD: -2 * z * p.inv, sdSD: -2 * z * z}
	}
	if r.kind == clean {
		up, g := p.above(z)
		if g == 0 && up == 1 {
			return 0, second{}
		}
		_, slope := p.density(z)
		return combine(math.Max(1-r.detect+r.detect*up, tiny), -r.detect, g, z*g, slope, z*slope, z*z*slope, p, 0)
	}
	zb := (r.upper - eta) * p.inv
	inside := r.detect * p.between(z, zb)
	gb, sb := p.density(zb)
	g, zg, sl, zsl, zzsl := gb, zb*gb, sb, zb*sb, zb*zb*sb
	if !math.IsInf(z, -1) {
		ga, sa := p.density(z)
		g, zg, sl, zsl, zzsl = g-ga, zg-z*ga, sl-sa, zsl-z*sa, zzsl-z*z*sa
	}
	like := math.Max((1-p.share)*inside+p.share*r.falsely, tiny)
	return combine(like, (1-p.share)*r.detect, g, zg, sl, zsl, zzsl, p, r.falsely-inside)
}

// combine turns a likelihood a·G(·) + … and the differences of g, z·g, g′, z·g′ and z²·g′ between its
// ends into derivatives of its log. outside is the derivative of the likelihood by the share, 0 where the share has no
// part.
func combine(like, a, g, zg, sl, zsl, zzsl float64, p *residual, outside float64) (dEta float64, s second) {
	inv := 1 / like
	lE, lS := -a*g*p.inv*inv, -a*zg*inv
	s.etaEta = a*sl*p.inv*p.inv*inv - lE*lE
	s.etaSD = a*(zsl+g)*p.inv*inv - lE*lS
	s.sdSD = a*(zzsl+zg)*inv - lS*lS
	if outside != 0 {
		lC := outside * p.share * (1 - p.share) * inv
		s.etaShare = -p.share*lE - lE*lC
		s.sdShare = -p.share*lS - lS*lC
		s.shareShare = lC*(1-2*p.share) - lC*lC
	}
	return lE, s
}
