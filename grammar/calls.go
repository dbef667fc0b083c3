package grammar

import (
	"slices"
	"strconv"
	"strings"

	"leadsman/chart"
)

// Priors, natural logarithms. They break near ties between readings of the same sound; they are far
// too small to overrule what was clearly said. Engineering choice, to be measured.
const (
	priorHesitation = -2.5 // um, uh, er
	priorTwoDigit   = -1.5 // ten and more are rare depths
	priorZero       = -2.0
	priorTooth      = -1.5 // a jump is rarer than a number, and "tooth" sounds like "two"
	priorCalled     = 0.0  // the same in a word that sounds like no number
	priorMore       = -1.0 // another act in the same breath
	priorRare       = -2.0
	priorAbsent     = -1.0 // a tooth that the numbering does not have
	priorPrefix     = -2.0 // words that only begin a call
	priorCount      = -0.7 // a breath that holds more or fewer numbers than there are sites left
)

var units = []string{"zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
	"eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"}

// radio are numbers as radio has them.
var radio = map[string]int{"tree": 3, "fower": 4, "fife": 5, "niner": 9}

// Number reads one spoken number of 0 to 19.
func Number(word string) (n int, ok bool) {
	if n, ok = radio[word]; ok {
		return n, true
	}
	n = slices.Index(units, word)
	return n, n >= 0
}

// Word is the word of a number of 0 to 19.
func Word(n int) string { return units[n] }

var tens = []string{"", "", "twenty", "thirty", "forty"}

var plurals = []string{"zeros", "ones", "twos", "threes", "fours", "fives", "sixes", "sevens", "eights", "nines", "tens",
	"elevens", "twelves"}

// verbs are the calls that are one or two fixed words.
var verbs = []chart.Verb{chart.VerbNext, chart.VerbBack, chart.VerbSkip, chart.VerbDisregard, chart.VerbSayAgain,
	chart.VerbStandBy, chart.VerbGoAhead, chart.VerbAffirm, chart.VerbNegative, chart.VerbComplete, chart.VerbHelp,
	chart.VerbRemark, chart.VerbCorrection, chart.VerbWhere}

// Reasons are those for which a site may be skipped, as chart.SiteInputs.NotAssessable has them.
var Reasons = []string{"calculus", "band", "overhang", "pain"}

func verb(v chart.Verb) token {
	for i, x := range verbs {
		if x == v {
			return token{tVerb, i}
		}
	}
	panic("no such call: " + string(v))
}

// number is one spoken number that can be a reading, 0 at a prior of its own: 0 to 15; tree, fower, fife and niner as radio has them.
// Numbers up to 20 that no probe shows are understood and refused, so that they are not taken for
// the nearest number that fits.
func number(zero float64) part {
	var as []arc
	for n := 0; n <= 19; n++ {
		pr := 0.0
		switch {
		case n == 0:
			pr = zero
		case n >= 13:
			pr = 2 * priorTwoDigit
		case n >= 10:
			pr = priorTwoDigit
		}
		as = append(as, arc{word: units[n], tok: token{tNumber, n}, prior: pr})
	}
	for word, n := range radio {
		as = append(as, arc{word: word, tok: token{tNumber, n}, prior: priorRare})
	}
	slices.SortFunc(as, func(a, b arc) int { return strings.Compare(a.word, b.word) })
	return words(as...)
}

// digit is a single-digit number: a grade.
func digit() part {
	var as []arc
	for n := 0; n <= 9; n++ {
		pr := 0.0
		if n == 0 {
			pr = priorZero / 2
		}
		as = append(as, arc{word: units[n], tok: token{tNumber, n}, prior: pr})
	}
	return words(as...)
}

func plural() part {
	var as []arc
	for n, word := range plurals {
		pr := 0.0
		if n == 0 || n > 9 {
			pr = priorTwoDigit
		}
		as = append(as, arc{word: word, tok: token{tAll, n}, prior: pr})
	}
	// "all three" for "all threes": the s is easily lost.
	for n := 1; n <= 9; n++ {
		as = append(as, arc{word: units[n], tok: token{tAll, n}, prior: -0.5})
	}
	return words(as...)
}

func hesitation() part {
	return words(arc{word: "um", prior: priorHesitation}, arc{word: "uh", prior: priorHesitation}, arc{word: "er", prior: priorHesitation})
}

