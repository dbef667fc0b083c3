package clinician

import (
	"math"
	"strings"
	"sync"

	"leadsman/speech"
	"leadsman/tests/recordings"
)

// answer and question are what a page reads of the tool's JSON to make it sound; nothing else reaches the person.
type answer struct {
	Tone  string `json:"tone"`
	Speak string `json:"speak"`
	Must  bool   `json:"must"`
	Where string `json:"where"` // a place in words, spoken after the answer
}

type question struct {
	ID    uint64 `json:"id"`
	Speak string `json:"speak"`
}

// told is what the page is told at a moment.
type told struct {
	Answer   *answer
	Question *question // nil: none is open, as far as Asked
	Asked    bool      // Question counts
	Partial  bool      // words are being heard
}

// plan says what sounds for an answer in a mode: web/static/core/answers.js, plan.
func plan(mode string, a answer) (tone, speak string) {
	switch mode {
	case "silent":
		return "", ""
	case "doubts":
		if a.Tone != "accepted" {
			tone = a.Tone
		}
		if a.Must {
			speak = a.Speak
		}
		return tone, speak
	case "numbers":
		if a.Tone == "doubt" || a.Tone == "short" || a.Tone == "arch" || a.Speak == "" {
			tone = a.Tone
		}
		return tone, a.Speak
	}
	if a.Must {
		speak = a.Speak
	}
	return a.Tone, speak
}

// toneMS is how long the tones last; those that the page does not have yet get the length of a short one.
var toneMS = map[string]float64{"accepted": 70, "doubt": 190, "refused": 190, "misfit": 170, "place": 130, "arch": 195, "listening": 130,
	"standby": 180, "part": 70, "short": 150}

// toneHz is a pitch for the tone as it leaks into the microphone.
var toneHz = map[string]float64{"accepted": 880, "doubt": 700, "refused": 233, "misfit": 330, "place": 660, "arch": 659, "listening": 560,
	"standby": 560, "part": 740, "short": 440}

const (
	beginsMS = 50  // from an answer to its sound
	wordMS   = 350 // the least time for a word
	hushMS   = 200 // from the first word of a call to the silence of the tool
)

// sound is something of the tool that the person has heard: a tone, or words to their end.
type sound struct {
	Tone     string
	Words    string
	Question bool
	Cut      bool  // interrupted: Words are those that were over
	Where    bool  // Words are an answer's place
	From, To int64 // samples
}

// prompt is something to be spoken.
type prompt struct {
	text     string
	question bool
	where    bool
}

// page plays the tool's answers as the page in the browser does.
type page struct {
	mode  string
	own   map[string][]int16
	w     *world
	asked uint64 // ID of the last question spoken

	tone             string
	toneFrom, toneTo int64

	said   *prompt // what is being spoken, or will be from waits on
	rest   []int16
	words  []spokenWord
	waits  int64
	began  int64 // 0: not yet
	stops  int64 // 0: it is not interrupted
	next   []prompt
	heards []sound // what has ended and the person has not taken in yet
}

// speaking reports whether words of the tool can be heard or are about to come.
func (p *page) speaking() bool { return p.said != nil }

func (p *page) take(t told) {
	now := p.w.now
	if t.Answer != nil {
		p.hush()
		tone, speak := plan(p.mode, *t.Answer)
		if tone != "" {
			p.toneOver()
			p.tone, p.toneFrom = tone, now+ms(beginsMS)
			p.toneTo = p.toneFrom + ms(max(70, toneMS[tone]))
		}
		if speak != "" {
			p.say(prompt{text: speak})
		}
		if t.Answer.Where != "" && (p.mode == "tone" || p.mode == "numbers") {
			p.say(prompt{text: t.Answer.Where, where: true})
		}
	}
	if t.Asked && t.Question != nil && t.Question.ID != p.asked && p.mode != "silent" {
		p.asked = t.Question.ID
		p.say(prompt{text: t.Question.Speak, question: true})
	}
	if t.Partial && p.said != nil && p.stops == 0 {
		p.stops = now + ms(hushMS)
	}
}

// say speaks, after what is being said.
func (p *page) say(what prompt) {
	if p.said != nil {
		p.next = append(p.next, what)
		return
	}
	p.said, p.waits, p.began, p.stops = &what, p.w.now+ms(beginsMS), 0, 0
	if p.tone != "" && (what.where || p.tone == "short" || p.tone == "arch") {
		p.waits = max(p.waits, p.toneTo)
	}
	p.rest, p.words = p.utter(what.text)
}

