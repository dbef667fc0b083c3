package profile

import (
	"bytes"
	"encoding/xml"
	"strconv"
)

// SVG writes the picture without colours or fonts of its own: its classes get them from the page's style. Every site is a
// group with its key in data-key, over a box of the class hit that takes clicks and shows cursors.
func (p Picture) SVG() []byte {
	var b bytes.Buffer
	b.Grow(16 << 10)
	str := func(parts ...string) {
		for _, s := range parts {
			b.WriteString(s)
		}
	}
	esc := func(s string) { _ = xml.EscapeText(&b, []byte(s)) } // a Buffer takes everything
	num := func(f float64) { b.Write(strconv.AppendFloat(b.AvailableBuffer(), f, 'f', -1, 64)) }
	// A tenth of a unit is far less than a pixel.
	round := func(f float64) float64 { return float64(int(f*10+0.5)) / 10 }
	pos := func(name string, f float64) { str(" ", name, `="`); num(round(f)); str(`"`) }
	str(`<svg xmlns="http://www.w3.org/2000/svg" class="profile" role="img" data-row="`, p.Row.String(), `" viewBox="0 0 `)
	num(round(p.Width))
	str(" ")
	num(round(p.Height))
	str(`" aria-label="`)
	esc(p.Title)
	str(`">`)
	for _, c := range p.Columns {
		str(`<rect class="hit" data-key="`, c.Site, `"`)
		pos("x", c.Left)
		pos("y", underY+2)
		pos("width", c.Right-c.Left)
		pos("height", p.Height-underY-2)
		str(`/>`)
	}
	for _, s := range p.Shapes {
		switch s.Kind {
		case Box:
			a, z := s.Points[0], s.Points[1]
			str(`<rect class="`, s.Class, `"`)
			pos("x", a.X)
			pos("y", a.Y)
			pos("width", z.X-a.X)
			pos("height", z.Y-a.Y)
		case Line, Area:
			tag := "polyline"
			if s.Kind == Area {
				tag = "polygon"
			}
			str(`<`, tag, ` class="`, s.Class, `" points="`)
			for i, pt := range s.Points {
				if i > 0 {
					str(" ")
				}
				num(round(pt.X))
				str(",")
				num(round(pt.Y))
			}
			str(`"`)
		case Text:
			str(`<text class="`, s.Class, `"`)
			pos("x", s.Points[0].X)
			pos("y", s.Points[0].Y)
			pos("font-size", s.Size)
			if s.Bold {
				str(` font-weight="700"`)
			}
			str(` text-anchor="`, [...]string{"middle", "start", "end"}[s.Anchor], `"`)
		}
		if s.Site != "" {
			str(` data-key="`, s.Site, `"`)
		}
		if s.Kind == Text {
			str(`>`)
			esc(s.Text)
			str(`</text>`)
			continue
		}
		str(`/>`)
	}
	str(`</svg>`)
	return b.Bytes()
}
