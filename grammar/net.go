package grammar

import (
	"encoding/binary"
	"slices"
)

// Net is what may be said in a state, as a deterministic network of words: no state has two arcs
// with one word. It satisfies the recognizer's contract for nets. Nets of one network of calls share
// their states.
type Net struct {
	key    string
	words  []string  // of the arcs
	states []*dstate // the first is the start
	place  []int32   // by dstate.id: the number of the state here
}

func (n *Net) Key() string { return n.key }
func (n *Net) States() int { return len(n.states) }

// EndingOf gives the ending of a state and its prior.
func (n *Net) EndingOf(s int) (Ending, float64) { return n.states[s].ending, n.states[s].prior }

// Free says whether speech of any content may follow in a state, which no reading tells.
func (n *Net) Free(s int) bool { return n.states[s].free }

// Arcs calls yield for each arc of a state, in order of the words.
func (n *Net) Arcs(s int, yield func(word string, to int, prior float64)) {
	for _, a := range n.states[s].arcs {
		yield(n.words[a.word], int(n.place[a.to]), a.prior)
	}
}

// dfa is the deterministic form of a network, as far as nets have asked for it.
type dfa struct {
	g      *nfa
	words  []string // of the network, in order
	out    [][]darc // arcs with words of each state of the network
	states []*dstate
	byKey  map[string]*dstate // by the bytes of their states, and of those that they were asked for by

	// Scratch.
	said  []int32 // words with an arc
	ways  []way   // by word
	links []link  // those of ways; the first stands for none
	into  []int32
	seen  []bool
	todo  []int32
	key   []byte
}

// way is where a word leads: a list of states of the network.
type way struct {
	first int32
	prior float64
}

type link struct{ to, next int32 }

// darc is an arc with a word, given by its place in dfa.words, to a state of the network or of the dfa.
type darc struct {
	word, to int32
	prior    float64
}

// dstate is a set of states of the network: those that some words can lead to.
type dstate struct {
	id     int32
	states []int32 // in order, those with arcs with words or an ending, and all such that are reached without a word
	arcs   []darc  // in order of the words; nil: not known yet
	ending Ending
	prior  float64
	free   bool
}

func newDFA(g *nfa) *dfa {
	n := len(g.arcs)
	d := &dfa{g: g, out: make([][]darc, n), byKey: map[string]*dstate{}, seen: make([]bool, n)}
	for _, as := range g.arcs {
		for _, a := range as {
			if a.word != "" {
				d.words = append(d.words, a.word)
			}
		}
	}
	slices.Sort(d.words)
	d.words = slices.Compact(d.words)
	for s, as := range g.arcs {
		for _, a := range as {
			if a.word != "" {
				w, _ := slices.BinarySearch(d.words, a.word)
				d.out[s] = append(d.out[s], darc{int32(w), int32(a.to), a.prior})
			}
		}
	}
	d.ways = make([]way, len(d.words))
	return d
}

// state is that of the given states of the network and all that is reached from them without a word.
func (d *dfa) state(set []int32) *dstate {
	d.key = appendKey(d.key[:0], set)
	if st := d.byKey[string(d.key)]; st != nil {
		return st
	}
	d.todo = d.todo[:0]
	for _, s := range set {
		d.reach(s)
	}
	for i := 0; i < len(d.todo); i++ {
		for _, a := range d.g.arcs[d.todo[i]] {
			if a.word == "" {
				d.reach(int32(a.to))
			}
		}
	}
	for _, s := range d.todo {
		d.seen[s] = false
	}
	// States that words only pass through make no difference.
	d.todo = slices.DeleteFunc(d.todo, func(s int32) bool { return len(d.out[s]) == 0 && d.g.endings[s] == NoEnding })
	slices.Sort(d.todo)
	asked := string(d.key)
	d.key = appendKey(d.key[:0], d.todo)
	st := d.byKey[string(d.key)]
	if st == nil {
		st = &dstate{id: int32(len(d.states)), states: slices.Clone(d.todo)}
		for _, s := range st.states {
			if e, p := d.g.endings[s], d.g.priors[s]; e > st.ending || e == st.ending && p > st.prior {
				st.ending, st.prior = e, p
			}
			st.free = st.free || d.g.free[s]
		}
		d.byKey[string(d.key)] = st
		d.states = append(d.states, st)
	}
	d.byKey[asked] = st
	return st
}

