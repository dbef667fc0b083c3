package voice

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/speech"
	"leadsman/speech/scripted"
)

// What an exam teaches: the calls that took part in a repair by voice, with the words that are right. A line is words heard at a time in ms;
// "type" words come from the keyboard.
func TestLessons(t *testing.T) {
	for name, c := range map[string]struct {
		script string
		want   string
	}{
		"nothing repaired":              {"1000 three two four | 3000 five four five", ""},
		"a correction":                  {"1000 three two five | 3000 correction three two four", "three two four | correction three two four"},
		"of the last number":            {"1000 three two five | 3000 correction four", "three two four | correction four"},
		"of a number heard in pieces":   {"1000 three | 1900 two five | 4000 correction three two four", "three | two four | correction three two four"},
		"corrected twice":               {"1000 three two five | 3000 correction three two nine | 5000 correction three two four", "three two four | correction three two four | correction three two four"},
		"two places, one repaired":      {"1000 three two four | 3000 five four six | 5000 correction five four five", "five four five | correction five four five"},
		"said again after short":        {"1000 three two | 4400 three two four", "three two four"},
		"said again as it was":          {"1000 three two | 4400 three two", ""},
		"a question answered":           {"1000 three two ten | 4000 four", "three two four | four"},
		"with what was heard":           {"1000 three two ten | 4000 ten", "three two ten | ten"},
		"of a margin":                   {"1000 three two four | 3000 recession one two one | 5000 correction one one one", "correction one one one"},
		"correction names the site":     {"1000 three two five | 3000 correction mesial four", "three two four"},
		"a flag in the breath":          {"1000 three two five bleeding | 3000 correction three two four", "correction three two four"},
		"a row in one breath":           {"1000 three two four five four six | 4000 correction five four five", "correction five four five"},
		"by keyboard":                   {"1000 three two five | 3000 type correction three two four", ""},
		"by voice, then by keyboard":    {"1000 three two five | 3000 correction three two nine | 5000 type correction three two four", ""},
		"taken back and called again":   {"1000 three two five | 3000 disregard | 5000 three two four", ""},
		"corrected and taken back":      {"1000 three two five | 3000 correction three two four | 5000 disregard", ""},
		"probed again":                  {"1000 three two five | 3000 tooth one seven | 5000 three two four", ""},
		"more numbers than were heard":  {"1000 three | 1900 five | 4000 correction three two four", "correction three two four"},
		"a reading that nobody teaches": {"1000 three two five | 3000 correction three two thirteen", ""},
		"words of radio":                {"1000 tree two fife | 3000 correction tree two fower", "tree two four | correction tree two fower"},
	} {
		t.Run(name, func(t *testing.T) {
			st := examOf(t, c.script)
			var got []string
			for _, r := range Lessons(st) {
				got = append(got, strings.Join(r.Words, " "))
				i := slices.IndexFunc(st.Calls, func(c chart.CallInfo) bool { return c.Seq == r.Call })
				if i < 0 || st.Calls[i].Source != chart.Voice || r.Who != "Ada Quill" || r.Time != st.Calls[i].Time || len(r.Words) != len(strings.Fields(st.Calls[i].Words)) {
					t.Errorf("%+v", r)
				}
			}
			if s := strings.Join(got, " | "); s != c.want {
				t.Errorf("%q, want %q", s, c.want)
				for _, ev := range st.Log() {
					v := ""
					if ev.Value != nil {
						v = fmt.Sprint(*ev.Value)
					}
					t.Log(ev.Seq, ev.Call, ev.Kind, ev.Did, ev.Words, ev.Tooth, ev.Site, v, ev.Undo, ev.Refused)
				}
			}
		})
	}
}

// examOf plays a script into an exam.
func examOf(t *testing.T, script string) *chart.State {
	t.Helper()
	ctx := context.Background()
	log := &exam.Memory{}
	if err := exam.Start(ctx, log, chart.FDI, "arch", nil, nil, 1, ""); err != nil {
		t.Fatal(err)
	}
	typed := map[int64]string{}
	var us []scripted.Utterance
	for _, line := range strings.Split(script, " | ") {
		var at int64
		text := strings.SplitN(line, " ", 2)
		if _, err := fmt.Sscan(text[0], &at); err != nil {
			t.Fatal(err)
		}
		if words, ok := strings.CutPrefix(text[1], "type "); ok {
			typed[at] = words
			continue
		}
		us = append(us, scripted.Utterance{StartMS: at, EndMS: at + 300*int64(len(strings.Fields(text[1]))), Text: text[1]})
	}
	now := int64(0)
	e, err := exam.Open(ctx, exam.Config{ID: "x", Log: log, Engine: scripted.New(us...), Now: func() int64 { now++; return now },
		Examiner: func(string) exam.Caller { return exam.Caller{Who: "Ada Quill"} }})
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	m, err := e.OpenMicFor("test", "a", false)
	if err != nil {
		t.Fatal(err)
	}
	for at := int64(0); at < 9000; at += 20 {
		if words := typed[at]; words != "" {
			if _, err := e.Words(ctx, words, exam.Caller{}, fmt.Sprint(at)); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := m.Write(m.Next(), make([]int16, speech.Rate/50)); err != nil {
			t.Fatal(err)
		}
	}
	st, err := chart.Fold(log.Events)
	if err != nil {
		t.Fatal(err)
	}
	return st
}

// A signed exam confirms the calls that stand as they were heard: not those of a place that waits for an answer, nor what a screen put right.
func TestConfirmed(t *testing.T) {
	for name, c := range map[string]struct{ script, want string }{
		"as called":    {"1000 three two four | 3000 five four five", "three two four, five four five"},
		"one repaired": {"1000 three two five | 3000 correction three two four | 5000 five four five", "five four five"},
		"by keyboard":  {"1000 three two four | 3000 type five four five", "three two four"},
		"in doubt":     {"1000 three two four | 3000 three two ten", "three two four"},
		"taken back":   {"1000 three two four | 3000 five four five | 5000 disregard", "three two four"},
	} {
		st := examOf(t, c.script)
		for _, l := range Lessons(st) {
			if l.Confirmed {
				t.Errorf("%s: %v is confirmed before the exam is signed", name, l.Words)
			}
		}
		st.SignedBy = "Ada Quill"
		var got []string
		for _, l := range Lessons(st) {
			if l.Confirmed {
				got = append(got, strings.Join(l.Words, " "))
			}
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("%s: %q confirmed, want %q", name, s, c.want)
		}
	}
}
