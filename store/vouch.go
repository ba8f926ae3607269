package store

import (
	"bytes"
	"cmp"
	"maps"
	"slices"

	"pinchrod/store/journal"
)

// bridgeBudget bounds the search for hashes that lead from one known head to
// the next when the list of them is damaged. A place has two candidates only
// when its own frame is damaged, so sixteen damaged frames between two
// commits still fit.
const bridgeBudget = 1 << 16

// bridgeTries is how many known heads, the nearest first, a bridge is started
// from: the nearest can belong to a commit that was never finished.
const bridgeTries = 4

// A node is a head that is known to be the device's: signed, or on the way to
// a signed one.
type node struct {
	seq  uint64
	hash journal.Hash
}

// A step leads to a node by one page.
type step struct {
	from node
	page journal.Hash
}

// A proof is all that can be known of a log from a find.
type proof struct {
	*find
	steps  map[node]step
	signed map[node]journal.SignedHead
}

// vouch puts a find together: from the commits, which each prove their own
// pages, and where one is damaged from the hashes kept with the pages.
func (f *find) vouch() *proof {
	p := &proof{f, map[node]step{}, map[node]journal.SignedHead{}}
	root := f.id.Head()
	p.signed[node{0, root.Hash}] = root
	starts := map[node]bool{}
	for _, c := range f.commits {
		at := node{c.start(), c.Prev}
		starts[at] = true
		for _, h := range c.Hashes {
			to := node{at.seq + 1, journal.Next(at.hash, h)}
			p.steps[to] = step{at, h}
			at = to
		}
		p.signed[at] = c.Head
	}
	for h := range f.heads {
		p.signed[node{h.Seq, h.Hash}] = h
	}
	known := slices.Collect(maps.Keys(p.signed))
	for n := range p.steps {
		known = append(known, n)
	}
	for n := range starts {
		known = append(known, n)
	}
	slices.SortFunc(known, compareNodes)
	known = slices.Compact(known)
	for i, n := range known {
		if _, ok := p.steps[n]; !ok && n.seq > 0 {
			p.bridge(known[:i], n)
		}
	}
	return p
}

func compareNodes(a, b node) int {
	return cmp.Or(cmp.Compare(a.seq, b.seq), bytes.Compare(a.hash[:], b.hash[:]))
}

// bridge looks for hashes that lead from one of the heads below to a head.
func (p *proof) bridge(below []node, to node) {
	tries := 0
	for i := len(below) - 1; i >= 0 && tries < bridgeTries; i-- {
		from := below[i]
		if from.seq >= to.seq {
			continue
		}
		tries++
		budget := bridgeBudget + to.seq - from.seq
		if path := p.lead(from, to, &budget); path != nil {
			for _, h := range path {
				next := node{from.seq + 1, journal.Next(from.hash, h)}
				p.steps[next] = step{from, h}
				from = next
			}
			return
		}
	}
}

// lead returns hashes that lead from one head to another, trying every
// candidate, the likeliest first, depth first. The choice at each place is
// kept in a list rather than on the stack: a log can be long.
func (p *proof) lead(from, to node, budget *uint64) []journal.Hash {
	n := int(to.seq - from.seq)
	for seq := from.seq + 1; seq <= to.seq; seq++ {
		if len(p.hashes[seq]) == 0 {
			return nil
		}
	}
	heads := make([]journal.Hash, n+1) // heads[i] after i pages
	heads[0] = from.hash
	choice := make([]int, n)
	for i := 0; ; {
		if i == n {
			if heads[n] == to.hash {
				break
			}
			i--
			choice[i]++
			continue
		}
		candidates := p.hashes[from.seq+1+uint64(i)]
		if choice[i] == len(candidates) {
			if i == 0 {
				return nil
			}
			choice[i] = 0
			i--
			choice[i]++
			continue
		}
		if *budget == 0 {
			return nil
		}
		*budget--
		heads[i+1] = journal.Next(heads[i], candidates[choice[i]])
		i++
	}
	path := make([]journal.Hash, n)
	for i := range path {
		path[i] = p.hashes[from.seq+1+uint64(i)][choice[i]]
	}
	return path
}

// A stretch is a run of pages without a break in the proof, after the head it
// starts from.
type stretch struct {
	start node
	pages []journal.Hash
	heads []journal.SignedHead // on the way, ending with the last page's
}

// stretches returns the log, from its first page to the last signed head that
// a page is proved by, broken where pages are lost without their hashes.
//
// A crash can leave a signed head of a commit that was never finished, and
// the log has then gone on without it. So the way is followed down from the
// highest signed head. Of two as high, which only the very last commit can
// be, it is the one whose last page has the later time.
func (p *proof) stretches() []stretch {
	var tops []node
	for n := range p.signed {
		if _, ok := p.steps[n]; ok {
			tops = append(tops, n)
		}
	}
	slices.SortFunc(tops, func(a, b node) int {
		return cmp.Or(cmp.Compare(b.seq, a.seq), p.time(b).Compare(p.time(a)), compareNodes(a, b))
	})
	tops = append(tops, node{0, p.id.Head().Hash})
	var out []stretch
	for at := tops[0]; ; {
		s := stretch{}
		for {
			st, ok := p.steps[at]
			if !ok {
				break
			}
			if h, ok := p.signed[at]; ok {
				s.heads = append(s.heads, h)
			}
			s.pages = append(s.pages, st.page)
			at = st.from
		}
		s.start = at
		slices.Reverse(s.pages)
		slices.Reverse(s.heads)
		out = append(out, s)
		if at.seq == 0 {
			break
		}
		at = tops[slices.IndexFunc(tops, func(n node) bool { return n.seq < at.seq })]
	}
	slices.Reverse(out)
	return out
}

// last returns the highest sequence that is signed, proved or not.
func (p *proof) last() (seq uint64) {
	for n := range p.signed {
		seq = max(seq, n.seq)
	}
	return seq
}
