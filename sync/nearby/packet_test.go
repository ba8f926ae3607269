package nearby

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"net/netip"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/dns/dnsmessage"
)

func pack(t testing.TB, m dnsmessage.Message) []byte {
	t.Helper()
	b, err := m.Pack()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The question, byte by byte: RFC 1035 section 4.1, with the top bit of the
// class as RFC 6762 section 5.4 has it.
func TestQuery(t *testing.T) {
	got, err := query(0x1234)
	want, _ := hex.DecodeString("1234" + "0000" + "0001" + "0000" + "0000" + "0000" +
		"09" + hex.EncodeToString([]byte("_pinchrod")) + "04" + hex.EncodeToString([]byte("_tcp")) + "05" + hex.EncodeToString([]byte("local")) + "00" +
		"000c" + "8001")
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("%x, %v; want %x", got, err, want)
	}
}

// describe writes the records of a message, one a line.
func describe(t *testing.T, b []byte) (out []string) {
	t.Helper()
	var m dnsmessage.Message
	if err := m.Unpack(b); err != nil {
		t.Fatal(err)
	}
	for _, q := range m.Questions {
		out = append(out, fmt.Sprintf("? %s %s %#x", q.Name, q.Type, uint16(q.Class)))
	}
	for i, section := range [][]dnsmessage.Resource{m.Answers, m.Additionals} {
		for _, r := range section {
			s := fmt.Sprintf("%d %s %s %#x %d ", i, r.Header.Name, r.Header.Type, uint16(r.Header.Class), r.Header.TTL)
			switch b := r.Body.(type) {
			case *dnsmessage.PTRResource:
				s += b.PTR.String()
			case *dnsmessage.SRVResource:
				s += fmt.Sprint(b.Priority, b.Weight, b.Port, b.Target)
			case *dnsmessage.TXTResource:
				s += strings.Join(b.TXT, " ")
			case *dnsmessage.AResource:
				s += netip.AddrFrom4(b.A).String()
			case *dnsmessage.AAAAResource:
				s += netip.AddrFrom16(b.AAAA).String()
			}
			out = append(out, s)
		}
	}
	return append([]string{fmt.Sprintf("id %d response %t authoritative %t", m.ID, m.Response, m.Authoritative)}, out...)
}

