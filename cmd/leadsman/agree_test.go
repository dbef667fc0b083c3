package main

import (
	"fmt"
	"strings"
	"testing"

	"leadsman/practice"
)

// The figures of the invented practice do not contradict each other: what is shown of an exam is counted here from its chart, ages follow
// from birth dates, teeth that are gone stay gone, and a plan is made after its exam. That a pocket does not end above the enamel is common
// practice, no source; which depths and losses a stage needs is in Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3.
func TestInventedFiguresAgree(t *testing.T) {
	_, get := invented(t, nil)
	var patients []struct{ ID, Name, Born string }
	get("/api/patients?search=", &patients)
	exams := 0
	for _, who := range patients {
		var record struct{ Visits []practice.Visit }
		get("/api/patients/"+who.ID, &record)
		gone := map[string]bool{}
		for i := len(record.Visits) - 1; i >= 0; i-- { // oldest first
			v := record.Visits[i]
			name := fmt.Sprintf("%s, exam %d", who.Name, len(record.Visits)-i)
			exams++
			view := agreeView(t, get, name, v.ID)
			age := agreeFindings(t, get, name, v, view)
			var year int
			if _, err := fmt.Sscanf(who.Born, "%d", &year); err != nil {
				t.Errorf("%s is born %q", name, who.Born)
			}
			if most := inventedNow.Year() - year; age < most-1 || age > most {
				t.Errorf("%s: %d years in the findings, born %s", name, age, who.Born)
			}
			for tooth, x := range view.Teeth {
				missing := x.State == "missing" && !x.Assumed
				if gone[tooth] && !missing {
					t.Errorf("%s: tooth %s was missing before and is %s", name, tooth, x.State)
				}
				gone[tooth] = missing
			}
		}
	}
	if len(patients) < 6 || exams < 6 {
		t.Errorf("only %d patients with %d exams", len(patients), exams)
	}
}

type agreeing struct {
	Recorded, Sites int
	Teeth           map[string]struct {
		State   string
		Assumed bool
		Sites   map[string]struct {
			Depth, Recession *float64
			Loss             *float64 `json:"attachment_loss"`
			Bleeding         *bool
		}
	}
}

// agreeView reads a chart and holds each site against itself.
func agreeView(t *testing.T, get func(string, any) string, name, exam string) (v agreeing) {
	t.Helper()
	get("/api/exams/"+exam, &v)
	for tooth, x := range v.Teeth {
		for site, s := range x.Sites {
			if s.Depth == nil || s.Recession == nil {
				continue
			}
			if s.Loss == nil || *s.Loss != *s.Depth+*s.Recession || *s.Loss < 0 {
				t.Errorf("%s, %s %s: depth %v and margin %v give a loss of %v", name, tooth, site, *s.Depth, *s.Recession, s.Loss)
			}
		}
	}
	return v
}

// agreeFindings counts anew what the findings of an exam say, of teeth and not of implants, and gives the age that they speak of.
func agreeFindings(t *testing.T, get func(string, any) string, name string, visit practice.Visit, v agreeing) int {
	t.Helper()
	var page struct {
		Patient  struct{ Age int }
		Findings struct {
			Findings []struct {
				Code, Text string
				Value      any
			}
		}
	}
	get("/api/exams/"+visit.ID+"/findings", &page)
	said, lost := map[string]any{}, ""
	for _, f := range page.Findings.Findings {
		said[f.Code] = f.Value
		if f.Code == "risk.teeth_lost" {
			lost = f.Text
		}
	}
	var probed, ge4, ge6, bled, asked, gone int
	var deepest, loss float64
	for tooth, x := range v.Teeth {
		if !strings.HasSuffix(tooth, "8") && (x.State == "missing" || x.State == "implant") { // wisdom teeth do not count
			gone++
		}
		for _, s := range x.Sites {
			if x.State != "present" || s.Depth == nil {
				continue
			}
			probed++
			deepest = max(deepest, *s.Depth)
			if *s.Depth >= 4 {
				ge4++
			}
			if *s.Depth >= 6 {
				ge6++
			}
			if s.Loss != nil {
				loss = max(loss, *s.Loss)
			}
			if s.Bleeding != nil {
				asked++
				if *s.Bleeding {
					bled++
				}
			}
		}
	}
	if visit.Recorded != v.Recorded || visit.Sites != v.Sites {
		t.Errorf("%s: the patient's page has %d of %d sites, the chart %d of %d", name, visit.Recorded, visit.Sites, v.Recorded, v.Sites)
	}
	for code, want := range map[string]int{"sites.ge4": ge4, "sites.ge6": ge6} {
		if got, ok := said[code].(float64); ok && int(got) != want {
			t.Errorf("%s: %s is %v, the chart has %d", name, code, got, want)
		}
	}
	if got, ok := said["score.bleeding_percent"].(float64); ok && asked > 0 {
		if want := 100 * float64(bled) / float64(asked); got < want-0.1 || got > want+0.1 {
			t.Errorf("%s: bleeding %.1f %%, the chart has %d of %d", name, got, bled, asked)
		}
	}
	if want := fmt.Sprintf("%d of 28 teeth are lost.", gone); lost != want {
		t.Errorf("%s: %q, want %q", name, lost, want)
	}
	stage, _ := said["periodontitis.stage"].(string)
	if (stage == "III" || stage == "IV") && loss < 5 && deepest < 6 {
		t.Errorf("%s: stage %s with at most %v mm of loss and %v mm of depth", name, stage, loss, deepest)
	}
	if case_, _ := said["periodontitis.case"].(string); case_ == "no" && stage != "" {
		t.Errorf("%s: no case, and stage %s", name, stage)
	}
	if probed == 0 {
		t.Errorf("%s: nothing is probed", name)
	}
	return page.Patient.Age
}
