package clinician

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"leadsman/speech"
	"leadsman/tests/recordings"
)

// Voice is somebody who says calls: takes of words and of whole phrases. Words that it lacks are borrowed.
type Voice struct {
	Name   string
	Kind   string               // recorded or synthetic
	Heard  string               // which part of the models' training heard it; "none"
	takes  map[string][][]int16 // by words, at voiceDB
	borrow *Voice
}

// voiceDB is the level of all speech, dB of full scale while it sounds.
const voiceDB = -24

// level brings a sound to a level over those 10 ms that lie within 35 dB of the loudest.
func level(pcm []int16, db float64) []int16 {
	const frame = speech.Rate / 100
	var powers []float64
	top := 0.0
	for i := 0; i+frame <= len(pcm); i += frame {
		sum := 0.0
		for _, s := range pcm[i : i+frame] {
			sum += float64(s) * float64(s)
		}
		powers = append(powers, sum/frame)
		top = max(top, sum/frame)
	}
	sum, n := 0.0, 0
	for _, p := range powers {
		if p > 0 && p >= top*math.Pow(10, -3.5) {
			sum += p
			n++
		}
	}
	if n == 0 {
		return pcm
	}
	gain := math.Pow(10, db/20) * math.MaxInt16 / math.Sqrt(sum/float64(n))
	return louder(pcm, gain)
}

func louder(pcm []int16, gain float64) []int16 {
	out := make([]int16, len(pcm))
	for i, s := range pcm {
		out[i] = clip(float64(s) * gain)
	}
	return out
}

func clip(v float64) int16 { return int16(math.Round(max(-32768, min(32767, v)))) }

// trim cuts what lies 40 dB and more below the loudest 10 ms at both ends, but for 20 ms.
func trim(pcm []int16) []int16 {
	const frame = speech.Rate / 100
	var powers []float64
	for i := 0; i+frame <= len(pcm); i += frame {
		sum := 0.0
		for _, s := range pcm[i : i+frame] {
			sum += float64(s) * float64(s)
		}
		powers = append(powers, sum)
	}
	if len(powers) == 0 {
		return pcm
	}
	top := slices.Max(powers)
	loud := func(p float64) bool { return p >= top*1e-4 }
	first := slices.IndexFunc(powers, loud)
	last := len(powers) - 1
	for !loud(powers[last]) {
		last--
	}
	return pcm[max(0, first-2)*frame : min(len(pcm), (last+3)*frame)]
}

// fade takes the click off the ends of a cut sound.
func fade(pcm []int16) []int16 {
	n := min(80, len(pcm)/2)
	for i := range n {
		g := float64(i) / float64(n)
		pcm[i] = int16(float64(pcm[i]) * g)
		pcm[len(pcm)-1-i] = int16(float64(pcm[len(pcm)-1-i]) * g)
	}
	return pcm
}

// faint is how many samples at the end of a sound lie so many decibels and more below its loudest 10 ms.
func faint(pcm []int16, db float64) int {
	const frame = speech.Rate / 100
	power := func(i int) (sum float64) {
		for _, s := range pcm[i*frame : (i+1)*frame] {
			sum += float64(s) * float64(s)
		}
		return sum
	}
	n, top := len(pcm)/frame, 0.0
	for i := range n {
		top = max(top, power(i))
	}
	last := n - 1
	for last > 0 && power(last) < top*math.Pow(10, -db/10) {
		last--
	}
	return len(pcm) - min(len(pcm), (last+1)*frame)
}

func (v *Voice) add(words string, pcm []int16) {
	v.takes[words] = append(v.takes[words], fade(level(trim(pcm), voiceDB)))
}

// owner is the voice that says some words: itself, or the one it borrows from; nil if neither can.
func (v *Voice) owner(words string) *Voice {
	for ; v != nil; v = v.borrow {
		if len(v.takes[words]) > 0 {
			return v
		}
	}
	return nil
}

// split cuts words into the phrases that the voice has, the longest first; ok is false if it lacks a word. Every other
// time, as r says, whole phrases of several numbers are passed by, so that words joined with pauses are heard too.
func (v *Voice) split(words []string, joined bool) (phrases []string, ok bool) {
	for i := 0; i < len(words); {
		n := min(len(words)-i, 4)
		for ; n > 0; n-- {
			key := strings.Join(words[i:i+n], " ")
			if n > 1 && joined && slices.Contains(units, words[i]) {
				continue
			}
			if o := v.owner(key); o != nil && (n == 1 || o == v || v.owner(words[i]) != v) {
				break
			}
		}
		if n == 0 {
			return nil, false
		}
		phrases = append(phrases, strings.Join(words[i:i+n], " "))
		i += n
	}
	return phrases, true
}

// mouthpiece says things in a voice, a new take each time.
type mouthpiece struct {
	voice *Voice
	last  map[string]int
	dry   bool // lengths count alone
}

// say gives a take of a phrase. Voices with few takes are varied a little in speed; all are in level.
func (m *mouthpiece) say(phrase string, r *rand.Rand) []int16 {
	takes := m.voice.owner(phrase).takes[phrase]
	k := r.IntN(len(takes))
	if was, said := m.last[phrase]; said && k == was && len(takes) > 1 {
		k = (k + 1 + r.IntN(len(takes)-1)) % len(takes)
	}
	m.last[phrase] = k
	pcm := takes[k]
	if speed := 1 + 0.04*(2*r.Float64()-1); m.dry {
		return pcm // a little longer or shorter: of no matter
	} else if len(takes) < 4 {
		pcm = resample(pcm, speed)
	}
	return louder(pcm, math.Pow(10, (3*r.Float64()-1.5)/20))
}

