package hear

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// Doing is what is to be done about a breath.
type Doing int

const (
	Ignore Doing = iota // talk, or noise: no answer, no change
	Misfit              // meant for the tool and not understood: an answer, no change
	Wait                // the beginning of a call: its rest is waited for
	Hold                // it may be all of a call or the beginning of one: the end of the breath decides
	Enter
)

func (d Doing) String() string {
	return [...]string{"ignore", "misfit", "wait", "hold", "enter"}[d]
}

// Verdict is what a breath means.
type Verdict struct {
	Do Doing
	Meaning
	Confidence float64
	// Unsure tells of each number of the command, in order, that another reading has another number there; of all, if it has more or
	// fewer numbers.
	Unsure []bool
	Rival  string // the other reading, in words
	Stray  bool   // ignored because it came out of the blue; said again at once it counts
	Why    string // for people who look into it
}

// Decide weighs the readings of a breath with what is expected where the exam stands: how likely each is by its sound, times how
// likely it is to be called. It changes nothing.
func Decide(h speech.Hypothesis, ms []Meaning, loud bool, c Context) Verdict {
	listening := c.State.Listening
	since, within := h.StartMS-max(c.SoundedMS, c.TurnMS), int64(FlowMS)
	if c.Attempt.Here {
		within = AwayMS // the place is not full: its rest is waited for
	}
	flow := listening && c.State.Open() > 0 && c.SoundedMS > 0 && since < within || c.ToldMS > 0
	unheard := Verdict{Do: Ignore, Why: "not for the tool"}
	if flow && (h.Near || loud) {
		unheard = Verdict{Do: Misfit, Why: "as loud as the numbers before it, and not understood"}
	}
	if h.Rejected && !(h.Near && flow) && (listening || !h.Near && !(h.Filler < wakeFiller && loud)) {
		return unheard
	}
	v, total := c.choose(ms, h.StartMS)
	if v.key == "" {
		if h.Rejected {
			return unheard
		}
		return Verdict{Do: Misfit, Why: "no reading is a call here"}
	}
	verb := v.Result.Command.Verb()
	if h.Rejected {
		v.Confidence *= nearTrust
		answers := c.Question && (verb == chart.VerbAffirm || verb == chart.VerbNegative)
		if listening && verb != chart.VerbSoundings && !answers || !listening && verb != chart.VerbGoAhead {
			return unheard
		}
	}
	v.Why = fmt.Sprintf("%s, %.3f by sound, %.3f in all", v.Fit, v.Sound, v.Confidence)
	switch {
	case v.Confidence < RefuseBelow && !v.counted(ms, total) || v.Sound < leastSound:
		v.Do = Misfit
	case v.Err == nil && v.Result.Ending > grammar.Prefix && !isValue(verb) && v.Confidence < moveBelow:
		v.Do = Misfit
	case v.goes() && v.Confidence < jumpBelow:
		v.Do = Misfit
	case v.Err == nil && c.crowded(v):
		v.Do = Misfit // the number is said again; two in the place of one would shift what follows
	case v.Err == nil && c.stray(v.Result, h):
		v.Do, v.Stray = Ignore, true
	case v.Err != nil:
		v.Do = Enter // it is refused with its reason
	case v.Result.Ending == grammar.Prefix:
		v.Do = Wait
	case c.unfinished(v, c.began(v.Result, h.StartMS)):
		v.Do = Hold
	default:
		v.Do = Enter
	}
	v.unsure(ms, total)
	return v
}

// choose weighs the meanings and takes the likeliest. total is what all weigh, those that the ear did not name included.
func (c *Context) choose(ms []Meaning, startMS int64) (v Verdict, total float64) {
	named, best, second := 0.0, -1, -1
	for i := range ms {
		m := &ms[i]
		fit, w := c.weigh(m, c.began(m.Result, startMS))
		m.Fit, m.Weight = fit, m.Sound*w
		named += m.Sound
		total += m.Weight
		if best < 0 || m.Weight > ms[best].Weight {
			best, second = i, best
		} else if second < 0 || m.Weight > ms[second].Weight {
			second = i
		}
	}
	if best < 0 {
		return v, 0
	}
	// What was not named counts as if it fitted as well as the best.
	total += max(0, 1-named) * unnamed * ms[best].Weight / ms[best].Sound
	v.Meaning = ms[best]
	v.Confidence = math.Min(1, v.Weight/total)
	if second >= 0 {
		v.Rival = strings.Join(ms[second].Result.Words, " ")
	}
	return v, total
}

// began is when the call began of which words that were heard from startMS on are all or the end.
func (c *Context) began(r grammar.Result, startMS int64) int64 {
	if r.Pending && c.PendingMS > 0 {
		return c.PendingMS
	}
	return startMS
}

// counted reports whether it is sure how many numbers were called, though not which: the place is kept, and what may be another number is asked
// about. To say all of it again would cost as much, and who calls number by number would be off by those that were understood.
func (v *Verdict) counted(ms []Meaning, total float64) bool {
	if _, plain := numbers(v.Result.Command); !plain || v.Err != nil {
		return false
	}
	same := 0.0
	for i := range ms {
		if v.alike(&ms[i]) {
			same += ms[i].Weight
		}
	}
	return same/total >= moveBelow
}

