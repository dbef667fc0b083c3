package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/exam"
	"leadsman/practice"
)

// record is an exam as the rules take it: who and when, and the fold of its log.
type record struct {
	practice.Visit
	state *chart.State
}

func (s *server) record(ctx context.Context, id string) (r record, err error) {
	if r.Visit, err = s.Practice.Visit(ctx, id); err != nil {
		return r, err
	}
	if r.state, err = s.Practice.State(ctx, id); err != nil || r.state.Chart.Patient.Age != nil {
		return r, err
	}
	// Who was not asked for the age has the one of the birth date.
	p, err := s.Practice.Patient(ctx, r.Patient)
	if err != nil && !errors.Is(err, practice.ErrNotFound) {
		return r, err
	}
	if age, ok := diagnosis.AgeOn(p.Born, r.Day()); ok {
		st := *r.state // the state itself is not to be changed
		st.Chart.Patient.Age = &age
		r.state = &st
	}
	return r, nil
}

// among is the record of an exam, and all exams of its patient, newest first.
func (s *server) among(ctx context.Context, id string) (r record, all []practice.Visit, err error) {
	if r, err = s.record(ctx, id); err == nil {
		all, err = s.Practice.Visits(ctx, r.Patient)
	}
	return r, all, err
}

// before is the exam that v is compared with: the one it re-evaluates, else the newest one before it
// with anything recorded. all are the patient's exams, newest first. ok is false if there is none.
func before(v *practice.Visit, all []practice.Visit) (id string, ok bool) {
	if v.Earlier != "" {
		return v.Earlier, true
	}
	for _, x := range all {
		if x.ID != v.ID && v.After(&x) && x.Recorded > 0 && !x.Void {
			return x.ID, true
		}
	}
	return "", false
}

// dayOf reads a date of a plan or an input; zero if there is none.
func dayOf(s string) time.Time {
	t, _ := time.Parse(time.DateOnly, s) // checked when it was entered
	return t
}

// assessed gives the findings of an exam, with the exam before as direct evidence of progression. all are the patient's exams.
func (s *server) assessed(ctx context.Context, r *record, all []practice.Visit) (f diagnosis.Findings, earlier *record, err error) {
	o := diagnosis.Options{Doubts: chart.Named(r.state.OpenDoubts())}
	if id, ok := before(&r.Visit, all); ok {
		e, err := s.record(ctx, id)
		if err != nil {
			return f, nil, err
		}
		if o.Earlier, err = s.between(ctx, &e, r, all); err != nil {
			return f, nil, err
		}
		if o.Error, err = s.errors(ctx); err != nil {
			return f, nil, err
		}
		earlier = &e
	}
	return diagnosis.Assess(&r.state.Chart, o), earlier, nil
}

// between is an exam as the one before another, with what lies between the two. all are the patient's exams.
func (s *server) between(ctx context.Context, a, b *record, all []practice.Visit) (*diagnosis.Earlier, error) {
	x, y := a.state.Chart.Patient.Probe, b.state.Chart.Patient.Probe
	e := &diagnosis.Earlier{Chart: &a.state.Chart, Years: diagnosis.YearsOf(time.Duration(max(0, b.Began-a.Began)) * time.Millisecond),
		OtherExaminer: otherHand(a.Visit, b.Visit) || x != "" && y != "" && x != y}
	done, err := s.therapyDone(ctx, a, b, all)
	if err == nil && !done.IsZero() {
		e.Therapy = diagnosis.TherapyBetween(done, a.Day(), b.Day())
	}
	return e, err
}

