package web

import (
	"net/http"
	"strconv"
)

// File is what leaves the service for the disk of whoever asked.
type File struct {
	Name, Media string
	Body        []byte
}

// export answers with an exam in the form that ?as= names.
func (s *server) export(w http.ResponseWriter, r *http.Request) {
	if s.Export == nil {
		s.fail(w, r, errNothingHere)
		return
	}
	f, err := s.Export(r.Context(), r.PathValue("id"), r.URL.Query())
	// A page of the service itself shows the form "page": that is a look.
	if form := r.URL.Query().Get("as"); err == nil && s.Ledger != nil && form != "page" {
		err = s.Ledger.Exported(r.Context(), r.PathValue("id"), form)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	send(w, f)
}

// send answers with a file. It belongs to a patient: no cache keeps it.
func send(w http.ResponseWriter, f File) {
	h := w.Header()
	h.Set("Content-Type", f.Media)
	h.Set("Content-Disposition", "attachment; filename="+strconv.Quote(f.Name))
	h.Set("Content-Length", strconv.Itoa(len(f.Body)))
	h.Set("Cache-Control", "no-store")
	_, _ = w.Write(f.Body) // nobody left to be told if the connection broke
}

// fhir hands a request to the interface for other systems.
func (s *server) fhir(w http.ResponseWriter, r *http.Request) {
	if s.FHIR == nil {
		s.fail(w, r, errNothingHere)
		return
	}
	s.FHIR.ServeHTTP(w, r)
}
