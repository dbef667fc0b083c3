package main

import (
	"bytes"
	"context"
	"errors"
	"iter"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"time"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/report"
	"leadsman/report/fhir"
	"leadsman/store"
	"leadsman/web"
)

// leaves is what the service hands out of the exams.
type leaves struct {
	source report.Source
	store  *store.Store
	data   string // folder
}

// export writes an exam for the pages.
func (l *leaves) export(ctx context.Context, exam string, q url.Values) (web.File, error) {
	i := slices.IndexFunc(forms(), func(f form) bool { return f.name == q.Get("as") })
	if i < 0 {
		return web.File{}, &chart.Refusal{Text: "an exam leaves as " + formNames() + ": say which with ?as="}
	}
	f := forms()[i]
	p, err := printed(ctx, l.store, l.data, q.Get("paper"), q.Get("language"))
	if err != nil {
		return web.File{}, refusal(err)
	}
	p.what = q.Get("what")
	r, err := l.source.Record(ctx, exam)
	if err != nil {
		return web.File{}, err
	}
	var b bytes.Buffer
	if err := f.write(&b, r, p); err != nil {
		return web.File{}, refusal(err)
	}
	return web.File{Name: r.Exam.ID + "." + f.file, Media: f.media, Body: b.Bytes()}, nil
}

// refusal tells the pages of what was asked wrongly.
func refusal(err error) error {
	var input *inputFault
	if errors.As(err, &input) {
		return &chart.Refusal{Text: err.Error()}
	}
	return err
}

// fhirAt is where the FHIR endpoint answers.
const fhirAt = "/fhir"

func (l *leaves) fhir(started time.Time, log *slog.Logger, looked func(ctx context.Context, patient string) error) http.Handler {
	return &fhir.Server{Base: fhirAt, Source: watched{l.source, looked, log}, NotFound: func(err error) bool { return errors.Is(err, practice.ErrNotFound) }, Version: version(), Built: started, Log: log}
}

// watched is a source whose readers are journalled. What cannot be written there is told in the service's log, and who asked is answered.
type watched struct {
	report.Source
	looked func(ctx context.Context, patient string) error
	log    *slog.Logger
}

func (w watched) look(ctx context.Context, patient string) {
	if err := w.looked(ctx, patient); err != nil {
		w.log.Error("a look was not journalled", "patient", patient, "error", err)
	}
}

func (w watched) Patients(ctx context.Context, after string) iter.Seq2[report.Person, error] {
	w.look(ctx, "")
	return w.Source.Patients(ctx, after)
}

func (w watched) Patient(ctx context.Context, id string) (report.Person, error) {
	p, err := w.Source.Patient(ctx, id)
	if err == nil {
		w.look(ctx, p.ID)
	}
	return p, err
}

func (w watched) Records(ctx context.Context, patient string) iter.Seq2[*report.Record, error] {
	w.look(ctx, patient)
	return w.Source.Records(ctx, patient)
}

func (w watched) Record(ctx context.Context, exam string) (*report.Record, error) {
	r, err := w.Source.Record(ctx, exam)
	if err == nil {
		w.look(ctx, r.Patient.ID)
	}
	return r, err
}
