package reporttest

import (
	"context"
	"fmt"
	"iter"
	"math/rand/v2"
	"strconv"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/practice"
	"leadsman/report"
)

// Practice is a source of invented patients with as many exams each, half a year apart, in whole mouths of 28 teeth. It keeps nothing:
// a patient's exams are made anew from the number whenever they are asked for, so that there can be any number of them.
type Practice struct{ Number, Each int }

func (s Practice) Patients(_ context.Context, after string) iter.Seq2[report.Person, error] {
	return func(yield func(report.Person, error) bool) {
		for i := range s.Number {
			if p := personOf(i); p.ID > after && !yield(p, nil) {
				return
			}
		}
	}
}

func personOf(i int) report.Person {
	return report.Person{ID: fmt.Sprintf("p%07d", i), Name: fmt.Sprintf("Invented Patient %d", i), Number: strconv.Itoa(i), Born: fmt.Sprintf("%d-03-28", 1940+i%60)}
}

// numberOf finds a patient by the id.
func (s Practice) numberOf(id string) (int, error) {
	if i, err := strconv.Atoi(id[min(1, len(id)):]); err == nil && i < s.Number && personOf(i).ID == id {
		return i, nil
	}
	return 0, fmt.Errorf("patient %q: %w", id, practice.ErrNotFound)
}

func (s Practice) Patient(_ context.Context, id string) (report.Person, error) {
	i, err := s.numberOf(id)
	return personOf(i), err
}

func (s Practice) Records(_ context.Context, patient string) iter.Seq2[*report.Record, error] {
	return func(yield func(*report.Record, error) bool) {
		i, err := s.numberOf(patient)
		if err != nil {
			yield(nil, err)
			return
		}
		rnd := rand.New(rand.NewPCG(uint64(i), 11))
		var before *report.Record
		for n := range s.Each {
			r := exam(rnd, i, n)
			o := diagnosis.Options{}
			if before != nil {
				o.Earlier = &diagnosis.Earlier{Chart: before.Chart, Years: 0.5}
			}
			r.Findings, r.Before = diagnosis.Assess(r.Chart, o), before
			if !yield(r, nil) {
				return
			}
			before = r
		}
	}
}

func (s Practice) Record(ctx context.Context, exam string) (*report.Record, error) {
	return nil, practice.ErrNotFound // by patient alone
}

// exam is the n-th of a patient.
func exam(rnd *rand.Rand, patient, n int) *report.Record {
	at := time.Date(2026, 1, 5, 9, 0, 0, 0, time.UTC).AddDate(0, 6*n, patient%200)
	c := &chart.Chart{ID: fmt.Sprintf("x%07d-%d", patient, n), Numbering: chart.FDI}
	for _, t := range chart.AllTeeth() {
		rec := c.Tooth(t)
		if rec.Presence = chart.Present; t.Position() == 8 {
			rec.Presence = chart.Missing
			continue
		}
		ill := rnd.IntN(10) < patient%5
		for s := range chart.NumSites {
			d := 1 + rnd.IntN(3)
			if ill && s.Interdental() {
				d += rnd.IntN(6)
			}
			v := &rec.Sites[s]
			v.Depth, v.Recession = chart.Millimetres(d), chart.Millimetres(rnd.IntN(3)-1)
			v.Flags[chart.Bleeding], v.Flags[chart.Plaque] = chart.Is(d > 3 && rnd.IntN(2) == 0), chart.Is(rnd.IntN(4) == 0)
		}
	}
	p := personOf(patient)
	r := &report.Record{Practice: "Fathom Lane", Program: "1", Patient: p, Chart: c, Exam: report.Exam{ID: c.ID, Kind: "exam", Began: at, Ended: at.Add(20 * time.Minute),
		Examiner: "Ben Oakley", SignedBy: "Ada Quill", Signed: at.Add(22 * time.Minute), Head: "ab12"}}
	c.Exam = r.Origin()
	return r
}
