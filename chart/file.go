package chart

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Schema names the chart file format; docs/chart-file.md describes it.
const Schema = "leadsman.chart/1"

// LongestChart is the number of bytes that one chart may have in a file, so that a damaged file
// cannot fill the memory. A full chart has about 20 KB.
const LongestChart = 4 << 20

// Issue is one thing wrong with a chart.
type Issue struct {
	Path    string // such as teeth.16.sites.DB.depth; "" for the chart as a whole
	Problem string
	Err     error // a *RangeError, ErrNoSuchTooth, or nil
}

func (i Issue) String() string {
	if i.Path == "" {
		return i.Problem
	}
	return i.Path + ": " + i.Problem
}

// Issues is everything wrong with a chart, found in one pass. As an error it is one line.
type Issues []Issue

func (is Issues) Error() string {
	const shown = 5
	parts := make([]string, 0, shown+1)
	for n, i := range is {
		if n == shown {
			parts = append(parts, fmt.Sprintf("and %d more", len(is)-shown))
			break
		}
		parts = append(parts, i.String())
	}
	return strings.Join(parts, "; ")
}

// Unwrap lets errors.As find a *RangeError and errors.Is an ErrNoSuchTooth.
func (is Issues) Unwrap() []error {
	var errs []error
	for _, i := range is {
		if i.Err != nil {
			errs = append(errs, i.Err)
		}
	}
	return errs
}

