package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/sync/exchange"
)

type statusOptions struct {
	env  *Env
	book *bookFlag
	json bool
}

func newStatus(e *Env, b *bookFlag) *cobra.Command {
	o := &statusOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "status",
		Short: "say what the hub has confirmed, and what waits",
		Long: `Status says for every device in the book how far its log is known, and for this
one what the hub has confirmed: up to which entry, and when. Its words are
confirmed (by the hub's signed receipt), waiting, and never sent. It asks
nobody: it reads the book.`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return o.run() },
	}
	c.Flags().BoolVar(&o.json, "json", false, "for a program")
	return c
}

// A state is how far a device's log has come.
type state struct {
	Device    journal.ID `json:"device"`
	Tag       string     `json:"tag"`
	Own       bool       `json:"own"`
	Entries   uint64     `json:"entries"`
	Withheld  uint64     `json:"withheld,omitempty"`
	Sync      string     `json:"sync,omitempty"` // confirmed, waiting or never sent
	Confirmed uint64     `json:"confirmed"`
	At        *time.Time `json:"confirmed_at,omitempty"`
	Waiting   uint64     `json:"waiting"`
}

// standing is how this device's log stands with a hub.
func standing(b exchange.Book, hub journal.Identity) (state, error) {
	heads, err := b.Heads()
	if err != nil {
		return state{}, err
	}
	self := b.Identity().Device
	st := state{Device: self, Tag: self.Tag(), Own: true, Entries: heads[self].Seq}
	if hub.Device.IsZero() {
		st.Sync, st.Waiting = "never sent", st.Entries
		return st, nil
	}
	r, ok, err := exchange.Confirmed(b, hub)
	if err != nil {
		return st, err
	}
	if !ok {
		st.Sync, st.Waiting = "never sent", st.Entries
		return st, nil
	}
	st.Confirmed, st.At = r.Head.Seq, &r.Time
	st.Waiting = st.Entries - min(st.Entries, r.Head.Seq)
	st.Sync = "confirmed"
	if st.Waiting > 0 {
		st.Sync = "waiting"
	}
	return st, nil
}

func (o *statusOptions) run() error {
	s, err := o.book.open(true)
	if err != nil {
		return err
	}
	defer s.Close()
	var hub journal.Identity
	j, err := readJoined(s)
	switch {
	case errors.Is(err, errNotJoined):
	case err != nil:
		return err
	default:
		if hub, err = j.identity(); err != nil {
			return err
		}
	}
	all, err := states(s, hub)
	if err != nil {
		return err
	}
	pictures, err := waitingPictures(s, hub.Device)
	if err != nil {
		return err
	}
	if o.json {
		out := struct {
			Hub       string   `json:"hub,omitempty"`
			Addresses []string `json:"addresses,omitempty"`
			Devices   []state  `json:"devices"`
			Pictures  int      `json:"pictures_waiting"`
		}{Devices: all, Pictures: pictures}
		if !hub.Device.IsZero() {
			out.Hub, out.Addresses = hub.Device.String(), j.Addresses
		}
		enc := json.NewEncoder(o.env.Out)
		enc.SetIndent("", "  ")
		return enc.Encode(out)
	}
	o.print(all, hub, j, pictures)
	return nil
}

func (o *statusOptions) print(all []state, hub journal.Identity, j joined, pictures int) {
	w := o.env.Out
	if hub.Device.IsZero() {
		fmt.Fprintln(w, "no hub joined")
	} else {
		fmt.Fprintf(w, "hub %s at %s\n", hub.Device.Tag(), j.Addresses[0])
	}
	for _, st := range all {
		if !st.Own {
			fmt.Fprintf(w, "%s  another device's log: %s here", st.Tag, report.Count(int(st.Entries), "entry"))
			if st.Withheld > 0 {
				fmt.Fprintf(w, ", %d of them by their hash only", st.Withheld)
			}
			fmt.Fprintln(w)
			continue
		}
		fmt.Fprintf(w, "%s  this device: %s", st.Tag, report.Count(int(st.Entries), "entry"))
		if st.At != nil {
			fmt.Fprintf(w, "; confirmed up to %d, %s", st.Confirmed, st.At.In(o.env.Now().Location()).Format("2 Jan 2006 15:04"))
			if st.Waiting > 0 {
				fmt.Fprintf(w, "; %d waiting", st.Waiting)
			}
		} else if st.Entries > 0 {
			fmt.Fprint(w, "; never sent")
		}
		fmt.Fprintln(w)
	}
	if pictures > 0 {
		fmt.Fprintf(w, "%s waiting\n", report.Count(pictures, "picture"))
	}
}

// states lists how far every log has come, this device's first.
func states(s *store.Store, hub journal.Identity) ([]state, error) {
	heads, err := s.Heads()
	if err != nil {
		return nil, err
	}
	jobs, err := s.Jobs()
	if err != nil {
		return nil, err
	}
	own, err := standing(s, hub)
	if err != nil {
		return nil, err
	}
	all := []state{own}
	for device, head := range heads {
		if device == own.Device {
			continue
		}
		st := state{Device: device, Tag: device.Tag(), Entries: head.Seq, Withheld: head.Seq}
		for _, n := range jobs[device] {
			st.Withheld -= min(n, st.Withheld)
		}
		all = append(all, st)
	}
	slices.SortFunc(all[1:], func(a, b state) int { return a.Device.Compare(b.Device) })
	return all, nil
}

// waitingPictures counts the pictures that are not known to be at the hub.
func waitingPictures(s *store.Store, hub journal.ID) (n int, err error) {
	there, err := s.Margin("hub/" + hub.String() + "/picture/")
	if err != nil {
		return 0, err
	}
	var all []fieldbook.JobPicture
	if err = s.View(func(kv store.KV) error { all, err = fieldbook.AllPictures(kv); return err }); err != nil {
		return 0, err
	}
	for _, p := range all {
		if there[pictureKey(hub, p.Sum)] == nil {
			n++
		}
	}
	return n, nil
}
