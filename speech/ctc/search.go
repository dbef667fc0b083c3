package ctc

import (
	"math"
	"slices"

	"leadsman/speech"
)

// A search walks the tokens of a beam through a graph, frame by frame. A token stands for all
// alignments that end in the same node of a state's tree after the same words; their probabilities are added, as CTC
// defines it (Graves et al. 2006). Between frames nothing is allocated once the buffers have grown.
type search struct {
	g     *graph
	beam  float64 // tokens further than this below the best are dropped
	limit int     // and so are all but about this many of the best

	cur, next []token
	best      float64 // of next
	table     []slot  // token key -> place in next
	stamp     uint32

	hist      []history
	histTable []histSlot
	histStamp uint32

	ends []outcome // scratch of outcomes
	mark []int32   // hist -> place in ends + 1
}

type token struct {
	place
	score float64
}

type place struct {
	state int32
	node  int32 // shifted left by one; the low bit says: in the blank that follows the node's phone
	hist  int32
}

// hash is a number of 24 bits for tables.
func (p place) hash() uint64 {
	return (uint64(uint32(p.state))<<48 ^ uint64(uint32(p.node))<<32 ^ uint64(uint32(p.hist))) * 0x9E3779B97F4A7C15 >> 40
}

type slot struct {
	place
	stamp uint32
	at    int32
}

type history struct{ parent, word int32 }

type histSlot struct {
	parent, word, id int32
	stamp            uint32
}

func newSearch(beam float64, limit int) *search {
	return &search{beam: beam, limit: limit, table: make([]slot, 4096), histTable: make([]histSlot, 4096)}
}

// start begins a search at the start of the graph.
func (s *search) start(g *graph) {
	s.g = g
	s.hist = append(s.hist[:0], history{parent: -1, word: -1})
	s.histStamp++
	s.cur = append(s.cur[:0], token{place: place{node: 1}})
}

// add brings a token into the next frame. The caller has checked that its score is within the beam.
func (s *search) add(p place, score float64) {
	for i := p.hash(); ; i++ {
		e := &s.table[i&uint64(len(s.table)-1)]
		if e.stamp != s.stamp {
			*e = slot{p, s.stamp, int32(len(s.next))}
			s.next = append(s.next, token{p, score})
			break
		}
		if e.place == p {
			t := &s.next[e.at]
			t.score = logAdd(t.score, score)
			score = t.score
			break
		}
	}
	if score > s.best {
		s.best = score
	}
	if len(s.next)*2 > len(s.table) {
		s.growTable()
	}
}

func (s *search) growTable() {
	s.table = make([]slot, len(s.table)*2)
	s.stamp = 1
	for at, t := range s.next {
		for i := t.hash(); ; i++ {
			if e := &s.table[i&uint64(len(s.table)-1)]; e.stamp != s.stamp {
				*e = slot{t.place, s.stamp, int32(at)}
				break
			}
		}
	}
}

// extend returns the history parent followed by word.
func (s *search) extend(parent, word int32) int32 {
	h := (uint64(uint32(parent))<<32 | uint64(uint32(word))) * 0x9E3779B97F4A7C15
	for i := h >> 40; ; i++ {
		e := &s.histTable[i&uint64(len(s.histTable)-1)]
		if e.stamp == s.histStamp {
			if e.parent == parent && e.word == word {
				return e.id
			}
			continue
		}
		id := int32(len(s.hist))
		*e = histSlot{parent, word, id, s.histStamp}
		s.hist = append(s.hist, history{parent, word})
		if len(s.hist)*2 > len(s.histTable) {
			s.growHistTable()
		}
		return id
	}
}

func (s *search) growHistTable() {
	s.histTable = make([]histSlot, len(s.histTable)*2)
	s.histStamp = 1
	for id, k := range s.hist {
		if k.parent < 0 {
			continue
		}
		h := (uint64(uint32(k.parent))<<32 | uint64(uint32(k.word))) * 0x9E3779B97F4A7C15
		for i := h >> 40; ; i++ {
			if e := &s.histTable[i&uint64(len(s.histTable)-1)]; e.stamp != s.histStamp {
				*e = histSlot{k.parent, k.word, int32(id), s.histStamp}
				break
			}
		}
	}
}

