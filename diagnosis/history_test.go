package diagnosis

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
)

func onDay(year int, c *chart.Chart) Dated {
	return Dated{Chart: c, Day: time.Date(year, 3, 1, 0, 0, 0, 0, time.UTC)}
}

// Sites over all exams, by hand from the definition: a change counts when two exams in a row show it or when it was measured
// twice; a site that reads deeper once is a question.
func TestSitesOverTime(t *testing.T) {
	at := chart.SiteRef{Tooth: 16, Site: chart.MB}
	for _, c := range []struct {
		losses []int // at the exams, -1 not measured
		again  int   // half-millimetres, of the last; 0 none
		seen   int
		sure   bool
	}{
		{[]int{3, 3, 5}, 0, 1, false},
		{[]int{3, 3, 4}, 0, 0, false},
		{[]int{3, 5, 5}, 0, 2, true},
		{[]int{3, 3, 5, 5}, 0, 2, true},
		{[]int{3, 5, 3}, 0, 0, false},
		{[]int{3, 5, 3, 5}, 0, 1, false},
		{[]int{3, 5, 6, 7}, 0, 3, true},
		{[]int{3, 5}, 10, 1, true},
		{[]int{3, 5}, 9, 0, false}, // measured again, and it was not there
		{[]int{3, -1, 5}, 0, 1, false},
		{[]int{3, 5, -1}, 0, 0, false},
		{[]int{5, 3, 5}, 0, 0, false}, // it was there before
	} {
		var exams []Dated
		for i, l := range c.losses {
			m := healthy()
			*m.Site(at) = reading(5, max(l, 0))
			if l < 0 {
				*m.Site(at) = chart.SiteRecord{}
			}
			if c.again > 0 && i == len(c.losses)-1 {
				m.Site(at).Again = chart.Half(c.again)
			}
			exams = append(exams, onDay(2020+i, m))
		}
		h := HistoryOf(exams, Options{})
		if c.seen == 0 && len(h.Watch) == 0 {
			continue
		}
		if len(h.Watch) != 1 || h.Watch[0].Seen != c.seen || h.Watch[0].Sure != c.sure || h.Watch[0].SiteRef != at || !strings.Contains(h.Watch[0].Sentence, "16 MB: attachment loss went from") {
			t.Errorf("%+v: %+v", c, h.Watch)
		}
	}
}

