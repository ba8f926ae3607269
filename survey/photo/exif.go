package photo

import (
	"encoding/binary"
	"slices"
)

// Tags of entries, CIPA DC-008; those of TIFF 6.0 among them.
const (
	tagOrientation  = 0x0112
	tagStripOffsets = 0x0111
	tagStripCounts  = 0x0117
	tagThumbOffset  = 0x0201 // JPEGInterchangeFormat
	tagThumbLength  = 0x0202
	tagExifIFD      = 0x8769
	tagInteropIFD   = 0xa005
	tagGPSIFD       = 0x8825
	tagTaken        = 0x9003 // DateTimeOriginal
	tagTakenOffset  = 0x9011 // OffsetTimeOriginal
)

// closed are tags whose values only their maker can read, or that lead to more
// directories than are followed here: MakerNote, SubIFDs, Photoshop's
// resources, Windows' padding, DNG's private data.
var closed = []uint16{0x927c, 0x014a, 0x8649, 0xea1c, 0xc634}

// gpsCoordinates are the entries of a GPS directory that say where: latitude,
// longitude, those of the destination, and the name of the area. Without any of
// them a camera noted only that it has a receiver.
var gpsCoordinates = []uint16{0x0002, 0x0004, 0x0014, 0x0016, 0x001c}

// Types of values, TIFF 6.0 section 2; 13 is TIFF technical note 1, 129 is
// EXIF 3.0.
const (
	kindByte      = 1
	kindASCII     = 2
	kindShort     = 3
	kindLong      = 4
	kindUndefined = 7
	kindIFD       = 13
	kindUTF8      = 129
)

var kindSize = map[uint16]uint64{
	kindByte: 1, kindASCII: 1, kindShort: 2, kindLong: 4, 5: 8, 6: 1, kindUndefined: 1,
	8: 2, 9: 4, 10: 8, 11: 4, 12: 8, kindIFD: 4, kindUTF8: 1,
}

// tiff is the block of an EXIF segment, after its name.
type tiff struct {
	b     []byte
	order binary.ByteOrder
}

const tiffHeader = 8

// entryLen is the size of a directory's entry: tag, type, count, and the value
// or where it lies.
const entryLen = 12

func openTIFF(b []byte) (tiff, error) {
	if len(b) >= tiffHeader {
		switch string(b[:4]) {
		case "II*\x00":
			return tiff{b, binary.LittleEndian}, nil
		case "MM\x00*":
			return tiff{b, binary.BigEndian}, nil
		}
	}
	return tiff{}, malformed("EXIF without its header")
}

func (t tiff) first() uint32 { return t.order.Uint32(t.b[4:]) }

type directory struct {
	at, end int // with the link to the next one, where that is there
	entries []entry
	next    uint32
}

type entry struct {
	at      int
	tag     uint16
	kind    uint16
	lo, hi  int  // of the value
	inside  bool // the value is in the entry itself
	outside bool // the value is not in the block, or of an unknown type
}

func (t tiff) directory(at uint32) (directory, error) {
	size := uint64(len(t.b))
	if uint64(at)+2 > size {
		return directory{}, malformed("EXIF directory at byte %d of %d", at, size)
	}
	n := int(t.order.Uint16(t.b[at:]))
	d := directory{at: int(at), end: int(at) + 2 + n*entryLen}
	if uint64(d.end) > size {
		return directory{}, malformed("EXIF directory of %d entries at byte %d of %d", n, at, size)
	}
	for p := d.at + 2; p < d.end; p += entryLen {
		d.entries = append(d.entries, t.entry(p))
	}
	if d.end+4 <= len(t.b) { // the last directory may lack its link
		d.next = t.order.Uint32(t.b[d.end:])
		d.end += 4
	}
	return d, nil
}