// freeCost is what a sound of free speech costs, natural logarithm: more than a phone of a call that is heard well, so that no call is taken
// for "remark" and something else, and far less than a phone that was not said. Engineering choice; docs/experiments.md has what became of chatter.
const freeCost = 1.5

// anything is the log-probability of a frame of free speech.
func anything(lp []float32) float64 {
	return max(float64(lp[0]), float64(slices.Max(lp))-freeCost)
}

// frame is the log-probabilities of the symbols in one frame, blank first, and that of free speech.
type frame struct {
	lp          []float32
	blank, free float64
}

// step consumes the log-probabilities of the symbols in one frame, blank first.
func (s *search) step(lp []float32) {
	s.next = s.next[:0]
	s.stamp++
	s.best = math.Inf(-1)
	f := frame{lp, float64(lp[0]), anything(lp)}
	for i := range s.cur {
		t := &s.cur[i]
		st := &s.g.states[t.state]
		n := &st.tree.nodes[t.node>>1]
		if t.node&1 == 1 {
			s.fromBlank(&f, t, st, n)
			continue
		}
		s.fromPhone(&f, t, st, n)
		for _, x := range st.tree.exits[n.exit:n.exitEnd] {
			s.leave(&f, t, st, n, x)
		}
	}
	s.prune()
}

// fromBlank goes on from a blank: it stays there, or a child of the node begins.
func (s *search) fromBlank(f *frame, t *token, st *state, n *node) {
	v := t.score + f.blank
	if st.free && t.node == 1 {
		v = t.score + f.free
	}
	if v > s.best-s.beam {
		s.add(t.place, v)
	}
	for c := n.child; c < n.childEnd; c++ {
		d := &st.tree.nodes[c]
		if v := t.score + d.delta + float64(f.lp[d.phone]); v > s.best-s.beam {
			s.add(place{t.state, c << 1, t.hist}, v)
		}
	}
}

// fromPhone goes on from a phone within its word: it lasts, or a blank or another phone follows.
func (s *search) fromPhone(f *frame, t *token, st *state, n *node) {
	if v := t.score + float64(f.lp[n.phone]); v > s.best-s.beam {
		s.add(t.place, v)
	}
	if n.child == n.childEnd {
		return
	}
	if v := t.score + f.blank; v > s.best-s.beam {
		s.add(place{t.state, t.node | 1, t.hist}, v)
	}
	for c := n.child; c < n.childEnd; c++ {
		d := &st.tree.nodes[c]
		if d.phone == n.phone { // CTC: the same symbol again needs a blank between
			continue
		}
		if v := t.score + d.delta + float64(f.lp[d.phone]); v > s.best-s.beam {
			s.add(place{t.state, c << 1, t.hist}, v)
		}
	}
}

// leave ends a word behind its last phone: in a pause, or in the first phone of the next word.
func (s *search) leave(f *frame, t *token, st *state, n *node, x exit) {
	base := t.score + x.delta
	h := int32(-1) // made only if something survives
	to := s.g.to[st.arcs+x.arc]
	next := &s.g.states[to]
	v := base + f.blank
	if next.free {
		v = base + f.free
	}
	if v > s.best-s.beam {
		h = s.extend(t.hist, x.word)
		s.add(place{to, 1, h}, v)
	}
	nodes := next.tree.nodes
	for c := nodes[0].child; c < nodes[0].childEnd; c++ {
		d := &nodes[c]
		if d.phone == n.phone {
			continue
		}
		if v := base + d.delta + float64(f.lp[d.phone]); v > s.best-s.beam {
			if h < 0 {
				h = s.extend(t.hist, x.word)
			}
			s.add(place{to, c << 1, h}, v)
		}
	}
}

