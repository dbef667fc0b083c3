package voice

import (
	"fmt"
	"strings"

	"leadsman/speech"
)

// Cut finds the lines of a script in a recording of somebody who reads them one after the other, with pauses of half a second or more between
// them. A line that is not found is left out, and what belongs to no line, such as a line that was read wrong and read again.
func Cut(e speech.Adapter, pcm []int16, texts []string) (takes []speech.Take, left []string, err error) {
	var ls []line
	var words []string
	for i, t := range texts {
		l := strings.Fields(strings.ToLower(t))
		if len(l) == 0 {
			continue
		}
		if missing := e.Lacks(l); len(missing) > 0 {
			return nil, nil, fmt.Errorf("script, line %d: %w", i+1, &speech.VocabularyError{Missing: missing})
		}
		ls = append(ls, line{words: l})
		words = append(words, l...)
	}
	stretches, err := stretches(e, pcm, words)
	if err != nil {
		return nil, nil, err
	}
	at := 0
	for _, st := range stretches {
		for k := at; k < min(at+ahead, len(ls)); k++ {
			t := speech.Take{Words: ls[k].words, PCM: pcm[st[0]:st[1]]}
			fit, err := e.Check(t)
			if err != nil {
				return nil, nil, err
			}
			if fit.OK {
				for _, l := range ls[at:k] {
					left = append(left, strings.Join(l.words, " "))
				}
				takes = append(takes, t)
				at = k + 1
				break
			}
		}
	}
	for _, l := range ls[at:] {
		left = append(left, strings.Join(l.words, " "))
	}
	return takes, left, nil
}

const (
	ahead     = 4                // lines that may be missing in a row
	breathMS  = 450              // shorter pauses are within a line
	marginEnd = speech.Rate / 10 // the recognizer tells the end of a word a little early
)

// anyOf is a net of any of the words in any order.
type anyOf []string

func (a anyOf) Key() string { return "any " + strings.Join(a, " ") }
func (a anyOf) States() int { return 2 }
func (a anyOf) Ending(state int) (speech.Ending, float64) {
	return []speech.Ending{speech.NoEnding, speech.Complete}[state], 0
}
func (a anyOf) Arcs(_ int, yield func(word string, to int, logPrior float64)) {
	for _, w := range a {
		yield(w, 1, 0)
	}
}

// stretches are the parts of a recording in which somebody speaks, whatever is said, as samples with a margin around them.
func stretches(e speech.Adapter, pcm []int16, words []string) (out [][2]int, err error) {
	rec, err := e.NewRecognizer()
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	if err := rec.SetNet(anyOf(unique(words))); err != nil {
		return nil, err
	}
	var from, to int64 = -1, -1
	end := func() {
		if from >= 0 {
			out = append(out, [2]int{max(0, int(from*speech.Rate/1000)-margin), min(len(pcm), int(to*speech.Rate/1000)+margin+marginEnd)})
		}
		from = -1
	}
	take := func(hyps []speech.Hypothesis) {
		for _, h := range hyps {
			if !h.Final {
				continue
			}
			if from >= 0 && h.StartMS-to > breathMS {
				end()
			}
			if from < 0 {
				from = h.StartMS
			}
			to = h.EndMS
		}
	}
	for at := 0; at < len(pcm); at += step {
		hyps, err := rec.Accept(pcm[at:min(at+step, len(pcm))])
		if err != nil {
			return nil, err
		}
		take(hyps)
	}
	hyps, err := rec.Flush()
	if err != nil {
		return nil, err
	}
	take(hyps)
	end()
	return out, nil
}

func unique(words []string) []string {
	seen := map[string]bool{}
	var out []string
	for _, w := range words {
		if !seen[w] {
			seen[w] = true
			out = append(out, w)
		}
	}
	return out
}
