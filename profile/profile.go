// Package profile draws the mouth as a chart of depths: along each row of an arch the cemento-enamel junction as the level
// line, the gingival margin above or below it, and the bottom of the pocket as the sea bed, so that attachment loss is read
// off the scale of millimetres. No teeth are drawn.
//
// Draw makes shapes with classes that say what they are; SVG writes them for a page, whose style gives them their colours,
// and Paper says how they look in print, for writers of other formats. It reads and writes nothing itself.
package profile

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"leadsman/chart"
)

// Row is one of the four rows of sites: an arch seen from one side, or half of it.
type Row struct {
	Upper  bool
	Aspect chart.Aspect
	Half   Half
}

// Half is which of a row's teeth are drawn: on a narrow screen a whole row is too small to be read.
type Half uint8

const (
	Whole Half = iota
	Right      // the patient's
	Left
)

// String is the end of a row's name.
func (h Half) String() string { return [...]string{"", "-right", "-left"}[h] }

// Rows are all four in the order in which the chart shows them, from the top.
func Rows() []Row {
	return []Row{{Upper: true, Aspect: chart.Buccal}, {Upper: true, Aspect: chart.Lingual}, {Aspect: chart.Lingual}, {Aspect: chart.Buccal}}
}

// String is the row's name in addresses and classes: "upper-buccal", "upper-buccal-right".
func (r Row) String() string { return r.arch() + "-" + r.Aspect.String() + r.Half.String() }

func (r Row) arch() string {
	if r.Upper {
		return "upper"
	}
	return "lower"
}

// ParseRow reads a name given by String.
func ParseRow(name string) (Row, error) {
	for _, r := range Rows() {
		for _, r.Half = range []Half{Whole, Right, Left} {
			if r.String() == name {
				return r, nil
			}
		}
	}
	return Row{}, fmt.Errorf("row %q: use upper-buccal, upper-lingual, lower-lingual or lower-buccal, for half of it with -right or -left behind", name)
}

// Teeth are the row's teeth from left to right as seen facing the patient.
func (r Row) Teeth() []chart.Tooth {
	row := chart.AllTeeth()[:16]
	if !r.Upper {
		row = chart.AllTeeth()[16:]
		slices.Reverse(row)
	}
	switch r.Half {
	case Right:
		return row[:8]
	case Left:
		return row[8:]
	}
	return row
}

// sites are the row's three sites of a tooth from left to right.
func (r Row) sites(t chart.Tooth) [3]chart.Site {
	d, m := chart.SiteAt(r.Aspect, chart.Distal), chart.SiteAt(r.Aspect, chart.Mesial)
	if !t.RightSide() {
		d, m = m, d
	}
	return [3]chart.Site{d, chart.SiteAt(r.Aspect, chart.Mid), m}
}

// Span is the part of the scale that a picture shows, in millimetres from the cemento-enamel junction, negative above it.
type Span struct {
	Top    int `json:"top"`
	Bottom int `json:"bottom"`
}

// SpanOf holds all that is recorded in the charts, and at least -2 to 10 mm: rows drawn with it can be compared. Charts may be nil.
func SpanOf(charts ...*chart.Chart) Span {
	s := Span{-2, 10}
	for _, c := range charts {
		if c == nil {
			continue
		}
		c.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool {
			for _, site := range rec.Sites {
				margin := site.Recession.Float()
				s.Top = min(s.Top, int(math.Floor(margin)))
				s.Bottom = max(s.Bottom, int(math.Ceil(margin+site.Depth.Float())))
			}
			return true
		})
	}
	return s
}

// Options say what is drawn beside the chart itself.
type Options struct {
	Span    Span         // zero: that of the charts
	Earlier *chart.Chart // the exam before, drawn as a quiet line; nil for none
	// Noise is the least change of a depth that is marked; not recorded: none is.
	Noise  chart.MM
	Doubts map[chart.SiteRef]bool // depths in doubt, written with a question mark
	// Aspect names the row for people, such as "palatal"; "" is the plain name.
	Aspect string
}

// Kind says what the points of a shape are.
type Kind uint8

const (
	Box  Kind = iota // a rectangle: two opposite corners
	Line             // an open line through its points
	Area             // a closed, filled outline
	Text             // writing at one point, its baseline
)

// Anchor is where the writing stands to its point.
type Anchor uint8

const (
	Middle Anchor = iota
	Start
	End
)

// Point is in the units of the picture, x to the right and y down.
type Point struct{ X, Y float64 }

// Shape is a part of the picture. What lies later in the list lies on top.
type Shape struct {
	Kind   Kind
	Class  string // what it is, one or more words: see Paper
	Points []Point
	Text   string
	Size   float64 // of writing
	Bold   bool
	Anchor Anchor
	Site   string // the site it belongs to, "16.DB", or ""
}