// prune keeps the tokens within the beam and, if there are too many, narrows the beam by the
// distribution of the scores until they fit.
func (s *search) prune() {
	width := s.beam
	if len(s.next) > s.limit && !math.IsInf(width, 1) {
		const bins = 64
		var count [bins]int
		for _, t := range s.next {
			if b := int((s.best - t.score) / s.beam * bins); b < bins {
				count[b]++
			}
		}
		sum := 0
		for b, c := range count {
			if sum += c; sum > s.limit {
				width = s.beam * float64(max(b, 1)) / bins
				break
			}
		}
	}
	keep := s.next[:0]
	for _, t := range s.next {
		if t.score > s.best-width {
			keep = append(keep, t)
		}
	}
	s.cur, s.next = keep, s.cur
}

// An outcome is one word sequence and what it is worth at the end of the frames seen so far.
type outcome struct {
	hist   int32
	ending speech.Ending
	free   bool    // speech of any content may follow
	score  float64 // log-probability with priors, that of the ending included
	single float64 // share of the best ending alone
}

// outcomes returns what the frames so far may mean if they are all, best first: the word sequences
// that end where the net lets a call end. rest is the best score of everything else, words cut off
// in the middle or leading nowhere. The result is valid until the next call.
func (s *search) outcomes() (ends []outcome, rest float64) {
	rest = math.Inf(-1)
	s.ends = s.ends[:0]
	if cap(s.mark) < len(s.hist) {
		s.mark = make([]int32, 2*len(s.hist))
	}
	s.mark = s.mark[:len(s.hist)]
	clear(s.mark)
	for _, t := range s.cur {
		st := &s.g.states[t.state]
		n := &st.tree.nodes[t.node>>1]
		if t.node == 1 {
			s.end(t.hist, t.state, t.score, &rest)
			continue
		}
		if t.node&1 == 1 || n.exit == n.exitEnd {
			rest = max(rest, t.score)
			continue
		}
		for _, x := range st.tree.exits[n.exit:n.exitEnd] {
			to := s.g.to[st.arcs+x.arc]
			if s.g.states[to].ending == speech.NoEnding {
				rest = max(rest, t.score+x.delta)
				continue
			}
			h := s.extend(t.hist, x.word)
			for len(s.mark) < len(s.hist) {
				s.mark = append(s.mark, 0)
			}
			s.end(h, to, t.score+x.delta, &rest)
		}
	}
	slices.SortFunc(s.ends, func(a, b outcome) int {
		switch {
		case a.score > b.score:
			return -1
		case a.score < b.score:
			return 1
		}
		return int(a.hist - b.hist)
	})
	return s.ends, rest
}

func (s *search) end(hist, state int32, score float64, rest *float64) {
	st := &s.g.states[state]
	if st.ending == speech.NoEnding || hist == 0 {
		*rest = max(*rest, score)
		return
	}
	score += st.endPri
	if m := s.mark[hist]; m > 0 {
		e := &s.ends[m-1]
		e.score = logAdd(e.score, score)
		if score > e.single {
			e.single, e.ending, e.free = score, st.ending, st.free
		}
		return
	}
	s.ends = append(s.ends, outcome{hist, st.ending, st.free, score, score})
	s.mark[hist] = int32(len(s.ends))
}

// wordsOf appends the words of a history to dst.
func (s *search) wordsOf(dst []int32, hist int32) []int32 {
	from := len(dst)
	for ; hist > 0; hist = s.hist[hist].parent {
		dst = append(dst, s.hist[hist].word)
	}
	slices.Reverse(dst[from:])
	return dst
}

// logAdd returns log(exp(a)+exp(b)), by a table, to about 1e-6.
func logAdd(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	d := (a - b) * logAddScale
	if !(d < logAddSteps-1) { // far apart, or both -Inf
		return a
	}
	i := int(d)
	return a + logAddTable[i] + (d-float64(i))*(logAddTable[i+1]-logAddTable[i])
}

const (
	logAddScale = 256
	logAddSteps = 18 * logAddScale
)

var logAddTable = func() (t [logAddSteps + 1]float64) {
	for i := range t {
		t[i] = math.Log1p(math.Exp(-float64(i) / logAddScale))
	}
	return t
}()
