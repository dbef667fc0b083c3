package web_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"leadsman/practice"
)

// Who looked is in the journal, which an administrator searches, exports and is seen searching; nobody else may.
func TestJournalOfLooks(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	viewer, admin := c.screen().signIn(practice.Viewer), c.screen().signIn(practice.Administrator)
	for _, path := range []string{"/api/patients", "/api/patients/" + c.other, "/api/exams/" + x, "/api/exams/" + x + "/findings", "/api/exams/none"} {
		viewer.ask("GET", path, "")
	}
	journal := func(query string) (out struct {
		Entries          []practice.Entry
		More             bool
		People, Patients map[string]string
	}) {
		t.Helper()
		status, _, text := admin.ask("GET", "/api/journal?"+query, "")
		if err := json.Unmarshal([]byte(text), &out); status != 200 || err != nil {
			t.Fatal(status, text, err)
		}
		return out
	}
	looks := journal("what=patient.read&who=" + c.people[practice.Viewer].ID).Entries
	if len(looks) != 2 || looks[0].Patient != c.patient || looks[1].Patient != c.other {
		t.Errorf("looks: %+v", looks)
	}
	if es := journal("what=patients.listed").Entries; len(es) != 1 || es[0].Who != c.people[practice.Viewer].ID {
		t.Errorf("lists: %+v", es)
	}
	if es := journal("patient=" + c.patient + "&what=exam&to=" + time.Now().Format(time.DateOnly)).Entries; len(es) < 2 || es[len(es)-1].Who != c.people[practice.Clinician].ID && es[len(es)-1].Who != "" {
		t.Errorf("of the exam: %+v", es)
	}
	if got := journal("patient=" + c.patient); got.People[c.people[practice.Viewer].ID] != "Vic Sound" || got.Patients[c.patient] != "Harriet Sallow" || len(got.Patients) != 1 {
		t.Errorf("names: %v %v", got.People, got.Patients)
	}
	if es := journal("what=journal.read").Entries; len(es) < 3 || es[0].Who != c.people[practice.Administrator].ID {
		t.Errorf("the search itself: %+v", es)
	}
	if es := journal("before=" + "3").Entries; len(es) != 2 || es[0].N != 2 {
		t.Errorf("before: %+v", es)
	}
	if status, _, text := admin.ask("GET", "/api/journal.csv?what=patient.read", ""); status != 200 || strings.Count(text, "\n") != 3 || !strings.HasPrefix(text, "n,time,") {
		t.Errorf("%d %q", status, text)
	}
	for _, bad := range []string{"before=x", "before=-1", "from=yesterday", "to=2026-13-01"} {
		if status, code, _ := admin.ask("GET", "/api/journal?"+bad, ""); status != 409 || code != "refused" {
			t.Errorf("%s: %d %s", bad, status, code)
		}
	}
}

// The calendar at its secret address and exports are journalled as well; a wrong secret is not a look.
func TestJournalOfLeaves(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	admin, clinician := c.screen().signIn(practice.Administrator), c.screen().signIn(practice.Clinician)
	_, _, text := admin.ask("POST", "/api/feed", "{}")
	var feed struct{ Address string }
	if err := json.Unmarshal([]byte(text), &feed); err != nil || feed.Address == "" {
		t.Fatal(text, err)
	}
	path := feed.Address[strings.Index(feed.Address, "/api/"):]
	c.screen().ask("GET", "/api/feed/guessed.ics", "")
	if es, err := c.p.Journal(t.Context(), practice.JournalQuery{Who: "calendar feed"}); err != nil || len(es) != 0 {
		t.Errorf("%+v, %v", es, err)
	}
	if status, _, text := c.screen().ask("GET", path, ""); status != 200 {
		t.Fatal(status, text)
	}
	if es, err := c.p.Journal(t.Context(), practice.JournalQuery{Who: "calendar feed"}); err != nil || len(es) != 1 || es[0].What != "patients.listed" {
		t.Errorf("%+v, %v", es, err)
	}
	for range 2 {
		if status, _, text := clinician.ask("GET", "/api/exams/"+x+"/export?as=pdf", ""); status != 200 {
			t.Fatal(status, text)
		}
	}
	es, err := c.p.Journal(t.Context(), practice.JournalQuery{What: "exam.exported", Patient: c.patient})
	if err != nil || len(es) != 2 || es[0].Who != c.people[practice.Clinician].ID || !strings.HasPrefix(es[0].Detail, "pdf") {
		t.Errorf("%+v, %v", es, err)
	}
}

