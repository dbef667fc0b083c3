package diagnosis

import (
	"math"
	"slices"
	"sync"

	"leadsman/chart"
)

// permanent lists the 32 permanent teeth by FDI number, and primary the 20 primary ones.
var permanent, primary = func() (p, q []chart.Tooth) {
	p = chart.AllTeeth()
	slices.Sort(p)
	for t := chart.Tooth(51); t <= 85; t++ {
		if t.Valid() {
			q = append(q, t)
		}
	}
	return p, q
}()

const mostTeeth = 52 // permanent and primary

// stand is what a tooth position is to the rules.
type stand uint8

const (
	gone    stand = iota // no tooth, or not erupted
	natural              // a natural tooth
	implant
)

// site is one site as the rules see it. Whole millimetres are -1 when not known.
type site struct {
	depth, loss int8
	half        int16 // depth in half-millimetres as limits of the form "over 4" take it, -1 when not known
	rec         *chart.SiteRecord
	recession   chart.MM // with the chosen default
	lossMM      chart.MM
	flags       [chart.NumFlags]chart.YesNo // with what was called by exception
	excluded    bool                        // its loss has a cause other than periodontitis
	noLoss      bool                        // its attachment loss cannot be read: CEJ hidden or lost
	out         bool                        // not assessable: something is in the way
	clamped     bool
	assumed     bool // its margin was not measured: the chosen default
}

// tooth is one tooth position as the rules see it.
type tooth struct {
	t         chart.Tooth
	stand     stand
	mentioned bool // the chart says something about it
	classed   bool // counts for case, stage and extent
	scored    bool // counts for scores, means and counts
	rec       *chart.ToothRecord
	asked     chart.ToothInputs
	sites     [chart.NumSites]site

	// Interdental attachment loss: the greatest known one (-1 if none), its site, and whether
	// there are sites without one.
	worst     int8
	bone      float64 // percent of the root, by the clinician's reading of a radiograph; -1 not known
	worstSite chart.Site
	open      bool
}

// bleedingAnswers counts sites with an answer on bleeding, and those that bleed.
type bleedingAnswers struct{ sites, yes int }

// mouth is a chart as the rules see it.
type mouth struct {
	c       *chart.Chart
	p       *chart.Patient
	o       *Options
	n       chart.Numbering
	teeth   []tooth // by FDI number
	classed []*tooth
	scored  []*tooth
	primary bool // a primary tooth is present

	// Teeth of the 28 that are not there, and why.
	lost             int // to periodontitis, by tooth
	lostUnknown      []chart.Tooth
	absent           int // of the 28, never formed and unerupted ones left out
	unmentioned      []chart.Tooth
	readingsOnAbsent []chart.Tooth
	depthsRecorded   int // over scored teeth
	sitesEligible    int
	lossRecorded     int // interdental, over classed teeth
	lossEligible     int
	deepest          int             // mm, over scored teeth, -1 if none
	deepestHalf      int             // deepest in half-millimetres
	answers          bleedingAnswers // of the scored teeth
	progress         *progress       // since the exam before, once worked out
	room             *room
}

// room is the memory of a mouth that no finding keeps.
type room struct {
	teeth  []tooth
	found  []Evidence // of collect
	survey surveyed
	sums   [2]areaSum
}

func newMouth(c *chart.Chart, o *Options) *mouth {
	m := &mouth{c: c, p: &c.Patient, o: o, n: c.Numbering, deepest: -1}
	if m.n == "" {
		m.n = chart.FDI
	}
	m.room = rooms.Get().(*room)
	m.teeth = m.room.teeth[:0]
	for _, t := range permanent {
		m.add(t)
	}
	for _, t := range primary {
		if !c.Tooth(t).Empty() {
			m.add(t)
		}
	}
	// Pointers only now that the slice grows no more.
	m.classed, m.scored = make([]*tooth, 0, len(m.teeth)), make([]*tooth, 0, len(m.teeth))
	for i := range m.teeth {
		th := &m.teeth[i]
		if th.classed {
			m.classed = append(m.classed, th)
		}
		if th.scored {
			m.scored = append(m.scored, th)
			for s := range th.sites {
				if y := th.sites[s].flags[chart.Bleeding]; y.Recorded() {
					m.answers.sites++
					if y == chart.Yes {
						m.answers.yes++
					}
				}
				v := &th.sites[s]
				m.sitesEligible++
				if v.depth >= 0 {
					m.depthsRecorded++
					m.deepest, m.deepestHalf = max(m.deepest, int(v.depth)), max(m.deepestHalf, int(v.half))
				}
			}
		}
	}
	return m
}

