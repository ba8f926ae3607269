package exchange_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"io"
	"iter"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// example reads the worked example out of the package comment: a label starts
// after one tab, and what belongs to it is hex, on that line and those below.
func example(t *testing.T) map[string][]byte {
	t.Helper()
	src, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(string(src), "// # Example\n")
	if !ok {
		t.Fatal("no example in doc.go")
	}
	out := map[string][]byte{}
	label := ""
	for line := range strings.Lines(text) {
		rest, ok := strings.CutPrefix(line, "//\t")
		if !ok {
			continue
		}
		if m := regexp.MustCompile(`^\w[\w ]*:`).FindString(rest); m != "" {
			label, rest = strings.TrimSuffix(m, ":"), rest[len(m):]
		}
		b, err := hex.DecodeString(strings.Join(strings.Fields(rest), ""))
		if err != nil {
			t.Fatalf("%s: %v", label, err)
		}
		out[label] = append(out[label], b...)
	}
	return out
}

// frames cuts a stream into its frames.
func frames(t *testing.T, b []byte) (out [][]byte) {
	t.Helper()
	for len(b) > 0 {
		n, at := 0, 1 // one or two bytes of LEB128 do here
		for shift := 0; ; shift += 7 {
			c := b[at]
			n |= int(c&0x7f) << shift
			if at++; c < 0x80 {
				break
			}
		}
		out = append(out, b[:at+n])
		b = b[at+n:]
	}
	return out
}

// recorder keeps what goes over a line.
type recorder struct {
	exchange.Line
	requests, answers [][]byte
}

func (r *recorder) Round(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error) {
	var request bytes.Buffer
	answer, err := r.Line.Round(ctx, verb, func(w io.Writer) error { return send(io.MultiWriter(w, &request)) })
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(answer)
	r.requests, r.answers = append(r.requests, request.Bytes()), append(r.answers, b)
	return io.NopCloser(bytes.NewReader(b)), err
}

// TestExample has a device and a hub say what the package comment prints, byte
// for byte.
func TestExample(t *testing.T) {
	want := example(t)
	when := time.Date(2022, 2, 22, 19, 22, 22, 0, time.UTC)
	there := time.FixedZone("", -5*60*60)
	mine := mustID(t, "919108f7-52d1-4320-9bac-f847db4148a8")
	others := mustID(t, "919108f7-52d1-4320-9bac-f847db4148a9")
	book := func(device, secret string) *synctest.Book {
		key := ed25519.NewKeyFromSeed(want[secret])
		id, err := journal.NewIdentity(mustID(t, device), key)
		if err != nil {
			t.Fatal(err)
		}
		return synctest.OpenBook(id, key, func() time.Time { return when.In(there) })
	}
	device := book("017f22e2-79b0-7cc3-98c4-dc0c0c07398f", "device secret")
	hub := book("017f22e2-79b0-7cc3-98c4-dc0c0c073990", "hub secret")
	write := func(b *synctest.Book, job journal.ID, payload ...byte) {
		if _, err := b.Append(synctest.Draft{Job: job, Payload: payload}); err != nil {
			t.Fatal(err)
		}
	}
	write(device, mine, 0xa1, 0x01, 0x19, 0x04, 0xe6)
	write(hub, mine, 0xa0)
	write(hub, others, 0xa0)

	host := &exchange.Host{Book: hub, Signer: hub.Signer(), Now: func() time.Time { return when }}
	who := exchange.Reader{Identity: device.Identity(), Jobs: map[journal.ID]bool{mine: true}}
	line := &recorder{Line: &synctest.Line{Host: host, Who: func() exchange.Reader { return who }}}
	peer := exchange.Over(line, device.Identity(), hub.Identity())
	if _, err := exchange.Run(t.Context(), device, peer, exchange.Progress{}); err != nil {
		t.Fatal(err)
	}
	// It has nothing new; then the hub has lost everything.
	if _, err := exchange.Run(t.Context(), device, peer, exchange.Progress{}); err != nil {
		t.Fatal(err)
	}
	hub.Restore(book("017f22e2-79b0-7cc3-98c4-dc0c0c073990", "hub secret").Backup())
	none := func(func(exchange.Batch, error) bool) {}
	head := func(b *synctest.Book) journal.Head {
		heads, err := b.Heads()
		if err != nil {
			t.Fatal(err)
		}
		return heads[device.Identity().Device].Head
	}
	if _, err := peer.Meet(t.Context(), exchange.Offer{Base: head(device)}, iter.Seq2[exchange.Batch, error](none), nil); err == nil {
		t.Error("a hub that has lost everything agrees")
	}

	var got [][]byte
	for i := range line.requests {
		got = append(append(got, frames(t, line.requests[i])...), frames(t, line.answers[i])...)
	}
	labels := []string{
		"offer", "batch", "end", "ack", "state", "wants", "log", "withheld", "end",
		"second offer", "end", "nothing new", "", "end", "refusal",
	}
	if len(got) != len(labels) {
		t.Fatalf("%d frames, want %d: %x", len(got), len(labels), got)
	}
	for i, label := range labels {
		if label != "" && !bytes.Equal(got[i], want[label]) {
			t.Errorf("%s:\n got %x\nwant %x", label, got[i], want[label])
		}
	}
}

func mustID(t testing.TB, s string) journal.ID {
	t.Helper()
	id, err := journal.ParseID(s)
	if err != nil {
		t.Fatal(err)
	}
	return id
}
