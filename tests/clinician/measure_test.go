package clinician

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"leadsman/speech"
	"leadsman/tests/figures"
	"leadsman/tests/program"
	"leadsman/tests/shipped"
)

// cell is a row of the table.
type cell struct {
	voice, room, mode, habit string
	results                  []Result
}

// packs are the folders of voices: what voices.py made, and what LEADSMAN_VOICES names.
func packs() (folders []string) {
	for _, f := range append([]string{filepath.Join("..", "..", "bin", "clinician-voices")}, filepath.SplitList(os.Getenv("LEADSMAN_VOICES"))...) {
		if _, err := os.Stat(filepath.Join(f, "voices.tsv")); err == nil {
			folders = append(folders, f)
		}
	}
	return folders
}

// LEADSMAN_MEASURE=1 plays the exams that LEADSMAN_CLINICIAN asks for and prints the table; see README.md.
func TestMeasureClinician(t *testing.T) {
	trace := os.Getenv("LEADSMAN_CLINICIAN_TRACE")
	if trace == "" {
		program.Measurement(t, "make clinician")
	}
	vs, err := Voices(packs()...)
	if err != nil {
		t.Fatal(err)
	}
	e := shipped.Engine(t)
	seeds, err := strconv.Atoi(option("seeds", "3")[0])
	first, err1 := strconv.Atoi(option("first", "1")[0])
	places, err2 := strconv.Atoi(option("places", "0")[0])
	if cmp.Or(err, err1, err2) != nil {
		t.Fatalf("LEADSMAN_CLINICIAN: %v", cmp.Or(err, err1, err2))
	}
	var cells []cell
	var setups []Setup
	names := option("voice", "joe,nicolas")
	if names[0] == "all" {
		names = slices.Sorted(maps.Keys(vs))
	}
	for _, voice := range names {
		if vs[voice] == nil {
			t.Errorf("there is no voice %s: voices.py makes it", voice)
			continue
		}
		t.Logf("%s: %s, heard in training: %s; borrowed from joe: %q", voice, vs[voice].Kind, vs[voice].Heard,
			vs[voice].borrowed([]string{"one", "two", "three", "tooth", "number", "fourteen", "correction", "yes", "bleeding"}))
		for _, roomName := range option("room", "quiet,tap10,suction10") {
			room, err := ParseRoom(roomName)
			if err != nil {
				t.Fatal(err)
			}
			for _, mode := range option("mode", "tone,numbers") {
				for _, habit := range option("habit", ByPlace) {
					if !slices.Contains(Habits, habit) {
						t.Fatalf("habit %q: there are %q", habit, Habits)
					}
					cells = append(cells, cell{voice, room.Name, mode, habit, make([]Result, seeds)})
					p := Profile{Habit: habit, Mode: mode, Jump: option("jump", "number")[0]}
					if option("calm", "0")[0] == "1" {
						p = Calm(p)
					}
					if option("notice", "")[0] == "inattentive" {
						p.Notice = Inattentive
					}
					for seed := range seeds {
						setups = append(setups, Setup{Voice: vs[voice], Room: room, Profile: p, Seed: uint64(first + seed), Places: places})
					}
				}
			}
		}
	}
	traces := make([]bytes.Buffer, len(setups))
	kept, keep := keepIn(t, os.Getenv("LEADSMAN_CLINICIAN_KEEP"))
	each(t, len(setups), func(i int) (err error) {
		s, c := setups[i], &cells[i/seeds]
		key := fmt.Sprintf("%s %s %s %s %d %+v", c.voice, c.room, c.mode, c.habit, s.Seed, s.Profile)
		if r, ok := kept[key]; ok && trace == "" {
			c.results[i%seeds] = r
			return nil
		}
		if trace != "" {
			s.Trace = &traces[i]
		}
		engine := speech.Engine(e)
		if errors, err := strconv.ParseFloat(option("ear", "")[0], 64); err == nil {
			engine = newEar(s.Seed, errors/100) // no sound: so many words of 100 are misheard
		}
		if c.results[i%seeds], err = Play(engine, s); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
		return keep(key, c.results[i%seeds])
	})
	if trace != "" {
		var all bytes.Buffer
		for i := range traces {
			c := cells[i/seeds]
			fmt.Fprintf(&all, "# %s, %s, %s, %s, seed %d\n%s# %s\n\n", c.voice, c.room, c.mode, c.habit, setups[i].Seed, traces[i].String(), c.results[i%seeds])
		}
		if err := os.WriteFile(trace, all.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	fmt.Print(tableOf(cells))
	if figures.Update() {
		if err := os.WriteFile(figures.Doc("clinician.svg"), []byte(picture(cells, option("plot", "tap")[0])), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// keepIn keeps results in a file, a line each, so that a long measurement can be made in parts: what is in it is not
// played again. "" keeps nothing.
func keepIn(t *testing.T, file string) (kept map[string]Result, keep func(key string, r Result) error) {
	t.Helper()
	type line struct {
		Key    string
		Result Result
	}
	kept = map[string]Result{}
	if file == "" {
		return kept, func(string, Result) error { return nil }
	}
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	for dec := json.NewDecoder(f); ; {
		var l line
		if err := dec.Decode(&l); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		kept[l.Key] = l.Result
	}
	var mu sync.Mutex
	return kept, func(key string, r Result) error {
		mu.Lock()
		defer mu.Unlock()
		text, err := json.Marshal(line{key, r})
		if err != nil {
			return err
		}
		_, err = f.Write(append(text, '\n'))
		return err
	}
}

// tableOf prints the table. Every figure is the mean of an exam, but for the last two shares.
func tableOf(cells []cell) string {
	var b strings.Builder
	b.WriteString("| voice | room | answers | habit | exams | wrong | **silent** (most) | marked | missing | in vain | left open | said again | corrections | jumps | questions | needless, % of calls | seconds | x perfect |\n")
	b.WriteString("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n")
	for _, c := range cells {
		n := float64(len(c.results))
		mean := func(of func(Result) int) string {
			sum := 0
			for _, r := range c.results {
				sum += of(r)
			}
			return strings.TrimSuffix(strconv.FormatFloat(math.Round(float64(sum)/n*10)/10, 'f', 1, 64), ".0")
		}
		most, calls, needless, took, ideal, late := 0, 0, 0, 0.0, 0.0, 0
		for _, r := range c.results {
			most, calls, needless = max(most, r.Silent), calls+r.Calls, needless+r.Needless
			took, ideal = took+r.Seconds, ideal+r.Ideal
			if r.TimedOut {
				late++
			}
		}
		note := ""
		if late > 0 {
			note = fmt.Sprintf(" (%d never ended)", late)
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %d%s | %s | **%s** (%d) | %s | %s | %s | %s | %s | %s | %s | %s | %.1f | %.0f | %.2f |\n", c.voice, c.room, c.mode, c.habit, len(c.results), note,
			mean(func(r Result) int { return r.Wrong }), mean(func(r Result) int { return r.Silent }), most, mean(func(r Result) int { return r.Marked }),
			mean(func(r Result) int { return r.Missing }), mean(func(r Result) int { return r.Vain }), mean(func(r Result) int { return r.Left }),
			mean(func(r Result) int { return r.Again }), mean(func(r Result) int { return r.Corrections }), mean(func(r Result) int { return r.Jumps }),
			mean(func(r Result) int { return r.Questions }), 100*float64(needless)/float64(max(1, calls)), took/n, took/max(1, ideal))
	}
	return b.String()
}
