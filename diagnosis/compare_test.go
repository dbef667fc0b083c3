package diagnosis

import (
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
)

// Sources of the expected values: the definitions in compare.go, worked out by hand.

func TestCompareClasses(t *testing.T) {
	for _, c := range []struct {
		before, after int // half-millimetres
		other         bool
		want          Class
	}{{12, 9, false, WithinError}, {12, 8, false, Improved}, {8, 11, false, WithinError}, {8, 12, false, Worse},
		{12, 8, true, NotSure}, {12, 7, true, NotSure}, {12, 6, true, Improved}, {6, 11, true, NotSure}, {6, 12, true, Worse}, {6, 9, true, WithinError}} {
		if got := changeClass(chart.Half(c.before), chart.Half(c.after), c.other); got != c.want {
			t.Errorf("%+v: %s", c, got)
		}
	}
}

func TestCompareTwoExams(t *testing.T) {
	before, after := healthy(), healthy()
	before.Numbering, after.Numbering = chart.FDI, chart.Universal
	at := func(c *chart.Chart, tooth chart.Tooth, s chart.Site, depth, loss int, bleeds bool) {
		put(c, tooth, s, depth, loss)
		c.Tooth(tooth).Sites[s].Flags[chart.Bleeding] = chart.Is(bleeds)
	}
	at(before, 16, chart.MB, 7, 7, true)
	at(after, 16, chart.MB, 4, 6, false) // closed
	at(before, 16, chart.DB, 5, 5, true)
	at(after, 16, chart.DB, 4, 5, true) // shallow, and 4 mm bleeding: treat again
	at(before, 26, chart.MB, 6, 6, true)
	at(after, 26, chart.MB, 6, 6, false) // residual
	at(before, 36, chart.MB, 3, 3, false)
	at(after, 36, chart.MB, 5, 5, true) // worse, new pocket
	at(before, 47, chart.MB, 6, 6, true)
	remove(after, "periodontitis", 47) // lost with its pocket
	at(before, 46, chart.MB, 5, 5, true)
	after.Tooth(46).Sites[chart.MB] = chart.SiteRecord{} // not probed again
	*after.Tooth(27) = chart.ToothRecord{Presence: chart.Implant}
	days := 57
	cmp := Compare(before, after, CompareOptions{Days: &days})
	got := fmt.Sprintf("pockets %d remeasured %d closed %d shallow %d new %d; improved %d worse %d; lost %v implants %v not remeasured %v residual %v bleeding %v worse %v",
		cmp.Pockets, cmp.Remeasured, cmp.Closed, cmp.Shallow, cmp.NewPockets, cmp.Improved, cmp.Worse, cmp.LostTeeth, cmp.NewImplants, cmp.NotRemeasured, cmp.Residual6, cmp.ResidualBleeding, cmp.WorseSites)
	want := "pockets 5 remeasured 3 closed 1 shallow 2 new 1; improved 1 worse 1; lost [47] implants [27] not remeasured [46.MB] residual [26.MB] bleeding [36.MB] worse [36.MB]"
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	// 28 teeth less 47 and 27, less the site not probed again.
	if cmp.Before.Depths != 155 || cmp.Before.Ge5 != 3 || cmp.After.Ge5 != 2 || cmp.Before.Ge4 != 3 || cmp.After.Ge4 != 4 || cmp.Before.Ge6 != 2 || cmp.After.Ge6 != 1 {
		t.Errorf("%+v %+v", cmp.Before, cmp.After)
	}
	// Depths before: 151 sites of 2 mm and 7+5+6+3; after: 4+4+6+5.
	if show(*cmp.Before.MeanDepth, 4) != show((151*2+21)/155.0, 4) || show(*cmp.After.MeanDepth, 4) != show((151*2+19)/155.0, 4) {
		t.Errorf("means %v %v", *cmp.Before.MeanDepth, *cmp.After.MeanDepth)
	}
	if show(*cmp.Before.BleedingPercent, 2) != show(100*3/155.0, 2) || show(*cmp.After.BleedingPercent, 2) != show(100*2/155.0, 2) {
		t.Errorf("bleeding %v %v", *cmp.Before.BleedingPercent, *cmp.After.BleedingPercent)
	}
	var again []string
	for _, r := range cmp.Retreat {
		again = append(again, r.SiteRef.String()+" "+strings.SplitN(r.Why, ":", 2)[0])
	}
	if got := strings.Join(again, ", "); got != "16.DB 4 to 5 mm with bleeding, 26.MB 6 mm or more, 36.MB 4 to 5 mm with bleeding" {
		t.Error(got)
	}
	if cmp.Endpoint.Value.String() != "not-met" || cmp.Gingiva.Value.String() != "not-stable" || cmp.Window != "late" || !cmp.Provisional {
		t.Errorf("%s %s %s", cmp.Endpoint.Value, cmp.Gingiva.Value, cmp.Window)
	}
	for _, note := range []string{"different numberings", "Lost since: tooth 31.", "Implant placed since: 15", "1 site of the first exam", "2 pockets of the first exam", "Measure the worse sites again", "Attachment lost: 1 of 155 sites; errors of measurement alone give about 2.1", "later than the usual"} {
		if !strings.Contains(strings.Join(cmp.Notes, " "), note) {
			t.Errorf("no note %q in %q", note, cmp.Notes)
		}
	}
	for _, tc := range cmp.Teeth {
		if tc.Tooth == 16 && (tc.Matched != 6 || tc.Improved != 1 || tc.Within != 5 || tc.DeepestBefore.Whole() != 7 || tc.DeepestAfter.Whole() != 4) {
			t.Errorf("%+v", tc)
		}
		if tc.Tooth == 27 || tc.Tooth == 47 {
			t.Errorf("tooth %s is compared", tc.Tooth)
		}
	}
}