func (t tiff) entry(p int) entry {
	e := entry{at: p, tag: t.order.Uint16(t.b[p:]), kind: t.order.Uint16(t.b[p+2:])}
	size := uint64(t.order.Uint32(t.b[p+4:])) * kindSize[e.kind]
	if size <= 4 {
		e.inside, e.outside = true, kindSize[e.kind] == 0
		e.lo, e.hi = p+8, p+8+int(size)
		return e
	}
	lo := uint64(t.order.Uint32(t.b[p+8:]))
	if e.outside = lo+size > uint64(len(t.b)); !e.outside {
		e.lo, e.hi = int(lo), int(lo+size)
	}
	return e
}

// numbers reads an entry of whole numbers: nil when it is of another type.
func (t tiff) numbers(e entry) (n []uint32) {
	if e.outside {
		return nil
	}
	for p := e.lo; p < e.hi; p += int(kindSize[e.kind]) {
		switch e.kind {
		case kindShort:
			n = append(n, uint32(t.order.Uint16(t.b[p:])))
		case kindLong, kindIFD:
			n = append(n, t.order.Uint32(t.b[p:]))
		default:
			return nil
		}
	}
	return n
}

// number reads an entry of one whole number.
func (t tiff) number(e entry) (n uint32, ok bool) {
	if !e.inside {
		return 0, false
	}
	all := t.numbers(e)
	if len(all) != 1 {
		return 0, false
	}
	return all[0], true
}

// find finds the first entry with a tag.
func (d directory) find(tag uint16) (entry, bool) {
	i := slices.IndexFunc(d.entries, func(e entry) bool { return e.tag == tag })
	if i < 0 {
		return entry{}, false
	}
	return d.entries[i], true
}

// use says what a byte of the block is.
type use byte

const (
	unused use = iota
	structure
	value    // of an entry that stays
	position // of the GPS directory
)

// A sweep finds what stays of a block.
type sweep struct {
	tiff
	uses        []use
	directories []directory
	dropped     map[int]bool // entries, by where they stand
	thumbs      [][2]int
	spent       int
	had         bool
}

// cleanExif takes the position out of an EXIF block, in place.
func cleanExif(b []byte, depth int) (had bool, err error) {
	if depth > 1 {
		return false, malformed("EXIF in a small picture's small picture")
	}
	t, err := openTIFF(b)
	if err != nil {
		return false, err
	}
	s := &sweep{tiff: t, uses: make([]use, len(b)), dropped: map[int]bool{}}
	if err := s.claim(0, tiffHeader, structure); err != nil {
		return false, err
	}
	for at := t.first(); at != 0; {
		if at, err = s.follow(at); err != nil {
			return false, err
		}
	}
	s.erase(depth)
	return s.had, nil
}

// claim notes what a stretch of the block is used for. Values may share bytes;
// nothing else may, or else taking one thing out would change another. This
// also ends directories that lead in a circle.
func (s *sweep) claim(lo, hi int, u use) error {
	if err := s.spend(hi - lo); err != nil {
		return err
	}
	for i, was := range s.uses[lo:hi] {
		if was != unused && (was != u || u == structure) {
			return malformed("two parts of EXIF share byte %d", lo+i)
		}
		s.uses[lo+i] = u
	}
	return nil
}

// spend counts bytes that are looked at. Few values share their bytes, so a
// block in which they come to several times its size was made to take long.
func (s *sweep) spend(n int) error {
	if s.spent += n; s.spent > 8*len(s.b) {
		return malformed("the entries of EXIF come to more than its block")
	}
	return nil
}

