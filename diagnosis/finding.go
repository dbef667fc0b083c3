package diagnosis

import (
	"math"
	"strconv"

	"leadsman/chart"
)

// findingsSchema names the findings file; docs/findings-file.md describes it.
const findingsSchema = "leadsman.findings/1"

// Findings is everything that the rules say about one chart.
type Findings struct {
	ID        string          // of the chart
	Numbering chart.Numbering // of tooth labels in texts and in JSON
	Exam      chart.Origin    // of the chart
	List      []Finding
	Cautions  []string
}

// Get returns the first finding with a code.
func (f *Findings) Get(code string) (Finding, bool) {
	for i := range f.List {
		if f.List[i].Code == code {
			return f.List[i], true
		}
	}
	return Finding{}, false
}

// Value returns the value of the first finding with a code as it is shown, or "" if there is none.
func (f *Findings) Value(code string) string {
	v, _ := f.Get(code)
	return v.Value.String()
}

// Finding is one answer of one rule.
type Finding struct {
	Code        string
	Tooth       chart.Tooth // of a finding about one tooth or implant, else 0
	Value       Value
	AtLeast     bool   // the value is a lower bound
	Provisional bool   // something is missing or waits for the clinician
	Recorded    int    // sites recorded of Eligible ones; both 0 where it does not apply
	Eligible    int    // sites that the rule would need
	Text        string // one plain sentence
	Notes       []string
	Because     []Evidence
	Missing     []Missing
	Rule        string // short name of the rule
	Source      string // where the rule was published
}

// Value is a word, a number, or nothing: a number for which nothing was recorded.
type Value struct {
	word     string
	number   float64
	decimals int8
	kind     valueKind
}

type valueKind uint8

const (
	noValue valueKind = iota
	wordValue
	numberValue
)

// word makes a Value of a word.
func word(s string) Value { return Value{word: s, kind: wordValue} }

// number makes a Value of a number that is shown with so many decimals.
func number(f float64, decimals int) Value {
	return Value{number: f, decimals: int8(decimals), kind: numberValue}
}

// String is the value as it is shown: a word, a number with its decimals rounded half away from
// zero, or "" for none.
func (v Value) String() string {
	switch v.kind {
	case wordValue:
		return v.word
	case numberValue:
		return string(appendFixed(make([]byte, 0, 24), v.number, int(v.decimals), false))
	}
	return ""
}

// Float is the number, not rounded; ok is false for words and for no value.
func (v Value) Float() (f float64, ok bool) { return v.number, v.kind == numberValue }

// rounded rounds half away from zero; a hair is added because halves are not exact in binary.
func rounded(f float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(f*p+math.Copysign(1e-9, f)) / p
}

// appendFixed appends a number rounded to so many decimals as rounded does; trim leaves out zeros at its end. It is quicker than
// strconv.AppendFloat, which has to find the shortest digits.
func appendFixed(b []byte, f float64, decimals int, trim bool) []byte {
	p := math.Pow10(decimals)
	n := math.Round(f*p + math.Copysign(1e-9, f))
	if math.IsNaN(n) || math.Abs(n) >= 1<<53 {
		return strconv.AppendFloat(b, f, 'f', decimals, 64)
	}
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	whole, part := uint64(n)/uint64(p), uint64(n)%uint64(p)
	b = strconv.AppendUint(b, whole, 10)
	if decimals == 0 || trim && part == 0 {
		return b
	}
	b = append(b, '.')
	for d := decimals - 1; d >= 0 && !(trim && part == 0); d-- {
		unit := uint64(math.Pow10(d))
		b = append(b, byte('0'+part/unit))
		part %= unit
	}
	return b
}

// Evidence is one reading or answer that a finding rests on. Only what the rule looked at is set.
type Evidence struct {
	Tooth     chart.Tooth
	Site      chart.Site // NumSites: the tooth as a whole
	Depth     chart.MM
	Recession chart.MM
	Loss      chart.MM // attachment loss
	Assumed   bool     // Recession was not measured: the chosen default
	Flag      chart.Flag
	Answer    chart.YesNo // to Flag
	Mobility  chart.Grade
	Furcation chart.Grade
	Entrance  chart.Entrance // of Furcation
	Asked     *Asked         // nil: a reading
}

// Asked is an input that was asked for, by its key in the chart file, and its value.
type Asked struct{ Input, Value string }

// Missing is something not known, and what the finding could be if it were.
type Missing struct {
	Input    string // key in the chart file
	Sites    []chart.SiteRef
	Teeth    []chart.Tooth
	CouldBe  []string
	Question string // for the clinician
}

// open reports whether something missing could change the value.
func (f *Finding) open() bool {
	for i := range f.Missing {
		if c := f.Missing[i].CouldBe; len(c) > 1 || len(c) == 1 && c[0] != f.Value.String() {
			return true
		}
	}
	return false
}
