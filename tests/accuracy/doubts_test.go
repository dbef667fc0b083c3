package accuracy

import (
	"cmp"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"leadsman/chart"
	"leadsman/tests/program"
	"leadsman/tests/recordings"
)

// entries are the numbers of a chart, depths and margins in half millimetres.
type entries map[chart.Reading]int

func entriesOf(c *chart.Chart) entries {
	out := entries{}
	for _, t := range chart.AllTeeth() {
		for site := range chart.NumSites {
			ref := chart.SiteRef{Tooth: t, Site: site}
			if v := c.Site(ref).Depth; v.Known() {
				out[chart.Reading{SiteRef: ref, Field: chart.FieldDepth}] = v.Half()
			}
			if v := c.Site(ref).Recession; v.Known() {
				out[chart.Reading{SiteRef: ref, Field: chart.FieldRecession}] = v.Half()
			}
		}
	}
	return out
}

// walked lists where the entries of a field stand, in the order of the path.
func (e entries) walked(t testing.TB, field chart.Field) (out []chart.Reading) {
	t.Helper()
	path, err := chart.PathNamed("arch")
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range path.Steps {
		for _, site := range step.Sites {
			r := chart.Reading{SiteRef: chart.SiteRef{Tooth: step.Tooth, Site: site}, Field: field}
			if _, ok := e[r]; ok {
				out = append(out, r)
			}
		}
	}
	return out
}

// A doubtTally compares the doubts that are open at the end with what is wrong.
type doubtTally struct {
	entries, wrong, lost int // lost: called and not in the chart
	shifted              int // wrong, but only because a number before them was lost or is one too many
	marked, caught       int // marked as a doubt; wrong and marked
	caughtShifted        int
	far                  int // wrong, unmarked, and 4 mm or more deeper than the truth
	runs, noticed        int // wrong entries in a row with a shift among them, and such with a doubt among the first three
	marks, wrongs        map[string]int
}

// add counts the entries of a chart. Of sequences of numbers in the order of the path, what is wrong is a shift where the
// cheapest way to turn the truth into the chart has the number itself from another site.
func (d *doubtTally) add(t testing.TB, truth, got entries, doubts []chart.Doubt) {
	t.Helper()
	if d.marks == nil {
		d.marks, d.wrongs = map[string]int{}, map[string]int{}
	}
	reasons := map[chart.Reading]string{}
	for _, m := range doubts {
		reasons[chart.Reading{SiteRef: m.SiteRef, Field: cmp.Or(m.Field, chart.FieldDepth)}] = reasonOf(m)
	}
	for _, field := range []chart.Field{chart.FieldDepth, chart.FieldRecession} {
		want, have := truth.walked(t, field), got.walked(t, field)
		from := aligned(len(want), len(have), func(i, j int) bool { return truth[want[i]] == got[have[j]] })
		for _, r := range want {
			if _, ok := got[r]; !ok {
				d.lost++
			}
		}
		fine, long, shiftIn, markIn := 0, 0, false, false
		endRun := func() {
			if shiftIn {
				d.runs++
				if markIn {
					d.noticed++
				}
			}
			long, shiftIn, markIn = 0, false, false
		}
		for j, r := range have {
			d.entries++
			reason, marked := reasons[r]
			if marked {
				d.marked++
				d.marks[reason]++
			}
			was, known := truth[r]
			if known && was == got[r] {
				if fine++; fine > 6 { // fewer are right by chance
					endRun()
				}
				continue
			}
			d.wrong++
			shift := from[j]
			fine, long, shiftIn = 0, long+1, shiftIn || shift
			markIn = markIn || marked && long <= 3
			if shift {
				d.shifted++
			}
			switch {
			case marked:
				d.caught++
				d.wrongs[reason]++
				if shift {
					d.caughtShifted++
				}
			case known && field == chart.FieldDepth && got[r]-was >= 2*4:
				d.far++
			}
		}
		endRun()
	}
}

