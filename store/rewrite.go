package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	bolt "go.etcd.io/bbolt"
)

// A file is written anew to be rid of what is no longer live in it. It is
// marked first ("rewrite" in meta), so that whoever opens it after a crash
// goes on with it.

// copyBytes is how much is copied in one transaction, which is held in memory.
const copyBytes = 32 << 20

// rewriteDue reports whether the file still has to be written anew.
func (l *ledger) rewriteDue() (bool, error) {
	v, err := l.setting(metaRewrite)
	return v != nil, err
}

// place returns where the file really is, links followed: it is the file that
// has to be replaced, and not a link to it, and no other file that has been
// put there since.
func (s *Store) place() (dir, base string, err error) {
	path, err := filepath.EvalSymlinks(s.path)
	if err != nil {
		return "", "", err
	}
	if same, err := s.isAt(path); err != nil {
		return "", "", err
	} else if !same {
		return "", "", errors.New("the file has been moved, and another has its name: open it where it is")
	}
	return filepath.Dir(path), filepath.Base(path), nil
}

// isAt reports whether the file that is open is the one of this name.
func (s *Store) isAt(path string) (bool, error) {
	ours, err := s.file.Stat()
	if err != nil {
		return false, err
	}
	named, err := lookAt(path)
	if err != nil {
		return false, err
	}
	return os.SameFile(ours, named), nil
}

func tempPrefix(base string) string { return "." + base + ".rewrite-" }

// canRewrite tries whether a file can be made beside this one.
func (s *Store) canRewrite() error {
	dir, base, err := s.place()
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, tempPrefix(base)+"*")
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// sound checks the file's structure and its logs.
func (s *Store) sound() error {
	if err := s.checkStructure(true); err != nil {
		return err
	}
	return s.look(func(l *ledger) error {
		v := verifier{ledger: l}
		if err := v.all(s.self); err != nil {
			return err
		}
		if len(v.report.Problems) > 0 {
			return v.report.Problems[0]
		}
		return nil
	})
}

// rewrite copies what is live into a new file, which takes this one's place.
// The caller has the store to itself.
func (s *Store) rewrite() error {
	if err := s.at("marked"); err != nil {
		return err
	}
	dir, base, err := s.place()
	if err != nil {
		return err
	}
	// What a crash has left; we hold the file's lock, so nobody is at it.
	left, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range left {
		if strings.HasPrefix(e.Name(), tempPrefix(base)) {
			if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
				return err
			}
		}
	}
	f, err := os.CreateTemp(dir, tempPrefix(base)+"*")
	if err != nil {
		return err
	}
	temp := f.Name()
	defer os.Remove(temp) // what is left of a failure; it is gone when all is well
	if err := f.Close(); err != nil {
		return err
	}
	var file *os.File
	db, err := bolt.Open(temp, 0o600, &bolt.Options{
		Timeout: s.o.timeout(), PageSize: filePage,
		OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
			var err error
			file, err = os.OpenFile(name, flag&^os.O_CREATE, mode)
			return file, err
		},
	})
	if err != nil {
		return err
	}
	err = s.copyLive(db, file)
	if err == nil {
		err = s.at("copied")
	}
	if err != nil {
		return errors.Join(err, db.Close())
	}
	return s.replace(db, file, filepath.Join(dir, base))
}

// copyLive makes db a copy of what is live, checked and on disk.
func (s *Store) copyLive(db *bolt.DB, file *os.File) error {
	if err := s.at("made"); err != nil {
		return err
	}
	err := s.db.View(func(tx *bolt.Tx) error {
		return tx.ForEach(func(name []byte, b *bolt.Bucket) error { return copyBucket(db, name, b) })
	})
	if err != nil {
		return err
	}
	info, err := s.file.Stat()
	if err != nil {
		return err
	}
	if err := keepAccess(file, info); err != nil {
		return err
	}
	if err := file.Sync(); err != nil {
		return err
	}
	if info, err = file.Stat(); err != nil {
		return err
	}
	return checkFile(file, info.Size(), true)
}

// copyBucket copies a bucket of the root, but for the mark that says it has to
// be copied.
func copyBucket(db *bolt.DB, name []byte, from *bolt.Bucket) error {
	c := from.Cursor()
	k, v := c.First()
	for first := true; first || k != nil; first = false {
		err := db.Update(func(tx *bolt.Tx) error {
			to, err := tx.CreateBucketIfNotExists(name)
			if err != nil {
				return err
			}
			if string(name) == string(bucketPage) || string(name) == string(bucketHead) {
				to.FillPercent = logFill
			}
			for size := 0; k != nil && size < copyBytes; k, v = c.Next() {
				if string(name) == string(bucketMeta) && string(k) == string(metaRewrite) {
					continue
				}
				if err := to.Put(k, v); err != nil {
					return err
				}
				size += len(k) + len(v)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// replace puts the new file in the place of this one.
//
// Both are locked while the name passes from one to the other, so there is no
// moment when another process could write to the old one. Where an open file
// cannot be replaced, both are closed first; then a process that comes between
// finds the old file with its mark, and writes it anew itself before anything
// else. So nothing is ever appended to a marked file once it has been let go,
// and no copy that is put in its place can lack a page. To keep to that, this
// store is closed if it cannot go on with the new file.
func (s *Store) replace(db *bolt.DB, file *os.File, path string) error {
	temp, dir := file.Name(), filepath.Dir(path)
	if runtime.GOOS != "windows" && !s.o.closeFirst {
		if err := os.Rename(temp, path); err != nil {
			return errors.Join(err, db.Close())
		}
		old := s.db
		s.db, s.file = db, file
		return errors.Join(s.at("renamed"), syncDir(dir), old.Close())
	}
	if err := db.Close(); err != nil {
		return err
	}
	s.closed = true
	err := func() error {
		if err := s.db.Close(); err != nil {
			return err
		}
		if err := s.at("closed"); err != nil {
			return err
		}
		if err := renameOver(temp, path, s.o.timeout()); err != nil {
			return err
		}
		if err := errors.Join(s.at("renamed"), syncDir(dir)); err != nil {
			return err
		}
		return s.open()
	}()
	if err != nil {
		return errors.Join(fmt.Errorf("the file had to be let go; open it again: %w", err), s.release())
	}
	s.closed = false
	return nil
}

// renameOver renames a file over another that a search or a virus scanner may
// have open for a moment.
func renameOver(from, to string, timeout time.Duration) error {
	for end := time.Now().Add(timeout); ; time.Sleep(20 * time.Millisecond) {
		err := os.Rename(from, to)
		if err == nil || errors.Is(err, fs.ErrNotExist) || time.Now().After(end) {
			return err
		}
	}
}

// at is called between the steps of a rewrite, for tests to stop there.
func (s *Store) at(step string) error {
	if s.o.step == nil {
		return nil
	}
	return s.o.step(step)
}
