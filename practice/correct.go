package practice

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"leadsman/chart"
	"leadsman/exam"
)

// living is a patient under whom something can be kept.
func (p *Practice) living(ctx context.Context, id string) (Patient, error) {
	pt, err := p.records.Patient(ctx, id)
	if err == nil && pt.Merged != "" {
		err = fmt.Errorf("%s was merged with another patient: open that one: %w", pt.Name, ErrInvalid)
	}
	return pt, err
}

// order has an exam do what concerns it as a whole.
func (p *Practice) order(ctx context.Context, id string, a chart.Act, by exam.Caller, call string) error {
	e, err := p.Open(ctx, id)
	if err != nil {
		return err
	}
	_, err = e.Do(ctx, chart.Command{Acts: []chart.Act{a}}, by, call)
	return err
}

// MoveExam gives an exam to the patient whose it is. call makes asking twice harmless.
func (p *Practice) MoveExam(ctx context.Context, id, to, reason string, by exam.Caller, call string) error {
	x, err := p.records.Exam(ctx, id)
	if err != nil {
		return err
	}
	if _, err := p.living(ctx, to); err != nil {
		return err
	}
	if x.Patient == to {
		return &chart.Refusal{Text: "this is an exam of that patient already"}
	}
	return p.order(ctx, id, chart.Act{Verb: chart.VerbOwner, Text: reason, Patient: to}, by, call)
}

// MergePatients keeps what belongs to one patient under another from here on: both records are of one person. It can be asked again
// where it was interrupted.
func (p *Practice) MergePatients(ctx context.Context, from, into, reason string, by exam.Caller) error {
	if strings.TrimSpace(reason) == "" {
		return &chart.Refusal{Text: "give the reason"}
	}
	if from == into {
		return &chart.Refusal{Text: "choose another patient to merge with"}
	}
	_, err := p.living(ctx, from)
	if err == nil {
		_, err = p.living(ctx, into)
	}
	if err != nil {
		return err
	}
	move := func() error {
		xs, err := p.records.Exams(ctx, from)
		for _, x := range xs {
			err = errors.Join(err, p.order(ctx, x.ID, chart.Act{Verb: chart.VerbOwner, Text: reason, Patient: into}, by, ""))
		}
		return err
	}
	if err := move(); err != nil {
		return err
	}
	if err := p.records.MergePatient(ctx, from, into, reason, by.Person); err != nil {
		return err
	}
	return move() // what was begun meanwhile; nothing begins there from here on
}

// Waiting lists the exams of which something waits for a co-signature, the newest first.
func (p *Practice) Waiting(ctx context.Context) ([]Visit, error) {
	xs, err := p.records.WaitingExams(ctx)
	if err != nil {
		return nil, err
	}
	out := []Visit{}
	for _, x := range xs {
		v, err := p.visit(ctx, x)
		if err != nil {
			p.log.Error("exam cannot be read", "exam", x.ID, "err", err)
			continue
		}
		out = append(out, v)
	}
	return out, nil
}