// aligned turns a sequence of n into one of m with the fewest insertions, deletions and replacements, and tells of each
// of the m whether it was taken over as it is.
func aligned(n, m int, same func(i, j int) bool) []bool {
	cost := make([][]int, n+1)
	for i := range cost {
		cost[i] = make([]int, m+1)
	}
	differ := func(i, j int) int {
		if same(i, j) {
			return 0
		}
		return 1
	}
	for i := n; i >= 0; i-- {
		for j := m; j >= 0; j-- {
			switch {
			case i == n:
				cost[i][j] = m - j
			case j == m:
				cost[i][j] = n - i
			default:
				cost[i][j] = min(cost[i+1][j+1]+differ(i, j), cost[i+1][j]+1, cost[i][j+1]+1)
			}
		}
	}
	out := make([]bool, m)
	for i, j := 0, 0; i < n && j < m; {
		switch {
		case cost[i][j] == cost[i+1][j+1]+differ(i, j):
			out[j] = same(i, j)
			i, j = i+1, j+1
		case cost[i][j] == cost[i+1][j]+1:
			i++
		default:
			j++
		}
	}
	return out
}

// Numbers lost, added and misheard, worked out by hand.
func TestAligned(t *testing.T) {
	for _, c := range []struct{ said, heard, over string }{
		{"324435", "324435", "111111"},
		{"324435", "32435", "11111"},     // one of the two fours is lost: what follows is taken over
		{"324435", "3294435", "1101111"}, // one too many
		{"324435", "324935", "111011"},   // misheard
		{"324", "", ""},
		{"", "324", "000"},
	} {
		got := ""
		for _, over := range aligned(len(c.said), len(c.heard), func(i, j int) bool { return c.said[i] == c.heard[j] }) {
			got += map[bool]string{true: "1", false: "0"}[over]
		}
		if got != c.over {
			t.Errorf("said %s, heard %s: taken over %s, want %s", c.said, c.heard, got, c.over)
		}
	}
}

// reasonOf sums up the reasons that the exam gives for doubts (docs/dialogue.md).
func reasonOf(d chart.Doubt) string {
	switch {
	case strings.HasPrefix(d.Reason, "beside "):
		return "6 mm or more from a site beside it"
	case strings.HasPrefix(d.Reason, "was "):
		return "4 mm or more above the earlier exam"
	case d.Reason == "not heard clearly" && d.Rival != "":
		return "not heard clearly, with a rival reading"
	}
	return d.Reason
}

func (d *doubtTally) sum(o doubtTally) {
	d.entries += o.entries
	d.wrong += o.wrong
	d.lost += o.lost
	d.shifted += o.shifted
	d.marked += o.marked
	d.caught += o.caught
	d.caughtShifted += o.caughtShifted
	d.far += o.far
	d.runs += o.runs
	d.noticed += o.noticed
	if d.marks == nil {
		d.marks, d.wrongs = map[string]int{}, map[string]int{}
	}
	for r, n := range o.marks {
		d.marks[r] += n
		d.wrongs[r] += o.wrongs[r]
	}
}

// share is a percentage, or a dash of nothing.
func share(n, of int) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.0f", 100*float64(n)/float64(of))
}

func (d *doubtTally) row() string {
	return fmt.Sprintf("%d | %d | %d | %d of %d | %d | %d | %s | %s | %s | %.1f | %.1f |", d.entries, d.wrong, d.shifted, d.noticed, d.runs, d.lost, d.marked, share(d.caught, d.marked), share(d.caught, d.wrong),
		share(d.caught-d.caughtShifted, d.wrong-d.shifted), 1000*float64(d.wrong-d.caught)/float64(max(d.entries, 1)), 100*float64(d.marked)/float64(max(d.entries, 1)))
}

const doubtHead = "| recording | condition | entries | wrong | of them shifted | shifts doubted where they begin | not in the chart | doubted | doubted that are wrong, % | wrong that are doubted, % | " +
	"the same without shifts, % | wrong and not doubted, of 1000 | doubted, of 100 |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|"

