package diagnosis_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"sync"
	"testing"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
)

// This file is a second, deliberately plain implementation of the case definitions, written from
// the published texts and not from the engine: plain loops over plain numbers, and where readings
// are missing it asks what the answer would be if they were as good, or as bad, as they can be.
//
// Texts: Tonetti et al. 2018 (doi:10.1002/JPER.18-0006) tables 3 and 4, Papapanou et al. 2018
// (doi:10.1002/JPER.17-0721), Chapple et al. 2018 (doi:10.1002/JPER.17-0719), Trombelli et al. 2018
// (doi:10.1002/JPER.17-0576), Eke et al. 2012 (doi:10.1902/jop.2012.110664).

const unknown = -99

// mouthful is one mouth as plain numbers: [tooth by arch position and jaw][site]. Sites: DB B MB DL L ML.
type mouthful struct {
	there [2][17]bool // upper, lower; third molars left out
	fdi   [2][17]int
	pd    [2][17][6]int
	up    [2][17][6]int // depth in whole millimetres, halves up: what "over 4" is compared with
	al    [2][17][6]int // interdental and middle attachment loss
	bop   [2][17][6]int // 1 yes, 0 no
	skip  [2][17][6]bool
	furc  [2][17]int
	gone  int // of the 28, reason not known
	p     chart.Patient
}

func plain(c *chart.Chart) *mouthful {
	m := &mouthful{p: c.Patient}
	for q := 1; q <= 4; q++ {
		for n := 1; n <= 7; n++ {
			jaw, pos := 0, 9-n
			if q == 3 || q == 4 {
				jaw = 1
			}
			if q == 2 || q == 3 {
				pos = 8 + n
			}
			t := chart.Tooth(q*10 + n)
			rec := c.Tooth(t)
			m.fdi[jaw][pos] = int(t)
			if rec.Presence != chart.Present {
				if c.Patient.Teeth[t].LostTo == "" {
					m.gone++
				}
				continue
			}
			m.there[jaw][pos] = true
			for s := 0; s < 6; s++ {
				r := rec.Sites[s]
				pd, al, bop := unknown, unknown, unknown
				m.up[jaw][pos][s] = unknown
				if r.Depth.Known() {
					pd = int(r.Depth.Float())
					m.up[jaw][pos][s] = int(r.Depth.Float() + 0.5)
				}
				if r.Depth.Known() && r.Recession.Known() {
					al = max(0, int(r.Depth.Float())+int(r.Recession.Float()))
				}
				if r.Flags[chart.Bleeding] != chart.NotRecorded {
					bop = 0
					if r.Flags[chart.Bleeding] == chart.Yes {
						bop = 1
					}
				}
				m.pd[jaw][pos][s], m.al[jaw][pos][s], m.bop[jaw][pos][s] = pd, al, bop
				m.skip[jaw][pos][s] = c.Patient.Teeth[t].Sites[chart.Site(s)].Exclude != ""
			}
			for _, g := range rec.Furcation {
				m.furc[jaw][pos] = max(m.furc[jaw][pos], g.Value())
			}
		}
	}
	return m
}

// filled is the mouth with every missing depth and loss as good or as bad as it can be.
func (m *mouthful) filled(bad bool) *mouthful {
	f := *m
	for j := range f.there {
		for p := range f.there[j] {
			for s := 0; s < 6; s++ {
				if f.al[j][p][s] == unknown {
					f.al[j][p][s] = 0
					if bad {
						f.al[j][p][s] = 20
					}
				}
				if f.pd[j][p][s] == unknown {
					f.pd[j][p][s] = 1
					if bad {
						f.pd[j][p][s] = 15
						if f.p.Factors["depth_6"] == "rejected" {
							f.pd[j][p][s] = 5 // the deepest that is not rejected
						}
					}
					f.up[j][p][s] = f.pd[j][p][s]
				}
			}
		}
	}
	return &f
}

var interdental = []int{0, 2, 3, 5} // DB MB DL ML
var middle = []int{1, 4}            // B L

