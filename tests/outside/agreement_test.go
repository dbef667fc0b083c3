package outside

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"leadsman/chart"
	"leadsman/diagnosis"
)

// Agreement statistics against what scikit-learn (weighted kappa), statsmodels (the same again) and
// pingouin (ICC(2,1)) gave for stored examples; agreement_reference.py wrote them.
func TestAgreementAgainstReferenceLibraries(t *testing.T) {
	var ref struct {
		Libraries string
		Examples  []struct {
			Name                                                                              string
			First, Second                                                                     []float64
			ExactPercent, Within1Percent, KappaLinear, KappaQuadratic, ICC21, Bias, Low, High float64
		}
		Flags []struct {
			First, Second       []bool
			Kappa, ExactPercent float64
		}
	}
	b, err := os.ReadFile("data/agreement_reference.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &ref); err != nil {
		t.Fatal(err)
	}
	var places []chart.SiteRef
	for _, tooth := range chart.AllTeeth() {
		if !tooth.ThirdMolar() {
			for s := range chart.NumSites {
				places = append(places, chart.SiteRef{Tooth: tooth, Site: s})
			}
		}
	}
	near := func(name, what string, got *float64, want float64) {
		if got == nil || math.Abs(*got-want) > 1e-9 {
			t.Errorf("%s: %s is %v, %s gave %v", name, what, got, ref.Libraries, want)
		}
	}
	for _, e := range ref.Examples {
		var first, second chart.Chart
		for i := range e.First {
			first.Site(places[i]).Depth = chart.Half(int(2 * e.First[i]))
			second.Site(places[i]).Depth = chart.Half(int(2 * e.Second[i]))
		}
		g := diagnosis.Agree(&first, &second, diagnosis.Options{}).Depth[0]
		if g.Group != "all" || g.Sites != len(e.First) {
			t.Fatalf("%s: %s, %d sites", e.Name, g.Group, g.Sites)
		}
		near(e.Name, "exact agreement", g.Exact, e.ExactPercent)
		near(e.Name, "agreement within 1 mm", g.Within1, e.Within1Percent)
		near(e.Name, "linear kappa", g.KappaLin, e.KappaLinear)
		near(e.Name, "quadratic kappa", g.KappaQuad, e.KappaQuadratic)
		near(e.Name, "ICC(2,1)", g.ICC, e.ICC21)
		near(e.Name, "bias", g.Bias, e.Bias)
		near(e.Name, "lower limit", g.Low, e.Low)
		near(e.Name, "upper limit", g.High, e.High)
	}
	for _, e := range ref.Flags {
		var first, second chart.Chart
		for i := range e.First {
			first.Site(places[i]).Flags[chart.Bleeding] = chart.Is(e.First[i])
			second.Site(places[i]).Flags[chart.Bleeding] = chart.Is(e.Second[i])
		}
		f := diagnosis.Agree(&first, &second, diagnosis.Options{}).Flags[0]
		near("bleeding", "kappa", f.Kappa, e.Kappa)
		near("bleeding", "exact agreement", f.Exact, e.ExactPercent)
	}
	if len(ref.Examples) < 5 || len(ref.Flags) < 2 {
		t.Error("examples are missing")
	}
}