// add takes up one tooth position: whether a tooth stands there, whether it counts, and its sites.
func (m *mouth) add(t chart.Tooth) {
	m.teeth = append(m.teeth, tooth{t: t, rec: m.c.Tooth(t), asked: m.p.Teeth[t], mentioned: true, worst: -1, bone: -1})
	th := &m.teeth[len(m.teeth)-1]
	if b := th.asked.BoneLossPercent; b != nil {
		th.bone = *b
	}
	m.findStand(th)
	eight := t.ThirdMolar()
	th.classed = th.stand == natural && !t.Primary() && (!eight || m.o.ThirdMolars)
	th.scored = th.stand == natural && !(eight && m.o.ScoresWithout8)
	m.primary = m.primary || t.Primary() && th.stand == natural
	if !t.Primary() && !eight && th.stand != natural {
		m.countAbsent(th)
	}
	if th.stand == gone {
		return
	}
	for s := range th.sites {
		m.look(th, chart.Site(s))
	}
	if th.classed {
		m.interdentalLoss(th)
	}
}

// findStand finds out what stands at a position: of a tooth that the chart does not mention, by its readings and by what is usual.
func (m *mouth) findStand(th *tooth) {
	read := th.rec.Sites != [chart.NumSites]chart.SiteRecord{}
	switch th.rec.Presence {
	case chart.Present:
		th.stand = natural
	case chart.Implant:
		th.stand = implant
	case chart.Missing, chart.Unerupted:
		if read {
			m.readingsOnAbsent = append(m.readingsOnAbsent, th.t)
		}
	default:
		switch {
		case read || th.rec.Mobility.Recorded():
			th.stand = natural
		case th.asked.LostTo != "":
		case th.t.Primary() || th.t.ThirdMolar() || m.o.UnlistedMissing:
			th.mentioned = false
		default: // present until called missing
			th.stand, th.mentioned = natural, false
			m.unmentioned = append(m.unmentioned, th.t)
		}
	}
}

// countAbsent counts a position of the 28 without a natural tooth, by why it is so.
func (m *mouth) countAbsent(th *tooth) {
	if th.rec.Presence == chart.Unerupted || th.asked.LostTo == "never_formed" {
		return
	}
	m.absent++
	switch th.asked.LostTo {
	case "periodontitis":
		m.lost++
	case "other":
	default:
		m.lostUnknown = append(m.lostUnknown, th.t)
	}
}

// interdentalLoss finds the worst interdental site of a tooth, and whether there are sites without a known loss.
func (m *mouth) interdentalLoss(th *tooth) {
	for s := range th.sites {
		v := &th.sites[s]
		if !chart.Site(s).Interdental() || v.excluded {
			continue
		}
		m.lossEligible++
		if v.loss < 0 {
			th.open = th.open || !m.ruledOut(th, v)
			continue
		}
		m.lossRecorded++
		if v.loss > th.worst {
			th.worst, th.worstSite = v.loss, chart.Site(s)
		}
	}
}

