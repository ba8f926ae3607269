package journal

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
	"unicode/utf8"

	"github.com/fxamacker/cbor/v2"
)

// maxDepth bounds the nesting of arrays, maps and tags, so that a hostile
// input cannot exhaust the stack. Nothing the project writes nests deeper
// than a handful of levels.
const maxDepth = 32

// maxElements bounds one array or map. The largest thing written is one
// imported sheet or one exchange of readings; a million is well above both,
// and every element costs at least one byte of input.
const maxElements = 1 << 20

var (
	encMode = must(func() (cbor.EncMode, error) {
		o := cbor.CoreDetEncOptions()
		o.TagsMd = cbor.TagsForbidden
		return o.EncMode()
	}())
	decMode    = must(decOptions(cbor.ExtraDecErrorNone).DecMode())
	strictMode = must(decOptions(cbor.ExtraDecErrorUnknownField).DecMode())
)

func decOptions(extra cbor.ExtraDecErrorCond) cbor.DecOptions {
	return cbor.DecOptions{
		DupMapKey:         cbor.DupMapKeyEnforcedAPF,
		IndefLength:       cbor.IndefLengthForbidden,
		TagsMd:            cbor.TagsForbidden,
		FieldNameMatching: cbor.FieldNameMatchingCaseSensitive,
		MaxNestedLevels:   maxDepth,
		MaxArrayElements:  maxElements,
		MaxMapPairs:       maxElements,
		ExtraReturnErrors: extra,
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err) // options fixed at compile time
	}
	return v
}

// Marshal encodes v as one deterministic CBOR item (RFC 8949 section 4.2.1),
// without tags.
func Marshal(v any) ([]byte, error) {
	b, err := encMode.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("encoding CBOR: %w", err)
	}
	return b, nil
}

// Unmarshal decodes one deterministic CBOR item into v, a pointer to a zero
// value. A nil error means that [Marshal] of *v gives data back, byte for
// byte. Otherwise the error is one of
//
//   - [ErrNotCanonical]: data is not deterministic CBOR, or holds a value in a
//     form that v would not be written in (a null for a number, say);
//   - [ErrNewer]: data is deterministic, and a map in it has keys that v does
//     not know. What v does know is filled in, so a reader may go on; it must
//     not write *v back in place of data.
//   - any other error: data does not fit v's type.
func Unmarshal(data []byte, v any) error {
	if err := Canonical(data); err != nil {
		return err
	}
	return unmarshal(data, v)
}

// unmarshal is Unmarshal of data known to be canonical.
func unmarshal(data []byte, v any) error {
	if err := decMode.Unmarshal(data, v); err != nil {
		return fmt.Errorf("decoding CBOR: %w", err)
	}
	again, err := encMode.Marshal(v)
	if err == nil && bytes.Equal(again, data) {
		return nil
	}
	var unknown *cbor.UnknownFieldError
	fresh := reflect.New(reflect.TypeOf(v).Elem()).Interface()
	if errors.As(strictMode.Unmarshal(data, fresh), &unknown) {
		return fmt.Errorf("decoding CBOR: %w: map element %d is not known here", ErrNewer, unknown.Index)
	}
	return fmt.Errorf("decoding CBOR: %w: the value would be written otherwise", ErrNotCanonical)
}

// Canonical reports whether data is exactly one CBOR item in the core
// deterministic encoding of RFC 8949 section 4.2.1: arguments and floats in
// their shortest form, NaN as f97e00, definite lengths, map keys ascending by
// their encoded bytes and none twice, text valid UTF-8, bignums only where an
// integer does not reach. The error wraps [ErrNotCanonical] and names the
// offset.
func Canonical(data []byte) error {
	n, err := ItemLen(data)
	if err == nil && n != len(data) {
		err = notCanonical(n, "%d bytes follow the item", len(data)-n)
	}
	return err
}

// ItemLen returns the length of the deterministic CBOR item that data starts
// with. What follows the item is not looked at.
func ItemLen(data []byte) (int, error) {
	w := walker{data: data}
	if err := w.item(0); err != nil {
		return 0, err
	}
	return w.at, nil
}

func notCanonical(at int, format string, args ...any) error {
	return fmt.Errorf("%w: at byte %d: %s", ErrNotCanonical, at, fmt.Sprintf(format, args...))
}

// A walker checks an encoded item without building it.
type walker struct {
	data []byte
	at   int
}

// Major types, RFC 8949 section 3.1.
const (
	majorUint = iota
	majorNegative
	majorBytes
	majorText
	majorArray
	majorMap
	majorTag
	majorSimple
)

