package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"leadsman/report"
)

// Server answers read-only FHIR requests below one address, such as /fhir. It writes nothing: what is entered comes from exams.
type Server struct {
	Base   string // the path that it is mounted at, without a slash at its end
	Source report.Source
	// NotFound reports whether an error of the Source says that there is no such record.
	NotFound func(error) bool
	Version  string    // of the program
	Built    time.Time // shown as the date of the CapabilityStatement
	Log      *slog.Logger
}

const (
	mediaType  = "application/fhir+json"
	pageOf     = 50
	largestTop = 500
)

// search lists what can be searched for each type; all of them have _id besides.
var search = map[string][]param{
	"Patient":               {{"identifier", r4.SearchParamTypeToken}, {"name", r4.SearchParamTypeString}, {"birthdate", r4.SearchParamTypeDate}},
	"Encounter":             {{"patient", r4.SearchParamTypeReference}, {"date", r4.SearchParamTypeDate}},
	"Observation":           {{"patient", r4.SearchParamTypeReference}, {"encounter", r4.SearchParamTypeReference}, {"date", r4.SearchParamTypeDate}, {"code", r4.SearchParamTypeToken}},
	"Condition":             {{"patient", r4.SearchParamTypeReference}, {"encounter", r4.SearchParamTypeReference}, {"recorded-date", r4.SearchParamTypeDate}},
	"DiagnosticReport":      {{"patient", r4.SearchParamTypeReference}, {"encounter", r4.SearchParamTypeReference}, {"date", r4.SearchParamTypeDate}},
	"QuestionnaireResponse": {{"patient", r4.SearchParamTypeReference}, {"encounter", r4.SearchParamTypeReference}, {"authored", r4.SearchParamTypeDate}},
	"Provenance":            {{"patient", r4.SearchParamTypeReference}, {"recorded", r4.SearchParamTypeDate}},
	"Practitioner":          {{"patient", r4.SearchParamTypeReference}},
	"Device":                {{"patient", r4.SearchParamTypeReference}},
}

type param struct {
	name string
	kind r4.SearchParamType
}

var kinds = []string{"Patient", "Encounter", "Observation", "Condition", "DiagnosticReport", "QuestionnaireResponse", "Provenance", "Practitioner", "Device"}

// problem is a request at fault.
type problem struct {
	status int
	code   r4.IssueType
	text   string
}

func (p *problem) Error() string { return p.text }

func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	err := s.serve(w, r)
	if err == nil {
		return
	}
	var p *problem
	switch {
	case errors.As(err, &p):
	case s.NotFound != nil && s.NotFound(err):
		p = &problem{http.StatusNotFound, r4.IssueTypeNotFound, "there is no such resource here"}
	default:
		s.Log.Error("fhir", "path", r.URL.Path, "err", err)
		p = &problem{http.StatusInternalServerError, r4.IssueTypeException, "a fault of the program; its log has the cause"}
	}
	send(w, p.status, r4.OperationOutcome{Issue: []r4.OperationOutcomeIssue{{Severity: r4.IssueSeverityError, Code: p.code, Diagnostics: ptr(p.text)}}})
}

func send(w http.ResponseWriter, status int, body any) {
	raw, err := json.Marshal(body)
	if err != nil {
		status, raw = http.StatusInternalServerError, []byte(`{"resourceType":"OperationOutcome","issue":[{"severity":"fatal","code":"exception"}]}`)
	}
	w.Header().Set("Content-Type", mediaType+"; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(raw) // nobody left to be told if the connection broke
}

func (s *Server) serve(w http.ResponseWriter, r *http.Request) error {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return &problem{http.StatusMethodNotAllowed, r4.IssueTypeNotSupported, "this endpoint is read-only: GET alone is answered"}
	}
	q := r.URL.Query()
	if f := q.Get("_format"); f != "" && f != "json" && f != mediaType && f != "application/json" {
		return &problem{http.StatusNotAcceptable, r4.IssueTypeNotSupported, "only JSON is written: _format=json"}
	}
	part := strings.Split(strings.Trim(strings.TrimPrefix(r.URL.Path, s.Base), "/"), "/")
	switch {
	case len(part) == 1 && part[0] == "metadata":
		send(w, http.StatusOK, s.capabilities())
		return nil
	case part[0] == "CodeSystem" && (len(part) == 1 || len(part) == 2 && part[1] == "periodontal-findings"):
		if len(part) == 1 {
			send(w, http.StatusOK, s.bundle(r, []resource{{Type: "CodeSystem", ID: "periodontal-findings", Body: json.RawMessage(CodeSystem)}}, ""))
			return nil
		}
		send(w, http.StatusOK, json.RawMessage(CodeSystem))
		return nil
	case !slices.Contains(kinds, part[0]):
		return &problem{http.StatusNotFound, r4.IssueTypeNotSupported, "there is nothing at this address: " + s.Base + "/metadata says what there is"}
	case len(part) == 1:
		return s.search(w, r, part[0], q)
	case len(part) == 2:
		return s.read(w, r, part[0], part[1])
	case len(part) == 3 && part[0] == "Patient" && part[2] == "$everything":
		q.Set("patient", part[1])
		if _, err := s.Source.Patient(r.Context(), part[1]); err != nil {
			return err
		}
		return s.search(w, r, "", q)
	}
	return &problem{http.StatusNotFound, r4.IssueTypeNotSupported, "there is nothing at this address: " + s.Base + "/metadata says what there is"}
}

