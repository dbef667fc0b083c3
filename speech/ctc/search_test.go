package ctc

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"unsafe"

	"leadsman/speech"
	"pgregory.net/rapid"
)

// testNet is a net given by tables.
type testNet struct {
	key    string
	ending []speech.Ending
	prior  []float64
	arcs   [][]testArc
}

type testArc struct {
	word  string
	to    int
	prior float64
}

func (n *testNet) Key() string                           { return n.key }
func (n *testNet) States() int                           { return len(n.arcs) }
func (n *testNet) Ending(s int) (speech.Ending, float64) { return n.ending[s], n.prior[s] }
func (n *testNet) Arcs(s int, yield func(string, int, float64)) {
	for _, a := range n.arcs[s] {
		yield(a.word, a.to, a.prior)
	}
}

// state adds a state and returns its number.
func (n *testNet) state(e speech.Ending, prior float64) int {
	n.ending = append(n.ending, e)
	n.prior = append(n.prior, prior)
	n.arcs = append(n.arcs, nil)
	return len(n.arcs) - 1
}

func (n *testNet) arc(from int, word string, to int, prior float64) {
	n.arcs[from] = append(n.arcs[from], testArc{word, to, prior})
}

// naive scores every alignment of the frames one by one: all paths of symbols through the frames,
// collapsed by the rule of CTC (equal neighbours first, then blanks), and for each the sum over all
// ways through net and lexicon that spell it. It shares nothing with the search.
func naive(net *testNet, ways map[string][][]uint8, lp [][]float64) map[string]float64 {
	spelled := map[string]float64{} // phones -> probability of all alignments
	var walk func(t int, last uint8, phones string, p float64)
	walk = func(t int, last uint8, phones string, p float64) {
		if t == len(lp) {
			spelled[phones] += math.Exp(p)
			return
		}
		for s := range lp[t] {
			next := phones
			if s != 0 && uint8(s) != last {
				next += string(rune('a' + s))
			}
			walk(t+1, uint8(s), next, p+lp[t][s])
		}
	}
	walk(0, 0, "", 0)
	total := map[string]float64{}
	var words func(state int, text, phones string, p float64)
	words = func(state int, text, phones string, p float64) {
		if len(phones) > len(lp) {
			return
		}
		if net.ending[state] != speech.NoEnding && text != "" {
			if q := spelled[phones]; q > 0 {
				total[text] += q * math.Exp(p+net.prior[state])
			}
		}
		for _, a := range net.arcs[state] {
			for _, w := range ways[a.word] {
				s := phones
				for _, ph := range w {
					s += string(rune('a' + ph))
				}
				words(a.to, strings.TrimSpace(text+" "+a.word), s, p+a.prior)
			}
		}
	}
	words(0, "", "", 0)
	return total
}

