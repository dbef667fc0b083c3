package cli

import (
	"encoding/json"
	"net/http"
	"testing"
	"time"

	"leadsman/tests/program"
)

// The demonstration opens an invented practice and hears its recording without a browser: "three two four" (cmd/leadsman/page-joe.wav) stands in
// the chart some seconds later.
func TestDemo(t *testing.T) {
	p := program.Run(t, "demo", "--no-browser", "--addr", "127.0.0.1:0")
	get := func(path string, into any) {
		t.Helper()
		r, err := http.Get(p.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		if err := json.NewDecoder(r.Body).Decode(into); err != nil {
			t.Fatal(path, r.StatusCode, err)
		}
	}
	var depths [3]float64
	for end := time.Now().Add(time.Minute); depths != [3]float64{3, 2, 4}; time.Sleep(200 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("after a minute stands %v", depths)
		}
		var found []struct{ ID string }
		get("api/patients?search=Lindqvist", &found)
		if len(found) == 0 {
			continue // still being invented
		}
		var patient struct {
			Visits []struct{ ID string }
		}
		get("api/patients/"+found[0].ID, &patient)
		if len(patient.Visits) == 0 {
			continue
		}
		var view struct {
			Teeth map[string]struct {
				Sites map[string]struct{ Depth *float64 }
			}
		}
		get("api/exams/"+patient.Visits[0].ID, &view)
		for i, site := range []string{"DB", "B", "MB"} {
			if d := view.Teeth["17"].Sites[site].Depth; d != nil {
				depths[i] = *d
			}
		}
	}
	if err := p.Stop(); err != nil {
		t.Error(err)
	}
}
