package outside

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// needs skips a test whose outside program is not installed; .ci/run installs it and says so with LEADSMAN_REFERENCE.
func needs(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err == nil {
			continue
		}
		if os.Getenv("LEADSMAN_REFERENCE") != "" {
			t.Fatalf("%s is not installed, and LEADSMAN_REFERENCE says that it is", p)
		}
		t.Skipf("SKIPPED: this check needs %s, which is not installed here", p)
	}
}

// client keeps the cookie of who sits at the screen.
var client = func() *http.Client {
	jar, _ := cookiejar.New(nil) // never fails without options
	return &http.Client{Jar: jar}
}()

// invented runs the service with the invented practice, in which Ada Quill sits down; it ends with the test.
func invented(t *testing.T) (url, data string, exams []string) {
	t.Helper()
	data = t.TempDir()
	service := served(t, data)
	t.Cleanup(func() { _ = service.Stop() })
	url = service.URL
	r, err := client.Post(url+"api/invented", "application/json", nil)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("invented: %v %v", r, err)
	}
	r.Body.Close()
	var open struct{ People []struct{ ID, Name string } }
	if err := json.Unmarshal(fetch(t, url+"api/session"), &open); err != nil {
		t.Fatal(err)
	}
	for _, p := range open.People {
		if p.Name == "Ada Quill" { // clinician, supervisor and administrator
			r, err := client.Post(url+"api/session", "application/json", strings.NewReader(`{"person":"`+p.ID+`"}`))
			if err != nil || r.StatusCode != http.StatusOK {
				t.Fatalf("sit down: %v %v", r, err)
			}
			r.Body.Close()
		}
	}
	var b struct {
		Entry []struct{ Resource struct{ ID string } }
	}
	if err := json.Unmarshal(fetch(t, url+"fhir/Encounter"), &b); err != nil || len(b.Entry) < 7 {
		t.Fatalf("%d exams, %v", len(b.Entry), err)
	}
	for _, e := range b.Entry {
		exams = append(exams, e.Resource.ID)
	}
	return url, data, exams
}

func fetch(t *testing.T, url string) []byte {
	t.Helper()
	r, err := client.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v %.300s", url, r.Status, err, b)
	}
	return b
}

func keep(t *testing.T, dir, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