// Trends: means over the sites that every exam recorded; a slope by least squares, its interval from the error of the readings.
// By hand: 168 sites lose 1 mm in two years; one reading varies by half of the spread's variance (0.0206 x 4 ...).
func TestTrends(t *testing.T) {
	mouth := func(loss int) *chart.Chart {
		c := healthy()
		for _, r := range sites(c) {
			*c.Site(r) = reading(4, loss)
		}
		return c
	}
	exams := []Dated{onDay(2022, mouth(2)), onDay(2020, mouth(1)), onDay(2021, mouth(1))} // any order
	h := HistoryOf(exams, Options{})
	if fmt.Sprint(h.Days) != "[2020-03-01 2021-03-01 2022-03-01]" || h.Mouth.Sites != 168 || *h.Mouth.Loss[0] != 1 || *h.Mouth.Loss[2] != 2 {
		t.Fatalf("%v %+v", h.Days, h.Mouth)
	}
	// Least squares through (0,1) (1,1) (2,2): slope 0.5.
	v := 0.2671 + 4*0.0194 + 9*0.0065 + 16*0.0005 + 25*0.0001
	margin := 1.96 * math.Sqrt((v/2/168+0.16*0.16)/2)
	if r := h.Mouth.Rate; r == nil || math.Abs(r.PerYear-0.5) > 0.011 || math.Abs(r.High-r.PerYear-margin) > 0.011 {
		t.Errorf("%+v, margin %.3f", r, margin)
	}
	if len(h.Teeth) != 28 || h.Teeth[0].Sites != 6 || h.Teeth[0].Rate.High-h.Teeth[0].Rate.PerYear <= margin {
		t.Errorf("%+v", h.Teeth[0])
	}
	// Therapy starts a new count; a mean never rests on a lost tooth.
	exams[0].Therapy = true // 2022
	lost := mouth(2)
	remove(lost, "periodontitis", 36)
	exams = append(exams, onDay(2023, lost))
	h = HistoryOf(exams, Options{})
	if h.Mouth.Sites != 162 || h.Mouth.Rate == nil || h.Mouth.Rate.PerYear != 0 || len(h.Watch) != 0 || !strings.Contains(strings.Join(h.Notes, " "), "2022-03-01") {
		t.Errorf("%+v %+v %q", h.Mouth, h.Mouth.Rate, h.Notes)
	}
	// One exam, none, and half a year.
	if h := HistoryOf(exams[:1], Options{}); h.Mouth.Rate != nil || len(h.Sites) != 168 {
		t.Errorf("%+v", h.Mouth)
	}
	if b, err := json.Marshal(HistoryOf(nil, Options{})); err != nil || strings.Contains(string(b), `:null,"teeth"`) {
		t.Errorf("%s, %v", b, err)
	}
	soon := []Dated{onDay(2020, mouth(1)), {Chart: mouth(2), Day: time.Date(2020, 8, 20, 0, 0, 0, 0, time.UTC)}}
	if h := HistoryOf(soon, Options{}); h.Mouth.Rate != nil {
		t.Errorf("a rate over %v", soon[1].Day.Sub(soon[0].Day))
	}
}

// The picture for the patient counts what he can change, in words without terms; the band is that of the error model.
func TestPlainCourse(t *testing.T) {
	a, b := healthy(), healthy()
	bleedAt(a, 40)
	bleedAt(b, 12)
	for _, r := range sites(a)[:9] {
		*a.Site(r) = reading(5, 3)
	}
	for _, r := range sites(b) {
		b.Site(r).Flags[chart.Plaque] = chart.NotRecorded
	}
	h := HistoryOf([]Dated{onDay(2020, a), onDay(2021, b)}, Options{})
	var said []string
	for _, l := range h.Plain {
		said = append(said, l.Text)
	}
	if got := strings.Join(said, " | "); got != "From 40 to 12 places that bleed when touched: fewer than before. | From 9 to 0 deep places (5 mm or more): fewer than before. | " {
		t.Error(got)
	}
	for _, s := range h.Sites {
		if s.Band != 1 { // 97.4 percent lie within 1 mm
			t.Errorf("%+v", s)
			break
		}
	}
	second := []Dated{onDay(2020, a), onDay(2021, b)}
	second[0].Examiner, second[1].Examiner = "Ada", "Ben"
	if h := HistoryOf(second, Options{}); h.Sites[0].Band != 2 { // by two examiners 95 percent lie within 2 mm
		t.Error(h.Sites[0].Band)
	}
	// The band is so wide that at most 5 percent of second readings lie outside of it.
	for beyond, band := range map[float64]int{0.048: 1, 0.052: 2} {
		own := publishedError()
		for c := range own.within {
			own.within[c] = spread{0.7, 0.3 - beyond, beyond}
		}
		if h := HistoryOf([]Dated{onDay(2020, a), onDay(2021, b)}, Options{Error: own}); h.Sites[0].Band != band {
			t.Errorf("%.3f of second readings 2 mm off: a band of %d mm", beyond, h.Sites[0].Band)
		}
	}
	one := runningMedian([]chart.MM{chart.Millimetres(3), chart.Millimetres(7), chart.Millimetres(3), {}})
	if *one[0] != 5 || *one[1] != 3 || *one[2] != 5 || one[3] != nil {
		t.Errorf("%v %v %v", *one[0], *one[1], *one[2])
	}
}

