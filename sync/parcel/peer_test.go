package parcel

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"testing"
	"time"

	"filippo.io/age"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// TestSuite carries parcels to a hub and back, whenever one is left.
func TestSuite(t *testing.T) {
	for name, o := range map[string]struct {
		parts  int64
		sealed bool
	}{"open": {0, false}, "sealed, in parts": {100 << 10, true}} {
		if slow && !o.sealed {
			continue // it is the same with less to do
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Suite(t, func(t *testing.T, hub *synctest.Book) synctest.Dial {
				dirs := map[journal.ID]string{} // a stick each
				key := sealKey(t)
				to := ""
				if o.sealed {
					to = key.Recipient().String()
				}
				host := &exchange.Host{Book: hub, Signer: hub.Signer(), Now: hub.Now}
				rights := map[journal.ID]exchange.Reader{}
				guest := func(id journal.Identity) (Guest, error) { return Guest{rights[id.Device], to}, nil }
				return func(device *synctest.Book, who exchange.Reader) exchange.Peer {
					self := device.Identity()
					rights[self.Device] = who
					if dirs[self.Device] == "" {
						dirs[self.Device] = t.TempDir()
					}
					dir := dirs[self.Device]
					s := &Stick{
						Dir: dir, To: hub.Identity(), Self: self, Signer: device.Signer(), Now: device.Now,
						Keys: []age.Identity{key}, Options: Options{Seal: to, PartSize: o.parts, noSync: true},
						Carry: func(ctx context.Context) error {
							visited, err := Visit(ctx, dir, host, guest, []age.Identity{key}, Options{PartSize: o.parts, noSync: true})
							for _, v := range visited {
								// A refusal is in the answer; what else is wrong ends here.
								if v.Device == self.Device && v.Answer.Files == nil {
									err = v.Err
								}
							}
							return err
						},
					}
					t.Cleanup(func() {
						if err := s.Close(); err != nil {
							t.Error(err)
						}
					})
					return s
				}
			})
		})
	}
}

// A yard is a hub, and devices that reach it by a stick only.
type yard struct {
	*testing.T
	dir     string
	hub     *synctest.Book
	guests  map[journal.ID]Guest
	clock   time.Time
	devices uint64
}

func newYard(t *testing.T) *yard {
	y := &yard{T: t, dir: t.TempDir(), guests: map[journal.ID]Guest{}, clock: now}
	y.hub = synctest.NewBook(1, y.tick)
	return y
}

func (y *yard) tick() time.Time {
	y.clock = y.clock.Add(time.Minute)
	return y.clock
}

// device makes a device with some pages, and its stick.
func (y *yard) device(pages int) (*synctest.Book, *Stick) {
	y.Helper()
	y.devices++
	b := synctest.NewBook(100+y.devices, y.tick)
	y.write(b, pages)
	self := b.Identity()
	y.guests[self.Device] = Guest{Reader: exchange.Reader{Identity: self, All: true}}
	s := &Stick{Dir: y.dir, To: y.hub.Identity(), Self: self, Signer: b.Signer(), Now: y.tick, Options: Options{noSync: true}}
	y.Cleanup(func() {
		if err := s.Close(); err != nil {
			y.Error(err)
		}
	})
	return b, s
}

func (y *yard) write(b *synctest.Book, pages int) {
	y.Helper()
	for i := range pages {
		if _, err := b.Append(synctest.Draft{Job: journal.ID{7}, Payload: fmt.Appendf(nil, "page %d at %s", i, y.tick())}); err != nil {
			y.Fatal(err)
		}
	}
}

// visit does the hub's half, and returns what came of each device's parcel.
func (y *yard) visit() map[journal.ID]Visited {
	y.Helper()
	host := &exchange.Host{Book: y.hub, Signer: y.hub.Signer(), Now: y.tick}
	all, err := Visit(y.Context(), y.dir, host, func(id journal.Identity) (Guest, error) {
		g, ok := y.guests[id.Device]
		if !ok || !g.Reader.Identity.Equal(id) {
			return Guest{}, errors.New("not enrolled")
		}
		return g, nil
	}, nil, Options{noSync: true})
	if err != nil {
		y.Fatal(err)
	}
	out := map[journal.ID]Visited{}
	for _, v := range all {
		out[v.Device] = v
	}
	if len(out) != len(all) {
		y.Errorf("%d visits for %d devices", len(all), len(out))
	}
	return out
}