// Column is the place of a site in the picture, over its whole height.
type Column struct {
	Site        string // "16.DB"
	Left, Right float64
}

// Picture is one row.
type Picture struct {
	Row           Row
	Width, Height float64
	Title         string // the row in a sentence, for those who do not see it
	Shapes        []Shape
	Columns       []Column
}

// The picture's measures.
const (
	width     = 1240.0 // of a whole row
	left      = 44.0   // of the scale
	right     = 14.0
	gap       = 8.0 // between teeth
	perMM     = 12.0
	labelY    = 18.0
	underY    = 31.0 // implant, mobility
	letterY   = 45.0
	changeY   = 58.0
	scaleY    = 66.0
	foot      = 16.0
	siteWidth = (width - left - right - 15*gap) / 48
)

func (r Row) width() float64 {
	if r.Half == Whole {
		return width
	}
	return left + 8*3*siteWidth + 7*gap + right
}

// column is a site as it is drawn.
type column struct {
	x0, x1      float64
	ref         chart.SiteRef
	depth       chart.MM
	margin      float64 // mm
	marginKnown bool
	there       bool // a depth is recorded
	was         chart.MM
	wasBottom   float64 // mm
}

type drawing struct {
	Picture
	span Span
}

func (d *drawing) y(mm float64) float64 { return scaleY + (mm-float64(d.span.Top))*perMM }

func (d *drawing) add(s Shape) { d.Shapes = append(d.Shapes, s) }

func (d *drawing) line(class, site string, pts ...Point) {
	d.add(Shape{Kind: Line, Class: class, Points: pts, Site: site})
}

func (d *drawing) text(class, site, text string, x, y, size float64, bold bool, a Anchor) {
	d.add(Shape{Kind: Text, Class: class, Points: []Point{{x, y}}, Text: text, Size: size, Bold: bold, Anchor: a, Site: site})
}

// stepOf is the step of the depth scale that a depth is shown with: 1 to 12 mm, 12 and more being one.
func stepOf(mm chart.MM) int { return max(1, min(12, mm.Whole())) }

// Draw makes the picture of a row. A site whose margin was not called is drawn from the level line, its margin dashed:
// then only its depth can be read, not its loss.
func Draw(c *chart.Chart, row Row, o Options) Picture {
	if o.Span == (Span{}) {
		o.Span = SpanOf(c, o.Earlier)
	}
	d := &drawing{Picture: Picture{Row: row, Width: row.width()}, span: o.Span}
	d.Height = d.y(float64(o.Span.Bottom)) + foot
	d.scale()
	var run []column // neighbouring sites with a depth, whose bed is one
	var marks []func()
	deepest, deep, known, bled := column{}, 0, 0, 0
	for i, t := range row.Teeth() {
		x := left + float64(i)*(3*siteWidth+gap)
		rec := c.Tooth(t)
		if !drawn(t, rec) {
			d.bed(run)
			run = nil
			d.absent(c, t, rec, x)
			continue
		}
		d.head(c, t, rec, x)
		var cols []column
		for j, site := range row.sites(t) {
			col := columnOf(c, chart.SiteRef{Tooth: t, Site: site}, o)
			col.x0 = x + float64(j)*siteWidth
			col.x1 = col.x0 + siteWidth
			d.Columns = append(d.Columns, Column{col.ref.String(), col.x0, col.x1})
			cols = append(cols, col)
			marks = append(marks, func() { d.site(c, col, o) })
			if !col.there {
				d.bed(run)
				run = nil
				continue
			}
			known++
			if col.depth.Half() >= 8 {
				deep++
			}
			if !deepest.there || col.depth.Half() > deepest.depth.Half() {
				deepest = col
			}
			if c.Site(col.ref).Flags[chart.Bleeding] == chart.Yes {
				bled++
			}
			run = append(run, col)
		}
		// Numerals stand over the line of the exam before, which may run through them.
		marks = append(marks, func() { d.was(cols) }, func() { d.numbers(cols, o) }, func() { d.furcation(c, t, rec, x) })
	}
	d.bed(run)
	for _, m := range marks {
		m()
	}
	d.Title = title(c, row, o, deepest, known, deep, bled)
	return d.Picture
}

// drawn reports whether a tooth has sites in the picture: one of which nothing was said is there, but a wisdom tooth is not.
func drawn(t chart.Tooth, rec *chart.ToothRecord) bool {
	return rec.Presence.Probed() || rec.Presence == chart.Unstated && (!t.ThirdMolar() || !rec.Empty())
}

