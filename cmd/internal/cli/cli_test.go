package cli

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"
)

func testEnv(t *testing.T) (*Env, *bytes.Buffer, *bytes.Buffer) {
	t.Helper()
	var out, errs bytes.Buffer
	home := t.TempDir()
	return &Env{
		In: strings.NewReader(""), Out: &out, Err: &errs,
		Getenv:   func(k string) string { return map[string]string{"HOME": home, "LocalAppData": home}[k] },
		Now:      func() time.Time { return time.UnixMilli(1764081000000) },
		Terminal: func() (int, int, bool) { return 0, 0, false },
	}, &out, &errs
}

// An interrupt ends what runs, and says so with 130.
func TestInterrupted(t *testing.T) {
	e, _, errs := testEnv(t)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if got := e.Run(ctx, []string{"demo"}); got != exitInterrupted {
		t.Errorf("leaves with %d, want %d", got, exitInterrupted)
	}
	if !strings.Contains(errs.String(), "what was written stays written") {
		t.Errorf("says %q", errs)
	}
}

// The book is found by flag, by $PINCHROD_BOOK, by XDG, by home, in this order.
func TestWhereTheBookIs(t *testing.T) {
	for _, tt := range []struct {
		flag string
		env  map[string]string
		want string
	}{
		{"a.book", map[string]string{"PINCHROD_BOOK": "b.book"}, "a.book"},
		{"", map[string]string{"PINCHROD_BOOK": "b.book", "XDG_DATA_HOME": "/x"}, "b.book"},
		{"", map[string]string{"XDG_DATA_HOME": "/x", "HOME": "/h"}, "/x/pinchrod/field.book"},
		{"", map[string]string{"XDG_DATA_HOME": "not/absolute"}, ""},
		{"", nil, ""},
	} {
		b := &bookFlag{env: &Env{Getenv: func(k string) string { return tt.env[k] }}, path: tt.flag}
		got, err := b.file()
		if got != tt.want || (err == nil) != (tt.want != "") {
			t.Errorf("flag %q, environment %v: %q, %v; want %q", tt.flag, tt.env, got, err, tt.want)
		}
	}
}

// On a terminal a page is as wide as it, in colour unless told otherwise, and
// goes through the pager when it is longer than the screen.
func TestShow(t *testing.T) {
	for name, tt := range map[string]struct {
		args   []string
		rows   int
		env    map[string]string
		colour bool
		prefix string
	}{
		"tall terminal":   {nil, 1000, nil, true, ""},
		"NO_COLOR":        {nil, 1000, map[string]string{"NO_COLOR": "1"}, false, ""},
		"dumb":            {nil, 1000, map[string]string{"TERM": "dumb"}, false, ""},
		"plain":           {[]string{"--plain"}, 3, map[string]string{"PAGER": "false"}, false, ""},
		"failing pager":   {nil, 3, map[string]string{"PAGER": "false"}, true, ""},
		"no such pager":   {nil, 3, map[string]string{"PAGER": "no-such-pager"}, true, ""},
		"pager that says": {nil, 3, map[string]string{"PAGER": "cat"}, true, ""},
	} {
		e, out, _ := testEnv(t)
		e.Getenv = func(k string) string { return tt.env[k] }
		e.Terminal = func() (int, int, bool) { return 50, tt.rows, true }
		if got := e.Run(context.Background(), append([]string{"demo"}, tt.args...)); got != exitDone {
			t.Errorf("%s: leaves with %d", name, got)
		}
		if got := strings.Contains(out.String(), "\x1b["); got != tt.colour {
			t.Errorf("%s: colour %v, want %v", name, got, tt.colour)
		}
		if n := strings.Count(out.String(), "3 Ropewalk Terrace"); n != 1 {
			t.Errorf("%s: the page is shown %d times", name, n)
		}
	}
}
