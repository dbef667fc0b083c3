package diagnosis

import (
	"fmt"

	"leadsman/chart"
)

// ToothPrognosis sets what published systems look at beside a tooth. It gives no prognosis: that is the clinician's word, kept in
// ToothInputs.Prognosis.
type ToothPrognosis struct {
	Tooth   chart.Tooth  `json:"tooth"`
	Chosen  string       `json:"chosen"` // by the clinician; "" not yet
	Because []Evidence   `json:"because"`
	Systems []Prognostic `json:"systems"`
}

// Prognostic is what one system makes of the readings that are known.
type Prognostic struct {
	System string   `json:"system"`
	Speaks string   `json:"speaks"`          // the class that the worst criterion met speaks for, or the score; "" none
	Score  *int     `json:"score,omitempty"` // of a scoring system
	Why    []string `json:"why"`             // criteria met, in words
	Open   []string `json:"open"`            // criteria that cannot be read from a chart, to be looked at
	Source string   `json:"source"`
}

// Prognoses lists the natural teeth with anything that a system counts against them, worst first is for the reader to decide: they come
// by number.
//
// McGuire and Nunn 1996, J Periodontol 67:658-665: classes by loss of support, furcation and mobility. Kwok and Caton 2007, J
// Periodontol 78:2063-2071: whether local and systemic factors can be controlled; no numbers. Miller et al. 2014, J Periodontol
// 85:214-225: points for molars. All from memory: criteria and points are to be verified before they are relied on.
func Prognoses(c *chart.Chart, o Options) []ToothPrognosis {
	m := newMouth(c, &o)
	defer m.release()
	out := []ToothPrognosis{}
	for _, th := range m.classed {
		p := ToothPrognosis{Tooth: th.t, Chosen: th.asked.Prognosis, Because: []Evidence{}}
		deepest := chart.NumSites
		for s := range th.sites {
			if v := &th.sites[s]; v.depth >= 0 && (deepest == chart.NumSites || v.depth > th.sites[deepest].depth) {
				deepest = chart.Site(s)
			}
		}
		if deepest < chart.NumSites && th.sites[deepest].depth >= prognosisDepth {
			p.Because = append(p.Because, th.depthEvidence(deepest))
		}
		if int(th.worst) >= stageLossIII {
			p.Because = append(p.Because, th.siteEvidence(th.worstSite))
		}
		if th.bone >= 0 {
			p.Because = append(p.Because, th.boneEvidence())
		}
		furcation := 0
		for e, g := range th.rec.Furcation {
			if g.Recorded() && g.Value() > 0 {
				furcation = max(furcation, g.Value())
				p.Because = append(p.Because, Evidence{Tooth: th.t, Site: chart.NumSites, Furcation: g, Entrance: chart.Entrance(e)})
			}
		}
		mobility := th.rec.Mobility.Value()
		if mobility > 0 {
			p.Because = append(p.Because, Evidence{Tooth: th.t, Site: chart.NumSites, Mobility: th.rec.Mobility})
		}
		if len(p.Because) == 0 && p.Chosen == "" {
			continue
		}
		depth := -1
		if deepest < chart.NumSites {
			depth = int(th.sites[deepest].depth)
		}
		p.Systems = append(p.Systems, mcGuireNunn(th, furcation, mobility), m.kwokCaton(th, depth, furcation, mobility))
		if th.t.Molar() {
			p.Systems = append(p.Systems, m.miller(depth, furcation, mobility))
		}
		out = append(out, p)
	}
	return out
}

