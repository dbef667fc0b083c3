package exam

import (
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/exam/hear"
)

// answer works out the reply to a call that was just applied.
func (e *Exam) answer(c chart.Command, m chart.Meta, evs []chart.Event, cause error, before chart.Place, ended bool) Answer {
	v := c.Verb()
	a := Answer{Call: evs[0].Seq, Did: v, Words: m.Words, Tone: ToneAccepted, EndMS: m.EndMS}
	if cause != nil {
		a.Text, a.Speak, a.Tone, a.Must = cause.Error(), cause.Error(), ToneRefused, true
		return a
	}
	a.Text, a.Speak = Describe(e.state, evs), spoken(evs)
	e.wordByVerb(&a, c, m, before)
	switch v {
	case chart.VerbSoundings, chart.VerbAll, chart.VerbFlag, chart.VerbMargin, chart.VerbSkip, chart.VerbPresence:
		if text, speak := leftOut(e.state, evs, before, ended); text != "" {
			a.Must = true
			a.Text += "; " + text
			if a.Speak != "" && v != chart.VerbSkip {
				speak = a.Speak + ". " + speak
			}
			a.Speak = speak
		}
	}
	doubtful := slices.ContainsFunc(evs, func(ev chart.Event) bool {
		return ev.Kind == chart.KindDoubt && ev.Text != tooFew && ev.Text != placeOff
	})
	if doubtful {
		a.Tone = ToneDoubt
	}
	if v == chart.VerbSoundings || v == chart.VerbAll {
		e.placed(&a, m)
	}
	if e.readBack != (chart.Place{}) {
		a.Must, a.Where = true, placeLabel(e.state, e.readBack)
	}
	a.Must = a.Must || e.readNumbers
	if e.saying != "" {
		a.Tone, a.Must, a.Speak, a.Where = ToneShort, true, e.saying, ""
		a.Text = e.saying
	}
	e.stream.placeTold = a.Where != "" && (v != chart.VerbCorrection || len(c.Acts) == 1)
	e.readBack, e.readNumbers, e.saying = chart.Place{}, false, ""
	return a
}

// wordByVerb words the answer to a call as its verb has it; before is the place where the call found the exam.
func (e *Exam) wordByVerb(a *Answer, c chart.Command, m chart.Meta, before chart.Place) {
	to := ""
	if e.state.Place != before && !e.state.AtEnd() {
		to = ". " + whereTo(e.state)
	}
	switch a.Did {
	case chart.VerbSayAgain:
		whole := c.Acts[len(c.Acts)-1].Whole
		a.Must = true
		a.Speak, a.Text = e.sayAgain(whole)
		if !whole {
			a.Where = "next " + whereTo(e.state)
		}
	case chart.VerbWhere:
		a.Tone, a.Must, a.Speak = TonePlace, true, whereTo(e.state)
		a.Text = a.Speak
	case chart.VerbStandBy:
		a.Tone, a.Speak = ToneStandBy, "standing by"
	case chart.VerbGoAhead:
		a.Tone, a.Speak, a.Where = ToneListening, "listening", whereTo(e.state)
	case chart.VerbGo, chart.VerbAspect, chart.VerbNext, chart.VerbBack, chart.VerbSkip:
		a.Tone, a.Speak, a.Must = TonePlace, whereTo(e.state), m.Source == chart.Voice
	case chart.VerbPath:
		a.Tone, a.Speak = TonePlace, "path "+e.state.Path.Name+to
	case chart.VerbPass:
		a.Tone, a.Speak = TonePlace, numbers(e.state.Pass)+to
	case chart.VerbDisregard:
		a.Speak, a.Where = "disregarded", whereTo(e.state)
	case chart.VerbPresence:
		a.Speak = c.Acts[len(c.Acts)-1].Presence.String()
	case chart.VerbComplete:
		a.Must = true
		a.Speak = counts(e.state)
		a.Text = "exam complete: " + a.Speak
	case chart.VerbCorrection:
		if at := hear.AttemptOf(e.state); m.Source == chart.Voice && at.Known() {
			a.Where = placeLabel(e.state, at.Place)
		}
	}
}

// counts says how much of the exam is there, for the screen and the ear.
func counts(s *chart.State) string {
	open := len(s.Unrecorded())
	sites := 0
	for range s.Walked() {
		sites++
	}
	text := fmt.Sprintf("all %d sites probed", sites)
	if open > 0 {
		text = fmt.Sprintf("%d of %d sites probed, %d sites not probed", sites-open, sites, open)
	}
	switch n := len(s.Doubts); n {
	case 0:
		return text + ", no doubts"
	case 1:
		return text + ", 1 doubt"
	default:
		return fmt.Sprintf("%s, %d doubts", text, n)
	}
}

