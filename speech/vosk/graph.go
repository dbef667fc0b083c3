package vosk

import (
	"bytes"
	"encoding/json"
	"slices"
	"sync"

	"leadsman/speech"
)

// graph is a net over the model's own words: each arc of the net is there once for each way in
// which its word may be heard, with states of its own where that takes several words.
type graph struct {
	arcs    [][]graphArc
	ending  []speech.Ending
	prior   []float64 // of the endings
	free    []bool    // any words may follow
	phrases string    // JSON: the language for Vosk
}

type graphArc struct {
	hear  string
	to    int
	say   string  // the net's word, on the last arc of a way
	prior float64 // on the first
}

// graph compiles a net. Words that the model lacks give *speech.VocabularyError.
func (e *Engine) graph(net speech.Net) (*graph, error) {
	n := net.States()
	g := &graph{arcs: make([][]graphArc, n), ending: make([]speech.Ending, n), prior: make([]float64, n), free: make([]bool, n)}
	ways := map[string][][]string{}
	var missing []string
	for s := range n {
		g.ending[s], g.prior[s] = net.Ending(s)
		g.free[s] = speech.Free(net, s)
		net.Arcs(s, func(word string, to int, prior float64) {
			w, known := ways[word]
			if !known {
				w = e.ways(word)
				ways[word] = w
				if len(w) == 0 {
					missing = append(missing, word)
				}
			}
			for _, way := range w {
				from := s
				for i, hear := range way {
					a := graphArc{hear: hear, to: to}
					if i == 0 {
						a.prior = prior
					}
					if i == len(way)-1 {
						a.say = word
					} else {
						a.to = len(g.arcs)
						g.arcs, g.ending, g.prior, g.free = append(g.arcs, nil), append(g.ending, speech.NoEnding), append(g.prior, 0), append(g.free, false)
					}
					g.arcs[from] = append(g.arcs[from], a)
					from = a.to
				}
			}
		})
	}
	if len(missing) > 0 {
		return nil, &speech.VocabularyError{Missing: missing}
	}
	phrases, known := g.phrasesOf()
	for _, w := range e.others {
		if !known[w] {
			phrases = append(phrases, w)
		}
	}
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false) // Vosk does not know these escapes, and the unknown word may be <UNK>
	if err := enc.Encode(phrases); err != nil {
		return nil, err
	}
	g.phrases = text.String()
	return g, nil
}

// phrasesOf lists what may stand alone and what may follow what, from which Vosk estimates which
// words follow each other, and the words in them.
func (g *graph) phrasesOf() (phrases []string, words map[string]bool) {
	seen := map[string]bool{}
	words = map[string]bool{}
	add := func(phrase string) {
		if !seen[phrase] {
			seen[phrase] = true
			phrases = append(phrases, phrase)
		}
	}
	for s, arcs := range g.arcs {
		for _, a := range arcs {
			words[a.hear] = true
			if s == 0 {
				add(a.hear)
			}
			for _, b := range g.arcs[a.to] {
				add(a.hear + " " + b.hear)
			}
		}
	}
	slices.Sort(phrases)
	return phrases, words
}

// follow reads Vosk's words as words of the net. ok is false if they are none. With whole set, the
// words must be such as may end; else they may also be cut off anywhere. free says that words of free speech follow.
func (g *graph) follow(heard []heardWord, whole bool) (words []speech.Word, ending speech.Ending, prior float64, free, ok bool) {
	type token struct {
		prior float64
		words []speech.Word
		from  int64 // begin of the word going on, -1 between words
		free  bool
	}
	cur := map[int]token{0: {from: -1}}
	for _, h := range heard {
		next := map[int]token{}
		for s, t := range cur {
			if g.free[s] {
				t.free = true
				next[s] = t
				continue
			}
			for _, a := range g.arcs[s] {
				if a.hear != h.text {
					continue
				}
				n := token{prior: t.prior + a.prior, words: t.words, from: t.from}
				if n.from < 0 {
					n.from = h.from
				}
				if a.say != "" {
					n.words = append(t.words[:len(t.words):len(t.words)], speech.Word{Text: a.say, StartMS: n.from, EndMS: h.to})
					n.from = -1
				}
				if old, there := next[a.to]; !there || n.prior > old.prior {
					next[a.to] = n
				}
			}
		}
		cur = next
	}
	best := -1
	for s, t := range cur {
		e, p := g.ending[s], t.prior+g.prior[s]
		if len(t.words) == 0 || whole && e == speech.NoEnding {
			continue
		}
		if best < 0 || e > ending || e == ending && (p > prior || p == prior && s < best) {
			best, ending, prior, words, free = s, e, p, t.words, t.free
		}
	}
	return words, ending, prior, free, best >= 0
}

// graphCache keeps the graphs of the nets used last; recognizers of all chairs share it.
type graphCache struct {
	mu   sync.Mutex
	kept map[string]*graph
}

const maxGraphs = 64

func (c *graphCache) get(e *Engine, net speech.Net) (*graph, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if g := c.kept[net.Key()]; g != nil {
		return g, nil
	}
	g, err := e.graph(net)
	if err != nil {
		return nil, err
	}
	if c.kept == nil || len(c.kept) >= maxGraphs {
		c.kept = map[string]*graph{}
	}
	c.kept[net.Key()] = g
	return g, nil
}
