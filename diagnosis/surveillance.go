package diagnosis

import (
	"fmt"
	"slices"

	"leadsman/chart"
)

// surveillanceOf gives the case class for counting populations, not for treating a person.
// Interdental sites only, third molars never; "not on the same tooth" applies to every count of
// teeth. Test severe, moderate, mild; the first that is met counts.
// Source: Eke et al. 2012, doi:10.1902/jop.2012.110664; Page and Eke 2007, doi:10.1902/jop.2007.060264.
func (m *mouth) surveillanceOf() Finding {
	f := Finding{Code: "surveillance.cdc_aap_2012", Rule: "CDC-AAP", Source: srcSurveillance, Value: word("indeterminate")}
	// Per tooth, the greatest interdental values.
	var rows [5][32]Evidence                                                                               // on the stack: most lists are not wanted in the end
	loss6, loss4, loss3, depth5, depth4 := rows[0][:0], rows[1][:0], rows[2][:0], rows[3][:0], rows[4][:0] // one a tooth
	loss3Sites, depth5Sites, single, teeth := 0, 0, 0, 0
	for i := range m.teeth {
		th := &m.teeth[i]
		if th.stand != natural || th.t.Primary() || th.t.ThirdMolar() {
			continue
		}
		teeth++
		top, deep := chart.NumSites, chart.NumSites
		for s := range th.sites {
			v := &th.sites[s]
			if !chart.Site(s).Interdental() {
				continue
			}
			f.Eligible++
			if v.depth >= 0 && v.loss >= 0 {
				f.Recorded++
			}
			if v.loss >= 0 && (top == chart.NumSites || v.loss > th.sites[top].loss) {
				top = chart.Site(s)
			}
			if v.depth >= 0 && (deep == chart.NumSites || v.depth > th.sites[deep].depth) {
				deep = chart.Site(s)
			}
			if v.loss >= cdcMildLoss {
				loss3Sites++
			}
			if v.depth >= cdcSevereDepth {
				depth5Sites++
			}
			if v.depth >= cdcMildSingleDepth {
				single++
			}
		}
		if top < chart.NumSites {
			e := th.siteEvidence(top)
			switch loss := th.sites[top].loss; {
			case loss >= cdcSevereLoss:
				loss6 = append(loss6, e)
				fallthrough
			case loss >= cdcModerateLoss:
				loss4 = append(loss4, e)
				fallthrough
			case loss >= cdcMildLoss:
				loss3 = append(loss3, e)
			}
		}
		if deep < chart.NumSites {
			e := th.depthEvidence(deep)
			depth := th.sites[deep].depth
			if depth >= cdcModerateDepth {
				depth5 = append(depth5, e)
			}
			if depth >= cdcMildDepth {
				depth4 = append(depth4, e)
			}
		}
	}
	mild := loss3Sites >= cdcMildLossSites && (len(depth4) >= cdcMildTeeth || single >= 1)
	distinct := len(loss3) >= cdcMildLossSites && (len(depth4) >= cdcMildTeeth || single >= 1)
	if m.o.MildDistinct {
		mild, distinct = distinct, mild
	}
	complete := f.Recorded >= f.Eligible
	switch {
	case teeth < 2:
		f.Text = "Not applicable: the definition needs two natural teeth that are no third molars."
		f.Provisional = true
		return f
	case len(loss6) >= cdcSevereTeeth && depth5Sites >= cdcSevereSites:
		f.Value = word("severe")
		f.Because = slices.Concat(loss6, depth5)
		f.Text = fmt.Sprintf("Severe: interdental loss of 6 mm or more at %d teeth, and a depth of 5 mm or more.", len(loss6))
	case len(loss4) >= cdcModerateTeeth:
		f.Value, f.AtLeast = word("moderate"), !complete
		f.Because = slices.Clone(loss4)
		f.Text = fmt.Sprintf("Moderate: interdental loss of 4 mm or more at %d teeth.", len(loss4))
	case len(depth5) >= cdcModerateTeeth:
		f.Value, f.AtLeast = word("moderate"), !complete
		f.Because = slices.Clone(depth5)
		f.Text = fmt.Sprintf("Moderate: interdental depth of 5 mm or more at %d teeth.", len(depth5))
	case mild:
		f.Value, f.AtLeast = word("mild"), !complete
		f.Because = slices.Concat(loss3, depth4)
		f.Text = fmt.Sprintf("Mild: interdental loss of 3 mm or more at %d sites, with depth of 4 mm or more at two teeth or of 5 mm at one.", loss3Sites)
	case complete:
		f.Value, f.Text = word("none"), "None of the surveillance classes is met."
	default:
		f.Text = fmt.Sprintf("Not determinable: no class is met so far, and only %d of %d interdental sites are known.", f.Recorded, f.Eligible)
	}
	f.Text += " For counting populations, not for treatment."
	if v := f.Value.String(); (v == "mild" || v == "none") && mild != distinct {
		f.Notes = append(f.Notes, "The answer depends on whether the two sites of mild may be on one tooth; the abstract does not say.")
	}
	if a := m.p.Age; a != nil && *a < cdcAge {
		f.Notes = append(f.Notes, "The survey's population was 30 years and older.")
	}
	if !complete && f.Value.String() != "severe" {
		f.Missing = append(f.Missing, Missing{Input: "depth,recession", CouldBe: above(f.Value.String()),
			Question: "These interdental sites lack a depth or a margin.",
			Sites: openSites(m.classed, func(th *tooth, s chart.Site) bool {
				v := &th.sites[s]
				return s.Interdental() && !th.t.ThirdMolar() && (v.depth < 0 || v.loss < 0)
			})})
	}
	f.Provisional = f.AtLeast || f.Value.String() == "indeterminate"
	m.assumed(&f, m.anyAssumed())
	return f
}

// above lists the classes from w on.
func above(w string) []string {
	all := []string{"none", "mild", "moderate", "severe"}
	for i, c := range all {
		if c == w {
			return all[i:]
		}
	}
	return all
}
