package accuracy

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
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

// Words that could call another tooth.
var jumpWords = []string{"tooth", "position", "location", "station", "go to", "jump to", "move to", "proceed", "number", "place", "at", "change",
	"navigate", "resume"}

// Pronunciations of candidates that no call has.
const jumpLexicon = `position	P AH Z IH SH AH N
location	L OW K EY SH AH N
station	S T EY SH AH N
jump	JH AH M P
move	M UW V
proceed	P R AH S IY D | P R OW S IY D
navigate	N AE V AH G EY T | N AE V IH G EY T
`

// Universal teeth that are called, and numbers that are not calls of a tooth.
var (
	jumpTeeth   = []int{3, 8, 10, 14, 22}
	jumpNumbers = []string{"two", "four", "eight", "two ten", "two fourteen", "two three four", "two two three", "two one six", "ten five six",
		"eight five six", "eight two two", "three two four"}
)

// A jumpVoice says words; heard is what of it the model heard in training.
type jumpVoice struct {
	name, heard string
	accent      bool
	say         func(words, file string) *exec.Cmd // nil: by say.py
}

func jumpVoices(t *testing.T) []jumpVoice {
	const train, none = "trained on", "never heard"
	var vs []jumpVoice
	for _, v := range []string{"en-us", "en-gb", "en-gb-scotland"} {
		vs = append(vs, jumpVoice{"espeak " + v, train, false, func(words, file string) *exec.Cmd {
			return exec.Command("espeak-ng", "-v", v, "-s", "155", "-w", file, words)
		}})
	}
	for _, v := range []string{"slt", "awb", "kal", "rms"} {
		vs = append(vs, jumpVoice{"flite " + v, map[bool]string{true: none, false: train}[v == "slt"], false, func(words, file string) *exec.Cmd {
			return exec.Command("flite", "-voice", v, "-t", words, "-o", file)
		}})
	}
	spelt, languages := accentsOf(t)
	for i, l := range languages {
		vs = append(vs, jumpVoice{"accent " + l, "digits trained on", true, func(words, file string) *exec.Cmd {
			var said []string
			for _, w := range strings.Fields(words) {
				if spelt[w] == nil {
					t.Fatalf("testdata/accents.tsv lacks %q", w)
				}
				said = append(said, spelt[w][i])
			}
			return exec.Command("espeak-ng", "-v", l, "-s", "150", "-w", file, strings.Join(said, " "))
		}})
	}
	if os.Getenv("LEADSMAN_PYTHON") != "" {
		for _, v := range []string{"joe", "pico"} {
			vs = append(vs, jumpVoice{name: v, heard: none})
		}
	}
	return vs
}

// accentsOf reads testdata/accents.tsv: each word as each of the languages spells it.
func accentsOf(t *testing.T) (spelt map[string][]string, languages []string) {
	b, err := os.ReadFile("testdata/accents.tsv")
	if err != nil {
		t.Fatal(err)
	}
	spelt = map[string][]string{}
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		f := strings.Split(line, "\t")
		switch {
		case strings.HasPrefix(line, "#"):
		case f[0] == "word":
			languages = f[1:]
		default:
			spelt[f[0]] = f[1:]
		}
	}
	return spelt, languages
}

// saidBy gives the sound of words in a voice.
type saidBy map[string][]int16

