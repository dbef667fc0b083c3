package exam

import (
	"context"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

var ctx = context.Background()

// open starts an exam that will hear the script.
func open(t *testing.T, n chart.Numbering, script ...scripted.Utterance) (*Exam, *Memory) {
	t.Helper()
	log := &Memory{}
	if err := Start(ctx, log, n, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	now := int64(1)
	e, err := Open(ctx, Config{ID: "x", Log: log, Engine: scripted.New(script...), Now: func() int64 { now++; return now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { e.Close() })
	return e, log
}

// say is an utterance; at is in milliseconds of the stream.
func say(at int64, text string) scripted.Utterance {
	return scripted.Utterance{StartMS: at, EndMS: at + 300*int64(len(strings.Fields(text))), Text: text}
}

// play feeds silence for a time: the script does the rest.
func play(t *testing.T, e *Exam, ms int64) *Mic {
	t.Helper()
	m, err := e.OpenMic("test", false)
	if err != nil {
		t.Fatal(err)
	}
	frame := make([]int16, 480)
	for m.Next() < ms*speech.Rate/1000 {
		if _, err := m.Write(m.Next(), frame); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

func state(t *testing.T, log *Memory) *chart.State {
	t.Helper()
	s, err := chart.Fold(log.Events)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// row reads the depths of a place in walking order.
func row(s *chart.State, tooth chart.Tooth, a chart.Aspect) string {
	var out []string
	for _, site := range s.Path.Sites(chart.Place{Tooth: tooth, Aspect: a}) {
		out = append(out, s.Chart.Site(chart.SiteRef{Tooth: tooth, Site: site}).Depth.String())
	}
	return strings.Join(out, " ")
}
