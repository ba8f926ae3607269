package hub

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// deviceRoutes answers what comes in on the devices' port. Paths are compared
// as they come, byte for byte: nothing is cleaned, joined or unescaped.
func (s *Server) deviceRoutes(w http.ResponseWriter, r *http.Request) {
	// What a device does not need to be told is not sent.
	h := w.Header()
	h["Date"], h["Content-Type"], h["Content-Length"] = nil, nil, nil
	route, err := s.route(w, r)
	outcome := "ok"
	if err != nil {
		outcome = outcomeOf(err)
		args := []any{"device", s.tag(r)}
		switch {
		case outcome == failed && r.Context().Err() != nil:
			outcome = "cut off"
		case outcome == failed, outcome == damaged, errors.Is(err, journal.ErrFork):
			args = append(args, "error", err.Error()) // for whoever runs the hub to see to
		}
		s.watch.refused(route+": "+outcome, args...)
		var told *toldError
		if !errors.As(err, &told) {
			s.refuse(w, err)
		}
	}
	s.counters.count(route, outcome)
}

func (s *Server) route(w http.ResponseWriter, r *http.Request) (route string, err error) {
	l, ok := r.Context().Value(linkKey{}).(*link)
	if !ok {
		return "none", errors.New("a connection that did not come through the gate")
	}
	path := r.URL.Path
	if r.URL.RawPath != "" || r.URL.EscapedPath() != path {
		return "none", fmt.Errorf("%w: such a path", door.ErrNotFound)
	}
	// Who does not have the right to more can still do these.
	switch path {
	case door.Health:
		if err := s.courtesy(l); err != nil {
			return "healthz", err
		}
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			return "healthz", errMethod
		}
		_, err := io.WriteString(w, "ok\n")
		return "healthz", err
	case door.Join:
		if err := s.courtesy(l); err != nil {
			return "join", err
		}
		return "join", s.join(w, r, l)
	}
	who, err := s.roster.Rights(l.key)
	if err != nil {
		return "none", err
	}
	if wait := s.rates.take(who.Identity.Device, s.now()); wait > 0 {
		return "none", &waitError{fmt.Errorf("%w: this device asks too often", door.ErrBusy), wait}
	}
	switch {
	case path == door.Meet:
		return "meet", s.exchange(w, r, who, exchange.VerbMeet)
	case path == door.Fetch:
		return "fetch", s.exchange(w, r, who, exchange.VerbFetch)
	case path == door.Pictures:
		return "pictures", s.askPictures(w, r, who)
	case strings.HasPrefix(path, door.Picture):
		return "picture", s.picture(w, r, who, strings.TrimPrefix(path, door.Picture))
	}
	return "none", fmt.Errorf("%w: such a path", door.ErrNotFound)
}

// maxAsked is how many requests a stranger's connection can make: a look, a
// join, and as much again for an answer that was lost.
const maxAsked = 4

// courtesy bounds what a stranger can ask.
func (s *Server) courtesy(l *link) error {
	if l.stranger && l.asked.Add(1) > maxAsked {
		l.Close()
		return fmt.Errorf("%w: too many requests before joining", door.ErrBusy)
	}
	return nil
}

var errMethod = fmt.Errorf("%w: not by this method", door.ErrRequest)

// A waitError says when to come again.
type waitError struct {
	error
	wait time.Duration
}

func (e *waitError) Unwrap() error { return e.error }

// A toldError has been answered already.
type toldError struct{ error }

func (e *toldError) Unwrap() error { return e.error }

// refuse answers with an error.
func (s *Server) refuse(w http.ResponseWriter, err error) {
	status, body := door.TroubleOf(err)
	if errors.Is(err, door.ErrBusy) {
		wait := time.Second
		var e *waitError
		if errors.As(err, &e) {
			wait = max(wait, e.wait)
		}
		w.Header().Set("Retry-After", strconv.Itoa(int((wait+time.Second-1)/time.Second)))
	}
	w.WriteHeader(status)
	_, _ = w.Write(body) // who cannot be told is gone
}

// outcomes are the words that errors are counted by.
var outcomes = []struct {
	err  error
	word string
}{
	{door.ErrNotEnrolled, "not enrolled"},
	{door.ErrRevoked, "revoked"},
	{door.ErrInvitation, "invitation"},
	{errTooLarge, "too large"},
	{errStopping, "stopping"},
	{door.ErrBusy, "busy"},
	{door.ErrNotFound, "not found"},
	{door.ErrForbidden, "forbidden"},
	{door.ErrRequest, "bad request"},
	{errSlow, "slow"},
	{journal.ErrDamaged, damaged}, // whatever else it wraps
	{journal.ErrFork, "fork"},
	{journal.ErrGap, "gap"},
	{journal.ErrSignature, "signature"},
	{journal.ErrUnsigned, "unsigned"},
	{journal.ErrBroken, "broken chain"},
	{journal.ErrNotCanonical, "not canonical"},
	{journal.ErrInvalid, "invalid"},
	{exchange.ErrForeign, "foreign log"},
	{exchange.ErrUnknown, "unknown log"},
	{exchange.ErrVersion, "newer version"},
	{exchange.ErrProtocol, "protocol"},
	{context.Canceled, "cut off"},
	{io.ErrUnexpectedEOF, "cut off"},
}

// What nobody outside is to blame for.
const (
	failed  = "failed"
	damaged = "damaged book"
)

