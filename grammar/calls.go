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
func build(sh shape) *nfa {
	n, open := sh.numbering, sh.open
	g := &nfa{}
	start := g.state()
	done := func(p part) { seq(p, ends(Complete, 0))(g, start) }
	simple := func(from int, v chart.Verb, prior float64, words ...string) {
		seq(oneVerb(v, prior, words...), ends(Complete, 0))(g, from)
	}

	if !sh.listening {
		// Standing by, nothing but "go ahead" does anything.
		done(oneVerb(chart.VerbGoAhead, 0, "go", "ahead"))
		sh.terms.join(g)
		return g
	}
	if sh.single {
		// One by one: nothing but numbers, and what leads out of it. Who calls more of them at once is heard too.
		last := seq(number(priorZero), ends(Full, 0))(g, start)
		for range 8 {
			last = seq(number(priorZero), ends(Complete, priorMore))(g, last)
		}
		for _, v := range []chart.Verb{chart.VerbSkip, chart.VerbNext, chart.VerbDisregard, chart.VerbWhere} {
			simple(start, v, priorMore, string(v))
		}
		simple(start, chart.VerbStandBy, priorMore, "stand", "by")
		seq(wp("correction", priorMore, verb(chart.VerbCorrection)), ends(Prefix, priorPrefix), number(priorZero), ends(Complete, 0))(g, start)
		sh.terms.join(g)
		return g
	}
	// Hesitations before a call mean nothing.
	lead := g.state()
	g.add(start, arc{to: lead})
	g.add(hesitation()(g, start), arc{to: lead})
	for _, word := range []string{"okay", "and"} {
		g.add(wp(word, priorHesitation)(g, start), arc{to: lead})
	}

	// The hubs between the acts of one breath, and the entries to the kinds of act.
	begin := g.state()     // nothing said yet, or a place: anything may follow
	afterNum := g.state()  // after numbers: anything but numbers
	afterFlag := g.state() // after a flag: numbers may go on; no named site ("bleeding mesial four" is a flag and a sounding)
	afterRest := g.state() // after a margin, a grade or a named site: no bare numbers, they would be taken for its own
	nums, acts, sites := g.state(), g.state(), g.state()
	for _, way := range [][2]int{{afterNum, acts}, {afterNum, sites}, {afterFlag, nums}, {afterFlag, acts}, {afterRest, acts}, {afterRest, sites}} {
		g.add(way[0], arc{to: way[1], prior: priorMore})
	}
	for _, e := range []int{nums, acts, sites} {
		g.add(begin, arc{to: e})
	}
	g.add(lead, arc{to: begin})

	// Places: "tooth fourteen buccal", "number fourteen buccal", "upper right first molar", "lingual".
	tooth := seq(alt(seq(alt(seq(wp("tooth", priorTooth), ends(Prefix, priorPrefix), opt(wp("number", priorRare))), seq(wp("number", priorCalled), ends(Prefix, priorPrefix))), alt(toothNumber(n, true), toothName())),
		seq(toothName())),
		ends(Open, 0))
	placed := tooth(g, lead)
	aspected := seq(aspect(), ends(Open, 0))(g, placed)
	bare := seq(aspect(), ends(Open, 0))(g, lead)
	// Numbers straight after a bare tooth number: rare and easily misread, so at a price.
	g.add(placed, arc{to: begin, prior: priorMore})
	g.add(aspected, arc{to: begin})
	g.add(bare, arc{to: begin})

	// Numbers: one to nine in a breath.
	last := nums
	sounding := number(priorZero)
	if sh.margins {
		sounding = seq(opt(words(arc{word: "minus", tok: token{tMinus, 0}})), number(0))
	}
	for k := 1; k <= 9; k++ {
		said := sounding(g, last)
		pr := 0.0
		if d := k - open; d != 0 {
			pr = priorCount
			if d > 0 && d%3 == 0 {
				pr = priorCount / 2
			}
		}
		ending := Complete
		if k == sh.whole {
			ending, pr = Full, 0
		}
		g.end(said, ending, pr)
		g.add(said, arc{to: afterNum, prior: pr})
		last = opt(hesitation())(g, said)
	}
	seq(w("all"), ends(Prefix, priorPrefix), plural(), ends(Complete, 0), to(afterNum))(g, begin)

	// Flags: "bleeding", "no plaque", "pus mesial distal", "calculus all".
	fl := alt(flag(), seq(w("no", token{tNo, 0}), flag()))(g, acts)
	seq(ends(Open, 0), to(afterFlag), w("all", token{tWhole, 0}),
		ends(Complete, 0), to(afterFlag))(g, fl)
	named := fl
	for range 3 {
		named = seq(where(), ends(Open, 0), to(afterFlag))(g, named)
	}
	// Margins: "recession two", "recession one two one", "recession mesial two", "margin minus one".
	margin := func(from int, p part) {
		g.end(from, Prefix, priorPrefix)
		one := seq(p, ends(Open, 0), to(afterRest))(g, from)
		two := seq(p, ends(Open, 2*priorCount), to(afterRest))(g, one)
		seq(p, ends(Complete, 0), to(afterRest))(g, two)
		seq(where(), p, ends(Complete, 0), to(afterRest))(g, from)
		seq(w("all"), plural(), ends(Complete, 0), to(afterRest))(g, from)
	}
	margin(words(arc{word: "recession", tok: token{tMargin, 1}}, arc{word: "overgrowth", tok: token{tMargin, -1}})(g, acts), number(priorZero))
	margin(w("margin", token{tMargin, 1})(g, acts), seq(opt(words(arc{word: "minus", tok: token{tMinus, 0}}, arc{word: "plus", prior: priorRare})), number(priorZero)))
	// Grades: "mobility two", "furcation one buccal".
	class := opt(words(arc{word: "grade", prior: -0.5}, arc{word: "class", prior: -0.5}, arc{word: "degree", prior: priorRare}))
	seq(w("mobility", token{tMobility, 0}), ends(Prefix, priorPrefix), class, digit(), ends(Complete, 0), to(afterRest))(g, acts)
	e := func(word string, e chart.Entrance) arc { return arc{word: word, tok: token{tEntrance, int(e)}} }
	entrance := words(e("buccal", chart.EntranceBuccal), e("facial", chart.EntranceBuccal), e("lingual", chart.EntranceLingual),
		e("palatal", chart.EntranceLingual), e("mesial", chart.EntranceMesial), e("distal", chart.EntranceDistal))
	furcation := seq(w("furcation", token{tFurcation, 0}), ends(Prefix, priorPrefix))(g, acts)
	// How far it reaches down is said behind it: "furcation two buccal vertical five".
	vertical := func(s int) {
		seq(w("vertical", token{tVertical, 0}), ends(Prefix, priorPrefix), number(priorZero), ends(Complete, 0), to(afterRest))(g, s)
	}
	vertical(seq(class, digit(), ends(Open, 0), to(afterRest), entrance, ends(Open, 0), to(afterRest))(g, furcation))
	vertical(seq(entrance, ends(Prefix, priorPrefix), class, digit(), ends(Open, 0), to(afterRest))(g, furcation))
	// The width of the keratinized gingiva: "keratinized two".
	seq(w("keratinized", token{tKeratin, 0}), ends(Prefix, priorPrefix), number(priorZero), ends(Complete, 0), to(afterRest))(g, acts)
	// Named sites: "mesial four", "mesial distal five", "mesial mid distal three two four".
	one := seq(mark(token{tSite, 0}), where(), ends(Prefix, priorPrefix))(g, sites)
	seq(number(priorZero), ends(Complete, 0), to(afterRest))(g, one)
	two := where()(g, one)
	seq(number(priorZero), ends(Open, -0.5), to(afterRest), number(priorZero), ends(Complete, -0.5), to(afterRest))(g, two)
	seq(where(), number(priorZero), number(priorZero), number(priorZero), ends(Complete, -0.5), to(afterRest))(g, two)

	// Which teeth are there: "missing", "implant tooth three", "missing one sixteen seventeen".
	presence := func(from int) {
		pr := func(p chart.Presence) token { return token{tPresence, int(p)} }
		s := alt(w("missing", pr(chart.Missing)), w("implant", pr(chart.Implant)), w("unerupted", pr(chart.Unerupted)),
			w("present", pr(chart.Present)))(g, from)
		g.end(s, Open, 0)
		if from != lead {
			return
		}
		list := g.state()
		g.add(s, arc{to: list})
		g.add(alt(wp("tooth", -0.5), wp("teeth", -0.5))(g, s), arc{to: list})
		item := g.state()
		g.add(alt(toothNumber(n, n == chart.FDI), toothName())(g, list), arc{to: item, prior: -0.5})
		g.end(item, Open, 0)
		g.add(item, arc{to: list})
		g.add(wp("and", -0.5)(g, item), arc{to: list})
	}
	presence(lead)
	presence(placed)

	// Corrections: "correction four", "correction three two five", "tooth eleven buccal correction four".
	cor := seq(w("correction", verb(chart.VerbCorrection)), ends(Prefix, priorPrefix))(g, begin)
	s := cor
	for k := 1; k <= 9; k++ {
		s = number(priorZero)(g, s)
		g.end(s, Complete, 0)
	}
	seq(w("all"), plural(), ends(Complete, 0))(g, cor)
	seq(where(), number(priorZero), ends(Complete, 0))(g, cor)

	simple(lead, chart.VerbNext, 0, "next")
	simple(lead, chart.VerbBack, 0, "back")
	simple(lead, chart.VerbSkip, 0, "skip")
	simple(lead, chart.VerbDisregard, 0, "disregard")
	seq(oneVerb(chart.VerbSayAgain, 0, "say", "again"), ends(Open, 0), w("all", token{tWhole, 0}), ends(Complete, 0))(g, lead)
	simple(lead, chart.VerbStandBy, 0, "stand", "by")
	simple(lead, chart.VerbGoAhead, priorRare, "go", "ahead")
	simple(lead, chart.VerbComplete, 0, "exam", "complete")
	simple(lead, chart.VerbHelp, priorRare, "help")
	simple(lead, chart.VerbWhere, priorRare, "where")
	seq(oneVerb(chart.VerbRemark, 0, "remark"), ends(Complete, 0), free())(g, lead)
	var paths []arc
	for i, name := range sh.terms.paths() {
		paths = append(paths, arc{word: name, tok: token{tPath, i}})
	}
	seq(wp("path", priorRare), ends(Prefix, priorPrefix), words(paths...), ends(Complete, 0))(g, lead)
	pass := func(what string, n int) {
		seq(wp(what, priorRare), w("pass", token{tPass, n}), ends(Complete, 0))(g, lead)
	}
	therapy(g, lead, n)
	pass("depth", 0)
	pass("margin", 1)
	// Answers count only while the tool asks.
	if sh.question {
		simple(lead, chart.VerbAffirm, 0, "affirm")
		simple(lead, chart.VerbAffirm, 0, "affirmative")
		simple(lead, chart.VerbAffirm, 0, "yes")
		simple(lead, chart.VerbNegative, 0, "negative")
		simple(lead, chart.VerbNegative, 0, "no")
	}
	if sh.reasons {
		var why []arc
		for i, word := range Reasons {
			why = append(why, arc{word: word, tok: token{tReason, i}})
		}
		seq(oneVerb(chart.VerbSkip, 0, "skip"), words(why...), ends(Complete, 0))(g, lead)
	}
	sh.terms.join(g)
	return g
}