// alike reports whether a meaning is the same call but for its numbers.
func (v *Verdict) alike(m *Meaning) bool {
	return m.Err == nil && m.Fit == v.Fit && shapeOf(m.Result) == shapeOf(v.Result)
}

// unsure works out which numbers of the command are doubtful. That it may have been a jump makes none so: a jump is answered with its place in
// words, and who hears numbers taken instead knows.
func (v *Verdict) unsure(ms []Meaning, total float64) {
	mine := allNumbers(v.Result.Command)
	v.Unsure = make([]bool, len(mine))
	trust := v.Confidence * total / v.Weight // less than 1 where the engine nearly rejected it
	for i := range ms {
		if !v.jumps() && ms[i].jumps() {
			total -= ms[i].Weight
		}
	}
	for i := range mine {
		same := 0.0
		for _, m := range ms {
			if v.alike(&m) {
				if ns := allNumbers(m.Result.Command); len(ns) == len(mine) && ns[i] == mine[i] {
					same += m.Weight
				}
			}
		}
		v.Unsure[i] = same/total*min(1, trust) < DoubtBelow
	}
}

// jumps reports whether a meaning goes to another place, or begins to.
func (m *Meaning) jumps() bool {
	return prefixVerb(m.Result.Words) == chart.VerbGo || m.Err == nil && m.Result.Ending > grammar.Prefix && m.Result.Command.Verb() == chart.VerbGo
}

// goes reports whether a call goes to another place and writes there: who only goes is answered with the place before he calls anything.
func (m *Meaning) goes() bool {
	acts := m.Result.Command.Acts
	return m.Err == nil && m.Result.Ending > grammar.Prefix && acts[0].Verb == chart.VerbGo && isValue(acts[len(acts)-1].Verb)
}

// shapeOf is a meaning without its numbers.
func shapeOf(r grammar.Result) string {
	var b strings.Builder
	fmt.Fprint(&b, r.Pending, r.Amends)
	for _, a := range r.Command.Acts {
		fmt.Fprint(&b, a.Verb, len(a.Numbers), a.Where, a.Whole, a.Flag, a.Value, a.Tooth, a.Aspect)
	}
	return b.String()
}

func allNumbers(c chart.Command) (ns []chart.MM) {
	for _, a := range c.Acts {
		ns = append(ns, a.Numbers...)
	}
	return ns
}

// crowded reports whether numbers are more than one where the examiner calls them one by one, and neither a whole place nor an answer.
func (c *Context) crowded(v Verdict) bool {
	ns, plain := numbers(v.Result.Command)
	return plain && c.Rhythm.Singly() && len(ns) > 1 && len(ns) != c.AskedFor && len(ns) != c.State.Path.Walked(c.State.Place)
}

// unfinished reports whether more may belong to a call: a correction of one number whose place has more; numbers that end in the middle of a
// place further on; the next place, begun before it could be known that this one is not full; and, once the examiner was told that a place is not full, what is neither its rest nor all of it without doubt.
func (c *Context) unfinished(v Verdict, startMS int64) bool {
	cmd := v.Result.Command
	last := cmd.Acts[len(cmd.Acts)-1]
	if last.Verb == chart.VerbCorrection && len(last.Where) == 0 && !last.Whole && len(cmd.Acts) == 1 {
		return len(last.Numbers) < c.State.Path.Walked(c.Attempt.Place) && c.Attempt.Known()
	}
	if v.Fit == Over && c.State.Open() > 0 {
		return true
	}
	if v.Fit == Onward && startMS < c.AnsweredMS+ReactMS && startMS < c.SoundedMS+SameBreathMS {
		return true // or the rest of this place and a piece of the next one: what follows in the breath tells
	}
	return c.Attempt.Here && c.told(startMS) && !c.OneByOne && !c.Rhythm.Singly() && (v.Fit == Piece || v.Fit == Fill)
}

// stray reports whether numbers out of the blue are more likely a piece of talk; said again at once they are a call. In 30 minutes of
// read sentences and 10 of single words, clean and in noise, the numbers that nobody had called cost 0.7 and more, but for
// "one" out of "on" and "wow". Of 598 true calls, many of them in noise, 34 cost over 0.6, and none of these were
// numbers out of the blue.
func (c *Context) stray(r grammar.Result, h speech.Hypothesis) bool {
	switch r.Command.Verb() {
	case chart.VerbSoundings, chart.VerbAll, chart.VerbSite, chart.VerbMargin:
	default:
		return false
	}
	again := slices.Equal(c.Strayed, r.Words)
	return h.Filler >= strayFiller && !again && !c.Question && !r.Pending && !r.Amends && c.ToldMS == 0 && (c.CalledMS == 0 || h.StartMS-c.CalledMS >= BlueMS)
}
