package paper

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/report"
)

// childAge is the age below which the page speaks to a child's parents.
const childAge = 18

// fewPlaces of a quarter of the mouth are named; where there are more the picture says it better.
const fewPlaces = 2

// step is a line of the page: what to do and where.
type step struct {
	text  string
	where []string        // in words, a line a part of the mouth
	gaps  []chart.Gap     // places in the picture
	teeth []chart.SiteRef // likewise; a site NumSites is the whole tooth
	id    string
}

// Page is what a patient reads, before it is laid out.
type Page struct {
	m        *Messages
	r        *report.Record
	steps    []step
	always   []string
	numbers  []string
	paste    string
	signs    []string
	next     []string
	decided  bool
	children bool
}

// NewPage chooses what a patient reads: what the clinician decided, or until then what the rules propose, and what everybody needs.
func NewPage(r *report.Record, m *Messages) *Page {
	p := &Page{m: m, r: r}
	age, known := r.Age()
	p.children = known && age < childAge
	p.chooseSteps()
	n := countMouth(r.Chart)
	if n.teeth == 0 {
		p.withoutTeeth()
	} else {
		p.forAll()
	}
	if n.probed > 0 {
		p.count(&n)
	}
	p.whenToCall()
	if d := r.Plan; d != nil {
		if d.Reevaluation != "" {
			p.next = append(p.next, m.say("next.reevaluation", "date", m.dayOf(d.Reevaluation)))
		}
		if d.Recall != "" {
			p.next = append(p.next, m.say("next.recall", "date", m.dayOf(d.Recall)))
		}
	}
	return p
}

// chooseSteps takes the clinician's home care, or until that is decided what is proposed.
func (p *Page) chooseSteps() {
	plan := diagnosis.HomeCare(p.r.Chart, diagnosis.HomeCareOptions{})
	if p.r.Plan == nil || p.r.Plan.HomeCare == nil {
		for _, a := range plan.Items {
			if !a.Later && a.Group != "always" {
				p.add(&a)
			}
		}
		return
	}
	p.decided = true
	proposed := map[string][]diagnosis.Advice{}
	for _, a := range plan.Items {
		proposed[a.ID] = append(proposed[a.ID], a)
	}
	for _, c := range p.r.Plan.HomeCare {
		p.chosen(c, proposed)
	}
}

// inMouth counts what the page tells a patient of his mouth.
type inMouth struct {
	teeth        int // and implants
	probed, deep int // sites
}

func countMouth(c *chart.Chart) (n inMouth) {
	c.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool {
		if rec.Presence == chart.Present || rec.Presence == chart.Implant {
			n.teeth++
		}
		for s := range rec.Sites {
			if d := rec.Sites[s].Depth; d.Known() && rec.Presence != chart.Missing && rec.Presence != chart.Unerupted {
				n.probed++
				if d.Whole() >= 4 {
					n.deep++
				}
			}
		}
		return true
	})
	return n
}

// withoutTeeth leaves of the steps what does not need teeth.
func (p *Page) withoutTeeth() {
	rest := slices.DeleteFunc(p.steps, func(s step) bool { return s.id != "smoking" && s.id != "diabetes" && s.id != "dry_mouth" })
	p.steps = append([]step{{text: p.m.say("care.denture"), id: "denture"}}, rest...)
}

// forAll is what everybody with teeth needs.
func (p *Page) forAll() {
	p.always = append(p.always, p.m.say("care.brush_time"), p.m.say("care.replace"))
	switch {
	case p.children:
		p.always = append(p.always, p.m.say("care.child"))
	case gapForDenture(p.r.Chart):
		p.always = append(p.always, p.m.say("care.denture"))
	}
	p.paste = p.m.say("paste.adult")
	if p.children {
		p.paste = p.m.say("paste.child")
	}
}

// count says the patient's numbers.
func (p *Page) count(n *inMouth) {
	p.numbers = append(p.numbers, p.m.say("numbers.depth"), p.m.say("numbers.yours", "sites", fmt.Sprint(n.probed), "deep", fmt.Sprint(n.deep)))
	if f, ok := p.r.Findings.Get("score.bleeding_percent"); ok {
		if v, number := f.Value.Float(); number && !f.AtLeast {
			p.numbers = append(p.numbers, p.m.say("numbers.bleeding", "percent", fmt.Sprintf("%.0f", v)))
		}
	}
}

