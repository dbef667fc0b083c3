package diagnosis

import (
	"fmt"
	"strconv"

	"leadsman/chart"
)

// scoresOf counts bleeding, plaque, depths and losses. Denominators are the sites with an answer,
// never all sites; implants are never in them. A score without any answer has no value.
func (m *mouth) scoresOf(out []Finding) []Finding {
	out = append(out,
		m.flagScore("score.bleeding_percent", "FMBS", "bleed", chart.Bleeding),
		m.flagScore("score.plaque_percent", "FMPS", "have plaque, six sites a tooth", chart.Plaque),
	)
	out = append(out, m.oLeary()...)
	out = append(out, m.gingivalBleeding())
	out = m.counts(out)
	return append(out, m.summaries()...)
}

func (m *mouth) flagScore(code, rule, what string, flag chart.Flag) Finding {
	f := Finding{Code: code, Rule: rule, Source: srcCommon, Eligible: m.sitesEligible}
	n, seen := 0, 0
	for _, th := range m.scored {
		for s := range th.sites {
			if th.sites[s].depth >= 0 || th.sites[s].flags[flag].Recorded() {
				seen++
			}
			switch th.sites[s].flags[flag] {
			case chart.NotRecorded:
				continue
			case chart.Yes:
				n++
			}
			f.Recorded++
		}
	}
	f.Because = m.collect(func(_ *tooth, v *site, _ chart.Site) bool { return v.flags[flag] == chart.Yes },
		func(th *tooth, s chart.Site) Evidence {
			return Evidence{Tooth: th.t, Site: s, Flag: flag, Answer: chart.Yes}
		})
	if f.Recorded == 0 {
		f.Text = fmt.Sprintf("Not applicable: no site has an answer on %s.", flag)
	} else {
		f.share(n, seen)
		switch {
		case f.AtLeast:
			f.Text = fmt.Sprintf("%d of %d sites %s (at least %s percent); %d have no answer.", n, seen, what, f.Value, seen-f.Recorded)
		case f.Recorded < f.Eligible:
			f.Text = fmt.Sprintf("%d of %d sites %s (%s percent); %d more have no answer.", n, f.Recorded, what, f.Value, f.Eligible-f.Recorded)
		default:
			f.Text = strconv.Itoa(n) + " of " + strconv.Itoa(f.Recorded) + " sites " + what + " (" + f.Value.String() + " percent)."
		}
	}
	f.Provisional = f.Recorded < f.Eligible
	if flag == chart.Plaque {
		f.Notes = []string{"Six sites a tooth; not to be compared with a score of four surfaces."}
	}
	return f
}

// share makes a percentage of a count. With few answers among what was looked at it is a lower bound: who calls only what is
// there has no denominator until the rest is said to be without.
func (f *Finding) share(n, seen int) {
	of := f.Recorded
	if 100*f.Recorded < completePercent*seen {
		of, f.AtLeast = seen, true
	}
	f.Value = number(100*float64(n)/float64(of), 1)
}

// fourSurfaces turns six sites into the four surfaces of the plaque control record: positive if any
// site of the surface is, unknown if none is and one has no answer.
func (th *tooth) fourSurfaces(flag chart.Flag) [4]chart.YesNo {
	either := func(a, b chart.Site) chart.YesNo {
		x, y := th.sites[a].flags[flag], th.sites[b].flags[flag]
		switch {
		case x == chart.Yes || y == chart.Yes:
			return chart.Yes
		case x == chart.No && y == chart.No:
			return chart.No
		}
		return chart.NotRecorded
	}
	return [4]chart.YesNo{either(chart.MB, chart.ML), th.sites[chart.B].flags[flag], either(chart.DB, chart.DL), th.sites[chart.L].flags[flag]}
}

