package survey

import (
	"slices"

	"pinchrod/store/journal"
)

// Remap returns the payload with every reference to a reading or setting
// replaced by to(reference): for pages that are written again under another
// device's name.
func (p Payload) Remap(to func(journal.Ref) journal.Ref) Payload {
	named := func(r journal.Ref) journal.Ref {
		if r == (journal.Ref{}) {
			return r
		}
		return to(r)
	}
	strikes := func(in []Strike) []Strike {
		out := slices.Clone(in)
		for i := range out {
			out[i].Reading = named(out[i].Reading)
		}
		return out
	}
	p.Readings = slices.Clone(p.Readings)
	for i := range p.Readings {
		p.Readings[i].Replaces = named(p.Readings[i].Replaces)
	}
	p.Strikes, p.Keeps = strikes(p.Strikes), strikes(p.Keeps)
	p.Pictures = slices.Clone(p.Pictures)
	for i := range p.Pictures {
		p.Pictures[i].Reading = named(p.Pictures[i].Reading)
	}
	p.Settings = slices.Clone(p.Settings)
	for i := range p.Settings {
		p.Settings[i].Replaces = slices.Clone(p.Settings[i].Replaces)
		for j, r := range p.Settings[i].Replaces {
			p.Settings[i].Replaces[j] = named(r)
		}
	}
	return p
}
