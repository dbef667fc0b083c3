package voice

import (
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
)

// Lesson is a call of numbers of which is known what was said in it: one that took part in repairing a place by voice, with the words of the
// numbers that finally stand at its sites, or one that the signed exam confirms.
type Lesson struct {
	Call      uint64
	Time      int64 // Unix milliseconds
	Who       string
	Words     []string
	Confirmed bool // its numbers stand as they were heard, without an open doubt, in an exam that was signed
}

// deepest is the deepest reading that is worth learning from, in millimetres.
const deepest = 12

// wordOf is the plain word of a reading, "" if it has none.
func wordOf(halves int) string {
	if halves%2 != 0 || halves < 0 || halves > 2*deepest {
		return ""
	}
	return grammar.Word(halves / 2)
}

// called is a call that wrote numbers at one place.
type called struct {
	chart.CallInfo
	place  chart.Place
	at     []chart.Reading // in the order of its words
	values []int           // half-millimetres
	next   []*called       // those that repaired it
	bad    bool            // replaced by something that does not tell what was said in it
}

// Lessons lists, oldest first, the calls of numbers from which the recognizer can learn: those that were replaced by voice
// (a correction, the place called again, the answer to a question), with the words that are right, those that replaced them, and in a signed exam
// those that stand as they were called. It leaves out what does not tell for sure what was said: another number of numbers, more than one place,
// other words between, a screen that had a hand in it.
func Lessons(st *chart.State) []Lesson {
	b := book{calls: map[uint64]*called{}, undone: map[uint64]bool{}, part: map[*called]bool{}, writers: map[chart.Reading]uint64{}}
	info := map[uint64]chart.CallInfo{}
	for _, c := range st.Calls {
		info[c.Seq] = c
	}
	log := st.Log()
	for i := 0; i < len(log); {
		evs := st.CallEvents(log[i].Call)
		i += len(evs)
		b.read(calledIn(info[evs[0].Call], evs), evs, log[:i])
	}
	final := standing(log, b.undone)
	value := map[chart.Reading]int{}
	for _, e := range log {
		if e.Kind == chart.KindSet && number(e) && final[readingOf(e)] == e.Call {
			value[readingOf(e)] = *e.Value
		}
	}
	var out []Lesson
	for _, c := range st.Calls {
		k := b.calls[c.Seq]
		if k == nil || !b.part[k] && (st.SignedBy == "" || k.doubted(st)) {
			continue
		}
		if words := k.words(final, value); words != nil {
			out = append(out, Lesson{c.Seq, c.Time, c.Who, words, !b.part[k]})
		}
	}
	return out
}

// book is what has been read of a log so far.
type book struct {
	calls   map[uint64]*called // nil: wrote numbers in another way
	undone  map[uint64]bool
	part    map[*called]bool         // took part in a repair
	writers map[chart.Reading]uint64 // who wrote the numbers that stand
}

// read takes a call in, with its events and the log up to their end; c is nil if it is none that a lesson can be drawn from.
func (b *book) read(c *called, evs, log []chart.Event) {
	former, lost, took, wrote := b.replaced(evs)
	if wrote || took {
		b.calls[evs[0].Call] = c
	}
	if took {
		b.writers = standing(log, b.undone)
	} else {
		write(b.writers, evs)
	}
	if len(former) == 0 && !lost {
		return
	}
	if c == nil || lost || !(took || c.Did == chart.VerbCorrection || c.Did == chart.VerbSet) || !c.sure(former) {
		for _, f := range former {
			f.bad = true
		}
		if c != nil && (took || c.Did == chart.VerbCorrection) {
			b.part[c] = true // of what it replaced is not known what was said, of itself it is
		}
		return
	}
	b.part[c] = true
	for _, f := range former {
		b.part[f] = true
		f.next = append(f.next, c)
	}
}

