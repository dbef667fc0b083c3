package accuracy

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/speech/ctc"
	"leadsman/tests/noise"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// Speech of a folder that is too large for the project: LEADSMAN_SPEECH names it. It holds speech/ and train/, each
// with manifests "path transcript speaker source licence rate seconds" beside FLAC files (Free Spoken Digit
// Dataset, Speech Commands, LibriSpeech). Without it the clips of tests/recordings are measured alone.
var speechFolder = os.Getenv("LEADSMAN_SPEECH")

// The role of the speakers that are measured, in models/split.tsv: test, or dev while something is being chosen.
var role = cmp.Or(os.Getenv("LEADSMAN_ROLE"), "test")

// A scene is one recording in which everything that was said is known.
type scene struct {
	set, condition string
	numbering      chart.Numbering
	pcm            []int16
	said           []said
	others         []other // what is not for the tool
	standby        bool    // the exam stands by from the start
}

type said struct {
	from, to int64 // milliseconds; to is the end of the last word
	words    string
	speaker  string
}

// An acted is a call that the program acted upon.
type acted struct {
	from, to, at int64 // begin and end of its words, and when it was durable: milliseconds of sound
	words        string
	did          chart.Verb
	confidence   float64
	doubted      bool
	values       int // written: numbers, flags, grades
}

// played is what became of a scene.
type played struct {
	calls []acted
	state *chart.State
}

// play gives a scene to an exam as a microphone would, 20 ms at a time.
func play(engine speech.Engine, s scene) (p played, err error) {
	ctx, now := context.Background(), int64(0)
	log := &exam.Memory{}
	if err := exam.Start(ctx, log, s.numbering, "arch", nil, nil, 0, ""); err != nil {
		return p, err
	}
	e, err := exam.Open(ctx, exam.Config{ID: s.set, Log: log, Engine: engine, Now: func() int64 { return now }})
	if err != nil {
		return p, err
	}
	defer e.Close()
	if s.standby {
		if _, err := e.Words(ctx, "stand by", exam.Caller{}, ""); err != nil {
			return p, err
		}
	}
	mic, err := e.OpenMic(s.set, false)
	if err != nil {
		return p, err
	}
	const step = speech.Rate / 50
	for at := 0; at < len(s.pcm); at += step {
		end := min(at+step, len(s.pcm))
		now = int64(end) * 1000 / speech.Rate
		if _, err := mic.Write(int64(at), s.pcm[at:end]); err != nil {
			return p, err
		}
	}
	if err := mic.Close(); err != nil {
		return p, err
	}
	if p.state, err = chart.Fold(log.Events); err != nil {
		return p, err
	}
	place := map[uint64]int{}
	for _, ev := range log.Events {
		switch {
		case ev.Kind == chart.KindCall && ev.Source == chart.Voice && ev.Refused == "":
			place[ev.Seq] = len(p.calls)
			p.calls = append(p.calls, acted{from: ev.StartMS, to: ev.EndMS, at: ev.Time, words: ev.Words, did: ev.Did, confidence: ev.Confidence})
		case ev.Kind == chart.KindDoubt:
			if i, ok := place[ev.Call]; ok {
				p.calls[i].doubted = true
			}
		case ev.Kind == chart.KindSet || ev.Kind == chart.KindTooth:
			if i, ok := place[ev.Call]; ok {
				p.calls[i].values++
			}
		}
	}
	return p, nil
}

// A tally sums up a set under one condition.
type tally struct {
	calls, right         int
	numbers, wrong, lost int // of single numbers: heard as another, or not heard at all
	silent               int // wrong or displaced, and no doubt beside it
	doubts               int // right calls that were marked
	apart                int // calls that were acted upon in pieces, right or wrong: numbers in pieces add up
	cut                  int // wrong calls of which nothing more came after the last word had ended: their end was lost
	waits                []float64
	bySpeaker            map[string][2]int // right, calls
	beliefs              []belief
	faults               []string
}

