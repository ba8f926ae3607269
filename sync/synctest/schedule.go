package synctest

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"strings"
)

// A Schedule is all that happens in one simulation. What a step's numbers mean
// depends on how things stand when its turn comes, so that a schedule with a
// step left out is a schedule still.
type Schedule struct {
	Seed    uint64 // of keys and ids
	Devices int
	Steps   []Step
}

// A Step is something that happens to a device (A, counted from 0; for some
// steps the hub, which comes after the last).
type Step struct {
	Op         Op
	A, B, C, D uint32
}

// An Op is a kind of step.
type Op int

// The kinds of steps.
const (
	OpAppend     Op = iota // the device writes 1 + B%3 entries for job C, with the node fault D
	OpStrike               // the device writes an entry that strikes entry B, with the node fault D
	OpSync                 // the device syncs, with line faults B and C, and the node fault D
	OpBackup               // the device's store is copied
	OpRestore              // the copy takes the store's place
	OpHubBackup            // as well for the hub
	OpHubRestore           //
	OpParcel               // A, or the hub, packs all it has for device B, or the hub, from page C on
	OpDeliver              // parcel A, counted from the latest, arrives: whole, or in part by B; it may come again by C; node fault D
	OpReplay               // an old request of the device's arrives again
	OpRelease              // requests that were held up arrive, the latest first
	OpForget               // the hub forgets job B, with the node fault D
	OpGrant                // the rights of the device change, by B and C
	OpClock                // the clock of the device, or of the hub, steps by B
	OpDown                 // the device is cut off
	OpUp                   // and is not any more
	ops
)

var opNames = [ops]string{
	"append", "strike", "sync", "backup", "restore", "hub-backup", "hub-restore", "parcel",
	"deliver", "replay", "release", "forget", "grant", "clock", "down", "up",
}

func (o Op) String() string {
	if o < 0 || o >= ops {
		return fmt.Sprintf("op %d", int(o))
	}
	return opNames[o]
}

// String returns the step as ParseSchedule reads it.
func (s Step) String() string {
	return fmt.Sprintf("%s %d %d %d %d", s.Op, s.A, s.B, s.C, s.D)
}

// String returns the schedule as ParseSchedule reads it.
func (s Schedule) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "devices %d %d\n", s.Devices, s.Seed)
	for _, step := range s.Steps {
		fmt.Fprintln(&b, step)
	}
	return b.String()
}

// ParseSchedule reads a schedule, or the trace of one: a line for each step,
// after the line that says how many devices there are. What follows a # is
// passed over.
func ParseSchedule(text string) (s Schedule, err error) {
	lines := bufio.NewScanner(strings.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		line, _, _ := strings.Cut(lines.Text(), "#")
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		if s.Devices == 0 {
			if _, err := fmt.Sscanf(line, "devices %d %d", &s.Devices, &s.Seed); err != nil || s.Devices < 1 {
				return Schedule{}, fmt.Errorf("schedule: line %d: %q: want the number of devices, and a seed", n, line)
			}
			continue
		}
		var name string
		var step Step
		if _, err := fmt.Sscanf(line, "%s %d %d %d %d", &name, &step.A, &step.B, &step.C, &step.D); err != nil {
			return Schedule{}, fmt.Errorf("schedule: line %d: %q: want a step and four numbers: %w", n, line, err)
		}
		for step.Op = 0; step.Op < ops && step.Op.String() != name; step.Op++ {
		}
		if step.Op == ops {
			return Schedule{}, fmt.Errorf("schedule: line %d: no step is called %q", n, name)
		}
		s.Steps = append(s.Steps, step)
	}
	if s.Devices == 0 {
		return Schedule{}, fmt.Errorf("schedule: nothing is in it")
	}
	return s, lines.Err()
}

// weights say how often a step comes up among the others.
var weights = [ops]int{
	OpAppend: 24, OpStrike: 6, OpSync: 38, OpBackup: 5, OpRestore: 4, OpHubBackup: 3, OpHubRestore: 2, OpParcel: 6,
	OpDeliver: 6, OpReplay: 2, OpRelease: 2, OpForget: 1, OpGrant: 4, OpClock: 2, OpDown: 1, OpUp: 3,
}

// Generate makes a schedule from a seed. A store that is restored from a
// backup has lost what nobody else had, and then it is the other side that
// has to have kept it; so only one side is restored in one schedule: devices,
// or the hub.
func Generate(seed uint64) Schedule {
	r := rand.New(rand.NewPCG(seed, 0x73796e63))
	s := Schedule{Seed: seed, Devices: 3 + r.IntN(4)}
	w := weights
	if r.IntN(3) == 0 {
		w[OpBackup], w[OpRestore] = 0, 0
	} else {
		w[OpHubBackup], w[OpHubRestore] = 0, 0
	}
	if r.IntN(3) > 0 {
		w[OpForget] = 0
	}
	total := 0
	for _, n := range w {
		total += n
	}
	var copied []uint32 // devices with a backup
	for range 20 + r.IntN(25) {
		n, op := r.IntN(total), Op(0)
		for ; n >= w[op]; op++ {
			n -= w[op]
		}
		step := Step{op, uint32(r.IntN(64)), r.Uint32(), r.Uint32(), r.Uint32()}
		switch op {
		case OpBackup:
			copied = append(copied, step.A)
		case OpRestore:
			if len(copied) == 0 {
				continue
			}
			step.A = copied[r.IntN(len(copied))]
		}
		s.Steps = append(s.Steps, step)
		if op == OpRestore && r.IntN(2) == 0 { // somebody who does not know writes on
			s.Steps = append(s.Steps, Step{OpAppend, step.A, r.Uint32(), r.Uint32(), 7})
		}
	}
	if w[OpRestore] > 0 && r.IntN(4) == 0 {
		s.Steps = append(s.Steps, twice(r, s.Devices)...)
	}
	return s
}

// twice are steps by which a device writes two logs, as it rarely comes about
// by itself: what it wrote first is with another device, or at the hub, when
// an old copy of it takes its place and goes on.
func twice(r *rand.Rand, devices int) (steps []Step) {
	d, other := uint32(r.IntN(devices)), uint32(r.IntN(devices+1))
	do := func(op Op, a, b, c uint32) { steps = append(steps, Step{op, a, b, c, 7}) }
	do(OpBackup, d, 0, 0)
	do(OpAppend, d, r.Uint32(), r.Uint32())
	if r.IntN(3) == 0 {
		do(OpSync, d, 15, 0)
	} else {
		do(OpParcel, d, other, 1)
		do(OpDeliver, 0, 1, 1)
	}
	do(OpRestore, d, 0, 0)
	do(OpAppend, d, r.Uint32(), r.Uint32())
	if r.IntN(2) == 0 {
		do(OpSync, d, 15, 0)
		do(OpSync, other, 15, 0)
	}
	return steps
}