// look reads one site of a tooth.
func (m *mouth) look(th *tooth, s chart.Site) {
	rec := &th.rec.Sites[s]
	v := &th.sites[s]
	v.rec, v.depth, v.half, v.loss, v.recession, v.flags = rec, -1, -1, -1, rec.Recession, rec.Flags
	var asked chart.SiteInputs
	if th.asked.Sites != nil {
		asked = th.asked.Sites[s]
	}
	v.out = asked.NotAssessable != "" && !rec.Depth.Known()
	v.noLoss = asked.CEJUnknown != nil && *asked.CEJUnknown
	v.excluded = asked.Exclude != "" && appliesTo(asked.Exclude, s) || th.asked.Exclude != "" && appliesTo(th.asked.Exclude, s)
	if !v.recession.Known() && m.p.MarginDefault != nil {
		v.recession, v.assumed = chart.Millimetres(*m.p.MarginDefault), true
	}
	if rec.Depth.Known() {
		v.depth, v.half = m.whole(rec.Depth), int16(rec.Depth.Half())
		if m.o.Nearest {
			v.half = 2 * int16(v.depth)
		}
		for _, f := range m.p.ByException {
			for i := range v.flags {
				if chart.Flag(i).String() == f && v.flags[i] == chart.NotRecorded {
					v.flags[i] = chart.No
				}
			}
		}
	}
	if v.noLoss {
		v.recession = chart.MM{}
		return
	}
	if v.assumed && rec.Depth.Known() && int(v.half) <= 2*healthDepth {
		// No recession was seen and the sulcus is of normal depth: no loss is taken to be there. A pocket under such a margin
		// may be one with loss, all of it.
		v.loss, v.lossMM = 0, chart.Half(0)
		return
	}
	if loss, clamped, ok := (chart.SiteRecord{Depth: rec.Depth, Recession: v.recession}).AttachmentLoss(); ok {
		v.loss, v.lossMM, v.clamped = m.whole(loss), loss, clamped
	}
}

// anyAssumed reports whether an attachment loss rests on a margin that was not measured.
func (m *mouth) anyAssumed() bool {
	if m.p.MarginDefault == nil {
		return false
	}
	for _, th := range m.scored {
		for s := range th.sites {
			if th.sites[s].assumed && th.sites[s].loss >= 0 {
				return true
			}
		}
	}
	return false
}

// ruledOut reports whether a site whose attachment loss cannot be read has none: the clinician saw no bone loss on a radiograph.
// at the tooth, or anywhere.
func (m *mouth) ruledOut(th *tooth, v *site) bool {
	return (v.out || v.noLoss) && (th.bone == 0 || th.bone < 0 && m.p.BoneLossPercent != nil && *m.p.BoneLossPercent == 0)
}

// byBone reports whether a tooth whose attachment loss is not known everywhere has bone loss by a radiograph.
func (th *tooth) byBone() bool { return th.open && th.bone > 0 }

// boneWorst is the greatest bone loss that is known, and the tooth that has it, 0 if none is named; -1 if none is known.
func (m *mouth) boneWorst() (percent float64, at chart.Tooth) {
	percent = -1
	if p := m.p.BoneLossPercent; p != nil {
		percent = *p
	}
	for _, th := range m.classed {
		if th.bone > percent {
			percent, at = th.bone, th.t
		}
	}
	return percent, at
}

// appliesTo reports whether a cause of loss can concern a site: a third molar only the distal ones.
func appliesTo(cause string, s chart.Site) bool {
	return cause != "third_molar" || s.Where() == chart.Distal
}

// whole is a length in whole millimetres as the rules use it.
func (m *mouth) whole(l chart.MM) int8 {
	if m.o.Nearest {
		return int8(math.Floor(l.Float() + 0.5))
	}
	return int8(l.Whole())
}

// find returns the tooth with a number, or nil if the chart has none of that number.
func (m *mouth) find(t chart.Tooth) *tooth {
	i, ok := slices.BinarySearchFunc(m.teeth, t, func(a tooth, t chart.Tooth) int { return int(a.t) - int(t) })
	if !ok {
		return nil
	}
	return &m.teeth[i]
}

