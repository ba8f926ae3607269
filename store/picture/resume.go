package picture

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Partial tells how much is there of a picture on its way: 0 when nothing is.
// It does not say whether the whole picture is there; [Folder.Has] does.
func (f *Folder) Partial(s Sum) (have int64, err error) {
	info, err := os.Stat(f.part(s))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return 0, nil
	case err != nil:
		return 0, fmt.Errorf("looking for the start of picture %s: %w", s, err)
	}
	return info.Size(), nil
}

// Resume takes the next part of a picture of size bytes: those from the byte
// from on, where [Folder.Partial] says that the last part ended. It takes all
// that r gives, up to size; done tells that the picture is now whole and
// stored. What has arrived stays when r breaks off, and is on disk, so the next
// call goes on there.
//
// When the bytes come to size and are another picture, they are dropped with
// [ErrWrong]. Further errors: [ErrOffset], [ErrTooLarge], [ErrEmpty], and what
// r gives.
func (f *Folder) Resume(s Sum, size, from int64, r io.Reader) (done bool, err error) {
	if done, err = f.resume(s, size, from, r); err != nil {
		return false, fmt.Errorf("receiving picture %s: %w", s, err)
	}
	return done, nil
}

func (f *Folder) resume(s Sum, size, from int64, r io.Reader) (done bool, err error) {
	switch {
	case size > MaxSize:
		return false, fmt.Errorf("%d bytes is %w: at most %d", size, ErrTooLarge, MaxSize)
	case size <= 0:
		return false, ErrEmpty
	}
	if f.complete(s) {
		return true, nil // it has come another way
	}
	have, err := f.Partial(s)
	if err != nil {
		return false, err
	}
	if have > size {
		return false, errors.Join(fmt.Errorf("%w: %d bytes of %d had arrived; they are dropped", ErrWrong, have, size), f.drop(s))
	}
	if from != have {
		return false, fmt.Errorf("%w: byte %d, have %d", ErrOffset, from, have)
	}
	have, err = f.extend(s, from, io.LimitReader(r, size-from))
	if err != nil || have < size {
		return false, err
	}
	return f.finish(s)
}

// extend writes r at the end of the part. It writes at a place rather than
// appending: two processes that receive the same picture then write the same
// bytes at the same places.
func (f *Folder) extend(s Sum, from int64, r io.Reader) (have int64, err error) {
	if err := f.create(); err != nil {
		return 0, err
	}
	file, err := os.OpenFile(f.part(s), os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return 0, err
	}
	n, err := io.Copy(io.NewOffsetWriter(file, from), r)
	return from + n, errors.Join(err, file.Sync(), file.Close())
}

// finish proves a part that has its full length, and stores it as a file of its
// own: another process may still be writing to the part. Or it has finished
// and taken the part away, which is as good.
func (f *Folder) finish(s Sum) (done bool, err error) {
	b, err := f.readPart(s)
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: another process has taken it away", ErrOffset)
	}
	if err == nil && sha256.Sum256(b) != s {
		err = errors.Join(fmt.Errorf("%w; what arrived is dropped", ErrWrong), f.drop(s))
	}
	if err == nil {
		_, _, err = f.put(bytes.NewReader(b), MaxSize)
	}
	if f.complete(s) {
		return true, nil
	}
	return false, err
}

// complete tells whether the picture is whole, and then takes the part away. A
// part that cannot go now, as on Windows while another process has it open, is
// left to [Folder.Sweep].
func (f *Folder) complete(s Sum) bool {
	whole := f.Check(s) == nil
	if whole {
		_ = f.drop(s)
	}
	return whole
}

func (f *Folder) readPart(s Sum) ([]byte, error) {
	file, err := os.Open(f.part(s))
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(io.LimitReader(file, MaxSize))
}

// drop removes a part. It need not last through a power cut: a part that comes
// back is proved or dropped again.
func (f *Folder) drop(s Sum) error {
	if err := os.Remove(f.part(s)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
