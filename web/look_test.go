package web

import (
	"fmt"
	"math"
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
		// The depth scale: numerals on every step, and steps that go one way, away from the ground.
		side := 1.0
		if luminance(t, vars, "ground") > 0.5 {
			side = -1
		}
		before := -math.MaxFloat64
		for d := 4; d <= 10; d++ {
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

// The shades are those of the cividis scale (Nuñez, Anderton, Renslow 2018, PLoS ONE 13(7):e0199239),
// by the polynomial of d3-scale-chromatic 3.1.1, which is an independent implementation of it.
func TestDepthShadesAreCividis(t *testing.T) {
	css, err := staticFiles.ReadFile("static/look/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`--cividis-(\d+): #([0-9a-f]{6});`).FindAllStringSubmatch(string(css), -1)
	if len(found) < 10 {
		t.Fatalf("%d steps found", len(found))
	}
	byteOf := func(x float64) uint64 { return uint64(max(0, min(255, math.Round(x)))) }
	for _, f := range found {
		pc, _ := strconv.Atoi(f[1])
		x := float64(pc) / 100
		r := byteOf(-4.54 - x*(35.34-x*(2381.73-x*(6402.7-x*(7024.72-x*2710.57)))))
		g := byteOf(32.49 + x*(170.73+x*(52.82-x*(131.46-x*(176.58-x*67.37)))))
		b := byteOf(81.24 + x*(442.36-x*(2482.43-x*(6167.24-x*(6614.94-x*2475.67)))))
		if want := fmt.Sprintf("%06x", r<<16|g<<8|b); want != f[2] {
			t.Errorf("step %s is %s, cividis has %s", f[1], f[2], want)
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
