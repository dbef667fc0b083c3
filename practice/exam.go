package practice

import (
	"cmp"
	"time"

	"leadsman/chart"
)

// The kinds of exams.
const (
	KindExam         = "exam"
	KindReevaluation = "re-evaluation"
)

// Exam is the record of an exam; what was found is in its log.
type Exam struct {
	ID       string // made when empty
	Patient  string
	Kind     string // KindExam or KindReevaluation
	Earlier  string // the exam to compare with; a re-evaluation needs one
	Examiner string
	Title    string
	Created  time.Time
	Order    int64  // exams that were begun later have a higher one, whatever the clock said
	Events   uint64 // length of the log
	Head     string // hash of its last event, hex
	SignedBy string
	Signed   time.Time
	Void     bool // it counts no more
	Waits    bool // for a co-signature
}

// Visit is an exam in a list.
type Visit struct {
	ID          string          `json:"id"`
	Patient     string          `json:"patient"`
	PatientName string          `json:"patient_name"`
	Kind        string          `json:"kind"`              // KindExam or KindReevaluation
	Title       string          `json:"title,omitempty"`   // such as that it was saved from a damaged one
	Earlier     string          `json:"earlier,omitempty"` // the exam that a re-evaluation follows
	Began       int64           `json:"began"`             // Unix milliseconds
	Numbering   chart.Numbering `json:"numbering"`
	Path        string          `json:"path"`
	Recorded    int             `json:"recorded"` // sites with a depth
	Sites       int             `json:"sites"`    // sites of its path whose teeth are there
	SignedBy    string          `json:"signed_by,omitempty"`
	Waits       bool            `json:"waits,omitempty"`      // for a co-signature
	Void        bool            `json:"void,omitempty"`       // counts no more
	Amended     int             `json:"amended,omitempty"`    // values that were changed after signing
	Order       int64           `json:"-"`                    // as for Exam
	ClockBack   bool            `json:"clock_back,omitempty"` // an exam begun before it says that it is later: the clock was set back
}

// After reports whether an exam was begun after another.
func (v *Visit) After(o *Visit) bool {
	return cmp.Or(cmp.Compare(v.Order, o.Order), cmp.Compare(v.Began, o.Began)) > 0
}

// Day is when the exam was made, as a date.
func (v *Visit) Day() time.Time {
	y, m, d := time.UnixMilli(v.Began).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// NewVisit asks for an exam to be begun.
type NewVisit struct {
	Patient   string          `json:"patient"`
	Earlier   string          `json:"earlier"` // exam to re-evaluate; "" for a first one
	Numbering chart.Numbering `json:"numbering"`
	Path      string          `json:"path"`
	ID        string          `json:"id"` // given by the page: asking twice begins one exam
}
