package chart

import "strings"

// Input describes one thing that is asked: how it is called, what it may hold and where it is kept.
type Input[T any] struct {
	Key      string
	Min, Max float64
	Unit     string
	Words    []string     // of a string that is no free text
	At       func(*T) any // a **int, **float64, **bool or *string
}

// Day stands for a date in a list of words.
const Day = "YYYY-MM-DD"

var exclusions = []string{"trauma", "caries", "third_molar", "endodontic", "root_fracture"}

// PatientAsked is what is asked about a patient. The ranges are engineering choices: wide enough for any patient, narrow enough to notice a
// slip.
var PatientAsked = []Input[Patient]{
	{Key: "age", Max: 120, Unit: " years", At: func(p *Patient) any { return &p.Age }},
	{Key: "cigarettes_per_day", Max: 200, At: func(p *Patient) any { return &p.CigarettesPerDay }},
	{Key: "smoking_status", Words: []string{"never", "former", "current"}, At: func(p *Patient) any { return &p.SmokingStatus }},
	{Key: "smoking_stopped_years", Max: 100, Unit: " years", At: func(p *Patient) any { return &p.SmokingStoppedYears }},
	{Key: "vaping", At: func(p *Patient) any { return &p.Vaping }},
	{Key: "diabetes", At: func(p *Patient) any { return &p.Diabetes }},
	{Key: "hba1c_percent", Min: 2, Max: 25, Unit: " percent", At: func(p *Patient) any { return &p.HbA1cPercent }},
	{Key: "hba1c_mmol_mol", Min: 5, Max: 250, Unit: " mmol/mol", At: func(p *Patient) any { return &p.HbA1cMmolMol }},
	{Key: "systemic_factor", At: func(p *Patient) any { return &p.SystemicFactor }},
	{Key: "pregnant", At: func(p *Patient) any { return &p.Pregnant }},
	{Key: "teeth_lost_periodontitis", Max: 32, At: func(p *Patient) any { return &p.TeethLostPeriodontitis }},
	{Key: "bone_loss_percent", Max: 100, Unit: " percent", At: func(p *Patient) any { return &p.BoneLossPercent }},
	{Key: "bone_loss_middle_third", At: func(p *Patient) any { return &p.BoneLossMiddleThird }},
	{Key: "bone_loss_posterior_percent", Max: 100, Unit: " percent", At: func(p *Patient) any { return &p.BoneLossPosteriorPercent }},
	{Key: "vertical_loss_mm", Max: 20, Unit: " mm", At: func(p *Patient) any { return &p.VerticalLossMM }},
	{Key: "ridge_defect", Words: []string{"none", "moderate", "severe"}, At: func(p *Patient) any { return &p.RidgeDefect }},
	{Key: "rehabilitation_need", At: func(p *Patient) any { return &p.RehabilitationNeed }},
	{Key: "occlusal_trauma", At: func(p *Patient) any { return &p.OcclusalTrauma }},
	{Key: "bite_collapse", At: func(p *Patient) any { return &p.BiteCollapse }},
	{Key: "opposing_pairs", Max: 16, At: func(p *Patient) any { return &p.OpposingPairs }},
	{Key: "progression_mm", Max: 20, Unit: " mm", At: func(p *Patient) any { return &p.ProgressionMM }},
	{Key: "progression_years", Min: 0.1, Max: 80, Unit: " years", At: func(p *Patient) any { return &p.ProgressionYears }},
	{Key: "phenotype", Words: []string{"A", "B", "C"}, At: func(p *Patient) any { return &p.Phenotype }},
	{Key: "history_of_periodontitis", At: func(p *Patient) any { return &p.HistoryOfPeriodontitis }},
	{Key: "periodontitis_confirmed", At: func(p *Patient) any { return &p.PeriodontitisConfirmed }},
	{Key: "earlier_stage", Words: []string{"I", "II", "III", "IV"}, At: func(p *Patient) any { return &p.EarlierStage }},
	{Key: "earlier_grade", Words: []string{"A", "B", "C"}, At: func(p *Patient) any { return &p.EarlierGrade }},
	{Key: "therapy_finished", Words: []string{Day}, At: func(p *Patient) any { return &p.TherapyFinished }},
	{Key: "margin_default", Unit: " mm", At: func(p *Patient) any { return &p.MarginDefault }},
	{Key: "medical_history_checked", At: func(p *Patient) any { return &p.MedicalHistoryChecked }},
	{Key: "probing_conditions", At: func(p *Patient) any { return &p.ProbingConditions }},
	{Key: "probe", At: func(p *Patient) any { return &p.Probe }},
	{Key: "dexterity_limited", At: func(p *Patient) any { return &p.DexterityLimited }},
	{Key: "dry_mouth", At: func(p *Patient) any { return &p.DryMouth }},
	{Key: "braces", At: func(p *Patient) any { return &p.Braces }},
	{Key: "powered_brush", At: func(p *Patient) any { return &p.PoweredBrush }},
	{Key: "irrigator_wished", At: func(p *Patient) any { return &p.IrrigatorWished }},
	{Key: "special_care", At: func(p *Patient) any { return &p.SpecialCare }},
}

