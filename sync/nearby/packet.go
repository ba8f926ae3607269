package nearby

import (
	"encoding/hex"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/net/dns/dnsmessage"
)

const (
	serviceName = "_pinchrod._tcp.local."
	metaName    = "_services._dns-sd._udp.local." // RFC 6763 section 9
	txtVersion  = 1

	// maxPacket is the largest message that multicast DNS allows, RFC 6762
	// section 17.
	maxPacket = 9000
	// What one message may hold for us to look at it. A hub's answer has 4
	// records and one for each address; other services on the network share
	// messages with it. Common practice, no source.
	maxQuestions = 16
	maxRecords   = 128
	// maxAddrs bounds the addresses of one hub: a few interfaces, with both
	// kinds of addresses. Common practice, no source.
	maxAddrs = 16

	// Times to live in seconds, RFC 6762 section 10: those for records with a
	// host name or its address in them, and the others.
	hostTTL  = 120
	otherTTL = 75 * 60
	// legacyTTL is the most that those who do not listen for changes are told,
	// RFC 6762 section 6.7.
	legacyTTL = 10

	// The top bit of a class: in a question, that the answer may come to the
	// asker alone (RFC 6762 section 5.4); in a record, that it replaces what
	// is remembered (section 10.2).
	topBit = 1 << 15
)

// A Fingerprint is the first 8 bytes of the fingerprint of a hub's key.
type Fingerprint [8]byte

// String returns the bytes in hex.
func (f Fingerprint) String() string { return hex.EncodeToString(f[:]) }

// A Service is a hub that lets itself be found.
type Service struct {
	Instance    string // what people call it: at most 54 bytes, without dots
	Port        uint16
	Addrs       []netip.Addr // where it listens; none for wherever it answers from
	Fingerprint Fingerprint
}

// A Candidate is where a hub may be.
type Candidate struct {
	Instance string
	Version  int // of what the TXT record says
	// Fingerprint is whatever the answer claims; all zero when it says none.
	Fingerprint Fingerprint
	Addrs       []netip.AddrPort // the likeliest first
}

// names are what a service's records are called.
type names struct{ service, meta, instance, host dnsmessage.Name }

func (s Service) names() (n names, err error) {
	if err := checkInstance(s.Instance); err != nil {
		return names{}, err
	}
	if s.Port == 0 || len(s.Addrs) > maxAddrs {
		return names{}, fmt.Errorf("port %d, and %d addresses of %d", s.Port, len(s.Addrs), maxAddrs)
	}
	fp := s.Fingerprint.String()
	for name, to := range map[string]*dnsmessage.Name{
		serviceName: &n.service,
		metaName:    &n.meta,
		s.Instance + " " + fp[:8] + "." + serviceName: &n.instance,
		"pinchrod-" + fp + ".local.":                  &n.host,
	} {
		if *to, err = dnsmessage.NewName(name); err != nil {
			return names{}, fmt.Errorf("the name %q: %w", s.Instance, err)
		}
	}
	return n, nil
}

// checkInstance checks a name that people see.
func checkInstance(s string) error {
	// 63 bytes are the most that a label holds (RFC 1035 section 2.3.4), and
	// nine of them say the fingerprint.
	if len(s) > 63-9 || !printable(s) {
		return fmt.Errorf("the name %q: it may have 1 to 54 bytes, without dots", s)
	}
	return nil
}

// printable tells whether a name is one label that can be shown to people on
// a terminal.
func printable(s string) bool {
	return s != "" && utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return r == '.' || !unicode.IsPrint(r) })
}