func (t *tally) add(s scene, calls []acted) {
	if t.bySpeaker == nil {
		t.bySpeaker = map[string][2]int{}
	}
	for _, c := range s.said {
		var heard []string
		doubted, last := false, int64(0)
		pieces := 0
		for _, a := range calls {
			if a.from > c.from-350 && a.from < c.to+100 {
				pieces++
				heard = append(heard, strings.Fields(a.words)...)
				doubted = doubted || a.doubted
				t.beliefs = append(t.beliefs, belief{a.confidence, strings.Contains(" "+c.words+" ", " "+a.words+" ")})
				last = a.at
			}
		}
		want := strings.Fields(c.words)
		if pieces > 1 {
			t.apart++
		}
		if last > 0 && last < c.to && !slices.Equal(heard, want) {
			t.cut++
		}
		t.calls++
		t.numbers += len(want)
		by := t.bySpeaker[c.speaker]
		by[1]++
		if slices.Equal(heard, want) {
			t.right++
			by[0]++
			if doubted {
				t.doubts++
			}
			t.waits = append(t.waits, float64(last-c.to))
		} else {
			wrong := len(want)
			if len(heard) == len(want) {
				wrong = 0
				for i := range want {
					if heard[i] != want[i] {
						wrong++
					}
				}
				t.wrong += wrong
			} else {
				t.lost += max(1, len(want)-len(heard))
			}
			if len(heard) > 0 && !doubted {
				t.silent += wrong
			}
			t.faults = append(t.faults, fmt.Sprintf("%s %s %.2f s, %s: heard %q, said %q, doubt %t", s.set, s.condition, float64(c.from)/1000, c.speaker,
				strings.Join(heard, " "), c.words, doubted))
		}
		t.bySpeaker[c.speaker] = by
	}
}

func (t *tally) row() string {
	var shares []float64
	for _, v := range t.bySpeaker {
		if v[1] >= 5 {
			shares = append(shares, 100*float64(v[0])/float64(v[1]))
		}
	}
	slices.Sort(shares)
	speakers := "-"
	if len(shares) > 0 {
		speakers = fmt.Sprintf("%.0f, %.0f", shares[0], shares[len(shares)/2])
	}
	slices.Sort(t.waits)
	wait := func(q float64) float64 { return t.waits[min(len(t.waits)-1, int(q*float64(len(t.waits))))] }
	times := "-"
	if len(t.waits) > 0 {
		times = fmt.Sprintf("%.0f, %.0f", wait(0.5), wait(0.95))
	}
	return fmt.Sprintf("%d | %.1f | %s | %d | %d | %d | %.1f | %.1f | %.1f | %.1f | %s |", t.calls, 100*float64(t.right)/float64(t.calls), speakers,
		t.numbers, t.wrong, t.lost, 1000*float64(t.silent)/float64(t.numbers), 100*float64(t.doubts)/float64(max(t.right, 1)),
		100*float64(t.apart)/float64(t.calls), 100*float64(t.cut)/float64(t.calls), times)
}

const tallyHead = "| set | condition | calls | whole, % | worst and median speaker, % | numbers | wrong | lost | silent of 1000 | right but doubted, % | in pieces, % | end lost, % | wait ms, median and 95 % |\n" +
	"|---|---|---|---|---|---|---|---|---|---|---|---|---|"

// spoken has a clip for each word of a call, or one for all of them.
type spoken struct {
	words, speaker string
	clips          [][]int16
}

// conditionOf names a ratio of speech to noise; 0 means none.
func conditionOf(ratio float64) string {
	if ratio == 0 {
		return "clean"
	}
	return fmt.Sprintf("%2.0f dB", ratio)
}

// scenes puts calls between pauses of 1.1 to 1.5 s, ten to a scene, over a background 60 dB under full scale, and mixes
// noise in: a ratio of 0 means none. Same input, same scenes.
func scenes(set string, calls []spoken, ratio float64) ([]scene, error) {
	condition := conditionOf(ratio)
	rng := rand.New(rand.NewPCG(uint64(len(calls)), 17))
	var out []scene
	for group := range slices.Chunk(calls, 10) {
		s := scene{set: set, condition: condition, numbering: chart.Universal}
		pause := func(seconds float64) { s.pcm = append(s.pcm, make([]int16, int(seconds*speech.Rate))...) }
		pause(1)
		for _, c := range group {
			from := int64(-1)
			var to int64
			for i, clip := range c.clips {
				if i > 0 {
					pause(0.02 + 0.2*rng.Float64())
				}
				a, b := bounds(clip)
				begin := len(s.pcm)
				s.pcm = append(s.pcm, evened(clip)...)
				if from < 0 {
					from = int64(begin+a) * 1000 / speech.Rate
				}
				to = int64(begin+b) * 1000 / speech.Rate
			}
			s.said = append(s.said, said{from, to, c.words, c.speaker})
			pause(1.1 + 0.4*rng.Float64())
		}
		for i := range s.pcm {
			s.pcm[i] += int16(math.Round(rng.NormFloat64() * 32))
		}
		if ratio > 0 {
			n, err := noiseOf(len(out))
			if err != nil {
				return nil, err
			}
			if s.pcm, err = recordings.Mix(s.pcm, n, ratio); err != nil {
				return nil, err
			}
		}
		out = append(out, s)
	}
	return out, nil
}