// worst interdental loss of a tooth, 0 if none counts.
func (m *mouthful) worst(j, p int) int {
	w := 0
	for _, s := range interdental {
		if !m.skip[j][p][s] && m.al[j][p][s] > w {
			w = m.al[j][p][s]
		}
	}
	return w
}

// byA: interdental loss is detectable at two teeth or more that are not next to each other.
func (m *mouthful) byA(d int) bool {
	type place struct{ jaw, pos int }
	var found []place
	for j := range m.there {
		for p := range m.there[j] {
			if m.there[j][p] && m.worst(j, p) >= d {
				found = append(found, place{j, p})
			}
		}
	}
	for _, a := range found {
		for _, b := range found {
			if a.jaw != b.jaw || a.pos-b.pos > 1 || b.pos-a.pos > 1 {
				return true
			}
		}
	}
	return false
}

// byB: buccal or oral loss of 3 mm or more with pocketing over 3 mm at two teeth or more.
func (m *mouthful) byB() bool {
	teeth := 0
	for j := range m.there {
		for p := range m.there[j] {
			met := false
			for _, s := range middle {
				if m.there[j][p] && !m.skip[j][p][s] && m.al[j][p][s] >= 3 && m.up[j][p][s] > 3 {
					met = true
				}
			}
			if met {
				teeth++
			}
		}
	}
	return teeth >= 2
}

func (m *mouthful) isCase() string {
	switch {
	case m.p.HistoryOfPeriodontitis != nil && *m.p.HistoryOfPeriodontitis || m.p.EarlierStage != "":
		return "yes"
	case m.filled(false).byA(1) || m.filled(false).byB():
		return "yes"
	case m.filled(true).byA(1) || m.filled(true).byB():
		return "indeterminate"
	}
	return "no"
}

// severity is the greatest loss that counts for the band, 0 if there is none.
func (m *mouthful) severity(original *mouthful) int {
	w := 0
	for j := range m.there {
		for p := range m.there[j] {
			if m.there[j][p] {
				w = max(w, m.worst(j, p))
			}
		}
	}
	if w == 0 && !original.filled(false).byA(1) && original.filled(false).byB() {
		for j := range m.there {
			for p := range m.there[j] {
				for _, s := range middle {
					if m.there[j][p] && !m.skip[j][p][s] && m.al[j][p][s] >= 3 && m.up[j][p][s] > 3 {
						w = max(w, m.al[j][p][s])
					}
				}
			}
		}
	}
	return w
}

// stage by table 3, on a mouth without missing readings. lost is how many teeth are lost to
// periodontitis where that was not said.
func (m *mouthful) stage(original *mouthful, lost int) int {
	w := m.severity(original)
	st := 0
	switch {
	case w >= 5:
		st = 3
	case w >= 3:
		st = 2
	case w >= 1:
		st = 1
	case m.p.BoneLossPercent != nil && *m.p.BoneLossPercent < 15:
		st = 1
	case m.p.BoneLossPercent != nil && *m.p.BoneLossPercent <= 33:
		st = 2
	case m.p.BoneLossPercent != nil:
		st = 3
	}
	if m.p.TeethLostPeriodontitis != nil {
		lost = *m.p.TeethLostPeriodontitis
	}
	if lost >= 5 {
		st = 4
	} else if lost >= 1 && st < 3 {
		st = 3
	}
	deepest := 0
	for j := range m.there {
		for p := range m.there[j] {
			for s := 0; s < 6; s++ {
				if m.there[j][p] && !m.skip[j][p][s] && m.p.Factors["depth_6"] != "rejected" {
					deepest = max(deepest, m.pd[j][p][s])
				}
				if m.there[j][p] && !m.skip[j][p][s] && m.p.Factors["depth_6"] == "rejected" && m.pd[j][p][s] < 6 {
					// A tooth's deepest site stands for the tooth; when it is rejected the tooth is out.
					out := false
					for o := 0; o < 6; o++ {
						out = out || !m.skip[j][p][o] && m.pd[j][p][o] >= 6
					}
					if !out {
						deepest = max(deepest, m.pd[j][p][s])
					}
				}
			}
			if m.there[j][p] && m.furc[j][p] >= 2 && st < 3 {
				st = 3
			}
		}
	}
	if deepest >= 6 && st < 3 {
		st = 3
	}
	if deepest == 5 && st < 2 {
		st = 2
	}
	if m.p.VerticalLossMM != nil && *m.p.VerticalLossMM >= 3 && st < 3 {
		st = 3
	}
	if st == 3 && (isTrue(m.p.RehabilitationNeed) || isTrue(m.p.BiteCollapse) || isTrue(m.p.OcclusalTrauma)) {
		st = 4
	}
	for i, w := range []string{"", "I", "II", "III", "IV"} {
		if m.p.EarlierStage == w && w != "" {
			st = max(st, i)
		}
	}
	return st
}