func (w *walker) item(depth int) error {
	start := w.at
	if depth > maxDepth {
		return notCanonical(start, "nested deeper than %d", maxDepth)
	}
	major, info, arg, err := w.head()
	if err != nil {
		return err
	}
	rest := uint64(len(w.data) - w.at)
	switch major {
	case majorBytes, majorText:
		if arg > rest {
			return notCanonical(start, "string of %d bytes, %d are left", arg, rest)
		}
		s := w.data[w.at : w.at+int(arg)]
		if major == majorText && !utf8.Valid(s) {
			return notCanonical(start, "text is not UTF-8")
		}
		w.at += int(arg)
	case majorArray:
		if arg > rest || arg > maxElements {
			return notCanonical(start, "array of %d elements", arg)
		}
		for range arg {
			if err := w.item(depth + 1); err != nil {
				return err
			}
		}
	case majorMap:
		if arg > rest/2 || arg > maxElements {
			return notCanonical(start, "map of %d pairs", arg)
		}
		return w.pairs(int(arg), depth)
	case majorTag:
		return w.tagged(arg, start, depth)
	case majorSimple:
		return float(info, arg, start)
	}
	return nil
}

// head reads an initial byte and its argument, and refuses an argument that
// a shorter form would have held.
func (w *walker) head() (major, info byte, arg uint64, err error) {
	start := w.at
	if start == len(w.data) {
		return 0, 0, 0, notCanonical(start, "the item is cut short")
	}
	major, info = w.data[start]>>5, w.data[start]&0x1f
	w.at++
	if info < 24 {
		return major, info, uint64(info), nil
	}
	if info > 27 {
		return 0, 0, 0, notCanonical(start, "indefinite length or reserved form %d", info)
	}
	size := 1 << (info - 24)
	if len(w.data)-w.at < size {
		return 0, 0, 0, notCanonical(start, "the item is cut short")
	}
	var wide [8]byte
	copy(wide[8-size:], w.data[w.at:w.at+size])
	arg = binary.BigEndian.Uint64(wide[:])
	w.at += size
	// The smallest argument that needs each width: 24, 2^8, 2^16, 2^32.
	least := [...]uint64{24, 1 << 8, 1 << 16, 1 << 32}[info-24]
	if major != majorSimple && arg < least {
		return 0, 0, 0, notCanonical(start, "argument %d has a shorter form", arg)
	}
	return major, info, arg, nil
}

func (w *walker) pairs(n, depth int) error {
	var last []byte
	for range n {
		start := w.at
		if err := w.item(depth + 1); err != nil {
			return err
		}
		key := w.data[start:w.at]
		if last != nil && bytes.Compare(last, key) >= 0 {
			return notCanonical(start, "map keys are not in ascending order")
		}
		last = key
		if err := w.item(depth + 1); err != nil {
			return err
		}
	}
	return nil
}

// tagged checks a tag's content. Tags 2 and 3 are bignums: no leading zero,
// and nothing that 64 bits hold (RFC 8949 section 3.4.3).
func (w *walker) tagged(tag uint64, start, depth int) error {
	content := w.at
	if err := w.item(depth + 1); err != nil {
		return err
	}
	if tag != 2 && tag != 3 {
		return nil
	}
	inner := walker{data: w.data, at: content}
	major, _, size, err := inner.head()
	if err != nil {
		return err
	}
	if major != majorBytes || size <= 8 || w.data[inner.at] == 0 {
		return notCanonical(start, "bignum has a shorter form")
	}
	return nil
}

// float checks a float or simple value (major type 7).
func float(info byte, arg uint64, start int) error {
	switch info {
	case 24:
		if arg < 32 {
			return notCanonical(start, "simple value %d in two bytes", arg) // RFC 8949 section 3.3
		}
	case 25:
		// Half precision: exponent all ones and a fraction is NaN.
		if arg&0x7c00 == 0x7c00 && arg&0x3ff != 0 && arg != 0x7e00 {
			return notCanonical(start, "NaN is written f97e00")
		}
	case 26:
		if f := math.Float32frombits(uint32(arg)); f != f || fitsHalf(f) {
			return notCanonical(start, "float %v has a shorter form", f)
		}
	case 27:
		if f := math.Float64frombits(arg); f != f || float64(float32(f)) == f {
			return notCanonical(start, "float %v has a shorter form", f)
		}
	}
	return nil
}

// fitsHalf reports whether half precision holds f exactly. It has 11
// significant bits, exponents from -14 to 15, and below those the multiples
// of 2^-24.
func fitsHalf(f float32) bool {
	bits := math.Float32bits(f)
	exp, frac := int(bits>>23&0xff)-127, bits&(1<<23-1)
	switch {
	case bits<<1 == 0 || exp == 128: // zero, infinity; NaN is refused before
		return true
	case exp > 15:
		return false
	case exp >= -14:
		return frac&(1<<13-1) == 0 // 23 - 10 fraction bits must be clear
	case exp >= -24:
		// f = (2^23+frac) * 2^(exp-23) is a multiple of 2^-24 when the
		// last -(exp+1) bits are clear.
		return (1<<23|frac)&(1<<uint(-(exp+1))-1) == 0
	}
	return false
}