// follow decides what stays of a directory and of those under it.
func (s *sweep) follow(at uint32) (next uint32, err error) {
	d, err := s.directory(at)
	if err != nil {
		return 0, err
	}
	if err := s.claim(d.at, d.end, structure); err != nil {
		return 0, err
	}
	s.directories = append(s.directories, d)
	images := map[uint16][]uint32{}
	for _, e := range d.entries {
		if err := s.spend(e.hi - e.lo); err != nil {
			return 0, err
		}
		if s.dropped[e.at], err = s.drops(e); err != nil {
			return 0, err
		}
		if s.dropped[e.at] {
			continue
		}
		if e.outside {
			return 0, malformed("EXIF entry %#04x lies outside its block", e.tag)
		}
		if !e.inside {
			if err := s.claim(e.lo, e.hi, value); err != nil {
				return 0, err
			}
		}
		switch e.tag {
		case tagExifIFD, tagInteropIFD:
			to, ok := s.number(e)
			if !ok {
				return 0, malformed("EXIF entry %#04x leads nowhere", e.tag)
			}
			if _, err := s.follow(to); err != nil {
				return 0, err
			}
		case tagThumbOffset, tagThumbLength, tagStripOffsets, tagStripCounts:
			images[e.tag] = s.numbers(e)
		}
	}
	err = s.image(images[tagThumbOffset], images[tagThumbLength], true)
	if err == nil {
		err = s.image(images[tagStripOffsets], images[tagStripCounts], false)
	}
	return d.next, err
}

// drops tells whether an entry goes.
func (s *sweep) drops(e entry) (bool, error) {
	switch {
	case e.tag == tagGPSIFD:
		return true, s.gps(e)
	case kindSize[e.kind] == 0 || slices.Contains(closed, e.tag):
		return true, nil
	case e.outside || e.inside || !slices.Contains([]uint16{kindByte, kindASCII, kindUndefined, kindUTF8}, e.kind):
		return false, nil
	}
	says := speaksOfPosition(s.b[e.lo:e.hi])
	s.had = s.had || says
	return says, nil
}

// gps notes whether the GPS directory says where. One that cannot be read is
// taken to.
func (s *sweep) gps(e entry) error {
	at, ok := s.number(e)
	d, err := s.directory(at)
	if !ok || err != nil {
		s.had = true
		return nil
	}
	err = s.claim(d.at, d.end, position)
	for _, e := range d.entries {
		s.had = s.had || slices.Contains(gpsCoordinates, e.tag)
		if err == nil && !e.inside && !e.outside {
			err = s.claim(e.lo, e.hi, position)
		}
	}
	return err
}

// image claims the bytes of a small picture.
func (s *sweep) image(offsets, lengths []uint32, jpeg bool) error {
	if len(offsets) != len(lengths) {
		return malformed("EXIF says where %d parts of its small picture lie, and the length of %d", len(offsets), len(lengths))
	}
	for i, lo := range offsets {
		hi := uint64(lo) + uint64(lengths[i])
		if hi > uint64(len(s.b)) {
			return malformed("the small picture lies outside EXIF's block")
		}
		if err := s.claim(int(lo), int(hi), value); err != nil {
			return err
		}
		if jpeg {
			s.thumbs = append(s.thumbs, [2]int{int(lo), int(hi)})
		}
	}
	return nil
}

// erase takes out of the block all that does not stay.
func (s *sweep) erase(depth int) {
	for i, u := range s.uses {
		if u != structure && u != value {
			s.b[i] = 0
		}
	}
	for _, d := range s.directories {
		at, n := d.at+2, uint16(0)
		for _, e := range d.entries {
			if !s.dropped[e.at] {
				copy(s.b[at:], s.b[e.at:e.at+entryLen])
				at += entryLen
				n++
			}
		}
		s.order.PutUint16(s.b[d.at:], n)
		at += copy(s.b[at:], s.b[d.at+2+len(d.entries)*entryLen:d.end]) // the link
		clear(s.b[at:d.end])
	}
	for _, th := range s.thumbs {
		b := s.b[th[0]:th[1]]
		end, had, err := cleanJPEG(b, depth+1)
		s.had = s.had || had
		if err != nil {
			end = 0 // not a picture, so nothing says what it is
		}
		clear(b[end:])
	}
}
