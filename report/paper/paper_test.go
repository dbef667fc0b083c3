package paper

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/report"
	"leadsman/report/reporttest"
)

var tongues = []string{"en", "es", "de", "fr", "pt"}

// No message is missing in any language that comes with the program, and each has the placeholders of the English one.
func TestMessagesComplete(t *testing.T) {
	english, err := read(builtIn, "messages/en.json", nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, tag := range tongues {
		text, err := read(builtIn, "messages/"+tag+".json", english)
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range english {
			got := text[k]
			if strings.TrimSpace(got) == "" {
				t.Errorf("%s: %s is missing", tag, k)
			}
			for _, p := range placeholder.FindAllString(v, -1) {
				if !strings.Contains(got, p) {
					t.Errorf("%s: %s lacks %s", tag, k, p)
				}
			}
			if tag != "en" && got == v && k != "page" && k != "tooth.3" {
				t.Errorf("%s: %s is English", tag, k)
			}
		}
		if n := len(strings.Split(text["months"], "|")); n != 12 {
			t.Errorf("%s: %d months", tag, n)
		}
	}
}

// A practice changes sentences and adds languages by files of its own; what it lacks is said in English, what cannot be is refused.
func TestPracticeMessages(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "messages")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	put := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("sv.json", `{"language":"Svenska","title":"Så sköter du dina tänder"}`)
	put("de.json", `{"call.phone":"Telefon {phone}"}`)
	m, err := Load(dir, "sv")
	if err != nil || m.say("title") != "Så sköter du dina tänder" || m.say("page") != "page {page} of {pages}" {
		t.Errorf("%v %v", m, err)
	}
	if m, err = Load(dir, "de"); err != nil || m.say("call.phone", "phone", "123") != "Telefon 123" || m.say("section.mouth") != "Ihr Mund" {
		t.Errorf("%v %v", m, err)
	}
	names, err := Languages(dir)
	if err != nil || names["sv"] != "Svenska" || len(names) != 6 {
		t.Errorf("%v %v", names, err)
	}
	for name, text := range map[string]string{"xa.json": `{"titel":"x"}`, "xb.json": `{"title":"{phone}"}`, "xc.json": `{`} {
		put(name, text)
		if _, err := Load(dir, strings.TrimSuffix(name, ".json")); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
		os.Remove(filepath.Join(dir, name))
	}
	for _, tag := range []string{"xx", "../de", "DE"} {
		if _, err := Load(dir, tag); err == nil {
			t.Errorf("%s was read", tag)
		}
	}
}

// mouths are pages of several kinds: with much to do, without teeth, of a child, decided by the clinician.
func mouths(t *testing.T) map[string]*report.Record {
	full := reporttest.Full(t)
	full.Phone, full.Emergency = "555 0134", "112"
	full.Plan = &chart.Decision{Who: "Ada Quill", Time: full.Exam.Signed.UnixMilli(), Plan: chart.Plan{Reevaluation: "2026-12-14", Recall: "2027-02-02", RecallMonths: 3}}
	none := *full
	c := chart.Chart{Numbering: chart.FDI}
	for _, tooth := range chart.AllTeeth() {
		c.Tooth(tooth).Presence = chart.Missing
	}
	none.Chart = &c
	child := *full
	cc := *full.Chart
	cc.Patient = cc.Patient.Clone()
	age := 7
	cc.Patient.Age = &age
	child.Chart = &cc
	edited := *full
	edited.Plan = &chart.Decision{Who: "Ada Quill", Time: 1, Plan: chart.Plan{HomeCare: []chart.PlanCare{{ID: "smoking", Text: "My own words."}, {ID: "x", Text: "More of them.", Where: "Upper jaw"}}}}
	return map[string]*report.Record{"full": full, "none": &none, "child": &child, "edited": &edited}
}

