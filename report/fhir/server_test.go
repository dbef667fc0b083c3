package fhir

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"leadsman/report"
	"leadsman/report/reporttest"
)

var errNone = errors.New("none")

// few is a practice of three patients with two exams each, a day and a month after each other.
type few []*report.Record

func fewOf(t *testing.T) few {
	var out few
	for p := range 3 {
		for x := range 2 {
			r := *reporttest.Full(t)
			r.Patient = report.Person{ID: fmt.Sprint("p", p), Name: fmt.Sprintf("Person %c", 'A'+p), Number: fmt.Sprint("N-", p), Born: fmt.Sprint(1960+p, "-05-06")}
			r.Exam.ID = fmt.Sprintf("x%d%d", p, x)
			r.Exam.Began = r.Exam.Began.AddDate(0, x, p)
			out = append(out, &r)
		}
	}
	return out
}

func (f few) Patients(_ context.Context, after string) iter.Seq2[report.Person, error] {
	return func(yield func(report.Person, error) bool) {
		for i := 0; i < len(f); i += 2 {
			if f[i].Patient.ID > after && !yield(f[i].Patient, nil) {
				return
			}
		}
	}
}

func (f few) Patient(_ context.Context, id string) (report.Person, error) {
	for _, r := range f {
		if r.Patient.ID == id {
			return r.Patient, nil
		}
	}
	return report.Person{}, errNone
}

func (f few) Records(_ context.Context, patient string) iter.Seq2[*report.Record, error] {
	return func(yield func(*report.Record, error) bool) {
		for _, r := range f {
			if r.Patient.ID == patient && !yield(r, nil) {
				return
			}
		}
	}
}

func (f few) Record(_ context.Context, exam string) (*report.Record, error) {
	for _, r := range f {
		if r.Exam.ID == exam {
			return r, nil
		}
	}
	return nil, errNone
}

type answer struct {
	ResourceType string
	ID           string
	Link         []struct{ Relation, URL string }
	Entry        []struct {
		FullURL  string
		Resource struct{ ResourceType, ID string }
	}
	Issue []struct{ Diagnostics string }
}

func asker(t *testing.T) func(path string, want int) answer {
	s := &Server{Base: "/fhir", Source: fewOf(t), NotFound: func(err error) bool { return errors.Is(err, errNone) }, Built: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), Log: slog.New(slog.DiscardHandler)}
	return func(path string, want int) (a answer) {
		t.Helper()
		w := httptest.NewRecorder()
		s.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
		if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || w.Code != want || !strings.HasPrefix(w.Header().Get("Content-Type"), "application/fhir+json") {
			t.Errorf("%s: %d, want %d, %v: %.200s", path, w.Code, want, err, w.Body)
		}
		return a
	}
}

// Reading and searching as FHIR R4 describes them (http.html and search.html of 4.0.1): dates with prefixes, references with and without
// their type, tokens with and without their system.
func TestServer(t *testing.T) {
	ask := asker(t)
	for path, id := range map[string]string{"/fhir/Patient/p1": "p1", "/fhir/Encounter/x11": "x11", "/fhir/Observation/x11.16.DB": "x11.16.DB", "/fhir/DiagnosticReport/x20": "x20",
		"/fhir/Provenance/x20": "x20", "/fhir/QuestionnaireResponse/x20": "x20", "/fhir/CodeSystem/periodontal-findings": "periodontal-findings", "/fhir/Practitioner/" + examinerID("Ada Quill"): examinerID("Ada Quill")} {
		if a := ask(path, 200); a.ID != id {
			t.Errorf("%s: %q", path, a.ID)
		}
	}
	for path, n := range map[string]int{
		"/fhir/Patient": 3, "/fhir/Patient?name=person+b": 1, "/fhir/Patient?identifier=N-2": 1, "/fhir/Patient?identifier=" + patientIDs + "|N-2": 1, "/fhir/Patient?identifier=urn:x|N-2": 0,
		"/fhir/Patient?birthdate=1961": 1, "/fhir/Patient?birthdate=ge1961": 2, "/fhir/Patient?_id=p0,p2": 2,
		"/fhir/Encounter": 6, "/fhir/Encounter?patient=p1": 2, "/fhir/Encounter?patient=Patient/p1&date=ge2026-12": 1, "/fhir/Encounter?date=2026-11": 3, "/fhir/Encounter?date=lt2026-11-03": 1,
		"/fhir/Encounter?date=le2026-11-03": 2, "/fhir/Encounter?date=gt2026-11-02&date=lt2026-12-01": 2, "/fhir/DiagnosticReport?patient=p0&date=2026-12-02": 1, "/fhir/DiagnosticReport?encounter=x21": 1,
		"/fhir/Observation?patient=p1&code=http://loinc.org|32951-6": 2, "/fhir/Observation?encounter=Encounter/x11&code=32951-6": 1, "/fhir/Observation?encounter=none": 0, "/fhir/CodeSystem": 1, "/fhir/Device": 1, "/fhir/Practitioner?patient=p1": 2,
	} {
		if a := ask(path, 200); len(a.Entry) != n {
			t.Errorf("%s: %d entries, want %d", path, len(a.Entry), n)
		}
	}
	for path, code := range map[string]int{"/fhir/Patient/p9": 404, "/fhir/Observation/x11.16.XX": 404, "/fhir/Observation/x99.16.DB": 404, "/fhir/Medication": 404, "/fhir/": 404, "/fhir/Patient?gender=male": 400,
		"/fhir/Encounter?date=May": 400, "/fhir/Encounter?date=zz2026": 400, "/fhir/Encounter?_count=none": 400, "/fhir/Encounter?_cursor=x": 400, "/fhir/Patient?_format=xml": 406, "/fhir/Patient/p9/$everything": 404} {
		if a := ask(path, code); a.ResourceType != "OperationOutcome" || len(a.Issue) != 1 || a.Issue[0].Diagnostics == "" {
			t.Errorf("%s: %+v", path, a)
		}
	}
	w := httptest.NewRecorder()
	(&Server{Base: "/fhir"}).ServeHTTP(w, httptest.NewRequest(http.MethodPost, "/fhir/Patient", nil))
	if w.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", w.Code)
	}
}