// oLeary gives the plaque control record in its variants of four and of six surfaces.
// Source: O'Leary et al. 1972 (seen, secondary).
func (m *mouth) oLeary() []Finding {
	four := Finding{Code: "score.plaque_four_percent", Rule: "PCR-4", Source: srcOLeary, Eligible: 4 * len(m.scored)}
	six := Finding{Code: "score.plaque_six_percent", Rule: "PCR-6", Source: srcOLeary, Eligible: 6 * len(m.scored)}
	n4, n6 := 0, 0
	for _, th := range m.scored {
		for _, a := range th.fourSurfaces(chart.Plaque) {
			if a.Recorded() {
				four.Recorded++
			}
			if a == chart.Yes {
				n4++
			}
		}
		for s := range th.sites {
			switch th.sites[s].flags[chart.Plaque] {
			case chart.Yes:
				n6++
				six.Recorded++
			case chart.No:
				six.Recorded++
			}
		}
	}
	fill := func(f *Finding, n int, variant string) {
		if f.Recorded == 0 {
			f.Text = "Not applicable: no surface has an answer on plaque."
		} else {
			f.share(n, f.Eligible)
			target := "not met"
			switch p, _ := f.Value.Float(); {
			case p >= oLearyTargetPercent:
			case f.AtLeast:
				target = "not decided, many surfaces have no answer"
			default:
				target = "met"
			}
			text := "Plaque on " + strconv.Itoa(n) + " of "
			if f.AtLeast {
				text += fmt.Sprintf("%d surfaces (at least %s percent; %d have no answer), ", f.Eligible, f.Value, f.Eligible-f.Recorded)
			} else {
				text += strconv.Itoa(f.Recorded) + " surfaces with an answer (" + f.Value.String() + " percent), "
			}
			f.Text = text + variant + " surfaces a tooth; teaching target of under 10 percent " + target + "."
		}
		f.Provisional = f.Recorded < f.Eligible
	}
	fill(&four, n4, "four")
	fill(&six, n6, "six")
	return []Finding{four, six}
}

// gingivalBleeding is the gingival bleeding index, from its own field: the probe runs along the
// sulcus, four areas a tooth; blood within ten seconds is positive.
// Source: Ainamo and Bay 1975 (seen, secondary).
func (m *mouth) gingivalBleeding() Finding {
	f := Finding{Code: "score.gingival_bleeding_percent", Rule: "GBI", Source: srcGBI, Eligible: 4 * len(m.scored)}
	n := 0
	for _, th := range m.scored {
		g := th.asked.GingivalBleed
		if g == nil {
			continue
		}
		for _, a := range [...]*bool{g.B, g.L, g.M, g.D} {
			if known(a) {
				f.Recorded++
			}
			if yes(a) {
				n++
			}
		}
	}
	if f.Recorded == 0 {
		f.Text = "Not applicable: the gingival bleeding index was not taken."
		f.Eligible = 0
		return f
	}
	p := 100 * float64(n) / float64(f.Recorded)
	f.Value = number(p, 1)
	f.Text = fmt.Sprintf("%d of %d gingival areas bleed (%.1f percent).", n, f.Recorded, rounded(p, 1))
	f.Provisional = f.Recorded < f.Eligible
	return f
}

// gingivalBleedingPositive reports whether blood after so many seconds counts for the gingival
// bleeding index. Source: Ainamo and Bay 1975 (seen, secondary).
func gingivalBleedingPositive(seconds float64) bool { return seconds <= gingivalBleedingSeconds }

// countedDepths and countedLosses are the limits of the counts. Common practice, no source.
var (
	countedDepths = [...]int{4, 5, 6}
	countedLosses = [...]int{3, 5}
)

var countCodes = [...]struct{ sites, percent, teeth string }{
	{"sites.ge4", "sites.ge4_percent", "teeth.ge4"},
	{"sites.ge5", "sites.ge5_percent", "teeth.ge5"},
	{"sites.ge6", "sites.ge6_percent", "teeth.ge6"},
}

var lossCodes = [...]struct{ sites, percent, teeth string }{
	{"attachment_loss.ge3", "attachment_loss.ge3_percent", "attachment_loss.ge3_teeth"},
	{"attachment_loss.ge5", "attachment_loss.ge5_percent", "attachment_loss.ge5_teeth"},
}