func TestAnswer(t *testing.T) {
	const (
		head   = "id 0 response true authoritative true"
		inst   = "Werkstatt Süd deadbeef._pinchrod._tcp.local."
		host   = "pinchrod-deadbeef01020304.local."
		ptr    = "0 " + serviceName + " TypePTR 0x1 4500 " + inst
		srv    = inst + " TypeSRV 0x8001 120 0 0 4711 " + host
		txt    = inst + " TypeTXT 0x8001 4500 txtvers=1 fp=deadbeef01020304"
		a      = host + " TypeA 0x8001 120 192.168.7.2"
		aaaa   = host + " TypeAAAA 0x8001 120 fe80::2"
		direct = dnsmessage.ClassINET | topBit
	)
	known := func(ttl uint32) []dnsmessage.Resource {
		return []dnsmessage.Resource{{
			Header: dnsmessage.ResourceHeader{Name: dnsmessage.MustNewName(serviceName), Class: dnsmessage.ClassINET, TTL: ttl},
			Body:   &dnsmessage.PTRResource{PTR: dnsmessage.MustNewName(inst)},
		}}
	}
	q := func(name string, typ dnsmessage.Type, class dnsmessage.Class) dnsmessage.Question {
		return dnsmessage.Question{Name: dnsmessage.MustNewName(name), Type: typ, Class: class}
	}
	for _, tc := range []struct {
		name   string
		ask    dnsmessage.Message
		legacy bool
		want   []string
		direct bool
	}{
		{"everyone", dnsmessage.Message{Questions: []dnsmessage.Question{q(serviceName, dnsmessage.TypePTR, dnsmessage.ClassINET)}}, false,
			[]string{head, ptr, "1 " + srv, "1 " + txt, "1 " + a, "1 " + aaaa}, false},
		{"one, in capitals", dnsmessage.Message{Questions: []dnsmessage.Question{q(strings.ToUpper(serviceName), dnsmessage.TypeALL, direct)}}, false,
			[]string{head, ptr, "1 " + srv, "1 " + txt, "1 " + a, "1 " + aaaa}, true},
		{"known", dnsmessage.Message{Questions: []dnsmessage.Question{q(serviceName, dnsmessage.TypePTR, direct)}, Answers: known(2250)}, false, nil, true},
		{"known, but not for long", dnsmessage.Message{Questions: []dnsmessage.Question{q(serviceName, dnsmessage.TypePTR, direct)}, Answers: known(2249)}, false,
			[]string{head, ptr, "1 " + srv, "1 " + txt, "1 " + a, "1 " + aaaa}, true},
		{"services", dnsmessage.Message{Questions: []dnsmessage.Question{q(metaName, dnsmessage.TypePTR, dnsmessage.ClassINET)}}, false,
			[]string{head, "0 " + metaName + " TypePTR 0x1 4500 " + serviceName, "1 " + srv, "1 " + txt, "1 " + a, "1 " + aaaa}, false},
		{"what it points to", dnsmessage.Message{Questions: []dnsmessage.Question{q(inst, dnsmessage.TypeSRV, direct), q(host, dnsmessage.TypeAAAA, direct)}}, false,
			[]string{head, "0 " + srv, "0 " + aaaa, "1 " + txt, "1 " + a}, true},
		{"one of them for everyone", dnsmessage.Message{Questions: []dnsmessage.Question{q(inst, dnsmessage.TypeTXT, direct), q(host, dnsmessage.TypeA, dnsmessage.ClassINET)}}, false,
			[]string{head, "0 " + txt, "0 " + a, "1 " + srv, "1 " + aaaa}, false},
		{"plain DNS", dnsmessage.Message{Header: dnsmessage.Header{ID: 77}, Questions: []dnsmessage.Question{q(serviceName, dnsmessage.TypePTR, direct)}}, true,
			[]string{"id 77 response true authoritative true", "? " + serviceName + " TypePTR 0x1",
				"0 " + serviceName + " TypePTR 0x1 10 " + inst, "1 " + inst + " TypeSRV 0x1 10 0 0 4711 " + host,
				"1 " + inst + " TypeTXT 0x1 10 txtvers=1 fp=deadbeef01020304", "1 " + host + " TypeA 0x1 10 192.168.7.2", "1 " + host + " TypeAAAA 0x1 10 fe80::2"}, true},
		{"another service", dnsmessage.Message{Questions: []dnsmessage.Question{q("_ipp._tcp.local.", dnsmessage.TypePTR, direct)}}, false, nil, true},
		{"another type", dnsmessage.Message{Questions: []dnsmessage.Question{q(serviceName, dnsmessage.TypeSRV, direct)}}, false, nil, true},
		{"another class", dnsmessage.Message{Questions: []dnsmessage.Question{q(serviceName, dnsmessage.TypePTR, dnsmessage.ClassCHAOS)}}, false, nil, true},
		{"nothing", dnsmessage.Message{}, false, nil, true},
	} {
		m, err := parse(pack(t, tc.ask))
		if err != nil {
			t.Fatal(err)
		}
		b, direct, err := workshop.answer(m, tc.legacy)
		if err != nil || (b == nil) != (tc.want == nil) || b != nil && direct != tc.direct {
			t.Errorf("%s: %d bytes, direct %t, %v", tc.name, len(b), direct, err)
		}
		if b == nil {
			continue
		}
		if d := cmp.Diff(tc.want, describe(t, b)); d != "" {
			t.Errorf("%s: %s", tc.name, d)
		}
		if len(b) > 512 {
			t.Errorf("%s: %d bytes", tc.name, len(b))
		}
	}
	bye, err := workshop.announcement(true)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range describe(t, bye)[1:] {
		if !strings.Contains(line, " 0 ") {
			t.Errorf("goodbye says %q", line)
		}
	}
}

// resource makes a record.
func resource(name string, ttl uint32, body dnsmessage.ResourceBody) dnsmessage.Resource {
	return dnsmessage.Resource{Header: dnsmessage.ResourceHeader{Name: dnsmessage.MustNewName(name), Class: dnsmessage.ClassINET, TTL: ttl}, Body: body}
}

