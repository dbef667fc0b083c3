package grammar

import (
	"maps"
	"slices"
)

// Ending says what words are worth if they end here; the values are those of the recognizer's
// contract (none, prefix, open, complete, full).
type Ending int

const (
	NoEnding Ending = iota
	Prefix          // the beginning of a call: the rest may follow after a pause
	Open            // a call whose meaning more words could still change
	Complete
	Full // a call behind which nothing more is expected: the numbers of a whole place
)

// token is what a word means within its call.
type token struct {
	kind tokenKind
	n    int
}

type tokenKind uint8

const (
	noToken tokenKind = iota
	tNumber           // n: millimetres, or a grade
	tMinus            // the next number is negative
	tAll              // a plural number: every site gets n
	tFlag             // n: chart.Flag
	tNo               // the flag is cleared
	tWhole            // all sites of the aspect
	tWhere            // n: chart.Where
	tMargin           // n: 1 recession, -1 overgrowth
	tMobility
	tFurcation
	tKeratin
	tVertical // the number that follows is the depth of the furcation
	tEntrance // n: chart.Entrance
	tTooth    // n: number as said in the exam's numbering
	tDigit    // n: first digit of a tooth said digit by digit
	tName     // n: FDI number collected from an anatomical name, see names
	tUpper    // n: 1 upper, 0 lower
	tRight    // n: 1 right, 0 left
	tPosition // n: place from the midline
	tAspect   // n: chart.Aspect
	tPresence // n: chart.Presence
	tSite     // a named site with its numbers begins
	tVerb     // n: index into verbs
	tPath     // n: index into the names of paths
	tPass     // n: 0 depths, 1 margins
	tReason   // n: index into Reasons
	tTherapy  // n: index into treatments, what was done
	tArea     // n: index into areas, where; the side is said before
	tBy       // n: index into ways, how
	tAdjunct  // n: index into adjuncts
)

type arc struct {
	word  string // "" leads on without a word
	to    int
	tok   token
	prior float64
}

// nfa is the network of calls with tokens. State 0 is the start.
type nfa struct {
	arcs    [][]arc
	endings []Ending
	priors  []float64 // of the endings
	free    []bool    // speech of any content may follow
	fixed   *dfa      // its deterministic form; nil: not asked for yet
}

func (g *nfa) state() int {
	g.arcs = append(g.arcs, nil)
	g.endings = append(g.endings, NoEnding)
	g.priors = append(g.priors, 0)
	g.free = append(g.free, false)
	return len(g.arcs) - 1
}

func (g *nfa) add(from int, a arc) { g.arcs[from] = append(g.arcs[from], a) }

// end marks a state as an end of calls; the stronger of two endings stays.
func (g *nfa) end(s int, e Ending, prior float64) {
	if e > g.endings[s] || e == g.endings[s] && prior > g.priors[s] {
		g.endings[s], g.priors[s] = e, prior
	}
}

// part is a piece of grammar: it grows the network from a state and returns the state it ends in.
type part func(g *nfa, from int) int

func w(word string, tok ...token) part { return wp(word, 0, tok...) }

// wp is a word with a prior.
func wp(word string, prior float64, tok ...token) part {
	return func(g *nfa, from int) int {
		to := g.state()
		a := arc{word: word, to: to, prior: prior}
		if len(tok) > 0 {
			a.tok = tok[0]
		}
		g.add(from, a)
		return to
	}
}

// mark adds a token without a word.
func mark(t token) part {
	return func(g *nfa, from int) int {
		to := g.state()
		g.add(from, arc{to: to, tok: t})
		return to
	}
}

func seq(ps ...part) part {
	return func(g *nfa, from int) int {
		for _, p := range ps {
			from = p(g, from)
		}
		return from
	}
}

func alt(ps ...part) part {
	return func(g *nfa, from int) int {
		end := g.state()
		for _, p := range ps {
			g.add(p(g, from), arc{to: end})
		}
		return end
	}
}

