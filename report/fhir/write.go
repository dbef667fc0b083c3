package fhir

import (
	"crypto/sha1" // #nosec G505 -- for names alone
	"encoding/json"
	"fmt"
	"html"
	"io"
	"iter"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	r4 "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/report"
)

// resource is one resource of an exam.
type resource struct {
	Type, ID string
	Date     time.Time // of what it says; zero for those without one
	Body     any       // its R4 structure: encoding/json writes it with resourceType
}

// refs writes references between resources: relative ones on a server and in bulk files, URNs inside a Bundle.
type refs func(kind, id string) string

func relative(kind, id string) string { return kind + "/" + id }

// urn names a resource by a UUID of version 5 (RFC 9562), so that the same exam has the same names in every export.
func urn(kind, id string) string {
	// #nosec G401 -- a name, as the RFC has it, no protection
	h := sha1.New()
	h.Write([]byte{0x41, 0x0c, 0x8f, 0x3e, 0x52, 0x19, 0x4d, 0x6b, 0x9a, 0x77, 0x21, 0xd4, 0x5e, 0xb0, 0x63, 0x1f}) // namespace of ours
	io.WriteString(h, kind+"/"+id)
	u := h.Sum(nil)[:16]
	u[6], u[8] = u[6]&0x0f|0x50, u[8]&0x3f|0x80
	return fmt.Sprintf("urn:uuid:%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
}

func ptr[T any](v T) *T { return &v }

func (at refs) to(kind, id string) *r4.Reference {
	return &r4.Reference{Reference: ptr(at(kind, id)), Type: ptr(kind)}
}

func coding(system, code, display string) r4.Coding {
	c := r4.Coding{System: ptr(system), Code: ptr(code)}
	if display != "" {
		c.Display = ptr(display)
	}
	return c
}

func concept(cs ...r4.Coding) r4.CodeableConcept { return r4.CodeableConcept{Coding: cs} }

// ours is a concept of our code system, lo one of LOINC.
func ours(code string) r4.CodeableConcept { return concept(coding(codes, code, ourNames[code])) }
func lo(code string) r4.CodeableConcept   { return concept(coding(loinc, code, loincNames[code])) }

func quantity(v, unit, code string) *r4.Quantity {
	return &r4.Quantity{Value: ptr(json.Number(v)), Unit: ptr(unit), System: ptr(ucum), Code: ptr(code)}
}

func mm(v chart.MM) *r4.Quantity { return quantity(v.String(), "mm", "mm") }

func stamp(t time.Time) string { return t.Format(time.RFC3339) }

// toothSite is a tooth as a body site, in both numberings; the one that the exam is called in is marked as the user's.
func toothSite(t chart.Tooth, called chart.Numbering) *r4.CodeableConcept {
	c := concept(coding(iso3950, t.String(), ""), coding(universal, t.Label(chart.Universal), ""))
	if called == chart.Universal {
		c.Coding[1].UserSelected = ptr(true)
	} else {
		c.Coding[0].UserSelected = ptr(true)
	}
	c.Text = ptr("Tooth " + t.String() + " (ISO 3950)")
	return &c
}

// examinerID names a person of whom nothing but the name is known.
func examinerID(name string) string { return strings.TrimPrefix(urn("examiner", name), "urn:uuid:") }

// writer makes the resources of one exam.
type writer struct {
	*report.Record
	at      refs
	yield   func(resource) bool
	stopped bool
	results []string // ids of Observations, in order
	sites   map[chart.SiteRef]string
}

// resources yields all resources of an exam, those that others refer to first.
func resources(r *report.Record, at refs) iter.Seq[resource] {
	return func(yield func(resource) bool) {
		w := &writer{Record: r, at: at, yield: yield, sites: map[chart.SiteRef]string{}}
		w.put("Patient", r.Patient.ID, time.Time{}, patientOf(&r.Patient))
		for _, who := range w.people() {
			w.put("Practitioner", examinerID(who), time.Time{}, r4.Practitioner{Id: ptr(examinerID(who)), Active: ptr(true),
				Identifier: []r4.Identifier{{System: ptr(examinerIDs), Value: ptr(who)}}, Name: []r4.HumanName{{Text: ptr(who)}}})
		}
		w.put("Device", w.deviceID(), time.Time{}, w.device())
		w.put("Encounter", r.Exam.ID, r.Exam.Began, w.encounter())
		if q := w.answers(); q != nil {
			w.put("QuestionnaireResponse", r.Exam.ID, r.Exam.Began, *q)
		}
		r.Chart.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool { w.tooth(t, rec); return !w.stopped })
		w.scores()
		conditions := w.conditions()
		w.report(conditions)
		w.provenance(conditions)
	}
}