// English pages read at grade 6 or below; pages in other languages are easy by LIX, which is below 40 (Björnsson 1968, from memory).
func TestReadingGrade(t *testing.T) {
	for name, r := range mouths(t) {
		for _, tag := range tongues {
			m, err := Load("", tag)
			if err != nil {
				t.Fatal(err)
			}
			grade, measure := Grade(tag, NewPage(r, m).Text())
			if limit := map[string]float64{"Flesch-Kincaid": 6, "LIX": 40}[measure]; grade > limit || measure == "" {
				t.Errorf("%s, %s: %s %v", name, tag, measure, grade)
			}
		}
	}
}

// Known values: the grade and LIX worked out by hand from the definitions.
func TestGrade(t *testing.T) {
	// 6 words, 6 syllables, 1 sentence: 0.39*6 + 11.8*1 - 15.59 = -1.45, said as 1.
	if g, m := Grade("en", "The cat sat on the mat."); g != 1 || m != "Flesch-Kincaid" {
		t.Error(g, m)
	}
	// 4 words, 14 syllables (pe-ri-o-don-ti-tis counted as 6 groups with "io" one: 5), 1 sentence.
	if g, _ := Grade("en", "Periodontal instrumentation necessitates anaesthesia."); g < 20 {
		t.Error(g)
	}
	// 5 words, 1 sentence, 2 words of more than six letters: 5 + 40.
	if g, m := Grade("de", "Die Zahnbürste reinigt den Zahn."); g != 45 || m != "LIX" {
		t.Error(g, m)
	}
}

// What is chosen for whom.
func TestPages(t *testing.T) {
	m, err := Load("", "en")
	if err != nil {
		t.Fatal(err)
	}
	rs := mouths(t)
	for name, want := range map[string][]string{"full": {"around your implants", "112", "555 0134", "1,350", "December 14, 2026", "February 2, 2027"}, "none": {"denture"}, "child": {"grown-up", "pea", "1,000 ppm", "outside, inside"}, "edited": {"My own words."}} {
		p := NewPage(rs[name], m)
		text := p.Text() + strings.Join(p.signs, " ")
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: no %q in %s", name, w, text)
			}
		}
	}
	// Nothing that comes with the program is said in English to who reads another language.
	for name, r := range rs {
		if name == "edited" {
			continue // the clinician's own words
		}
		english := NewPage(r, m)
		for _, tag := range tongues[1:] {
			other, err := Load("", tag)
			if err != nil {
				t.Fatal(err)
			}
			for i, s := range NewPage(r, other).steps {
				if s.text == english.steps[i].text {
					t.Errorf("%s, %s: %q is English", name, tag, s.text)
				}
			}
		}
	}
	// Implants, and gaps that may hold a denture.
	mouth := func(change func(c *chart.Chart)) string {
		r := *reporttest.Full(t)
		c := chart.Chart{Numbering: chart.FDI}
		for _, tooth := range chart.AllTeeth() {
			c.Tooth(tooth).Presence = chart.Present
			for s := range chart.NumSites {
				c.Tooth(tooth).Sites[s] = chart.SiteRecord{Depth: chart.Millimetres(5), Recession: chart.Millimetres(0)}
				if !tooth.RightSide() { // shallow there: floss, where the right side has room for brushes
					c.Tooth(tooth).Sites[s] = chart.SiteRecord{Depth: chart.Millimetres(2), Recession: chart.Millimetres(-2)}
				}
				c.Tooth(tooth).Sites[s].Flags[chart.Bleeding] = chart.Yes
			}
		}
		change(&c)
		r.Chart = &c
		p := NewPage(&r, m)
		return p.Text()
	}
	gone := func(teeth ...chart.Tooth) func(*chart.Chart) {
		return func(c *chart.Chart) {
			for _, tooth := range teeth {
				c.Tooth(tooth).Presence = chart.Missing
			}
		}
	}
	if text := mouth(func(c *chart.Chart) { c.Tooth(36).Presence = chart.Implant }); !strings.Contains(text, "around your implants") {
		t.Errorf("no word on the implant: %s", text)
	}
	for text, want := range map[string]bool{mouth(gone(46, 47)): true, mouth(gone(11, 21)): true, mouth(gone(14, 24, 34, 44)): false, mouth(gone(47, 48)): false} {
		if got := strings.Contains(text, "wear a denture"); got != want {
			t.Errorf("denture %v, want %v: %s", got, want, text)
		}
	}
	if text := NewPage(rs["none"], m).Text(); strings.Contains(text, "Brush twice") || strings.Contains(text, "Floss") {
		t.Errorf("brushing for a mouth without teeth: %s", text)
	}
}

