package survey

import (
	"fmt"
	"math"
	"regexp"
	"strings"

	"pinchrod/calc/unit"
)

// Word is how a trial piece stood in its place.
type Word uint8

// The words. Their numbers are stored: never renumber.
const (
	JustFits Word = iota // a plain length: the piece was trimmed until it fitted there
	Fits                 // a piece of known length was tried, and fits
	Tight                // it goes in only when forced
	Loose                // it stands with some play, which was read
)

var wordNames = [...]string{JustFits: "just fits", Fits: "fits", Tight: "tight", Loose: "loose"}

// What a word says of the needed length less the piece's, in mm, and its
// standard uncertainty. Common practice, no source.
const (
	tightBy = -0.3
	wordU   = 0.2 // of fits and of tight
	looseU  = 0.3
)

// mostLoose is more play than anybody calls loose: such a piece is another one.
// Common practice, no source.
const mostLoose = 20 * unit.Millimetre

// Trial gives what a reading of a trial piece says: the length of the piece,
// whether it is known, by how much the piece was loose, and the word. The length
// is not known of a piece that was tried elsewhere before, until somebody looks
// it up; see [Quantity.OfPiece].
func (q Quantity) Trial() (piece unit.Length, known bool, loose unit.Length, word Word) {
	piece, loose, word = unit.Length(q.N[0]), unit.Length(q.N[1]), Word(q.N[2])
	return piece, word == JustFits || piece != 0, loose, word
}

// OfPiece is the trial with the length of its piece.
func (q Quantity) OfPiece(piece unit.Length) Quantity {
	q.N[0] = int64(piece)
	return q
}

// Off is what the word of a trial says of the needed length less the piece's, and
// its standard uncertainty u, both in mm:
//
//	just fits: 0, u = 0     fits: 0, u = 0.2     tight: −0.3, u = 0.2     loose by x: x, u = 0.3
func (q Quantity) Off() (off, u float64) {
	switch _, _, loose, word := q.Trial(); word {
	case Fits:
		return 0, wordU
	case Tight:
		return tightBy, wordU
	case Loose:
		return loose.MM(), looseU
	}
	return 0, 0
}

// sharp tells whether the value is a plain length that just fits, which is all
// that a trial could say at first.
func (q Quantity) sharp() bool { return q.Measure == Tried && q.N[1] == 0 && q.N[2] == 0 }

// trialString writes a trial as parseTrial reads it.
func (q Quantity) trialString() string {
	piece, known, loose, word := q.Trial()
	var parts []string
	if known {
		parts = append(parts, piece.String())
	}
	if word != JustFits && int(word) < len(wordNames) {
		parts = append(parts, wordNames[word])
	}
	if word == Loose {
		parts = append(parts, loose.String())
	}
	return strings.Join(parts, " ")
}

var trialForm = regexp.MustCompile(`(?i)^(.*?)\s*\b(just\s+fits|fits|tight|loose)\b\s*(?:by\s+)?(.*)$`)

// parseTrial reads "812", "812 tight", "812 loose 1 mm", and of the same piece
// elsewhere "fits", "tight", "loose 1 mm".
func parseTrial(s string, q *Quantity) error {
	const write = "write the piece's length, 812, then fits, tight or loose 1 mm; of the same piece elsewhere the word alone"
	body := strings.TrimSpace(s)
	f := trialForm.FindStringSubmatch(body)
	if f == nil {
		piece, err := unit.ParseLength(body)
		if err != nil {
			return fmt.Errorf("trial piece %q: %w; %s", s, err, write)
		}
		q.N[0] = int64(piece)
		return nil
	}
	word := Fits
	switch strings.ToLower(f[2])[0] {
	case 't':
		word = Tight
	case 'l':
		word = Loose
	case 'j':
		if f[1] != "" {
			word = JustFits
		}
	}
	if f[1] != "" {
		piece, err := unit.ParseLength(f[1])
		if err != nil {
			return fmt.Errorf("trial piece %q: %w; %s", s, err, write)
		}
		if piece == 0 {
			return fmt.Errorf("trial piece %q %w: a piece has a length; %s", s, errForm, write)
		}
		q.N[0] = int64(piece)
	}
	q.N[2] = int64(word)
	if word != Loose {
		if f[3] != "" {
			return fmt.Errorf("trial piece %q %w: nothing follows %s; %s", s, errForm, wordNames[word], write)
		}
		return nil
	}
	if f[3] == "" {
		return fmt.Errorf("trial piece %q %w: say by how much it is loose, such as loose 1 mm", s, errForm)
	}
	loose, err := unit.ParseLength(f[3])
	if err != nil {
		return fmt.Errorf("trial piece %q: loose: %w", s, err)
	}
	q.N[1] = int64(loose)
	return nil
}

// believableTrial refuses a word that nobody says, and a play that no piece has.
// The length of the piece is for [Kind.believable].
func (q Quantity) believableTrial() error {
	_, _, loose, word := q.Trial()
	switch {
	case q.N[2] < 0 || q.N[2] >= int64(len(wordNames)):
		return fmt.Errorf("word %d of a trial piece %w", q.N[2], ErrAbsurd)
	case word == Loose && (loose <= 0 || loose > mostLoose):
		return fmt.Errorf("trial piece loose by %s %w: expected above 0 to %s; a piece that is tight is written tight", loose, ErrAbsurd, mostLoose)
	case word != Loose && loose != 0:
		return fmt.Errorf("trial piece that %s, loose by %s %w", wordNames[word], loose, ErrAbsurd)
	}
	return nil
}

// OwnU is the part of [Reading.StandardU] that the reading shares with no other:
// resolution, setting and word, without the tool's limit,
//
//	u² = d²/12 + s² + u(word)²,
//
// in the unit of its value. One that was given with the reading is all its own.
func (r *Reading) OwnU(kit Kit) (float64, error) {
	return r.uncertainty(kit, func(t Tool, _, setting float64) float64 {
		return math.Sqrt(t.Resolution*t.Resolution/12 + setting*setting)
	})
}
