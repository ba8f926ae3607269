package photo

import (
	"bytes"
	"encoding/binary"
)

// Markers, ITU-T T.81 table B.1.
const (
	markSOF0 = 0xc0
	markSOF2 = 0xc2 // progressive
	markRST0 = 0xd0
	markSOI  = 0xd8
	markEOI  = 0xd9
	markSOS  = 0xda
	markAPP0 = 0xe0
	markCOM  = 0xfe
)

// How application segments name what they hold.
var (
	idExif = []byte("Exif\x00") // one more byte follows, to an even place
	idXMP  = []byte("http://ns.adobe.com/xap/1.0/\x00")

	// Those that are needed to show the picture and hold no position.
	idsKept = map[byte][]byte{
		markAPP0:      []byte("JFIF\x00"),
		markAPP0 + 2:  []byte("ICC_PROFILE\x00"),
		markAPP0 + 14: []byte("Adobe"),
	}
	idMPF = []byte("MPF\x00") // where further pictures lie in the file; APP2
)

// walkJPEG hands over the segments of the picture that b starts with, in
// order; data is the part of b after the segment's length. end is where the
// picture ends. The coded image data between segments is passed over.
func walkJPEG(b []byte, do func(marker byte, data []byte) error) (end int, err error) {
	if !bytes.HasPrefix(b, []byte(jpegStart)) {
		return 0, malformed("no picture at the start")
	}
	for at := 2; ; {
		if at < len(b) && b[at] != 0xff {
			return 0, malformed("byte %d is not the start of a segment", at)
		}
		for at < len(b) && b[at] == 0xff { // 0xff may be repeated
			at++
		}
		if at == len(b) {
			return 0, malformed("the file is cut short")
		}
		marker := b[at]
		at++
		switch {
		case marker == markEOI:
			return at, nil
		case marker == 0x01 || marker >= markRST0 && marker < markSOI:
			continue // stands alone
		case marker < markSOF0 || marker == markSOI:
			return 0, malformed("marker %#x at byte %d", marker, at-1)
		}
		if len(b)-at < 2 {
			return 0, malformed("the file is cut short")
		}
		size := int(binary.BigEndian.Uint16(b[at:]))
		if size < 2 || size > len(b)-at {
			return 0, malformed("segment of %d bytes at byte %d, %d are left", size, at, len(b)-at)
		}
		if err := do(marker, b[at+2:at+size]); err != nil {
			return 0, err
		}
		at += size
		if marker == markSOS {
			if at, err = skipScan(b, at); err != nil {
				return 0, err
			}
		}
	}
}

// skipScan finds the marker that ends the coded data at at. In it 0xff is
// followed by a zero, or is a restart marker.
func skipScan(b []byte, at int) (int, error) {
	for {
		i := bytes.IndexByte(b[at:], 0xff)
		if i < 0 || at+i+1 == len(b) {
			return 0, malformed("the image data is cut short")
		}
		at += i
		if next := b[at+1]; next != 0 && (next < markRST0 || next >= markSOI) {
			return at, nil
		}
		at += 2
	}
}

// stripJPEG works in b.
func stripJPEG(b []byte) (out []byte, had bool, err error) {
	end, had, err := cleanJPEG(b, 0)
	if err != nil {
		return nil, false, err
	}
	for {
		next := end
		for next < len(b) && b[next] == 0 {
			next++
		}
		n, h, err := cleanJPEG(b[next:], 0)
		had = had || h
		if err != nil {
			return b[:end], had, nil // whatever follows, it is cut off
		}
		end = next + n
	}
}

// cleanJPEG takes the position out of the picture that b starts with, in
// place. depth counts pictures within pictures.
func cleanJPEG(b []byte, depth int) (end int, had bool, err error) {
	end, err = walkJPEG(b, func(marker byte, data []byte) error {
		h, err := cleanSegment(marker, data, depth)
		had = had || h
		return err
	})
	return end, had, err
}

// noXMP is a packet that says nothing.
const noXMP = `<x:xmpmeta xmlns:x="adobe:ns:meta/"/>`

func cleanSegment(marker byte, data []byte, depth int) (had bool, err error) {
	switch id := idsKept[marker]; {
	case marker == markCOM:
		if speaksOfPosition(data) {
			clear(data)
			return true, nil
		}
	case marker < markAPP0 || marker > markAPP0+15:
	case id != nil && bytes.HasPrefix(data, id):
	case marker == markAPP0+2 && bytes.HasPrefix(data, idMPF):
	case marker == markAPP0+1 && bytes.HasPrefix(data, idExif):
		if len(data) <= len(idExif)+1 {
			return false, nil // nothing in it
		}
		return cleanExif(data[len(idExif)+1:], depth)
	case marker == markAPP0+1 && bytes.HasPrefix(data, idXMP):
		packet := data[len(idXMP):]
		if speaksOfPosition(packet) {
			fill := bytes.Repeat([]byte(" "), len(packet))
			if len(fill) >= len(noXMP) {
				copy(fill, noXMP)
			}
			copy(packet, fill)
			return true, nil
		}
	default:
		had = marker == markAPP0+1 && speaksOfPosition(data) // XMP's extension
		clear(data)
	}
	return had, nil
}
