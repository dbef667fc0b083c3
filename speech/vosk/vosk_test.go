package vosk

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"leadsman/speech"
	"leadsman/speech/speechtest"
)

func engine(t testing.TB, m *fakeModel, opt Options) *Engine {
	t.Helper()
	e, err := newEngine(m, opt.withDefaults())
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// hear plays sound to a recognizer and returns the finals.
func hear(t testing.TB, e *Engine, net speech.Net, pcm []int16) []speech.Hypothesis {
	t.Helper()
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.SetNet(net); err != nil {
		t.Fatal(err)
	}
	return finals(t, r, pcm)
}

func finals(t testing.TB, r speech.Recognizer, pcm []int16) []speech.Hypothesis {
	t.Helper()
	var out []speech.Hypothesis
	for i := 0; i < len(pcm); i += 320 {
		hyps, err := r.Accept(pcm[i:min(len(pcm), i+320)])
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range hyps {
			if h.Final {
				out = append(out, h)
			}
		}
	}
	hyps, err := r.Flush()
	if err != nil {
		t.Fatal(err)
	}
	return append(out, hyps...)
}

func texts(hyps []speech.Hypothesis) []string {
	var out []string
	for _, h := range hyps {
		s := "rejected"
		if !h.Rejected {
			s = h.Readings[0].Text()
		}
		out = append(out, s)
	}
	return out
}

// The contract, with a model that hears perfectly.
func TestContract(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three", "four", "stop"}}
	speechtest.TestRecognizer(t, func(t testing.TB) speech.Engine { return engine(t, m, Options{}) }, speechtest.Sample{
		PCM:   m.say("- - - - - - - - one two three - - - - - - - - three two four - - - - - - - - - two one two - - - - - - - -"),
		Net:   triples("one", "two", "three", "four"),
		Want:  []string{"one two three", "three two four", "two one two"},
		Other: triples("stop"),
	})
}

// The silence that ends a call: 260 ms where it is complete, 700 ms where it is not; more words before that belong to it.
func TestCommit(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three"}}
	e := engine(t, m, Options{})
	wait := func(h speech.Hypothesis) int64 { return h.AtMS - h.EndMS }
	for _, c := range []struct {
		say  string
		want []string
		wait int64
	}{
		{"one two three", []string{"one two three"}, 260},
		{"one two", []string{"one two"}, 700},
		{"one two - - - - - three", []string{"one two three"}, 260},
		{"one two - - - - - - - - - three", []string{"one two", "three"}, 700},
		{"one two three - - - - - one two three", []string{"one two three", "one two three"}, 260},
	} {
		got := hear(t, e, triples("one", "two", "three"), m.say("- - - - - - "+c.say+" - - - - - - - -"))
		if !slices.Equal(texts(got), c.want) {
			t.Errorf("%q: heard %q, want %q", c.say, texts(got), c.want)
			continue
		}
		if w := wait(got[0]); w < c.wait-30 || w > c.wait+60 {
			t.Errorf("%q: decided after %d ms, want %d", c.say, w, c.wait)
		}
	}
}

// In noise that never falls silent, that no new word comes ends the call, and nothing of the next is lost.
func TestCommitInNoise(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three"}}
	pcm := m.say("- - - - - - one two three - - - - - - - - - - - - three two one - - - - - - - - - - - -")
	for i := range pcm {
		// Steady noise rises with the first word; the gate never closes after it.
		if i > speech.Rate/2 && pcm[i] == 0 {
			pcm[i] = int16(400 * (1 - 2*(i&1)))
		}
	}
	got := hear(t, engine(t, m, Options{}), triples("one", "two", "three"), pcm)
	if want := []string{"one two three", "three two one"}; !slices.Equal(texts(got), want) {
		t.Errorf("heard %q, want %q", texts(got), want)
	}
	for _, h := range got[:1] {
		if wait := h.AtMS - h.EndMS; wait > 900 {
			t.Errorf("decided %d ms after the last word", wait)
		}
	}
}

// Speech without an end is cut after the longest time, and what follows is heard.
func TestCutLong(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three"}}
	e := engine(t, m, Options{})
	got := hear(t, e, row{m.words, 200}, m.say("- - - - - - "+strings.Repeat("one two three ", 30)+"- - - - - - - -"))
	n := 0
	for _, h := range got {
		if len(h.Readings) > 0 {
			n += len(h.Readings[0].Words)
		}
	}
	if len(got) != 2 || n < 88 || n > 91 {
		t.Errorf("%d calls with %d words of 90", len(got), n)
	}
}

// A net set while a call is going on counts for all of its sound.
func TestSetNetInTheMiddle(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three", "stop"}}
	e := engine(t, m, Options{})
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.SetNet(triples("stop")); err != nil {
		t.Fatal(err)
	}
	pcm := m.say("- - - - - - one two three - - - - - - - -")
	half := 9 * speech.Rate / 10
	if hyps, err := r.Accept(pcm[:half]); err != nil || slices.ContainsFunc(hyps, func(h speech.Hypothesis) bool { return h.Final }) {
		t.Fatalf("%v, %v in the middle of a call", hyps, err)
	}
	if err := r.SetNet(triples("one", "two", "three")); err != nil {
		t.Fatal(err)
	}
	if got := texts(finals(t, r, pcm[half:])); !slices.Equal(got, []string{"one two three"}) {
		t.Errorf("heard %q", got)
	}
}

// Alternatives are followed through the net: what is no call only takes probability, the same words
// count once, the net's priors weigh.
func TestRescore(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three", "stop"}}
	alternatives := func(scores map[string]float64) func([]heardWord) []alternative {
		return func(heard []heardWord) []alternative {
			var out []alternative
			for text, score := range scores {
				a := alternative{score: score}
				for i, w := range strings.Fields(text) {
					h := heard[min(i, len(heard)-1)]
					a.words = append(a.words, heardWord{w, h.from, h.to})
				}
				out = append(out, a)
			}
			return out
		}
	}
	net := triples("one", "two", "three")
	pcm := m.say("- - - - - - one two three - - - - - - - -")
	for name, c := range map[string]struct {
		scores   map[string]float64
		want     []string // readings
		rejected bool
	}{
		"by score":          {map[string]float64{"one two two": 98, "one two three": 100}, []string{"one two three", "one two two"}, false},
		"the prior weighs":  {map[string]float64{"one two": 101, "one two three": 100}, []string{"one two three", "one two"}, false},
		"no call":           {map[string]float64{"stop two three": 102, "one two three": 100}, []string{"one two three"}, false},
		"no call by far":    {map[string]float64{"stop two three": 110, "one two three": 100}, []string{"one two three"}, true},
		"nothing is a call": {map[string]float64{"stop": 100, "stop stop": 99}, nil, true},
		"too many words":    {map[string]float64{"one two three one": 100, "one two three": 99}, []string{"one two three"}, false},
	} {
		m.rivals = alternatives(c.scores)
		got := hear(t, engine(t, m, Options{}), net, pcm)
		if len(got) != 1 {
			t.Errorf("%s: %d finals", name, len(got))
			continue
		}
		var readings []string
		sum := 0.0
		for _, r := range got[0].Readings {
			readings = append(readings, r.Text())
			sum += r.Posterior
		}
		if !slices.Equal(readings, c.want) || got[0].Rejected != c.rejected {
			t.Errorf("%s: %q, rejected %t; want %q, %t", name, readings, got[0].Rejected, c.want, c.rejected)
		}
		if strings.Contains(name, "no call") && sum > 0.9 {
			t.Errorf("%s: calls have %.2f of the probability", name, sum)
		}
	}
	// Two ways to hear one reading: it counts once, with the better score.
	m.rivals = alternatives(map[string]float64{"one two three": 100, "stop two three": 98})
	same := hear(t, engine(t, m, Options{Respell: strings.NewReader("one\tstop")}), net, pcm)[0].Readings
	if len(same) != 1 || same[0].LogScore != 100 || same[0].Posterior != 1 {
		t.Errorf("%+v, want one reading", same)
	}
	// A word is as likely as the readings that have it.
	m.rivals = alternatives(map[string]float64{"one two two": 100, "one two three": 100})
	words := hear(t, engine(t, m, Options{}), net, pcm)[0].Readings[0].Words
	if words[0].Confidence != 1 || words[1].Confidence != 1 || words[2].Confidence != 0.5 {
		t.Errorf("confidence %+v, want 1, 1, 0.5", words)
	}
}

// A noise in which Vosk hears no word is nothing.
func TestNoise(t *testing.T) {
	m := &fakeModel{words: []string{"one", "two", "three"}, rivals: func([]heardWord) []alternative { return []alternative{{nil, 50}} }}
	if got := hear(t, engine(t, m, Options{}), triples("one"), m.say("- - - - - - one - - - - - - - -")); len(got) != 0 {
		t.Errorf("heard %+v in a noise", got)
	}
}

func TestDecoderError(t *testing.T) {
	m := &fakeModel{words: []string{"one"}, broken: true}
	r, _ := engine(t, m, Options{}).NewRecognizer()
	if err := r.SetNet(triples("one")); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Accept(m.say("- - - - - - one - -")); err == nil {
		t.Error("a library that gives no recognizer made no error")
	}
	r.Close()
	if _, err := r.Accept(nil); !errors.Is(err, errClosed) {
		t.Errorf("after Close: %v", err)
	}
	if err := r.SetNet(triples("one")); !errors.Is(err, errClosed) {
		t.Errorf("SetNet after Close: %v", err)
	}
}

// Words that the model lacks are heard as respellings that it has, or are lacking.
func TestRespell(t *testing.T) {
	m := &fakeModel{words: []string{"one", "me", "seal", "medial", "separation", "museum", "[unk]", "about"}}
	own := "mesial\tme museum | museum sea\none\tmuseum # an accent\n"
	e := engine(t, m, Options{Respell: strings.NewReader(own), RespellName: "own.txt", ModelDir: "models/small/"})
	if e.Name() != "vosk small" {
		t.Errorf("name %q", e.Name())
	}
	if got := e.Lacks([]string{"one", "mesial", "suppuration", "furcation", "xqzkj", "furcation"}); !slices.Equal(got, []string{"furcation", "xqzkj"}) {
		t.Errorf("lacks %q", got)
	}
	want := map[string]string{"mesial": "me seal, medial, me museum", "suppuration": "separation"}
	if got := e.Respelled([]string{"one", "mesial", "suppuration", "furcation"}); !reflect.DeepEqual(got, want) {
		t.Errorf("respelled %q, want %q", got, want)
	}
	g, err := e.graph(triples("mesial", "one"))
	if err != nil {
		t.Fatal(err)
	}
	heard := func(text string) (out []heardWord) {
		for i, w := range strings.Fields(text) {
			out = append(out, heardWord{w, int64(100 * i), int64(100*i + 90)})
		}
		return out
	}
	for text, want := range map[string]string{
		"one me seal medial":   "one@0-90 mesial@100-290 mesial@300-390",
		"me museum museum one": "mesial@0-190 one@200-290 one@300-390",
		"me seal me":           "",
		"seal":                 "",
		"me museum":            "mesial@0-190",
	} {
		words, _, _, _, ok := g.follow(heard(text), true)
		var got []string
		for _, w := range words {
			got = append(got, fmt.Sprintf("%s@%d-%d", w.Text, w.StartMS, w.EndMS))
		}
		if s := strings.Join(got, " "); s != want || ok != (want != "") {
			t.Errorf("%q is read as %q, want %q", text, s, want)
		}
	}
	if words, _, _, _, ok := g.follow(heard("one me"), false); !ok || len(words) != 1 {
		t.Errorf("cut off in a word: %v, %t", words, ok)
	}
	var phrases []string
	if err := json.Unmarshal([]byte(g.phrases), &phrases); err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"one", "me seal", "seal one", "museum me", "[unk]", "about"} {
		if !slices.Contains(phrases, p) {
			t.Errorf("%q is not among the phrases %q", p, phrases)
		}
	}
	if slices.Contains(phrases, "seal") {
		t.Error("a word that nothing begins with may stand alone")
	}
	var missing *speech.VocabularyError
	if _, err := e.graph(triples("one", "furcation")); !errors.As(err, &missing) || !slices.Equal(missing.Missing, []string{"furcation"}) {
		t.Errorf("a net with a word that cannot be heard: %v", err)
	}
	for _, bad := range []string{"mesial", "mesial\t", "mesial\tme |", "two words\tone"} {
		if _, err := newEngine(m, Options{Respell: strings.NewReader("# fine\n" + bad), RespellName: "own.txt"}); err == nil || !strings.Contains(err.Error(), "own.txt, line 2") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// others.txt holds nothing that a call could be: see also grammar's own test of what it understands.
func TestOthers(t *testing.T) {
	_, text, ok := strings.Cut(commonWords, "count.\n")
	words := strings.Fields(text)
	if !ok || len(words) < 80 {
		t.Fatalf("%d words", len(words))
	}
	for _, sounds := range []string{"to", "too", "for", "won", "ate", "oh", "tree", "fore", "sick"} {
		if slices.Contains(words, sounds) {
			t.Errorf("%q sounds like a number", sounds)
		}
	}
}

// remarks is a net of one word that free speech may follow, and of another that it may not.
type remarks struct{ speech.Net }

func (remarks) Key() string { return "remarks" }
func (remarks) States() int { return 3 }
func (remarks) Ending(s int) (speech.Ending, float64) {
	return []speech.Ending{speech.NoEnding, speech.Complete, speech.Complete}[s], 0
}
func (remarks) Arcs(s int, yield func(string, int, float64)) {
	if s == 0 {
		yield("three", 1, 0)
		yield("remark", 2, 0)
	}
}
func (remarks) Free(s int) bool { return s == 2 }

// Behind "remark" any words may follow: they are no reason to reject it, and belong to its sound.
func TestFreeSpeech(t *testing.T) {
	m := &fakeModel{words: []string{"three", "remark", "cold"}}
	got := hear(t, engine(t, m, Options{Others: []string{"cold"}}), remarks{}, m.say("- - - - - - - - remark cold three cold - - - - - - - - - - three - - - - - - - - three cold - - - - - - - - - remark - - - - - - - - - - -"))
	if s := texts(got); !slices.Equal(s, []string{"remark", "three", "rejected", "remark"}) {
		t.Fatal(s)
	}
	if h := got[0]; !h.Readings[0].Free || h.EndMS-h.StartMS < 2*(got[3].EndMS-got[3].StartMS) || h.Readings[0].Words[0].EndMS >= h.EndMS {
		t.Errorf("%+v", h)
	}
	if got[1].Readings[0].Free || got[3].Readings[0].Free {
		t.Error("free speech where there is none")
	}
}
