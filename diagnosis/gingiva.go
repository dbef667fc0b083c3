package diagnosis

import (
	"fmt"

	"leadsman/chart"
)

// tally is what the answers about health rest on.
type tally struct {
	bleeding, answered int // sites that bleed, of sites with an answer
	eligible           int
	deepBleeding       *Evidence // a site of 4 mm or more that bleeds
	deepUnknown        bool      // a site of 4 mm or more without an answer
	deepest            *Evidence // the deepest site
	bleeders           []Evidence
	loss               answer
	lossAt             *Evidence
}

func (m *mouth) tally() tally {
	t := tally{eligible: m.sitesEligible}
	openLoss := false
	for _, th := range m.scored {
		for s := range th.sites {
			v := &th.sites[s]
			if v.depth >= 0 && (t.deepest == nil || v.rec.Depth.Half() > t.deepest.Depth.Half()) {
				e := th.depthEvidence(chart.Site(s))
				t.deepest = &e
			}
			if !m.ruledOut(th, v) && !th.t.Primary() {
				switch {
				case v.loss < 0:
					openLoss = true
				case int(v.loss) >= m.o.detectable() && t.lossAt == nil:
					e := th.siteEvidence(chart.Site(s))
					t.loss, t.lossAt = isYes, &e
				}
			}
			switch v.flags[chart.Bleeding] {
			case chart.NotRecorded:
				if v.depth >= stableBleedingDepth {
					t.deepUnknown = true
				}
				continue
			case chart.Yes:
				t.bleeding++
				if v.depth >= stableBleedingDepth && (t.deepBleeding == nil || v.depth > int8(t.deepBleeding.Depth.Whole())) {
					e := th.flagEvidence(chart.Site(s), chart.Bleeding)
					t.deepBleeding = &e
				}
			}
			t.answered++
		}
	}
	t.bleeders = m.collect(func(_ *tooth, v *site, _ chart.Site) bool { return v.flags[chart.Bleeding] == chart.Yes },
		func(th *tooth, s chart.Site) Evidence { return th.flagEvidence(s, chart.Bleeding) })
	bone, ok := m.p.BoneLossPercent, m.p.BoneLossPercent != nil
	switch {
	case t.loss == isYes:
	case ok && *bone > 0 || yes(m.p.BoneLossMiddleThird):
		t.loss = isYes
	case !openLoss:
		t.loss = isNo
	}
	return t
}

// bleedingWord is the split of gingivitis: localized from 10 to 30 percent, generalized over 30.
func bleedingWord(bleeding, of int) string {
	switch {
	case 100*bleeding > gingivitisGeneralizedPercent*of:
		return "gingivitis-generalized"
	case 100*bleeding >= gingivitisPercent*of:
		return "gingivitis-localized"
	}
	return "health"
}

// gingival is the state of the gingiva on its way.
type gingival struct {
	*mouth
	f      Finding
	t      *tally
	is     answer // a case of periodontitis
	enough bool   // so many sites have a depth and an answer on bleeding that health can be said
}

// gingivaOf gives the state of the gingiva on an intact, a reduced or a treated periodontium, the
// kind of periodontium, and in periodontitis patients the British words for it.
// Source: Chapple et al. 2018, doi:10.1002/JPER.17-0719; Trombelli et al. 2018,
// doi:10.1002/JPER.17-0576 (seen, secondary).
func (m *mouth) gingivaOf(cr *caseResult, t *tally) []Finding {
	g := gingival{mouth: m, t: t, is: cr.answer, f: Finding{Code: "gingiva.status", Rule: "GINGIVA", Source: srcGingiva, Value: word("indeterminate"),
		Recorded: min(t.answered, m.depthsRecorded), Eligible: t.eligible}}
	f := &g.f
	g.enough = t.eligible > 0 && 100*f.Recorded >= completePercent*t.eligible
	patient := g.is == isYes
	switch {
	case len(m.scored) == 0:
		f.Text = "Not applicable: there is no natural tooth."
	case m.depthsRecorded == 0:
		f.Text = "Not determinable: no depth is recorded."
		f.Missing = append(f.Missing, Missing{Input: "depth", CouldBe: []string{"health", "gingivitis-localized", "gingivitis-generalized", "stable", "not-stable"}, Question: "The mouth was not probed."})
	case patient:
		g.inPeriodontitis()
	default:
		g.withoutPeriodontitis()
	}
	f.Provisional = f.Provisional || f.AtLeast || f.Value.String() == "indeterminate" || f.open()
	m.assumed(f, !patient && f.Value.String() != "indeterminate" && m.anyAssumed())
	out := []Finding{*f, m.periodontium(g.is, t)}
	if patient {
		out = append(out, m.patientStatus(t, f))
	}
	return out
}

