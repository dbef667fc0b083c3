package report_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/report"
	"leadsman/speech/scripted"
	"leadsman/store"
)

// visited is a store with a patient of 57 years and two exams, the second one signed by Ada and amended.
func visited(t *testing.T) (st *store.Store, patient string, exams []string) {
	t.Helper()
	ctx := t.Context()
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	st, err := store.Open(ctx, t.TempDir()+"/data", clock)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	p := practice.New(practice.Config{Records: st, Engine: scripted.New(), Now: clock, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	pt, err := p.SavePatient(ctx, practice.Patient{Name: "Harriet Sallow", Number: "FL-0112", Born: "1969-02-03"})
	if err != nil || practice.Name(ctx, st, "Fathom Lane Dental (invented)") != nil {
		t.Fatal(err)
	}
	ada, ben := exam.Caller{Person: "ada", Who: "Ada Quill"}, exam.Caller{Person: "ben", Who: "Ben Oakley"}
	three := []chart.MM{chart.Millimetres(3), chart.Millimetres(2), chart.Millimetres(4)}
	six := chart.Millimetres(6)
	for i, acts := range [][][]chart.Act{
		{{{Verb: chart.VerbSoundings, Numbers: three}}},
		{{{Verb: chart.VerbSoundings, Numbers: three}}, {{Verb: chart.VerbSign}}, {{Verb: chart.VerbAmend, Text: "misread"}, {Verb: chart.VerbSet, Ref: &chart.SiteRef{Tooth: 17, Site: chart.DB}, Field: chart.FieldDepth, Number: &six}}},
	} {
		v, err := p.Begin(ctx, practice.NewVisit{Patient: pt.ID, Numbering: chart.FDI, Path: "arch"}, ben)
		if err != nil {
			t.Fatal(err)
		}
		e, err := p.Open(ctx, v.ID)
		if err != nil {
			t.Fatal(err)
		}
		for n, a := range acts {
			by := ben
			if n > 0 {
				by = ada
			}
			if _, err := e.Do(ctx, chart.Command{Acts: a}, by, ""); err != nil {
				t.Fatal(i, n, err)
			}
			now = now.Add(time.Minute)
		}
		exams = append(exams, v.ID)
		now = now.AddDate(0, 3, 0)
	}
	return st, pt.ID, exams
}

// An exam as it leaves the service says what the store has of it: who, when, what was amended, with the exam before it.
func TestRecordsOfAStore(t *testing.T) {
	st, patient, exams := visited(t)
	ctx := t.Context()
	src := report.From(st, "1.2")
	r, err := src.Record(ctx, exams[1])
	if err != nil {
		t.Fatal(err)
	}
	if r.Practice != "Fathom Lane Dental (invented)" || r.Program != "1.2" || r.Patient.Name != "Harriet Sallow" || r.Exam.Examiner != "Ben Oakley" && r.Exam.Examiner != "Ada Quill" ||
		r.Exam.SignedBy != "Ada Quill" || len(r.Amendments) != 1 || r.Before == nil || r.Before.Exam.ID != exams[0] || len(r.Findings.List) == 0 {
		t.Errorf("%+v", r)
	}
	o := r.Origin()
	if o.SignedBy != "Ada Quill" || o.Began != r.Exam.Began.Format(time.RFC3339) || o.Signed == "" || len(o.Amendments) != 1 || o.Amendments[0].At != "17.DB.depth" || o.Amendments[0].Was != "3" || o.Amendments[0].Is != "6" {
		t.Errorf("origin %+v", o)
	}
	if r.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.DB}).Depth.Whole() != 6 {
		t.Error("the amendment is not in the chart")
	}
	if age, ok := r.Age(); !ok || age != 57 {
		t.Errorf("born on 1969-02-03, in 2026 of %d years", age)
	}
	var ids []string
	for x, err := range src.Records(ctx, patient) {
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, x.Exam.ID)
	}
	if !slices.Equal(ids, exams) {
		t.Errorf("records %v, want %v", ids, exams)
	}
	var people []string
	for p, err := range src.Patients(ctx, "") {
		if err != nil {
			t.Fatal(err)
		}
		people = append(people, p.Number)
	}
	if p, err := src.Patient(ctx, patient); err != nil || p.Born != "1969-02-03" || !slices.Equal(people, []string{"FL-0112"}) {
		t.Errorf("%+v, %v, %v", p, people, err)
	}
	if _, err := src.Record(ctx, "none"); !errors.Is(err, practice.ErrNotFound) {
		t.Error(err)
	}
}