// sayAll has all voices say texts. What was said once is kept in bin/jump-voices.
func sayAll(t *testing.T, vs []jumpVoice, texts []string) map[string]saidBy {
	t.Helper()
	folder := filepath.Join(filepath.Dir(program.Path(t)), "jump-voices")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	var lines bytes.Buffer
	file := func(v jumpVoice, text string) string {
		return filepath.Join(folder, strings.ReplaceAll(v.name+" "+text, " ", "-")+".wav")
	}
	for _, v := range vs {
		for _, text := range texts {
			to := file(v, text)
			if _, err := os.Stat(to); err == nil {
				continue
			}
			if v.say == nil {
				fmt.Fprintf(&lines, "%s\t%s\t%s\n", v.name, text, to)
				continue
			}
			cmd := v.say(text, to)
			if cmd.Err != nil {
				t.Skipf("its voices are needed: apt-get install espeak-ng flite (%v)", cmd.Err)
			}
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%s, %q: %v\n%s", v.name, text, err, out)
			}
		}
	}
	if lines.Len() > 0 {
		python := exec.Command(os.Getenv("LEADSMAN_PYTHON"), "../recordings/say.py")
		python.Stdin = &lines
		if out, err := python.CombinedOutput(); err != nil {
			t.Fatalf("say.py: %v\n%s", err, out)
		}
	}
	sounds := map[string]saidBy{}
	for _, v := range vs {
		sounds[v.name] = saidBy{}
		for _, text := range texts {
			pcm, _, err := speech.ReadWAVFile(file(v, text))
			if err != nil {
				t.Fatal(err)
			}
			from, to := bounds(pcm)
			pcm = slices.Clone(pcm[max(0, from-480):min(len(pcm), to+480)])
			top := 1.0
			for _, s := range pcm {
				top = max(top, math.Abs(float64(s)))
			}
			for i, s := range pcm {
				pcm[i] = int16(float64(s) * 10000 / top)
			}
			sounds[v.name][text] = pcm
		}
	}
	return sounds
}

// inRoom puts a clip into a room: clean, or one of three noises in turn at a ratio in dB; 0.5 s before it and 1.3 s behind.
func inRoom(clip []int16, n int, ratio float64) (pcm []int16, err error) {
	pcm = slices.Concat(make([]int16, speech.Rate/2), clip, make([]int16, speech.Rate*13/10))
	rng := rand.New(rand.NewPCG(uint64(n), 17))
	for i := range pcm {
		pcm[i] += int16(math.Round(rng.NormFloat64() * 20))
	}
	if ratio == 0 {
		return pcm, nil
	}
	var other []int16
	switch n % 3 {
	case 0:
		other, err = recordings.Noise("running-tap")
	case 1:
		other, err = recordings.Noise("babble8")
	default:
		other, err = noise.Make("suction", 11, 8)
	}
	if err != nil {
		return nil, err
	}
	return recordings.Mix(pcm, other, ratio)
}

// A jumpTry is one clip that an exam hears which stands at tooth 5 buccal, all three numbers open, those of tooth 4 known.
type jumpTry struct {
	voice, said string
	tooth       int // Universal; 0: numbers were said
	clip        []int16
	n           int
	ratio       float64
}

// What came of it.
const (
	didRight = iota
	didElsewhere
	didNumbers
	didNothing
	didOther
)