func isTrue(b *bool) bool { return b != nil && *b }

// extent: under 30 percent of teeth localized, else generalized; molar and incisor pattern. Teeth of unknown attachment with a pocket make
// it indeterminate if they could change it; those without make it a lower bound (more).
func (m *mouthful) extent(st int, byB bool) (is string, more bool) {
	limit := []int{1, 1, 3, 5, 5}[st]
	at, could, receded, all := 0, 0, 0, 0
	molar, incisor, others := false, false, 0
	for j := range m.there {
		for p := range m.there[j] {
			if !m.there[j][p] {
				continue
			}
			all++
			w := m.worst(j, p)
			if byB {
				for _, s := range middle {
					if !m.skip[j][p][s] && m.al[j][p][s] >= 3 && m.up[j][p][s] > 3 {
						w = max(w, m.al[j][p][s])
					}
				}
			}
			open, shallow := false, true
			for _, s := range interdental {
				if m.skip[j][p][s] {
					continue
				}
				open = open || m.al[j][p][s] == unknown
				shallow = shallow && m.pd[j][p][s] != unknown && m.up[j][p][s] <= 3
			}
			if w >= limit {
				at++
				switch m.fdi[j][p] % 10 {
				case 6:
					molar = true
				case 1, 2:
					incisor = true
				default:
					others++
				}
			} else if open && shallow {
				receded++
			} else if open {
				could++
			}
		}
	}
	word := func(n int) string {
		if float64(n)/float64(all) < 0.3-1e-9 {
			return "localized"
		}
		return "generalized"
	}
	switch {
	case at == 0 || word(at) != word(at+could):
		return "indeterminate", false
	case molar && incisor && others <= 2 && at >= 3 && (m.p.Age == nil || *m.p.Age < 35):
		return "molar-incisor", false
	}
	return word(at), word(at) != word(at+could+receded)
}

// grade by table 4, without direct evidence.
func (m *mouthful) grade() string {
	g := "B"
	if m.p.BoneLossPercent != nil && m.p.Age != nil {
		// Hundredths, so that the ties are exact.
		loss, age := int(*m.p.BoneLossPercent*100), *m.p.Age*100
		switch {
		case 4*loss < age:
			g = "A"
		case loss > age:
			g = "C"
		}
	}
	if c := m.p.CigarettesPerDay; c != nil && *c > 0 {
		g = max(g, "B")
		if *c >= 10 {
			g = "C"
		}
	}
	if isTrue(m.p.Diabetes) {
		g = max(g, "B")
		if h := m.p.HbA1cPercent; h != nil && *h >= 7 {
			g = "C"
		}
	}
	return g
}

