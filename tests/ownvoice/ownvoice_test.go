// Package ownvoice lets the tool speak while it listens: every answer is spoken by the voice of the service
// and comes back into the microphone, as from a loudspeaker beside it. Nothing may be entered from that,
// and the calls must be heard as without it.
package ownvoice

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/tests/figures"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
	"leadsman/tests/shipped"
)

// voice is the tool's own, word by word: tests/recordings/own.sh made it with espeak-ng.
type voice map[string][]int16

func ownVoice(t *testing.T) voice {
	t.Helper()
	clips, err := recordings.Clips("own-voice")
	if err != nil {
		t.Fatal(err)
	}
	v := voice{}
	for _, c := range clips {
		v[c.Words] = c.PCM
	}
	return v
}

// say speaks a text: numbers as numbers, a gap after each word as the page makes it. Words that the voice
// lacks are left out.
func (v voice) say(text string) []int16 {
	var out []int16
	for _, f := range strings.Fields(text) {
		stop := strings.ContainsAny(f, ".,?:")
		f = strings.Trim(f, ".,?:")
		var n int
		if _, err := fmt.Sscan(f, &n); err == nil {
			f = strings.Fields("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen")[min(n, 17)]
		}
		out = append(out, v[f]...)
		gap := 60
		if stop {
			gap = 250
		}
		out = append(out, make([]int16, gap*speech.Rate/1000)...)
	}
	return out
}

// room plays a recording into an exam whose answers are spoken, level dB under the recording's calls. The
// page takes a while to begin, and stops a while after a call is heard in its words.
type room struct {
	mic      *exam.Mic
	changes  <-chan exam.Change
	voice    voice
	gain     float64
	speaking []int16 // what is left of it
	from     int64   // where it began
	waits    int64   // it begins here
	stops    int64   // it is stopped here; 0: it is not
	text     string
	spoke    int // prompts
	cut      int // of them stopped by a call
}

const (
	beginsAfter = speech.Rate * 15 / 100
	stopsAfter  = speech.Rate * 20 / 100
)

func (r *room) take(at int64) {
	for {
		select {
		case ch := <-r.changes:
			text := ""
			if ch.Answer != nil {
				r.end(at)
				text = ch.Answer.Speak
			}
			if ch.Head != nil && ch.Head.Question != nil {
				text = ch.Head.Question.Speak
			}
			if ch.Partial != nil && ch.Partial.Words != "" && len(r.speaking) > 0 && r.stops == 0 {
				r.stops = at + stopsAfter
			}
			if text != "" {
				r.end(at)
				r.speaking, r.text, r.waits, r.stops = r.voice.say(text), text, at+beginsAfter, 0
			}
		default:
			return
		}
	}
}

func (r *room) end(at int64) {
	if r.from > 0 {
		r.mic.Spoke(r.from, at)
	}
	r.speaking, r.from = nil, 0
}

func (r *room) write(at int64, pcm []int16) error {
	out := append([]int16(nil), pcm...)
	if len(r.speaking) > 0 && at >= r.waits {
		if r.from == 0 {
			r.from = max(at, 1)
			r.spoke++
			r.mic.Speaks(r.from, r.text)
		}
		if r.stops != 0 && at >= r.stops {
			r.cut++
			r.end(at)
		}
		n := min(len(out), len(r.speaking))
		for i := range n {
			out[i] = int16(max(-32768, min(32767, float64(out[i])+r.gain*float64(r.speaking[i]))))
		}
		if r.speaking = r.speaking[n:]; len(r.speaking) == 0 {
			r.end(at + int64(len(out)))
		}
	}
	_, err := r.mic.Write(at, out)
	r.take(at + int64(len(out)))
	return err
}

// loud is the root mean square of what stands out of a sound.
func loud(pcm []int16) float64 {
	top, sum, n := 0.0, 0.0, 0
	for _, s := range pcm {
		top = max(top, math.Abs(float64(s)))
	}
	for _, s := range pcm {
		if v := math.Abs(float64(s)); v > top/30 {
			sum += v * v
			n++
		}
	}
	return math.Sqrt(sum / float64(max(n, 1)))
}

// call is one that was entered.
type call struct {
	words   string
	doubted bool
}