// run syncs by the stick; want is the error, nil for none.
func (y *yard) run(b *synctest.Book, s *Stick, want error) exchange.Outcome {
	y.Helper()
	out, err := exchange.Run(y.Context(), b, s, exchange.Progress{})
	if !errors.Is(err, want) {
		y.Fatalf("%+v, %v; want %v", out, err, want)
	}
	return out
}

func (y *yard) confirmed(b *synctest.Book, want uint64) {
	y.Helper()
	r, ok, err := exchange.Confirmed(b, y.hub.Identity())
	if err != nil || ok != (want > 0) || r.Head.Seq != want {
		y.Errorf("confirmed up to page %d, %t, %v; want %d", r.Head.Seq, ok, err, want)
	}
}

// counts tells how many pages a book has of each log.
func counts(t testing.TB, b exchange.Book) map[journal.ID]uint64 {
	t.Helper()
	heads, err := b.Heads()
	if err != nil {
		t.Fatal(err)
	}
	out := map[journal.ID]uint64{}
	for id, h := range heads {
		out[id] = h.Seq
	}
	return out
}

// TestStick goes back and forth, as people do.
func TestStick(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	a, sa := y.device(3)
	b, sb := y.device(2)
	ida, idb := sa.Self.Device, sb.Self.Device
	y.run(a, sa, ErrNoAnswer)
	y.run(a, sa, ErrNoAnswer) // nobody was there
	y.run(b, sb, ErrNoAnswer)
	y.confirmed(a, 0)
	v := y.visit()
	if len(v) != 2 || v[ida].Err != nil || v[idb].Err != nil || v[ida].Request.Pages() != 3 {
		t.Errorf("visited %+v", v)
	}
	y.visit() // twice is once, but that each now gets the other's
	y.write(a, 2)
	if out := y.run(a, sa, nil); out.Sent != 3 || out.Received != 2 {
		t.Errorf("a: %+v", out)
	}
	y.confirmed(a, 3)
	if out := y.run(b, sb, nil); out.Sent != 2 || out.Received != 3 {
		t.Errorf("b: %+v", out)
	}
	// The first parcel of a's next way has all five, as there was no receipt
	// when it was written; then it goes on from there.
	y.visit()
	y.run(a, sa, nil)
	y.confirmed(a, 5)
	y.write(a, 1)
	y.run(a, sa, nil)
	if v := y.visit(); v[ida].Request.Pages() != 1 || v[ida].Err != nil {
		t.Errorf("visited %+v", v)
	}
	y.run(a, sa, nil)
	y.confirmed(a, 6)
	y.run(b, sb, nil)
	y.visit()
	y.run(b, sb, nil)
	want := map[journal.ID]uint64{ida: 6, idb: 2, y.hub.Identity().Device: 0}
	if got := counts(t, y.hub); !maps.Equal(got, want) {
		t.Errorf("the hub has %v, want %v", got, want)
	}
	for _, book := range []*synctest.Book{a, b} {
		if got := counts(t, book); got[ida] != 6 || got[idb] != 2 {
			t.Errorf("a device has %v, want %v", got, want)
		}
	}
	// What is there is one parcel each way; what was replaced is gone.
	if left, err := os.ReadDir(y.dir); err != nil || len(left) != 4 {
		t.Errorf("in the folder: %v, %v", left, err)
	}
}

// A hub that was restored from a backup says by the stick what it lacks, and
// that is not taken for its last word when it has the pages again.
func TestStickRestored(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	a, s := y.device(2)
	sync := func() {
		y.run(a, s, ErrNoAnswer)
		y.visit()
		y.run(a, s, nil)
	}
	sync()
	old := y.hub.Backup()
	y.write(a, 2)
	y.run(a, s, nil) // an answer is there, of before
	y.visit()
	y.run(a, s, nil)
	y.confirmed(a, 4)
	y.hub.Restore(old)
	y.write(a, 1)
	y.run(a, s, nil) // nobody knows yet
	if v := y.visit()[s.Self.Device]; !errors.Is(v.Err, journal.ErrGap) || v.Answer.Files == nil {
		t.Errorf("visited %+v", v)
	}
	y.run(a, s, ErrNoAnswer) // it learns, and leaves pages from 3 on
	y.run(a, s, ErrNoAnswer)
	y.confirmed(a, 4)
	if v := y.visit()[s.Self.Device]; v.Err != nil || v.Request.Logs[0].Base.Seq != 2 {
		t.Errorf("visited %+v", v)
	}
	y.run(a, s, nil)
	y.confirmed(a, 5)
	if got := counts(t, y.hub)[s.Self.Device]; got != 5 {
		t.Errorf("the hub has %d pages, want 5", got)
	}
}

