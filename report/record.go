package report

import (
	"context"
	"iter"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
)

// Record is an exam with all that reports say of it.
type Record struct {
	Practice  string // name of the practice
	Phone     string // of the practice
	Emergency string // number that patients are told to call in an emergency
	Program   string // version of the program that writes
	Patient   Person
	Exam      Exam
	// Chart is the fold of the log; its ID is the exam's and its Exam says where it comes from. Not to be changed.
	Chart  *chart.Chart
	Doubts []chart.Doubt // that nobody settled
	// What followed the entries, oldest first. Signatures may wait for a co-signature: then Exam.SignedBy is empty.
	Signatures []chart.Signature
	Amendments []chart.Amendment
	Void       *chart.Void     // the exam counts no more; nil: it counts
	Plan       *chart.Decision // in force; nil: nothing was decided
	Findings   diagnosis.Findings
	Before     *Record // the exam that it is compared with; nil: none
}

// Person is a patient.
type Person struct {
	ID     string
	Name   string // "" where the record leaves without names
	Number string // the practice's own file number
	Born   string // YYYY-MM-DD, or less of it
}

// Exam is when and by whom.
type Exam struct {
	ID       string
	Kind     string // exam or re-evaluation
	Earlier  string // the exam that it follows
	Began    time.Time
	Ended    time.Time // last entry
	Examiner string
	SignedBy string // "": not signed
	Signed   time.Time
	Head     string // hash of the last event of the log, hex
}

// Probe is the probe that was used, in the practice's words.
func (r *Record) Probe() string { return r.Chart.Patient.Probe }

// Origin is what a chart file says of the exam.
func (r *Record) Origin() chart.Origin {
	o := chart.Origin{Began: r.Exam.Began.Format(time.RFC3339), Kind: r.Exam.Kind, Examiner: r.Exam.Examiner, Probe: r.Probe(), SignedBy: r.Exam.SignedBy, Doubts: chart.Named(r.Doubts)}
	if r.Exam.SignedBy != "" {
		o.Signed = r.Exam.Signed.Format(time.RFC3339)
	}
	for _, a := range r.Amendments {
		o.Amendments = append(o.Amendments, a.Told(r.Chart.Numbering))
	}
	return o
}

// Source is where records come from. All of it fails with the source's own errors for what is not there.
type Source interface {
	// Patients yields the patients by id, those behind after only.
	Patients(ctx context.Context, after string) iter.Seq2[Person, error]
	Patient(ctx context.Context, id string) (Person, error)
	// Records yields the exams of a patient, oldest first.
	Records(ctx context.Context, patient string) iter.Seq2[*Record, error]
	Record(ctx context.Context, exam string) (*Record, error)
}