// counts gives the numbers and shares of deep sites and the means over recorded sites, as called,
// halves included.
func (m *mouth) counts(out []Finding) []Finding {
	var nd [len(countedDepths)]int
	var td [len(countedDepths)]int
	var nl [len(countedLosses)]int
	var tl [len(countedLosses)]int
	depths, losses, depthHalves, lossHalves, lossEligible := 0, 0, 0, 0, 0
	for _, th := range m.scored {
		var anyD [len(countedDepths)]bool
		var anyL [len(countedLosses)]bool
		for s := range th.sites {
			v := &th.sites[s]
			if v.depth >= 0 {
				depths++
				depthHalves += v.rec.Depth.Half()
				for i, d := range countedDepths {
					if int(v.depth) >= d {
						nd[i]++
						anyD[i] = true
					}
				}
			}
			if th.t.Primary() {
				continue
			}
			lossEligible++
			if v.loss >= 0 {
				losses++
				lossHalves += v.lossMM.Half()
				for i, d := range countedLosses {
					if int(v.loss) >= d {
						nl[i]++
						anyL[i] = true
					}
				}
			}
		}
		for i := range anyD {
			if anyD[i] {
				td[i]++
			}
		}
		for i := range anyL {
			if anyL[i] {
				tl[i]++
			}
		}
	}
	assumed := m.anyAssumed()
	group := func(codes struct{ sites, percent, teeth string }, what string, limit, sites, teeth, recorded, eligible int, because []Evidence) {
		base := Finding{Rule: "COUNTS", Source: srcCommon, Recorded: recorded, Eligible: eligible, Provisional: recorded < eligible}
		c, p, t := base, base, base
		if what != "depth" && assumed {
			c.Provisional, p.Provisional, t.Provisional = true, true, true
		}
		c.Code, p.Code, t.Code = codes.sites, codes.percent, codes.teeth
		c.Because = because
		c.AtLeast, t.AtLeast = base.Provisional, base.Provisional
		if recorded == 0 {
			c.Text = "Not applicable: no " + what + " is recorded."
			p.Text, t.Text = c.Text, c.Text
		} else {
			share := 100 * float64(sites) / float64(recorded)
			c.Value, p.Value, t.Value = number(float64(sites), 0), number(share, 1), number(float64(teeth), 0)
			deep := " a " + what + " of " + strconv.Itoa(limit) + " mm or more."
			of := " of " + strconv.Itoa(recorded) + " sites have" + deep
			c.Text, p.Text, t.Text = strconv.Itoa(sites)+of, p.Value.String()+" percent"+of, many(teeth, "tooth")+" with"+deep
		}
		out = append(out, c, p, t)
	}
	for i, d := range countedDepths {
		group(countCodes[i], "depth", d, nd[i], td[i], depths, m.sitesEligible,
			m.collect(func(_ *tooth, v *site, _ chart.Site) bool { return int(v.depth) >= d }, (*tooth).depthEvidence))
	}
	for i, d := range countedLosses {
		group(lossCodes[i], "loss of attachment", d, nl[i], tl[i], losses, lossEligible,
			m.collect(func(th *tooth, v *site, _ chart.Site) bool { return !th.t.Primary() && int(v.loss) >= d }, (*tooth).siteEvidence))
	}
	mean := func(code, what string, halves, n, eligible int) {
		f := Finding{Code: code, Rule: "MEANS", Source: srcCommon, Recorded: n, Eligible: eligible, Provisional: n < eligible || assumed && code != "depth.mean"}
		if n == 0 {
			f.Text = "Not applicable: no " + what + " is recorded."
		} else {
			f.Value = number(float64(halves)/2/float64(n), 2)
			f.Text = "Mean " + what + " " + f.Value.String() + " mm over " + strconv.Itoa(n) + " recorded sites."
		}
		out = append(out, f)
	}
	mean("depth.mean", "depth", depthHalves, depths, m.sitesEligible)
	mean("attachment_loss.mean", "attachment loss", lossHalves, losses, lossEligible)
	return out
}

