package bench

import (
	"strings"
	"testing"

	"pinchrod/calc/stock"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// bad is what a page would be harmed by: markup that breaks out of text and of a
// quoted attribute, text that runs backwards, a comment, a control character.
const bad = "\"'><script>document.title='owned'</script><img src=x onerror=document.title='owned'>{{.}}\u202e<!--\u0000javascript:alert(1)//"

// hostile is the demo with bad text wherever a person, or another device, writes
// some: the name of the job, notes, names, tools, reasons, and 4 kB of it once.
func hostile(t testing.TB) *memory {
	t.Helper()
	long := bad + strings.Repeat("wide", 1024)
	m := newMemory(t, bad+strings.Repeat("n", 100), "where,what,at,height,value\nF1/left,spindle-section,,,41 x 41 mm\nF1/left,fillet-section,,,41 x 8 mm\n"+
		"F1/left,run,,0,1412\nF1/left,base-angle,bottom,,41.2 deg\nF1/left,rail-angle,bottom,,41.2 deg\nF1/left,gap,bottom,,812\nF1/left,gap,top,,812\nF1/left,fit,middle,,812\n")
	read := func(what survey.What, mark survey.Mark, mm int64) survey.Reading {
		return survey.Reading{
			Where: "F1/left", What: what, At: survey.At{Mark: mark}, Value: survey.Quantity{Measure: survey.Length, N: [3]int64{mm * 1000}},
			Text: bad, Tool: "tape", By: bad, When: bad, Note: long,
		}
	}
	one := m.must(t, survey.Payload{Readings: []survey.Reading{read(survey.Gap, survey.Middle, 812)}})
	odd := read(survey.Gap, survey.Middle, 813)
	odd.Tool = bad
	odd.Replaces = one
	m.must(t, survey.Payload{Readings: []survey.Reading{odd}})
	odd.Value.N[0]++
	m.must(t, survey.Payload{Readings: []survey.Reading{odd}})
	struck := m.must(t, survey.Payload{Readings: []survey.Reading{read(survey.Gap, survey.Top, 860)}})
	m.must(t, survey.Payload{Strikes: []survey.Strike{{Reading: struck, Why: long, By: bad}}, Keeps: []survey.Strike{{Reading: one, Why: bad, By: bad}}})
	p := m.picture(t, "F1/left", journal.Ref{})
	p.Note, p.By = bad, bad
	m.must(t, survey.Payload{Pictures: []survey.Picture{p}, Settings: []survey.Setting{{Name: "joint", Value: bad}}})
	entry := survey.Made{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{1}, Length: 812000, Line: 812000, Sheet: bad, Section: bad, By: bad, When: bad, Note: long}
	m.must(t, survey.Payload{Made: []survey.Made{entry}})
	entry.Part = survey.Part(bad)
	made := m.must(t, survey.Payload{Made: []survey.Made{entry}})
	m.must(t, survey.Payload{Strikes: []survey.Strike{{Reading: made, Why: bad, By: bad}}})
	m.bars = []stock.Bar{{Section: "41 x 41 mm", Length: 2400, Label: bad}, {Section: "41 x 8 mm", Length: 2400, Label: bad}}
	return m
}

// Whatever stands in a book is text on a page and nothing else.
func TestHostile(t *testing.T) {
	t.Parallel()
	h := handler(t, hostile(t), func(o *Options) { o.Prefix = "/bench" })
	shown := 0
	for at, page := range crawl(t, h, "/bench/") {
		for _, w := range accessible(page) {
			t.Errorf("%s: %s", at, w)
		}
		if strings.ContainsAny(page, "\u202e\x00") {
			t.Errorf("%s: text that runs backwards, or a control character", at)
		}
		for _, e := range elements(page) {
			if e.Data == "img" && e.attr["src"] == "x" || e.Data == "script" && e.attr["src"] != "/bench/bench.js" {
				t.Errorf("%s: <%s %v>", at, e.Data, e.attr)
			}
		}
		shown += strings.Count(page, "&lt;script&gt;document.title")
	}
	// Of the job's name, notes, who, reasons, values as typed, sections, labels.
	if shown < 20 {
		t.Errorf("the bad text is shown %d times: the pages leave out what was written", shown)
	}
	res, body := post(t, h, "/bench"+base+"/F1/left/made", map[string][]string{"part": {bad}, "setting": {bad}})
	if res.StatusCode != 400 {
		t.Errorf("a bad form: %d", res.StatusCode)
	}
	for _, w := range accessible(body) {
		t.Error(w)
	}
}
