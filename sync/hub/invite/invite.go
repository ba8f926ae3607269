// Package invite writes the invitation that lets a device join a hub: a line
// of text, to be sent, typed, or scanned as a QR code.
//
// # Format
//
// "PINCH1" and the base32 (RFC 4648 section 6, without padding) of
//
//	expires      4  minutes since 1970-01-01T00:00Z, big-endian
//	hub         32  the fingerprint of the hub's key
//	secret      16
//	count        1  of addresses
//	addresses       each: length (1), "host:port"
//	check        4  the first of SHA-256("pinchrod invitation v1" 00, the rest)
//
// The letters are those that a QR code packs tightest. Read back, lower case
// counts as upper, spaces and dashes as nothing, and 0, 1 and 8, which base32
// does not have, as the letters O, I and B that they are mistaken for. The
// check tells a slip of the fingers from an invitation that the hub refuses.
package invite

import (
	"bytes"
	"crypto/sha256"
	"encoding/base32"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"net"
	"strconv"
	"strings"
	"time"

	"pinchrod/sync/hub/door"
)

// ErrAddresses: an invitation with no address of the hub, or with too many.
var ErrAddresses = errors.New("wrong number of addresses")

var (
	// ErrSyntax: the text is no invitation, or not all of one.
	ErrSyntax = errors.New("this is not an invitation")
	// ErrSlip: it is one but for a letter or so.
	ErrSlip = errors.New("the invitation has a slip in it")
	// ErrNewer: a later version of this program made it.
	ErrNewer = errors.New("the invitation is for a newer version of this program")
)

// An Invitation is what a device needs to join a hub. Whoever has it can join
// in the device's place, once: it is shown to its receiver and to nobody else.
type Invitation struct {
	Addresses []string         // host:port, tried in order; 1 to 8
	Hub       door.Fingerprint // of the key that the hub has to prove
	Secret    [16]byte
	Expires   time.Time // cut to the minute
}

const (
	name         = "PINCH"
	prefix       = name + "1"
	maxAddresses = 8
	checkLen     = 4
	fixedLen     = 4 + 32 + 16 + 1
)

var letters = base32.StdEncoding.WithPadding(base32.NoPadding)

func check(body []byte) []byte {
	h := sha256.New()
	h.Write([]byte("pinchrod invitation v1\x00"))
	h.Write(body)
	return h.Sum(nil)[:checkLen]
}

// Encode returns the invitation as one line.
func (i Invitation) Encode() (string, error) {
	minutes := i.Expires.Unix() / 60
	switch {
	case i.Expires.Unix() < 0 || minutes > math.MaxUint32:
		return "", fmt.Errorf("writing an invitation: %s is not a time that it can hold", i.Expires.Format(time.RFC3339))
	case len(i.Addresses) == 0 || len(i.Addresses) > maxAddresses:
		return "", fmt.Errorf("writing an invitation: %w: %d; it holds 1 to %d", ErrAddresses, len(i.Addresses), maxAddresses)
	}
	b := binary.BigEndian.AppendUint32(nil, uint32(minutes))
	b = append(b, i.Hub[:]...)
	b = append(b, i.Secret[:]...)
	b = append(b, byte(len(i.Addresses)))
	for _, a := range i.Addresses {
		if err := checkAddress(a); err != nil {
			return "", fmt.Errorf("writing an invitation: %w", err)
		}
		b = append(append(b, byte(len(a))), a...)
	}
	return prefix + letters.EncodeToString(append(b, check(b)...)), nil
}

func checkAddress(a string) error {
	host, port, err := net.SplitHostPort(a)
	if err != nil {
		return fmt.Errorf("address %q: want host:port", a)
	}
	n, err := strconv.ParseUint(port, 10, 16)
	bad := func(c rune) bool { return c <= ' ' || c > '~' }
	if err != nil || n == 0 || host == "" || len(a) > math.MaxUint8 || strings.ContainsFunc(a, bad) {
		return fmt.Errorf("address %q: want host:port", a)
	}
	return nil
}

// Parse reads an invitation as it was sent or typed. Errors: [ErrSyntax],
// [ErrSlip], [ErrNewer].
func Parse(text string) (Invitation, error) {
	var clean strings.Builder
	for _, c := range strings.ToUpper(text) {
		if !strings.ContainsRune(" \t\r\n-", c) {
			clean.WriteRune(c)
		}
	}
	s, ok := strings.CutPrefix(clean.String(), prefix)
	if !ok {
		if s, ok := strings.CutPrefix(clean.String(), name); ok && s != "" && '2' <= s[0] && s[0] <= '9' {
			return Invitation{}, fmt.Errorf("%w: version %c", ErrNewer, s[0])
		}
		return Invitation{}, fmt.Errorf("%w: it begins with %s", ErrSyntax, prefix)
	}
	s = strings.NewReplacer("0", "O", "1", "I", "8", "B").Replace(s)
	b, err := letters.DecodeString(s)
	if err != nil {
		return Invitation{}, fmt.Errorf("%w: after %s come letters and the digits 2 to 7", ErrSlip, prefix)
	}
	if len(b) < fixedLen+checkLen {
		return Invitation{}, fmt.Errorf("%w: it is cut short", ErrSyntax)
	}
	body, sum := b[:len(b)-checkLen], b[len(b)-checkLen:]
	// The last letter can have bits that no byte takes in.
	if !bytes.Equal(check(body), sum) || letters.EncodeToString(b) != s {
		return Invitation{}, fmt.Errorf("%w: compare it letter by letter, or send it again", ErrSlip)
	}
	return decode(body)
}

// decode reads what is known to be as it was written, if by this program.
func decode(b []byte) (i Invitation, err error) {
	i.Expires = time.Unix(int64(binary.BigEndian.Uint32(b))*60, 0).UTC()
	i.Hub = door.Fingerprint(b[4:36])
	i.Secret = [16]byte(b[36:52])
	count, rest := int(b[52]), b[fixedLen:]
	for range count {
		if len(rest) == 0 || len(rest)-1 < int(rest[0]) {
			return Invitation{}, fmt.Errorf("%w: an address is cut short", ErrSyntax)
		}
		a := string(rest[1 : 1+rest[0]])
		if err := checkAddress(a); err != nil {
			return Invitation{}, fmt.Errorf("%w: %w", ErrSyntax, err)
		}
		i.Addresses, rest = append(i.Addresses, a), rest[1+rest[0]:]
	}
	if len(rest) > 0 || count == 0 || count > maxAddresses {
		return Invitation{}, fmt.Errorf("%w: its addresses are not as they should be", ErrSyntax)
	}
	return i, nil
}

// Grouped returns an encoded invitation in groups of five letters, for a
// person to read out or to type. Parse reads it as well.
func Grouped(text string) string {
	var b strings.Builder
	for i, c := range strings.TrimPrefix(text, prefix) {
		if i%5 == 0 {
			b.WriteByte('-')
		}
		b.WriteRune(c)
	}
	return prefix + b.String()
}
