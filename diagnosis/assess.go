package diagnosis

import (
	"fmt"
	"slices"
	"strings"

	"leadsman/chart"
)

// Assess applies every rule to a chart. The order of findings is fixed.
func Assess(c *chart.Chart, o Options) Findings {
	m := newMouth(c, &o)
	defer m.release()
	out := Findings{ID: c.ID, Numbering: m.n, Exam: c.Exam, Cautions: Cautions()}
	if text, ask := gateCaution(m.p); ask && m.p.MedicalHistoryChecked != nil {
		out.Cautions = append(out.Cautions, text)
	}
	list := make([]Finding, 0, 72)
	t := m.tally()
	var wrong []contradiction
	if why := m.notClassified(); why != "" {
		list = append(list, m.withheld(why)...)
	} else {
		cr := m.caseOf()
		list = append(list, cr.finding)
		var st stageResult
		if cr.answer != isNo {
			st = m.stageOf(&cr)
			list = append(list, st.finding)
			if cr.answer == isYes {
				list = append(list, st.alone)
			}
			list = append(list, m.extentOf(&cr, &st)...)
			if cr.answer == isYes {
				list = append(list, m.gradeOf())
			}
		}
		list = append(list, m.gingivaOf(&cr, &t)...)
		list = append(list, m.endpointOf())
		wrong = m.contradictions(&cr, &st)
	}
	if p := m.progression(); p != nil {
		list = append(list, *p)
	}
	list = append(list, m.implantsOf()...)
	list = append(list, m.surveillanceOf())
	list = m.scoresOf(list)
	list = m.surfacesOf(list)
	list = append(list, m.recessionsOf()...)
	list = append(list, m.riskOf()...)
	list = append(list, m.completeness())
	name(list, wrong)
	if d, ok := m.doubts(); ok {
		list = append(list, d)
		m.markDoubts(list)
	}
	out.List = list
	return out
}

// notClassified says why no case, stage and gingival status is given: children and mixed dentition.
// An adult with a retained primary tooth is judged by the permanent ones.
func (m *mouth) notClassified() string {
	switch child := m.child(); {
	case child && m.primary:
		return "Mixed dentition of a child"
	case child:
		return "A patient under 18"
	case m.primary && m.p.Age == nil:
		return "Primary teeth, and no age"
	}
	return ""
}

// child reports whether the patient is known to be under 18.
func (m *mouth) child() bool { return m.p.Age != nil && *m.p.Age < childAge }

// early lists the first molars and incisors of permanent teeth with interdental loss of attachment: in a young person a sign of
// early onset, which is asked and never decided here.
func (m *mouth) early() []*tooth {
	var out []*tooth
	for _, th := range m.classed {
		if p := th.t.Position(); (p == 6 || p <= 2) && int(th.worst) >= stageLossII {
			out = append(out, th)
		}
	}
	return out
}

// withheld are the findings that say so.
func (m *mouth) withheld(why string) []Finding {
	text := why + ": this tool proposes no classification; the clinician judges. Scores and counts are given."
	var out []Finding
	for _, w := range [...]struct{ code, rule, source string }{
		{"periodontitis.case", "CASE", srcCase}, {"periodontitis.stage", "STAGE", srcStage}, {"gingiva.status", "GINGIVA", srcGingiva},
	} {
		f := Finding{Code: w.code, Rule: w.rule, Source: w.source + "; withheld for children, " + srcChoice, Value: word("indeterminate"), Provisional: true, Text: text}
		if m.p.Age == nil {
			f.Missing = []Missing{{Input: "age", Question: "How old is the patient? Adults are judged by their permanent teeth."}}
		} else {
			f.Because = []Evidence{input("age", fmt.Sprint(*m.p.Age))}
		}
		if early := m.early(); len(early) > 0 && w.rule == "CASE" && m.child() {
			ask := Missing{Input: "factors.molar_incisor", Question: "Attachment loss at first molars or incisors of a young person: is this the molar and incisor pattern of an early onset? Take radiographs, and refer where you do not treat it yourself."}
			for _, th := range early {
				f.Because = append(f.Because, th.siteEvidence(th.worstSite))
				ask.Teeth = append(ask.Teeth, th.t)
			}
			f.Missing = append(f.Missing, ask)
		}
		out = append(out, f)
	}
	return out
}

