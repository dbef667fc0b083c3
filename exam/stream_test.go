package exam

import (
	"context"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// tape is an engine that hears a script wherever its sound begins: each 10 ms of the sound carry their number.
type tape struct {
	speech.Engine
	script []scripted.Utterance
}

func newTape(script ...scripted.Utterance) *tape { return &tape{scripted.New(), script} }

const tapeStep = speech.Rate / 100

// sound is the tape between two samples.
func sound(from, to int64) []int16 {
	pcm := make([]int16, to-from)
	for i := range pcm {
		pcm[i] = int16((from+int64(i))/tapeStep) + 1 // 0 is silence put in where sound was lost
	}
	return pcm
}

func (t *tape) NewRecognizer() (speech.Recognizer, error) { return &tapeHead{tape: t}, nil }

type tapeHead struct {
	tape *tape
	net  speech.Net
	speech.Recognizer
}

func (h *tapeHead) SetNet(n speech.Net) error {
	h.net = n
	if h.Recognizer == nil {
		return nil
	}
	return h.Recognizer.SetNet(n)
}

func (h *tapeHead) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	if h.Recognizer == nil && len(pcm) > 0 {
		at := int64(pcm[0]-1) * 10
		var rest []scripted.Utterance
		for _, u := range h.tape.script {
			// The begin of a word that was cut off cannot be heard.
			if u.StartMS >= at {
				u.StartMS, u.EndMS = u.StartMS-at, u.EndMS-at
				rest = append(rest, u)
			}
		}
		h.Recognizer, _ = scripted.New(rest...).NewRecognizer()
		if err := h.Recognizer.SetNet(h.net); err != nil {
			return nil, err
		}
	}
	return h.Recognizer.Accept(pcm)
}

func (h *tapeHead) Flush() ([]speech.Hypothesis, error) {
	if h.Recognizer == nil {
		return nil, nil
	}
	hyps, err := h.Recognizer.Flush()
	h.Recognizer = nil
	return hyps, err
}

func (h *tapeHead) Close() error { return nil }

