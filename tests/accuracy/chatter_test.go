package accuracy

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// A stretch of speech that is not for the tool.
type stretch struct {
	group, path, speaker, source, licence string
	words                                 []string // none where nobody wrote them down
	seconds                               float64
}

// Who speaks: whether the acoustic models know the voices, by models/split.tsv.
const (
	strangers = "readers no model knows"
	words     = "single words, speakers no model knows"
	trained   = "readers of the training"
)

// stretches are up to so many minutes of read sentences, and single words that no call has, of all that is in the
// folder: first those of test speakers, then those of the training, shuffled.
func stretches(t testing.TB, minutes float64) []stretch {
	t.Helper()
	inCall := map[string]bool{}
	for _, w := range grammar.Vocabulary() {
		inCall[w] = true
	}
	split := roles(t)
	var all []stretch
	for _, m := range []struct{ folder, manifest string }{{"speech", "manifest-chatter.tsv"}, {"speech", "manifest.tsv"}, {"train", "manifest.tsv"},
		{"train", "manifest-librispeech-tc100.tsv"}} {
		for _, r := range table(t, filepath.Join(speechFolder, m.folder, m.manifest)) {
			s := stretch{path: filepath.Join(speechFolder, m.folder, r["path"]), speaker: r["speaker"], source: r["source"], licence: r["licence"],
				words: strings.FieldsFunc(strings.ToLower(r["transcript"]), func(c rune) bool { return !unicode.IsLetter(c) && c != '\'' })}
			seconds, err := strconv.ParseFloat(r["seconds"], 64)
			if err != nil {
				t.Fatal(m.manifest, r["path"], err)
			}
			s.seconds = seconds
			sentence := seconds > 1.5 && len(s.words) != 1
			switch role := split[s.speaker]; {
			case strings.HasPrefix(r["path"], "chatter/") && role == "test":
				s.group = strangers
			case strings.HasPrefix(r["path"], "speech-commands/") && role == "test" && !inCall[r["transcript"]]:
				s.group = words
			case (strings.HasPrefix(r["path"], "librispeech") || strings.HasPrefix(r["path"], "dctts/")) && sentence:
				s.group = trained
				if role == "test" {
					s.group = strangers
				}
			default:
				continue
			}
			all = append(all, s)
		}
	}
	rng := rand.New(rand.NewPCG(3, 29))
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	order := []string{strangers, words, trained}
	slices.SortStableFunc(all, func(a, b stretch) int { return cmp.Compare(slices.Index(order, a.group), slices.Index(order, b.group)) })
	sum := 0.0
	for i, s := range all {
		if sum += s.seconds; sum > 60*minutes {
			return all[:i+1]
		}
	}
	return all
}

// A chatterScene is about two minutes of one group, under one condition, in one state of the exam. Standing by, where only one
// call is listened for, every other scene is heard clean and the rest in noise; while numbers are called each is heard twice.
type chatterScene struct {
	group, state, condition string
	of                      []stretch
	seed                    int
	seconds                 float64 // of speech, without pauses and calls
}

// The states: while numbers are being called, and standing by.
const (
	numbersExpected = "numbers expected"
	standingBy      = "standing by"
)

func chatterScenes(all []stretch) (out []chatterScene) {
	for _, state := range []string{numbersExpected, standingBy} {
		for _, condition := range []string{"clean", "15 dB"} {
			var c chatterScene
			nth := 0
			done := func() {
				if len(c.of) == 0 {
					return
				}
				if nth++; state == standingBy && (nth%2 == 0) == (condition == "clean") {
					return
				}
				c.seed = len(out)
				out = append(out, c)
			}
			for _, s := range all {
				if s.group != c.group || c.seconds > 120 {
					done()
					c = chatterScene{group: s.group, state: state, condition: condition}
				}
				c.of = append(c.of, s)
				c.seconds += s.seconds
			}
			done()
		}
	}
	return out
}