// Every kind of page is written on both papers in each language, the same bytes twice, with a size to be mailed.
func TestPDF(t *testing.T) {
	for name, r := range mouths(t) {
		r.Before = reporttest.Full(t)
		r.Before.Exam.Began = r.Exam.Began.Add(-90 * 24 * time.Hour)
		for _, size := range []Size{a4, letterPaper} {
			var writers []func(b *bytes.Buffer) error
			writers = append(writers, func(b *bytes.Buffer) error { return Clinical(b, r, size) })
			for _, tag := range tongues {
				m, err := Load("", tag)
				if err != nil {
					t.Fatal(err)
				}
				writers = append(writers, func(b *bytes.Buffer) error { return Handout(b, r, m, size) })
			}
			for i, write := range writers {
				var one, two bytes.Buffer
				if err := write(&one); err != nil {
					t.Fatalf("%s %d: %v", name, i, err)
				}
				if err := write(&two); err != nil || !bytes.Equal(one.Bytes(), two.Bytes()) {
					t.Errorf("%s %d: not the same bytes twice (%v)", name, i, err)
				}
				if n := one.Len(); n > 200<<10 || !bytes.HasPrefix(one.Bytes(), []byte("%PDF-")) || !bytes.Contains(one.Bytes(), []byte("/FontFile2")) || !bytes.Contains(one.Bytes(), []byte("/StructTreeRoot")) {
					t.Errorf("%s %d: %d bytes", name, i, n)
				}
			}
		}
	}
}

func BenchmarkClinical(b *testing.B) {
	r := reporttest.Full(b)
	for b.Loop() {
		var out bytes.Buffer
		if err := Clinical(&out, r, a4); err != nil {
			b.Fatal(err)
		}
	}
}

// A letter is about a day that was decided, in the patient's language; without one there is none.
func TestInvitation(t *testing.T) {
	r := mouths(t)["full"]
	for _, tag := range tongues {
		m, err := Load("", tag)
		if err != nil {
			t.Fatal(err)
		}
		for what, day := range map[string]string{"": "2027", "recall": "2027", "re-evaluation": "2026"} {
			subject, text, err := invitation(r, m, what)
			if err != nil || subject == "" || !strings.Contains(text, "Harriet Sallow") || !strings.Contains(text, day) || !strings.Contains(text, "555 0134") || strings.Contains(text, "{") {
				t.Errorf("%s %q: %v %s", tag, what, err, text)
			}
		}
		var b bytes.Buffer
		if err := Invite(&b, r, m, "recall", letterPaper); err != nil || b.Len() < 5000 {
			t.Errorf("%s: %d bytes, %v", tag, b.Len(), err)
		}
	}
	m, _ := Load("", "en")
	r.Plan = nil
	if _, _, err := invitation(r, m, "recall"); err == nil || !strings.Contains(err.Error(), "decide it under Plan") {
		t.Error(err)
	}
}

// The same as text for a message: its subject, an empty line, what it says.
func TestMessage(t *testing.T) {
	r := mouths(t)["full"]
	m, err := Load("", "en")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Message(&b, r, m, "recall"); err != nil {
		t.Fatal(err)
	}
	if subject, text, _ := strings.Cut(b.String(), "\n\n"); subject != m.say("letter.subject") || !strings.HasPrefix(text, "Dear Harriet Sallow") || strings.ContainsAny(text, "{}") {
		t.Errorf("%q", b.String())
	}
	r.Plan = nil
	if err := Message(&b, r, m, "recall"); err == nil {
		t.Error("a message about no day was written")
	}
}

