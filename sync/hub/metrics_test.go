package hub

import (
	"errors"
	"net"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/synctest"
)

// The whole of what is exposed, but for what the runtime says of itself.
func TestExpose(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	clock := func() time.Time { return now }
	book := synctest.NewBook(1, clock)
	roster, err := OpenRoster(book, clock, nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(Options{Book: book, Roster: roster, Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	for n := range byte(3) { // seen; revoked; never seen
		id, err := journal.NewIdentity(journal.ID{1 + n}, key(1+n))
		if err != nil {
			t.Fatal(err)
		}
		secret, _, err := roster.Invite(Terms{Role: door.Surveyor})
		if err == nil {
			_, err = roster.Join(secret[:], id, id.Key, "")
		}
		if n < 2 {
			err = errors.Join(err, roster.Saw(id.Device, id.Head().Head))
		}
		if n == 1 {
			err = errors.Join(err, roster.Revoke(id.Device))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	now = now.Add(90*time.Second + 250*time.Millisecond)
	for _, r := range []request{{"meet", "ok"}, {"join", "ok"}, {"meet", "busy"}, {"meet", "ok"}} {
		s.counters.count(r.route, r.outcome)
	}
	s.watch.refused("meet: busy")
	s.watch.refused("handshake failed")
	s.watch.refused("meet: busy")
	s.counters.pages.Store(30)
	s.counters.pageBytes.Store(4000)
	s.counters.pictures.Store(5)
	s.counters.joined.Store(6)
	b := newGateBench(t, func(*Limits) {})
	b.enrol(1)
	b.enter(t, 1, "192.0.2.1:1")
	b.enter(t, 2, "192.0.2.1:1")
	b.enter(t, 3, "192.0.2.1:1")
	b.gate.traffic.in.Store(700)
	b.gate.traffic.out.Store(800)
	s.gate.Store(b.gate)
	want := `# TYPE pinchrod_requests counter
# HELP pinchrod_requests Requests by route and outcome.
pinchrod_requests_total{route="join",outcome="ok"} 1
pinchrod_requests_total{route="meet",outcome="busy"} 1
pinchrod_requests_total{route="meet",outcome="ok"} 2
# TYPE pinchrod_refusals counter
# HELP pinchrod_refusals What was refused, by reason.
pinchrod_refusals_total{reason="handshake failed"} 1
pinchrod_refusals_total{reason="meet: busy"} 2
# TYPE pinchrod_connections gauge
# HELP pinchrod_connections Open connections, by what their key has proved.
pinchrod_connections{of="pending"} 0
pinchrod_connections{of="strangers"} 2
pinchrod_connections{of="devices"} 1
# TYPE pinchrod_accepted_connections counter
# HELP pinchrod_accepted_connections Connections that were ever made.
pinchrod_accepted_connections_total 3
# TYPE pinchrod_traffic_bytes counter
# HELP pinchrod_traffic_bytes Bytes on the devices' lines, TLS among them.
pinchrod_traffic_bytes_total{direction="in"} 700
pinchrod_traffic_bytes_total{direction="out"} 800
# TYPE pinchrod_pages_taken counter
# HELP pinchrod_pages_taken Pages taken into the book.
pinchrod_pages_taken_total 30
# TYPE pinchrod_page_bytes_taken counter
# HELP pinchrod_page_bytes_taken Bytes of those pages.
pinchrod_page_bytes_taken_total 4000
# TYPE pinchrod_pictures_taken counter
# HELP pinchrod_pictures_taken Pictures that have come in whole.
pinchrod_pictures_taken_total 5
# TYPE pinchrod_devices_joined counter
# HELP pinchrod_devices_joined Invitations that were used.
pinchrod_devices_joined_total 6
# TYPE pinchrod_receipt_age_seconds gauge
# HELP pinchrod_receipt_age_seconds Time since a device's last receipt, for devices that are let in.
pinchrod_receipt_age_seconds{device="01000000-0000-0000-0000-000000000000",tag="` + journal.ID{1}.Tag() + `"} 90.25
# TYPE pinchrod_uptime_seconds gauge
# HELP pinchrod_uptime_seconds Time since the hub started.
pinchrod_uptime_seconds 90.25
# TYPE pinchrod_memory_bytes gauge
# HELP pinchrod_memory_bytes Memory that the Go runtime holds of the system.
pinchrod_memory_bytes N
# TYPE pinchrod_goroutines gauge
# HELP pinchrod_goroutines Goroutines.
pinchrod_goroutines N
# EOF
`
	var out strings.Builder
	if err := s.expose(&out); err != nil {
		t.Fatal(err)
	}
	got := regexp.MustCompile(`(?m)^(pinchrod_(?:memory_bytes|goroutines)) [1-9][0-9.e+]*$`).ReplaceAllString(out.String(), "$1 N")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	client, server := net.Pipe()
	client.Close()
	server.Close()
	if err := s.expose(server); err == nil {
		t.Error("a reader that has gone is not told of")
	}
}

// No single device, and no single place, can take what is there for all.
func TestLimitsShare(t *testing.T) {
	l := DefaultLimits()
	for name, x := range map[string]struct{ one, all int }{
		"pending connections": {l.PendingPerAddress, l.Pending},
		"connections":         {l.PerDevice, l.Connections},
		"streams":             {l.StreamsPerDevice, l.Streams},
		"transfers":           {l.TransfersPerDevice, l.Transfers},
	} {
		if x.one < 1 || 2*x.one > x.all {
			t.Errorf("%s: one can have %d of %d, want at least one and at most half", name, x.one, x.all)
		}
	}
}