// The beam search with an endless beam finds exactly the word sequences and probabilities that
// summing over every alignment gives.
func TestSearchAgainstExhaustive(t *testing.T) {
	const symbols = 4
	rapid.Check(t, func(t *rapid.T) {
		prior := func(label string) float64 { return -rapid.Float64Range(0, 3).Draw(t, label) }
		lex := &lexicon{words: map[string][][]uint8{}}
		names := []string{"a", "b", "c"}
		for _, w := range names {
			n := rapid.IntRange(1, 2).Draw(t, "ways")
			for i := 0; i < n; i++ {
				way := rapid.SliceOfN(rapid.Uint8Range(1, symbols-1), 1, 3).Draw(t, "phones")
				same := false
				for _, o := range lex.words[w] {
					same = same || string(o) == string(way)
				}
				if !same {
					lex.words[w] = append(lex.words[w], way)
				}
			}
		}
		random := func() *testNet {
			net := &testNet{}
			states := rapid.IntRange(1, 4).Draw(t, "states")
			for range states {
				net.state(speech.Ending(rapid.IntRange(0, 3).Draw(t, "ending")), prior("ending prior"))
			}
			for i := rapid.IntRange(1, 6).Draw(t, "arcs"); i > 0; i-- {
				net.arc(rapid.IntRange(0, states-1).Draw(t, "from"), rapid.SampledFrom(names).Draw(t, "word"),
					rapid.IntRange(0, states-1).Draw(t, "to"), prior("arc prior"))
			}
			return net
		}
		// The forest knows another net before, with some of whose trees the second may be made.
		net, forest := random(), newForest(lex)
		other := random()
		other.arcs[0] = net.arcs[0]
		if _, err := forest.compile(other); err != nil {
			t.Fatal(err)
		}
		frames := rapid.IntRange(1, 6).Draw(t, "frames")
		lp := make([][]float64, frames)
		flat := make([]float32, 0, frames*symbols)
		for f := range lp {
			lp[f] = make([]float64, symbols)
			sum := 0.0
			for s := range lp[f] {
				lp[f][s] = math.Exp(-rapid.Float64Range(0, 5).Draw(t, "logit"))
				sum += lp[f][s]
			}
			for s := range lp[f] {
				lp[f][s] = math.Log(lp[f][s] / sum)
				flat = append(flat, float32(lp[f][s]))
			}
		}
		want := naive(net, lex.words, lp)
		g, err := forest.compile(net)
		if err != nil {
			t.Fatal(err)
		}
		s := newSearch(math.Inf(1), math.MaxInt)
		for range 2 { // the second time with used buffers
			s.start(g)
			for f := range lp {
				s.step(flat[f*symbols : (f+1)*symbols])
			}
			ends, _ := s.outcomes()
			if len(ends) != len(want) {
				t.Fatalf("%d readings, want %d: %v", len(ends), len(want), want)
			}
			for i, e := range ends {
				var text []string
				for _, w := range s.wordsOf(nil, e.hist) {
					text = append(text, g.words[w])
				}
				p, ok := want[strings.Join(text, " ")]
				if !ok || math.Abs(e.score-math.Log(p)) > 1e-4 {
					t.Fatalf("reading %q has %v, want %v (known: %v)", text, e.score, math.Log(p), ok)
				}
				if i > 0 && e.score > ends[i-1].score {
					t.Fatalf("readings out of order")
				}
			}
		}
	})
}

// The place of words is that of the best single alignment: checked against all alignments.
func TestAlignAgainstExhaustive(t *testing.T) {
	const symbols = 4
	rapid.Check(t, func(t *rapid.T) {
		ways := make([][][]uint8, 2)
		for w := range ways {
			for i := rapid.IntRange(1, 2).Draw(t, "ways"); i > 0; i-- {
				ways[w] = append(ways[w], rapid.SliceOfN(rapid.Uint8Range(1, symbols-1), 1, 2).Draw(t, "phones"))
			}
		}
		words := rapid.SliceOfN(rapid.Int32Range(0, 1), 1, 3).Draw(t, "words")
		frames := rapid.IntRange(1, 6).Draw(t, "frames")
		lp := make([]float32, frames*symbols)
		for i := range lp {
			lp[i] = -float32(rapid.Float64Range(0, 5).Draw(t, "lp"))
		}
		best := math.Inf(1)
		var spell func(i int, phones []uint8)
		spell = func(i int, phones []uint8) {
			if i < len(words) {
				for _, w := range ways[words[i]] {
					spell(i+1, append(phones[:len(phones):len(phones)], w...))
				}
				return
			}
			var walk func(t int, last uint8, done int, cost float64)
			walk = func(t int, last uint8, done int, cost float64) {
				if t == frames {
					if done == len(phones) {
						best = min(best, cost)
					}
					return
				}
				for s := range uint8(symbols) {
					c := cost - float64(lp[t*symbols+int(s)])
					switch {
					case s == 0 || s == last:
						walk(t+1, s, done, c)
					case done < len(phones) && phones[done] == s:
						walk(t+1, s, done+1, c)
					}
				}
			}
			walk(0, 0, 0, 0)
		}
		spell(0, nil)
		var a aligner
		spans, cost, sounds, _, ok := a.align(nil, words, ways, lp, symbols, false)
		if ok != !math.IsInf(best, 1) {
			t.Fatalf("aligned: %v, but the best cost is %v", ok, best)
		}
		if !ok {
			return
		}
		if math.Abs(cost-best) > 1e-4 {
			t.Fatalf("cost %v, want %v", cost, best)
		}
		n := 0
		for i, s := range spans {
			n += s.sounds
			if s.from < 0 || s.to <= s.from || s.to > frames || i > 0 && s.from < spans[i-1].to || s.sounds == 0 {
				t.Fatalf("span %d of %v is impossible", i, spans)
			}
		}
		if n != sounds {
			t.Fatalf("%d frames with sound in the words, %d in all", n, sounds)
		}
	})
}

