package guide

import "pinchrod/survey"

// Form is how a question is answered.
type Form uint8

// The forms of a question.
const (
	Value  Form = iota + 1 // a value in the trade's notation, of Reading's kind
	Count                  // a whole number, Low to High
	Choice                 // one of Choices, by its key
	Text                   // words, such as a name
)

// Option is one of a question's choices.
type Option struct {
	Key   rune // one letter or digit, for a gloved hand
	Label string
}

// Question is one thing to ask. It fits a screen of 40 columns and twelve lines
// together with its drawing.
type Question struct {
	ID       string // stable from run to run, such as "F1/left gap top"
	Form     Form
	Title    string   // what is asked, one line
	Hint     string   // how an answer looks, such as "mm, or 2 ft 8 in"
	How      []string // how to take this reading, for "?"
	Drawing  []string // where the tape goes, in characters, at most 7 lines of 36
	Choices  []Option // of Choice; of Text, keys that stand for words
	Low      int      // of Count
	High     int
	Default  string         // taken when the answer is empty; "" means an empty answer is refused
	Reading  survey.Reading // of Value: Where, What, At and Height
	Skips    bool           // may be skipped with a reason
	Place    string         // where on the stair, such as "F1/left, at the top"
	N, Of    int            // how many of how many
	Previous string         // what stands there already, when asked again
}

// Act is what a person does at a question.
type Act uint8

// The acts. Every face offers all of them.
const (
	Answer Act = iota + 1 // Text is the answer
	Skip                  // Text is the reason, such as "carpet"
	Back                  // to the question before
	Jump                  // to the question whose ID begins with Text, or that Text names
	Again                 // read this one a second time, beside the first
	Note                  // Text is a note on this question
	Help                  // how to take this reading
	List                  // what is asked, answered, skipped and open
	Leave                 // stop here; the walk goes on from the same question another day
)

// Input is an act with its words.
type Input struct {
	Act  Act
	Text string
}
