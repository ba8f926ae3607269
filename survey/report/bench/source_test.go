package bench

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io/fs"
	"iter"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/sheet"
)

var day = time.Date(2026, 11, 20, 9, 30, 0, 0, time.UTC)

// buckets is a KV in memory.
type buckets map[string][]byte

func (b buckets) Get(k []byte) []byte   { return b[string(k)] }
func (b buckets) Put(k, v []byte) error { b[string(k)] = v; return nil }
func (b buckets) Scan(prefix []byte) iter.Seq2[[]byte, []byte] {
	return func(yield func(k, v []byte) bool) {
		for _, k := range slices.Sorted(maps.Keys(b)) {
			if strings.HasPrefix(k, string(prefix)) && !yield([]byte(k), b[k]) {
				return
			}
		}
	}
}

var (
	device = journal.ID{0: 1, 6: 0x70, 8: 0x80, 15: 1}
	demoID = journal.ID{0: 1, 6: 0x70, 8: 0x80, 15: 9}
)

// memory is a Source: a book in memory, written by the page as a device does.
type memory struct {
	mu       sync.Mutex
	kv       buckets
	seq      uint64
	pictures map[[32]byte][]byte
	bars     []stock.Bar
	fault    error // what every method answers, when set
	bang     bool  // Work panics
	shared   *findings
}

// findings are what books alike are worked out to, once for all of them: to work
// out takes longer than to make a page. They hold for a book of so many pages.
type findings struct {
	seq uint64
	of  sync.Map // string to func() (*Work, error)
}

func (m *memory) write(job journal.ID, p survey.Payload) (journal.Ref, error) {
	m.seq++
	b, err := p.Encode()
	if err != nil {
		return journal.Ref{}, err
	}
	page := journal.Page{Device: device, Seq: m.seq, Time: day.Add(-24 * time.Hour), Job: job, Payload: b}
	return journal.Ref{Device: device, Page: m.seq, Item: 1}, fieldbook.Project(m.kv, page)
}

func (m *memory) Jobs() ([]fieldbook.Job, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fault != nil {
		return nil, m.fault
	}
	return fieldbook.Jobs(m.kv)
}

func (m *memory) load(id string) (*fieldbook.Book, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.fault != nil {
		return nil, m.fault
	}
	job, err := fieldbook.FindJob(m.kv, id)
	if err != nil {
		return nil, err
	}
	return fieldbook.Load(m.kv, job)
}

func (m *memory) Work(ctx context.Context, id string, place survey.Place, set map[string]string) (*Work, error) {
	if m.bang {
		panic("bang")
	}
	book, err := m.load(id)
	if err != nil {
		return nil, err
	}
	s := asfound.Defaults()
	s.FromBook(book)
	for _, name := range slices.Sorted(maps.Keys(set)) {
		if err := s.Set(name, set[name]); err != nil {
			return nil, err
		}
	}
	m.mu.Lock()
	seq := m.seq
	m.mu.Unlock()
	work := func() (*Work, error) {
		found, err := asfound.WorkAt(ctx, book, place, s)
		return &Work{Book: book, Settings: s, Found: found, Entry: fmt.Sprintf("%s-%d", device.Tag(), seq), Kit: survey.HouseKit}, err
	}
	if m.shared == nil || m.shared.seq != seq || id != demoID.String() {
		return work()
	}
	once, _ := m.shared.of.LoadOrStore(fmt.Sprint(place, set), sync.OnceValues(work))
	return once.(func() (*Work, error))()
}

func (m *memory) Bars() ([]stock.Bar, error) { return m.bars, m.fault }

func (m *memory) Record(job string, made survey.Made, readings []survey.Reading) (string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	id, err := journal.ParseID(job)
	if err != nil {
		return "", err
	}
	ref, err := m.write(id, survey.Payload{Readings: readings, Made: []survey.Made{made}})
	ref.Item = uint32(len(readings) + 1)
	return ref.Short(), err
}