// placed tells by the answer to soundings what has become of their place: a piece of it, all of it, the end of a row. What was
// repaired is read back, and the place is named where that was asked for.
func (e *Exam) placed(a *Answer, m chart.Meta) {
	at := hear.AttemptOf(e.state)
	switch {
	case at.Here:
		a.Tone = TonePart
		if m.Source == chart.Voice && !e.rhythm.Singly() && (e.rhythm.Known() && e.stream.placing.parts == nil || strings.Contains(a.Speak, ".")) && !e.stream.placing.oneByOne {
			a.Speak = "" // the place is read back when it is full
		}
	case e.state.AtEnd() || rowOf(at.Place) != rowOf(e.state.Place):
		a.Tone = ToneArch
	}
	if m.Source != chart.Voice {
		return
	}
	if p := &e.stream.placing; !at.Here && p.place == at.Place && len(p.parts) > 0 && !(p.parts[0].Numbers == 1 && e.rhythm.Singly()) {
		a.Speak = e.placeSpoken(at) // not only the last piece, unless each number has its answer
		a.Must = a.Must || p.repaired || p.toldMS > 0 || p.oneByOne
	}
	// More numbers are about to come while the place is not full: they would be spoken into.
	if e.namePlace && !at.Here {
		a.Where = placeLabel(e.state, at.Place)
		e.stream.named, e.namePlace = at.Place, false
	}
}

// placeSpoken are the numbers of a place, to be read back.
func (e *Exam) placeSpoken(at hear.Attempt) string {
	var out []string
	for _, site := range e.state.Path.Sites(at.Place) {
		if v := e.state.Chart.Number(chart.SiteRef{Tooth: at.Place.Tooth, Site: site}, at.Field); v.Known() {
			out = append(out, speakMM(v))
		}
	}
	return strings.Join(out, ". ")
}

// rowOf tells rows of the path apart: arch and aspect.
func rowOf(p chart.Place) [2]bool { return [2]bool{p.Tooth.Upper(), p.Aspect == chart.Buccal} }

// sayAgain reads back the last entry or the whole tooth.
func (e *Exam) sayAgain(whole bool) (speak, text string) {
	num := e.state.Chart.Numbering
	if !whole {
		last, ok := e.state.LastCall("")
		if !ok {
			return "nothing was entered", "nothing was entered"
		}
		evs := e.state.CallEvents(last.Seq)
		text = Describe(e.state, evs)
		if speak = spoken(evs); speak == "" {
			speak = text
		}
		return speak, text
	}
	f := e.state.Focus
	var sp, tx []string
	for _, as := range []chart.Aspect{chart.Buccal, chart.Lingual} {
		var vals []string
		for _, site := range e.state.Path.Sites(chart.Place{Tooth: f.Tooth, Aspect: as}) {
			rec := e.state.Chart.Site(chart.SiteRef{Tooth: f.Tooth, Site: site})
			v := "none"
			if rec.Depth.Known() {
				v = speakMM(rec.Depth)
			}
			for fl := range chart.NumFlags {
				if rec.Flags[fl] == chart.Yes {
					v += " " + fl.String()
				}
			}
			vals = append(vals, v)
		}
		sp = append(sp, as.String()+" "+strings.Join(vals, ". "))
		tx = append(tx, as.String()+" "+strings.Join(vals, ", "))
	}
	label := f.Tooth.Label(num)
	next := fmt.Sprintf("next %s %s", e.state.Place.Tooth.Label(num), e.state.Place.Aspect)
	return fmt.Sprintf("tooth %s. %s. %s", label, strings.Join(sp, ". "), next), fmt.Sprintf("%s: %s; %s", label, strings.Join(tx, "; "), next)
}

// head is the changing part of the view, with what is being asked.
func (e *Exam) head() *Head {
	h := headOf(e.state)
	if h.Question = e.question; e.question != nil && h.Listening {
		answers := []string{"affirm", "negative"}
		switch {
		case len(e.question.refs) > 0:
			answers = append(answers, "four") // the right number
		case e.question.mayskip():
			answers = append(answers, "skip calculus")
		}
		h.Say = append(answers, h.Say...)
	}
	return &h
}
