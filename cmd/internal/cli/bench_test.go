package cli

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/sync/hub"
)

// certificateFiles makes a certificate for this machine.
func certificateFiles(t *testing.T) (config *tls.Config, cert, key string) {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Create(filepath.Join(dir, "book"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if config, err = hub.PagesTLS(s, "", "", []string{"127.0.0.1"}, time.Now()); err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(config.Certificates[0].PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for name, block := range map[string]*pem.Block{
		cert: {Type: "CERTIFICATE", Bytes: config.Certificates[0].Certificate[0]},
		key:  {Type: "PRIVATE KEY", Bytes: private},
	} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return config, cert, key
}

// A bench whose pages people sign in to says what its certificate is known by;
// and, there and on the sign-in page, where a code is to be had, and that none is
// when no name can be typed.
func TestBenchSaysWhereCodesAre(t *testing.T) {
	config, cert, key := certificateFiles(t)
	roots := x509.NewCertPool()
	leaf, err := x509.ParseCertificate(config.Certificates[0].Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	roots.AddCert(leaf)
	typed, names := io.Pipe()
	said, errs := io.Pipe()
	e, _, _ := testEnv(t)
	e.In, e.Err, e.Now = typed, errs, time.Now
	book := closedBook(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	left := make(chan int, 1)
	go func() {
		left <- e.Run(ctx, []string{"bench", "serve", "--book", book, "--listen", "127.0.0.1:0", "--cert", cert, "--key", key})
		errs.Close()
	}()
	lines := bufio.NewScanner(said)
	until := func(want string) (line string) {
		t.Helper()
		for lines.Scan() {
			if strings.Contains(lines.Text(), want) {
				return lines.Text()
			}
		}
		t.Fatalf("the bench ended without saying %q", want)
		return ""
	}
	_, base, _ := strings.Cut(until("pages are at"), "pages are at ")
	base, _, _ = strings.Cut(base, ";")
	if line := until("SHA-256 fingerprint"); !strings.Contains(line, hub.Fingerprint(config)) {
		t.Errorf("says %q, want the fingerprint %s", line, hub.Fingerprint(config))
	}
	until("bench signs in with the code")
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}}
	defer transport.CloseIdleConnections()
	look := func(want string) {
		t.Helper()
		r, err := (&http.Client{Transport: transport, Timeout: 20 * time.Second}).Get(base + "/sign-in")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		page, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(page), want) || strings.Contains(string(page), "hub code") {
			t.Errorf("want %q and nothing of a hub:\n%s", want, page)
		}
	}
	look("in the window where the bench was started")
	if _, err := io.WriteString(names, "Cleo\n"); err != nil {
		t.Fatal(err)
	}
	until("Cleo signs in with the code")
	names.Close()
	until("no other code can be made")
	look("End the bench and start it again")
	cancel()
	if _, err := io.Copy(io.Discard, said); err != nil {
		t.Error(err)
	}
	if code := <-left; code != exitDone {
		t.Errorf("interrupted, it leaves with %d, want %d", code, exitDone)
	}
}

// Where a listener takes whoever comes, what is said can be typed into a browser
// on another machine, and the certificate is made out to it.
func TestMachineAddresses(t *testing.T) {
	for _, x := range []struct {
		at     net.IP
		listen string
		want   []string // nil: this machine's
	}{
		{net.IPv6unspecified, ":7581", nil},
		{net.IPv4zero, "0.0.0.0:7581", nil},
		{net.IPv4(127, 0, 0, 1), "127.0.0.1:7581", []string{"127.0.0.1:7581"}},
	} {
		got, err := machineAddresses(&net.TCPAddr{IP: x.at, Port: 7581})
		if err != nil || len(got) == 0 || x.want != nil && !slices.Equal(got, x.want) {
			t.Errorf("%v: %q, %v; want %q", x.at, got, err, x.want)
		}
		host, _, err := net.SplitHostPort(x.listen)
		if err != nil {
			t.Fatal(err)
		}
		hosts := pageHosts(host, got)
		for _, a := range got {
			h, port, err := net.SplitHostPort(a)
			ip := net.ParseIP(h)
			if err != nil || port != "7581" || ip == nil || ip.IsUnspecified() || x.at.To4() != nil && ip.To4() == nil {
				t.Errorf("%v: %q is nothing to type", x.at, a)
			}
			if !slices.Contains(hosts, h) {
				t.Errorf("%v: the certificate is not for %s but for %q", x.at, h, hosts)
			}
		}
		if !slices.Contains(hosts, "localhost") || slices.Contains(hosts, "0.0.0.0") {
			t.Errorf("%v: a certificate for %q", x.at, hosts)
		}
	}
}

// The hub says where its pages are as they are typed, and what the certificate is
// known by.
func TestHubSaysWherePagesAre(t *testing.T) {
	config, _, _ := certificateFiles(t)
	for _, x := range []struct {
		config *tls.Config
		want   []string
		not    string
	}{
		{config, []string{`open="https://10.0.0.5:7581 https://[fd00::5]:7581"`, `sha256=` + hub.Fingerprint(config)}, "http://"},
		{nil, []string{`open="http://10.0.0.5:7581 http://[fd00::5]:7581"`}, "sha256"},
	} {
		var b bytes.Buffer
		sayPages(slog.New(slog.NewTextHandler(&b, nil)), []string{"10.0.0.5:7581", "[fd00::5]:7581"}, x.config)
		for _, want := range x.want {
			if !strings.Contains(b.String(), want) {
				t.Errorf("says %s, want %s", &b, want)
			}
		}
		if strings.Contains(b.String(), x.not) {
			t.Errorf("says %s, want nothing of %s", &b, x.not)
		}
	}
}
