package e2e

import (
	"net/http"
	"net/http/httptest"
	"testing"

	"leadsman/web"
)

// The pages' pure parts, tested where they run.
func TestPageLogic(t *testing.T) {
	t.Parallel()
	mux := http.NewServeMux()
	mux.Handle("/js/", http.StripPrefix("/js/", http.FileServer(http.Dir("js"))))
	w := newWorld(t, nil)
	mux.Handle("/", web.New(web.Options{Exams: w, Practice: w, People: w.people}))
	srv := httptest.NewServer(mux)
	defer srv.Close()
	p := open(t, startBrowser(t), srv.URL+"/")
	hash := eval[string](p, `document.querySelector("script[type=module]").src.match(/static\/([0-9a-f]+)\//)[1]`)
	type result struct {
		Faults []string
		Checks int
	}
	r := eval[result](p, `import("/js/logic.js").then((m) => m.run("/static/`+hash+`"))`)
	for _, f := range r.Faults {
		t.Error(f)
	}
	if r.Checks < 100 {
		t.Errorf("only %d checks were made", r.Checks)
	}
}
