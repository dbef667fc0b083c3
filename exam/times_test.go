package exam

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// moment is something that the examiner is told, and when, in ms of the stream.
type moment struct {
	ms int64
	a  *Answer
	h  *Head
}

// listened is an exam that heard a script.
type listened struct {
	told   []moment
	st     *chart.State
	rhythm hear.Rhythm
}

// hearing plays a script to an exam whose examiner has a rhythm. spoken are times at which the page speaks.
func hearing(t *testing.T, ms int64, r hear.Rhythm, script []scripted.Utterance, spoken ...said) (l listened) {
	t.Helper()
	e, log := open(t, chart.FDI, script...)
	if err := e.run(func() { e.rhythm = r }); err != nil {
		t.Fatal(err)
	}
	sub := e.Subscribe(state(t, log).Seq())
	m := mic(t, e, "test")
	for now := int64(20); now <= ms; now += 20 {
		for _, p := range spoken {
			if now == p.from {
				m.Speaks(p.from*speech.Rate/1000, p.text)
			}
			if now == p.to {
				m.Spoke(p.from*speech.Rate/1000, p.to*speech.Rate/1000)
			}
		}
		if _, err := m.Write(m.Next(), make([]int16, speech.Rate/50)); err != nil {
			t.Fatal(err)
		}
		for len(sub.C) > 0 {
			if ch := <-sub.C; ch.Answer != nil || ch.Head != nil {
				l.told = append(l.told, moment{now, ch.Answer, ch.Head})
			}
		}
	}
	l.st = state(t, log)
	l.rhythm, _ = e.Rhythm()
	return l
}

// tone is when a tone sounded first, from a time on; text is a piece of what the answer says on the screen.
func (l listened) tone(from int64, tone Tone, text string) float64 {
	for _, m := range l.told {
		if m.ms > from && m.a != nil && m.a.Tone == tone && strings.Contains(m.a.Text, text) {
			return float64(m.ms - from)
		}
	}
	return math.NaN()
}

// asks is when something was asked, from a time on.
func (l listened) asks(from int64, speak string) float64 {
	for _, m := range l.told {
		if m.ms > from && m.h != nil && m.h.Question != nil && m.h.Question.Speak == speak {
			return float64(m.ms - from)
		}
	}
	return math.NaN()
}

// closes is when nothing is asked any more, from a time at which something is.
func (l listened) closes(from int64) float64 {
	for _, m := range l.told {
		if m.ms > from && m.h != nil && m.h.Question == nil {
			return float64(m.ms - from)
		}
	}
	return math.NaN()
}

// questions counts how often something was asked.
func (l listened) questions() (n float64) {
	var last uint64
	for _, m := range l.told {
		if m.h != nil && m.h.Question != nil && m.h.Question.ID > last {
			last = m.h.Question.ID
			n++
		}
	}
	return n
}

// latest is the longest wait, to 10 ms, after which the same comes of it as of the shortest.
func latest(lo, hi int64, comes func(ms int64) string) float64 {
	from := comes(lo)
	if comes(hi) == from {
		return math.NaN()
	}
	for hi-lo > 10 {
		if mid := (lo + hi) / 2; comes(mid) == from {
			lo = mid
		} else {
			hi = mid
		}
	}
	return float64(lo)
}

