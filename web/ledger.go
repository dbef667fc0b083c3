package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"leadsman/practice"
)

// Ledger is the journal, and what goes of one patient as a whole.
type Ledger interface {
	Journal(ctx context.Context, q practice.JournalQuery) ([]practice.Entry, error)
	// Names says how the people and the patients of entries are called now, by id.
	Names(ctx context.Context, es []practice.Entry) (people, patients map[string]string, err error)
	Note(ctx context.Context, what, patient, detail string) error
	// Looked journals a look at a patient's record, or at the list of all for ""; LookedAt at an exam.
	Looked(ctx context.Context, patient string) error
	LookedAt(ctx context.Context, exam string) error
	// Exported journals that an exam left in a form.
	Exported(ctx context.Context, exam, form string) error
	Keeping(ctx context.Context, patient string) (practice.Keeping, error)
	ErasePatient(ctx context.Context, id string, e practice.Erase) (practice.Erased, error)
}

// looked journals that somebody was shown something of a patient. Where that cannot be written the service's log says so, and who asked
// is answered all the same: a patient sits in the chair.
func (s *server) looked(r *http.Request, c call) {
	if s.Ledger == nil || r.Method != http.MethodGet {
		return
	}
	var err error
	switch _, path, _ := strings.Cut(c.pattern, " "); {
	case strings.HasPrefix(path, "/api/patients/{id}"):
		err = s.Ledger.Looked(r.Context(), r.PathValue("id"))
	case strings.HasPrefix(path, "/api/exams/{id}"):
		err = s.Ledger.LookedAt(r.Context(), r.PathValue("id"))
	case path == "/api/patients", path == "/api/due", path == "/api/due.ics", path == "/api/waiting":
		err = s.Ledger.Looked(r.Context(), "")
	}
	s.unseen(r, err)
}

// unseen tells of a look that could not be journalled.
func (s *server) unseen(r *http.Request, err error) {
	if err != nil {
		s.log.Error("a look was not journalled", "path", r.URL.Path, "error", err)
	}
}

// feedReader is who reads the calendar at its secret address, in the journal.
const feedReader = "calendar feed"

// mostEntries is how many entries of the journal are answered at once; before= asks for those behind them.
const mostEntries = 500

// query reads what is searched in the journal.
func journalQuery(r *http.Request) (practice.JournalQuery, error) {
	in := r.URL.Query()
	q := practice.JournalQuery{Patient: in.Get("patient"), Who: in.Get("who"), What: in.Get("what"), Text: in.Get("text")}
	if b := in.Get("before"); b != "" {
		n, err := strconv.ParseInt(b, 10, 64)
		if err != nil || n < 1 {
			return q, fmt.Errorf("before %q: write the number of an entry: %w", b, practice.ErrInvalid)
		}
		q.Before = n
	}
	return q, q.Days(in.Get("from"), in.Get("to"))
}

// journal searches the journal. That somebody did is journalled as well.
func (s *server) journal(r *http.Request) (any, error) {
	if s.Ledger == nil {
		return nil, errNothingHere
	}
	q, err := journalQuery(r)
	if err != nil {
		return nil, err
	}
	q.Limit = mostEntries
	if err := s.Ledger.Note(r.Context(), "journal.read", q.Patient, ""); err != nil {
		return nil, err
	}
	es, err := s.Ledger.Journal(r.Context(), q)
	if err != nil {
		return nil, err
	}
	people, patients, err := s.Ledger.Names(r.Context(), es)
	return map[string]any{"entries": append([]practice.Entry{}, es...), "more": len(es) == mostEntries, "people": people, "patients": patients}, err
}

// keeping says for how long the record of a patient is to be kept.
func (s *server) keeping(r *http.Request) (any, error) {
	if s.Ledger == nil {
		return nil, errNothingHere
	}
	return s.Ledger.Keeping(r.Context(), r.PathValue("id"))
}

// journalFile is the whole of what journal finds, as a table.
func (s *server) journalFile(w http.ResponseWriter, r *http.Request) {
	if s.Ledger == nil {
		s.fail(w, r, errNothingHere)
		return
	}
	q, err := journalQuery(r)
	if err == nil {
		err = s.Ledger.Note(r.Context(), "journal.exported", q.Patient, "")
	}
	var es []practice.Entry
	if err == nil {
		es, err = s.Ledger.Journal(r.Context(), q)
	}
	var out bytes.Buffer
	if err == nil {
		err = practice.WriteJournal(&out, es)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	send(w, File{"journal.csv", "text/csv; charset=utf-8", out.Bytes()})
}

// dossier hands out all that is kept of a patient. It is journalled before anything leaves.
func (s *server) dossier(w http.ResponseWriter, r *http.Request) {
	if s.Dossier == nil || s.Ledger == nil {
		s.fail(w, r, errNothingHere)
		return
	}
	id := r.PathValue("id")
	if _, err := s.Practice.Patient(r.Context(), id); err != nil {
		s.fail(w, r, err)
		return
	}
	if err := s.Ledger.Note(r.Context(), "patient.exported", id, "all"); err != nil {
		s.fail(w, r, err)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Disposition", "attachment; filename="+strconv.Quote(id+".zip"))
	h.Set("Cache-Control", "no-store")
	if err := s.Dossier(r.Context(), w, id); err != nil {
		s.log.Error("a patient's data were not handed out whole", "error", err)
		panic(http.ErrAbortHandler) // a file that was cut short must not look whole
	}
}

// erase erases all that is kept of a patient.
func (s *server) erase(r *http.Request) (any, error) {
	if s.Ledger == nil {
		return nil, errNothingHere
	}
	var in struct {
		Reason  string `json:"reason"`
		Despite bool   `json:"despite_retention"`
		Copies  bool   `json:"copies"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	return s.Ledger.ErasePatient(r.Context(), r.PathValue("id"), practice.Erase{Reason: in.Reason, Despite: in.Despite, Copies: in.Copies})
}
