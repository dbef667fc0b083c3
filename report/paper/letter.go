package paper

import (
	"fmt"
	"io"
	"strings"

	"leadsman/report"
)

// invitation asks a patient to come to a day that was decided: recall or re-evaluation; "" is the one of both that was decided. It
// fails if there is no such day.
func invitation(r *report.Record, m *Messages, what string) (subject, text string, err error) {
	day := ""
	if p := r.Plan; p != nil {
		if what == "" && p.Recall == "" && p.Reevaluation != "" {
			what = "re-evaluation"
		}
		day = map[string]string{"": p.Recall, "recall": p.Recall, "re-evaluation": p.Reevaluation}[what]
	}
	if day == "" {
		return "", "", fmt.Errorf("no day was decided for the %s: decide it under Plan first", strings.TrimSpace(what+" visit"))
	}
	key := "letter.recall"
	if what == "re-evaluation" {
		key = "letter.reevaluation"
	}
	lines := []string{m.say("letter.dear", "name", r.Patient.Name), m.say(key, "date", m.dayOf(day)), m.say("letter.why")}
	if r.Phone != "" {
		lines = append(lines, m.say("call.phone", "phone", r.Phone))
	}
	sender := r.Practice
	if sender == "" {
		sender = m.say("letter.greeting")
	}
	return m.say("letter.subject"), strings.Join(append(lines, sender), "\n\n") + "\n", nil
}

// Invite writes an invitation on paper.
func Invite(w io.Writer, r *report.Record, m *Messages, what string, size Size) error {
	subject, text, err := invitation(r, m, what)
	if err != nil {
		return err
	}
	d := begin(size, subject, m.Tag, r.Practice, strings.NewReplacer("{page}", "%d", "{pages}", "%s").Replace(m.say("page")), r.Exam.Ended)
	d.upright()
	d.say("", 12, strings.Join(filled(r.Practice, r.Phone), "\n"))
	d.Ln(22)
	d.say("", 12, r.Patient.Name)
	d.Ln(16)
	d.heading(0, subject)
	for _, part := range strings.Split(strings.TrimSpace(text), "\n\n") {
		d.Ln(3)
		d.say("", 12, part)
	}
	return d.end(w)
}

// Message writes an invitation as plain text, for a message: the first line is its subject.
func Message(w io.Writer, r *report.Record, m *Messages, what string) error {
	subject, text, err := invitation(r, m, what)
	if err == nil {
		_, err = io.WriteString(w, subject+"\n\n"+text)
	}
	return err
}
