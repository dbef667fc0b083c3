// Package report writes what leaves the tool in formats of others, each as one function to an
// io.Writer: the same input gives the same bytes.
package report

import (
	"fmt"
	"io"
	"time"

	ics "github.com/arran4/golang-ical"
)

// Appointment is a day on which a patient is due.
type Appointment struct {
	Exam    string // id of the exam in which it was decided
	What    string // recall or re-evaluation
	Patient string // name
	Number  string // the practice's file number; may be empty
	Day     time.Time
	Months  int // the recall interval; 0 if none was decided
	Who     string
	Decided time.Time
	Version int // grows when the decision is replaced
}

// Calendar writes days as an iCalendar file (RFC 5545): an event of a whole day each, that does not
// block the day. A decision that was replaced keeps its UID, so that a calendar moves the event.
func Calendar(w io.Writer, days []Appointment) error {
	c := ics.NewCalendar()
	c.SetProductId("-//Leadsman//Recall//EN")
	c.SetCalscale("GREGORIAN")
	for _, a := range days {
		e := c.AddEvent(fmt.Sprintf("%s.%s@leadsman", a.Exam, a.What))
		e.SetDtStampTime(a.Decided)
		e.SetSequence(a.Version)
		e.SetAllDayStartAt(a.Day)
		e.SetAllDayEndAt(a.Day.AddDate(0, 0, 1))
		title := map[string]string{"recall": "Recall", "re-evaluation": "Re-evaluation"}[a.What] + ": " + a.Patient
		if a.Number != "" {
			title += " (" + a.Number + ")"
		}
		e.SetSummary(title)
		text := fmt.Sprintf("Decided by %s on %s.", a.Who, a.Decided.Format(time.DateOnly))
		if a.Months > 0 && a.What == "recall" {
			text += fmt.Sprintf(" Interval: %d months.", a.Months)
		}
		e.SetDescription(text + "\nA reminder, not an appointment; the clinician decides.")
		e.SetTimeTransparency(ics.TransparencyTransparent)
		e.SetClass(ics.ClassificationPrivate)
	}
	return c.SerializeTo(w, ics.WithNewLine("\r\n"))
}