// inPeriodontitis judges a periodontitis patient; the first that holds counts.
func (g *gingival) inPeriodontitis() {
	f, t := &g.f, g.t
	switch {
	case t.deepBleeding != nil:
		f.Value, f.Because = word("not-stable"), []Evidence{*t.deepBleeding}
		f.Text = fmt.Sprintf("Not stable: depth of %s mm with bleeding at %s in a periodontitis patient.", t.deepBleeding.Depth, g.at(t.deepBleeding.Tooth, t.deepBleeding.Site))
	case g.deepestHalf > 2*stableDepth:
		f.Value, f.Because = word("not-stable"), []Evidence{*t.deepest}
		f.Text = fmt.Sprintf("Not stable: depth of %s mm at %s in a periodontitis patient.", t.deepest.Depth, g.at(t.deepest.Tooth, t.deepest.Site))
	case t.answered == 0:
		g.noAnswer()
	case t.deepUnknown:
		f.Text = "Not determinable: a site of 4 mm has no answer on bleeding."
		f.Missing = append(f.Missing, g.bleedingMissing("stable", "not-stable"))
	default:
		g.byBleeding("stable", " in a periodontitis patient")
	}
}

// withoutPeriodontitis judges a mouth that is no case of periodontitis, or may be none; the first that holds counts.
func (g *gingival) withoutPeriodontitis() {
	f, t := &g.f, g.t
	switch {
	case t.answered == 0:
		g.noAnswer()
	case g.deepestHalf > 2*healthDepth:
		at := g.at(t.deepest.Tooth, t.deepest.Site)
		if g.is == unsure || t.loss == unsure {
			f.Text = fmt.Sprintf("Not determinable: depth of %s mm at %s, and attachment loss is unknown.", t.deepest.Depth, at)
		} else {
			f.Text = fmt.Sprintf("Not health, and not to be named by the rule: depth of %s mm at %s without periodontitis. A pseudo-pocket?", t.deepest.Depth, at)
		}
		f.Because = []Evidence{*t.deepest}
		f.Missing = append(f.Missing, Missing{Input: "recession", CouldBe: []string{"gingivitis-localized", "gingivitis-generalized", "not-stable"},
			Question: "A depth of 4 mm or more without known loss: a pseudo-pocket, or was the margin not recorded?"})
	case g.is == unsure && g.enough && bleedingWord(t.bleeding, t.answered) == "health":
		f.Text = fmt.Sprintf("Health or a stable treated periodontium: %s, no site over %s mm, but attachment loss is unknown.", t.bleedingText(), t.deepest.Depth)
		f.Missing = append(f.Missing, g.lossMissing("health", "stable"))
	case g.is == unsure:
		g.byBleeding("health", ", whether on an intact or a reduced periodontium is unknown")
	case t.loss == isNo:
		g.byBleeding("health", " on an intact periodontium")
	default:
		if g.p.HistoryOfPeriodontitis == nil {
			f.Missing = append(f.Missing, Missing{Input: "history_of_periodontitis", CouldBe: []string{"health", "stable"}, Question: "Was periodontitis ever diagnosed?"})
		}
		if t.loss == unsure {
			g.byBleeding("health", "; whether the periodontium is reduced is unknown")
		} else {
			g.byBleeding("health", " on a reduced periodontium, without periodontitis")
		}
	}
}

func (g *gingival) noAnswer() {
	g.f.Text = "Not determinable: no answer on bleeding is recorded; that is not the same as no bleeding."
	g.f.Missing = append(g.f.Missing, g.bleedingMissing("health", "gingivitis-localized", "gingivitis-generalized"))
}

