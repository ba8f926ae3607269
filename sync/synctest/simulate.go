package synctest

import (
	"errors"
	"fmt"
	"strings"
)

// A Trace is what came of a simulation. Its text can be read by
// [ParseSchedule], and then be replayed.
type Trace struct {
	Schedule Schedule
	Counts   map[string]int // of what came about, faults among it
	notes    []note
}

type note struct {
	step int // -1 for what belongs to none
	text string
}

func (t *Trace) count(what string) { t.add(what, 1) }

func (t *Trace) add(what string, n int) { t.Counts[what] += n }

func (t *Trace) note(where, format string, args ...any) {
	t.notes = append(t.notes, note{-1, where + ": " + fmt.Sprintf(format, args...)})
}

// String returns the schedule with what came of each step.
func (t *Trace) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "devices %d %d\n", t.Schedule.Devices, t.Schedule.Seed)
	for _, n := range t.notes {
		text := strings.ReplaceAll(n.text, "\n", "; ")
		if n.step < 0 {
			fmt.Fprintf(&b, "# %s\n", text)
		} else {
			fmt.Fprintf(&b, "%-40s # %s\n", t.Schedule.Steps[n.step], text)
		}
	}
	return b.String()
}

// Run simulates the schedule that follows from a seed. The error says what
// must not have happened.
func Run(seed uint64) (*Trace, error) { return Replay(Generate(seed)) }

// Replay simulates a schedule.
func Replay(s Schedule) (*Trace, error) { return simulate(s, rig{}) }

func simulate(s Schedule, parts rig) (*Trace, error) {
	t := &Trace{Schedule: s, Counts: map[string]int{}}
	w, err := newWorld(s, parts, t)
	if err != nil {
		return t, err
	}
	for i, step := range s.Steps {
		what, err := w.step(step)
		if err == nil {
			err = w.keepsWord()
		}
		if err != nil {
			what += " -- " + err.Error()
		}
		t.notes = append(t.notes, note{i, what})
		if err != nil {
			return t, fmt.Errorf("step %d, %s: %w", i+1, step, err)
		}
	}
	if err := w.heal(); err != nil {
		t.note("heal", "%v", err)
		return t, fmt.Errorf("healing: %w", err)
	}
	return t, nil
}

// keepsWord checks that what the hub has acknowledged is on its disk.
func (w *world) keepsWord() error {
	heads, err := w.hub.Heads()
	if err != nil {
		return err
	}
	for _, d := range w.devices {
		if h := heads[d.id()]; h.Seq < d.acked {
			return violates("the hub has acknowledged page %d of device %s, and has %d pages", d.acked, d.name, h.Seq)
		}
	}
	return nil
}

// Shrink leaves steps out of a schedule as long as it fails.
func Shrink(s Schedule, fails func(Schedule) bool) Schedule {
	for n := len(s.Steps) / 2; n > 0; n /= 2 {
		for at := 0; at+n <= len(s.Steps); {
			less := s
			less.Steps = append(append([]Step{}, s.Steps[:at]...), s.Steps[at+n:]...)
			if fails(less) {
				s = less
			} else {
				at += n
			}
		}
	}
	return s
}

// Violated reports whether an error of Run is of something that must not
// happen, rather than of the simulation itself.
func Violated(err error) bool {
	var v violation
	return errors.As(err, &v)
}
