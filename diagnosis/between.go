package diagnosis

import (
	"fmt"
	"math"
	"time"

	"leadsman/chart"
)

// YearsOf is a time between two exams in years.
func YearsOf(d time.Duration) float64 { return d.Hours() / (24 * 365.25) }

// EarlierOf makes the exam before from a chart file and says what lies between the two, as far as the files tell: the years, another
// examiner or probe, therapy. years is 0 if they do not. It refuses two charts that cannot be of one patient in that
// order.
func EarlierOf(before, after *chart.Chart) (*Earlier, error) {
	e := &Earlier{Chart: before}
	a, errA := time.Parse(time.RFC3339, before.Exam.Began)
	b, errB := time.Parse(time.RFC3339, after.Exam.Began)
	dated := errA == nil && errB == nil
	if dated {
		if !a.Before(b) {
			return nil, fmt.Errorf("the exam before was begun on %s and the other one on %s: exchange the two", a.Format(time.DateOnly), b.Format(time.DateOnly))
		}
		e.Years = YearsOf(b.Sub(a))
	}
	for _, t := range permanent {
		if before.Tooth(t).Presence == chart.Implant && after.Tooth(t).Presence == chart.Present {
			return nil, fmt.Errorf("tooth %s is an implant at the exam before and a natural tooth now: two patients, or the two exchanged", t.Label(after.Numbering))
		}
	}
	if x, y := before.Patient.Age, after.Patient.Age; x != nil && y != nil {
		switch grown := *y - *x; {
		case grown < 0:
			return nil, fmt.Errorf("the age is %d at the exam before and %d now: two patients, or the two exchanged", *x, *y)
		case dated && math.Abs(float64(grown)-e.Years) > ageSlack:
			return nil, fmt.Errorf("the age grows by %d years between exams that are %.1f years apart: two patients?", grown, e.Years)
		}
	}
	differ := func(x, y string) bool { return x != "" && y != "" && x != y }
	e.OtherExaminer = differ(before.Exam.Examiner, after.Exam.Examiner) || differ(before.Exam.SignedBy, after.Exam.SignedBy) ||
		differ(before.Exam.Probe, after.Exam.Probe) || differ(before.Patient.Probe, after.Patient.Probe)
	if done, err := time.Parse(time.DateOnly, after.Patient.TherapyFinished); err == nil && dated {
		e.Therapy = TherapyBetween(done, a, b)
	}
	return e, nil
}

// TherapyBetween reports whether active therapy that ended on a day lies between two exams.
func TherapyBetween(done, before, after time.Time) bool {
	day := func(t time.Time) string { return t.Format(time.DateOnly) }
	return !done.IsZero() && day(done) >= day(before) && day(done) <= day(after)
}

// AgeOn is the age in completed years on a day of who was born on a day, or in a month or year, written as YYYY-MM-DD or less of it. Of
// a date that is not complete it is the lower of the two possible ages. ok is false where there is none.
func AgeOn(born string, day time.Time) (years int, ok bool) {
	layout := time.DateOnly[:min(len(born), len(time.DateOnly))]
	b, err := time.Parse(layout, born)
	if born == "" || err != nil || day.Before(b) {
		return 0, false
	}
	switch len(born) {
	case len("2006"):
		b = time.Date(b.Year(), 12, 31, 0, 0, 0, 0, time.UTC)
	case len("2006-01"):
		b = b.AddDate(0, 1, -1)
	}
	years = day.Year() - b.Year()
	if day.Month() < b.Month() || day.Month() == b.Month() && day.Day() < b.Day() {
		years--
	}
	return max(0, years), true
}