// surveillance: interdental sites, no third molars; a count of teeth takes a tooth once.
func (m *mouthful) surveillance() string {
	known, sites, teeth := 0, 0, 0
	al6, al4, al3sites, pd5teeth, pd5sites, pd4 := 0, 0, 0, 0, 0, 0
	for j := range m.there {
		for p := range m.there[j] {
			if !m.there[j][p] {
				continue
			}
			teeth++
			wa, wp := 0, 0
			for _, s := range interdental {
				sites++
				a, d := m.al[j][p][s], m.pd[j][p][s]
				if a != unknown && d != unknown {
					known++
				}
				wa, wp = max(wa, a), max(wp, d)
				if a >= 3 {
					al3sites++
				}
				if d >= 5 {
					pd5sites++
				}
			}
			if wa >= 6 {
				al6++
			}
			if wa >= 4 {
				al4++
			}
			if wp >= 5 {
				pd5teeth++
			}
			if wp >= 4 {
				pd4++
			}
		}
	}
	switch {
	case teeth < 2:
		return "indeterminate"
	case al6 >= 2 && pd5sites >= 1:
		return "severe"
	case al4 >= 2 || pd5teeth >= 2:
		return "moderate"
	case al3sites >= 2 && (pd4 >= 2 || pd5sites >= 1):
		return "mild"
	case known < sites:
		return "indeterminate"
	}
	return "none"
}

// gingiva on a mouth whose depths and bleeding are all known.
func (m *mouthful) gingiva() (string, bool) {
	n, bleeding, deepest, deepBleeding := 0, 0, 0, false // deepest with halves up
	for j := range m.there {
		for p := range m.there[j] {
			for s := 0; s < 6 && m.there[j][p]; s++ {
				if m.pd[j][p][s] == unknown || m.bop[j][p][s] == unknown {
					return "", false
				}
				n++
				bleeding += m.bop[j][p][s]
				deepest = max(deepest, m.up[j][p][s])
				deepBleeding = deepBleeding || m.bop[j][p][s] == 1 && m.pd[j][p][s] >= 4
			}
		}
	}
	if n == 0 {
		return "indeterminate", true
	}
	share := float64(bleeding) / float64(n)
	inflamed := "gingivitis-localized"
	if bleeding*10 > n*3 {
		inflamed = "gingivitis-generalized"
	}
	switch m.isCase() {
	case "yes":
		switch {
		case deepest >= 5 || deepBleeding:
			return "not-stable", true
		case share < 0.1-1e-9:
			return "stable", true
		}
		return inflamed, true
	case "no":
		switch {
		case deepest >= 4:
			return "indeterminate", true
		case share < 0.1-1e-9:
			return "health", true
		}
		return inflamed, true
	}
	// Attachment unknown: only gingivitis on a shallow mouth is the same whatever it is.
	if deepest < 4 && share >= 0.1-1e-9 {
		return inflamed, true
	}
	return "indeterminate", true
}

