package diagnosis

import (
	"fmt"
	"math"
	"slices"
	"time"

	"leadsman/chart"
)

// Dated is one exam of a patient.
type Dated struct {
	Chart    *chart.Chart
	Day      time.Time
	Examiner string // "" not known
	// Therapy: active therapy lies between the exam before and this one.
	Therapy bool
}

// History is the course of a mouth over all exams, oldest first.
type History struct {
	Days  []string       `json:"days"` // of the exams
	Sites []SiteHistory  `json:"sites"`
	Teeth []ToothHistory `json:"teeth"`
	Mouth Trend          `json:"mouth"`
	Watch []Watch        `json:"watch"` // sites whose attachment loss was seen to grow at two exams, or stands in question since the last
	Plain []PlainLine    `json:"plain"` // the course in the words of patients
	Error *ErrorModel    `json:"error"`
	Notes []string       `json:"notes"`
}

// SiteHistory is one site over all exams; a reading that was not made is null.
type SiteHistory struct {
	chart.SiteRef
	Depth    []chart.MM `json:"depth"`
	Loss     []chart.MM `json:"attachmentLoss"`
	Bleeding []*bool    `json:"bleeding"`
	// Band is by how much a reading may lie off without any change, in mm to either side: 95 of 100 second readings lie within.
	Band int `json:"band"`
	// Median of each reading with the ones before and after: the line to look at.
	Median []*float64 `json:"median"`
}

// Trend is how a mean changes over time.
type Trend struct {
	Depth []*float64 `json:"depth"` // mean over the sites that every exam recorded, mm
	Loss  []*float64 `json:"attachmentLoss"`
	Sites int        `json:"sites"` // that every exam recorded
	Rate  *Rate      `json:"rate"`  // of the loss, mm a year, since the last therapy; nil where nothing can be said
}

// ToothHistory is the trend of one tooth.
type ToothHistory struct {
	Tooth chart.Tooth `json:"tooth"`
	Trend
}

// Watch is a site that lost attachment.
type Watch struct {
	chart.SiteRef
	From     chart.MM `json:"from"` // median of the exams before the change
	To       chart.MM `json:"to"`   // at the last exam
	Seen     int      `json:"seen"` // exams in a row, up to the last, that show the change
	Sure     bool     `json:"sure"` // seen at two exams or measured twice at the last
	Sentence string   `json:"sentence"`
}

// PlainLine is one line of the picture for the patient: a thing to count, at each exam.
type PlainLine struct {
	What   string `json:"what"`
	Counts []*int `json:"counts"`
	Of     []*int `json:"of"`
	Text   string `json:"text"`
}

// HistoryOf makes the course of a mouth. Exams are taken in the order of their days. A change at a site counts when two exams in a
// row show it, or when it was measured twice; the picture shows running medians.
// Source: running medians and the tolerance of pairs, Haffajee et al. 1983, J Clin Periodontol 10:298-310 (abstract, pages from
// memory); the same change at the next exam, Best et al. 1990, doi:10.1111/j.1600-051x.1990.tb01106.x (abstract).
func HistoryOf(exams []Dated, o Options) History {
	exams = slices.Clone(exams)
	slices.SortStableFunc(exams, func(a, b Dated) int { return a.Day.Compare(b.Day) })
	c := course{exams: exams, noise: o.errors()}
	h := History{Error: c.noise, Days: []string{}, Sites: []SiteHistory{}, Teeth: []ToothHistory{}, Watch: []Watch{}, Plain: []PlainLine{}, Notes: []string{}}
	for i, e := range exams {
		c.mouths = append(c.mouths, newMouth(e.Chart, &o))
		h.Days = append(h.Days, e.Day.Format(time.DateOnly))
		if e.Therapy {
			c.since = i
		}
	}
	if len(exams) == 0 {
		return h
	}
	last := c.mouths[len(exams)-1]
	all := c.newSums()
	for i := range last.teeth {
		now := &last.teeth[i]
		if now.stand != natural || now.t.Primary() {
			continue
		}
		one := c.newSums()
		for s := range now.sites {
			c.site(&h, now, chart.Site(s), &one)
		}
		if one.sites > 0 {
			h.Teeth = append(h.Teeth, ToothHistory{now.t, one.trend(exams, c.since)})
			all.add(&one)
		}
	}
	h.Mouth = all.trend(exams, c.since)
	slices.SortStableFunc(h.Watch, func(a, b Watch) int { return b.rank() - a.rank() })
	h.Plain = plainLines(c.mouths)
	if c.since > 0 {
		h.Notes = append(h.Notes, "Rates and sites to watch are counted from the first exam after the last therapy, on "+h.Days[c.since]+".")
	}
	if len(exams) < 3 {
		h.Notes = append(h.Notes, "Fewer than three exams: a single site is only sure when it was measured twice.")
	}
	return h
}

