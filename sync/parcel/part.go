package parcel

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"filippo.io/age"
)

const suffix = ".parcel"

// fileName returns the name of a part's file.
func fileName(name string, part, parts int) string {
	if parts == 1 {
		return name + suffix
	}
	return fmt.Sprintf("%s.%dof%d%s", name, part, parts, suffix)
}

var partName = regexp.MustCompile(`^(\.[1-9][0-9]{0,2}of[1-9][0-9]{0,2})?\.parcel$`)

// Files returns the files that are there under a parcel's name, which may end
// in ".parcel": all of its parts, if they are in one folder, and of other
// parcels that had the name.
func Files(name string) ([]string, error) {
	dir, base := filepath.Split(strings.TrimSuffix(name, suffix))
	entries, err := os.ReadDir(filepath.Clean(dir + "."))
	if err != nil {
		return nil, fmt.Errorf("looking for parcels: %w", err)
	}
	var out []string
	for _, e := range entries {
		if rest, ok := strings.CutPrefix(e.Name(), base); ok && partName.MatchString(rest) && !e.IsDir() {
			out = append(out, dir+e.Name())
		}
	}
	return out, nil
}

// store writes the parts' files.
func (m Manifest) store(ctx context.Context, name string, signed []byte, packed *spool, to age.Recipient, o Options) (Written, error) {
	name = strings.TrimSuffix(name, suffix)
	set, err := m.Set()
	if err != nil {
		return Written{}, err
	}
	out := Written{Manifest: m, Set: set}
	for i := range m.Pieces {
		out.Files = append(out.Files, fileName(name, i+1, len(m.Pieces)))
	}
	there, err := Files(name)
	if err != nil {
		return Written{}, err
	}
	kept := map[string]bool{}
	for _, file := range there {
		c, err := coverOf(file)
		i := slices.Index(out.Files, file)
		ours := i >= 0 && c.Set == set && c.Part == i+1 && c.Parts == len(m.Pieces) ||
			errors.Is(err, ErrCut) && c.Part == 0 // there is nothing in it yet
		switch {
		case ours && err == nil:
			kept[file] = true
		case ours, o.Replace && !errors.Is(err, ErrNotParcel):
		default:
			return Written{}, &refusal{file, ErrExists, "choose another name, or have it replaced"}
		}
	}
	sealed := &spool{dir: o.Temp}
	defer sealed.remove()
	at := int64(0)
	for i, p := range m.Pieces {
		if err := ctx.Err(); err != nil {
			return Written{}, err
		}
		file := out.Files[i]
		if !kept[file] {
			inside := func() io.Reader {
				size := binary.BigEndian.AppendUint32(nil, uint32(len(signed)))
				return io.MultiReader(strings.NewReader(string(size)+string(signed)), packed.section(at, p.Size))
			}
			c := Cover{Set: set, Part: i + 1, Parts: len(m.Pieces), Size: 4 + int64(len(signed)) + p.Size}
			content := inside()
			if to != nil {
				if err := seal(sealed, to, inside()); err != nil {
					return Written{}, err
				}
				c.Sealed, c.Size, content = true, sealed.n, sealed.section(0, sealed.n)
			}
			if err := writeFile(file, c, content, !o.noSync); err != nil {
				return Written{}, err
			}
		}
		info, err := os.Stat(file)
		if err != nil {
			return Written{}, err
		}
		if o.PartSize > 0 && info.Size() > o.PartSize {
			return Written{}, fmt.Errorf("%s: %w: %d bytes, and %d were allowed", file, ErrTooLarge, info.Size(), o.PartSize)
		}
		out.Size += info.Size()
		at += p.Size
	}
	out.Kept = len(kept)
	// What is replaced goes when what replaces it is there.
	for _, file := range there {
		if !slices.Contains(out.Files, file) {
			if err := os.Remove(file); err != nil {
				return Written{}, err
			}
		}
	}
	return out, nil
}

// coverOf reads the cover of a file, and checks that the file is whole. With
// an error comes what could be read.
func coverOf(file string) (Cover, error) {
	f, s, err := openSource(file, MaxStream)
	if err != nil {
		return s.cover, err
	}
	defer f.Close()
	return s.cover, s.whole()
}

// openSource opens a file that should be a part.
func openSource(file string, limit int64) (*os.File, source, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, source{}, fmt.Errorf("opening a parcel: %w", err)
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = &refusal{file, ErrNotParcel, "name the file itself"}
	}
	var s source
	if err == nil {
		s, err = readCover(file, f, info.Size(), limit)
	}
	if err != nil {
		return nil, s, errors.Join(err, f.Close())
	}
	return f, s, nil
}

func seal(into *spool, to age.Recipient, content io.Reader) error {
	if err := into.again(); err != nil {
		return err
	}
	w, err := age.Encrypt(into, to)
	if err != nil {
		return err
	}
	if _, err := io.Copy(w, content); err != nil {
		return err
	}
	return w.Close()
}

// writeFile writes a part: under another name, flushed, then named. What a
// crash leaves under the other name is written over the next time.
func writeFile(file string, c Cover, content io.Reader, sync bool) (err error) {
	dir, base := filepath.Split(file)
	temp := filepath.Join(dir, "."+base+".new")
	f, err := os.OpenFile(temp, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	err = func() error {
		h := sha256.New()
		w := bufio.NewWriterSize(f, 64<<10)
		both := io.MultiWriter(w, h)
		if _, err := both.Write(c.encode()); err != nil {
			return err
		}
		if n, err := io.Copy(both, content); err != nil || n != c.Size {
			return errors.Join(err, fmt.Errorf("%d bytes of %d", n, c.Size))
		}
		if _, err := w.Write(h.Sum(nil)); err != nil {
			return err
		}
		if err := w.Flush(); err != nil || !sync {
			return err
		}
		return f.Sync()
	}()
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("writing %s: %w", file, errors.Join(err, removed(temp)))
	}
	if err := os.Rename(temp, file); err != nil {
		return fmt.Errorf("writing %s: %w", file, errors.Join(err, removed(temp)))
	}
	if !sync {
		return nil
	}
	return syncDir(filepath.Clean(dir + "."))
}

func removed(file string) error {
	if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
