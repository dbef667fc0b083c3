package web

import (
	"context"
	"net/http"
	"strings"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/profile"
)

// profile draws rows of an exam's chart, all four unless rows names some, with the exam before as a quiet line; with names
// another exam of the patient, or none. The pictures have classes and no colours: the page's style has those.
func (s *server) profile(r *http.Request) (any, error) {
	ctx := r.Context()
	rows, err := rowsOf(r.URL.Query().Get("rows"))
	if err != nil {
		return nil, err
	}
	visit, err := s.Practice.Visit(ctx, r.PathValue("id"))
	if err != nil {
		return nil, err
	}
	e, err := s.running(r)
	if err != nil {
		return nil, err
	}
	now, doubts, err := e.Chart(ctx)
	if err != nil {
		return nil, err
	}
	type picture struct {
		Row string `json:"row"`
		SVG string `json:"svg"`
	}
	out := struct {
		Span    profile.Span    `json:"span"` // the same for all rows: another one than before means that all rows are to be asked for
		Earlier *practice.Visit `json:"earlier,omitempty"`
		Rows    []picture       `json:"rows"`
	}{}
	o := profile.Options{Doubts: map[chart.SiteRef]bool{}}
	for _, d := range doubts {
		if d.Field == chart.FieldDepth {
			o.Doubts[d.SiteRef] = true
		}
	}
	before, err := s.shownBefore(ctx, &visit, r.URL.Query().Get("with"))
	if err != nil {
		return nil, err
	}
	if before != nil {
		out.Earlier, o.Earlier = &before.Visit, &before.state.Chart
		o.Noise = diagnosis.ChangeFrom(otherHand(before.Visit, visit))
	}
	out.Span = profile.SpanOf(now, o.Earlier)
	o.Span = out.Span
	for _, row := range rows {
		out.Rows = append(out.Rows, picture{row.String(), string(profile.Draw(now, row, o).SVG())})
	}
	return out, nil
}

// earlier is the exam that a re-evaluation follows: what was read then, which stands quietly beside what is called now, and what was
// answered then, which is offered again. Without one it is empty.
func (s *server) earlier(r *http.Request) (any, error) {
	ctx := r.Context()
	var out struct {
		Visit   *practice.Visit           `json:"visit,omitempty"`
		Change  chart.MM                  `json:"change"` // the least difference of depths that is more than error, mm
		Teeth   map[string]exam.ToothView `json:"teeth,omitempty"`
		Patient *chart.Patient            `json:"patient,omitempty"`
	}
	visit, err := s.Practice.Visit(ctx, r.PathValue("id"))
	if err != nil || visit.Earlier == "" {
		return out, err
	}
	rec, err := s.record(ctx, visit.Earlier)
	if err != nil {
		return nil, err
	}
	out.Visit, out.Change, out.Teeth, out.Patient = &rec.Visit, diagnosis.ChangeFrom(otherHand(rec.Visit, visit)), exam.Teeth(rec.state), &rec.state.Chart.Patient
	return out, nil
}

func rowsOf(list string) ([]profile.Row, error) {
	if list == "" {
		return profile.Rows(), nil
	}
	var rows []profile.Row
	for _, name := range strings.Split(list, ",") {
		row, err := profile.ParseRow(name)
		if err != nil {
			return nil, &inputError{http.StatusUnprocessableEntity, "row", err.Error()}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// shownBefore is the exam that is drawn behind v: the one before it, or the one that with names, which may be "none".
func (s *server) shownBefore(ctx context.Context, v *practice.Visit, with string) (*record, error) {
	if with == "none" {
		return nil, nil
	}
	if with == "" {
		all, err := s.Practice.Visits(ctx, v.Patient)
		if err != nil {
			return nil, err
		}
		var ok bool
		if with, ok = before(v, all); !ok {
			return nil, nil
		}
	}
	rec, err := s.record(ctx, with)
	if err != nil {
		return nil, err
	}
	if rec.ID == v.ID || rec.Patient != v.Patient {
		return nil, errPair
	}
	return &rec, nil
}

var errPair = &inputError{http.StatusUnprocessableEntity, "pair", "choose two different exams of the same patient"}

// otherHand reports whether two exams were signed by two people: then their readings differ by more.
func otherHand(a, b practice.Visit) bool {
	return a.SignedBy != "" && b.SignedBy != "" && a.SignedBy != b.SignedBy
}
