package hub

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"
)

//go:embed signin.html
var signInHTML string

//go:embed notice.html
var noticeHTML string

//go:embed signin.css
var signInCSS string

// signInPolicy lets the sign-in page do what it does: show itself in its own
// style, and send its form here.
var signInPolicy = func() string {
	sum := sha256.Sum256([]byte(signInCSS))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
}()

var (
	signInPage = template.Must(template.New("sign-in").Parse(signInHTML))
	noticePage = template.Must(template.New("notice").Parse(noticeHTML))
)

// signInWords is what the sign-in page says.
type signInWords struct {
	SignedIn string // who has signed in; empty for nobody
	Trouble  string
	Codes    string // where a code is to be had
	Next     string // where to go from here, of this site; empty for the first page
}

// A notice is a page that says why nothing was done, and what to do.
type notice struct {
	Title, Trouble string
	Link, LinkText string
	NewTab         bool // the link opens beside this page, which is still needed
	Next           string
}

// unknownNotice answers a form of one who has not signed in, or not lately. The
// browser keeps the form until it is sent again.
var unknownNotice = notice{
	Title:   "Sign in first",
	Trouble: "Nothing was written down: you have not signed in, or not for some hours, or the program was started again since.",
	Link:    signInPath + "?" + nextField + "=" + signInPath, LinkText: "Sign in in another tab", NewTab: true,
	Next: "Then come back to this tab and load it again: when the browser asks whether to send the form again, say yes. Or go back one page and send it from there.",
}

// foreignNotice answers a form that came from another site's page.
var foreignNotice = notice{
	Title:   "Not from these pages",
	Trouble: "Nothing was done: the browser says that this was sent from a page of another site.",
	Link:    "/", LinkText: "Open the pages",
	Next: "If you meant it, do it there.",
}

// The paths that are the sign-in's own.
const (
	signInPath  = "/sign-in"
	signOutPath = "/sign-out"
)

// nextField says, in the sign-in's address and its form, where to go afterwards.
const nextField = "next"

const (
	// maxNext bounds where to go afterwards: a bay's page with six settings is
	// far shorter. What is longer leads to the first page.
	maxNext = 1 << 10
	// maxForm bounds the sign-in form: where to go, escaped at its worst, and a code.
	maxForm = 3*maxNext + 1<<10
)

// Behind puts a handler behind a sign-in: who has not signed in is shown where
// to. It answers /sign-in and /sign-out itself. A request of another site's
// page that would change something is refused.
func Behind(s *Sessions, h http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+signInPath, func(w http.ResponseWriter, r *http.Request) {
		name, ok := s.Who(cookie(r))
		next := pathHere(r.URL.Query().Get(nextField))
		if ok && next == signInPath {
			next = "" // it is here
		}
		s.showSignIn(w, http.StatusOK, signInWords{SignedIn: name, Next: next})
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
			showNotice(w, http.StatusUnauthorized, unknownNotice)
			return
		}
		to := signInPath
		if next := pathHere(r.URL.RequestURI()); next != "" && r.URL.Path != signOutPath {
			to += "?" + nextField + "=" + url.QueryEscape(next)
		}
		http.Redirect(w, r, to, http.StatusSeeOther)
	})
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		showNotice(w, http.StatusForbidden, foreignNotice)
	}))
	safe := cross.Handler(mux)
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

// pathHere returns a path of this site with its query, as a browser asks for it;
// empty for the first page, and for all that a browser might take for a place on
// another site. It is no address of a page to be trusted: only of this site.
func pathHere(s string) string {
	odd := func(c rune) bool { return c <= ' ' || c == '\\' || c > '~' }
	if len(s) < 2 || len(s) > maxNext || s[0] != '/' || s[1] == '/' || strings.ContainsFunc(s, odd) {
		return ""
	}
	u, err := url.Parse(s)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || strings.Contains(u.EscapedPath(), "//") {
		return ""
	}
	return s
}

func (s *Sessions) signIn(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		s.showSignIn(w, http.StatusBadRequest, signInWords{Trouble: "That was not what this form sends. Type the code again."})
		return
	}
	next := pathHere(r.PostForm.Get(nextField))
	trouble := func(status int, text string) { s.showSignIn(w, status, signInWords{Trouble: text, Next: next}) }
	token, _, err := s.SignIn(r.PostForm.Get("code"), callerOf(r))
	var tries *triesError
	switch {
	case err == nil:
		http.SetCookie(w, newCookie(r, token, int(sessionLife/time.Second)))
		http.Redirect(w, r, cmp.Or(next, "/"), http.StatusSeeOther)
	case errors.As(err, &tries):
		seconds := int((tries.wait + time.Second - 1) / time.Second)
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		trouble(http.StatusTooManyRequests, fmt.Sprintf("Too many tries. Wait %d seconds, then type the code again.", seconds))
	case errors.Is(err, ErrCode):
		trouble(http.StatusForbidden, "This code is not valid: a code works once, for ten minutes. Compare it, or get a new one.")
	default:
		trouble(http.StatusInternalServerError, "You could not be signed in. Try again.")
	}
}

func (s *Sessions) showSignIn(w http.ResponseWriter, status int, words signInWords) {
	words.Codes = s.whereCodes()
	showPage(w, status, signInPage, words)
}

func showNotice(w http.ResponseWriter, status int, n notice) { showPage(w, status, noticePage, n) }

func showPage(w http.ResponseWriter, status int, page *template.Template, words any) {
	var b bytes.Buffer
	err := page.Execute(&b, struct {
		CSS   template.CSS // our own file
		Words any
	}{template.CSS(signInCSS), words})
	if err != nil {
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
