package hub

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
)

// ConsoleFile names the file in which a running hub says where its console is.
func ConsoleFile(book string) string { return book + ".console" }

// What is in that file: enough to speak to the hub as its office, so only its
// owner can read it.
type consoleFile struct {
	Address string
	Token   string
}

const consolePath = "/office/"

// consoleServer makes the console's server, and writes the file that says where
// it is. nil when it is not wanted.
func (s *Server) consoleServer(l Listeners) (*server, error) {
	if l.Console == nil {
		return nil, nil
	}
	if !isLoopback(l.Console.Addr()) {
		return nil, fmt.Errorf("the console at %s: it has to be on a loopback address", l.Console.Addr())
	}
	var secret [16]byte
	if _, err := rand.Read(secret[:]); err != nil {
		return nil, err
	}
	token := hex.EncodeToString(secret[:])
	if l.ConsoleFile != "" {
		if err := writeConsole(l.ConsoleFile, consoleFile{l.Console.Addr().String(), token}); err != nil {
			return nil, fmt.Errorf("saying where the console is: %w", err)
		}
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "ok\n") })
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", metricsType)
		_ = s.expose(w) // whoever asked is gone
	})
	mux.HandleFunc("POST "+consolePath+"{verb}", func(w http.ResponseWriter, r *http.Request) {
		given, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
		if subtle.ConstantTimeCompare([]byte(given), []byte(token)) != 1 {
			s.watch.refused("console: wrong token")
			s.refuse(w, door.ErrForbidden)
			return
		}
		s.consoleRequest(w, r)
	})
	return &server{&http.Server{
		Handler:           s.guarded(mux.ServeHTTP),
		ReadHeaderTimeout: 5 * time.Second, // both ends are on this machine
		ReadTimeout:       5 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    s.limits.Header,
		ErrorLog:          log.New(s.watch, "", 0),
	}, l.Console}, nil
}

func isLoopback(a net.Addr) bool {
	t, ok := a.(*net.TCPAddr)
	return ok && t.IP.IsLoopback()
}

// A consoleCall is what goes to the console; each verb uses some of it.
type consoleCall struct {
	Terms     Terms      `json:"terms,omitzero"`
	Addresses []string   `json:"addresses,omitempty"`
	Device    journal.ID `json:"device,omitzero"`
	Job       journal.ID `json:"job,omitzero"`
	Name      string     `json:"name,omitempty"`
	Files     []string   `json:"files,omitempty"`
}

// maxCall bounds a call to the console: an invitation to a few hundred jobs.
const maxCall = 64 << 10

func (s *Server) consoleRequest(w http.ResponseWriter, r *http.Request) {
	var q consoleCall
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxCall)).Decode(&q); err != nil {
		s.refuse(w, fmt.Errorf("%w: %w", door.ErrRequest, err))
		return
	}
	var answer any = struct{}{}
	var err error
	ctx, o := r.Context(), s.office
	switch r.PathValue("verb") {
	case "invite":
		answer, err = o.Invite(ctx, q.Terms, q.Addresses)
	case "invitations":
		answer, err = o.Invitations(ctx)
	case "jobs":
		answer, err = o.Jobs(ctx)
	case "devices":
		answer, err = o.Devices(ctx)
	case "revoke":
		err = o.Revoke(ctx, q.Device)
	case "assign":
		err = o.Assign(ctx, q.Device, q.Job)
	case "unassign":
		err = o.Unassign(ctx, q.Device, q.Job)
	case "code":
		answer, err = o.Code(ctx, q.Name)
	case "forget":
		answer, err = o.Forget(ctx, q.Job)
	case "answer":
		answer, err = o.Answer(ctx, q.Files, q.Name)
	case "status":
		answer, err = o.Status(ctx)
	default:
		err = fmt.Errorf("%w: the office does not do this", door.ErrNotFound)
	}
	s.counters.count("console", outcome(err))
	var body []byte
	if err == nil {
		body, err = json.Marshal(answer)
	}
	if err != nil {
		// The office is told everything.
		w.WriteHeader(http.StatusUnprocessableEntity)
		body, _ = json.Marshal(consoleTrouble{err.Error(), errors.Is(err, door.ErrNotFound)}) // two strings cannot fail
	}
	_, _ = w.Write(body)
}

type consoleTrouble struct {
	Text     string `json:"text"`
	NotFound bool   `json:"notFound,omitempty"`
}

func outcome(err error) string {
	if err == nil {
		return "ok"
	}
	return outcomeOf(err)
}

// writeConsole writes the file, for its owner's eyes only, in one step.
func writeConsole(path string, c consoleFile) error {
	b, err := json.Marshal(c)
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".console-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // what is left of a failure
	_, err = f.Write(append(b, '\n'))
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

func removeConsole(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("removing the console's file: %w", err)
	}
	return nil
}