func TestCompareLimits(t *testing.T) {
	before, after := healthy(), healthy()
	put(before, 16, chart.MB, 6, 4)
	put(after, 16, chart.MB, 3, 6)
	put(before, 16, chart.DB, 5, 5)
	after.Tooth(16).Sites[chart.DB] = chart.SiteRecord{Depth: chart.Millimetres(4)}
	s := func(o CompareOptions) SiteChange {
		for _, s := range Compare(before, after, o).Sites {
			if s.Tooth == 16 && s.Site == chart.MB {
				return s
			}
		}
		return SiteChange{}
	}
	if got := s(CompareOptions{}); got.Depth != Improved || got.Loss != Worse {
		t.Errorf("depth and loss are classed apart: %+v", got)
	}
	if got := s(CompareOptions{OtherMethod: true}); got.Loss != NotCompared || got.Note == "" {
		t.Errorf("another method is not classed: %+v", got)
	}
	if got := s(CompareOptions{OtherExaminer: true}); got.Loss != NotSure {
		t.Errorf("%+v", got)
	}
	// Clamped losses are shown and not classed.
	after.Tooth(16).Sites[chart.MB].Recession = chart.Millimetres(-5)
	if got := s(CompareOptions{}); got.Loss != NotCompared {
		t.Errorf("%+v", got)
	}
	// A shallow site without an answer on bleeding is not closed.
	cmp := Compare(before, after, CompareOptions{})
	if cmp.Shallow != 2 || cmp.Closed != 1 || cmp.Unanswered != 1 || !cmp.Provisional {
		t.Errorf("%d %d %d", cmp.Shallow, cmp.Closed, cmp.Unanswered)
	}
	// A depth of 0 is a reading.
	zero, sixth := healthy(), healthy()
	put(zero, 16, chart.MB, 0, 0)
	put(sixth, 16, chart.MB, 6, 6)
	if a, b := Compare(zero, sixth, CompareOptions{}), Compare(sixth, zero, CompareOptions{}); a.Worse != 1 || b.Improved != 1 || b.Closed != 1 || a.Before.Depths != 168 || len(a.NotRemeasured)+len(b.NotRemeasured) != 0 {
		t.Errorf("%+v\n%+v", a.Before, b.Before)
	}
	if got := Agree(zero, healthy(), Options{}); got.Depth[0].Sites != 168 || got.Unpaired != 0 {
		t.Errorf("%+v", got.Depth[0])
	}
	// Five millimetres are no closed pocket, dry or not.
	five := healthy()
	put(five, 16, chart.MB, 5, 4)
	if got := Compare(before, five, CompareOptions{}); got.Closed != 1 || got.Shallow != 1 || got.Remeasured != 2 { // 16 DB went from 5 to 2
		t.Errorf("%d closed, %d shallow of %d", got.Closed, got.Shallow, got.Remeasured)
	}
	// A periodontitis patient stays one: with a healthy second exam the status is stable.
	sick := healthy()
	put(sick, 16, chart.MB, 5, 5)
	put(sick, 26, chart.MB, 5, 5)
	if got := Compare(sick, healthy(), CompareOptions{}).Gingiva.Value.String(); got != "stable" {
		t.Error(got)
	}
	// Pairing with oneself changes nothing.
	same := Compare(before, before, CompareOptions{})
	if same.Improved+same.Worse+same.NotSure+same.NewPockets != 0 || !reflect.DeepEqual(same.Before, same.After) {
		t.Errorf("%+v", same)
	}
	// A tooth that was called missing and is there again.
	gone := healthy()
	remove(gone, "other", 44)
	if cmp := Compare(gone, healthy(), CompareOptions{}); fmt.Sprint(cmp.NewTeeth) != "[44]" {
		t.Error(cmp.NewTeeth)
	}
}

