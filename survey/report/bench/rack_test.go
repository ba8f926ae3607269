package bench

import (
	"net/http"
	"strings"
	"testing"
)

// An offcut that is not on the rack was not taken from it: nothing is written.
func TestRecordUsesWhatIsThere(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	before := len(m.entries(t))
	_, page := get(t, h, base+"/F1/left/sheet")
	for used, want := range map[string]string{
		"1121":     "No offcut of 1121 mm of 41 x 41 mm is on the rack; there is 1 x 1120 mm: write which it was, or leave it out.",
		"2 x 1120": "1 x 1120 mm of 41 x 41 mm on the rack, not 2",
	} {
		form := filled(t, page, "spindle-A", map[string]string{"length": "805.8", "used": used})
		res, body := post(t, h, base+"/F1/left/made", form)
		if res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, want) {
			t.Errorf("used %s: %d; want it refused, saying %q", used, res.StatusCode, want)
		}
	}
	if n := len(m.entries(t)); n != before {
		t.Errorf("%d entries were written", n-before)
	}
}