// byBleeding fills in health or gingivitis by bleeding; healthy is the word for health, on says of what periodontium.
func (g *gingival) byBleeding(healthy, on string) {
	f, t := &g.f, g.t
	w := bleedingWord(t.bleeding, t.answered)
	switch {
	case !g.enough && 100*t.bleeding >= gingivitisPercent*t.eligible:
		w = bleedingWord(t.bleeding, t.eligible)
		f.Value, f.AtLeast, f.Because = word(w), true, t.bleeders
		f.Text = fmt.Sprintf("%s at least: %d of %d eligible sites bleed, and many have no answer.", gingivitisWords[w], t.bleeding, t.eligible)
	case !g.enough:
		f.Text = fmt.Sprintf("Not determinable: only %d of %d sites have a depth and an answer on bleeding.", f.Recorded, t.eligible)
		f.Missing = append(f.Missing, g.bleedingMissing(healthy, "gingivitis-localized", "gingivitis-generalized"))
	case w == "health":
		f.Value, f.Because = word(healthy), t.bleeders
		f.Text = fmt.Sprintf("%s: %s, no site over %s mm%s.", capital(healthy), t.bleedingText(), t.deepest.Depth, on)
	default:
		f.Value, f.Because = word(w), t.bleeders
		f.Text = fmt.Sprintf("%s: %s%s.", gingivitisWords[w], t.bleedingText(), on)
	}
	if g.enough && f.Recorded < t.eligible {
		f.Missing = append(f.Missing, g.bleedingMissing(f.Value.String()))
		f.Provisional = true
	}
}

// bleedingText counts the sites that bleed, for people.
func (t *tally) bleedingText() string {
	percent := 100 * float64(t.bleeding) / float64(max(t.answered, 1))
	return fmt.Sprintf("%d of %d sites bleed (%.1f percent)", t.bleeding, t.answered, rounded(percent, 1))
}

// periodontium says of which kind it is.
func (m *mouth) periodontium(is answer, t *tally) Finding {
	kind, text := "indeterminate", "Whether the periodontium is intact, reduced or treated cannot be said."
	switch {
	case len(m.scored) == 0:
		text = "Not applicable: there is no natural tooth."
	case is == isYes && m.treated():
		kind, text = "treated-periodontitis", "A periodontitis patient: the periodontium is judged as a treated one."
	case is == isYes:
		kind, text = "periodontitis", "Periodontitis, and no therapy is recorded. \"Stable\" and \"not stable\" are words for treated patients: here they only say whether their limits are kept."
	case is == unsure || t.loss == unsure:
	case t.loss == isYes:
		kind, text = "reduced", "Attachment or bone loss without periodontitis: a reduced periodontium."
	default:
		kind, text = "intact", "No attachment loss: an intact periodontium."
	}
	f := Finding{Code: "gingiva.periodontium", Rule: "GINGIVA", Source: srcGingiva, Value: word(kind), Text: text, Provisional: kind == "indeterminate"}
	if t.lossAt != nil {
		f.Because = []Evidence{*t.lossAt}
	}
	return f
}

// treated reports whether anything says that periodontitis was treated: the end of therapy, or a diagnosis at an exam before.
func (m *mouth) treated() bool {
	return m.p.TherapyFinished != "" || yes(m.p.HistoryOfPeriodontitis) || m.p.EarlierStage != ""
}

// patientStatus gives the British words, stable, remission, unstable, as sure as the gingival status is.
func (m *mouth) patientStatus(t *tally, gingiva *Finding) Finding {
	f := Finding{Code: "periodontitis.status", Rule: "STATUS", Source: srcStatusWords, Value: word("indeterminate"), Provisional: true,
		Text: "Stable, in remission or unstable: not determinable."}
	switch gingiva.Value.String() {
	case "stable":
		f.Value, f.Text, f.Provisional = word("stable"), "Stable: under 10 percent bleeding, no depth over 4 mm, none of 4 mm bleeds.", gingiva.Provisional
	case "gingivitis-localized", "gingivitis-generalized":
		f.Value, f.Text, f.Provisional = word("remission"), "In remission: 10 percent bleeding or more, no depth over 4 mm, none of 4 mm bleeds.", gingiva.Provisional
	case "not-stable":
		f.Value, f.Text, f.Provisional = word("unstable"), "Unstable: a depth over 4 mm, or of 4 mm with bleeding.", false
		if t.deepBleeding != nil {
			f.Because = []Evidence{*t.deepBleeding}
		} else if t.deepest != nil {
			f.Because = []Evidence{*t.deepest}
		}
	}
	return f
}

