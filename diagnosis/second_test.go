package diagnosis_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
)

// This file goes on with the plain second implementation (oracle_test.go): bone loss by tooth, sites that cannot be assessed, the course
// over many exams, the phases of a plan. It is written from the texts of the rules, in plain loops, and shares nothing with the engine.

// standIns puts the loss of the band of its bone loss at the sites of a tooth whose attachment loss is not known: bone loss stands in
// for attachment loss where that is not available (Tonetti et al. 2018, table 3: 15 and 33 percent as 3 and 5 mm). Under a band nothing is
// put: what the loss is stays unknown.
func standIns(c *chart.Chart, m *mouthful, from int) {
	greatest := -1.0
	for j := range m.there {
		for p := range m.there[j] {
			in, said := c.Patient.Teeth[chart.Tooth(m.fdi[j][p])]
			if !m.there[j][p] || !said || in.BoneLossPercent == nil {
				continue
			}
			bone := *in.BoneLossPercent
			greatest = math.Max(greatest, bone)
			loss := 1
			if bone >= 15 {
				loss = 3
			}
			if bone > 33 {
				loss = 5
			}
			for _, s := range interdental {
				if bone > 0 && loss >= from && m.al[j][p][s] == unknown && !m.skip[j][p][s] {
					m.al[j][p][s] = loss
				}
			}
		}
	}
	if greatest >= 0 && (m.p.BoneLossPercent == nil || *m.p.BoneLossPercent < greatest) {
		m.p.BoneLossPercent = &greatest
	}
}

func TestBoneLossSecondImplementation(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 33))
	seen := map[string]int{}
	charts := atRandom(20_000)
	for i := range charts {
		c := anyMouth(r)
		c.Patient.BoneLossPercent, c.Patient.EarlierStage = nil, ""
		for _, th := range chart.AllTeeth() {
			rec := c.Tooth(th)
			if rec.Presence != chart.Present || th.ThirdMolar() || r.IntN(4) > 0 {
				continue
			}
			for s := range rec.Sites { // no margins here
				if r.IntN(5) > 0 {
					rec.Sites[s].Recession = chart.MM{}
				}
			}
			rec.Sites[chart.MB].Recession = chart.MM{}
			bone := []float64{0, 5, 14, 15, 33, 34, 60}[r.IntN(7)]
			tooth(c, th, func(in *chart.ToothInputs) {
				in.BoneLossPercent = &bone
				in.Sites = nil
			})
		}
		m := plain(c)
		standIns(c, m, 1)
		f := diagnosis.Assess(c, diagnosis.Options{})
		check := func(code, want string) {
			seen[code+"="+want]++
			if got := f.Value(code); got != want {
				v, _ := f.Get(code)
				t.Errorf("chart %d: %s: engine %q, plain reading %q (%s)", i, code, got, want, v.Text)
			}
		}
		is := m.isCase()
		check("periodontitis.case", is)
		if is != "yes" {
			continue
		}
		st := m.filled(false).stage(m, 0)
		check("periodontitis.stage", []string{"indeterminate", "I", "II", "III", "IV"}[st])
		check("periodontitis.grade", m.grade())
		if m.p.Factors == nil && st > 0 && m.filled(false).severity(m) > 0 {
			middleOnly := !m.filled(false).byA(1) && m.filled(false).byB() // any bone loss speaks for the case
			m := plain(c)
			standIns(c, m, []int{1, 1, 3, 5, 5}[st]) // and what is at the level of the stage for the extent
			want, more := m.extent(st, middleOnly)
			check("periodontitis.extent", want)
			if v, _ := f.Get("periodontitis.extent"); v.AtLeast != more {
				t.Errorf("chart %d: extent %s, at least %v: plain %v (%s)", i, want, v.AtLeast, more, v.Text)
			}
		}
		if t.Failed() {
			return
		}
	}
	for _, k := range []string{"periodontitis.case=indeterminate", "periodontitis.stage=I", "periodontitis.stage=II", "periodontitis.stage=III", "periodontitis.extent=localized", "periodontitis.extent=generalized", "periodontitis.grade=C"} {
		if seen[k] < charts/1000 {
			t.Errorf("%s came up only %d times: %v", k, seen[k], seen)
		}
	}
}

