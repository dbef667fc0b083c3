package exam

import (
	"math"
	"slices"
	"strings"

	"leadsman/grammar"
	"leadsman/speech"
)

// The tool's own voice comes back through the microphone. While it sounds, and a moment longer, words
// that it says itself are not heard; other words are a call, which interrupts it. Engineering
// choices, tried with the tool's own voice mixed into recordings (tests/ownvoice).
const (
	echoMS  = 150    // what begins later after the end of a prompt is no echo of it: the way through the sound card and the room is shorter
	earlyMS = 60     // and what begins so much earlier than it is none either: the ear places begins as well as that
	longMS  = 30_000 // a prompt whose end is never told lasts no longer
	wordMS  = 120    // the shortest word that is said
	// rivalOwn is how likely a second reading must be to take the sound for the own voice.
	rivalOwn = 0.1
	// believed is the part that is believed of a call that may be a misheard piece of the own voice:
	// it is entered with a doubt.
	believed = 0.85
	// byChance is how often a word that begins a call is one that the tool has just said: most are numbers, and the same few.
	byChance = 0.3
	weakCall = 0.1 // and so often is a word of a call farDB weaker than the calls
	// A loudspeaker seldom comes back just as loud as the calls, which lie near together: so much likelier is sound of their level a call. Declared.
	alikeDB   = 3
	alikeOdds = 8
	apartDB   = 6 // own voice so much weaker than the calls can be told from them by its level
	farDB     = 8 // sound so much weaker than the calls is none
	// Away from prompts, what is so much weaker than the calls is somebody else, and sooner what the engine just rejected. Who
	// does turn away is heard again after a few calls, for each brings the mark nearer. In babble at 20 and 10 dB numbers of
	// others lay 17 dB and more below the calls, if just rejected 11.7 dB; just rejected ones of the examiner 5.1 dB at
	// most (39 pieces of tests/recordings).
	weakDB     = 14
	weakNearDB = 9
	yieldDB    = 3
	// heardShare is the share of prompts that must come back for the own voice to count as audible at
	// all. It is followed from shareAtFirst on; prompts shorter than shortMS say nothing if they do not.
	heardShare   = 0.3
	shareAtFirst = 0.6
	shortMS      = 600
	// cameBack prompts must have come back before a call is refused for being mixed with one: a single
	// time may have been the examiner saying the same.
	cameBack = 2
)

// prompt is something that the page says aloud.
type prompt struct {
	fromMS, toMS int64 // in the stream; toMS 0: it still speaks
	words        []string
	came         bool // it was heard in the microphone
}

// ownVoice keeps what the page said of late, and how loud it and the calls come in.
type ownVoice struct {
	prompts []prompt
	calls   float64 // dB below full scale, the latest counting most; 0 before the first
	back    float64 // and of the prompts that came back
	share   float64 // of the prompts that did; 0 before the first
	came    int     // how many did
}

// follow moves a value that was not known as long as it was 0.
func follow(to *float64, v, first float64) {
	if *to == 0 {
		*to = first
	}
	*to += (v - *to) / 4
}

// begin notes that the page speaks from a time on.
func (o *ownVoice) begin(fromMS int64, text string) {
	if slices.ContainsFunc(o.prompts, func(p prompt) bool { return p.fromMS == fromMS }) {
		return // the page told it before the connection broke
	}
	o.prompts = slices.DeleteFunc(o.prompts, func(p prompt) bool { return p.fromMS < fromMS-2*longMS })
	o.prompts = append(o.prompts, prompt{fromMS: fromMS, words: sounds(text)})
}

// end notes that it stopped.
func (o *ownVoice) end(atMS int64) {
	for i := range o.prompts {
		if p := &o.prompts[i]; p.toMS == 0 && p.fromMS <= atMS {
			p.toMS = max(atMS, p.fromMS+1)
			if p.came {
				o.returned()
			} else if p.toMS-p.fromMS > shortMS {
				follow(&o.share, 0, shareAtFirst)
			}
		}
	}
}

