package chartfile

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"leadsman/chart"
)

// schemaName names the chart file format; docs/chart-file.md describes it.
const schemaName = "leadsman.chart/1"

// longestChart is the number of bytes that one chart may have in a file, so that a damaged file
// cannot fill the memory. A full chart has about 20 KB.
const longestChart = 4 << 20

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
func Decode(r io.Reader) (*chart.Chart, error) {
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
func (r *Reader) Next() (*chart.Chart, error) {
	if err := r.begin(); err != nil {
		return nil, err
	}
	c := &chart.Chart{}
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
func (r *Reader) straight(c *chart.Chart) (*jsonText, error) {
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
			*c = chart.Chart{}
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
func (r *Reader) inSteps(c *chart.Chart) (*jsonText, error) {
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
		if len(r.buf) > longestChart {
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
	case syn.Offset >= int64(len(r.buf)) && len(r.buf) > longestChart:
		err = fmt.Errorf("longer than %d bytes: no chart is", longestChart)
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
