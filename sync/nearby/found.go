package nearby

import (
	"encoding/hex"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/net/dns/dnsmessage"
)

// maxFound bounds how many hubs, and how many host names, are remembered: a
// network has one hub, or a few. Common practice, no source.
const maxFound = 32

// found gathers what the answers say.
type found struct {
	hubs  map[string]*hub         // by the instance's name
	addrs map[string][]netip.Addr // by the host's name
}

// A hub is what is known of one.
type hub struct {
	label   string
	pointed bool
	srv     *dnsmessage.SRVResource
	version int
	fp      Fingerprint
	from    netip.Addr // where the last answer about it came from
}

func newFound() *found { return &found{map[string]*hub{}, map[string][]netip.Addr{}} }

// add takes in an answer that came from an address.
func (f *found) add(m message, from netip.Addr) {
	if !m.response {
		return
	}
	for _, r := range m.records {
		name := lower(r.Header.Name.String())
		switch body := r.Body.(type) {
		case *dnsmessage.PTRResource:
			if !is(r.Header.Name, serviceName) {
				continue
			}
			if r.Header.TTL == 0 {
				delete(f.hubs, lower(body.PTR.String()))
			} else if h := f.hub(body.PTR.String(), from); h != nil {
				h.pointed = true
			}
		case *dnsmessage.SRVResource:
			if h := f.hub(r.Header.Name.String(), from); h != nil && r.Header.TTL > 0 && body.Port > 0 {
				h.srv = body
			}
		case *dnsmessage.TXTResource:
			if h := f.hub(r.Header.Name.String(), from); h != nil && r.Header.TTL > 0 {
				h.version, h.fp = readTXT(body.TXT)
			}
		case *dnsmessage.AResource:
			f.addr(name, netip.AddrFrom4(body.A), r.Header.TTL)
		case *dnsmessage.AAAAResource:
			a := netip.AddrFrom16(body.AAAA).Unmap()
			if a.IsLinkLocalUnicast() && a.Is6() {
				a = a.WithZone(from.Zone()) // it is on the link that the answer came by
			}
			f.addr(name, a, r.Header.TTL)
		}
	}
}

// hub returns the hub of an instance's name, a new one if there is room; nil
// when that is no name for one.
func (f *found) hub(name string, from netip.Addr) *hub {
	key := lower(name)
	rest, ok := strings.CutSuffix(key, "."+serviceName)
	label := name[:len(rest)]
	if !ok || !printable(label) {
		return nil
	}
	h := f.hubs[key]
	if h == nil {
		if len(f.hubs) == maxFound {
			return nil
		}
		h = &hub{label: label}
		f.hubs[key] = h
	}
	h.from = from
	return h
}

// addr notes a host's address.
func (f *found) addr(name string, a netip.Addr, ttl uint32) {
	if ttl == 0 || !usable(a) || slices.Contains(f.addrs[name], a) || len(f.addrs[name]) == maxAddrs {
		return
	}
	if _, ok := f.addrs[name]; !ok && len(f.addrs) == maxFound {
		return
	}
	f.addrs[name] = append(f.addrs[name], a)
}

// usable tells whether an address can be dialled.
func usable(a netip.Addr) bool {
	return a.IsValid() && !a.IsUnspecified() && !a.IsMulticast() && a != netip.AddrFrom4([4]byte{255, 255, 255, 255})
}

// readTXT reads what a hub says of itself, as far as it is understood: keys in
// either case, the first of each (RFC 6763 section 6.4).
func readTXT(txt []string) (version int, fp Fingerprint) {
	seen := map[string]bool{}
	for _, s := range txt {
		key, value, _ := strings.Cut(s, "=")
		if key = lower(key); seen[key] {
			continue
		}
		switch seen[key] = true; key {
		case "txtvers":
			if n, err := strconv.ParseUint(value, 10, 16); err == nil {
				version = int(n)
			}
		case "fp":
			if b, err := hex.DecodeString(value); err == nil && len(b) == len(fp) {
				fp = Fingerprint(b)
			}
		}
	}
	return version, fp
}

// candidates returns what can be dialled: those with the fingerprint that is
// wanted first, then by name.
func (f *found) candidates(want Fingerprint) (out []Candidate) {
	for _, h := range f.hubs {
		if !h.pointed || h.srv == nil {
			continue
		}
		c := Candidate{Instance: h.label, Version: h.version, Fingerprint: h.fp}
		add := func(a netip.Addr) {
			if p := netip.AddrPortFrom(a, h.srv.Port); usable(a) && !slices.Contains(c.Addrs, p) {
				c.Addrs = append(c.Addrs, p)
			}
		}
		said := f.addrs[lower(h.srv.Target.String())]
		// The address that it answered from is one that gets through.
		if len(said) == 0 || slices.Contains(said, h.from) {
			add(h.from)
		}
		for _, a := range said {
			add(a)
		}
		if len(c.Addrs) > 0 {
			out = append(out, c)
		}
	}
	slices.SortFunc(out, func(a, b Candidate) int {
		if x, y := a.Fingerprint == want, b.Fingerprint == want; x != y && want != (Fingerprint{}) {
			if x {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Instance, b.Instance)
	})
	return out
}