// What cannot be assessed is unknown: every answer is that of the same mouth with nothing recorded there, every denominator still holds
// the site, and nothing is called healthy, met or none for its sake.
func TestNotAssessableSecondImplementation(t *testing.T) {
	r := rand.New(rand.NewPCG(168, 28))
	charts := atRandom(20_000)
	hidden := 0
	for i := range charts {
		blocked := anyMouth(r)
		share := []float64{0.005, 0.05, 0.3, 1}[r.IntN(4)]
		blank := *blocked
		blank.Patient = blocked.Patient.Clone()
		sites, probed, answered, bled, n := 0, 0, 0, 0, 0
		for _, th := range chart.AllTeeth() {
			if blocked.Tooth(th).Presence != chart.Present {
				continue
			}
			for s := range chart.NumSites {
				at := chart.SiteRef{Tooth: th, Site: s}
				sites++
				if r.Float64() < share {
					n++
					asked := chart.SiteInputs{NotAssessable: []string{"calculus", "band", "overhang", "pain"}[r.IntN(4)]}
					*blocked.Site(at), *blank.Site(at) = chart.SiteRecord{}, chart.SiteRecord{}
					if r.IntN(3) == 0 { // the depth can be read, the CEJ not
						yes := true
						hidden++
						depth := chart.Millimetres(1 + r.IntN(4))
						asked = chart.SiteInputs{CEJUnknown: &yes}
						blocked.Site(at).Depth, blocked.Site(at).Recession = depth, chart.Millimetres(-1)
						blank.Site(at).Depth = depth
					}
					tooth(blocked, th, func(in *chart.ToothInputs) {
						sites := map[chart.Site]chart.SiteInputs{}
						for k, v := range in.Sites {
							sites[k] = v
						}
						if v, ok := sites[s]; ok {
							asked.Exclude = v.Exclude
						}
						sites[s] = asked
						in.Sites = sites
					})
				}
				v := blocked.Site(at)
				if v.Depth.Known() {
					probed++
				}
				if v.Flags[chart.Bleeding].Recorded() {
					answered++
				}
				if v.Flags[chart.Bleeding] == chart.Yes {
					bled++
				}
			}
		}
		bone := blocked.Patient.BoneLossPercent
		if bone != nil && *bone == 0 {
			blocked.Patient.BoneLossPercent, blank.Patient.BoneLossPercent = nil, nil // it would rule loss out
		}
		a, b := diagnosis.Assess(blocked, diagnosis.Options{}), diagnosis.Assess(&blank, diagnosis.Options{})
		for _, code := range []string{"periodontitis.case", "periodontitis.stage", "periodontitis.extent", "gingiva.status", "endpoint.reached", "surveillance.cdc_aap_2012", "score.bleeding_percent",
			"sites.ge4", "sites.ge5_percent", "attachment_loss.ge3", "depth.mean", "attachment_loss.mean", "score.pisa_mm2", "risk.progression", "chart.completeness"} {
			x, okX := a.Get(code)
			y, okY := b.Get(code)
			if okX != okY || x.Value != y.Value || x.AtLeast != y.AtLeast || x.Provisional != y.Provisional || x.Recorded != y.Recorded || x.Eligible != y.Eligible {
				t.Fatalf("chart %d: %s: %+v blocked, %+v not recorded", i, code, x, y)
			}
		}
		full, _ := a.Get("chart.completeness")
		score, _ := a.Get("score.bleeding_percent")
		if full.Recorded != probed || full.Eligible != sites || score.Recorded != answered || score.Eligible != sites {
			t.Fatalf("chart %d: %d of %d probed and %d answers by counting, the engine says %+v, %+v", i, probed, sites, answered, full, score)
		}
		if p, ok := score.Value.Float(); ok {
			seen := 0 // sites that were looked at: probed or answered
			for _, th := range chart.AllTeeth() {
				for s := range chart.NumSites {
					if v := blocked.Site(chart.SiteRef{Tooth: th, Site: s}); blocked.Tooth(th).Presence == chart.Present && (v.Depth.Known() || v.Flags[chart.Bleeding].Recorded()) {
						seen++
					}
				}
			}
			want := 100 * float64(bled) / float64(answered)
			if 100*answered < 90*seen {
				want = 100 * float64(bled) / float64(seen)
			}
			if math.Abs(p-want) > 1e-9 {
				t.Fatalf("chart %d: %f percent bleed, by counting %f", i, p, want)
			}
		}
		if n > 0 {
			if v, _ := a.Get("endpoint.reached"); v.Value.String() == "met" && probed < sites && !v.Provisional {
				t.Fatalf("chart %d: the end point is met with %d of %d sites probed", i, probed, sites)
			}
		}
	}
	if hidden == 0 {
		t.Error("no CEJ was hidden")
	}
}

