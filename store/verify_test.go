package store

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
)

// A fake is a device that signs what it is told to, forks and all.
type fake struct {
	t     *testing.T
	id    journal.Identity
	key   ed25519.PrivateKey
	heads []journal.Head // heads[n] after page n
	pages []journal.Record
}

func newFake(t *testing.T, n byte) *fake {
	t.Helper()
	key := ed25519.NewKeyFromSeed(slices.Repeat([]byte{n}, ed25519.SeedSize))
	id, err := journal.NewIdentity(journal.ID{n}, key)
	if err != nil {
		t.Fatal(err)
	}
	return &fake{t: t, id: id, key: key, heads: []journal.Head{id.Head().Head}}
}

// write adds pages of no job, one for each payload.
func (f *fake) write(payloads ...string) *fake {
	f.t.Helper()
	for _, p := range payloads {
		seq := uint64(len(f.pages) + 1)
		b, err := journal.Page{Device: f.id.Device, Seq: seq, Time: time.UnixMilli(int64(1000 + seq)), Payload: []byte(p)}.Encode()
		if err != nil {
			f.t.Fatal(err)
		}
		r := journal.NewRecord(seq, b)
		at := f.heads[len(f.heads)-1]
		f.pages = append(f.pages, r)
		f.heads = append(f.heads, journal.Head{Device: f.id.Device, Seq: seq, Hash: journal.Next(at.Hash, r.Hash)})
	}
	return f
}

// fork is another log of the same device, alike up to page n.
func (f *fake) fork(n int) *fake {
	return &fake{f.t, f.id, f.key, slices.Clone(f.heads[:n+1]), slices.Clone(f.pages[:n])}
}

// commit is what the device signs after page last, with the pages after first.
func (f *fake) commit(first, last int) commit {
	f.t.Helper()
	h, err := journal.Sign(f.heads[last], f.key)
	if err != nil {
		f.t.Fatal(err)
	}
	c := commit{Prev: f.heads[first].Hash, Head: h}
	for _, r := range f.pages[first:last] {
		c.Hashes = append(c.Hashes, r.Hash)
	}
	return c
}

func (f *fake) entry(seq int) entry {
	return entry{device: f.id.Device, Record: f.pages[seq-1]}
}

// put writes commits of two pages each, with their pages, up to page last.
func (f *fake) put(l *ledger, last int) error {
	err := l.putIdentity(f.id)
	for at := 0; at < last; at += 2 {
		err = errors.Join(err, l.putCommit(f.commit(at, at+2)), l.putEntry(f.entry(at+1)), l.putEntry(f.entry(at+2)))
	}
	return err
}