// whenToCall says which signs to call for, and whom.
func (p *Page) whenToCall() {
	p.signs = append(p.signs, p.m.say("call.signs"))
	if p.r.Phone != "" {
		p.signs = append(p.signs, p.m.say("call.phone", "phone", p.r.Phone))
	}
	number := p.r.Emergency
	if number == "" {
		number = p.m.say("call.anynumber")
	}
	p.signs = append(p.signs, p.m.say("call.emergency", "number", number))
}

// gapForDenture tells whether two neighbours are missing, wisdom teeth aside: who may wear a denture is told how to clean one. Nobody is
// asked for it; the rule is an engineering choice.
func gapForDenture(c *chart.Chart) bool {
	before := chart.Tooth(0)
	for _, t := range chart.AllTeeth() {
		if t.Primary() || t.Position() == 8 || c.Tooth(t).Presence != chart.Missing {
			continue
		}
		if before != 0 && before.Upper() == t.Upper() && (t.ArchPosition()-before.ArchPosition() == 1 || before.ArchPosition()-t.ArchPosition() == 1) {
			return true
		}
		before = t
	}
	return false
}

// chosen adds a line of the clinician's plan. A line that stands as it was proposed is said in the patient's language; an edited one
// stays as the clinician wrote it.
func (p *Page) chosen(c chart.PlanCare, proposed map[string][]diagnosis.Advice) {
	for _, a := range proposed[c.ID] {
		if a.Text == c.Text && a.Group != "always" {
			p.add(&a)
			return
		}
		if a.Text == c.Text {
			return // stands on every page
		}
	}
	s := step{text: c.Text, id: c.ID}
	if c.Where != "" {
		s.where = []string{c.Where}
	}
	if as := proposed[c.ID]; len(as) == 1 {
		s.gaps, s.teeth = as[0].Gaps, places(&as[0])
	}
	p.steps = append(p.steps, s)
}

// add adds a proposed line.
func (p *Page) add(a *diagnosis.Advice) {
	s := step{id: a.ID, gaps: a.Gaps, teeth: places(a), where: p.where(a)}
	key := "care." + a.ID
	switch {
	case a.ID == "powered" && len(p.steps) > 0:
		key = "care.powered_option"
	case a.ID == "idb":
		key = "care.idb_try"
		for _, g := range a.Gaps {
			if in := p.r.Chart.Patient.Gaps[g]; in.BrushMM != nil {
				key = "care.idb_size"
				s.text = p.m.say(key, "size", fmt.Sprint(diagnosis.BrushClass(*in.BrushMM)))
			}
		}
	}
	switch {
	case s.text != "":
	case p.m.has(key):
		s.text = p.m.say(key)
	default:
		s.text = a.Text // advice that no message has a sentence for yet
		if a.Where != "" {
			s.where = []string{a.Where}
		}
	}
	p.steps = append(p.steps, s)
}

// places are the teeth and sites of an advice that has no gaps.
func places(a *diagnosis.Advice) []chart.SiteRef {
	if len(a.Gaps) > 0 {
		return nil
	}
	out := slices.Clone(a.Sites)
	for _, t := range a.Teeth {
		out = append(out, chart.SiteRef{Tooth: t, Site: chart.NumSites})
	}
	return out
}

// where names the places in words, by quarters of the mouth, so that no language has to bend its words.
func (p *Page) where(a *diagnosis.Advice) []string {
	name := func(t chart.Tooth) string { return p.m.say(fmt.Sprintf("tooth.%d", t.Position())) }
	parts := map[int][]string{}
	put := func(quarter int, s string) {
		if !slices.Contains(parts[quarter], s) {
			parts[quarter] = append(parts[quarter], s)
		}
	}
	for _, g := range a.Gaps {
		put(g.A.Quadrant(), name(g.A)+" – "+name(g.B))
	}
	for _, s := range places(a) {
		if !s.Tooth.Primary() {
			put(s.Tooth.Quadrant(), name(s.Tooth))
		}
	}
	var out []string
	for q := 1; q <= 4; q++ {
		if len(parts[q]) == 0 {
			continue
		}
		jaw, side := "jaw.upper", "side.right"
		if q > 2 {
			jaw = "jaw.lower"
		}
		if q == 2 || q == 3 {
			side = "side.left"
		}
		list := strings.Join(parts[q], ", ")
		if n := len(parts[q]); n > fewPlaces {
			list = p.m.say("where.many", "count", fmt.Sprint(n))
		}
		out = append(out, p.m.say(jaw)+", "+p.m.say(side)+": "+list)
	}
	return out
}

