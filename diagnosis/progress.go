package diagnosis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"leadsman/chart"
)

// Rate is loss of attachment over time at the sites that lost, with its 95 percent interval. What chance gives on average is
// taken off.
type Rate struct {
	PerYear float64 `json:"mmPerYear"`
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
}

// lost is one site that lost attachment since the exam before.
type lost struct {
	ref      chart.SiteRef
	was, now chart.MM
	tooth    *tooth
	least    int // the lesser change of two readings, half-millimetres; 0: read once
}

// progress is what two exams say about loss of attachment between them.
type progress struct {
	once     Chance // sites measured once at the later exam that lost by the threshold or more
	twice    Chance // sites that were measured again and lost by both readings
	sites    []lost // of once, deepest change first
	again    []lost // of twice
	large    []lost // of twice, where a loss of largeMM or more is beyond chance by its size, however few they are
	largeMM  int
	denied   int     // measured again, and then no change
	assumed  int     // sites left out because a margin is assumed
	gained   int     // sites that gained attachment by the threshold or more
	shift    float64 // share of the sites that read 1 mm more as the mouth as a whole reads deeper
	excess   float64
	variance float64
}

// progressOf counts the sites of natural teeth that lost attachment between two exams. All six sites of a tooth count; sites
// whose loss has another cause, is taken as 0 or rests on an assumed margin do not.
func progressOf(before, after *mouth, other bool, m *ErrorModel) progress {
	w := progressing{limit: threshold(other), other: other, model: m}
	for i := range after.teeth {
		now := &after.teeth[i]
		was := before.find(now.t)
		if was == nil || now.stand != natural || was.stand != natural || now.t.Primary() || !now.classed && !now.scored {
			continue
		}
		for s := range now.sites {
			w.add(now, chart.Site(s), &was.sites[s], &now.sites[s])
		}
	}
	p := &w.progress
	p.shift = max(0, w.all.shift())
	p.once.Expected = w.all.expected(w.limit, p.shift)
	p.once.close()
	p.twice.Sites = p.once.Sites
	if w.anyAgain {
		p.twice.Expected = w.all.expected(w.limit, p.shift) * errorPersists
	}
	p.twice.close()
	w.findLarge()
	deeper := func(a, b lost) int { return b.now.Half() - b.was.Half() - a.now.Half() + a.was.Half() }
	slices.SortStableFunc(p.sites, deeper)
	slices.SortStableFunc(p.again, deeper)
	return *p
}

// progressing is the progress while its sites are counted.
type progressing struct {
	progress
	limit    int  // mm
	other    bool // another examiner
	model    *ErrorModel
	all      differences
	anyAgain bool // a site was measured again
}

func (w *progressing) add(now *tooth, s chart.Site, x, y *site) {
	if x.loss < 0 || y.loss < 0 || x.clamped || y.clamped || y.excluded || x.excluded {
		return
	}
	if x.assumed || y.assumed {
		w.assumed++
		return
	}
	w.once.Sites++
	sp := w.model.at(now.t, s, x.rec.Depth, w.other)
	w.excess += sp.excess(w.limit)
	w.variance += sp.sd() * sp.sd()
	d, again := y.lossMM.Half()-x.lossMM.Half(), y.rec.Again
	w.all.add(sp, d)
	if d <= -2*w.limit {
		w.gained++
	}
	w.anyAgain = w.anyAgain || again.Known()
	if d < 2*w.limit {
		return
	}
	l := lost{ref: chart.SiteRef{Tooth: now.t, Site: s}, was: x.lossMM, now: y.lossMM, tooth: now}
	switch second := d + again.Half() - y.rec.Depth.Half(); {
	case !again.Known():
		w.once.Seen++
		w.sites = append(w.sites, l)
	case second >= 2*w.limit:
		w.twice.Seen++
		l.least = min(d, second)
		w.again = append(w.again, l)
	default:
		w.denied++
	}
}

// findLarge finds the losses that count by their size: a large loss that was read twice is rarer by chance than one at the threshold.
func (w *progressing) findLarge() {
	p := &w.progress
	for n := w.limit + 1; n < len(spread{}) && p.large == nil; n++ {
		var big []lost
		for _, l := range p.again {
			if l.least >= 2*n {
				big = append(big, l)
			}
		}
		if len(big) > chanceMost(w.all.expected(n, p.shift)*errorPersists) {
			p.large, p.largeMM = big, n
		}
	}
}

