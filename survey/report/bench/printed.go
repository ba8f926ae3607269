package bench

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"pinchrod/survey/report/lines"
)

// printed is the style sheet that puts code, place and job on every page that a
// browser prints, with the number of the page (CSS Paged Media, margin boxes). A
// page cannot say that itself: the policy allows no style within it.
func printed(code, place, job string, date time.Time) string {
	parts := nonEmpty(code, place, lines.Clean(job), date.Format("2006-01-02"))
	return fmt.Sprintf(`@page {
  @bottom-left { content: "%s"; font: bold 9pt Arial, sans-serif; width: 80%%; }
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: bold 9pt Arial, sans-serif; }
}
`, quoted(strings.Join(parts, " · ")))
}

// quoted is text as it stands within a string of CSS: all but letters, digits and
// spaces as escapes (CSS Syntax 3, 4.3.7), so that nothing ends the string.
func quoted(s string) string {
	var b strings.Builder
	for _, r := range s {
		if r == ' ' || unicode.IsLetter(r) || unicode.IsDigit(r) {
			b.WriteRune(r)
			continue
		}
		fmt.Fprintf(&b, `\%x `, r) // the space ends the escape
	}
	return b.String()
}
