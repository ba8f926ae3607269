package survey

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"pinchrod/calc/unit"
)

// Part is a kind of piece of a bay, by its name in the log.
type Part string

// The parts that are cut for a bay.
const (
	PartSpindle    Part = "spindle"
	PartBaseFillet Part = "base-fillet"
	PartRailFillet Part = "rail-fillet"
)

// Parts lists them in the order a sheet has them.
var Parts = []Part{PartSpindle, PartBaseFillet, PartRailFillet}

// Words is the part as it is said: base fillet.
func (p Part) Words() string { return strings.ReplaceAll(string(p), "-", " ") }

// letter is what a piece's name begins with, as sheets and labels have it.
func (p Part) letter() string { return strings.ToUpper(string(p[:1])) }

// Made is what was cut for a bay: a batch at one stop at the bench, or one piece
// that was cut again on site.
type Made struct {
	Where  Place // the bay
	Part   Part
	Pieces []uint32    // their numbers from the lower post, rising
	Spares uint32      // cut with them
	Length unit.Length // as measured on a cut piece, where the saw's stop is measured
	// Line is what such a piece fills: the length along the line that needed
	// lengths count along, so that a later book can hold it against what is
	// needed then, whatever edge the stop was measured on.
	Line    unit.Length
	ToFit   bool          // over length, to be trimmed on site
	Recut   bool          // one piece, cut again on site
	Sheet   string        // code of the cutting sheet it was cut from
	Section string        // of its stock, as a sheet writes it
	Kept    []unit.Length // offcuts that went onto the rack
	Used    []unit.Length // offcuts that were taken from the rack
	By      string        // who cut it
	When    string        // as [Reading].When
	Note    string
}

// ErrMade: what a page says was made cannot be so.
var ErrMade = errors.New("not what a bench makes")

// mostPieces bounds a batch: five times the most spindles that a layout has.
const mostPieces = 1000

// longest bounds a piece and an offcut: no bar is longer than a lorry is.
const longest = 20 * unit.Metre

// ParsePart reads the name of a part, in the singular or the plural. The error
// wraps [ErrMade].
func ParsePart(s string) (Part, error) {
	for _, p := range Parts {
		if s == string(p) || s == string(p)+"s" {
			return p, nil
		}
	}
	return "", fmt.Errorf("%w: part %q: give spindle, base-fillet or rail-fillet", ErrMade, s)
}

// Check tells whether what was made can be so; another device may have written
// it. A part that this version does not know gives [ErrNewer].
func (m *Made) Check() error {
	if p, err := ParsePlace(string(m.Where)); err != nil {
		return err
	} else if !p.InBay() {
		return fmt.Errorf("%w: pieces are of a bay; write %s/left or the bay's name after the slash", ErrPlace, p.Flight())
	}
	if !slices.Contains(Parts, m.Part) {
		return fmt.Errorf("part %q: %w", m.Part, ErrNewer)
	}
	if len(m.Pieces) == 0 && m.Spares == 0 && len(m.Kept)+len(m.Used) == 0 {
		return fmt.Errorf("%w: no piece, no spare and no offcut", ErrMade)
	}
	if len(m.Pieces)+int(min(m.Spares, mostPieces)) > mostPieces {
		return fmt.Errorf("%w: more than %d pieces at once", ErrMade, mostPieces)
	}
	for i, n := range m.Pieces {
		if n == 0 || n > mostPieces || i > 0 && n <= m.Pieces[i-1] {
			return fmt.Errorf("%w: piece %d out of order: they are numbered from the lower post", ErrMade, n)
		}
	}
	if m.Recut && (len(m.Pieces) != 1 || m.Spares != 0 || m.ToFit) {
		return fmt.Errorf("%w: one piece at a time is cut again", ErrMade)
	}
	cut := len(m.Pieces) > 0 || m.Spares > 0
	for _, l := range []unit.Length{m.Length, m.Line} {
		if cut && l <= 0 || l < 0 || l > longest {
			return fmt.Errorf("length %s: %w", l, ErrMade)
		}
	}
	for _, all := range [][]unit.Length{m.Kept, m.Used} {
		if len(all) > mostOffcuts {
			return fmt.Errorf("%w: more than %d offcuts at once", ErrMade, mostOffcuts)
		}
		for _, l := range all {
			if l <= 0 || l > longest {
				return fmt.Errorf("offcut of %s: %w", l, ErrMade)
			}
		}
	}
	return nil
}

// MostSpares bounds the spares that a person writes down at once: far above what
// anybody cuts.
const MostSpares = 1000

// WireMade is what was made in its stored form; [Made.Wire] and [WireMade.Made]
// convert.
type WireMade struct {
	Where   string   `cbor:"1,keyasint"`
	Part    string   `cbor:"2,keyasint"`
	Pieces  []uint32 `cbor:"3,keyasint,omitempty"`
	Spares  uint32   `cbor:"4,keyasint,omitempty"`
	Length  int64    `cbor:"5,keyasint,omitempty"`
	Line    int64    `cbor:"6,keyasint,omitempty"`
	Recut   bool     `cbor:"7,keyasint,omitempty"`
	Sheet   string   `cbor:"8,keyasint,omitempty"`
	Section string   `cbor:"9,keyasint,omitempty"`
	Kept    []int64  `cbor:"10,keyasint,omitempty"`
	Used    []int64  `cbor:"11,keyasint,omitempty"`
	By      string   `cbor:"12,keyasint,omitempty"`
	When    string   `cbor:"13,keyasint,omitempty"`
	Note    string   `cbor:"14,keyasint,omitempty"`
	ToFit   bool     `cbor:"15,keyasint,omitempty"`
}

// Wire gives the stored form of what was made.
func (m *Made) Wire() WireMade {
	return WireMade{
		Where: string(m.Where), Part: string(m.Part), Pieces: m.Pieces, Spares: m.Spares,
		Length: int64(m.Length), Line: int64(m.Line), ToFit: m.ToFit, Recut: m.Recut, Sheet: m.Sheet, Section: m.Section,
		Kept: counts(m.Kept), Used: counts(m.Used), By: m.By, When: m.When, Note: m.Note,
	}
}

// Made reads the stored form.
func (w WireMade) Made() Made {
	return Made{
		Where: Place(w.Where), Part: Part(w.Part), Pieces: w.Pieces, Spares: w.Spares,
		Length: unit.Length(w.Length), Line: unit.Length(w.Line), ToFit: w.ToFit, Recut: w.Recut, Sheet: w.Sheet, Section: w.Section,
		Kept: lengths(w.Kept), Used: lengths(w.Used), By: w.By, When: w.When, Note: w.Note,
	}
}

func counts(in []unit.Length) (out []int64) {
	for _, l := range in {
		out = append(out, int64(l))
	}
	return out
}

func lengths(in []int64) (out []unit.Length) {
	for _, l := range in {
		out = append(out, unit.Length(l))
	}
	return out
}
