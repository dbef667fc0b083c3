package chart

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Patient holds the inputs that rules need and that probing cannot give: asked, never assumed.
// A nil pointer, an empty word or an absent map entry means "not asked or not known".
//
// Its JSON form is that of the chart file (docs/chart-file.md), except that what was asked about
// single teeth stands under "teeth" here and beside the readings of the tooth there.
type Patient struct {
	Age                    *int     `json:"age,omitempty"`                // years
	CigarettesPerDay       *int     `json:"cigarettes_per_day,omitempty"` // 0 = does not smoke
	HbA1cPercent           *float64 `json:"hba1c_percent,omitempty"`      // percent (NGSP)
	TeethLostPeriodontitis *int     `json:"teeth_lost_periodontitis,omitempty"`
	BoneLossPercent        *float64 `json:"bone_loss_percent,omitempty"` // of root length, at the worst tooth

	SmokingStatus       string   `json:"smoking_status,omitempty"`        // never, former, current
	SmokingStoppedYears *float64 `json:"smoking_stopped_years,omitempty"` // since a former smoker stopped
	Vaping              *bool    `json:"vaping,omitempty"`
	Diabetes            *bool    `json:"diabetes,omitempty"`
	HbA1cMmolMol        *float64 `json:"hba1c_mmol_mol,omitempty"`  // mmol/mol (IFCC)
	SystemicFactor      *bool    `json:"systemic_factor,omitempty"` // systemic or genetic factor of the risk table
	Pregnant            *bool    `json:"pregnant,omitempty"`

	BoneLossMiddleThird      *bool    `json:"bone_loss_middle_third,omitempty"`      // loss reaches the middle third of a root or beyond
	BoneLossPosteriorPercent *float64 `json:"bone_loss_posterior_percent,omitempty"` // worst posterior site, for the risk table
	VerticalLossMM           *float64 `json:"vertical_loss_mm,omitempty"`            // deepest vertical defect
	RidgeDefect              string   `json:"ridge_defect,omitempty"`                // none, moderate, severe
	RehabilitationNeed       *bool    `json:"rehabilitation_need,omitempty"`         // complex rehabilitation because chewing fails
	OcclusalTrauma           *bool    `json:"occlusal_trauma,omitempty"`             // secondary, seen by the clinician
	BiteCollapse             *bool    `json:"bite_collapse,omitempty"`               // bite collapse, drifting or flaring
	OpposingPairs            *int     `json:"opposing_pairs,omitempty"`              // counted by the clinician; overrides the chart's count

	// Factors are the clinician's decisions about what the rules propose: "confirmed" or
	// "rejected" by factor name, or by factor and tooth as "depth_6.16" (FDI).
	Factors map[string]string `json:"factors,omitempty"`

	ProgressionMM    *float64 `json:"progression_mm,omitempty"`    // bone or attachment lost over ProgressionYears, direct evidence
	ProgressionYears *float64 `json:"progression_years,omitempty"` // span of the direct evidence
	Phenotype        string   `json:"phenotype,omitempty"`         // A, B, C: destruction against biofilm

	HistoryOfPeriodontitis *bool  `json:"history_of_periodontitis,omitempty"`
	PeriodontitisConfirmed *bool  `json:"periodontitis_confirmed,omitempty"` // the clinician's own answer to the case definition
	EarlierStage           string `json:"earlier_stage,omitempty"`           // highest ever given: I, II, III, IV
	EarlierGrade           string `json:"earlier_grade,omitempty"`           // A, B, C
	TherapyFinished        string `json:"therapy_finished,omitempty"`        // date of the end of active therapy, YYYY-MM-DD

	// MarginDefault is 0 when the clinician chose openly that margins that were not called stand at
	// the CEJ; nil leaves them unknown.
	MarginDefault *int `json:"margin_default,omitempty"`
	// ByException lists the flags that were called by exception: where a site was probed and the
	// flag was not called, the answer is no.
	ByException []string `json:"by_exception,omitempty"`

	MedicalHistoryChecked *bool  `json:"medical_history_checked,omitempty"`
	ProbingConditions     string `json:"probing_conditions,omitempty"` // free note: anaesthesia, anticoagulants ...
	Probe                 string `json:"probe,omitempty"`              // which probe was used, in the practice's words

	DexterityLimited *bool             `json:"dexterity_limited,omitempty"`
	DryMouth         *bool             `json:"dry_mouth,omitempty"`
	Braces           *bool             `json:"braces,omitempty"` // fixed appliances
	PoweredBrush     *bool             `json:"powered_brush,omitempty"`
	IrrigatorWished  *bool             `json:"irrigator_wished,omitempty"`
	SpecialCare      *bool             `json:"special_care,omitempty"` // bleeding disorder, recent surgery or immunosuppression
	Gaps             map[Gap]GapInputs `json:"gaps,omitempty"`

	Teeth map[Tooth]ToothInputs `json:"teeth,omitempty"`
}

// ToothInputs is what was asked or read elsewhere about one tooth position.
type ToothInputs struct {
	LostTo          string              `json:"lost_to,omitempty"` // periodontitis, other, unknown, never_formed
	Exclude         string              `json:"exclude,omitempty"` // cause of loss other than periodontitis, of the whole tooth
	VerticalLossMM  *float64            `json:"vertical_loss_mm,omitempty"`
	BoneLossPercent *float64            `json:"bone_loss_percent,omitempty"`
	Hopeless        *bool               `json:"hopeless,omitempty"`           // extraction planned
	Phenotype       string              `json:"gingival_phenotype,omitempty"` // of the gingiva: thin, thick
	Prognosis       string              `json:"prognosis,omitempty"`          // the clinician's own: good, fair, poor, questionable, hopeless
	GingivalBleed   *GingivalAreas      `json:"gingival_bleeding,omitempty"`
	Implant         *ImplantInputs      `json:"implant,omitempty"`
	Sites           map[Site]SiteInputs `json:"sites,omitempty"`
}