// Call reaches the office of a running hub, by the file that names its console.
// [ErrNotRunning] when there is none, or one that a crash left behind.
func Call(ctx context.Context, file string) (Office, error) {
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNotRunning
	}
	if err != nil {
		return nil, fmt.Errorf("looking for the hub's console: %w", err)
	}
	var c consoleFile
	if err := json.Unmarshal(b, &c); err != nil {
		return nil, fmt.Errorf("looking for the hub's console: %s: %w", file, err)
	}
	// What is in the file is not to be sent to just anybody.
	host, _, err := net.SplitHostPort(c.Address)
	if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsLoopback() {
		return nil, fmt.Errorf("looking for the hub's console: %s names %q, which is not on this machine", file, c.Address)
	}
	o := &caller{consoleFile: c, client: &http.Client{Transport: &http.Transport{Proxy: nil, DisableCompression: true, DisableKeepAlives: true}}}
	if _, err := o.Status(ctx); err != nil {
		var op *net.OpError
		if errors.As(err, &op) && op.Op == "dial" || errors.Is(err, errNotOurs) {
			return nil, fmt.Errorf("%w: it has ended without a word; %s is left over", ErrNotRunning, file)
		}
		return nil, err
	}
	return o, nil
}

// errNotOurs: somebody answers, who is not the hub of this file.
var errNotOurs = errors.New("not this hub's console")

// A caller is the office of a running hub, through its console.
type caller struct {
	consoleFile
	client *http.Client
}

func (o *caller) call(ctx context.Context, verb string, q consoleCall, answer any) error {
	body, err := json.Marshal(q)
	if err != nil {
		return err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://"+o.Address+consolePath+verb, bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Authorization", "Bearer "+o.Token)
	w, err := o.client.Do(r)
	if err != nil {
		return fmt.Errorf("asking the running hub: %w", err)
	}
	defer w.Body.Close()
	if body, err = io.ReadAll(w.Body); err != nil {
		return fmt.Errorf("asking the running hub: %w", err)
	}
	switch w.StatusCode {
	case http.StatusOK:
		if err := json.Unmarshal(body, answer); err != nil {
			return fmt.Errorf("asking the running hub: %w", errNotOurs)
		}
		return nil
	case http.StatusUnprocessableEntity:
		var t consoleTrouble
		if err := json.Unmarshal(body, &t); err == nil {
			if t.NotFound {
				return &saidError{t.Text, door.ErrNotFound}
			}
			return errors.New(t.Text)
		}
	}
	return fmt.Errorf("asking the running hub: %w: status %d", errNotOurs, w.StatusCode)
}

// A saidError is an error in the running hub's words.
type saidError struct {
	text string
	err  error
}

func (e *saidError) Error() string { return e.text }
func (e *saidError) Unwrap() error { return e.err }

// ask calls the console for an answer.
func ask[T any](ctx context.Context, o *caller, verb string, q consoleCall) (answer T, err error) {
	err = o.call(ctx, verb, q, &answer)
	return answer, err
}

func (o *caller) Invite(ctx context.Context, t Terms, addresses []string) (invite.Invitation, error) {
	return ask[invite.Invitation](ctx, o, "invite", consoleCall{Terms: t, Addresses: addresses})
}

func (o *caller) Invitations(ctx context.Context) ([]Invited, error) {
	return ask[[]Invited](ctx, o, "invitations", consoleCall{})
}

func (o *caller) Answer(ctx context.Context, files []string, name string) (Answered, error) {
	return ask[Answered](ctx, o, "answer", consoleCall{Files: files, Name: name})
}

func (o *caller) Jobs(ctx context.Context) ([]Job, error) {
	return ask[[]Job](ctx, o, "jobs", consoleCall{})
}

func (o *caller) Devices(ctx context.Context) ([]Device, error) {
	return ask[[]Device](ctx, o, "devices", consoleCall{})
}

func (o *caller) Revoke(ctx context.Context, device journal.ID) error {
	return o.call(ctx, "revoke", consoleCall{Device: device}, &struct{}{})
}

func (o *caller) Assign(ctx context.Context, device, job journal.ID) error {
	return o.call(ctx, "assign", consoleCall{Device: device, Job: job}, &struct{}{})
}

func (o *caller) Unassign(ctx context.Context, device, job journal.ID) error {
	return o.call(ctx, "unassign", consoleCall{Device: device, Job: job}, &struct{}{})
}

func (o *caller) Code(ctx context.Context, name string) (Code, error) {
	return ask[Code](ctx, o, "code", consoleCall{Name: name})
}

func (o *caller) Forget(ctx context.Context, job journal.ID) (int, error) {
	return ask[int](ctx, o, "forget", consoleCall{Job: job})
}

func (o *caller) Status(ctx context.Context) (Status, error) {
	return ask[Status](ctx, o, "status", consoleCall{})
}
