package web

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"math"
	"net/http/httptest"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// palette reads the tokens of a theme: its own over the light ones, variables resolved.
func palette(t *testing.T, theme string) map[string]string {
	t.Helper()
	css, err := staticFiles.ReadFile("static/look/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	vars := map[string]string{}
	block := regexp.MustCompile(`(?s)([^{}]+)\{([^{}]*)\}`)
	decl := regexp.MustCompile(`--([a-z0-9-]+):\s*([^;]+);`)
	for _, b := range block.FindAllStringSubmatch(string(css), -1) {
		sel := b[1]
		// Print comes inside @media print: its selector names all themes at once.
		all := strings.Contains(sel, `[data-theme="light"], :root[data-theme="dark"]`)
		use := strings.HasSuffix(strings.TrimSpace(sel), ":root") || strings.Contains(sel, `:root[data-theme="`+theme+`"]`) && !all || theme == "dark" && strings.Contains(sel, `"light"`) && !all || theme == "print" && (all || strings.Contains(sel, `"light"`))
		if !use {
			continue
		}
		for _, d := range decl.FindAllStringSubmatch(b[2], -1) {
			vars[d[1]] = strings.TrimSpace(d[2])
		}
	}
	return vars
}

// luminance and contrast as defined by WCAG 2.2 (relative luminance, contrast ratio).
func luminance(t *testing.T, vars map[string]string, name string) float64 {
	t.Helper()
	v := vars[name]
	for strings.HasPrefix(v, "var(--") {
		v = vars[strings.TrimSuffix(strings.TrimPrefix(v, "var(--"), ")")]
	}
	if len(v) == 4 {
		v = "#" + string([]byte{v[1], v[1], v[2], v[2], v[3], v[3]})
	}
	n, err := strconv.ParseUint(strings.TrimPrefix(v, "#"), 16, 32)
	if err != nil || len(v) != 7 {
		t.Fatalf("token %s is %q, not a colour", name, v)
	}
	lin := func(c uint64) float64 {
		s := float64(c&255) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(n>>16) + 0.7152*lin(n>>8) + 0.0722*lin(n)
}

func TestContrast(t *testing.T) {
	for _, theme := range []string{"light", "dark", "print"} {
		vars := palette(t, theme)
		contrast := func(a, b string) float64 {
			x, y := luminance(t, vars, a), luminance(t, vars, b)
			return (max(x, y) + 0.05) / (min(x, y) + 0.05)
		}
		check := func(a, b string, least float64, why string) {
			if c := contrast(a, b); c < least {
				t.Errorf("%s: %s on %s has contrast %.2f, needs %.1f (%s)", theme, a, b, c, least, why)
			}
		}
		for _, ground := range []string{"ground", "surface", "sunk"} {
			check("ink", ground, 7, "text; WCAG 2.2, 1.4.6")
			check("ink-soft", ground, 4.5, "text; 1.4.3")
			check("accent", ground, 4.5, "text and focus; 1.4.3, 1.4.11")
			check("edge", ground, 3, "borders of controls; 1.4.11")
		}
		check("on-accent", "accent", 4.5, "text; 1.4.3")
		check("on-block", "block", 7, "text; 1.4.6")
		check("ink", "bed", 7, "numerals of the profile; 1.4.6")
		check("accent", "bed", 4.5, "the earlier exam in the profile; 1.4.3")
		// The depth scale: numerals on every step, and steps that go one way, away from the ground.
		side := 1.0
		if luminance(t, vars, "ground") > 0.5 {
			side = -1
		}
		before := -math.MaxFloat64
		for d := 1; d <= 12; d++ {
			fill, ink := fmt.Sprintf("d%d", d), fmt.Sprintf("i%d", d)
			check(ink, fill, 4.5, "numerals; 1.4.3")
			l := side * luminance(t, vars, fill)
			if l <= before {
				t.Errorf("%s: step %d of the depth scale does not lie beyond the one before", theme, d)
			}
			before = l
		}
	}
}

// A colour in linear light, red, green and blue from 0 to 1.
type light [3]float64

func lightOf(t *testing.T, vars map[string]string, name string) (c light) {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(vars[name], "#"), 16, 32)
	if err != nil || len(vars[name]) != 7 {
		t.Fatalf("token %s is %q, not a colour", name, vars[name])
	}
	for i := range c {
		v := float64(n>>(16-8*i)&255) / 255
		if v <= 0.04045 {
			c[i] = v / 12.92
		} else {
			c[i] = math.Pow((v+0.055)/1.055, 2.4)
		}
	}
	return c
}

func (c light) through(m [3]light) (out light) {
	for i := range out {
		out[i] = max(0, m[i][0]*c[0]+m[i][1]*c[1]+m[i][2]*c[2])
	}
	return out
}

// oklab is the colour in a space where distance is what the eye sees. Source: Ottosson 2020, "A perceptual color space for
// image processing" (OKLab), also CSS Color 4, section 9.2; matrices from memory.
func (c light) oklab() (l, a, b float64) {
	x := c.through([3]light{{0.4122214708, 0.5363325363, 0.0514459929}, {0.2119034982, 0.6806995451, 0.1073969566}, {0.0883024619, 0.2817188376, 0.6299787005}})
	for i := range x {
		x[i] = math.Cbrt(x[i])
	}
	return 0.2104542553*x[0] + 0.7936177850*x[1] - 0.0040720468*x[2],
		1.9779984951*x[0] - 2.4285922050*x[1] + 0.4505937099*x[2],
		0.0259040371*x[0] + 0.7827717662*x[1] - 0.8086757660*x[2]
}

// eyes are those that see all colours, and those of whom one kind of cones is missing. Source: Machado, Oliveira, Fernandes 2009,
// doi:10.1109/TVCG.2009.113, matrices for severity 1.0, from memory.
var eyes = map[string][3]light{
	"all colours":  {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

// For every eye a deeper step lies further from the surface in lightness, and the steps that decide are plain: 3 and 4 mm, 5 and
// 6 mm, 6 and 10 mm, 6 and 12 mm. A difference of 0.02 in OKLab is about the least that is seen (CSS Color 4 takes it for gamut
// mapping); the steps that decide have four times that and more.
func TestDepthStepsForAllEyes(t *testing.T) {
	for _, theme := range []string{"light", "dark", "print"} {
		vars := palette(t, theme)
		for eye, m := range eyes {
			var steps [13][3]float64
			for d := range steps {
				name := fmt.Sprintf("d%d", d)
				if d == 0 {
					name = map[string]string{"light": "paper-0", "dark": "night-1"}[theme]
					if theme == "print" {
						vars["white"], name = "#ffffff", "white"
					}
				}
				steps[d][0], steps[d][1], steps[d][2] = lightOf(t, vars, name).through(m).oklab()
			}
			apart := func(a, b int) float64 {
				x, y := steps[a], steps[b]
				return math.Sqrt((x[0]-y[0])*(x[0]-y[0]) + (x[1]-y[1])*(x[1]-y[1]) + (x[2]-y[2])*(x[2]-y[2]))
			}
			for d := 2; d <= 12; d++ {
				if now, before := math.Abs(steps[d][0]-steps[0][0]), math.Abs(steps[d-1][0]-steps[0][0]); now <= before {
					t.Errorf("%s, %s: %d mm stands out by %.3f, %d mm by %.3f", theme, eye, d, now, d-1, before)
				}
			}
			for _, p := range [][2]int{{3, 4}, {5, 6}, {6, 10}, {6, 12}} {
				if a := apart(p[0], p[1]); a < 0.08 {
					t.Errorf("%s, %s: %d and %d mm lie only %.3f apart", theme, eye, p[0], p[1], a)
				}
			}
		}
	}
}

// The same depth has the same hue in every theme.
func TestDepthHues(t *testing.T) {
	hue := func(theme string, d int) float64 {
		_, a, b := lightOf(t, palette(t, theme), fmt.Sprintf("d%d", d)).oklab()
		return math.Atan2(b, a) * 180 / math.Pi
	}
	for d := 1; d <= 12; d++ {
		for _, theme := range []string{"dark", "print"} {
			if diff := math.Abs(math.Remainder(hue("light", d)-hue(theme, d), 360)); diff > 10 {
				t.Errorf("%d mm: the hue in %s lies %.0f degrees from that in light", d, theme, diff)
			}
		}
	}
}

// Pages take their colours from the tokens: a colour written elsewhere would miss a theme and its
// contrast check.
func TestColoursOnlyInTokens(t *testing.T) {
	s := newStatic()
	colour := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|\b(rgb|hsl|oklch)a?\(`)
	for name, b := range s.files {
		if !strings.HasSuffix(name, ".css") || name == "look/tokens.css" {
			continue
		}
		for i, line := range strings.Split(string(b), "\n") {
			if m := colour.FindString(line); m != "" && !strings.Contains(line, "url(#") && !strings.Contains(line, "::backdrop") {
				t.Errorf("%s:%d has a colour of its own: %s", name, i+1, m)
			}
		}
	}
}

// PrintTokens reads a colour of a depth in print, in six digits, for tests outside of the package.
func PrintTokens(t *testing.T) func(name string, step int) string {
	vars := palette(t, "print")
	return func(name string, step int) string {
		v := vars[fmt.Sprintf("%s%d", name, step)]
		if len(v) == 4 {
			v = "#" + strings.Repeat(v[1:2], 2) + strings.Repeat(v[2:3], 2) + strings.Repeat(v[3:4], 2)
		}
		return v
	}
}

// All files of the page, as a browser gets them, are smaller than 300 KB: the first view needs most of them.
func TestFirstViewIsSmall(t *testing.T) {
	s := newStatic()
	total := len(s.page)
	for name, b := range s.files {
		if small := s.small[name]; small != nil {
			b = small
		}
		if !strings.HasSuffix(name, ".txt") {
			total += len(b)
		}
	}
	t.Logf("%d bytes", total)
	if total > 300_000 {
		t.Errorf("%d bytes", total)
	}
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "/", nil)
	r.SetPathValue("file", "app/app.js")
	r.SetPathValue("hash", s.hash)
	r.Header.Set("Accept-Encoding", "gzip, br")
	s.serve(w, r)
	z, err := gzip.NewReader(w.Body)
	if err != nil || w.Header().Get("Content-Encoding") != "gzip" {
		t.Fatalf("%v, %v", err, w.Header())
	}
	if b, err := io.ReadAll(z); err != nil || !bytes.Equal(b, s.files["app/app.js"]) {
		t.Errorf("the compressed file is another one: %v", err)
	}
}