// GingivalAreas are the answers of the gingival bleeding index, four areas a tooth.
type GingivalAreas struct {
	B *bool `json:"B,omitempty"`
	L *bool `json:"L,omitempty"`
	M *bool `json:"M,omitempty"`
	D *bool `json:"D,omitempty"`
}

// ImplantInputs is what is known about an implant beside its readings.
type ImplantInputs struct {
	BaselineDepth *float64 `json:"baseline_depth,omitempty"` // deepest site at the baseline, mm
	BoneLoss      *bool    `json:"bone_loss,omitempty"`      // beyond first remodelling, against the baseline
	BoneLevelMM   *float64 `json:"bone_level_mm,omitempty"`  // apical to the most coronal part meant to be in bone
	Inflamed      *bool    `json:"inflamed,omitempty"`       // redness or swelling
	Mobile        *bool    `json:"mobile,omitempty"`
}

// SiteInputs is what was asked about one site.
type SiteInputs struct {
	Exclude       string `json:"exclude,omitempty"`
	CEJUnknown    *bool  `json:"cej_unknown,omitempty"`    // hidden or lost: the site has no attachment loss
	NotAssessable string `json:"not_assessable,omitempty"` // calculus, band, overhang, pain: out of what is eligible
}

// GapInputs is what was found between two neighbouring teeth.
type GapInputs struct {
	BrushMM *float64 `json:"brush_mm,omitempty"` // passage hole diameter of the brush tried in, mm
	Closed  *bool    `json:"closed,omitempty"`   // too tight for a brush
}

// Gap is the space between two neighbouring teeth of an arch, A before B in the order of
// ArchPosition.
type Gap struct{ A, B Tooth }

// GapBetween makes a Gap of two different permanent teeth of the same arch.
func GapBetween(a, b Tooth) (Gap, error) {
	if a.ArchPosition() == 0 || b.ArchPosition() == 0 || a == b || a.Upper() != b.Upper() {
		return Gap{}, fmt.Errorf("gap %s-%s: two different permanent teeth of one arch are needed", a, b)
	}
	if a.ArchPosition() > b.ArchPosition() {
		a, b = b, a
	}
	if b.ArchPosition()-a.ArchPosition() != 1 {
		return Gap{}, fmt.Errorf("gap %s-%s: the two are no neighbours; a gap is the space between two teeth that stand next to each other", a, b)
	}
	return Gap{a, b}, nil
}

// ParseGap reads "15-14" in numbering n, in either order.
func ParseGap(s string, n Numbering) (Gap, error) {
	x, y, ok := strings.Cut(s, "-")
	if !ok {
		return Gap{}, fmt.Errorf("gap %q: two teeth with a dash are needed", s)
	}
	a, err := ParseTooth(x, n)
	if err != nil {
		return Gap{}, err
	}
	b, err := ParseTooth(y, n)
	if err != nil {
		return Gap{}, err
	}
	return GapBetween(a, b)
}

// Label writes the gap in numbering n.
func (g Gap) Label(n Numbering) string { return g.A.Label(n) + "-" + g.B.Label(n) }

func (g Gap) MarshalText() ([]byte, error)        { return []byte(g.Label(FDI)), nil }
func (g *Gap) UnmarshalText(b []byte) (err error) { *g, err = ParseGap(string(b), FDI); return err }

// LongestText is the number of bytes that a free text may have.
const LongestText = 2000

// FactorNames lists what a clinician can confirm or reject in Patient.Factors.
func FactorNames() []string { return slices.Clone(factorNames) }

var factorNames = []string{"depth_5", "depth_6", "vertical_loss", "furcation", "ridge_moderate",
	"rehabilitation", "occlusal_trauma", "ridge_severe", "bite_collapse", "few_teeth", "molar_incisor"}

// Clone returns a copy that shares no map with p, so that merging into one leaves the other alone.
func (p Patient) Clone() Patient {
	p.Factors = maps.Clone(p.Factors)
	p.Gaps = maps.Clone(p.Gaps)
	p.ByException = slices.Clone(p.ByException)
	p.Teeth = maps.Clone(p.Teeth)
	for t, in := range p.Teeth {
		in.Sites = maps.Clone(in.Sites)
		p.Teeth[t] = in
	}
	return p
}

// Empty reports whether nothing was asked.
func (t *ToothInputs) Empty() bool {
	return t.LostTo == "" && t.Exclude == "" && t.VerticalLossMM == nil && t.BoneLossPercent == nil &&
		t.Hopeless == nil && t.Phenotype == "" && t.Prognosis == "" && t.GingivalBleed == nil && t.Implant == nil && len(t.Sites) == 0
}

// FactorDecision is the clinician's decision about a proposed factor: the one for the tooth if
// there is one, else the general one; "" if none.
func (p *Patient) FactorDecision(factor string, t Tooth) string {
	if len(p.Factors) == 0 {
		return ""
	}
	if t != 0 {
		if d := p.Factors[factor+"."+t.String()]; d != "" {
			return d
		}
	}
	return p.Factors[factor]
}
