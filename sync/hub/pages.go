package hub

import (
	"bytes"
	"container/list"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	_ "embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"io"
	"log"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"sync"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

//go:embed signin.html
var signInHTML string

//go:embed signin.css
var signInCSS string

// signInPolicy lets the sign-in page do what it does: show itself in its own
// style, and send its form here.
var signInPolicy = func() string {
	sum := sha256.Sum256([]byte(signInCSS))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
}()

var signInPage = template.Must(template.New("sign-in").Parse(signInHTML))

// signInWords is what the sign-in page says.
type signInWords struct {
	CSS      template.CSS
	SignedIn string // who has signed in; empty for nobody
	Trouble  string
}

// The paths that are the sign-in's own.
const (
	signInPath  = "/sign-in"
	signOutPath = "/sign-out"
)

// maxForm bounds the sign-in form.
const maxForm = 1 << 10

// Behind puts a handler behind a sign-in: who has not signed in is shown where
// to. It answers /sign-in and /sign-out itself. A request of another site's
// page that would change something is refused.
func Behind(s *Sessions, h http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+signInPath, func(w http.ResponseWriter, r *http.Request) {
		name, _ := s.Who(cookie(r))
		showSignIn(w, http.StatusOK, signInWords{SignedIn: name})
	})
	mux.HandleFunc("POST "+signInPath, s.signIn)
	mux.HandleFunc("POST "+signOutPath, func(w http.ResponseWriter, r *http.Request) {
		s.SignOut(cookie(r))
		http.SetCookie(w, newCookie(r, "", -1))
		http.Redirect(w, r, signInPath, http.StatusSeeOther)
	})
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		if name, ok := s.Who(cookie(r)); ok {
			h.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), nameKey{}, name)))
			return
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			http.Error(w, "Sign in first.", http.StatusUnauthorized)
			return
		}
		http.Redirect(w, r, signInPath, http.StatusSeeOther)
	})
	safe := http.NewCrossOriginProtection().Handler(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// What a page needs beyond this it says itself.
		head := w.Header()
		head.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		head.Set("Cache-Control", "no-store")
		head.Set("Referrer-Policy", "same-origin")
		head.Set("X-Content-Type-Options", "nosniff")
		safe.ServeHTTP(w, r)
	})
}

type nameKey struct{}

// SignedIn is the name that whoever sent a request signed in with; empty where
// there is no sign-in.
func SignedIn(r *http.Request) string {
	name, _ := r.Context().Value(nameKey{}).(string)
	return name
}

func (s *Sessions) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		showSignIn(w, http.StatusBadRequest, signInWords{Trouble: "That was not what this form sends. Type the code again."})
		return
	}
	token, _, err := s.SignIn(r.PostForm.Get("code"), callerOf(r))
	var tries *triesError
	switch {
	case err == nil:
		http.SetCookie(w, newCookie(r, token, int(sessionLife/time.Second)))
		http.Redirect(w, r, "/", http.StatusSeeOther)
	case errors.As(err, &tries):
		seconds := int((tries.wait + time.Second - 1) / time.Second)
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		showSignIn(w, http.StatusTooManyRequests, signInWords{Trouble: fmt.Sprintf("Too many tries. Wait %d seconds, then type the code again.", seconds)})
	case errors.Is(err, ErrCode):
		showSignIn(w, http.StatusForbidden, signInWords{Trouble: "This code is not valid: a code works once, for ten minutes. Compare it, or make a new one at the hub."})
	default:
		showSignIn(w, http.StatusInternalServerError, signInWords{Trouble: "The hub could not sign you in. Try again."})
	}
}

func showSignIn(w http.ResponseWriter, status int, words signInWords) {
	words.CSS = template.CSS(signInCSS) // our own file
	var b bytes.Buffer
	if err := signInPage.Execute(&b, words); err != nil {
		http.Error(w, "The page could not be made.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Security-Policy", signInPolicy)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

// callerOf returns the address that a request comes from, as it is counted.
func callerOf(r *http.Request) netip.Addr {
	at, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return place(at.Addr())
}

// cookieName: over HTTPS the name itself tells the browser that only this host,
// and only over HTTPS, may set it.
func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-session"
	}
	return "session"
}