// Sizes of paper: ISO 216 and ANSI Y14.1, in mm.
func TestSizesOfPaper(t *testing.T) {
	for name, want := range map[string]Size{"": {210, 297}, "A4": {210, 297}, "letter": {215.9, 279.4}} {
		if got, err := ParseSize(name); err != nil || got != want {
			t.Errorf("%q: %+v, %v", name, got, err)
		}
	}
	if _, err := ParseSize("a3"); err == nil {
		t.Error("a3 was taken")
	}
}

// A step that can be drawn has its drawing on the page, with words for those who do not see it.
func TestStepsAreDrawn(t *testing.T) {
	r := mouths(t)["edited"]
	m, err := Load("", "en")
	if err != nil {
		t.Fatal(err)
	}
	size := func(ids ...string) int {
		r.Plan.HomeCare = nil
		for _, id := range ids {
			r.Plan.HomeCare = append(r.Plan.HomeCare, chart.PlanCare{ID: id})
		}
		var b bytes.Buffer
		if err := Handout(&b, r, m, a4); err != nil {
			t.Fatal(err)
		}
		return strings.Count(b.String(), "/S /Figure")
	}
	without := size("smoking")
	for _, id := range []string{"brush_bass", "idb", "floss", "behind_last"} {
		if got := size("smoking", id); got <= without { // what has a place in the mouth is drawn there too
			t.Errorf("%s: %d figures, %d without it", id, got, without)
		}
	}
}

// The picture of the mouth on a screen is well-formed, says its words in the patient's language, and has the number of every step that has
// a place; the step carries the same number in the list.
func TestMouthOnScreen(t *testing.T) {
	words := map[string]string{"en": "Upper jaw", "de": "Oben", "es": "Arriba", "fr": "En haut", "pt": "Em cima"} // common words, no source
	for tag := range words {
		m, err := Load("", tag)
		if err != nil {
			t.Fatal(err)
		}
		p := NewPage(mouths(t)["full"], m)
		sheet := p.Sheet()
		i := slices.IndexFunc(sheet.Sections, func(s Section) bool { return s.Picture != "" })
		if i < 0 {
			t.Fatalf("%s: no picture", tag)
		}
		svg := sheet.Sections[i].Picture
		if strings.Contains(svg, "%!") {
			t.Fatalf("%s: %s", tag, svg)
		}
		var said []string
		numbers := map[string]bool{}
		for dec := xml.NewDecoder(strings.NewReader(svg)); ; {
			tok, err := dec.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v in %s", tag, err, svg)
			}
			if c, ok := tok.(xml.CharData); ok {
				said = append(said, string(c))
				numbers[string(c)] = true
			}
		}
		for _, key := range []string{"jaw.upper", "jaw.lower", "side.right", "side.left"} {
			if !slices.Contains(said, m.say(key)) {
				t.Errorf("%s: the picture does not say %q", tag, m.say(key))
			}
		}
		if !slices.Contains(said, words[tag]) {
			t.Errorf("%s: no %q in %q", tag, words[tag], said)
		}
		placed := 0
		for n, s := range p.steps {
			if len(s.gaps)+len(s.teeth) == 0 {
				continue
			}
			placed++
			if !numbers[fmt.Sprint(n+1)] || sheet.Sections[0].Lines[n].N != n+1 {
				t.Errorf("%s: step %d is not in the picture, or has another number in the list", tag, n+1)
			}
		}
		if placed == 0 {
			t.Fatal("no step has a place: nothing was tested")
		}
	}
	m, _ := Load("", "de")
	if s := NewPage(mouths(t)["none"], m).Sheet(); slices.ContainsFunc(s.Sections, func(s Section) bool { return s.Picture != "" }) {
		t.Error("a mouth without places has a picture of them")
	}
}