// anyCourse makes exams of a few teeth over some years.
func anyCourse(r *rand.Rand) []diagnosis.Dated {
	day := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	var out []diagnosis.Dated
	names := []string{"", "Ada", "Ada", "Ben"}
	for i := range 1 + r.IntN(5) {
		c := &chart.Chart{}
		for _, t := range chart.AllTeeth() {
			c.Tooth(t).Presence = chart.Missing
		}
		for _, t := range []chart.Tooth{11, 16, 36} {
			if r.IntN(8) == 0 {
				continue
			}
			c.Tooth(t).Presence = chart.Present
			for s := range chart.NumSites {
				v := c.Site(chart.SiteRef{Tooth: t, Site: s})
				if r.IntN(12) > 0 {
					v.Depth = chart.Half(4 + 2*r.IntN(4) + r.IntN(2)*r.IntN(2) + i*2*r.IntN(2))
				}
				if r.IntN(12) > 0 {
					v.Recession = chart.Millimetres(r.IntN(3) - r.IntN(2))
				}
				if v.Depth.Known() && i > 0 && r.IntN(5) == 0 {
					v.Again = chart.Half(max(0, v.Depth.Half()-2*r.IntN(4)))
				}
				if r.IntN(5) > 0 {
					v.Flags[chart.Bleeding] = chart.Is(r.IntN(2) == 0)
				}
			}
		}
		out = append(out, diagnosis.Dated{Chart: c, Day: day, Examiner: names[r.IntN(len(names))], Therapy: i > 0 && r.IntN(6) == 0})
		day = day.AddDate(0, 0, 30+r.IntN(500))
	}
	return out
}

