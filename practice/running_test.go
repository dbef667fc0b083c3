package practice_test

import (
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/speech/scripted"
	"leadsman/web"
)

// An exam that nobody uses is put to rest, and comes back as it was. One that a page follows or a microphone is connected to goes on.
func TestExamsRest(t *testing.T) {
	ctx := t.Context()
	st, patient := stored(t)
	now := time.Now()
	p := practice.New(practice.Config{Records: st, Engine: scripted.New(), Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	later := func(want int) {
		t.Helper()
		now = now.Add(practice.RestAfter)
		if n := p.Rest(); n != want {
			t.Errorf("%d exams run, want %d", n, want)
		}
	}
	id, e, m := begun(t, p, patient, "")
	if _, err := e.Words(ctx, "three two four", exam.Caller{Who: "Ada Quill"}, "1"); err != nil {
		t.Fatal(err)
	}
	sub := e.Subscribe(0)
	later(1) // microphone and page
	m.Detach()
	later(1) // the page
	sub.Close()
	if p.Rest() != 0 {
		t.Error("an exam that nobody uses runs on")
	}
	again, err := p.Open(ctx, id)
	if err != nil || again == e {
		t.Fatal("not taken up again", err)
	}
	if v, err := again.View(ctx); err != nil || v.Recorded != 3 {
		t.Errorf("%d sites after the rest, want 3, %v", v.Recorded, err)
	}
	if p.Rest() != 1 {
		t.Error("an exam that was just asked for is put to rest")
	}
	later(0)
}

// counted are records that count how often a log is read.
type counted struct {
	practice.Records
	reads int
}

type countedLog struct {
	practice.Log
	c *counted
}

func (c *counted) Log(exam string) practice.Log { return countedLog{c.Records.Log(exam), c} }

func (l countedLog) All(ctx context.Context) iter.Seq2[chart.Event, error] {
	l.c.reads++
	return l.Log.All(ctx)
}

// The course of a patient reads each log once, however many exams there are.
func TestCourseReadsEachLogOnce(t *testing.T) {
	st, patient := stored(t)
	c := &counted{Records: st}
	p := practice.New(practice.Config{Records: c, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	const exams = 24
	for i := range exams {
		v, err := p.Begin(t.Context(), practice.NewVisit{Patient: patient, Numbering: chart.FDI, Path: "arch"}, exam.Caller{Person: "ada", Who: "Ada Quill"})
		if err != nil {
			t.Fatal(err)
		}
		e, err := p.Open(t.Context(), v.ID)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := e.Words(t.Context(), "three two four", exam.Caller{Who: "Ada Quill"}, fmt.Sprint(i)); err != nil {
			t.Fatal(err)
		}
	}
	srv := httptest.NewServer(web.New(web.Options{Exams: web.Opener(p.Open), Practice: p, People: p.People}))
	defer srv.Close()
	c.reads = 0
	for range 2 {
		res, err := http.Get(srv.URL + "/api/patients/" + patient + "/course")
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(res.Body)
		res.Body.Close()
		if res.StatusCode != 200 {
			t.Fatal(res.Status, string(body))
		}
		if c.reads != exams {
			t.Errorf("%d logs were read for %d exams", c.reads, exams)
		}
	}
}