// anyMouth makes a chart near the thresholds of the rules.
func anyMouth(r *rand.Rand) *chart.Chart {
	c := &chart.Chart{}
	holes := []float64{0, 0, 0, 0.01, 0.3}[r.IntN(5)] // share of sites without margin
	blind := []float64{0, 0, 0, 0.01, 0.2}[r.IntN(5)] // without depth
	mute := []float64{0, 0, 0, 0.05}[r.IntN(4)]       // without an answer on bleeding
	sick := []float64{0, 0.01, 0.05, 0.3}[r.IntN(4)]  // with loss or depth
	bleed := []float64{0.02, 0.1, 0.3, 0.5}[r.IntN(4)]
	absent := []float64{0, 0.1, 0.5, 0.95}[r.IntN(4)]
	halves := r.IntN(3) == 0
	deepest, most := []int{3, 4, 5, 8}[r.IntN(4)], []int{2, 4, 8}[r.IntN(3)] // mm of depth, of loss
	furcated := r.IntN(4) == 0
	for _, t := range chart.AllTeeth() {
		rec := c.Tooth(t)
		rec.Presence = chart.Present
		if t.ThirdMolar() && r.IntN(4) > 0 || r.Float64() < absent {
			rec.Presence = chart.Missing
			if r.IntN(3) > 0 {
				tooth(c, t, func(in *chart.ToothInputs) { in.LostTo = "other" })
			}
			continue
		}
		for s := range rec.Sites {
			pd, al := 1+r.IntN(3), 0
			if r.Float64() < sick {
				pd, al = 1+r.IntN(deepest), r.IntN(most+1)
			}
			if r.Float64() >= blind {
				rec.Sites[s].Depth = chart.Millimetres(pd)
				if halves && r.IntN(5) == 0 {
					rec.Sites[s].Depth = chart.Half(2*pd + 1)
				}
			}
			if r.Float64() >= holes {
				rec.Sites[s].Recession = chart.Millimetres(al - pd)
			}
			if r.Float64() >= mute {
				rec.Sites[s].Flags[chart.Bleeding] = chart.Is(r.Float64() < bleed)
			}
			if al > 0 && r.IntN(20) == 0 {
				tooth(c, t, func(in *chart.ToothInputs) {
					if in.Sites == nil {
						in.Sites = map[chart.Site]chart.SiteInputs{}
					}
					in.Sites[chart.Site(s)] = chart.SiteInputs{Exclude: "trauma"}
				})
			}
		}
		for _, e := range t.Entrances() {
			if furcated && r.IntN(30) == 0 {
				rec.Furcation[e] = chart.GradeOf(r.IntN(4))
			}
		}
	}
	p := &c.Patient
	maybe := func(f func()) {
		if r.IntN(3) == 0 {
			f()
		}
	}
	maybe(func() { n := []int{0, 0, 0, 1, 4, 5}[r.IntN(6)]; p.TeethLostPeriodontitis = &n })
	maybe(func() { n := 20 + r.IntN(40); p.Age = &n })
	maybe(func() { f := float64(r.IntN(60)); p.BoneLossPercent = &f })
	maybe(func() { n := []int{0, 1, 9, 10, 20}[r.IntN(5)]; p.CigarettesPerDay = &n })
	maybe(func() { b := r.IntN(2) == 0; p.Diabetes = &b })
	maybe(func() { f := []float64{5, 6.9, 7, 8}[r.IntN(4)]; p.HbA1cPercent = &f })
	maybe(func() { f := []float64{0, 0, 2, 2.5, 3, 4}[r.IntN(6)]; p.VerticalLossMM = &f })
	maybe(func() { b := r.IntN(3) == 0; p.RehabilitationNeed = &b })
	maybe(func() { b := r.IntN(3) == 0; p.BiteCollapse = &b })
	if r.IntN(8) == 0 {
		p.Factors = map[string]string{"depth_6": []string{"confirmed", "rejected"}[r.IntN(2)]}
	}
	if r.IntN(8) == 0 {
		b := r.IntN(2) == 0
		p.HistoryOfPeriodontitis = &b
	}
	if r.IntN(20) == 0 {
		p.EarlierStage = []string{"I", "II", "III", "IV"}[r.IntN(4)]
	}
	if p.Diabetes == nil {
		p.HbA1cPercent = nil // what an HbA1c says without the question is the engine's own reading
	}
	return c
}

func tooth(c *chart.Chart, t chart.Tooth, f func(*chart.ToothInputs)) {
	if c.Patient.Teeth == nil {
		c.Patient.Teeth = map[chart.Tooth]chart.ToothInputs{}
	}
	in := c.Patient.Teeth[t]
	f(&in)
	c.Patient.Teeth[t] = in
}