// returned counts a prompt that is over and was heard.
func (o *ownVoice) returned() {
	o.came++
	follow(&o.share, 1, shareAtFirst)
}

// comes notes that a prompt was heard. What a short one gave is often decided after its end.
func (o *ownVoice) comes(p *prompt) {
	if !p.came && p.toMS != 0 {
		o.returned()
	}
	p.came = true
}

// sounds are the words that a text may be heard as: numbers as numbers and digit by digit.
func sounds(text string) []string {
	var out []string
	for _, f := range strings.Fields(text) {
		f = strings.Trim(f, ".,:;?!")
		whole := grammar.Text("tooth " + f)[1:]
		out = append(out, whole...)
		if apart := grammar.Text(f); !slices.Equal(apart, whole) {
			out = append(out, apart...)
		}
	}
	return out
}

// says reports whether the words occur in the prompt, in order and with nothing between them but words
// that no call has. Of a longer word its begin counts: "disregarded" sounds like "disregard".
func (p *prompt) says(words []speech.Word, startMS int64) bool {
	return p.leads(words, startMS) == len(words)
}

// saysFrom counts how many of the words the prompt says from its i-th word on.
func (p *prompt) saysFrom(i int, words []speech.Word) (n int) {
	for ; i < len(p.words) && n < len(words); i++ {
		said := p.words[i]
		switch w := words[n].Text; {
		case said == w || len(w) >= 4 && strings.HasPrefix(said, w):
			n++
		case inCalls[said]:
			return n
		}
	}
	return n
}

// inCalls are the words of all calls.
var inCalls = func() map[string]bool {
	m := map[string]bool{}
	for _, w := range grammar.Vocabulary() {
		m[w] = true
	}
	return m
}()

// spokeMS is when the tool last spoke: now, if it still does.
func (o *ownVoice) spokeMS(nowMS int64) (last int64) {
	for _, p := range o.prompts {
		switch {
		case p.toMS != 0:
			last = max(last, p.toMS)
		case nowMS < p.fromMS+longMS:
			return nowMS
		}
	}
	return last
}

// endedMS is when the tool had said its last words to their end; 0 if it still speaks.
func (o *ownVoice) endedMS() int64 {
	if n := len(o.prompts); n > 0 {
		return o.prompts[n-1].toMS
	}
	return 0
}

// loudDB is how much weaker than the calls speech may be that was meant for the tool: in recordings of real digits and of the voice pico, in noise
// of 20 to 5 dB, numbers that could not be read lay 2.4 dB below the calls at most; breaths, tails and other people 5.3 dB and more.
const loudDB = 5

// loud reports whether a hypothesis is about as loud as the calls.
func (o *ownVoice) loud(h *speech.Hypothesis) bool {
	return o.calls < 0 && h.Signal.LevelDB > o.calls-loudDB
}

// What a hypothesis is.
type origin int

const (
	fromUser origin = iota
	fromTool        // the own voice: not heard
	fromBoth        // own voice and a call in one, which nobody can tell apart
)

// judge says where a hypothesis comes from. What is taken for a call beside the own voice is believed
// less, unless its level tells the two apart.
func (o *ownVoice) judge(h *speech.Hypothesis) origin {
	whole := o.strip(h)
	from := o.origin(h)
	if from == fromUser {
		h.Readings = append(h.Readings, whole...)
	}
	return from
}

func (o *ownVoice) origin(h *speech.Hypothesis) origin {
	if p := o.during(h); p != nil {
		return o.beside(p, h)
	}
	o.away(h)
	return fromUser
}

// away looks at sound that no prompt overlaps: it says how loud the calls are, or it is somebody else's.
func (o *ownVoice) away(h *speech.Hypothesis) {
	level := h.Signal.LevelDB
	mark := o.calls - weakDB
	if h.Near {
		mark = o.calls - weakNearDB
	}
	switch heard := h.Final && level < 0; {
	case o.calls < 0 && level < mark:
		if heard && (!h.Rejected || h.Near) {
			o.calls -= yieldDB
		}
		h.Rejected, h.Near = true, false
	case heard && !h.Rejected:
		follow(&o.calls, level, level)
	}
}

