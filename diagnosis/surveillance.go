package diagnosis

import (
	"fmt"
	"slices"

	"leadsman/chart"
)

// surveyed is what the case classes count: interdental sites, third molars never; where teeth are counted, each tooth once.
type surveyed struct {
	teeth                   int
	recorded, eligible      int // sites
	loss3Sites, depth5Sites int
	singleDeep              int // sites whose depth alone makes mild with the loss
	loss6, loss4, loss3     []Evidence
	depth5, depth4          []Evidence
	rows                    [5][32]Evidence // of these five lists, most of which are not wanted in the end
}

// surveillanceOf gives the case class for counting populations, not for treating a person.
// Interdental sites only, third molars never; "not on the same tooth" applies to every count of
// teeth. Test severe, moderate, mild; the first that is met counts.
// Source: Eke et al. 2012, doi:10.1902/jop.2012.110664; Page and Eke 2007, doi:10.1902/jop.2007.060264.
func (m *mouth) surveillanceOf() Finding {
	n := m.survey()
	f := Finding{Code: "surveillance.cdc_aap_2012", Rule: "CDC-AAP", Source: srcSurveillance, Value: word("indeterminate"),
		Recorded: n.recorded, Eligible: n.eligible}
	if n.teeth < 2 {
		f.Text = "Not applicable: the definition needs two natural teeth that are no third molars."
		f.Provisional = true
		return f
	}
	mild, distinct := n.mild(n.loss3Sites), n.mild(len(n.loss3))
	if m.o.MildDistinct {
		mild, distinct = distinct, mild
	}
	n.class(&f, mild)
	f.Text += " For counting populations, not for treatment."
	class := f.Value.String()
	if (class == "mild" || class == "none") && mild != distinct {
		f.Notes = append(f.Notes, "The answer depends on whether the two sites of mild may be on one tooth; the abstract does not say.")
	}
	if a := m.p.Age; a != nil && *a < cdcAge {
		f.Notes = append(f.Notes, "The survey's population was 30 years and older.")
	}
	if !n.complete() && class != "severe" {
		f.Missing = append(f.Missing, Missing{Input: "depth,recession", CouldBe: above(class),
			Question: "These interdental sites lack a depth or a margin.",
			Sites: openSites(m.classed, func(th *tooth, s chart.Site) bool {
				v := &th.sites[s]
				return s.Interdental() && !th.t.ThirdMolar() && (v.depth < 0 || v.loss < 0)
			})})
	}
	f.Provisional = f.AtLeast || class == "indeterminate"
	m.assumed(&f, m.anyAssumed())
	return f
}

func (n *surveyed) complete() bool { return n.recorded >= n.eligible }

// mild reports whether the class is met with so many sites, or teeth, of 3 mm of loss.
func (n *surveyed) mild(losses int) bool {
	return losses >= cdcMildLossSites && (len(n.depth4) >= cdcMildTeeth || n.singleDeep >= 1)
}

// class gives the first class that is met.
func (n *surveyed) class(f *Finding, mild bool) {
	is := func(class string, atLeast bool, because []Evidence, format string, args ...any) {
		f.Value, f.AtLeast, f.Because, f.Text = word(class), atLeast, because, fmt.Sprintf(format, args...)
	}
	open := !n.complete()
	switch {
	case len(n.loss6) >= cdcSevereTeeth && n.depth5Sites >= cdcSevereSites:
		is("severe", false, slices.Concat(n.loss6, n.depth5), "Severe: interdental loss of 6 mm or more at %d teeth, and a depth of 5 mm or more.", len(n.loss6))
	case len(n.loss4) >= cdcModerateTeeth:
		is("moderate", open, slices.Clone(n.loss4), "Moderate: interdental loss of 4 mm or more at %d teeth.", len(n.loss4))
	case len(n.depth5) >= cdcModerateTeeth:
		is("moderate", open, slices.Clone(n.depth5), "Moderate: interdental depth of 5 mm or more at %d teeth.", len(n.depth5))
	case mild:
		is("mild", open, slices.Concat(n.loss3, n.depth4), "Mild: interdental loss of 3 mm or more at %d sites, with depth of 4 mm or more at two teeth or of 5 mm at one.", n.loss3Sites)
	case open:
		f.Text = fmt.Sprintf("Not determinable: no class is met so far, and only %d of %d interdental sites are known.", f.Recorded, f.Eligible)
	default:
		f.Value, f.Text = word("none"), "None of the surveillance classes is met."
	}
}

// survey counts a mouth, in its room.
func (m *mouth) survey() *surveyed {
	n := &m.room.survey
	*n = surveyed{}
	n.loss6, n.loss4, n.loss3, n.depth5, n.depth4 = n.rows[0][:0], n.rows[1][:0], n.rows[2][:0], n.rows[3][:0], n.rows[4][:0]
	for i := range m.teeth {
		if th := &m.teeth[i]; th.stand == natural && !th.t.Primary() && !th.t.ThirdMolar() {
			n.add(th)
		}
	}
	return n
}

func (n *surveyed) add(th *tooth) {
	n.teeth++
	top, deep := chart.NumSites, chart.NumSites // the sites of the greatest loss and of the greatest depth
	for s := range th.sites {
		v := &th.sites[s]
		if !chart.Site(s).Interdental() {
			continue
		}
		n.eligible++
		if v.depth >= 0 && v.loss >= 0 {
			n.recorded++
		}
		if v.loss >= 0 && (top == chart.NumSites || v.loss > th.sites[top].loss) {
			top = chart.Site(s)
		}
		if v.depth >= 0 && (deep == chart.NumSites || v.depth > th.sites[deep].depth) {
			deep = chart.Site(s)
		}
		if v.loss >= cdcMildLoss {
			n.loss3Sites++
		}
		if v.depth >= cdcSevereDepth {
			n.depth5Sites++
		}
		if v.depth >= cdcMildSingleDepth {
			n.singleDeep++
		}
	}
	if top < chart.NumSites {
		n.addLoss(th.siteEvidence(top), th.sites[top].loss)
	}
	if deep < chart.NumSites {
		n.addDepth(th.depthEvidence(deep), th.sites[deep].depth)
	}
}

// addLoss counts a tooth by its greatest loss.
func (n *surveyed) addLoss(e Evidence, loss int8) {
	if loss >= cdcSevereLoss {
		n.loss6 = append(n.loss6, e)
	}
	if loss >= cdcModerateLoss {
		n.loss4 = append(n.loss4, e)
	}
	if loss >= cdcMildLoss {
		n.loss3 = append(n.loss3, e)
	}
}

// addDepth counts a tooth by its greatest depth.
func (n *surveyed) addDepth(e Evidence, depth int8) {
	if depth >= cdcModerateDepth {
		n.depth5 = append(n.depth5, e)
	}
	if depth >= cdcMildDepth {
		n.depth4 = append(n.depth4, e)
	}
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
