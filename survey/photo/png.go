package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"io"
	"slices"
	"strings"
)

// openChunks are the ancillary chunks of PNG, its third edition and its
// register of extensions, that hold no position.
var openChunks = strings.Fields(`cHRM cICP gAMA iCCP mDCV cLLI sBIT sRGB bKGD hIST tRNS pHYs sPLT tIME
	acTL fcTL fdAT oFFs pCAL sCAL gIFg gIFx sTER`)

// chunkFrame is what stands around a chunk's data: length and name before, CRC
// after.
const chunkFrame = 12

// walkPNG hands over the chunks, whole, in order.
func walkPNG(b []byte, do func(name string, chunk []byte) error) error {
	for at := len(pngStart); ; {
		if len(b)-at < chunkFrame {
			return malformed("the file is cut short")
		}
		size := uint64(binary.BigEndian.Uint32(b[at:]))
		if size > uint64(len(b)-at-chunkFrame) {
			return malformed("chunk of %d bytes at byte %d, %d are left", size, at, len(b)-at-chunkFrame)
		}
		chunk := b[at : at+chunkFrame+int(size)]
		if binary.BigEndian.Uint32(chunk[8+size:]) != chunkCRC(chunk) {
			return malformed("chunk at byte %d is damaged", at)
		}
		name := string(chunk[4:8])
		if err := do(name, chunk); err != nil {
			return err
		}
		if at += len(chunk); name == "IEND" {
			return nil
		}
	}
}

func chunkData(chunk []byte) []byte { return chunk[8 : len(chunk)-4] }

func chunkCRC(chunk []byte) uint32 { return crc32.ChecksumIEEE(chunk[4 : len(chunk)-4]) }

// textBudget bounds the texts of one picture that are unpacked to be read: a
// hundred times what a program writes, and a moment's work. Those beyond it go.
// Common practice, no source.
const textBudget = 8 << 20

// stripPNG works in b.
func stripPNG(b []byte) (out []byte, had bool, err error) {
	out = append(make([]byte, 0, len(b)), pngStart...)
	budget := int64(textBudget)
	err = walkPNG(b, func(name string, chunk []byte) error {
		keep := name[0]&0x20 == 0 // needed to show the picture
		switch {
		case name == "eXIf":
			h, err := cleanExif(bytes.TrimPrefix(chunkData(chunk), []byte("Exif\x00\x00")), 0)
			if err != nil {
				return err
			}
			binary.BigEndian.PutUint32(chunk[len(chunk)-4:], chunkCRC(chunk))
			had, keep = had || h, true
		case name == "tEXt" || name == "zTXt" || name == "iTXt":
			keyword, text, ok := readText(name, chunkData(chunk), &budget)
			h := speaksOfPosition(keyword) || speaksOfPosition(text)
			keep = ok && !h
			if isProfile(keyword) {
				h, keep = profileSpeaks(text), false
			}
			had = had || h
		case slices.Contains(openChunks, name):
			keep = true
		}
		if keep {
			out = append(out, chunk...)
		}
		return nil
	})
	return out, had, err
}

// readText reads a text chunk; of iTXt the language and the keyword in it stand
// before the text. Not ok when it cannot be read.
func readText(name string, data []byte, budget *int64) (keyword, text []byte, ok bool) {
	keyword, text, ok = bytes.Cut(data, []byte{0})
	head, packed := []byte(nil), false
	switch {
	case name == "zTXt" && len(text) > 0:
		packed, text = true, text[1:] // after the method
	case name == "iTXt" && len(text) > 2:
		packed = text[0] != 0
		parts := bytes.SplitAfterN(text[2:], []byte{0}, 3)
		if len(parts) < 3 {
			return keyword, nil, false
		}
		head, text = bytes.Join(parts[:2], nil), parts[2]
	}
	if packed {
		z, err := zlib.NewReader(bytes.NewReader(text))
		if err != nil {
			return keyword, nil, false
		}
		text, err = io.ReadAll(io.LimitReader(z, *budget))
		*budget -= int64(len(text))
		ok = ok && err == nil && *budget > 0
	}
	return keyword, append(head, text...), ok
}

// isProfile tells whether a text is EXIF, XMP or captions written as digits,
// which some programs do. A colour profile may stay.
func isProfile(keyword []byte) bool {
	kind, profile := strings.CutPrefix(strings.ToLower(string(keyword)), "raw profile type ")
	return profile && kind != "icc" && kind != "icm"
}

// profileSpeaks looks into such a text: its kind, its length, then its bytes in
// hex on many lines.
func profileSpeaks(text []byte) bool {
	fields := bytes.Fields(text)
	if len(fields) < 3 {
		return false
	}
	b, err := hex.DecodeString(string(bytes.Join(fields[2:], nil)))
	if err != nil {
		return false
	}
	block := bytes.TrimPrefix(b, []byte("Exif\x00\x00"))
	if _, err := openTIFF(block); err != nil {
		return speaksOfPosition(block)
	}
	had, err := cleanExif(block, 0)
	return had && err == nil
}