// A device that is restored gets its own pages back from what the hub answers
// to what it has.
func TestStickOwn(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	a, s := y.device(2)
	old := a.Backup()
	y.write(a, 3)
	y.run(a, s, ErrNoAnswer)
	y.visit()
	y.run(a, s, nil)
	a.Restore(old)
	// The answer that lies there is to five pages, and does not have them.
	y.run(a, s, journal.ErrGap)
	y.visit()
	if out := y.run(a, s, nil); out.Own != 3 {
		t.Errorf("%+v", out)
	}
	y.confirmed(a, 5)
}

// A device that is restored, and then gets its own pages as hashes from a
// colleague who may not read them, gets them back in full from what the hub
// answers: to a parcel of all that is not confirmed, or to one of everything.
func TestStickOwnHashes(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	a, s := y.device(2)
	self := s.Self.Device
	sync := func() exchange.Outcome {
		y.run(a, s, ErrNoAnswer)
		y.visit()
		return y.run(a, s, nil)
	}
	sync()
	old := a.Backup()
	y.write(a, 3)
	y.run(a, s, nil)
	y.visit()
	y.run(a, s, nil)
	y.confirmed(a, 5)
	whole := func() (out string) {
		for r, err := range a.Scan(self, 1) {
			if err != nil {
				t.Fatal(err)
			}
			if out += "1"; r.Page == nil {
				out = out[:len(out)-1] + "-"
			}
		}
		return out
	}
	restored := func() {
		t.Helper()
		a.Restore(old)
		// Of the colleague's parcel, what is a's own.
		for b, err := range exchange.Batches(y.hub, s.Self, 3, exchange.Reader{}) {
			if err != nil {
				t.Fatal(err)
			}
			if _, err := a.Ingest(b.Identity, b.Records, b.Head); err != nil {
				t.Fatal(err)
			}
		}
		if got := whole(); got != "11---" {
			t.Fatalf("in full are %q", got)
		}
	}
	restored()
	y.run(a, s, nil) // the answer that lies there was to another parcel
	if got := whole(); got != "11---" {
		t.Errorf("in full are %q before the hub has answered", got)
	}
	y.visit()
	if out := y.run(a, s, nil); out.Own != 3 || whole() != "11111" {
		t.Errorf("%d own pages came back, in full are %q", out.Own, whole())
	}
	y.confirmed(a, 5)
	y.run(a, s, nil)
	if v := y.visit()[self]; v.Err != nil || v.Request.Pages() > 0 || v.Answer.Pages() > 0 {
		t.Errorf("%d pages in a parcel when nothing is new, %d in the answer, %v", v.Request.Pages(), v.Answer.Pages(), v.Err)
	}

	// By parcel write and parcel read, each file carried by hand.
	host := &exchange.Host{Book: y.hub, Signer: y.hub.Signer(), Now: y.tick}
	for name, from := range map[string]map[journal.ID]uint64{"what is not confirmed": {self: 3}, "everything": nil} {
		restored()
		w, err := Write(t.Context(), filepath.Join(t.TempDir(), "x"), a, a.Signer(), y.tick(), Contents{Own: true, From: from}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		p, err := Open(t.Context(), w.Files, ReadOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		for _, request := range []*Parcel{p, nil} {
			restored()
			answer, err := Answer(t.Context(), filepath.Join(t.TempDir(), "x"), host, y.guests[self].Reader, request, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := read(a, ReadOptions{Hub: &s.To, Accept: From(s.To)}, answer.Files...); err != nil || whole() != "11111" {
				t.Errorf("%s, with a request %v: in full are %q, %v", name, request != nil, whole(), err)
			}
			y.confirmed(a, 5)
		}
	}

	// What the hub has not either is not worth an answer.
	if _, err := y.hub.Forget(journal.ID{7}); err != nil {
		t.Fatal(err)
	}
	a.Restore(old)
	if _, err := a.Forget(journal.ID{7}); err != nil {
		t.Fatal(err)
	}
	w, err := Write(t.Context(), filepath.Join(t.TempDir(), "x"), a, a.Signer(), y.tick(), Contents{Own: true}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := Open(t.Context(), w.Files, ReadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	answer, err := Answer(t.Context(), filepath.Join(t.TempDir(), "x"), host, y.guests[self].Reader, p, Options{})
	if err != nil || answer.Logs[0].Base.Device != self || answer.Logs[0].Base.Seq != 2 || answer.Logs[0].To != 5 {
		t.Errorf("%+v, %v; want what lies past the request", answer.Logs, err)
	}
}

// A hub whose book is damaged answers nothing, and does not say that it was the
// device's log.
func TestAnswerDamaged(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	a, s := y.device(2)
	hub := damagedBook{y.hub}
	host := &exchange.Host{Book: hub, Signer: y.hub.Signer(), Now: y.tick}
	w, err := Write(t.Context(), filepath.Join(t.TempDir(), "x"), a, a.Signer(), y.tick(), Contents{Own: true}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := Open(t.Context(), w.Files, ReadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	got, err := Answer(t.Context(), filepath.Join(t.TempDir(), "x"), host, y.guests[s.Self.Device].Reader, p, Options{})
	if !errors.Is(err, exchange.ErrDamaged) || !errors.Is(err, journal.ErrDamaged) || got.Files != nil {
		t.Errorf("%v in %q, want no answer, and to be told of the damage", err, got.Files)
	}
}

// damagedBook finds that its own bytes are not those that were written.
type damagedBook struct{ *synctest.Book }

func (damagedBook) Ingest(id journal.Identity, records []journal.Record, _ journal.SignedHead) (journal.Taken, error) {
	return journal.Taken{}, &journal.BreakError{Device: id.Device, Seq: records[0].Seq, Err: fmt.Errorf("%w: %w", journal.ErrDamaged, journal.ErrBroken)}
}

// Not everyone is answered, and a refusal is an answer.
func TestVisitRefused(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	good, sg := y.device(1)
	stranger, ss := y.device(2)
	forked, sf := y.device(2)
	y.run(forked, sf, ErrNoAnswer)
	y.visit()
	y.run(forked, sf, nil)
	old := forked.Backup()
	y.write(forked, 1)
	y.run(forked, sf, nil)
	y.visit()
	forked.Restore(old)
	y.write(forked, 1)
	y.run(forked, sf, journal.ErrFork) // the answer shows it
	y.run(good, sg, ErrNoAnswer)
	y.run(stranger, ss, ErrNoAnswer)
	delete(y.guests, ss.Self.Device)
	mustWrite(t, stickName(y.dir, journal.ID{1}, y.hub.Identity().Device)+".parcel", []byte("a letter"))
	v := y.visit()
	for name, tc := range map[string]struct {
		device journal.ID
		want   error
		answer bool
	}{
		"good": {sg.Self.Device, nil, true}, "stranger": {ss.Self.Device, ErrForeign, false},
		"forked": {sf.Self.Device, journal.ErrFork, true}, "letter": {journal.ID{1}, ErrNotParcel, false},
	} {
		got := v[tc.device]
		if !errors.Is(got.Err, tc.want) || (got.Answer.Files != nil) != tc.answer {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := counts(t, y.hub); got[ss.Self.Device] != 0 || got[sf.Self.Device] != 3 {
		t.Errorf("the hub has %v", got)
	}
	y.run(stranger, ss, ErrNoAnswer)
	y.run(forked, sf, journal.ErrFork)
	// Somebody puts one device's parcel in another's place.
	from, to := stickName(y.dir, sg.Self.Device, sg.To.Device)+".parcel", stickName(y.dir, sf.Self.Device, sg.To.Device)+".parcel"
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
	if v := y.visit()[sf.Self.Device]; !errors.Is(v.Err, ErrForeign) {
		t.Errorf("another's parcel: %+v", v)
	}
	// So with one that has no pages in it.
	y.visit()
	y.run(good, sg, nil)
	y.run(good, sg, nil)
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
	if v := y.visit()[sf.Self.Device]; !errors.Is(v.Err, ErrForeign) || v.Request.Pages() > 0 {
		t.Errorf("another's parcel without pages: %+v", v)
	}
	// And an answer to one in place of that to another.
	from, to = stickName(y.dir, sg.To.Device, sg.Self.Device)+".parcel", stickName(y.dir, sg.To.Device, ss.Self.Device)+".parcel"
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
	y.run(stranger, ss, ErrForeign)
}

// Read takes in an answer like any parcel; and the hub's word, if it is the
// hub's.
func TestReadAnswer(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	a, s := y.device(2)
	b, sb := y.device(3)
	y.run(b, sb, ErrNoAnswer)
	y.run(a, s, ErrNoAnswer)
	forgotten := journal.ID{8}
	for _, book := range []*synctest.Book{a, y.hub} {
		if _, err := book.Append(synctest.Draft{Job: forgotten, Payload: []byte("the client's address")}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := y.hub.Forget(forgotten); err != nil {
		t.Fatal(err)
	}
	y.visit()
	y.visit()
	answer, err := Files(stickName(y.dir, s.To.Device, s.Self.Device))
	if err != nil {
		t.Fatal(err)
	}
	hub := s.To
	p, err := Inspect(answer[0])
	if err != nil || p.Manifest.For != s.Self.Device || !p.Manifest.Writer.Equal(hub) {
		t.Errorf("%+v, %v", p, err)
	}
	// Without a hub, or for another device, only the pages.
	for _, o := range []ReadOptions{{}, {Hub: &sb.Self}} {
		if out, err := read(a, o, answer...); err != nil || out.Answer != nil {
			t.Errorf("%+v, %v", out, err)
		}
	}
	y.confirmed(a, 0)
	if out, err := read(b, ReadOptions{Hub: &hub}, answer...); err != nil || out.Answer != nil {
		t.Errorf("%+v, %v", out, err)
	}
	out, err := read(a, ReadOptions{Hub: &hub}, answer...)
	if err != nil || out.Answer == nil || out.Answer.Forgot != 1 || out.Known == 0 {
		t.Errorf("%+v, %v", out, err)
	}
	y.confirmed(a, 2)
	if got := counts(t, a); got[sb.Self.Device] != 3 {
		t.Errorf("held: %v", got)
	}
	// A hub's answer without a parcel to answer: what it has, and how far.
	host := &exchange.Host{Book: y.hub, Signer: y.hub.Signer(), Now: y.tick}
	c := synctest.NewBook(200, y.tick)
	w, err := Answer(t.Context(), filepath.Join(t.TempDir(), "x"), host, exchange.Reader{Identity: c.Identity(), All: true}, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if out, err := read(c, ReadOptions{Hub: &hub, Accept: From(hub)}, w.Files...); err != nil || out.Added != 6 || out.Answer.Receipt.Head != c.Identity().Head().Head {
		t.Errorf("%+v, %v", out, err)
	}
	// Not everything can be answered.
	crowd, err := Write(t.Context(), filepath.Join(t.TempDir(), "x"), a, a.Signer(), now, all, Options{})
	if err != nil {
		t.Fatal(err)
	}
	many, err := Open(t.Context(), crowd.Files, ReadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer many.Close()
	if _, err := Answer(t.Context(), filepath.Join(t.TempDir(), "x"), host, y.guests[s.Self.Device].Reader, many, Options{}); !errors.Is(err, ErrForeign) {
		t.Errorf("answering a parcel of several logs: %v", err)
	}
	// A hub in trouble of its own answers nothing.
	y.hub.Disk().Full(0)
	y.write(a, 1)
	y.run(a, s, nil)
	before := contents(t, answer)
	if v := y.visit()[s.Self.Device]; !errors.Is(v.Err, synctest.ErrFull) || v.Answer.Files != nil {
		t.Errorf("%+v", v)
	}
	if !bytes.Equal(contents(t, answer)[0], before[0]) {
		t.Error("the answer that was there has changed")
	}
}
