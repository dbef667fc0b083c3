package report

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"time"

	"leadsman/chart"
)

// Veil puts pseudonyms in the place of people, so that exams can be studied: with the same key the same person has the same pseudonym
// in every export, and without the key nobody can tell whose it is. Patients, exams and examiners are renamed; the name, file number,
// birth date and free texts go; ages of 90 and more become 90; all days of one patient are moved back by the same number of weeks, one
// to 52, so that intervals and days of the week stay. What a mouth looks like stays as well: whoever knows a mouth can find it.
type Veil struct{ key []byte }

// NewVeil makes a veil of a secret key of at least 16 bytes.
func NewVeil(key []byte) Veil { return Veil{key} }

func (v Veil) sum(kind, id string) []byte {
	h := hmac.New(sha256.New, v.key)
	h.Write([]byte(kind + "\x00" + id))
	return h.Sum(nil)
}

func (v Veil) name(kind, id string) string {
	if id == "" {
		return ""
	}
	return kind[:1] + hex.EncodeToString(v.sum(kind, id)[:6])
}

// oldest is the age from which on ages are not told apart.
// Source: United States health privacy rule, safe harbor, 45 CFR 164.514(b)(2) (from memory).
const oldest = 90

// Record is r with pseudonyms; r is not changed.
func (v Veil) Record(r *Record) *Record {
	out, c := *r, *r.Chart
	back := -7 * int(1+binary.BigEndian.Uint16(v.sum("days", r.Patient.ID))%52)
	move := func(t time.Time) time.Time {
		if t.IsZero() {
			return t
		}
		return t.AddDate(0, 0, back)
	}
	day := func(d string) string {
		if t, err := time.Parse(time.DateOnly, d); err == nil {
			return move(t).Format(time.DateOnly)
		}
		return ""
	}
	c.Patient = r.Chart.Patient.Clone()
	if age, ok := r.Age(); ok {
		age = min(age, oldest)
		c.Patient.Age = &age
	}
	c.Patient.ProbingConditions = ""
	c.Patient.TherapyFinished = day(c.Patient.TherapyFinished)
	out.Practice, out.Phone, out.Emergency, out.Before = "", "", "", nil
	out.Patient = Person{ID: v.name("patient", r.Patient.ID)}
	out.Exam.ID, out.Exam.Earlier = v.name("exam", r.Exam.ID), v.name("exam", r.Exam.Earlier)
	out.Exam.Examiner, out.Exam.SignedBy = v.name("who", r.Exam.Examiner), v.name("who", r.Exam.SignedBy)
	out.Exam.Began, out.Exam.Ended, out.Exam.Signed, out.Exam.Head = move(r.Exam.Began), move(r.Exam.Ended), move(r.Exam.Signed), ""
	c.ID = out.Exam.ID
	out.Chart = &c
	out.Plan, out.Signatures, out.Amendments = nil, nil, nil // in people's words
	c.Exam = out.Origin()
	out.Findings.ID, out.Findings.Exam = c.ID, c.Exam
	out.Doubts = append([]chart.Doubt(nil), r.Doubts...)
	for i := range out.Doubts {
		out.Doubts[i].Reason, out.Doubts[i].Rival = "", ""
	}
	return &out
}

// Age is the patient's age at the exam in years: as it was asked, else by the birth date; a year alone may be wrong by one.
func (r *Record) Age() (int, bool) {
	if a := r.Chart.Patient.Age; a != nil {
		return *a, true
	}
	b := r.Patient.Born
	for _, layout := range []string{"2006-01-02", "2006-01", "2006"} {
		if t, err := time.Parse(layout, b); err == nil {
			years := r.Exam.Began.Year() - t.Year()
			if layout != "2006" && r.Exam.Began.AddDate(-years, 0, 0).Before(t) {
				years--
			}
			return years, years >= 0
		}
	}
	return 0, false
}
