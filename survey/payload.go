package survey

import (
	"bytes"
	"errors"
	"fmt"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
)

// ErrNewer means that a payload holds something this version does not know.
// What it does know is returned beside the error.
var ErrNewer = errors.New("written by a newer version")

// Payload is what one page of the log says, in whole or in part:
//
//	{1: job, 2: [reading …], 3: [strike …], 4: [keep …], 5: [setting …],
//	 6: [tool …], 7: [tool check …], 8: [picture …], 9: [made …]}
//	job     = {1: name}
//	reading = {1: where, 2: what, 3: [mark, n], 4: height in µm, 5: [value …],
//	           6: text as typed, 7: u, 8: tool, 9: by, 10: when, 11: note,
//	           12: reference to the reading it replaces}
//	strike  = {1: reference, 2: why, 3: by}
//	keep    = as strike
//	setting = {1: name, 2: value as typed, 3: [reference to a setting it replaces …]}
//	tool    = {1: name, 2: sort, 3: class, 4: hook, 5: limit, 6: resolution,
//	           7: last check, 8: next check due}; limit and resolution in nm or nrad or 10⁻⁹
//	tool check = {1: tool, 2: kind, 3: [first …], 4: [second …], 5: when}
//	picture = {1: SHA-256 of its bytes, 2: size, 3: media type, 4: where,
//	           5: what, 6: [mark, n], 7: reference to a reading, 8: note,
//	           9: when, 10: by}
//	made    = {1: where, 2: part, 3: [number …], 4: spares, 5: length in µm,
//	           6: length along the line in µm, 7: cut again, 8: code of the sheet,
//	           9: section, 10: [offcut kept, µm …], 11: [offcut used, µm …],
//	           12: by, 13: when, 14: note, 15: over length}
//	reference = [device, page, number on the page]
//
// in deterministic CBOR (RFC 8949, 4.2.1), what is empty left out. The numbers
// of a value are those of its [Measure]; a section of n pieces together has n as a
// fourth. u counts nm, nrad or 10⁻⁹. A spacer walk is stored as "walk"; a trial
// piece that just fits as "fit" with its length alone, with a word as "trial".
type Payload struct {
	Job      *JobRecord
	Readings []Reading
	Strikes  []Strike
	Keeps    []Strike // as a Strike, to say that a suspect reading counts all the same
	Settings []Setting
	Tools    []ToolRecord
	Checks   []ToolCheck
	Pictures []Picture
	Made     []Made
}

// Setting is a choice that a job rests on, such as its rule profile. A new
// value names the ones it replaces, so that two people who set it differently
// are seen to.
type Setting struct {
	Name     string
	Value    string
	Replaces []journal.Ref
}

// Settings of a job that the walk up the stair writes, beside those that the
// findings rest on.
const (
	SettingPlan    = "plan"    // what flights and bays there are
	SettingSkipped = "skipped" // a reading left out, and why
	SettingNote    = "note"
	SettingKit     = "kit" // which tools are in hand
)

// WalkSettings are those settings, which a person does not set by hand.
var WalkSettings = []string{SettingPlan, SettingSkipped, SettingNote, SettingKit}

// JobRecord names a job when it is made. The page's envelope holds its ID.
type JobRecord struct {
	Name string `cbor:"1,keyasint"`
}

// Strike says that a reading, a picture, or what was made, no longer counts, and why. It stays
// legible.
type Strike struct {
	Reading journal.Ref
	Why     string
	By      string
}

type wirePayload struct {
	Job      *JobRecord    `cbor:"1,keyasint,omitempty"`
	Readings []WireReading `cbor:"2,keyasint,omitempty"`
	Strikes  []wireStrike  `cbor:"3,keyasint,omitempty"`
	Keeps    []wireStrike  `cbor:"4,keyasint,omitempty"`
	Settings []wireSetting `cbor:"5,keyasint,omitempty"`
	Tools    []ToolRecord  `cbor:"6,keyasint,omitempty"`
	Checks   []ToolCheck   `cbor:"7,keyasint,omitempty"`
	Pictures []WirePicture `cbor:"8,keyasint,omitempty"`
	Made     []WireMade    `cbor:"9,keyasint,omitempty"`
}

