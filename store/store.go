package store

import (
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"pinchrod/store/journal"
)

// format is the version of the file. A file with another is not touched.
const format = "1"

// filePage is bbolt's page size, fixed so that a file made on one machine is
// laid out as on every other.
const filePage = 4096

// defaultTimeout is how long Open waits for another window. A command holds
// the file for milliseconds, so a second is long.
const defaultTimeout = time.Second

// Options say how to open a store. The zero value opens for reading and
// writing, without a projection.
type Options struct {
	ReadOnly  bool             // several windows can look at once
	Timeout   time.Duration    // how long to wait for the file; 1 s when 0
	Now       func() time.Time // time.Now when nil; for the times of pages, and new ids
	Rand      io.Reader        // crypto/rand when nil; for new ids and keys
	Projector Projector        // what is kept beside the log; may be nil

	// For tests: step is called between the steps of an open and of a rewrite,
	// and closeFirst makes a rewrite go as on Windows.
	step       func(name string) error
	closeFirst bool
}

func (o Options) now() time.Time {
	if o.Now == nil {
		return time.Now()
	}
	return o.Now()
}

func (o Options) rand() io.Reader {
	if o.Rand == nil {
		return rand.Reader
	}
	return o.Rand
}

func (o Options) timeout() time.Duration {
	if o.Timeout == 0 {
		return defaultTimeout
	}
	return o.Timeout
}

// A Store is an open file. It is safe for use by several goroutines; a
// function handed to it must not call back into it.
type Store struct {
	path   string
	o      Options
	db     *bolt.DB
	file   *os.File // bbolt's
	self   journal.Identity
	key    ed25519.PrivateKey
	broken atomic.Bool // bbolt has panicked: hands off

	mu     sync.RWMutex // held shared to read
	closed bool
}

// Create makes a store for a new device, and opens it. The file appears under
// its name only when it is whole and on disk. [ErrExists] when there is one.
func Create(path string, o Options) (*Store, error) {
	if err := build(path, o, func(*ledger) error { return nil }); err != nil {
		return nil, fmt.Errorf("creating %s: %w", path, err)
	}
	o.ReadOnly = false
	return Open(path, o)
}

// build makes a new file: written under a temporary name, filled, flushed,
// then named.
func build(path string, o Options, fill func(*ledger) error) (err error) {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%w: choose another name, or open it", ErrExists)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	dir, base := filepath.Split(path)
	if dir == "" {
		dir = "."
	}
	f, err := os.CreateTemp(dir, "."+base+".new-*") // mode 0600
	if err != nil {
		return err
	}
	temp := f.Name()
	defer os.Remove(temp) // the second name, or what is left of a failure
	if err := f.Close(); err != nil {
		return err
	}
	db, err := bolt.Open(temp, 0o600, &bolt.Options{Timeout: o.timeout(), PageSize: filePage})
	if err != nil {
		return err
	}
	err = db.Update(func(tx *bolt.Tx) error {
		l, err := newLedger(tx, o)
		if err != nil {
			return err
		}
		return fill(l)
	})
	if err := errors.Join(err, db.Close()); err != nil {
		return err
	}
	if err := flush(temp); err != nil {
		return err
	}
	if err := publish(temp, path); err != nil {
		return err
	}
	return syncDir(dir)
}

// newLedger fills an empty file with its buckets and a new device.
func newLedger(tx *bolt.Tx, o Options) (*ledger, error) {
	for _, name := range [][]byte{bucketMeta, bucketDevice, bucketPage, bucketHead, bucketFork, bucketProjection} {
		if _, err := tx.CreateBucket(name); err != nil {
			return nil, err
		}
	}
	l, err := openLedger(tx)
	if err == nil {
		err = l.addBuckets()
	}
	if err != nil {
		return nil, err
	}
	device, err := journal.NewID(o.now(), o.rand())
	if err != nil {
		return nil, err
	}
	seed := make([]byte, ed25519.SeedSize)
	if _, err := io.ReadFull(o.rand(), seed); err != nil {
		return nil, fmt.Errorf("making a key: reading random bytes: %w", err)
	}
	id, err := journal.NewIdentity(device, ed25519.NewKeyFromSeed(seed))
	if err != nil {
		return nil, err
	}
	return l, errors.Join(
		l.putSetting(metaFormat, []byte(format)),
		l.putSetting(metaDevice, device[:]),
		l.putSetting(metaSeed, seed),
		l.putIdentity(id),
		l.markProjection(o.Projector),
	)
}

