package diagnosis

import "leadsman/chart"

// CompareOptions say what differs between two exams beside the mouth.
type CompareOptions struct {
	Options
	OtherExaminer bool // another examiner
	OtherProbe    bool // another probe or another way of rounding
	OtherMethod   bool // attachment loss measured directly in one of them: not classed then
	Days          *int // since the end of non-surgical therapy; nil if it is not known
	Therapy       bool // active therapy lies between the two exams: healing is expected
}

// Class is what a difference between two readings of a site means.
type Class string

const (
	NotCompared Class = "not-compared" // one reading is missing
	Improved    Class = "improved"
	WithinError Class = "within-error"
	Worse       Class = "worse"
	NotSure     Class = "not-sure" // 2 mm between different examiners or probes
)

// changeClass classes a difference, later less earlier. Within 1 mm is measurement error; with
// another examiner, probe or rounding a change needs 3 mm.
// Source: Andrade et al. 2012, doi:10.1590/S1806-83242012000100010 (repeats within 1 mm); the
// threshold and the stricter one are engineering choices.
func changeClass(before, after chart.MM, other bool) Class {
	if !before.Known() || !after.Known() {
		return NotCompared
	}
	d := after.Half() - before.Half()
	size := max(d, -d)
	switch {
	case size < 2*changeMM:
		return WithinError
	case other && size < 2*changeOtherExaminerMM:
		return NotSure
	case d < 0:
		return Improved
	}
	return Worse
}

// ChangeFrom is the least difference of two readings that ChangeClass takes for more than error.
func ChangeFrom(other bool) chart.MM {
	if other {
		return chart.Millimetres(changeOtherExaminerMM)
	}
	return chart.Millimetres(changeMM)
}

// SiteChange is one site at two exams.
type SiteChange struct {
	Tooth          chart.Tooth `json:"tooth"` // FDI
	Site           chart.Site  `json:"site"`
	DepthBefore    chart.MM    `json:"depthBefore"`
	DepthAfter     chart.MM    `json:"depthAfter"`
	LossBefore     chart.MM    `json:"lossBefore"` // attachment loss
	LossAfter      chart.MM    `json:"lossAfter"`
	BleedingBefore *bool       `json:"bleedingBefore"`
	BleedingAfter  *bool       `json:"bleedingAfter"`
	Depth          Class       `json:"depth"`
	Loss           Class       `json:"loss"`
	Pocket         bool        `json:"pocket"`    // 5 mm or more before
	Closed         bool        `json:"closed"`    // a pocket before; 4 mm at most and dry now
	Shallow        bool        `json:"shallow"`   // a pocket before; 4 mm at most now
	NewPocket      bool        `json:"newPocket"` // 5 mm or more now, under it before
	Became         Became      `json:"became"`    // what became of it, attachment before depth
	Confirmed      bool        `json:"confirmed"` // a change for the worse that both depths of a double reading show
	Denied         bool        `json:"denied"`    // the second depth of a double reading does not show it
	Note           string      `json:"note,omitempty"`
}

// Became is what became of a site. Attachment goes before depth: a pocket that is shallower because the margin receded has
// not healed. The arithmetic is that of ChangeClass; how many sites errors of measurement alone would class so stands in
// Comparison.Chance.
type Became string

const (
	BecameUnknown   Became = "not-compared"
	BecameSame      Became = "same"
	BecameClosed    Became = "closed"     // a pocket before, 4 mm at most and dry now, no attachment lost
	BecameBetter    Became = "better"     // attachment gained, or shallower where attachment is not known
	BecameShallower Became = "shallower"  // shallower with the same attachment: the margin receded
	BecameDeeper    Became = "deeper"     // deeper with the same attachment: the margin grew
	BecameWorse     Became = "worse"      // attachment lost, or deeper where attachment is not known
	BecameNewPocket Became = "new-pocket" // a pocket now and none before, no attachment lost by the threshold
	BecameNotSure   Became = "not-sure"   // 2 mm between two examiners or probes
)

// became judges a site by its classes.
func (c *SiteChange) became() Became {
	switch {
	case c.Depth == NotCompared:
		return BecameUnknown
	case c.Denied:
		return BecameSame
	case c.Loss == Worse, c.Loss == NotCompared && c.Depth == Worse:
		return BecameWorse
	case c.Closed:
		return BecameClosed
	case c.NewPocket:
		return BecameNewPocket
	case c.Loss == Improved, c.Loss == NotCompared && c.Depth == Improved:
		return BecameBetter
	case c.Depth == Improved:
		return BecameShallower
	case c.Depth == Worse:
		return BecameDeeper
	case c.Loss == NotSure || c.Depth == NotSure:
		return BecameNotSure
	}
	return BecameSame
}

