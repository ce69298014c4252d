package value

import "math"

// Parts of a doubling, or of the numbers from 1 to 2, that Exp and Ln keep a value of.
const (
	expBits, expParts = 6, 1 << expBits
	lnBits, lnParts   = 7, 1 << lnBits
)

var (
	expTable = func() (t [expParts]float64) {
		for i := range t {
			t[i] = math.Exp2(float64(i) / expParts)
		}
		return t
	}()
	lnTable = func() (t [lnParts]struct{ inverse, ln float64 }) {
		for i := range t {
			middle := 1 + (float64(i)+0.5)/lnParts
			t[i].inverse, t[i].ln = 1/middle, math.Log(middle)
		}
		return t
	}()
)

// Exp is e to the power x within a relative 2e−13 for x of −700 to 700, in a third of the time of math.Exp, which it
// is beyond and for NaN: a kept power of two by a polynomial of degree 4 for the rest.
func Exp(x float64) float64 {
	if !(x > -700 && x < 700) {
		return math.Exp(x)
	}
	t := x * (expParts / math.Ln2)
	n := int64(t+(1<<20)*expParts+0.5) - (1<<20)*expParts
	r := x - float64(n)*(math.Ln2/expParts)
	return math.Float64frombits(uint64(n>>expBits+1023)<<52) * expTable[n&(expParts-1)] *
		(1 + r*(1+r*(1.0/2+r*(1.0/6+r*(1.0/24)))))
}

// Ln is the natural logarithm within 2e−13 of it, relative where it is above 1 in size, in half the time of math.Log,
// which it is for what is no ordinary positive number: a kept logarithm and five terms of the series for the rest.
func Ln(x float64) float64 {
	bits := math.Float64bits(x)
	e := bits >> 52
	if e-1 >= 0x7fe { // negative, denormal, infinite, NaN
		return math.Log(x)
	}
	t := &lnTable[bits>>(52-lnBits)&(lnParts-1)]
	r := math.Float64frombits(bits&(1<<52-1)|1023<<52)*t.inverse - 1
	return float64(int64(e)-1023)*math.Ln2 + t.ln + r*(1+r*(-1.0/2+r*(1.0/3+r*(-1.0/4+r*(1.0/5)))))
}