// toothNumber is a tooth as a number; numbers that name no tooth are understood and refused.
// alone allows digits said one by one where they could not be mistaken for a list.
func toothNumber(n chart.Numbering, digits bool) part {
	var ps []part
	low, high := 1, 39
	if n == chart.FDI {
		low, high = 10, 49
	}
	for i := low; i <= high; i++ {
		pr := 0.0
		if !exists(n, i) {
			pr = priorAbsent
		}
		if i < 20 {
			ps = append(ps, wp(units[i], pr, token{tTooth, i}))
		} else if i%10 == 0 {
			ps = append(ps, wp(tens[i/10], pr, token{tTooth, i}))
		} else {
			ps = append(ps, seq(wp(tens[i/10], pr), w(units[i%10], token{tTooth, i})))
		}
	}
	if digits {
		last := 3
		if n == chart.FDI {
			last = 4
		}
		for d := 1; d <= last; d++ {
			var second []part
			for e := 0; e <= 9; e++ {
				pr := 0.0
				if !exists(n, 10*d+e) {
					pr = priorAbsent
				}
				second = append(second, wp(units[e], pr, token{tTooth, 10*d + e}))
			}
			ps = append(ps, seq(w(units[d]), alt(second...)))
		}
	}
	return alt(ps...)
}

func exists(n chart.Numbering, i int) bool {
	_, err := chart.ParseTooth(strconv.Itoa(i), n)
	return err == nil
}

// toothName is an anatomical name: "upper right first molar".
func toothName() part {
	kind := func(p int, words ...string) part {
		ps := make([]part, len(words))
		for i, word := range words {
			ps[i] = w(word)
		}
		return seq(append(ps, mark(token{tPosition, p}))...)
	}
	return seq(
		alt(w("upper", token{tUpper, 1}), w("lower", token{tUpper, 0})), ends(Prefix, priorPrefix),
		alt(w("right", token{tRight, 1}), w("left", token{tRight, 0})), ends(Prefix, priorPrefix),
		alt(kind(1, "central", "incisor"), kind(1, "central"), kind(2, "lateral", "incisor"), kind(2, "lateral"),
			kind(3, "canine"), kind(3, "cuspid"),
			kind(4, "first", "premolar"), kind(4, "first", "bicuspid"), kind(5, "second", "premolar"), kind(5, "second", "bicuspid"),
			kind(6, "first", "molar"), kind(7, "second", "molar"), kind(8, "third", "molar"), kind(8, "wisdom", "tooth")),
	)
}

func aspect() part {
	b, l := token{tAspect, int(chart.Buccal)}, token{tAspect, int(chart.Lingual)}
	return words(arc{word: "buccal", tok: b}, arc{word: "facial", tok: b, prior: -0.3}, arc{word: "labial", tok: b, prior: priorRare},
		arc{word: "lingual", tok: l}, arc{word: "palatal", tok: l, prior: -0.3})
}

func where() part {
	return words(arc{word: "mesial", tok: token{tWhere, int(chart.Mesial)}}, arc{word: "distal", tok: token{tWhere, int(chart.Distal)}},
		arc{word: "mid", tok: token{tWhere, int(chart.Mid)}}, arc{word: "middle", tok: token{tWhere, int(chart.Mid)}, prior: -0.3})
}

func flag() part {
	f := func(word string, f chart.Flag, prior float64) arc {
		return arc{word: word, tok: token{tFlag, int(f)}, prior: prior}
	}
	return words(f("bleeding", chart.Bleeding, 0), f("bleeds", chart.Bleeding, priorRare), f("suppuration", chart.Suppuration, 0),
		f("pus", chart.Suppuration, 0), f("plaque", chart.Plaque, 0), f("calculus", chart.Calculus, 0))
}

// What a record of therapy says. Its words are used in no other call but for those of places, so that no number is taken for one.
var (
	treatments = []string{"subgingival", "supragingival", "surgery"}
	areas      = []string{"quadrant", "arch", "all teeth"}
	ways       = []string{"hand", "ultrasonic", "both"}
	adjuncts   = []string{"antiseptic", "antibiotic", "laser"}
)