// summaries gives suppuration, mobility and furcation at a glance.
func (m *mouth) summaries() []Finding {
	pus := Finding{Code: "sites.suppuration", Rule: "COUNTS", Source: srcCommon, Eligible: m.sitesEligible}
	mob := Finding{Code: "mobility.max", Rule: "MOBILITY", Source: srcMobility}
	fur := Finding{Code: "furcation.max", Rule: "FURCATION", Source: srcFurcation}
	most, worst := -1, -1
	for _, th := range m.scored {
		for s := range th.sites {
			switch th.sites[s].flags[chart.Suppuration] {
			case chart.NotRecorded:
				continue
			case chart.Yes:
				pus.Because = append(pus.Because, Evidence{Tooth: th.t, Site: chart.Site(s), Flag: chart.Suppuration, Answer: chart.Yes})
			}
			pus.Recorded++
		}
		if g := th.rec.Mobility; g.Recorded() {
			most = max(most, g.Value())
			if g.Value() > 0 {
				mob.Because = append(mob.Because, Evidence{Tooth: th.t, Site: chart.NumSites, Mobility: g})
			}
		}
		for e, g := range th.rec.Furcation {
			if g.Recorded() {
				worst = max(worst, g.Value())
				if g.Value() > 0 {
					fur.Because = append(fur.Because, Evidence{Tooth: th.t, Site: chart.NumSites, Furcation: g, Entrance: chart.Entrance(e)})
				}
			}
		}
		m.askThrough(&fur, th)
	}
	if pus.Recorded == 0 {
		pus.Text = "Not applicable: no site has an answer on suppuration."
	} else {
		pus.Value = number(float64(len(pus.Because)), 0)
		pus.Text = fmt.Sprintf("Suppuration at %d of %d sites.", len(pus.Because), pus.Recorded)
	}
	pus.Provisional = pus.Recorded < pus.Eligible
	pus.AtLeast = pus.Recorded > 0 && pus.Provisional
	mob.Text, fur.Text = "No mobility is recorded.", "No furcation is recorded."
	if most >= 0 {
		mob.Value = number(float64(most), 0)
		mob.Text = fmt.Sprintf("Greatest mobility: grade %d; %s mobile.", most, many(len(mob.Because), "tooth"))
	}
	if worst >= 0 {
		fur.Value = number(float64(worst), 0)
		fur.Text = fmt.Sprintf("Greatest furcation: grade %d; %s involved.", worst, many(len(fur.Because), "entrance"))
	}
	return []Finding{pus, mob, fur}
}

// askThrough asks for the partner of a through-and-through furcation: it needs two entrances.
func (m *mouth) askThrough(f *Finding, th *tooth) {
	n := 0
	for _, g := range th.rec.Furcation {
		if g.Recorded() && g.Value() == chart.MaxFurcation {
			n++
		}
	}
	if n == 1 {
		f.Missing = append(f.Missing, Missing{Input: "furcation", Teeth: []chart.Tooth{th.t}, Question: "A furcation through and through needs two entrances: which is the other?"})
		f.Provisional = true
	}
}

// hamp gives the furcation grade from the horizontal loss in mm: 1 under 3 mm, 2 from 3 mm, 3 through
// and through. Source: Hamp et al. 1975 (seen, secondary); exactly 3 mm an engineering choice.
func hamp(horizontal float64, through bool) int {
	switch {
	case through:
		return 3
	case horizontal >= hampII:
		return 2
	}
	return 1
}

// glickman gives Glickman's furcation class, 1 to 4, which is not convertible to Hamp's grade: 1 no
// horizontal loss, 2 partial, 3 through and through, 4 through and visible after recession.
// Source: Glickman 1953 as tabulated in BMC Oral Health 2015;15(S1):S5, table 5 (seen).
func glickman(horizontal float64, through, visible bool) int {
	switch {
	case through && visible:
		return 4
	case through:
		return 3
	case horizontal > 0:
		return 2
	}
	return 1
}

// mobilityGrade gives the grade that a movement is taught to have. Readings are stored as called;
// nothing derives them. Source: Miller 1950, modified (from memory); exactly 1 mm differs by text.
func mobilityGrade(horizontal float64, vertical, beyondNatural bool) int {
	switch {
	case vertical:
		return 3
	case horizontal > mobilityII:
		return 2
	case beyondNatural || horizontal > 0:
		return 1
	}
	return 0
}