// mcGuireNunn gives the class that the worst criterion speaks for.
func mcGuireNunn(th *tooth, furcation, mobility int) Prognostic {
	p := Prognostic{System: "McGuire and Nunn", Source: "McGuire and Nunn 1996, J Periodontol 67:658-665 (from memory)", Why: []string{},
		Open: []string{"crown-to-root ratio, root form and proximity", "whether the furcation can be kept clean", "control of the cause"}}
	classes := [...]string{"good", "fair", "poor", "questionable"}
	worst := 0
	meets := func(class int, format string, args ...any) {
		worst = max(worst, class)
		p.Why = append(p.Why, fmt.Sprintf("%s: "+format, append([]any{classes[class]}, args...)...))
	}
	switch {
	case th.bone > prognosisBonePoor:
		meets(3, "more than 50 percent of support lost (%s)", decimal(th.bone))
	case th.bone >= prognosisBonePoor:
		meets(2, "50 percent of support lost")
	case th.bone >= prognosisBoneFair:
		meets(1, "25 percent of support or more lost (%s)", decimal(th.bone))
	}
	switch furcation {
	case 3:
		meets(3, "furcation through and through")
	case 2:
		meets(2, "furcation of grade 2")
	case 1:
		meets(1, "furcation of grade 1")
	}
	if mobility >= prognosisMobility {
		meets(3, "mobility of grade %d", mobility)
	}
	if th.bone >= 0 || worst > 0 {
		p.Speaks = classes[worst]
	} else {
		p.Open = append(p.Open, "bone loss of this tooth on a radiograph")
	}
	return p
}

// kwokCaton names the factors that have to be controlled; the system has no numbers.
func (m *mouth) kwokCaton(th *tooth, depth, furcation, mobility int) Prognostic {
	p := Prognostic{System: "Kwok and Caton", Source: "Kwok and Caton 2007, J Periodontol 78:2063-2071 (from memory)", Why: []string{},
		Open: []string{"favourable if local and systemic factors can be controlled, questionable if that is not sure, unfavourable if they cannot be, hopeless if the tooth has to go"}}
	add := func(when bool, what string) {
		if when {
			p.Why = append(p.Why, what)
		}
	}
	add(depth >= endpointDepth, "local: deep pocket")
	add(furcation > 0, "local: furcation")
	add(mobility > 0, "local: mobility, trauma from occlusion to be looked at")
	add(th.open || furcation > 0 && th.bone < 0, "local: support not fully known")
	add(m.p.CigarettesPerDay != nil && *m.p.CigarettesPerDay > 0 || m.p.SmokingStatus == "current", "systemic: smoking")
	add(yes(m.p.Diabetes), "systemic: diabetes")
	add(yes(m.p.SystemicFactor), "systemic: another factor")
	return p
}

// miller adds up the points of a molar.
func (m *mouth) miller(depth, furcation, mobility int) Prognostic {
	p := Prognostic{System: "Miller, molars", Source: "Miller et al. 2014, J Periodontol 85:214-225 (points from memory, to be verified)", Why: []string{}, Open: []string{"points for the kind of molar are not counted"}}
	score := 0
	points := func(n int, what string) {
		if n > 0 {
			score += n
			p.Why = append(p.Why, fmt.Sprintf("%d for %s", n, what))
		}
	}
	age := 0
	switch a := m.p.Age; {
	case a == nil:
		p.Open = append(p.Open, "age")
	case *a > millerAge:
		age = 1
	}
	points(age, "age over 40")
	d := 0
	switch {
	case depth > millerDepth3:
		d = 3
	case depth >= millerDepth2:
		d = 2
	case depth >= millerDepth1:
		d = 1
	}
	points(d, fmt.Sprintf("a depth of %d mm", depth))
	points(mobility, fmt.Sprintf("mobility of grade %d", mobility))
	points(furcation, fmt.Sprintf("furcation of grade %d", furcation))
	smokes := m.p.CigarettesPerDay != nil && *m.p.CigarettesPerDay > 0 || m.p.SmokingStatus == "current"
	if smokes {
		points(millerSmoking, "smoking")
	} else if m.p.CigarettesPerDay == nil && m.p.SmokingStatus == "" {
		p.Open = append(p.Open, "smoking")
	}
	if yes(m.p.Diabetes) {
		points(1, "diabetes")
	} else if m.p.Diabetes == nil {
		p.Open = append(p.Open, "diabetes")
	}
	p.Score = &score
	p.Speaks = many(score, "point")
	return p
}
