package paper

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"leadsman/chart"
)

// pen draws the picture of the mouth, on paper or for a screen; in millimetres from the middle of its upper edge.
type pen interface {
	circle(x, y, r float64)
	square(x, y, half float64)
	gone(x, y float64)                     // a tooth that is not there
	word(x, y, align float64, text string) // align: what part of the text lies left of x
	badge(x, y float64, number int)        // a step's number
}

// Measures of the picture, mm.
const (
	archWide, archDeep = 46.0, 30.0 // half axes of an arch
	mapWide            = 160.0
	mapTall            = 2*archDeep + 30
)

// placed reports whether any step has a place to be shown.
func (p *Page) placed() bool {
	return slices.ContainsFunc(p.steps, func(s step) bool { return len(s.gaps)+len(s.teeth) > 0 })
}

// spot is a point of an arch by the place in it, 0.5 to 15.5 from the patient's right to left, and how far outside of it.
func spot(place float64, upper bool, out float64) (x, y float64) {
	angle := (place - 7.5) / 15 * 168 * math.Pi / 180
	x, y = (archWide+out)*math.Sin(angle), (archDeep+out)*math.Cos(angle)
	if upper {
		return x, archDeep + 4 - y
	}
	return x, archDeep + 16 + y
}

// arches draws the two arches as seen facing the patient, with the number of each step at its places.
func (p *Page) arches(to pen) {
	for _, t := range chart.AllTeeth() {
		x, y := spot(float64(t.ArchPosition()-1), t.Upper(), 0)
		size := 2.5
		if t.Molar() {
			size = 3.4
		}
		switch rec := p.r.Chart.Tooth(t); rec.Presence {
		case chart.Missing, chart.Unerupted:
			to.gone(x, y)
		case chart.Implant:
			to.square(x, y, size)
		default:
			to.circle(x, y, size)
		}
	}
	to.word(0, archDeep+4, 0.5, p.m.say("jaw.upper"))
	to.word(0, archDeep+20, 0.5, p.m.say("jaw.lower"))
	to.word(-archWide-10, archDeep+12, 1, p.m.say("side.right"))
	to.word(archWide+10, archDeep+12, 0, p.m.say("side.left"))
	type at struct {
		place float64
		upper bool
	}
	taken := map[at]float64{} // how far out the next number stands
	for i, s := range p.steps {
		marked := map[at]bool{}
		put := func(place float64, upper bool) {
			here := at{place, upper}
			if marked[here] {
				return
			}
			marked[here] = true
			x, y := spot(place, upper, 7+taken[here])
			taken[here] += 5
			to.badge(x, y, i+1)
		}
		for _, g := range s.gaps {
			put(float64(g.A.ArchPosition()+g.B.ArchPosition())/2-1, g.A.Upper())
		}
		for _, t := range s.teeth {
			if !t.Tooth.Primary() {
				put(float64(t.Tooth.ArchPosition()-1), t.Tooth.Upper())
			}
		}
	}
}

// ink is the pen of a PDF.
type ink struct {
	*doc
	x, y float64
}

func (k *ink) circle(x, y, r float64)    { k.Circle(k.x+x, k.y+y, r, "D") }
func (k *ink) square(x, y, half float64) { k.Rect(k.x+x-half, k.y+y-half, 2*half, 2*half, "D") }
func (k *ink) gone(x, y float64) {
	k.SetDrawColor(150, 150, 150)
	k.Line(k.x+x-1, k.y+y, k.x+x+1, k.y+y)
	k.SetDrawColor(0, 0, 0)
}

func (k *ink) word(x, y, align float64, text string) {
	k.font("", 10)
	k.Text(k.x+x-align*k.GetStringWidth(text), k.y+y, text)
}

func (k *ink) badge(x, y float64, number int) {
	k.SetFillColor(0, 0, 0)
	k.Circle(k.x+x, k.y+y, 2.2, "F")
	k.font("B", 7.5)
	k.SetTextColor(255, 255, 255)
	n := fmt.Sprint(number)
	k.Text(k.x+x-k.GetStringWidth(n)/2, k.y+y+0.95, n)
	k.SetTextColor(0, 0, 0)
}

// markup is the pen of a screen.
type markup struct{ strings.Builder }

func (k *markup) circle(x, y, r float64) {
	fmt.Fprintf(k, `<circle class="body" cx="%.2f" cy="%.2f" r="%.2f"/>`, x, y, r)
}

func (k *markup) square(x, y, half float64) {
	fmt.Fprintf(k, `<rect class="body" x="%.2f" y="%.2f" width="%.2f" height="%.2f"/>`, x-half, y-half, 2*half, 2*half)
}

func (k *markup) gone(x, y float64) {
	fmt.Fprintf(k, `<path class="gone" d="M%.2f %.2fh2"/>`, x-1, y)
}

func (k *markup) word(x, y, align float64, text string) {
	anchor := []string{"start", "middle", "end"}[int(2*align)]
	fmt.Fprintf(k, `<text class="word" x="%.2f" y="%.2f" text-anchor="%s">%s</text>`, x, y, anchor, html.EscapeString(text))
}

func (k *markup) badge(x, y float64, number int) {
	fmt.Fprintf(k, `<circle class="badge" cx="%.2f" cy="%.2f" r="2.2"/><text class="number" x="%.2f" y="%.2f" text-anchor="middle">%d</text>`, x, y, x, y+1, number)
}

// SVG is the picture of the mouth for a screen, without colours.
func (p *Page) SVG() string {
	k := &markup{}
	fmt.Fprintf(k, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="%g -9 %g %g" role="img" lang="%s"><title>%s</title>`, -mapWide/2, mapWide, mapTall+9, html.EscapeString(p.m.Tag),
		html.EscapeString(p.m.say("section.mouth")+". "+p.m.say("mouth.note")))
	p.arches(k)
	k.WriteString("</svg>")
	return k.String()
}
