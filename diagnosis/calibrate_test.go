package diagnosis

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"leadsman/chart"
)

// By hand: three patients of 168 sites; the trainee reads 1 mm deeper at 10, 20 and 30 of them. The mean difference is 60/504; its
// interval by leaving out one patient each is that of the three means (10, 20, 30 of 168), since all have as many sites: the standard
// error is that of their mean, with Student's quantile of two degrees of freedom, 4.303.
func TestCalibration(t *testing.T) {
	session := func(patient string, deeper int, examiner string) Session {
		a, b := healthy(), healthy()
		for i, r := range sites(a) {
			*a.Site(r), *b.Site(r) = reading(2+i%4, 2), reading(2+i%4, 2)
			if i < deeper {
				b.Site(r).Depth = chart.Millimetres(3 + i%4)
			}
			a.Site(r).Flags[chart.Bleeding], b.Site(r).Flags[chart.Bleeding] = chart.Is(i%2 == 0), chart.Is(i%2 == 0)
		}
		return Session{Patient: patient, Reference: a, Trainee: b, Examiner: examiner}
	}
	c := Calibrate([]Session{session("a", 10, "Ben"), session("b", 20, "Ben"), session("c", 30, "Ben"), session("a", 0, "Ada"), session("b", 0, "Ada")}, Options{})
	if len(c.Examiners) != 2 || c.Examiners[0].Examiner != "Ada" || c.Examiners[1].Patients != 3 || c.Examiners[1].Sites != 504 || c.All.Patients != 3 || c.All.Sites != 840 {
		t.Fatalf("%+v", c)
	}
	ben := c.Examiners[1]
	near := func(what string, got *float64, want float64) {
		t.Helper()
		if got == nil || math.Abs(*got-want) > 1e-6 {
			t.Errorf("%s: %v, want %.6f", what, got, want)
		}
	}
	mean, se := 20.0/168, 10.0/168/math.Sqrt(3)
	near("bias", ben.Bias.Value, mean)
	near("low", ben.Bias.Low, mean-4.303*se)
	near("high", ben.Bias.High, mean+4.303*se)
	near("within 1 mm", ben.Within1.Value, 100)
	near("the same", ben.Exact.Value, 100*(1-mean))
	near("bleeding", ben.Bleeding.Value, 1)
	// Two patients have no interval, and it is said why.
	ada := c.Examiners[0]
	near("kappa", ada.Kappa.Value, 1)
	if ada.Kappa.Low != nil || !strings.Contains(strings.Join(c.Notes, " "), "fewer than 3 patients") {
		t.Errorf("%+v %q", ada, c.Notes)
	}
	// As one mouth's agreement says.
	one := session("a", 10, "")
	near("kappa of one mouth", Calibrate([]Session{one}, Options{}).All.Kappa.Value, *Agree(one.Reference, one.Trainee, Options{}).Depth[0].KappaQuad)
	if text := c.Text(); !strings.Contains(text, fmt.Sprintf("0.12 (%.2f to %.2f)", mean-4.303*se, mean+4.303*se)) || !strings.Contains(text, "Ben: 3 patients, 504 sites") || !strings.Contains(text, "Decision support") {
		t.Error(text)
	}
}

// Two-sided 95 percent quantiles of Student's distribution: NIST/SEMATECH e-Handbook of Statistical Methods, table 1.3.6.7.2 (from memory).
func TestStudent(t *testing.T) {
	for df, want := range map[int]float64{1: 12.706, 2: 4.303, 10: 2.228, 20: 2.086, 30: 2.042, 60: 2.000, 120: 1.980, 25: 2.086} {
		if got := student95(df); got != want {
			t.Errorf("%d: %v, want %v", df, got, want)
		}
	}
}