func (m *memory) Strike(job string, entries []journal.Ref, why, by string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	id, err := journal.ParseID(job)
	if err != nil {
		return err
	}
	var p survey.Payload
	for _, e := range entries {
		p.Strikes = append(p.Strikes, survey.Strike{Reading: e, Why: why, By: by})
	}
	_, err = m.write(id, p)
	return err
}

func (m *memory) Picture(sum [32]byte) ([]byte, error) {
	if m.fault != nil {
		return nil, m.fault
	}
	b, ok := m.pictures[sum]
	if !ok {
		return nil, fmt.Errorf("picture %x: %w", sum[:4], fs.ErrNotExist)
	}
	return b, nil
}

const (
	demoSheet = "../../../cmd/internal/cli/demo.csv"
	demoName  = "3 Ropewalk Terrace (invented)"
)

// Readings of a flight that has steps and a plan, beside those of the demo.
const flightSheet = `F2,width,bottom,,840,MK,2026-11-18,
F2,width,top,,842,MK,2026-11-18,
F2,side,left,,3260,MK,2026-11-18,
F2,side,right,,3262,MK,2026-11-18,
F2,diagonal,rising,,3371,MK,2026-11-18,
F2,diagonal,falling,,3365,MK,2026-11-18,
F2,rise,1,,196,MK,2026-11-18,
F2,rise,2,,201,MK,2026-11-18,
F2,rise,3,,195,MK,2026-11-18,
F2,going,1,,222,MK,2026-11-18,
F2,going,2,,220,MK,2026-11-18,
`

// newMemory makes a book of a field sheet.
func newMemory(t testing.TB, name, csv string) *memory {
	t.Helper()
	m := &memory{kv: buckets{}, pictures: map[[32]byte][]byte{}}
	m.must(t, survey.Payload{Job: &survey.JobRecord{Name: name}})
	if csv != "" {
		rows, err := sheet.Read(strings.NewReader(csv), survey.HouseKit)
		if err != nil {
			t.Fatal(err)
		}
		m.must(t, survey.Payload{Readings: rows})
	}
	return m
}

func (m *memory) must(t testing.TB, p survey.Payload) journal.Ref {
	t.Helper()
	ref, err := m.write(demoID, p)
	if err != nil {
		t.Fatal(err)
	}
	return ref
}

// kept is the demo as it was first made: to make one takes as long as a test.
var (
	made sync.Once
	kept *memory
)

// demo is a book of its own for each test, as newDemo makes it.
func demo(t testing.TB) *memory {
	t.Helper()
	made.Do(func() { kept = newDemo(t) })
	one := kept
	if one == nil {
		t.Fatal("the demo was not made: see the first test that needed it")
	}
	return &memory{kv: maps.Clone(one.kv), seq: one.seq, pictures: one.pictures, bars: one.bars, shared: one.shared}
}

