// Package paper writes what is printed as PDF: the report of an exam for clinicians, the page for the patient, and letters. Fonts are
// embedded, the language and title of the document are set, headings are bookmarks, all is tagged; the same record gives the same bytes.
package paper

import (
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"leadsman/profile"
)

//go:embed fonts/regular.ttf
var regular []byte

//go:embed fonts/bold.ttf
var bold []byte

// Size is a size of paper.
type Size struct{ Width, Height float64 } // mm, upright

// The sizes that are offered.
var (
	a4          = Size{210, 297}
	letterPaper = Size{215.9, 279.4}
)

// ParseSize reads "a4" or "letter"; "" is A4.
func ParseSize(s string) (Size, error) {
	switch strings.ToLower(s) {
	case "", "a4":
		return a4, nil
	case "letter":
		return letterPaper, nil
	}
	return Size{}, fmt.Errorf("paper %q: use a4 or letter", s)
}

const (
	margin   = 15.0 // mm
	footRoom = 16.0
	point    = 25.4 / 72 // mm
)

// doc is a document that is being written.
type doc struct {
	*fpdf.Fpdf
	size   Size
	foot   string  // on every page
	pageOf string  // "page %d of %s"
	lead   float64 // height of a line, by its letters'
	tags   tags
}

// begin opens a document about something that was made at a time; language is a tag such as "en".
func begin(size Size, title, language, foot, pageOf string, at time.Time) *doc {
	d := &doc{Fpdf: fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: size.Width, Ht: size.Height}}), size: size, foot: foot, pageOf: pageOf, lead: 1.35}
	d.tags = tags{root: element{kind: "Document"}, pages: map[int][]*element{}}
	d.tags.in = &d.tags.root
	d.SetAcceptPageBreakFunc(func() bool { d.pause(); return true })
	d.SetHeaderFuncMode(d.resume, false)
	d.SetCatalogSort(true)
	d.SetCreationDate(at.UTC())
	d.SetModificationDate(at.UTC())
	d.SetTitle(title, true)
	d.SetLang(language)
	d.SetProducer("Leadsman", true)
	d.AddUTF8FontFromBytes("text", "", regular)
	d.AddUTF8FontFromBytes("text", "B", bold)
	d.SetMargins(margin, margin, margin)
	d.SetAutoPageBreak(true, footRoom)
	d.AliasNbPages("{pages}")
	d.SetFooterFunc(func() { d.beside(d.footer) })
	return d
}

// footer says at the foot of a page whose it is.
func (d *doc) footer() {
	w, h := d.GetPageSize()
	d.font("", 8)
	d.SetTextColor(60, 60, 60)
	d.SetXY(margin, h-footRoom+4)
	// How many pages there are is not known yet: the place is made for two digits.
	number := d.GetStringWidth(fmt.Sprintf(d.pageOf, d.PageNo(), "88"))
	d.CellFormat(w-2*margin-number, 4, d.fit(d.foot, w-2*margin-number-2), "", 0, "L", false, 0, "")
	d.CellFormat(number, 4, fmt.Sprintf(d.pageOf, d.PageNo(), "{pages}"), "", 0, "L", false, 0, "")
	d.SetTextColor(0, 0, 0)
}

// upright and across begin a page.
func (d *doc) upright() { d.AddPageFormat("P", fpdf.SizeType{Wd: d.size.Width, Ht: d.size.Height}) }
func (d *doc) across()  { d.AddPageFormat("L", fpdf.SizeType{Wd: d.size.Width, Ht: d.size.Height}) }

func (d *doc) font(style string, points float64) { d.SetFont("text", style, points) }

// wide is the width between the margins.
func (d *doc) wide() float64 { w, _ := d.GetPageSize(); return w - 2*margin }

// fit cuts a text to a width.
func (d *doc) fit(text string, width float64) string {
	if d.GetStringWidth(text) <= width {
		return text
	}
	r := []rune(text)
	for len(r) > 0 && d.GetStringWidth(string(r)+" …") > width {
		r = r[:len(r)-1]
	}
	return string(r) + " …"
}

// need begins a page if less than so many millimetres are left on this one.
func (d *doc) need(mm float64) {
	if _, h := d.GetPageSize(); d.GetY()+mm > h-footRoom {
		d.upright()
	}
}

// heading writes a title of level 0 to 2, which is a bookmark too.
func (d *doc) heading(level int, text string) {
	points := []float64{18, 13, 11}[level]
	d.need(points*point*1.4 + 14)
	if level > 0 {
		d.Ln(3)
	}
	d.font("B", points)
	d.Bookmark(text, level, -1)
	d.as(fmt.Sprintf("H%d", level+1), "", func() { d.MultiCell(0, points*point*1.25, text, "", "L", false) })
	d.Ln(1)
}

