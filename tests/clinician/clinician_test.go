package clinician

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"leadsman/chart"
	"leadsman/tests/shipped"
)

// ours are the voices of the repository.
var ours = sync.OnceValues(func() (map[string]*Voice, error) { return Voices() })

func voices(t *testing.T) map[string]*Voice {
	t.Helper()
	vs, err := ours()
	if err != nil {
		t.Fatal(err)
	}
	return vs
}

// ideal plays a person against a tool that hears everything, or nothing.
func ideal(t *testing.T, s Setup, deaf bool) (Result, *idealTool) {
	t.Helper()
	mouth := NewMouth(s.Seed)
	tool, err := newIdealTool()
	if err != nil {
		t.Fatal(err)
	}
	tool.deaf = deaf
	res, err := play(s, mouth, tool, nil)
	if err != nil {
		t.Fatal(err)
	}
	c := tool.state.Chart
	compare(&res, mouth, &c, map[chart.SiteRef]bool{}, nil)
	return res, tool
}

// Against a tool that hears everything, every kind of person finishes with the true mouth and says nothing again.
func TestIdealTool(t *testing.T) {
	vs := voices(t)
	quiet, _ := ParseRoom("quiet")
	for _, habit := range Habits {
		for _, mode := range []string{"tone", "numbers"} {
			for seed := range uint64(4) {
				s := Setup{Voice: vs["joe"], Room: quiet, Profile: Profile{Habit: habit, Mode: mode}, Seed: seed}
				res, tool := ideal(t, s, false)
				if res.Wrong+res.Missing+res.Again+res.Vain > 0 || res.TimedOut || !tool.state.Complete || len(res.Visited) != 56 {
					t.Errorf("%s, %s, seed %d: %d wrong, %d missing, %d said again, %d in vain, %d places called, complete %v", habit, mode, seed,
						res.Wrong, res.Missing, res.Again, res.Vain, len(res.Visited), tool.state.Complete)
				}
			}
		}
	}
}

// Against a tool that hears nothing the person gives every place up, once, and stops.
func TestDeafTool(t *testing.T) {
	vs := voices(t)
	quiet, _ := ParseRoom("quiet")
	for _, habit := range []string{ByPlace, Flags} {
		s := Setup{Voice: vs["joe"], Room: quiet, Profile: Calm(Profile{Habit: habit, Mode: "tone"}), Seed: 1}
		if res, _ := ideal(t, s, true); res.Vain != 56 || res.Again < 2*56 || res.TimedOut || res.Missing != 168 {
			t.Errorf("%s: %d places in vain, %d calls said again, %d sites missing", habit, res.Vain, res.Again, res.Missing)
		}
	}
}

// What happens at random does happen, and can be switched off.
func TestHappenings(t *testing.T) {
	vs := voices(t)
	quiet, _ := ParseRoom("quiet")
	busy, jumps, corrections := 0, 0, 0
	for seed := range uint64(6) {
		res, _ := ideal(t, Setup{Voice: vs["joe"], Room: quiet, Profile: Profile{Habit: ByPlace, Mode: "tone"}, Seed: seed}, false)
		busy, jumps, corrections = busy+res.Happenings, jumps+res.Jumps, corrections+res.Corrections
		calm, _ := ideal(t, Setup{Voice: vs["joe"], Room: quiet, Profile: Calm(Profile{Habit: ByPlace, Mode: "tone"}), Seed: seed}, false)
		if calm.Happenings+calm.Jumps+calm.Corrections > 0 {
			t.Errorf("seed %d: %d things happened to a calm person", seed, calm.Happenings)
		}
	}
	if busy < 12 || jumps < 2 || corrections < 2 {
		t.Errorf("6 exams: %d things happened, %d jumps, %d corrections", busy, jumps, corrections)
	}
}

// short are the exams of every test run, the upper buccal row and six lingual places, with what may be wrong in each. Behind each what
// came out when the bounds were set.
var short = []struct {
	voice, room, mode string
	seed              uint64
	silent, vain      int
}{
	{"joe", "quiet", "tone", 1, 0, 0},        // 0 wrong; before the place was the unit of the dialogue 0
	{"joe", "tap10", "numbers", 2, 1, 0},     // 0 wrong; before 5 silent of 7 wrong, 6 missing
	{"nicolas", "quiet", "numbers", 1, 1, 0}, // 0 wrong; before 12 silent of 17 wrong
	{"nicolas", "tap10", "tone", 2, 6, 1},    // 3 silent of 3 wrong; before 6 silent of 19 wrong
}

func TestShort(t *testing.T) {
	e, vs := shipped.Engine(t), voices(t)
	results := make([]Result, len(short))
	each(t, len(short), func(i int) (err error) {
		s := short[i]
		room, err := ParseRoom(s.room)
		if err != nil {
			return err
		}
		results[i], err = Play(e, Setup{Voice: vs[s.voice], Room: room, Profile: Profile{Habit: ByPlace, Mode: s.mode}, Seed: s.seed, Places: 20})
		return err
	})
	for i, s := range short {
		r := results[i]
		t.Logf("%s, %s, %s, seed %d: %s", s.voice, s.room, s.mode, s.seed, r)
		if r.Silent > s.silent || r.Vain > s.vain || r.TimedOut || r.Calls < 20 {
			t.Errorf("%s, %s, %s, seed %d: %d silent (at most %d), %d places in vain (%d)", s.voice, s.room, s.mode, s.seed, r.Silent, s.silent, r.Vain, s.vain)
		}
	}
}

