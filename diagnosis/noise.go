package diagnosis

import (
	"encoding/json"
	"fmt"
	"math"

	"leadsman/chart"
)

// A spread says how far two readings of a site differ while nothing has changed there: the share of pairs that differ by 0, 1, 2,
// 3, 4 and by 5 mm or more, in either direction.
type spread [6]float64

// beyond is the chance that the second reading is n mm or more above the first; below it is as likely.
func (s *spread) beyond(n int) float64 {
	p := 0.0
	for i := max(n, 1); i < len(s); i++ {
		p += s[i] / 2
	}
	return p
}

// of is the chance of a difference of exactly d mm.
func (s *spread) of(d int) float64 {
	switch {
	case d == 0:
		return s[0]
	case max(d, -d) < len(s):
		return s[max(d, -d)] / 2
	}
	return 0
}

// excess is what chance adds on average to the sum of the differences of n mm or more, in mm a site.
func (s *spread) excess(n int) float64 {
	sum := 0.0
	for i := max(n, 1); i < len(s); i++ {
		sum += float64(i) * s[i] / 2
	}
	return sum
}

// wider is the spread with so many times as many differences of 1 mm.
func (s *spread) wider(times float64) spread {
	w := *s
	w[1] = min(s[0]+s[1], s[1]*times)
	w[0] = s[0] + s[1] - w[1]
	return w
}

func (s *spread) sd() float64 {
	v := 0.0
	for i, p := range s {
		v += float64(i*i) * p
	}
	return math.Sqrt(v)
}

// The published spreads. One examiner twice: 97.4 percent of pairs within 1 mm (manual probe, stage III and grade B, cross-sectional
// study, abstract, reference to be completed) and 0.74 percent apart by 3 mm or more (single measurements, resampled replicates,
// abstract, authors to be added). Two examiners: within 2 mm in 95 percent (Best et al. 1990,
// doi:10.1111/j.1600-051x.1990.tb01106.x, abstract). How the shares split up further is an engineering choice: one reading that is
// off by 1 mm in 16 percent and by 2 and 3 mm in 0.36 percent each gives the first; a normal distribution the middle of the
// second. Tails are heavier than a normal distribution's, as the resampling found.
var (
	publishedWithin  = spread{0.7064, 0.2671, 0.0194, 0.0065, 0.0005, 0.0001}
	publishedBetween = spread{0.30, 0.46, 0.19, 0.035, 0.010, 0.005}
)

// Cells of an error model: repeatability differs by depth (shallow, moderate, deep), kind of tooth and aspect.
// Source: Machtei et al. 1993, doi:10.1902/jop.1993.64.8.713 (twelve thresholds, abstract).
const errorCells = 12

func errorCell(t chart.Tooth, s chart.Site, depth chart.MM) int {
	c := 0
	switch d := depth.Whole(); {
	case d >= errorDeep:
		c = 2
	case d >= errorModerate:
		c = 1
	}
	c *= 2
	if t.Molar() {
		c++
	}
	return 2*c + int(s.Aspect())
}

// ErrorModel is how far two readings of a site that has not changed differ. The zero value is none: see PublishedError and ErrorOf.
type ErrorModel struct {
	Source   string // for people
	OwnSites int    // pairs of readings of the practice itself
	within   [errorCells]spread
	between  [errorCells]spread
	// Agreement on bleeding beyond chance, 0 to 1.
	bleeding float64
}

const sourcePublished = "published spread: two readings by one examiner within 1 mm in 97.4 percent and 3 mm or more apart in 0.7 percent (abstracts); by two within 2 mm in 95 percent (Best et al. 1990)"

// publishedError is the model of a practice without figures of its own.
func publishedError() *ErrorModel {
	m := &ErrorModel{Source: sourcePublished, bleeding: errorBleeding}
	for c := range errorCells {
		m.within[c], m.between[c] = publishedWithin, publishedBetween
	}
	return m
}

var published = publishedError()

// DoubleExam is one mouth examined twice without a change between: by one examiner or by two.
type DoubleExam struct {
	First, Second *chart.Chart
	OtherExaminer bool
}

