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

// involvement sorts the teeth by whether they are at the level of a stage.
type involvement struct {
	at      []*tooth
	could   []*tooth // attachment is unknown, and there may be a pocket
	shallow []*tooth // attachment is unknown, and there is no pocket
	any     int      // teeth with detectable loss
	more    int      // teeth that may have detectable loss too
	total   int
}

func (in *involvement) share(n int) float64 { return 100 * float64(n) / float64(max(in.total, 1)) }

// named is the extent when so many teeth are involved.
func (in *involvement) named(n int) string {
	if 100*n >= extentGeneralizedPercent*in.total {
		return "generalized"
	}
	return "localized"
}

// involved finds out which teeth are at the level of the stage.
func (m *mouth) involved(cr *caseResult, st *stageResult) involvement {
	in := involvement{total: len(m.classed)}
	for _, th := range m.classed {
		loss := int(th.worst)
		if cr.byB {
			for _, s := range middleSites {
				if v := &th.sites[s]; v.middleCase() && !v.excluded {
					loss = max(loss, int(v.loss))
				}
			}
		}
		bone := 0.0
		if th.bone > 0 && (st.byBone || th.byBone()) {
			bone = th.bone
		}
		byBone := bone > 0 && boneBand(bone) >= min(max(st.stage, 1), 3)
		if loss >= m.o.detectable() || bone > 0 {
			in.any++
		} else if th.open {
			in.more++
		}
		switch {
		case loss >= m.o.level(st.stage) || byBone || m.carriesFactor(st, th):
			in.at = append(in.at, th)
		case th.open && m.shallow(th):
			in.shallow = append(in.shallow, th)
		case th.open:
			in.could = append(in.could, th)
		}
	}
	return in
}

// extentOf says how many of the present teeth are involved: localized under 30 percent, generalized
// from 30 on, or the molar and incisor pattern, which is proposed and for the clinician to confirm.
// A tooth counts when its interdental loss reaches the lower bound of the stage or when it carries a
// confirmed factor that set the stage; option AnyInvolved counts any detectable loss.
// Source: Tonetti et al. 2018, doi:10.1002/JPER.18-0006, table 3 (seen, secondary); which teeth
// count from memory, so both numbers are shown.
func (m *mouth) extentOf(cr *caseResult, st *stageResult) []Finding {
	f := Finding{Code: "periodontitis.extent", Rule: "EXTENT", Source: srcExtent, Value: word("indeterminate"),
		Recorded: m.lossRecorded, Eligible: m.lossEligible}
	in := m.involved(cr, st)
	for _, th := range in.at {
		if th.worst >= 0 {
			f.Because = append(f.Because, th.siteEvidence(th.worstSite))
		}
	}
	m.judgeExtent(&f, cr, st, &in)
	if other := in.named(in.any); len(in.at) > 0 && m.o.Extent != AnyInvolved && other != f.Value.String() {
		f.Notes = append(f.Notes, fmt.Sprintf("Counting every tooth with detectable loss it would be %s (%.1f percent); which teeth count is read differently.", other, rounded(in.share(in.any), 1)))
	}
	f.Provisional = f.Value.String() == "indeterminate" || f.open()
	m.assumed(&f, f.Value.String() != "indeterminate" && m.anyAssumed())
	out := []Finding{f}
	if in.total > 0 && cr.answer == isYes {
		unknown := len(in.could)+len(in.shallow) > 0
		out = append(out,
			Finding{Code: "extent.stage_level_percent", Rule: "EXTENT", Source: srcExtent, Value: number(in.share(len(in.at)), 1), AtLeast: unknown,
				Provisional: f.Provisional || unknown, Text: fmt.Sprintf("%d of %d teeth are at the level of the stage.", len(in.at), in.total)},
			Finding{Code: "extent.any_involved_percent", Rule: "EXTENT", Source: srcExtent, Value: number(in.share(in.any), 1), AtLeast: in.more > 0,
				Provisional: m.lossRecorded < m.lossEligible, Text: fmt.Sprintf("%d of %d teeth have detectable interdental attachment loss.", in.any, in.total)})
	}
	return out
}

