package mdf

import (
	"encoding/binary"
	"fmt"
	"math"
)

// field is where a number lies in a record, and how it is written.
type field struct {
	at     int64
	bytes  int
	shift  uint // bits below the number in the lowest byte
	bits   uint
	big    bool // the highest byte comes first
	signed bool
	float  bool
}

// Kinds of data, least significant byte first; the next of each is the other way round.
const (
	dataUnsigned = 0
	dataSigned   = 2
	dataFloat    = 4
	dataText     = 6
	dataBytes    = 10
	dataDate     = 13
	dataComplex  = 15
)

// fieldOf reads where a channel's numbers lie, or why it has none.
func fieldOf(d []byte) (f field, left string) {
	kind := d[2]
	f = field{at: int64(binary.LittleEndian.Uint32(d[4:])), shift: uint(d[3]),
		bits: uint(binary.LittleEndian.Uint32(d[8:])), big: kind%2 == 1}
	switch {
	case kind >= dataComplex+2:
		return f, fmt.Sprintf("its kind of data (%d) is not known", kind)
	case kind >= dataComplex:
		return f, "its readings are complex numbers"
	case kind >= dataDate:
		return f, "its readings are dates"
	case kind >= dataBytes:
		return f, "its readings are bytes"
	case kind >= dataText:
		return f, "its readings are text"
	case kind >= dataFloat:
		f.float = true
	case kind >= dataSigned:
		f.signed = true
	}
	switch {
	case f.shift > 7:
		return f, fmt.Sprintf("it begins at bit %d of a byte", f.shift)
	case f.float && (f.shift != 0 || f.bits != 16 && f.bits != 32 && f.bits != 64):
		return f, fmt.Sprintf("floating-point numbers of %d bits at bit %d are not read", f.bits, f.shift)
	case f.bits == 0 || f.bits > 64:
		return f, fmt.Sprintf("whole numbers of %d bits are not read", f.bits)
	}
	f.bytes = int(f.shift+f.bits+7) / 8
	return f, ""
}

// read is the number in a record, as a 64-bit float.
func (f *field) read(record []byte) float64 {
	v := f.raw(record[f.at : f.at+int64(f.bytes)])
	switch {
	case f.float && f.bits == 64:
		return math.Float64frombits(v)
	case f.float && f.bits == 32:
		return float64(math.Float32frombits(uint32(v)))
	case f.float:
		return half(uint16(v))
	case f.signed:
		return float64(int64(v<<(64-f.bits)) >> (64 - f.bits))
	}
	return float64(v)
}

// raw is the bits of the number; the bytes may be nine when it does not begin at a byte.
func (f *field) raw(b []byte) uint64 {
	var v uint64
	for i := len(b) - 1; i >= 0; i-- {
		next := b[i]
		if f.big {
			next = b[len(b)-1-i]
		}
		if i == 8 {
			v = uint64(next) << (64 - f.shift)
			continue
		}
		v |= shifted(uint64(next), 8*i-int(f.shift))
	}
	return v << (64 - f.bits) >> (64 - f.bits)
}

// shifted moves bits up, or down where by is negative.
func shifted(v uint64, by int) uint64 {
	if by < 0 {
		return v >> uint(-by)
	}
	return v << uint(by)
}

// half is a 16-bit floating-point number (IEEE 754 binary16).
func half(v uint16) float64 {
	sign, exponent, fraction := 1.0, int(v>>10&0x1f), float64(v&0x3ff)
	if v>>15 == 1 {
		sign = -1
	}
	switch exponent {
	case 0:
		return sign * math.Ldexp(fraction, -24)
	case 0x1f:
		if fraction != 0 {
			return math.NaN()
		}
		return math.Inf(int(sign))
	}
	return sign * math.Ldexp(1024+fraction, exponent-25)
}