// beside says where a hypothesis comes from that a prompt overlaps.
func (o *ownVoice) beside(p *prompt, h *speech.Hypothesis) origin {
	level, audible := h.Signal.LevelDB, o.audible()
	leads := 0 // words of the best reading that the prompt says too
	if len(h.Readings) > 0 {
		leads = p.leads(h.Readings[0].Words, h.StartMS)
	}
	between := (o.back + o.calls) / 2
	apart := o.back < o.calls-apartDB // as far as both are known
	if o.calls < 0 && (level < o.calls-farDB || apart && level < between) {
		o.isBack(p, h)
		return fromTool
	}
	// The calls are known to be louder than what comes back of the own voice, and this is as loud as they are.
	if o.asCalls(level) || o.outlasts(p, h) || o.calls < 0 && level < 0 && !audible && level > o.calls-apartDB {
		if h.Final && leads > 0 {
			believeLess(h) // a last word of the own voice may have slipped in before
			// The prompt's very words speak for a voice that comes back after all.
			if !audible && leads == len(h.Readings[0].Words) {
				o.comes(p)
			}
		}
		return fromUser
	}
	for i, r := range h.Readings {
		if (i == 0 || r.Posterior >= rivalOwn) && p.says(r.Words, h.StartMS) {
			o.isBack(p, h)
			return fromTool
		}
	}
	if h.Rejected || len(h.Readings) == 0 {
		if o.alike(level) && !h.Near {
			return fromUser // who is told that he was not understood, at worst for nothing
		}
		return fromTool
	}
	if h.Final && leads > 0 && audible && o.came >= cameBack {
		return fromBoth
	}
	// Not known to come back, the own voice costs a question at most: with an earpiece or the browser's echo
	// cancellation, a refusal would lose every call that happens to begin like the question before it.
	if leads > 0 && audible || o.share > shareAtFirst && o.back > o.calls-apartDB {
		believeLess(h)
	}
	return fromUser
}

// isBack notes that a hypothesis was a prompt, and how loud that comes back. A partial may be the begin of a call that only starts like it.
func (o *ownVoice) isBack(p *prompt, h *speech.Hypothesis) {
	if !h.Final {
		return
	}
	o.comes(p)
	if level := h.Signal.LevelDB; level < 0 {
		follow(&o.back, level, level)
	}
}

// believeLess leaves room for the own voice in what is taken for a call.
func believeLess(h *speech.Hypothesis) {
	for i := range h.Readings {
		h.Readings[i].Posterior *= believed
	}
}

// strip takes the words off the begin of the readings that prompts said, if a call follows that began after they had ended: what is left may be
// the call. It may also be that the examiner said the same words: the readings with all of them are given back. How likely that is depends on how
// many words agree; what fits where the exam stands decides.
func (o *ownVoice) strip(h *speech.Hypothesis) (whole []speech.Reading) {
	if o.during(h) == nil || !o.audible() {
		return nil
	}
	for i := range h.Readings {
		r := &h.Readings[i]
		n, said, ended, chance := 0, 0, int64(0), 1.0
		var of *prompt
		next := 0 // of its words
		for n < len(r.Words)-1 {
			w := r.Words[n]
			at := -1
			if !o.asCalls(w.LevelDB) {
				of, at = o.sounding(w, of, next)
			}
			weak := o.calls < 0 && w.LevelDB < 0 && w.LevelDB < o.calls-farDB
			misheard := at < 0 && weak && said > 0 && of.saidBy(w) // a word of the prompt, heard for another one
			if at < 0 && !misheard && !slices.Contains(hesitations, w.Text) {
				break
			}
			switch {
			case at >= 0:
				said, ended, next = n+1, max(ended, of.toMS), at+1
				chance *= byChance
			case misheard:
				said, next = n+1, next+1
			}
			if weak && (at >= 0 || misheard) {
				chance *= weakCall
			}
			n++
		}
		// A word of the prompt that no call has, heard as a hesitation, is the prompt's too.
		for said > 0 && said < n && slices.Contains(hesitations, r.Words[said].Text) {
			said++
		}
		if said > 0 && r.Words[said].StartMS >= ended-echoMS {
			if o.alike(r.Words[0].LevelDB) {
				chance = min(1, chance*alikeOdds)
			}
			own := 1 - chance
			whole = append(whole, *r)
			whole[len(whole)-1].Posterior *= 1 - own
			r.Posterior *= own
			r.Words = r.Words[said:]
			if i == 0 {
				h.StartMS = r.Words[0].StartMS
				h.Rejected = h.Rejected && !h.Near // what cost too much may have been the prompt
			}
		}
	}
	return whole
}