// ErrorOf makes the error model of a practice from its double examinations. Few pairs say little about rare large
// differences: the published spread counts as much as 300 pairs (engineering choice), and the pairs of the whole practice as
// much as 300 of each cell.
func ErrorOf(doubles []DoubleExam) *ErrorModel {
	var n [2][errorCells][len(spread{})]float64
	m := publishedError()
	var bleeding pairedAnswers
	for _, d := range doubles {
		by := 0
		if d.OtherExaminer {
			by = 1
		}
		for _, t := range permanent {
			x, y := d.First.Tooth(t), d.Second.Tooth(t)
			for s := range chart.NumSites {
				p, q := &x.Sites[s], &y.Sites[s]
				if p.Depth.Known() && q.Depth.Known() {
					gap := abs(q.Depth.Half()-p.Depth.Half()) / 2
					n[by][errorCell(t, s, p.Depth)][min(gap, len(spread{})-1)]++
					m.OwnSites++
				}
				bleeding.add(p.Flags[chart.Bleeding], q.Flags[chart.Bleeding])
			}
		}
	}
	if m.OwnSites == 0 {
		return m
	}
	for by, into := range []*[errorCells]spread{&m.within, &m.between} {
		all := into[0]
		var pooled [len(spread{})]float64
		for _, c := range n[by] {
			for i, k := range c {
				pooled[i] += k
			}
		}
		all.learn(pooled)
		for c := range into {
			into[c] = all
			into[c].learn(n[by][c])
		}
	}
	if kappa := bleeding.kappa(); kappa != nil {
		n := float64(bleeding.sites)
		m.bleeding = min(1, max(0, (n**kappa+errorPrior*errorBleeding)/(n+errorPrior)))
	}
	m.Source = fmt.Sprintf("the practice's own double examinations (%s, %s), weighed with the %s", many(len(doubles), "mouth"), many(m.OwnSites, "site"), sourcePublished)
	return m
}

// learn weighs counted pairs with what was believed before.
func (s *spread) learn(counted [len(spread{})]float64) {
	total := float64(errorPrior)
	for _, k := range counted {
		total += k
	}
	for i := range s {
		s[i] = (errorPrior*s[i] + counted[i]) / total
	}
}

// MarshalJSON writes where the figures come from and how often two readings agree within 1 mm.
func (m *ErrorModel) MarshalJSON() ([]byte, error) {
	share := func(cells *[errorCells]spread) float64 {
		sum := 0.0
		for i := range cells {
			sum += cells[i][0] + cells[i][1]
		}
		return rounded(100*sum/errorCells, 1)
	}
	return json.Marshal(struct {
		Source   string  `json:"source"`
		OwnSites int     `json:"ownSites"`
		Within   float64 `json:"within1Percent"`
		Between  float64 `json:"within1PercentTwoExaminers"`
	}{m.Source, m.OwnSites, share(&m.within), share(&m.between)})
}

// at is the spread at a site.
func (m *ErrorModel) at(t chart.Tooth, s chart.Site, depth chart.MM, other bool) *spread {
	if other {
		return &m.between[errorCell(t, s, depth)]
	}
	return &m.within[errorCell(t, s, depth)]
}

// errors is the error model of the options.
func (o *Options) errors() *ErrorModel {
	if o.Error != nil {
		return o.Error
	}
	return published
}

// threshold is the change that counts at a site, in mm.
func threshold(other bool) int {
	if other {
		return changeOtherExaminerMM
	}
	return changeMM
}

// Chance says how many sites of a kind were seen, beside how many errors of measurement alone would give.
type Chance struct {
	Sites    int     `json:"sites"` // that could have been of the kind
	Seen     int     `json:"seen"`
	Expected float64 `json:"expected"` // without any change
	Most     int     `json:"most"`     // without any change, in 99 of 100 mouths not more
	Beyond   bool    `json:"beyond"`   // more than Most were seen
}

func (c *Chance) close() {
	c.Most = chanceMost(c.Expected)
	c.Beyond = c.Seen > c.Most
	c.Expected = rounded(c.Expected, 2)
}