// beyond reports whether more sites lost attachment than errors of measurement explain: more than the error model expects, and
// more than gained as much, which shows how readings scatter in this very mouth; or sites that were read twice, by their number or by
// the size of their loss.
func (p *progress) beyond() bool {
	return p.many() || p.large != nil
}

func (p *progress) many() bool {
	return p.once.Beyond && signTest(p.once.Seen, p.gained) <= chanceSign || p.twice.Beyond
}

// signTest is the chance that of a number of changes as many or more go one way when both ways are as likely.
func signTest(one, other int) float64 {
	n, p := one+other, 0.0
	for k := one; k <= n; k++ {
		lg, _ := math.Lgamma(float64(n + 1))
		la, _ := math.Lgamma(float64(k + 1))
		lb, _ := math.Lgamma(float64(n - k + 1))
		p += math.Exp(lg - la - lb - float64(n)*math.Ln2)
	}
	return p
}

// rate is the loss a year at the sites that lost, over so many years.
func (p *progress) rate(years float64) (r Rate, ok bool) {
	sites, excess := slices.Concat(p.sites, p.again), p.excess
	if len(p.sites) == 0 {
		excess *= errorPersists
	}
	if !p.many() && p.large != nil {
		sites, excess = p.large, 0 // by chance next to none are so large
	}
	if len(sites) == 0 || years <= 0 || p.once.Sites == 0 {
		return r, false
	}
	sum := 0.0
	for _, l := range sites {
		sum += l.now.Float() - l.was.Float()
	}
	n := float64(len(sites))
	mean := max(0, (sum-excess)/n)
	margin := normal95 * math.Sqrt(p.variance/float64(p.once.Sites)/n)
	return Rate{rounded(mean/years, 2), rounded(max(0, mean-margin)/years, 2), rounded((mean+margin)/years, 2)}, true
}

// progression says whether attachment was lost since the exam before: more than errors of measurement explain, at single sites
// measured twice, perhaps, or not. It is nil without an exam before.
// Source: the number seen beside the number expected, and single sites only when measured again: Machtei et al. 1993,
// doi:10.1902/jop.1993.64.8.713; Best et al. 1990, doi:10.1111/j.1600-051x.1990.tb01106.x (abstracts). The interval of six months
// and the level of 1 in 100 mouths are engineering choices, shown by simulation in docs/measurement-error.md.
func (m *mouth) progression() *Finding {
	e := m.o.Earlier
	if e == nil || e.Chart == nil {
		return nil
	}
	if m.progress == nil {
		o := *m.o
		o.Earlier = nil
		p := progressOf(newMouth(e.Chart, &o), m, e.OtherExaminer, m.o.errors())
		m.progress = &p
	}
	p := m.progress
	f := &Finding{Code: "progression.status", Rule: "PROGRESSION", Source: srcProgression, Recorded: p.once.Sites, Eligible: m.lossSites(), Provisional: true}
	for _, l := range slices.Concat(p.again, p.sites) {
		f.Because = append(f.Because, l.tooth.siteEvidence(l.ref.Site))
	}
	f.Notes = append(f.Notes, "Error of measurement: "+m.o.errors().Source+".")
	if e.OtherExaminer {
		f.Notes = append(f.Notes, "Another examiner or probe: a site counts from 3 mm on.")
	}
	if p.denied > 0 {
		f.Notes = append(f.Notes, many(p.denied, "site")+" read deeper and, measured again, did not: not counted.")
	}
	if p.assumed > 0 {
		f.Notes = append(f.Notes, many(p.assumed, "site")+" left out: the margin is assumed, not measured.")
	}
	m.judgeProgress(f, p, e)
	if f.Value.String() == "indeterminate" {
		return f
	}
	if q, ok := m.confirm(p); ok && f.Value.String() != "beyond-chance" {
		q.CouldBe = []string{"not-shown", "confirmed-sites", "beyond-chance"}
		f.Missing = append(f.Missing, q)
	}
	return f
}

