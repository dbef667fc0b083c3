package vosk

import (
	"errors"
	"fmt"
	"strings"

	"leadsman/speech"
)

// triples is a net of three of some words in a row; fewer are the begin of a call.
func triples(words ...string) speech.Net { return row{words, 3} }

// row is a net of up to n words.
type row struct {
	words []string
	n     int
}

func (r row) Key() string { return fmt.Sprint(r) }
func (r row) States() int { return r.n + 1 }
func (r row) Ending(s int) (speech.Ending, float64) {
	switch s {
	case 0:
		return speech.NoEnding, 0
	case r.n:
		return speech.Complete, 0
	}
	return speech.Prefix, -2
}
func (r row) Arcs(s int, yield func(string, int, float64)) {
	if s < r.n {
		for _, w := range r.words {
			yield(w, s+1, 0)
		}
	}
}

// fakeModel has some words and hears, in a stretch of sound of a certain loudness, the reading of that
// loudness: samples of 1000 times k are the k-th word.
type fakeModel struct {
	words []string
	// rivals, if set, turns what was heard into the alternatives.
	rivals  func(words []heardWord) []alternative
	opened  int
	phrases string
	broken  bool
}

func (m *fakeModel) has(word string) bool {
	for _, w := range m.words {
		if w == word {
			return true
		}
	}
	return false
}

func (m *fakeModel) free() {}

func (m *fakeModel) decoder(phrases string, nbest int) (decoder, error) {
	if m.broken {
		return nil, errors.New("broken")
	}
	m.opened++
	m.phrases = phrases
	return &fakeDecoder{m: m}, nil
}

type fakeDecoder struct {
	m     *fakeModel
	at    int64 // samples
	heard []heardWord
	last  int // word of the sample before, 0 is silence
}

func (d *fakeDecoder) free() {}

func (d *fakeDecoder) accept(pcm []int16) {
	for _, s := range pcm {
		k := (int(max(s, -s)) + 500) / 1000
		ms := d.at * 1000 / speech.Rate
		if k > 0 && k != d.last {
			d.heard = append(d.heard, heardWord{d.m.words[k-1], ms, ms})
		}
		if k > 0 {
			d.heard[len(d.heard)-1].to = ms
		}
		d.last = k
		d.at++
	}
}

func (d *fakeDecoder) partial() ([]string, error) {
	var words []string
	for _, h := range d.heard {
		words = append(words, h.text)
	}
	return words, nil
}

func (d *fakeDecoder) final() ([]alternative, error) {
	if d.m.rivals != nil {
		return d.m.rivals(d.heard), nil
	}
	return []alternative{{d.heard, 100}}, nil
}

// say makes sound of the words of a model, each 200 ms long, "-" is 100 ms of silence; words follow
// each other without a pause.
func (m *fakeModel) say(text string) []int16 {
	var pcm []int16
	for _, w := range strings.Fields(text) {
		if w == "-" {
			pcm = append(pcm, make([]int16, speech.Rate/10)...)
			continue
		}
		for k, known := range m.words {
			if known == w {
				for i := range speech.Rate / 5 {
					pcm = append(pcm, int16((k+1)*1000*(1-2*(i&1)))) // the loudest frequency there is
				}
			}
		}
	}
	return pcm
}
