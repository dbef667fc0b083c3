package main

import (
	"errors"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/certs"
	"leadsman/chart"
	"leadsman/speech"
)

// Each figure and label that the dashboard asks for is told. How Prometheus names the parts of a histogram: its "Metric types".
func TestDashboardAsksForWhatIsTold(t *testing.T) {
	authority, err := certs.Init(t.TempDir(), []string{"chart.lan"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	cert, err := authority.Source(time.Now)
	if err != nil {
		t.Fatal(err)
	}
	m := newMetrics()
	m.load(func() speech.Load { return speech.Load{} })
	m.certificate(cert)
	m.answered("GET", "/", 200, time.Millisecond)
	m.backedUp(nil)
	m.backedUp(errors.New("no room"))
	m.written([]chart.Event{{Kind: chart.KindCall, Source: chart.Voice}}, time.Millisecond, nil)
	families, err := m.all.Gather()
	if err != nil {
		t.Fatal(err)
	}
	told := map[string][]string{} // figures, each with its labels
	for _, f := range families {
		labels := []string{"le"}
		for _, l := range f.GetMetric()[0].GetLabel() {
			labels = append(labels, l.GetName())
		}
		for _, part := range []string{"", "_bucket", "_count", "_sum"} {
			told[f.GetName()+part] = labels
		}
	}
	board, err := os.ReadFile("../../packaging/dashboard.json")
	if err != nil {
		t.Fatal(err)
	}
	asked := regexp.MustCompile(`(?:by \(([a-z, ]+)\)[^"]*?)?(leadsman_[a-z_]+)`).FindAllStringSubmatch(string(board), -1)
	if len(asked) < 12 {
		t.Fatalf("the dashboard asks for %d figures", len(asked))
	}
	for _, a := range asked {
		labels, ok := told[a[2]]
		if !ok {
			t.Errorf("the dashboard asks for %s, which is not told", a[2])
		}
		for _, l := range strings.FieldsFunc(a[1], func(r rune) bool { return r == ',' || r == ' ' }) {
			if !slices.Contains(labels, l) {
				t.Errorf("%s is asked for by %s, which it does not have", a[2], l)
			}
		}
	}
}
