package hub

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// Pictures is where the hub keeps pictures, by the SHA-256 of their bytes. A
// folder of package store/picture is one, but for a few words.
type Pictures interface {
	Has(sum [32]byte) bool
	// Partial tells how much is there of one that is on its way.
	Partial(sum [32]byte) (int64, error)
	// Resume takes bytes from an offset on, where the last part ended. What has
	// come stays when r breaks off. done says that it is whole, proved by its
	// sum, and stored; what comes to size and is another picture is dropped,
	// with an error.
	Resume(sum [32]byte, size, from int64, r io.Reader) (done bool, err error)
	Get(sum [32]byte) (io.ReadSeekCloser, int64, error)
	Remove(sum [32]byte) error
}

// A picture's note in the margin says whose it is.
const notePicture = "picture/"

type wirePicture struct {
	Jobs   []journal.ID `cbor:"1,keyasint,omitempty"` // whoever is on one of these may read it
	Sender journal.ID   `cbor:"2,keyasint"`           // of what is there in part
}

func pictureNote(sum [32]byte) string { return notePicture + hex.EncodeToString(sum[:]) }

func (s *Server) pictureOf(sum [32]byte) (p wirePicture, err error) {
	name := pictureNote(sum)
	notes, err := s.book.Margin(name)
	if err == nil && notes[name] != nil {
		err = journal.Unmarshal(notes[name], &p)
	}
	return p, err
}

func (s *Server) notePicture(sum [32]byte, p wirePicture) error {
	v, err := journal.Marshal(p)
	if err != nil {
		return err
	}
	return s.book.SetMargin(map[string][]byte{pictureNote(sum): v})
}

// mayRead reports whether a device may read a picture: that of a job that it is
// on. The bench reads all.
func (p wirePicture) mayRead(who exchange.Reader) bool {
	return len(p.Jobs) > 0 && (who.All || slices.ContainsFunc(p.Jobs, func(job journal.ID) bool { return who.Jobs[job] }))
}

// have says what a device is told about a picture: whether it is there, and
// else how much of what it sent itself. To know a picture's sum is not to have
// the picture: one that the device may not read is not there for it.
func (s *Server) have(who exchange.Reader, sum [32]byte) (note wirePicture, whole bool, part int64, err error) {
	if note, err = s.pictureOf(sum); err != nil {
		return note, false, 0, err
	}
	switch {
	case s.pictures.Has(sum):
		return note, note.mayRead(who), 0, nil
	case note.Sender == who.Identity.Device:
		part, err = s.pictures.Partial(sum)
	}
	return note, false, part, err
}

var errNoPictures = fmt.Errorf("%w: this hub keeps no pictures", door.ErrNotFound)

// picture answers what is asked about one picture.
func (s *Server) picture(w http.ResponseWriter, r *http.Request, who exchange.Reader, name string) error {
	if s.pictures == nil {
		return errNoPictures
	}
	b, err := hex.DecodeString(name)
	if err != nil || len(b) != sha256.Size || hex.EncodeToString(b) != name {
		return fmt.Errorf("%w: a picture is named by 64 characters of 0-9 and a-f", door.ErrNotFound)
	}
	sum := [32]byte(b)
	if r.Method != http.MethodHead {
		leave, err := s.transfer(r, who.Identity.Device)
		if err != nil {
			return err
		}
		defer leave()
	}
	switch r.Method {
	case http.MethodPut:
		return s.putPicture(w, r, who, sum)
	case http.MethodHead:
		_, whole, part, err := s.have(who, sum)
		if err != nil {
			return err
		}
		w.Header().Set(door.UploadOffset, strconv.FormatInt(part, 10))
		if !whole {
			w.WriteHeader(http.StatusNoContent)
			return nil
		}
		return s.getPicture(w, r, sum)
	case http.MethodGet:
		_, whole, _, err := s.have(who, sum)
		if err == nil && !whole {
			err = fmt.Errorf("%w: no such picture", door.ErrNotFound)
		}
		if err != nil {
			return err
		}
		return s.getPicture(w, r, sum)
	}
	return errMethod
}

// transfer waits for a place to move a picture in or out.
func (s *Server) transfer(r *http.Request, device journal.ID) (leave func(), err error) {
	busy := fmt.Errorf("%w: too many pictures are under way", door.ErrBusy)
	s.mu.Lock()
	if s.moving[device] >= s.limits.TransfersPerDevice {
		s.mu.Unlock()
		return nil, busy
	}
	s.moving[device]++
	s.mu.Unlock()
	gone := func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.moving[device]--; s.moving[device] == 0 {
			delete(s.moving, device)
		}
	}
	ctx, cancel := context.WithTimeoutCause(r.Context(), s.limits.Queue, busy)
	defer cancel()
	back, err := turn(ctx, s.transfers)
	if err != nil {
		gone()
		return nil, err
	}
	return func() { back(); gone() }, nil
}

func (s *Server) getPicture(w http.ResponseWriter, r *http.Request, sum [32]byte) error {
	f, _, err := s.pictures.Get(sum)
	if err != nil {
		return err
	}
	defer f.Close()
	delete(w.Header(), "Content-Length")
	w.Header().Set("Content-Type", "application/octet-stream")
	http.ServeContent(newOutgoing(w, s.limits), r, "", time.Time{}, f)
	return nil
}