func (k jumpTry) play(engine speech.Engine, terms *grammar.Terms) (did int, heard string, err error) {
	pcm, err := inRoom(k.clip, k.n, k.ratio)
	if err != nil {
		return 0, "", err
	}
	ctx, log := context.Background(), &exam.Memory{}
	start := chart.Place{Tooth: 15, Aspect: chart.Buccal}
	if err := exam.Start(ctx, log, chart.Universal, "arch", &start, nil, 1, ""); err != nil {
		return 0, "", err
	}
	ex, err := exam.Open(ctx, exam.Config{ID: "jump", Log: log, Engine: engine, Terms: terms, Now: func() int64 { return 1 }})
	if err != nil {
		return 0, "", err
	}
	defer ex.Close()
	// What is said of a sounding, like a margin, has one to belong to.
	if _, err := ex.Words(ctx, "3 2 4", exam.Caller{}, ""); err != nil {
		return 0, "", err
	}
	mic, err := ex.OpenMic("jump", false)
	if err != nil {
		return 0, "", err
	}
	for at := 0; at < len(pcm); at += speech.Rate / 50 {
		if _, err := mic.Write(int64(at), pcm[at:min(len(pcm), at+speech.Rate/50)]); err != nil {
			return 0, "", err
		}
	}
	if err := mic.Flush(); err != nil {
		return 0, "", err
	}
	if err := mic.Close(); err != nil {
		return 0, "", err
	}
	if err := ex.Close(); err != nil {
		return 0, "", err
	}
	var went []chart.Tooth
	var numbers []string
	var words []string
	other := false
	for _, ev := range log.Events {
		switch {
		case ev.Kind == chart.KindCall && ev.Source == chart.Voice:
			words = append(words, ev.Words)
		case len(words) == 0 || ev.Kind == chart.KindCall:
		case ev.Kind == chart.KindMove && ev.Jump:
			went = append(went, ev.Tooth)
		case ev.Kind == chart.KindSet && ev.Sounding:
			numbers = append(numbers, strconv.Itoa(*ev.Value/2))
		case ev.Kind == chart.KindMove || ev.Kind == chart.KindDoubt:
		default:
			other = true
		}
	}
	heard = strings.Join(words, " | ")
	var target chart.Tooth
	if k.tooth > 0 {
		if target, err = chart.ParseTooth(strconv.Itoa(k.tooth), chart.Universal); err != nil {
			return 0, "", err
		}
	}
	switch {
	case len(numbers) > 0 && k.tooth == 0 && heard == k.said:
		did = didRight
	case len(numbers) > 0:
		did = didNumbers
	case len(went) == 1 && went[0] == target:
		did = didRight
	case len(went) > 0:
		did = didElsewhere
	case other:
		did = didOther
	default:
		did = didNothing
	}
	return did, heard, nil
}

// partOf takes about every n-th of tries at random, the same for every word, if LEADSMAN_JUMP_PART is n.
func partOf(all []jumpTry) (some []jumpTry) {
	n, err := strconv.Atoi(os.Getenv("LEADSMAN_JUMP_PART"))
	if err != nil || n < 2 {
		return all
	}
	rng := rand.New(rand.NewPCG(5, uint64(len(all))))
	for _, k := range all {
		if rng.IntN(n) == 0 {
			some = append(some, k)
		}
	}
	return some
}

