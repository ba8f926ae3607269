package store_test

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"errors"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	bolt "go.etcd.io/bbolt"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

// edit changes a closed file by way of bbolt.
func edit(t *testing.T, path string, do func(*bolt.Tx) error) {
	t.Helper()
	db, err := bolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(do), db.Close()); err != nil {
		t.Fatal(err)
	}
}

// A file of a program that knew no margin, no tally and no forgotten jobs.
func TestOldFile(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	writeJobs(t, s)
	want, err := s.Jobs()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	edit(t, s.Path(), func(tx *bolt.Tx) error {
		return errors.Join(
			tx.DeleteBucket([]byte("margin")), tx.DeleteBucket([]byte("tally")), tx.DeleteBucket([]byte("forgotten")),
			tx.Bucket([]byte("meta")).Delete([]byte("layout")))
	})
	old, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	check := func(s *store.Store) {
		t.Helper()
		if got, err := s.Jobs(); err != nil || !cmp.Equal(got, want) {
			t.Errorf("jobs %v, %v; want %v", got, err, want)
		}
		if notes, err := s.Margin(""); err != nil || len(notes) != 0 {
			t.Errorf("margin %v, %v", notes, err)
		}
		if gone, err := s.Forgotten(); err != nil || len(gone) != 0 {
			t.Errorf("forgotten %v, %v", gone, err)
		}
		if _, err := s.Verify(); err != nil {
			t.Error(err)
		}
	}
	look := o
	look.ReadOnly = true
	r, err := store.Open(s.Path(), look)
	if err != nil {
		t.Fatal(err)
	}
	check(r)
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if now, err := os.ReadFile(s.Path()); err != nil || !bytes.Equal(now, old) {
		t.Errorf("looking changed the file, %v", err)
	}
	s, err = store.Open(s.Path(), o)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, s)
	check(s)
	if err := s.SetMargin(map[string][]byte{"a": {1}}); err != nil {
		t.Error(err)
	}
	if _, err := s.Append(store.Draft{Job: keptJob}); err != nil {
		t.Error(err)
	}
	if n, err := s.Forget(goneJob); err != nil || n == 0 {
		t.Errorf("forgot %d pages, %v", n, err)
	}
	s = reopen(t, s, o)
	if notes, err := s.Margin(""); err != nil || len(notes) != 1 {
		t.Errorf("margin %v, %v", notes, err)
	}
}

// What is kept beside the logs is noticed when it is not what it was.
func TestBesideDamaged(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	frame := func(tx *bolt.Tx, bucket string) (b *bolt.Bucket, k, v []byte) {
		b = tx.Bucket([]byte(bucket))
		k, v = b.Cursor().First()
		return b, bytes.Clone(k), bytes.Clone(v)
	}
	for name, tc := range map[string]struct {
		harm func(*bolt.Tx) error
		want error
	}{
		"no margin":         {func(tx *bolt.Tx) error { return tx.DeleteBucket([]byte("margin")) }, store.ErrDamaged},
		"no tally":          {func(tx *bolt.Tx) error { return tx.DeleteBucket([]byte("tally")) }, store.ErrDamaged},
		"no forgotten jobs": {func(tx *bolt.Tx) error { return tx.DeleteBucket([]byte("forgotten")) }, store.ErrDamaged},
		"a flipped note": {func(tx *bolt.Tx) error {
			b, k, v := frame(tx, "margin")
			v[len(v)-1] ^= 1
			return b.Put(k, v)
		}, store.ErrDamaged},
		"a note of another name": {func(tx *bolt.Tx) error {
			b, _, v := frame(tx, "margin")
			return b.Put([]byte("other"), v)
		}, store.ErrDamaged},
		"a flipped count": {func(tx *bolt.Tx) error {
			b, k, v := frame(tx, "tally")
			v[len(v)-1] ^= 1
			return b.Put(k, v)
		}, store.ErrDamaged},
		"a count of another job": {func(tx *bolt.Tx) error {
			b, k, v := frame(tx, "tally")
			k[20] ^= 1
			return b.Put(k, v)
		}, store.ErrDamaged},
		"a count too few": {func(tx *bolt.Tx) error {
			b, k, _ := frame(tx, "tally")
			return b.Delete(k)
		}, store.ErrProjection},
		"a flipped forgotten job": {func(tx *bolt.Tx) error {
			b, k, v := frame(tx, "forgotten")
			v[len(v)-1] ^= 1
			return b.Put(k, v)
		}, store.ErrDamaged},
		"another forgotten job": {func(tx *bolt.Tx) error {
			b, k, v := frame(tx, "forgotten")
			k[3] ^= 1
			return b.Put(k, v)
		}, store.ErrDamaged},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := store.Create(filepath.Join(t.TempDir(), "book"), o)
			if err != nil {
				t.Fatal(err)
			}
			writeJobs(t, s)
			if _, err := s.Forget(goneJob); err != nil {
				t.Fatal(err)
			}
			// Looked at, so that opening it does not make anything again.
			err = errors.Join(s.View(func(store.KV) error { return nil }),
				s.SetMargin(map[string][]byte{"a note": []byte("says")}), s.Close())
			if err != nil {
				t.Fatal(err)
			}
			edit(t, s.Path(), tc.harm)
			s, err = store.Open(s.Path(), o)
			if err == nil {
				_, err = s.Verify()
				if e := s.Close(); e != nil {
					t.Error(e)
				}
			}
			if !errors.Is(err, tc.want) {
				t.Errorf("%v, want %v", err, tc.want)
			}
		})
	}
}

