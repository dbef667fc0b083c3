// Package chart is what a mouth is and what happened to it: teeth, sites, values, the path that
// probing takes, the append-only log of an exam and the fold of that log to a chart.
//
// It has no input or output, no clock and no randomness: time and names come in with the events.
// The log is the truth; State is its fold, and the same log gives the same State on any machine.
//
//	st := chart.NewState()
//	evs, err := st.Do(chart.Command{...}, chart.Meta{TimeMS: now, Source: chart.Voice})
//	... make evs durable ...
//	st.Apply(evs...)
package chart

// Presence is the state of a tooth position.
type Presence uint8

const (
	Unstated  Presence = iota // nothing said
	Present                   // a natural tooth
	Missing                   // no tooth
	Implant                   // an implant: six sites, no furcation, never in tooth percentages
	Unerupted                 // not or not fully erupted: not probed
)

var presenceKeys = [...]string{"", "present", "missing", "implant", "unerupted"}

// String is the key used in files; "" for Unstated.
func (p Presence) String() string { return presenceKeys[p] }

// Probed reports whether such a position has sites to probe.
func (p Presence) Probed() bool { return p == Present || p == Implant }

// Flag is one of the yes/no findings of a site.
type Flag uint8

const (
	Bleeding Flag = iota // bleeding on probing
	Suppuration
	Plaque
	Calculus
	NumFlags
)

var flagKeys = [NumFlags]string{"bleeding", "suppuration", "plaque", "calculus"}

// String is the word used in files and on screen.
func (f Flag) String() string { return flagKeys[f] }

// SiteRecord is what is known about one site.
type SiteRecord struct {
	Depth     MM // probing depth: margin to pocket base
	Again     MM // the other depth of a double reading: the site was probed twice at this exam
	Recession MM // positive: margin apical to the CEJ; negative: coronal
	Flags     [NumFlags]YesNo
}

// Empty reports whether nothing is recorded.
func (s SiteRecord) Empty() bool { return s == SiteRecord{} }

// AttachmentLoss returns the clinical attachment loss: depth plus recession, recession negative
// where the margin lies coronal to the CEJ; a sum under zero is 0 and clamped is true.
// ok is false if either reading is absent; absence never counts as zero.
// Source: probing depth plus recession, as in the United States national survey's file
// documentation (OHXPER_F, 2009-2010), with the margin's sign turned.
func (s SiteRecord) AttachmentLoss() (loss MM, clamped, ok bool) {
	if !s.Depth.Known() || !s.Recession.Known() {
		return MM{}, false, false
	}
	h := s.Depth.Half() + s.Recession.Half()
	if h < 0 {
		return Half(0), true, true
	}
	return Half(h), false, true
}

// ToothRecord is what is known about one tooth position.
type ToothRecord struct {
	Presence  Presence
	Mobility  Grade
	Furcation [entrances]Grade // by Entrance: horizontal, Hamp
	Vertical  [entrances]MM    // by Entrance: from the roof of the furcation down
	Keratin   MM               // width of keratinized gingiva, facial, mid-tooth
	Sites     [NumSites]SiteRecord
}

// Empty reports whether nothing is recorded, not even the presence.
func (t *ToothRecord) Empty() bool { return *t == ToothRecord{} }

// Chart is the record of one mouth at one exam. The zero Chart is empty.
type Chart struct {
	ID        string
	Numbering Numbering // how the chart is shown; "" counts as FDI
	Patient   Patient
	Exam      Origin // of a chart that left the service
	teeth     [52]ToothRecord
}

// Tooth returns the record of a tooth for reading and writing; t must be valid.
func (c *Chart) Tooth(t Tooth) *ToothRecord { return &c.teeth[t.Index()] }

// Site returns the record of a site for reading and writing; r.Tooth must be valid.
func (c *Chart) Site(r SiteRef) *SiteRecord { return &c.teeth[r.Tooth.Index()].Sites[r.Site] }

// Number is the depth of a site or, if f is FieldRecession, its margin; r.Tooth must be valid.
func (c *Chart) Number(r SiteRef, f Field) MM {
	if f == FieldRecession {
		return c.Site(r).Recession
	}
	return c.Site(r).Depth
}

// Each calls f for every tooth of which something is recorded: permanent teeth by FDI number, then
// primary ones. It stops when f returns false.
func (c *Chart) Each(f func(Tooth, *ToothRecord) bool) {
	for i := range c.teeth {
		if c.teeth[i].Empty() {
			continue
		}
		if !f(ToothAt(i), &c.teeth[i]) {
			return
		}
	}
}