func (s *server) findings(r *http.Request) (any, error) {
	rec, all, err := s.among(r.Context(), r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	f, earlier, err := s.assessed(r.Context(), &rec, all)
	if err != nil {
		return nil, err
	}
	out := struct {
		Findings diagnosis.Findings `json:"findings"`
		Patient  chart.Patient      `json:"patient"`
		Open     []chart.Doubt      `json:"open_doubts"`
		Earlier  *practice.Visit    `json:"earlier,omitempty"` // the exam that was taken as direct evidence
	}{Findings: f, Patient: rec.state.Chart.Patient, Open: rec.state.OpenDoubts()}
	if earlier != nil {
		out.Earlier = &earlier.Visit
	}
	return out, nil
}

// compare pairs an exam with another one of the patient, by default the one before it. The earlier of
// the two is the first, whichever was asked for.
func (s *server) compare(r *http.Request) (any, error) {
	ctx := r.Context()
	var out struct {
		First      *practice.Visit       `json:"first,omitempty"`
		Second     *practice.Visit       `json:"second,omitempty"`
		Other      bool                  `json:"other"` // compared as of two examiners or probes
		Comparison *diagnosis.Comparison `json:"comparison,omitempty"`
		Agreement  *diagnosis.Agreement  `json:"agreement,omitempty"`
		Cautions   []string              `json:"cautions"`
	}
	out.Cautions = diagnosis.Cautions()
	b, all, err := s.among(ctx, r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	with := r.URL.Query().Get("with")
	if with == "" {
		var ok bool
		if with, ok = before(&b.Visit, all); !ok {
			return out, nil
		}
	}
	a, err := s.record(ctx, with)
	if err != nil {
		return nil, err
	}
	if a.ID == b.ID || a.Patient != b.Patient {
		return nil, errPair
	}
	if a.After(&b.Visit) {
		a, b = b, a
	}
	apart, err := s.between(ctx, &a, &b, all)
	if err != nil {
		return nil, err
	}
	switch r.URL.Query().Get("other") {
	case "":
		out.Other = apart.OtherExaminer
	case "1":
		out.Other = true
	}
	o := diagnosis.CompareOptions{OtherExaminer: out.Other, Therapy: apart.Therapy}
	done, err := s.therapyDone(ctx, &a, &b, all)
	if err != nil {
		return nil, err
	}
	if !done.IsZero() && !done.After(b.Day()) {
		days := int(b.Day().Sub(done).Hours() / 24)
		o.Days = &days
	}
	o.Doubts = chart.Named(b.state.OpenDoubts())
	if o.Error, err = s.errors(ctx); err != nil {
		return nil, err
	}
	c := diagnosis.Compare(&a.state.Chart, &b.state.Chart, o)
	g := diagnosis.Agree(&a.state.Chart, &b.state.Chart, diagnosis.Options{})
	out.First, out.Second, out.Comparison, out.Agreement = &a.Visit, &b.Visit, &c, &g
	return out, nil
}

// therapyDone is when active therapy between two exams ended: by the plan of the first, by what was recorded as done at it and at the
// visits since, else by what was asked at the second. It is zero if it is not known. all are the patient's exams.
func (s *server) therapyDone(ctx context.Context, a, b *record, all []practice.Visit) (time.Time, error) {
	from, to := a.Day().Format(time.DateOnly), b.Day().Format(time.DateOnly)
	done := ""
	if d, ok := a.state.Plan(); ok && d.PhaseOneDone <= to {
		done = d.PhaseOneDone
	}
	for _, v := range all {
		if v.Void || a.After(&v) || v.After(&b.Visit) {
			continue
		}
		st, err := s.Practice.State(ctx, v.ID)
		if err != nil {
			return time.Time{}, err
		}
		d, ok := st.Plan()
		if !ok {
			continue
		}
		until := to
		if v.ID == b.ID { // what is done on the day of an exam is done after it
			until = b.Day().AddDate(0, 0, -1).Format(time.DateOnly)
		}
		done = max(done, d.LastActive(from, until))
	}
	if done == "" {
		done = b.state.Chart.Patient.TherapyFinished
	}
	return dayOf(done), nil
}

// courseCodes are the findings whose way over all exams is shown.
var courseCodes = []string{"score.bleeding_percent", "score.plaque_percent", "score.pisa_mm2", "sites.ge4", "sites.ge5", "sites.ge6", "depth.mean",
	"attachment_loss.mean", "periodontitis.case", "periodontitis.stage", "periodontitis.extent", "periodontitis.grade", "gingiva.status", "endpoint.reached", "risk.progression"}

// point is an exam on a patient's course.
type point struct {
	practice.Visit
	Findings   []diagnosis.Finding  `json:"findings"`
	Amendments []exam.AmendmentView `json:"amendments"`
}

// course gives the main findings of every exam of a patient, oldest first, and what they say together.
func (s *server) course(r *http.Request) (any, error) {
	ctx := r.Context()
	p, err := s.Practice.Patient(ctx, r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	visits, err := s.Practice.Visits(ctx, p.ID)
	if err != nil {
		return nil, err
	}
	points, recs, came := []point{}, []*record{}, []time.Time{}
	for _, v := range slices.Backward(visits) {
		if v.Void {
			continue
		}
		if v.Recorded == 0 { // a visit for therapy is one that was kept
			st, err := s.Practice.State(ctx, v.ID)
			if err != nil {
				return nil, err
			}
			if d, ok := st.Plan(); ok && len(d.Done) > 0 {
				came = append(came, v.Day())
			}
			continue
		}
		rec, err := s.record(ctx, v.ID)
		if err != nil {
			return nil, err
		}
		f, _, err := s.assessed(ctx, &rec, visits)
		if err != nil {
			return nil, err
		}
		points = append(points, point{v, headlines(&f, courseCodes), exam.AmendmentsOf(rec.state)})
		recs, came = append(recs, &rec), append(came, rec.Day())
	}
	history, err := s.historyOf(ctx, recs, visits)
	if err != nil {
		return nil, err
	}
	return map[string]any{"patient": p, "exams": points, "attendance": practice.AttendanceOf(decidedAt(recs), came, time.Now()), "history": history, "cautions": diagnosis.Cautions()}, nil
}

// headlines are the findings of some codes without what they rest on: the exam's own findings have that.
func headlines(f *diagnosis.Findings, codes []string) []diagnosis.Finding {
	out := []diagnosis.Finding{}
	for _, code := range codes {
		if x, ok := f.Get(code); ok {
			x.Because, x.Missing = nil, nil
			out = append(out, x)
		}
	}
	return out
}

// historyOf is what the exams of a patient show together. recs are oldest first; all are the patient's exams.
func (s *server) historyOf(ctx context.Context, recs []*record, all []practice.Visit) (h diagnosis.History, err error) {
	exams := make([]diagnosis.Dated, len(recs))
	for i, rec := range recs {
		exams[i] = diagnosis.Dated{Chart: &rec.state.Chart, Day: rec.Day(), Examiner: rec.SignedBy}
		if i > 0 {
			apart, err := s.between(ctx, recs[i-1], rec, all)
			if err != nil {
				return h, err
			}
			exams[i].Therapy = apart.Therapy
		}
	}
	own, err := s.errors(ctx)
	if err != nil {
		return h, err
	}
	return diagnosis.HistoryOf(exams, diagnosis.Options{Error: own}), nil
}

// decidedAt are the days that were decided at exams for coming again.
func decidedAt(recs []*record) (days []practice.Decided) {
	for _, rec := range recs {
		if d, ok := rec.state.Plan(); ok {
			for _, on := range []string{d.Reevaluation, d.Recall} {
				if on != "" {
					days = append(days, practice.Decided{Exam: rec.Day(), Day: dayOf(on)})
				}
			}
		}
	}
	return days
}

// plan gives what the rules propose after an exam, and beside it what the clinician decided.
func (s *server) plan(r *http.Request) (any, error) {
	ctx := r.Context()
	rec, all, err := s.among(ctx, r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	f, earlier, err := s.assessed(ctx, &rec, all)
	if err != nil {
		return nil, err
	}
	var out struct {
		Visit     practice.Visit             `json:"visit"`
		Phases    []diagnosis.Phase          `json:"phases"`
		Recall    diagnosis.Recall           `json:"recall"`
		RecallDay string                     `json:"recall_day,omitempty"` // the exam's day and the proposed months
		HomeCare  diagnosis.HomeCarePlan     `json:"home_care"`
		Prognoses []diagnosis.ToothPrognosis `json:"prognoses"`         // what published systems look at, by tooth; the word is the clinician's
		Decisions []chart.Decision           `json:"decisions"`         // oldest first; the last is in force
		Earlier   *chart.Decision            `json:"earlier,omitempty"` // in force at the exam before
		Patient   chart.Patient              `json:"patient"`           // what was asked
		Findings  []diagnosis.Finding        `json:"findings"`          // the headlines that the plan rests on
		Cautions  []string                   `json:"cautions"`
	}
	out.Visit, out.Cautions, out.Patient = rec.Visit, f.Cautions, rec.state.Chart.Patient
	out.Decisions = append([]chart.Decision{}, rec.state.Plans...)
	o := diagnosis.PlanOptions{Reevaluation: rec.Kind == "re-evaluation", Visit: rec.Day()}
	var care diagnosis.HomeCareOptions
	if d, ok := rec.state.Plan(); ok {
		o.PhaseOneDone, care.Achieved, o.LastTherapy = dayOf(d.PhaseOneDone), d.Achieved, dayOf(d.LastActive("", ""))
	}
	if earlier != nil {
		if d, ok := earlier.state.Plan(); ok {
			out.Earlier = &d
		}
		done, err := s.therapyDone(ctx, earlier, &rec, all)
		if err != nil {
			return nil, err
		}
		if done.After(o.LastTherapy) && !done.After(o.Visit) {
			o.LastTherapy = done
		}
	}
	c := &rec.state.Chart
	out.Phases = append([]diagnosis.Phase{}, diagnosis.Phases(c, &f, o)...)
	out.Recall = diagnosis.RecallFor(&f, &c.Patient, o)
	if out.Recall.Months > 0 {
		out.RecallDay = diagnosis.AddMonths(o.Visit, out.Recall.Months).Format(time.DateOnly)
	}
	out.HomeCare = diagnosis.HomeCare(c, care)
	out.Prognoses = diagnosis.Prognoses(c, diagnosis.Options{})
	for _, code := range []string{"periodontitis.case", "periodontitis.stage", "periodontitis.extent", "periodontitis.grade", "gingiva.status", "endpoint.reached", "risk.progression"} {
		if x, ok := f.Get(code); ok {
			out.Findings = append(out.Findings, x)
		}
	}
	return out, nil
}

// due lists who is to come again; the header Link leads to the next page.
func (s *server) due(w http.ResponseWriter, r *http.Request) (any, error) {
	v := r.URL.Query()
	q := practice.DueQuery{Patient: v.Get("patient"), From: v.Get("from"), To: v.Get("to"), Undecided: v.Get("undecided") == "1"}
	var err error
	if q.Limit, q.After, err = pageOf(r); err != nil {
		return nil, err
	}
	for _, d := range []string{q.From, q.To} {
		if _, err := time.Parse(time.DateOnly, d); d != "" && err != nil {
			return nil, &inputError{http.StatusUnprocessableEntity, "date", "day " + strconv.Quote(d) + ": write it as 2027-03-28"}
		}
	}
	ds, next, err := s.Practice.Due(r.Context(), q)
	if next != "" {
		leadOn(w, r, next)
	}
	return append([]practice.Due{}, ds...), err
}

// calendar answers with days as an iCalendar file: those of one exam, or of everybody.
func (s *server) calendar(w http.ResponseWriter, r *http.Request) {
	name, id := "recalls", r.PathValue("id")
	var q practice.DueQuery
	var err error
	if id != "" {
		name = "recall"
		var v practice.Visit
		v, err = s.Practice.Visit(r.Context(), id)
		q.Patient = v.Patient
	}
	var ds []practice.Due
	if err == nil {
		ds, err = s.Practice.AllDue(r.Context(), q)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	ds = slices.DeleteFunc(ds, func(d practice.Due) bool { return d.Day == "" || id != "" && d.Exam != id })
	if len(ds) == 0 {
		s.fail(w, r, &inputError{http.StatusNotFound, "not_decided", "no day was decided here yet: decide the recall under Plan first"})
		return
	}
	var b bytes.Buffer
	if err := s.Calendar(&b, ds); err != nil {
		s.fail(w, r, fmt.Errorf("write the calendar: %w", err))
		return
	}
	w.Header().Set("Content-Type", "text/calendar; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`.ics"`)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // nobody left to be told if the connection broke
}
