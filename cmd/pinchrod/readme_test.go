package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/rogpeppe/go-internal/txtar"
)

// The picture in the README is what the demo prints.
func TestReadmePicture(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	script, err := txtar.ParseFile("../../testdata/script/demo.txtar")
	if err != nil {
		t.Fatal(err)
	}
	page := ""
	for _, f := range script.Files {
		if f.Name == "wide.want" {
			page = string(f.Data)
		}
	}
	_, picture, ok := strings.Cut(string(readme), "$ pinchrod check")
	_, picture, ok2 := strings.Cut(picture, "\n")
	picture, _, ok3 := strings.Cut(picture, "```")
	if !ok || !ok2 || !ok3 || len(picture) < 500 {
		t.Fatal("the README has no picture of the check page")
	}
	for _, part := range strings.Split(picture, "\n  …\n") {
		if !strings.Contains(page, strings.TrimSpace(part)) {
			t.Errorf("the README shows what the demo does not print:\n%s", part)
		}
	}
}

// Every command of the README works as it stands there, one after the other, with its sheet. What waits for a person or
// serves until it is stopped is given what ends it, and an invitation that the hub really made.
func TestReadmeCommands(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	sheet, commands := "", 0
	for _, block := range regexp.MustCompile("(?s)```\n(.*?)```").FindAllStringSubmatch(string(readme), -1) {
		if strings.HasPrefix(block[1], "where,") {
			sheet = block[1]
		}
		for line := range strings.Lines(block[1]) {
			if line = strings.TrimSpace(line); strings.HasPrefix(line, "pinchrod ") {
				b.WriteString(readmeStep(line))
				commands++
			}
		}
	}
	if sheet == "" || commands < 11 {
		t.Fatalf("the README has %d commands and a sheet of %d bytes", commands, len(sheet))
	}
	b.WriteString("-- quit --\nq\n-- stair.csv --\n" + sheet)
	script := filepath.Join(t.TempDir(), "readme.txtar")
	if err := os.WriteFile(script, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, params(script))
}

// readmeStep is a command of the README as a step of a script, which quotes with ' in place of ".
func readmeStep(line string) string {
	quoted := regexp.MustCompile(`"[^"]*"`).ReplaceAllStringFunc(line, func(s string) string {
		return "'" + strings.ReplaceAll(strings.Trim(s, `"`), "'", "''") + "'"
	})
	switch verbs := strings.Join(strings.Fields(line)[1:], " "); {
	case strings.HasPrefix(verbs, "survey"):
		return "stdin quit\nexec " + quoted + "\n"
	case strings.HasPrefix(verbs, "hub create"):
		return "env SEED=\nexec " + quoted + "\n"
	case strings.HasPrefix(verbs, "check"):
		// The example is of a sound stair: nothing is flagged, and its spindles have a stop.
		return "exec " + quoted + "\nstdout 'Cut all [0-9]+ to one stop'\n"
	case strings.HasPrefix(verbs, "bench serve"):
		return "! exec " + quoted + " --listen 127.0.0.1:0 &bench&\nkill bench\n"
	case strings.HasPrefix(verbs, "hub serve"):
		return "exec " + quoted + " --listen 127.0.0.1:0 &hub&\nawait hub.book.console\nexec pinchrod hub status\ncp stdout status.txt\nhubaddress HUB status.txt\n"
	case strings.HasPrefix(verbs, "join"):
		return "invited ANN --name Ann --address $HUB\nexec pinchrod join $ANN\n"
	}
	return "exec " + quoted + "\n"
}
