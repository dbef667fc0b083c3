package chart

import (
	"fmt"
	"math"
	"strconv"
)

// MM is a length in millimetres, kept in halves, or "not recorded" (its zero value), which is never
// the same as 0 mm.
type MM struct {
	bits int16 // twice the halves, and one: a chart and its findings hold thousands
}

// Half makes an MM from half-millimetres. What is beyond 8 m stays there.
func Half(h int) MM { return MM{int16(2*min(max(h, -16000), 16000) + 1)} }

// Millimetres makes an MM from whole millimetres.
func Millimetres(mm int) MM { return Half(2 * mm) }

// MMFromFloat makes an MM from a number of millimetres that is a multiple of a half.
func MMFromFloat(f float64) (MM, error) {
	h := f * 2
	if h != math.Trunc(h) || math.Abs(h) > 200 {
		return MM{}, fmt.Errorf("%v mm: use whole millimetres or halves", f)
	}
	return Half(int(h)), nil
}

// Known reports whether a length was recorded.
func (m MM) Known() bool { return m.bits != 0 }

// Half is the length in half-millimetres; 0 when not recorded.
func (m MM) Half() int { return int(m.bits >> 1) }

// Float is the length in millimetres; 0 when not recorded.
func (m MM) Float() float64 { return float64(m.Half()) / 2 }

// Whole is the length floored to whole millimetres, as the rules use it. Rounding down to the lower
// millimetre is the convention of epidemiology (seen, secondary).
func (m MM) Whole() int { return m.Half() >> 1 }

// String is "3", "3.5", or "-" when not recorded.
func (m MM) String() string {
	if !m.Known() {
		return "-"
	}
	if i := m.Half() - 2*MinRecession; i >= 0 && i < len(lengths) {
		return lengths[i]
	}
	return num(m.Float())
}

// lengths are the texts of all lengths that can be recorded or added up: there are many of them in every file.
var lengths = func() (texts [2*(MaxDepth+MaxRecession-MinRecession) + 1]string) {
	for i := range texts {
		texts[i] = num(float64(i)/2 + MinRecession)
	}
	return texts
}()

func (m MM) MarshalJSON() ([]byte, error) {
	if !m.Known() {
		return []byte("null"), nil
	}
	return []byte(m.String()), nil
}

func (m *MM) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*m = MM{}
		return nil
	}
	f, err := strconv.ParseFloat(string(b), 64)
	if err != nil {
		return fmt.Errorf("%s is not a number of millimetres", b)
	}
	*m, err = MMFromFloat(f)
	return err
}

// YesNo is a finding that may be not recorded (its zero value).
type YesNo uint8

const (
	NotRecorded YesNo = iota
	No
	Yes
)

// Recorded reports whether there is an answer.
func (y YesNo) Recorded() bool { return y != NotRecorded }

// Is makes a YesNo from a bool.
func Is(b bool) YesNo {
	if b {
		return Yes
	}
	return No
}

// Grade is a whole grade such as mobility 0-3 or furcation 0-3, or not recorded (its zero value).
type Grade uint8

// GradeOf makes a Grade from its number.
func GradeOf(n int) Grade { return Grade(n + 1) }

// Recorded reports whether there is a grade.
func (g Grade) Recorded() bool { return g != 0 }

// Value is the grade's number; 0 when not recorded: ask Recorded first.
func (g Grade) Value() int {
	if g == 0 {
		return 0
	}
	return int(g) - 1
}

// Limits of what can be recorded. Source: engineering choice; probe scales end at 15 mm.
const (
	MaxDepth     = 15 // mm
	MinRecession = -8 // mm, margin coronal to the CEJ
	MaxRecession = 15 // mm
	MaxMobility  = 3
	MaxFurcation = 3 // Hamp I-III; 4 exists in Glickman's grades and is not used here
)

// RangeError says that a value cannot be recorded.
type RangeError struct {
	At       string // such as "16.DB depth"
	Got      float64
	Min, Max float64
	Unit     string
}

func (e *RangeError) Error() string {
	return fmt.Sprintf("%s: %s%s is out of range (%s to %s%s)", e.At, num(e.Got), e.Unit, num(e.Min), num(e.Max), e.Unit)
}

func num(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
