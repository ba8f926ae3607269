package parcel

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
)

// spoolMemory is how much of a spool stays in memory: a day's pages, and the
// parts of the most that a mail carries pass through a file.
const spoolMemory = 1 << 20

// A spool keeps bytes while they are put together: in memory when they are
// few, else in a temporary file that nobody else can read.
type spool struct {
	dir  string // of the file; the system's for such when empty
	n    int64
	mem  []byte
	file *os.File
	gone bool // the file has no name any more
}

// errSpool: our own disk is the trouble, not what comes.
var errSpool = errors.New("keeping a copy meanwhile")

func (s *spool) Write(b []byte) (int, error) {
	n, err := s.write(b)
	if err != nil {
		err = fmt.Errorf("%w: %w", errSpool, err)
	}
	return n, err
}

func (s *spool) write(b []byte) (int, error) {
	if s.file == nil && len(s.mem)+len(b) <= spoolMemory {
		s.mem = append(s.mem, b...)
		s.n += int64(len(b))
		return len(b), nil
	}
	if s.file == nil {
		f, err := os.CreateTemp(s.dir, "pinchrod-parcel-*")
		if err != nil {
			return 0, err
		}
		// Where an open file can do without a name, a crash leaves nothing.
		s.file, s.gone = f, os.Remove(f.Name()) == nil
		if _, err := f.Write(s.mem); err != nil {
			return 0, err
		}
		s.mem = nil
	}
	n, err := s.file.Write(b)
	s.n += int64(n)
	return n, err
}

// again empties the spool.
func (s *spool) again() error {
	s.n, s.mem = 0, s.mem[:0]
	if s.file == nil {
		return nil
	}
	_, err := s.file.Seek(0, io.SeekStart)
	return errors.Join(err, s.file.Truncate(0))
}

// section reads n bytes from a place on.
func (s *spool) section(at, n int64) io.Reader {
	if s.file == nil {
		return io.NewSectionReader(bytes.NewReader(s.mem), at, n)
	}
	return io.NewSectionReader(s.file, at, n)
}

// remove gives the spool up.
func (s *spool) remove() error {
	s.mem = nil
	if s.file == nil {
		return nil
	}
	err := s.file.Close()
	if !s.gone {
		err = errors.Join(err, os.Remove(s.file.Name()))
	}
	return err
}