// Attachment goes before depth. By hand from the definitions of Became.
func TestWhatBecameOfSites(t *testing.T) {
	for _, c := range []struct {
		before, after, lossBefore, lossAfter int // mm; -1 no margin
		bleeds                               bool
		again                                int
		other                                bool
		want                                 Became
		closed                               bool
	}{
		{6, 4, 6, 8, false, 0, false, BecameWorse, false}, // recession 0 to 4: no healing
		{6, 4, 6, 7, false, 0, false, BecameClosed, true}, // 1 mm of attachment is error
		{6, 4, 6, 4, false, 0, false, BecameClosed, true},
		{6, 4, 6, 6, true, 0, false, BecameShallower, false},
		{7, 5, 7, 5, false, 0, false, BecameBetter, false},
		{7, 5, 7, 7, false, 0, false, BecameShallower, false},
		{3, 5, 3, 5, false, 0, false, BecameWorse, false},
		{3, 5, 5, 5, false, 0, false, BecameNewPocket, false},
		{4, 5, 4, 5, false, 0, false, BecameNewPocket, false},
		{2, 4, 5, 5, false, 0, false, BecameDeeper, false},
		{3, 3, 3, 5, false, 0, false, BecameWorse, false}, // the margin alone
		{3, 4, 3, 4, false, 0, false, BecameSame, false},
		{3, 5, -1, -1, false, 0, false, BecameWorse, false},
		{7, 5, -1, -1, false, 0, false, BecameBetter, false},
		{3, 5, 3, 5, false, 5, false, BecameWorse, false},
		{3, 5, 3, 5, false, 4, false, BecameSame, false}, // the second depth denies it
		{3, 5, 3, 5, false, 0, true, BecameNewPocket, false},
		{2, 4, 2, 4, false, 0, true, BecameNotSure, false},
		{2, 5, 2, 5, false, 0, true, BecameWorse, false},
	} {
		before, after := healthy(), healthy()
		at := chart.SiteRef{Tooth: 16, Site: chart.MB}
		*before.Site(at), *after.Site(at) = reading(c.before, max(0, c.lossBefore)), reading(c.after, max(0, c.lossAfter))
		if c.lossBefore < 0 {
			before.Site(at).Recession = chart.MM{}
		}
		after.Site(at).Flags[chart.Bleeding] = chart.Is(c.bleeds)
		if c.again > 0 {
			after.Site(at).Again = chart.Millimetres(c.again)
		}
		cmp := Compare(before, after, CompareOptions{OtherExaminer: c.other})
		for _, s := range cmp.Sites {
			if s.Tooth != at.Tooth || s.Site != at.Site {
				continue
			}
			if s.Became != c.want || s.Closed != c.closed || s.Confirmed != (c.again == 5) || s.Denied != (c.again == 4) {
				t.Errorf("%+v: %s, closed %v, confirmed %v, denied %v", c, s.Became, s.Closed, s.Confirmed, s.Denied)
			}
			worse := c.want == BecameWorse || c.want == BecameDeeper
			if listed := len(cmp.WorseSites) == 1; listed != worse {
				t.Errorf("%+v: among the worse sites %v", c, listed)
			}
		}
		for _, tc := range cmp.Teeth {
			if tc.Tooth == 16 && (tc.LossWorse == 1) != (c.lossBefore >= 0 && c.lossAfter-c.lossBefore >= 2+btoi(c.other)) {
				t.Errorf("%+v: %+v", c, tc)
			}
		}
	}
	// In the sum of a mouth: one pocket receded, none closed.
	before, after := healthy(), healthy()
	put(before, 16, chart.MB, 6, 6)
	put(after, 16, chart.MB, 4, 8)
	cmp := Compare(before, after, CompareOptions{})
	if cmp.Closed != 0 || cmp.Shallow != 1 || cmp.Receded != 1 || cmp.LossWorse != 1 || cmp.Improved != 1 || !strings.Contains(strings.Join(cmp.Notes, " "), "1 pocket became shallow and dry because the margin receded") {
		t.Errorf("%+v", cmp.Notes)
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// The number that 99 of 100 unchanged mouths do not exceed, on both sides of the level, by Poisson's law worked out by hand: of 32 sites
// 0.424 are expected and 3 or more come up in 0.93 percent of mouths; of 97 sites 1.285, and 5 or more in 1.02 percent.
func TestLevelOfChance(t *testing.T) {
	for n, most := range map[int]int{32: 2, 97: 5} {
		before := healthy()
		keep(before, n)
		if got := Compare(before, before, CompareOptions{}).Chance.Worse; got.Sites != n || got.Most != most {
			t.Errorf("%d sites: %+v, want %d at most", n, got, most)
		}
	}
	// More sites lost than gained, beyond chance (sign test, binomial by hand): 8 against 4 are 12 tosses of which 8 or more fall one way
	// in 19.4 percent, 9 against 5 in 21.2 percent.
	for _, c := range []struct {
		lost, gained int
		status       string
	}{{8, 4, "beyond-chance"}, {9, 5, "question"}, {10, 5, "beyond-chance"}} {
		before, after := healthy(), healthy()
		for i, r := range sites(before)[:c.lost+c.gained] {
			*before.Site(r), *after.Site(r) = reading(3, 3), reading(3, 5)
			if i >= c.lost {
				*before.Site(r), *after.Site(r) = *after.Site(r), *before.Site(r)
			}
		}
		after.Patient.HistoryOfPeriodontitis = ptr(true)
		want(t, Assess(after, Options{Earlier: &Earlier{Chart: before, Years: 1}}), "progression.status", c.status)
		// The same of new pockets: 12 tosses of which 8 or more, and so on.
		for _, r := range sites(before)[:c.lost+c.gained] {
			for _, x := range []*chart.SiteRecord{before.Site(r), after.Site(r)} {
				loss, _, _ := x.AttachmentLoss()
				*x = reading(loss.Whole(), 0)
			}
		}
		if got := Compare(before, after, CompareOptions{}).Chance.NewPockets; got.Seen != c.lost || got.Beyond != (c.status == "beyond-chance") {
			t.Errorf("%+v: new pockets %+v", c, got)
		}
	}
}

// What errors of measurement alone give stands beside each change. By hand from the published spread: of 168 sites 1.325 percent
// are worse by 2 mm or more; of pockets of 5 mm in a mouth where 4 mm is as frequent, those that a second reading puts at 4 mm
// or less, when both readings have the depths of the mouth; bleeding by kappa 0.5.
func TestChanceBesideEachChange(t *testing.T) {
	before := healthy()
	for i, r := range sites(before) {
		*before.Site(r) = reading(2, 2)
		if i < 60 {
			*before.Site(r) = reading(4+i%2, 4+i%2)
		}
		before.Site(r).Flags[chart.Bleeding] = chart.Is(i < 42) // a quarter
	}
	after := *before
	cmp := Compare(before, &after, CompareOptions{})
	ch := cmp.Chance
	if ch.Worse.Sites != 168 || show(ch.Worse.Expected, 2) != "2.23" || ch.Worse.Most != 6 || ch.Worse.Seen != 0 || ch.Worse.Beyond {
		t.Errorf("%+v", ch.Worse)
	}
	// Depths: 108.5 of 2 mm, 30.5 of 4 and of 5, a half of each other. Second readings of a 5: 4 and less against all.
	s := []float64{0.7064, 0.13355, 0.0097, 0.00325, 0.00025, 0.00005}
	var pair [16][16]float64 // rows and columns scaled in turn until both add up to the depths of the mouth
	depths := [16]float64{2: 108.5, 4: 30.5, 5: 30.5}
	for x := range pair {
		depths[x] = max(depths[x], 0.5)
		for y := range pair {
			if d := abs(x - y); d < len(s) {
				pair[x][y] = s[d]
			}
		}
	}
	for range 500 {
		for x := range pair {
			row, column := 0.0, 0.0
			for y := range pair {
				row += pair[x][y]
			}
			for y := range pair {
				pair[x][y] *= depths[x] / row
			}
			for y := range pair {
				column += pair[y][x]
			}
			for y := range pair {
				pair[y][x] *= depths[x] / column
			}
		}
	}
	low := pair[5][0] + pair[5][1] + pair[5][2] + pair[5][3] + pair[5][4]
	all := depths[5]
	dry := 0.75 // of the 30 pockets 21 bled before
	want := 21*low/all*0.5*dry + 9*low/all*(0.5+0.5*dry)
	if ch.Closed.Sites != 30 || show(ch.Closed.Expected, 2) != show(want, 2) || ch.Closed.Seen != 0 {
		t.Errorf("%+v, want %.3f", ch.Closed, want)
	}
	if ch.Bleeding.Sites != 168 || ch.Bleeding.Seen != 0 || ch.Bleeding.Most != 15 { // 2.58 x root of 168 x 2 x 1/4 x 3/4 x 0.5
		t.Errorf("%+v", ch.Bleeding)
	}
	for n, beyond := range map[int]bool{16: false, 17: true} { // then p is 0.30, and the limit 16
		now := *before
		for _, r := range sites(&now)[42 : 42+n] {
			now.Site(r).Flags[chart.Bleeding] = chart.Yes
		}
		if got := Compare(before, &now, CompareOptions{}).Chance.Bleeding; got.Seen != n || got.Most != 16 || got.Beyond != beyond {
			t.Errorf("%d more: %+v", n, got)
		}
	}
	if len(strings.TrimSpace(cmp.Error.Source)) == 0 {
		t.Error("the error model is not named")
	}
}

func TestRecall(t *testing.T) {
	d := func(s string) time.Time {
		v, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct {
		from, to string
		months   int
	}{{"2025-11-25", "2026-11-24", 11}, {"2025-11-25", "2026-11-25", 12}, {"2026-01-31", "2026-02-27", 0}, {"2026-01-31", "2026-02-28", 1}, {"2026-03-01", "2026-02-01", 0}} {
		if got := monthsBetween(d(c.from), d(c.to)); got != c.months {
			t.Errorf("%s to %s: %d months, want %d", c.from, c.to, got, c.months)
		}
	}
	for _, c := range []struct {
		in      recallInputs
		months  int
		decided string
	}{
		{recallInputs{Gingiva: "gingivitis-localized"}, 6, "severity"},
		{recallInputs{Gingiva: "gingivitis-generalized"}, 6, "severity"},
		{recallInputs{Gingiva: "health", Risk: "high"}, 12, "severity"},
		{recallInputs{}, 0, ""},
		{recallInputs{Stage: "indeterminate", Gingiva: "indeterminate"}, 0, ""},
		{recallInputs{Stage: "II"}, 4, "severity"},
		{recallInputs{Grade: "C"}, 3, "severity"},
		{recallInputs{Stage: "I", Grade: "A", Endpoint: "not-met"}, 3, "not-stable"},
		{recallInputs{Stage: "I", Grade: "A", Risk: "high"}, 3, "risk"},
		{recallInputs{Stage: "I", Grade: "A", Risk: "low"}, 6, "severity"},
		{recallInputs{Stage: "I", Grade: "A", Risk: "moderate"}, 6, "severity"},
		{recallInputs{Stage: "III", Grade: "B"}, 3, "severity"},
		{recallInputs{Stage: "IV"}, 3, "severity"},
		{recallInputs{MonthsSinceTherapy: ptr(11)}, 3, "first-year"},
	} {
		got := recallOf(c.in)
		if got.Months != c.months || got.Decided != c.decided {
			t.Errorf("%+v: %d by %q, want %d by %q", c.in, got.Months, got.Decided, c.months, c.decided)
		}
		for _, l := range got.Lines {
			// House rule: common practice, no source; by risk: seen, secondary.
			want := map[string]int{"first-year": 3, "not-stable": 3, "risk high": 3, "risk moderate": 6, "risk low": 12,
				"severity III": 3, "severity IV": 3, "severity C": 3, "severity II": 4, "severity I": 6, "severity health": 12,
				"severity gingivitis-localized": 6, "severity gingivitis-generalized": 6}
			key := l.Rule
			switch {
			case key == "risk":
				key += " " + c.in.Risk
			case key == "severity" && c.in.Stage != "":
				key += " " + c.in.Stage
			case key == "severity" && c.in.Grade != "":
				key += " " + c.in.Grade
			case key == "severity":
				key += " " + c.in.Gingiva
			}
			if want[key] != l.Months {
				t.Errorf("%s: %d months, want %d", key, l.Months, want[key])
			}
			if l.Source == "" || l.Text == "" {
				t.Errorf("%+v", l)
			}
		}
	}
	// House and published intervals stand side by side when they differ.
	r := recallOf(recallInputs{Stage: "II", Grade: "B", Risk: "low"})
	if len(r.Lines) != 2 || !strings.Contains(r.Notes[0], "House rule: 4 months; published by risk: 12 months") {
		t.Errorf("%+v", r)
	}
	if !strings.Contains(strings.Join(recallOf(recallInputs{Pregnant: true}).Notes, " "), "Pregnancy") {
		t.Error("pregnancy is not named")
	}
	// From findings and dates.
	c := healthy()
	put(c, 16, chart.MB, 2, 2)
	put(c, 26, chart.MB, 2, 2)
	c.Patient.TherapyFinished, c.Patient.Phenotype = "2025-03-01", "A"
	f := Assess(c, Options{})
	for visit, months := range map[string]int{"2026-02-28": 3, "2026-03-01": 6} {
		if got := RecallFor(&f, &c.Patient, PlanOptions{Visit: d(visit)}); got.Months != months {
			t.Errorf("%s: %+v", visit, got)
		}
	}
	if got := RecallFor(&f, &c.Patient, PlanOptions{}); got.Decided == "first-year" {
		t.Error("the first year without a date of the visit")
	}
}

func TestPhases(t *testing.T) {
	c := healthy()
	put(c, 16, chart.MB, 6, 6)
	put(c, 26, chart.MB, 4, 3)
	c.Tooth(26).Sites[chart.MB].Flags[chart.Bleeding] = chart.Yes
	c.Tooth(16).Sites[chart.DB].Flags[chart.Plaque] = chart.Yes
	c.Tooth(36).Furcation[chart.EntranceBuccal] = chart.GradeOf(2)
	c.Patient = chart.Patient{CigarettesPerDay: ptr(5), Diabetes: ptr(true), MedicalHistoryChecked: ptr(true)}
	visit := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	ids := func(c *chart.Chart, o PlanOptions) string {
		f := Assess(c, Options{})
		var ids []string
		for _, p := range Phases(c, &f, o) {
			ids = append(ids, fmt.Sprintf("%s %d", p.ID, len(p.Items)))
			for _, i := range p.Items {
				if i.Text == "" || i.Source == "" {
					t.Errorf("%s: %+v", p.ID, i)
				}
				for _, code := range i.Why {
					if _, ok := f.Get(code); !ok && !strings.HasPrefix(code, "implant") {
						t.Errorf("%s rests on %s, which is no finding", p.ID, code)
					}
				}
			}
		}
		return strings.Join(ids, ", ")
	}
	if got := ids(c, PlanOptions{Visit: visit}); got != "step1 4, step2 1, reevaluation 1, step3 1, supportive 1" {
		t.Error(got)
	}
	f := Assess(c, Options{})
	for _, p := range Phases(c, &f, PlanOptions{Visit: visit}) {
		switch p.ID {
		case "reevaluation":
			if p.From.Format(time.DateOnly) != "2026-03-29" || p.To.Format(time.DateOnly) != "2026-04-26" {
				t.Errorf("%s to %s", p.From, p.To)
			}
		case "step2":
			if fmt.Sprint(p.Items[0].Sites) != "[16.MB 26.MB]" {
				t.Error(p.Items[0].Sites)
			}
		}
	}
	// From the end of phase one once that is known; the text says from what it is counted.
	for done, want := range map[time.Time]string{{}: "2026-03-29 true", visit.AddDate(0, 0, 10): "2026-04-08 false"} {
		for _, p := range Phases(c, &f, PlanOptions{Visit: visit, PhaseOneDone: done}) {
			if got := fmt.Sprint(p.From.Format(time.DateOnly), " ", len(p.Items) > 0 && strings.Contains(p.Items[0].Text, "counted from this exam")); p.ID == "reevaluation" && got != want {
				t.Errorf("phase one done %s: %s, want %s", done, got, want)
			}
		}
	}
	if got := ids(c, PlanOptions{Reevaluation: true}); got != "step1 4, step3 3, supportive 1" {
		t.Error(got)
	}
	for _, p := range Phases(c, &f, PlanOptions{Reevaluation: true}) {
		if p.ID == "step3" && (fmt.Sprint(p.Items[0].Sites) != "[26.MB]" || fmt.Sprint(p.Items[1].Sites) != "[16.MB]" || fmt.Sprint(p.Items[2].Teeth) != "[36]") {
			t.Errorf("%+v", p.Items)
		}
	}
	// What comes first, stage IV, and inflamed implants.
	c.Patient.RehabilitationNeed = ptr(true)
	c.Tooth(31).Mobility = chart.GradeOf(3)
	c.Tooth(11).Sites[chart.B].Flags[chart.Suppuration] = chart.Yes
	c.Tooth(46).Presence = chart.Implant
	c.Tooth(46).Sites[chart.B].Flags[chart.Bleeding] = chart.Yes
	ask(c, 46, func(in *chart.ToothInputs) { in.Implant = &chart.ImplantInputs{Mobile: ptr(true)} })
	c.Patient.MedicalHistoryChecked = ptr(false)
	if got := ids(c, PlanOptions{}); got != "urgent 4, step1 4, step2 1, reevaluation 1, step3 1, implants 1, rehabilitation 1, supportive 1" {
		t.Error(got)
	}
	well := healthy()
	well.Patient.MedicalHistoryChecked = ptr(true)
	if got := ids(well, PlanOptions{}); got != "supportive 1" {
		t.Error(got)
	}
}

// Phases by where the patient stands: no recommendation against the status just found. Steps: Sanz et al. 2020,
// doi:10.1111/jcpe.13290; implants: Herrera et al. 2023, doi:10.1111/jcpe.13823 (both from memory).
func TestPhasesByStand(t *testing.T) {
	visit := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	mouth := func(depth int, bleeds bool) *chart.Chart {
		c := healthy()
		for _, tooth := range []chart.Tooth{16, 26, 36} {
			put(c, tooth, chart.MB, depth, 5)
			c.Tooth(tooth).Sites[chart.MB].Flags[chart.Bleeding] = chart.Is(bleeds)
		}
		c.Patient.MedicalHistoryChecked = ptr(true)
		return c
	}
	ids := func(c *chart.Chart, o PlanOptions) string {
		f := Assess(c, Options{})
		var out []string
		for _, p := range Phases(c, &f, o) {
			out = append(out, p.ID)
		}
		return fmt.Sprint(StandOf(&f, &c.Patient, o), ": ", strings.Join(out, " "))
	}
	finished := func(c *chart.Chart) *chart.Chart { c.Patient.TherapyFinished = "2026-01-15"; return c }
	diagnosed := func(c *chart.Chart) *chart.Chart { c.Patient.EarlierStage = "III"; return c }
	for name, c := range map[string]struct {
		c    *chart.Chart
		o    PlanOptions
		want string
	}{
		"never treated":                 {mouth(5, true), PlanOptions{}, "untreated: step1 step2 reevaluation supportive"},
		"phase one is done":             {mouth(5, true), PlanOptions{PhaseOneDone: visit.AddDate(0, 0, -10)}, "under-therapy: step1 step2 reevaluation supportive"},
		"therapy is recorded":           {mouth(5, true), PlanOptions{LastTherapy: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)}, "under-therapy: step1 step2 reevaluation supportive"},
		"re-evaluated, 5 mm bleeding":   {mouth(5, true), PlanOptions{Reevaluation: true}, "re-evaluated: step1 step3 supportive"},
		"re-evaluated, dry 4 mm":        {mouth(4, false), PlanOptions{Reevaluation: true}, "re-evaluated: step1 supportive"},
		"supportive, stable, dry 4 mm":  {finished(mouth(4, false)), PlanOptions{}, "supportive: step1 supportive"},
		"supportive, a site bleeds":     {finished(mouth(4, true)), PlanOptions{}, "supportive: step1 step3 supportive"},
		"supportive, 6 mm dry":          {finished(mouth(6, false)), PlanOptions{}, "supportive: step1 step3 supportive"},
		"therapy ends after this visit": {finished(mouth(5, true)), PlanOptions{Visit: time.Date(2026, 1, 14, 0, 0, 0, 0, time.UTC)}, "untreated: step1 step2 reevaluation supportive"},
		"therapy ended on this day":     {finished(mouth(5, false)), PlanOptions{Visit: time.Date(2026, 1, 15, 0, 0, 0, 0, time.UTC)}, "supportive: step1 supportive"},
		"diagnosed before, stable":      {diagnosed(mouth(4, false)), PlanOptions{}, "supportive: step1 supportive"},
		"diagnosed before, not stable":  {diagnosed(mouth(5, true)), PlanOptions{}, "untreated: step1 step2 reevaluation supportive"},
	} {
		if c.o.Visit.IsZero() {
			c.o.Visit = visit
		}
		if got := ids(c.c, c.o); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	// Implants only, with pus: step 1, their own path, and an interval.
	sick := healthy()
	for _, tooth := range permanent {
		*sick.Tooth(tooth) = chart.ToothRecord{Presence: chart.Missing}
	}
	for _, tooth := range []chart.Tooth{16, 14, 12, 22, 24, 26} {
		rec := sick.Tooth(tooth)
		rec.Presence = chart.Implant
		for s := range rec.Sites {
			rec.Sites[s] = reading(6, 0)
			rec.Sites[s].Flags[chart.Suppuration] = chart.Yes
		}
	}
	sick.Patient.MedicalHistoryChecked = ptr(true)
	f := Assess(sick, Options{})
	got := ""
	for _, p := range Phases(sick, &f, PlanOptions{Visit: visit}) {
		got += p.ID + " "
		if p.ID == "supportive" && !strings.Contains(p.Items[0].Text, "Recall every 3 months; an implant is inflamed") {
			t.Error(p.Items[0].Text)
		}
	}
	if got != "step1 implants supportive " {
		t.Error(got)
	}
	// Who was never treated is not "re-treated".
	raw := mouth(6, true)
	f = Assess(raw, Options{})
	if r := RecallFor(&f, &raw.Patient, PlanOptions{Visit: visit}); r.Retreatment || strings.Contains(fmt.Sprint(r.Lines), "re-treatment") {
		t.Errorf("%+v", r)
	}
	if r := RecallFor(&f, &raw.Patient, PlanOptions{Visit: visit, Reevaluation: true}); !r.Retreatment {
		t.Errorf("%+v", r)
	}
	for implants, months := range map[string]int{"": 0, "health": 6, "indeterminate": 6, "mucositis": 3, "peri-implantitis": 3} {
		if r := recallOf(recallInputs{Implants: implants}); r.Months != months {
			t.Errorf("implants %s: %d months", implants, r.Months)
		}
	}
}

// Who is under 18, has no teeth, or implants only gets advice that fits. Common practice, no source.
func TestAdviceThatFits(t *testing.T) {
	ids := func(c *chart.Chart) string {
		var out []string
		for _, a := range HomeCare(c, HomeCareOptions{}).Items {
			out = append(out, a.ID)
		}
		return strings.Join(out, " ")
	}
	phases := func(c *chart.Chart) string {
		f := Assess(c, Options{})
		var out []string
		for _, p := range Phases(c, &f, PlanOptions{}) {
			out = append(out, fmt.Sprint(p.ID, len(p.Items)))
		}
		return strings.Join(out, " ")
	}
	empty := healthy()
	for _, tooth := range permanent {
		*empty.Tooth(tooth) = chart.ToothRecord{Presence: chart.Missing}
	}
	empty.Patient.MedicalHistoryChecked = ptr(true)
	if a, b := ids(empty), phases(empty); a != "no_teeth denture return" || b != "no-teeth1" {
		t.Errorf("no teeth: %s; %s", a, b)
	}
	empty.Tooth(36).Presence = chart.Implant
	if a := ids(empty); a != "denture implant irrigator brush_time paste replace return" {
		t.Errorf("implants only: %s", a)
	}
	for age, want := range map[int]string{17: "child_brush brush_time paste replace return; child2", 18: "brush_bass idb brush_time paste replace return; step12 supportive1"} {
		c := healthy()
		for _, tooth := range []chart.Tooth{16, 26, 11} {
			put(c, tooth, chart.MB, 4, 4)
		}
		c.Patient.Age, c.Patient.MedicalHistoryChecked = ptr(age), ptr(true)
		if got := ids(c) + "; " + phases(c); got != want {
			t.Errorf("%d years: %s, want %s", age, got, want)
		}
		f, _ := ptr(Assess(c, Options{})).Get("periodontitis.case")
		if asks(f, "factors.molar_incisor") != (age < 18) {
			t.Errorf("%d years: %+v", age, f.Missing)
		}
	}
}

// Both sides of each limit: Tarnow and Fletcher 1984, J Periodontol 55:283-284 (from memory).
func TestVerticalSubclass(t *testing.T) {
	for half, want := range map[int]string{0: "A", 6: "A", 7: "A", 8: "B", 12: "B", 13: "B", 14: "C", 30: "C"} {
		if got := verticalSubclass(chart.Half(half)); got != want {
			t.Errorf("%v mm: %s, want %s", float64(half)/2, got, want)
		}
	}
	if verticalSubclass(chart.MM{}) != "" {
		t.Error("not measured")
	}
	c := healthy()
	put(c, 16, chart.MB, 6, 6)
	put(c, 26, chart.MB, 6, 6)
	c.Tooth(36).Furcation[chart.EntranceBuccal] = chart.GradeOf(2)
	c.Tooth(36).Vertical = [4]chart.MM{chart.EntranceBuccal: chart.Millimetres(3), chart.EntranceLingual: chart.Millimetres(7)}
	c.Tooth(46).Vertical[chart.EntranceBuccal] = chart.Millimetres(4)
	f := Assess(c, Options{})
	said := ""
	for _, p := range Phases(c, &f, PlanOptions{}) {
		for _, i := range p.Items {
			if strings.Contains(i.Text, "subclass") {
				said += fmt.Sprint(i.Teeth, i.Text[len(i.Text)-20:])
			}
		}
	}
	if !strings.HasPrefix(said, "[46]") || !strings.Contains(said, "[36]") {
		t.Error(said)
	}
}

// In JSON no list is null.
func TestListsAreNeverNull(t *testing.T) {
	c := healthy()
	f := Assess(c, Options{})
	cmp, agree := Compare(c, c, CompareOptions{}), Agree(c, c, Options{})
	for name, v := range map[string]any{"findings": f, "pair": Pair{First: c, Second: c, Comparison: &cmp}, "agreement": Pair{First: c, Second: &chart.Chart{}, Agreement: &agree},
		"phases": Phases(c, &f, PlanOptions{}), "recall": recallOf(recallInputs{}), "care": HomeCare(c, HomeCareOptions{})} {
		b, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		lists := regexp.MustCompile(`"(sites|teeth|why|items|lines|notes|lostTeeth|newImplants|newTeeth|notRemeasured|residual6|residualBleeding|worseSites|confirmed|retreat|differ|flags|depth|recession|gaps|questions|cautions|because|missing|couldBe)":null`)
		if m := lists.FindString(string(b)); m != "" {
			t.Errorf("%s: %s", name, m)
		}
	}
}

func TestHomeCareByGap(t *testing.T) {
	c := healthy()
	bleed := func(tooth chart.Tooth, s chart.Site) {
		c.Tooth(tooth).Sites[s].Flags[chart.Bleeding] = chart.Yes
	}
	bleed(11, chart.MB) // gap 11-21, closed
	bleed(15, chart.ML) // gap 15-14, size known
	put(c, 25, chart.DB, 3, 2)
	put(c, 26, chart.MB, 2, 0) // gap 25-26, attachment lost
	bleed(36, chart.DB)
	for s := range chart.NumSites { // gap 37-36: attachment unknown
		c.Tooth(37).Sites[s].Recession = chart.MM{}
	}
	bleed(45, chart.DL) // gap 46-45, attachment full: floss
	put(c, 32, chart.L, 2, 0)
	c.Patient.Gaps = map[chart.Gap]chart.GapInputs{{A: 11, B: 21}: {Closed: ptr(true)}, {A: 15, B: 14}: {BrushMM: ptr(0.9)}}
	plan := HomeCare(c, HomeCareOptions{})
	var got []string
	for _, a := range plan.Items {
		for _, g := range a.Gaps {
			got = append(got, a.ID+" "+g.Label(chart.FDI))
		}
		if a.ID == "idb" && a.Gaps[0] == (chart.Gap{A: 15, B: 14}) && (!strings.Contains(a.Text, "size 2") || fmt.Sprint(a.Sites) != "[15.ML]") {
			t.Errorf("%+v", a)
		}
	}
	if s := strings.Join(got, ", "); s != "idb 15-14, idb 25-26, floss 11-21, floss 46-45" {
		t.Error(s)
	}
	if len(plan.Questions) != 2 || !strings.Contains(plan.Questions[0].Question, "25-26") || !strings.Contains(plan.Questions[1].Question, "36-37") {
		t.Errorf("%+v", plan.Questions)
	}
	// A gap of a missing tooth is none.
	remove(c, "other", 21)
	for _, a := range HomeCare(c, HomeCareOptions{}).Items {
		for _, g := range a.Gaps {
			if g.A == 11 || g.B == 11 && g.A != 12 {
				t.Errorf("gap %s", g.Label(chart.FDI))
			}
		}
	}
}

func TestHomeCareChoices(t *testing.T) {
	have := func(c *chart.Chart, o HomeCareOptions) map[string]Advice {
		m := map[string]Advice{}
		for _, a := range HomeCare(c, o).Items {
			m[a.ID] = a
		}
		return m
	}
	base := have(healthy(), HomeCareOptions{})
	for _, id := range []string{"brush_bass", "replace", "paste", "return", "brush_time"} {
		if base[id].ID == "" || len(base) != 5 {
			t.Errorf("%s, or more than these five: %v", id, base)
		}
	}
	for _, c := range []struct {
		name   string
		change func(*chart.Chart)
		with   string
		sites  string
	}{
		{"plaque behind the last tooth", func(c *chart.Chart) { c.Tooth(37).Sites[chart.DL].Flags[chart.Plaque] = chart.Yes }, "behind_last", "[37.DL]"},
		{"depth 4 behind the last tooth", func(c *chart.Chart) { put(c, 17, chart.DB, 4, 0) }, "behind_last", "[17.DB]"},
		{"depth 3 behind the last tooth", func(c *chart.Chart) { put(c, 17, chart.DB, 3, 0) }, "-behind_last", ""},
		{"a third molar is the last tooth", func(c *chart.Chart) {
			put(c, 18, chart.DB, 4, 0)
			c.Tooth(18).Presence = chart.Present
			put(c, 17, chart.DB, 5, 0)
		}, "behind_last", "[18.DB]"},
		{"plaque inside the lower front", func(c *chart.Chart) { c.Tooth(33).Sites[chart.L].Flags[chart.Plaque] = chart.Yes }, "inside_front", "[33.L]"},
		{"plaque outside the lower front", func(c *chart.Chart) { c.Tooth(33).Sites[chart.B].Flags[chart.Plaque] = chart.Yes }, "-inside_front", ""},
		{"recession 2", func(c *chart.Chart) { c.Tooth(13).Sites[chart.B].Recession = chart.Millimetres(2) }, "recession", "[13.B]"},
		{"recession 1", func(c *chart.Chart) { c.Tooth(13).Sites[chart.B].Recession = chart.Millimetres(1) }, "-recession", ""},
		{"furcation", func(c *chart.Chart) { c.Tooth(36).Furcation[chart.EntranceBuccal] = chart.GradeOf(1) }, "furcation", ""},
		{"implant", func(c *chart.Chart) { c.Tooth(36).Presence = chart.Implant }, "implant", ""},
		{"implant and water jet", func(c *chart.Chart) { c.Tooth(36).Presence = chart.Implant }, "irrigator", ""},
		{"braces", func(c *chart.Chart) { c.Patient.Braces = ptr(true) }, "irrigator", ""},
		{"dexterity", func(c *chart.Chart) { c.Patient.DexterityLimited = ptr(true) }, "powered", ""},
		{"powered brush", func(c *chart.Chart) { c.Patient.PoweredBrush = ptr(true) }, "-brush_bass", ""},
		{"diabetes", func(c *chart.Chart) { c.Patient.Diabetes = ptr(true) }, "diabetes", ""},
		{"smoking", func(c *chart.Chart) { c.Patient.SmokingStatus = "current" }, "smoking", ""},
		{"dry mouth", func(c *chart.Chart) { c.Patient.DryMouth = ptr(true) }, "dry_mouth", ""},
		{"30 percent plaque", func(c *chart.Chart) { plaque(c, 51) }, "powered", ""},
		{"under 30 percent plaque", func(c *chart.Chart) { plaque(c, 50) }, "-powered", ""},
	} {
		m := healthy()
		c.change(m)
		got := have(m, HomeCareOptions{})
		id, without := strings.CutPrefix(c.with, "-")
		if _, ok := got[id]; ok == without {
			t.Errorf("%s: %s is there: %v", c.name, id, ok)
		}
		if c.sites != "" && fmt.Sprint(got[id].Sites) != c.sites {
			t.Errorf("%s: %v", c.name, got[id].Sites)
		}
	}
	c := healthy()
	c.Patient = chart.Patient{Diabetes: ptr(true), SpecialCare: ptr(true)}
	plan := HomeCare(c, HomeCareOptions{})
	if len(plan.Questions) != 1 || plan.Questions[0].Input != "hba1c_percent" || len(plan.Cautions) != 2 {
		t.Errorf("%+v %q", plan.Questions, plan.Cautions)
	}
	if _, ok := have(c, HomeCareOptions{Achieved: []string{"brush_bass"}})["brush_bass"]; ok {
		t.Error("what was achieved is advised again")
	}
	// Five on a first plan, one of each group at least; the rest waits. Attachment loss of 1 mm asks
	// for a brush.
	full := healthy()
	full.Patient = chart.Patient{CigarettesPerDay: ptr(3), DexterityLimited: ptr(true), IrrigatorWished: ptr(true)}
	put(full, 17, chart.DB, 5, 1)
	put(full, 16, chart.MB, 2, 1)
	full.Tooth(33).Sites[chart.L].Flags[chart.Plaque] = chart.Yes
	now, later := 0, 0
	groups := map[string]bool{}
	for _, a := range HomeCare(full, HomeCareOptions{}).Items {
		switch {
		case a.Group == "always":
		case a.Later:
			later++
		default:
			now++
			groups[a.Group] = true
		}
	}
	if now != 5 || later != 2 || len(groups) != 4 {
		t.Errorf("%d now, %d later, %v", now, later, groups)
	}
	// Between two classes the next one up; class 7 begins after 2.3 mm, 8 after 2.8.
	for mm, class := range map[float64]int{0.3: 0, 0.65: 1, 1.0: 2, 1.1: 3, 1.5: 4, 1.6: 5, 1.9: 6, 2.3: 6, 2.4: 7, 2.8: 7, 2.9: 8, 5: 8} {
		if got := BrushClass(mm); got != class {
			t.Errorf("%v mm: size %d, want %d", mm, got, class)
		}
	}
}

func plaque(c *chart.Chart, n int) {
	for _, r := range sites(c)[6 : 6+n] {
		c.Site(r).Flags[chart.Plaque] = chart.Yes
	}
}

// The gaps and the sites that face them. Source: mesial is towards the midline (common practice, no source).
func TestGapsFaceEachOther(t *testing.T) {
	m := newMouth(healthy(), &Options{})
	gs := m.gaps()
	if len(gs) != 26 {
		t.Errorf("%d gaps between 28 teeth of two arches", len(gs))
	}
	for _, g := range gs {
		got := fmt.Sprint(g.sites)
		switch g.Label(chart.FDI) {
		case "12-11":
			if got != "[12.MB 11.DB 12.ML 11.DL]" {
				t.Error(got)
			}
		case "11-21":
			if got != "[11.MB 21.MB 11.ML 21.ML]" {
				t.Error(got)
			}
		case "36-37":
			if got != "[36.DB 37.MB 36.DL 37.ML]" {
				t.Error(got)
			}
		}
	}
}

func TestAgreementOfExaminers(t *testing.T) {
	a, b := healthy(), healthy()
	b.Numbering = chart.Universal
	put(b, 16, chart.MB, 4, 0)
	put(b, 11, chart.B, 3, 0)
	b.Tooth(26).Sites[chart.DB] = chart.SiteRecord{}
	b.Tooth(36).Sites[chart.L].Flags[chart.Bleeding] = chart.Yes
	got := Agree(a, b, Options{})
	g := got.Depth[0]
	if g.Sites != 167 || show(*g.Exact, 3) != show(100*165/167.0, 3) || show(*g.Within1, 3) != show(100*166/167.0, 3) || got.Unpaired != 1 {
		t.Errorf("%+v unpaired %d", g, got.Unpaired)
	}
	if *g.KappaLin != 0 {
		t.Errorf("one examiner without variation agrees by chance only: %v", *g.KappaLin)
	}
	names := ""
	for _, g := range got.Depth {
		names += fmt.Sprintf("%s %d, ", g.Group, g.Sites)
	}
	if names != "all 167, interdental 111, mid 56, buccal 83, lingual 84, anterior 72, premolar 48, molar 47, " {
		t.Error(names)
	}
	// 16 MB differs by 2 mm in depth and in the margin that goes with it.
	var differ []string
	for _, d := range got.Differ {
		differ = append(differ, fmt.Sprintf("%s %s %s %s", d.SiteRef, d.Reading, d.First, d.Second))
	}
	if d := strings.Join(differ, ", "); d != "16.MB depth 2 4, 16.MB recession -2 -4" {
		t.Error(d)
	}
	if f := got.Flags[chart.Bleeding]; f.Flag != "bleeding" || f.Sites != 167 || show(*f.Exact, 2) != "99.40" {
		t.Errorf("%+v", f)
	}
	text := Pair{First: a, Second: b, Agreement: &got}.Text()
	for _, line := range []string{"all                 167", "98.8", "bleeding              167", "differs 3 MB depth: 2 and 4 mm"} {
		if !strings.Contains(text, line) {
			t.Errorf("no %q in\n%s", line, text)
		}
	}
	// No variation at all: nothing to divide by, and no number made up.
	same := Agree(a, a, Options{}).Depth[0]
	if same.KappaLin != nil || same.ICC != nil || *same.Exact != 100 || *same.SD != 0 {
		t.Errorf("%+v", same)
	}
	// Few sites: no ICC, and the reason.
	few, again := &chart.Chart{}, &chart.Chart{}
	for i, n := 0, 9; i <= n; i++ {
		ref := chart.SiteRef{Tooth: []chart.Tooth{16, 15}[i/6], Site: chart.Site(i % 6)}
		few.Site(ref).Depth, again.Site(ref).Depth = chart.Millimetres(2+i%3), chart.Millimetres(2+i%3+i/9)
		got := Agree(few, again, Options{})
		note := strings.Contains(strings.Join(got.Notes, " "), "ICC is left out for fewer than 10 sites")
		if all := got.Depth[0]; all.Sites != i+1 || (all.ICC != nil) != (i == n) || all.Exact == nil || !note {
			t.Errorf("%d sites: %+v, %q", i+1, all, got.Notes)
		}
	}
	if empty := Agree(&chart.Chart{}, a, Options{}); len(empty.Depth) != 0 || !strings.Contains(strings.Join(empty.Notes, " "), "No site has a depth in both") {
		t.Errorf("%+v", empty)
	}
}

// What differs by less than 2 mm, between two examiners 3 mm, is no change (2 mm: Andrade et al. 2012 find repeats within 1 mm; 3 mm:
// engineering choice).
func TestChangeFrom(t *testing.T) {
	for other, want := range map[bool]int{false: 2, true: 3} {
		least := ChangeFrom(other)
		if least.Whole() != want || changeClass(chart.Millimetres(4), chart.Half(8+least.Half()), other) != Worse || changeClass(chart.Millimetres(4), chart.Half(8+least.Half()-1), other) == Worse {
			t.Errorf("another examiner %t: from %s mm", other, least)
		}
	}
}
