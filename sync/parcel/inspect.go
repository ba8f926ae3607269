package parcel

import (
	"fmt"
	"io"

	"filippo.io/age"
)

// A Part is a file of a parcel as it can be seen by itself.
type Part struct {
	File string
	Cover
	// Manifest is what the part says of the whole parcel, signed by its
	// writer; nil when the part is sealed and no key opens it.
	Manifest *Manifest
}

// Inspect looks at a part: that its bytes are those that were written, which
// part of which parcel it is, and what is in it. It does not look at the pages.
func Inspect(file string, keys ...age.Identity) (Part, error) {
	f, s, err := openSource(file, MaxStream)
	if err != nil {
		return Part{}, fmt.Errorf("looking at a parcel: %w", err)
	}
	defer f.Close()
	out := Part{File: file, Cover: s.cover}
	if err := s.whole(); err != nil {
		return Part{}, fmt.Errorf("looking at a parcel: %w", err)
	}
	if s.cover.Sealed && len(keys) == 0 {
		return out, nil
	}
	r, err := unseal(s, io.NewSectionReader(f, int64(coverSize), s.cover.Size), keys)
	if err != nil {
		return out, fmt.Errorf("looking at a parcel: %w", err)
	}
	m, err := inside(s, r)
	if err != nil {
		return out, fmt.Errorf("looking at a parcel: %w", err)
	}
	out.Manifest = &m
	return out, nil
}
