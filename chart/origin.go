package chart

import "time"

// Origin is where a chart comes from: which exam, when, by whom and how. It is told of a chart that leaves
// the service; every field may be empty, which means not known.
type Origin struct {
	Began    string // start of the exam, as RFC 3339
	Kind     string // exam or re-evaluation
	Examiner string
	Probe    string // in the practice's words
	SignedBy string // "": not signed
	Signed   string // when, as RFC 3339
	// Doubts are the readings that nobody settled.
	Doubts []DoubtAt
	// Amendments are the values that were changed after the exam was signed, oldest first.
	Amendments []Amended
}

// Amended is an Amendment as a file tells it.
type Amended struct {
	At     string // as Amendment.Place, in the numbering of the file
	Was    string // as Amendment.Values writes them
	Is     string
	Reason string
	By     string
	Time   string // as RFC 3339
}

// Told is an amendment as a file tells it.
func (a *Amendment) Told(n Numbering) Amended {
	was, is := a.Values()
	return Amended{At: a.Place(n), Was: was, Is: is, Reason: a.Reason, By: a.Who, Time: time.UnixMilli(a.Time).UTC().Format(time.RFC3339)}
}

// DoubtAt is a reading in doubt.
type DoubtAt struct {
	SiteRef
	Field Field
}

// Named are doubts by their places alone.
func Named(doubts []Doubt) []DoubtAt {
	out := make([]DoubtAt, len(doubts))
	for i, d := range doubts {
		out[i] = DoubtAt{SiteRef: d.SiteRef, Field: d.Field}
	}
	return out
}

// Empty reports whether nothing is known.
func (o *Origin) Empty() bool {
	return o.Began == "" && o.Kind == "" && o.Examiner == "" && o.Probe == "" && o.SignedBy == "" && o.Signed == "" && len(o.Doubts) == 0 && len(o.Amendments) == 0
}