// Followed from page to page, a search gives each resource once, whatever the size of a page.
func TestPages(t *testing.T) {
	ask := asker(t)
	whole := map[string]bool{}
	for _, e := range ask("/fhir/Observation?_count=500", 200).Entry {
		whole[e.Resource.ID] = true
	}
	for _, start := range []string{"/fhir/Observation?_count=7", "/fhir/Observation?_count=50"} {
		seen, path := map[string]bool{}, start
		for pages := 0; path != "" && pages < 100; pages++ {
			a := ask(path, 200)
			path = ""
			for _, l := range a.Link {
				if l.Relation == "next" {
					path = strings.TrimPrefix(l.URL, "http://example.com")
				}
			}
			for _, e := range a.Entry {
				if seen[e.Resource.ID] {
					t.Errorf("%s: %s twice", start, e.Resource.ID)
				}
				seen[e.Resource.ID] = true
			}
		}
		if len(seen) != len(whole) {
			t.Errorf("%s: %d resources over all pages, %d at once", start, len(seen), len(whole))
		}
	}
	if got := len(ask("/fhir/Patient?_count=2", 200).Entry); got != 2 {
		t.Error(got)
	}
	// What belongs to a patient, all of it: $everything has the patient, both exams and what is in them.
	kinds := map[string]int{}
	for _, e := range ask("/fhir/Patient/p1/$everything?_count=500", 200).Entry {
		kinds[e.Resource.ResourceType]++
	}
	if kinds["Patient"] != 1 || kinds["Encounter"] != 2 || kinds["DiagnosticReport"] != 2 || kinds["Observation"] < 20 {
		t.Errorf("%v", kinds)
	}
}

// The statement of what the endpoint can do is read by the models of R4, and a request at fault is answered by an OperationOutcome (R4, 3.1.0.1.2).
func TestCapabilitiesAndFaults(t *testing.T) {
	srv := &Server{Source: fewOf(t), Version: "1.2", Base: "/fhir", Log: slog.New(slog.DiscardHandler), NotFound: func(err error) bool { return errors.Is(err, errNone) }}
	ask := func(path string) (int, []byte) {
		w := httptest.NewRecorder()
		srv.ServeHTTP(w, httptest.NewRequest("GET", "/fhir/"+path, nil))
		return w.Code, w.Body.Bytes()
	}
	status, body := ask("metadata")
	var c r4.CapabilityStatement
	if err := json.Unmarshal(body, &c); err != nil || status != 200 || c.FhirVersion != r4.FHIRVersion4_0_1 || len(c.Rest) != 1 || len(c.Rest[0].Resource) != len(kinds)+1 {
		t.Errorf("%d %v %.300s", status, err, body)
	}
	for path, want := range map[string]int{"Patient?shoe-size=43": 400, "Medication": 404, "Patient/none": 404} {
		status, body := ask(path)
		var o r4.OperationOutcome
		if err := json.Unmarshal(body, &o); err != nil || status != want || len(o.Issue) == 0 {
			t.Errorf("%s: %d, want %d, %v %.200s", path, status, want, err, body)
		}
	}
	if err := error(&problem{400, r4.IssueTypeInvalid, "no such parameter"}); err.Error() != "no such parameter" {
		t.Error(err)
	}
}

// Bulk data: a file of JSON lines for each type (Bulk Data Access 2.0, output manifest), a patient once in the run of exams.
func TestBulk(t *testing.T) {
	files := map[string]*bytes.Buffer{}
	b := Bulk{Open: func(kind string) (io.Writer, error) {
		if files[kind] != nil {
			t.Errorf("the file of %s is opened twice", kind)
		}
		files[kind] = &bytes.Buffer{}
		return files[kind], nil
	}}
	for _, r := range fewOf(t) {
		if err := b.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	for kind, n := range map[string]int{"Patient": 3, "Encounter": 6} {
		lines := strings.Split(strings.TrimSpace(files[kind].String()), "\n")
		if len(lines) != n {
			t.Errorf("%d lines of %s, want %d", len(lines), kind, n)
		}
		for _, l := range lines {
			var res struct{ ResourceType string }
			if err := json.Unmarshal([]byte(l), &res); err != nil || res.ResourceType != kind {
				t.Errorf("%s: %v", l, err)
			}
		}
	}
	full := Bulk{Open: func(string) (io.Writer, error) { return nil, errNone }}
	if err := full.Add(fewOf(t)[0]); !errors.Is(err, errNone) {
		t.Error(err)
	}
}