// The same setup gives the same result, in noise, with everything that happens at random.
func TestSame(t *testing.T) {
	e, vs := shipped.Engine(t), voices(t)
	room, _ := ParseRoom("suction10")
	results := make([]Result, 2)
	each(t, 2, func(i int) (err error) {
		results[i], err = Play(e, Setup{Voice: vs["nicolas"], Room: room, Profile: Profile{Habit: ByPlace, Mode: "tone"}, Seed: 5, Places: 5})
		return err
	})
	if results[0].String() != results[1].String() || results[0].Calls < 5 {
		t.Errorf("%s\n%s", results[0], results[1])
	}
}

// What a person understands of words of the tool.
func TestUnderstand(t *testing.T) {
	m := NewMouth(1)
	here := m.find(chart.Place{Tooth: 26, Aspect: chart.Buccal}) // 14 in Universal numbering
	for _, c := range []struct {
		text   string
		at     string // the place named; "" is none
		values []int
		what   string // notFull, oneByOne, leftOpen, complete
	}{
		{"7?", "", []int{7}, ""},
		{"3. 2. missing?", "", []int{3, 2, -1}, ""},
		{"mesial: 7?", "", []int{7}, ""},
		{"14 mesial buccal: seven?", "14 buccal", []int{7}, ""},
		{"fourteen lingual: 3. 2. 4?", "14 lingual", []int{3, 2, 4}, ""},
		{"two of three", "", nil, "notFull"},
		{"14 buccal: two of three?", "14 buccal", nil, "notFull"},
		{"again, twenty one buccal, please", "21 buccal", nil, "notFull"},
		{"one by one, please", "", nil, "oneByOne"},
		{"14 buccal left open", "14 buccal", nil, "leftOpen"},
		{"exam complete?", "", nil, "complete"},
		{"3 numbers were called, only 1 soundings can be corrected", "", nil, ""},
		{"3. bleeding. 2. 4", "", []int{3, 2, 4}, ""},
		{"12 sites open. 15 buccal distal", "15 buccal", nil, ""},
		{"tooth 14. buccal 3. 2. 4. lingual none. none. none. next 15 buccal", "15 buccal", nil, ""},
	} {
		got := understand(c.text)
		what, at := "", ""
		for name, is := range map[string]bool{"notFull": got.notFull, "oneByOne": got.oneByOne, "leftOpen": got.leftOpen, "complete": got.complete} {
			if is {
				what += name
			}
		}
		if i, named := got.names(m, here); named {
			at = placeName(m, i)
		}
		if what != c.what || at != c.at || !slices.Equal(got.values, c.values) {
			t.Errorf("%q: place %q, values %v, %q; want %q, %v, %q", c.text, at, got.values, what, c.at, c.values, c.what)
		}
	}
}

// The page sounds what web/static/core/answers.js plans.
func TestPlan(t *testing.T) {
	for _, c := range []struct {
		mode        string
		a           answer
		tone, speak string
	}{
		{"tone", answer{Tone: "accepted", Speak: "3"}, "accepted", ""},
		{"tone", answer{Tone: "refused", Speak: "no", Must: true}, "refused", "no"},
		{"numbers", answer{Tone: "accepted", Speak: "3"}, "", "3"},
		{"numbers", answer{Tone: "doubt", Speak: "3"}, "doubt", "3"},
		{"numbers", answer{Tone: "accepted"}, "accepted", ""},
		{"doubts", answer{Tone: "accepted", Speak: "3"}, "", ""},
		{"silent", answer{Tone: "doubt", Speak: "3", Must: true}, "", ""},
	} {
		if tone, speak := plan(c.mode, c.a); tone != c.tone || speak != c.speak {
			t.Errorf("%s, %+v: %q, %q; want %q, %q", c.mode, c.a, tone, speak, c.tone, c.speak)
		}
	}
}

// String is a result in one line.
func (r Result) String() string {
	return fmt.Sprintf("%d wrong, %d silent, %d marked, %d missing, %d in vain; %d calls, %d again, %d corrections, %d jumps; %d questions, %d needless; %.0f s, perfectly heard %.0f s",
		r.Wrong, r.Silent, r.Marked, r.Missing, r.Vain, r.Calls, r.Again, r.Corrections, r.Jumps, r.Questions, r.Needless, r.Seconds, r.Ideal)
}

// each does n things on all processors.
func each(t *testing.T, n int, do func(i int) error) {
	t.Helper()
	var wg sync.WaitGroup
	next := make(chan int)
	errs := make([]error, n)
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range next {
				errs[i] = do(i)
			}
		}()
	}
	for i := range n {
		next <- i
	}
	close(next)
	wg.Wait()
	for i, err := range errs {
		if err != nil {
			t.Errorf("%d: %v", i, err)
		}
	}
}

// option reads NAME=a,b from LEADSMAN_CLINICIAN.
func option(name, otherwise string) []string {
	for _, f := range strings.Fields(os.Getenv("LEADSMAN_CLINICIAN")) {
		if v, ok := strings.CutPrefix(f, name+"="); ok {
			return strings.Split(v, ",")
		}
	}
	return strings.Split(otherwise, ",")
}