// putPicture takes in a picture, or a part of it.
func (s *Server) putPicture(w http.ResponseWriter, r *http.Request, who exchange.Reader, sum [32]byte) error {
	q := r.URL.Query()
	job, err := journal.ParseID(q.Get("job"))
	size, err2 := strconv.ParseInt(q.Get("size"), 10, 64)
	from, err3 := strconv.ParseInt(q.Get("from"), 10, 64)
	if err := errors.Join(err, err2, err3); err != nil || size <= 0 || from < 0 || from > size {
		return fmt.Errorf("%w: want job, size and from", door.ErrRequest)
	}
	if size > s.limits.Picture {
		return fmt.Errorf("%w: a picture of %d bytes; at most %d", door.ErrRequest, size, s.limits.Picture)
	}
	if !who.All && !who.Jobs[job] {
		return fmt.Errorf("%w: the picture's job", door.ErrForbidden)
	}
	done, err := s.sendingPicture(sum)
	if err != nil {
		return err
	}
	defer done()
	note, whole, part, err := s.have(who, sum)
	if err != nil {
		return err
	}
	in := newIncoming(w, r, s.limits)
	defer in.over()
	raw := &limited{r: in, left: size - from}
	if whole {
		// It is there, and this device may read it: it is in one more job.
		return s.pictureStored(w, sum, note, job, size)
	}
	if from != part {
		w.Header().Set(door.UploadOffset, strconv.FormatInt(part, 10))
		w.WriteHeader(http.StatusConflict)
		return nil
	}
	if s.pictures.Has(sum) {
		// It is there, and this device may not read it until it has shown that
		// it has the picture.
		h := sha256.New()
		if _, err := io.Copy(h, raw); err != nil {
			return err
		}
		if [32]byte(h.Sum(nil)) != sum {
			return fmt.Errorf("%w: the bytes are not the picture's", door.ErrRequest)
		}
		return s.pictureStored(w, sum, note, job, size)
	}
	if note.Sender != who.Identity.Device {
		// What another device has begun, this one begins anew.
		if err := s.pictures.Remove(sum); err != nil {
			return err
		}
		note.Sender = who.Identity.Device
		if err := s.notePicture(sum, note); err != nil {
			return err
		}
	}
	stored, err := s.pictures.Resume(sum, size, from, raw)
	switch {
	case stored:
		return s.pictureStored(w, sum, note, job, size)
	case err != nil && raw.err != nil && raw.err != io.EOF:
		return raw.err // the line's
	case err != nil:
		return fmt.Errorf("%w: %w", door.ErrRequest, err)
	}
	if part, err = s.pictures.Partial(sum); err != nil {
		return err
	}
	w.Header().Set(door.UploadOffset, strconv.FormatInt(part, 10))
	w.WriteHeader(http.StatusAccepted)
	return nil
}

// sendingPicture keeps two from sending the same picture at once.
func (s *Server) sendingPicture(sum [32]byte) (done func(), err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sending[sum] {
		return nil, fmt.Errorf("%w: this picture is being sent just now", door.ErrBusy)
	}
	s.sending[sum] = true
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.sending, sum)
	}, nil
}

// pictureStored notes that a picture that is whole belongs to a job.
func (s *Server) pictureStored(w http.ResponseWriter, sum [32]byte, note wirePicture, job journal.ID, size int64) error {
	note.Jobs, note.Sender = sortedIDs(append(note.Jobs, job)), journal.ID{}
	if err := s.notePicture(sum, note); err != nil {
		return err
	}
	s.counters.pictures.Add(1)
	w.Header().Set(door.UploadOffset, strconv.FormatInt(size, 10))
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// askPictures answers which of many pictures are there.
func (s *Server) askPictures(w http.ResponseWriter, r *http.Request, who exchange.Reader) error {
	if s.pictures == nil {
		return errNoPictures
	}
	if r.Method != http.MethodPost {
		return errMethod
	}
	in := newIncoming(w, r, s.limits)
	defer in.over()
	body, err := io.ReadAll(&limited{r: in, left: door.MaxPictures*34 + 16}) // 34: an encoded hash
	if err != nil {
		return err
	}
	var q door.PicturesRequest
	if err := journal.Unmarshal(body, &q); err != nil && !errors.Is(err, journal.ErrNewer) {
		return fmt.Errorf("%w: not a list of pictures", door.ErrRequest)
	}
	var a door.PicturesAnswer
	for _, sum := range q.Sums {
		switch _, whole, part, err := s.have(who, sum); {
		case err != nil:
			return err
		case whole:
			a.Whole = append(a.Whole, sum)
		case part > 0:
			a.Part = append(a.Part, door.PicturePart{Sum: sum, Size: uint64(part)})
		}
	}
	v, err := journal.Marshal(a)
	if err != nil {
		return err
	}
	_, err = w.Write(v)
	return err
}

// forgetPictures takes a job out of the notes of its pictures, and the pictures
// that are of no other job away.
func forgetPictures(b exchange.Book, pictures Pictures, job journal.ID) error {
	notes, err := b.Margin(notePicture)
	if err != nil {
		return err
	}
	changes := map[string][]byte{}
	for name, v := range notes {
		var p wirePicture
		if err := journal.Unmarshal(v, &p); err != nil {
			return fmt.Errorf("note %q: %w", name, err)
		}
		if !slices.Contains(p.Jobs, job) {
			continue
		}
		if p.Jobs = without(p.Jobs, job); len(p.Jobs) > 0 {
			if changes[name], err = journal.Marshal(p); err != nil {
				return err
			}
			continue
		}
		sum, err := hex.DecodeString(name[len(notePicture):])
		if err != nil || len(sum) != sha256.Size {
			return fmt.Errorf("note %q: %w", name, journal.ErrInvalid)
		}
		if pictures != nil {
			if err := pictures.Remove([32]byte(sum)); err != nil {
				return err
			}
		}
		changes[name] = nil
	}
	return b.SetMargin(changes)
}