// therapy lets what was done be recorded: "therapy upper right quadrant by ultrasonic", "therapy sixteen by hand with antiseptic", "therapy
// surgery lower arch". Where it was done, and how but for surgery, has to be said: neither "therapy" nor a place alone is a record.
func therapy(g *nfa, lead int, n chart.Numbering) {
	named := func(kind tokenKind, list []string) part {
		var as []arc
		for i, word := range list {
			as = append(as, arc{word: word, tok: token{kind, i}})
		}
		return words(as...)
	}
	vertical := words(arc{word: "upper", tok: token{tUpper, 1}}, arc{word: "lower", tok: token{tUpper, 0}})
	side := words(arc{word: "right", tok: token{tRight, 1}}, arc{word: "left", tok: token{tRight, 0}})
	where := func(from int) int {
		return alt(seq(vertical, side, w("quadrant", token{tArea, 0})), seq(vertical, w("arch", token{tArea, 1})), seq(w("all"), w("teeth", token{tArea, 2})), therapyTeeth(n))(g, from)
	}
	with := func(s int) {
		seq(w("with"), ends(Prefix, priorPrefix), named(tAdjunct, adjuncts), ends(Complete, 0))(g, s)
	}
	said := seq(wp("therapy", priorRare), ends(Prefix, priorPrefix))(g, lead)
	for i, what := range treatments {
		s := seq(mark(token{tTherapy, i}), w(what), ends(Prefix, priorPrefix))(g, said)
		if i == 0 { // the usual thing need not be said
			g.add(mark(token{tTherapy, i})(g, said), arc{to: s})
		}
		s = where(s)
		ending, prior := Prefix, priorPrefix
		if what == "surgery" {
			ending, prior = Open, 0
			with(s)
		}
		g.end(s, ending, prior)
		with(seq(w("by"), ends(Prefix, priorPrefix), named(tBy, ways), ends(Open, 0))(g, s))
	}
}

// therapyTeeth are teeth, and of one the sites. Where the numbers of teeth are those of depths too, "tooth" or "teeth" is said before.
func therapyTeeth(n chart.Numbering) part {
	return func(g *nfa, from int) int {
		called := words(arc{word: "tooth"}, arc{word: "teeth"}, arc{word: "number"})
		if n == chart.FDI {
			called = opt(called)
		}
		list, item, end := g.state(), g.state(), g.state()
		g.add(called(g, from), arc{to: list})
		g.add(toothName()(g, from), arc{to: item})
		g.add(alt(toothNumber(n, n == chart.FDI), toothName())(g, list), arc{to: item})
		g.add(item, arc{to: end})
		g.add(item, arc{to: list}) // and more teeth
		site := where()(g, item)
		g.add(site, arc{to: end})
		g.add(aspect()(g, site), arc{to: end})
		g.add(aspect()(g, item), arc{to: end})
		return end
	}
}

func oneVerb(v chart.Verb, prior float64, words ...string) part {
	ps := make([]part, 0, len(words)+1)
	for i, word := range words {
		if i == 0 {
			ps = append(ps, wp(word, prior))
		} else {
			ps = append(ps, w(word))
		}
	}
	return seq(append(ps, mark(verb(v)))...)
}

// build makes the network of all calls that the state allows. State 0 is the start.
// network is the network of the calls while it is made.
type network struct {
	*nfa
	sh    shape
	start int
	lead  int // behind hesitations: what every call begins with
	// The hubs between the acts of one breath, and the entries to the kinds of act.
	begin             int // nothing said yet, or a place: anything may follow
	afterNum          int // after numbers: anything but numbers
	afterFlag         int // after a flag: numbers may go on; no named site ("bleeding mesial four" is a flag and a sounding)
	afterRest         int // after a margin, a grade or a named site: no bare numbers, they would be taken for its own
	nums, acts, sites int
	placed            int // after a tooth
}

func build(sh shape) *nfa {
	c := &network{nfa: &nfa{}, sh: sh}
	c.start = c.state()
	switch {
	case !sh.listening:
		// Standing by, nothing but "go ahead" does anything.
		seq(oneVerb(chart.VerbGoAhead, 0, "go", "ahead"), ends(Complete, 0))(c.nfa, c.start)
	case sh.single:
		c.oneByOne()
		c.answers(c.start)
	default:
		c.hesitations()
		c.hubs()
		c.toothAndAspect()
		c.numbers()
		c.flags()
		c.margins()
		c.grades()
		c.namedSites()
		c.presence(c.lead)
		c.presence(c.placed)
		c.corrections()
		c.verbs()
		c.answers(c.lead)
	}
	sh.terms.join(c.nfa)
	return c.nfa
}