// TestTimes pins the times of the dialogue by streams of sound at their edge. All are engineering choices; a tick of 100 ms may come between.
func TestTimes(t *testing.T) {
	none := hear.Rhythm{}
	play := func(ms int64, script ...scripted.Utterance) listened { t.Helper(); return hearing(t, ms, none, script) }
	piece := []scripted.Utterance{begins(1000, "three two")} // ends at 1600
	doubt := begins(1000, "five six ten")                    // ends at 1900, is asked about at 2200
	hurt := []scripted.Utterance{begins(1000, "three two"), begins(4500, "three two"), begins(9500, "three")}
	margin := func(l listened) string {
		return l.st.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.B}).Recession.String()
	}
	slow := func(within float64) hear.Rhythm { return hear.Rhythm{Pieces: 12, Within: within} }
	for _, c := range []struct {
		pins string
		what string
		want float64
		got  float64
	}{
		{"pendingMS", "recession ... its numbers", 4000, latest(500, 9000, func(ms int64) string {
			return margin(play(13_000, begins(1000, "three two four"), begins(3000, "recession"), begins(3300+ms, "one two one")))
		})},
		{"amendMS", "bleeding ... distal", 1500, latest(200, 5000, func(ms int64) string {
			st := play(9000, begins(1000, "three two four"), begins(3000, "bleeding"), begins(3300+ms, "distal")).st
			return fmt.Sprint(st.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.MB}).Flags[chart.Bleeding])
		})},
		{"ShortMS", "a piece, until the tone says that it is one", 1200, play(4000, piece...).tone(1600, ToneShort, "")},
		{"ShortMS", "a lone number", 1400, play(4000, begins(1300, "three")).tone(1600, ToneShort, "")},
		{"ShortMS", "a lone number, of who calls so", 4000, hearing(t, 7000, hear.Rhythm{Single: 12}, []scripted.Utterance{begins(1300, "three")}).tone(1600, ToneShort, "")},
		{"ShortMS", "a piece, of who pauses long", 2250, hearing(t, 7000, slow(1500), piece).tone(1600, ToneShort, "")},
		{"saidMS", "from the tone to the words", 600, play(5000, piece...).asks(1600+1200, "2 of 3")},
		{"BreathMS", "the rest of a place, told, until it is entered (at the first tick after it)", 1200, play(8000, append(slices.Clone(piece), begins(4500, "four"))...).tone(4800, ToneAccepted, "")},
		{"mostHeldMS", "a correction of one number, which may be the first of three", 1400, play(6000, begins(1000, "three two four"), begins(3000, "correction five")).tone(3600, ToneAccepted, "")},
		{"oneByOneMS", "one by one: a number, until the place is left", 3500, play(15_000, hurt...).tone(9800, ToneShort, "left open")},
		{"answerMS", "a question, until a number can be its answer", 400, latest(60, 3000, func(ms int64) string {
			return row(play(9000, doubt, begins(2200+ms, "seven")).st, 17, chart.Buccal)
		})},
		{"askForMS", "a question, until it is dropped (at the first tick after it)", 6100, play(12_000, doubt).closes(2200)},
		{"answerForMS", "a long one, from its last word", 4100, hearing(t, 14_000, none, []scripted.Utterance{doubt}, said{2400, 7000, "5. 6. 10. mesial: 10?"}).closes(7000)},
		{"askQuietMS", "a doubt that was passed over, until it is asked about in silence", 5000, play(15_000, doubt, begins(4000, "two two two")).asks(4900, "17 mesial buccal: 10?")},
		{"mostAsked", "how often, if the examiner goes on each time", 2, play(40_000, doubt, begins(4000, "two two two"), begins(12_000, "one one one"), begins(20_000, "two two one")).questions()},
		{"talkMS", "how long a sound is at least to be answered as not understood", 150, latest(60, 600, func(ms int64) string {
			loud, lost := begins(1000, "three two four"), begins(3000, "five")
			loud.Signal.LevelDB, lost.Signal.LevelDB, lost.Rejected, lost.EndMS = -20, -20, true, 3000+ms
			if math.IsNaN(play(5000, loud, lost).tone(2500, ToneMisfit, "")) {
				return "nothing"
			}
			return "misfit"
		})},
		{"hear.ToldMS", "the rest of a place, up to so long after the tone that it is no reaction to it: so this examiner calls", 250, latest(20, 2000, func(ms int64) string {
			return fmt.Sprint(play(7000, append(piece, begins(2800+ms, "four"))...).rhythm.Pieces) // the tone sounds at 2800
		})},
		{"hear.ReactMS", "two pieces in one go, up to so long after the answer: all of it is said once more", 350, latest(20, 1500, func(ms int64) string {
			// 17 is answered at 2150; the piece of 16 belongs to the same breath or not.
			return row(play(14_000, begins(1000, "three two four"), begins(2150+ms, "one one"), begins(5500+ms, "three two four one one two")).st, 16, chart.Buccal)
		})},
		{"sameMS", "a pause behind which the place is named if the numbers are those before", 1500, latest(300, 10_000, func(ms int64) string {
			l := play(1900+ms+3000, begins(1000, "three two four"), begins(1900+ms, "three two four"))
			return l.told[len(l.told)-1].a.Where
		})},
		{"AwayMS", "a pause behind which the place is named", 20_000, latest(1000, 60_000, func(ms int64) string {
			l := play(1900+ms+3000, begins(1000, "three two four"), begins(1900+ms, "two two two"))
			return l.told[len(l.told)-1].a.Where
		})},
	} {
		// A stream that is played twice comes to the same: what is lost between ticks is in the table.
		if !(math.Abs(c.got-c.want) <= max(0.1, min(50, 0.2*c.want))) {
			t.Errorf("%s: %s: %.0f, want %.0f", c.pins, c.what, c.got, c.want)
		}
	}
}
