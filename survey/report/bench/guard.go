package bench

import (
	"fmt"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strings"
)

// policy allows what is of this site and no script or style within a page.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// mostBody bounds a form, bytes: a note of 2000 characters, of at most 4 bytes and
// 9 when they are escaped, and the fields beside it.
const mostBody = 64 << 10

// mostURL bounds what a request asks for, bytes: six settings are far below.
const mostURL = 4 << 10

// guarded is the pages behind what holds for every request.
func (s *site) guarded(pages http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { s.fail(w, r, errCross) }))
	pages = cross.Handler(pages)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// A form is sent with an origin, which a browser without Sec-Fetch-Site is known
		// by; no other host is told of a page.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		defer func() {
			switch v := recover(); v {
			case nil:
			case http.ErrAbortHandler:
				panic(v)
			default:
				s.fail(w, r, fmt.Errorf("panic: %v\n%s", v, debug.Stack()))
			}
		}()
		switch {
		case !s.ours(r.Host):
			s.fail(w, r, errHost)
		case !slices.Contains([]string{http.MethodGet, http.MethodHead, http.MethodPost}, r.Method):
			h.Set("Allow", "GET, HEAD, POST")
			s.fail(w, r, errMethod)
		case len(r.URL.RequestURI()) > mostURL:
			s.fail(w, r, errLong)
		default:
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
			pages.ServeHTTP(w, r)
		}
	})
}

// ours tells whether a request is for one of our names.
func (s *site) ours(host string) bool {
	if len(s.Hosts) == 0 {
		return true
	}
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.Trim(host, "[]")
	return slices.ContainsFunc(s.Hosts, func(h string) bool { return strings.EqualFold(strings.Trim(h, "[]"), host) })
}
