package hub

import (
	"slices"

	"pinchrod/store/journal"
)

// A Job is one that the hub has pages of, as people call it.
type Job struct {
	ID   journal.ID
	Name string
}

// Jobs names the hub's jobs. A hub does not look into pages, so whoever runs it
// knows; nil is a hub whose jobs have no names.
type Jobs func() ([]Job, error)

func (j Jobs) list() ([]Job, error) {
	if j == nil {
		return nil, nil
	}
	return j()
}

// On lists the jobs that a surveyor's device is on: those it was put on, and
// those it began.
func (d Device) On() []journal.ID {
	on := slices.Clone(d.Jobs)
	for _, job := range d.Began {
		if !slices.Contains(on, job) && !slices.Contains(d.Off, job) {
			on = append(on, job)
		}
	}
	return on
}
