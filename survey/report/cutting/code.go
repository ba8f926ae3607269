package cutting

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"

	"pinchrod/survey/asfound"
)

// Version of the calculation. A change that makes other pieces of the same
// readings raises it.
const Version = 2

// alphabet of the codes: no character in it is taken for another.
const alphabet = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"

// codeLength in characters of five bits: two states of one bay share a code once
// in 2³⁰.
const codeLength = 6

// ErrCode means a code that no sheet has.
var ErrCode = errors.New("not the code of a sheet")

// short turns any text into six characters: the first 30 bits of its SHA-256.
func short(text string) string {
	sum := sha256.Sum256([]byte(text))
	bits := uint32(sum[0])<<24 | uint32(sum[1])<<16 | uint32(sum[2])<<8 | uint32(sum[3])
	var out [codeLength]byte
	for i := range out {
		out[i] = alphabet[bits>>27]
		bits <<= 5
	}
	return string(out[:])
}

// code is the sheet's own.
func (s *Sheet) code(set asfound.Settings) string { return short(strings.Join(s.rests(set), "\n")) }

// rests are the lines that the code is made of. A suspect reading, which was set
// aside, is in none of them: no cut hangs on it.
func (s *Sheet) rests(set asfound.Settings) []string {
	var read []string
	for i := range s.found.Readings {
		r := &s.found.Readings[i]
		if r.Suspect {
			continue
		}
		// The last word is that of the codes which are on paper already.
		read = append(read, fmt.Sprintf("reading %s %s %s %.4f %.4f false", r.Reading.What, r.Reading.At, r.Reading.Height, r.Value, r.U))
	}
	for _, e := range s.found.Taken {
		read = append(read, fmt.Sprintf("taken %s %s %s", e.Reading.What, e.Reading.At, e.Reading.Value))
	}
	slices.Sort(read)
	lines := append([]string{fmt.Sprintf("pinchrod sheet %d", Version), "bay " + string(s.Bay)}, read...)
	lines = append(lines,
		fmt.Sprintf("house %v", set.House),
		fmt.Sprintf("joint %g target %g opening %g", set.Joint, set.Target, set.Opening),
		fmt.Sprintf("rules %s %s", set.Profile.Name, set.Stair),
		fmt.Sprintf("timber %s %g", set.Species.Name, set.Service),
		fmt.Sprintf("fillets %s", set.Fillets),
		"missing "+s.Missing,
	)
	for i := range s.Sets {
		t := &s.Sets[i]
		lines = append(lines, fmt.Sprintf("set %s %s %s", t.Kind, t.Cut, t.Section))
		for _, g := range t.Settings {
			lines = append(lines, fmt.Sprintf("cut %.3f %s %.1f %s %.1f %s %.0f %v %t",
				g.Stop, g.Side, g.Low.Dial, g.Low.Long, g.High.Dial, g.High.Long, g.Blank, g.Pieces, g.ToFit))
		}
		for _, p := range t.Pieces {
			lines = append(lines, fmt.Sprintf("piece %s %t", p.ID, p.Access))
		}
	}
	return lines
}

// Stale tells whether the cuts of the sheet with a code no longer hold: whether
// this sheet has another. Case, spaces and dashes do not matter. The text of a
// label's QR code will do as well; one of another job or bay is of another sheet.
//
// Errors: ErrCode, ErrLabel.
func (s *Sheet) Stale(code string) (bool, error) {
	if IsLabel(code) {
		l, err := ParseLabel(code)
		return err == nil && (l.Tag != s.Tag || l.Bay != s.Bay || l.Code != s.Code), err
	}
	c, err := ParseCode(code)
	return err == nil && c != s.Code, err
}
