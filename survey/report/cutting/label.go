package cutting

import (
	"errors"
	"fmt"
	"regexp"
	"strings"

	"pinchrod/survey"
)

// Label goes on one piece.
type Label struct {
	Tag     string       // of the job
	Bay     survey.Place //
	Piece   string       // S07; SX1 for a spare
	Code    string       // of the sheet
	Setting string       // A, B, C …
	Note    string       // what has to be known of this piece
}

// scheme leads the text of every label's QR code.
const scheme = "pinchrod:"

var pieceForm = regexp.MustCompile(`^[SBR]X?[0-9]{1,4}$`)

// ErrLabel means text that is not of a label.
var ErrLabel = errors.New("not a label of pinchrod's")

// Text is what the label's QR code holds; see the package comment.
func (l Label) Text() string {
	return scheme + strings.Join([]string{l.Tag, string(l.Bay), l.Piece, l.Code}, "/")
}

// IsLabel tells whether text means to be that of a label's QR code.
func IsLabel(text string) bool { return strings.HasPrefix(strings.TrimSpace(text), scheme) }

// ParseLabel reads the text of a QR code: Tag, Bay, Piece and Code.
//
// Errors: ErrLabel.
func ParseLabel(text string) (Label, error) {
	body, ok := strings.CutPrefix(strings.TrimSpace(text), scheme)
	parts := strings.Split(body, "/")
	if !ok || len(parts) != 5 {
		return Label{}, fmt.Errorf("%w: %q: want %sTAG/FLIGHT/BAY/PIECE/CODE", ErrLabel, text, scheme)
	}
	bay, err := survey.ParsePlace(parts[1] + "/" + parts[2])
	if err != nil {
		return Label{}, fmt.Errorf("%w: %w", ErrLabel, err)
	}
	l := Label{Tag: parts[0], Bay: bay, Piece: parts[3], Code: parts[4]}
	for _, c := range []string{l.Tag, l.Code} {
		if len(c) != codeLength || strings.Trim(c, alphabet) != "" {
			return Label{}, fmt.Errorf("%w: %q: %q is no tag and no code", ErrLabel, text, c)
		}
	}
	if !pieceForm.MatchString(l.Piece) {
		return Label{}, fmt.Errorf("%w: %q: %q is no piece", ErrLabel, text, l.Piece)
	}
	return l, nil
}

// Labels are those of all pieces that the sheet cuts, and of the spares, kind by
// kind from the lower post. Pieces that cannot be cut yet have none.
func (s *Sheet) Labels() []Label {
	var out []Label
	for i := range s.Sets {
		t := &s.Sets[i]
		if !t.Final() {
			continue
		}
		for _, p := range t.Pieces {
			out = append(out, Label{s.Tag, s.Bay, p.ID, s.Code, t.Settings[p.Setting].Name, t.note(p)})
		}
		n := 0
		for _, g := range t.Settings {
			for range g.Spares {
				n++
				out = append(out, Label{s.Tag, s.Bay, spareID(t.Kind, n), s.Code, g.Name, "spare"})
			}
		}
	}
	return out
}

// note is what has to be known of one piece.
func (t *Set) note(p Piece) string {
	var parts []string
	switch {
	case p.First:
		parts = append(parts, "at the lower post")
	case p.Last:
		parts = append(parts, "at the upper post")
	}
	if p.ToFit {
		parts = append(parts, "cut to fit")
	}
	if p.Access {
		parts = append(parts, "access: glue one end only")
	}
	return strings.Join(parts, ", ")
}