// Rebuild mends a count that is wrong.
func TestRebuildTally(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	s := storetest.New(t, o)
	writeJobs(t, s)
	want, err := s.Jobs()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	edit(t, s.Path(), func(tx *bolt.Tx) error {
		k, _ := tx.Bucket([]byte("tally")).Cursor().First()
		return tx.Bucket([]byte("tally")).Delete(bytes.Clone(k))
	})
	if s, err = store.Open(s.Path(), o); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, s)
	if err := s.Rebuild(); err != nil {
		t.Fatal(err)
	}
	if got, err := s.Jobs(); err != nil || !cmp.Equal(got, want) {
		t.Errorf("jobs %v, %v; want %v", got, err, want)
	}
}

func TestSigner(t *testing.T) {
	t.Parallel()
	s := storetest.New(t, storetest.Options(t))
	signer := s.Signer()
	key, ok := signer.Public().(ed25519.PublicKey)
	if !ok || !key.Equal(s.Identity().Key) {
		t.Fatalf("public key %v", signer.Public())
	}
	msg := []byte("pinchrod receipt v1\x00 and so on")
	sig, err := signer.Sign(rand.Reader, msg, crypto.Hash(0))
	if err != nil || !ed25519.Verify(key, msg, sig) {
		t.Errorf("signature %x, %v", sig, err)
	}
	// A certificate, as TLS needs one.
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1)}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key, signer)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	if err := cert.CheckSignature(cert.SignatureAlgorithm, cert.RawTBSCertificate, cert.Signature); err != nil {
		t.Error(err)
	}
	// A head it does not sign: not as package journal's comment has it.
	h := s.Identity().Head().Head
	h.Seq, h.Hash = 1, sha256.Sum256(nil)
	b, err := journal.Marshal([]any{1, h.Device, h.Seq, h.Hash})
	if err != nil {
		t.Fatal(err)
	}
	msg = append([]byte("pinchrod head v1\x00"), b...)
	if (journal.SignedHead{Head: h, Signature: [64]byte(ed25519.Sign(testKey, msg))}).Verify(testKey.Public().(ed25519.PublicKey)) != nil {
		t.Fatal("this is not what a head's signature covers: the test tests nothing")
	}
	if sig, err := signer.Sign(rand.Reader, msg, crypto.Hash(0)); err == nil {
		t.Errorf("signed a head: %x", sig)
	}
	if sig, err := signer.Sign(rand.Reader, msg, crypto.SHA256); err == nil {
		t.Errorf("signed a SHA-256: %x", sig)
	}
	// Nothing printed of it shows the secret, which is in the file.
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var seed []byte
	edit(t, s.Path(), func(tx *bolt.Tx) error {
		v := tx.Bucket([]byte("meta")).Get([]byte("seed"))
		seed = bytes.Clone(v[len(v)-ed25519.SeedSize:])
		return nil
	})
	if !ed25519.NewKeyFromSeed(seed).Public().(ed25519.PublicKey).Equal(key) {
		t.Fatal("this is not the seed: the test tests nothing")
	}
	for _, printed := range []string{fmt.Sprintf("%x", signer), fmt.Sprintf("%v", signer), fmt.Sprintf("%#v", signer)} {
		for _, secret := range []string{fmt.Sprintf("%x", seed), strings.Trim(fmt.Sprint(seed), "[]"), strings.Trim(fmt.Sprintf("%#v", seed), "[]byte{}")} {
			if strings.Contains(printed, secret) {
				t.Errorf("%s shows the secret", printed)
			}
		}
	}
	if _, err := signer.Sign(rand.Reader, []byte("later"), crypto.Hash(0)); err != nil {
		t.Errorf("after Close: %v", err)
	}
}

