package practice

import (
	"os"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
)

// A log that is made of a chart gives back the chart, whatever it holds.
func TestTakenUpWhole(t *testing.T) {
	f, err := os.Open("../chartfile/testdata/chart_every_key.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := chartfile.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	evs, err := entries(&Foreign{Chart: c, Began: time.UnixMilli(1), Examiner: "Ben Oakley", Remark: "from a test", Doubts: []chart.Doubt{{SiteRef: chart.SiteRef{Tooth: 16, Site: chart.DB}, Field: chart.FieldDepth}}}, "p1")
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	c.Each(func(tooth chart.Tooth, rec *chart.ToothRecord) bool {
		if got := *st.Chart.Tooth(tooth); got != *rec {
			t.Errorf("tooth %s: %+v, want %+v", tooth, got, *rec)
		}
		return true
	})
	if *st.Chart.Patient.Age != 52 || len(st.Chart.Patient.Gaps) != 2 || len(st.OpenDoubts()) != 1 || st.SignedBy != "" || st.Patient != "p1" {
		t.Errorf("%+v, doubts %v", st.Chart.Patient, st.OpenDoubts())
	}
	for _, e := range evs {
		if _, err := e.Encode(); err != nil {
			t.Error(err)
		}
	}
}