// The beam of the defaults loses nothing that matters where the network is fairly sure.
func TestBeamKeepsTheBest(t *testing.T) {
	lex := testLexicon(t)
	g, err := compile(callNet(), lex)
	if err != nil {
		t.Fatal(err)
	}
	opt := Options{}.withDefaults()
	narrow, wide := newSearch(opt.Beam, opt.MaxTokens), newSearch(25, 20000)
	rapid.Check(t, func(t *rapid.T) {
		var phones []uint8
		for range rapid.IntRange(1, 5).Draw(t, "words") {
			w := rapid.SampledFrom([]string{"two", "three", "four", "five", "six", "eleven"}).Draw(t, "word")
			phones = append(phones, lex.words[w][0]...)
		}
		lp := spoken(phones, 40, func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "rival") })
		narrow.start(g)
		wide.start(g)
		for _, row := range lp {
			narrow.step(row)
			wide.step(row)
		}
		n, _ := narrow.outcomes()
		w, _ := wide.outcomes()
		if len(n) == 0 || fmt.Sprint(narrow.wordsOf(nil, n[0].hist)) != fmt.Sprint(wide.wordsOf(nil, w[0].hist)) || math.Abs(n[0].score-w[0].score) > 0.01 {
			t.Fatalf("the beam loses the best reading")
		}
	})
}

// spoken makes log-probabilities of a network that hears the phones, each for one frame after three
// of blank, with some probability for one rival each.
func spoken(phones []uint8, symbols int, rival func(n int) int) [][]float32 {
	var lp [][]float32
	row := func(s int, p float64) {
		r := make([]float32, symbols)
		o := rival(symbols)
		for i := range r {
			r[i] = float32(math.Log((1 - p) / 2 / float64(symbols)))
		}
		r[o] = float32(math.Log((1-p)/2 + 1e-9))
		r[s] = float32(math.Log(p))
		lp = append(lp, r)
	}
	for _, p := range phones {
		for range 3 {
			row(0, 0.95)
		}
		row(int(p), 0.7)
	}
	for range 10 {
		row(0, 0.99)
	}
	return lp
}

func testLexicon(t testing.TB) *lexicon {
	lex, err := newLexicon(strings.Fields("<blank> AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH"))
	if err != nil {
		t.Fatal(err)
	}
	return lex
}

var numbers = strings.Fields("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen")

// callNet is a net of the size of a real one: up to nine numbers, and the calls around them.
func callNet() *testNet {
	n := &testNet{key: "calls"}
	start := n.state(speech.NoEnding, 0)
	end := n.state(speech.Complete, 0)
	from := start
	for range 9 {
		to := n.state(speech.Complete, math.Log(0.3))
		for _, w := range numbers {
			n.arc(from, w, to, math.Log(0.6/16))
		}
		from = to
	}
	word := math.Log(0.4 / 40)
	for _, w := range strings.Fields("missing implant unerupted present next back skip disregard affirm affirmative yes no negative buccal facial lingual palatal remark") {
		n.arc(start, w, end, word)
	}
	for _, pair := range [][2]string{{"stand", "by"}, {"go", "ahead"}, {"say", "again"}, {"exam", "complete"}} {
		m := n.state(speech.Prefix, 0)
		n.arc(start, pair[0], m, word)
		n.arc(m, pair[1], end, 0)
	}
	all := n.state(speech.Prefix, 0)
	n.arc(start, "all", all, word)
	for _, w := range strings.Fields("ones twos threes fours fives sixes sevens eights nines tens") {
		n.arc(all, w, end, math.Log(0.1))
	}
	flag := n.state(speech.Open, 0)
	for _, w := range strings.Fields("bleeding suppuration pus plaque calculus") {
		n.arc(start, w, flag, word)
	}
	for _, w := range strings.Fields("mesial distal mid all") {
		n.arc(flag, w, end, math.Log(0.2))
	}
	for _, w := range strings.Fields("recession mobility furcation correction margin mesial distal mid tooth") {
		m := n.state(speech.Prefix, 0)
		n.arc(start, w, m, word)
		for range 3 {
			to := n.state(speech.Complete, math.Log(0.3))
			for _, d := range numbers {
				n.arc(m, d, to, math.Log(1.0/16))
			}
			m = to
		}
	}
	return n
}