// play gives the words of a recording's first calls and the calls that are entered of them in such a room,
// with so much more silence behind each.
func play(t *testing.T, e speech.Engine, name string, calls int, levelDB float64, stretchMS int) (called []string, heard []call, r *room) {
	t.Helper()
	rec, err := recordings.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	var pcm []int16
	last := 0
	for i, c := range rec.Calls[:calls] {
		called = append(called, c.Words)
		cut := int((c.End + rec.Calls[i+1].Start) / 2 * speech.Rate)
		pcm = append(append(pcm, rec.PCM[last:cut]...), make([]int16, stretchMS*speech.Rate/1000)...)
		last = cut
	}
	ctx := context.Background()
	log := &exam.Memory{}
	num, err := chart.ParseNumbering(rec.Numbering)
	if err != nil {
		t.Fatal(err)
	}
	if err := exam.Start(ctx, log, num, rec.Truth.Path, nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	ex, err := exam.Open(ctx, exam.Config{ID: "x", Log: log, Engine: e, Now: func() int64 { return 1 }})
	if err != nil {
		t.Fatal(err)
	}
	defer ex.Close()
	m, err := ex.OpenMic("m", false)
	if err != nil {
		t.Fatal(err)
	}
	sub := ex.Subscribe(uint64(len(log.Events)))
	v := ownVoice(t)
	r = &room{mic: m, changes: sub.C, voice: v, gain: loud(rec.PCM) / loud(v.say("3. 2. 4")) * math.Pow(10, levelDB/20)}
	const frame = 512
	for i := 0; i < len(pcm); i += frame {
		if err := r.write(int64(i), pcm[i:min(i+frame, len(pcm))]); err != nil {
			t.Fatal(err)
		}
	}
	m.Close()
	for _, ev := range log.Events {
		if ev.Kind == chart.KindCall && ev.Source == chart.Voice {
			heard = append(heard, call{ev.Words, ev.Confidence < 0.9})
		}
	}
	return called, heard, r
}

// compare lists the calls entered that were not called, and those of them that carry no doubt; missed counts
// the calls that were not entered. called are the words of the recording's calls, in order.
func compare(called []string, heard []call) (extra, silent []string, missed int) {
	// The longest common run in order, from the back.
	n, m := len(called), len(heard)
	same := make([][]int, n+1)
	for i := range same {
		same[i] = make([]int, m+1)
	}
	for i := n - 1; i >= 0; i-- {
		for j := m - 1; j >= 0; j-- {
			if same[i][j] = max(same[i+1][j], same[i][j+1]); called[i] == heard[j].words {
				same[i][j] = max(same[i][j], same[i+1][j+1]+1)
			}
		}
	}
	for i, j := 0, 0; j < m; {
		switch {
		case i < n && called[i] == heard[j].words && same[i][j] == same[i+1][j+1]+1:
			i, j = i+1, j+1
		case i < n && same[i][j] == same[i+1][j]:
			i++
		default:
			if extra = append(extra, heard[j].words); !heard[j].doubted {
				silent = append(silent, heard[j].words)
			}
			j++
		}
	}
	return extra, silent, n - same[0][0]
}

// Answers from a loudspeaker, 20 dB under the calls to as loud as they, each over before the next call as
// when the examiner listens: nothing is entered unmarked that was not called, and few calls are lost.
// LEADSMAN_MEASURE=1 tells how it is at more levels, and where the examiner calls right into the answers.
func TestOwnVoice(t *testing.T) {
	e := shipped.Engine(t)
	for _, db := range []float64{-20, 0} {
		try(t, e, 9, db, 2500, func(_, silent []string, missed int) {
			if len(silent) > 0 || missed > 2 {
				t.Errorf("%v dB: entered without a doubt and never called: %q; %d of 9 calls lost", db, silent, missed)
			}
		})
	}
}

func TestMeasureOwnVoice(t *testing.T) {
	program.Measurement(t, "make accuracy")
	e := shipped.Engine(t)
	levels := []float64{-30, -20, -10, 0}
	lines := make([][]string, len(levels))
	for i, db := range levels {
		lines[i] = []string{fmt.Sprintf("%v dB", db)}
		for _, stretch := range []int{2500, 0} {
			try(t, e, 34, db, stretch, func(extra, silent []string, missed int) {
				lines[i] = append(lines[i], fmt.Sprint(missed), fmt.Sprintf("%d (%d)", len(extra), len(silent)))
			})
		}
	}
	figures.Write(t, "measurements.md", "own voice", figures.Table([]string{"level of the own voice", "called after the answer: lost", "wrong (unmarked)", "called into the answer: lost", "wrong (unmarked)"}, lines))
}

// try plays the first calls of a recording and hands on what came of them.
func try(t *testing.T, e speech.Engine, calls int, db float64, stretchMS int, judge func(extra, silent []string, missed int)) {
	t.Helper()
	called, heard, r := play(t, e, "exam-joe", calls, db, stretchMS)
	extra, silent, missed := compare(called, heard)
	t.Logf("own voice at %v dB, %d ms more between calls: %d calls, %d lost; entered and never called %q, of these unmarked %q; %d answers, %d interrupted",
		db, stretchMS, calls, missed, extra, silent, r.spoke, r.cut)
	if r.spoke < calls/2 {
		t.Errorf("%v dB: only %d answers were spoken", db, r.spoke)
	}
	judge(extra, silent, missed)
}
