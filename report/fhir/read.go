package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/report"
)

// Rejected is something of a file that no chart can take up.
type Rejected struct {
	Where string // resource, or place in the file
	Why   string
}

func (r Rejected) String() string { return r.Where + ": " + r.Why }

// Read takes the exams out of a Bundle of FHIR R4 resources: those that this package writes, and others that keep to its layout. It
// gives one record for each Encounter with Observations (those without an Encounter make one together), and what could not be taken
// up, with the reason. Findings are not read: they are worked out anew. An error means that nothing could be read.
func Read(in io.Reader) ([]*report.Record, []Rejected, error) {
	var b r4.Bundle
	dec := json.NewDecoder(in)
	if err := dec.Decode(&b); err != nil {
		return nil, nil, fmt.Errorf("not a FHIR Bundle in JSON: %w", err)
	}
	rd := reader{byRef: map[string]json.RawMessage{}, exams: map[string]*report.Record{}, patients: map[string]report.Person{}}
	var observations []json.RawMessage
	kinds := map[string]int{}
	for i, e := range b.Entry {
		var head struct{ ResourceType, ID string }
		if err := json.Unmarshal(e.Resource, &head); err != nil || head.ResourceType == "" {
			rd.reject(fmt.Sprintf("entry %d", i+1), "it holds no resource")
			continue
		}
		kinds[head.ResourceType]++
		if e.FullUrl != nil {
			rd.byRef[*e.FullUrl] = e.Resource
		}
		if head.ID != "" {
			rd.byRef[head.ResourceType+"/"+head.ID] = e.Resource
		}
		switch head.ResourceType {
		case "Observation":
			observations = append(observations, e.Resource)
		case "QuestionnaireResponse", "Provenance", "DiagnosticReport":
			rd.later = append(rd.later, e.Resource)
		case "Patient", "Encounter", "Practitioner", "Device", "Condition", "CodeSystem":
		default:
			rd.reject(head.ResourceType+" "+head.ID, "exams are not made of this kind of resource")
		}
	}
	if len(observations) == 0 {
		return nil, rd.rejected, errors.New("the Bundle has no Observations: nothing to take up")
	}
	for _, raw := range observations {
		var o r4.Observation
		if err := json.Unmarshal(raw, &o); err != nil {
			rd.reject("Observation", "cannot be read: "+err.Error())
			continue
		}
		if err := rd.observation(&o); err != nil {
			rd.reject(strings.TrimSpace("Observation "+text(o.Id)), err.Error())
		}
	}
	for _, raw := range rd.later {
		rd.rest(raw)
	}
	out := slices.SortedFunc(maps.Values(rd.exams), func(a, b *report.Record) int {
		if c := a.Exam.Began.Compare(b.Exam.Began); c != 0 {
			return c
		}
		return strings.Compare(a.Exam.ID, b.Exam.ID)
	})
	for _, r := range out {
		r.Chart.Exam = r.Origin()
	}
	return out, rd.rejected, nil
}

type reader struct {
	byRef    map[string]json.RawMessage
	exams    map[string]*report.Record // by reference to the Encounter
	patients map[string]report.Person
	later    []json.RawMessage
	rejected []Rejected
}