// noiseOf gives the recorded noises and those of a treatment room in turn.
func noiseOf(n int) ([]int16, error) {
	names, err := recordings.Noises()
	if err != nil {
		return nil, err
	}
	all := len(names) + len(noise.Kinds)
	if n %= all; n < len(names) {
		return recordings.Noise(names[n])
	}
	return noise.Make(noise.Kinds[n-len(names)], 11, 8)
}

// bounds is where a clip is within 30 dB of its loudest 10 ms: first and last sample.
func bounds(pcm []int16) (from, to int) {
	const frame = speech.Rate / 100
	power := func(i int) (sum float64) {
		for _, v := range pcm[i:min(i+frame, len(pcm))] {
			sum += float64(v) * float64(v)
		}
		return sum
	}
	top := 0.0
	for i := 0; i < len(pcm); i += frame {
		top = max(top, power(i))
	}
	from = -1
	for i := 0; i < len(pcm); i += frame {
		if power(i) >= top/1000 {
			if from < 0 {
				from = i
			}
			to = min(i+frame, len(pcm))
		}
	}
	return max(from, 0), to
}

// evened is a clip with its loud part at 26 dB under full scale, so that clips of many microphones can be joined.
func evened(pcm []int16) []int16 {
	a, b := bounds(pcm)
	sum := 1.0
	for _, v := range pcm[a:b] {
		sum += float64(v) * float64(v)
	}
	gain := min(1640/math.Sqrt(sum/float64(max(b-a, 1))), 20)
	out := make([]int16, len(pcm))
	for i, v := range pcm {
		out[i] = int16(min(max(math.Round(gain*float64(v)), -32768), 32767))
	}
	return out
}

// trimmed is a clip with little more than its word.
func trimmed(pcm []int16) []int16 {
	a, b := bounds(pcm)
	const margin = speech.Rate / 25
	return pcm[max(0, a-margin):min(len(pcm), b+margin)]
}