func outcomeOf(err error) string {
	for _, o := range outcomes {
		if errors.Is(err, o.err) {
			return o.word
		}
	}
	return failed
}

// tag names a request's device for the log: one that is enrolled, or nobody.
func (s *Server) tag(r *http.Request) string {
	if l, ok := r.Context().Value(linkKey{}).(*link); ok {
		if who, err := s.roster.Rights(l.key); err == nil {
			return who.Identity.Device.Tag()
		}
	}
	return ""
}

// exchange answers a meeting or a fetch.
func (s *Server) exchange(w http.ResponseWriter, r *http.Request, who exchange.Reader, verb string) error {
	if r.Method != http.MethodPost {
		return errMethod
	}
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	in := newIncoming(w, r, s.limits)
	defer in.over()
	device := who.Identity.Device
	end, err := s.begin(&stream{device: device, cancel: cancel, in: in})
	if err != nil {
		return err
	}
	defer end()
	// It may have been revoked since it was let in, and before it was in the
	// list of those that are ended by that.
	if who, err = s.roster.Rights(who.Identity.Key); err != nil {
		return err
	}
	queue, done := context.WithTimeoutCause(ctx, s.limits.Queue, fmt.Errorf("%w: too many are syncing", door.ErrBusy))
	defer done()
	leave, err := turn(queue, s.streams)
	if err != nil {
		return err
	}
	defer leave()

	body, free, err := s.unpack(in, r.Header.Get("Content-Encoding"))
	if err != nil {
		return err
	}
	defer free()
	start, out := s.now(), newOutgoing(w, s.limits)
	before := s.counters.pages.Load()
	if verb == exchange.VerbFetch {
		err = s.serveFetch(ctx, who, body, out)
	} else {
		err = exchange.Serve(ctx, s.host, who, verb, body, out, func() { _ = out.flush() }) // the next write says the same
	}
	if err != nil {
		return &toldError{err}
	}
	s.log.Debug("served", "verb", verb, "device", device.Tag(), "pages", s.counters.pages.Load()-before, "bytes", out.wrote, "took", s.now().Sub(start))
	if verb == exchange.VerbMeet {
		s.background.Go(func() { s.saw(device) })
	}
	return nil
}

// serveFetch answers a fetch, packed.
func (s *Server) serveFetch(ctx context.Context, who exchange.Reader, body io.Reader, out *outgoing) error {
	e, err := s.coders.encoder(out)
	if err != nil {
		return err
	}
	defer s.coders.takeEncoder(e)
	out.Header().Set("Content-Encoding", "zstd")
	err = exchange.Serve(ctx, s.host, who, exchange.VerbFetch, body, e, func() {
		// The next write says what is wrong.
		_ = e.Flush()
		_ = out.flush()
	})
	return errors.Join(err, e.Close())
}

// saw notes a meeting that went well.
func (s *Server) saw(device journal.ID) {
	heads, err := s.book.Heads()
	if err == nil {
		err = s.roster.Saw(device, heads[device].Head)
	}
	if err != nil {
		s.watch.refused("noting a meeting", "err", err.Error())
	}
}

// packed is a body that is decompressed as it is read.
type packed struct {
	io.Reader
	in *incoming
}

func (p packed) Close() error { return p.in.Close() }

// unpack returns what a body says, whatever its encoding, up to the limit;
// free has to be called when nobody reads it any more.
func (s *Server) unpack(in *incoming, encoding string) (io.Reader, func(), error) {
	raw := &limited{r: in, left: s.limits.Request}
	switch encoding {
	case "":
		return packed{raw, in}, func() {}, nil
	case "zstd":
		d, err := s.coders.decoder(raw)
		if err != nil {
			return nil, nil, err
		}
		return packed{&limited{r: unpacker{d, raw}, left: s.limits.Request}, in}, func() { s.coders.takeDecoder(d) }, nil
	}
	return nil, nil, fmt.Errorf("%w: an encoding other than zstd", door.ErrRequest)
}

// join answers a device that has an invitation.
func (s *Server) join(w http.ResponseWriter, r *http.Request, l *link) error {
	if r.Method != http.MethodPost {
		return errMethod
	}
	in := newIncoming(w, r, s.limits)
	defer in.over()
	body, err := io.ReadAll(&limited{r: in, left: door.MaxJoin})
	if err != nil {
		return err
	}
	var q door.JoinRequest
	if err := journal.Unmarshal(body, &q); err != nil && !errors.Is(err, journal.ErrNewer) || q.Version != 1 {
		return fmt.Errorf("%w: not a request to join that it knows", door.ErrRequest)
	}
	id, err := journal.DecodeIdentity(q.Identity)
	if err != nil {
		return fmt.Errorf("%w: the identity cannot be read", door.ErrRequest)
	}
	d, err := s.roster.Join(q.Secret, id, l.key, q.Name)
	if err != nil {
		return err
	}
	s.counters.joined.Add(1)
	s.log.Info("a device has joined", "device", d.Identity.Device.String(), "tag", d.Identity.Device.Tag(), "role", d.Role.String())
	hub, err := s.book.Identity().Encode()
	if err != nil {
		return err
	}
	answer, err := journal.Marshal(door.JoinAnswer{Version: 1, Hub: hub, Role: d.Role, Jobs: d.Jobs, Recipient: s.roster.recipient})
	if err != nil {
		return err
	}
	_, err = io.Copy(w, bytes.NewReader(answer))
	return err
}
