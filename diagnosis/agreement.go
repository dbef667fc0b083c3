package diagnosis

import (
	"fmt"
	"math"
	"slices"

	"leadsman/chart"
)

// Agreement compares two exams of one mouth by two examiners, or by one twice.
type Agreement struct {
	Depth     []AgreementGroup `json:"depth"`
	Recession []AgreementGroup `json:"recession"`
	Loss      []AgreementGroup `json:"attachmentLoss"`
	Flags     []FlagAgreement  `json:"flags"`
	Differ    []Difference     `json:"differ"`   // sites whose depth or recession differs by 2 mm or more
	Unpaired  int              `json:"unpaired"` // sites with a depth in one exam only
	Notes     []string         `json:"notes"`
}

// AgreementGroup is the agreement on one reading over one kind of site. Statistics that the numbers
// do not allow (too few sites, no variation) are nil; a note says so.
type AgreementGroup struct {
	Group     string   `json:"group"` // all, interdental, mid, buccal, lingual, anterior, premolar, molar
	Sites     int      `json:"sites"`
	Exact     *float64 `json:"exactPercent"`
	Within1   *float64 `json:"within1Percent"`
	KappaLin  *float64 `json:"kappaLinear"`
	KappaQuad *float64 `json:"kappaQuadratic"`
	ICC       *float64 `json:"icc21"`
	Bias      *float64 `json:"bias"` // mean of second less first, mm
	SD        *float64 `json:"sd"`
	Low       *float64 `json:"low"` // Bland-Altman limits of agreement, mm
	High      *float64 `json:"high"`
}

// FlagAgreement is the agreement on a yes/no finding over all sites.
type FlagAgreement struct {
	Flag  string   `json:"flag"`
	Sites int      `json:"sites"`
	Exact *float64 `json:"exactPercent"`
	Kappa *float64 `json:"kappa"`
}

// Difference is a site on which the two exams differ by 2 mm or more.
type Difference struct {
	chart.SiteRef
	Reading string   `json:"reading"` // depth or recession
	First   chart.MM `json:"first"`
	Second  chart.MM `json:"second"`
}

// iccSites is how many sites an ICC takes: over fewer it tells how far the sites differ, by chance, rather than how far
// the examiners agree, and can be far below zero. Engineering choice, no source.
const iccSites = 10

// differMM is the difference that is listed: beyond the 1 mm within which examiners usually repeat.
const differMM = changeMM

var siteGroups = [...]struct {
	name string
	in   func(chart.Tooth, chart.Site) bool
}{
	{"all", func(chart.Tooth, chart.Site) bool { return true }},
	{"interdental", func(_ chart.Tooth, s chart.Site) bool { return s.Interdental() }},
	{"mid", func(_ chart.Tooth, s chart.Site) bool { return !s.Interdental() }},
	{"buccal", func(_ chart.Tooth, s chart.Site) bool { return s.Aspect() == chart.Buccal }},
	{"lingual", func(_ chart.Tooth, s chart.Site) bool { return s.Aspect() == chart.Lingual }},
	{"anterior", func(t chart.Tooth, _ chart.Site) bool { return t.Position() <= 3 }},
	{"premolar", func(t chart.Tooth, _ chart.Site) bool {
		return !t.Primary() && (t.Position() == 4 || t.Position() == 5)
	}},
	{"molar", func(t chart.Tooth, _ chart.Site) bool { return t.Molar() }},
}

