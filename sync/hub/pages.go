package hub

import (
	"container/list"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"
)

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