func flush(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// publish gives a file its name, never taking it from another. A hard link
// does that in one step; where the file system has none, a rename after
// another look has to do.
func publish(temp, path string) error {
	err := os.Link(temp, path)
	if err == nil {
		return nil
	}
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%w: choose another name, or open it", ErrExists)
	}
	return os.Rename(temp, path)
}

// Open opens a store that is there. It checks the file's structure and the
// end of every log; [Store.Verify] checks the rest. Errors: [ErrMissing],
// [ErrEmpty], [ErrInUse], [ErrNewer], [ErrDamaged].
//
// A read-write open with a projector of another version than the last one
// rebuilds the projection. It adds what a file of an earlier program lacks, and
// finishes what a Forget that was cut off has left to do.
func Open(path string, o Options) (*Store, error) {
	s := &Store{path: path, o: o}
	if _, err := lookAt(path); err != nil {
		return nil, err
	}
	if err := s.guard(s.open); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// lookAt looks at a file without opening it.
func lookAt(path string) (os.FileInfo, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		err = fmt.Errorf("%s: %w: create a new book, or name the right file", path, ErrMissing)
	case err != nil:
	case !info.Mode().IsRegular():
		err = fmt.Errorf("%s: not a regular file: name the book itself", path)
	case info.Size() == 0:
		err = fmt.Errorf("%s: %w: nothing is in it to recover; keep it, and start a new book from the last backup, parcel or hub", path, ErrEmpty)
	}
	return info, err
}

// openTries bounds how often the file can be replaced while it is waited for.
const openTries = 4

// openDB opens and locks the file that has the name now: while one waits for
// it, another process may forget a job and put a new file in its place.
func (s *Store) openDB() error {
	for range openTries {
		db, err := bolt.Open(s.path, 0o600, &bolt.Options{
			Timeout:  s.o.timeout(),
			ReadOnly: s.o.ReadOnly,
			OpenFile: s.openFile,
		})
		switch {
		case errors.Is(err, bolterrors.ErrTimeout):
			return ErrInUse
		case errors.Is(err, bolterrors.ErrInvalid), errors.Is(err, bolterrors.ErrChecksum), errors.Is(err, bolterrors.ErrVersionMismatch):
			return damaged(err)
		case err != nil:
			return err
		}
		s.db = db
		if same, err := s.isAt(s.path); err != nil || same {
			return err
		}
		s.db = nil
		if err := db.Close(); err != nil {
			return err
		}
	}
	return ErrInUse
}

func (s *Store) open() error {
	if err := s.openDB(); err != nil {
		return err
	}
	if err := s.checkStructure(false); err != nil {
		return err
	}
	old, due := false, false
	err := s.look(func(l *ledger) error {
		if err := s.load(l); err != nil {
			return err
		}
		ids, err := l.devices()
		if err != nil {
			return err
		}
		for _, id := range ids {
			if err := l.checkTail(id); err != nil {
				return err
			}
		}
		old = l.tally == nil
		due, err = l.rewriteDue()
		return err
	})
	if err != nil || s.o.ReadOnly {
		return err
	}
	if old {
		if err := s.update(func(l *ledger) error { return l.addBuckets() }); err != nil {
			return err
		}
	}
	if due {
		err := s.sound()
		if err == nil {
			err = s.rewrite()
		}
		if err != nil {
			return fmt.Errorf("finishing to forget a job: %w", err)
		}
	}
	return s.remake()
}