// read gives one resource. Its id begins with that of its exam, but for those that exams share.
func (s *Server) read(w http.ResponseWriter, r *http.Request, kind, id string) error {
	if kind == "Patient" {
		p, err := s.Source.Patient(r.Context(), id)
		if err == nil {
			send(w, http.StatusOK, patientOf(&p))
		}
		return err
	}
	give := func(rec *report.Record) bool {
		for res := range resources(rec, relative) {
			if res.Type == kind && res.ID == id {
				send(w, http.StatusOK, res.Body)
				return true
			}
		}
		return false
	}
	if kind != "Practitioner" && kind != "Device" {
		exam, _, _ := strings.Cut(id, ".")
		rec, err := s.Source.Record(r.Context(), exam)
		if err == nil && !give(rec) {
			err = &problem{http.StatusNotFound, r4.IssueTypeNotFound, "there is no such resource here"}
		}
		return err
	}
	for rec, err := range s.records(r, "", "") {
		if err != nil {
			return err
		}
		if give(rec) {
			return nil
		}
	}
	return &problem{http.StatusNotFound, r4.IssueTypeNotFound, "there is no such resource here"}
}

// records yields the exams of one patient, or of all behind one.
func (s *Server) records(r *http.Request, patient, after string) iter.Seq2[*report.Record, error] {
	return func(yield func(*report.Record, error) bool) {
		if patient != "" {
			for rec, err := range s.Source.Records(r.Context(), patient) {
				if !yield(rec, err) || err != nil {
					return
				}
			}
			return
		}
		for p, err := range s.Source.Patients(r.Context(), after) {
			if err != nil {
				yield(nil, err)
				return
			}
			for rec, err := range s.Source.Records(r.Context(), p.ID) {
				if !yield(rec, err) || err != nil {
					return
				}
			}
		}
	}
}

// wanted is a search.
type wanted struct {
	kind      string // "": all
	id        []string
	patient   string
	encounter string
	codes     []string // code or system|code
	days      []dayRange
	name      string
	ident     string // value or system|value
	count     int    // most on a page
	cursor    string // where the page goes on; "": the first one
}

// dayRange is one date condition: from and to are half-open.
type dayRange struct{ from, to time.Time }

func (s *Server) search(w http.ResponseWriter, r *http.Request, kind string, q url.Values) error {
	want := wanted{kind: kind, count: pageOf}
	for name, values := range q {
		for _, v := range values {
			if err := s.condition(&want, name, v); err != nil {
				return err
			}
		}
	}
	if kind == "Patient" {
		return s.people(w, r, &want)
	}
	p := paging{want: &want, seen: map[string]bool{}}
	if err := p.goOn(want.cursor); err != nil {
		return err
	}
	for rec, err := range s.candidates(r, &want, p.behind) {
		if err != nil {
			return err
		}
		if next := p.add(rec); next != "" {
			send(w, http.StatusOK, s.bundle(r, p.page, next))
			return nil
		}
	}
	send(w, http.StatusOK, s.bundle(r, p.page, ""))
	return nil
}

// condition takes one parameter of a search.
func (s *Server) condition(want *wanted, name, v string) error {
	allowed := slices.ContainsFunc(search[want.kind], func(p param) bool { return p.name == name })
	switch {
	case name == "_id" && want.kind != "":
		want.id = strings.Split(v, ",")
	case name == "_count":
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 {
			return &problem{http.StatusBadRequest, r4.IssueTypeValue, "_count is a number from 1 on"}
		}
		want.count = min(n, largestTop)
	case name == "_cursor":
		want.cursor = v
	case name == "_format":
	case name == "patient" && (allowed || want.kind == ""):
		want.patient = strings.TrimPrefix(v, "Patient/")
	case !allowed:
		return &problem{http.StatusBadRequest, r4.IssueTypeNotSupported, fmt.Sprintf("%s cannot be searched by %q: %s/metadata lists what it can be searched by", want.kind, name, s.Base)}
	case name == "encounter":
		want.encounter = strings.TrimPrefix(v, "Encounter/")
	case name == "code":
		want.codes = strings.Split(v, ",")
	case name == "name":
		want.name = strings.ToLower(v)
	case name == "identifier":
		want.ident = v
	default:
		d, err := parseDay(v)
		if err != nil {
			return &problem{http.StatusBadRequest, r4.IssueTypeValue, name + ": " + err.Error()}
		}
		want.days = append(want.days, d)
	}
	return nil
}

