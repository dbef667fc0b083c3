package profile

import "strings"

// Look is how a shape is printed. Colours are RRGGBB in hexadecimal with a # before them, "" for none.
type Look struct {
	Fill   string
	Stroke string
	Width  float64   // of the stroke, in the picture's units
	Dash   []float64 // lengths drawn and left out; empty: drawn through
}

// Depths are the colours of the steps of the depth scale on paper, and Inks those of the numerals on them; index 1 to 12.
var (
	Depths = [13]string{"", "#f3f0e5", "#f1edde", "#ede8d6", "#83cec8", "#50afb9", "#0078aa", "#105d9d", "#1d438c", "#25337b", "#28236a", "#261555", "#230741"}
	Inks   = [13]string{"", black, black, black, black, black, white, white, white, white, white, white, white}
)

const black, white = "#000000", "#ffffff"

var looks = map[string]Look{
	"grid":    {Stroke: "#dddddd", Width: 1},
	"scale":   {Fill: "#333333"},
	"level":   {Stroke: "#666666", Width: 1.2},
	"gap":     {Fill: "#f2f2f2"},
	"gone":    {Fill: "#333333"},
	"tooth":   {Fill: black},
	"under":   {Fill: black},
	"bed":     {Fill: "#efe9da"},
	"bottom":  {Stroke: "#666666", Width: 1.4},
	"water":   {},
	"margin":  {Stroke: black, Width: 2.6},
	"assumed": {Stroke: black, Width: 1.2, Dash: []float64{3, 3}},
	"number":  {Fill: black},
	"doubt":   {Fill: black},
	"letter":  {Fill: black},
	"no":      {Fill: "#333333"},
	"was":     {Stroke: "#7a0d45", Width: 1.6, Dash: []float64{4, 2.5}},
	"worse":   {Fill: "#7a0d45"},
	"better":  {Fill: "#333333"},

	"furcation": {Fill: black},
}

// Paper is how a shape of a class looks in print. Of several words the later ones say more than the earlier.
func Paper(class string) (l Look) {
	for _, word := range strings.Fields(class) {
		if n := step(word, 'd'); n > 0 {
			l.Fill = Depths[n]
			continue
		}
		if n := step(word, 'i'); n > 0 {
			l.Fill = Inks[n]
			continue
		}
		if x, ok := looks[word]; ok {
			l = x
		}
	}
	return l
}

// step reads a word such as d7 or i12; 0 if it is none.
func step(word string, letter byte) (n int) {
	if len(word) < 2 || len(word) > 3 || word[0] != letter {
		return 0
	}
	for _, c := range word[1:] {
		if c < '0' || c > '9' {
			return 0
		}
		n = 10*n + int(c-'0')
	}
	if n > 12 {
		return 0
	}
	return n
}