func cookie(r *http.Request) string {
	c, err := r.Cookie(cookieName(r))
	if err != nil {
		return ""
	}
	return c.Value
}

// newCookie says how long it lasts rather than until when: the browser's clock
// is another one.
func newCookie(r *http.Request, token string, seconds int) *http.Cookie {
	return &http.Cookie{
		Name: cookieName(r), Value: token, Path: "/", MaxAge: seconds,
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode,
	}
}

// noPages is shown where no pages are mounted.
var noPages = http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, _ = io.WriteString(w, "You have signed in. This hub has no pages to show.\n")
})

// maxPageConnections bounds the browsers' connections: a handful of people, of
// whose browsers each opens up to six.
const maxPageConnections = 128

// pagesServer makes the server of the pages; nil when they are not wanted.
func (s *Server) pagesServer(l Listeners) (*server, error) {
	if l.Pages == nil {
		return nil, nil
	}
	loopback := isLoopback(l.Pages.Addr())
	if !loopback && l.PagesTLS == nil {
		return nil, fmt.Errorf("the pages at %s: anywhere but on a loopback address they need HTTPS", l.Pages.Addr())
	}
	h := s.pages
	if h == nil {
		h = noPages
	}
	return pagesServer(l.Pages, l.PagesTLS, s.guarded(Behind(s.sessions, h).ServeHTTP), s.limits.Idle, log.New(s.watch, "", 0)), nil
}

// pagesServer is a server for browsers; on a loopback address without TLS, for
// this machine only.
func pagesServer(l net.Listener, config *tls.Config, h http.Handler, idle time.Duration, errs *log.Logger) *server {
	if config != nil {
		l = tls.NewListener(l, config)
	} else {
		h = onlyHere(h)
	}
	return &server{&http.Server{
		Handler:           h,
		ConnState:         newCrowd(maxPageConnections).state,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       time.Minute,
		WriteTimeout:      5 * time.Minute, // a large picture over a slow line
		IdleTimeout:       idle,
		MaxHeaderBytes:    16 << 10, // cookies and all; the library's own least is 4 KiB
		ErrorLog:          errs,
	}, l}
}

// ServePages shows pages to browsers without a hub beside them, until the context
// ends. Anywhere but on a loopback address they need HTTPS and a sign-in, as a
// hub's do; on one, with sessions of nil, whoever is at this machine is in.
func ServePages(ctx context.Context, l net.Listener, config *tls.Config, sessions *Sessions, h http.Handler, log *slog.Logger) error {
	if !isLoopback(l.Addr()) && (config == nil || sessions == nil) {
		return errors.Join(fmt.Errorf("the pages at %s: anywhere but on a loopback address they need HTTPS and a sign-in", l.Addr()), l.Close())
	}
	if sessions != nil {
		h = Behind(sessions, h)
	}
	limits := DefaultLimits()
	s := pagesServer(l, config, h, limits.Idle, slog.NewLogLogger(log.Handler(), slog.LevelDebug))
	failed := make(chan error, 1)
	go func() { failed <- s.http.Serve(s.listener) }()
	select {
	case err := <-failed: // which is not meant to end
		return fmt.Errorf("serving: %w", err)
	case <-ctx.Done():
	}
	late, cancel := context.WithTimeout(context.WithoutCancel(ctx), limits.Stop)
	defer cancel()
	if err := s.http.Shutdown(late); err != nil {
		return errors.Join(fmt.Errorf("stopping: %w", err), s.http.Close())
	}
	return nil
}