func (c *network) simple(from int, v chart.Verb, prior float64, words ...string) {
	seq(oneVerb(v, prior, words...), ends(Complete, 0))(c.nfa, from)
}

// oneByOne hears nothing but numbers, and what leads out of it. Who calls more of them at once is heard too.
func (c *network) oneByOne() {
	g := c.nfa
	last := seq(number(priorZero), ends(Full, 0))(g, c.start)
	for range 8 {
		last = seq(number(priorZero), ends(Complete, priorMore))(g, last)
	}
	for _, v := range []chart.Verb{chart.VerbSkip, chart.VerbNext, chart.VerbBack, chart.VerbDisregard, chart.VerbWhere, chart.VerbHelp} {
		c.simple(c.start, v, priorMore, string(v))
	}
	c.simple(c.start, chart.VerbStandBy, priorMore, "stand", "by")
	c.simple(c.start, chart.VerbComplete, priorMore, "exam", "complete")
	// To another place by the safe word alone: "tooth" sounds like "two".
	placed := seq(wp("number", priorMore), ends(Prefix, priorPrefix), toothNumber(c.sh.numbering, true), ends(Open, 0))(g, c.start)
	seq(aspect(), ends(Complete, 0))(g, placed)
	seq(wp("correction", priorMore, verb(chart.VerbCorrection)), ends(Prefix, priorPrefix), number(priorZero), ends(Complete, 0))(g, c.start)
}

// Hesitations before a call mean nothing.
func (c *network) hesitations() {
	g := c.nfa
	c.lead = g.state()
	g.add(c.start, arc{to: c.lead})
	g.add(hesitation()(g, c.start), arc{to: c.lead})
	for _, word := range []string{"okay", "and"} {
		g.add(wp(word, priorHesitation)(g, c.start), arc{to: c.lead})
	}
}

func (c *network) hubs() {
	g := c.nfa
	c.begin, c.afterNum, c.afterFlag, c.afterRest = g.state(), g.state(), g.state(), g.state()
	c.nums, c.acts, c.sites = g.state(), g.state(), g.state()
	for _, way := range [][2]int{{c.afterNum, c.acts}, {c.afterNum, c.sites}, {c.afterFlag, c.nums}, {c.afterFlag, c.acts}, {c.afterRest, c.acts}, {c.afterRest, c.sites}} {
		g.add(way[0], arc{to: way[1], prior: priorMore})
	}
	for _, e := range []int{c.nums, c.acts, c.sites} {
		g.add(c.begin, arc{to: e})
	}
	g.add(c.lead, arc{to: c.begin})
}

// toothAndAspect is how places are called: "tooth fourteen buccal", "number fourteen buccal", "upper right first molar", "lingual".
func (c *network) toothAndAspect() {
	g := c.nfa
	tooth := seq(alt(seq(alt(seq(wp("tooth", priorTooth), ends(Prefix, priorPrefix), opt(wp("number", priorRare))), seq(wp("number", priorCalled), ends(Prefix, priorPrefix))), alt(toothNumber(c.sh.numbering, true), toothName())),
		seq(toothName())),
		ends(Open, 0))
	c.placed = tooth(g, c.lead)
	aspected := seq(aspect(), ends(Open, 0))(g, c.placed)
	bare := seq(aspect(), ends(Open, 0))(g, c.lead)
	// Numbers straight after a bare tooth number: rare and easily misread, so at a price.
	g.add(c.placed, arc{to: c.begin, prior: priorMore})
	g.add(aspected, arc{to: c.begin})
	g.add(bare, arc{to: c.begin})
}