func title(c *chart.Chart, row Row, o Options, deepest column, known, deep, bled int) string {
	name := o.Aspect
	if name == "" {
		name = row.Aspect.String()
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Profile, %s %s%s: ", row.arch(), name, [...]string{"", ", the patient's right", ", the patient's left"}[row.Half])
	if known == 0 {
		b.WriteString("nothing is probed yet")
		return b.String()
	}
	fmt.Fprintf(&b, "%d sites probed, deepest %s mm at %s %s, %d of 4 mm or more, %d bleeding", known, deepest.depth,
		deepest.ref.Tooth.Label(c.Numbering), deepest.ref.Site, deep, bled)
	return b.String()
}

// columnOf works out where a site lies on the scale.
func columnOf(c *chart.Chart, r chart.SiteRef, o Options) column {
	s := c.Site(r)
	col := column{ref: r, depth: s.Depth, there: s.Depth.Known(), margin: s.Recession.Float(), marginKnown: s.Recession.Known()}
	if d := c.Patient.MarginDefault; !col.marginKnown && d != nil {
		col.margin, col.marginKnown = float64(*d), true
	}
	if o.Earlier == nil || !drawn(r.Tooth, o.Earlier.Tooth(r.Tooth)) {
		return col
	}
	before := columnOf(o.Earlier, r, Options{})
	col.was = before.depth
	// Where a margin is unknown, the depths alone can be compared: from the same margin.
	col.wasBottom = col.margin + before.depth.Float()
	if !col.there || before.marginKnown && col.marginKnown {
		col.wasBottom = before.margin + before.depth.Float()
	}
	return col
}

// scale draws the grid: every second millimetre, and the level of the cemento-enamel junction.
func (d *drawing) scale() {
	for mm := d.span.Top; mm <= d.span.Bottom; mm++ {
		if mm%2 != 0 {
			continue
		}
		y := d.y(float64(mm))
		if mm != 0 {
			d.line("grid", "", Point{left, y}, Point{d.Width - right, y})
		}
		d.text("scale", "", strings.Replace(fmt.Sprint(mm), "-", "−", 1), left-8, y+4, 11, false, End)
	}
	d.text("scale", "", "mm", left-8, d.y(float64(d.span.Top))-6, 11, false, End)
}

// absent leaves a gap for a tooth that is not probed.
func (d *drawing) absent(c *chart.Chart, t chart.Tooth, rec *chart.ToothRecord, x float64) {
	mid := x + 1.5*siteWidth
	d.add(Shape{Kind: Box, Class: "gap", Points: []Point{{x, d.y(float64(d.span.Top))}, {x + 3*siteWidth, d.y(float64(d.span.Bottom))}}})
	d.text("tooth gone", "", t.Label(c.Numbering), mid, labelY, 15, false, Middle)
	why := rec.Presence.String()
	if t.ThirdMolar() && rec.Presence <= chart.Missing {
		return // wisdom teeth count as missing until they are called: the word would say more than is known
	}
	d.text("gone", "", why, mid, d.y(0)+4, 12, false, Middle)
}

// head writes what is to be said of the whole tooth, and draws the level line along it.
func (d *drawing) head(c *chart.Chart, t chart.Tooth, rec *chart.ToothRecord, x float64) {
	mid := x + 1.5*siteWidth
	d.text("tooth", "", t.Label(c.Numbering), mid, labelY, 17, true, Middle)
	var under []string
	if rec.Presence == chart.Implant {
		under = append(under, "implant")
	}
	if rec.Mobility.Recorded() {
		under = append(under, fmt.Sprintf("m%d", rec.Mobility.Value()))
	}
	if len(under) > 0 {
		d.text("under", "", strings.Join(under, " "), mid, underY, 12, false, Middle)
	}
	y := d.y(0)
	if rec.Presence == chart.Implant { // its shoulder is no cemento-enamel junction: a double line
		d.line("level", "", Point{x, y - 1.5}, Point{x + 3*siteWidth, y - 1.5})
		d.line("level", "", Point{x, y + 1.5}, Point{x + 3*siteWidth, y + 1.5})
		return
	}
	d.line("level", "", Point{x, y}, Point{x + 3*siteWidth, y})
}

// bed fills what lies below the bottoms of neighbouring sites.
func (d *drawing) bed(run []column) {
	if len(run) == 0 {
		return
	}
	var top []Point
	for _, c := range run {
		y := d.y(c.margin + c.depth.Float())
		top = append(top, Point{c.x0, y}, Point{c.x1, y})
	}
	foot := d.y(float64(d.span.Bottom)) + foot/2
	area := append([]Point{{run[0].x0, foot}}, top...)
	area = append(area, Point{run[len(run)-1].x1, foot})
	d.add(Shape{Kind: Area, Class: "bed", Points: area})
	d.line("bottom", "", top...)
}

// site draws the water between margin and bottom, with what is written there.
func (d *drawing) site(c *chart.Chart, col column, o Options) {
	key := col.ref.String()
	mid := (col.x0 + col.x1) / 2
	rec := c.Site(col.ref)
	if col.there {
		top, bottom := d.y(col.margin), d.y(col.margin+col.depth.Float())
		step := stepOf(col.depth)
		d.add(Shape{Kind: Box, Class: fmt.Sprintf("water d%d", step), Points: []Point{{col.x0 + 1, top}, {col.x1 - 1, bottom}}, Site: key})
		class := "margin"
		if !col.marginKnown {
			class = "margin assumed"
		}
		d.line(class, key, Point{col.x0, top}, Point{col.x1, top})
	} else if rec.Recession.Known() {
		y := d.y(col.margin)
		d.line("margin", key, Point{col.x0, y}, Point{col.x1, y})
	}
	letters := ""
	if rec.Flags[chart.Bleeding] == chart.Yes {
		letters = "b"
	}
	if rec.Flags[chart.Suppuration] == chart.Yes {
		letters += "s"
	}
	if letters != "" {
		d.text("letter", key, letters, mid, letterY, 15, true, Middle)
	} else if rec.Flags[chart.Bleeding] == chart.No {
		d.text("no", key, "–", mid, letterY, 13, false, Middle)
	}
	if change := col.depth.Half() - col.was.Half(); col.there && col.was.Known() && o.Noise.Known() && max(change, -change) >= o.Noise.Half() {
		d.change(key, mid, change)
	}
}

// was draws the bottoms of the exam before along a tooth, wherever they were measured.
func (d *drawing) was(cols []column) {
	var pts []Point
	for i := range cols {
		if cols[i].was.Known() {
			y := d.y(cols[i].wasBottom)
			pts = append(pts, Point{cols[i].x0, y}, Point{cols[i].x1, y})
		}
		if len(pts) > 0 && (i == len(cols)-1 || !cols[i].was.Known()) {
			d.line("was", "", pts...)
			pts = nil
		}
	}
}

// numbers writes the depths of a tooth.
func (d *drawing) numbers(cols []column, o Options) {
	for _, col := range cols {
		if col.there {
			d.number(col, o.Doubts[col.ref])
		}
	}
}

// number writes a depth: in the water where there is room, else below it.
func (d *drawing) number(col column, doubt bool) {
	top, bottom := d.y(col.margin), d.y(col.margin+col.depth.Float())
	step := stepOf(col.depth)
	size, bold := 13.0, false
	switch {
	case step >= 6:
		size, bold = 17, true
	case step >= 4:
		size, bold = 15, true
	}
	text := col.depth.String()
	class := "number"
	if doubt {
		text += "?"
		class += " doubt"
	}
	if len(text) > 2 { // 3.5, 10?
		size = 11
	}
	y := bottom - 4
	if bottom-top < size+4 {
		y = bottom + size
	} else {
		class += fmt.Sprintf(" i%d", step)
	}
	d.text(class, col.ref.String(), text, (col.x0+col.x1)/2, y, size, bold, Middle)
}

// change marks a change of depth beyond what probing itself varies by.
func (d *drawing) change(key string, x float64, half int) {
	class, sign := "worse", "+"
	if half < 0 {
		class, sign, half = "better", "−", -half
	}
	d.text(class, key, sign+chart.Half(half).String(), x, changeY, 13, class == "worse", Middle)
}

// furcation writes grades in the bed below their entrance, those between the roots' sides in the row that they belong to.
func (d *drawing) furcation(c *chart.Chart, t chart.Tooth, rec *chart.ToothRecord, x float64) {
	for _, e := range t.Entrances() {
		if !rec.Furcation[e].Recorded() {
			continue
		}
		where, here := chart.Mid, true
		switch e {
		case chart.EntranceBuccal:
			here = d.Row.Aspect == chart.Buccal
		case chart.EntranceLingual:
			here = d.Row.Aspect == chart.Lingual
		case chart.EntranceMesial:
			where = chart.Mesial
		case chart.EntranceDistal:
			where = chart.Distal
		}
		if !here {
			continue
		}
		for j, s := range d.Row.sites(t) {
			if s.Where() == where {
				y := d.y(float64(d.span.Bottom)) + foot/2 - 3
				d.text("furcation", "", fmt.Sprintf("f%d", rec.Furcation[e].Value()), x+(float64(j)+0.5)*siteWidth, y, 13, true, Middle)
			}
		}
	}
}