// WireReading is a reading in its stored form; [Reading.Wire] and
// [WireReading.Reading] convert.
type WireReading struct {
	Where    string   `cbor:"1,keyasint"`
	What     string   `cbor:"2,keyasint"`
	At       *At      `cbor:"3,keyasint,omitempty"`
	Height   int64    `cbor:"4,keyasint,omitempty"`
	Value    []int64  `cbor:"5,keyasint"`
	Text     string   `cbor:"6,keyasint"`
	U        int64    `cbor:"7,keyasint,omitempty"`
	Tool     string   `cbor:"8,keyasint,omitempty"`
	By       string   `cbor:"9,keyasint,omitempty"`
	When     string   `cbor:"10,keyasint,omitempty"`
	Note     string   `cbor:"11,keyasint,omitempty"`
	Replaces *wireRef `cbor:"12,keyasint,omitempty"`
}

type wireStrike struct {
	Reading wireRef `cbor:"1,keyasint"`
	Why     string  `cbor:"2,keyasint"`
	By      string  `cbor:"3,keyasint,omitempty"`
}

type wireSetting struct {
	Name     string    `cbor:"1,keyasint"`
	Value    string    `cbor:"2,keyasint"`
	Replaces []wireRef `cbor:"3,keyasint,omitempty"`
}

type wireRef struct {
	_      struct{} `cbor:",toarray"`
	Device journal.ID
	Page   uint64
	Item   uint32
}

func (w wireRef) ref() journal.Ref {
	return journal.Ref{Device: w.Device, Page: w.Page, Item: w.Item}
}

func toWire(r journal.Ref) wireRef {
	return wireRef{Device: r.Device, Page: r.Page, Item: r.Item}
}

func wireStrikes(in []Strike) (out []wireStrike) {
	for _, s := range in {
		out = append(out, wireStrike{toWire(s.Reading), s.Why, s.By})
	}
	return out
}

func strikes(in []wireStrike) (out []Strike) {
	for _, s := range in {
		out = append(out, Strike{s.Reading.ref(), s.Why, s.By})
	}
	return out
}

// Encode writes the payload in its one stored form.
func (p Payload) Encode() ([]byte, error) {
	w := wirePayload{Job: p.Job}
	for i := range p.Readings {
		w.Readings = append(w.Readings, p.Readings[i].Wire())
	}
	w.Strikes, w.Keeps = wireStrikes(p.Strikes), wireStrikes(p.Keeps)
	w.Tools, w.Checks = p.Tools, p.Checks
	for _, s := range p.Settings {
		ws := wireSetting{Name: s.Name, Value: s.Value}
		for _, r := range s.Replaces {
			ws.Replaces = append(ws.Replaces, toWire(r))
		}
		w.Settings = append(w.Settings, ws)
	}
	for i := range p.Pictures {
		w.Pictures = append(w.Pictures, p.Pictures[i].Wire())
	}
	for i := range p.Made {
		w.Made = append(w.Made, p.Made[i].Wire())
	}
	b, err := journal.Marshal(w)
	if err != nil {
		return nil, fmt.Errorf("encoding a page: %w", err)
	}
	return b, nil
}

// DecodePayload reads a payload. Bytes that are not its one stored form are
// refused; with [ErrNewer] the known part is returned as well.
func DecodePayload(b []byte) (Payload, error) {
	var w wirePayload
	newer := false
	if err := journal.Unmarshal(b, &w); errors.Is(err, journal.ErrNewer) {
		newer = true
	} else if err != nil {
		return Payload{}, fmt.Errorf("decoding a page: %w", err)
	}
	p := Payload{Job: w.Job}
	for i, wr := range w.Readings {
		r, err := wr.Reading()
		if errors.Is(err, ErrNewer) {
			newer = true
		} else if err != nil {
			return Payload{}, fmt.Errorf("decoding a page: reading %d: %w", i+1, err)
		}
		p.Readings = append(p.Readings, r)
	}
	p.Strikes, p.Keeps = strikes(w.Strikes), strikes(w.Keeps)
	p.Tools, p.Checks = w.Tools, w.Checks
	for _, ws := range w.Settings {
		s := Setting{Name: ws.Name, Value: ws.Value}
		for _, r := range ws.Replaces {
			s.Replaces = append(s.Replaces, r.ref())
		}
		p.Settings = append(p.Settings, s)
	}
	for _, wp := range w.Pictures {
		p.Pictures = append(p.Pictures, wp.Picture())
	}
	for _, wm := range w.Made {
		p.Made = append(p.Made, wm.Made())
	}
	if newer {
		return p, fmt.Errorf("decoding a page: %w: update pinchrod to see all of it", ErrNewer)
	}
	// A station or a reference that names nothing is well formed, but Encode
	// leaves it out.
	if again, err := p.Encode(); err != nil || !bytes.Equal(again, b) {
		return Payload{}, fmt.Errorf("decoding a page: %w: it would be written otherwise", journal.ErrNotCanonical)
	}
	return p, nil
}