// Text is all that stands on the page for the patient to read, for its reading grade.
func (p *Page) Text() string {
	var b strings.Builder
	for _, s := range p.steps {
		b.WriteString(s.text + " ")
	}
	for _, l := range [][]string{p.always, p.numbers, {p.m.say("start.bleeding"), p.paste}, p.signs[:1], p.next, {p.m.say("foot")}} {
		b.WriteString(strings.Join(l, " ") + " ")
	}
	return b.String()
}

// Handout lays the page out in large print.
func Handout(w io.Writer, r *report.Record, m *Messages, size Size) error {
	p := NewPage(r, m)
	d := begin(size, m.say("title"), m.Tag, m.say("foot"), strings.NewReplacer("{page}", "%d", "{pages}", "%s").Replace(m.say("page")), r.Exam.Ended)
	const text = 13.0
	d.lead = 1.25 // so that most pages fit on two sides of one sheet
	d.upright()
	if r.Practice != "" {
		d.say("", 12, r.Practice)
	}
	d.font("B", 22)
	d.Bookmark(m.say("title"), 0, -1)
	d.as("H1", "", func() { d.MultiCell(0, 10, m.say("title"), "", "L", false) })
	d.say("", 12, p.heading())
	if !p.decided {
		d.say("B", 12, m.say("draft"))
	}
	section := func(key string) { d.need(26); d.Ln(2); d.heading(1, m.say(key)) }
	section("section.do")
	for i, s := range p.steps {
		d.need(18)
		y := d.GetY()
		d.as("P", "", func() {
			d.badge(margin+4, y+3.4, i+1)
			d.SetLeftMargin(margin + 11)
			d.SetX(margin + 11)
			d.say("", text, s.text)
			for _, l := range s.where {
				d.say("B", 11, l)
			}
			d.SetLeftMargin(margin)
		})
		d.SetXY(margin, d.GetY()+1.5)
	}
	for _, s := range p.always {
		d.bullet(text, s)
	}
	p.panels(d)
	if p.placed() {
		d.need(118)
		section("section.mouth")
		d.say("", 11, m.say("mouth.note"))
		p.mouth(d)
	}
	for _, one := range p.parts() {
		section(one.key)
		for i, s := range one.lines {
			style := ""
			if one.key == "section.call" && i > 0 {
				style = "B" // the numbers to call
			}
			d.say(style, text, s)
		}
	}
	d.Ln(3)
	grade, measure := Grade(m.Tag, p.Text())
	d.say("", 8.5, m.say("grade", "grade", fmt.Sprint(grade), "measure", measure))
	return d.end(w)
}

// badge is a number in a black disc.
func (d *doc) badge(x, y float64, n int) {
	d.SetFillColor(0, 0, 0)
	d.Circle(x, y, 3, "F")
	d.font("B", 9)
	d.SetTextColor(255, 255, 255)
	s := fmt.Sprint(n)
	d.Text(x-d.GetStringWidth(s)/2, y+1.15, s)
	d.SetTextColor(0, 0, 0)
}

// mouth puts the picture of the mouth on the page.
func (p *Page) mouth(d *doc) {
	d.need(92)
	w, _ := d.GetPageSize()
	top := d.GetY() + 9
	d.SetLineWidth(0.35)
	d.as("Figure", p.m.say("section.mouth")+". "+p.m.say("mouth.note"), func() { p.arches(&ink{d, w / 2, top}) })
	d.SetXY(margin, top+mapTall)
}

