package report

import (
	"cmp"
	"context"
	"iter"
	"slices"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/practice"
)

// Kept is what a store must give.
type Kept interface {
	// EachPatient yields the patients by id, those behind after only.
	EachPatient(ctx context.Context, after string) iter.Seq2[practice.Patient, error]
	Patient(ctx context.Context, id string) (practice.Patient, error)
	Exam(ctx context.Context, id string) (practice.Exam, error)
	// Exams lists the exams of a patient.
	Exams(ctx context.Context, patient string) ([]practice.Exam, error)
	Log(exam string) practice.Log
	Settings(ctx context.Context, scope string) (map[string]string, error)
}

// From gives the exams of a store; program is the version that writes.
func From(s Kept, program string) Source { return records{s, program} }

type records struct {
	store   Kept
	program string
}

func personOf(p *practice.Patient) Person {
	return Person{ID: p.ID, Name: p.Name, Number: p.Number, Born: p.Born}
}

func (s records) Patients(ctx context.Context, after string) iter.Seq2[Person, error] {
	return func(yield func(Person, error) bool) {
		for p, err := range s.store.EachPatient(ctx, after) {
			if !yield(personOf(&p), err) || err != nil {
				return
			}
		}
	}
}

func (s records) Patient(ctx context.Context, id string) (Person, error) {
	p, err := s.store.Patient(ctx, id)
	return personOf(&p), err
}

// Records gives the exams that cannot be read first, as errors; the others follow whoever goes on. It folds each exam once: the one before is at hand as the evidence of progression.
func (s records) Records(ctx context.Context, patient string) iter.Seq2[*Record, error] {
	return func(yield func(*Record, error) bool) {
		p, err := s.store.Patient(ctx, patient)
		if err != nil {
			yield(nil, err)
			return
		}
		head, err := practice.LetterheadOf(ctx, s.store)
		if err != nil {
			yield(nil, err)
			return
		}
		xs, err := s.store.Exams(ctx, patient)
		if err != nil {
			yield(nil, err)
			return
		}
		rs := make([]*Record, 0, len(xs))
		for i := range xs {
			r, err := s.fold(ctx, &p, &xs[i], &head)
			if err != nil {
				if !yield(nil, err) {
					return
				}
				continue
			}
			rs = append(rs, r)
		}
		slices.SortStableFunc(rs, func(a, b *Record) int {
			return cmp.Or(a.Exam.Began.Compare(b.Exam.Began), cmp.Compare(a.Exam.ID, b.Exam.ID))
		})
		var before *Record
		for i, r := range rs {
			earlier := before
			if j := slices.IndexFunc(rs[:i], func(e *Record) bool { return e.Exam.ID == r.Exam.Earlier }); j >= 0 {
				earlier = rs[j]
			}
			assess(r, earlier)
			if !yield(r, nil) {
				return
			}
			if recorded(r.Chart) && r.Void == nil {
				before = r
			}
		}
	}
}

// Record reads the exams of its patient up to the one that is asked for.
func (s records) Record(ctx context.Context, exam string) (*Record, error) {
	x, err := s.store.Exam(ctx, exam)
	if err != nil {
		return nil, err
	}
	for r, err := range s.Records(ctx, x.Patient) {
		if err != nil || r.Exam.ID == exam {
			return r, err
		}
	}
	return nil, practice.ErrNotFound // it went meanwhile
}

func (s records) fold(ctx context.Context, p *practice.Patient, x *practice.Exam, head *practice.Letterhead) (*Record, error) {
	st, err := practice.Fold(ctx, s.store, x.ID)
	if err != nil {
		return nil, err
	}
	r := &Record{Practice: head.Name, Phone: head.Phone, Emergency: head.Emergency, Program: s.program, Patient: personOf(p), Chart: &st.Chart, Doubts: st.OpenDoubts(),
		Signatures: st.Signatures, Amendments: st.Amendments, Void: st.Void,
		Exam: Exam{ID: x.ID, Kind: x.Kind, Earlier: x.Earlier, Began: x.Created, Ended: x.Created, Examiner: x.Examiner, SignedBy: x.SignedBy, Signed: x.Signed, Head: x.Head}}
	log := st.Log()
	if len(log) > 0 {
		r.Exam.Began, r.Exam.Ended = time.UnixMilli(log[0].Time), time.UnixMilli(log[len(log)-1].Time)
	}
	if r.Exam.Examiner == "" {
		r.Exam.Examiner = caller(log)
	}
	if st.Waits() {
		r.Exam.SignedBy, r.Exam.Signed = "", time.Time{}
	}
	if d, ok := st.Plan(); ok {
		r.Plan = &d
	}
	r.Chart.ID, r.Chart.Exam = x.ID, r.Origin()
	return r, nil
}

// caller is who made most of the calls of a log.
func caller(log []chart.Event) string {
	n := map[string]int{}
	for i := range log {
		if e := &log[i]; e.Kind == chart.KindCall && e.Who != "" {
			n[e.Who]++
		}
	}
	who := ""
	for w := range n {
		if who == "" || cmp.Or(cmp.Compare(n[w], n[who]), cmp.Compare(who, w)) > 0 {
			who = w
		}
	}
	return who
}

func recorded(c *chart.Chart) bool {
	found := false
	c.Each(func(_ chart.Tooth, rec *chart.ToothRecord) bool {
		for s := range rec.Sites {
			found = found || rec.Sites[s].Depth.Known()
		}
		return !found
	})
	return found
}

// assess works out the findings, with the exam before as direct evidence of progression.
func assess(r, earlier *Record) {
	o := diagnosis.Options{Doubts: chart.Named(r.Doubts)}
	if earlier != nil {
		o.Earlier = &diagnosis.Earlier{Chart: earlier.Chart, Years: r.Exam.Began.Sub(earlier.Exam.Began).Hours() / (365.25 * 24)}
	}
	r.Findings, r.Before = diagnosis.Assess(r.Chart, o), earlier
}