func (m *mouth) bleedingMissing(couldBe ...string) Missing {
	return Missing{Input: "depth,bleeding", CouldBe: couldBe, Question: "These sites lack a depth or an answer on bleeding.",
		Sites: openSites(m.scored, func(th *tooth, s chart.Site) bool {
			v := &th.sites[s]
			return v.depth < 0 || !v.flags[chart.Bleeding].Recorded()
		})}
}

// endpointOf says whether the end point of active therapy is met: no site over 4 mm that bleeds and
// none of 6 mm or more.
// Source: Sanz et al. 2020, doi:10.1111/jcpe.13290 (from memory).
func (m *mouth) endpointOf() Finding {
	f := Finding{Code: "endpoint.reached", Rule: "ENDPOINT", Source: srcEndpoint, Value: word("indeterminate"),
		Recorded: m.depthsRecorded, Eligible: m.sitesEligible}
	var unknown []chart.SiteRef
	for _, th := range m.scored {
		for s := range th.sites {
			v := &th.sites[s]
			switch {
			case pastEndpoint(v):
			case v.half > 2*endpointDry && !v.flags[chart.Bleeding].Recorded():
				unknown = append(unknown, chart.SiteRef{Tooth: th.t, Site: chart.Site(s)})
			}
		}
	}
	f.Because = m.collect(func(_ *tooth, v *site, _ chart.Site) bool { return pastEndpoint(v) },
		func(th *tooth, s chart.Site) Evidence { return th.flagEvidence(s, chart.Bleeding) })
	switch {
	case len(m.scored) == 0:
		f.Text = "Not applicable: there is no natural tooth."
	case len(f.Because) > 0:
		f.Value, f.Text = word("not-met"), fmt.Sprintf("The end point of therapy is not met at %s: over 4 mm with bleeding, or 6 mm and more.", many(len(f.Because), "site"))
		return f
	case len(unknown) > 0:
		f.Text = "Not determinable: a site over 4 mm has no answer on bleeding."
		f.Missing = append(f.Missing, Missing{Input: "bleeding", Sites: unknown, CouldBe: []string{"met", "not-met"}, Question: "Do these sites bleed?"})
	case 100*f.Recorded < completePercent*f.Eligible:
		f.Text = fmt.Sprintf("Not determinable: only %d of %d sites were probed.", f.Recorded, f.Eligible)
		f.Missing = append(f.Missing, Missing{Input: "depth", CouldBe: []string{"met", "not-met"}, Question: "These sites were not probed.",
			Sites: openSites(m.scored, func(th *tooth, s chart.Site) bool { return th.sites[s].depth < 0 })})
	default:
		f.Value, f.Text = word("met"), "The end point of therapy is met: no site over 4 mm bleeds and none has 6 mm or more."
		if f.Provisional = f.Recorded < f.Eligible; f.Provisional {
			f.Missing = append(f.Missing, Missing{Input: "depth", CouldBe: []string{"met", "not-met"}, Question: "These sites have no depth.",
				Sites: openSites(m.scored, func(th *tooth, s chart.Site) bool { return th.sites[s].depth < 0 })})
		}
		return f
	}
	f.Provisional = true
	return f
}

// pastEndpoint reports whether a site by itself fails the end point.
func pastEndpoint(v *site) bool {
	return v.depth >= endpointDepth || v.half > 2*endpointDry && v.flags[chart.Bleeding] == chart.Yes
}

// gingivitisWords name gingivitis for people.
var gingivitisWords = map[string]string{"gingivitis-localized": "Localized gingivitis", "gingivitis-generalized": "Generalized gingivitis"}