// reasonTable is precision and recall by the doubt's reason.
func (d *doubtTally) reasonTable() string {
	var b strings.Builder
	b.WriteString("| reason of the doubt | doubted | of them wrong | % | of all wrong entries, % |\n|---|---|---|---|---|\n")
	reasons := slices.SortedFunc(maps.Keys(d.marks), func(a, b string) int { return cmp.Or(d.marks[b]-d.marks[a], strings.Compare(a, b)) })
	for _, r := range reasons {
		fmt.Fprintf(&b, "| %s | %d | %d | %s | %s |\n", r, d.marks[r], d.wrongs[r], share(d.wrongs[r], d.marks[r]), share(d.wrongs[r], d.wrong))
	}
	return b.String()
}

// doubtTakes are the recordings in which doubts are counted.
func doubtTakes(t testing.TB) []take {
	takes := append(noisy(t, "fullmouth-digits", 20, 10), noisy(t, "fullmouth-joe", 10)...)
	for _, name := range []string{"arch-nicolas", "mouth-joe", "mouth-pico", "exam-joe", "exam-joe-fdi"} {
		takes = append(takes, take{name: name})
	}
	return slices.DeleteFunc(takes, func(k take) bool { only := os.Getenv("LEADSMAN_SET"); return only != "" && k.name != only })
}

// doubtSets are the strings of numbers in which doubts are counted, at doubtRatios.
func doubtSets(t testing.TB) map[string][]spoken {
	sets := speechSets(t)
	maps.DeleteFunc(sets, func(name string, _ []spoken) bool {
		only := os.Getenv("LEADSMAN_SET")
		return !strings.HasPrefix(name, "strings") || only != "" && name != only
	})
	return sets
}

var doubtRatios = []float64{0, 20, 10}

// scored is a recording's truth against what hear made of it.
func scored(t testing.TB, r recordings.Recording, h heard) (d doubtTally) {
	t.Helper()
	truth, got := charts(t, r, h)
	var doubts []chart.Doubt
	for _, m := range h.Doubts {
		tooth, err := chart.ParseTooth(m.Tooth, got.Numbering)
		if err != nil {
			t.Fatal(err)
		}
		site, err := chart.ParseSite(m.Site)
		if err != nil {
			t.Fatal(err)
		}
		doubts = append(doubts, chart.Doubt{SiteRef: chart.SiteRef{Tooth: tooth, Site: site}, Field: chart.Field(m.Field), Reason: m.Reason, Rival: m.Rival})
	}
	d.add(t, entriesOf(truth), entriesOf(got), doubts)
	return d
}

// entries are the numbers that a scene of nothing but numbers says, along the path.
func (s scene) entries(t testing.TB) entries {
	t.Helper()
	st, err := chart.PathNamed("arch")
	if err != nil {
		t.Fatal(err)
	}
	var sites []chart.SiteRef
	for _, step := range st.Steps {
		for _, site := range step.Sites {
			if !step.Tooth.ThirdMolar() {
				sites = append(sites, chart.SiteRef{Tooth: step.Tooth, Site: site})
			}
		}
	}
	out, n := entries{}, 0
	for _, c := range s.said {
		for _, w := range strings.Fields(c.words) {
			out[chart.Reading{SiteRef: sites[n], Field: chart.FieldDepth}] = 2 * slices.Index(digits, w)
			n++
		}
	}
	return out
}