// Agree pairs the readings of two exams of one mouth, natural teeth and implants, and states how
// far they agree: exact and within 1 mm, weighted kappa (weights by millimetres), ICC(2,1) (two-way
// random effects, absolute agreement, single rater: Shrout and Fleiss 1979,
// doi:10.1037/0033-2909.86.2.420) and limits of agreement (Bland and Altman 1986,
// doi:10.1016/S0140-6736(86)90837-8). Sources from memory; checked against reference libraries.
func Agree(first, second *chart.Chart, o Options) Agreement {
	a, b := newMouth(first, &o), newMouth(second, &o)
	var ps paired
	for i := range b.teeth {
		y := &b.teeth[i]
		if x := a.find(y.t); x != nil && x.stand != gone && y.stand != gone {
			for s := range y.sites {
				ps.add(chart.SiteRef{Tooth: y.t, Site: chart.Site(s)}, &x.sites[s], &y.sites[s])
			}
		}
	}
	out := Agreement{Depth: groups(ps.depth), Recession: groups(ps.recession), Loss: groups(ps.loss),
		Flags: ps.flagAgreements(), Differ: list(ps.differ), Unpaired: ps.unpaired}
	note := func(when bool, text string) {
		if when {
			out.Notes = append(out.Notes, text)
		}
	}
	few := func(g AgreementGroup) bool { return g.Sites < iccSites }
	note(slices.ContainsFunc(slices.Concat(out.Depth, out.Recession, out.Loss), few),
		fmt.Sprintf("ICC is left out for fewer than %d sites: it would tell how far these few differ, not how far the examiners agree.", iccSites))
	note(a.n != b.n, "The two exams use different numberings; teeth are paired by position.")
	note(out.Unpaired > 0, many(out.Unpaired, "site")+" with a depth in one exam only: not compared.")
	note(len(ps.depth) == 0, "No site has a depth in both exams.")
	note(true, "Sites of one mouth are not independent, so the figures describe this mouth and no interval is given.")
	return out
}

// pairedReading is one reading of a site in two exams, in half-millimetres.
type pairedReading struct {
	ref  chart.SiteRef
	x, y int
}

// paired is what two exams both recorded.
type paired struct {
	depth, recession, loss []pairedReading
	flags                  [chart.NumFlags]pairedAnswers
	differ                 []Difference
	unpaired               int
}

func (ps *paired) add(ref chart.SiteRef, v, w *site) {
	if (v.depth >= 0) != (w.depth >= 0) {
		ps.unpaired++
	}
	put := func(to *[]pairedReading, p, q chart.MM, name string) {
		if !p.Known() || !q.Known() {
			return
		}
		*to = append(*to, pairedReading{ref, p.Half(), q.Half()})
		if name != "" && abs(p.Half()-q.Half()) >= 2*differMM {
			ps.differ = append(ps.differ, Difference{ref, name, p, q})
		}
	}
	put(&ps.depth, v.rec.Depth, w.rec.Depth, "depth")
	put(&ps.recession, v.recession, w.recession, "recession")
	put(&ps.loss, v.lossMM, w.lossMM, "")
	for f := range ps.flags {
		ps.flags[f].add(v.flags[f], w.flags[f])
	}
}

// groups gives the agreement on a reading over each kind of site that has any.
func groups(ps []pairedReading) []AgreementGroup {
	gs := []AgreementGroup{}
	for _, g := range siteGroups {
		var x, y []int
		for _, p := range ps {
			if g.in(p.ref.Tooth, p.ref.Site) {
				x, y = append(x, p.x), append(y, p.y)
			}
		}
		if len(x) > 0 {
			gs = append(gs, agreeOn(g.name, x, y))
		}
	}
	return gs
}

func (ps *paired) flagAgreements() []FlagAgreement {
	out := []FlagAgreement{}
	for f := range ps.flags {
		if g := &ps.flags[f]; g.sites > 0 {
			out = append(out, FlagAgreement{Flag: chart.Flag(f).String(), Sites: g.sites, Exact: ratio(100*float64(g.same), g.sites), Kappa: g.kappa()})
		}
	}
	return out
}

// pairedAnswers are yes/no answers of two exams.
type pairedAnswers struct {
	sites, same   int
	first, second int // that said yes
}

func (a *pairedAnswers) add(p, q chart.YesNo) {
	if !p.Recorded() || !q.Recorded() {
		return
	}
	a.sites++
	if p == q {
		a.same++
	}
	if p == chart.Yes {
		a.first++
	}
	if q == chart.Yes {
		a.second++
	}
}

