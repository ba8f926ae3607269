package guide

import (
	"errors"
	"fmt"
	"strings"

	"pinchrod/survey"
)

// Skipped says that a question was left without a reading.
type Skipped struct {
	ID  string
	Why string // such as "carpet", may be empty
	Out bool   // asked twice, or not worth a second time: not asked again
}

// ErrSkipped means that a line does not say what was skipped.
var ErrSkipped = errors.New("not a skipped reading")

// String writes s as one line that [ParseSkipped] reads: "later F1/left gap
// top: carpet", or "out …" when it is not asked again.
func (s Skipped) String() string {
	word := "later "
	if s.Out {
		word = "out "
	}
	return word + s.ID + ": " + s.Why
}

// ParseSkipped reads the line that [Skipped.String] writes. The error wraps
// [ErrSkipped].
func ParseSkipped(line string) (Skipped, error) {
	word, rest, _ := strings.Cut(line, " ")
	id, why, ok := strings.Cut(rest, ":")
	if !ok || id == "" || word != "later" && word != "out" {
		return Skipped{}, fmt.Errorf("%w: %q", ErrSkipped, line)
	}
	why, err := survey.ParseWord(why)
	if err != nil {
		return Skipped{}, fmt.Errorf("%w: %w", ErrSkipped, err)
	}
	return Skipped{ID: id, Why: why, Out: word == "out"}, nil
}
