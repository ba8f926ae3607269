package hub

import (
	"bytes"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

// A pipeWriter answers over a line in memory, as far as a body's time goes. A
// flush is a byte on it.
type pipeWriter struct {
	http.ResponseWriter
	net.Conn
}

func (w pipeWriter) Write(p []byte) (int, error) { return w.Conn.Write(p) }

func (w pipeWriter) FlushError() error {
	_, err := w.Conn.Write([]byte{0})
	return err
}

// newPipeWriter returns a writer, and the client's end of its line.
func newPipeWriter(t *testing.T) (pipeWriter, net.Conn) {
	client, server := net.Pipe()
	t.Cleanup(func() { client.Close(); server.Close() })
	return pipeWriter{httptest.NewRecorder(), server}, client
}

var slowLimits = Limits{Window: 20 * time.Second, Progress: 100}

// Who does not take in an answer has a window of time for it, and one more for
// each hundred bytes.
func TestOutgoing(t *testing.T) {
	for name, x := range map[string]struct {
		write func(*outgoing) error
		want  time.Duration
	}{
		"99 bytes":  {func(o *outgoing) error { _, err := o.Write(make([]byte, 99)); return err }, 20 * time.Second},
		"100 bytes": {func(o *outgoing) error { _, err := o.Write(make([]byte, 100)); return err }, 40 * time.Second},
		"250 bytes": {func(o *outgoing) error { _, err := o.Write(make([]byte, 250)); return err }, 60 * time.Second},
		"a flush":   {func(o *outgoing) error { return o.flush() }, 20 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, client := newPipeWriter(t)
				o := newOutgoing(w, slowLimits)
				// One that is taken in first: time between two of them is nobody's.
				go func() { _, _ = io.ReadFull(client, make([]byte, 6)) }()
				if n, err := o.Write([]byte("hello")); n != 5 || err != nil || o.wrote != 5 {
					t.Errorf("wrote %d, %d in all, %v", n, o.wrote, err)
				}
				if err := o.flush(); err != nil {
					t.Error(err)
				}
				time.Sleep(time.Hour)
				start := time.Now()
				if err := x.write(o); !errors.Is(err, os.ErrDeadlineExceeded) {
					t.Errorf("got %v, want %v", err, os.ErrDeadlineExceeded)
				}
				if got := time.Since(start); got != x.want {
					t.Errorf("given up after %v, want %v", got, x.want)
				}
			})
		})
	}
}

// A body has to bring so much in each window in which it is waited for.
func TestIncoming(t *testing.T) {
	type step struct {
		after time.Duration
		bytes int
	}
	for name, x := range map[string]struct {
		steps []step
		want  time.Duration // when it is given up
	}{
		"nothing":                  {nil, 20 * time.Second},
		"too little":               {[]step{{19 * time.Second, 99}}, 20 * time.Second},
		"just enough":              {[]step{{19 * time.Second, 100}}, 39 * time.Second},
		"enough in pieces":         {[]step{{5 * time.Second, 50}, {5 * time.Second, 50}}, 30 * time.Second},
		"what is over is not kept": {[]step{{time.Second, 150}, {15 * time.Second, 99}}, 21 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, client := newPipeWriter(t)
				in := newIncoming(w, &http.Request{Body: w.Conn}, slowLimits)
				start, total := time.Now(), 0
				go func() {
					for _, s := range x.steps {
						time.Sleep(s.after)
						_, _ = client.Write(make([]byte, s.bytes))
					}
				}()
				for _, s := range x.steps {
					total += s.bytes
				}
				b, err := io.ReadAll(in)
				if got := time.Since(start); !errors.Is(err, errSlow) || got != x.want || len(b) != total {
					t.Errorf("%d bytes, %v after %v, want %d, %v after %v", len(b), err, got, total, errSlow, x.want)
				}
			})
		})
	}
}

// Only the time in which somebody waits for a body counts.
func TestIncomingUnread(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, client := newPipeWriter(t)
		in := newIncoming(w, &http.Request{Body: w.Conn}, slowLimits)
		go func() {
			_, _ = client.Write([]byte("xxx"))
		}()
		for range 3 {
			time.Sleep(time.Hour) // the hub is at something else
			if n, err := in.Read(make([]byte, 1)); n != 1 || err != nil {
				t.Errorf("read %d bytes, %v", n, err)
			}
		}
	})
}

// Who is told to stop stops at once, for the first reason that there was.
func TestIncomingAborted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, _ := newPipeWriter(t)
		in := newIncoming(w, &http.Request{Body: w.Conn}, slowLimits)
		start, first := time.Now(), errors.New("first")
		go func() {
			time.Sleep(time.Second)
			in.abort(first)
			in.Close()
		}()
		for range 2 {
			if _, err := in.Read(make([]byte, 1)); err != first || time.Since(start) != time.Second {
				t.Errorf("got %v after %v, want %v after a second", err, time.Since(start), first)
			}
		}
		in = newIncoming(w, &http.Request{Body: w.Conn}, slowLimits)
		in.over() // its controller is not to be used any more
		if _, err := in.Read(make([]byte, 1)); !errors.Is(err, os.ErrClosed) {
			t.Errorf("when the request is over: got %v, want %v", err, os.ErrClosed)
		}
		in.abort(first)
		if _, err := in.Read(make([]byte, 1)); err != first {
			t.Errorf("aborted after that: got %v, want %v", err, first)
		}
	})
}

// Coders are used again, as many as are kept, and work then as before.
func TestCoders(t *testing.T) {
	c := newCoders(1)
	var text = bytes.Repeat([]byte("a stair "), 1000)
	var packed bytes.Buffer
	e, err := c.encoder(&packed)
	if err != nil {
		t.Fatal(err)
	}
	for round := range 3 {
		packed.Reset()
		if round > 0 {
			c.takeEncoder(e)
			again, err := c.encoder(&packed)
			if err != nil || again != e {
				t.Fatalf("round %d: another encoder, %v", round, err)
			}
		}
		if _, err := e.Write(text); err != nil {
			t.Fatal(err)
		}
		if err := e.Close(); err != nil || packed.Len() > 1000 {
			t.Fatalf("%d bytes, %v", packed.Len(), err)
		}
		d, err := c.decoder(bytes.NewReader(packed.Bytes()))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := io.ReadAll(d); err != nil || !bytes.Equal(got, text) {
			t.Errorf("round %d: %d bytes, %v", round, len(got), err)
		}
		other, err := c.decoder(bytes.NewReader(packed.Bytes()))
		if err != nil || other == d {
			t.Fatalf("two have one decoder, %v", err)
		}
		c.takeDecoder(d)
		c.takeDecoder(other) // one too many: it is closed
		if _, err := other.Read(make([]byte, 1)); err == nil {
			t.Error("a decoder that nobody keeps is not closed")
		}
		if again, err := c.decoder(bytes.NewReader(packed.Bytes())); err != nil || again != d {
			t.Errorf("round %d: another decoder, %v", round, err)
		} else {
			c.takeDecoder(again)
		}
	}
}
