package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
)

// files lists a folder.
func files(t *testing.T, dir string) (names []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

// A book can be made by its bare name, where one stands, and has pages of 4 KiB
// whatever the machine has.
func TestCreateHere(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	s, err := Create("book", Options{ReadOnly: true}) // who creates a book writes in it
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(Draft{}); err != nil {
		t.Error(err)
	}
	meta, err := metasOf(s.file)
	if err != nil || meta.pageSize != 4096 {
		t.Errorf("pages of %d bytes, %v; want 4096", meta.pageSize, err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if got := files(t, dir); !slices.Equal(got, []string{"book"}) {
		t.Errorf("in the folder: %v", got)
	}
}

// A file gets a name that nobody has, by a link or where there are none by a
// rename, and never takes it from another.
func TestPublish(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	write := func(name string) {
		t.Helper()
		if err := os.WriteFile(in(name), []byte(name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("new")
	write("taken")
	if err := publish(in("new"), in("taken")); !errors.Is(err, ErrExists) {
		t.Errorf("onto another: %v, want ErrExists", err)
	}
	if b, err := os.ReadFile(in("taken")); err != nil || string(b) != "taken" {
		t.Errorf("the other is %q, %v", b, err)
	}
	if err := publish(in("new"), in("named")); err != nil {
		t.Error(err)
	}
	if b, err := os.ReadFile(in("named")); err != nil || string(b) != "new" {
		t.Errorf("named %q, %v", b, err)
	}
	if err := publish(in("none"), in("never")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("what is not there: %v", err)
	}
	// A folder takes no link: what can only be renamed is.
	if err := os.Mkdir(in("unlinked"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := publish(in("unlinked"), in("moved")); err != nil {
		t.Error(err)
	}
	if err := os.Mkdir(in("unlinked"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := publish(in("unlinked"), in("moved")); !errors.Is(err, ErrExists) {
		t.Errorf("onto another, by a rename: %v, want ErrExists", err)
	}
	if got, want := files(t, dir), []string{"moved", "named", "new", "taken", "unlinked"}; !slices.Equal(got, want) {
		t.Errorf("in the folder %v, want %v", got, want)
	}
	if err := flush(in("none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("flushing what is not there: %v", err)
	}
}

// A file that another takes the place of while it is waited for is opened as it
// is then, if that does not go on for ever.
func TestReplacedWhileOpening(t *testing.T) {
	if runtime.GOOS == "windows" {
		return // a file that another has open is not replaced there
	}
	for times, want := range map[int]error{0: nil, 1: nil, 3: nil, 4: ErrInUse} {
		t.Run(fmt.Sprint(times), func(t *testing.T) {
			s := emptyBook(t)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			data, err := os.ReadFile(s.path)
			if err != nil {
				t.Fatal(err)
			}
			opened := 0
			again, err := Open(s.path, Options{step: func(string) error {
				if opened++; opened > times {
					return nil
				}
				return errors.Join(os.WriteFile(s.path+".new", data, 0o600), os.Rename(s.path+".new", s.path))
			}})
			if !errors.Is(err, want) || (err == nil) != (want == nil) || opened != min(times+1, 4) {
				t.Errorf("opened %d times, %v; want %v", opened, err, want)
			}
			if err != nil {
				return
			}
			if same, err := again.isAt(s.path); err != nil || !same {
				t.Errorf("it is the file that has the name: %t, %v", same, err)
			}
			if err := again.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	// What cannot be opened holds nothing, and says why.
	s := emptyBook(t)
	stopped := errors.New("stopped")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(s.path, Options{step: func(string) error { return stopped }}); !errors.Is(err, stopped) {
		t.Errorf("%v, want %v", err, stopped)
	}
}

// A rename over a file that stays in use is given up in time; one that has no
// file to rename at once.
func TestRenameOver(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
	if err := os.WriteFile(from, []byte("new"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(to, "full"), 0o700); err != nil { // no file goes over a folder
		t.Fatal(err)
	}
	if err := renameOver(from, to, 0); err == nil || errors.Is(err, fs.ErrNotExist) {
		t.Errorf("over a folder: %v", err)
	}
	if err := renameOver(filepath.Join(dir, "none"), to, 1<<62); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("of nothing: %v", err)
	}
	if err := os.RemoveAll(to); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := renameOver(from, to, 1<<62); err != nil {
		t.Error(err)
	}
	if b, err := os.ReadFile(to); err != nil || string(b) != "new" {
		t.Errorf("%q, %v", b, err)
	}
}
