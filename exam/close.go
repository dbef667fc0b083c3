package exam

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"leadsman/chart"
	"leadsman/grammar"
)

const closeQuietMS = 800 // silence before the next question of the closing

// closeStep is one question on the way from "exam complete" to the signature.
type closeStep string

const (
	stepSites   closeStep = "sites"   // sites without a depth: go there, leave them open, leave them out with a reason
	stepFlags   closeStep = "flags"   // what was called at some sites: was it called only where it is?
	stepMargins closeStep = "margins" // likewise the margins
)

// closing is how far the questions after "exam complete" have come. It is no part of the log: what was answered is.
type closing struct {
	on    bool
	done  map[closeStep]bool
	asked map[closeStep]int
}

// asks is what a question of the closing does by its answers. An empty command does nothing but go on.
type asks struct {
	step    closeStep
	yes, no chart.Command
	reason  func(string) chart.Command // of sites that are skipped with a reason; nil: not asked
}

// flagsCalled are the findings that may have been called only where they are, with their names for people.
var flagsCalled = []struct {
	field chart.Field
	name  string
}{{"bleeding", "bleeding"}, {"suppuration", "pus"}, {"plaque", "plaque"}, {"calculus", "calculus"}}

// follow begins the closing with "exam complete" by voice, and ends it when the examiner goes on instead.
func (c *closing) follow(v chart.Verb) {
	switch v {
	case chart.VerbComplete:
		*c = closing{on: true, done: map[closeStep]bool{}, asked: map[closeStep]int{}}
	case chart.VerbSoundings, chart.VerbAll, chart.VerbGo, chart.VerbAspect, chart.VerbNext, chart.VerbBack, chart.VerbPath, chart.VerbPass, chart.VerbSign:
		c.on = false
	}
}

// askClosing puts the next question of the closing; after the last one it says what stays open and who signs. A signature is not given by
// voice: anybody in the room may say yes.
func (e *Exam) askClosing(quietMS int64) {
	c := &e.closing
	if !c.on || !e.state.Complete || e.state.SignedBy != "" || quietMS < closeQuietMS {
		return
	}
	if q := e.closingQuestion(stepSites); q != nil {
		e.ask(q)
		return
	}
	if len(e.due) > 0 {
		return // doubts come next, by themselves
	}
	for _, s := range []closeStep{stepFlags, "bleeding", "suppuration", "plaque", "calculus", stepMargins} {
		if q := e.closingQuestion(s); q != nil {
			e.ask(q)
			return
		}
	}
	c.on = false
	who := e.speaker.Who
	if who == "" {
		who = "the examiner"
	}
	said := counts(e.state) + ". " + who + " signs on the screen"
	e.tell(Change{Answer: &Answer{Did: chart.VerbComplete, Text: said, Speak: said, Must: true, Tone: ToneAccepted}})
}

// closingQuestion is what a step asks, or nil if it has nothing to ask.
func (e *Exam) closingQuestion(s closeStep) *Question {
	if e.closing.done[s] || e.closing.asked[s] >= mostAsked {
		return nil
	}
	switch s {
	case stepSites:
		return e.askSites()
	case stepFlags:
		return e.askFlags()
	case stepMargins:
		return e.askMargins()
	}
	if !e.closing.done[stepFlags] {
		return nil // asked about all of them first
	}
	return e.askFlag(s)
}

// unprobed are the sites of the path without a depth and without a reason for that.
func (e *Exam) unprobed() (out []chart.SiteRef) {
	for _, r := range e.state.Unrecorded() {
		if e.state.Chart.Patient.Teeth[r.Tooth].Sites[r.Site].NotAssessable == "" {
			out = append(out, r)
		}
	}
	return out
}

func (e *Exam) askSites() *Question {
	open := e.unprobed()
	if len(open) == 0 {
		return nil
	}
	first := open[0].Place()
	what := plural(len(open), "site") + " not probed, "
	if last := open[len(open)-1].Place(); last != first {
		what += "first "
	}
	what += placeLabel(e.state, first)
	return &Question{Speak: what + ": go there? or skip, and why",
		Text: fmt.Sprintf("%s. Yes: go there. No: they stay open. Or skip, with the reason: %s", what, strings.Join(grammar.Reasons, ", ")),
		asks: &asks{step: stepSites, yes: chart.Command{Acts: []chart.Act{{Verb: chart.VerbGo, Tooth: first.Tooth, Aspect: first.Aspect, HasAspect: true}}},
			reason: func(why string) chart.Command { return leaveOut(open, why) }}}
}

// leaveOut notes for sites why they could not be probed.
func leaveOut(refs []chart.SiteRef, why string) chart.Command {
	in := struct {
		Teeth map[chart.Tooth]chart.ToothInputs `json:"teeth"`
	}{map[chart.Tooth]chart.ToothInputs{}}
	for _, r := range refs {
		t := in.Teeth[r.Tooth]
		if t.Sites == nil {
			t.Sites = map[chart.Site]chart.SiteInputs{}
		}
		t.Sites[r.Site] = chart.SiteInputs{NotAssessable: why}
		in.Teeth[r.Tooth] = t
	}
	b, err := json.Marshal(in)
	if err != nil {
		panic(err) // words and numbers of our own
	}
	return chart.Command{Acts: []chart.Act{{Verb: chart.VerbPatient, Text: string(b)}}}
}

