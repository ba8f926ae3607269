package hub

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/netip"
	"strings"
	"sync"
	"time"
)

// A Code signs one person in to the pages, once.
type Code struct {
	Code    string // two groups of four
	Expires time.Time
}

const (
	// codeLife and sessionLife: common practice, no source. Ten minutes are time
	// to walk from the hub to another desk; twelve hours are a working day.
	codeLife    = 10 * time.Minute
	sessionLife = 12 * time.Hour
	// maxCodes and maxSessions bound the memory; the oldest go.
	maxCodes    = 8
	maxSessions = 64
)

// codeLetters are what is not taken for something else when written by hand or
// read aloud, as in a device's tag. Eight of them make 25^8 = 1.5e11 codes.
const (
	codeLetters = "ACDEFHJKMNPRTVWXY23456789"
	codeLen     = 8
)

// Tries to sign in: five a minute from one address, as somebody who mistypes
// makes; and twenty a second in all, so that in a code's life of ten minutes
// everybody together tries 12,000 of 1.5e11 codes.
const (
	triesRate, triesBurst       = 5.0 / 60, 5
	allTriesRate, allTriesBurst = 20.0, 200
	maxTriers                   = 4096 // addresses that are told apart
)

// ErrCode: no such code, or not any more.
var ErrCode = errors.New("this code is not valid")

// A triesError says that there were too many tries, and when the next may be.
type triesError struct{ wait time.Duration }

func (e *triesError) Error() string { return "too many tries" }

// Sessions know who has signed in to the pages. They are in memory: when the
// hub is started again, people sign in again.
type Sessions struct {
	now  func() time.Time
	rand io.Reader

	tries    buckets[netip.Addr]
	allTries buckets[struct{}]

	mu       sync.Mutex
	where    string     // a code is to be had
	codes    []codeNote // the oldest first
	sessions map[[sha256.Size]byte]session
}

type codeNote struct {
	sum     [sha256.Size]byte
	name    string
	expires time.Time
}

type session struct {
	name string
	ends time.Time
}

// NewSessions returns sessions, of which there are none yet.
func NewSessions(now func() time.Time, random io.Reader) *Sessions {
	return &Sessions{
		now: now, rand: random,
		tries:    buckets[netip.Addr]{rate: triesRate, burst: triesBurst, most: maxTriers},
		allTries: buckets[struct{}]{rate: allTriesRate, burst: allTriesBurst, most: 1},
		where:    "Whoever runs the hub makes the code: “pinchrod hub code” shows one.",
		sessions: map[[sha256.Size]byte]session{},
	}
}

// SetWhere has the sign-in page say where a code is to be had, in a whole
// sentence. Until then it is that of a hub.
func (s *Sessions) SetWhere(sentence string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.where = sentence
}

func (s *Sessions) whereCodes() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.where
}

// Code makes a code for a person of that name; "bench" if there is none.
func (s *Sessions) Code(name string) (Code, error) {
	if name == "" {
		name = "bench"
	}
	if err := checkName(name); err != nil {
		return Code{}, err
	}
	var code []byte
	for b := make([]byte, 1); len(code) < codeLen; {
		if _, err := io.ReadFull(s.rand, b); err != nil {
			return Code{}, fmt.Errorf("making a code: %w", err)
		}
		// 250 is the last multiple of 25 in a byte: every letter is as likely.
		if b[0] < 250 {
			code = append(code, codeLetters[int(b[0])%len(codeLetters)])
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	expires := s.now().UTC().Add(codeLife)
	s.codes = append(s.codes, codeNote{sha256.Sum256(code), name, expires})
	if len(s.codes) > maxCodes {
		s.codes = s.codes[1:]
	}
	return Code{string(code[:4]) + "-" + string(code[4:]), expires}, nil
}

// SignIn uses a code, as it was typed, and returns the token of a session.
// Errors: [ErrCode], and one after too many tries.
func (s *Sessions) SignIn(code string, from netip.Addr) (token string, ends time.Time, err error) {
	now := s.now()
	if wait := s.tries.take(from, now); wait > 0 {
		return "", time.Time{}, &triesError{wait}
	}
	if wait := s.allTries.take(struct{}{}, now); wait > 0 {
		return "", time.Time{}, &triesError{wait}
	}
	code = strings.Map(func(c rune) rune {
		if c == ' ' || c == '-' {
			return -1
		}
		return c
	}, strings.ToUpper(code))
	sum := sha256.Sum256([]byte(code))
	s.mu.Lock()
	defer s.mu.Unlock()
	found := -1 // all are compared, whichever it is
	for i, c := range s.codes {
		if subtle.ConstantTimeCompare(c.sum[:], sum[:]) == 1 {
			found = i
		}
	}
	if found < 0 || !now.Before(s.codes[found].expires) {
		return "", time.Time{}, ErrCode
	}
	name := s.codes[found].name
	s.codes = append(s.codes[:found:found], s.codes[found+1:]...)
	var secret [32]byte
	if _, err := io.ReadFull(s.rand, secret[:]); err != nil {
		return "", time.Time{}, fmt.Errorf("signing in: %w", err)
	}
	token = base64.RawURLEncoding.EncodeToString(secret[:])
	ends = now.Add(sessionLife)
	s.room(now)
	s.sessions[sha256.Sum256([]byte(token))] = session{name, ends}
	return token, ends, nil
}

// room makes room for one more session.
func (s *Sessions) room(now time.Time) {
	var first [sha256.Size]byte
	var ends time.Time
	for k, x := range s.sessions {
		if !now.Before(x.ends) {
			delete(s.sessions, k)
		} else if ends.IsZero() || x.ends.Before(ends) {
			first, ends = k, x.ends
		}
	}
	if len(s.sessions) >= maxSessions {
		delete(s.sessions, first)
	}
}

// Who returns the name that a session's code was made for; false when there is
// no such session, or not any more.
func (s *Sessions) Who(token string) (name string, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x, ok := s.sessions[sha256.Sum256([]byte(token))]
	if !ok || !s.now().Before(x.ends) {
		return "", false
	}
	return x.name, true
}

// SignOut ends a session.
func (s *Sessions) SignOut(token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.sessions, sha256.Sum256([]byte(token)))
}
