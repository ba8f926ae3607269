package fieldbook

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// ErrNoPicture: no picture of that name in the job.
var ErrNoPicture = errors.New("no such picture")

// Picture is what the book says of a picture. The picture itself may not have
// arrived yet.
type Picture struct {
	Ref     journal.Ref
	Picture survey.Picture
	Time    time.Time // when its page was written
	Struck  []Ruling  // empty while it is not struck
	Newer   bool      // holds what this version does not know
}

// Stands tells whether the picture counts.
func (p *Picture) Stands() bool { return len(p.Struck) == 0 }

type storedPicture struct {
	Picture survey.WirePicture `cbor:"1,keyasint"`
	MS      int64              `cbor:"2,keyasint"`
	Zone    int                `cbor:"3,keyasint"`
}

// loadPictures reads the pictures of the job.
func (b *Book) loadPictures(kv KV) error {
	prefix := jobKey('P', b.Job.ID)
	for k, v := range kv.Scan(prefix) {
		if len(k) != len(prefix)+refLen {
			continue
		}
		var s storedPicture
		if err := journal.Unmarshal(v, &s); err != nil {
			return err
		}
		p := Picture{Ref: keyRef(k[len(prefix):]), Picture: s.Picture.Picture(), Time: unstamp(s.MS, s.Zone)}
		p.Newer = errors.Is(p.Picture.Check(), survey.ErrNewer)
		b.pictures = append(b.pictures, p)
	}
	return nil
}

// Pictures lists the pictures of the job, struck ones too, in the order of the
// logs. One that was taken of two things stands there twice, with one sum.
func (b *Book) Pictures() []Picture { return b.pictures }

// PicturesOf lists the standing pictures of a reading.
func (b *Book) PicturesOf(reading journal.Ref) (of []Picture) {
	for _, p := range b.pictures {
		if p.Stands() && p.Picture.Reading == reading {
			of = append(of, p)
		}
	}
	return of
}

// FindPicture finds a picture by its full name or by its short one. The error
// wraps [ErrNoPicture], or [ErrTwo] when two devices share the short name.
func (b *Book) FindPicture(id string) (*Picture, error) {
	i, err := find(len(b.pictures), func(i int) journal.Ref { return b.pictures[i].Ref }, id)
	switch {
	case err != nil:
		return nil, fmt.Errorf("picture %q: %w", id, err)
	case i < 0:
		return nil, fmt.Errorf("%w %q in job %q", ErrNoPicture, strings.TrimSpace(id), b.Job.Name)
	}
	return &b.pictures[i], nil
}

// JobPicture is a picture that some job names.
type JobPicture struct {
	Job  journal.ID
	Sum  [32]byte
	Size int64
}

// AllPictures lists the pictures of all jobs, each of them once a job. Struck
// ones are among them: they stay legible.
func AllPictures(kv KV) (all []JobPicture, err error) {
	seen := map[JobPicture]bool{}
	const head = 1 + len(journal.ID{})
	for k, v := range kv.Scan([]byte{'P'}) {
		if len(k) != head+refLen {
			continue
		}
		var s storedPicture
		if err := journal.Unmarshal(v, &s); err != nil {
			return nil, fmt.Errorf("listing the pictures: %w", err)
		}
		p := s.Picture.Picture()
		one := JobPicture{Job: journal.ID(k[1:head]), Sum: p.Sum, Size: p.Size}
		if !seen[one] {
			seen[one] = true
			all = append(all, one)
		}
	}
	return all, nil
}