// panels draws how it is done, for the steps that are on the page.
func (p *Page) panels(d *doc) {
	type panel struct {
		ids     []string
		caption string
		draw    func(d *doc, x, y float64)
	}
	var shown []panel
	for _, one := range []panel{{[]string{"brush_bass", "powered", "child_brush"}, "draw.brush", drawBrush}, {[]string{"idb"}, "draw.idb", drawGapBrush}, {[]string{"floss"}, "draw.floss", drawFloss}, {[]string{"behind_last"}, "draw.behind", drawBehind}} {
		if slices.ContainsFunc(p.steps, func(s step) bool { return slices.Contains(one.ids, s.id) }) {
			shown = append(shown, one)
		}
	}
	if len(shown) == 0 {
		return
	}
	const tall = 40.0
	d.need(tall + 8)
	y := d.GetY() + 2
	each := d.wide() / 4
	for i, one := range shown {
		x := margin + float64(i)*each
		d.SetDrawColor(0, 0, 0)
		caption := p.m.say(one.caption)
		d.as("Figure", caption, func() { one.draw(d, x+2, y) })
		d.SetXY(x, y+tall-9)
		d.font("", 9.5)
		d.as("P", "", func() { d.MultiCell(each-3, 4.2, caption, "", "L", false) })
	}
	d.SetXY(margin, y+tall+4)
}

// The drawings are 38 by 30 mm, in black, white and grey.

func points(x, y float64, xy ...float64) []fpdf.PointType {
	var out []fpdf.PointType
	for i := 0; i+1 < len(xy); i += 2 {
		out = append(out, fpdf.PointType{X: x + xy[i], Y: y + xy[i+1]})
	}
	return out
}

func (d *doc) inks(line float64, grey int) {
	d.SetLineWidth(line)
	d.SetFillColor(grey, grey, grey)
}

// tooth draws a tooth from the side, crown up, its neck at y+16.
func (d *doc) tooth(x, y float64) {
	d.inks(0.5, 255)
	d.Polygon(points(x, y, 0, 6, 1, 2, 3.5, 1, 6, 2.2, 8.5, 1, 11, 2, 12, 6, 11, 16, 10, 24, 8.5, 29, 7, 24, 6, 20, 5, 24, 3.5, 29, 2, 24, 1, 16), "DF")
}

func drawBrush(d *doc, x, y float64) {
	d.inks(0.3, 215)
	d.Polygon(points(x, y, 0, 20, 4, 17.5, 7, 16, 21, 16, 24, 17.5, 26, 20, 26, 30, 0, 30), "F")
	d.tooth(x+8, y)
	d.inks(0.3, 215)
	d.Polygon(points(x, y, 19.5, 16, 22.5, 17.2, 26, 20, 26, 30, 18, 30), "F")
	// The brush comes from above outside, bristles down to the edge of the gum at 45 degrees.
	d.TransformBegin()
	d.TransformRotate(-45, x+20, y+16)
	d.inks(0.35, 0)
	for i := range 9 {
		bx := x + 15.2 + float64(i)*1.2
		d.Line(bx, y+16, bx, y+10.5)
	}
	d.inks(0.5, 235)
	d.Rect(x+14, y+7, 12, 3.6, "DF")
	d.TransformEnd()
}

func drawGapBrush(d *doc, x, y float64) {
	d.inks(0.3, 215)
	d.Polygon(points(x, y, 0, 17, 13, 13, 17, 10, 21, 13, 34, 17, 34, 30, 0, 30), "F")
	d.tooth(x+4, y)
	d.tooth(x+18, y)
	d.inks(0.3, 215)
	d.Polygon(points(x, y, 14, 17, 17, 12, 20, 17, 20, 30, 14, 30), "F")
	d.inks(0.6, 0)
	d.Line(x+10, y+11, x+36, y+6)
	for i := range 8 {
		bx, by := x+12+float64(i)*1.3, y+10.6-float64(i)*0.25
		d.inks(0.3, 0)
		d.Line(bx-0.3, by-2, bx+0.3, by+2)
	}
	d.inks(0.5, 235)
	d.Rect(x+33, y+4.6, 5, 3, "DF")
}

func drawFloss(d *doc, x, y float64) {
	// Two teeth from above.
	d.inks(0.5, 255)
	d.Ellipse(x+10, y+14, 8, 9, 0, "DF")
	d.Ellipse(x+27, y+14, 8, 9, 0, "DF")
	d.inks(0.9, 0)
	d.Curve(x+13, y+1, x+21.5, y+14, x+13, y+27, "D")
	d.Line(x+13, y+1, x+4, y+0)
	d.Line(x+13, y+27, x+4, y+28)
}

