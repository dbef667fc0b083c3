package practice

import (
	"context"
	"errors"
	"maps"
	"sync"
	"time"
)

// lookAgain is for how long the looks of a person at a patient's record are one look.
const lookAgain = 10 * time.Minute

// looks remembers who looked at whom lately.
type looks struct {
	mu   sync.Mutex
	last map[[2]string]time.Time
}

// first reports whether this look is to be journalled.
func (l *looks) first(who, patient string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := [2]string{who, patient}
	if t, seen := l.last[at]; seen && now.Sub(t) < lookAgain && !now.Before(t) {
		return false
	}
	if l.last == nil || len(l.last) > 10_000 { // more pairs than anybody looks at in ten minutes
		l.last = map[[2]string]time.Time{}
	}
	l.last[at] = now
	return true
}

// Looked journals that the person of the context looked at a patient's record, or at the list of all patients for "".
func (p *Practice) Looked(ctx context.Context, patient string) error {
	if !p.looks.first(Who(ctx), patient, p.now()) {
		return nil
	}
	what := "patient.read"
	if patient == "" {
		what = "patients.listed"
	}
	return p.records.Note(ctx, what, patient, "")
}

// LookedAt is Looked for the patient of an exam.
func (p *Practice) LookedAt(ctx context.Context, exam string) error {
	x, err := p.records.Exam(ctx, exam)
	if err != nil {
		return err
	}
	return p.Looked(ctx, x.Patient)
}

// Exported journals that an exam left in a form, each time.
func (p *Practice) Exported(ctx context.Context, exam, form string) error {
	x, err := p.records.Exam(ctx, exam)
	if err != nil {
		return err
	}
	return p.records.Note(ctx, "exam.exported", x.Patient, form+" of exam "+exam)
}

// Note journals what changes no record.
func (p *Practice) Note(ctx context.Context, what, patient, detail string) error {
	return p.records.Note(ctx, what, patient, detail)
}

// Journal searches the journal, the newest entries first.
func (p *Practice) Journal(ctx context.Context, q JournalQuery) ([]Entry, error) {
	return p.records.Journal(ctx, q)
}

// Names says how everybody who works here and the patients of entries are called now, by id. Who was erased has no name.
func (p *Practice) Names(ctx context.Context, es []Entry) (people, patients map[string]string, err error) {
	people, patients = map[string]string{}, map[string]string{}
	all, err := p.records.People(ctx)
	for _, x := range all {
		people[x.ID] = x.Name
	}
	for _, e := range es {
		if _, known := patients[e.Patient]; known || e.Patient == "" || err != nil {
			continue
		}
		var pt Patient
		if pt, err = p.records.Patient(ctx, e.Patient); errors.Is(err, ErrNotFound) {
			err = nil
		}
		patients[e.Patient] = pt.Name
	}
	maps.DeleteFunc(patients, func(_, name string) bool { return name == "" })
	return people, patients, err
}