// LineError says at which line of a stream a chart that cannot be read begins.
type LineError struct {
	Line int // counted from 1
	Err  error
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %v", e.Line, e.Err) }
func (e *LineError) Unwrap() error { return e.Err }

// Decode reads one chart. It refuses unknown keys, values out of range, impossible furcations and
// keys given twice, and returns all of them together as Issues; text that is no JSON and a second
// object are errors too.
func Decode(r io.Reader) (*Chart, error) {
	rd := NewReader(r)
	c, err := rd.Next()
	var line *LineError
	switch {
	case err == io.EOF:
		return nil, errors.New("the file is empty: a chart is one JSON object")
	case errors.As(err, &line) && line.Line == 1:
		return nil, line.Err
	case err != nil:
		return nil, err
	}
	if rd.begin() != io.EOF {
		return nil, errors.New("more follows after the chart: here only one object is read")
	}
	return c, nil
}

// Reader reads a stream of charts, usually one a line, and holds one of them at a time.
type Reader struct {
	src  *bufio.Reader
	buf  []byte // the chart being read
	line int    // at which it begins
	at   int    // line of the next byte
	err  error
}

// NewReader returns a Reader of r.
func NewReader(r io.Reader) *Reader {
	b := bufio.NewReaderSize(r, 64<<10)
	if mark, _ := b.Peek(3); bytes.Equal(mark, []byte("\xef\xbb\xbf")) {
		b.Discard(3)
	}
	return &Reader{src: b, at: 1}
}

// Line is the line at which the chart last read begins.
func (r *Reader) Line() int { return r.line }

// Next returns the next chart, or io.EOF after the last. A chart that cannot be read is a
// *LineError; if it was JSON, Next can be called again for the chart after it.
func (r *Reader) Next() (*Chart, error) {
	if err := r.begin(); err != nil {
		return nil, err
	}
	c := &Chart{}
	w, err := r.straight(c)
	if err == nil && w == nil {
		w, err = r.inSteps(c)
	}
	switch {
	case err != nil:
		r.err = err
		return nil, err
	case len(w.issues) > 0:
		return nil, &LineError{r.line, w.issues}
	}
	return c, nil
}

// begin goes to the next value.
func (r *Reader) begin() error {
	for r.err == nil {
		c, err := r.src.ReadByte()
		switch {
		case err != nil:
			r.err = err
		case c == '\n':
			r.at++
		case c != ' ' && c != '\t' && c != '\r':
			r.src.UnreadByte()
			r.line = r.at
			return nil
		}
	}
	return r.err
}

// straight reads a chart out of the buffer where that can hold it whole, as nearly every one: it is neither searched for its end nor
// copied. Else it returns nil.
func (r *Reader) straight(c *Chart) (*jsonText, error) {
	for {
		p, _ := r.src.Peek(r.src.Buffered())
		if p[0] != '{' { // else its end may lie behind the buffer
			return nil, nil
		}
		end, ok := len(p), bytes.IndexByte(p, '\n') >= 0
		if !ok { // the last chart, or one that is cut off
			end, ok = validValue(p, 0, 0)
		}
		if ok {
			w := readChart(p, c)
			if end = w.i; !w.broken {
				r.at += bytes.Count(p[:end], []byte("\n"))
				r.src.Discard(end)
				return w, nil
			}
			*c = Chart{}
		}
		if end < len(p) { // it is broken
			return nil, nil
		}
		switch _, err := r.src.Peek(len(p) + 1); err {
		case nil:
		case io.EOF, bufio.ErrBufferFull:
			return nil, nil
		default:
			return nil, err
		}
	}
}

// inSteps reads a chart of any length, and says why if it is no JSON.
func (r *Reader) inSteps(c *Chart) (*jsonText, error) {
	r.buf = r.buf[:0]
	var end ending
	for complete := false; !complete; {
		if _, err := r.src.Peek(1); err == io.EOF {
			break
		} else if err != nil {
			return nil, err
		}
		p, _ := r.src.Peek(r.src.Buffered())
		var n int
		n, complete = end.find(p)
		r.buf = append(r.buf, p[:n]...)
		r.at += bytes.Count(p[:n], []byte("\n"))
		r.src.Discard(n)
		if len(r.buf) > LongestChart {
			break
		}
	}
	if valid(r.buf) {
		return readChart(r.buf, c), nil
	}
	var syn *json.SyntaxError
	err := json.Unmarshal(r.buf, &struct{}{})
	switch {
	case !errors.As(err, &syn):
	case syn.Offset >= int64(len(r.buf)) && len(r.buf) > LongestChart:
		err = fmt.Errorf("longer than %d bytes: no chart is", LongestChart)
	case syn.Offset >= int64(len(r.buf)):
		err = errors.New("the file ends inside this chart: complete it or remove it")
	default:
		err = fmt.Errorf("not readable as JSON: %w", syn)
		if n := bytes.Count(r.buf[:syn.Offset-1], []byte("\n")); n > 0 {
			err = fmt.Errorf("%w (seen at line %d)", err, r.line+n)
		}
	}
	return nil, &LineError{r.line, err}
}

// ending finds where a JSON value ends, without checking it: at the brace that closes the first
// one, or at the end of the line if there is none.
type ending struct {
	depth         int
	text, escaped bool
}

func (e *ending) find(p []byte) (n int, found bool) {
	for i, c := range p {
		switch {
		case e.escaped:
			e.escaped = false
		case e.text:
			switch c {
			case '\\':
				e.escaped = true
			case '"':
				e.text = false
			case '\n': // no text goes over a line: the value is broken
				return i, true
			}
		case c == '"':
			e.text = true
		case c == '{' || c == '[':
			e.depth++
		case c == '}' || c == ']':
			if e.depth--; e.depth <= 0 {
				return i + 1, true
			}
		case c == '\n' && e.depth == 0:
			return i, true
		}
	}
	return len(p), false
}

// jsonText goes through JSON. Where the text is none it is broken there: what follows reads as null, and nothing of it may be used.
type jsonText struct {
	b      []byte
	i      int
	depth  int // of objects and lists around i
	broken bool
	asked  ToothInputs // of the tooth being read
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
	if len(s) > LongestText {
		w.issue(nil, "longer than %d bytes", LongestText)
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
		e := &RangeError{At: string(bytes.Join(w.path, []byte("."))), Got: f, Min: min, Max: max, Unit: unit}
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

func (w *jsonText) mm(min, max float64) MM {
	f, ok := w.number(min, max, " mm")
	if !ok {
		return MM{}
	}
	m, err := MMFromFloat(f)
	if err != nil {
		w.issue(err, "%s", err)
		return MM{}
	}
	return m
}

// inputs reads the value of one of the described keys; false if the key is none of them.
func readInput[T any](w *jsonText, set []input[T], target *T, key []byte, seen *uint64) bool {
	for i := range set {
		in := &set[i]
		if in.key != string(key) {
			continue
		}
		w.once(seen, i)
		switch p := in.at(target).(type) {
		case **int:
			*p = nil
			if v, ok := w.whole(in.min, in.max, in.unit); ok {
				*p = &v
			}
		case **float64:
			*p = nil
			if v, ok := w.number(in.min, in.max, in.unit); ok {
				*p = &v
			}
		case **bool:
			*p = nil
			if v, ok := w.yesNo(); ok {
				*p = &v
			}
		case *string:
			*p = ""
			if v, ok := w.text(); ok {
				if problem := wordProblem(v, in.words); problem != "" {
					w.issue(nil, "%s", problem)
				} else {
					*p = v
				}
			}
		}
		return true
	}
	return false
}

// wordProblem says why v is none of words; any text will do if there are none.
func wordProblem(v string, words []string) string {
	switch {
	case len(words) == 0 || slices.Contains(words, v):
		return ""
	case words[0] == dateWord:
		if _, err := time.Parse(time.DateOnly, v); err == nil {
			return ""
		}
		return fmt.Sprintf("%q: a date %s is needed", v, dateWord)
	case words[0] == timeWord:
		if _, err := time.Parse(time.RFC3339, v); err == nil {
			return ""
		}
		return fmt.Sprintf("%q: a time such as %s is needed", v, timeWord)
	}
	return fmt.Sprintf("%q: use one of %s", v, strings.Join(words, ", "))
}

// readChart reads the chart that b begins with, and leaves the cursor behind it.
func readChart(b []byte, c *Chart) *jsonText {
	w := &jsonText{b: b, path: make([][]byte, 0, 8)}
	c.Numbering = FDI
	schema, numbered := "", false
	teeth := func() {
		var seen uint64
		w.object(func(key []byte) {
			t, err := parseToothKey(key, c.Numbering)
			if err != nil {
				w.token()
				w.issue(err, "%v", err)
				return
			}
			w.once(&seen, t.index())
			w.tooth(c, t)
		})
	}
	patient := func() { w.patient(&c.Patient, c.Numbering, false) }
	origin := func() { w.origin(&c.Exam, c.Numbering) }
	// The numbering decides what keys of teeth mean: what stands before it is read at the end.
	var later []func()
	read := func(f func()) {
		if numbered {
			f()
			return
		}
		w.space()
		at, key := w.i, w.path[0]
		later = append(later, func() {
			w.i, w.path = at, append(w.path, key)
			f()
			w.path = w.path[:len(w.path)-1]
		})
		w.token()
	}
	var seen uint64
	if !w.object(func(key []byte) {
		switch string(key) {
		case "schema":
			w.once(&seen, 0)
			schema, _ = w.text()
		case "id":
			w.once(&seen, 1)
			c.ID, _ = w.text()
			if strings.ContainsFunc(c.ID, unicode.IsControl) {
				w.issue(nil, "%q: no control characters in an id", c.ID)
				c.ID = ""
			}
		case "numbering":
			w.once(&seen, 2)
			numbered = true
			if s, ok := w.text(); ok {
				n, err := ParseNumbering(s)
				if err != nil || string(n) != s {
					w.issue(nil, "%q: use fdi or universal", s)
					return
				}
				c.Numbering = n
			}
		case "patient":
			w.once(&seen, 3)
			read(patient)
		case "teeth":
			w.once(&seen, 4)
			read(teeth)
		case "exam":
			w.once(&seen, 5)
			read(origin)
		default:
			w.unknownKey()
		}
	}) || w.broken {
		return w
	}
	end := w.i
	for _, f := range later {
		f()
	}
	w.i = end
	if schema != Schema {
		w.issues = append(w.issues, Issue{Path: "schema", Problem: fmt.Sprintf("%q: this program reads %q", schema, Schema)})
	}
	return w
}

// parseToothKey is ParseTooth for keys of files, which have one way of writing each tooth.
func parseToothKey(key []byte, n Numbering) (Tooth, error) {
	if len(key) == 2 && n != Universal { // nearly every key
		if t := (Tooth(key[0]-'0')*10 + Tooth(key[1]-'0')); key[0] >= '0' && key[0] <= '9' && key[1] >= '0' && key[1] <= '9' && t.Valid() {
			return t, nil
		}
	}
	t, err := ParseTooth(string(key), n)
	if err == nil && t.Label(n) != string(key) {
		err = fmt.Errorf("%w: write %q as %q", ErrNoSuchTooth, key, t.Label(n))
	}
	return t, err
}

func (w *jsonText) tooth(c *Chart, t Tooth) {
	rec := c.Tooth(t)
	w.asked = ToothInputs{}
	in := &w.asked
	var seen, seenIn uint64
	w.object(func(key []byte) {
		switch string(key) {
		case "state":
			w.once(&seen, 0)
			if s, ok := w.text(); ok {
				p := slices.Index(presenceKeys[:], s)
				if p <= 0 {
					w.issue(nil, "%q: use one of %s", s, strings.Join(presenceKeys[1:], ", "))
					return
				}
				rec.Presence = Presence(p)
			}
		case "mobility":
			w.once(&seen, 1)
			if v, ok := w.whole(0, MaxMobility, ""); ok {
				rec.Mobility = GradeOf(v)
			}
		case "furcation":
			w.once(&seen, 2)
			var seen uint64
			w.object(func(key []byte) {
				e := slices.Index(entranceKeys[:], string(key))
				if e < 0 {
					w.unknownKey()
					return
				}
				w.once(&seen, e)
				v, ok := w.whole(0, MaxFurcation, "")
				if !ok {
					return
				}
				if problem := furcationProblem(t, Entrance(e), c.Numbering); problem != "" {
					w.issue(nil, "%s", problem)
					return
				}
				rec.Furcation[e] = GradeOf(v)
			})
		case "furcation_vertical":
			w.once(&seen, 4)
			var seen uint64
			w.object(func(key []byte) {
				e := slices.Index(entranceKeys[:], string(key))
				if e < 0 {
					w.unknownKey()
					return
				}
				w.once(&seen, e)
				v := w.mm(0, MaxDepth)
				if problem := furcationProblem(t, Entrance(e), c.Numbering); problem != "" {
					w.issue(nil, "%s", problem)
					return
				}
				rec.Vertical[e] = v
			})
		case "keratinized_width":
			w.once(&seen, 5)
			rec.Keratin = w.mm(0, MaxDepth)
		case "sites":
			w.once(&seen, 3)
			var seen uint64
			w.object(func(key []byte) {
				s := slices.Index(siteKeys[:], string(key))
				if s < 0 {
					w.unknownKey()
					return
				}
				w.once(&seen, s)
				w.site(&rec.Sites[s], in, Site(s))
			})
		default:
			w.toothInput(in, key, &seenIn)
		}
	})
	if !in.empty() {
		if c.Patient.Teeth == nil {
			c.Patient.Teeth = map[Tooth]ToothInputs{}
		}
		c.Patient.Teeth[t] = *in
	}
}

func furcationProblem(t Tooth, e Entrance, n Numbering) string {
	if slices.Contains(t.Entrances(), e) {
		return ""
	}
	return fmt.Sprintf("tooth %s (%s) has no %s furcation", t.Label(n), t.Name(), e.Name())
}

func (w *jsonText) toothInput(in *ToothInputs, key []byte, seen *uint64) {
	switch string(key) {
	case "gingival_bleeding":
		w.once(seen, 62)
		g := GingivalAreas{}
		var seen uint64
		w.object(func(key []byte) {
			if !readInput(w, gingivalInputs, &g, key, &seen) {
				w.unknownKey()
			}
		})
		in.GingivalBleed = nil
		if g != (GingivalAreas{}) {
			in.GingivalBleed = &g
		}
	case "implant":
		w.once(seen, 63)
		im := ImplantInputs{}
		var seen uint64
		w.object(func(key []byte) {
			if !readInput(w, implantInputs, &im, key, &seen) {
				w.unknownKey()
			}
		})
		in.Implant = nil
		if im != (ImplantInputs{}) {
			in.Implant = &im
		}
	default:
		if !readInput(w, toothInputs, in, key, seen) {
			w.unknownKey()
		}
	}
}

func (w *jsonText) site(rec *SiteRecord, in *ToothInputs, s Site) {
	var seen, seenIn uint64
	w.object(func(key []byte) {
		switch string(key) {
		case "depth":
			w.once(&seen, 0)
			rec.Depth = w.mm(0, MaxDepth)
		case "recession":
			w.once(&seen, 1)
			rec.Recession = w.mm(MinRecession, MaxRecession)
		case "depth_again":
			w.once(&seen, 10)
			rec.Again = w.mm(0, MaxDepth)
		default:
			for f, name := range flagKeys {
				if name == string(key) {
					w.once(&seen, 2+f)
					if v, ok := w.yesNo(); ok {
						rec.Flags[f] = Is(v)
					}
					return
				}
			}
			w.siteInput(in, s, key, &seenIn)
		}
	})
}

func (w *jsonText) siteInput(in *ToothInputs, s Site, key []byte, seen *uint64) {
	v := in.Sites[s]
	if !readInput(w, siteInputs, &v, key, seen) {
		w.unknownKey()
		return
	}
	if in.Sites == nil {
		in.Sites = map[Site]SiteInputs{}
	}
	if in.Sites[s] = v; v == (SiteInputs{}) {
		delete(in.Sites, s)
	}
}

func (t *ToothInputs) empty() bool {
	return t.LostTo == "" && t.Exclude == "" && t.VerticalLossMM == nil && t.BoneLossPercent == nil &&
		t.Hopeless == nil && t.Phenotype == "" && t.Prognosis == "" && t.GingivalBleed == nil && t.Implant == nil && len(t.Sites) == 0
}

// patient reads patient inputs over those in p. Only outside a chart file do they hold teeth.
func (w *jsonText) patient(p *Patient, n Numbering, teeth bool) {
	var seen, more uint64
	w.object(func(key []byte) {
		switch string(key) {
		case "factors":
			w.once(&more, 0)
			w.object(func(key []byte) { w.factor(p, key, n) })
			if len(p.Factors) == 0 {
				p.Factors = nil
			}
		case "by_exception":
			w.once(&more, 1)
			p.ByException = nil
			w.array(func() {
				s, ok := w.text()
				if !ok {
					return
				}
				if problem := wordProblem(s, flagKeys[:]); problem != "" {
					w.issue(nil, "%s", problem)
				} else if slices.Contains(p.ByException, s) {
					w.issue(nil, "%q is listed twice", s)
				} else {
					p.ByException = append(p.ByException, s)
				}
			})
			slices.Sort(p.ByException)
		case "gaps":
			w.once(&more, 2)
			var seen []Gap
			w.object(func(key []byte) {
				g, err := ParseGap(string(key), n)
				if err != nil {
					w.token()
					w.issue(err, "%v", err)
					return
				}
				if slices.Contains(seen, g) {
					w.issue(nil, "given twice")
				}
				seen = append(seen, g)
				w.gap(p, g)
			})
		case "teeth":
			if !teeth {
				w.unknownKey()
				return
			}
			w.once(&more, 3)
			w.object(func(key []byte) {
				t, err := parseToothKey(key, FDI)
				if err != nil {
					w.token()
					w.issue(err, "%v", err)
					return
				}
				w.askedTooth(p, t)
			})
		default:
			if !readInput(w, patientInputs, p, key, &seen) {
				w.unknownKey()
			}
		}
	})
}

func (w *jsonText) factor(p *Patient, key []byte, n Numbering) {
	name, tooth, hasTooth := strings.Cut(string(key), ".")
	kept := name
	if !slices.Contains(factorNames, name) {
		w.unknownKey()
		return
	}
	if hasTooth {
		t, err := parseToothKey([]byte(tooth), n)
		if err != nil {
			w.token()
			w.issue(err, "%v", err)
			return
		}
		kept += "." + t.String()
	}
	s, ok := w.text()
	if !ok {
		delete(p.Factors, kept)
		return
	}
	if problem := wordProblem(s, []string{"confirmed", "rejected"}); problem != "" {
		w.issue(nil, "%s", problem)
		return
	}
	if p.Factors == nil {
		p.Factors = map[string]string{}
	}
	p.Factors[kept] = s
}

func (w *jsonText) gap(p *Patient, g Gap) {
	v := p.Gaps[g]
	var seen uint64
	w.object(func(key []byte) {
		if !readInput(w, gapInputs, &v, key, &seen) {
			w.unknownKey()
		}
	})
	if p.Gaps == nil {
		p.Gaps = map[Gap]GapInputs{}
	}
	if p.Gaps[g] = v; v == (GapInputs{}) {
		delete(p.Gaps, g)
	}
	if len(p.Gaps) == 0 {
		p.Gaps = nil
	}
}

func (w *jsonText) askedTooth(p *Patient, t Tooth) {
	in := p.Teeth[t]
	var seen uint64
	w.object(func(key []byte) {
		if string(key) != "sites" {
			w.toothInput(&in, key, &seen)
			return
		}
		w.object(func(key []byte) {
			s := slices.Index(siteKeys[:], string(key))
			if s < 0 {
				w.unknownKey()
				return
			}
			var seen uint64
			w.object(func(key []byte) { w.siteInput(&in, Site(s), key, &seen) })
		})
	})
	if len(in.Sites) == 0 {
		in.Sites = nil
	}
	if p.Teeth == nil {
		p.Teeth = map[Tooth]ToothInputs{}
	}
	if p.Teeth[t] = in; in.empty() {
		delete(p.Teeth, t)
	}
	if len(p.Teeth) == 0 {
		p.Teeth = nil
	}
}

// MergePatient returns p with the inputs of a JSON object put over it: the keys of Patient, null to
// take an input back, teeth by FDI number. Unknown keys and values out of range are refused as
// Issues, and then p is returned as it was. p itself is not changed.
func MergePatient(p Patient, object []byte) (Patient, error) {
	if !json.Valid(object) {
		return p, errors.New("patient inputs: not readable as JSON")
	}
	w := &jsonText{b: object}
	merged := p.Clone()
	w.patient(&merged, FDI, true)
	if len(w.issues) > 0 {
		return p, fmt.Errorf("patient inputs: %w", w.issues)
	}
	return merged, nil
}

// Validate returns everything in a chart that the file format cannot hold: values out of range and
// impossible furcations. Readings on a tooth that is called missing are no issue: they are kept,
// and no rule counts them.
func Validate(c *Chart) Issues {
	var b bytes.Buffer
	writeChart(&b, c)
	return readChart(b.Bytes(), &Chart{}).issues
}

// Encode writes a chart as one line of JSON. The order of keys is fixed, so the same chart gives
// the same bytes. It fails with Issues on a chart that Decode would refuse.
func Encode(out io.Writer, c *Chart) error {
	var b bytes.Buffer
	writeChart(&b, c)
	if is := readChart(b.Bytes(), &Chart{}).issues; len(is) > 0 {
		return is
	}
	_, err := out.Write(b.Bytes())
	return err
}

// writer writes JSON objects with keys in the order of the calls.
type writer struct {
	b     *bytes.Buffer
	comma bool
}

func (w *writer) key(k string) {
	if w.comma {
		w.b.WriteByte(',')
	}
	w.text(k)
	w.b.WriteByte(':')
	w.comma = true
}

func (w *writer) open()  { w.b.WriteByte('{'); w.comma = false }
func (w *writer) close() { w.b.WriteByte('}'); w.comma = true }

func (w *writer) text(s string) {
	q, _ := json.Marshal(s) // a string always has a JSON form
	w.b.Write(q)
}

func writeInputs[T any](w *writer, set []input[T], source *T) {
	for i := range set {
		in := &set[i]
		switch p := in.at(source).(type) {
		case **int:
			if *p != nil {
				w.key(in.key)
				w.b.WriteString(strconv.Itoa(**p))
			}
		case **float64:
			if *p != nil {
				w.key(in.key)
				w.b.WriteString(num(**p))
			}
		case **bool:
			if *p != nil {
				w.key(in.key)
				w.b.WriteString(strconv.FormatBool(**p))
			}
		case *string:
			if *p != "" {
				w.key(in.key)
				w.text(*p)
			}
		}
	}
}

func writeChart(b *bytes.Buffer, c *Chart) {
	n := c.Numbering
	if n == "" {
		n = FDI
	}
	w := &writer{b: b}
	w.open()
	w.key("schema")
	w.text(Schema)
	if c.ID != "" {
		w.key("id")
		w.text(c.ID)
	}
	w.key("numbering")
	w.text(string(n))
	if !c.Exam.Empty() {
		w.key("exam")
		writeOrigin(w, &c.Exam, n)
	}
	w.key("patient")
	w.open()
	writePatient(w, &c.Patient, n)
	w.close()
	w.key("teeth")
	w.open()
	for _, t := range fileOrder(n) {
		rec, in := c.Tooth(t), c.Patient.Teeth[t]
		if rec.Empty() && in.empty() {
			continue
		}
		w.key(t.Label(n))
		writeTooth(w, rec, &in)
	}
	w.close()
	w.close()
	b.WriteByte('\n')
}

// fileOrder lists all teeth in the order of their labels: numbers, then primary teeth.
func fileOrder(n Numbering) []Tooth {
	ts := make([]Tooth, 0, 52)
	if n == Universal {
		ts = append(ts, AllTeeth()...)
		for l := 'A'; l <= 'T'; l++ {
			t, _ := ParseTooth(string(l), Universal)
			ts = append(ts, t)
		}
		return ts
	}
	for i := range 52 {
		ts = append(ts, toothAt(i))
	}
	return ts
}

func writePatient(w *writer, p *Patient, n Numbering) {
	writeInputs(w, patientInputs, p)
	if len(p.ByException) > 0 {
		w.key("by_exception")
		w.b.WriteByte('[')
		for i, f := range slices.Sorted(slices.Values(p.ByException)) {
			if i > 0 {
				w.b.WriteByte(',')
			}
			w.text(f)
		}
		w.b.WriteByte(']')
	}
	if len(p.Factors) > 0 {
		w.key("factors")
		w.open()
		for _, k := range slices.Sorted(maps.Keys(p.Factors)) {
			label := k
			if name, tooth, ok := strings.Cut(k, "."); ok {
				if t, err := ParseTooth(tooth, FDI); err == nil {
					label = name + "." + t.Label(n)
				}
			}
			w.key(label)
			w.text(p.Factors[k])
		}
		w.close()
	}
	if len(p.Gaps) > 0 {
		w.key("gaps")
		w.open()
		byPlace := func(a, b Gap) int { return int(a.A)*100 + int(a.B) - int(b.A)*100 - int(b.B) }
		for _, g := range slices.SortedFunc(maps.Keys(p.Gaps), byPlace) {
			w.key(g.Label(n))
			w.open()
			v := p.Gaps[g]
			writeInputs(w, gapInputs, &v)
			w.close()
		}
		w.close()
	}
}

func writeTooth(w *writer, rec *ToothRecord, in *ToothInputs) {
	w.open()
	if rec.Presence != Unstated {
		w.key("state")
		w.text(rec.Presence.String())
	}
	if rec.Mobility.Recorded() {
		w.key("mobility")
		w.b.WriteString(strconv.Itoa(rec.Mobility.Value()))
	}
	if rec.Furcation != [entrances]Grade{} {
		w.key("furcation")
		w.open()
		for e, g := range rec.Furcation {
			if g.Recorded() {
				w.key(entranceKeys[e])
				w.b.WriteString(strconv.Itoa(g.Value()))
			}
		}
		w.close()
	}
	if rec.Vertical != [entrances]MM{} {
		w.key("furcation_vertical")
		w.open()
		for e, v := range rec.Vertical {
			if v.Known() {
				w.key(entranceKeys[e])
				w.b.WriteString(v.String())
			}
		}
		w.close()
	}
	if rec.Keratin.Known() {
		w.key("keratinized_width")
		w.b.WriteString(rec.Keratin.String())
	}
	writeInputs(w, toothInputs, in)
	if g := in.GingivalBleed; g != nil {
		w.key("gingival_bleeding")
		w.open()
		writeInputs(w, gingivalInputs, g)
		w.close()
	}
	if im := in.Implant; im != nil {
		w.key("implant")
		w.open()
		writeInputs(w, implantInputs, im)
		w.close()
	}
	if rec.Sites != [NumSites]SiteRecord{} || len(in.Sites) > 0 {
		w.key("sites")
		w.open()
		for s := range rec.Sites {
			asked := in.Sites[Site(s)]
			if rec.Sites[s].Empty() && asked == (SiteInputs{}) {
				continue
			}
			w.key(siteKeys[s])
			writeSite(w, &rec.Sites[s], &asked)
		}
		w.close()
	}
	w.close()
}

func writeSite(w *writer, rec *SiteRecord, asked *SiteInputs) {
	w.open()
	if rec.Depth.Known() {
		w.key("depth")
		w.b.WriteString(rec.Depth.String())
	}
	if rec.Again.Known() {
		w.key("depth_again")
		w.b.WriteString(rec.Again.String())
	}
	if rec.Recession.Known() {
		w.key("recession")
		w.b.WriteString(rec.Recession.String())
	}
	for f, v := range rec.Flags {
		if v.Recorded() {
			w.key(flagKeys[f])
			w.b.WriteString(strconv.FormatBool(v == Yes))
		}
	}
	writeInputs(w, siteInputs, asked)
	w.close()
}
