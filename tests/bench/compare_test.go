// Package bench compares recognizers on the same sound in one run: the default engine, Vosk with an English model
// where there is one, and the full decoder of Whisper tiny.en.
//
//	make bench VOSK_MODEL=FOLDER COMPARE=1
package bench

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
	"leadsman/speech/ctc"
	"leadsman/speech/vosk"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// clip is the sound of one call.
type clip struct {
	set   string
	words string
	pcm   []int16
}

// lead is the silence put before each clip, as between calls.
const lead = speech.Rate / 2

// clips cuts the recordings into their calls, with what lies around them, and adds the packed sets.
func clips(t *testing.T) []clip {
	var out []clip
	add := func(set, words string, pcm []int16) {
		out = append(out, clip{set, words, append(make([]int16, lead), pcm...)})
	}
	for _, set := range []string{"speech-commands", "nicolas-groups"} {
		packed, err := recordings.Clips(set)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range packed {
			add(set, c.Words, c.PCM)
		}
	}
	for _, name := range []string{"fullmouth-digits", "arch-nicolas", "fullmouth-joe", "exam-joe", "exam-joe-fdi"} {
		r, err := recordings.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		at := func(seconds float64) int { return min(max(int(seconds*speech.Rate), 0), len(r.PCM)) }
		for i, c := range r.Calls {
			if c.Words == "" || c.Did == "chatter" || c.Did == "refused" {
				continue
			}
			from, to := c.Start-0.3, c.End+0.3
			if i > 0 {
				from = max(from, r.Calls[i-1].End)
			}
			if i+1 < len(r.Calls) {
				to = min(to, r.Calls[i+1].Start)
			}
			add(name, c.Words, r.PCM[at(from):at(to)])
		}
	}
	return out
}

// net is everything that may be said.
func net(set string) speech.Net {
	n := chart.Universal
	if strings.HasSuffix(set, "-fdi") {
		n = chart.FDI
	}
	return exam.SpeechNet(grammar.NetOf(grammar.State{Numbering: n, Listening: true, Question: true}))
}

// result is what came of the clips of a set.
type result struct {
	calls, right, words, wrong int
	compute, sound             time.Duration
}

func (r *result) add(c clip, heard string, compute time.Duration) {
	r.calls++
	said, got := strings.Fields(c.words), strings.Fields(heard)
	if slices.Equal(said, got) {
		r.right++
	}
	r.words += len(said)
	r.wrong += distance(said, got)
	r.compute += compute
	r.sound += time.Duration(len(c.pcm)) * time.Second / speech.Rate
}

// distance is the number of words to put in, leave out or replace (Levenshtein 1966).
func distance(a, b []string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i, v := range a {
		corner := row[0]
		row[0] = i + 1
		for j, w := range b {
			change := corner
			if v != w {
				change++
			}
			corner = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

func TestDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"one two", "one two", 0}, {"one two", "two", 1}, {"", "one two", 2}, {"one two three", "one four three five", 2}, {"one two", "two one", 2}} {
		if got := distance(strings.Fields(c.a), strings.Fields(c.b)); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

// hear gives a clip to an engine and joins what was not rejected.
func hear(t *testing.T, e speech.Engine, c clip) (string, time.Duration) {
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.SetNet(net(c.set)); err != nil {
		t.Fatal(err)
	}
	begin := processorTime(t)
	var words []string
	take := func(hyps []speech.Hypothesis, err error) {
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range hyps {
			if h.Final && !h.Rejected {
				words = append(words, h.Readings[0].Text())
			}
		}
	}
	const frame = speech.Rate * 30 / 1000
	for i := 0; i < len(c.pcm); i += frame {
		take(r.Accept(c.pcm[i:min(len(c.pcm), i+frame)]))
	}
	take(r.Flush())
	return strings.Join(words, " "), processorTime(t) - begin
}

// processorTime is what this process has used so far: unlike the clock it does not count what else the machine does.
func processorTime(t *testing.T) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// whisper runs the full decoder over all clips.
func whisper(t *testing.T, python string, all []clip) map[string]*result {
	dir := t.TempDir()
	for i, c := range all {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%04d.wav", i)), speech.WAV(c.pcm), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, "words.txt"), []byte(strings.Join(grammar.Vocabulary(), "\n")), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "whisper.py", dir)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("whisper.py: %v\n%s", err, errs.String())
	}
	sets := map[string]*result{}
	sc := bufio.NewScanner(bytes.NewReader(out))
	for i := 0; sc.Scan(); i++ {
		var line struct {
			File, Text string
			Seconds    float64
		}
		if err := json.Unmarshal(sc.Bytes(), &line); err != nil || line.File != fmt.Sprintf("%04d.wav", i) {
			t.Fatalf("whisper.py, line %d: %q: %v", i+1, sc.Text(), err)
		}
		of(sets, all[i].set).add(all[i], line.Text, time.Duration(line.Seconds*float64(time.Second)))
	}
	return sets
}

func of(sets map[string]*result, set string) *result {
	if sets[set] == nil {
		sets[set] = &result{}
	}
	return sets[set]
}

func engine(t *testing.T, e speech.Engine, all []clip) map[string]*result {
	defer e.Close()
	sets := map[string]*result{}
	for _, c := range all {
		heard, compute := hear(t, e, c)
		of(sets, c.set).add(c, heard, compute)
	}
	return sets
}

// The table of docs/measurements.md.
func TestCompare(t *testing.T) {
	program.Measurement(t, "make bench")
	all := clips(t)
	type row struct {
		name string
		sets map[string]*result
	}
	bin := filepath.Dir(program.Path(t))
	e, err := ctc.Open(ctc.Options{ModelDir: filepath.Join(bin, "models"), Library: program.Library(t)})
	if err != nil {
		t.Fatal(err)
	}
	var v *vosk.Engine
	if dir := os.Getenv("VOSK_MODEL"); dir == "" {
		fmt.Println("Vosk is not compared: name an English model with VOSK_MODEL=FOLDER;", vosk.GetModel)
	} else if v, err = vosk.Open(vosk.Options{ModelDir: dir}); err != nil {
		t.Fatal(err)
	} else if lacks := v.Lacks(grammar.Vocabulary()); len(lacks) > 0 {
		t.Fatalf("the model in %s cannot hear %q", dir, lacks)
	}
	rows := []row{{"default engine", engine(t, e, all)}}
	if v != nil {
		rows = append(rows, row{v.Name(), engine(t, v, all)})
	}
	if python := os.Getenv("LEADSMAN_WHISPER_PYTHON"); python != "" {
		rows = append(rows, row{"Whisper tiny.en, full decoder", whisper(t, python, all)})
	} else {
		fmt.Println("The full Whisper decoder is not compared: COMPARE=1 fetches it")
	}
	fmt.Println("| calls of | recognizer | calls | right | words wrong | ms of processor time a call |\n|---|---|---|---|---|---|")
	var sets []string
	for _, c := range all {
		if !slices.Contains(sets, c.set) {
			sets = append(sets, c.set)
		}
	}
	for _, set := range sets {
		for _, row := range rows {
			r := row.sets[set]
			fmt.Printf("| %s | %s | %d | %.1f %% | %.1f %% | %.0f |\n", set, row.name, r.calls, percent(r.right, r.calls), percent(r.wrong, r.words),
				float64(r.compute.Milliseconds())/float64(r.calls))
		}
	}
}

func percent(n, of int) float64 { return 100 * float64(n) / float64(of) }