// again takes the exam up from its log, as a service does that was started anew.
func again(t *testing.T, log *Memory, engine speech.Engine) *Exam {
	t.Helper()
	e, err := Open(ctx, Config{ID: "x", Log: log, Engine: engine, Now: func() int64 { return 1 }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e
}

// send writes the tape up to a time, from where the microphone stands.
func send(t *testing.T, m *Mic, ms int64) {
	t.Helper()
	for to := ms * speech.Rate / 1000; m.Next() < to; {
		if _, err := m.Write(m.Next(), sound(m.Next(), min(to, m.Next()+512))); err != nil {
			t.Fatal(err)
		}
	}
}

func mic(t *testing.T, e *Exam, owner string) *Mic {
	t.Helper()
	m, err := e.OpenMic(owner, false)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// entries says what was entered, call by call, without the start and without calls that changed nothing.
func entries(t *testing.T, log *Memory) string {
	t.Helper()
	st := state(t, log)
	var out []string
	for _, c := range st.Calls[1:] {
		if d := Describe(st, st.CallEvents(c.Seq)); !c.Undone {
			out = append(out, d)
		}
	}
	return strings.Join(out, "|")
}

// calls of every kind that waits for something: the rest of a phrase, what amends it, a number beside a question, a remark.
func waiting() []scripted.Utterance {
	chatter := say(27_500, "two")
	chatter.Rejected, chatter.Filler = true, 9
	return []scripted.Utterance{
		say(1000, "three two four"), say(3000, "recession"), say(5000, "one two one"), say(8000, "bleeding"), say(9000, "mesial"),
		say(11_000, "two two ten"),                                                    // is asked about
		say(13_500, "nine"),                                                           // the answer
		say(18_000, "three two twelve"), say(20_500, "two"), say(21_300, "two three"), // asked about, but the numbers go on
		say(24_000, "remark"), say(25_500, "four four four"), chatter, say(29_000, "two one two"), say(31_000, "disregard"), say(33_000, "two one one"),
		say(34_200, "three two"), say(35_000, "one"),
	}
}

// Whenever the service ends, by a power cut or by the clean way, and however often: the log is that of a service that never ended.
func TestEndsAtAnyMoment(t *testing.T) {
	fresh := func() *Memory {
		log := &Memory{}
		if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
			t.Fatal(err)
		}
		return log
	}
	const end = 36_000
	script := newTape(waiting()...)
	log := fresh()
	m := mic(t, again(t, log, script), "a")
	send(t, m, end)
	want := entries(t, log)
	for _, part := range []string{"17 buccal: 3 2 4", "recession 1 2 1", "bleeding mesial", "16 buccal: mesial 9", "14 buccal: 2 2 3", "remark: four four four", "13 buccal: 2 1 1", "12 buccal: 3 2|12 buccal: 1"} {
		if !strings.Contains(want, part) {
			t.Fatalf("without an end: %q is not in %s", part, want)
		}
	}
	seed := rand.Uint64()
	rnd := rand.New(rand.NewPCG(seed, 0))
	for round := range 60 {
		log := fresh()
		at, heard := int64(0), int64(0)
		var moments []int64
		for at < end {
			// The sound comes in pieces of this length at most; behind each the service ends.
			at = min(end, heard+100+rnd.Int64N([]int64{2000, 8000, 20_000}[round%3]))
			moments = append(moments, at)
			e := again(t, log, script)
			m := mic(t, e, "a")
			if m.Next() > heard*speech.Rate/1000 {
				t.Fatalf("seed %d: sound that never came is expected behind sample %d, %d ms had", seed, m.Next(), heard)
			}
			send(t, m, at)
			heard = at
			if round%2 == 0 {
				e.Close() // else it is left as it is: nothing of it is seen again but the log
			}
		}
		if got := entries(t, log); got != want {
			t.Fatalf("seed %d, ends at %v ms:\ngot  %s\nwant %s", seed, moments, got, want)
		}
	}
}

// crash is a log that fails once its events are counted down: nothing is written any more.
type crash struct {
	*Memory
	left int
}

var errCrash = errors.New("power cut")

func (c *crash) AppendHeard(ctx context.Context, h Heard, evs ...chart.Event) error {
	if c.left == 0 {
		return errCrash
	}
	c.left--
	return c.Memory.AppendHeard(ctx, h, evs...)
}

// The service may end between any two writes: also between those that one call leads to.
func TestEndsBetweenWrites(t *testing.T) {
	script := newTape(waiting()...)
	play := func(log Log) error {
		e, err := Open(ctx, Config{ID: "x", Log: log, Engine: script, Now: func() int64 { return 1 }})
		if err != nil {
			t.Fatal(err)
		}
		defer e.Close()
		m := mic(t, e, "a")
		for to := int64(36_000 * speech.Rate / 1000); m.Next() < to; {
			if _, err := m.Write(m.Next(), sound(m.Next(), min(to, m.Next()+512))); err != nil {
				return err
			}
		}
		return nil
	}
	var want string
	for writes := -1; ; writes++ {
		log := &Memory{}
		if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
			t.Fatal(err)
		}
		err := play(&crash{log, writes})
		if writes >= 0 && err == nil {
			if writes < 15 {
				t.Errorf("only %d writes", writes)
			}
			return
		}
		if err != nil {
			if !errors.Is(err, errCrash) {
				t.Fatal(err)
			}
			if err := play(log); err != nil {
				t.Fatal(err)
			}
		}
		if want == "" {
			want = entries(t, log)
		}
		if got := entries(t, log); got != want {
			t.Errorf("ends behind write %d:\ngot  %s\nwant %s", writes, got, want)
		}
	}
}

// Sound that comes doubled, with holes, out of order, from nowhere or late enters nothing twice; what is missing is told.
func TestSoundThatMakesNoSense(t *testing.T) {
	const second = speech.Rate
	three := []scripted.Utterance{say(1000, "three two four"), say(4000, "five two five"), say(7000, "two one two"), say(90_000_000, "three")}
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	e := again(t, log, newTape(three...))
	sub := e.Subscribe(state(t, log).Seq())
	trouble := func() (text string) {
		for len(sub.C) > 0 {
			if c := <-sub.C; c.Mic != nil && c.Mic.Trouble != "" && !strings.HasPrefix(c.Mic.Trouble, "noisy") {
				text = c.Mic.Trouble
			}
		}
		return text
	}
	m := mic(t, e, "a")
	write := func(from, to int64) int64 {
		t.Helper()
		next, err := m.Write(from, sound(from, to))
		if err != nil {
			t.Fatal(err)
		}
		return next
	}
	const had = 5 * second / 2
	write(0, had)
	if got := entries(t, log); got != "17 buccal: 3 2 4" {
		t.Fatal(got)
	}
	trouble()
	// Again and again, whole and in parts.
	for range 3 {
		write(0, had)
		write(second/2, had+100)
	}
	if next, got := m.Next(), entries(t, log); next != had+100 || got != "17 buccal: 3 2 4" || trouble() != "" {
		t.Errorf("doubled: next %d, %s", next, got)
	}
	// Out of order: what comes too late is dropped, and was told as lost.
	write(had+second, 4*second)
	if text := trouble(); !strings.Contains(text, "1.0 s of sound were lost") {
		t.Errorf("a hole: told %q", text)
	}
	if next := write(had+100, 3*second); next != 4*second {
		t.Errorf("late sound moved the stream to %d", next)
	}
	write(4*second, 6*second)
	if got := entries(t, log); got != "17 buccal: 3 2 4|16 buccal: 5 2 5" {
		t.Error(got)
	}
	// A position of more than a day ahead is no position.
	if next, err := m.Write(m.Next()+24*3600*second+1, sound(0, 512)); !errors.Is(err, ErrTooFar) || next != 6*second {
		t.Errorf("far ahead: %d, %v", next, err)
	}
	write(6*second, 9*second)
	if got := entries(t, log); got != "17 buccal: 3 2 4|16 buccal: 5 2 5|15 buccal: 2 1 2" {
		t.Error(got)
	}
	// After a day the owner's stream goes on where it was; what its page no longer has is told as lost.
	e.Close()
	e = again(t, log, newTape(three...))
	sub = e.Subscribe(state(t, log).Seq())
	m = mic(t, e, "a")
	if next := m.Next(); next < 7*second || next > 9*second {
		t.Errorf("after a day it goes on at %d", next)
	}
	day := m.Next() + 24*3600*second - second
	write(day, day+second)
	if text := trouble(); !strings.Contains(text, "86399.0 s of sound were lost") {
		t.Errorf("after a day: told %q", text)
	}
	if samples, known, err := log.HeardUpTo(ctx, "a"); err != nil || !known || samples < day-16 {
		t.Errorf("lost sound is not asked for again: %d, %t, %v", samples, known, err)
	}
	if got := entries(t, log); got != "17 buccal: 3 2 4|16 buccal: 5 2 5|15 buccal: 2 1 2" {
		t.Error(got)
	}
}

// Each owner has a stream of its own, also after a restart: one that took over does not move the position of the other.
func TestOwnersHaveTheirOwnStreams(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	script := newTape(say(1000, "three two four"), say(4000, "five two five"))
	e := again(t, log, script)
	a := mic(t, e, "a")
	send(t, a, 2500)
	if _, err := e.OpenMic("b", false); !errors.Is(err, ErrMicTaken) {
		t.Error(err)
	}
	b, err := e.OpenMic("b", true)
	if err != nil || b.Next() != 0 {
		t.Fatal(err)
	}
	if _, err := a.Write(a.Next(), sound(a.Next(), a.Next()+512)); !errors.Is(err, ErrClosed) {
		t.Error(err)
	}
	send(t, b, 3500) // says the same as a once more: another person, another call
	e.Close()
	e = again(t, log, script)
	b = mic(t, e, "b")
	if ms := b.Next() * 1000 / speech.Rate; ms < 1900 || ms > 3500 {
		t.Errorf("b goes on at %d ms", ms)
	}
	send(t, b, 6000)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	a = mic(t, e, "a")
	if a.Next() != 2500*speech.Rate/1000 {
		t.Errorf("a goes on at %d", a.Next())
	}
	if got, want := entries(t, log), "17 buccal: 3 2 4|16 buccal: 3 2 4|15 buccal: 5 2 5"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// The position moves on in silence too: who paused for long has nothing lost to be told.
func TestPositionMovesInSilence(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	m := mic(t, again(t, log, newTape(say(1000, "three two four"))), "a")
	send(t, m, 200_000)
	samples, _, err := log.HeardUpTo(ctx, "a")
	if ms := samples * 1000 / speech.Rate; err != nil || ms < 170_000 || ms > 188_000 {
		t.Errorf("after 200 s it is at %d ms, %v", ms, err)
	}
}

// What the tool itself said stays its own after a restart: the page tells again when it was.
func TestOwnVoiceAfterRestart(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	echo := say(3000, "three two four")
	script := newTape(say(1000, "three two four"), echo, say(6000, "five two five"))
	e := again(t, log, script)
	m := mic(t, e, "a")
	send(t, m, 2900)
	m.Speaks(2950*16, "3. 2. 4")
	send(t, m, 3500) // in the middle of it
	e.Close()
	m = mic(t, again(t, log, script), "a")
	for range 2 { // told twice is as told once
		m.Speaks(2950*16, "3. 2. 4")
	}
	send(t, m, 4100)
	m.Spoke(2950*16, 4000*16)
	send(t, m, 8000)
	if got, want := entries(t, log), "17 buccal: 3 2 4|16 buccal: 5 2 5"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if n := len(m.own.prompts); n != 1 {
		t.Errorf("%d prompts", n)
	}
}

// What one microphone left half said is nothing to the next one, whose time begins anew.
func TestNextMicrophoneBeginsAnew(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	e := again(t, log, newTape(say(1000, "three two four"), say(3000, "recession"), say(5000, "one two one")))
	send(t, mic(t, e, "a"), 4000)
	b, err := e.OpenMic("b", true)
	if err != nil {
		t.Fatal(err)
	}
	// It hears the tape from its fifth second on, as its own first.
	for to := int64(2 * speech.Rate); b.Next() < to; {
		if _, err := b.Write(b.Next(), sound(b.Next()+4500*16, b.Next()+4500*16+512)); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := entries(t, log), "17 buccal: 3 2 4|16 buccal: 1 2 1"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if samples, known, err := log.HeardUpTo(ctx, "b"); err != nil || !known || samples < speech.Rate {
		t.Errorf("the position of the next one: %d, %t, %v", samples, known, err)
	}
}

// failing is an engine whose recognizer fails once.
type failing struct {
	*tape
	at int // how many times it is given sound before that
}

func (f *failing) NewRecognizer() (speech.Recognizer, error) {
	r, err := f.tape.NewRecognizer()
	return &failingHead{r.(*tapeHead), f}, err
}

type failingHead struct {
	*tapeHead
	f *failing
}

func (h *failingHead) Accept(pcm []int16) ([]speech.Hypothesis, error) {
	if h.f.at--; h.f.at == 0 {
		return nil, errors.New("the model broke")
	}
	return h.tapeHead.Accept(pcm)
}

// A recognizer that fails costs nothing: its owner's next connection gets another one, which hears again what was not decided.
func TestRecognizerFails(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	// It fails at 4.6 s, in the middle of the second call.
	e := again(t, log, &failing{newTape(say(1000, "three two four"), say(4200, "five two five"), say(7000, "two one two")), 230})
	m, failed := mic(t, e, "a"), 0
	for to := int64(9 * speech.Rate); m.Next() < to; {
		if _, err := m.Write(m.Next(), sound(m.Next(), m.Next()+512)); err != nil {
			failed++
			m.Detach()
			m = mic(t, e, "a")
			if ms := m.Next() * 1000 / speech.Rate; ms < 1900 || ms > 4200 {
				t.Errorf("it goes on at %d ms", ms)
			}
		}
	}
	if got, want := entries(t, log), "17 buccal: 3 2 4|16 buccal: 5 2 5|15 buccal: 2 1 2"; got != want || failed != 1 {
		t.Errorf("failed %d times, got %s, want %s", failed, got, want)
	}
}

// A call that cannot be saved is told, and has to be said again: it is not heard again by itself while the service runs, and what
// follows is heard at its own time.
func TestCallThatCannotBeSaved(t *testing.T) {
	log := &Memory{}
	if err := Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	full := &crash{log, 1}
	e, err := Open(ctx, Config{ID: "x", Log: full, Engine: newTape(say(1000, "three two four"), say(4000, "five two five"), say(7000, "five two six")), Now: func() int64 { return 1 }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	m, failed := mic(t, e, "a"), 0
	for to := int64(9 * speech.Rate); m.Next() < to; {
		at := m.Next()
		next, err := m.Write(at, sound(at, at+512))
		if err != nil {
			failed++
			full.left = 1000 // there is room again
		}
		if next != at+512 {
			t.Fatalf("the stream stands still at %d", next)
		}
	}
	if got, want := entries(t, log), "17 buccal: 3 2 4|16 buccal: 5 2 6"; got != want || failed != 1 {
		t.Errorf("failed %d times, got %s, want %s", failed, got, want)
	}
	if c := state(t, log).Calls; c[len(c)-1].Words != "five two six" {
		t.Error(c)
	}
}
