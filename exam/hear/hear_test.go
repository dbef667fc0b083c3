package hear

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// mouth is an exam in which calls were spoken.
func mouth(t testing.TB, calls ...string) *chart.State {
	t.Helper()
	evs, err := chart.Start(chart.FDI, "arch", nil, nil, chart.Meta{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range calls {
		r, err := grammar.Parse(grammar.StateOf(st), strings.Fields(c))
		if err != nil {
			t.Fatal(err)
		}
		if evs, err = st.Do(r.Command, chart.Meta{Source: chart.Voice, Words: c}); err != nil {
			t.Fatal(err)
		}
		if err := st.Apply(evs...); err != nil {
			t.Fatal(err)
		}
	}
	return st
}

// readings makes the readings of a breath of text such as "0.9 three two four | 0.1 three two five".
func readings(t testing.TB, text string) (out []speech.Reading) {
	t.Helper()
	for _, part := range strings.Split(text, "|") {
		fields := strings.Fields(part)
		p, err := strconv.ParseFloat(fields[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		r := speech.Reading{Posterior: p}
		for _, w := range fields[1:] {
			r.Words = append(r.Words, speech.Word{Text: w})
		}
		out = append(out, r)
	}
	return out
}

// now is when the breaths of these tests begin; all that lies before it in a context is told by how long ago it was.
const now = 60_000

// moment is where an exam stands when something is heard. The zero value: numbers were called a second ago, and answered at once.
type moment struct {
	calls   []string // spoken so far
	told    int64    // so long ago the examiner was told that the place is not full; 0: he was not
	heardMS int64    // so long ago the last call was answered; 0: a second
	rhythm  Rhythm
	pending string // words that wait for more
	more    func(*Context, *speech.Hypothesis)
	loud    bool
}

// decide is what becomes of readings at a moment.
func (m moment) decide(t testing.TB, text string) Verdict {
	t.Helper()
	st := mouth(t, m.calls...)
	ago := m.heardMS
	if ago == 0 {
		ago = 1000
	}
	c := Context{State: st, Rhythm: &m.rhythm, Attempt: AttemptOf(st)}
	if len(m.calls) > 0 {
		c.SoundedMS, c.CalledMS, c.AnsweredMS = now-ago-250, now-ago-250, now-ago
	}
	if m.told > 0 {
		c.ToldMS = now - m.told
	}
	h := speech.Hypothesis{Final: true, StartMS: now, EndMS: now + 900, Readings: readings(t, text)}
	if m.more != nil {
		m.more(&c, &h)
	}
	gs := grammar.StateOf(st)
	gs.Question = c.Question
	if c.Attempt.Here {
		gs.Whole = gs.Open + len(c.Attempt.Sites)
	}
	waiting := 0.0
	if m.pending != "" {
		gs.Pending, waiting = strings.Fields(m.pending), 0.9
	}
	return Decide(h, Meanings(h, gs, waiting), m.loud, c)
}

// in words, as the tables have it: what is done, how the numbers lie, and the words.
func inWords(v Verdict) string {
	if v.Do == Ignore || v.Do == Misfit {
		return v.Do.String()
	}
	return fmt.Sprintf("%s %s: %s", v.Do, v.Fit, strings.Join(v.Result.Words, " "))
}

// Numbers that begin a place anew or leave one short break the walk; those that fill it, or go on over whole places, do not.
func TestFitsThatBreakTheWalk(t *testing.T) {
	for f, want := range map[Fit]bool{Elsewhere: false, Fill: false, Piece: false, Again: true, Rerun: true, Reply: true, Onward: true, Row: false, Over: false} {
		if f.Breaks() != want {
			t.Errorf("%s breaks: %t", f, f.Breaks())
		}
	}
}