func ptr(to string, ttl uint32) dnsmessage.Resource {
	return resource(serviceName, ttl, &dnsmessage.PTRResource{PTR: dnsmessage.MustNewName(to)})
}

func srv(name string, port uint16, host string) dnsmessage.Resource {
	return resource(name, 120, &dnsmessage.SRVResource{Port: port, Target: dnsmessage.MustNewName(host)})
}

// What others on the network may say.
func TestHostile(t *testing.T) {
	const x = "x._pinchrod._tcp.local."
	from := netip.MustParseAddr("10.0.0.66")
	a := func(host string, a ...byte) dnsmessage.Resource {
		return resource(host, 120, &dnsmessage.AResource{A: [4]byte(a)})
	}
	good := []dnsmessage.Resource{ptr(x, 120), srv(x, 80, "h.local.")}
	for _, tc := range []struct {
		name    string
		records []dnsmessage.Resource
		want    []Candidate
	}{
		{"from where it came", good, []Candidate{{Instance: "x", Addrs: []netip.AddrPort{netip.MustParseAddrPort("10.0.0.66:80")}}}},
		{"no port", []dnsmessage.Resource{ptr(x, 120), srv(x, 0, "h.local.")}, nil},
		{"not pointed to", good[1:], nil},
		{"only pointed to", good[:1], nil},
		{"gone", append(good[:2:2], ptr(strings.ToUpper(x), 0)), nil},
		{"of another service", []dnsmessage.Resource{resource("_ipp._tcp.local.", 120, &dnsmessage.PTRResource{PTR: dnsmessage.MustNewName(x)}), good[1]}, nil},
		{"pointing elsewhere", []dnsmessage.Resource{ptr("x._ipp._tcp.local.", 120), srv("x._ipp._tcp.local.", 80, "h.local.")}, nil},
		{"no label", []dnsmessage.Resource{ptr(serviceName, 120), srv(serviceName, 80, "h.local.")}, nil},
		{"two labels", []dnsmessage.Resource{ptr("y."+x, 120), srv("y."+x, 80, "h.local.")}, nil},
		{"an escape", []dnsmessage.Resource{ptr("\x1b[2J"+x, 120), srv("\x1b[2J"+x, 80, "h.local.")}, nil},
		{"no UTF-8", []dnsmessage.Resource{ptr("\xff"+x, 120), srv("\xff"+x, 80, "h.local.")}, nil},
		{"addresses that are none", append(good[:2:2], a("h.local.", 0, 0, 0, 0), a("h.local.", 224, 0, 0, 251), a("h.local.", 255, 255, 255, 255), a("H.local.", 10, 0, 0, 7), a("h.local.", 10, 0, 0, 7)),
			[]Candidate{{Instance: "x", Addrs: []netip.AddrPort{netip.MustParseAddrPort("10.0.0.7:80")}}}},
		{"it is one of its addresses", append(good[:2:2], a("h.local.", 10, 0, 0, 7), a("h.local.", 10, 0, 0, 66)),
			[]Candidate{{Instance: "x", Addrs: []netip.AddrPort{netip.MustParseAddrPort("10.0.0.66:80"), netip.MustParseAddrPort("10.0.0.7:80")}}}},
		{"what it says of itself", append(good[:2:2], resource(x, 120, &dnsmessage.TXTResource{TXT: []string{"", "=", "FP=0102030405060708", "fp=ffffffffffffffff", "TxtVers=7", "txtvers=8", "more"}})),
			[]Candidate{{Instance: "x", Version: 7, Fingerprint: Fingerprint{1, 2, 3, 4, 5, 6, 7, 8}, Addrs: []netip.AddrPort{netip.MustParseAddrPort("10.0.0.66:80")}}}},
		{"nonsense of itself", append(good[:2:2], resource(x, 120, &dnsmessage.TXTResource{TXT: []string{"fp=01", "txtvers=-1"}})),
			[]Candidate{{Instance: "x", Addrs: []netip.AddrPort{netip.MustParseAddrPort("10.0.0.66:80")}}}},
	} {
		m, err := parse(pack(t, dnsmessage.Message{Header: dnsmessage.Header{Response: true}, Answers: tc.records}))
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		f := newFound()
		f.add(m, from)
		if d := cmp.Diff(tc.want, f.candidates(Fingerprint{}), cmp.Comparer(func(a, b netip.AddrPort) bool { return a == b })); d != "" {
			t.Errorf("%s: %s", tc.name, d)
		}
		m.response = false
		f = newFound()
		if f.add(m, from); len(f.hubs) > 0 {
			t.Errorf("%s: a question is taken for an answer", tc.name)
		}
	}
}