// openFile opens the file for bbolt, which would make one that is missing and
// fill one that is empty. The look at what bbolt begins with comes before it
// maps a file that is cut short, or panics and leaves a mapping that nobody can
// take away. Nothing is locked yet, so a writer can be between two of its
// writes: only what three looks agree on is damage.
func (s *Store) openFile(name string, flag int, mode os.FileMode) (*os.File, error) {
	f, err := os.OpenFile(name, flag&^os.O_CREATE, mode)
	if err != nil {
		return nil, err
	}
	for range 3 {
		if err = checkStart(f); err == nil {
			break
		}
	}
	if err == nil {
		err = s.at("opened")
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	s.file = f
	return f, nil
}

// checkStart checks what bbolt reads when it opens a file: the meta pages, and
// the free list, which no commit but the second after its own writes over. So a
// free list that does not hold is damage if the meta pages are still the same
// after it was read; if they are not, whoever writes has the lock.
func checkStart(f *os.File) error {
	before, err := metasOf(f)
	if err != nil {
		return err
	}
	c := &checker{boltMeta: before, r: f, used: make([]bool, before.pages)}
	damage := c.freeList()
	if damage == nil {
		return nil
	}
	if after, err := metasOf(f); err != nil || after != before {
		return err
	}
	return damage
}

func metasOf(f *os.File) (boltMeta, error) {
	info, err := f.Stat()
	if err != nil {
		return boltMeta{}, err
	}
	return readMetas(f, info.Size())
}

// checkStructure checks the file as bbolt sees it; bbolt holds the lock.
func (s *Store) checkStructure(deep bool) error {
	info, err := s.file.Stat()
	if err != nil {
		return err
	}
	return checkFile(s.file, info.Size(), deep)
}

// load reads the settings, and who we are.
func (s *Store) load(l *ledger) error {
	v, err := l.setting(metaFormat)
	switch {
	case err != nil:
		return err
	case v == nil:
		return fmt.Errorf("%w: the file says no format", ErrDamaged)
	case string(v) != format:
		return fmt.Errorf("%w: file format %s, this one reads %s: update this program", ErrNewer, v, format)
	}
	device, err := l.setting(metaDevice)
	if err != nil {
		return err
	}
	seed, err := l.setting(metaSeed)
	if err != nil {
		return err
	}
	if len(device) != len(journal.ID{}) || len(seed) != ed25519.SeedSize {
		return fmt.Errorf("%w: the device's id or key is missing", ErrDamaged)
	}
	id, ok, err := l.identity(journal.ID(device))
	if err != nil {
		return err
	}
	key := ed25519.NewKeyFromSeed(seed)
	if !ok || !id.Key.Equal(key.Public()) {
		return fmt.Errorf("%w: the device's key is not the one in its identity", ErrDamaged)
	}
	if s.key == nil {
		s.self, s.key = id, key
	} else if !s.self.Equal(id) { // when it is opened again, after a rewrite
		return fmt.Errorf("another device's file, of %s, has taken its place", id.Device)
	}
	return nil
}

// fail names the file and the next step in an error, once.
func (s *Store) fail(err error) error {
	var named *fileError
	if errors.As(err, &named) {
		return err
	}
	next := ""
	switch {
	case errors.Is(err, ErrInUse):
		next = "close the other window, or try again when it has saved"
	case errors.Is(err, ErrDamaged):
		next = "the file is kept as it is; recover what verifies into a new one"
	case errors.Is(err, ErrForgotten):
		next = "start a new job"
	case errors.Is(err, journal.ErrStep):
		next = "nothing was written; save it in several steps"
	}
	return &fileError{s.path, err, next}
}

type fileError struct {
	path string
	err  error
	next string
}

func (e *fileError) Error() string {
	s := e.path + ": " + e.err.Error()
	if e.next != "" {
		s += ": " + e.next
	}
	return s
}

func (e *fileError) Unwrap() error { return e.err }

// view runs a read of the log.
func (s *Store) view(do func(*ledger) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.closed {
		return ErrClosed
	}
	return s.guard(func() error { return s.look(do) })
}

// look is view for who has the lock already.
func (s *Store) look(do func(*ledger) error) error {
	return s.db.View(func(tx *bolt.Tx) error {
		l, err := openLedger(tx)
		if err != nil {
			return err
		}
		return do(l)
	})
}

// change runs a write, which is on disk when it returns nil, or not done.
func (s *Store) change(do func(*ledger) error) error {
	return s.exclusive(func() error { return s.update(do) })
}

// exclusive runs what needs the store to itself.
func (s *Store) exclusive(do func() error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.closed:
		return ErrClosed
	case s.o.ReadOnly:
		return s.fail(ErrReadOnly)
	}
	return s.guard(do)
}