func opt(p part) part {
	return func(g *nfa, from int) int {
		end := p(g, from)
		g.add(from, arc{to: end})
		return end
	}
}

// ends marks the state it stands in as an end of calls.
func ends(e Ending, prior float64) part {
	return func(g *nfa, from int) int {
		g.end(from, e, prior)
		return from
	}
}

// free lets speech of any content follow.
func free() part {
	return func(g *nfa, from int) int {
		g.free[from] = true
		return from
	}
}

// to also leads on to a state made before.
func to(s int) part {
	return func(g *nfa, from int) int {
		g.add(from, arc{to: s})
		return from
	}
}

// words is a choice of single words.
func words(as ...arc) part {
	return func(g *nfa, from int) int {
		end := g.state()
		for _, a := range as {
			a.to = end
			g.add(from, a)
		}
		return end
	}
}

// path is the best way of the words through the network: its tokens, its ending and its prior.
type path struct {
	tokens []token
	ending Ending
	prior  float64
}

// walk is the search for the best way of some words.
type walk struct {
	g     *nfa
	trail []step
	at    map[int]node // the states that the words so far lead to
}

// node is the likeliest way to a state.
type node struct {
	prior float64
	from  int // index into trail, -1 at the start
}

// step is a token on a way, with the one before it.
type step struct {
	tok  token
	from int
}

// best finds the likeliest complete way of the words, or the furthest word that could be placed.
func (g *nfa) best(words []string) (p path, ok bool, reached int) {
	w := walk{g: g, at: map[int]node{0: {0, -1}}}
	w.spread()
	for i, word := range words {
		if !w.hear(word) {
			return path{}, false, i
		}
	}
	end := w.end()
	if end < 0 {
		return path{}, false, len(words)
	}
	p.ending, p.prior = w.rank(end)
	for i := w.at[end].from; i >= 0; i = w.trail[i].from {
		p.tokens = append(p.tokens, w.trail[i].tok)
	}
	slices.Reverse(p.tokens)
	return p, true, len(words)
}

// follow takes an arc into a set of nodes, unless a way at least as likely is there.
func (w *walk) follow(into map[int]node, n node, a arc) bool {
	if old, have := into[a.to]; have && old.prior >= n.prior+a.prior {
		return false
	}
	from := n.from
	if a.tok.kind != noToken {
		w.trail = append(w.trail, step{a.tok, from})
		from = len(w.trail) - 1
	}
	into[a.to] = node{n.prior + a.prior, from}
	return true
}

// spread follows arcs without words; they are acyclic but for the loops, which never gain.
func (w *walk) spread() {
	todo := slices.Sorted(maps.Keys(w.at))
	for len(todo) > 0 {
		s := todo[0]
		todo = todo[1:]
		n := w.at[s]
		for _, a := range w.g.arcs[s] {
			if a.word == "" && w.follow(w.at, n, a) {
				todo = append(todo, a.to)
			}
		}
	}
}

// hear goes on by a word; it fails if that leads nowhere.
func (w *walk) hear(word string) bool {
	next := map[int]node{}
	for _, s := range slices.Sorted(maps.Keys(w.at)) {
		for _, a := range w.g.arcs[s] {
			if a.word == word {
				w.follow(next, w.at[s], a)
			}
		}
	}
	if len(next) == 0 {
		return false
	}
	w.at = next
	w.spread()
	return true
}

func (w *walk) rank(s int) (Ending, float64) { return w.g.endings[s], w.at[s].prior + w.g.priors[s] }

// end is the state that the words end in, -1 if they may not end: a call beats a beginning of one; otherwise the likelier way wins.
func (w *walk) end() int {
	best := -1
	for _, s := range slices.Sorted(maps.Keys(w.at)) {
		e, prior := w.rank(s)
		if e == NoEnding {
			continue
		}
		if best < 0 {
			best = s
			continue
		}
		bestEnding, bestPrior := w.rank(best)
		if call, was := e > Prefix, bestEnding > Prefix; call && !was || call == was && prior > bestPrior {
			best = s
		}
	}
	return best
}