// completeness says how much of the mouth was probed, and what is odd about the chart.
func (m *mouth) completeness() Finding {
	f := Finding{Code: "chart.completeness", Rule: "CHART", Source: srcChoice, Recorded: m.depthsRecorded, Eligible: m.sitesEligible}
	if f.Eligible == 0 {
		f.Text = "There is no natural tooth to probe."
	} else {
		p := 100 * float64(f.Recorded) / float64(f.Eligible)
		f.Value = number(p, 1)
		f.Text = fmt.Sprintf("%d of %d sites of natural teeth were probed (%.1f percent).", f.Recorded, f.Eligible, rounded(p, 1))
	}
	f.Provisional = f.Recorded < f.Eligible
	if len(m.unmentioned) > 0 {
		f.Missing = append(f.Missing, Missing{Input: "state", Teeth: m.unmentioned,
			Question: "The chart does not mention these teeth. They count as present and not probed until they are called missing."})
	}
	if f.Provisional {
		f.Missing = append(f.Missing, Missing{Input: "depth", Question: "These sites of mentioned teeth were not probed.",
			Sites: openSites(m.scored, func(th *tooth, s chart.Site) bool {
				return th.mentioned && th.sites[s].depth < 0
			})})
		if n := len(f.Missing); len(f.Missing[n-1].Sites) == 0 {
			f.Missing = f.Missing[:n-1]
		}
	}
	if len(m.readingsOnAbsent) > 0 {
		f.Notes = append(f.Notes, "Called missing or unerupted, yet with readings, which no rule counts: tooth "+m.labels(m.readingsOnAbsent)+".")
	}
	if m.p.MarginDefault != nil {
		f.Notes = append(f.Notes, "Margins that were not called are assumed, as the clinician chose: at the CEJ at pockets, without loss where the depth is 3 mm at most. What rests on them is provisional.")
	}
	if len(m.p.ByException) > 0 {
		f.Notes = append(f.Notes, "Called by exception, as the clinician chose: "+strings.Join(m.p.ByException, ", ")+". Probed sites without the call count as no.")
	}
	var clamped []string
	excluded := 0
	for _, th := range m.scored {
		for s := range th.sites {
			if th.sites[s].clamped {
				clamped = append(clamped, m.at(th.t, chart.Site(s)))
			}
			if th.sites[s].excluded {
				excluded++
			}
		}
	}
	if reasons := m.inTheWay(); len(reasons) > 0 {
		f.Notes = append(f.Notes, capital(strings.Join(reasons, "; "))+": not known, and never counted as healthy.")
	}
	if len(clamped) > 0 {
		f.Notes = append(f.Notes, "Depth and margin give less than no attachment loss, taken as 0; look again: "+strings.Join(clamped, ", ")+".")
	}
	if excluded > 0 {
		f.Notes = append(f.Notes, many(excluded, "site")+" left out of the case, stage and extent: the loss there has another cause.")
	}
	if m.o.ThirdMolars || m.o.PISAThirdMolars || m.o.ScoresWithout8 || m.o.UnlistedMissing || m.o.Nearest || m.o.Adjacency == PresentNeighbour || m.o.Detectable == 2 {
		f.Notes = append(f.Notes, "Some rules were run with other settings than the default ones.")
	}
	return f
}

// inTheWay says how many sites could not be assessed, and why.
func (m *mouth) inTheWay() []string {
	var out []string
	n := map[string]int{}
	for _, th := range m.scored {
		for s := range th.sites {
			switch v := &th.sites[s]; {
			case v.out:
				n[th.asked.Sites[chart.Site(s)].NotAssessable]++
			case v.noLoss:
				n["the CEJ is hidden or lost"]++
			}
		}
	}
	for _, why := range [...]string{"calculus", "band", "overhang", "pain"} {
		if n[why] > 0 {
			out = append(out, many(n[why], "site")+" could not be assessed ("+why+")")
		}
	}
	if k := n["the CEJ is hidden or lost"]; k > 0 {
		out = append(out, "at "+many(k, "site")+" the CEJ is hidden or lost")
	}
	return out
}

func (m *mouth) labelsOf(teeth []*tooth) string {
	ts := make([]chart.Tooth, len(teeth))
	for i, th := range teeth {
		ts[i] = th.t
	}
	return m.labels(ts)
}

func (m *mouth) labels(ts []chart.Tooth) string {
	var l []string
	for _, t := range ts {
		l = append(l, m.label(t))
	}
	return strings.Join(l, ", ")
}

// doubts lists the readings that nobody has settled.
func (m *mouth) doubts() (Finding, bool) {
	if len(m.o.Doubts) == 0 {
		return Finding{}, false
	}
	f := Finding{Code: "chart.doubts", Rule: "CHART", Source: srcChoice, Value: number(float64(len(m.o.Doubts)), 0), Provisional: true}
	ds := slices.Clone(m.o.Doubts)
	slices.SortFunc(ds, func(a, b chart.DoubtAt) int { return int(a.Tooth)*8 + int(a.Site) - int(b.Tooth)*8 - int(b.Site) })
	var places []string
	for _, d := range ds {
		if !d.Tooth.Valid() || d.Site >= chart.NumSites {
			continue
		}
		rec := m.c.Tooth(d.Tooth).Sites[d.Site]
		f.Because = append(f.Because, Evidence{Tooth: d.Tooth, Site: d.Site, Depth: rec.Depth, Recession: rec.Recession, Asked: &Asked{"doubt", string(d.Field)}})
		places = append(places, strings.TrimSpace(m.at(d.Tooth, d.Site)+" "+string(d.Field)))
	}
	f.Text = many(len(ds), "reading") + " in doubt and not settled: " + strings.Join(places, ", ") + "."
	return f, true
}

// markDoubts says with each finding which of the readings that it rests on are in doubt.
func (m *mouth) markDoubts(list []Finding) {
	for i := range list {
		f := &list[i]
		if f.Code == "chart.doubts" {
			continue
		}
		var on []string
		for _, d := range m.o.Doubts {
			if slices.ContainsFunc(f.Because, func(e Evidence) bool { return e.Tooth == d.Tooth && e.Site == d.Site }) {
				if at := m.at(d.Tooth, d.Site); !slices.Contains(on, at) {
					on = append(on, at)
				}
			}
		}
		if len(on) > 0 {
			f.Notes = append(f.Notes, "Rests on a reading that is in doubt: "+strings.Join(on, ", ")+".")
			f.Provisional = true
		}
	}
	for i := range list {
		switch f := &list[i]; f.Code {
		case "periodontitis.case", "periodontitis.stage", "gingiva.status", "surveillance.cdc_aap_2012":
			f.Notes = append(f.Notes, many(len(m.o.Doubts), "reading")+" of this chart in doubt.")
			f.Provisional = true
		}
	}
}