// errUnchanged ends a write that turned out to have nothing to write.
var errUnchanged = errors.New("nothing to write")

func (s *Store) update(do func(*ledger) error) error {
	err := s.db.Update(func(tx *bolt.Tx) error {
		l, err := openLedger(tx)
		if err != nil {
			return err
		}
		return do(l)
	})
	if err == errUnchanged {
		return nil
	}
	return err
}

// Close closes the file. Closing twice is nothing.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	return s.release()
}

// drop gives the file of a broken store back. It waits for those who still
// read: none of them may see what another process then writes there.
func (s *Store) drop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	_ = s.release() // who met the damage has been told
}

// release gives the file back.
func (s *Store) release() error {
	switch {
	case s.broken.Load():
		return s.abandon()
	case s.db == nil:
		return nil
	}
	return s.db.Close()
}

// abandonTime is how long a broken bbolt has to take its mapping away, which is
// done in microseconds or never; it is a guess at what nobody minds waiting.
const abandonTime = 100 * time.Millisecond

// abandon gives back the file of a store that is broken. bbolt's own Close may
// wait for ever for a lock that the panic has left held. To close the file is
// not enough: a lock by flock ends with the last reference to the open file, and
// bbolt's mapping is one. So the lock is given up by itself; and bbolt is let try
// to take the mapping away, without which Windows replaces no file. Where it
// cannot, mapping and goroutine stay until the process ends.
func (s *Store) abandon() error {
	file, db := s.file, s.db
	s.file, s.db = nil, nil
	if file == nil {
		return nil
	}
	_ = unlock(file) // nothing is left to be done about it
	err := file.Close()
	if db == nil {
		return err
	}
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		_ = db.Close() // it minds that the file is closed
	}()
	select {
	case <-gone:
	case <-time.After(abandonTime):
	}
	return err
}

// Device returns the id of this file's own device.
func (s *Store) Device() journal.ID { return s.self.Device }

// Identity returns this file's own device with its public key.
func (s *Store) Identity() journal.Identity { return s.self }

// Path returns the file's name.
func (s *Store) Path() string { return s.path }

// Backup checks the file's structure and writes it, as of now, to w; it returns
// how many bytes that was. The copy holds the device's secret key: it takes
// this file's place, and must not be written to beside it, or the log forks.
func (s *Store) Backup(w io.Writer) (n int64, err error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.closed {
		return 0, ErrClosed
	}
	err = s.guard(func() error {
		if err := s.checkStructure(true); err != nil {
			return err
		}
		info, err := s.file.Stat()
		if err != nil {
			return err
		}
		meta, err := readMetas(s.file, info.Size())
		if err != nil {
			return err
		}
		// Nobody writes while we hold the lock, so the bytes up to the last
		// page ever used are the file. (bbolt's own copy writes both meta
		// pages anew, and the one it should keep can be the one it next
		// writes over.)
		return calling(func() (err error) {
			n, err = io.Copy(w, io.NewSectionReader(s.file, 0, int64(meta.pages*meta.pageSize)))
			return err
		})
	})
	return n, err
}