// spokenWord is a word of a text and how much of the sound is left once it has been heard.
type spokenWord struct {
	text string
	left int
}

// utter gives the sound of a text: clips of the tool's own voice, silence of the same length where there is none.
func (p *page) utter(text string) (out []int16, words []spokenWord) {
	for _, f := range strings.Fields(text) {
		for _, w := range numberWords(strings.Trim(f, ".,?:;!")) {
			c := p.own[w]
			out = append(out, c...)
			out = append(out, make([]int16, max(ms(60), ms(wordMS)-int64(len(c))))...)
		}
		words = append(words, spokenWord{f, len(out)})
		if strings.ContainsAny(f, ".?:;") {
			out = append(out, make([]int16, ms(100))...)
		}
	}
	for i := range words {
		words[i].left = len(out) - words[i].left
	}
	return out, words
}

// hush ends what is being said, and what was to follow.
func (p *page) hush() {
	p.next = nil
	p.end(false)
}

// end is called when the words are over, or cut off.
func (p *page) end(whole bool) {
	s, left := p.said, len(p.rest)
	if s == nil {
		return
	}
	p.said, p.rest = nil, nil
	if p.began > 0 {
		p.w.tool.spoke(p.began, p.w.now)
		if heard := ""; !whole && !s.question && !s.where {
			for _, w := range p.words {
				if w.left >= left {
					heard += " " + w.text
				}
			}
			p.heards = append(p.heards, sound{Words: heard, Cut: true, From: p.began, To: p.w.now})
		} else if whole {
			p.heards = append(p.heards, sound{Words: s.text, Question: s.question, Where: s.where, From: p.began, To: p.w.now})
		}
		p.w.trace.hears(p.w.now, s, whole)
	}
	if len(p.next) > 0 {
		n := p.next[0]
		p.next = p.next[1:]
		p.say(n)
	}
}

func (p *page) toneOver() {
	if p.tone != "" {
		p.heards = append(p.heards, sound{Tone: p.tone, From: p.toneFrom, To: p.toneTo})
		p.w.trace.tone(p.toneTo, p.tone)
		p.tone = ""
	}
}

// sound gives what the loudspeaker sounds in the coming 20 ms, at the level of the person's voice.
func (p *page) sound() (out [frame]float64) {
	now := p.w.now
	if p.said != nil && now >= p.waits {
		if p.began == 0 {
			p.began = max(now, 1)
			p.w.tool.speaks(p.began, p.said.text)
		}
		n := min(frame, len(p.rest))
		for i, s := range p.rest[:n] {
			out[i] = float64(s)
		}
		p.rest = p.rest[n:]
	}
	if p.tone != "" && now >= p.toneFrom && now < p.toneTo {
		amp := math.Pow(10, voiceDB/20.) * math.MaxInt16 * math.Sqrt2
		for i := range out {
			out[i] += amp * math.Sin(2*math.Pi*toneHz[p.tone]*float64(now+int64(i))/speech.Rate)
		}
	}
	return out
}

// pass ends what is over.
func (p *page) pass() {
	if p.tone != "" && p.w.now >= p.toneTo {
		p.toneOver()
	}
	if p.said != nil && p.began > 0 {
		if p.stops > 0 && p.w.now >= p.stops {
			p.hush()
		} else if len(p.rest) == 0 {
			p.end(true)
		}
	} else if p.said != nil && p.stops > 0 && p.w.now >= p.stops {
		p.hush()
	}
}

// ownVoice is the tool's own, word by word, at the level of the person's.
var ownVoice = sync.OnceValues(func() (map[string][]int16, error) {
	clips, err := recordings.Clips("own-voice")
	if err != nil {
		return nil, err
	}
	own := map[string][]int16{}
	for _, c := range clips {
		own[c.Words] = level(trim(c.PCM), voiceDB)
	}
	return own, nil
})

// numberWords gives the words of a numeral below 40, and any other word as it is.
func numberWords(f string) []string {
	n := 0
	for _, c := range f {
		if c < '0' || c > '9' || n > 39 {
			return []string{f}
		}
		n = n*10 + int(c-'0')
	}
	if f == "" || n > 39 {
		return []string{f}
	}
	return spell(n)
}
