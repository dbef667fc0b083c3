package accuracy

import (
	"fmt"
	"strings"
)

// named are the recordings and noises as the page names them.
var named = map[string]string{
	"fullmouth-joe":    "full mouth, synthetic voice joe",
	"fullmouth-digits": "full mouth, real digits of 22 people",
	"arch-nicolas":     "upper buccal row, a non-native speaker at 8 kHz",
	"mouth-joe":        "mouth-joe: flags, and mistakes put right by voice",
	"mouth-pico":       "mouth-pico: the same by a British synthetic voice",
	"exam-joe":         "every kind of call, Universal",
	"exam-joe-fdi":     "every kind of call, FDI",

	"running-tap": "running tap",
	"babble8":     "babble of eight",
	"chainsaw":    "saw",
	"pink":        "pink noise",
}

// page is the table of recordings in docs/measurements.md: a line for each recording and noise, with a figure for each ratio.
type page struct {
	text strings.Builder
	last take
	line [5][]string // ratios, then wrong, silent, doubts, misheard
	size [2]int      // sites and calls of the recording
}

func (p *page) add(k take, s score) {
	if k.name != p.last.name || k.noise != p.last.noise {
		p.end()
	}
	p.last, p.size = k, [2]int{s.sites, s.calls}
	for i, n := range []int{int(k.ratio), s.wrong, s.unmarked, s.doubts, s.misheard} {
		p.line[i] = append(p.line[i], fmt.Sprint(n))
	}
}

// end writes the line that was begun.
func (p *page) end() {
	if p.last.name == "" {
		return
	}
	condition := "clean"
	if p.last.noise != "" {
		condition = named[p.last.noise] + " at " + strings.Join(p.line[0], ", ") + " dB"
	}
	fmt.Fprintf(&p.text, "| %s | %s | %d |", named[p.last.name], condition, p.size[0])
	for _, n := range p.line[1:] {
		fmt.Fprintf(&p.text, " %s |", strings.Join(n, ", "))
	}
	fmt.Fprintf(&p.text, " %d |\n", p.size[1])
	p.last, p.line = take{}, [5][]string{}
}
