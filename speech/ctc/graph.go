package ctc

import (
	"container/list"
	"encoding/binary"
	"math"
	"slices"
	"sync"

	"leadsman/speech"
)

// A graph is a speech.Net with every word replaced by its phones. The words that may follow in a
// state of the net share a tree of phones; a word that is complete jumps to the root of the tree of
// the state it leads to. States in which the same words may follow share their tree, in all graphs
// of a forest.
type graph struct {
	states []state
	to     []int32 // states that the arcs of the net lead to, state by state
	words  []string
	ways   [][][]uint8 // pronunciations of words
}

type state struct {
	tree   *tree
	endPri float64
	ending speech.Ending
	free   bool  // speech of any content may follow
	arcs   int32 // place of its first arc in graph.to
}

// A tree holds the words that may follow in a state; node 0 is the root. Priors are looked ahead: a
// node carries the best prior of the words below it, so that the beam sees them as early as
// possible, and leaving the tree makes up the difference.
type tree struct {
	nodes []node
	exits []exit
}

type node struct {
	delta           float64
	child, childEnd int32 // children are nodes[child:childEnd]
	exit, exitEnd   int32 // words that may end here
	phone           uint8 // 0 for the root
}

type exit struct {
	delta     float64
	word, arc int32 // arc: which one of the state it is
}

// A forest lays nets out over a lexicon and keeps the trees, for they come again and again: a net
// that differs from one before it in a few states costs little more than those. It belongs to one
// goroutine at a time.
type forest struct {
	lex   *lexicon
	ids   map[string]int32 // of the words met so far
	words []string
	ways  [][][]uint8
	trees map[string]*tree // by their words and priors

	// Scratch.
	arcs     []arc
	key      []byte
	twigs    []twig
	branches []branch
	from     []int32 // twig of each node
}

// maxTrees bounds what a forest keeps.
const maxTrees = 2048

type arc struct {
	word  int32
	prior float64
}

// A twig is a node of a tree that grows.
type twig struct {
	look        float64
	first, next int32 // 0 = none; the root is never a child
	firstExit   int32 // 0 = none, else index+1 of branches
	phone       uint8
}

type branch struct{ next, arc int32 }

func newForest(lex *lexicon) *forest {
	return &forest{lex: lex, ids: map[string]int32{}, trees: map[string]*tree{}}
}

// compile lays a single net out.
func compile(net speech.Net, lex *lexicon) (*graph, error) { return newForest(lex).compile(net) }

// compile fails with *speech.VocabularyError.
func (f *forest) compile(net speech.Net) (*graph, error) {
	g := &graph{states: make([]state, net.States())}
	var missing []string
	add := func(word string, to int, prior float64) {
		id, ok := f.word(word)
		if !ok && !slices.Contains(missing, word) {
			missing = append(missing, word)
		}
		f.arcs = append(f.arcs, arc{id, prior})
		f.key = binary.LittleEndian.AppendUint32(f.key, uint32(id))
		f.key = binary.LittleEndian.AppendUint64(f.key, math.Float64bits(prior))
		g.to = append(g.to, int32(to))
	}
	for s := range g.states {
		st := &g.states[s]
		st.ending, st.endPri = net.Ending(s)
		st.free = speech.Free(net, s)
		st.arcs = int32(len(g.to))
		f.arcs, f.key = f.arcs[:0], f.key[:0]
		net.Arcs(s, add)
		if missing == nil {
			st.tree = f.tree()
		}
	}
	if missing != nil {
		return nil, &speech.VocabularyError{Missing: missing}
	}
	g.to = slices.Clone(g.to)
	g.words, g.ways = f.words, f.ways
	return g, nil
}

func (f *forest) word(word string) (id int32, ok bool) {
	if id, ok = f.ids[word]; ok {
		return id, true
	}
	ways, ok := f.lex.words[word]
	if !ok {
		return 0, false
	}
	id = int32(len(f.words))
	f.ids[word] = id
	f.words, f.ways = append(f.words, word), append(f.ways, ways)
	return id, true
}

// tree is that of f.arcs, whose key is in f.key.
func (f *forest) tree() *tree {
	t := f.trees[string(f.key)]
	if t == nil {
		t = f.grow()
		if len(f.trees) >= maxTrees {
			clear(f.trees)
		}
		f.trees[string(f.key)] = t
	}
	return t
}

// grow makes the tree of f.arcs.
func (f *forest) grow() *tree {
	// First as linked lists, in the order in which the nodes arise.
	f.twigs, f.branches = append(f.twigs[:0], twig{}), f.branches[:0]
	for i, a := range f.arcs {
		for _, way := range f.ways[a.word] {
			at := int32(0)
			for _, p := range way {
				c := f.twigs[at].first
				for c != 0 && f.twigs[c].phone != p {
					c = f.twigs[c].next
				}
				if c == 0 {
					c = int32(len(f.twigs))
					f.twigs = append(f.twigs, twig{phone: p, next: f.twigs[at].first, look: math.Inf(-1)})
					f.twigs[at].first = c
				}
				f.twigs[c].look = max(f.twigs[c].look, a.prior)
				at = c
			}
			f.branches = append(f.branches, branch{f.twigs[at].firstExit, int32(i)})
			f.twigs[at].firstExit = int32(len(f.branches))
		}
	}
	// Then flat, so that the children of a node lie side by side.
	t := &tree{nodes: make([]node, 1, len(f.twigs)), exits: make([]exit, 0, len(f.branches))}
	f.from = append(f.from[:0], 0)
	for i := 0; i < len(t.nodes); i++ {
		w := &f.twigs[f.from[i]]
		n := &t.nodes[i]
		n.child = int32(len(t.nodes))
		for c := w.first; c != 0; c = f.twigs[c].next {
			t.nodes = append(t.nodes, node{phone: f.twigs[c].phone, delta: f.twigs[c].look - w.look})
			f.from = append(f.from, c)
		}
		n.childEnd = int32(len(t.nodes))
		n.exit = int32(len(t.exits))
		for b := w.firstExit; b != 0; b = f.branches[b-1].next {
			a := f.branches[b-1].arc
			t.exits = append(t.exits, exit{word: f.arcs[a].word, arc: a, delta: f.arcs[a].prior - w.look})
		}
		n.exitEnd = int32(len(t.exits))
	}
	return t
}

// graphCache keeps the graphs last used, by the key of their nets, and the trees they share.
type graphCache struct {
	mu     sync.Mutex
	limit  int
	byKey  map[string]*list.Element
	order  *list.List // of *cached, the latest first
	forest *forest
}

type cached struct {
	key string
	g   *graph
}

func newGraphCache(limit int) *graphCache {
	return &graphCache{limit: limit, byKey: map[string]*list.Element{}, order: list.New()}
}

func (c *graphCache) get(net speech.Net, lex *lexicon) (*graph, error) {
	key := net.Key()
	c.mu.Lock()
	defer c.mu.Unlock()
	if e, ok := c.byKey[key]; ok {
		c.order.MoveToFront(e)
		return e.Value.(*cached).g, nil
	}
	if c.forest == nil {
		c.forest = newForest(lex)
	}
	g, err := c.forest.compile(net)
	if err != nil {
		return nil, err
	}
	c.byKey[key] = c.order.PushFront(&cached{key, g})
	if c.order.Len() > c.limit {
		last := c.order.Back()
		delete(c.byKey, last.Value.(*cached).key)
		c.order.Remove(last)
	}
	return g, nil
}
