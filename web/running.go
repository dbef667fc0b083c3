package web

import (
	"context"

	"leadsman/chart"
	"leadsman/exam"
)

// Running shows an exam.Exam to the pages.
func Running(e *exam.Exam) Exam { return running{e} }

type running struct{ e *exam.Exam }

func (r running) View(ctx context.Context) (exam.View, error) { return r.e.View(ctx) }

func (r running) Subscribe(from uint64) (<-chan exam.Change, func()) {
	s := r.e.Subscribe(from)
	return s.C, s.Close
}

func (r running) Words(ctx context.Context, text string, by exam.Caller, id string) (exam.Answer, error) {
	return r.e.Words(ctx, text, by, id)
}

func (r running) Do(ctx context.Context, c chart.Command, by exam.Caller, id string) (exam.Answer, error) {
	return r.e.Do(ctx, c, by, id)
}

func (r running) OpenMic(owner, voice string, takeover bool) (Mic, error) {
	m, err := r.e.OpenMicFor(owner, voice, takeover)
	if err != nil {
		return nil, err
	}
	return m, nil
}

func (r running) Chart(ctx context.Context) (*chart.Chart, []chart.Doubt, error) {
	return r.e.Chart(ctx)
}

func (r running) History(ctx context.Context, at chart.SiteRef) ([]chart.Entry, error) {
	return r.e.History(ctx, at)
}
