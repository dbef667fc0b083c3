package chartfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"

	"leadsman/chart"
)

// jsonText goes through JSON. Where the text is none it is broken there: what follows reads as null, and nothing of it may be used.
type jsonText struct {
	b      []byte
	i      int
	depth  int // of objects and lists around i
	broken bool
	asked  chart.ToothInputs // of the tooth being read
	change *chart.Change     // being read; nil: a chart is
	path   [][]byte
	issues Issues
}

func (w *jsonText) issue(err error, format string, args ...any) {
	w.issues = append(w.issues, Issue{Path: string(bytes.Join(w.path, []byte("."))), Problem: fmt.Sprintf(format, args...), Err: err})
}

func (w *jsonText) space() {
	for w.i < len(w.b) && w.b[w.i] <= ' ' && (w.b[w.i] == ' ' || w.b[w.i] == '\n' || w.b[w.i] == '\t' || w.b[w.i] == '\r') {
		w.i++
	}
}

// token passes one value and returns its text.
func (w *jsonText) token() []byte {
	w.space()
	from := w.i
	end, ok := validValue(w.b, from, w.depth)
	if w.i = end; !ok || w.broken {
		w.broken = true
		return []byte("null")
	}
	return w.b[from:end]
}

// object calls f for each key, with the cursor at its value, which f must pass. It reports whether
// there was an object; null counts as one without keys.
func (w *jsonText) object(f func(key []byte)) bool {
	w.space()
	if w.i >= len(w.b) || w.b[w.i] != '{' {
		if t := w.token(); string(t) != "null" {
			w.issue(nil, "%s: an object {...} is needed", short(t))
			return false
		}
		return true
	}
	for first := true; w.more('}', first); first = false {
		key := w.key()
		if w.broken {
			break
		}
		w.path = append(w.path, key)
		f(key)
		w.path = w.path[:len(w.path)-1]
	}
	return true
}

// more passes what stands before an element of an object or a list, or its closing after the last one: then it is false.
func (w *jsonText) more(closing byte, first bool) bool {
	if first {
		w.i++
		w.depth++
	}
	w.space()
	switch {
	case w.broken:
		return false
	case w.i < len(w.b) && w.b[w.i] == closing:
		w.i++
		w.depth--
		return false
	case first:
		return true
	case w.i < len(w.b) && w.b[w.i] == ',':
		w.i++
		w.space()
		return true
	}
	w.broken = true
	return false
}

// array calls f for each element, with the cursor at it.
func (w *jsonText) array(f func()) {
	w.space()
	if w.i >= len(w.b) || w.b[w.i] != '[' {
		if t := w.token(); string(t) != "null" {
			w.issue(nil, "%s: a list [...] is needed", short(t))
		}
		return
	}
	for first := true; w.more(']', first); first = false {
		f()
	}
}

func (w *jsonText) unknownKey() { w.token(); w.issue(nil, "unknown key") }

func (w *jsonText) once(seen *uint64, bit int) {
	if *seen&(1<<bit) != 0 {
		w.issue(nil, "given twice")
	}
	*seen |= 1 << bit
}

func short(t []byte) string {
	if len(t) > 40 {
		return string(t[:37]) + "..."
	}
	return string(t)
}

// key passes the key of an object, which nearly never has an escape in it, and the colon.
func (w *jsonText) key() (key []byte) {
	from := w.i
	i := from + 1
	for i < len(w.b) && plainText[w.b[i]] {
		i++
	}
	switch {
	case from >= len(w.b) || w.b[from] != '"':
		w.broken = true
		return nil
	case i < len(w.b) && w.b[i] == '"':
		key, w.i = w.b[from+1:i], i+1
	default:
		key = []byte(unquote(w.token()))
	}
	w.space()
	if w.i >= len(w.b) || w.b[w.i] != ':' {
		w.broken = true
		return nil
	}
	w.i++
	return key
}

// unquote returns the string that a token of valid UTF-8 stands for.
func unquote(t []byte) string {
	if bytes.IndexByte(t, '\\') < 0 {
		return string(t[1 : len(t)-1])
	}
	var s string
	if json.Unmarshal(t, &s) != nil {
		return string(t)
	}
	return s
}

// text reads a string; ok is false for null and, with an issue, for anything else.
func (w *jsonText) text() (string, bool) {
	t := w.token()
	switch {
	case string(t) == "null":
		return "", false
	case t[0] != '"':
		w.issue(nil, "%s: a text in quotes is needed", short(t))
		return "", false
	}
	if !utf8.Valid(t) {
		w.issue(nil, "this text is not valid UTF-8: save the file in that encoding")
		return "", false
	}
	s := unquote(t)
	if len(s) > chart.LongestText {
		w.issue(nil, "longer than %d bytes", chart.LongestText)
		return "", false
	}
	return s, true
}

func (w *jsonText) yesNo() (v, ok bool) {
	switch t := w.token(); string(t) {
	case "null":
		return false, false
	case "true":
		return true, true
	case "false":
		return false, true
	default:
		w.issue(nil, "%s: true or false is needed", short(t))
		return false, false
	}
}

// digit looks at a number of one digit, perhaps with a minus, as nearly every number of a chart, and where it ends.
func (w *jsonText) digit() (f float64, end int, ok bool) {
	w.space()
	i := w.i
	minus := i < len(w.b) && w.b[i] == '-'
	if minus {
		i++
	}
	if i+1 >= len(w.b) || w.b[i] < '0' || w.b[i] > '9' || w.b[i+1] != ',' && w.b[i+1] != '}' {
		return 0, 0, false
	}
	f = float64(w.b[i] - '0')
	if minus {
		f = -f
	}
	return f, i + 1, !minus || f != 0
}

// number reads a number from min to max.
func (w *jsonText) number(min, max float64, unit string) (float64, bool) {
	if f, end, ok := w.digit(); ok && f >= min && f <= max {
		w.i = end
		return f, true
	}
	t := w.token()
	if string(t) == "null" {
		return 0, false
	}
	f, err := strconv.ParseFloat(string(t), 64)
	if errors.Is(err, strconv.ErrRange) {
		err = nil // infinite, and so out of range below
	}
	if err != nil || t[0] == '"' {
		w.issue(nil, "%s: a number is needed", short(t))
		return 0, false
	}
	if f < min || f > max {
		e := &chart.RangeError{At: string(bytes.Join(w.path, []byte("."))), Got: f, Min: min, Max: max, Unit: unit}
		w.issue(e, "%s%s is out of range (%s to %s%s)", short(t), unit, num(min), num(max), unit)
		return 0, false
	}
	if f == 0 {
		f = 0 // never -0, which would not be written back as it came
	}
	return f, true
}

func (w *jsonText) whole(min, max float64, unit string) (int, bool) {
	f, ok := w.number(min, max, unit)
	if ok && f != math.Trunc(f) {
		w.issue(nil, "%s: a whole number is needed", num(f))
		return 0, false
	}
	return int(f), ok
}

func (w *jsonText) mm(min, max float64) chart.MM {
	f, ok := w.number(min, max, " mm")
	if !ok {
		return chart.MM{}
	}
	m, err := chart.MMFromFloat(f)
	if err != nil {
		w.issue(err, "%s", err)
		return chart.MM{}
	}
	return m
}

func num(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