// scene makes the sound: the stretches one after the other with pauses of 0.3 to 2.3 s, and, where numbers are expected, the
// examiner's calls between them, one for every 20 s of speech, so that the tool waits for the next number when a stretch begins.
func (c chatterScene) scene(calls []spoken) (scene, error) {
	s := scene{set: "chatter", condition: c.condition, numbering: chart.Universal, standby: c.state == standingBy}
	rng := rand.New(rand.NewPCG(uint64(c.seed), 29))
	pause := func() { s.pcm = append(s.pcm, make([]int16, int((0.3+2*rng.Float64())*speech.Rate))...) }
	since, n := 20.0, 0
	for _, of := range c.of {
		if since >= 20 && c.state == numbersExpected {
			pause()
			call := calls[n%len(calls)]
			from := len(s.pcm)
			s.pcm = append(s.pcm, evened(call.clips[0])...)
			s.said = append(s.said, said{int64(from) * 1000 / speech.Rate, int64(len(s.pcm)) * 1000 / speech.Rate, call.words, call.speaker})
			since, n = 0, n+1
		}
		pause()
		pcm, err := recordings.Sound(of.path)
		if err != nil {
			return s, err
		}
		s.others = append(s.others, other{int64(len(s.pcm)) * 1000 / speech.Rate, of})
		s.pcm = append(s.pcm, evened(pcm)...)
		since += of.seconds
	}
	pause()
	for i := range s.pcm {
		s.pcm[i] += int16(math.Round(rng.NormFloat64() * 32))
	}
	if c.condition != "clean" {
		n, err := noiseOf(c.seed)
		if err != nil {
			return s, err
		}
		if s.pcm, err = recordings.Mix(s.pcm, n, 15); err != nil {
			return s, err
		}
	}
	return s, nil
}

// An other is a stretch in a scene, and when it begins.
type other struct {
	from int64
	stretch
}

// contains reports whether the words of a call were said, in their order.
func (o other) contains(call string) bool {
	at := 0
	for _, w := range strings.Fields(call) {
		i := slices.Index(o.words[at:], w)
		if i < 0 {
			return false
		}
		at += i + 1
	}
	return true
}

// A chatterTally counts what was acted upon in a row of the table.
type chatterTally struct {
	seconds              float64
	acted, wrote, marked int // calls that nobody made; those that wrote values; those of them with a doubt
	chance               int // calls whose words were said, by chance
	said, heard          int // calls of the examiner between, and those heard as said
	faults               []string
}

func (c *chatterTally) sum(o *chatterTally) {
	c.seconds += o.seconds
	c.acted += o.acted
	c.wrote += o.wrote
	c.marked += o.marked
	c.chance += o.chance
	c.said += o.said
	c.heard += o.heard
}

func (c *chatterTally) add(s scene, seconds float64, calls []acted) {
	c.seconds += seconds
	c.said += len(s.said)
	own := make([][]string, len(s.said))
	for _, a := range calls {
		i := slices.IndexFunc(s.said, func(w said) bool { return a.from > w.from-350 && a.from < w.to+100 })
		if i >= 0 && a.to < s.said[i].to+400 {
			own[i] = append(own[i], a.words)
			continue
		}
		c.acted++
		if a.values > 0 {
			c.wrote++
			if a.doubted {
				c.marked++
			}
		}
		var during other
		for _, o := range s.others {
			if o.from < a.to {
				during = o
			}
		}
		if during.contains(a.words) {
			c.chance++
		}
		c.faults = append(c.faults, fmt.Sprintf("during %s, %s: %q, %s, confidence %.2f, doubt %t; said %q", filepath.Base(during.path), s.condition, a.words, a.did,
			a.confidence, a.doubted, strings.Join(during.words, " ")))
	}
	for i, w := range s.said {
		if strings.Join(own[i], " ") == w.words {
			c.heard++
		}
	}
}

// row gives the rates, and the rate that the true one stays under with a confidence of 95 %.
func (c *chatterTally) row() string {
	hours := c.seconds / 3600
	return fmt.Sprintf("%.1f | %d | %d | %.1f | %.1f | %d | %d | %d of %d |", c.seconds/60, c.acted, c.chance, float64(c.acted)/hours, atMost(c.acted)/hours, c.wrote, c.marked, c.heard, c.said)
}

// atMost is the mean of a Poisson distribution of which n or fewer come with a probability of 5 %.
func atMost(n int) float64 {
	lo, hi := 0.0, float64(10+3*n)
	for range 60 {
		mean := (lo + hi) / 2
		term, sum := math.Exp(-mean), 0.0
		for k := range n + 1 {
			sum += term
			term *= mean / float64(k+1)
		}
		if sum > 0.05 {
			lo = mean
		} else {
			hi = mean
		}
	}
	return hi
}

// Upper limits of counts: half of the chi-square quantiles 0.95 of 2, 4 and 12 degrees of freedom (5.991, 9.488 and 21.026 in
// any table of that distribution).
func TestAtMost(t *testing.T) {
	for n, want := range map[int]float64{0: 5.991 / 2, 1: 9.488 / 2, 5: 21.026 / 2} {
		if got := atMost(n); math.Abs(got-want) > 0.001 {
			t.Errorf("%d: %.4f, want %.4f", n, got, want)
		}
	}
}