// A patient's data are handed out and erased by who may, with the reason, and not while an exam goes on.
func TestDossierAndErasure(t *testing.T) {
	c := newClinic(t)
	x := c.begin(practice.Clinician)
	c.close()
	admin, clinician := c.screen().signIn(practice.Administrator), c.screen().signIn(practice.Clinician)
	path := "/api/patients/" + c.patient
	if status, _, text := clinician.ask("GET", path+"/dossier.zip", ""); status != 200 || text != "all of "+c.patient {
		t.Errorf("%d %q", status, text)
	}
	if status, code, _ := clinician.ask("GET", "/api/patients/nobody/dossier.zip", ""); status != 404 || code != "not_found" {
		t.Errorf("%d %s", status, code)
	}
	if status, code, _ := clinician.ask("POST", path+"/erase", `{"reason":"asked for"}`); status != 403 || code != "forbidden" {
		t.Errorf("a clinician erases: %d %s", status, code)
	}
	if status, code, text := admin.ask("POST", path+"/erase", `{"reason":" "}`); status != 409 || code != "refused" || !strings.Contains(text, "give the reason") {
		t.Errorf("%d %s", status, text)
	}
	e, err := c.p.Open(t.Context(), x)
	if err != nil {
		t.Fatal(err)
	}
	sub := e.Subscribe(0)
	if status, code, _ := admin.ask("POST", path+"/erase", `{"reason":"asked for"}`); status != 409 || code != "running" {
		t.Errorf("while it is looked at: %d %s", status, code)
	}
	sub.Close()
	if got := clinician.do(x, `{"verb":"sign"}`); got != "accepted" {
		t.Fatal(got)
	}
	for years, until := range map[int]string{7: time.UnixMilli(c.now.Load()).AddDate(7, 0, 0).Format(time.DateOnly), 0: ""} {
		_, _, text := admin.ask("GET", "/api/settings", "")
		var set map[string]any
		if err := json.Unmarshal([]byte(text), &set); err != nil {
			t.Fatal(err)
		}
		set["retention_years"] = years
		body, _ := json.Marshal(set)
		if status, _, text := admin.ask("PUT", "/api/settings", string(body)); status != 200 {
			t.Fatal(status, text)
		}
		var k practice.Keeping
		_, _, text = admin.ask("GET", path+"/keeping", "")
		if err := json.Unmarshal([]byte(text), &k); err != nil || k != (practice.Keeping{Years: years, Until: until}) {
			t.Errorf("kept for %d years: %s %v", years, text, err)
		}
	}
	if err := practice.SetRetention(t.Context(), c.store, 10); err != nil {
		t.Fatal(err)
	}
	if status, _, text := admin.ask("PUT", "/api/settings", `{"practice":"","numbering":"fdi","path":"arch","site_words":"buccal-lingual","keep_clips":false,"phone":"","emergency":"","language":"","paper":"","retention_years":101,"version":2}`); status != 409 || !strings.Contains(text, "0 to 100") {
		t.Errorf("kept for 101 years: %d %s", status, text)
	}
	if status, _, text := admin.ask("PUT", "/api/settings", `{"practice":"","numbering":"fdi","path":"arch","site_words":"buccal-lingual","keep_clips":false,"phone":"","emergency":"","language":"","paper":"","version":2}`); status != 200 || !strings.Contains(text, `"retention_years":10`) {
		t.Errorf("a page that does not know of retention: %d %s", status, text)
	}
	if status, code, _ := admin.ask("GET", "/api/patients/nobody/keeping", ""); status != 404 {
		t.Errorf("kept for nobody: %d %s", status, code)
	}
	if status, code, text := admin.ask("POST", path+"/erase", `{"reason":"asked for"}`); status != 409 || code != "kept" {
		t.Errorf("%d %s", status, text)
	}
	if status, _, text := admin.ask("POST", path+"/erase", `{"reason":"a court said so","despite_retention":true}`); status != 200 || !strings.Contains(text, `"exams":1`) {
		t.Errorf("%d %s", status, text)
	}
	for _, gone := range []string{path, "/api/exams/" + x} {
		if status, _, _ := admin.ask("GET", gone, ""); status != 404 {
			t.Errorf("%s after erasing: %d", gone, status)
		}
	}
	es, err := c.p.Journal(t.Context(), practice.JournalQuery{Patient: c.patient, What: "patient."})
	if err != nil || es[0].What != "patient.erased" || es[0].Who != c.people[practice.Administrator].ID {
		t.Errorf("%+v, %v", es, err)
	}
	if rep, err := c.store.Verify(t.Context()); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
}
