package accuracy

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/ctc"
	"leadsman/tests/noise"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// voiceTakes are the takes of digits, and of groups of three, of one voice.
type voiceTakes struct {
	name   string
	digits map[string][][]int16
	groups []recordings.Clip
}

// learners are the test speakers with enough takes of every digit (Free Spoken Digit Dataset), and the voices in the folders of LEADSMAN_VOICES, which
// tests/clinician/voices.py makes.
func learners(t *testing.T) (out []voiceTakes) {
	by := map[string]*voiceTakes{}
	add := func(name, words string, pcm []int16) {
		if by[name] == nil {
			by[name] = &voiceTakes{name: name, digits: map[string][][]int16{}}
		}
		switch f := strings.Fields(words); {
		case len(f) == 1 && slices.Contains(digits, f[0]):
			by[name].digits[f[0]] = append(by[name].digits[f[0]], evened(trimmed(pcm)))
		case len(f) == 3 && !slices.ContainsFunc(f, func(w string) bool { return !slices.Contains(digits, w) }):
			by[name].groups = append(by[name].groups, recordings.Clip{Words: words, PCM: evened(trimmed(pcm))})
		}
	}
	for _, c := range clipsOf(t, "manifest.tsv", func(path string, words []string) bool { return strings.HasPrefix(path, "fsdd/") }) {
		add(c.Speaker, c.Words, c.PCM)
	}
	for _, folder := range filepath.SplitList(os.Getenv("LEADSMAN_VOICES")) {
		for _, v := range table(t, filepath.Join(folder, "voices.tsv")) {
			pcm, err := recordings.Sound(filepath.Join(folder, v["file"]+".flac"))
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range table(t, filepath.Join(folder, v["file"]+".tsv")) {
				var from, to float64
				if _, err := fmt.Sscan(r["start"]+" "+r["end"], &from, &to); err != nil {
					t.Fatal(err)
				}
				add(v["voice"], r["words"], pcm[int(from*speech.Rate):min(len(pcm), int(to*speech.Rate))])
			}
		}
	}
	for _, d := range digits {
		for name, v := range by {
			if len(v.digits[d]) < 6 {
				delete(by, name)
			}
		}
	}
	only := os.Getenv("LEADSMAN_LEARNERS")
	for name, v := range by {
		if only == "" || slices.Contains(strings.Split(only, ","), name) {
			out = append(out, *v)
		}
	}
	slices.SortFunc(out, func(a, b voiceTakes) int { return strings.Compare(a.name, b.name) })
	return out
}

// part makes n calls of three numbers of every third take of a voice, from the first, the second or the third on, so that no recording is in two parts.
func (v *voiceTakes) part(k, n int) (out []recordings.Clip) {
	for i := k; i < len(v.groups) && len(out) < n; i += 3 {
		out = append(out, v.groups[i])
	}
	rng := rand.New(rand.NewPCG(uint64(k), 6))
	used := map[string]int{}
	for deck := []string(nil); len(out) < n; {
		var c recordings.Clip
		for i := range 3 {
			if len(deck) == 0 {
				deck = slices.Clone(digits)
				rng.Shuffle(len(deck), func(a, b int) { deck[a], deck[b] = deck[b], deck[a] })
			}
			d := deck[0]
			deck = deck[1:]
			takes := v.digits[d]
			own := (len(takes) - k + 2) / 3 // of this part
			if i > 0 {
				c.PCM = append(c.PCM, make([]int16, int((0.02+0.13*rng.Float64())*speech.Rate))...)
			}
			c.PCM = append(c.PCM, takes[k+3*(used[d]%own)]...)
			c.Words = strings.TrimSpace(c.Words + " " + d)
			used[d]++
		}
		out = append(out, c)
	}
	return out
}

// callHeard is what became of a call: its words, in pieces or not, and the confidence of the least sure one.
type callHeard struct {
	words string
	least float64
}