// ToothChange sums up one tooth.
type ToothChange struct {
	Tooth         chart.Tooth `json:"tooth"`
	Matched       int         `json:"matched"` // sites with a depth at both exams
	Improved      int         `json:"improved"`
	Within        int         `json:"withinError"`
	Worse         int         `json:"worse"`
	NotSure       int         `json:"notSure"`
	DeepestBefore chart.MM    `json:"deepestBefore"` // of the matched sites
	DeepestAfter  chart.MM    `json:"deepestAfter"`
	LossMatched   int         `json:"lossMatched"` // sites with an attachment loss at both exams
	LossImproved  int         `json:"lossImproved"`
	LossWorse     int         `json:"lossWorse"`
	LossNotSure   int         `json:"lossNotSure"`
	WorstBefore   chart.MM    `json:"worstBefore"` // greatest attachment loss of these sites
	WorstAfter    chart.MM    `json:"worstAfter"`
}

// Totals are numbers of one exam over the sites that both exams recorded, so that a lost tooth
// does not make a mean look better.
type Totals struct {
	Depths          int      `json:"depths"` // matched sites with a depth
	MeanDepth       *float64 `json:"meanDepth"`
	Losses          int      `json:"losses"`
	MeanLoss        *float64 `json:"meanLoss"`
	Ge4             int      `json:"ge4"`
	Ge5             int      `json:"ge5"`
	Ge6             int      `json:"ge6"`
	BleedingSites   int      `json:"bleedingSites"` // matched sites with an answer
	BleedingPercent *float64 `json:"bleedingPercent"`
	PlaqueSites     int      `json:"plaqueSites"`
	PlaquePercent   *float64 `json:"plaquePercent"`
}

// Retreat is a site to look at again, with the reason.
type Retreat struct {
	chart.SiteRef
	Depth chart.MM `json:"depth"`
	Why   string   `json:"why"`
}

// Comparison is what changed between two exams of one mouth.
type Comparison struct {
	Sites         []SiteChange    `json:"sites"` // sites with a depth at either exam, by FDI number
	Teeth         []ToothChange   `json:"teeth"`
	Before        Totals          `json:"before"`
	After         Totals          `json:"after"`
	Improved      int             `json:"improved"` // by depth
	Within        int             `json:"withinError"`
	Worse         int             `json:"worse"`
	NotSure       int             `json:"notSure"`
	LossImproved  int             `json:"lossImproved"` // by attachment
	LossWithin    int             `json:"lossWithinError"`
	LossWorse     int             `json:"lossWorse"`
	LossNotSure   int             `json:"lossNotSure"`
	LostTeeth     chart.Teeth     `json:"lostTeeth"`
	NewImplants   chart.Teeth     `json:"newImplants"`
	NewTeeth      chart.Teeth     `json:"newTeeth"` // present now, absent before: look again
	NotRemeasured []chart.SiteRef `json:"notRemeasured"`

	Pockets       int      `json:"pockets"`    // at the first exam, on teeth that are still there or not
	Remeasured    int      `json:"remeasured"` // of them
	Closed        int      `json:"closed"`
	Shallow       int      `json:"shallow"`
	Unanswered    int      `json:"unanswered"` // shallow, bleeding not recorded: not counted as closed
	Receded       int      `json:"receded"`    // shallow and dry, but attachment was lost: not counted as closed
	NewPockets    int      `json:"newPockets"`
	ClosedPercent *float64 `json:"closedPercent"` // of the remeasured; nil without pockets

	Residual6        []chart.SiteRef `json:"residual6"`        // 6 mm and more now
	ResidualBleeding []chart.SiteRef `json:"residualBleeding"` // 5 mm and more, bleeding
	WorseSites       []chart.SiteRef `json:"worseSites"`       // by attachment, or by depth where it is not known: probe again before they count
	Confirmed        []chart.SiteRef `json:"confirmed"`        // of these, measured twice
	Retreat          []Retreat       `json:"retreat"`

	Chance      Chances     `json:"chance"`
	Error       *ErrorModel `json:"error"`    // what the figures of chance rest on
	Endpoint    Finding     `json:"endpoint"` // of the later exam
	Gingiva     Finding     `json:"gingiva"`  // of the later exam; a patient stays one
	Window      string      `json:"window"`   // early, inside, late or ""
	Provisional bool        `json:"provisional"`
	Notes       []string    `json:"notes"`
}

// Chances sets beside each change what errors of measurement alone give.
type Chances struct {
	Worse      Chance `json:"worse"`    // attachment lost by 2 mm or more
	Improved   Chance `json:"improved"` // attachment gained
	Deeper     Chance `json:"deeper"`   // depth
	Shallower  Chance `json:"shallower"`
	NewPockets Chance `json:"newPockets"`
	Closed     Chance `json:"closed"`
	Bleeding   Chance `json:"bleeding"` // bleeding sites more (or, negative, fewer) than before
}

// rise is by how much a site that got worse did so, in half-millimetres: in attachment, or in depth where that is not known.
func (c *SiteChange) rise() int {
	if c.Loss == Worse {
		return c.LossAfter.Half() - c.LossBefore.Half()
	}
	return c.DepthAfter.Half() - c.DepthBefore.Half()
}