// course is a mouth over its exams, oldest first.
type course struct {
	exams  []Dated
	mouths []*mouth
	noise  *ErrorModel
	since  int // the first exam after the last therapy
}

// otherExaminer reports whether another examiner than that of the last exam is named at any.
func (c *course) otherExaminer() bool {
	last := c.exams[len(c.exams)-1].Examiner
	return last != "" && slices.ContainsFunc(c.exams, func(e Dated) bool { return e.Examiner != "" && e.Examiner != last })
}

// site adds the course of one site to the history, and its readings to the sums of its tooth where every exam has them.
func (c *course) site(h *History, now *tooth, s chart.Site, one *sums) {
	sh, losses := c.readings(now.t, s)
	if !slices.ContainsFunc(sh.Depth, chart.MM.Known) {
		return
	}
	last, other := len(c.exams)-1, c.otherExaminer()
	sp := c.noise.at(now.t, s, sh.Depth[last], other)
	for sh.Band = 1; 2*sp.beyond(sh.Band+1) > historyBand+1e-9; {
		sh.Band++
	}
	sh.Median = runningMedian(sh.Depth)
	h.Sites = append(h.Sites, sh)
	unknown := func(l chart.MM) bool { return !l.Known() }
	if !slices.ContainsFunc(sh.Depth, unknown) && !slices.ContainsFunc(losses, unknown) {
		one.count(sh.Depth, losses, sp)
	}
	if w, ok := watch(sh.SiteRef, losses[c.since:], threshold(other), &now.sites[s]); ok {
		w.Sentence = c.mouths[last].sentence(&w)
		h.Watch = append(h.Watch, w)
	}
}

// readings collects what the exams read at a site; losses are the measured ones, which can be compared.
func (c *course) readings(t chart.Tooth, s chart.Site) (sh SiteHistory, losses []chart.MM) {
	sh.SiteRef = chart.SiteRef{Tooth: t, Site: s}
	losses = make([]chart.MM, len(c.mouths))
	for x, m := range c.mouths {
		v := site{half: -1, depth: -1, loss: -1}
		if th := m.find(t); th != nil && th.stand == natural {
			v = th.sites[s]
		}
		var depth chart.MM
		if v.rec != nil {
			depth = v.rec.Depth
		}
		sh.Depth, sh.Loss, sh.Bleeding = append(sh.Depth, depth), append(sh.Loss, v.lossMM), append(sh.Bleeding, answerOf(v.flags[chart.Bleeding]))
		if v.loss >= 0 && !v.assumed && !v.clamped && !v.excluded {
			losses[x] = v.lossMM
		}
	}
	return sh, losses
}

// rank puts what is sure before what is a question.
func (w Watch) rank() int {
	if w.Sure {
		return 1
	}
	return 0
}

// runningMedian is the median of each value with its neighbours, so that one misreading does not show.
func runningMedian(ms []chart.MM) []*float64 {
	out := make([]*float64, len(ms))
	for i, m := range ms {
		if !m.Known() {
			continue
		}
		near := []int{}
		for j := max(0, i-1); j <= min(len(ms)-1, i+1); j++ {
			if ms[j].Known() {
				near = append(near, ms[j].Half())
			}
		}
		slices.Sort(near)
		v := float64(near[(len(near)-1)/2]+near[len(near)/2]) / 4
		out[i] = &v
	}
	return out
}

// watch finds out whether a site lost attachment up to the last exam.
func watch(ref chart.SiteRef, losses []chart.MM, limit int, now *site) (w Watch, ok bool) {
	var known []chart.MM
	for _, l := range losses {
		if l.Known() {
			known = append(known, l)
		}
	}
	if len(known) < 2 || !losses[len(losses)-1].Known() {
		return w, false
	}
	// The longest run of exams, up to the last, that all lie beyond the limit over the median of those before.
	for from := 1; from < len(known); from++ {
		before := make([]int, from)
		for i := range before {
			before[i] = known[i].Half()
		}
		slices.Sort(before)
		base := before[from/2] // of two the greater: a loss has to exceed both
		if slices.ContainsFunc(known[from:], func(l chart.MM) bool { return l.Half()-base < 2*limit }) {
			continue
		}
		w = Watch{SiteRef: ref, From: chart.Half(base), To: known[len(known)-1], Seen: len(known) - from}
		again := now.rec.Again
		twice := again.Known() && again.Half()-now.rec.Depth.Half()+w.To.Half()-base >= 2*limit
		if again.Known() && !twice && w.Seen == 1 {
			return Watch{}, false // measured again, and then it was not there
		}
		w.Sure = w.Seen >= 2 || twice
		return w, true
	}
	return w, false
}