// storedNames are the names of those kinds that pages know by the name which they
// had first. What is stored is never renamed: a page re-encodes to its own bytes.
var storedNames = map[What]string{Trial: "fit", SpacerWalk: "walk"}

// storedWord is the stored name of a trial that says more than that a length just
// fits, which is "fit", so that a version without such words keeps the reading as
// one that it does not know.
const storedWord = "trial"

// stored is the name of a kind in a page.
func (w What) stored() string {
	if s, ok := storedNames[w]; ok {
		return s
	}
	return string(w)
}

// whatStored is the kind that a page names.
func whatStored(name string) What {
	for w, s := range storedNames {
		if s == name {
			return w
		}
	}
	return What(name)
}

// Wire gives the stored form of a reading.
func (r *Reading) Wire() WireReading {
	w := WireReading{
		Where: string(r.Where), What: r.What.stored(), Height: int64(r.Height),
		Value: r.Value.stored(), Text: r.Text, U: r.U,
		Tool: r.Tool, By: r.By, When: r.When, Note: r.Note,
	}
	if r.What == Trial && len(w.Value) > 1 {
		w.What = storedWord
	}
	if r.At != (At{}) {
		at := r.At
		w.At = &at
	}
	if r.Replaces != (journal.Ref{}) {
		ref := toWire(r.Replaces)
		w.Replaces = &ref
	}
	return w
}

var errNumbers = errors.New("wrong count of numbers in a value")

// Reading reads the stored form. A kind that this version does not know gives
// [ErrNewer] and a reading of [Unknown] measure.
func (w WireReading) Reading() (Reading, error) {
	r := Reading{
		Where: Place(w.Where), What: whatStored(w.What), Height: unit.Length(w.Height), Text: w.Text, U: w.U,
		Tool: w.Tool, By: w.By, When: w.When, Note: w.Note,
	}
	if w.At != nil {
		r.At = *w.At
	}
	if w.Replaces != nil {
		r.Replaces = w.Replaces.ref()
	}
	k := r.Kind()
	if k == nil {
		copy(r.Value.N[:], w.Value)
		return r, fmt.Errorf("%s: %w", w.What, ErrNewer)
	}
	var err error
	if r.Value, err = k.Measure.fromStored(w.Value); err != nil {
		return r, fmt.Errorf("%s: %w", w.What, err)
	}
	return r, nil
}

// Check tells whether the reading can be worked with: a known kind, at a
// station it has, with a believable value. What an importing page refused
// could still come from another device.
func (r *Reading) Check() error {
	k := r.Kind()
	if k == nil {
		return fmt.Errorf("%s: %w", r.What, ErrNewer)
	}
	if _, err := ParsePlace(string(r.Where)); err != nil {
		return err
	}
	if k.OfBay != r.Where.InBay() {
		return k.wrongPlace(r.Where)
	}
	if at, err := k.ParseAt(r.At.String()); err != nil {
		return err
	} else if at != r.At {
		return fmt.Errorf("%w %q", ErrAt, r.At)
	}
	if r.Value.Measure == Lean && r.Value.N[1] <= 0 || r.U < 0 {
		return fmt.Errorf("%s %w", r.What, ErrAbsurd)
	}
	if r.Height < 0 || r.Height > 3*unit.Metre {
		return fmt.Errorf("height %s %w", r.Height, ErrAbsurd)
	}
	return k.believable(r.Value)
}

func (k *Kind) wrongPlace(p Place) error {
	if k.OfBay {
		return fmt.Errorf("%w: %s is read on a bay; write %s/left or the bay's name after the slash", ErrPlace, k.What, p.Flight())
	}
	return fmt.Errorf("%w: %s is read on a flight; write %s without a bay", ErrPlace, k.What, p.Flight())
}

// ParseWhere reads the place of a reading of this kind.
func (k *Kind) ParseWhere(s string) (Place, error) {
	p, err := ParsePlace(s)
	if err == nil && k.OfBay != p.InBay() {
		err = k.wrongPlace(p)
	}
	return p, err
}
