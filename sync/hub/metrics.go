package hub

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"runtime/metrics"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
)

// metricsType is the content type of the OpenMetrics 1.0 text format, which
// expose writes.
const metricsType = "application/openmetrics-text; version=1.0.0; charset=utf-8"

// counters are what the hub counts itself.
type counters struct {
	mu       sync.Mutex
	requests map[request]int64

	pages, pageBytes atomic.Int64 // taken in
	pictures         atomic.Int64
	joined           atomic.Int64
}

// A request is counted by its route and how it ended.
type request struct{ route, outcome string }

func (c *counters) count(route, outcome string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.requests == nil {
		c.requests = map[request]int64{}
	}
	c.requests[request{route, outcome}]++
}

func (c *counters) byRequest() map[request]int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return maps.Clone(c.requests)
}

// An exposition writes metrics in the OpenMetrics text format.
type exposition struct {
	w   io.Writer
	err error
}

func (e *exposition) printf(format string, args ...any) {
	if e.err == nil {
		_, e.err = fmt.Fprintf(e.w, format, args...)
	}
}

// family opens a metric: what follows are its samples.
func (e *exposition) family(name, kind, help string) {
	e.printf("# TYPE %s %s\n# HELP %s %s\n", name, kind, name, help)
}

// escape writes a label's value (OpenMetrics 1.0, "escaped-string").
var escape = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

// sample writes one value. labels are names and values by turns.
func (e *exposition) sample(name string, value float64, labels ...string) {
	var b strings.Builder
	for i := 0; i+1 < len(labels); i += 2 {
		if i > 0 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, `%s="%s"`, labels[i], escape.Replace(labels[i+1]))
	}
	if b.Len() > 0 {
		name += "{" + b.String() + "}"
	}
	e.printf("%s %s\n", name, strconv.FormatFloat(value, 'g', -1, 64))
}

// counter writes a family of one counter.
func (e *exposition) counter(name, help string, value int64) {
	e.family(name, "counter", help)
	e.sample(name+"_total", float64(value))
}

// expose writes the hub's metrics.
func (s *Server) expose(w io.Writer) error {
	e := &exposition{w: w}
	e.family("pinchrod_requests", "counter", "Requests by route and outcome.")
	requests := s.counters.byRequest()
	for _, r := range slices.SortedFunc(maps.Keys(requests), func(a, b request) int {
		return cmp.Or(cmp.Compare(a.route, b.route), cmp.Compare(a.outcome, b.outcome))
	}) {
		e.sample("pinchrod_requests_total", float64(requests[r]), "route", r.route, "outcome", r.outcome)
	}
	e.family("pinchrod_refusals", "counter", "What was refused, by reason.")
	refusals := s.watch.totals()
	for _, reason := range slices.Sorted(maps.Keys(refusals)) {
		e.sample("pinchrod_refusals_total", float64(refusals[reason]), "reason", reason)
	}
	if g := s.gate.Load(); g != nil {
		pending, strangers, devices := g.counts()
		e.family("pinchrod_connections", "gauge", "Open connections, by what their key has proved.")
		e.sample("pinchrod_connections", float64(pending), "of", "pending")
		e.sample("pinchrod_connections", float64(strangers), "of", "strangers")
		e.sample("pinchrod_connections", float64(devices), "of", "devices")
		e.counter("pinchrod_accepted_connections", "Connections that were ever made.", g.traffic.accepted.Load())
		e.family("pinchrod_traffic_bytes", "counter", "Bytes on the devices' lines, TLS among them.")
		e.sample("pinchrod_traffic_bytes_total", float64(g.traffic.in.Load()), "direction", "in")
		e.sample("pinchrod_traffic_bytes_total", float64(g.traffic.out.Load()), "direction", "out")
	}
	e.counter("pinchrod_pages_taken", "Pages taken into the book.", s.counters.pages.Load())
	e.counter("pinchrod_page_bytes_taken", "Bytes of those pages.", s.counters.pageBytes.Load())
	e.counter("pinchrod_pictures_taken", "Pictures that have come in whole.", s.counters.pictures.Load())
	e.counter("pinchrod_devices_joined", "Invitations that were used.", s.counters.joined.Load())
	now := s.now()
	e.family("pinchrod_receipt_age_seconds", "gauge", "Time since a device's last receipt, for devices that are let in.")
	for _, d := range s.roster.Devices() {
		if d.Revoked.IsZero() && !d.Seen.IsZero() {
			e.sample("pinchrod_receipt_age_seconds", now.Sub(d.Seen).Seconds(), "device", d.Identity.Device.String(), "tag", d.Identity.Device.Tag())
		}
	}
	e.family("pinchrod_uptime_seconds", "gauge", "Time since the hub started.")
	e.sample("pinchrod_uptime_seconds", now.Sub(s.started).Seconds())
	memory := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}, {Name: "/sched/goroutines:goroutines"}}
	metrics.Read(memory)
	e.family("pinchrod_memory_bytes", "gauge", "Memory that the Go runtime holds of the system.")
	e.sample("pinchrod_memory_bytes", float64(memory[0].Value.Uint64()-memory[1].Value.Uint64()))
	e.family("pinchrod_goroutines", "gauge", "Goroutines.")
	e.sample("pinchrod_goroutines", float64(memory[2].Value.Uint64()))
	e.printf("# EOF\n")
	return e.err
}