func drawBehind(d *doc, x, y float64) {
	d.inks(0.3, 215)
	d.Polygon(points(x, y, 0, 17, 36, 17, 36, 30, 0, 30), "F")
	d.tooth(x+11, y)
	d.tooth(x+24, y)
	d.inks(0.3, 215)
	d.Polygon(points(x, y, 0, 17, 36, 17, 36, 30, 0, 30), "F")
	// A small brush from above, its tuft against the back of the last tooth.
	d.inks(0.5, 235)
	d.Polygon(points(x, y, 22, -1, 6, 2.5, 5, 5, 7, 6.5, 22, 3), "DF")
	d.inks(0.35, 0)
	for i := range 6 {
		d.Line(x+5.2+float64(i)*0.7, y+6, x+8.5+float64(i)*0.5, y+14)
	}
}

// Sheet is the page as a screen shows it.
type Sheet struct {
	Language string    `json:"language"`
	Title    string    `json:"title"`
	Practice string    `json:"practice"`
	For      string    `json:"for"`
	Draft    string    `json:"draft,omitempty"` // said until the clinician decided
	Sections []Section `json:"sections"`
	Foot     string    `json:"foot"`
	Grade    string    `json:"grade"`
}

// Section is a part of a Sheet.
type Section struct {
	Title   string     `json:"title"`
	Lines   []SaidLine `json:"lines"`
	Picture string     `json:"picture,omitempty"` // SVG, below the lines; its classes are body, gone, word, badge and number
}

// SaidLine is a line of a Section, with the places that it is about.
type SaidLine struct {
	N     int      `json:"n,omitempty"` // its number in the picture
	Text  string   `json:"text"`
	Where []string `json:"where"`
}

// Sheet gives the same page, as it is printed, for a screen.
func (p *Page) Sheet() Sheet {
	grade, measure := Grade(p.m.Tag, p.Text())
	s := Sheet{Language: p.m.Tag, Title: p.m.say("title"), Practice: p.r.Practice, For: p.heading(), Foot: p.m.say("foot"), Grade: p.m.say("grade", "grade", fmt.Sprint(grade), "measure", measure)}
	if !p.decided {
		s.Draft = p.m.say("draft")
	}
	do := Section{Title: p.m.say("section.do")}
	for i, one := range p.steps {
		do.Lines = append(do.Lines, SaidLine{i + 1, one.text, append([]string{}, one.where...)})
	}
	for _, text := range p.always {
		do.Lines = append(do.Lines, SaidLine{0, text, []string{}})
	}
	s.Sections = append(s.Sections, do)
	if p.placed() {
		s.Sections = append(s.Sections, Section{Title: p.m.say("section.mouth"), Lines: []SaidLine{{0, p.m.say("mouth.note"), []string{}}}, Picture: p.SVG()})
	}
	for _, part := range p.parts() {
		sec := Section{Title: p.m.say(part.key)}
		for _, text := range part.lines {
			sec.Lines = append(sec.Lines, SaidLine{0, text, []string{}})
		}
		s.Sections = append(s.Sections, sec)
	}
	return s
}

// heading says for whom the page is, and who checked it.
func (p *Page) heading() string {
	line := p.m.say("for", "name", p.r.Patient.Name, "date", p.m.day(p.r.Exam.Began))
	if p.decided {
		line += " " + p.m.say("checked", "who", p.r.Plan.Who, "date", p.m.day(time.UnixMilli(p.r.Plan.Time)))
	}
	return line
}

type part struct {
	key   string
	lines []string
}

// parts are the sections behind what to do, those that have anything to say.
func (p *Page) parts() []part {
	all := []part{{"section.numbers", p.numbers}}
	if p.paste != "" {
		all = append(all, part{"section.start", []string{p.m.say("start.bleeding")}}, part{"section.paste", []string{p.paste}})
	}
	all = append(all, part{"section.call", p.signs}, part{"section.next", p.next})
	return slices.DeleteFunc(all, func(one part) bool { return len(one.lines) == 0 })
}
