package exam

import (
	"context"
	"errors"
	"strings"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/grammar"
)

// Words enters typed words through the same door as spoken ones; what is implausible is doubted as there. id, if not empty, makes a repeated
// call harmless. Errors: *grammar.Misfit, *chart.Refusal, *chart.RangeError, chart.ErrSigned.
func (e *Exam) Words(ctx context.Context, text string, by Caller, id string) (a Answer, err error) {
	runErr := e.run(func() {
		if err = e.own(ctx); err != nil {
			return
		}
		if e.state.Has(id) {
			a = e.repeated(id)
			return
		}
		st := e.canSay()
		words := grammar.Text(text)
		r, perr := grammar.Parse(st, words)
		if perr == nil && r.Ending == grammar.Prefix {
			perr = &grammar.Misfit{Words: words, Reason: "the call is not finished"}
		}
		if perr != nil {
			err = perr
			a = Answer{Words: text, Text: perr.Error(), Tone: ToneMisfit}
			return
		}
		a, err = e.typed(ctx, r.Command, &suspicion{of: func(c *chart.Chart, r chart.Reading, mm chart.MM) (string, string) {
			return e.implausible(c, r, mm), ""
		}}, by.said(chart.Meta{Source: chart.Keyboard, ID: id, Words: strings.Join(words, " "), Confidence: 1}))
	})
	return a, errors.Join(err, runErr)
}

// Do performs a command from a screen. Errors as for Words.
func (e *Exam) Do(ctx context.Context, c chart.Command, by Caller, id string) (a Answer, err error) {
	runErr := e.run(func() {
		if err = e.own(ctx); err != nil {
			return
		}
		if e.state.Has(id) {
			a = e.repeated(id)
			return
		}
		a, err = e.typed(ctx, c, nil, by.said(chart.Meta{Source: chart.Keyboard, ID: id, Confidence: 1}))
	})
	return a, errors.Join(err, runErr)
}

// typed performs a command from a screen; yes and no there answer the open question.
func (e *Exam) typed(ctx context.Context, c chart.Command, doubt *suspicion, m chart.Meta) (Answer, error) {
	if v := c.Verb(); v == chart.VerbAffirm || v == chart.VerbNegative {
		if done, a, err := e.replyTo(ctx, c, m, hear.Verdict{}); done {
			return a, err
		}
	}
	return e.perform(ctx, c, m, doubt)
}

// repeated answers a call that came twice.
func (e *Exam) repeated(id string) Answer {
	for _, ev := range e.state.Log() {
		if ev.Kind == chart.KindCall && ev.ID == id {
			return Answer{Call: ev.Seq, Did: ev.Did, Words: ev.Words, Text: "already entered", Tone: ToneAccepted}
		}
	}
	return Answer{Text: "already entered", Tone: ToneAccepted}
}