// table returns the rows of a file of tab-separated columns by the names in its head.
func table(t testing.TB, path string) []map[string]string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(string(text), "\n"), "\n")
	head := strings.Split(lines[0], "\t")
	var rows []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for i, cell := range strings.Split(line, "\t") {
			row[head[i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// roles gives the role of every speaker in models/split.tsv.
func roles(t testing.TB) map[string]string {
	out := map[string]string{}
	for _, r := range table(t, filepath.Join("..", "..", "models", "split.tsv")) {
		if r["kind"] == "speaker" {
			out[r["name"]] = r["role"]
		}
	}
	return out
}

var digits = strings.Fields("zero one two three four five six seven eight nine")

// noDigit are clips of test speakers that hold no whole digit, left out of tests/recordings too: one is silent but for a
// click, one ends inside its word.
var noDigit = []string{"speech-commands/one/82d0d3ba_0.flac", "speech-commands/two/51055bda_4.flac"}

// clipsOf reads the clips of a manifest whose speaker has the role and whose words satisfy keep.
func clipsOf(t testing.TB, manifest string, keep func(path string, words []string) bool) []recordings.Clip {
	t.Helper()
	split := roles(t)
	var out []recordings.Clip
	for _, r := range table(t, filepath.Join(speechFolder, "speech", manifest)) {
		if split[r["speaker"]] != role || !keep(r["path"], strings.Fields(r["transcript"])) {
			continue
		}
		pcm, err := recordings.Sound(filepath.Join(speechFolder, "speech", r["path"]))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, recordings.Clip{Words: r["transcript"], Speaker: r["speaker"], PCM: pcm})
	}
	if len(out) == 0 {
		t.Fatalf("no clips of %s speakers in %s", role, manifest)
	}
	return out
}

// lone makes a call of each clip.
func lone(clips []recordings.Clip) (out []spoken) {
	for _, c := range clips {
		out = append(out, spoken{c.Words, c.Speaker, [][]int16{c.PCM}})
	}
	return out
}

// strung joins clips of one speaker to calls of 2 to 6 numbers, most of them 3.
func strung(clips []recordings.Clip, count int) (out []spoken) {
	by := map[string][]recordings.Clip{}
	for _, c := range clips {
		by[c.Speaker] = append(by[c.Speaker], c)
	}
	var names []string
	for n, cs := range by {
		if len(cs) >= 3 {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	rng := rand.New(rand.NewPCG(5, 23))
	for i := range count {
		cs := by[names[i%len(names)]]
		s := spoken{speaker: cs[0].Speaker}
		var words []string
		for range []int{3, 3, 2, 3, 4, 3, 6}[i%7] {
			c := cs[rng.IntN(len(cs))]
			words = append(words, c.Words)
			s.clips = append(s.clips, trimmed(c.PCM))
		}
		s.words = strings.Join(words, " ")
		out = append(out, s)
	}
	return out
}

// engineUnderTest is the shipped model, or the one in the folder LEADSMAN_MODEL.
func engineUnderTest(t testing.TB) *ctc.Engine {
	t.Helper()
	if engine := os.Getenv("LEADSMAN_ENGINE"); engine != "" {
		t.Skipf("measures the default engine, and %s was asked for", engine)
	}
	bin := filepath.Dir(program.Path(t))
	e, err := ctc.Open(ctc.Options{ModelDir: cmp.Or(os.Getenv("LEADSMAN_MODEL"), filepath.Join(bin, "models")), Library: filepath.Join(bin, "libonnxruntime.so")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e
}

// each plays scenes on all cores and hands over the results in order.
func each(t testing.TB, engine speech.Engine, all []scene, then func(scene, played)) {
	t.Helper()
	inOrder(t, all, func(s scene) (played, error) { return play(engine, s) }, then)
}

// What one measure has played the next need not play again.
var playedSets = map[string][]played{}

// eachOf plays a set under a condition with the engine under test.
func eachOf(t testing.TB, engine speech.Engine, set string, calls []spoken, ratio float64, then func(scene, played)) {
	t.Helper()
	all, err := scenes(set, calls, ratio)
	if err != nil {
		t.Fatal(err)
	}
	key := set + ", " + all[0].condition
	if known := playedSets[key]; known != nil {
		for i, s := range all {
			then(s, known[i])
		}
		return
	}
	var out []played
	each(t, engine, all, func(s scene, p played) {
		out = append(out, p)
		then(s, p)
	})
	playedSets[key] = out
}

// speechSets are the calls of the sets by their names.
func speechSets(t testing.TB) map[string][]spoken {
	t.Helper()
	sets := map[string][]spoken{}
	if speechFolder == "" {
		for _, set := range []string{"speech-commands", "nicolas-groups"} {
			clips, err := recordings.Clips(set)
			if err != nil {
				t.Fatal(err)
			}
			sets[set] = lone(clips)
		}
	} else {
		isDigits := func(words []string) bool {
			return !slices.ContainsFunc(words, func(w string) bool { return !slices.Contains(digits, w) })
		}
		crowd := clipsOf(t, "manifest.tsv", func(path string, words []string) bool {
			return strings.HasPrefix(path, "speech-commands/") && isDigits(words) && !slices.Contains(noDigit, path)
		})
		sets["digits"] = lone(crowd)
		sets["strings of the crowd"] = strung(crowd, 70)
		sets["digits, 8 kHz"] = lone(clipsOf(t, "manifest.tsv", func(path string, words []string) bool {
			h := fnv.New32()
			h.Write([]byte(path))
			return strings.HasPrefix(path, "fsdd/") && h.Sum32()%5 == 0
		}))
		sets["groups, 8 kHz"] = lone(clipsOf(t, "manifest-groups.tsv", func(string, []string) bool { return true }))
	}
	return sets
}

// Isolated digits and strings of 2 to 6 of speakers that the model never heard, clean and in noise.
func TestAccuracySets(t *testing.T) {
	program.Measurement(t, "make accuracy")
	sets := speechSets(t)
	var names []string
	for name := range sets {
		if only := os.Getenv("LEADSMAN_SET"); only == "" || name == only {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	engine := engineUnderTest(t)
	fmt.Println(tallyHead)
	var beliefs []belief
	for _, name := range names {
		for _, ratio := range []float64{0, 20, 10, 5} {
			var sum tally
			condition := ""
			eachOf(t, engine, name, sets[name], ratio, func(s scene, p played) {
				condition = s.condition
				sum.add(s, p.calls)
			})
			beliefs = append(beliefs, sum.beliefs...)
			fmt.Printf("| %s | %s | %s\n", name, condition, sum.row())
			if os.Getenv("LEADSMAN_FAULTS") != "" {
				fmt.Println(strings.Join(sum.faults, "\n"))
			}
		}
	}
	fmt.Print("\n", reliability(beliefs))
}
