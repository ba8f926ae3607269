package bench

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/lines"
)

// fieldEntries is how many entries the bay had when a form of it was opened, struck
// ones too: that number only grows.
const fieldEntries = "entries"

// entriesOf counts what was written down of a bay.
func entriesOf(w *Work, place survey.Place) int {
	n := 0
	for i := range w.Book.Made {
		if w.Book.Made[i].Made.Where == place {
			n++
		}
	}
	return n
}

// sentBefore finds the entry that a form wrote when it was sent the first time: one
// that stands, says the same, and may be younger than the page that the form is on.
// Nil when there is none. By the second time all else may be another, as the code of
// the sheet is by a piece that was cut again, so that it is asked before anything of
// the sheet.
func sentBefore(w *Work, q url.Values, got *written) *fieldbook.Made {
	opened, _ := strconv.Atoi(q.Get(fieldEntries)) // what is no number is no page of ours: 0
	if len(got.wrong) > 0 || entriesOf(w, got.made.Where) <= opened {
		return nil
	}
	return standing(w, &got.made)
}

// standing finds a standing entry that says the same; nil when there is none.
func standing(w *Work, m *survey.Made) *fieldbook.Made {
	for i := range w.Book.Made {
		if e := &w.Book.Made[i]; e.Stands() && sameMade(&e.Made, m) {
			return e
		}
	}
	return nil
}

// sameMade compares all that a person writes.
func sameMade(a, b *survey.Made) bool {
	return a.Where == b.Where && a.Part == b.Part && slices.Equal(a.Pieces, b.Pieces) && a.Spares == b.Spares && a.Length == b.Length &&
		a.Recut == b.Recut && slices.Equal(a.Kept, b.Kept) && slices.Equal(a.Used, b.Used) && a.By == b.By && a.When == b.When && a.Note == b.Note
}

// toNoted leads to an entry that was just written, where its bay shows it.
func (s *site) toNoted(w http.ResponseWriter, r *http.Request, work *Work, place survey.Place, entry string) {
	s.toMade(w, r, work, place, "noted", entry)
}

// toMade leads to an entry of a bay and says there what became of it.
func (s *site) toMade(w http.ResponseWriter, r *http.Request, work *Work, place survey.Place, what, entry string) {
	http.Redirect(w, r, s.bayURL(work.Book.Job.ID, place)+"?"+what+"="+url.QueryEscape(entry)+"#"+madeID(entry), http.StatusSeeOther)
}

// madeID is where an entry of what was made stands on the page of its bay.
func madeID(entry string) string { return "made-" + entry }

// justNow is what just became of an entry.
type justNow struct{ Title, Text string }

// just says what became of the entry that a query names, at the head of the page and
// where the entry stands. Of one that is not of the bay, or was struck since it was
// written, it says nothing.
func (p *bayPage) just(q url.Values, w *Work, place survey.Place) {
	var now justNow
	var name string
	if m, err := w.Book.FindMade(q.Get("noted")); err == nil && m.Made.Where == place && m.Stands() {
		name, now.Title = m.Ref.Short(), "Written down as "+m.Ref.Short()+"."
		if m.Made.Recut && p.Code != "" && m.Made.Sheet != p.Code {
			now.Text = "The cutting sheet has another code by it: it was " + lines.Clean(m.Made.Sheet) + " and is " + p.Code +
				" now. Keep what was cut from the old one: under “as made” each entry says whether it still fits."
		}
	}
	if m, err := w.Book.FindMade(q.Get("struck")); err == nil && m.Made.Where == place && len(m.Struck) > 0 {
		name, now = m.Ref.Short(), justNow{Title: m.Ref.Short() + " is struck.", Text: "It stays legible."}
	}
	if name == "" {
		return
	}
	p.Now, p.NowURL = &now, "#"+madeID(name)
	for i := range p.MadeLines {
		if l := &p.MadeLines[i]; l.Name == name {
			l.Now = &now
		}
	}
}
