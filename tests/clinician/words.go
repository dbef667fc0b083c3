package clinician

import (
	"slices"
	"strconv"
	"strings"

	"leadsman/chart"
)

// meaning is what a person takes out of words of the tool.
type meaning struct {
	tooth     int // in Universal numbering; 0: none is named
	aspect    chart.Aspect
	hasAspect bool
	where     []chart.Where // sites named
	values    []int         // numbers read or asked; -1 is "missing"
	notFull   bool          // "two of three", "again, 14 buccal, please"
	oneByOne  bool
	leftOpen  bool
	complete  bool // asks whether the exam is complete
	sayValue  bool // asks for a value without naming one
	presence  bool // asks whether teeth are missing and the like
}

// before and after cut a question at its colon: "14 mesial buccal: 7?".
func before(text string) string {
	if i := strings.LastIndexByte(text, ':'); i >= 0 {
		return text[:i]
	}
	return ""
}

func after(text string) string {
	if i := strings.LastIndexByte(text, ':'); i >= 0 {
		return text[i+1:]
	}
	return text
}

// tokens gives the words of a text; numerals and number words below 40 as numerals.
func tokens(text string) (out []string) {
	for _, f := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return strings.ContainsRune(" .,;:?!", r) }) {
		n := -1
		if v, err := strconv.Atoi(f); err == nil {
			n = v
		} else if v := slices.Index(units, f); v >= 0 {
			n = v
		} else if v := slices.Index([]string{"twenty", "thirty"}, f); v >= 0 {
			n = 20 + 10*v
		}
		if n >= 0 {
			if k := len(out) - 1; n > 0 && n < 10 && k >= 0 && (out[k] == "20" || out[k] == "30") && f == units[n] {
				was, _ := strconv.Atoi(out[k])
				out[k] = strconv.Itoa(was + n)
				continue
			}
			f = strconv.Itoa(n)
		}
		out = append(out, f)
	}
	return out
}

// numerals gives the numbers in a text, -1 for "missing".
func numerals(text string) (out []int) {
	for _, t := range tokens(text) {
		if n, err := strconv.Atoi(t); err == nil {
			out = append(out, n)
		} else if t == "missing" {
			out = append(out, -1)
		}
	}
	return out
}

var (
	whereWords  = map[string]chart.Where{"mesial": chart.Mesial, "distal": chart.Distal, "mid": chart.Mid, "middle": chart.Mid}
	aspectWords = map[string]chart.Aspect{"buccal": chart.Buccal, "facial": chart.Buccal, "lingual": chart.Lingual, "palatal": chart.Lingual}
)

// understand takes the meaning out of words: the place named last, the sites with it, the values.
func understand(text string) meaning {
	var m meaning
	low := strings.ToLower(text)
	m.oneByOne = strings.Contains(low, "one by one")
	m.leftOpen = strings.Contains(low, "left open")
	m.complete = strings.Contains(low, "complete?")
	m.sayValue = strings.Contains(low, "the value")
	toks := tokens(text)
	of := slices.Index(toks, "of")
	m.notFull = of > 0 && of+1 < len(toks) && isNumber(toks[of-1]) && isNumber(toks[of+1]) || len(toks) > 0 && toks[0] == "again"
	place := tokens(before(text))
	colon := strings.Contains(text, ":")
	if !colon {
		place = toks
	}
	number, at := 0, -9
	for i, t := range place {
		if n, err := strconv.Atoi(t); err == nil {
			number, at = n, i
			if i > 0 && place[i-1] == "tooth" || colon {
				m.tooth = n
			}
		}
		if w, ok := whereWords[t]; ok {
			m.where = append(m.where, w)
		}
		if a, ok := aspectWords[t]; ok {
			m.aspect, m.hasAspect = a, true
			if i-at <= 3 {
				m.tooth = number
			}
		}
		m.presence = m.presence || i == 0 && (t == "missing" || t == "implant" || t == "unerupted" || t == "present")
	}
	if colon || m.tooth == 0 && !m.hasAspect && !m.notFull && !m.oneByOne {
		m.values = numerals(after(text))
	}
	if m.notFull || !colon && slices.ContainsFunc(toks, func(t string) bool { return !isNumber(t) && !readBack[t] }) {
		m.values = nil // numbers in a sentence
	}
	return m
}

// readBack are the words that stand beside numbers that are read back or asked.
var readBack = map[string]bool{"missing": true, "margin": true, "minus": true, "no": true, "bleeding": true, "suppuration": true, "plaque": true, "calculus": true,
	"or": true, "and": true, "a": true, "half": true}

func isNumber(s string) bool { _, err := strconv.Atoi(s); return err == nil }

// names reports whether a meaning names a place, and at which index of the mouth it is; here is where the person is,
// for what is left out.
func (m meaning) names(mouth Mouth, here int) (int, bool) {
	if m.tooth == 0 && !m.hasAspect {
		return here, false
	}
	at := mouth[here].Place
	if m.tooth > 0 {
		t, err := chart.ToothFromUniversal(m.tooth)
		if err != nil {
			return -1, true
		}
		at.Tooth = t
	}
	if m.hasAspect {
		at.Aspect = m.aspect
	}
	return mouth.find(at), true
}