func (rd *reader) reject(where, why string) {
	rd.rejected = append(rd.rejected, Rejected{where, why})
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func refOf(r *r4.Reference) string {
	if r == nil {
		return ""
	}
	return text(r.Reference)
}

// exam is the record that an Encounter's Observations go to.
func (rd *reader) exam(encounter, subject string) *report.Record {
	if r := rd.exams[encounter]; r != nil {
		return r
	}
	r := &report.Record{Chart: &chart.Chart{Numbering: chart.FDI}, Exam: report.Exam{Kind: "exam"}}
	var e r4.Encounter
	if json.Unmarshal(rd.byRef[encounter], &e) == nil {
		r.Exam.ID = text(e.Id)
		if e.Period != nil {
			r.Exam.Began, _ = time.Parse(time.RFC3339, text(e.Period.Start))
			r.Exam.Ended, _ = time.Parse(time.RFC3339, text(e.Period.End))
		}
		for _, t := range e.Type {
			if _, ok := code(&t, codes, "re-evaluation"); ok {
				r.Exam.Kind = "re-evaluation"
			}
		}
		if subject == "" {
			subject = refOf(e.Subject)
		}
	}
	r.Chart.ID = r.Exam.ID
	var p r4.Patient
	if json.Unmarshal(rd.byRef[subject], &p) == nil {
		r.Patient = report.Person{ID: text(p.Id), Born: text(p.BirthDate)}
		if len(p.Name) > 0 {
			r.Patient.Name = text(p.Name[0].Text)
			if r.Patient.Name == "" {
				r.Patient.Name = strings.TrimSpace(strings.Join(p.Name[0].Given, " ") + " " + text(p.Name[0].Family))
			}
		}
		for _, id := range p.Identifier {
			if s := text(id.System); s != internalIDs && r.Patient.Number == "" {
				r.Patient.Number = text(id.Value)
			}
		}
	}
	rd.exams[encounter] = r
	return r
}

// code finds a coding of a system, or with want "" the first of it.
func code(c *r4.CodeableConcept, system, want string) (string, bool) {
	if c == nil {
		return "", false
	}
	for _, x := range c.Coding {
		s := text(x.System)
		if s == exampleCodes {
			s = codes
		}
		if v := text(x.Code); s == system && v != "" && (want == "" || v == want) {
			return v, true
		}
	}
	return "", false
}

// Codes of the published layout's examples that are called otherwise here.
var aliases = map[string]string{"bop": "bleeding"}

func ourCode(c *r4.CodeableConcept) string {
	v, _ := code(c, codes, "")
	if a := aliases[v]; a != "" {
		return a
	}
	return v
}

func toothOf(c *r4.CodeableConcept) (chart.Tooth, error) {
	if c == nil {
		return 0, errors.New("bodySite names no tooth")
	}
	for _, system := range []string{iso3950, exTooth} {
		if v, ok := code(c, system, ""); ok {
			return chart.ParseTooth(v, chart.FDI)
		}
	}
	if v, ok := code(c, universal, ""); ok {
		return chart.ParseTooth(v, chart.Universal)
	}
	return 0, fmt.Errorf("bodySite names no tooth in %s or %s", iso3950, universal)
}

// millimetres reads a length, whole or half, from min to max.
func millimetres(q *r4.Quantity, min, max float64) (chart.MM, error) {
	if q == nil || q.Value == nil {
		return chart.MM{}, errors.New("a length without a value")
	}
	if u := text(q.Code); u != "mm" && !(u == "" && text(q.Unit) == "mm") {
		return chart.MM{}, fmt.Errorf("a length in %q: mm is needed", u+text(q.Unit))
	}
	f, err := q.Value.Float64()
	if err != nil {
		return chart.MM{}, err
	}
	if f < min || f > max {
		return chart.MM{}, fmt.Errorf("%v mm is out of range (%v to %v mm)", f, min, max)
	}
	return chart.MMFromFloat(f)
}

// observation enters one Observation, or nothing of it: a bad component takes the whole with it.
func (rd *reader) observation(o *r4.Observation) error {
	if o.Status == r4.ObservationStatusCancelled || o.Status == r4.ObservationStatusEnteredInError {
		return errors.New("its status says that it is not valid")
	}
	enter := entries[ourCode(&o.Code)]
	if _, depth := code(&o.Code, loinc, depthCode); depth && enter == nil {
		enter = probed
	}
	if enter == nil {
		if isScore(&o.Code) {
			return nil // worked out anew
		}
		return errors.New("its code is none that a chart has a place for")
	}
	t, err := toothOf(o.BodySite)
	if err != nil {
		return err
	}
	return enter(rd.of(o), o, t)
}

// entries enter an Observation of a code of ours; what is none of these was probed at a site.
var entries = map[string]func(*report.Record, *r4.Observation, chart.Tooth) error{
	"tooth-status":      toothStatus,
	"mobility":          mobility,
	"keratinized-width": keratinized,
	"furcation":         furcation,
}

// isScore reports whether a code is that of a score.
func isScore(c *r4.CodeableConcept) bool {
	_, bleeding := code(c, loinc, bleedingCode)
	_, plaque := code(c, loinc, plaqueCode)
	return bleeding || plaque || ourCode(c) == "pisa"
}

// of is the record that an Observation belongs to, with what the Observation says of the exam.
func (rd *reader) of(o *r4.Observation) *report.Record {
	r := rd.exam(refOf(o.Encounter), refOf(o.Subject))
	if r.Exam.Began.IsZero() {
		r.Exam.Began, _ = time.Parse(time.RFC3339, text(o.EffectiveDateTime))
	}
	if r.Exam.Examiner == "" && len(o.Performer) > 0 {
		r.Exam.Examiner = rd.person(refOf(&o.Performer[0]))
	}
	for _, c := range o.BodySite.Coding {
		if text(c.System) == universal && c.UserSelected != nil && *c.UserSelected {
			r.Chart.Numbering = chart.Universal
		}
	}
	return r
}

func toothStatus(r *report.Record, o *r4.Observation, t chart.Tooth) error {
	v := ourCode(o.ValueCodeableConcept)
	if v == "" && o.ValueCodeableConcept != nil {
		v = text(o.ValueCodeableConcept.Text)
	}
	for _, p := range []chart.Presence{chart.Present, chart.Missing, chart.Implant, chart.Unerupted} {
		if p.String() == v {
			r.Chart.Tooth(t).Presence = p
			return nil
		}
	}
	return fmt.Errorf("tooth status %q: present, missing, implant or unerupted is needed", v)
}

func mobility(r *report.Record, o *r4.Observation, t chart.Tooth) error {
	if o.ValueInteger == nil || *o.ValueInteger < 0 || *o.ValueInteger > chart.MaxMobility {
		return errors.New("mobility is a whole grade from 0 to 3")
	}
	r.Chart.Tooth(t).Mobility = chart.GradeOf(*o.ValueInteger)
	return nil
}

func keratinized(r *report.Record, o *r4.Observation, t chart.Tooth) error {
	width, err := millimetres(o.ValueQuantity, 0, chart.MaxDepth)
	if err == nil {
		r.Chart.Tooth(t).Keratin = width
	}
	return err
}

// probed enters what was read at a site.
func probed(r *report.Record, o *r4.Observation, t chart.Tooth) error {
	ref := chart.SiteRef{Tooth: t, Site: chart.NumSites}
	for _, c := range o.Component {
		if answer, ok := code(c.ValueCodeableConcept, loinc, ""); ok && ourCode(&c.Code) == "probe-site" {
			ref.Site = chart.Site(slices.IndexFunc(siteAnswers[:], func(a [2]string) bool { return a[0] == answer }))
		}
	}
	if ref.Site >= chart.NumSites {
		return errors.New("it does not say at which of the six sites the probe was")
	}
	s := *r.Chart.Site(ref)
	if !s.Empty() {
		return fmt.Errorf("site %s.%s was given already", t, ref.Site)
	}
	if o.ValueQuantity != nil {
		var err error
		if s.Depth, err = millimetres(o.ValueQuantity, 0, chart.MaxDepth); err != nil {
			return fmt.Errorf("probing depth: %w", err)
		}
	}
	var doubts []chart.Doubt
	for _, c := range o.Component {
		if err := siteComponent(&s, &c); err != nil {
			return err
		}
		if ourCode(&c.Code) == "doubt" {
			d := chart.Doubt{SiteRef: ref, Field: chart.Field(text(c.ValueString))}
			if len(o.Note) > len(doubts) {
				d.Reason = o.Note[len(doubts)].Text
			}
			doubts = append(doubts, d)
		}
	}
	*r.Chart.Site(ref) = s
	r.Doubts = append(r.Doubts, doubts...)
	return nil
}

// siteComponent enters a component of what was probed: the margin, a second depth, an answer.
func siteComponent(s *chart.SiteRecord, c *r4.ObservationComponent) (err error) {
	kind := ourCode(&c.Code)
	if _, ok := code(&c.Code, loinc, recessionCode); ok && c.ValueQuantity != nil {
		if s.Recession, err = millimetres(c.ValueQuantity, chart.MinRecession, chart.MaxRecession); err != nil {
			return fmt.Errorf("recession: %w", err)
		}
		return nil
	}
	if kind == "depth-again" {
		if s.Again, err = millimetres(c.ValueQuantity, 0, chart.MaxDepth); err != nil {
			return fmt.Errorf("second depth: %w", err)
		}
	}
	for f := range chart.NumFlags {
		if kind == f.String() && c.ValueBoolean != nil {
			s.Flags[f] = chart.Is(*c.ValueBoolean)
		}
	}
	return nil
}

// furcation enters one entrance.
func furcation(r *report.Record, o *r4.Observation, t chart.Tooth) error {
	if g := o.ValueInteger; g != nil && (*g < 0 || *g > chart.MaxFurcation) {
		return errors.New("furcation is a whole grade from 0 to 3")
	}
	at := -1
	var down chart.MM
	for _, c := range o.Component {
		answer, _ := code(c.ValueCodeableConcept, loinc, "")
		for _, e := range t.Entrances() {
			if ourCode(&c.Code) == "furcation-entrance" && entranceAnswers[e.String()][0] == answer {
				at = int(e)
			}
		}
		if ourCode(&c.Code) == "furcation-vertical" {
			var err error
			if down, err = millimetres(c.ValueQuantity, 0, chart.MaxDepth); err != nil {
				return fmt.Errorf("vertical furcation: %w", err)
			}
		}
	}
	switch {
	case at < 0:
		return fmt.Errorf("it names no furcation entrance that tooth %s has", t)
	case o.ValueInteger == nil && !down.Known():
		return errors.New("it has neither a grade nor a depth")
	}
	rec := r.Chart.Tooth(t)
	if o.ValueInteger != nil {
		rec.Furcation[at] = chart.GradeOf(*o.ValueInteger)
	}
	rec.Vertical[at] = down
	return nil
}

// person is the name of a Practitioner, or its identifier.
func (rd *reader) person(ref string) string {
	var p r4.Practitioner
	if json.Unmarshal(rd.byRef[ref], &p) != nil {
		return ""
	}
	if len(p.Name) > 0 && p.Name[0].Text != nil {
		return *p.Name[0].Text
	}
	if len(p.Identifier) > 0 {
		return text(p.Identifier[0].Value)
	}
	return ""
}

// rest reads what belongs to an exam beside its Observations.
func (rd *reader) rest(raw json.RawMessage) {
	var head struct {
		ResourceType string
		ID           string
		Encounter    *r4.Reference
	}
	if json.Unmarshal(raw, &head) != nil {
		return
	}
	r := rd.exams[refOf(head.Encounter)]
	switch {
	case head.ResourceType == "Provenance":
		var p r4.Provenance
		if json.Unmarshal(raw, &p) != nil || len(rd.exams) != 1 {
			return
		}
		for _, r = range rd.exams {
			for _, e := range p.Entity {
				if id := e.What.Identifier; id != nil && text(id.System) == logHeads {
					r.Exam.Head = text(id.Value)
				}
			}
			r.Exam.Ended, _ = time.Parse(time.RFC3339, p.Recorded)
		}
	case r == nil:
	case head.ResourceType == "DiagnosticReport":
		var d r4.DiagnosticReport
		if json.Unmarshal(raw, &d) == nil && (d.Status == r4.DiagnosticReportStatusFinal || d.Status == r4.DiagnosticReportStatusAmended) && len(d.ResultsInterpreter) > 0 {
			r.Exam.SignedBy = rd.person(refOf(&d.ResultsInterpreter[0]))
			r.Exam.Signed, _ = time.Parse(time.RFC3339, text(d.Issued))
		}
	case head.ResourceType == "QuestionnaireResponse":
		var q r4.QuestionnaireResponse
		if json.Unmarshal(raw, &q) != nil || text(q.Questionnaire) != questions {
			rd.reject("QuestionnaireResponse "+head.ID, "it answers other questions than ours")
			return
		}
		if err := answersInto(r.Chart, &q); err != nil {
			rd.reject("QuestionnaireResponse "+head.ID, err.Error())
		}
	}
}

// answersInto puts the answers back under their keys.
func answersInto(c *chart.Chart, q *r4.QuestionnaireResponse) error {
	tree := map[string]any{}
	for _, item := range q.Item {
		if len(item.Answer) != 1 || !strings.HasPrefix(item.LinkId, "/") {
			return fmt.Errorf("item %q is no answer to one of our questions", item.LinkId)
		}
		a := item.Answer[0]
		var v any
		switch {
		case a.ValueBoolean != nil:
			v = *a.ValueBoolean
		case a.ValueDecimal != nil:
			v = *a.ValueDecimal
		case a.ValueInteger != nil:
			v = *a.ValueInteger
		case a.ValueDate != nil:
			v = *a.ValueDate
		case a.ValueString != nil:
			v = *a.ValueString
		}
		at := tree
		keys := strings.Split(item.LinkId[1:], "/")
		for i, k := range keys {
			k = strings.NewReplacer("~1", "/", "~0", "~").Replace(k)
			if i == len(keys)-1 {
				at[k] = v
				break
			}
			next, ok := at[k].(map[string]any)
			if !ok {
				next = map[string]any{}
				at[k] = next
			}
			at = next
		}
	}
	// The one list among the inputs.
	if m, ok := tree["by_exception"].(map[string]any); ok {
		list := make([]any, 0, len(m))
		for i := range len(m) {
			list = append(list, m[strconv.Itoa(i)])
		}
		tree["by_exception"] = list
	}
	raw, err := json.Marshal(tree)
	if err != nil {
		return err
	}
	p, err := chartfile.MergePatient(c.Patient, raw)
	if err == nil {
		c.Patient = p
	}
	return err
}