func (m *mouth) sentence(w *Watch) string {
	at := m.at(w.Tooth, w.Site)
	switch {
	case w.Seen >= 2:
		return fmt.Sprintf("%s: attachment loss went from %s to %s mm, seen at %d exams.", at, w.From, w.To, w.Seen)
	case w.Sure:
		return fmt.Sprintf("%s: attachment loss went from %s to %s mm, measured twice at the last exam.", at, w.From, w.To)
	}
	return fmt.Sprintf("%s: attachment loss went from %s to %s mm at the last exam only: a question, measure again.", at, w.From, w.To)
}

// sums adds up readings of the sites that every exam recorded.
type sums struct {
	depth, loss []int // half-millimetres, by exam
	sites       int
	variance    float64 // of one reading, summed over the sites
}

func (c *course) newSums() sums {
	return sums{depth: make([]int, len(c.exams)), loss: make([]int, len(c.exams))}
}

// count adds the readings of one site, by exam.
func (s *sums) count(depths, losses []chart.MM, sp *spread) {
	for x := range depths {
		s.depth[x] += depths[x].Half()
		s.loss[x] += losses[x].Half()
	}
	s.sites++
	s.variance += sp.sd() * sp.sd() / 2
}

func (s *sums) add(o *sums) {
	for i := range s.depth {
		s.depth[i] += o.depth[i]
		s.loss[i] += o.loss[i]
	}
	s.sites += o.sites
	s.variance += o.variance
}

// trend fits a line through the means since an exam. Its interval is that of the error of the readings and of what one exam
// as a whole reads deeper or shallower than another.
func (s *sums) trend(exams []Dated, since int) Trend {
	t := Trend{Depth: make([]*float64, len(exams)), Loss: make([]*float64, len(exams)), Sites: s.sites}
	if s.sites == 0 {
		return t
	}
	n := float64(s.sites)
	for i := range exams {
		d, l := float64(s.depth[i])/2/n, float64(s.loss[i])/2/n
		t.Depth[i], t.Loss[i] = &d, &l
	}
	years := func(i int) float64 { return YearsOf(exams[i].Day.Sub(exams[since].Day)) }
	count := len(exams) - since
	if count < 2 || years(len(exams)-1) < progressionYears {
		return t
	}
	var sx, sy, sxx, sxy float64
	for i := since; i < len(exams); i++ {
		x, y := years(i), *t.Loss[i]
		sx, sy, sxx, sxy = sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	c := float64(count)
	spread := sxx - sx*sx/c
	if spread <= 0 {
		return t
	}
	slope := (sxy - sx*sy/c) / spread
	margin := normal95 * math.Sqrt((s.variance/n/n+examShift*examShift)/spread)
	t.Rate = &Rate{rounded(slope, 2), rounded(slope-margin, 2), rounded(slope+margin, 2)}
	return t
}

// plainLines is the course in words that a patient knows: what is counted is what he can change.
func plainLines(mouths []*mouth) []PlainLine {
	lines := []PlainLine{{What: "places that bleed when touched"}, {What: "deep places (5 mm or more)"}, {What: "places with plaque"}}
	for _, m := range mouths {
		var n, of [3]int
		for _, th := range m.scored {
			for s := range th.sites {
				v := &th.sites[s]
				for i, f := range map[int]chart.Flag{0: chart.Bleeding, 2: chart.Plaque} {
					if v.flags[f].Recorded() {
						of[i]++
					}
					if v.flags[f] == chart.Yes {
						n[i]++
					}
				}
				if v.depth >= 0 {
					of[1]++
				}
				if v.depth >= closureBaseline {
					n[1]++
				}
			}
		}
		for i := range lines {
			var c, all *int
			if of[i] > 0 && 100*of[i] >= completePercent*m.depthsRecorded {
				c, all = &n[i], &of[i]
			}
			lines[i].Counts, lines[i].Of = append(lines[i].Counts, c), append(lines[i].Of, all)
		}
	}
	for i := range lines {
		l := &lines[i]
		first, last := slices.IndexFunc(l.Counts, func(c *int) bool { return c != nil }), len(mouths)-1
		if first < 0 || l.Counts[last] == nil {
			continue
		}
		a, b := *l.Counts[first], *l.Counts[last]
		switch {
		case first == last:
			l.Text = fmt.Sprintf("%d %s, of %d.", b, l.What, *l.Of[last])
		case b < a:
			l.Text = fmt.Sprintf("From %d to %d %s: fewer than before.", a, b, l.What)
		case b > a:
			l.Text = fmt.Sprintf("From %d to %d %s: more than before.", a, b, l.What)
		default:
			l.Text = fmt.Sprintf("%d %s, as before.", b, l.What)
		}
	}
	return lines
}
