//go:build browser

package bench

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"pinchrod/survey"
)

// patience bounds all that one test does in the browser; a test that is well
// takes a tenth of it.
const patience = 2 * time.Minute

// tab is a page of a real browser, and what it complained of.
type tab struct {
	context.Context
	t   testing.TB
	url string // of the bench

	mu       sync.Mutex
	complain []string
}

// open serves a source and opens a browser of its own, which ends with the test.
// The program is CHROMIUM, /usr/bin/chromium when that is not set; without it the
// test fails.
func open(t testing.TB, src Source, change ...func(*Options)) *tab {
	t.Helper()
	server := httptest.NewServer(handler(t, src, change...))
	t.Cleanup(server.Close)
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]),
		chromedp.ExecPath(cmp.Or(os.Getenv("CHROMIUM"), "/usr/bin/chromium")),
		chromedp.NoSandbox, chromedp.WSURLReadTimeout(time.Minute))
	bounded, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	browser, end := chromedp.NewExecAllocator(bounded, options...)
	t.Cleanup(end)
	ctx, closeTab := chromedp.NewContext(browser)
	t.Cleanup(closeTab)
	t.Cleanup(func() { chromedp.Cancel(ctx) }) // it goes by itself, and takes its profile with it; what does not is killed
	b := &tab{Context: ctx, t: t, url: server.URL}
	chromedp.ListenTarget(ctx, b.hear)
	b.do(log.Enable(), chromedp.EmulateViewport(1280, 900))
	return b
}

// hear notes what a page complains of: errors of its script, what the policy
// refused, what could not be fetched.
func (b *tab) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *log.EventEntryAdded:
		b.complain = append(b.complain, fmt.Sprintf("%s: %s (%s)", e.Entry.Level, e.Entry.Text, e.Entry.URL))
	case *runtime.EventConsoleAPICalled:
		b.complain = append(b.complain, "console."+string(e.Type))
	case *runtime.EventExceptionThrown:
		b.complain = append(b.complain, e.ExceptionDetails.Error())
	}
}

// complaints are those since the last call.
func (b *tab) complaints() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	defer func() { b.complain = nil }()
	return strings.Join(b.complain, "\n")
}

func (b *tab) do(actions ...chromedp.Action) {
	b.t.Helper()
	if err := chromedp.Run(b, actions...); err != nil {
		b.t.Fatalf("browser: %v", err)
	}
}

// see opens a page.
func (b *tab) see(path string) {
	b.t.Helper()
	res, err := chromedp.RunResponse(b, chromedp.Navigate(b.url+path))
	if err != nil {
		b.t.Fatalf("opening %s: %v", path, err)
	}
	if res.Status != http.StatusOK {
		b.t.Fatalf("opening %s: status %d", path, res.Status)
	}
	// What is measured below is measured in the font that the page carries, not in
	// one that the machine happens to have.
	b.until(`document.fonts.status === "loaded" && document.fonts.check("16px Go") && document.fonts.check("bold 16px Go")`)
}

// eval runs script in the page and gives what it comes to.
func eval[T any](b *tab, script string) (out T) {
	b.t.Helper()
	b.do(chromedp.Evaluate(script, &out))
	return out
}

// until waits until script comes to true in whatever page is shown by then: while one
// goes and another comes there is none to ask.
func (b *tab) until(script string) {
	b.t.Helper()
	var ok bool
	var err error
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); {
		if err = chromedp.Run(b, chromedp.Evaluate(script, &ok)); err == nil && ok {
			return
		}
	}
	b.t.Fatalf("browser: never true: %s (%v)", script, err)
}

// phone makes the window a phone's.
func (b *tab) phone() { b.t.Helper(); b.do(chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile)) }

// scripts turns the page's scripts on or off.
func (b *tab) scripts(on bool) {
	b.t.Helper()
	b.do(emulation.SetScriptExecutionDisabled(!on))
}

// rightStop is the first stop of the spindles on the sheet of the demo's F1/right.
func rightStop(t testing.TB) string {
	t.Helper()
	set, err := demo(t).sheet(t, "F1/right").PartSet(survey.PartSpindle)
	if err != nil {
		t.Fatal(err)
	}
	return set.StopText(&set.Settings[0])
}