// ToothAsked is what is asked about one tooth position.
var ToothAsked = []Input[ToothInputs]{
	{Key: "lost_to", Words: []string{"periodontitis", "other", "unknown", "never_formed"}, At: func(t *ToothInputs) any { return &t.LostTo }},
	{Key: "exclude", Words: exclusions, At: func(t *ToothInputs) any { return &t.Exclude }},
	{Key: "vertical_loss_mm", Max: 20, Unit: " mm", At: func(t *ToothInputs) any { return &t.VerticalLossMM }},
	{Key: "bone_loss_percent", Max: 100, Unit: " percent", At: func(t *ToothInputs) any { return &t.BoneLossPercent }},
	{Key: "hopeless", At: func(t *ToothInputs) any { return &t.Hopeless }},
	{Key: "gingival_phenotype", Words: []string{"thin", "thick"}, At: func(t *ToothInputs) any { return &t.Phenotype }},
	{Key: "prognosis", Words: []string{"good", "fair", "poor", "questionable", "hopeless"}, At: func(t *ToothInputs) any { return &t.Prognosis }},
}

// GingivalAsked is what is asked about the areas of the gingival bleeding index.
var GingivalAsked = []Input[GingivalAreas]{
	{Key: "B", At: func(g *GingivalAreas) any { return &g.B }},
	{Key: "L", At: func(g *GingivalAreas) any { return &g.L }},
	{Key: "M", At: func(g *GingivalAreas) any { return &g.M }},
	{Key: "D", At: func(g *GingivalAreas) any { return &g.D }},
}

// ImplantAsked is what is asked about an implant.
var ImplantAsked = []Input[ImplantInputs]{
	{Key: "baseline_depth", Max: MaxDepth, Unit: " mm", At: func(i *ImplantInputs) any { return &i.BaselineDepth }},
	{Key: "bone_loss", At: func(i *ImplantInputs) any { return &i.BoneLoss }},
	{Key: "bone_level_mm", Max: 20, Unit: " mm", At: func(i *ImplantInputs) any { return &i.BoneLevelMM }},
	{Key: "inflamed", At: func(i *ImplantInputs) any { return &i.Inflamed }},
	{Key: "mobile", At: func(i *ImplantInputs) any { return &i.Mobile }},
}

// SiteAsked is what is asked about a site.
var SiteAsked = []Input[SiteInputs]{
	{Key: "exclude", Words: exclusions, At: func(s *SiteInputs) any { return &s.Exclude }},
	{Key: "cej_unknown", At: func(s *SiteInputs) any { return &s.CEJUnknown }},
	{Key: "not_assessable", Words: []string{"calculus", "band", "overhang", "pain"}, At: func(s *SiteInputs) any { return &s.NotAssessable }},
}

// GapAsked is what is asked about a gap between teeth.
var GapAsked = []Input[GapInputs]{
	{Key: "brush_mm", Min: 0.3, Max: 10, Unit: " mm", At: func(g *GapInputs) any { return &g.BrushMM }},
	{Key: "closed", At: func(g *GapInputs) any { return &g.Closed }},
}

// Change is a change of what was asked about a patient, read and checked: what is Given is put over what stands, what is Cleared is
// taken back, all else stays.
type Change struct {
	Given   Patient
	Cleared []Asked
}