// replaced is what the events of a call replace, by taking back or by writing over; lost says that not all of it is known.
func (b *book) replaced(evs []chart.Event) (former []*called, lost, took, wrote bool) {
	replaces := func(call uint64) {
		if f := b.calls[call]; f == nil {
			lost = true
		} else if !slices.Contains(former, f) {
			former = append(former, f)
		}
	}
	for _, e := range evs {
		if e.Kind == chart.KindUndo {
			b.undone[e.Undo] = true
			took = true
			if _, wrote := b.calls[e.Undo]; wrote {
				replaces(e.Undo)
			}
		}
	}
	for _, e := range evs {
		if e.Kind != chart.KindSet || !number(e) {
			continue
		}
		wrote = true
		if w, ok := b.writers[readingOf(e)]; ok && !slices.ContainsFunc(former, func(f *called) bool { return f.Seq == w }) {
			replaces(w)
		}
	}
	return former, lost, took, wrote
}

// doubted reports whether a number of a call still waits for an answer.
func (k *called) doubted(st *chart.State) bool {
	return slices.ContainsFunc(k.at, func(r chart.Reading) bool {
		_, open := st.Doubts[r.SiteRef]
		return open
	})
}

// number reports whether an event writes a depth or a margin, or takes one away.
func number(e chart.Event) bool {
	return e.Field == chart.FieldDepth || e.Field == chart.FieldRecession
}

func readingOf(e chart.Event) chart.Reading {
	return chart.Reading{SiteRef: e.At(), Field: e.Field}
}

// standing says which call wrote each number that stands after a log.
func standing(log []chart.Event, undone map[uint64]bool) map[chart.Reading]uint64 {
	out := map[chart.Reading]uint64{}
	write(out, slices.DeleteFunc(slices.Clone(log), func(e chart.Event) bool { return undone[e.Call] }))
	return out
}

// write goes on with that by the events of more calls.
func write(by map[chart.Reading]uint64, evs []chart.Event) {
	for _, e := range evs {
		if e.Kind != chart.KindSet || !number(e) {
			continue
		}
		if by[readingOf(e)] = e.Call; e.Value == nil {
			delete(by, readingOf(e))
		}
	}
}

// calledIn is a spoken call that wrote numbers at one place, or nil.
func calledIn(c chart.CallInfo, evs []chart.Event) *called {
	k := &called{CallInfo: c}
	for _, e := range evs {
		if e.Kind != chart.KindSet || !number(e) {
			continue
		}
		p := e.At().Place()
		if e.Value == nil || len(k.at) > 0 && (p != k.place || slices.Contains(k.at, readingOf(e))) {
			return nil
		}
		k.place, k.at, k.values = p, append(k.at, readingOf(e)), append(k.values, *e.Value)
	}
	if len(k.at) == 0 || c.Source != chart.Voice {
		return nil
	}
	return k
}

// sure reports whether a call tells what was said in those that it replaces: all their numbers, or one of them.
func (k *called) sure(former []*called) bool {
	var were []chart.Reading
	for _, f := range former {
		if f.place != k.place {
			return false
		}
		for _, r := range f.at {
			if !slices.Contains(were, r) {
				were = append(were, r)
			}
		}
	}
	if slices.ContainsFunc(k.at, func(r chart.Reading) bool { return !slices.Contains(were, r) }) {
		return false
	}
	return len(k.at) == len(were) || len(k.at) == 1 && k.Did != chart.VerbSoundings
}

// words are what was said in a call: its own, with the numbers that finally stand. Nil if that is not sure.
func (k *called) words(final map[chart.Reading]uint64, value map[chart.Reading]int) []string {
	chain := map[uint64]bool{}
	var follow func(*called) bool
	follow = func(c *called) bool {
		if c.bad {
			return false
		}
		chain[c.Seq] = true
		for _, n := range c.next {
			if !chain[n.Seq] && !follow(n) {
				return false
			}
		}
		return true
	}
	if !follow(k) {
		return nil
	}
	words := strings.Fields(k.Words)
	numbers := words
	if len(words) > 0 && words[0] == string(chart.VerbCorrection) {
		numbers = words[1:]
	}
	if len(numbers) != len(k.at) {
		return nil
	}
	for i, r := range k.at {
		if n, ok := grammar.Number(numbers[i]); !ok || n > deepest || 2*n != k.values[i] || !chain[final[r]] {
			return nil
		}
		if v := value[r]; v != k.values[i] {
			if numbers[i] = wordOf(v); numbers[i] == "" {
				return nil
			}
		}
	}
	return words
}
