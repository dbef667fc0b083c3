package grammar

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"sync"

	"leadsman/chart"
)

// Terms are a practice's own words: other ways to say the calls' words, and the names of its paths. A nil
// *Terms has none.
type Terms struct {
	synonyms []Synonym
	means    map[string]string // of each synonym by what is said
	own      []string          // names of paths
	id       string            // tells terms apart
}

// Synonym is what is said for words of the calls: "pus point" for "suppuration".
type Synonym struct {
	Said, Means []string
}

// NewTerms checks a practice's words, one after the other: see AddSynonym and AddPath.
func NewTerms(synonyms []Synonym, paths []string) (*Terms, error) {
	t := &Terms{}
	for _, name := range paths {
		if err := t.AddPath(name); err != nil {
			return nil, err
		}
	}
	for _, s := range synonyms {
		if err := t.AddSynonym(s); err != nil {
			return nil, err
		}
	}
	return t, nil
}

// AddPath adds the name of a path. Terms are complete before they are used: nothing is added after that.
func (t *Terms) AddPath(name string) error {
	if slices.Contains(t.paths(), name) {
		return fmt.Errorf("path %q: there is one of this name already", name)
	}
	t.own = append(t.own, name)
	t.tell("path", name)
	return nil
}

// AddSynonym adds a synonym. What is said may be no call yet, what it means must be the words of one, or of a part of one.
func (t *Terms) AddSynonym(s Synonym) error {
	said, means := strings.Join(s.Said, " "), strings.Join(s.Means, " ")
	if len(s.Said) == 0 || len(s.Means) == 0 {
		return fmt.Errorf("synonym %q for %q: words are missing", said, means)
	}
	found, of := false, baseNets()
	for _, b := range of {
		if r, err := Parse(b.state, s.Said); err == nil && r.Ending != NoEnding || len(s.Said) == 1 && b.net.leads[s.Said[0]] != nil {
			return fmt.Errorf("synonym %q: these words mean something in calls already", said)
		}
		found = found || len(b.net.ways(s)) > 0
	}
	if other, is := t.means[said]; is {
		return fmt.Errorf("synonym %q stands for %q already", said, other)
	}
	if !found {
		return fmt.Errorf("synonym %q: %q are no words of calls that follow each other", said, means)
	}
	if t.means == nil {
		t.means = map[string]string{}
	}
	t.means[said] = means
	t.synonyms = append(t.synonyms, s)
	t.tell(said, means)
	return nil
}

// tell makes terms that something was added to others than they were.
func (t *Terms) tell(what ...string) {
	t.id = fmt.Sprintf("%x", sha256.Sum256([]byte(fmt.Sprintf("%s %q", t.id, what))))
}

// baseNets are networks without terms in which, together, every call can be said.
var baseNets = sync.OnceValue(func() (out []struct {
	state State
	net   *indexed
}) {
	for _, num := range []chart.Numbering{chart.FDI, chart.Universal} {
		st := State{Numbering: num, Listening: true, Question: true}
		out = append(out, struct {
			state State
			net   *indexed
		}{st, index(build(shape{numbering: num, listening: true, question: true}))})
	}
	return out
})

// Words are the words that no call has without these terms, each once.
func (t *Terms) Words() []string {
	var out []string
	seen := map[string]bool{}
	for _, w := range Vocabulary() {
		seen[w] = true
	}
	add := func(w string) {
		if !seen[w] {
			seen[w] = true
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
	if t == nil {
		return
	}
	base := index(g)
	for _, s := range t.synonyms {
		for _, w := range base.ways(s) {
			g.also(s, w)
		}
	}
}

// indexed is a network as it stands, by the words that lead on from its states.
type indexed struct {
	arcs  [][]arc
	leads map[string][]int // the states that a word leads on from
}

func index(g *nfa) *indexed {
	x := &indexed{arcs: slices.Clone(g.arcs), leads: map[string][]int{}}
	for from, arcs := range x.arcs {
		for _, a := range arcs {
			if at := x.leads[a.word]; a.word != "" && (len(at) == 0 || at[len(at)-1] != from) {
				x.leads[a.word] = append(at, from)
			}
		}
	}
	return x
}

// lead is a way along words.
type lead struct {
	from, to int
	tokens   []token
	prior    float64
}

// ways finds where the words that a synonym means lead.
func (x *indexed) ways(s Synonym) (ways []lead) {
	var follow func(w lead, rest []string)
	follow = func(w lead, rest []string) {
		if len(rest) == 0 {
			ways = append(ways, w)
			return
		}
		for _, a := range x.arcs[w.to] {
			next := lead{w.from, a.to, w.tokens, w.prior + a.prior}
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
	for _, from := range x.leads[s.Means[0]] {
		follow(lead{from: from, to: from}, s.Means)
	}
	return ways
}

// also lets what is said for words lead where they lead.
func (g *nfa) also(s Synonym, w lead) {
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