// termsOf gives a word the meaning of "tooth" unless the grammar has it as that.
func termsOf(t *testing.T, word string) *grammar.Terms {
	st := grammar.State{Numbering: chart.Universal, Open: 3, Listening: true}
	said := strings.Fields(word)
	if r, err := grammar.Parse(st, append(slices.Clone(said), "three")); err == nil && r.Command.Verb() == chart.VerbGo {
		return nil
	}
	terms, err := grammar.NewTerms([]grammar.Synonym{{Said: said, Means: []string{"tooth"}}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return terms
}

// Which word calls another tooth best? Each candidate is said with tooth numbers, in voices of several programs and accents, clean and
// in noise, to an exam that expects three numbers; and numbers are said to an exam that knows the candidate. Dangerous is a jump
// that is entered as numbers, and numbers that are taken for a jump. LEADSMAN_PYTHON, a Python that has tests/recordings/requirements.txt,
// adds the two voices that no training heard; LEADSMAN_JUMP=WORD,WORD measures these only,
// LEADSMAN_JUMP_PART=N a part of the clips.
func TestAccuracyJump(t *testing.T) {
	program.Measurement(t, "make accuracy")
	if engine := os.Getenv("LEADSMAN_ENGINE"); engine != "" {
		t.Skipf("measures the default engine, and %s was asked for", engine)
	}
	bin := filepath.Dir(program.Path(t))
	e, err := ctc.Open(ctc.Options{ModelDir: cmp.Or(os.Getenv("LEADSMAN_MODEL"), filepath.Join(bin, "models")), Library: filepath.Join(bin, "libonnxruntime.so"),
		Lexicon: strings.NewReader(jumpLexicon)})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	words := jumpWords
	if only := os.Getenv("LEADSMAN_JUMP"); only != "" {
		words = strings.Split(only, ",")
	}
	vs := jumpVoices(t)
	texts := slices.Clone(jumpNumbers)
	call := func(word string, tooth int) string {
		return word + " " + map[int]string{3: "three", 8: "eight", 10: "ten", 14: "fourteen", 22: "twenty two"}[tooth]
	}
	for _, w := range words {
		for _, tooth := range jumpTeeth {
			texts = append(texts, call(w, tooth))
		}
	}
	sounds := sayAll(t, vs, texts)
	var names []string
	for _, v := range vs {
		names = append(names, v.name+" ("+v.heard+")")
	}
	fmt.Printf("Voices: %s\n\n", strings.Join(names, ", "))
	fmt.Println("| word | calls | right, % | right clean, 10, 5 dB | right English, accents | as numbers, % | wrong tooth, % | other, % | nothing, % | numbers said | taken for a jump | other than said | not understood |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|")
	var faults []string
	for _, w := range words {
		terms := termsOf(t, w)
		var calls, numbers []jumpTry
		accent := map[string]bool{}
		rng := rand.New(rand.NewPCG(2, 3)) // the same for every word
		for _, v := range vs {
			accent[v.name] = v.accent
			for _, tooth := range jumpTeeth {
				for _, ratio := range []float64{0, 10, 5} {
					calls = append(calls, jumpTry{v.name, call(w, tooth), tooth, sounds[v.name][call(w, tooth)], rng.IntN(999), ratio})
				}
			}
			for _, text := range jumpNumbers {
				numbers = append(numbers, jumpTry{v.name, text, 0, sounds[v.name][text], rng.IntN(999), []float64{0, 10, 5}[rng.IntN(3)]})
			}
		}
		calls, numbers = partOf(calls), partOf(numbers)
		type result struct {
			did   int
			heard string
		}
		play := func(k jumpTry) (result, error) {
			did, heard, err := k.play(e, terms)
			return result{did, heard}, err
		}
		did, other := [5]int{}, [5]int{}
		by := map[string][2]int{}
		count := func(group string, right bool) {
			n := by[group]
			n[1]++
			if right {
				n[0]++
			}
			by[group] = n
		}
		inOrder(t, calls, play, func(k jumpTry, r result) {
			did[r.did]++
			count(conditionOf(k.ratio), r.did == didRight)
			count(map[bool]string{true: "accents", false: "English"}[accent[k.voice]], r.did == didRight)
			count(k.voice, r.did == didRight)
			if r.did == didNumbers || r.did == didElsewhere || r.did == didOther {
				faults = append(faults, fmt.Sprintf("%s, %s: said %q, heard %q", k.voice, conditionOf(k.ratio), k.said, r.heard))
			}
		})
		inOrder(t, numbers, play, func(k jumpTry, r result) {
			other[r.did]++
			if r.did == didElsewhere {
				faults = append(faults, fmt.Sprintf("%s, %s: with %q in the grammar, said %q, heard %q", k.voice, conditionOf(k.ratio), w, k.said, r.heard))
			}
		})
		share := func(n, of int) string { return strconv.FormatFloat(100*float64(n)/float64(of), 'f', 1, 64) }
		of := func(groups ...string) string {
			var out []string
			for _, g := range groups {
				out = append(out, share(by[g][0], by[g][1]))
			}
			return strings.Join(out, ", ")
		}
		n := len(calls)
		fmt.Printf("| %s | %d | %s | %s | %s | %s | %s | %s | %s | %d | %d | %d | %d |\n", w, n, share(did[didRight], n), of(conditionOf(0), conditionOf(10), conditionOf(5)),
			of("English", "accents"), share(did[didNumbers], n), share(did[didElsewhere], n), share(did[didOther], n), share(did[didNothing], n),
			len(numbers), other[didElsewhere], other[didNumbers]+other[didOther], other[didNothing])
		for _, v := range vs {
			faults = append(faults, fmt.Sprintf("%s: %s: %d of %d right", w, v.name, by[v.name][0], by[v.name][1]))
		}
		// No word may be worse than the one that was there before.
		if w == "number" && did[didNumbers]*20 > n {
			t.Errorf("%d of %d calls with %q were entered as numbers", did[didNumbers], n, w)
		}
	}
	fmt.Println("\n" + strings.Join(faults, "\n"))
}
