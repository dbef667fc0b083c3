package diagnosis

import (
	"fmt"
	"strings"

	"leadsman/chart"
)

// level is the severity at which a tooth counts for the extent of a stage, in mm.
func (o *Options) level(stage int) int {
	switch {
	case o.Extent == AnyInvolved || stage <= 1:
		return o.detectable()
	case stage == 2:
		return stageLossII
	}
	return stageLossIII
}

// extentOf says how many of the present teeth are involved: localized under 30 percent, generalized
// from 30 on, or the molar and incisor pattern, which is proposed and for the clinician to confirm.
// A tooth counts when its interdental loss reaches the lower bound of the stage or when it carries a
// confirmed factor that set the stage; option AnyInvolved counts any detectable loss.
// Source: Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3 (seen, secondary); which teeth
// count from memory, so both numbers are shown.
func (m *mouth) extentOf(cr *caseResult, st *stageResult) []Finding {
	f := Finding{Code: "periodontitis.extent", Rule: "EXTENT", Source: srcExtent, Value: word("indeterminate")}
	var at, could, shallow []*tooth // shallow: attachment is unknown, and there is no pocket
	any, more := 0, 0               // more: teeth that may have detectable loss too
	stage := st.stage
	limit := m.o.level(stage)
	for _, th := range m.classed {
		loss := int(th.worst)
		if cr.byB {
			for _, s := range [...]chart.Site{chart.B, chart.L} {
				if v := &th.sites[s]; v.loss >= caseMidLoss && v.half > 2*caseMidDepth && !v.excluded {
					loss = max(loss, int(v.loss))
				}
			}
		}
		bone := 0.0
		if th.bone > 0 && (st.byBone || th.byBone()) {
			bone = th.bone
		}
		byBone := bone > 0 && boneBand(bone) >= min(max(stage, 1), 3)
		if loss >= m.o.detectable() || bone > 0 {
			any++
		} else if th.open {
			more++
		}
		switch {
		case loss >= limit || byBone || m.carriesFactor(st, th):
			at = append(at, th)
		case th.open && m.shallow(th):
			shallow = append(shallow, th)
		case th.open:
			could = append(could, th)
		}
	}
	total := len(m.classed)
	f.Recorded, f.Eligible = m.lossRecorded, m.lossEligible
	share := func(n int) float64 { return 100 * float64(n) / float64(max(total, 1)) }
	named := func(n int) string {
		if 100*n >= extentGeneralizedPercent*total {
			return "generalized"
		}
		return "localized"
	}
	for _, th := range at {
		if th.worst >= 0 {
			f.Because = append(f.Because, th.siteEvidence(th.worstSite))
		}
	}
	var labels []string
	for _, th := range could {
		labels = append(labels, m.label(th.t))
	}
	pattern := isPattern(at)
	decision := m.p.FactorDecision("molar_incisor", 0)
	young := m.p.Age == nil || *m.p.Age < extentPatternAge
	switch {
	case cr.answer == unsure || stage == 0 && !st.byBone:
		f.Text = "No extent: it is not clear whether this is a periodontitis case, or which stage it has."
		f.Missing = append(f.Missing, m.lossMissing("localized", "generalized"))
	case len(at) == 0:
		f.Text = fmt.Sprintf("The extent cannot be determined: no tooth is at the level of stage %s by its own readings.", stageWords[stage])
		f.Missing = append(f.Missing, Missing{Input: "factors", CouldBe: []string{"localized", "generalized"},
			Question: "The stage comes from tooth loss, from an earlier exam or from a factor that is not confirmed. Which teeth are involved?"})
	case named(len(at)) != named(len(at)+len(could)):
		f.Text = fmt.Sprintf("The extent cannot be determined: %d to %d of %d teeth are at the level of the stage; attachment loss is unknown at %s.",
			len(at), len(at)+len(could), total, strings.Join(labels, ", "))
		f.Missing = append(f.Missing, m.lossMissing("localized", "generalized"))
	case pattern && (decision == "confirmed" || decision == "" && young && len(at) >= extentPatternTeeth):
		f.Value = word("molar-incisor")
		f.Text = fmt.Sprintf("Molar and incisor pattern: %d of %d teeth at the level of the stage are first molars and incisors, with at most %d others.", len(at), total, extentPatternOthers)
		if decision == "" {
			f.Missing = append(f.Missing, Missing{Input: "factors.molar_incisor", CouldBe: []string{"molar-incisor", named(len(at))},
				Question: fmt.Sprintf("Confirm the molar and incisor pattern, or reject it: then it is %s (%.1f percent of teeth).", named(len(at)), rounded(share(len(at)), 1))})
			f.Notes = append(f.Notes, fmt.Sprintf("A proposal; without the pattern it is %s, %.1f percent of teeth.", named(len(at)), rounded(share(len(at)), 1)))
		}
	default:
		f.Value = word(named(len(at)))
		f.Text = fmt.Sprintf("%s: %d of %d teeth (%.1f percent) are at the level of the stage.", capital(named(len(at))), len(at), total, rounded(share(len(at)), 1))
		if pattern && decision == "" {
			f.Missing = append(f.Missing, Missing{Input: "factors.molar_incisor", CouldBe: []string{f.Value.String(), "molar-incisor"},
				Question: "Only first molars and incisors, with few others, are at the level of the stage. Is this the molar and incisor pattern of an early onset? Few teeth, or the age, do not speak for it by themselves."})
		}
		if named(len(at)) != named(len(at)+len(could)+len(shallow)) {
			f.AtLeast = true
			f.Missing = append(f.Missing, m.lossMissing("localized", "generalized"))
			f.Notes = append(f.Notes, fmt.Sprintf("Attachment loss is unknown at %s more without a pocket, where the gum may have receded.", many(len(shallow), "tooth")))
		}
		if len(could) > 0 {
			f.Notes = append(f.Notes, "Attachment loss is unknown at "+strings.Join(labels, ", ")+"; it would not change the answer.")
		}
	}
	if other := named(any); len(at) > 0 && m.o.Extent != AnyInvolved && other != f.Value.String() {
		f.Notes = append(f.Notes, fmt.Sprintf("Counting every tooth with detectable loss it would be %s (%.1f percent); which teeth count is read differently.", other, rounded(share(any), 1)))
	}
	f.Provisional = f.Value.String() == "indeterminate" || f.open()
	m.assumed(&f, f.Value.String() != "indeterminate" && m.anyAssumed())
	out := []Finding{f}
	if total > 0 && cr.answer == isYes {
		out = append(out,
			Finding{Code: "extent.stage_level_percent", Rule: "EXTENT", Source: srcExtent, Value: number(share(len(at)), 1), AtLeast: len(could)+len(shallow) > 0,
				Provisional: f.Provisional || len(could)+len(shallow) > 0, Text: fmt.Sprintf("%d of %d teeth are at the level of the stage.", len(at), total)},
			Finding{Code: "extent.any_involved_percent", Rule: "EXTENT", Source: srcExtent, Value: number(share(any), 1), AtLeast: more > 0,
				Provisional: m.lossRecorded < m.lossEligible, Text: fmt.Sprintf("%d of %d teeth have detectable interdental attachment loss.", any, total)})
	}
	return out
}

// carriesFactor reports whether a tooth carries a confirmed factor that set the stage.
func (m *mouth) carriesFactor(st *stageResult, th *tooth) bool {
	for i := range st.factors {
		fc := &st.factors[i]
		if fc.tooth == th && fc.decision == "confirmed" && fc.level == st.in.local && st.in.local > st.in.bySeverity() {
			return true
		}
	}
	return false
}

// shallow reports whether all interdental depths are known and none is a pocket.
func (m *mouth) shallow(th *tooth) bool {
	for s := range th.sites {
		if v := &th.sites[s]; chart.Site(s).Interdental() && !v.excluded && (v.depth < 0 || v.half > 2*healthDepth) {
			return false
		}
	}
	return true
}

// isPattern reports whether teeth are first molars and incisors, both, with few others.
func isPattern(at []*tooth) bool {
	molars, incisors, others := 0, 0, 0
	for _, th := range at {
		switch p := th.t.Position(); {
		case p == 6:
			molars++
		case p <= 2:
			incisors++
		default:
			others++
		}
	}
	return molars > 0 && incisors > 0 && others <= extentPatternOthers
}

func capital(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