// Speech that is not for the tool: read sentences and single words, clean and over noise, while numbers are being called and
// while the tool stands by. How many calls an hour of that speech are acted upon that nobody made?
//
//	LEADSMAN_MINUTES=60  so many minutes of speech, each heard three times (60 without it)
//	LEADSMAN_PART=2/3    the second of three parts: parts of a measure that has no time to run at once, or in processes of
//	                     their own; minutes and calls of the parts add up
func TestAccuracyChatter(t *testing.T) {
	program.Measurement(t, "LEADSMAN_SPEECH=folder make accuracy")
	if speechFolder == "" {
		t.Skip("SKIPPED: LEADSMAN_SPEECH names no folder of real speech")
	}
	minutes, part, parts := 60.0, 1, 1
	if s := os.Getenv("LEADSMAN_MINUTES"); s != "" {
		if _, err := fmt.Sscan(s, &minutes); err != nil || minutes <= 0 {
			t.Fatalf("LEADSMAN_MINUTES is %q: a number of minutes", s)
		}
	}
	if s := os.Getenv("LEADSMAN_PART"); s != "" {
		if _, err := fmt.Sscanf(s, "%d/%d", &part, &parts); err != nil || part < 1 || part > parts {
			t.Fatalf("LEADSMAN_PART is %q: a part as 1/2", s)
		}
	}
	all := stretches(t, minutes)
	about := map[string]map[string]float64{}
	for _, s := range all {
		key := fmt.Sprintf("%s: %s, %s", s.group, s.source, s.licence)
		if about[key] == nil {
			about[key] = map[string]float64{}
		}
		about[key][s.speaker] += s.seconds
	}
	var lines []string
	for key, by := range about {
		sum := 0.0
		for _, s := range by {
			sum += s
		}
		lines = append(lines, fmt.Sprintf("%s: %d speakers, %.1f minutes", key, len(by), sum/60))
	}
	slices.Sort(lines)
	fmt.Println(strings.Join(lines, "\n"))
	mouth := load(t, "fullmouth-joe")
	var calls []spoken
	for _, c := range mouth.Calls {
		calls = append(calls, spoken{c.Words, "joe", [][]int16{mouth.PCM[int(c.Start*speech.Rate):int(c.End*speech.Rate)]}})
	}
	var mine []chatterScene
	for i, c := range chatterScenes(all) {
		if i%parts == part-1 {
			mine = append(mine, c)
		}
	}
	engine := engineUnderTest(t)
	type heardScene struct {
		scene
		played
	}
	rows, total, done, found := map[[3]string]*chatterTally{}, 0.0, 0.0, 0
	for _, c := range mine {
		total += c.seconds
	}
	told := time.Now()
	inOrder(t, mine, func(c chatterScene) (h heardScene, err error) {
		if h.scene, err = c.scene(calls); err != nil {
			return h, err
		}
		h.played, err = play(engine, h.scene)
		h.pcm = nil
		return h, err
	}, func(c chatterScene, h heardScene) {
		key := [3]string{c.group, c.state, c.condition}
		if rows[key] == nil {
			rows[key] = &chatterTally{}
		}
		before := rows[key].acted
		rows[key].add(h.scene, c.seconds, h.calls)
		done, found = done+c.seconds, found+rows[key].acted-before
		if time.Since(told) > 2*time.Minute {
			fmt.Printf("chatter: %.0f of %.0f minutes, %d calls acted upon\n", done/60, total/60, found)
			told = time.Now()
		}
	})
	fmt.Println("| speech that is not for the tool | state | condition | minutes | calls acted upon | of them said by chance | an hour | an hour, at most (95 %) | wrote values | of them doubted | calls between, heard |\n" +
		"|---|---|---|---|---|---|---|---|---|---|---|")
	var between chatterTally
	for _, state := range []string{numbersExpected, standingBy} {
		var sentences chatterTally
		for _, group := range []string{strangers, trained, words} {
			for _, condition := range []string{"clean", "15 dB"} {
				r := rows[[3]string{group, state, condition}]
				if r == nil {
					continue
				}
				fmt.Printf("| %s | %s | %s | %s\n", group, state, condition, r.row())
				between.sum(r)
				if group != words {
					sentences.sum(r)
				}
				between.faults = append(between.faults, r.faults...)
			}
		}
		if sentences.seconds > 0 {
			fmt.Printf("| all readers | %s | both | %s\n", state, sentences.row())
		}
	}
	if os.Getenv("LEADSMAN_FAULTS") != "" {
		fmt.Println(strings.Join(between.faults, "\n"))
	}
	if between.heard < between.said/2 {
		t.Errorf("of the %d calls between only %d were heard: the measure says nothing", between.said, between.heard)
	}
}
