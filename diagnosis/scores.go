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

// measure is a length whose sites are counted from some limits on.
type measure struct {
	loss     bool   // attachment loss, which only permanent teeth have; else depth
	name     string // for people
	meanName string
	meanCode string
	limits   []limit
}

// limit is a length in mm from which on sites are counted, with the codes of the counts.
type limit struct {
	mm                    int
	sites, percent, teeth string
}

// The limits are common practice, no source.
var (
	depthMeasure = measure{name: "depth", meanName: "depth", meanCode: "depth.mean", limits: []limit{
		{4, "sites.ge4", "sites.ge4_percent", "teeth.ge4"},
		{5, "sites.ge5", "sites.ge5_percent", "teeth.ge5"},
		{6, "sites.ge6", "sites.ge6_percent", "teeth.ge6"},
	}}
	lossMeasure = measure{loss: true, name: "loss of attachment", meanName: "attachment loss", meanCode: "attachment_loss.mean", limits: []limit{
		{3, "attachment_loss.ge3", "attachment_loss.ge3_percent", "attachment_loss.ge3_teeth"},
		{5, "attachment_loss.ge5", "attachment_loss.ge5_percent", "attachment_loss.ge5_teeth"},
	}}
)

// of is the measure at a site: as the limits take it, under 0 if it is not known, and as it was called.
func (k *measure) of(v *site) (whole int, called chart.MM) {
	if k.loss {
		return int(v.loss), v.lossMM
	}
	return int(v.depth), v.rec.Depth
}

func (k *measure) evidence(th *tooth, s chart.Site) Evidence {
	if k.loss {
		return th.siteEvidence(s)
	}
	return th.depthEvidence(s)
}

// measured is a measure over a mouth.
type measured struct {
	recorded, eligible int
	halves             int // sum, half-millimetres
	unsure             bool
	sites, teeth       [3]int // by limit
}

func (m *mouth) measured(k *measure) measured {
	n := measured{unsure: k.loss && m.anyAssumed()}
	for _, th := range m.scored {
		if k.loss && th.t.Primary() {
			continue
		}
		most := -1
		for s := range th.sites {
			n.eligible++
			whole, called := k.of(&th.sites[s])
			if whole < 0 {
				continue
			}
			n.recorded++
			n.halves += called.Half()
			most = max(most, whole)
			for i := range k.limits {
				if whole >= k.limits[i].mm {
					n.sites[i]++
				}
			}
		}
		for i := range k.limits {
			if most >= k.limits[i].mm {
				n.teeth[i]++
			}
		}
	}
	return n
}

// counts gives the numbers and shares of deep sites and the means over recorded sites, as called,
// halves included.
func (m *mouth) counts(out []Finding) []Finding {
	depths, losses := m.measured(&depthMeasure), m.measured(&lossMeasure)
	for i := range depthMeasure.limits {
		out = m.countFrom(out, &depthMeasure, &depths, i)
	}
	for i := range lossMeasure.limits {
		out = m.countFrom(out, &lossMeasure, &losses, i)
	}
	return append(out, depthMeasure.mean(&depths), lossMeasure.mean(&losses))
}

// countFrom gives the sites, their share and the teeth from one of the limits on.
func (m *mouth) countFrom(out []Finding, k *measure, n *measured, at int) []Finding {
	l, partly := &k.limits[at], n.recorded < n.eligible
	c := Finding{Rule: "COUNTS", Source: srcCommon, Recorded: n.recorded, Eligible: n.eligible, Provisional: partly || n.unsure}
	p, t := c, c
	c.Code, p.Code, t.Code = l.sites, l.percent, l.teeth
	c.AtLeast, t.AtLeast = partly, partly
	c.Because = m.collect(func(th *tooth, v *site, _ chart.Site) bool {
		whole, _ := k.of(v)
		return whole >= l.mm && !(k.loss && th.t.Primary())
	}, k.evidence)
	if n.recorded == 0 {
		c.Text = "Not applicable: no " + k.name + " is recorded."
		p.Text, t.Text = c.Text, c.Text
	} else {
		sites, teeth := n.sites[at], n.teeth[at]
		c.Value, p.Value, t.Value = number(float64(sites), 0), number(100*float64(sites)/float64(n.recorded), 1), number(float64(teeth), 0)
		deep := " a " + k.name + " of " + strconv.Itoa(l.mm) + " mm or more."
		of := " of " + strconv.Itoa(n.recorded) + " sites have" + deep
		c.Text, p.Text, t.Text = strconv.Itoa(sites)+of, p.Value.String()+" percent"+of, many(teeth, "tooth")+" with"+deep
	}
	return append(out, c, p, t)
}

// mean is the mean over the recorded sites.
func (k *measure) mean(n *measured) Finding {
	f := Finding{Code: k.meanCode, Rule: "MEANS", Source: srcCommon, Recorded: n.recorded, Eligible: n.eligible, Provisional: n.recorded < n.eligible || n.unsure}
	if n.recorded == 0 {
		f.Text = "Not applicable: no " + k.meanName + " is recorded."
	} else {
		f.Value = number(float64(n.halves)/2/float64(n.recorded), 2)
		f.Text = "Mean " + k.meanName + " " + f.Value.String() + " mm over " + strconv.Itoa(n.recorded) + " recorded sites."
	}
	return f
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
