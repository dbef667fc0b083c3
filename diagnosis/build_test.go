package diagnosis

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"leadsman/chart"
)

// healthy is a full chart of 28 teeth: depth 2 everywhere, no attachment loss, every flag answered
// no, third molars missing.
func healthy() *chart.Chart {
	c := &chart.Chart{}
	for _, t := range permanent {
		rec := c.Tooth(t)
		if t.ThirdMolar() {
			rec.Presence = chart.Missing
			continue
		}
		rec.Presence = chart.Present
		for s := range rec.Sites {
			rec.Sites[s] = reading(2, 0)
		}
	}
	return c
}

// reading is a site with a depth, an attachment loss and all flags answered no.
func reading(depth, loss int) chart.SiteRecord {
	r := chart.SiteRecord{Depth: chart.Millimetres(depth), Recession: chart.Millimetres(loss - depth)}
	for f := range r.Flags {
		r.Flags[f] = chart.No
	}
	return r
}

func put(c *chart.Chart, t chart.Tooth, s chart.Site, depth, loss int) {
	c.Tooth(t).Sites[s] = reading(depth, loss)
}

// sites lists the sites of natural teeth in order.
func sites(c *chart.Chart) []chart.SiteRef {
	var out []chart.SiteRef
	for _, t := range permanent {
		if c.Tooth(t).Presence == chart.Present {
			for s := range chart.NumSites {
				out = append(out, chart.SiteRef{Tooth: t, Site: s})
			}
		}
	}
	return out
}

// bleedAt makes n sites bleed, from the last on.
func bleedAt(c *chart.Chart, n int) {
	all := sites(c)
	for _, r := range all[len(all)-n:] {
		c.Site(r).Flags[chart.Bleeding] = chart.Yes
	}
}

// keep leaves n sites recorded and empties the others.
func keep(c *chart.Chart, n int) {
	for _, r := range sites(c)[n:] {
		*c.Site(r) = chart.SiteRecord{}
	}
}

// remove makes teeth missing for a reason.
func remove(c *chart.Chart, why string, ts ...chart.Tooth) {
	for _, t := range ts {
		*c.Tooth(t) = chart.ToothRecord{Presence: chart.Missing}
		ask(c, t, func(in *chart.ToothInputs) { in.LostTo = why })
	}
}

func ask(c *chart.Chart, t chart.Tooth, f func(*chart.ToothInputs)) {
	if c.Patient.Teeth == nil {
		c.Patient.Teeth = map[chart.Tooth]chart.ToothInputs{}
	}
	in := c.Patient.Teeth[t]
	f(&in)
	c.Patient.Teeth[t] = in
}

// leave keeps n teeth, the last ones removed for other reasons, pairs where possible.
func leave(c *chart.Chart, n int) {
	order := []chart.Tooth{37, 47, 27, 17, 45, 35, 25, 15, 34, 44, 14, 24, 32, 42, 12, 22, 33, 43, 13, 23, 36, 46, 41, 31}
	for _, t := range order[:28-n] {
		remove(c, "other", t)
	}
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil {
		t.Fatalf("%q is no number", s)
	}
	return f
}

func whole(t *testing.T, s string) int {
	t.Helper()
	return int(num(t, s))
}

func ptr[T any](v T) *T { return &v }

// want checks the value of a finding.
func want(t *testing.T, f Findings, code, value string) Finding {
	t.Helper()
	got, ok := f.Get(code)
	if !ok {
		t.Fatalf("no finding %s, want %s", code, value)
	}
	if got.Value.String() != value {
		t.Errorf("%s is %q, want %q\n  %s %q", code, got.Value, value, got.Text, got.Notes)
	}
	return got
}

func asks(f Finding, input string) bool {
	for _, m := range f.Missing {
		if m.Input == input {
			return true
		}
	}
	return false
}

func notes(f Finding) string { return strings.Join(f.Notes, " | ") }

func toothSite(t *testing.T, s string) (chart.Tooth, chart.Site) {
	t.Helper()
	a, b, _ := strings.Cut(s, ".")
	tooth, err := chart.ParseTooth(a, chart.FDI)
	if err != nil {
		t.Fatal(err)
	}
	site, err := chart.ParseSite(b)
	if err != nil {
		t.Fatal(err)
	}
	return tooth, site
}

func show(f float64, decimals int) string { return fmt.Sprintf("%.*f", decimals, rounded(f, decimals)) }

// readCSV reads a table by the names in its first line.
func readCSV(t *testing.T, name string) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, k := range rows[0] {
			m[k] = r[i]
		}
		out = append(out, m)
	}
	return out
}
