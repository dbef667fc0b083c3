// Package speechtest is the contract of speech.Recognizer as a test that every engine has to pass.
package speechtest

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"

	"leadsman/speech"
)

// Sample is a recording that an engine under test should understand.
type Sample struct {
	PCM []int16
	// Net fits all calls of the recording; Want are their words, at least two calls.
	Net  speech.Net
	Want []string
	// Other is a net that fits none of the calls.
	Other speech.Net
}

// Unpronounceable is a word that no engine has a pronunciation for.
const Unpronounceable = "xqzkj"

// TestRecognizer checks the recognizers of the engine that open returns against the contract. open
// is called once; TestRecognizer closes the engine.
func TestRecognizer(t *testing.T, open func(t testing.TB) speech.Engine, s Sample) {
	c := contract{engine: open(t), Sample: s}
	defer func() {
		if err := c.engine.Close(); err != nil {
			t.Errorf("close the engine: %v", err)
		}
	}()
	t.Run("hears the calls", c.hears)
	if t.Failed() {
		return
	}
	for _, size := range []int{1, 159, 160, 480, 1600, 16001, len(s.PCM)} {
		t.Run(fmt.Sprintf("frames of %d samples", size), func(t *testing.T) {
			same(t, play(t, c.start(t), s.PCM, size), c.reference)
		})
	}
	t.Run("a new stream after Flush", c.twice)
	t.Run("sound after a final is heard under the next net", c.nextNet)
	t.Run("everything at once", c.atOnce)
	t.Run("unknown words", c.unknownWords)
	t.Run("no sound", c.noSound)
}

// contract is what the recognizers of an engine have to keep.
type contract struct {
	Sample
	engine    speech.Engine
	reference []speech.Hypothesis // finals of the sample
}

// start opens a recognizer under the net of the sample.
func (c *contract) start(t *testing.T) speech.Recognizer {
	r, err := c.engine.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SetNet(c.Net); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := r.Close(); err != nil {
			t.Errorf("close the recognizer: %v", err)
		}
	})
	return r
}

func (c *contract) hears(t *testing.T) {
	c.reference = play(t, c.start(t), c.PCM, 320)
	if got := texts(c.reference); !slices.Equal(got, c.Want) {
		t.Fatalf("heard %q, want %q", got, c.Want)
	}
}

func (c *contract) twice(t *testing.T) {
	r := c.start(t)
	same(t, play(t, r, c.PCM, 320), c.reference)
	same(t, play(t, r, c.PCM, 320), c.reference)
}

func (c *contract) nextNet(t *testing.T) {
	r := c.start(t)
	var finals []speech.Hypothesis
	for i := 0; i < len(c.PCM) && len(finals) == 0; i += 320 {
		finals = append(finals, onlyFinals(accept(t, r, c.PCM[i:min(len(c.PCM), i+320)]))...)
		if len(finals) > 0 {
			if err := r.SetNet(c.Other); err != nil {
				t.Fatal(err)
			}
			finals = append(finals, play(t, r, c.PCM[min(len(c.PCM), i+320):], 320)...)
		}
	}
	if got := texts(finals); len(got) != 1 || got[0] != c.Want[0] {
		t.Errorf("with another net after the first call: heard %q, want only %q", got, c.Want[0])
	}
}

func (c *contract) atOnce(t *testing.T) {
	r := c.start(t)
	hyps := accept(t, r, c.PCM)
	for {
		more := accept(t, r, nil)
		if len(onlyFinals(more)) == 0 {
			break
		}
		hyps = append(hyps, more...)
	}
	rest, err := r.Flush()
	if err != nil {
		t.Fatal(err)
	}
	same(t, append(onlyFinals(hyps), rest...), c.reference)
}

func (c *contract) unknownWords(t *testing.T) {
	if got := c.engine.Lacks([]string{Unpronounceable}); !slices.Equal(got, []string{Unpronounceable}) {
		t.Errorf("Lacks(%q) = %q", Unpronounceable, got)
	}
	r := c.start(t)
	err := r.SetNet(oneWord(Unpronounceable))
	var v *speech.VocabularyError
	if !errors.As(err, &v) || !slices.Contains(v.Missing, Unpronounceable) {
		t.Errorf("SetNet with %q: %v, want a *speech.VocabularyError that names it", Unpronounceable, err)
	}
	same(t, play(t, r, c.PCM, 320), c.reference) // the former net stays
}

func (c *contract) noSound(t *testing.T) {
	r := c.start(t)
	if h, err := r.Flush(); err != nil || len(h) > 0 {
		t.Errorf("Flush of nothing: %v, %v", h, err)
	}
	// No longer than the pause before the first call: a scripted engine hears that in anything.
	if h := play(t, r, make([]int16, c.reference[0].StartMS*speech.Rate/1000), 320); len(h) > 0 {
		t.Errorf("calls in silence: %+v", h)
	}
}