// sounding is the prompt that may have said a word, and which of its words that is; -1: none did. Prompts that are over count, and of the one that said
// the word before only what comes behind that, from its next word on.
func (o *ownVoice) sounding(w speech.Word, of *prompt, next int) (p *prompt, at int) {
	for i := range o.prompts {
		p = &o.prompts[i]
		if !p.saidBy(w) {
			continue
		}
		from := -1
		if p == of {
			from = next
		}
		if at = p.follows(from, w.Text); at >= 0 {
			return p, at
		}
	}
	return of, -1
}

// saidBy reports whether a word was heard while a prompt that is over sounded.
func (p *prompt) saidBy(w speech.Word) bool {
	return p.toMS != 0 && w.StartMS >= p.fromMS && w.EndMS <= p.toMS+2*echoMS
}

// follows finds a word of the prompt that is its i-th but for words that no call has; i < 0: any.
func (p *prompt) follows(i int, text string) int {
	if i < 0 {
		return slices.Index(p.words, text)
	}
	for ; i < len(p.words); i++ {
		switch {
		case p.words[i] == text:
			return i
		case inCalls[p.words[i]]:
			return -1
		}
	}
	return -1
}

// audible reports whether the own voice comes back at all, as far as is known.
func (o *ownVoice) audible() bool { return o.share == 0 || o.share >= heardShare }

// asCalls reports whether sound is as loud as the calls, and the own voice is known to be weaker.
func (o *ownVoice) asCalls(level float64) bool {
	return o.calls < 0 && o.back < o.calls-apartDB && level < 0 && level > (o.back+o.calls)/2
}

// alike reports whether sound is just as loud as the calls, before it is known how loud the own voice comes back.
func (o *ownVoice) alike(level float64) bool {
	return o.calls < 0 && o.back == 0 && level < 0 && math.Abs(level-o.calls) < alikeDB
}

// outlasts reports whether sound as loud as the calls begins before a prompt, or goes on behind it for so long that it is none of it.
func (o *ownVoice) outlasts(p *prompt, h *speech.Hypothesis) bool {
	return o.loud(h) && (h.StartMS < p.fromMS-earlyMS || p.toMS != 0 && h.EndMS > p.toMS+2*echoMS)
}

var hesitations = []string{"um", "uh", "er"}

// leads counts the words with which a call that begins at startMS begins that are the prompt's. What
// begins with the prompt can only begin with the prompt's first word.
func (p *prompt) leads(words []speech.Word, startMS int64) (n int) {
	for from := range p.words {
		if from > 0 && startMS < p.fromMS+wordMS {
			break
		}
		n = max(n, p.saysFrom(from, words))
	}
	return n
}

// during finds the prompt that a hypothesis overlaps.
func (o *ownVoice) during(h *speech.Hypothesis) *prompt {
	for i := len(o.prompts) - 1; i >= 0; i-- {
		p := &o.prompts[i]
		to := p.toMS
		if to == 0 {
			to = p.fromMS + longMS
		}
		if p.fromMS < h.EndMS && h.StartMS < to+echoMS {
			return p
		}
	}
	return nil
}