// How far doubts can be trusted: of the entries that are marked at the end of a recording how many are wrong, and of the wrong
// ones how many are marked. Numbers only, depths and margins; what was corrected by voice counts as it stands at the end. No
// recording has an earlier exam: what one with the same numbers would have added is said below the tables.
func TestAccuracyDoubts(t *testing.T) {
	program.Measurement(t, "make accuracy")
	var of, all doubtTally
	fmt.Println(doubtHead)
	last, conditions := "", 0
	closeRow := func() {
		if conditions > 1 {
			fmt.Printf("| %s | all | %s\n", last, of.row())
		}
		all.sum(of)
		of, conditions = doubtTally{}, 0
	}
	hearTakes(t, doubtTakes(t), func(k take, r recordings.Recording, h heard) {
		if k.name != last {
			closeRow()
			last = k.name
		}
		d := scored(t, r, h)
		fmt.Printf("| %s | %s | %s\n", k.name, k.condition(), d.row())
		of.sum(d)
		conditions++
	})
	closeRow()
	fmt.Printf("| **recordings** | | %s\n", all.row())
	engine := engineUnderTest(t)
	for name, calls := range doubtSets(t) {
		last = name
		for _, ratio := range doubtRatios {
			var d doubtTally
			condition := ""
			eachOf(t, engine, name, calls, ratio, func(s scene, p played) {
				condition = s.condition
				d.add(t, s.entries(t), entriesOf(&p.state.Chart), p.state.OpenDoubts())
			})
			fmt.Printf("| %s | %s | %s\n", name, condition, d.row())
			of.sum(d)
			conditions++
		}
		closeRow()
	}
	fmt.Printf("| **in total** | | %s\n\n%s\n", all.row(), all.reasonTable())
	fmt.Printf("An earlier exam with the same numbers would have had %d more of the wrong entries asked about.\n", all.far)
}

// A number misheard with a doubt, then one lost unseen, worked out by hand: the row of 17 to 14 of the upper buccal aspect.
func TestDoubtTally(t *testing.T) {
	row := func(depths string) entries {
		path, err := chart.PathNamed("arch")
		if err != nil {
			t.Fatal(err)
		}
		out, n := entries{}, 0
		for _, step := range path.Steps {
			for _, site := range step.Sites {
				if n < len(depths) && !step.Tooth.ThirdMolar() {
					out[chart.Reading{SiteRef: chart.SiteRef{Tooth: step.Tooth, Site: site}, Field: chart.FieldDepth}] = 2 * int(depths[n]-'0')
					n++
				}
			}
		}
		return out
	}
	tooth := func(s string) chart.Tooth {
		n, err := chart.ParseTooth(s, chart.FDI)
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	doubt := func(at string, site chart.Site, reason string) chart.Doubt {
		return chart.Doubt{SiteRef: chart.SiteRef{Tooth: tooth(at), Site: site}, Field: chart.FieldDepth, Reason: reason, Rival: "three"}
	}
	var d doubtTally
	d.add(t, row("324135246"), row("824135246"), []chart.Doubt{doubt("17", chart.DB, "not heard clearly"), doubt("17", chart.B, "beside 8")})
	if d.entries != 9 || d.wrong != 1 || d.shifted != 0 || d.lost != 0 || d.marked != 2 || d.caught != 1 || d.far != 0 || d.runs != 0 {
		t.Errorf("a misheard number: %+v", d)
	}
	if d.wrongs["not heard clearly, with a rival reading"] != 1 || d.marks["6 mm or more from a site beside it"] != 1 {
		t.Errorf("by reason: %v of %v", d.wrongs, d.marks)
	}
	d = doubtTally{}
	d.add(t, row("324135246"), row("32435246"), []chart.Doubt{doubt("16", chart.DB, "runs over two teeth: a number may be missing before it")})
	if d.entries != 8 || d.wrong != 5 || d.shifted != 5 || d.lost != 1 || d.marked != 1 || d.caught != 1 || d.runs != 1 || d.noticed != 1 {
		t.Errorf("a lost number: %+v", d)
	}
	d = doubtTally{}
	d.add(t, row("324135"), row("324195"), nil)
	if d.wrong != 1 || d.far != 1 || d.caught != 0 || d.runs != 0 {
		t.Errorf("a number far too deep: %+v", d)
	}
}