// uncalled counts the probed sites at which something was called, and those where nothing was said of it.
func (e *Exam) uncalled(f chart.Field) (at, open int) {
	flag, isFlag := chart.FlagOf(f)
	for r := range e.state.Walked() {
		rec := e.state.Chart.Site(r)
		switch {
		case !rec.Depth.Known():
		case isFlag && rec.Flags[flag].Recorded(), !isFlag && rec.Recession.Known():
			at++
		default:
			open++
		}
	}
	return at, open
}

// unseen begins a remark that says of which findings it is not known whether they are at the sites where they were not called; names follow,
// with a comma between them.
const unseen = "Not looked for at the other sites: "

// unseen reports whether it was said that something was not looked for.
func (e *Exam) unseen(name string) bool {
	for _, r := range e.state.Remarks {
		if list, ok := strings.CutPrefix(r.Text, unseen); ok {
			for n := range strings.SplitSeq(list, ", ") {
				if strings.EqualFold(n, name) {
					return true
				}
			}
		}
	}
	return false
}

// askFlags asks once about all findings that may have been called only where they are.
func (e *Exam) askFlags() *Question {
	var at, nowhere []string
	a := &asks{step: stepFlags}
	for _, f := range flagsCalled {
		n, open := e.uncalled(f.field)
		if open == 0 || e.unseen(f.name) {
			continue
		}
		if n > 0 {
			at = append(at, fmt.Sprintf("%s at %d", f.name, n))
		} else {
			nowhere = append(nowhere, f.name)
		}
		a.yes.Acts = append(a.yes.Acts, chart.Act{Verb: chart.VerbRest, Field: f.field})
	}
	if len(a.yes.Acts) == 0 {
		return nil
	}
	if nowhere != nil {
		at = append(at, strings.Join(nowhere, " and ")+" nowhere")
	}
	speak := strings.Join(at, ", ") + ": none at the other sites?"
	return &Question{Speak: speak, Text: upperFirst(speak) + " Yes: it was called only where it is. No: each is asked by itself.", asks: a}
}

// askFlag asks about one of them, if not all were called only where they are.
func (e *Exam) askFlag(s closeStep) *Question {
	for _, f := range flagsCalled {
		if _, open := e.uncalled(f.field); closeStep(f.field) == s && open > 0 && !e.unseen(f.name) {
			return called(s, fmt.Sprintf("no %s at the other %s?", f.name, plural(open, "site")), f.field, f.name)
		}
	}
	return nil
}

func (e *Exam) askMargins() *Question {
	at, open := e.uncalled(chart.FieldRecession)
	if open == 0 || e.unseen("margins") {
		return nil
	}
	text := "no margins were called: all at the C E J?"
	if at > 0 {
		text = fmt.Sprintf("margins at %d: the other %s at the C E J?", at, plural(open, "site"))
	}
	return called(stepMargins, text, chart.FieldRecession, "margins")
}

// called asks whether something was called only where it is; if not, it is unknown at the other sites, and a remark says so.
func called(s closeStep, text string, f chart.Field, name string) *Question {
	return &Question{Speak: text, Text: upperFirst(strings.ReplaceAll(text, "C E J", "CEJ")) + " No: it was not looked for there, and stays unknown.",
		asks: &asks{step: s, yes: chart.Command{Acts: []chart.Act{{Verb: chart.VerbRest, Field: f}}},
			no: chart.Command{Acts: []chart.Act{{Verb: chart.VerbRemark, Text: unseen + upperFirst(name)}}}}}
}

// closes gives what an answer to a question of the closing does; ok is false if the act is no answer to it.
func (q *Question) closes(a chart.Act) (do chart.Command, ok bool) {
	switch {
	case a.Verb == chart.VerbAffirm:
		return q.asks.yes, true
	case a.Verb == chart.VerbNegative:
		return q.asks.no, true
	case a.Verb == chart.VerbSkip && a.Text != "" && q.asks.reason != nil:
		return q.asks.reason(a.Text), true
	}
	return do, false
}

// mayskip reports whether sites may be skipped with a reason as the answer.
func (q *Question) mayskip() bool { return q.asks != nil && q.asks.reason != nil }

// replyClosing performs a call as the answer to a question of the closing.
func (e *Exam) replyClosing(ctx context.Context, q *Question, act chart.Act, m chart.Meta) (done bool, a Answer, err error) {
	do, ok := q.closes(act)
	if !ok {
		return false, a, nil
	}
	e.question = nil
	e.closing.done[q.asks.step] = true
	if q.asks.step == stepSites {
		if err := e.knowsOpenEnds(ctx); err != nil {
			return true, a, err
		}
	}
	e.stream.calledMS = max(e.stream.calledMS, m.EndMS)
	if len(do.Acts) > 0 {
		a, err = e.perform(ctx, do, m, nil)
		return true, a, err
	}
	a = Answer{Did: act.Verb, Words: m.Words, Text: "left as it is", Tone: ToneAccepted, EndMS: m.EndMS}
	e.tell(Change{Answer: &a, Head: e.head(), Partial: &Partial{}})
	return true, a, nil
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
