package report

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

// What RFC 5545 asks of a file: section 3.1 (lines end in CRLF and are at most 75 octets, longer ones
// folded with a space), 3.3.4 and 3.6.1 (a day as VALUE=DATE, the end the day after), 3.3.11 (commas,
// semicolons, backslashes and new lines of a text escaped), 3.6 and 3.8 (VERSION and PRODID of the
// calendar, UID and DTSTAMP of each event, times in UTC).
func TestCalendar(t *testing.T) {
	decided := time.Date(2026, 11, 2, 10, 4, 5, 0, time.FixedZone("", 3600))
	days := []Appointment{
		{Exam: "x1", What: "recall", Patient: `Sallow, Harriet; née "Brück" \ ` + strings.Repeat("långt ", 20), Number: "FL-0112", Day: time.Date(2027, 2, 28, 0, 0, 0, 0, time.UTC),
			Months: 3, Who: "Ada Quill", Decided: decided, Version: 41},
		{Exam: "x2", What: "re-evaluation", Patient: "Jonas Merrow", Day: time.Date(2026, 12, 31, 0, 0, 0, 0, time.UTC), Who: "Ada Quill", Decided: decided},
	}
	var b, again bytes.Buffer
	if err := Calendar(&b, days); err != nil {
		t.Fatal(err)
	}
	if err := Calendar(&again, days); err != nil || b.String() != again.String() {
		t.Errorf("not the same bytes twice: %v", err)
	}
	text := b.String()
	if strings.Count(text, "\n") != strings.Count(text, "\r\n") || !strings.HasSuffix(text, "END:VCALENDAR\r\n") {
		t.Error("lines do not end in CRLF")
	}
	for _, l := range strings.Split(text, "\r\n") {
		if len(l) > 75 {
			t.Errorf("a line of %d octets: %s", len(l), l)
		}
	}
	whole := strings.ReplaceAll(text, "\r\n ", "") // unfolded, as section 3.1 says
	for _, want := range []string{
		"BEGIN:VCALENDAR\r\nVERSION:2.0\r\n", "PRODID:-//Leadsman//Recall//EN\r\n",
		"UID:x1.recall@leadsman\r\n", "DTSTAMP:20261102T090405Z\r\n", "SEQUENCE:41\r\n",
		"DTSTART;VALUE=DATE:20270228\r\n", "DTEND;VALUE=DATE:20270301\r\n",
		`SUMMARY:Recall: Sallow\, Harriet\; née "Brück" \\ ` + strings.TrimSpace(strings.Repeat("långt ", 20)) + "  (FL-0112)\r\n",
		`Interval: 3 months.\nA reminder`, "TRANSP:TRANSPARENT\r\n", "CLASS:PRIVATE\r\n",
		"UID:x2.re-evaluation@leadsman\r\n", "DTSTART;VALUE=DATE:20261231\r\n", "DTEND;VALUE=DATE:20270101\r\n", "SUMMARY:Re-evaluation: Jonas Merrow\r\n",
	} {
		if !strings.Contains(whole, want) {
			t.Errorf("no %q in\n%s", want, whole)
		}
	}
	if n := strings.Count(text, "BEGIN:VEVENT"); n != 2 || strings.Count(text, "END:VEVENT") != 2 {
		t.Errorf("%d events", n)
	}
}

// An empty list is a calendar without events, not a broken file.
func TestCalendarOfNothing(t *testing.T) {
	var b bytes.Buffer
	if err := Calendar(&b, nil); err != nil || !strings.HasPrefix(b.String(), "BEGIN:VCALENDAR\r\n") || strings.Contains(b.String(), "VEVENT") {
		t.Errorf("%v\n%s", err, b.String())
	}
}