// numbers are one to nine in a breath.
func (c *network) numbers() {
	g := c.nfa
	last := c.nums
	sounding := number(priorZero)
	if c.sh.margins {
		sounding = seq(opt(words(arc{word: "minus", tok: token{tMinus, 0}})), number(0))
	}
	for k := 1; k <= 9; k++ {
		said := sounding(g, last)
		pr := 0.0
		if d := k - c.sh.open; d != 0 {
			pr = priorCount
			if d > 0 && d%3 == 0 {
				pr = priorCount / 2
			}
		}
		ending := Complete
		if k == c.sh.whole {
			ending, pr = Full, 0
		}
		g.end(said, ending, pr)
		g.add(said, arc{to: c.afterNum, prior: pr})
		last = opt(hesitation())(g, said)
	}
	seq(w("all"), ends(Prefix, priorPrefix), plural(), ends(Complete, 0), to(c.afterNum))(g, c.begin)
}

// flags are called as "bleeding", "no plaque", "pus mesial distal", "calculus all".
func (c *network) flags() {
	g := c.nfa
	fl := alt(flag(), seq(w("no", token{tNo, 0}), flag()))(g, c.acts)
	seq(ends(Open, 0), to(c.afterFlag), w("all", token{tWhole, 0}),
		ends(Complete, 0), to(c.afterFlag))(g, fl)
	named := fl
	for range 3 {
		named = seq(where(), ends(Open, 0), to(c.afterFlag))(g, named)
	}
}

// margins are called as "recession two", "recession one two one", "recession mesial two", "margin minus one".
func (c *network) margins() {
	g := c.nfa
	margin := func(from int, p part) {
		g.end(from, Prefix, priorPrefix)
		one := seq(p, ends(Open, 0), to(c.afterRest))(g, from)
		two := seq(p, ends(Open, 2*priorCount), to(c.afterRest))(g, one)
		seq(p, ends(Complete, 0), to(c.afterRest))(g, two)
		seq(where(), p, ends(Complete, 0), to(c.afterRest))(g, from)
		seq(w("all"), plural(), ends(Complete, 0), to(c.afterRest))(g, from)
	}
	margin(words(arc{word: "recession", tok: token{tMargin, 1}}, arc{word: "overgrowth", tok: token{tMargin, -1}})(g, c.acts), number(priorZero))
	margin(w("margin", token{tMargin, 1})(g, c.acts), seq(opt(words(arc{word: "minus", tok: token{tMinus, 0}}, arc{word: "plus", prior: priorRare})), number(priorZero)))
}

// grades are called as "mobility two", "furcation one buccal".
func (c *network) grades() {
	g := c.nfa
	class := opt(words(arc{word: "grade", prior: -0.5}, arc{word: "class", prior: -0.5}, arc{word: "degree", prior: priorRare}))
	seq(w("mobility", token{tMobility, 0}), ends(Prefix, priorPrefix), class, digit(), ends(Complete, 0), to(c.afterRest))(g, c.acts)
	e := func(word string, e chart.Entrance) arc { return arc{word: word, tok: token{tEntrance, int(e)}} }
	entrance := words(e("buccal", chart.EntranceBuccal), e("facial", chart.EntranceBuccal), e("lingual", chart.EntranceLingual),
		e("palatal", chart.EntranceLingual), e("mesial", chart.EntranceMesial), e("distal", chart.EntranceDistal))
	furcation := seq(w("furcation", token{tFurcation, 0}), ends(Prefix, priorPrefix))(g, c.acts)
	// How far it reaches down is said behind it: "furcation two buccal vertical five".
	vertical := func(s int) {
		seq(w("vertical", token{tVertical, 0}), ends(Prefix, priorPrefix), number(priorZero), ends(Complete, 0), to(c.afterRest))(g, s)
	}
	vertical(seq(class, digit(), ends(Open, 0), to(c.afterRest), entrance, ends(Open, 0), to(c.afterRest))(g, furcation))
	vertical(seq(entrance, ends(Prefix, priorPrefix), class, digit(), ends(Open, 0), to(c.afterRest))(g, furcation))
	// The width of the keratinized gingiva: "keratinized two".
	seq(w("keratinized", token{tKeratin, 0}), ends(Prefix, priorPrefix), number(priorZero), ends(Complete, 0), to(c.afterRest))(g, c.acts)
}

// namedSites are called as "mesial four", "mesial distal five", "mesial mid distal three two four".
func (c *network) namedSites() {
	g := c.nfa
	one := seq(mark(token{tSite, 0}), where(), ends(Prefix, priorPrefix))(g, c.sites)
	seq(number(priorZero), ends(Complete, 0), to(c.afterRest))(g, one)
	two := where()(g, one)
	seq(number(priorZero), ends(Open, -0.5), to(c.afterRest), number(priorZero), ends(Complete, -0.5), to(c.afterRest))(g, two)
	seq(where(), number(priorZero), number(priorZero), number(priorZero), ends(Complete, -0.5), to(c.afterRest))(g, two)
}

