package cutting

import (
	"context"
	"testing"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/drawing"
	"pinchrod/survey/report/scene/scenetest"
)

// The pictures in the README are of the demo: the sheet of its true bay, and the
// drawing of the one whose gap drifts.
func TestReadmePictures(t *testing.T) {
	book := demo(t)
	book.Job.Name = "3 Ropewalk Terrace (invented)"
	const dir = "../../../testdata/pictures/"
	scenetest.Picture(t, dir+"sheet.png", sheets(t, book, asfound.Defaults())[0].Pages()[0], *update)
	f, err := asfound.Work(context.Background(), book, asfound.Defaults())
	if err != nil {
		t.Fatal(err)
	}
	b := &f.Bays[1]
	page := drawing.Bay(b, drawing.PostsOf(book, b.Place), drawing.Sheet{
		Job: book.Job.Name, Entry: "01-1", Date: day.Format("2 Jan 2006"), Profile: "none", Caution: report.Caution(f.Rules),
	})[0]
	scenetest.Picture(t, dir+"bay.png", page, *update)
}