// adjacent reports whether two teeth are neighbours: their arch positions differ by one, also across
// the midline, or (option) no present tooth stands between them. Engineering choice; sources are silent.
func (m *mouth) adjacent(a, b chart.Tooth) bool {
	if a.Upper() != b.Upper() {
		return false
	}
	lo, hi := a.ArchPosition(), b.ArchPosition()
	if lo > hi {
		lo, hi = hi, lo
	}
	if hi-lo <= 1 {
		return true
	}
	if m.o.Adjacency != PresentNeighbour {
		return false
	}
	for i := range m.teeth {
		t := &m.teeth[i]
		if p := t.t.ArchPosition(); t.stand == natural && t.t.Upper() == a.Upper() && p > lo && p < hi {
			return false
		}
	}
	return true
}

// pairs counts pairs of natural teeth that stand opposite each other, third molars left out.
func (m *mouth) pairs() int {
	n := 0
	for i := range m.teeth {
		a := &m.teeth[i]
		if a.stand != natural || a.t.Primary() || a.t.ThirdMolar() || !a.t.Upper() {
			continue
		}
		opposite := chart.Tooth((5-a.t.Quadrant())*10 + a.t.Position())
		if b := m.find(opposite); b != nil && b.stand == natural {
			n++
		}
	}
	return n
}

// twenty counts natural teeth as the limit of 20 does: third molars out unless they are in scope.
func (m *mouth) twenty() int { return len(m.classed) }

// Evidence of the parts of a mouth.

func (th *tooth) siteEvidence(s chart.Site) Evidence {
	v := &th.sites[s]
	return Evidence{Tooth: th.t, Site: s, Depth: v.rec.Depth, Recession: v.recession, Loss: v.lossMM, Assumed: v.assumed}
}

func (th *tooth) depthEvidence(s chart.Site) Evidence {
	return Evidence{Tooth: th.t, Site: s, Depth: th.sites[s].rec.Depth}
}

func (th *tooth) flagEvidence(s chart.Site, f chart.Flag) Evidence {
	return Evidence{Tooth: th.t, Site: s, Depth: th.sites[s].rec.Depth, Flag: f, Answer: th.sites[s].flags[f]}
}

func input(key, value string) Evidence {
	return Evidence{Site: chart.NumSites, Asked: &Asked{key, value}}
}

func (m *mouth) label(t chart.Tooth) string { return t.Label(m.n) }

// at names a site for people: "16 DB".
func (m *mouth) at(t chart.Tooth, s chart.Site) string { return t.Label(m.n) + " " + s.String() }

// collect gives the evidence of all sites of scored teeth for which test holds.
func (m *mouth) collect(test func(*tooth, *site, chart.Site) bool, evidence func(*tooth, chart.Site) Evidence) []Evidence {
	found := m.room.found[:0]
	for _, th := range m.scored {
		for s := range th.sites {
			if test(th, &th.sites[s], chart.Site(s)) {
				found = append(found, evidence(th, chart.Site(s)))
			}
		}
	}
	if len(found) == 0 {
		return nil
	}
	return slices.Clone(found) // of its very length
}

// rooms saves the greater part of what the rules would allocate for each chart.
var rooms = sync.Pool{New: func() any {
	return &room{teeth: make([]tooth, 0, mostTeeth), found: make([]Evidence, 0, mostTeeth*int(chart.NumSites))}
}}

// release gives back what newMouth took; nothing of the mouth may be used after it.
func (m *mouth) release() {
	clear(m.teeth)
	rooms.Put(m.room)
}

// openSites lists sites of teeth for which test holds.
func openSites(teeth []*tooth, test func(*tooth, chart.Site) bool) []chart.SiteRef {
	var refs []chart.SiteRef
	for _, th := range teeth {
		for s := range chart.NumSites {
			if test(th, s) {
				refs = append(refs, chart.SiteRef{Tooth: th.t, Site: s})
			}
		}
	}
	return refs
}

// list is s, or an empty list: in JSON none is [], never null.
func list[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

func yes(b *bool) bool       { return b != nil && *b }
func no(b *bool) bool        { return b != nil && !*b }
func known[T any](p *T) bool { return p != nil }
