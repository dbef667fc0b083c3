package ctc

import (
	"math"
	"slices"
)

// An aligner finds where each word of a reading lies: the single best path through the words in
// their order, whatever the net and its priors say.
type aligner struct {
	states []alignState
	preds  []int32
	score  []float64 // two rows
	back   []int32   // frames x states: the state before
	firsts []int32
	lasts  []int32 // final phones of the last word built
}

type alignState struct {
	phone     uint8 // 0: blank
	word      int32 // index in the reading; -1: the pauses between words
	pred, end int32 // preds[pred:end], itself not among them
}

// span is the place of a word, frames from..to-1, the negative log-probability of its path there and
// the number of its frames that are not blank.
type span struct {
	from, to int
	cost     float64
	sounds   int
}

// align appends one span for each word to dst, and returns the negative log-probability of the whole
// path and the number of its frames that are not blank. lp holds the log-probabilities frame after frame, symbols
// in each. ok is false if the words do not fit into the frames. With free, any speech may follow the last word: it costs nothing, and said is
// the number of its frames that are not blank.
func (a *aligner) align(dst []span, words []int32, ways [][][]uint8, lp []float32, symbols int, free bool) (spans []span, cost float64, sounds, said int, ok bool) {
	pause := a.build(words, ways)
	open := int32(-1) // the state in which any speech is heard
	if free {
		open = pause
	}
	last := a.forward(lp, symbols, open)
	at := pause
	for _, l := range a.lasts {
		if last[l] > last[at] {
			at = l
		}
	}
	if math.IsInf(last[at], -1) {
		return dst, 0, 0, 0, false
	}
	base := len(dst)
	for range words {
		dst = append(dst, span{from: -1})
	}
	spans = dst[base:]
	for t := len(lp)/symbols - 1; t >= 0; t-- {
		row := lp[t*symbols : (t+1)*symbols]
		s := &a.states[at]
		if at == open {
			if slices.Max(row) > row[0] {
				said++
			}
		} else {
			c := -float64(row[s.phone])
			cost += c
			if s.phone != 0 {
				sounds++
			}
			if s.word >= 0 {
				spans[s.word].reach(t, c, s.phone != 0)
			}
		}
		at = a.back[t*len(a.states)+int(at)]
	}
	return dst, cost, sounds, said, true
}

// reach makes the span of a word begin at frame t; its later frames are there already.
func (s *span) reach(t int, cost float64, sound bool) {
	if s.from < 0 {
		s.to = t + 1
	}
	s.from = t
	s.cost += cost
	if sound {
		s.sounds++
	}
}

// forward finds the best way to each state, frame by frame: its log-probability behind the last frame, and in a.back where it came from.
// In the state open any speech is heard.
func (a *aligner) forward(lp []float32, symbols int, open int32) []float64 {
	frames, n := len(lp)/symbols, len(a.states)
	if cap(a.score) < 2*n {
		a.score = make([]float64, 2*n)
	}
	if cap(a.back) < frames*n {
		a.back = make([]int32, 2*frames*n)
	}
	cur, next := a.score[:n], a.score[n:2*n]
	for i := range cur {
		cur[i] = math.Inf(-1)
	}
	cur[0] = 0
	for t := 0; t < frames; t++ {
		row := lp[t*symbols : (t+1)*symbols]
		back := a.back[t*n : (t+1)*n]
		for i := range a.states {
			s := &a.states[i]
			best, from := cur[i], int32(i)
			for _, p := range a.preds[s.pred:s.end] {
				if cur[p] > best {
					best, from = cur[p], p
				}
			}
			p := float64(row[s.phone])
			if int32(i) == open {
				p = anything(row)
			}
			next[i], back[i] = best+p, from
		}
		cur, next = next, cur
	}
	return cur
}

// build lays out the words in their order, each in all its pronunciations, with pauses between. A path begins in state 0 and
// ends in the state returned, the pause after the last word, or in one of lasts.
func (a *aligner) build(words []int32, ways [][][]uint8) (pause int32) {
	a.states, a.preds = a.states[:0], a.preds[:0]
	pause = a.state(0, -1, 0)
	a.firsts, a.lasts = a.firsts[:0], a.lasts[:0] // lasts: final phones of the word before
	for i, w := range words {
		first := len(a.lasts)
		for _, way := range ways[w] {
			var prev int32
			for j, p := range way {
				from := len(a.preds)
				if j == 0 {
					a.preds = append(a.preds, pause)
					for _, l := range a.lasts[:first] {
						if a.states[l].phone != p {
							a.preds = append(a.preds, l)
						}
					}
				} else {
					a.preds = append(a.preds, prev)
					gap := a.state(0, int32(i), from)
					from++
					a.preds = append(a.preds, gap)
					if a.states[prev].phone != p {
						a.preds = append(a.preds, prev)
					}
				}
				prev = a.state(p, int32(i), from)
			}
			a.lasts = append(a.lasts, prev)
		}
		a.lasts = append(a.lasts[:0], a.lasts[first:]...)
		from := len(a.preds)
		a.preds = append(a.preds, a.lasts...)
		pause = a.state(0, -1, from)
	}
	return pause
}

// state adds a state whose predecessors are preds[from:].
func (a *aligner) state(phone uint8, word int32, from int) int32 {
	a.states = append(a.states, alignState{phone: phone, word: word, pred: int32(from), end: int32(len(a.preds))})
	return int32(len(a.states) - 1)
}