// candidates yields the exams in which a search may find something: that of an encounter, those of a patient, or all behind one.
func (s *Server) candidates(r *http.Request, want *wanted, after string) iter.Seq2[*report.Record, error] {
	if want.encounter == "" {
		return s.records(r, want.patient, after)
	}
	return func(yield func(*report.Record, error) bool) {
		rec, err := s.Source.Record(r.Context(), want.encounter)
		if err == nil && (want.patient == "" || want.patient == rec.Patient.ID) {
			yield(rec, nil)
		} else if err != nil && !s.NotFound(err) {
			yield(nil, err)
		}
	}
}

// paging fills a page of a search. It goes on behind a patient, after so many of the next one's matches.
type paging struct {
	want    *wanted
	page    []resource
	seen    map[string]bool // shared resources, once a page
	behind  string          // the last patient who is done
	skip    int             // matches of the next one that stand on pages before
	at      string          // the patient whose exams are read
	matches int             // of that one
}

// goOn takes up where the page before ended.
func (p *paging) goOn(cursor string) error {
	if cursor == "" {
		return nil
	}
	patient, n, ok := strings.Cut(cursor, "~")
	skip, err := strconv.Atoi(n)
	if !ok || err != nil || skip < 0 {
		return &problem{http.StatusBadRequest, r4.IssueTypeValue, "_cursor is no page of this search"}
	}
	p.behind, p.skip = patient, skip
	return nil
}

// add puts the matches of an exam on the page; once that is full, it returns where the next one goes on.
func (p *paging) add(rec *report.Record) (next string) {
	if rec.Patient.ID != p.at {
		if p.at != "" {
			p.behind, p.skip = p.at, 0
		}
		p.at, p.matches = rec.Patient.ID, 0
	}
	for res := range resources(rec, relative) {
		shared := res.Type == "Practitioner" || res.Type == "Device" || res.Type == "Patient"
		if !p.want.has(&res) || shared && p.seen[res.Type+"/"+res.ID] {
			continue
		}
		p.seen[res.Type+"/"+res.ID] = shared
		if p.matches++; p.matches <= p.skip {
			continue
		}
		if len(p.page) == p.want.count {
			return fmt.Sprintf("%s~%d", p.behind, p.matches-1)
		}
		p.page = append(p.page, res)
	}
	return ""
}

// people searches patients.
func (s *Server) people(w http.ResponseWriter, r *http.Request, want *wanted) error {
	var page []resource
	for p, err := range s.Source.Patients(r.Context(), want.cursor) {
		if err != nil {
			return err
		}
		res := patientOf(&p)
		born, _ := parseDay(p.Born)
		switch {
		case want.id != nil && !slices.Contains(want.id, p.ID),
			want.name != "" && !strings.Contains(strings.ToLower(p.Name), want.name),
			len(want.days) > 0 && p.Born == "",
			!slices.ContainsFunc(res.Identifier, func(i r4.Identifier) bool {
				return want.ident == "" || want.ident == *i.Value || want.ident == *i.System+"|"+*i.Value
			}):
			continue
		}
		if slices.ContainsFunc(want.days, func(d dayRange) bool { return !d.meets(born.from, born.to) }) {
			continue
		}
		if len(page) == want.count {
			send(w, http.StatusOK, s.bundle(r, page, page[want.count-1].ID))
			return nil
		}
		page = append(page, resource{Type: "Patient", ID: p.ID, Body: res})
	}
	send(w, http.StatusOK, s.bundle(r, page, ""))
	return nil
}

func (q *wanted) has(res *resource) bool {
	if q.kind != "" && res.Type != q.kind || q.id != nil && !slices.Contains(q.id, res.ID) {
		return false
	}
	for _, d := range q.days {
		if !res.Date.IsZero() && !d.meets(res.Date, res.Date.Add(time.Second)) {
			return false
		}
	}
	if q.codes == nil {
		return true
	}
	o, ok := res.Body.(r4.Observation)
	return ok && slices.ContainsFunc(q.codes, func(c string) bool {
		system, code, both := strings.Cut(c, "|")
		if !both {
			system, code = "", c
		}
		return slices.ContainsFunc(o.Code.Coding, func(x r4.Coding) bool { return *x.Code == code && (system == "" || *x.System == system) })
	})
}

