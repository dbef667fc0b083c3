// Package reporttest has records for tests of what leaves the tool.
package reporttest

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
	"leadsman/report"
)

// Full is the record of a chart with every key that the chart file has, by the invented practice.
func Full(t testing.TB) *report.Record {
	t.Helper()
	_, here, _, _ := runtime.Caller(0)
	f, err := os.Open(filepath.Join(filepath.Dir(here), "../../chartfile/testdata/chart_every_key.json"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := chartfile.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	c.ID = "x1"
	at := time.Date(2026, 11, 2, 9, 30, 0, 0, time.UTC)
	r := &report.Record{Practice: "Fathom Lane", Program: "1", Patient: report.Person{ID: "p1", Name: "Harriet Sallow", Number: "FL-0112", Born: "1969-04-17"}, Chart: c,
		Doubts: []chart.Doubt{{SiteRef: chart.SiteRef{Tooth: 16, Site: chart.DB}, Field: chart.FieldDepth, Reason: "heard with little confidence"}},
		Exam:   report.Exam{ID: "x1", Kind: "re-evaluation", Began: at, Ended: at.Add(20 * time.Minute), Examiner: "Ben Oakley", SignedBy: "Ada Quill", Signed: at.Add(22 * time.Minute), Head: "ab12"}}
	c.Exam = r.Origin()
	r.Findings = diagnosis.Assess(c, diagnosis.Options{Doubts: chart.Named(r.Doubts)})
	return r
}

// File is the chart file of a record.
func File(t testing.TB, r *report.Record) string {
	t.Helper()
	var b bytes.Buffer
	if err := chartfile.Encode(&b, r.Chart); err != nil {
		t.Fatal(err)
	}
	return b.String()
}
