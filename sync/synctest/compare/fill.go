package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

type record struct {
	Job, Bay, Kind, Instrument, Note string
	Position                         int
	Value                            float64
	Time                             time.Time
}

type projector struct{}

func (projector) Version() uint32                           { return fieldbook.Version }
func (projector) Project(kv store.KV, p journal.Page) error { return fieldbook.Project(kv, p) }

// fill writes records, one JSON object a line, as readings into a book: one
// page a reading, as the walk up a stair does, and group of them signed and
// synced to disk in one step.
//
// A record is {"id", "job", "bay", "kind", "position", "value", "unit",
// "instrument", "time", "note"}. Its id is dropped: a reading's name is its
// place in the log. A kind that the survey does not have is taken for a going.
func fill(path string, skip, take, group int, records string) (err error) {
	f, err := os.Open(records)
	if err != nil {
		return err
	}
	defer f.Close()
	var now time.Time
	o := store.Options{Projector: projector{}, Now: func() time.Time { return now }}
	in := json.NewDecoder(bufio.NewReader(f))
	var s *store.Store
	var drafts []store.Draft
	jobs := map[string]journal.ID{}
	for n := 0; n < skip+take; n++ {
		var r record
		if err := in.Decode(&r); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return fmt.Errorf("record %d: %w", n+1, err)
		}
		now = r.Time
		if n < skip {
			continue
		}
		if s == nil {
			if s, err = store.Open(path, o); errors.Is(err, store.ErrMissing) {
				s, err = store.Create(path, o)
			}
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, s.Close()) }()
		}
		p := survey.Payload{Readings: []survey.Reading{reading(r)}}
		job, ok := jobs[r.Job]
		if !ok {
			if err := s.View(func(kv store.KV) error {
				j, err := fieldbook.FindJob(kv, r.Job)
				job, ok = j.ID, err == nil
				return nil
			}); err != nil {
				return err
			}
			if !ok {
				if job, err = journal.NewID(now, strings.NewReader(fmt.Sprintf("%-32s", r.Job))); err != nil {
					return err
				}
				p.Job = &survey.JobRecord{Name: r.Job}
			}
			jobs[r.Job] = job
		}
		b, err := p.Encode()
		if err != nil {
			return err
		}
		if drafts = append(drafts, store.Draft{Job: job, Payload: b}); len(drafts) == group {
			if _, err := s.Append(drafts...); err != nil {
				return err
			}
			drafts = drafts[:0]
		}
	}
	if len(drafts) > 0 {
		_, err = s.Append(drafts...)
	}
	return err
}

func reading(r record) survey.Reading {
	out := survey.Reading{
		Where: survey.Place("F" + strings.TrimPrefix(r.Bay, "B")),
		What:  survey.Going,
		At:    survey.At{Mark: survey.Step, N: int64(r.Position + 1)},
		Value: survey.Quantity{Measure: survey.Length, N: [3]int64{int64(math.Round(r.Value * 1000))}},
		Text:  fmt.Sprint(r.Value), Tool: r.Instrument, Note: r.Note,
	}
	switch r.Kind {
	case "rise":
		out.What = survey.Rise
	case "headroom":
		out.What = survey.Headroom
	case "width":
		out.What = survey.Width
		out.At = survey.At{Mark: []survey.Mark{survey.Bottom, survey.Middle, survey.Top}[r.Position%3]}
	}
	return out
}
