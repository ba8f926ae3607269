package guide

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// planStep is which part of the stair's plan a question asks for.
type planStep uint8

const (
	planNone planStep = iota // a reading
	planName
	planRises
	planBays
)

// planID names a question of the plan by the flight's number, since its name
// may change.
func planID(i int, step planStep) string {
	return fmt.Sprintf("plan %d %s", i+1, [...]string{planName: "name", planRises: "rises", planBays: "bays"}[step])
}

const planPlace = "the stair's plan"

// planAsks lists the questions of the stair's plan: those whose answer is
// known, then the first that is open. After the last flight stands the
// question for another.
func planAsks(s Stair) []ask {
	var asks []ask
	add := func(i int, step planStep, open bool) bool {
		asks = append(asks, ask{plan: step, flight: i, open: open, q: planQuestion(s, i, step)})
		return open
	}
	for i, f := range s {
		if add(i, planName, f.Name == "") || add(i, planRises, !f.kindKnown()) || add(i, planBays, f.Bays == nil) {
			return asks
		}
	}
	if len(s) < maxFlights {
		add(len(s), planName, len(s) == 0)
	}
	return asks
}

func planQuestion(s Stair, i int, step planStep) Question {
	var f Flight
	if i < len(s) {
		f = s[i]
	}
	q := Question{ID: planID(i, step), Form: Text, Place: planPlace}
	switch step {
	case planName:
		q.How = []string{"A flight runs between two floors or", "landings. Take them from the bottom up.", "A landing with a balustrade counts."}
		q.Drawing = drawPlan
		if i == 0 {
			q.Title, q.Hint, q.Default = "Name of the first flight", "letters and digits", "F1"
		} else {
			q.Title, q.Hint, q.Default = "Another flight or landing above?", "y, n, or its name", "n"
			q.Choices = []Option{{'y', "yes, " + s.next()}, {'n', "no more"}}
			if i == len(s) {
				q.Previous = "no more"
			}
		}
		if f.Name != "" {
			q.Default, q.Previous = f.Name, f.Name
		}
	case planRises:
		q.Form, q.Low, q.High = Count, 0, maxRises
		q.Title, q.Hint = "Rises in "+f.Name, "a number; 0 for a landing"
		q.How = []string{"Count the risers from the floor below", "to the floor above: one more than the", "treads between."}
		q.Drawing = drawCount
		if f.kindKnown() {
			q.Default = strconv.Itoa(f.Rises)
			q.Previous = q.Default
		}
	case planBays:
		q.Title, q.Hint = "Bays of "+f.Name, "or names, such as left-1,left-2"
		q.Choices = []Option{{'l', "left"}, {'r', "right"}, {'b', "both"}, {'n', "none"}}
		q.How = []string{"A bay is the balustrade between two", "posts. Left and right are as you look", "up the stair. With several on a side,", "name each, with commas between."}
		q.Drawing = drawBays
		if f.Bays != nil {
			q.Default = strings.Join(f.Bays, ",")
			if len(f.Bays) == 0 {
				q.Default = "none"
			}
			q.Previous = q.Default
		}
	}
	return q
}

// planned gives the stair after text answers a question of its plan.
func planned(s Stair, a ask, text string) (Stair, error) {
	s = s.clone()
	switch a.plan {
	case planName:
		return named(s, a.flight, text)
	case planRises:
		n, err := strconv.Atoi(text)
		if err != nil || n < 0 || n > maxRises {
			return nil, fmt.Errorf("%q: write how many rises, 1 to %d, or 0 for a landing", text, maxRises)
		}
		f := &s[a.flight]
		switch {
		case n > 0 && isLanding(f.Name):
			return nil, fmt.Errorf("%s is the name of a landing, which has no rises: write 0, or go back and name a flight F1", f.Name)
		case n == 0 && !isLanding(f.Name):
			f.Name = s.nextLanding() // by its name the findings know a landing
		}
		f.Rises, f.Landing = n, n == 0
		return s, nil
	}
	text = strings.ReplaceAll(text, " ", "")
	if full, ok := map[string]string{"l": "left", "r": "right", "b": "left,right", "both": "left,right", "n": "none"}[strings.ToLower(text)]; ok {
		text = full
	}
	bays, err := parseBays(text)
	if err != nil {
		return nil, err
	}
	fresh := s[a.flight].Bays == nil
	s[a.flight].Bays = bays
	if fresh && a.flight == len(s)-1 && len(s) < maxFlights {
		s = append(s, Flight{}) // is there another?
	}
	return s, nil
}

// named names flight i of s, adds it, or says that there is none.
func named(s Stair, i int, text string) (Stair, error) {
	last := i >= len(s)-1
	switch strings.ToLower(text) {
	case "n", "no":
		if i == 0 || !last {
			return nil, errors.New("only the last flight can be taken off, and a stair has one: give this one a name")
		}
		return s[:min(i, len(s))], nil
	case "y", "yes":
		if i < len(s) && s[i].Name != "" {
			return s, nil
		}
		text = s.next()
	}
	if err := checkName(text); err != nil {
		return nil, err
	}
	if i == len(s) {
		s = append(s, Flight{})
	}
	if s[i].Name != text && s.has(text) {
		return nil, fmt.Errorf("flight %s is there already: give this one another name", text)
	}
	s[i].Name = text
	return s, nil
}
