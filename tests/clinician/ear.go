package clinician

import (
	"math/rand/v2"
	"slices"
	"strings"

	"leadsman/speech"
	"leadsman/speech/scripted"
)

// ear is an engine that is told the words and mishears them by chance: a thousand times faster than sound, to try the dialogue on many
// mouths. What it gets wrong is like what the real engine gets wrong, but simpler: measure with sound.
type ear struct {
	*scripted.Engine
	rng *rand.Rand
	// Shares of words that are lost, taken for another and heard where there is none, and of calls that are not understood at all.
	lost, other, extra, deaf float64
}

func newEar(seed uint64, errors float64) *ear {
	return &ear{Engine: scripted.New(), rng: rand.New(rand.NewPCG(seed, 77)), lost: errors, other: errors, extra: errors / 2, deaf: errors}
}

var digitWords = strings.Fields("zero one two three four five six seven eight nine")

// pieceMS is the gap from which on a breath comes in two pieces.
const pieceMS = 260

// hears takes what is about to be said; spans are the samples of the words.
func (e *ear) hears(words []string, spans [][2]int64) {
	at := func(i int64) int64 { return i * 1000 / speech.Rate }
	for from := 0; from < len(words); {
		to := from + 1
		for to < len(words) && at(spans[to][0]-spans[to-1][1]) < pieceMS {
			to++
		}
		u := scripted.Utterance{Begins: true, StartMS: at(spans[from][0]), EndMS: at(spans[to-1][1]), Signal: speech.Signal{LevelDB: -20, NoiseDB: -60}}
		e.mishear(&u, words[from:to])
		if u.Text != "" {
			e.Say(u)
		}
		from = to
	}
}

func (e *ear) mishear(u *scripted.Utterance, words []string) {
	var heard []string
	wrong := false
	for _, w := range words {
		switch x := e.rng.Float64(); {
		case x < e.lost:
			wrong = true
			continue
		case x < e.lost+e.other && (slices.Contains(digitWords, w) || w == "tooth"):
			wrong = true
			if w = digitWords[1+e.rng.IntN(9)]; words[0] == "tooth" && len(heard) == 0 {
				w = "two"
			}
		case x < e.lost+e.other+e.extra:
			wrong = true
			heard = append(heard, digitWords[1+e.rng.IntN(9)])
		}
		heard = append(heard, w)
	}
	u.Text = strings.Join(heard, " ")
	u.Confidence = 1 - 0.004*e.rng.Float64()
	if e.rng.Float64() < e.deaf {
		u.Rejected, u.Filler = true, 4
		return
	}
	if truth := strings.Join(words, " "); wrong && e.rng.Float64() < 0.6 {
		// What was said stands behind it.
		u.Rivals = []string{truth, truth, truth, truth}
	} else if !wrong && e.rng.Float64() < 2*e.other {
		other := slices.Clone(words)
		other[e.rng.IntN(len(other))] = digitWords[1+e.rng.IntN(9)]
		rival := strings.Join(other, " ")
		u.Rivals = []string{rival, rival, rival, rival}
	}
	if u.AtMS = 0; len(heard) == 3 {
		u.AtMS = u.EndMS + 170
	}
}