// newDemo is a book that has something of everything: pictures, struck, corrected
// and kept readings, a disagreement, pieces made, and one of those struck.
func newDemo(t testing.TB) *memory {
	t.Helper()
	b, err := os.ReadFile(demoSheet)
	if err != nil {
		t.Fatal(err)
	}
	m := newMemory(t, demoName, string(b)+flightSheet)
	book, err := m.load(demoID.String())
	if err != nil {
		t.Fatal(err)
	}
	ref := func(place survey.Place, what survey.What, mark survey.Mark) journal.Ref {
		for _, e := range book.Entries {
			if e.Reading.Where == place && e.Reading.What == what && e.Reading.At.Mark == mark {
				return e.Ref
			}
		}
		t.Fatalf("the demo has no %s of %s", what, place)
		return journal.Ref{}
	}
	reading := func(place survey.Place, what survey.What, mark survey.Mark, value string) survey.Reading {
		r := survey.Reading{Where: place, What: what, At: survey.At{Mark: mark}, Text: value, By: "AB", When: "2026-11-19"}
		if r.Value, err = r.Kind().ParseValue(value); err != nil {
			t.Fatal(err)
		}
		return r
	}
	wrong := m.must(t, survey.Payload{Readings: []survey.Reading{reading("F1/left", survey.Gap, survey.Middle, "860")}})
	m.must(t, survey.Payload{Strikes: []survey.Strike{{Reading: wrong, Why: "tape was hooked on the fillet", By: "MK"}}})
	for _, v := range []string{"805.5", "806.5"} {
		r := reading("F1/left", survey.Gap, survey.Bottom, v)
		r.Replaces = ref("F1/left", survey.Gap, survey.Bottom)
		m.must(t, survey.Payload{Readings: []survey.Reading{r}})
	}
	m.must(t, survey.Payload{Keeps: []survey.Strike{{Reading: ref("F1/left", survey.BowRail, survey.Middle), Why: "read twice", By: "MK"}}})
	m.must(t, survey.Payload{Pictures: []survey.Picture{m.picture(t, "F1/left", ref("F1/left", survey.Gap, survey.Top)), m.picture(t, "F1/left", journal.Ref{})}})
	entry := m.made(t, "F1/left", survey.PartSpindle, "A", 805.7, 1, 2, 3, 4, 5, 6, 7, 8)
	m.must(t, survey.Payload{Made: []survey.Made{entry}})
	entry = m.made(t, "F1/left", survey.PartBaseFillet, "A", 118, 1, 2, 3)
	entry.Note = "stop slipped"
	m.must(t, survey.Payload{Strikes: []survey.Strike{{Reading: m.must(t, survey.Payload{Made: []survey.Made{entry}}), Why: "scrap", By: "Jo"}}})
	m.bars = []stock.Bar{{Section: "41 x 41 mm", Length: 2400}, {Section: "41 x 8 mm", Length: 2400}, {Section: "41 x 41 mm", Length: 1120, Count: 1, Offcut: true}}
	m.shared = &findings{seq: m.seq}
	return m
}

// made is an entry of pieces cut at one setting of a bay's sheet.
func (m *memory) made(t testing.TB, place survey.Place, part survey.Part, setting string, mm float64, numbers ...uint32) survey.Made {
	t.Helper()
	sh := m.sheet(t, place)
	set, err := sh.PartSet(part)
	if err != nil {
		t.Fatal(err)
	}
	g, err := set.Setting(setting)
	if err != nil {
		t.Fatal(err)
	}
	out := sh.Made(set, g, unit.FromMM(mm))
	out.Pieces, out.Spares, out.By, out.When = numbers, 0, "Jo", "2026-11-19"
	return out
}

// leftCode is the code that the demo's F1/left has on its sheet.
func leftCode(t testing.TB) string {
	t.Helper()
	return demo(t).sheet(t, "F1/left").Code
}

// sheet is the cutting sheet of a bay.
func (m *memory) sheet(t testing.TB, place survey.Place) *cutting.Sheet {
	t.Helper()
	w, err := m.Work(t.Context(), demoID.String(), place, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := w.bay(place)
	if err != nil {
		t.Fatal(err)
	}
	s := &site{Options: Options{Now: func() time.Time { return day }}}
	sh, err := s.sheetOf(w, b)
	if err != nil {
		t.Fatal(err)
	}
	return sh
}

// picture makes a small picture and what the book says of it.
func (m *memory) picture(t testing.TB, place survey.Place, of journal.Ref) survey.Picture {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 320, 240))
	for x := range 320 {
		for y := range 240 {
			img.SetGray(x, y, color.Gray{uint8(60 + (x+y+8*len(m.pictures))%120)})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, nil); err != nil {
		t.Fatal(err)
	}
	p := survey.Picture{Sum: [32]byte{byte(len(m.pictures) + 1)}, Size: int64(b.Len()), Type: "image/jpeg", Where: place, Note: "before the new rail", When: "2026-11-18", By: "MK"}
	if of != (journal.Ref{}) {
		p.What, p.At, p.Reading = survey.Gap, survey.At{Mark: survey.Top}, of
	}
	m.pictures[p.Sum] = b.Bytes()
	return p
}
