package main

import (
	"errors"
	"image"
	"image/png"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/testscript"

	"pinchrod/store"
)

// await FILE waits until a program in the background has written a file, for
// ten seconds at most.
func await(ts *testscript.TestScript, _ bool, args []string) {
	for end := time.Now().Add(10 * time.Second); ; {
		_, err := os.Stat(ts.MkAbs(args[0]))
		if err == nil {
			return
		}
		if !errors.Is(err, fs.ErrNotExist) || time.Now().After(end) {
			ts.Fatalf("waiting for %s: %v", args[0], err)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// invited VAR ARG… runs hub invite and puts the invitation into a variable.
func invited(ts *testscript.TestScript, _ bool, args []string) {
	ts.Check(ts.Exec("pinchrod", append([]string{"hub", "invite"}, args[1:]...)...))
	ts.Setenv(args[0], strings.TrimSpace(ts.ReadFile("stdout")))
}

// hubaddress VAR FILE puts the address in what hub status printed into a
// variable.
func hubaddress(ts *testscript.TestScript, _ bool, args []string) {
	_, rest, ok := strings.Cut(ts.ReadFile(args[1]), "\nat ")
	if !ok {
		ts.Fatalf("no address in %s", args[1])
	}
	ts.Setenv(args[0], strings.Fields(rest)[0])
}

// paint FILE makes a small picture.
func paint(ts *testscript.TestScript, _ bool, args []string) {
	f, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Check(errors.Join(png.Encode(f, image.NewGray(image.Rect(0, 0, 40, 30))), f.Close()))
}

// lines are the lines of a script, by the variable that has their address.
type lineKey struct{}

// line VAR TO begins a line to an address, through which a device calls; line
// cut VAR cuts it.
func line(ts *testscript.TestScript, _ bool, args []string) {
	lines, _ := ts.Value(lineKey{}).(*sync.Map)
	if lines == nil {
		ts.Fatalf("no lines in this script")
	}
	if args[0] == "cut" {
		l, ok := lines.Load(args[1])
		if !ok {
			ts.Fatalf("no line %s", args[1])
		}
		ts.Check(l.(net.Listener).Close())
		return
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	ts.Defer(func() { l.Close() })
	lines.Store(args[0], l)
	ts.Setenv(args[0], l.Addr().String())
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go join(c, args[1])
		}
	}()
}

// join carries bytes both ways until either side has enough.
func join(c net.Conn, to string) {
	defer c.Close()
	hub, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer hub.Close()
	done := make(chan struct{}, 2)
	for _, way := range [][2]net.Conn{{c, hub}, {hub, c}} {
		go func() {
			_, _ = io.Copy(way[1], way[0]) // a line that breaks is what it is for
			done <- struct{}{}
		}()
	}
	<-done
}

// heads BOOK BOOK… fails unless all the books hold the same logs up to the same
// heads.
func heads(ts *testscript.TestScript, _ bool, args []string) {
	var first any
	for _, name := range args {
		s, err := store.Open(ts.MkAbs(name), store.Options{ReadOnly: true})
		ts.Check(err)
		all, err := s.Heads()
		ts.Check(errors.Join(err, s.Close()))
		got := map[string]string{}
		for device, h := range all {
			if h.Seq > 0 { // a device that wrote nothing is not passed on
				got[device.String()] = h.Hash.String()
			}
		}
		if first == nil {
			first = got
		} else if d := cmp.Diff(first, any(got)); d != "" {
			ts.Fatalf("%s and %s differ (-first +second):\n%s", args[0], name, d)
		}
	}
}