// onlyHere refuses requests that name another host: a page of another site whose
// name has been pointed at this machine.
func onlyHere(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if name, _, err := net.SplitHostPort(host); err == nil {
			host = name
		}
		a, err := netip.ParseAddr(host)
		if host != "localhost" && (err != nil || !a.IsLoopback()) {
			http.Error(w, "These pages are for this machine only.", http.StatusMisdirectedRequest)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// A crowd keeps an HTTP server's connections to a number: the one that has
// done nothing for longest goes.
type crowd struct {
	most int

	mu    sync.Mutex
	all   map[net.Conn]*list.Element // nil for one that is at work
	quiet list.List
}

func newCrowd(most int) *crowd { return &crowd{most: most, all: map[net.Conn]*list.Element{}} }

// state is made to be http.Server's ConnState.
func (c *crowd) state(conn net.Conn, to http.ConnState) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if e := c.all[conn]; e != nil {
		c.quiet.Remove(e)
		c.all[conn] = nil
	}
	switch to {
	case http.StateNew, http.StateIdle:
		c.all[conn] = c.quiet.PushBack(conn)
	case http.StateActive:
		c.all[conn] = nil
	default:
		delete(c.all, conn)
	}
	if len(c.all) <= c.most {
		return
	}
	if e := c.quiet.Front(); e != nil {
		out := c.quiet.Remove(e).(net.Conn)
		delete(c.all, out)
		go out.Close() // TLS says goodbye first, which can take a while
	}
}

const notePages = "hub/pages"

// pagesLife is how long the certificate that the hub makes itself is good for.
// Some browsers refuse one of more than 825 days.
const pagesLife = 825 * 24 * time.Hour

type wirePages struct {
	Certificate []byte `cbor:"1,keyasint"`
	Key         []byte `cbor:"2,keyasint"` // PKCS #8
}

// PagesTLS returns what the pages need for HTTPS: the workshop's certificate,
// from its files; or, when none are named, one that the hub makes for these
// hosts and keeps in its margin. The browser asks its user about that one.
func PagesTLS(b exchange.Book, certFile, keyFile string, hosts []string, now time.Time) (*tls.Config, error) {
	var c tls.Certificate
	var err error
	if certFile != "" || keyFile != "" {
		c, err = tls.LoadX509KeyPair(certFile, keyFile)
	} else {
		c, err = ownPagesCertificate(b, hosts, now)
	}
	if err != nil {
		return nil, fmt.Errorf("the pages' certificate: %w", err)
	}
	return &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{c}, NextProtos: []string{"h2", "http/1.1"}}, nil
}

// ownPagesCertificate returns the certificate from the margin if it is still
// good for a month, and for these hosts; else a new one.
func ownPagesCertificate(b exchange.Book, hosts []string, now time.Time) (tls.Certificate, error) {
	notes, err := b.Margin(notePages)
	if err != nil {
		return tls.Certificate{}, err
	}
	var w wirePages
	if v := notes[notePages]; v != nil {
		if err := journal.Unmarshal(v, &w); err != nil {
			return tls.Certificate{}, err
		}
		leaf, err := x509.ParseCertificate(w.Certificate)
		if err == nil && leaf.NotBefore.Before(now) && leaf.NotAfter.After(now.AddDate(0, 1, 0)) && covers(leaf, hosts) {
			return pagesCertificate(w)
		}
	}
	if w, err = makePagesCertificate(hosts, now); err != nil {
		return tls.Certificate{}, err
	}
	v, err := journal.Marshal(w)
	if err == nil {
		err = b.SetMargin(map[string][]byte{notePages: v})
	}
	if err != nil {
		return tls.Certificate{}, err
	}
	return pagesCertificate(w)
}

func covers(leaf *x509.Certificate, hosts []string) bool {
	for _, h := range hosts {
		if leaf.VerifyHostname(h) != nil {
			return false
		}
	}
	return true
}

func makePagesCertificate(hosts []string, now time.Time) (wirePages, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader) // browsers do not take Ed25519
	if err != nil {
		return wirePages{}, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127)) // RFC 5280 section 4.1.2.2: at most 20 bytes
	if err != nil {
		return wirePages{}, err
	}
	template := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: "Workshop hub"},
		NotBefore:    now.Add(-time.Hour), // for a browser whose clock is behind
		NotAfter:     now.Add(pagesLife - time.Hour),
		KeyUsage:     x509.KeyUsageDigitalSignature,
		ExtKeyUsage:  []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			template.IPAddresses = append(template.IPAddresses, ip)
		} else {
			template.DNSNames = append(template.DNSNames, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return wirePages{}, err
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(key)
	return wirePages{der, pkcs8}, err
}

func pagesCertificate(w wirePages) (tls.Certificate, error) {
	key, err := x509.ParsePKCS8PrivateKey(w.Key)
	if err != nil {
		return tls.Certificate{}, err
	}
	return tls.Certificate{Certificate: [][]byte{w.Certificate}, PrivateKey: key}, nil
}