var testKey = ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))

// counting counts how often pages are projected.
type counting struct {
	storetest.Projection
	n *int
}

func (c counting) Project(kv store.KV, p journal.Page) error {
	*c.n++
	return c.Projection.Project(kv, p)
}

// Filling a log batch by batch makes the projection again once, when it is
// looked at.
func TestFillProjectsOnce(t *testing.T) {
	t.Parallel()
	n := 0
	o := storetest.Options(t)
	o.Projector = counting{storetest.Projection{V: 1}, &n}
	s := storetest.New(t, o)
	p := storetest.NewPeer(t, 1, 60)
	if _, err := s.Ingest(p.ID, p.Withheld(1, 60), p.Heads[60]); err != nil {
		t.Fatal(err)
	}
	for from := 1; from < 60; from += 10 {
		if got, err := p.Offer(s, from, from+9); err != nil || got.Filled != 10 {
			t.Fatal(got, err)
		}
	}
	if _, err := s.Append(store.Draft{}); err != nil {
		t.Fatal(err)
	}
	if n != 0 {
		t.Errorf("%d pages were projected before anybody looked", n)
	}
	look := o
	look.ReadOnly = true
	s = reopen(t, s, look)
	if err := s.View(func(store.KV) error { return nil }); !errors.Is(err, store.ErrStale) {
		t.Errorf("looking only: %v, want ErrStale", err)
	}
	s = reopen(t, s, o)
	for range 2 {
		if got := storetest.Count(t, s); got != 61 {
			t.Errorf("the projection has %d pages, want 61", got)
		}
	}
	if n != 61 {
		t.Errorf("%d pages were projected, want 61", n)
	}
	// In an open store as well.
	p.WriteMany(t, 4, journal.ID{}, "")
	if _, err := s.Ingest(p.ID, p.Withheld(61, 64), p.Heads[64]); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Offer(s, 61, 62); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Offer(s, 63, 64); err != nil {
		t.Fatal(err)
	}
	if got := storetest.Count(t, s); got != 65 || n != 61+65 {
		t.Errorf("the projection has %d pages, %d were projected", got, n)
	}
}

// Pages are verified before the store is waited for.
func TestIngestVerifiesFirst(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	p := storetest.NewPeer(t, 1, 3)
	p.Records[1].Page = []byte("something else")
	err := s.View(func(store.KV) error { // nobody can write while this runs
		_, err := p.Offer(s, 1, 3)
		return err
	})
	if !errors.Is(err, journal.ErrBroken) {
		t.Errorf("%v, want ErrBroken", err)
	}
}

// Many pages at once are not folded in as they come; the next look folds them
// in, and shows what a projection made from the start shows.
func TestProjectionCatchesUp(t *testing.T) {
	dir := t.TempDir()
	o := store.Options{Projector: storetest.Projection{V: 1}}
	path := filepath.Join(dir, "hub.book")
	s, err := store.Create(path, o)
	if err != nil {
		t.Fatal(err)
	}
	p := storetest.NewPeer(t, 1, 0)
	p.WriteMany(t, 300, journal.ID{7}, "page")
	if _, err := s.Ingest(p.ID, p.Records, p.Heads[len(p.Heads)-1]); err != nil {
		t.Fatal(err)
	}
	// A few more, after those that wait, must wait too: they come in order.
	p.WriteMany(t, 3, journal.ID{7}, "page")
	if _, err := s.Ingest(p.ID, p.Records[300:], p.Heads[len(p.Heads)-1]); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	look := o
	look.ReadOnly = true
	if s, err = store.Open(path, look); err != nil {
		t.Fatal(err)
	}
	if err := s.View(func(store.KV) error { return nil }); !errors.Is(err, store.ErrStale) {
		t.Errorf("a look at what is behind: %v, want ErrStale", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(path, o); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	caught := storetest.Count(t, s)
	if _, err := s.Verify(); err != nil { // compares with one made from the start
		t.Error(err)
	}
	if err := s.Rebuild(); err != nil {
		t.Fatal(err)
	}
	if made := storetest.Count(t, s); caught != 303 || made != 303 {
		t.Errorf("%d pages after catching up, %d made anew, want 303", caught, made)
	}
}
