package practice

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"leadsman/chart"
)

// Patient is what the practice knows of a person beside the exams. Clinical inputs (age, smoking and
// the like) belong to each exam and are in its log.
type Patient struct {
	ID     string `json:"id"` // made when empty
	Name   string `json:"name"`
	Born   string `json:"born,omitempty"`   // YYYY-MM-DD, or less of it; "" unknown
	Number string `json:"number,omitempty"` // the practice's own file number
	Note   string `json:"note,omitempty"`
	Phone  string `json:"phone,omitempty"`
	// Version counts the record's changes. A change names the version it was made from; if that is not the
	// newest any more it fails with ErrConflict.
	Version int64     `json:"version"`
	Created time.Time `json:"-"`
	Changed time.Time `json:"-"`
	// LastExam is when the newest exam began, Unix milliseconds; 0 for none. Filled in by Practice.
	LastExam int64 `json:"last_exam,omitempty"`
	// Next are the days that were decided at it, the earliest first. Filled in for lists.
	Next []Due `json:"next,omitempty"`
	// Merged is the patient that this one turned out to be, under whom all is kept; "": none.
	Merged string `json:"merged,omitempty"`
}

// Check tidies the name and says which field cannot be kept (ErrInvalid).
func (p *Patient) Check() error {
	var err error
	if p.Name, err = cleanName(p.Name, 200); err != nil {
		return err
	}
	// Of a birth, the year alone or year and month will do.
	layout := time.DateOnly[:min(len(p.Born), len(time.DateOnly))]
	if _, err := time.Parse(layout, p.Born); p.Born != "" && (err != nil || !slices.Contains([]int{4, 7, 10}, len(p.Born))) {
		return fmt.Errorf("born %q: write year-month-day such as 1971-03-28, or less of it: %w", p.Born, ErrInvalid)
	}
	for _, f := range []struct {
		field, value string
		max          int
	}{{"number", p.Number, 100}, {"note", p.Note, 100_000}, {"phone", p.Phone, 100}} {
		if len(f.value) > f.max {
			return fmt.Errorf("%s: %d bytes, at most %d are kept: %w", f.field, len(f.value), f.max, ErrInvalid)
		}
	}
	return nil
}

// SearchKey is what a search for the patient looks in.
func (p *Patient) SearchKey() string { return strings.ToLower(p.Name + " " + p.Number + " " + p.Born) }

// Due says when a patient is to come again. The clinician's plan of the newest exam is the source;
// without one Day is "".
type Due struct {
	Patient string `json:"patient"`
	Name    string `json:"name"`
	Number  string `json:"number,omitempty"`
	Phone   string `json:"phone,omitempty"`
	Exam    string `json:"exam"`             // the newest exam
	Began   int64  `json:"began"`            // of it, Unix milliseconds
	What    string `json:"what,omitempty"`   // re-evaluation or recall
	Day     string `json:"day,omitempty"`    // YYYY-MM-DD; "" nothing was decided
	Months  int    `json:"months,omitempty"` // the recall interval
	Who     string `json:"who,omitempty"`    // decided it
	Decided int64  `json:"decided,omitempty"`
	Call    uint64 `json:"call,omitempty"` // of the decision
	// Contacted is the last remark of the exam that says that the patient was asked to come.
	Contacted *Contact `json:"contacted,omitempty"`
}

// Contact is a remark that a patient was asked to come.
type Contact struct {
	Call uint64 `json:"call"`
	Time int64  `json:"time"` // Unix milliseconds
	Who  string `json:"who,omitempty"`
}

// Same reports whether two say the same but for what the patient's record says.
func (d Due) Same(o Due) bool {
	var a, b Contact
	if d.Contacted != nil {
		a = *d.Contacted
	}
	if o.Contacted != nil {
		b = *o.Contacted
	}
	d.Name, d.Number, d.Phone, d.Contacted = o.Name, o.Number, o.Phone, o.Contacted
	return d == o && a == b
}

// contacted begins the remark that says that a patient was asked to come; what it was about follows.
const contacted = "Contacted about the "

// DueBy says when a patient is to come again by what was decided and remarked at the newest exam, which d names: one for each day, or d
// itself where nothing was decided. Plans and remarks are those in force, in their order.
func DueBy(d Due, plans []chart.Decision, remarks []chart.Event) []Due {
	if len(plans) == 0 {
		return []Due{d}
	}
	c := plans[len(plans)-1]
	var out []Due
	for _, on := range []struct{ what, day string }{{"re-evaluation", c.Reevaluation}, {"recall", c.Recall}} {
		if on.day == "" {
			continue
		}
		e := d
		e.What, e.Day, e.Months, e.Who, e.Decided, e.Call = on.what, on.day, c.RecallMonths, c.Who, c.Time, c.Call
		for _, r := range remarks {
			if strings.HasPrefix(r.Text, contacted+on.what) && r.Time >= c.Time {
				e.Contacted = &Contact{r.Call, r.Time, r.Who}
			}
		}
		out = append(out, e)
	}
	if out == nil {
		return []Due{d}
	}
	return out
}

// DueQuery picks who is due; what is empty picks all.
type DueQuery struct {
	Patient   string
	From, To  string // days, both included
	Undecided bool   // only those for whom nothing was decided
	After     string // where the page before ended
	Limit     int
}