func TestLimits(t *testing.T) {
	// More hubs, hosts and addresses than there is room for.
	f := newFound()
	for i := range 4 * maxFound {
		name := fmt.Sprintf("n%d.%s", i, serviceName)
		records := []dnsmessage.Resource{ptr(name, 120), srv(name, 80, "h.local."), resource(fmt.Sprintf("h%d.local.", i), 120, &dnsmessage.AResource{A: [4]byte{10, 0, 0, 1}}),
			resource("h.local.", 120, &dnsmessage.AResource{A: [4]byte{10, 0, 1, byte(i)}})}
		m, err := parse(pack(t, dnsmessage.Message{Header: dnsmessage.Header{Response: true}, Answers: records}))
		if err != nil {
			t.Fatal(err)
		}
		f.add(m, netip.MustParseAddr("10.0.0.66"))
	}
	c := f.candidates(Fingerprint{})
	if len(c) != maxFound || len(f.hubs) != maxFound || len(f.addrs) != maxFound || len(c[0].Addrs) != maxAddrs {
		t.Errorf("%d candidates, %d hubs, %d hosts, %d addresses", len(c), len(f.hubs), len(f.addrs), len(c[0].Addrs))
	}

	many := func(n int) (out []dnsmessage.Resource) {
		for range n {
			out = append(out, ptr("x."+serviceName, 120))
		}
		return out
	}
	questions := make([]dnsmessage.Question, maxQuestions+1)
	for i := range questions {
		questions[i].Name = dnsmessage.MustNewName(serviceName)
	}
	for name, tc := range map[string]struct {
		m  dnsmessage.Message
		ok bool
	}{
		"as many records as may be":   {dnsmessage.Message{Answers: many(maxRecords)}, true},
		"too many records":            {dnsmessage.Message{Answers: many(maxRecords - 1), Additionals: many(2)}, false},
		"as many questions as may be": {dnsmessage.Message{Questions: questions[1:]}, true},
		"too many questions":          {dnsmessage.Message{Questions: questions}, false},
		"another operation":           {dnsmessage.Message{Header: dnsmessage.Header{OpCode: 5}}, false},
		"an error":                    {dnsmessage.Message{Header: dnsmessage.Header{RCode: 3}}, false},
	} {
		if _, err := parse(pack(t, tc.m)); (err == nil) != tc.ok {
			t.Errorf("%s: %v", name, err)
		}
	}
	whole := pack(t, dnsmessage.Message{Answers: many(3)})
	for n := range whole {
		if _, err := parse(whole[:n]); err == nil {
			t.Errorf("%d bytes of %d are read", n, len(whole))
		}
	}
	if _, err := parse(append(whole, make([]byte, maxPacket)...)); err == nil {
		t.Error("a packet that is too long is read")
	}
}

// FuzzParse reads any packet, as an answer and as a question.
func FuzzParse(f *testing.F) {
	q, err := query(1)
	if err != nil {
		f.Fatal(err)
	}
	hello, err := workshop.announcement(false)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(q)
	f.Add(hello)
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := parse(b)
		if err != nil {
			return
		}
		if len(m.records) > maxRecords || len(m.questions) > maxQuestions {
			t.Errorf("%d records, %d questions", len(m.records), len(m.questions))
		}
		found := newFound()
		m.response = true
		found.add(m, netip.MustParseAddr("10.0.0.1"))
		for _, c := range found.candidates(Fingerprint{}) {
			if !printable(c.Instance) || len(c.Addrs) == 0 {
				t.Errorf("%+v", c)
			}
		}
		for _, legacy := range []bool{false, true} {
			b, _, err := workshop.answer(m, legacy)
			if err != nil {
				t.Fatal(err)
			}
			if b != nil {
				if _, err := parse(b); err != nil {
					t.Errorf("our own answer: %v", err)
				}
			}
		}
	})
}
