package chart

import (
	"reflect"
	"testing"
)

// A change puts what is given over what stands, takes back what it names and leaves the rest; what it was put over stays as it was.
func TestPatientWithChange(t *testing.T) {
	age, yes, brush, site := 52, true, 0.9, DB
	gap, err := ParseGap("14-15", FDI)
	if err != nil || gap.Label(Universal) != "4-5" {
		t.Fatal(gap, err)
	}
	given := Patient{Age: &age, Diabetes: &yes, SmokingStatus: "never", ByException: []string{"bleeding"}, Factors: map[string]string{"depth_6.16": "rejected"},
		Gaps: map[Gap]GapInputs{gap: {BrushMM: &brush}},
		Teeth: map[Tooth]ToothInputs{16: {LostTo: "other", Implant: &ImplantInputs{Mobile: &yes}, GingivalBleed: &GingivalAreas{B: &yes},
			Sites: map[Site]SiteInputs{DB: {Exclude: "trauma", CEJUnknown: &yes}}}}}
	p := Patient{}.With(&Change{Given: given})
	if !reflect.DeepEqual(p, given) {
		t.Fatalf("given to nobody:\n%+v\n%+v", p, given)
	}
	if p.FactorDecision("depth_6", 16) != "rejected" || p.FactorDecision("depth_6", 17) != "" {
		t.Error(p.Factors)
	}
	older := 53
	q := p.With(&Change{Given: Patient{Age: &older, Teeth: map[Tooth]ToothInputs{16: {Sites: map[Site]SiteInputs{B: {Exclude: "caries"}}}}},
		Cleared: []Asked{{Key: "diabetes"}, {Key: "exclude", Tooth: 16, Site: &site}}})
	in := q.Teeth[16]
	if *q.Age != 53 || q.Diabetes != nil || in.LostTo != "other" || in.Sites[DB].Exclude != "" || in.Sites[DB].CEJUnknown == nil || in.Sites[B].Exclude != "caries" {
		t.Errorf("%+v", q)
	}
	if !reflect.DeepEqual(p, given) {
		t.Errorf("the former inputs changed: %+v", p)
	}
	none := p.With(&Change{Cleared: []Asked{{Key: "age"}, {Key: "diabetes"}, {Key: "smoking_status"}, {Key: "by_exception"}, {Key: FactorPrefix + "depth_6.16"}, {Key: "brush_mm", Gap: gap},
		{Key: "lost_to", Tooth: 16}, {Key: "implant", Tooth: 16}, {Key: "gingival_bleeding", Tooth: 16}, {Key: "exclude", Tooth: 16, Site: &site}, {Key: "cej_unknown", Tooth: 16, Site: &site}}})
	if !reflect.DeepEqual(none, Patient{}) {
		t.Errorf("all was taken back, and there is still %+v", none)
	}
}

// What is no gap between neighbours is refused.
func TestGapsRefused(t *testing.T) {
	for _, bad := range []string{"16", "16-46", "16-14", "16-16", "99-16", "16-99", "55-54"} {
		if g, err := ParseGap(bad, FDI); err == nil {
			t.Errorf("%s is read as %v", bad, g)
		}
	}
}
