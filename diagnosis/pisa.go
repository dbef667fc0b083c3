package diagnosis

import (
	"strconv"

	"leadsman/chart"
)

// pisaCoefficients give the root area over a length x in mm, a1 x + a2 x^2 + ... + a6 x^6 in mm2, by
// jaw (upper, lower) and place 1 to 7. Source: Nesse et al. 2008,
// doi:10.1111/j.1600-051X.2008.01249.x, table 1 (seen, secondary); a5 of the upper lateral incisor
// is printed 0.05890 there and has to be 0.005890, which reproduces the areas of the paper's figure 2.
var pisaCoefficients = [2][7][6]float64{
	{
		{12.3905, 0.1374, 0.6717, -0.14536, 0.01126, -0.0003083},
		{18.7571, -1.6471, 0.5258, -0.079, 0.00589, -0.0001855},
		{16.5369, 1.601, -0.2494, 0.01087, 0.00021, -0.0000182},
		{21.8618, -2.3031, 0.533, -0.04075, 0.00062, 0.0000199},
		{39.2681, -7.3113, 1.234, -0.12192, 0.00626, -0.000126},
		{16.8835, -0.5688, 1.5433, -0.06519, -0.01454, 0.0009019},
		{25.4265, 4.6241, -3.0787, 0.95774, -0.10923, 0.0040876},
	},
	{
		{21.46, -6.6888, 2.4638, -0.39094, 0.02743, -0.0007116},
		{16.4395, -1.0337, 0.4146, -0.05711, 0.00257, -0.0000211},
		{24.6992, -3.5868, 0.6903, -0.05799, 0.00189, -0.0000142},
		{24.6866, -4.8531, 1.3992, -0.18028, 0.01037, -0.0002229},
		{13.1705, 5.0958, -1.0989, 0.10864, -0.00559, 0.0001179},
		{19.1229, -12.2566, 5.575, -0.78145, 0.04566, -0.0009711},
		{46.6148, -43.1558, 16.7577, -2.48858, 0.16174, -0.0038873},
	},
}

// rootArea is the area of the root surface of a tooth over x mm from the CEJ, in mm2, never under 0.
// outside is true where x is over 10 mm: then the area at 10 mm is returned, because the curves turn
// beyond it (engineering choice). Third molars take the second molar's curve; ok is false for teeth
// that have none.
// Source: Nesse et al. 2008, doi:10.1111/j.1600-051X.2008.01249.x, table 1.
func rootArea(t chart.Tooth, x float64) (area float64, outside, ok bool) {
	if !t.Valid() || t.Primary() {
		return 0, false, false
	}
	jaw := 0
	if !t.Upper() {
		jaw = 1
	}
	if x > pisaLongestMM {
		x, outside = pisaLongestMM, true
	}
	a := &pisaCoefficients[jaw][min(t.Position(), 7)-1]
	for i := len(a) - 1; i >= 0; i-- {
		area = (area + a[i]) * x
	}
	return max(0, area), outside, true
}

// surface is the inflamed surface of one tooth.
type surface struct {
	pesa, pisa        float64
	enough, bled      bool // enough sites for the area; an answer on bleeding at all
	outside, negative bool
}

// surfaceA is method A: the area down to the attachment less the area down to the margin. Where the
// mean margin lies coronal to the CEJ the polynomial has no meaning and method B is used (engineering choice).
func surfaceA(th *tooth) surface {
	loss, recession, n := 0, 0, 0
	for s := range th.sites {
		v := &th.sites[s]
		if v.loss >= 0 && !v.assumed {
			n++
			loss += v.lossMM.Half()
			recession += v.recession.Half()
		}
	}
	if n < pisaSites {
		return surface{}
	}
	if recession < 0 {
		s := surfaceB(th)
		s.negative = true
		return s
	}
	deep, out, _ := rootArea(th.t, float64(loss)/2/float64(n))
	shallow, _, _ := rootArea(th.t, float64(recession)/2/float64(n))
	return bleed(surface{pesa: max(0, deep-shallow), enough: true, outside: out}, th)
}

// surfaceB is method B: the area over the mean depth.
func surfaceB(th *tooth) surface {
	depth, n := 0, 0
	for s := range th.sites {
		v := &th.sites[s]
		if v.depth >= 0 {
			n++
			depth += v.rec.Depth.Half()
		}
	}
	if n < pisaSites {
		return surface{}
	}
	area, out, _ := rootArea(th.t, float64(depth)/2/float64(n))
	return bleed(surface{pesa: area, enough: true, outside: out}, th)
}

// bleed adds the part of the area that bleeds, by the answers on bleeding at the tooth's sites.
func bleed(s surface, th *tooth) surface {
	answered, bleeding := 0, 0
	for i := range th.sites {
		if f := th.sites[i].flags[chart.Bleeding]; f.Recorded() {
			answered++
			if f == chart.Yes {
				bleeding++
			}
		}
	}
	if answered > 0 {
		s.bled = true
		s.pisa = s.pesa * float64(bleeding) / float64(answered)
	}
	return s
}