// The course over all exams: running medians, sites that lost attachment up to the last exam, and the line through the means, in plain
// floats.
func TestHistorySecondImplementation(t *testing.T) {
	r := rand.New(rand.NewPCG(1983, 298))
	courses := atRandom(20_000)
	watched, sure, rates := 0, 0, 0
	for n := range courses {
		exams := anyCourse(r)
		h := diagnosis.HistoryOf(exams, diagnosis.Options{})
		last := len(exams) - 1
		since, other := 0, false
		for i, e := range exams {
			if e.Therapy {
				since = i
			}
			other = other || e.Examiner != "" && exams[last].Examiner != "" && e.Examiner != exams[last].Examiner
		}
		limit := 2.0
		if other {
			limit = 3
		}
		loss := func(i int, at chart.SiteRef) float64 { // NaN: not known, or less than none
			v := exams[i].Chart.Site(at)
			if exams[i].Chart.Tooth(at.Tooth).Presence != chart.Present || !v.Depth.Known() || !v.Recession.Known() || v.Depth.Float()+v.Recession.Float() < 0 {
				return math.NaN()
			}
			return v.Depth.Float() + v.Recession.Float()
		}
		depth := func(i int, at chart.SiteRef) float64 {
			v := exams[i].Chart.Site(at)
			if exams[i].Chart.Tooth(at.Tooth).Presence != chart.Present || !v.Depth.Known() {
				return math.NaN()
			}
			return v.Depth.Float()
		}
		means := make([]float64, len(exams)) // of the losses at sites that every exam has
		matched := 0
		want := map[string]string{}
		for _, th := range []chart.Tooth{11, 16, 36} {
			if exams[last].Chart.Tooth(th).Presence != chart.Present {
				continue
			}
			for s := range chart.NumSites {
				at := chart.SiteRef{Tooth: th, Site: s}
				every := true
				for i := range exams {
					every = every && !math.IsNaN(loss(i, at))
				}
				if every {
					matched++
					for i := range exams {
						means[i] += loss(i, at)
					}
				}
				// Medians of three.
				var medians []string
				any := false
				for i := range exams {
					if math.IsNaN(depth(i, at)) {
						medians = append(medians, "-")
						continue
					}
					any = true
					var near []float64
					for j := i - 1; j <= i+1; j++ {
						if j >= 0 && j <= last && !math.IsNaN(depth(j, at)) {
							near = append(near, depth(j, at))
						}
					}
					sort.Float64s(near)
					middle := near[len(near)/2]
					if len(near)%2 == 0 {
						middle = (middle + near[len(near)/2-1]) / 2
					}
					medians = append(medians, fmt.Sprint(middle))
				}
				k := slices.IndexFunc(h.Sites, func(x diagnosis.SiteHistory) bool { return x.SiteRef == at })
				if (k >= 0) != any {
					t.Fatalf("course %d: %s is listed %v, has readings %v", n, at, k >= 0, any)
				}
				if any {
					var got []string
					for _, m := range h.Sites[k].Median {
						if m == nil {
							got = append(got, "-")
						} else {
							got = append(got, fmt.Sprint(*m))
						}
					}
					if !slices.Equal(got, medians) {
						t.Fatalf("course %d: %s: medians %v, plain %v", n, at, got, medians)
					}
				}
				// Lost up to the last exam, since the last therapy.
				var known []float64
				for i := since; i <= last; i++ {
					if v := loss(i, at); !math.IsNaN(v) {
						known = append(known, v)
					}
				}
				if len(known) < 2 || math.IsNaN(loss(last, at)) {
					continue
				}
				for cut := 1; cut < len(known); cut++ {
					early := slices.Clone(known[:cut])
					sort.Float64s(early)
					base := early[len(early)/2]
					if slices.Min(known[cut:]) < base+limit {
						continue
					}
					seen := len(known) - cut
					v := exams[last].Chart.Site(at)
					again := v.Again.Known()
					twice := again && known[len(known)-1]+v.Again.Float()-v.Depth.Float()-base >= limit
					if !again || twice || seen > 1 {
						want[at.String()] = fmt.Sprintf("%g to %g, seen %d, sure %v", base, known[len(known)-1], seen, seen >= 2 || twice)
						watched++
						if seen >= 2 || twice {
							sure++
						}
					}
					break
				}
			}
		}
		got := map[string]string{}
		for _, w := range h.Watch {
			got[w.SiteRef.String()] = fmt.Sprintf("%g to %g, seen %d, sure %v", w.From.Float(), w.To.Float(), w.Seen, w.Sure)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("course %d: watched %v, plain %v", n, got, want)
		}
		// The line through the means, by the sums of squares about the centre.
		if h.Mouth.Sites != matched {
			t.Fatalf("course %d: %d sites in the trend, plain %d", n, h.Mouth.Sites, matched)
		}
		years := func(i int) float64 { return exams[i].Day.Sub(exams[since].Day).Hours() / 24 / 365.25 }
		if matched == 0 || last == since || years(last) < 0.5 {
			if h.Mouth.Rate != nil {
				t.Fatalf("course %d: a rate without ground: %+v", n, h.Mouth.Rate)
			}
			continue
		}
		var cx, cy, xx, xy float64
		for i := since; i <= last; i++ {
			cx, cy = cx+years(i)/float64(last-since+1), cy+means[i]/float64(matched)/float64(last-since+1)
		}
		for i := since; i <= last; i++ {
			xx += (years(i) - cx) * (years(i) - cx)
			xy += (years(i) - cx) * (means[i]/float64(matched) - cy)
		}
		variance := map[bool]float64{false: 0.2671 + 4*0.0194 + 9*0.0065 + 16*0.0005 + 25*0.0001, true: 0.46 + 4*0.19 + 9*0.035 + 16*0.010 + 25*0.005}[other]
		margin := 1.96 * math.Sqrt((variance/2/float64(matched)+0.16*0.16)/xx)
		rates++
		rate := h.Mouth.Rate
		if rate == nil || math.Abs(rate.PerYear-xy/xx) > 0.0051 || math.Abs(rate.Low-xy/xx+margin) > 0.0051 || math.Abs(rate.High-xy/xx-margin) > 0.0051 {
			t.Fatalf("course %d: rate %+v, plain %.3f +- %.3f", n, rate, xy/xx, margin)
		}
	}
	if watched < courses/20 || sure < courses/100 || rates < courses/20 {
		t.Errorf("only %d sites watched, %d sure, %d rates", watched, sure, rates)
	}
}