// kappa is Cohen's kappa; nil without answers, or when chance alone would agree.
func (a *pairedAnswers) kappa() *float64 {
	n := float64(a.sites)
	p, q := float64(a.first), float64(a.second)
	chance := p/n*q/n + (1-p/n)*(1-q/n)
	if a.sites == 0 || chance >= 1 {
		return nil
	}
	k := (float64(a.same)/n - chance) / (1 - chance)
	return &k
}

// agreeOn takes readings in half-millimetres.
func agreeOn(name string, x, y []int) AgreementGroup {
	g := AgreementGroup{Group: name, Sites: len(x)}
	exact, within := 0, 0
	fx, fy := make([]float64, len(x)), make([]float64, len(x))
	for i := range x {
		d := x[i] - y[i]
		if d == 0 {
			exact++
		}
		if max(d, -d) <= 2 {
			within++
		}
		fx[i], fy[i] = float64(x[i])/2, float64(y[i])/2
	}
	g.Exact, g.Within1 = ratio(100*float64(exact), len(x)), ratio(100*float64(within), len(x))
	g.KappaLin, g.KappaQuad = weightedKappa(x, y, 1), weightedKappa(x, y, 2)
	g.ICC = icc21(fx, fy)
	if len(x) >= 2 {
		bias, sd := 0.0, 0.0
		for i := range fx {
			bias += fy[i] - fx[i]
		}
		bias /= float64(len(fx))
		for i := range fx {
			d := fy[i] - fx[i] - bias
			sd += d * d
		}
		sd = math.Sqrt(sd / float64(len(fx)-1))
		low, high := bias-blandAltman*sd, bias+blandAltman*sd
		g.Bias, g.SD, g.Low, g.High = &bias, &sd, &low, &high
	}
	return g
}

// blandAltman is the normal quantile of the 95 percent limits of agreement.
const blandAltman = 1.96

// weightedKappa is Cohen's kappa with disagreement weighted by the difference to a power: 1 linear,
// 2 quadratic. It is nil when chance alone would agree.
func weightedKappa(x, y []int, power float64) *float64 {
	var cx, cy = map[int]float64{}, map[int]float64{}
	seen := 0.0
	weight := func(a, b int) float64 { return math.Pow(math.Abs(float64(a-b)), power) }
	for i := range x {
		cx[x[i]]++
		cy[y[i]]++
		seen += weight(x[i], y[i])
	}
	chance := 0.0
	// Counts are whole numbers and weights too (halves doubled), so the sum has no rounding that
	// could depend on the order of a map.
	for a, n := range cx {
		for b, k := range cy {
			chance += n * k * weight(a, b)
		}
	}
	if chance == 0 {
		return nil
	}
	k := 1 - seen*float64(len(x))/chance
	return &k
}

// icc21 is the intraclass correlation of two-way random effects, absolute agreement, single rater; nil for few sites and
// without variation.
func icc21(x, y []float64) *float64 {
	if len(x) < iccSites {
		return nil
	}
	n := float64(len(x))
	mx, my := 0.0, 0.0
	for i := range x {
		mx += x[i] / n
		my += y[i] / n
	}
	grand := (mx + my) / 2
	rows, total := 0.0, 0.0
	for i := range x {
		r := (x[i]+y[i])/2 - grand
		rows += 2 * r * r
		total += (x[i]-grand)*(x[i]-grand) + (y[i]-grand)*(y[i]-grand)
	}
	cols := n * ((mx-grand)*(mx-grand) + (my-grand)*(my-grand))
	rest := max(0, total-rows-cols)
	msr, msc, mse := rows/(n-1), cols, rest/(n-1)
	den := msr + mse + 2*(msc-mse)/n
	if total < 1e-12 || den == 0 {
		return nil
	}
	v := (msr - mse) / den
	return &v
}