// records returns a service's records: the pointer to it, and what it points
// to. Their times to live are at most ttl; own is the bit for those that are
// this service's alone.
func (s Service) records(n names, ttl uint32, own dnsmessage.Class) (pointer dnsmessage.Resource, rest []dnsmessage.Resource) {
	head := func(name dnsmessage.Name, class dnsmessage.Class, life uint32) dnsmessage.ResourceHeader {
		return dnsmessage.ResourceHeader{Name: name, Class: dnsmessage.ClassINET | class, TTL: min(life, ttl)}
	}
	pointer = dnsmessage.Resource{Header: head(n.service, 0, otherTTL), Body: &dnsmessage.PTRResource{PTR: n.instance}}
	rest = []dnsmessage.Resource{
		{Header: head(n.instance, own, hostTTL), Body: &dnsmessage.SRVResource{Port: s.Port, Target: n.host}},
		{Header: head(n.instance, own, otherTTL), Body: &dnsmessage.TXTResource{TXT: []string{"txtvers=" + strconv.Itoa(txtVersion), "fp=" + s.Fingerprint.String()}}},
	}
	for _, a := range s.Addrs {
		var body dnsmessage.ResourceBody
		if a = a.Unmap(); a.Is4() {
			body = &dnsmessage.AResource{A: a.As4()}
		} else {
			body = &dnsmessage.AAAAResource{AAAA: a.As16()}
		}
		rest = append(rest, dnsmessage.Resource{Header: head(n.host, own, hostTTL), Body: body})
	}
	return pointer, rest
}

// query asks for hubs.
func query(id uint16) ([]byte, error) {
	m := dnsmessage.Message{Header: dnsmessage.Header{ID: id}, Questions: []dnsmessage.Question{{
		Name: dnsmessage.MustNewName(serviceName), Type: dnsmessage.TypePTR, Class: dnsmessage.ClassINET | topBit,
	}}}
	return m.Pack()
}

// A message is what of a packet concerns us.
type message struct {
	id        uint16
	response  bool
	questions []dnsmessage.Question
	records   []dnsmessage.Resource // of the types and the class that we use
}

var errPacket = errors.New("not a message that this reads")

// parse reads a packet.
func parse(b []byte) (message, error) {
	if len(b) > maxPacket {
		return message{}, fmt.Errorf("%w: %d bytes", errPacket, len(b))
	}
	var p dnsmessage.Parser
	h, err := p.Start(b)
	if err != nil {
		return message{}, fmt.Errorf("%w: %w", errPacket, err)
	}
	// RFC 6762 sections 18.3 and 18.11: other codes are silently ignored.
	if h.OpCode != 0 || h.RCode != 0 {
		return message{}, fmt.Errorf("%w: operation %d, code %d", errPacket, h.OpCode, h.RCode)
	}
	m := message{id: h.ID, response: h.Response}
	for {
		q, err := p.Question()
		if err == dnsmessage.ErrSectionDone {
			break
		}
		if err != nil {
			return message{}, fmt.Errorf("%w: %w", errPacket, err)
		}
		if m.questions = append(m.questions, q); len(m.questions) > maxQuestions {
			return message{}, fmt.Errorf("%w: more than %d questions", errPacket, maxQuestions)
		}
	}
	seen := 0
	for _, section := range []struct {
		head func() (dnsmessage.ResourceHeader, error)
		body func() (dnsmessage.Resource, error)
		skip func() error
	}{
		{p.AnswerHeader, p.Answer, p.SkipAnswer},
		{p.AuthorityHeader, p.Authority, p.SkipAuthority},
		{p.AdditionalHeader, p.Additional, p.SkipAdditional},
	} {
		for {
			h, err := section.head()
			if err == dnsmessage.ErrSectionDone {
				break
			}
			if seen++; err == nil && seen > maxRecords {
				err = fmt.Errorf("more than %d records", maxRecords)
			}
			var r dnsmessage.Resource
			if err == nil {
				if useful(h) {
					r, err = section.body()
				} else {
					err = section.skip()
				}
			}
			if err != nil {
				return message{}, fmt.Errorf("%w: %w", errPacket, err)
			}
			if r.Body != nil {
				m.records = append(m.records, r)
			}
		}
	}
	return m, nil
}

// useful tells whether a record is of a kind that we read.
func useful(h dnsmessage.ResourceHeader) bool {
	switch h.Type {
	case dnsmessage.TypePTR, dnsmessage.TypeSRV, dnsmessage.TypeTXT, dnsmessage.TypeA, dnsmessage.TypeAAAA:
		return h.Class&^topBit == dnsmessage.ClassINET
	}
	return false
}

// is compares names as DNS does (RFC 4343: letters of ASCII in either case).
func is(a dnsmessage.Name, b string) bool {
	return len(b) == int(a.Length) && lower(a.String()) == lower(b)
}