// disagreements compares the engine with the plain reading of the texts on one chart.
func disagreements(c *chart.Chart, count map[string]int) []string {
	f := diagnosis.Assess(c, diagnosis.Options{})
	m := plain(c)
	// Outside the 18 years of the rule nothing is classified; ages here start at 20.
	var bad []string
	check := func(code, want string) {
		count[code+"="+want]++
		if got := f.Value(code); got != want {
			v, _ := f.Get(code)
			bad = append(bad, fmt.Sprintf("%s: engine %q, plain reading %q (%s)", code, got, want, v.Text))
		}
	}
	is := m.isCase()
	check("periodontitis.case", is)
	check("surveillance.cdc_aap_2012", m.surveillance())
	eights := false // they count for the gingiva, and the plain mouth has none
	for _, t := range []chart.Tooth{18, 28, 38, 48} {
		eights = eights || c.Tooth(t).Presence == chart.Present
	}
	if g, ok := m.gingiva(); ok && !eights {
		check("gingiva.status", g)
	}
	switch is {
	case "no":
		check("periodontitis.stage", "")
	case "indeterminate":
		check("periodontitis.stage", "indeterminate")
	case "yes":
		st := m.filled(false).stage(m, 0)
		word := []string{"indeterminate", "I", "II", "III", "IV"}[st]
		check("periodontitis.stage", word)
		check("periodontitis.grade", m.grade())
		// If missing readings or reasons of tooth loss could make it worse, it says "at least".
		worst := m.filled(true).stage(m, m.gone)
		v, _ := f.Get("periodontitis.stage")
		byBone := len(v.Because) > 0 && v.Because[0].Asked != nil && v.Because[0].Asked.Input == "bone_loss_percent"
		noSeverity := m.filled(false).severity(m) == 0 && m.p.BoneLossPercent == nil
		if st > 0 && !byBone && (worst > st || noSeverity && st < 4) != v.AtLeast {
			bad = append(bad, fmt.Sprintf("stage %s: atLeast %v, but with the worst readings it is %d (%s)", word, v.AtLeast, worst, v.Text))
		}
		if m.p.Factors == nil && st > 0 && !byBone {
			want, more := m.extent(st, !m.filled(false).byA(1) && m.filled(false).byB())
			check("periodontitis.extent", want)
			if v, _ := f.Get("periodontitis.extent"); v.AtLeast != more {
				bad = append(bad, fmt.Sprintf("extent %s, at least %v, plain %v (%s)", want, v.AtLeast, more, v.Text))
			}
			if more {
				count["periodontitis.extent at least"]++
			}
		}
	}
	return bad
}

// atRandom is how many random mouths are compared: with LEADSMAN_MEASURE (make accuracy) all, else the first fifth of them, since what depends
// on one reading alone shows in the first thousands.
func atRandom(all int) int {
	switch {
	case testing.Short():
		return all / 10
	case os.Getenv("LEADSMAN_MEASURE") != "":
		return all
	}
	return all / 5
}

func TestSecondImplementation(t *testing.T) {
	charts := atRandom(100_000)
	workers := runtime.NumCPU()
	var wg sync.WaitGroup
	var mu sync.Mutex
	total := map[string]int{}
	failed := 0
	for w := range workers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			r := rand.New(rand.NewPCG(2018, uint64(w)))
			count := map[string]int{}
			for range charts / workers {
				c := anyMouth(r)
				if bad := disagreements(c, count); len(bad) > 0 {
					mu.Lock()
					if failed++; failed <= 5 {
						var b bytes.Buffer
						chartfile.Encode(&b, c)
						t.Errorf("%q\n%s", bad, b.String())
					}
					mu.Unlock()
				}
			}
			mu.Lock()
			defer mu.Unlock()
			for k, n := range count {
				total[k] += n
			}
		}()
	}
	wg.Wait()
	t.Logf("%d charts, %d disagree; answers compared: %v", charts/workers*workers, failed, total)
	// Every answer of every rule came up, or the comparison would say less than it seems to.
	for _, k := range []string{"periodontitis.case=yes", "periodontitis.case=no", "periodontitis.case=indeterminate",
		"periodontitis.stage=I", "periodontitis.stage=II", "periodontitis.stage=III", "periodontitis.stage=IV",
		"periodontitis.extent=localized", "periodontitis.extent=generalized", "periodontitis.extent=molar-incisor", "periodontitis.extent=indeterminate", "periodontitis.extent at least",
		"periodontitis.grade=A", "periodontitis.grade=B", "periodontitis.grade=C",
		"surveillance.cdc_aap_2012=none", "surveillance.cdc_aap_2012=mild", "surveillance.cdc_aap_2012=moderate", "surveillance.cdc_aap_2012=severe",
		"gingiva.status=health", "gingiva.status=gingivitis-localized", "gingiva.status=gingivitis-generalized", "gingiva.status=stable", "gingiva.status=not-stable"} {
		if total[k] < charts/1000 {
			t.Errorf("%s came up only %d times", k, total[k])
		}
	}
}
