package outside

import (
	"encoding/json"
	"net/http"
	"os/exec"
	"strings"
	"testing"
)

// The icalendar library reads the feed of who is due; the address works for whoever knows it, until it is withdrawn or a new one is made.
func TestFeedInReader(t *testing.T) {
	py := python(t)
	url, _, _ := invented(t)
	do := func(method, path string) (status int, out map[string]any) {
		t.Helper()
		req, err := http.NewRequest(method, path, nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		_ = json.NewDecoder(res.Body).Decode(&out)
		return res.StatusCode, out
	}
	if _, out := do("GET", url+"api/feed"); out["open"] != false {
		t.Errorf("open before anybody asked for it: %v", out)
	}
	if status, _ := do("GET", url+"api/feed/.ics"); status != http.StatusNotFound {
		t.Errorf("no secret: %d", status)
	}
	_, first := do("POST", url+"api/feed")
	_, second := do("POST", url+"api/feed")
	a, b := first["address"].(string), second["address"].(string)
	if status, _ := do("GET", a); status != http.StatusNotFound || a == b {
		t.Errorf("the old address still works: %d", status)
	}
	file := keep(t, t.TempDir(), "feed.ics", fetch(t, b))
	out, err := exec.Command(py, "feed.py", file).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	// The invented practice decided on three recalls: of Jonas Merrow, Ines Tidewell and Oskar Fenn; Harriet Sallow's plan is of an older exam.
	for _, want := range []string{"Recall: Jonas Merrow (FL-0127)", "Recall: Ines Tidewell (FL-0131)", "Recall: Oskar Fenn (FL-0119)"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if n := strings.Count(string(out), "\n"); n != 3 {
		t.Errorf("%d events:\n%s", n, out)
	}
	if _, out := do("DELETE", url+"api/feed"); out["open"] != false {
		t.Errorf("withdrawn: %v", out)
	}
	if status, _ := do("GET", b); status != http.StatusNotFound {
		t.Errorf("the withdrawn address still works: %d", status)
	}
}