// Completed years, on both sides of a birthday; of part of a date the lower age.
func TestAgeOn(t *testing.T) {
	for _, c := range []struct {
		born, day string
		want      int
	}{{"2008-03-28", "2026-03-27", 17}, {"2008-03-28", "2026-03-28", 18}, {"2008-02-29", "2026-02-28", 17}, {"2008-02-29", "2026-03-01", 18},
		{"2008-03", "2026-03-30", 17}, {"2008-03", "2026-03-31", 18}, {"2008", "2026-12-30", 17}, {"2008", "2026-12-31", 18}, {"2026-03-28", "2026-03-28", 0}, {"2027-01-01", "2026-12-31", -1}, {"", "2026-12-31", -1}, {"x", "2026-12-31", -1}} {
		day, err := time.Parse(time.DateOnly, c.day)
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := AgeOn(c.born, day); ok != (c.want >= 0) || ok && got != c.want {
			t.Errorf("%+v: %d, %v", c, got, ok)
		}
	}
}

// Charts that cannot be of one patient in that order are refused; what the files tell of the time between counts.
func TestEarlierOf(t *testing.T) {
	at := func(began, examiner string, age int) *chart.Chart {
		c := healthy()
		c.Exam = chart.Origin{Began: began, Examiner: examiner}
		if age > 0 {
			c.Patient.Age = ptr(age)
		}
		return c
	}
	for _, c := range []struct {
		before, after *chart.Chart
		years         float64
		other         bool
		fault         string
	}{
		{at("2024-03-01T10:00:00Z", "Ada", 50), at("2026-03-01T10:00:00Z", "Ada", 52), 2, false, ""},
		{at("2024-03-01T10:00:00Z", "Ada", 0), at("2026-03-01T10:00:00Z", "Ben", 52), 2, true, ""},
		{at("", "", 0), at("", "", 0), 0, false, ""},
		{at("2026-03-01T10:00:00Z", "", 0), at("2024-03-01T10:00:00Z", "", 0), 0, false, "exchange the two"},
		{at("2026-03-01T10:00:00Z", "", 0), at("2026-03-01T10:00:00Z", "", 0), 0, false, "exchange the two"},
		{at("", "", 52), at("", "", 51), 0, false, "two patients"},
		{at("2024-03-01T10:00:00Z", "", 50), at("2026-03-01T10:00:00Z", "", 54), 2, false, ""},
		{at("2024-03-01T10:00:00Z", "", 50), at("2026-03-01T10:00:00Z", "", 55), 0, false, "two patients?"},
		{at("2026-03-01T10:00:00Z", "", 50), at("2026-12-18T10:00:00Z", "", 53), 0, false, "two patients?"}, // 0.80 years: 2.2 years amiss
		{at("2026-03-01T10:00:00Z", "", 50), at("2027-02-04T10:00:00Z", "", 53), 0.931, false, ""},          // 0.93 years: two birthdays and what days leave out
	} {
		e, err := EarlierOf(c.before, c.after)
		if (err == nil) != (c.fault == "") || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%+v %+v: %v, want %q", c.before.Exam, c.after.Exam, err, c.fault)
		}
		if err == nil && (math.Abs(e.Years-c.years) > 0.01 || e.OtherExaminer != c.other || e.Therapy) {
			t.Errorf("%+v: %+v", c.after.Exam, e)
		}
	}
	treated := at("2026-03-01T10:00:00Z", "", 0)
	for done, want := range map[string]bool{"2024-02-29": false, "2024-03-01": true, "2026-03-01": true, "2026-03-02": false} {
		treated.Patient.TherapyFinished = done
		if e, err := EarlierOf(at("2024-03-01T10:00:00Z", "", 0), treated); err != nil || e.Therapy != want {
			t.Errorf("therapy until %s lies between: %v, %v", done, e, err)
		}
	}
}