func (d *dfa) reach(s int32) {
	if !d.seen[s] {
		d.seen[s] = true
		d.todo = append(d.todo, s)
	}
}

func appendKey(key []byte, states []int32) []byte {
	for _, s := range states {
		key = binary.LittleEndian.AppendUint32(key, uint32(s))
	}
	return key
}

// entry is a set of states of the network in which an utterance may begin, with a prior.
type entry struct {
	states []int32
	prior  float64
}

// arcs are the arcs with words that leave the entries. Priors of arcs that fall together become their greatest.
func (d *dfa) arcs(from ...entry) []darc {
	d.said, d.links = d.said[:0], append(d.links[:0], link{})
	for _, en := range from {
		for _, s := range en.states {
			for _, a := range d.out[s] {
				way := &d.ways[a.word]
				p := a.prior + en.prior
				if way.first == 0 {
					d.said = append(d.said, a.word)
					way.prior = p
				}
				way.prior = max(way.prior, p)
				at := way.first
				for at != 0 && d.links[at].to != a.to {
					at = d.links[at].next
				}
				if at == 0 {
					d.links = append(d.links, link{a.to, way.first})
					way.first = int32(len(d.links) - 1)
				}
			}
		}
	}
	slices.Sort(d.said)
	out := make([]darc, len(d.said))
	for i, w := range d.said {
		way := &d.ways[w]
		d.into = d.into[:0]
		for at := way.first; at != 0; at = d.links[at].next {
			d.into = append(d.into, d.links[at].to)
		}
		way.first = 0
		out[i] = darc{w, d.state(d.into).id, way.prior}
	}
	return out
}

// expand makes the arcs of a state known.
func (d *dfa) expand(st *dstate) {
	if st.arcs == nil {
		st.arcs = d.arcs(entry{states: st.states})
	}
}

// run is the state that the words lead to, or nil.
func (d *dfa) run(from *dstate, words []string) *dstate {
	for _, word := range words {
		d.expand(from)
		i := slices.IndexFunc(from.arcs, func(a darc) bool { return d.words[a.word] == word })
		if i < 0 {
			return nil
		}
		from = d.states[from.arcs[i].to]
	}
	return from
}

// netOf makes the network of what may be said in a state.
func (d *dfa) netOf(s State, key string) *Net {
	start := d.state([]int32{0})
	entries := []entry{{states: start.states}}
	if at := d.run(start, s.Pending); len(s.Pending) > 0 && at != nil {
		entries = []entry{{states: at.states}, {states: start.states, prior: -1}}
	}
	if at := d.run(start, s.Amend); len(s.Amend) > 0 && at != nil {
		entries = append(entries, entry{states: at.states, prior: -1.5})
	}
	return d.net(key, entries)
}

// net makes the network of what may be said from the entries on.
func (d *dfa) net(key string, entries []entry) *Net {
	// The start is a state of its own: the entries differ in their priors, and it is no ending.
	n := &Net{key: key, words: d.words, states: []*dstate{{arcs: d.arcs(entries...)}}}
	for i := 0; i < len(n.states); i++ {
		st := n.states[i]
		d.expand(st)
		if more := len(d.states) - len(n.place); more > 0 {
			n.place = append(n.place, make([]int32, more)...)
		}
		for _, a := range st.arcs {
			if n.place[a.to] == 0 { // nothing leads back to the start
				n.place[a.to] = int32(len(n.states))
				n.states = append(n.states, d.states[a.to])
			}
		}
	}
	return n
}