// The archive of a patient, as archive/zip reads it, has all that is kept, and its chart files are charts.
func TestDossier(t *testing.T) {
	st, patient, exams := visited(t)
	var b bytes.Buffer
	if err := report.Dossier(t.Context(), &b, st, "1.2", patient); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name] = string(text)
	}
	for name, has := range map[string]string{"read-me.txt": "Harriet Sallow", "patient.json": "FL-0112", "journal.jsonl": "patient.added", "exams/2026-03-02-" + exams[0] + "/log.jsonl": `"kind":"start"`,
		"exams/2026-06-02-" + exams[1] + "/chart.json": "leadsman.chart/1", "exams/2026-06-02-" + exams[1] + "/findings.json": "leadsman.findings/1"} {
		if !strings.Contains(files[name], has) {
			t.Errorf("%s lacks %q: %.200s", name, has, files[name])
		}
	}
	c, err := chartfile.Decode(strings.NewReader(files["exams/2026-06-02-"+exams[1]+"/chart.json"]))
	if err != nil || c.Site(chart.SiteRef{Tooth: 17, Site: chart.DB}).Depth.Whole() != 6 {
		t.Error("the chart file does not come back", err)
	}
	if err := report.Dossier(t.Context(), io.Discard, st, "1.2", "nobody"); !errors.Is(err, practice.ErrNotFound) {
		t.Error(err)
	}
}

// Behind a veil nobody is named, days keep their distances and days of the week, and ages from 90 on are one (45 CFR 164.514(b)(2), from
// memory); what a mouth looks like stays.
func TestVeil(t *testing.T) {
	st, _, exams := visited(t)
	src := report.From(st, "1")
	first, err1 := src.Record(t.Context(), exams[0])
	second, err2 := src.Record(t.Context(), exams[1])
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	v := report.NewVeil([]byte("sixteen bytes or more"))
	a, b := v.Record(first), v.Record(second)
	if a.Patient.ID != b.Patient.ID || a.Patient.ID == first.Patient.ID || a.Patient.Name+a.Patient.Number+a.Patient.Born+b.Practice != "" || b.Exam.SignedBy == "Ada Quill" || b.Exam.SignedBy == "" {
		t.Errorf("%+v %+v", a.Patient, b.Exam)
	}
	if other := report.NewVeil([]byte("another key of sixteen")).Record(first); other.Patient.ID == a.Patient.ID {
		t.Error("two keys give one pseudonym")
	}
	if b.Exam.Began.Sub(a.Exam.Began) != second.Exam.Began.Sub(first.Exam.Began) || a.Exam.Began.Weekday() != first.Exam.Began.Weekday() || !a.Exam.Began.Before(first.Exam.Began) {
		t.Errorf("days moved from %s to %s", first.Exam.Began, a.Exam.Began)
	}
	if b.Chart.Site(chart.SiteRef{Tooth: 17, Site: chart.DB}).Depth.Whole() != 6 || second.Patient.Name == "" {
		t.Error("the mouth changed, or the record behind the veil did")
	}
	old := *first
	old.Patient.Born = "1930"
	if age := v.Record(&old).Chart.Patient.Age; age == nil || *age != 90 {
		t.Errorf("96 years became %v", age)
	}
}
