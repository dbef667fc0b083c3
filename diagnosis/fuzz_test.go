package diagnosis_test

import (
	"bytes"
	"encoding/json"
	"os"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
)

// Whatever chart can be read, every rule gives an answer: no panic, findings that are JSON, a
// sentence, a rule and a source in each.
func FuzzAssess(f *testing.F) {
	for _, name := range []string{"chart_sample.json", "chart_every_key.json", "chart_universal.json"} {
		b, err := os.ReadFile("../chartfile/testdata/" + name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte(`{"schema":"leadsman.chart/1"}`))
	f.Add([]byte(`{"schema":"leadsman.chart/1","patient":{"age":0,"bone_loss_percent":0,"progression_mm":3,"progression_years":0},"teeth":{"55":{"sites":{"B":{"depth":15,"recession":15}}},"18":{"state":"implant"}}}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := chartfile.Decode(bytes.NewReader(b))
		if err != nil {
			return
		}
		for _, o := range []diagnosis.Options{{}, {Detectable: 2, ThirdMolars: true, PISAThirdMolars: true, Adjacency: diagnosis.PresentNeighbour, Extent: diagnosis.AnyInvolved, Complexity: diagnosis.Off,
			MildDistinct: true, Nearest: true, UnlistedMissing: true, Doubts: []chart.DoubtAt{{SiteRef: chart.SiteRef{Tooth: 16, Site: chart.DB}}}, Earlier: &diagnosis.Earlier{Chart: c, Years: 2}}} {
			found := diagnosis.Assess(c, o)
			if j := found.AppendJSON(nil); !json.Valid(j) {
				t.Fatalf("no JSON: %s", j)
			}
			for _, v := range found.List {
				if v.Text == "" || v.Rule == "" || v.Source == "" || v.AtLeast && !v.Provisional && v.Rule != "COUNTS" {
					t.Fatalf("%+v", v)
				}
			}
			diagnosis.Explain(&found)
			diagnosis.Summary(&found)
			diagnosis.Phases(c, &found, diagnosis.PlanOptions{Options: o, Visit: time.Date(2026, 1, 31, 0, 0, 0, 0, time.UTC)})
			for _, v := range []any{diagnosis.HomeCare(c, diagnosis.HomeCareOptions{Options: o}), diagnosis.Compare(c, c, diagnosis.CompareOptions{Options: o}), diagnosis.Agree(c, c, o)} {
				if _, err := json.Marshal(v); err != nil {
					t.Fatal(err)
				}
			}
		}
	})
}