// surfacesOf gives the epithelial and the inflamed surface of all pockets, in mm2. Method A is used
// when every tooth has its margins, else method B for the whole mouth: the two are never mixed in
// one sum and never compared. The sums of method B are given beside.
// Source: Nesse et al. 2008, doi:10.1111/j.1600-051X.2008.01249.x.
func (m *mouth) surfacesOf(out []Finding) []Finding {
	methodA, teeth := true, 0
	var a, b [mostTeeth]surface
	for i, th := range m.scored {
		if !m.hasSurface(th) {
			continue
		}
		teeth++
		a[i], b[i] = surfaceA(th), surfaceB(th)
		if b[i].enough && !a[i].enough {
			methodA = false
		}
	}
	if methodA {
		out = m.sumSurfaces(out, "score.pesa_mm2", "score.pisa_mm2", "A", teeth, &a)
	} else {
		out = m.sumSurfaces(out, "score.pesa_mm2", "score.pisa_mm2", "B", teeth, &b)
	}
	return m.sumSurfaces(out, "score.pesa_b_mm2", "score.pisa_b_mm2", "B", teeth, &b)
}

func (m *mouth) hasSurface(th *tooth) bool {
	return !th.t.Primary() && (!th.t.ThirdMolar() || m.o.PISAThirdMolars)
}

// areaSum adds up the surfaces of the teeth: one of the epithelial and the inflamed surface.
type areaSum struct {
	f      Finding
	sum    float64
	teeth  int
	text   []byte   // the areas of the teeth as one text
	bounds [][2]int // where each stands in it
}

// begin makes it ready for a mouth; its memory is used again.
func (a *areaSum) begin(code, rule string, teeth int) {
	*a = areaSum{f: Finding{Code: code, Rule: rule, Source: srcPISA, Eligible: teeth, Because: make([]Evidence, 0, teeth)},
		text: a.text[:0], bounds: a.bounds[:0]}
}

// add counts a tooth; show: it stands in the evidence.
func (a *areaSum) add(th *tooth, area float64, show bool) {
	a.teeth++
	a.sum += area
	if show {
		from := len(a.text)
		a.text = appendFixed(a.text, area, 2, true)
		a.bounds = append(a.bounds, [2]int{from, len(a.text)})
		a.f.Because = append(a.f.Because, Evidence{Tooth: th.t, Site: chart.NumSites})
	}
}

// finding completes the finding; what names the surface, none says why there is no value.
func (a *areaSum) finding(what, method, none string, notes []string) Finding {
	f, text := a.f, string(a.text)
	a.f = Finding{} // what the finding holds is not kept
	areas := make([]Asked, len(a.bounds))
	for i, at := range a.bounds {
		areas[i] = Asked{f.Code, text[at[0]:at[1]]}
		f.Because[i].Asked = &areas[i]
	}
	f.Notes, f.Recorded = notes, a.teeth
	f.Provisional = a.teeth < f.Eligible
	f.AtLeast = a.teeth > 0 && f.Provisional
	f.Text = "Not applicable: no tooth has " + none + "."
	if a.teeth > 0 {
		f.Value = number(a.sum, 1)
		f.Text = what + " surface of the pockets " + f.Value.String() + " mm2 over " + strconv.Itoa(a.teeth) + " of " + strconv.Itoa(f.Eligible) + " teeth, method " + method + "."
	}
	return f
}

// sumSurfaces sums the surfaces of the teeth by one method.
func (m *mouth) sumSurfaces(out []Finding, pesaCode, pisaCode, method string, teeth int, of *[mostTeeth]surface) []Finding {
	pesa, pisa := &m.room.sums[0], &m.room.sums[1]
	pesa.begin(pesaCode, "PESA-"+method, teeth)
	pisa.begin(pisaCode, "PISA-"+method, teeth)
	var outside, negative, eight []*tooth
	for i, th := range m.scored {
		s := &of[i]
		if !s.enough || !m.hasSurface(th) {
			continue
		}
		pesa.add(th, s.pesa, true)
		if s.bled {
			pisa.add(th, s.pisa, s.pisa > 0)
		}
		if s.outside {
			outside = append(outside, th)
		}
		if s.negative {
			negative = append(negative, th)
		}
		if th.t.ThirdMolar() {
			eight = append(eight, th)
		}
	}
	var notes []string
	add := func(teeth []*tooth, text string) {
		if len(teeth) > 0 {
			notes = append(notes, text+m.labelsOf(teeth)+".")
		}
	}
	add(outside, "Mean over 10 mm, taken as 10: tooth ")
	add(negative, "Margin coronal to the CEJ on average, so method B was used for tooth ")
	add(eight, "Third molars are scored with the second molar's curve: tooth ")
	switch {
	case method != "A" || len(negative) == 0:
	case len(negative) == pesa.teeth:
		method, pesa.f.Rule, pisa.f.Rule = "B", "PESA-B", "PISA-B"
	default:
		method = "A, and B at the teeth named"
	}
	notes = append(notes, "Method "+method+"; the two methods are not to be compared. The published table's misprint (upper lateral incisor) is corrected; the coefficients come from a secondary source and are to be verified.")
	return append(out, pesa.finding("Epithelial", method, "depths at four sites", notes),
		pisa.finding("Inflamed", method, "depths at four sites and an answer on bleeding", notes))
}