// The phases of a plan by where the patient stands, from the findings in words and the chart in plain numbers.
func TestPhasesSecondImplementation(t *testing.T) {
	r := rand.New(rand.NewPCG(2020, 2023))
	charts := atRandom(20_000)
	seen := map[string]int{}
	for i := range charts {
		c := anyMouth(r)
		if r.IntN(5) == 0 {
			n := 10 + r.IntN(12)
			c.Patient.Age = &n
		}
		var sick, implants bool
		for _, th := range []chart.Tooth{14, 36} {
			if r.IntN(4) > 0 {
				continue
			}
			*c.Tooth(th) = chart.ToothRecord{Presence: chart.Implant}
			delete(c.Patient.Teeth, th)
			for s := range chart.NumSites {
				c.Site(chart.SiteRef{Tooth: th, Site: s}).Depth = chart.Millimetres(3 + r.IntN(4))
				c.Site(chart.SiteRef{Tooth: th, Site: s}).Flags[chart.Bleeding] = chart.Is(r.IntN(6) == 0)
				c.Site(chart.SiteRef{Tooth: th, Site: s}).Flags[chart.Suppuration] = chart.No
			}
		}
		if r.IntN(4) == 0 { // the whole mouth at once
			absent := r.IntN(3) == 0
			for _, th := range chart.AllTeeth() {
				if absent && c.Tooth(th).Presence == chart.Present {
					*c.Tooth(th) = chart.ToothRecord{Presence: chart.Missing}
				}
			}
		}
		visit := time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)
		o := diagnosis.PlanOptions{Visit: visit, Reevaluation: r.IntN(4) == 0}
		if r.IntN(4) == 0 {
			o.LastTherapy = visit.AddDate(0, 0, -r.IntN(100))
		}
		if r.IntN(5) == 0 {
			o.PhaseOneDone = visit.AddDate(0, 0, -r.IntN(100))
		}
		if r.IntN(4) == 0 {
			c.Patient.TherapyFinished = visit.AddDate(0, 0, r.IntN(400)-380).Format(time.DateOnly)
		}
		asked := true
		c.Patient.MedicalHistoryChecked = &asked
		smokes := c.Patient.CigarettesPerDay != nil && *c.Patient.CigarettesPerDay > 0
		sugar := c.Patient.Diabetes != nil && *c.Patient.Diabetes
		f := diagnosis.Assess(c, diagnosis.Options{})
		status, patient := f.Value("gingiva.status"), f.Value("periodontitis.case") == "yes"
		for _, v := range f.List {
			if v.Code == "implant.status" {
				implants = true
				sick = sick || v.Value.String() == "mucositis" || v.Value.String() == "peri-implantitis"
			}
		}
		teeth, four, bleeding, six, furcated := 0, 0, 0, 0, false
		for _, th := range chart.AllTeeth() {
			if c.Tooth(th).Presence != chart.Present {
				continue
			}
			teeth++
			for s := range chart.NumSites {
				v := c.Site(chart.SiteRef{Tooth: th, Site: s})
				if !v.Depth.Known() {
					continue
				}
				mm := int(v.Depth.Float()) // halves down
				if mm >= 4 {
					four++
				}
				if mm >= 6 {
					six++
				} else if mm >= 4 && v.Flags[chart.Bleeding] == chart.Yes {
					bleeding++
				}
			}
			for _, g := range c.Tooth(th).Furcation {
				furcated = furcated || !th.ThirdMolar() && g.Recorded() && g.Value() >= 2
			}
		}
		var want []string
		stand := "untreated"
		finished, err := time.Parse(time.DateOnly, c.Patient.TherapyFinished)
		diagnosed := isTrue(c.Patient.HistoryOfPeriodontitis) || c.Patient.EarlierStage != ""
		switch {
		case err == nil && !finished.After(visit):
			stand = "supportive"
		case o.Reevaluation:
			stand = "re-evaluated"
		case !o.LastTherapy.IsZero() || !o.PhaseOneDone.IsZero():
			stand = "under-therapy"
		case diagnosed && status == "stable":
			stand = "supportive"
		}
		switch {
		case c.Patient.Age != nil && *c.Patient.Age < 18:
			want = []string{"child"}
		case teeth == 0 && !implants:
			want = []string{"no-teeth"}
		default:
			add := func(id string, when bool) {
				if when {
					want = append(want, id)
				}
			}
			stable := status == "stable" && f.Value("endpoint.reached") != "not-met"
			add("step1", patient || strings.HasPrefix(status, "gingivitis") || sick || smokes || sugar)
			two := patient && (stand == "untreated" && !stable && four > 0 || stand == "under-therapy")
			add("step2", two)
			add("reevaluation", two)
			add("step3", patient && ((stand == "re-evaluated" || stand == "supportive") && bleeding+six > 0 || furcated))
			add("implants", sick)
			add("rehabilitation", f.Value("periodontitis.stage") == "IV")
			add("supportive", true)
		}
		if got := diagnosis.StandOf(&f, &c.Patient, o); string(got) != stand {
			t.Fatalf("chart %d: stands at %s, plain %s", i, got, stand)
		}
		var got []string
		for _, p := range diagnosis.Phases(c, &f, o) {
			got = append(got, p.ID)
		}
		if !slices.Equal(got, want) {
			t.Fatalf("chart %d, %s, %s: phases %v, plain %v", i, stand, status, got, want)
		}
		seen[stand+": "+strings.Join(want, " ")]++
	}
	if len(seen) < 25 {
		t.Errorf("only %d kinds of plan came up: %v", len(seen), seen)
	}
}
