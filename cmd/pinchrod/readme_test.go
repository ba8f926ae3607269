package main

import (
	"os"
	"strings"
	"testing"

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
