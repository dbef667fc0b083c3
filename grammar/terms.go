package grammar

import (
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
)

// Terms are a practice's own words: other ways to say the calls' words, and the names of its paths. A nil
// *Terms has none.
type Terms struct {
	synonyms []Synonym
	own      []string // names of paths
	id       string   // tells terms apart
}

// Synonym is what is said for words of the calls: "pus point" for "suppuration".
type Synonym struct {
	Said, Means []string
}

// NewTerms checks a practice's words. What is said may be no call yet, what it means must be the words of
// one, or of a part of one. An error that is about synonym i or path i names its words.
func NewTerms(synonyms []Synonym, paths []string) (*Terms, error) {
	t := &Terms{}
	known := Vocabulary()
	for _, name := range paths {
		if slices.Contains(t.paths(), name) {
			return nil, fmt.Errorf("path %q: there is one of this name already", name)
		}
		t.own = append(t.own, name)
	}
	for _, s := range synonyms {
		said, means := strings.Join(s.Said, " "), strings.Join(s.Means, " ")
		if len(s.Said) == 0 || len(s.Means) == 0 {
			return nil, fmt.Errorf("synonym %q for %q: words are missing", said, means)
		}
		for _, st := range wholeStates() {
			if r, err := Parse(st, s.Said); err == nil && r.Ending != NoEnding || len(s.Said) == 1 && slices.Contains(known, s.Said[0]) {
				return nil, fmt.Errorf("synonym %q: these words mean something in calls already", said)
			}
		}
		for _, o := range t.synonyms {
			if slices.Equal(o.Said, s.Said) {
				return nil, fmt.Errorf("synonym %q stands for %q already", said, strings.Join(o.Means, " "))
			}
		}
		found := false
		for _, st := range wholeStates() {
			found = build(shape{numbering: st.Numbering, listening: true, question: true}).also(s) || found
		}
		if !found {
			return nil, fmt.Errorf("synonym %q: %q are no words of calls that follow each other", said, means)
		}
		t.synonyms = append(t.synonyms, s)
	}
	t.id = fmt.Sprint(t.synonyms, t.own)
	return t, nil
}

// wholeStates are states in which, together, every call can be said.
func wholeStates() []State {
	return []State{{Numbering: chart.FDI, Listening: true, Question: true}, {Numbering: chart.Universal, Listening: true, Question: true}}
}

// Words are the words that no call has without these terms, each once.
func (t *Terms) Words() []string {
	var out []string
	known := Vocabulary()
	add := func(w string) {
		if !slices.Contains(known, w) && !slices.Contains(out, w) {
			out = append(out, w)
		}
	}
	if t != nil {
		for _, s := range t.synonyms {
			for _, w := range s.Said {
				add(w)
			}
		}
		for _, w := range t.own {
			add(w)
		}
	}
	return out
}

// paths are the names of all paths that can be called.
func (t *Terms) paths() []string {
	var out []string
	for _, p := range chart.Paths() {
		out = append(out, p.Name)
	}
	out = append(out, chart.PocketPath)
	if t != nil {
		out = append(out, t.own...)
	}
	return out
}

// key tells terms apart.
func (t *Terms) key() string {
	if t == nil {
		return ""
	}
	return t.id
}

// join adds the synonyms to a network.
func (t *Terms) join(g *nfa) {
	if t != nil {
		for _, s := range t.synonyms {
			g.also(s)
		}
	}
}

// also lets a synonym lead wherever the words that it means lead, and tells whether they lead anywhere.
func (g *nfa) also(s Synonym) bool {
	type way struct {
		from, to int
		tokens   []token
		prior    float64
	}
	var ways []way
	var follow func(w way, rest []string)
	follow = func(w way, rest []string) {
		if len(rest) == 0 {
			ways = append(ways, w)
			return
		}
		for _, a := range g.arcs[w.to] {
			next := way{w.from, a.to, w.tokens, w.prior + a.prior}
			if a.tok.kind != noToken {
				next.tokens = append(slices.Clone(w.tokens), a.tok)
			}
			switch {
			case a.word == rest[0]:
				follow(next, rest[1:])
			case a.word == "" && len(rest) < len(s.Means): // before the first word another state begins
				follow(next, rest)
			}
		}
	}
	for from := range g.arcs {
		follow(way{from: from, to: from}, s.Means)
	}
	for _, w := range ways {
		at := w.from
		for i, word := range s.Said {
			to := g.state()
			a := arc{word: word, to: to}
			if i == 0 {
				a.prior = w.prior
			}
			g.add(at, a)
			at = to
		}
		for _, t := range w.tokens {
			at = mark(t)(g, at)
		}
		g.add(at, arc{to: w.to})
	}
	return len(ways) > 0
}
