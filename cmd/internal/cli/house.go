package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// houseFile is where the settings of the house are kept, which hold for every job that does not set them itself:
// $PINCHROD_HOUSE, else $XDG_CONFIG_HOME/pinchrod/house or ~/.config/pinchrod/house (XDG base directories 0.8), and what
// corresponds to it elsewhere. Empty where no home folder is set: then the house has none.
func (e *Env) houseFile() string {
	if f := e.Getenv("PINCHROD_HOUSE"); f != "" {
		return f
	}
	if d := e.Getenv("XDG_CONFIG_HOME"); filepath.IsAbs(d) {
		return filepath.Join(d, "pinchrod", "house")
	}
	home, under := e.Getenv("HOME"), ".config"
	switch runtime.GOOS {
	case "windows":
		home, under = e.Getenv("AppData"), ""
	case "darwin":
		under = filepath.Join("Library", "Application Support")
	}
	if home == "" {
		return ""
	}
	return filepath.Join(home, under, "pinchrod", "house")
}

// houseLines reads the file of the house: NAME=VALUE a line, and lines that begin with #. There may be none.
//
// The error says of each line that cannot be read which one it is; the others are there.
func (e *Env) houseLines() (out []survey.Setting, err error) {
	name := e.houseFile()
	if name == "" {
		return nil, nil
	}
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("reading the house's settings: %w", err)
	}
	for n, line := range strings.Split(string(b), "\n") {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		k, v, ok := strings.Cut(line, "=")
		if !ok {
			err = errors.Join(err, fmt.Errorf("%w: %s, line %d: write NAME=VALUE", errUsage, name, n+1))
			continue
		}
		out = append(out, survey.Setting{Name: strings.TrimSpace(k), Value: strings.TrimSpace(v)})
	}
	return out, err
}

// settings are those that hold where a job sets nothing: the house's, else the program's own. What the file has wrong
// is said on every page, and its default is used.
func (e *Env) settings() asfound.Settings {
	set := asfound.Defaults()
	house, err := e.houseLines()
	if err != nil {
		set.Note(err.Error())
	}
	for _, h := range house {
		if err := set.Set(h.Name, h.Value); err != nil {
			set.Note(fmt.Sprintf("the house's settings (%s): %v; its default is used", e.houseFile(), err))
		}
	}
	return set
}

// setHouse writes settings into the file of the house, or lists those that stand there.
func (e *Env) setHouse(wanted []survey.Setting) error {
	name := e.houseFile()
	if name == "" {
		return fmt.Errorf("%w: no home folder is set: say where the house's settings are with PINCHROD_HOUSE", errUsage)
	}
	stand, err := e.houseLines()
	if err != nil {
		return err
	}
	if len(wanted) == 0 {
		for _, h := range stand {
			fmt.Fprintf(e.Out, "%s=%s\n", h.Name, h.Value)
		}
		if len(stand) == 0 {
			e.say("the house sets nothing: the defaults hold")
		}
		return nil
	}
	scratch := asfound.Defaults()
	for _, w := range wanted {
		if err := scratch.Set(w.Name, w.Value); err != nil {
			return fmt.Errorf("%w: %w", errUsage, err)
		}
		stand = append(slices.DeleteFunc(stand, func(s survey.Setting) bool { return s.Name == w.Name }), w)
	}
	var b strings.Builder
	b.WriteString("# Settings of the house: they hold for every job that does not set them itself.\n")
	for _, h := range stand {
		fmt.Fprintf(&b, "%s=%s\n", h.Name, h.Value)
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	// Beside it first, so that a full disk leaves the old one.
	if err := os.WriteFile(name+".new", []byte(b.String()), 0o600); err != nil {
		return err
	}
	if err := os.Rename(name+".new", name); err != nil {
		return err
	}
	for _, w := range wanted {
		fmt.Fprintf(e.Out, "%s is %s for every job that does not set it\n", w.Name, w.Value)
	}
	return nil
}