func (w *writer) put(kind, id string, date time.Time, body any) {
	if !w.stopped {
		w.stopped = !w.yield(resource{Type: kind, ID: id, Date: date, Body: body})
	}
}

// people are the examiner and the signer.
func (w *writer) people() []string {
	var out []string
	for _, p := range []string{w.Exam.Examiner, w.Exam.SignedBy} {
		if p != "" && !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

// patientOf is a person as a resource: of the name only what the record has.
func patientOf(p *report.Person) r4.Patient {
	out := r4.Patient{Id: ptr(p.ID), Active: ptr(true), Identifier: []r4.Identifier{{System: ptr(internalIDs), Value: ptr(p.ID)}}}
	if p.Number != "" {
		out.Identifier = append(out.Identifier, r4.Identifier{System: ptr(patientIDs), Value: ptr(p.Number)})
	}
	if p.Name != "" {
		out.Name = []r4.HumanName{{Text: ptr(p.Name)}}
	}
	if p.Born != "" {
		out.BirthDate = ptr(p.Born)
	}
	return out
}

func (w *writer) deviceID() string { return strings.TrimPrefix(urn("device", w.Program), "urn:uuid:") }

func (w *writer) device() r4.Device {
	d := r4.Device{Id: ptr(w.deviceID()), Status: ptr(r4.FHIRDeviceStatusActive), Type: ptr(ours("voice-entry")),
		DeviceName: []r4.DeviceDeviceName{{Name: "Leadsman", Type: r4.DeviceNameTypeUserFriendlyName}}}
	if w.Program != "" {
		d.Version = []r4.DeviceVersion{{Value: w.Program}}
	}
	return d
}

func (w *writer) encounter() r4.Encounter {
	e := r4.Encounter{Id: ptr(w.Exam.ID), Status: r4.EncounterStatusInProgress, Identifier: []r4.Identifier{{System: ptr(examIDs), Value: ptr(w.Exam.ID)}},
		Class: coding("http://terminology.hl7.org/CodeSystem/v3-ActCode", "AMB", "ambulatory"), Subject: w.at.to("Patient", w.Patient.ID),
		Type: []r4.CodeableConcept{ours(w.Exam.Kind)}, Period: &r4.Period{Start: ptr(stamp(w.Exam.Began))}}
	if w.Exam.SignedBy != "" {
		e.Status, e.Period.End = r4.EncounterStatusFinished, ptr(stamp(w.Exam.Signed))
	}
	if w.Void != nil {
		e.Status = r4.EncounterStatusEnteredInError
	}
	for _, who := range w.people() {
		e.Participant = append(e.Participant, r4.EncounterParticipant{Individual: w.at.to("Practitioner", examinerID(who))})
	}
	return e
}

func (w *writer) performers() []r4.Reference {
	who := w.Exam.Examiner
	if who == "" {
		who = w.Exam.SignedBy
	}
	if who == "" {
		return nil
	}
	return []r4.Reference{*w.at.to("Practitioner", examinerID(who))}
}

// observe is an Observation of this exam; code and value are up to the caller.
func (w *writer) observe(id string, code r4.CodeableConcept) r4.Observation {
	o := r4.Observation{Id: ptr(id), Status: r4.ObservationStatusPreliminary, Code: code,
		Category: []r4.CodeableConcept{concept(coding("http://terminology.hl7.org/CodeSystem/observation-category", "exam", "Exam")), concept(coding(dental, "dental", "Dental"))},
		Subject:  w.at.to("Patient", w.Patient.ID), Encounter: w.at.to("Encounter", w.Exam.ID), EffectiveDateTime: ptr(stamp(w.Exam.Began)),
		Performer: w.performers(), Device: w.at.to("Device", w.deviceID())}
	switch {
	case w.Void != nil:
		o.Status = r4.ObservationStatusEnteredInError
	case w.Exam.SignedBy != "":
		o.Status = r4.ObservationStatusFinal
	}
	return o
}

// amended reports whether a value was changed after the signature: of a site, or with site NumSites of the tooth as a whole.
func (w *writer) amended(t chart.Tooth, site chart.Site) bool {
	return slices.ContainsFunc(w.Amendments, func(a chart.Amendment) bool {
		return a.Tooth == t && (a.Site == nil) == (site >= chart.NumSites) && (a.Site == nil || *a.Site == site)
	})
}

// ofTooth is an Observation of a tooth, or of one of its sites.
func (w *writer) ofTooth(id string, code r4.CodeableConcept, t chart.Tooth, site chart.Site) r4.Observation {
	o := w.observe(id, code)
	o.BodySite = toothSite(t, w.Chart.Numbering)
	if o.Status == r4.ObservationStatusFinal && w.amended(t, site) {
		o.Status = r4.ObservationStatusAmended
	}
	return o
}

func (w *writer) result(o r4.Observation) {
	w.results = append(w.results, *o.Id)
	w.put("Observation", *o.Id, w.Exam.Began, o)
}

// tooth writes the Observations of a tooth and of its sites.
func (w *writer) tooth(t chart.Tooth, rec *chart.ToothRecord) {
	id := w.Exam.ID + "." + t.String()
	if rec.Presence != chart.Unstated {
		o := w.ofTooth(id+".status", ours("tooth-status"), t, chart.NumSites)
		o.ValueCodeableConcept = ptr(ours(rec.Presence.String()))
		w.result(o)
	}
	if rec.Mobility.Recorded() {
		o := w.ofTooth(id+".mobility", ours("mobility"), t, chart.NumSites)
		o.Method, o.ValueInteger = ptr(ours("mobility-0-3")), ptr(rec.Mobility.Value())
		w.result(o)
	}
	if rec.Keratin.Known() {
		o := w.ofTooth(id+".keratinized", ours("keratinized-width"), t, chart.NumSites)
		o.ValueQuantity = mm(rec.Keratin)
		w.result(o)
	}
	for _, e := range t.Entrances() {
		g, down := rec.Furcation[e], rec.Vertical[e]
		if !g.Recorded() && !down.Known() {
			continue
		}
		o := w.ofTooth(id+".furcation-"+e.String(), ours("furcation"), t, chart.NumSites)
		o.Method = ptr(ours("furcation-0-3"))
		if g.Recorded() {
			o.ValueInteger = ptr(g.Value())
		} else {
			o.DataAbsentReason = notPerformed()
		}
		a := entranceAnswers[e.String()]
		o.Component = []r4.ObservationComponent{{Code: ours("furcation-entrance"), ValueCodeableConcept: ptr(concept(coding(loinc, a[0], a[1])))}}
		if down.Known() {
			o.Component = append(o.Component, r4.ObservationComponent{Code: ours("furcation-vertical"), ValueQuantity: mm(down)})
		}
		w.result(o)
	}
	for s := range chart.NumSites {
		if rec.Sites[s].Empty() {
			continue
		}
		at := chart.SiteRef{Tooth: t, Site: s}
		o := w.site(id+"."+s.String(), at, &rec.Sites[s])
		w.sites[at] = *o.Id
		w.result(o)
	}
}

func (w *writer) site(id string, at chart.SiteRef, rec *chart.SiteRecord) r4.Observation {
	o := w.ofTooth(id, lo(depthCode), at.Tooth, at.Site)
	o.Code.Text = ptr("Probing depth")
	if rec.Depth.Known() {
		o.ValueQuantity = mm(rec.Depth)
	} else {
		o.DataAbsentReason = notPerformed()
	}
	a := siteAnswers[at.Site]
	o.Component = append(o.Component, r4.ObservationComponent{Code: ours("probe-site"), ValueCodeableConcept: ptr(concept(coding(loinc, a[0], a[1])))})
	if rec.Again.Known() {
		o.Component = append(o.Component, r4.ObservationComponent{Code: ours("depth-again"), ValueQuantity: mm(rec.Again)})
	}
	margin := r4.ObservationComponent{Code: lo(recessionCode), DataAbsentReason: notPerformed()}
	if rec.Recession.Known() {
		margin.ValueQuantity, margin.DataAbsentReason = mm(rec.Recession), nil
	}
	o.Component = append(o.Component, margin)
	if loss, _, ok := rec.AttachmentLoss(); ok {
		o.Component = append(o.Component, r4.ObservationComponent{Code: ours("cal"), ValueQuantity: mm(loss)})
	}
	for f, v := range rec.Flags {
		if v.Recorded() {
			o.Component = append(o.Component, r4.ObservationComponent{Code: ours(chart.Flag(f).String()), ValueBoolean: ptr(v == chart.Yes)})
		}
	}
	for _, d := range w.Doubts {
		if d.SiteRef == at {
			o.Component = append(o.Component, r4.ObservationComponent{Code: ours("doubt"), ValueString: ptr(string(d.Field))})
			text := fmt.Sprintf("The %s was heard with doubt and nobody settled it: %s.", d.Field.Words(), d.Reason)
			o.Note = append(o.Note, r4.Annotation{Text: text})
		}
	}
	return o
}

func notPerformed() *r4.CodeableConcept {
	return ptr(concept(coding(absent, "not-performed", "Not Performed")))
}

// answers are what was asked about the patient: one item an answer, linkId the JSON Pointer (RFC 6901) of its key among the
// patient inputs of the chart file, teeth by FDI number.
func (w *writer) answers() *r4.QuestionnaireResponse {
	raw, err := json.Marshal(&w.Chart.Patient)
	if err != nil {
		return nil // a Patient is plain data
	}
	var tree any
	dec := json.NewDecoder(strings.NewReader(string(raw)))
	dec.UseNumber()
	if dec.Decode(&tree) != nil {
		return nil
	}
	q := r4.QuestionnaireResponse{Id: ptr(w.Exam.ID), Questionnaire: ptr(questions), Status: r4.QuestionnaireResponseStatusCompleted,
		Subject: w.at.to("Patient", w.Patient.ID), Encounter: w.at.to("Encounter", w.Exam.ID), Authored: ptr(stamp(w.Exam.Began))}
	if w.Exam.SignedBy == "" {
		q.Status = r4.QuestionnaireResponseStatusInProgress
	}
	if p := w.performers(); p != nil {
		q.Author = &p[0]
	}
	var walk func(at string, v any)
	walk = func(at string, v any) {
		var a r4.QuestionnaireResponseItemAnswer
		switch v := v.(type) {
		case map[string]any:
			keys := make([]string, 0, len(v))
			for k := range v {
				keys = append(keys, k)
			}
			sort.Strings(keys)
			for _, k := range keys {
				walk(at+"/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(k), v[k])
			}
			return
		case []any:
			for i, e := range v {
				walk(at+"/"+strconv.Itoa(i), e)
			}
			return
		case bool:
			a.ValueBoolean = &v
		case json.Number:
			a.ValueDecimal = &v
		case string:
			if _, err := time.Parse(time.DateOnly, v); err == nil {
				a.ValueDate = &v
			} else {
				a.ValueString = &v
			}
		default:
			return
		}
		q.Item = append(q.Item, r4.QuestionnaireResponseItem{LinkId: at, Answer: []r4.QuestionnaireResponseItemAnswer{a}})
	}
	walk("", tree)
	if len(q.Item) == 0 {
		return nil
	}
	return &q
}

// scores are the findings that are a number for the whole mouth.
func (w *writer) scores() {
	for _, s := range []struct {
		finding    string
		code       r4.CodeableConcept
		id, unit   string
		ucum       string
		rests      chart.Flag
		everyDepth bool
	}{
		{"score.bleeding_percent", lo(bleedingCode), "bleeding", "%", "%", chart.Bleeding, false},
		{"score.plaque_percent", lo(plaqueCode), "plaque", "%", "%", chart.Plaque, false},
		{"score.pisa_mm2", ours("pisa"), "pisa", "mm2", "mm2", chart.Bleeding, true},
	} {
		f, ok := w.Findings.Get(s.finding)
		if _, number := f.Value.Float(); !ok || !number {
			continue
		}
		o := w.observe(w.Exam.ID+"."+s.id, s.code)
		o.ValueQuantity = quantity(f.Value.String(), s.unit, s.ucum)
		o.Note = []r4.Annotation{{Text: f.Text}}
		w.Chart.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool {
			for site := range chart.NumSites {
				at := chart.SiteRef{Tooth: t, Site: site}
				if id := w.sites[at]; id != "" && (rec.Sites[site].Flags[s.rests].Recorded() || s.everyDepth && rec.Sites[site].Depth.Known()) {
					o.DerivedFrom = append(o.DerivedFrom, *w.at.to("Observation", id))
				}
			}
			return true
		})
		w.result(o)
	}
}

// evidence are the Observations that a finding rests on.
func (w *writer) evidence(f *diagnosis.Finding) []r4.Reference {
	var out []r4.Reference
	seen := map[string]bool{}
	for _, e := range f.Because {
		if id := w.sites[chart.SiteRef{Tooth: e.Tooth, Site: e.Site}]; e.Tooth != 0 && e.Site < chart.NumSites && id != "" && !seen[id] {
			seen[id] = true
			out = append(out, *w.at.to("Observation", id))
		}
	}
	return out
}

// conditions are what the findings name as a disease; an exam that is void names none. Whatever the rules propose is provisional until
// the clinician has answered the case definition and signed.
func (w *writer) conditions() []string {
	var ids []string
	if w.Void != nil {
		return nil
	}
	put := func(id string, c r4.Condition) {
		c.Id = ptr(id)
		c.ClinicalStatus = ptr(concept(coding("http://terminology.hl7.org/CodeSystem/condition-clinical", "active", "Active")))
		c.Category = []r4.CodeableConcept{concept(coding("http://terminology.hl7.org/CodeSystem/condition-category", "encounter-diagnosis", "Encounter Diagnosis")),
			concept(coding(dental, "dental", "Dental"))}
		c.Subject, c.Encounter, c.RecordedDate = *w.at.to("Patient", w.Patient.ID), w.at.to("Encounter", w.Exam.ID), ptr(stamp(w.Exam.Began))
		if w.Exam.SignedBy != "" {
			c.Asserter = w.at.to("Practitioner", examinerID(w.Exam.SignedBy))
		}
		ids = append(ids, id)
		w.put("Condition", id, w.Exam.Began, c)
	}
	status := func(confirmed bool) *r4.CodeableConcept {
		code, name := "provisional", "Provisional"
		if confirmed {
			code, name = "confirmed", "Confirmed"
		}
		return ptr(concept(coding("http://terminology.hl7.org/CodeSystem/condition-ver-status", code, name)))
	}
	if w.Findings.Value("periodontitis.case") == "yes" {
		f, _ := w.Findings.Get("periodontitis.case")
		answer := w.Chart.Patient.PeriodontitisConfirmed
		c := r4.Condition{VerificationStatus: status(answer != nil && *answer && w.Exam.SignedBy != ""),
			Code: &r4.CodeableConcept{Coding: []r4.Coding{coding(icd10, "K05.3", "")}, Text: ptr(w.title())}}
		for _, s := range []string{"stage", "grade", "extent"} {
			x, ok := w.Findings.Get("periodontitis." + s)
			if v := x.Value.String(); ok && ourNames[v] != "" {
				c.Stage = append(c.Stage, r4.ConditionStage{Summary: ptr(ours(v)), Type: ptr(ours(s)), Assessment: w.evidence(&x)})
			}
		}
		if e := w.evidence(&f); len(e) > 0 {
			c.Evidence = []r4.ConditionEvidence{{Detail: e}}
		}
		put(w.Exam.ID+".periodontitis", c)
	}
	for i := range w.Findings.List {
		f := &w.Findings.List[i]
		text := map[string]string{"peri-implantitis": "Peri-implantitis", "mucositis": "Peri-implant mucositis"}[f.Value.String()]
		if f.Code != "implant.status" || text == "" {
			continue
		}
		c := r4.Condition{VerificationStatus: status(false), Code: &r4.CodeableConcept{Text: ptr(text)}, BodySite: []r4.CodeableConcept{*toothSite(f.Tooth, w.Chart.Numbering)}}
		if e := w.evidence(f); len(e) > 0 {
			c.Evidence = []r4.ConditionEvidence{{Detail: e}}
		}
		put(w.Exam.ID+".implant-"+f.Tooth.String(), c)
	}
	return ids
}

// title is the diagnosis in words.
func (w *writer) title() string {
	parts := []string{"Periodontitis"}
	for _, s := range []struct{ code, before string }{{"extent", ""}, {"stage", "stage "}, {"grade", "grade "}} {
		if v := w.Findings.Value("periodontitis." + s.code); v != "" && v != "indeterminate" {
			parts = append(parts, s.before+v)
		}
	}
	return strings.Join(parts, ", ")
}

// report is the DiagnosticReport, the one resource with a text of its own.
func (w *writer) report(conditions []string) {
	r := r4.DiagnosticReport{Id: ptr(w.Exam.ID), Status: r4.DiagnosticReportStatusPreliminary, Code: ours(w.Exam.Kind), Identifier: []r4.Identifier{{System: ptr(examIDs), Value: ptr(w.Exam.ID)}},
		Category: []r4.CodeableConcept{concept(coding(dental, "dental", "Dental"))}, Subject: w.at.to("Patient", w.Patient.ID), Encounter: w.at.to("Encounter", w.Exam.ID),
		EffectiveDateTime: ptr(stamp(w.Exam.Began)), Performer: w.performers()}
	if w.Exam.SignedBy != "" {
		r.Status, r.Issued = r4.DiagnosticReportStatusFinal, ptr(stamp(w.Exam.Signed))
		r.ResultsInterpreter = []r4.Reference{*w.at.to("Practitioner", examinerID(w.Exam.SignedBy))}
	}
	switch {
	case w.Void != nil:
		r.Status = r4.DiagnosticReportStatusEnteredInError
	case w.Exam.SignedBy != "" && len(w.Amendments) > 0:
		r.Status = r4.DiagnosticReportStatusAmended
	}
	for _, id := range w.results {
		r.Result = append(r.Result, *w.at.to("Observation", id))
	}
	var lines []string
	if w.Void != nil {
		lines = append(lines, "This exam is void: "+w.Void.Reason)
	}
	for _, code := range []string{"periodontitis.case", "periodontitis.stage", "periodontitis.extent", "periodontitis.grade", "gingiva.status", "implant.status", "score.bleeding_percent",
		"score.plaque_percent", "chart.completeness", "chart.doubts"} {
		for _, f := range w.Findings.List {
			if f.Code == code {
				lines = append(lines, f.Text)
			}
		}
	}
	if n := len(w.Amendments); n > 0 {
		lines = append(lines, fmt.Sprintf("Amended after signing: %d, each with its reason.", n))
	}
	if p := w.Probe(); p != "" {
		lines = append(lines, "Probe: "+p+".")
	}
	lines = append(lines, "Proposed by rules "+diagnosis.RuleSet+".")
	lines = append(lines, w.Findings.Cautions...)
	r.Conclusion = ptr(strings.Join(lines, "\n"))
	if len(conditions) > 0 && w.Findings.Value("periodontitis.case") == "yes" {
		r.ConclusionCode = []r4.CodeableConcept{{Coding: []r4.Coding{coding(icd10, "K05.3", "")}, Text: ptr(w.title())}}
	}
	div := `<div xmlns="http://www.w3.org/1999/xhtml">`
	for _, l := range lines {
		div += "<p>" + html.EscapeString(l) + "</p>"
	}
	r.Text = &r4.Narrative{Status: r4.NarrativeStatusGenerated, Div: div + "</div>"}
	w.put("DiagnosticReport", w.Exam.ID, w.Exam.Began, r)
}

// provenance says who made all this, and names the state of the log that it was made from.
func (w *writer) provenance(conditions []string) {
	recorded := w.Exam.Ended
	if w.Exam.SignedBy != "" {
		recorded = w.Exam.Signed
	}
	p := r4.Provenance{Id: ptr(w.Exam.ID), Target: []r4.Reference{{Reference: ptr(w.at("DiagnosticReport", w.Exam.ID))}},
		OccurredPeriod: &r4.Period{Start: ptr(stamp(w.Exam.Began)), End: ptr(stamp(recorded))}, Recorded: stamp(recorded),
		Activity: ptr(concept(coding("http://terminology.hl7.org/CodeSystem/v3-DataOperation", "CREATE", "create")))}
	for _, id := range conditions {
		p.Target = append(p.Target, r4.Reference{Reference: ptr(w.at("Condition", id))})
	}
	for _, id := range w.results {
		p.Target = append(p.Target, r4.Reference{Reference: ptr(w.at("Observation", id))})
	}
	agent := func(code, name string, who *r4.Reference) {
		p.Agent = append(p.Agent, r4.ProvenanceAgent{Type: ptr(concept(coding("http://terminology.hl7.org/CodeSystem/provenance-participant-type", code, name))), Who: *who})
	}
	if w.Exam.Examiner != "" {
		agent("author", "Author", w.at.to("Practitioner", examinerID(w.Exam.Examiner)))
	}
	if w.Exam.SignedBy != "" {
		agent("legal", "Legal Authenticator", w.at.to("Practitioner", examinerID(w.Exam.SignedBy)))
	}
	agent("assembler", "Assembler", w.at.to("Device", w.deviceID()))
	if w.Exam.Head != "" {
		p.Entity = []r4.ProvenanceEntity{{Role: r4.ProvenanceEntityRoleSource, What: r4.Reference{Identifier: &r4.Identifier{System: ptr(logHeads), Value: ptr(w.Exam.Head)},
			Display: ptr("Hash of the last event of this exam in the append-only log")}}}
	}
	w.put("Provenance", w.Exam.ID, recorded, p)
	w.revisions()
}

// revisions are the amendments: who changed which value, when and why.
func (w *writer) revisions() {
	for i, a := range w.Amendments {
		at := time.UnixMilli(a.Time)
		id := fmt.Sprintf("%s.amendment-%d", w.Exam.ID, i+1)
		target := w.at("DiagnosticReport", w.Exam.ID)
		what := "answers about the patient"
		if a.Tooth != 0 {
			what = "tooth " + a.Tooth.String()
			if a.Site != nil {
				what += " site " + a.Site.String()
				if o := w.sites[chart.SiteRef{Tooth: a.Tooth, Site: *a.Site}]; o != "" {
					target = w.at("Observation", o)
				}
			}
			what += " " + a.Field.Words()
		}
		was, is := a.Values()
		w.put("Provenance", id, at, r4.Provenance{Id: ptr(id), Target: []r4.Reference{{Reference: ptr(target)}}, OccurredDateTime: ptr(stamp(at)), Recorded: stamp(at),
			Activity: ptr(concept(coding("http://terminology.hl7.org/CodeSystem/v3-DataOperation", "UPDATE", "revise"))), Reason: []r4.CodeableConcept{{Text: ptr(a.Reason)}},
			Agent: []r4.ProvenanceAgent{{Type: ptr(concept(coding("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "author", "Author"))),
				Who: r4.Reference{Identifier: &r4.Identifier{System: ptr(examinerIDs), Value: ptr(a.Who)}, Display: ptr(a.Who)}}},
			Entity: []r4.ProvenanceEntity{{Role: r4.ProvenanceEntityRoleRevision, What: r4.Reference{Display: ptr(what + ": was " + was + ", is " + is)}}}})
	}
}

// encode writes a resource. Nearly all of an exam are Observations, whose own MarshalJSON has everything written, read and written once more:
// here they are written once, to the same bytes.
func encode(body any) ([]byte, error) {
	o, ok := body.(r4.Observation)
	if !ok {
		return json.Marshal(body)
	}
	type bare r4.Observation
	return json.Marshal(struct {
		bare
		ResourceType string `json:"resourceType"`
	}{bare(o), "Observation"})
}

// Bundle writes an exam as a collection Bundle that holds everything it refers to; the same record gives the same bytes.
func Bundle(out io.Writer, r *report.Record) error {
	b := r4.Bundle{Type: r4.BundleTypeCollection, Identifier: &r4.Identifier{System: ptr("urn:ietf:rfc:3986"), Value: ptr(urn("Bundle", r.Exam.ID))}}
	when := r.Exam.Ended
	if r.Exam.SignedBy != "" {
		when = r.Exam.Signed
	}
	b.Timestamp = ptr(stamp(when))
	for res := range resources(r, urn) {
		raw, err := encode(res.Body)
		if err != nil {
			return fmt.Errorf("write %s %s: %w", res.Type, res.ID, err)
		}
		b.Entry = append(b.Entry, r4.BundleEntry{FullUrl: ptr(urn(res.Type, res.ID)), Resource: raw})
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", " ")
	return enc.Encode(b)
}

// Bulk writes exams as one file of JSON lines for each type of resource, the form of the Bulk Data Access guide. open makes the file
// of a type; it is called once for each. Patients, people and devices that several exams share are written once a run of Add for one
// patient: a reader replaces by type and id.
type Bulk struct {
	Open func(kind string) (io.Writer, error)

	files map[string]io.Writer
	last  map[string]string // the id last written, of types that exams share
}

// Add writes the resources of an exam.
func (b *Bulk) Add(r *report.Record) error {
	for res := range resources(r, relative) {
		switch res.Type {
		case "Patient", "Practitioner", "Device":
			if b.last[res.Type] == res.ID {
				continue
			}
			if b.last == nil {
				b.last = map[string]string{}
			}
			b.last[res.Type] = res.ID
		}
		w := b.files[res.Type]
		if w == nil {
			var err error
			if w, err = b.Open(res.Type); err != nil {
				return err
			}
			if b.files == nil {
				b.files = map[string]io.Writer{}
			}
			b.files[res.Type] = w
		}
		raw, err := encode(res.Body)
		if err == nil {
			_, err = w.Write(append(raw, '\n'))
		}
		if err != nil {
			return fmt.Errorf("write %s %s: %w", res.Type, res.ID, err)
		}
	}
	return nil
}
