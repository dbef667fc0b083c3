package diagnosis

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"leadsman/chart"
)

// What each system counts, on both sides of its limits. McGuire and Nunn 1996, Kwok and Caton 2007, Miller et al. 2014, all from memory.
func TestPrognoses(t *testing.T) {
	for _, c := range []struct {
		bone                       float64 // -1 not known
		depth, furcation, mobility int
		age, cigarettes            int
		mcguire, miller            string
	}{
		{-1, 4, 0, 0, 40, 0, "none", ""}, // nothing speaks against it
		{24.9, 2, 0, 0, 40, 0, "good", "0 points"},
		{25, 2, 0, 0, 41, 0, "fair", "1 point"},
		{49.9, 4, 0, 0, 40, 0, "fair", "0 points"},
		{50, 5, 0, 0, 40, 0, "poor", "1 point"},
		{50.1, 7, 0, 0, 40, 0, "questionable", "1 point"},
		{10, 8, 1, 0, 40, 0, "fair", "3 points"},
		{10, 10, 2, 0, 40, 0, "poor", "4 points"},
		{10, 11, 3, 0, 40, 0, "questionable", "6 points"},
		{10, 2, 0, 1, 40, 0, "good", "1 point"},
		{10, 2, 0, 2, 40, 0, "questionable", "2 points"},
		{10, 2, 0, 0, 40, 1, "good", "4 points"},
		{-1, 5, 0, 0, 40, 0, "", "1 point"},
	} {
		m := healthy()
		put(m, 36, chart.MB, c.depth, 0)
		if c.furcation > 0 {
			m.Tooth(36).Furcation[chart.EntranceBuccal] = chart.GradeOf(c.furcation)
		}
		if c.mobility > 0 {
			m.Tooth(36).Mobility = chart.GradeOf(c.mobility)
		}
		if c.bone >= 0 {
			ask(m, 36, func(in *chart.ToothInputs) { in.BoneLossPercent = ptr(c.bone) })
		}
		m.Patient.Age, m.Patient.CigarettesPerDay, m.Patient.Diabetes = ptr(c.age), ptr(c.cigarettes), ptr(false)
		all := Prognoses(m, Options{})
		if c.mcguire == "none" {
			if len(all) != 0 {
				t.Errorf("%+v: %+v", c, all)
			}
			continue
		}
		if len(all) != 1 || len(all[0].Systems) != 3 || all[0].Systems[0].Speaks != c.mcguire || all[0].Systems[2].Speaks != c.miller || all[0].Chosen != "" || len(all[0].Because) == 0 {
			t.Errorf("%+v: %+v", c, all)
			continue
		}
		smoking := strings.Contains(fmt.Sprint(all[0].Systems[1].Why), "systemic: smoking")
		deep := strings.Contains(fmt.Sprint(all[0].Systems[1].Why), "deep pocket")
		if smoking != (c.cigarettes > 0) || deep != (c.depth >= 6) {
			t.Errorf("%+v: %v", c, all[0].Systems[1].Why)
		}
	}
	// As pages get it.
	loose := healthy()
	loose.Tooth(36).Mobility = chart.GradeOf(1)
	if b, err := json.Marshal(Prognoses(loose, Options{})); err != nil || !strings.Contains(string(b), `"because":[{"tooth":"36","mobility":1}]`) {
		t.Errorf("%s %v", b, err)
	}
	// The clinician's own word stands beside, and is never filled in.
	m := healthy()
	ask(m, 11, func(in *chart.ToothInputs) { in.Prognosis = "fair" })
	if all := Prognoses(m, Options{}); len(all) != 1 || all[0].Chosen != "fair" || all[0].Systems[0].Speaks != "" || len(all[0].Systems) != 2 {
		t.Errorf("%+v", all)
	}
}