// emptyBook is an open book with a clock and random bytes of its own.
func emptyBook(t *testing.T) *Store {
	t.Helper()
	now := int64(1_645_557_742_000)
	s, err := Create(filepath.Join(t.TempDir(), "book"), Options{
		Now:  func() time.Time { now += 1000; return time.UnixMilli(now) },
		Rand: rand.NewChaCha8([32]byte{1}),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// gapFrom is the note that pages are lost with their hashes.
func gapFrom(f *fake, from, to uint64) entry {
	return entry{device: f.id.Device, Record: journal.Record{Seq: from}, gapTo: to}
}

// Each way in which a log can be other than what was signed is told, by Verify,
// and by nothing else but that: every structure and every checksum holds.
func TestVerifyTells(t *testing.T) {
	t.Parallel()
	f := newFake(t, 7).write("1", "2", "3", "4", "5", "6", "7", "8")
	other := newFake(t, 8).write("1", "2")
	fork := f.fork(3).write("other 4", "other 5", "other 6")
	of := func(seq int) []byte { return key(f.id.Device, uint64(seq)) }
	drop := func(l *ledger, pages, heads []int) (err error) {
		for _, seq := range pages {
			err = errors.Join(err, l.page.Delete(of(seq)))
		}
		for _, seq := range heads {
			err = errors.Join(err, l.head.Delete(of(seq)))
		}
		return err
	}
	identityOf := func(f *fake) []byte {
		b, err := f.id.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return frame(kindDevice, b)
	}
	newer, err := journal.Marshal([]any{2, f.id.Device, 7, "what comes"})
	if err != nil {
		t.Fatal(err)
	}
	beyond := fork.entry(4)
	beyond.Record.Seq = 9
	for _, tc := range []struct {
		name string
		harm func(l *ledger) error
		want []string // what the problems say, in order; none for a log that is sound
	}{
		{"nothing", func(*ledger) error { return nil }, nil},
		// Each commit is signed and leads where it says; the pages are the ones
		// listed. Only that they do not follow on each other tells.
		{"the signed heads of two forks, one after the other", func(l *ledger) error {
			return errors.Join(drop(l, []int{7, 8}, []int{8}), l.putCommit(fork.commit(4, 6)), l.putEntry(fork.entry(5)), l.putEntry(fork.entry(6)))
		}, []string{"breaks at page 5: the chain is broken: the signed heads 4 and 6 do not join"}},
		{"a commit cut out of the middle, with its pages", func(l *ledger) error {
			return drop(l, []int{3, 4}, []int{4})
		}, []string{"page 3: the chain is broken: the signed heads 2 and 6 do not join"}},
		{"the first commit cut out, with its pages", func(l *ledger) error {
			return drop(l, []int{1, 2}, []int{2})
		}, []string{"page 1: the chain is broken: the signed heads 0 and 4 do not join"}},
		{"two commits that overlap", func(l *ledger) error {
			return errors.Join(drop(l, nil, []int{4}), l.putCommit(f.commit(1, 4)))
		}, []string{"page 3: the chain is broken: the signed heads 2 and 4 do not join", "page 2: the chain is broken: the page is missing"}},
		{"a commit cut out, its pages left", func(l *ledger) error {
			return drop(l, nil, []int{4})
		}, []string{"the signed heads 2 and 6 do not join", "page 3: the chain is broken: no signed head vouches for this page", "page 4: the chain is broken: no signed"}},
		{"the last commit cut out, its pages left", func(l *ledger) error {
			return drop(l, nil, []int{8})
		}, []string{"page 7: the chain is broken: no signed head vouches for this page", "page 8: the chain is broken: no signed"}},
		{"a page after the last signed head", func(l *ledger) error {
			return l.page.Put(of(9), frame(kindWithheld, of(9), make([]byte, 32)))
		}, []string{"page 9: the chain is broken: no signed head vouches for this page"}},
		{"a page missing", func(l *ledger) error {
			return drop(l, []int{5}, nil)
		}, []string{"page 5: the chain is broken: the page is missing"}},
		{"the last page missing", func(l *ledger) error {
			return drop(l, []int{8}, nil)
		}, []string{"page 8: the chain is broken: the page is missing"}},
		{"a page of the other fork", func(l *ledger) error {
			return l.putEntry(fork.entry(5))
		}, []string{"page 5: the chain is broken: the page is not the signed one"}},
		{"the hash of a page of the other fork", func(l *ledger) error {
			e := fork.entry(5)
			e.Page = nil
			return l.putEntry(e)
		}, []string{"page 5: the chain is broken: the page is not the signed one"}},
		{"a page under another's number", func(l *ledger) error {
			return l.page.Put(of(5), f.entry(6).encode())
		}, []string{"page 5: damaged: page 6 of " + f.id.Device.String() + " is kept in its place"}},
		{"a head under another's number", func(l *ledger) error {
			b, err := f.commit(2, 4).encode(kindCommit)
			return errors.Join(err, drop(l, nil, []int{4}), l.head.Put(of(3), b))
		}, []string{"head 4 of " + f.id.Device.String() + " is kept as head 3 of", "the signed heads 2 and 6 do not join", "page 3: ", "page 4: "}},
		{"a head whose signature is another's", func(l *ledger) error {
			c := f.commit(6, 8)
			c.Head.Signature[5] ^= 1
			return l.putCommit(c)
		}, []string{"the signature does not match", "page 7: the chain is broken: no signed", "page 8: the chain is broken: no signed"}},
		{"a signed head of which the hashes do not lead to it", func(l *ledger) error {
			c := f.commit(6, 8)
			c.Hashes[0][0] ^= 1
			return l.putCommit(c)
		}, []string{"the pages do not lead to the signed head", "page 7: ", "page 8: "}},

		// A gap is taken just where the commits leave one.
		{"pages noted as lost", func(l *ledger) error {
			t := tally{{f.id.Device, journal.ID{}}: 6}
			return errors.Join(drop(l, []int{3, 4}, []int{4}), l.putEntry(gapFrom(f, 3, 4)), l.writeTally(t))
		}, nil},
		{"fewer noted as lost than are", func(l *ledger) error {
			return errors.Join(drop(l, []int{3, 4}, []int{4}), l.putEntry(gapFrom(f, 3, 3)))
		}, []string{"page 3: the chain is broken: the signed heads 2 and 6 do not join", "page 3: the chain is broken: no signed"}},
		{"more noted as lost than are", func(l *ledger) error {
			return errors.Join(drop(l, []int{3, 4}, []int{4}), l.putEntry(gapFrom(f, 3, 5)))
		}, []string{"page 3: the chain is broken: the signed heads 2 and 6 do not join", "page 3: the chain is broken: no signed"}},
		{"lost pages noted from another place", func(l *ledger) error {
			return errors.Join(drop(l, []int{3, 4}, []int{4}), l.putEntry(gapFrom(f, 4, 4)))
		}, []string{"page 3: the chain is broken: the signed heads 2 and 6 do not join", "page 4: the chain is broken: no signed"}},
		{"lost pages noted in a frame that does not hold", func(l *ledger) error {
			b := gapFrom(f, 3, 4).encode()
			b[len(b)-1] ^= 1
			return errors.Join(drop(l, []int{3, 4}, []int{4}), l.page.Put(of(3), b))
		}, []string{"page 3: the chain is broken: the signed heads 2 and 6 do not join", "page 3: the chain is broken: no signed"}},
		{"a page noted as lost that is signed", func(l *ledger) error {
			return l.putEntry(gapFrom(f, 5, 5))
		}, []string{"page 5: the chain is broken: the page is not the signed one"}},
		{"pages noted as lost after the end", func(l *ledger) error {
			return l.putEntry(gapFrom(f, 9, 12))
		}, []string{"page 9: the chain is broken: no signed head vouches for this page"}},

		// The identity is kept three times.
		{"another identity beside the pages", func(l *ledger) error {
			return l.page.Put(of(0), identityOf(other))
		}, []string{"page 0: the chain is broken: the copies of its identity differ"}},
		{"another identity beside the heads", func(l *ledger) error {
			return l.head.Put(of(0), identityOf(other))
		}, []string{"page 0: the chain is broken: the copies of its identity differ"}},
		{"no identity beside the pages", func(l *ledger) error {
			return drop(l, []int{0}, nil)
		}, []string{"page 0: the chain is broken: the copies of its identity differ"}},
		{"no identity beside the heads", func(l *ledger) error {
			return drop(l, nil, []int{0})
		}, []string{"page 0: the chain is broken: the copies of its identity differ"}},
		{"an identity that is not signed by its key", func(l *ledger) error {
			id := f.id
			id.Signature[5] ^= 1
			return l.putIdentity(id)
		}, []string{"head 0 of " + f.id.Device.String() + ": the signature does not match"}},
		{"no identity among the devices", func(l *ledger) error {
			return l.device.Delete(f.id.Device[:])
		}, []string{"pages of a device that is not known", "pages of a device that is not known"}},
		{"a page of nobody's", func(l *ledger) error {
			return l.putEntry(other.entry(1))
		}, []string{"log of " + other.id.Device.String() + " breaks at page 1: the chain is broken: pages of a device that is not known"}},
		{"a head of nobody's", func(l *ledger) error {
			return l.putCommit(other.commit(0, 2))
		}, []string{"log of " + other.id.Device.String() + " breaks at page 2: the chain is broken: pages of a device that is not known"}},

		{"a page of a newer version", func(l *ledger) error {
			g := f.fork(6)
			r := journal.NewRecord(7, newer)
			g.pages = append(g.pages, r)
			g.heads = append(g.heads, journal.Head{Device: f.id.Device, Seq: 7, Hash: journal.Next(g.heads[6].Hash, r.Hash)})
			t := tally{{f.id.Device, journal.ID{}}: 6, {f.id.Device, journal.Unread}: 1}
			return errors.Join(drop(l, []int{8}, []int{8}), l.putCommit(g.commit(6, 7)), l.putEntry(g.entry(7)), l.writeTally(t))
		}, nil},
		{"evidence that is none", func(l *ledger) error {
			return l.fork.Put([]byte("fork"), frame(kindFork, []byte("junk")))
		}, []string{"evidence of a fork: damaged"}},
		{"evidence in a frame of another kind", func(l *ledger) error {
			b, err := f.commit(6, 8).encode(kindCommit)
			return errors.Join(err, l.fork.Put([]byte("fork"), b))
		}, []string{"evidence of a fork: damaged: a frame of kind 'C' where 'F' is kept"}},
		{"a count too many", func(l *ledger) error {
			return l.addTally(tally{{f.id.Device, journal.ID{}}: 1})
		}, []string{"the count of each job's pages is another"}},
		{"a page counted for another job", func(l *ledger) error {
			return l.writeTally(tally{{f.id.Device, journal.ID{5}}: 8})
		}, []string{"the count of each job's pages is another"}},
		{"pages of a job that is forgotten", func(l *ledger) error {
			return l.putForgotten(journal.ID{})
		}, []string{"are here, which is forgotten"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := emptyBook(t)
			err := s.change(func(l *ledger) error {
				return errors.Join(f.put(l, 8), l.addTally(tally{{f.id.Device, journal.ID{}}: 8}), tc.harm(l))
			})
			if err != nil {
				t.Fatal(err)
			}
			rep, err := s.Verify()
			var got []string
			for _, p := range rep.Problems {
				got = append(got, p.Error())
				if !errors.Is(p, ErrDamaged) && !errors.Is(p, ErrProjection) {
					t.Errorf("%v is neither damage nor a wrong projection", p)
				}
			}
			same := slices.EqualFunc(got, tc.want, strings.Contains)
			if !same || (err == nil) != (len(tc.want) == 0) {
				t.Fatalf("%v; problems\n%s\nwant\n%s", err, strings.Join(got, "\n"), strings.Join(tc.want, "\n"))
			}
			if err != nil && (!errors.Is(err, rep.Problems[0]) || !strings.HasPrefix(err.Error(), fmt.Sprintf("verifying: %s: %d problems, the first: ", s.path, len(got)))) {
				t.Errorf("the error is %v", err)
			}
		})
	}
}

// A device's own log is whole: it has no gaps, and has lost no page. Another's
// may have, and then the report says which and how many.
func TestVerifyCounts(t *testing.T) {
	t.Parallel()
	lose := func(e entry) entry { e.Page, e.lost = nil, true; return e }
	withhold := func(e entry) entry { e.Page = nil; return e }
	f := newFake(t, 7).write("1", "2", "3", "4", "5", "6", "7", "8")
	for _, tc := range []struct {
		name string
		harm func(l *ledger, f *fake) error
		own  string // what is wrong with it when the log is the device's own
		want LogReport
	}{
		{"all there", func(*ledger, *fake) error { return nil }, "", LogReport{Pages: 8, Heads: 4}},
		{"two lost", func(l *ledger, f *fake) error {
			return errors.Join(l.putEntry(lose(f.entry(3))), l.putEntry(lose(f.entry(8))))
		}, "the device's own log has gaps", LogReport{Pages: 6, Lost: 2, Heads: 4}},
		{"one lost", func(l *ledger, f *fake) error { return l.putEntry(lose(f.entry(3))) },
			"the device's own log has gaps", LogReport{Pages: 7, Lost: 1, Heads: 4}},
		{"three withheld", func(l *ledger, f *fake) error {
			return errors.Join(l.putEntry(withhold(f.entry(1))), l.putEntry(withhold(f.entry(2))), l.putEntry(withhold(f.entry(5))))
		}, "", LogReport{Pages: 5, Withheld: 3, Heads: 4}},
		{"two gaps", func(l *ledger, f *fake) error {
			var err error
			for _, seq := range []uint64{1, 2, 5, 6} {
				err = errors.Join(err, l.page.Delete(key(f.id.Device, seq)))
			}
			return errors.Join(err, l.head.Delete(key(f.id.Device, 2)), l.head.Delete(key(f.id.Device, 6)),
				l.putEntry(gapFrom(f, 1, 2)), l.putEntry(gapFrom(f, 5, 6)))
		}, "the device's own log has gaps", LogReport{Pages: 4, Gaps: []Range{{1, 2}, {5, 6}}, Heads: 2}},
	} {
		for _, own := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, own %t", tc.name, own), func(t *testing.T) {
				s := emptyBook(t)
				log, device := f, f.id.Device
				if own { // the same, signed by the book's own key
					log = &fake{t: t, id: s.self, key: s.key, heads: []journal.Head{s.self.Head().Head}}
					log.write("1", "2", "3", "4", "5", "6", "7", "8")
					device = s.self.Device
				}
				err := s.change(func(l *ledger) error {
					err := errors.Join(log.put(l, 8), tc.harm(l, log))
					t, counted := l.recount()
					return errors.Join(err, counted, l.writeTally(t))
				})
				if err != nil {
					t.Fatal(err)
				}
				rep, err := s.Verify()
				if says := tc.own; !own || says == "" {
					if err != nil {
						t.Errorf("%v; want nothing wrong", err)
					}
				} else if err == nil || !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), says) || len(rep.Problems) != 1 {
					t.Errorf("%v; want %q alone", err, says)
				}
				i := slices.IndexFunc(rep.Logs, func(l LogReport) bool { return l.Device == device })
				if i < 0 {
					t.Fatalf("no report of %s in %+v", device, rep)
				}
				want := tc.want
				want.Device, want.Own, want.Head = device, own, log.commit(6, 8).Head
				if d := cmp.Diff(want, rep.Logs[i]); d != "" {
					t.Errorf("the report (-want +got)\n%s", d)
				}
			})
		}
	}
}

// What is thoroughly damaged is told a hundred times, and no more.
func TestVerifyTellsEnough(t *testing.T) {
	t.Parallel()
	s := emptyBook(t)
	err := s.change(func(l *ledger) error {
		var err error
		for i := range byte(101) {
			err = errors.Join(err, l.page.Put(key(journal.ID{1, i}, math.MaxUint64), []byte("junk")))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	rep, err := s.Verify()
	if len(rep.Problems) != 100 || err == nil || !strings.Contains(err.Error(), "100 problems, the first: ") {
		t.Errorf("%d problems, %v; want 100", len(rep.Problems), err)
	}
}