// Asked names an input that is taken back.
type Asked struct {
	Key   string // of an Input, "by_exception", "gingival_bleeding", "implant", or factorPrefix and a key of Patient.Factors
	Tooth Tooth  // of a tooth's input
	Site  *Site  // of a site's
	Gap   Gap    // of a gap's
}

// FactorPrefix stands before the key of a factor in Asked.Key.
const FactorPrefix = "factors."

// put puts what is given over what stands.
func put[T any](set []Input[T], over, given *T) {
	for i := range set {
		switch v := set[i].At(given).(type) {
		case **int:
			if *v != nil {
				*set[i].At(over).(**int) = *v
			}
		case **float64:
			if *v != nil {
				*set[i].At(over).(**float64) = *v
			}
		case **bool:
			if *v != nil {
				*set[i].At(over).(**bool) = *v
			}
		case *string:
			if *v != "" {
				*set[i].At(over).(*string) = *v
			}
		}
	}
}

// unset takes back the input of a key.
func unset[T any](set []Input[T], of *T, key string) {
	for i := range set {
		if set[i].Key != key {
			continue
		}
		switch v := set[i].At(of).(type) {
		case **int:
			*v = nil
		case **float64:
			*v = nil
		case **bool:
			*v = nil
		case *string:
			*v = ""
		}
	}
}

// With is p after a change; p itself stays as it is.
func (p Patient) With(c *Change) Patient {
	p = p.Clone()
	for _, a := range c.Cleared {
		p.clear(a)
	}
	put(PatientAsked, &p, &c.Given)
	if c.Given.ByException != nil {
		p.ByException = c.Given.ByException
	}
	for k, v := range c.Given.Factors {
		Keep(&p.Factors, k, v)
	}
	for g, v := range c.Given.Gaps {
		now := p.Gaps[g]
		put(GapAsked, &now, &v)
		Keep(&p.Gaps, g, now)
	}
	for t, v := range c.Given.Teeth {
		now := p.Teeth[t]
		now.with(&v)
		Keep(&p.Teeth, t, now)
	}
	return p
}

// with puts what is given about a tooth over what stands.
func (t *ToothInputs) with(given *ToothInputs) {
	put(ToothAsked, t, given)
	if given.GingivalBleed != nil {
		t.GingivalBleed = given.GingivalBleed
	}
	if given.Implant != nil {
		t.Implant = given.Implant
	}
	for s, v := range given.Sites {
		now := t.Sites[s]
		put(SiteAsked, &now, &v)
		Keep(&t.Sites, s, now)
	}
}

// clear takes an input back, and what holds nothing any more with it.
func (p *Patient) clear(a Asked) {
	factor, isFactor := strings.CutPrefix(a.Key, FactorPrefix)
	switch {
	case a.Tooth != 0:
		now := p.Teeth[a.Tooth]
		now.clear(a)
		drop(&p.Teeth, a.Tooth, now, now.Empty())
	case a.Gap != Gap{}:
		now := p.Gaps[a.Gap]
		unset(GapAsked, &now, a.Key)
		drop(&p.Gaps, a.Gap, now, now == GapInputs{})
	case isFactor:
		drop(&p.Factors, factor, "", true)
	case a.Key == "by_exception":
		p.ByException = nil
	default:
		unset(PatientAsked, p, a.Key)
	}
}

func (t *ToothInputs) clear(a Asked) {
	switch {
	case a.Site != nil:
		now := t.Sites[*a.Site]
		unset(SiteAsked, &now, a.Key)
		drop(&t.Sites, *a.Site, now, now == SiteInputs{})
	case a.Key == "gingival_bleeding":
		t.GingivalBleed = nil
	case a.Key == "implant":
		t.Implant = nil
	default:
		unset(ToothAsked, t, a.Key)
	}
}

// Keep puts a value into a map that may not be there yet.
func Keep[K comparable, V any](m *map[K]V, k K, v V) {
	if *m == nil {
		*m = map[K]V{}
	}
	(*m)[k] = v
}

// drop is Keep, but for a value that is empty: then its key goes, and the map with its last one.
func drop[K comparable, V any](m *map[K]V, k K, v V, empty bool) {
	if !empty {
		Keep(m, k, v)
	} else if delete(*m, k); len(*m) == 0 {
		*m = nil
	}
}