// The error model of a practice: pairs are counted by depth class (up to 3, 4 to 6, 7 mm and more), kind of tooth and aspect, and the
// published spread weighs as much as 300 pairs, first for the whole practice and then for each class. By hand from that.
func TestOwnErrorModel(t *testing.T) {
	mouth := func(depth, second int) DoubleExam {
		a, b := &chart.Chart{}, &chart.Chart{}
		for _, tooth := range []chart.Tooth{11, 12, 13, 14, 15, 21, 22, 23, 24, 25} {
			for _, s := range []chart.Site{chart.DB, chart.B, chart.MB} {
				a.Site(chart.SiteRef{Tooth: tooth, Site: s}).Depth, b.Site(chart.SiteRef{Tooth: tooth, Site: s}).Depth = chart.Millimetres(depth), chart.Millimetres(second)
			}
		}
		return DoubleExam{First: a, Second: b}
	}
	for _, c := range []struct{ depth, same, other int }{{3, 2, 4}, {4, 6, 3}, {6, 4, 7}, {7, 8, 6}} {
		m := ErrorOf([]DoubleExam{mouth(c.depth, c.depth+2)})
		// 30 pairs that differ by 2 mm: in their class twice weighed, elsewhere once.
		pooled := (300*0.0194 + 30) / 330
		own := (300*pooled + 30) / 330
		elsewhere := 300 * pooled / 300
		at := func(depth int) float64 { return m.at(11, chart.MB, chart.Millimetres(depth), false)[2] }
		if math.Abs(at(c.depth)-own) > 1e-9 || math.Abs(at(c.same)-own) > 1e-9 || math.Abs(at(c.other)-elsewhere) > 1e-9 {
			t.Errorf("%d mm: %.5f, beside it at %d mm %.5f (want %.5f), at %d mm %.5f (want %.5f)", c.depth, at(c.depth), c.same, at(c.same), own, c.other, at(c.other), elsewhere)
		}
		if got := m.at(16, chart.MB, chart.Millimetres(c.depth), false)[2]; math.Abs(got-elsewhere) > 1e-9 {
			t.Errorf("molars have a class of their own: %.5f", got)
		}
		if got := m.at(11, chart.ML, chart.Millimetres(c.depth), false)[2]; math.Abs(got-elsewhere) > 1e-9 {
			t.Errorf("so has the other aspect: %.5f", got)
		}
		if got := m.at(11, chart.MB, chart.Millimetres(c.depth), true)[2]; got != 0.19 {
			t.Errorf("pairs of one examiner say nothing of two: %.5f", got)
		}
		if m.OwnSites != 30 || !strings.Contains(m.Source, "1 mouth, 30 sites") {
			t.Error(m.Source)
		}
	}
}

// A natural tooth does not stand where an implant stood: files say so and are refused, the exams of one patient are compared without
// that place and the note says why. A furcation on an implant counts nowhere.
func TestImplantOverNaturalTooth(t *testing.T) {
	before, after := healthy(), healthy()
	*before.Tooth(36) = chart.ToothRecord{Presence: chart.Implant}
	put(after, 36, chart.MB, 6, 6)
	if _, err := EarlierOf(before, after); err == nil || !strings.Contains(err.Error(), "tooth 36 is an implant at the exam before and a natural tooth now") {
		t.Error(err)
	}
	if _, err := EarlierOf(after, before); err != nil {
		t.Errorf("an implant placed since: %v", err)
	}
	cmp := Compare(before, after, CompareOptions{})
	if all := strings.Join(cmp.Notes, " "); !strings.Contains(all, "a natural tooth now, which cannot be: 36") || len(cmp.WorseSites)+cmp.NewPockets != 0 {
		t.Errorf("%s, worse %v", all, cmp.WorseSites)
	}
	before.Tooth(36).Furcation[chart.EntranceBuccal] = chart.GradeOf(2)
	f := Assess(before, Options{})
	if v, _ := f.Get("furcation.max"); v.Value != (Value{}) || len(v.Because) > 0 {
		t.Errorf("%+v", v)
	}
}