// presence says which teeth are there: "missing", "implant tooth three", "missing one sixteen seventeen".
func (c *network) presence(from int) {
	g := c.nfa
	pr := func(p chart.Presence) token { return token{tPresence, int(p)} }
	s := alt(w("missing", pr(chart.Missing)), w("implant", pr(chart.Implant)), w("unerupted", pr(chart.Unerupted)),
		w("present", pr(chart.Present)))(g, from)
	g.end(s, Open, 0)
	if from != c.lead {
		return
	}
	list := g.state()
	g.add(s, arc{to: list})
	g.add(alt(wp("tooth", -0.5), wp("teeth", -0.5))(g, s), arc{to: list})
	item := g.state()
	g.add(alt(toothNumber(c.sh.numbering, c.sh.numbering == chart.FDI), toothName())(g, list), arc{to: item, prior: -0.5})
	g.end(item, Open, 0)
	g.add(item, arc{to: list})
	g.add(wp("and", -0.5)(g, item), arc{to: list})
}

// corrections are called as "correction four", "correction three two five", "tooth eleven buccal correction four".
func (c *network) corrections() {
	g := c.nfa
	cor := seq(w("correction", verb(chart.VerbCorrection)), ends(Prefix, priorPrefix))(g, c.begin)
	s := cor
	for k := 1; k <= 9; k++ {
		s = number(priorZero)(g, s)
		g.end(s, Complete, 0)
	}
	seq(w("all"), plural(), ends(Complete, 0))(g, cor)
	seq(where(), number(priorZero), ends(Complete, 0))(g, cor)
}

// verbs are the calls of a word or two.
func (c *network) verbs() {
	g := c.nfa
	c.simple(c.lead, chart.VerbNext, 0, "next")
	c.simple(c.lead, chart.VerbBack, 0, "back")
	c.simple(c.lead, chart.VerbSkip, 0, "skip")
	c.simple(c.lead, chart.VerbDisregard, 0, "disregard")
	seq(oneVerb(chart.VerbSayAgain, 0, "say", "again"), ends(Open, 0), w("all", token{tWhole, 0}), ends(Complete, 0))(g, c.lead)
	c.simple(c.lead, chart.VerbStandBy, 0, "stand", "by")
	c.simple(c.lead, chart.VerbGoAhead, priorRare, "go", "ahead")
	c.simple(c.lead, chart.VerbComplete, 0, "exam", "complete")
	c.simple(c.lead, chart.VerbHelp, priorRare, "help")
	c.simple(c.lead, chart.VerbWhere, priorRare, "where")
	seq(oneVerb(chart.VerbRemark, 0, "remark"), ends(Complete, 0), free())(g, c.lead)
	var paths []arc
	for i, name := range c.sh.terms.paths() {
		paths = append(paths, arc{word: name, tok: token{tPath, i}})
	}
	seq(wp("path", priorRare), ends(Prefix, priorPrefix), words(paths...), ends(Complete, 0))(g, c.lead)
	pass := func(what string, n int) {
		seq(wp(what, priorRare), w("pass", token{tPass, n}), ends(Complete, 0))(g, c.lead)
	}
	therapy(g, c.lead, c.sh.numbering)
	pass("depth", 0)
	pass("margin", 1)
}

// answers count only while the tool asks.
func (c *network) answers(from int) {
	g := c.nfa
	if c.sh.question {
		c.simple(from, chart.VerbAffirm, 0, "affirm")
		c.simple(from, chart.VerbAffirm, 0, "affirmative")
		c.simple(from, chart.VerbAffirm, 0, "yes")
		c.simple(from, chart.VerbNegative, 0, "negative")
		c.simple(from, chart.VerbNegative, 0, "no")
	}
	if c.sh.reasons {
		var why []arc
		for i, word := range Reasons {
			why = append(why, arc{word: word, tok: token{tReason, i}})
		}
		seq(oneVerb(chart.VerbSkip, 0, "skip"), words(why...), ends(Complete, 0))(g, from)
	}
}
