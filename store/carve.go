package store

import (
	"bytes"

	"pinchrod/store/journal"
)

// A find is what is left of one device's log in a damaged file. Nothing in it
// is trusted before vouch has put it together.
type find struct {
	id       journal.Identity
	commits  map[journal.SignedHead]commit // verified
	heads    map[journal.SignedHead]bool   // verified
	pages    map[journal.Hash]journal.Record
	hashes   map[uint64][]journal.Hash // that may be a page's, the likeliest first
	withheld map[journal.Hash]bool
}

// hint notes that a page may have this hash.
func (f *find) hint(seq uint64, h journal.Hash) {
	for _, have := range f.hashes[seq] {
		if have == h {
			return
		}
	}
	f.hashes[seq] = append(f.hashes[seq], h)
}

// page notes a page whose bytes are all there: they say where they belong.
func (f *find) page(b []byte) bool {
	env, err := journal.PeekPage(b)
	if err != nil || env.Device != f.id.Device {
		return false
	}
	r := journal.NewRecord(env.Seq, b)
	if r.Check(f.id.Device) != nil {
		return false
	}
	f.pages[r.Hash] = r
	f.hint(r.Seq, r.Hash)
	return true
}

func (f *find) head(h journal.SignedHead) bool {
	if !f.heads[h] && h.Device == f.id.Device && h.Verify(f.id.Key) == nil {
		f.heads[h] = true
	}
	return f.heads[h]
}

func (f *find) commit(c commit) {
	if have, ok := f.commits[c.Head]; ok && len(have.Hashes) >= len(c.Hashes) {
		return // an old copy; what verifies is the same, or less
	}
	if c.start() == 0 && c.Prev != f.id.Head().Hash {
		return
	}
	if c.verify(f.id) == nil {
		f.commits[c.Head] = c
		f.heads[c.Head] = true
	}
}

// A carving is what is left in a damaged file.
type carving struct {
	logs      map[journal.ID]*find
	forgotten map[journal.ID]bool
	unknown   int // pages of devices whose identity is gone
}

// carve looks through the bytes of a file for what was written to it, without
// the file's structure. Old copies that bbolt has not yet written over turn up
// too, which does no harm.
func carve(data []byte) carving {
	finds := map[journal.ID]*find{}
	forgotten := map[journal.ID]bool{}
	var entries, doubtful []entry
	var commits []commit
	for at := 0; ; {
		i := bytes.Index(data[at:], []byte(magic))
		if i < 0 {
			break
		}
		at += i
		kind, body, sound, ok := splitFrame(data[at:])
		if !ok {
			// The length may be what is damaged.
			kind, body = salvage(data[at:])
		}
		switch kind {
		case kindDevice:
			if id, err := journal.DecodeIdentity(body); err == nil && id.Verify() == nil && finds[id.Device] == nil {
				finds[id.Device] = &find{
					id:      id,
					commits: map[journal.SignedHead]commit{}, heads: map[journal.SignedHead]bool{}, pages: map[journal.Hash]journal.Record{},
					hashes: map[uint64][]journal.Hash{}, withheld: map[journal.Hash]bool{},
				}
			}
		case kindCommit:
			if c, err := parseCommit(kind, body); err == nil {
				commits = append(commits, c)
			}
		case kindPage, kindWithheld, kindLost:
			e, err := parseEntry(kind, body)
			switch {
			case err != nil:
			case sound:
				entries = append(entries, e)
			default:
				doubtful = append(doubtful, e)
			}
		case kindForgotten:
			if sound && len(body) == len(journal.ID{}) {
				forgotten[journal.ID(body)] = true
			}
		}
		if sound {
			at += frameHeader + len(body) // what a page carries is not ours to read
		} else {
			at++
		}
	}
	for _, c := range commits {
		if f := finds[c.Head.Device]; f != nil {
			f.commit(c)
		}
	}
	for _, f := range finds {
		f.search(data)
	}
	strangers := map[journal.Hash]bool{}
	for _, e := range append(entries, doubtful...) {
		f := finds[e.device]
		if f == nil {
			if e.Page != nil && journal.PageHash(e.Page) == e.Hash {
				strangers[e.Hash] = true
			}
			continue
		}
		f.hint(e.Seq, e.Hash)
		if e.Page == nil && !e.lost {
			f.withheld[e.Hash] = true
		}
	}
	// A frame that a page carries, around which the page's own is damaged, says
	// nothing: a page cannot have another job forgotten.
	for job := range forgotten {
		said := frame(kindForgotten, job[:])
		for _, f := range finds {
			for _, r := range f.pages {
				if bytes.Contains(r.Page, said) {
					delete(forgotten, job)
				}
			}
		}
	}
	delete(forgotten, journal.ID{})
	delete(forgotten, journal.Unread)
	return carving{finds, forgotten, len(strangers)}
}

// salvage reads the head of a frame whose length does not fit the file, as far
// as an entry's hash: the page's own bytes are found by search.
func salvage(b []byte) (kind byte, body []byte) {
	const size = 16 + 8 + 32 // device, sequence, hash
	if len(b) < frameHeader+size || b[4] != kindPage && b[4] != kindWithheld && b[4] != kindLost {
		return 0, nil
	}
	return kindLost, b[frameHeader : frameHeader+size]
}

// search finds a device's pages and signed heads by what they start with: an
// array, the version, and the device's id. It needs no frame around them.
func (f *find) search(data []byte) {
	pattern := append([]byte{0x50}, f.id.Device[:]...) // a byte string of 16
	for at := 0; ; {
		i := bytes.Index(data[at:], pattern)
		if i < 0 {
			return
		}
		at += i
		next := at + len(pattern)
		if at >= 2 {
			item := data[at-2:]
			if n, err := journal.ItemLen(item); err == nil {
				if h, err := journal.DecodeSignedHead(item[:n]); err == nil && f.head(h) || f.page(item[:n]) {
					next = at - 2 + n
				}
			}
		}
		at = next
	}
}
