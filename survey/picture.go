package survey

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"pinchrod/store/journal"
)

// Picture says what a picture of the stair shows. The picture itself is kept
// beside the log, named by its sum.
type Picture struct {
	Sum     [32]byte // SHA-256 of its bytes
	Size    int64    // in bytes
	Type    string   // media type, one of PictureTypes
	Where   Place
	What    What        // a kind of reading, or empty
	At      At          // a step, or a station of the kind; may be empty
	Reading journal.Ref // the reading it belongs to, or the zero Ref
	Note    string
	When    string // as [Reading].When
	By      string // whose picture
}

// PictureTypes are the media types a picture may have.
var PictureTypes = []string{"image/jpeg", "image/png"}

// ErrPicture: what a page says of a picture cannot be so.
var ErrPicture = errors.New("not a picture of a stair")

// pictureAt is where a picture of no kind of reading may be taken: at a step,
// or at any station that has a name.
var pictureAt = atRule{marks: []Mark{Bottom, Middle, Top, Lower, Upper, Left, Right}, step: true}

// ParsePictureAt reads where a picture was taken: a station of the kind, where
// one is given; else the name of a station, or a step's number. Empty is
// nowhere in particular.
func ParsePictureAt(what What, s string) (At, error) {
	if strings.TrimSpace(s) == "" {
		return At{}, nil
	}
	if what == "" {
		return pictureAt.parse(s)
	}
	k := kindOf[what]
	if k == nil {
		return At{}, fmt.Errorf("%w %q", ErrWhat, what)
	}
	return k.ParseAt(s)
}

// Title names what the picture shows: "F1, step 3", "F1/left, gap at top".
func (p *Picture) Title() string {
	r := Reading{What: p.What, At: p.At}
	title, _, _ := strings.Cut(r.Title(), " at height ") // a picture has none
	if p.What != "" {
		title = ", " + title
	}
	return string(p.Where) + title
}

// Check tells whether what is said of the picture can be so; another device
// may have written it.
func (p *Picture) Check() error {
	if p.Size <= 0 {
		return fmt.Errorf("%w: it has %d bytes", ErrPicture, p.Size)
	}
	if !slices.Contains(PictureTypes, p.Type) {
		return fmt.Errorf("picture of type %q: %w", p.Type, ErrNewer)
	}
	if _, err := ParsePlace(string(p.Where)); err != nil {
		return err
	}
	if p.What != "" && kindOf[p.What] == nil {
		return fmt.Errorf("%s: %w", p.What, ErrNewer)
	}
	if at, err := ParsePictureAt(p.What, p.At.String()); err != nil {
		return err
	} else if at != p.At {
		return fmt.Errorf("%w %q", ErrAt, p.At)
	}
	return nil
}

// WirePicture is a picture in its stored form; [Picture.Wire] and
// [WirePicture.Picture] convert.
type WirePicture struct {
	Sum     journal.Hash `cbor:"1,keyasint"`
	Size    int64        `cbor:"2,keyasint"`
	Type    string       `cbor:"3,keyasint"`
	Where   string       `cbor:"4,keyasint"`
	What    string       `cbor:"5,keyasint,omitempty"`
	At      *At          `cbor:"6,keyasint,omitempty"`
	Reading *wireRef     `cbor:"7,keyasint,omitempty"`
	Note    string       `cbor:"8,keyasint,omitempty"`
	When    string       `cbor:"9,keyasint,omitempty"`
	By      string       `cbor:"10,keyasint,omitempty"`
}

// Wire gives the stored form of a picture.
func (p *Picture) Wire() WirePicture {
	w := WirePicture{
		Sum: p.Sum, Size: p.Size, Type: p.Type, Where: string(p.Where), What: p.What.stored(),
		Note: p.Note, When: p.When, By: p.By,
	}
	if p.At != (At{}) {
		at := p.At
		w.At = &at
	}
	if p.Reading != (journal.Ref{}) {
		ref := toWire(p.Reading)
		w.Reading = &ref
	}
	return w
}

// Picture reads the stored form.
func (w WirePicture) Picture() Picture {
	p := Picture{
		Sum: w.Sum, Size: w.Size, Type: w.Type, Where: Place(w.Where), What: whatStored(w.What),
		Note: w.Note, When: w.When, By: w.By,
	}
	if w.At != nil {
		p.At = *w.At
	}
	if w.Reading != nil {
		p.Reading = w.Reading.ref()
	}
	return p
}
