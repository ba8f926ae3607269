package hub_test

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/sync/hub"
	"pinchrod/sync/synctest"
)

func leafOf(t *testing.T, config *tls.Config) *x509.Certificate {
	t.Helper()
	x, err := x509.ParseCertificate(config.Certificates[0].Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// The certificate that the hub makes itself is what browsers take, and is made
// anew a month before its end.
func TestOwnCertificate(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := synctest.NewBook(1, c.now)
	hosts := []string{"hub.example", "192.0.2.7", "2001:db8::7"}
	config, err := hub.PagesTLS(book, "", "", hosts, c.now())
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{"h2", "http/1.1"}, config.NextProtos); config.MinVersion != tls.VersionTLS13 || d != "" {
		t.Errorf("least version %x, protocols (-want +got)\n%s", config.MinVersion, d)
	}
	leaf := leafOf(t, config)
	if got := leaf.NotAfter.Sub(leaf.NotBefore); got != 825*24*time.Hour || !leaf.NotBefore.Equal(c.now().Add(-time.Hour)) {
		t.Errorf("good for %v from %v, want 825 days from an hour before %v", got, leaf.NotBefore, c.now())
	}
	roots := x509.NewCertPool()
	roots.AddCert(leaf)
	for _, host := range hosts {
		if _, err := leaf.Verify(x509.VerifyOptions{DNSName: host, Roots: roots, CurrentTime: c.now(), KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}); err != nil {
			t.Errorf("for %s: %v", host, err)
		}
	}
	if len(leaf.DNSNames) != 1 || len(leaf.IPAddresses) != 2 || leaf.KeyUsage != x509.KeyUsageDigitalSignature || leaf.SerialNumber.BitLen() < 64 || leaf.Subject.CommonName == "" {
		t.Errorf("names %v, addresses %v, usage %v, serial number %v, %v", leaf.DNSNames, leaf.IPAddresses, leaf.KeyUsage, leaf.SerialNumber, leaf.Subject)
	}
	month := leaf.NotAfter.AddDate(0, -1, 0)
	for _, x := range []struct {
		at   time.Time
		same bool
	}{
		{leaf.NotBefore.Add(time.Second), true}, {month.Add(-24 * time.Hour), true}, {month.Add(24 * time.Hour), false},
	} {
		other := book.Twin() // with what lies in the margin of the first
		notes, err := book.Margin("")
		if err == nil {
			err = other.SetMargin(notes)
		}
		if err != nil {
			t.Fatal(err)
		}
		config, err := hub.PagesTLS(other, "", "", hosts, x.at)
		if err != nil {
			t.Fatal(err)
		}
		if got := leafOf(t, config).Equal(leaf); got != x.same {
			t.Errorf("at %v, with an end at %v: the same %v, want %v", x.at, leaf.NotAfter, got, x.same)
		}
	}
	if err := book.SetMargin(map[string][]byte{"hub/pages": []byte("x")}); err != nil {
		t.Fatal(err)
	}
	if _, err := hub.PagesTLS(book, "", "", hosts, c.now()); err == nil {
		t.Error("a note that is none is passed over")
	}
}

// The workshop's own certificate is what its files say, and both are needed.
func TestWorkshopCertificate(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := synctest.NewBook(1, c.now)
	own, err := hub.PagesTLS(book, "", "", []string{"hub.example"}, c.now())
	if err != nil {
		t.Fatal(err)
	}
	key, err := x509.MarshalPKCS8PrivateKey(own.Certificates[0].PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for name, block := range map[string]*pem.Block{
		certFile: {Type: "CERTIFICATE", Bytes: own.Certificates[0].Certificate[0]}, keyFile: {Type: "PRIVATE KEY", Bytes: key},
	} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	other := synctest.NewBook(2, c.now)
	config, err := hub.PagesTLS(other, certFile, keyFile, []string{"another.example"}, c.now())
	if err != nil || !leafOf(t, config).Equal(leafOf(t, own)) {
		t.Errorf("another certificate than the files', %v", err)
	}
	if notes, err := other.Margin(""); err != nil || len(notes) > 0 {
		t.Errorf("the hub has noted %d things, %v", len(notes), err)
	}
	for _, files := range [][2]string{{certFile, ""}, {"", keyFile}} {
		if _, err := hub.PagesTLS(other, files[0], files[1], nil, c.now()); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("one file of two: got %v, want %v", err, fs.ErrNotExist)
		}
	}
}