// judgeProgress gives the value; the first that holds counts.
func (m *mouth) judgeProgress(f *Finding, p *progress, e *Earlier) {
	what := fmt.Sprintf("lost %d mm of attachment or more since the exam before", threshold(e.OtherExaminer))
	switch {
	case e.Years <= 0 || math.IsNaN(e.Years):
		f.Value, f.Text = word("indeterminate"), "Progression cannot be judged: the exam called earlier was not made before this one."
		f.Because = nil
	case p.once.Sites == 0:
		f.Value, f.Text = word("indeterminate"), "Progression cannot be judged: no site has a measured attachment loss at both exams."
	case e.Therapy:
		f.Value, f.Text = word("after-therapy"), fmt.Sprintf("Therapy lies between the two exams, so their difference is no rate of progression; %s %s.", p.seen(), what)
	case e.Years < progressionYears:
		f.Value, f.Text = word("too-soon"), fmt.Sprintf("Too soon for a rate: less than six months lie between the two exams; %s %s.", p.seen(), what)
	case p.beyond():
		f.Value, f.Provisional = word("beyond-chance"), false
		f.Text = m.beyondChance(p, what)
		if r, ok := p.rate(e.Years); ok {
			f.Notes = append(f.Notes, fmt.Sprintf("At these sites %.1f mm a year (95 percent interval %.1f to %.1f), chance taken off.", r.PerYear, r.Low, r.High))
		}
	case len(p.again) > 0:
		f.Value = word("confirmed-sites")
		f.Text = fmt.Sprintf("Loss of attachment was read twice at %s: %s. In a whole mouth about %s of the kind come from wrong readings at the exam before: a question until a radiograph or the next exam confirms it.",
			many(len(p.again), "site"), m.lostText(p.again), about(p.twice.Expected))
	case len(p.sites) > 0 && p.shift > shiftedMouth:
		f.Value = word("question")
		f.Text = fmt.Sprintf("The whole mouth reads about 1 mm deeper than before (%s %s): another probe, force or way of rounding?", p.seen(), what)
	case len(p.sites) > 0:
		f.Value = word("question")
		f.Text = fmt.Sprintf("No progression is shown: %s %s; errors of measurement alone give about %s.", p.seen(), what, about(p.once.Expected))
	default:
		f.Value = word("not-shown")
		f.Text = fmt.Sprintf("No progression is shown: none of %s %s. Smaller changes cannot be told from errors of measurement.", many(p.once.Sites, "site"), what)
	}
}

// beyondChance says what is more than errors of measurement explain: so many sites, or so large a loss.
func (m *mouth) beyondChance(p *progress, what string) string {
	if !p.many() {
		return fmt.Sprintf("Attachment was lost, read twice at %s: %s. Errors of measurement alone give so many losses of %d mm or more, read twice, in less than one mouth of a hundred.",
			many(len(p.large), "site"), m.lostText(p.large), p.largeMM)
	}
	c := &p.once
	if !c.Beyond {
		c = &p.twice
	}
	return fmt.Sprintf("Attachment was lost: %d sites %s, and errors of measurement alone give about %s, hardly more than %d.", c.Seen, what, about(c.Expected), c.Most)
}

func (p *progress) seen() string {
	return fmt.Sprintf("%d of %s", p.once.Seen+p.twice.Seen, many(p.once.Sites, "site"))
}

// lossSites counts the sites that could have an attachment loss.
func (m *mouth) lossSites() int {
	n := 0
	for _, th := range m.scored {
		if !th.t.Primary() {
			n += len(th.sites)
		}
	}
	return n
}

// lostText writes lost sites for people: "16 MB from 3 to 5 mm".
func (m *mouth) lostText(ls []lost) string {
	const shown = 6
	var out []string
	for i, l := range ls {
		if i == shown {
			out = append(out, fmt.Sprintf("and %d more", len(ls)-shown))
			break
		}
		out = append(out, fmt.Sprintf("%s from %s to %s mm", m.at(l.ref.Tooth, l.ref.Site), l.was, l.now))
	}
	return strings.Join(out, ", ")
}

// confirm asks to measure again where attachment seems to be lost, or for radiographs where it was measured again.
func (m *mouth) confirm(p *progress) (q Missing, ok bool) {
	switch {
	case len(p.sites) > 0:
		q = Missing{Input: "depth_again", Question: "Confirm: attachment loss went at " + m.lostText(p.sites) + ". Measure these sites again at this visit; a change counts when it is seen twice."}
		for _, l := range p.sites {
			q.Sites = append(q.Sites, l.ref)
		}
	case len(p.again) > 0:
		q = Missing{Input: "progression_mm,progression_years", Question: "Does a radiograph show bone loss where attachment was lost by two readings: " + m.lostText(p.again) + "?"}
		for _, l := range p.again {
			q.Sites = append(q.Sites, l.ref)
		}
	default:
		return q, false
	}
	return q, true
}