// resample plays a sound faster by a factor near 1.
func resample(pcm []int16, speed float64) []int16 {
	const reach = 8
	out := make([]int16, int(float64(len(pcm))/speed))
	for i := range out {
		at := float64(i) * speed
		k := int(at)
		sum := 0.0
		for j := k - reach + 1; j <= k+reach; j++ {
			if j < 0 || j >= len(pcm) {
				continue
			}
			x := at - float64(j)
			w := 1.0
			if x != 0 {
				w = math.Sin(math.Pi*x) / (math.Pi * x)
			}
			sum += float64(pcm[j]) * w * (0.5 + 0.5*math.Cos(math.Pi*x/(reach+1)))
		}
		out[i] = clip(sum)
	}
	return out
}

// Voices gives the voices by name: those of the repository, and those that voices.py has made, in folders. A voice
// in a folder adds to one of the same name. Whoever lacks a word borrows it from joe.
func Voices(folders ...string) (map[string]*Voice, error) {
	vs := voiceSet{}
	joe := vs.named("joe", "synthetic", "none")
	if err := joe.addCalls(); err != nil {
		return nil, err
	}
	if err := vs.addDigits(); err != nil {
		return nil, err
	}
	_, here, _, _ := runtime.Caller(0)
	for _, folder := range append([]string{filepath.Join(filepath.Dir(here), "testdata")}, folders...) {
		if err := vs.addFolder(folder); err != nil {
			return nil, err
		}
	}
	for _, v := range vs {
		if v != joe {
			v.borrow = joe
		}
	}
	return vs, nil
}

type voiceSet map[string]*Voice

// named is the voice of a name, a new one if there is none yet.
func (vs voiceSet) named(name, kind, heard string) *Voice {
	if vs[name] == nil {
		vs[name] = &Voice{Name: name, Kind: kind, Heard: heard, takes: map[string][][]int16{}}
	}
	return vs[name]
}

// addCalls adds joe's calls of the test recordings, and their words one by one where he reads a whole mouth.
func (v *Voice) addCalls() error {
	for _, name := range []string{"fullmouth-joe", "mouth-joe", "exam-joe"} {
		rec, err := recordings.Load(name)
		if err != nil {
			return err
		}
		for _, c := range rec.Calls {
			if c.Did == "chatter" || len(c.Times) == 0 {
				continue
			}
			v.add(c.Words, cut(rec.PCM, c.Start-0.03, c.End+0.03))
			if name != "fullmouth-joe" {
				continue
			}
			for _, w := range c.Times {
				v.add(w.Word, cut(rec.PCM, w.Start-0.02, w.End+0.02))
			}
		}
	}
	calls, err := recordings.Clips("calls-joe")
	for _, c := range calls {
		v.add(c.Words, c.PCM)
	}
	return err
}

// addDigits adds real digits of many people, and of the only one of them who says all ten.
func (vs voiceSet) addDigits() error {
	crowd, err := recordings.Clips("speech-commands")
	for _, c := range crowd {
		vs.named("crowd", "recorded", "none").add(c.Words, c.PCM)
		if c.Speaker == "gsc-51055bda" {
			vs.named(c.Speaker, "recorded", "none").add(c.Words, c.PCM)
		}
	}
	return err
}

// addFolder adds the voices that a folder lists in voices.tsv.
func (vs voiceSet) addFolder(folder string) error {
	rows, err := table(filepath.Join(folder, "voices.tsv"))
	if err != nil {
		return err
	}
	for _, row := range rows {
		pcm, err := recordings.Sound(filepath.Join(folder, row["file"]+".flac"))
		if err != nil {
			return err
		}
		takes, err := table(filepath.Join(folder, row["file"]+".tsv"))
		if err != nil {
			return err
		}
		v := vs.named(row["voice"], row["kind"], row["heard"])
		for _, t := range takes {
			start, err1 := strconv.ParseFloat(t["start"], 64)
			end, err2 := strconv.ParseFloat(t["end"], 64)
			if err1 != nil || err2 != nil || start < 0 || end <= start || end > float64(len(pcm))/speech.Rate+0.01 {
				return fmt.Errorf("%s: %s: %q to %q s of %.1f", folder, row["file"], t["start"], t["end"], float64(len(pcm))/speech.Rate)
			}
			v.add(t["words"], cut(pcm, start, end))
		}
	}
	return nil
}

// borrowed lists those of the words that a voice has to borrow.
func (v *Voice) borrowed(words []string) (out []string) {
	for _, w := range words {
		if len(v.takes[w]) == 0 {
			out = append(out, w)
		}
	}
	return out
}

func cut(pcm []int16, from, to float64) []int16 {
	return slices.Clone(pcm[max(0, int(from*speech.Rate)):min(len(pcm), int(to*speech.Rate))])
}

// table reads a file that is a table.
func table(path string) ([]map[string]string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return recordings.Table(path, text)
}
