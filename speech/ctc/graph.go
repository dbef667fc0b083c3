package ctc

import (
	"container/list"
	"math"
	"sync"

	"leadsman/speech"
)

// A graph is a speech.Net with every word replaced by its phones. The words that may follow in a
// state of the net share a tree of phones, whose root stands for the state itself; a word that is
// complete jumps to the root of the state it leads to. Priors are looked ahead: a node carries the
// best prior of the words below it, so that the beam sees them as early as possible, and leaving
// the tree makes up the difference.
type graph struct {
	nodes  []node
	roots  []int32 // node of each state of the net
	exits  []exit
	ending []speech.Ending
	endPri []float64
	words  []string
	ways   [][][]uint8 // pronunciations of words
}

type node struct {
	child, childEnd int32 // children are nodes[child:childEnd]
	exit, exitEnd   int32 // words that may end here
	state           int32 // state of the net, for roots
	phone           uint8 // 0 for roots
	delta           float64
}

type exit struct {
	word, to int32
	delta    float64
}

// compile lays the net out over the lexicon. It fails with *speech.VocabularyError.
func compile(net speech.Net, lex *lexicon) (*graph, error) {
	n := net.States()
	g := &graph{
		roots: make([]int32, n), ending: make([]speech.Ending, n), endPri: make([]float64, n),
	}
	// First the trees as linked lists, in the order in which they arise.
	type twig struct {
		first, next int32 // 0 = none; node 0 is never a child
		firstExit   int32 // 0 = none, else index+1 of branches
		state       int32
		phone       uint8
		look        float64
	}
	type branch struct {
		next, word, to int32
		prior          float64
	}
	var twigs []twig
	var branches []branch
	ids := map[string]int32{}
	var missing []string
	for s := 0; s < n; s++ {
		g.ending[s], g.endPri[s] = net.Ending(s)
		root := int32(len(twigs))
		twigs = append(twigs, twig{state: int32(s), look: math.Inf(-1)})
		net.Arcs(s, func(word string, to int, prior float64) {
			id, ok := ids[word]
			if !ok {
				ways := lex.words[word]
				if ways == nil {
					missing = append(missing, word)
				}
				id = int32(len(g.words))
				ids[word] = id
				g.words = append(g.words, word)
				g.ways = append(g.ways, ways)
			}
			for _, way := range g.ways[id] {
				at := root
				for _, p := range way {
					c := twigs[at].first
					for c != 0 && twigs[c].phone != p {
						c = twigs[c].next
					}
					if c == 0 {
						c = int32(len(twigs))
						twigs = append(twigs, twig{phone: p, next: twigs[at].first, look: math.Inf(-1), state: -1})
						twigs[at].first = c
					}
					twigs[c].look = max(twigs[c].look, prior)
					at = c
				}
				branches = append(branches, branch{next: twigs[at].firstExit, word: id, to: int32(to), prior: prior})
				twigs[at].firstExit = int32(len(branches))
			}
		})
	}
	if len(missing) > 0 {
		return nil, &speech.VocabularyError{Missing: missing}
	}
	// Then flat, so that the children of a node lie side by side.
	g.nodes = make([]node, 0, len(twigs))
	g.exits = make([]exit, 0, len(branches))
	from := make([]int32, 0, len(twigs)) // twig of each node
	for t := range twigs {
		if twigs[t].state >= 0 {
			g.roots[twigs[t].state] = int32(len(g.nodes))
			g.nodes = append(g.nodes, node{state: twigs[t].state})
			from = append(from, int32(t))
		}
	}
	for i := 0; i < len(g.nodes); i++ {
		t := &twigs[from[i]]
		look := t.look
		if t.phone == 0 {
			look = 0
		}
		g.nodes[i].child = int32(len(g.nodes))
		for c := t.first; c != 0; c = twigs[c].next {
			g.nodes = append(g.nodes, node{state: -1, phone: twigs[c].phone, delta: twigs[c].look - look})
			from = append(from, c)
		}
		g.nodes[i].childEnd = int32(len(g.nodes))
		g.nodes[i].exit = int32(len(g.exits))
		for b := t.firstExit; b != 0; b = branches[b-1].next {
			g.exits = append(g.exits, exit{word: branches[b-1].word, to: branches[b-1].to, delta: branches[b-1].prior - look})
		}
		g.nodes[i].exitEnd = int32(len(g.exits))
	}
	return g, nil
}

// graphCache keeps the graphs last used, by the key of their nets.
type graphCache struct {
	mu    sync.Mutex
	limit int
	byKey map[string]*list.Element
	order *list.List // of *cached, the latest first
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
	if e, ok := c.byKey[key]; ok {
		c.order.MoveToFront(e)
		c.mu.Unlock()
		return e.Value.(*cached).g, nil
	}
	c.mu.Unlock()
	g, err := compile(net, lex)
	if err != nil {
		return nil, err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, ok := c.byKey[key]; !ok {
		c.byKey[key] = c.order.PushFront(&cached{key, g})
		if c.order.Len() > c.limit {
			last := c.order.Back()
			delete(c.byKey, last.Value.(*cached).key)
			c.order.Remove(last)
		}
	}
	return g, nil
}