// judgeExtent gives the value, or says why there is none.
func (m *mouth) judgeExtent(f *Finding, cr *caseResult, st *stageResult, in *involvement) {
	at := len(in.at)
	decision := m.p.FactorDecision("molar_incisor", 0)
	young := m.p.Age == nil || *m.p.Age < extentPatternAge
	pattern := isPattern(in.at)
	switch {
	case cr.answer == unsure || st.stage == 0 && !st.byBone:
		f.Text = "No extent: it is not clear whether this is a periodontitis case, or which stage it has."
		f.Missing = append(f.Missing, m.lossMissing("localized", "generalized"))
	case at == 0:
		f.Text = fmt.Sprintf("The extent cannot be determined: no tooth is at the level of stage %s by its own readings.", stageWords[st.stage])
		f.Missing = append(f.Missing, Missing{Input: "factors", CouldBe: []string{"localized", "generalized"},
			Question: "The stage comes from tooth loss, from an earlier exam or from a factor that is not confirmed. Which teeth are involved?"})
	case in.named(at) != in.named(at+len(in.could)):
		f.Text = fmt.Sprintf("The extent cannot be determined: %d to %d of %d teeth are at the level of the stage; attachment loss is unknown at %s.",
			at, at+len(in.could), in.total, m.labelsOf(in.could))
		f.Missing = append(f.Missing, m.lossMissing("localized", "generalized"))
	case pattern && (decision == "confirmed" || decision == "" && young && at >= extentPatternTeeth):
		f.pattern(in, decision == "confirmed")
	default:
		m.countExtent(f, in, pattern && decision == "")
	}
}

// pattern gives the molar and incisor pattern, which is a proposal until it is confirmed.
func (f *Finding) pattern(in *involvement, confirmed bool) {
	at := len(in.at)
	f.Value = word("molar-incisor")
	f.Text = fmt.Sprintf("Molar and incisor pattern: %d of %d teeth at the level of the stage are first molars and incisors, with at most %d others.", at, in.total, extentPatternOthers)
	if confirmed {
		return
	}
	without, share := in.named(at), rounded(in.share(at), 1)
	f.Missing = append(f.Missing, Missing{Input: "factors.molar_incisor", CouldBe: []string{"molar-incisor", without},
		Question: fmt.Sprintf("Confirm the molar and incisor pattern, or reject it: then it is %s (%.1f percent of teeth).", without, share)})
	f.Notes = append(f.Notes, fmt.Sprintf("A proposal; without the pattern it is %s, %.1f percent of teeth.", without, share))
}

// countExtent gives the extent by the share of teeth; ask: whether it is the molar and incisor pattern after all.
func (m *mouth) countExtent(f *Finding, in *involvement, ask bool) {
	at := len(in.at)
	f.Value = word(in.named(at))
	f.Text = fmt.Sprintf("%s: %d of %d teeth (%.1f percent) are at the level of the stage.", capital(in.named(at)), at, in.total, rounded(in.share(at), 1))
	if ask {
		f.Missing = append(f.Missing, Missing{Input: "factors.molar_incisor", CouldBe: []string{f.Value.String(), "molar-incisor"},
			Question: "Only first molars and incisors, with few others, are at the level of the stage. Is this the molar and incisor pattern of an early onset? Few teeth, or the age, do not speak for it by themselves."})
	}
	if in.named(at) != in.named(at+len(in.could)+len(in.shallow)) {
		f.AtLeast = true
		f.Missing = append(f.Missing, m.lossMissing("localized", "generalized"))
		f.Notes = append(f.Notes, fmt.Sprintf("Attachment loss is unknown at %s more without a pocket, where the gum may have receded.", many(len(in.shallow), "tooth")))
	}
	if len(in.could) > 0 {
		f.Notes = append(f.Notes, "Attachment loss is unknown at "+m.labelsOf(in.could)+"; it would not change the answer.")
	}
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