func TestCompileNamesUnknownWords(t *testing.T) {
	n := &testNet{}
	s := n.state(speech.NoEnding, 0)
	e := n.state(speech.Complete, 0)
	n.arc(s, "three", e, 0)
	n.arc(s, "blorf", e, 0)
	_, err := compile(n, testLexicon(t))
	v, ok := err.(*speech.VocabularyError)
	if !ok || len(v.Missing) != 1 || v.Missing[0] != "blorf" {
		t.Errorf("%v, want a *speech.VocabularyError that names blorf", err)
	}
}

func TestGraphCache(t *testing.T) {
	c := newGraphCache(2)
	lex := testLexicon(t)
	get := func(key string) *graph {
		n := callNet()
		n.key = key
		g, err := c.get(n, lex)
		if err != nil {
			t.Fatal(err)
		}
		return g
	}
	a, b := get("a"), get("b")
	if get("a") != a || get("b") != b {
		t.Error("a net is compiled twice")
	}
	get("a")
	get("c") // drops b, the one not used for longest
	if get("a") != a {
		t.Error("the net used last was dropped")
	}
	if get("b") == b || c.order.Len() > 2 {
		t.Error("the cache keeps more than it should")
	}
}

// Trees that are not needed again do not pile up.
func TestForestIsBounded(t *testing.T) {
	f := newForest(testLexicon(t))
	for i := range maxTrees + 10 {
		n := &testNet{}
		n.arc(n.state(speech.NoEnding, 0), "three", n.state(speech.Complete, 0), -float64(i))
		if _, err := f.compile(n); err != nil {
			t.Fatal(err)
		}
	}
	if len(f.trees) == 0 || len(f.trees) > maxTrees {
		t.Errorf("%d trees are kept, want at most %d", len(f.trees), maxTrees)
	}
}

// Between frames the search allocates nothing.
func TestSearchAllocates(t *testing.T) {
	g, err := compile(callNet(), testLexicon(t))
	if err != nil {
		t.Fatal(err)
	}
	opt := Options{}.withDefaults()
	s := newSearch(opt.Beam, opt.MaxTokens)
	lp := spoken([]uint8{32, 28, 18, 31, 34, 14, 4, 28}, 40, func(n int) int { return 5 })
	run := func() {
		s.start(g)
		for _, row := range lp {
			s.step(row)
		}
		s.outcomes()
	}
	run()
	if n := testing.AllocsPerRun(20, run); n > 0 {
		t.Errorf("%v allocations a call", n)
	}
}

// BenchmarkCompile lays a net out for the first time, and when its trees are known.
func BenchmarkCompile(b *testing.B) {
	lex, net := testLexicon(b), callNet()
	b.Run("first", func(b *testing.B) {
		for b.Loop() {
			if _, err := compile(net, lex); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("more", func(b *testing.B) {
		f := newForest(lex)
		var g *graph
		for b.Loop() {
			var err error
			if g, err = f.compile(net); err != nil {
				b.Fatal(err)
			}
		}
		trees := 0
		for _, t := range f.trees {
			trees += len(t.nodes)*int(unsafe.Sizeof(node{})) + len(t.exits)*int(unsafe.Sizeof(exit{}))
		}
		b.ReportMetric(float64(len(g.to)), "arcs")
		b.ReportMetric(float64(len(g.states)*int(unsafe.Sizeof(state{}))+len(g.to)*4), "B/graph")
		b.ReportMetric(float64(trees), "B/trees")
	})
}

func BenchmarkSearchFrame(b *testing.B) {
	g, err := compile(callNet(), testLexicon(b))
	if err != nil {
		b.Fatal(err)
	}
	opt := Options{}.withDefaults()
	s := newSearch(opt.Beam, opt.MaxTokens)
	lp := spoken([]uint8{32, 28, 18, 31, 34, 14, 4, 28}, 40, func(n int) int { return 5 })
	s.start(g)
	i := 0
	for b.Loop() {
		if i == len(lp) {
			s.start(g)
			i = 0
		}
		s.step(lp[i])
		i++
	}
}
