package diagnosis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"leadsman/chart"
)

// Session is one mouth read by two examiners, the reference and one whose agreement with it is to be known.
type Session struct {
	Patient            string // tells mouths apart; sessions with the same one are not independent
	Reference, Trainee *chart.Chart
	Examiner           string // the trainee
}

// Calibration is how far examiners agree with a reference over many mouths.
type Calibration struct {
	Examiners []ExaminerAgreement `json:"examiners"` // by name
	All       ExaminerAgreement   `json:"all"`
	Notes     []string            `json:"notes"`
}

// ExaminerAgreement is the agreement of one examiner. Intervals are of 95 percent and take the patient, not the site, as the unit.
type ExaminerAgreement struct {
	Examiner string   `json:"examiner"`
	Patients int      `json:"patients"`
	Sites    int      `json:"sites"`
	Within1  Interval `json:"within1Percent"` // depths within 1 mm
	Exact    Interval `json:"exactPercent"`
	Kappa    Interval `json:"kappaQuadratic"` // of depths, weights by squared millimetres
	ICC      Interval `json:"icc21"`
	Bias     Interval `json:"bias"`          // trainee less reference, mm
	Bleeding Interval `json:"bleedingKappa"` // of the answers on bleeding
}

// Interval is a figure with its limits; nil where the numbers do not allow it.
type Interval struct {
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

func (i Interval) text(decimals int) string {
	if i.Low == nil {
		return optional(i.Value, decimals)
	}
	return fmt.Sprintf("%s (%s to %s)", optional(i.Value, decimals), optional(i.Low, decimals), optional(i.High, decimals))
}

// pairsOf are the readings of one patient that were made twice.
type pairsOf struct {
	x, y    []int // depths, half-millimetres
	p, q    []int // bleeding, 1 yes
	patient string
}

// Calibrate gives the agreement of each examiner and of all together. Sites of one mouth are not independent, so intervals come from
// leaving out one patient at a time (the delete-one jackknife, Efron and Stein 1981, Ann Stat 9:586-596, from memory) with Student's
// quantile; under three patients there is none. Kappa, ICC and the rest as in Agree.
func Calibrate(sessions []Session, o Options) Calibration {
	by := map[string]map[string]*pairsOf{}
	all := map[string]*pairsOf{}
	for _, s := range sessions {
		if by[s.Examiner] == nil {
			by[s.Examiner] = map[string]*pairsOf{}
		}
		for _, into := range []map[string]*pairsOf{by[s.Examiner], all} {
			if into[s.Patient] == nil {
				into[s.Patient] = &pairsOf{patient: s.Patient}
			}
			into[s.Patient].add(s, &o)
		}
	}
	c := Calibration{Examiners: []ExaminerAgreement{}, All: calibrated("all", all), Notes: []string{}}
	for name, patients := range by {
		c.Examiners = append(c.Examiners, calibrated(name, patients))
	}
	slices.SortFunc(c.Examiners, func(a, b ExaminerAgreement) int { return strings.Compare(a.Examiner, b.Examiner) })
	if slices.ContainsFunc(c.Examiners, func(e ExaminerAgreement) bool { return e.Patients < jackknifePatients }) {
		c.Notes = append(c.Notes, fmt.Sprintf("An examiner with fewer than %d patients has no interval: how much patients differ is not known.", jackknifePatients))
	}
	c.Notes = append(c.Notes, "Patients are the unit of the intervals. What agreement is enough is for the school or the study to decide.")
	return c
}

func (p *pairsOf) add(s Session, o *Options) {
	a, b := newMouth(s.Reference, o), newMouth(s.Trainee, o)
	for i := range b.teeth {
		y := &b.teeth[i]
		x := a.find(y.t)
		if x == nil || x.stand == gone || y.stand == gone {
			continue
		}
		for k := range y.sites {
			v, w := &x.sites[k], &y.sites[k]
			if v.depth >= 0 && w.depth >= 0 {
				p.x, p.y = append(p.x, v.rec.Depth.Half()), append(p.y, w.rec.Depth.Half())
			}
			if f, g := v.flags[chart.Bleeding], w.flags[chart.Bleeding]; f.Recorded() && g.Recorded() {
				p.p, p.q = append(p.p, int(f)), append(p.q, int(g))
			}
		}
	}
}

// calibrated works out the figures of some patients' pairs.
func calibrated(name string, by map[string]*pairsOf) ExaminerAgreement {
	var patients []*pairsOf
	for _, p := range by {
		patients = append(patients, p)
	}
	slices.SortFunc(patients, func(a, b *pairsOf) int { return strings.Compare(a.patient, b.patient) })
	e := ExaminerAgreement{Examiner: name, Patients: len(patients)}
	for _, p := range patients {
		e.Sites += len(p.x)
	}
	depth := func(of func(x, y []int) *float64) Interval {
		return jackknife(patients, func(ps []*pairsOf) *float64 {
			var x, y []int
			for _, p := range ps {
				x, y = append(x, p.x...), append(y, p.y...)
			}
			return of(x, y)
		})
	}
	group := func(pick func(AgreementGroup) *float64) Interval {
		return depth(func(x, y []int) *float64 {
			if len(x) == 0 {
				return nil
			}
			return pick(agreeOn("all", x, y))
		})
	}
	e.Within1 = group(func(g AgreementGroup) *float64 { return g.Within1 })
	e.Exact = group(func(g AgreementGroup) *float64 { return g.Exact })
	e.Kappa = group(func(g AgreementGroup) *float64 { return g.KappaQuad })
	e.ICC = group(func(g AgreementGroup) *float64 { return g.ICC })
	e.Bias = group(func(g AgreementGroup) *float64 { return g.Bias })
	e.Bleeding = jackknife(patients, func(ps []*pairsOf) *float64 {
		var p, q []int
		for _, x := range ps {
			p, q = append(p, x.p...), append(q, x.q...)
		}
		return weightedKappa(p, q, 1) // of two answers it is Cohen's
	})
	return e
}

// jackknife gives a figure of all patients with an interval from leaving out each in turn.
func jackknife(patients []*pairsOf, of func([]*pairsOf) *float64) Interval {
	i := Interval{Value: of(patients)}
	n := len(patients)
	if i.Value == nil || n < jackknifePatients {
		return i
	}
	var pseudo []float64
	for k := range patients {
		v := of(slices.Concat(patients[:k], patients[k+1:]))
		if v == nil {
			return i
		}
		pseudo = append(pseudo, float64(n)**i.Value-float64(n-1)**v)
	}
	mean, ss := 0.0, 0.0
	for _, p := range pseudo {
		mean += p / float64(n)
	}
	for _, p := range pseudo {
		ss += (p - mean) * (p - mean)
	}
	margin := student95(n-1) * math.Sqrt(ss/float64(n-1)/float64(n))
	low, high := *i.Value-margin, *i.Value+margin
	i.Low, i.High = &low, &high
	return i
}

// student95 is the two-sided 95 percent quantile of Student's distribution, from tables; between their rows the greater one.
func student95(df int) float64 {
	table := [...]float64{0, 12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086}
	switch {
	case df < len(table):
		return table[df]
	case df < 30:
		return 2.086
	case df < 60:
		return 2.042
	case df < 120:
		return 2.000
	}
	return 1.980
}

// Text writes the calibration as a page that can be kept: one line an examiner, and what the figures mean.
func (c *Calibration) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Calibration of examiners against a reference. Rules %s\n\n", RuleSet)
	line := func(e *ExaminerAgreement) {
		fmt.Fprintf(&b, "%s: %s, %s\n", e.Examiner, many(e.Patients, "patient"), many(e.Sites, "site"))
		for _, f := range []struct {
			what     string
			i        Interval
			decimals int
		}{{"depths within 1 mm, percent", e.Within1, 1}, {"depths the same, percent", e.Exact, 1}, {"kappa, quadratic weights", e.Kappa, 2}, {"ICC(2,1)", e.ICC, 2},
			{"reads deeper than the reference by, mm", e.Bias, 2}, {"kappa of bleeding", e.Bleeding, 2}} {
			fmt.Fprintf(&b, "  %-40s %s\n", f.what, f.i.text(f.decimals))
		}
	}
	for i := range c.Examiners {
		line(&c.Examiners[i])
	}
	if len(c.Examiners) > 1 {
		line(&c.All)
	}
	for _, n := range c.Notes {
		fmt.Fprintf(&b, "note %s\n", n)
	}
	b.WriteByte('\n')
	for _, s := range Cautions() {
		fmt.Fprintf(&b, "! %s\n", s)
	}
	return b.String()
}
