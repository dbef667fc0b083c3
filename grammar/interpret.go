package grammar

import (
	"slices"
	"strconv"

	"leadsman/chart"
)

// interpret turns the tokens of a complete call into its acts.
func interpret(num chart.Numbering, paths []string, toks []token) (chart.Command, error) {
	b := builder{numbering: num, paths: paths, open: -1, sign: 1}
	for _, t := range toks {
		if does := meanings[t.kind]; does != nil {
			does(&b, t.n)
		}
		b.before = t.kind
	}
	return chart.Command{Acts: b.acts}, b.fault
}

// builder is a command while its tokens are read.
type builder struct {
	numbering    chart.Numbering
	paths        []string
	acts         []chart.Act
	open         int // the act that further tokens belong to, -1 for none
	before       tokenKind
	upper, right int // of the part of the mouth that is named
	sign         int // of margins: 1 recession, -1 overgrowth
	minus        bool
	down         bool // the next number is the depth of the furcation
	fault        error
}

// meanings say what each token does, by its kind, with its number. A kind without one only matters to those around it.
var meanings = [...]func(b *builder, n int){
	tNumber:    (*builder).number,
	tMinus:     func(b *builder, _ int) { b.minus = true },
	tAll:       (*builder).all,
	tFlag:      (*builder).flag,
	tWhole:     func(b *builder, _ int) { b.act().Whole = true },
	tWhere:     func(b *builder, n int) { b.act().Where = append(b.act().Where, chart.Where(n)) },
	tMargin:    func(b *builder, n int) { b.sign = n; b.verb(chart.VerbMargin) },
	tMobility:  func(b *builder, _ int) { b.verb(chart.VerbMobility) },
	tFurcation: func(b *builder, _ int) { b.verb(chart.VerbFurcation) },
	tKeratin:   func(b *builder, _ int) { b.verb(chart.VerbKeratin) },
	tVertical:  func(b *builder, _ int) { b.down = true },
	tEntrance:  func(b *builder, n int) { e := chart.Entrance(n); b.act().Entrance = &e },
	tTooth:     (*builder).numbered,
	tUpper:     func(b *builder, n int) { b.upper = n },
	tRight:     func(b *builder, n int) { b.right = n },
	tPosition:  func(b *builder, n int) { b.tooth(chart.Tooth(10*quadrants[b.upper][b.right] + n)) },
	tAspect:    (*builder).aspect,
	tPresence:  (*builder).presence,
	tSite:      func(b *builder, _ int) { b.verb(chart.VerbSite) },
	tVerb:      func(b *builder, n int) { b.verb(verbs[n]) },
	tPath:      func(b *builder, n int) { b.push(chart.Act{Verb: chart.VerbPath, Text: b.paths[n]}) },
	tPass: func(b *builder, n int) {
		b.push(chart.Act{Verb: chart.VerbPass, Field: [...]chart.Field{chart.FieldDepth, chart.FieldRecession}[n]})
	},
	tReason: func(b *builder, n int) { b.act().Text = Reasons[n] },
	tTherapy: func(b *builder, n int) {
		b.push(chart.Act{Verb: chart.VerbTherapy, Therapy: &chart.Treatment{What: treatments[n]}})
	},
	tArea:    func(b *builder, n int) { b.act().Therapy.Where = area(n, b.upper, b.right) },
	tBy:      func(b *builder, n int) { b.act().Therapy.By = ways[n] },
	tAdjunct: func(b *builder, n int) { b.act().Therapy.Adjunct = adjuncts[n] },
}

// quadrants are the quarters of the mouth by [upper][right].
var quadrants = [2][2]int{{3, 4}, {2, 1}}

// push begins an act, verb one of nothing but its verb.
func (b *builder) push(a chart.Act) {
	b.acts = append(b.acts, a)
	b.open = len(b.acts) - 1
}

func (b *builder) verb(v chart.Verb) { b.push(chart.Act{Verb: v}) }

// act is the open act.
func (b *builder) act() *chart.Act { return &b.acts[b.open] }

// in reports whether an act of one of the verbs is open.
func (b *builder) in(vs ...chart.Verb) bool { return b.open >= 0 && slices.Contains(vs, b.act().Verb) }

// number takes a number as the open act has it: a width or a depth, a grade, else soundings.
func (b *builder) number(n int) {
	said := n
	if b.minus {
		said, b.minus = -n, false
	}
	switch {
	case b.down || b.in(chart.VerbKeratin):
		mm := chart.Millimetres(n)
		b.act().Number, b.down = &mm, false
		return
	case b.in(chart.VerbMobility, chart.VerbFurcation):
		b.act().Grade = n
		return
	case b.in(chart.VerbSoundings, chart.VerbCorrection, chart.VerbMargin, chart.VerbSite):
		said *= b.sign
	default:
		b.verb(chart.VerbSoundings)
	}
	b.act().Numbers = append(b.act().Numbers, chart.Millimetres(said))
}

// all takes a number for every site: of what is corrected, of the margin, or as depths.
func (b *builder) all(n int) {
	if b.in(chart.VerbMargin) {
		n *= b.sign
	}
	numbers := []chart.MM{chart.Millimetres(n)}
	if b.in(chart.VerbCorrection, chart.VerbMargin) {
		b.act().Numbers, b.act().Whole = numbers, true
		return
	}
	b.push(chart.Act{Verb: chart.VerbAll, Numbers: numbers})
}

func (b *builder) flag(n int) {
	b.push(chart.Act{Verb: chart.VerbFlag, Flag: chart.Flag(n), Value: chart.Is(b.before != tNo)})
}

// numbered is a tooth by its number as the exam numbers teeth.
func (b *builder) numbered(n int) {
	t, err := chart.ParseTooth(strconv.Itoa(n), b.numbering)
	if err != nil {
		b.fault = &chart.Refusal{Text: err.Error()}
	}
	b.tooth(t)
}

// tooth adds a tooth to a list, or goes there.
func (b *builder) tooth(t chart.Tooth) {
	if b.in(chart.VerbPresence, chart.VerbTherapy) {
		b.act().Teeth = append(b.act().Teeth, t)
		return
	}
	b.push(chart.Act{Verb: chart.VerbGo, Tooth: t})
}

func (b *builder) aspect(n int) {
	if b.in(chart.VerbGo, chart.VerbTherapy) {
		b.act().Aspect, b.act().HasAspect = chart.Aspect(n), true
		return
	}
	b.push(chart.Act{Verb: chart.VerbAspect, Aspect: chart.Aspect(n)})
}

func (b *builder) presence(n int) {
	a := chart.Act{Verb: chart.VerbPresence, Presence: chart.Presence(n)}
	if b.in(chart.VerbGo) {
		a.Teeth = []chart.Tooth{b.act().Tooth}
		b.acts = b.acts[:b.open] // "tooth one present" states a tooth, it does not go there
	}
	b.push(a)
}

// area writes the part of the mouth that was named.
func area(n, upper, right int) string {
	vertical, side := [...]string{"lower", "upper"}[upper], [...]string{"left", "right"}[right]
	return [...]string{vertical + " " + side + " " + areas[0], vertical + " " + areas[1], areas[2]}[n]
}