func lower(s string) string {
	b := []byte(s)
	for i, c := range b {
		if 'A' <= c && c <= 'Z' {
			b[i] = c + 'a' - 'A'
		}
	}
	return string(b)
}

// answer answers a query as the service; nil when it is not for us. direct
// says that the answer goes to the asker alone; legacy that the asker speaks
// plain DNS (RFC 6762 section 6.7), and wants its question back.
func (s Service) answer(q message, legacy bool) (b []byte, direct bool, err error) {
	n, err := s.names()
	if err != nil {
		return nil, false, err
	}
	ttl, own := uint32(otherTTL), dnsmessage.Class(topBit)
	reply := dnsmessage.Message{Header: dnsmessage.Header{Response: true, Authoritative: true}}
	if legacy {
		ttl, own = legacyTTL, 0
		reply.ID = q.id
	}
	pointer, rest := s.records(n, ttl, own)
	meta := dnsmessage.Resource{Header: pointer.Header, Body: &dnsmessage.PTRResource{PTR: n.service}}
	meta.Header.Name = n.meta
	used := make([]bool, len(rest))
	direct = true
	for _, question := range q.questions {
		if question.Class&^topBit != dnsmessage.ClassINET && question.Class&^topBit != dnsmessage.ClassANY {
			continue
		}
		wants := func(name dnsmessage.Name, t dnsmessage.Type) bool {
			return is(question.Name, name.String()) && (question.Type == t || question.Type == dnsmessage.TypeALL)
		}
		before := len(reply.Answers)
		if wants(n.meta, dnsmessage.TypePTR) {
			reply.Answers = append(reply.Answers, meta)
		}
		if wants(n.service, dnsmessage.TypePTR) && !s.known(q, n) {
			reply.Answers = append(reply.Answers, pointer)
		}
		for i, r := range rest {
			if !used[i] && wants(r.Header.Name, bodyType(r.Body)) {
				reply.Answers, used[i] = append(reply.Answers, r), true
			}
		}
		if len(reply.Answers) > before {
			direct = direct && question.Class&topBit != 0
			if legacy {
				reply.Questions = append(reply.Questions, dnsmessage.Question{Name: question.Name, Type: question.Type, Class: question.Class &^ topBit})
			}
		}
	}
	if len(reply.Answers) == 0 {
		return nil, false, nil
	}
	for i, r := range rest {
		if !used[i] {
			reply.Additionals = append(reply.Additionals, r)
		}
	}
	b, err = reply.Pack()
	return b, direct || legacy, err
}

// known tells whether the asker says that it knows us, and for a while yet
// (RFC 6762 section 7.1).
func (s Service) known(q message, n names) bool {
	return slices.ContainsFunc(q.records, func(r dnsmessage.Resource) bool {
		p, ok := r.Body.(*dnsmessage.PTRResource)
		return ok && is(r.Header.Name, serviceName) && is(p.PTR, n.instance.String()) && r.Header.TTL >= otherTTL/2
	})
}

// bodyType returns the type that a record will be given when it is packed.
func bodyType(b dnsmessage.ResourceBody) dnsmessage.Type {
	switch b.(type) {
	case *dnsmessage.SRVResource:
		return dnsmessage.TypeSRV
	case *dnsmessage.TXTResource:
		return dnsmessage.TypeTXT
	case *dnsmessage.AResource:
		return dnsmessage.TypeA
	case *dnsmessage.AAAAResource:
		return dnsmessage.TypeAAAA
	}
	return dnsmessage.TypePTR
}

// announcement says to everyone that the service is there, or (with a time to
// live of 0, RFC 6762 section 10.1) that it goes.
func (s Service) announcement(leaving bool) ([]byte, error) {
	n, err := s.names()
	if err != nil {
		return nil, err
	}
	ttl := uint32(otherTTL)
	if leaving {
		ttl = 0
	}
	pointer, rest := s.records(n, ttl, topBit)
	m := dnsmessage.Message{Header: dnsmessage.Header{Response: true, Authoritative: true}, Answers: append([]dnsmessage.Resource{pointer}, rest...)}
	return m.Pack()
}
