package clinician

import (
	"fmt"
	"io"
	"strings"

	"leadsman/exam"
	"leadsman/speech"
)

// trace writes one exam down, line by line: the virtual time in seconds, who, and what. A nil trace writes nothing.
//
//	says     the person: words, and what they are for
//	.        what the person thinks or does without speaking
//	ear      a final of the recognizer: its readings with their posteriors, from when to when, how well it fits
//	tool     an answer or a question as the page is told, and where the path stands after it
//	hears    what of that the person heard
type trace struct {
	out   io.Writer
	place string
}

func (t *trace) line(at int64, who, format string, a ...any) {
	if t != nil {
		fmt.Fprintf(t.out, "%8.2f  %-6s %s\n", seconds(at), who, fmt.Sprintf(format, a...))
	}
}

func (t *trace) tone(at int64, name string) { t.line(at, "hears", "tone %s", name) }

func (t *trace) hears(at int64, p *prompt, whole bool) {
	if t == nil {
		return
	}
	kind := "words"
	switch {
	case p.question:
		kind = "question"
	case p.where:
		kind = "where"
	}
	if !whole {
		kind += " (cut off)"
	}
	t.line(at, "hears", "%s %q", kind, p.text)
}

func (t *trace) hypothesis(h speech.Hypothesis) {
	if t == nil || !h.Final {
		return
	}
	var rs []string
	for i, r := range h.Readings {
		if i == 4 || r.Posterior < 0.002 {
			break
		}
		var ws []string
		for _, w := range r.Words {
			ws = append(ws, fmt.Sprintf("%s:%.2f", w.Text, w.Confidence))
		}
		rs = append(rs, fmt.Sprintf("%.3f %s", r.Posterior, strings.Join(ws, " ")))
	}
	note := ""
	if h.Rejected {
		note = " REJECTED"
		if h.Near {
			note = " REJECTED, near"
		}
	}
	t.line(h.AtMS*speech.Rate/1000, "ear", "%.2f-%.2f filler %.2f level %.0f%s | %s", float64(h.StartMS)/1000, float64(h.EndMS)/1000, h.Filler, h.Signal.LevelDB,
		note, strings.Join(rs, " | "))
}

func (t *trace) change(at int64, ch exam.Change) {
	if t == nil {
		return
	}
	if h := ch.Head; h != nil {
		t.place = fmt.Sprintf("%s %s +%d", h.Place.Label, h.Place.Aspect, h.Place.Next)
		if h.AtEnd {
			t.place = "at the end"
		}
		if !h.Listening {
			t.place += " (standing by)"
		}
		t.place += fmt.Sprintf(", %d recorded, %d doubts", h.Recorded, len(h.Doubts))
	}
	if a := ch.Answer; a != nil {
		must := ""
		if a.Must {
			must = " must"
		}
		conf := ""
		for _, c := range ch.Calls {
			if c.Seq == a.Call {
				conf = fmt.Sprintf(" %.3f", c.Confidence)
			}
		}
		t.line(at, "tool", "%s%s %q for %q%s: %s -> %s", a.Tone, must, a.Speak, a.Words, conf, a.Text, t.place)
	}
	if h := ch.Head; h != nil && h.Question != nil {
		t.line(at, "tool", "asks %d %q (%s) -> %s", h.Question.ID, h.Question.Speak, h.Question.Text, t.place)
	}
}
