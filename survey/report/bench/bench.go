package bench

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"path"
	"strings"
	"sync"
	"time"
)

// Options are what the pages are served with.
type Options struct {
	Source Source
	Now    func() time.Time           // default time.Now
	Log    *slog.Logger               // where errors go that a person is not shown; default none
	Who    func(*http.Request) string // who is signed in; default nobody
	// SignOut is the path, of this host and not under Prefix, that whoever is signed
	// in posts to, to be so no longer; empty where there is none, such as /sign-out.
	SignOut string
	Prefix  string // path that the pages are under, such as /bench; requests carry it
	// Hosts are the names that a request may be for, without a port. On loopback
	// they keep out another site's page whose name was made to point here. None
	// is any.
	Hosts []string
	Title string // of the site; default Bench
}

// ErrOptions: the pages cannot be served so.
var ErrOptions = errors.New("wrong options of the bench")

// site is what all pages share.
type site struct {
	Options
	recording sync.Mutex // so that a form sent twice is written down once
}

// New makes the handler of the pages. The error wraps [ErrOptions].
func New(o Options) (http.Handler, error) {
	o.Prefix = strings.TrimRight(o.Prefix, "/")
	switch {
	case o.Source == nil:
		return nil, fmt.Errorf("%w: no source", ErrOptions)
	case o.Prefix != "" && (o.Prefix[0] != '/' || strings.Trim(o.Prefix, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_/") != ""):
		return nil, fmt.Errorf("%w: prefix %q: it begins with / and holds letters, digits, - and _", ErrOptions, o.Prefix)
	}
	if s := o.SignOut; s != "" && (s[0] != '/' || path.Clean(s) != s) {
		return nil, fmt.Errorf("%w: sign-out %q: it is a path of this host, such as /sign-out", ErrOptions, s)
	}
	o.Title = cmp.Or(o.Title, "Bench")
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Who == nil {
		o.Who = func(*http.Request) string { return "" }
	}
	s := &site{Options: o}
	return s.guarded(s.routes()), nil
}

// answer is a page or a file: it writes its answer whole, or gives the error
// that a page of failure is made of.
type answer func(http.ResponseWriter, *http.Request) error

func (s *site) routes() http.Handler {
	mux := http.NewServeMux()
	get := func(path string, do answer) { s.route(mux, http.MethodGet, path, do) }
	post := func(path string, do answer) { s.route(mux, http.MethodPost, path, do) }
	get("/{$}", s.jobs)
	get("/job/{id}", s.job)
	get("/job/{id}/stock", s.stock)
	for _, ext := range []string{"pdf", "svg", "png", "csv", "json", "txt", "css"} {
		get("/job/{id}/stock."+ext, s.stockFile)
	}
	for _, ext := range []string{"svg", "pdf", "png"} {
		get("/job/{id}/{flight}/plan."+ext, s.planFile)
	}
	get("/job/{id}/{flight}/{bay}", s.bay)
	get("/job/{id}/{flight}/{bay}/sheet", s.sheet)
	get("/job/{id}/{flight}/{bay}/{file}", s.bayFile)
	get("/picture/{sum}", s.picture)
	get("/bench.css", s.static)
	get("/bench.js", s.static)
	get("/bench.svg", s.static)
	get("/regular.ttf", s.font)
	get("/bold.ttf", s.font)
	post("/job/{id}/{flight}/{bay}/made", s.record)
	post("/job/{id}/{flight}/{bay}/recut", s.recut)
	post("/job/{id}/made/{entry}/strike", s.strike)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { s.fail(w, r, errNoPage) })
	return s.under(mux)
}

// under takes the prefix off a request. A path that is not in its shortest form
// names nothing here; the mux would lead it elsewhere, without the prefix.
func (s *site) under(mux http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		rest, ok := strings.CutPrefix(r.URL.Path, s.Prefix)
		switch {
		case ok && rest == "" && s.Prefix != "":
			http.Redirect(w, r, s.Prefix+"/", http.StatusMovedPermanently)
		case !ok || path.Clean(rest) != rest:
			s.fail(w, r, errNoPage)
		default:
			inner := *r
			inner.URL = &url.URL{Path: rest, RawQuery: r.URL.RawQuery}
			mux.ServeHTTP(w, &inner)
		}
	})
}

// route registers an answer for one method, and the refusal of the other.
func (s *site) route(mux *http.ServeMux, method, path string, do answer) {
	mux.HandleFunc(method+" "+path, func(w http.ResponseWriter, r *http.Request) {
		if err := do(w, r); err != nil {
			s.fail(w, r, err)
		}
	})
	other, allow := http.MethodPost, "GET, HEAD"
	if method == http.MethodPost {
		other, allow = http.MethodGet, "POST"
	}
	mux.HandleFunc(other+" "+path, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Allow", allow)
		s.fail(w, r, errMethod)
	})
}