// say writes a paragraph.
func (d *doc) say(style string, points float64, text string) {
	d.font(style, points)
	d.as("P", "", func() { d.MultiCell(0, points*point*d.lead, text, "", "L", false) })
}

// bullet writes a paragraph with a dash before it.
func (d *doc) bullet(points float64, text string) {
	d.font("", points)
	left := d.GetX()
	d.as("P", "", func() {
		d.CellFormat(4, points*point*d.lead, "–", "", 0, "L", false, 0, "")
		d.SetLeftMargin(left + 4)
		d.MultiCell(0, points*point*d.lead, text, "", "L", false)
	})
	d.SetLeftMargin(left)
	d.SetX(left)
}

// rows writes a table of two columns: what, and its value.
func (d *doc) rows(first float64, lines [][2]string) {
	const points, height = 9.5, 9.5 * point * 1.4
	d.within("Table", func() {
		for _, l := range lines {
			if l[1] == "" {
				continue
			}
			d.need(height)
			d.within("TR", func() {
				d.font("B", points)
				d.as("TH", "Row", func() { d.CellFormat(first, height, l[0], "", 0, "L", false, 0, "") })
				d.font("", points)
				d.as("TD", "", func() { d.MultiCell(d.wide()-first, height, l[1], "", "L", false) })
			})
		}
	})
}

// end writes the document.
func (d *doc) end(w io.Writer) error {
	var raw bytes.Buffer
	err := d.Output(&raw)
	if err == nil {
		err = d.tags.update(w, raw.Bytes())
	}
	if err != nil {
		return fmt.Errorf("write the PDF: %w", err)
	}
	return nil
}

// draw places a picture so that it has a width; it gives the height that it takes.
func (d *doc) draw(p *profile.Picture, x, y, width float64) float64 {
	at := placed{x, y, width / p.Width}
	for i := range p.Shapes {
		s := &p.Shapes[i]
		look := profile.Paper(s.Class)
		if s.Kind == profile.Line {
			look.Fill = ""
		}
		style := d.dip(&look, at.scale)
		switch {
		case s.Kind == profile.Text:
			d.label(s, &look, at)
		case style != "":
			d.shape(s, style, at)
		}
		d.SetDashPattern(nil, 0)
	}
	d.SetTextColor(0, 0, 0)
	d.SetDrawColor(0, 0, 0)
	d.SetLineWidth(0.2)
	return p.Height * at.scale
}

// placed is where a picture stands on the paper, with the millimetres that a unit of it takes.
type placed struct{ x, y, scale float64 }

func (at placed) point(p profile.Point) (x, y float64) {
	return at.x + p.X*at.scale, at.y + p.Y*at.scale
}

// dip takes the colours and the pen of a look. It gives the style of what is drawn: F filled, D with a line, FD both, or none.
func (d *doc) dip(look *profile.Look, scale float64) (style string) {
	if look.Fill != "" {
		d.SetFillColor(rgb(look.Fill))
		style = "F"
	}
	if look.Stroke != "" {
		d.SetDrawColor(rgb(look.Stroke))
		d.SetLineWidth(look.Width * scale)
		dash := make([]float64, len(look.Dash))
		for i, l := range look.Dash {
			dash[i] = l * scale
		}
		d.SetDashPattern(dash, 0)
		style += "D"
	}
	return style
}

// shape draws a box, a line or an area.
func (d *doc) shape(s *profile.Shape, style string, at placed) {
	switch s.Kind {
	case profile.Box:
		a, z := s.Points[0], s.Points[1]
		x, y := at.point(a)
		d.Rect(x, y, (z.X-a.X)*at.scale, (z.Y-a.Y)*at.scale, style)
	case profile.Line:
		for i := 1; i < len(s.Points); i++ {
			x, y := at.point(s.Points[i-1])
			toX, toY := at.point(s.Points[i])
			d.Line(x, y, toX, toY)
		}
	case profile.Area:
		pts := make([]fpdf.PointType, len(s.Points))
		for i, p := range s.Points {
			pts[i].X, pts[i].Y = at.point(p)
		}
		d.Polygon(pts, style)
	}
}

// label writes the text of a shape.
func (d *doc) label(s *profile.Shape, look *profile.Look, at placed) {
	weight := ""
	if s.Bold {
		weight = "B"
	}
	d.font(weight, s.Size*at.scale/point)
	if look.Fill != "" {
		d.SetTextColor(rgb(look.Fill))
	}
	x, y := at.point(s.Points[0])
	switch w := d.GetStringWidth(s.Text); s.Anchor {
	case profile.Middle:
		x -= w / 2
	case profile.End:
		x -= w
	}
	d.Text(x, y, s.Text)
}

func rgb(hex string) (r, g, b int) {
	v, err := strconv.ParseUint(strings.TrimPrefix(hex, "#"), 16, 32)
	if err != nil {
		return 0, 0, 0
	}
	return int(v >> 16), int(v >> 8 & 255), int(v & 255)
}