// play feeds the sound in frames of a size, takes what waits, flushes, and returns the finals, each
// checked.
func play(t *testing.T, r speech.Recognizer, pcm []int16, size int) []speech.Hypothesis {
	t.Helper()
	var finals []speech.Hypothesis
	for i := 0; i < len(pcm); i += size {
		finals = append(finals, onlyFinals(accept(t, r, pcm[i:min(len(pcm), i+size)]))...)
	}
	for {
		more := onlyFinals(accept(t, r, nil))
		if len(more) == 0 {
			break
		}
		finals = append(finals, more...)
	}
	rest, err := r.Flush()
	if err != nil {
		t.Fatalf("flush: %v", err)
	}
	for _, h := range rest {
		if !h.Final {
			t.Errorf("Flush gave a partial: %+v", h)
		}
		check(t, h)
	}
	finals = append(finals, rest...)
	for i := 1; i < len(finals); i++ {
		if finals[i].StartMS < finals[i-1].Consumed {
			t.Errorf("a call begins at %d ms, in sound up to %d ms that belongs to the one before", finals[i].StartMS, finals[i-1].Consumed)
		}
		if finals[i].StartMS < finals[i-1].EndMS || finals[i].AtMS < finals[i-1].AtMS {
			t.Errorf("finals overlap or lie out of order: %d-%d ms, then %d-%d ms", finals[i-1].StartMS, finals[i-1].EndMS, finals[i].StartMS, finals[i].EndMS)
		}
	}
	return finals
}

func accept(t *testing.T, r speech.Recognizer, pcm []int16) []speech.Hypothesis {
	t.Helper()
	hyps, err := r.Accept(pcm)
	if err != nil {
		t.Fatalf("accept: %v", err)
	}
	for i, h := range hyps {
		if h.Final && i+1 < len(hyps) {
			t.Errorf("a final is not the last hypothesis of its Accept")
		}
		if i > 0 && h.AtMS < hyps[i-1].AtMS {
			t.Errorf("hypotheses out of order: decided at %d ms, then at %d ms", hyps[i-1].AtMS, h.AtMS)
		}
		check(t, h)
	}
	return hyps
}

// check tests what must hold for every hypothesis.
func check(t *testing.T, h speech.Hypothesis) {
	t.Helper()
	bad := func(what string, args ...any) { t.Errorf(what+" in %+v", append(args, h)...) }
	if h.StartMS < 0 || h.EndMS < h.StartMS || h.AtMS < h.EndMS {
		bad("times not in order")
	}
	if h.Final && (h.Consumed < h.EndMS || h.Consumed > h.AtMS) {
		bad("consumed %d ms, not between end and decision", h.Consumed)
	}
	if len(h.Readings) == 0 && !(h.Rejected && h.Final) {
		bad("no reading, yet not a rejected final")
	}
	if h.Filler < 0 || math.IsNaN(h.Filler) || math.IsInf(h.Filler, 0) {
		bad("filler is no cost")
	}
	sum := 0.0
	seen := map[string]bool{}
	for i, r := range h.Readings {
		sum += r.Posterior
		if len(r.Words) == 0 || seen[r.Text()] {
			bad("reading %d is empty or there twice", i)
		}
		seen[r.Text()] = true
		if h.Final && r.Ending == speech.NoEnding {
			bad("reading %d may not end", i)
		}
		if i > 0 && (r.LogScore > h.Readings[i-1].LogScore || r.Posterior > h.Readings[i-1].Posterior) {
			bad("reading %d is better than the one before", i)
		}
		for j, w := range r.Words {
			if w.EndMS < w.StartMS || w.StartMS < 0 || j > 0 && w.StartMS < r.Words[j-1].EndMS {
				bad("word times of reading %d not in order", i)
			}
			if i == 0 && (w.StartMS < h.StartMS || w.EndMS > h.EndMS) {
				bad("word outside the call")
			}
			if !(w.Confidence >= 0 && w.Confidence <= 1) {
				bad("confidence of reading %d out of range", i)
			}
		}
	}
	if sum > 1+1e-9 {
		bad("posteriors sum to %v", sum)
	}
}

func onlyFinals(hyps []speech.Hypothesis) []speech.Hypothesis {
	var f []speech.Hypothesis
	for _, h := range hyps {
		if h.Final {
			f = append(f, h)
		}
	}
	return f
}

// texts gives the best readings of what was not rejected.
func texts(finals []speech.Hypothesis) []string {
	var s []string
	for _, h := range finals {
		if !h.Rejected {
			s = append(s, h.Readings[0].Text())
		}
	}
	return s
}

func same(t *testing.T, got, want []speech.Hypothesis) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%d finals %q, want %d %q", len(got), texts(got), len(want), texts(want))
		return
	}
	for i := range got {
		if g, w := fmt.Sprintf("%+v", got[i]), fmt.Sprintf("%+v", want[i]); g != w {
			t.Errorf("final %d differs:\n%s\nwant\n%s", i, g, w)
		}
	}
}

// oneWord is a net of a single word.
type oneWord string

func (w oneWord) Key() string { return "only " + string(w) }
func (w oneWord) States() int { return 2 }
func (w oneWord) Ending(s int) (speech.Ending, float64) {
	if s == 1 {
		return speech.Complete, 0
	}
	return speech.NoEnding, 0
}
func (w oneWord) Arcs(s int, yield func(string, int, float64)) {
	if s == 0 {
		yield(string(w), 1, 0)
	}
}