// parseDay reads a date search: a prefix (eq, ge, gt, le, lt; R4 3.1.1.4.4) and a year, month, day or moment.
func parseDay(v string) (dayRange, error) {
	op := "eq"
	if len(v) > 2 && v[0] >= 'a' && v[0] <= 'z' {
		op, v = v[:2], v[2:]
	}
	var from, to time.Time
	for _, f := range []struct {
		layout string
		y      int
		m      int
		d      int
	}{{"2006", 1, 0, 0}, {"2006-01", 0, 1, 0}, {"2006-01-02", 0, 0, 1}} {
		if t, err := time.ParseInLocation(f.layout, v, time.Local); err == nil {
			from, to = t, t.AddDate(f.y, f.m, f.d)
		}
	}
	if t, err := time.Parse(time.RFC3339, v); err == nil {
		from, to = t, t.Add(time.Second)
	}
	if from.IsZero() {
		return dayRange{}, fmt.Errorf("%q: write a date such as 2026-11-02, ge2026-01 or lt2027", v)
	}
	never, ever := time.Unix(-1<<40, 0), time.Unix(1<<40, 0)
	switch op {
	case "eq":
		return dayRange{from, to}, nil
	case "ge":
		return dayRange{from, ever}, nil
	case "gt":
		return dayRange{to, ever}, nil
	case "le":
		return dayRange{never, to}, nil
	case "lt":
		return dayRange{never, from}, nil
	}
	return dayRange{}, fmt.Errorf("prefix %q: use eq, ge, gt, le or lt", op)
}

// meets reports whether the span from a to b lies in or over the range.
func (d dayRange) meets(a, b time.Time) bool { return a.Before(d.to) && b.After(d.from) }

// bundle is a page of a search. Links are relative to where the request came to.
func (s *Server) bundle(r *http.Request, page []resource, next string) r4.Bundle {
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	root := scheme + "://" + r.Host
	b := r4.Bundle{Type: r4.BundleTypeSearchset, Link: []r4.BundleLink{{Relation: "self", Url: root + r.URL.RequestURI()}}}
	if next != "" {
		q := r.URL.Query()
		q.Set("_cursor", next)
		b.Link = append(b.Link, r4.BundleLink{Relation: "next", Url: root + r.URL.Path + "?" + q.Encode()})
	}
	for _, res := range page {
		raw, _ := json.Marshal(res.Body) // made by us
		b.Entry = append(b.Entry, r4.BundleEntry{FullUrl: ptr(root + s.Base + "/" + res.Type + "/" + res.ID), Resource: raw, Search: &r4.BundleEntrySearch{Mode: ptr(r4.SearchEntryModeMatch)}})
	}
	return b
}

func (s *Server) capabilities() r4.CapabilityStatement {
	c := r4.CapabilityStatement{Status: r4.PublicationStatusActive, Date: s.Built.UTC().Format(time.DateOnly), Kind: r4.CapabilityStatementKindInstance, FhirVersion: r4.FHIRVersion4_0_1,
		Format: []string{"json"}, Software: &r4.CapabilityStatementSoftware{Name: "Leadsman", Version: ptr(s.Version)},
		Implementation: &r4.CapabilityStatementImplementation{Description: "Periodontal exams of one practice, read-only"}}
	rest := r4.CapabilityStatementRest{Mode: r4.RestfulCapabilityModeServer, Documentation: ptr("Pages of a search follow the link next. Search parameters that are not listed are refused.")}
	for _, k := range append([]string{"CodeSystem"}, kinds...) {
		var kind r4.ResourceType
		_ = json.Unmarshal([]byte(`"`+k+`"`), &kind) // a type of R4: a test reads the statement
		res := r4.CapabilityStatementRestResource{Type: kind, Interaction: []r4.CapabilityStatementRestResourceInteraction{
			{Code: r4.TypeRestfulInteractionRead}, {Code: r4.TypeRestfulInteractionSearchType}}}
		if k != "CodeSystem" {
			res.SearchParam = append(res.SearchParam, r4.CapabilityStatementRestResourceSearchParam{Name: "_id", Type: r4.SearchParamTypeToken})
		}
		for _, p := range search[k] {
			res.SearchParam = append(res.SearchParam, r4.CapabilityStatementRestResourceSearchParam{Name: p.name, Type: p.kind})
		}
		if k == "Patient" {
			res.Operation = []r4.CapabilityStatementRestResourceOperation{{Name: "everything", Definition: "http://hl7.org/fhir/OperationDefinition/Patient-everything"}}
		}
		rest.Resource = append(rest.Resource, res)
	}
	c.Rest = []r4.CapabilityStatementRest{rest}
	return c
}
