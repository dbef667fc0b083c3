package profile

import (
	"bytes"
	"encoding/xml"
	"strconv"
)

// SVG writes the picture without colours or fonts of its own: its classes get them from the page's style. Every site is a
// group with its key in data-key, over a box of the class hit that takes clicks and shows cursors.
func (p Picture) SVG() []byte {
	var b svg
	b.Grow(16 << 10)
	b.str(`<svg xmlns="http://www.w3.org/2000/svg" class="profile" role="img" data-row="`, p.Row.String(), `" viewBox="0 0 `)
	b.num(tenth(p.Width))
	b.str(" ")
	b.num(tenth(p.Height))
	b.str(`" aria-label="`)
	b.text(p.Title)
	b.str(`">`)
	for _, c := range p.Columns {
		b.str(`<rect class="hit" data-key="`, c.Site, `"`)
		b.rect(c.Left, underY+2, c.Right-c.Left, p.Height-underY-2)
		b.str(`/>`)
	}
	for i := range p.Shapes {
		b.shape(&p.Shapes[i])
	}
	b.str(`</svg>`)
	return b.Bytes()
}

// svg is a picture that is being written.
type svg struct{ bytes.Buffer }

func (b *svg) str(parts ...string) {
	for _, s := range parts {
		b.WriteString(s)
	}
}

func (b *svg) text(s string) { _ = xml.EscapeText(b, []byte(s)) } // a Buffer takes everything

func (b *svg) num(f float64) { b.Write(strconv.AppendFloat(b.AvailableBuffer(), f, 'f', -1, 64)) }

// tenth rounds to a tenth of a unit, which is far less than a pixel.
func tenth(f float64) float64 { return float64(int(f*10+0.5)) / 10 }

// at writes a place or a size as an attribute.
func (b *svg) at(name string, f float64) {
	b.str(" ", name, `="`)
	b.num(tenth(f))
	b.str(`"`)
}

// rect writes where a box lies.
func (b *svg) rect(x, y, width, height float64) {
	b.at("x", x)
	b.at("y", y)
	b.at("width", width)
	b.at("height", height)
}

func (b *svg) shape(s *Shape) {
	switch s.Kind {
	case Box:
		b.str(`<rect class="`, s.Class, `"`)
		a, z := s.Points[0], s.Points[1]
		b.rect(a.X, a.Y, z.X-a.X, z.Y-a.Y)
	case Line:
		b.points("polyline", s)
	case Area:
		b.points("polygon", s)
	case Text:
		b.str(`<text class="`, s.Class, `"`)
		b.at("x", s.Points[0].X)
		b.at("y", s.Points[0].Y)
		b.at("font-size", s.Size)
		if s.Bold {
			b.str(` font-weight="700"`)
		}
		b.str(` text-anchor="`, [...]string{"middle", "start", "end"}[s.Anchor], `"`)
	}
	if s.Site != "" {
		b.str(` data-key="`, s.Site, `"`)
	}
	if s.Kind == Text {
		b.str(`>`)
		b.text(s.Text)
		b.str(`</text>`)
		return
	}
	b.str(`/>`)
}

func (b *svg) points(tag string, s *Shape) {
	b.str(`<`, tag, ` class="`, s.Class, `" points="`)
	for i, pt := range s.Points {
		if i > 0 {
			b.str(" ")
		}
		b.num(tenth(pt.X))
		b.str(",")
		b.num(tenth(pt.Y))
	}
	b.str(`"`)
}
