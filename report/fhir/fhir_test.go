package fhir

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/report/reporttest"
)

// What is written is read back the same, whatever a chart may hold: the chart file of both is equal to the byte.
func TestRoundTrip(t *testing.T) {
	r := reporttest.Full(t)
	var first, second bytes.Buffer
	if err := Bundle(&first, r); err != nil {
		t.Fatal(err)
	}
	back, rejected, err := Read(bytes.NewReader(first.Bytes()))
	if err != nil || len(rejected) > 0 || len(back) != 1 {
		t.Fatalf("%d exams, rejected %v, %v", len(back), rejected, err)
	}
	b := back[0]
	if was, is := reporttest.File(t, r), reporttest.File(t, b); was != is {
		t.Errorf("not the chart that was written:\n%s\n%s", was, is)
	}
	if b.Patient != r.Patient || b.Exam.Kind != r.Exam.Kind || b.Exam.SignedBy != "Ada Quill" || b.Exam.Examiner != "Ben Oakley" || !b.Exam.Began.Equal(r.Exam.Began) || b.Exam.Head != "ab12" {
		t.Errorf("%+v %+v", b.Patient, b.Exam)
	}
	b.Program, b.Practice = r.Program, r.Practice
	b.Exam.Ended = r.Exam.Ended
	b.Doubts[0].Reason = r.Doubts[0].Reason
	b.Findings = diagnosis.Assess(b.Chart, diagnosis.Options{Doubts: chart.Named(b.Doubts)})
	if err := Bundle(&second, b); err != nil || second.String() != first.String() {
		t.Errorf("written, read and written again differs (%v)", err)
	}
}

// What encode writes is what the library writes.
func TestEncode(t *testing.T) {
	n := 0
	for res := range resources(reporttest.Full(t), relative) {
		want, err := json.Marshal(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := encode(res.Body); err != nil || string(got) != string(want) {
			t.Errorf("%s %v:\n%s\n%s", res.ID, err, got, want)
		}
		if res.Type == "Observation" {
			n++
		}
	}
	if n < 10 {
		t.Errorf("%d observations", n)
	}
}

// The example of the published layout, made by hand before this package: other names for the code system and one code.
func TestReadsTheLayoutsExample(t *testing.T) {
	f, err := os.Open("testdata/example_exam.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rs, rejected, err := Read(f)
	if err != nil || len(rejected) > 0 || len(rs) != 1 {
		t.Fatalf("%d exams, rejected %v, %v", len(rs), rejected, err)
	}
	c := rs[0].Chart
	six := c.Tooth(16).Sites
	// The values as they stand in the example.
	if got := six[chart.DB]; got.Depth.Float() != 6 || got.Recession.Float() != 1 || got.Flags[chart.Bleeding] != chart.Yes || got.Flags[chart.Suppuration] != chart.Yes || got.Flags[chart.Plaque] != chart.NotRecorded {
		t.Errorf("16.DB %+v", got)
	}
	if got := six[chart.B]; got.Depth.Float() != 3 || got.Flags[chart.Bleeding] != chart.No {
		t.Errorf("16.B %+v", got)
	}
	if c.Tooth(16).Mobility.Value() != 1 || c.Tooth(16).Furcation[chart.EntranceBuccal].Value() != 2 || c.Tooth(28).Presence != chart.Missing {
		t.Errorf("16 %+v, 28 %+v", c.Tooth(16), c.Tooth(28))
	}
	if rs[0].Patient.Number != "P-000123" || rs[0].Exam.Examiner != "OP-7" {
		t.Errorf("%+v %+v", rs[0].Patient, rs[0].Exam)
	}
}

// What no chart can hold is told with its resource, and everything else is taken up.
func TestReadRejects(t *testing.T) {
	var b bytes.Buffer
	if err := Bundle(&b, reporttest.Full(t)); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct{ from, to, want string }{
		"depth":     {`"value": 5.5,`, `"value": 25,`, "25 mm is out of range"},
		"thirds":    {`"value": 5.5,`, `"value": 5.3,`, "whole millimetres or halves"},
		"unit":      {`"unit": "mm",` + "\n     \"system\": \"http://unitsofmeasure.org\",\n     \"code\": \"mm\"", `"unit": "cm", "system": "http://unitsofmeasure.org", "code": "cm"`, "mm is needed"},
		"tooth":     {`"code": "16"`, `"code": "19"`, "no such tooth"},
		"site":      {"LA9271-3", "LA0000-0", "six sites"},
		"answer":    {`"linkId": "/age"`, `"linkId": "/colour"`, "colour"},
		"questions": {questions, "urn:x:other", "other questions"},
	} {
		changed := strings.Replace(b.String(), c.from, c.to, 1)
		if changed == b.String() {
			t.Errorf("%s: %q is not in the Bundle", name, c.from)
			continue
		}
		rs, rejected, err := Read(strings.NewReader(changed))
		if err != nil || len(rs) != 1 || len(rejected) != 1 || !strings.Contains(rejected[0].String(), c.want) {
			t.Errorf("%s: %d exams, rejected %v, %v", name, len(rs), rejected, err)
		}
	}
	for _, bad := range []string{"", "{", `{"resourceType":"Bundle","type":"collection"}`, `[]`, `{"resourceType":"Bundle","type":"collection","entry":[{"resource":{"resourceType":"Patient"}}]}`} {
		if _, _, err := Read(strings.NewReader(bad)); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

// Every code that is written stands in the code system, and every reference of a Bundle leads to one of its entries.
func TestBundleIsWhole(t *testing.T) {
	var b bytes.Buffer
	if err := Bundle(&b, reporttest.Full(t)); err != nil {
		t.Fatal(err)
	}
	var bundle struct {
		Entry []struct {
			FullURL  string `json:"fullUrl"`
			Resource any
		}
	}
	if err := json.Unmarshal(b.Bytes(), &bundle); err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	for _, e := range bundle.Entry {
		if there[e.FullURL] {
			t.Errorf("%s twice", e.FullURL)
		}
		there[e.FullURL] = true
	}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if ref, ok := v["reference"].(string); ok && !there[ref] {
				t.Errorf("reference to %s, which is not in the Bundle", ref)
			}
			if v["system"] == codes && ourNames[v["code"].(string)] == "" {
				t.Errorf("code %v is not in the code system", v["code"])
			}
			for _, x := range v {
				walk(x)
			}
		case []any:
			for _, x := range v {
				walk(x)
			}
		}
	}
	for _, e := range bundle.Entry {
		walk(e.Resource)
	}
}