// chanceMost is the least number that more than one in a hundred mouths exceed no more, when so many are expected. The number of
// rare, independent events follows Poisson's distribution; that of sites that are not equally likely spreads a little less.
func chanceMost(expected float64) int {
	term := math.Exp(-expected)
	sum := term
	k := 0
	for ; 1-sum > chanceAlpha && k < 1000; k++ {
		term *= expected / float64(k+1)
		sum += term
	}
	return k
}

// differences sums up what an error model expects of the readings of two exams, and how many differ by 1 mm.
type differences struct {
	sites    int
	up, down int                        // sites that read 1 mm more, and less
	ones     float64                    // sites that are expected to differ by 1 mm
	tails    [len(spread{}) + 1]float64 // sites expected to read so many mm more or beyond; less, as many
}

// add counts a site whose second reading is so many half-millimetres above the first.
func (d *differences) add(s *spread, halves int) {
	d.sites++
	d.ones += s[1]
	for n := 1; n < len(s); n++ {
		d.tails[n] += s.beyond(n)
	}
	switch {
	case halves >= 2 && halves < 4:
		d.up++
	case halves <= -2 && halves > -4:
		d.down++
	}
}

// shift is the share of the sites that read 1 mm more as the mouth as a whole does; negative, less. Another day or another hand may
// read all a little deeper: then more sites differ by +1 than by -1 mm, and so many more by the threshold. What may itself
// be chance (one standard error) is not taken for a shift.
func (d *differences) shift() float64 {
	if d.sites == 0 {
		return 0
	}
	surplus := float64(d.up - d.down)
	return math.Copysign(max(0, math.Abs(surplus)-math.Sqrt(d.ones)), surplus) / float64(d.sites)
}

// scatter is by how much more often than expected the sites of this very mouth differ by 1 mm, either way; 1 at least. More one way
// than the other is a shift or a change, so the rarer way counts.
func (d *differences) scatter() float64 {
	if d.ones == 0 {
		return 1
	}
	return max(1, 2*float64(min(d.up, d.down))/d.ones)
}

// expected is how many sites read n mm more or beyond without any change, where the share shift of them reads 1 mm more.
func (d *differences) expected(n int, shift float64) float64 {
	shift = max(0, shift)
	return (1-shift)*d.tails[n] + shift*d.tails[n-1]
}

// text writes the comparison for people: "5 of 168 sites; about 2 are expected from errors of measurement alone, up to 7 now and then".
func (c *Chance) text() string {
	return fmt.Sprintf("%d of %s; errors of measurement alone give about %s, and up to %d in 99 of 100 mouths", c.Seen, many(c.Sites, "site"), about(c.Expected), c.Most)
}

// about writes an expected number for people.
func about(expected float64) string {
	if expected < 0.05 {
		return "0"
	}
	return decimal(rounded(expected, 1))
}

// bleedingChance compares the change in bleeding sites with what a second look without any change gives.
func (m *ErrorModel) bleedingChance(sites, before, after int) Chance {
	c := Chance{Sites: sites, Seen: after - before}
	if sites == 0 {
		return c
	}
	p := float64(before+after) / float64(2*sites)
	discordant := float64(sites) * 2 * p * (1 - p) * (1 - m.bleeding)
	c.Most = int(math.Ceil(chanceNormal * math.Sqrt(discordant)))
	c.Beyond = abs(c.Seen) > c.Most
	return c
}

func abs(i int) int { return max(i, -i) }

// AskAgain reports whether a depth just read should be measured again while the hands are there: it is deeper than at the exam
// before by so much that it would count as a change. asked is how often that was asked in this exam already: when more
// sites changed than errors of measurement explain, single ones need no more confirming.
func AskAgain(before, now chart.MM, asked int, other bool, m *ErrorModel) bool {
	if !before.Known() || !now.Known() || now.Half()-before.Half() < 2*threshold(other) {
		return false
	}
	if m == nil {
		m = published
	}
	s := m.at(11, chart.MB, before, other)
	return asked <= chanceMost(float64(wholeMouthSites)*s.beyond(threshold(other)))
}
