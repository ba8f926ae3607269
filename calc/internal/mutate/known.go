package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// known are changes that no test can notice, set aside by name.
type known map[string]bool // whether it was met

// place is the line and the column after a file's name, which do not last.
var place = regexp.MustCompile(`^(\S+?):\d+:\d+:`)

// readKnown reads the file of changes that change nothing: lines as mutate prints
// them, with or without line and column, under a line that starts with # and says
// why. An entry covers that one change of that one function; when the line it
// stands in is written anew, it is tried again. A path of "" means
// testdata/equivalent.txt of the package, if there is one.
func readKnown(path, dir string) (known, error) {
	k := known{}
	data, err := os.ReadFile(path)
	if path == "" {
		data, err = os.ReadFile(filepath.Join(dir, "testdata", "equivalent.txt"))
		if errors.Is(err, fs.ErrNotExist) {
			return k, nil
		}
	}
	if err != nil {
		return nil, fmt.Errorf("reading the known changes: %w", err)
	}
	why := false
	for line := range strings.Lines(string(data)) {
		line = strings.TrimSpace(line)
		switch {
		case line == "":
			why = false
		case strings.HasPrefix(line, "#"):
			why = true
		case !why:
			return nil, fmt.Errorf("reading the known changes: %s: write a line before it that starts with # and says why", line)
		default:
			k[place.ReplaceAllString(line, "$1:")] = false
		}
	}
	return k, nil
}

// without returns the changes that are not set aside, and how many are.
func (k known) without(all []change) (rest []change, set int) {
	rest = slices.DeleteFunc(slices.Clone(all), func(c change) bool {
		_, ok := k[c.name()]
		if ok {
			k[c.name()] = true
		}
		return ok
	})
	return rest, len(all) - len(rest)
}

// unused returns the names that no change has.
func (k known) unused() []string {
	var names []string
	for name, met := range k {
		if !met {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