// hearCalls hears calls one after the other where numbers are expected, in a quiet room or with suction at 10 dB.
func hearCalls(t *testing.T, e *ctc.Engine, profile []byte, calls []recordings.Clip, suction bool) (out []callHeard) {
	rec, err := e.NewRecognizer()
	if profile != nil {
		rec, err = e.NewRecognizerFor(profile)
	}
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	evs, err := chart.Start(chart.Universal, "", nil, nil, chart.Meta{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.SetNet(exam.SpeechNet(grammar.NetOf(grammar.StateOf(st)))); err != nil {
		t.Fatal(err)
	}
	room, err := noise.Make("suction", 2001, 20)
	if err != nil {
		t.Fatal(err)
	}
	power := 0.0
	for _, s := range room {
		power += float64(s) * float64(s)
	}
	gain := 0.0
	if suction {
		gain = 1640 / math.Pow(10, 0.5) / math.Sqrt(power/float64(len(room))) // evened calls have a level of 1640
	}
	rng := rand.New(rand.NewPCG(1, 9))
	at := 0
	feed := func(pcm []int16, h *callHeard) {
		for len(pcm) > 0 {
			step := make([]int16, min(len(pcm), speech.Rate/50))
			for i := range step {
				step[i] = int16(min(max(float64(pcm[i])+gain*float64(room[at%len(room)])+32*rng.NormFloat64(), -32768), 32767))
				at++
			}
			pcm = pcm[len(step):]
			hyps, err := rec.Accept(step)
			if err != nil {
				t.Fatal(err)
			}
			if k := len(hyps) - 1; k >= 0 && hyps[k].Final && !hyps[k].Rejected {
				h.words = strings.TrimSpace(h.words + " " + hyps[k].Readings[0].Text())
				for _, w := range hyps[k].Readings[0].Words {
					h.least = min(h.least, w.Confidence)
				}
				h.least = min(h.least, hyps[k].Readings[0].Posterior)
			}
		}
	}
	feed(make([]int16, speech.Rate), &callHeard{})
	for _, c := range calls {
		h := callHeard{least: 1}
		feed(c.PCM, &h)
		feed(make([]int16, speech.Rate), &h)
		out = append(out, h)
	}
	return out
}

// taken are the takes of heard calls with words: those that were said if they were corrected or right, else what was heard.
func taken(calls []recordings.Clip, heard []callHeard) (takes []speech.Take, corrected int) {
	quiet := make([]int16, speech.Rate/4)
	for i, c := range calls {
		words := c.Words
		if heard != nil && heard[i].words != c.Words {
			if heard[i].least > sure { // nobody noticed: the worst case
				words = heard[i].words
			} else {
				corrected++
			}
		}
		takes = append(takes, speech.Take{Words: strings.Fields(words), PCM: slices.Concat(quiet, c.PCM, quiet)})
	}
	return takes, corrected
}

// sure is the confidence from which on the exam does not ask.
const sure = 0.99

// Learning: a voice reads 45 lines for a profile, or calls an exam of 56 places whose doubted errors are corrected and whose others are confirmed as they
// were heard, or both; then another exam of 60 calls is heard. No recording serves twice.
func TestAccuracyLearning(t *testing.T) {
	program.Measurement(t, "LEADSMAN_SPEECH=FOLDER LEADSMAN_VOICES=FOLDERS make accuracy")
	if speechFolder == "" {
		t.Skip("SKIPPED: LEADSMAN_SPEECH names no folder of real speech")
	}
	e := engineUnderTest(t)
	fmt.Println("| voice | learned from | held back and misheard: before, after | calls of 60 right: quiet, suction at 10 dB | wrong at more than 0.99 | right and doubted |\n|---|---|---|---|---|---|")
	for _, v := range learners(t) {
		judged := v.part(2, 60)
		row := func(name, how string, profile []byte) {
			right, silent, doubted := [2]int{}, [2]int{}, [2]int{}
			for room := range 2 {
				for i, h := range hearCalls(t, e, profile, judged, room == 1) {
					switch {
					case h.words == judged[i].Words:
						right[room]++
						if h.least <= sure {
							doubted[room]++
						}
					case h.least > sure:
						silent[room]++
					}
				}
			}
			fmt.Printf("| %s | %s | %s | %d, %d | %d, %d | %d, %d |\n", v.name, name, how, right[0], right[1], silent[0], silent[1], doubted[0], doubted[1])
		}
		learn := func(name string, onto []byte, takes []speech.Take) []byte {
			got, err := e.Enrol(t.Context(), onto, takes)
			how := fmt.Sprintf("%d, %d of %d (%d left out) %s", got.WrongBefore, got.WrongAfter, got.Words, got.Left, got.Why)
			if err != nil {
				how = err.Error()
			}
			if got.Profile == nil {
				got.Profile = onto
			}
			row(name, how, got.Profile)
			return got.Profile
		}
		row("nothing", "", nil)
		lines, _ := taken(v.part(0, 45), nil)
		read := learn("45 lines read", nil, lines)
		first := v.part(1, 56)
		takes, n := taken(first, hearCalls(t, e, nil, first, false))
		learn(fmt.Sprintf("an exam, %d corrected", n), nil, takes)
		if read != nil {
			takes, n = taken(first, hearCalls(t, e, read, first, false))
			learn(fmt.Sprintf("the lines and an exam, %d corrected", n), read, takes)
		}
	}
}
