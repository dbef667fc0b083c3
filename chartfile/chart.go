package chartfile

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"leadsman/chart"
)

// keysOf lists the keys of a kind of value from the first to the one before end.
func keysOf[T interface {
	~uint8
	String() string
}](end T) (keys []string) {
	for v := range end {
		keys = append(keys, v.String())
	}
	return keys
}

var (
	presenceKeys = keysOf(chart.Unerupted + 1)
	flagKeys     = keysOf(chart.NumFlags)
	siteKeys     = keysOf(chart.NumSites)
	entranceKeys = keysOf(chart.Entrance(len(chart.ToothRecord{}.Furcation)))
)

// reading is a chart that is being read.
type reading struct {
	*jsonText
	c      *chart.Chart
	schema string
	// The numbering decides what keys of teeth mean: what stands before it is read at the end.
	numbered bool
	later    []func()
}

// The keys of a chart, each with its reader.
var chartKeys = []struct {
	key  string
	read func(*reading)
}{
	{"schema", func(r *reading) { r.schema, _ = r.text() }},
	{"id", (*reading).id},
	{"numbering", (*reading).numbering},
	{"patient", func(r *reading) { r.numberedBy(func() { r.patient(&r.c.Patient, r.c.Numbering) }) }},
	{"teeth", func(r *reading) { r.numberedBy(r.teeth) }},
	{"exam", func(r *reading) { r.numberedBy(func() { r.origin(&r.c.Exam, r.c.Numbering) }) }},
}

// readChart reads the chart that b begins with, and leaves the cursor behind it.
func readChart(b []byte, c *chart.Chart) *jsonText {
	w := &jsonText{b: b, path: make([][]byte, 0, 8)}
	r := &reading{jsonText: w, c: c}
	c.Numbering = chart.FDI
	var seen uint64
	if !w.object(func(key []byte) {
		for i := range chartKeys {
			if chartKeys[i].key == string(key) {
				w.once(&seen, i)
				chartKeys[i].read(r)
				return
			}
		}
		w.unknownKey()
	}) || w.broken {
		return w
	}
	end := w.i
	for _, f := range r.later {
		f()
	}
	w.i = end
	if r.schema != schemaName {
		w.issues = append(w.issues, Issue{Path: "schema", Problem: fmt.Sprintf("%q: this program reads %q", r.schema, schemaName)})
	}
	return w
}

// numberedBy calls f with the cursor at the value once the numbering is known.
func (r *reading) numberedBy(f func()) {
	if r.numbered {
		f()
		return
	}
	r.space()
	at, key := r.i, r.path[0]
	r.later = append(r.later, func() {
		r.i, r.path = at, append(r.path, key)
		f()
		r.path = r.path[:len(r.path)-1]
	})
	r.token()
}

func (r *reading) id() {
	r.c.ID, _ = r.text()
	if strings.ContainsFunc(r.c.ID, unicode.IsControl) {
		r.issue(nil, "%q: no control characters in an id", r.c.ID)
		r.c.ID = ""
	}
}

func (r *reading) numbering() {
	r.numbered = true
	s, ok := r.text()
	if !ok {
		return
	}
	n, err := chart.ParseNumbering(s)
	if err != nil || string(n) != s {
		r.issue(nil, "%q: use fdi or universal", s)
		return
	}
	r.c.Numbering = n
}

func (r *reading) teeth() {
	var seen uint64
	r.object(func(key []byte) {
		if t, ok := r.toothOf(key, r.c.Numbering); ok {
			r.once(&seen, t.Index())
			r.tooth(r.c, t)
		}
	})
}

// toothOf is the tooth that a key names; where there is none its value is passed, with an issue.
func (w *jsonText) toothOf(key []byte, n chart.Numbering) (chart.Tooth, bool) {
	t, err := parseToothKey(key, n)
	if err != nil {
		w.token()
		w.issue(err, "%v", err)
	}
	return t, err == nil
}

// parseToothKey is ParseTooth for keys of files, which have one way of writing each tooth.
func parseToothKey(key []byte, n chart.Numbering) (chart.Tooth, error) {
	if len(key) == 2 && n != chart.Universal { // nearly every key
		if t := (chart.Tooth(key[0]-'0')*10 + chart.Tooth(key[1]-'0')); key[0] >= '0' && key[0] <= '9' && key[1] >= '0' && key[1] <= '9' && t.Valid() {
			return t, nil
		}
	}
	t, err := chart.ParseTooth(string(key), n)
	if err == nil && t.Label(n) != string(key) {
		err = fmt.Errorf("%w: write %q as %q", chart.ErrNoSuchTooth, key, t.Label(n))
	}
	return t, err
}

// among calls f for each key of an object that is one of keys, with its index; the others are unknown.
func (w *jsonText) among(keys []string, f func(i int)) {
	var seen uint64
	w.object(func(key []byte) {
		for i, k := range keys {
			if k == string(key) {
				w.once(&seen, i)
				f(i)
				return
			}
		}
		w.unknownKey()
	})
}

func (w *jsonText) tooth(c *chart.Chart, t chart.Tooth) {
	rec := c.Tooth(t)
	w.asked = chart.ToothInputs{}
	in := &w.asked
	var seen, seenIn uint64
	w.object(func(key []byte) {
		switch string(key) {
		case "state":
			w.once(&seen, 0)
			w.presence(rec)
		case "mobility":
			w.once(&seen, 1)
			if v, ok := w.whole(0, chart.MaxMobility, ""); ok {
				rec.Mobility = chart.GradeOf(v)
			}
		case "furcation":
			w.once(&seen, 2)
			w.among(entranceKeys, func(e int) {
				if v, ok := w.whole(0, chart.MaxFurcation, ""); ok && w.hasFurcation(t, e, c.Numbering) {
					rec.Furcation[e] = chart.GradeOf(v)
				}
			})
		case "furcation_vertical":
			w.once(&seen, 4)
			w.among(entranceKeys, func(e int) {
				if v := w.mm(0, chart.MaxDepth); w.hasFurcation(t, e, c.Numbering) {
					rec.Vertical[e] = v
				}
			})
		case "keratinized_width":
			w.once(&seen, 5)
			rec.Keratin = w.mm(0, chart.MaxDepth)
		case "sites":
			w.once(&seen, 3)
			w.among(siteKeys, func(s int) { w.site(&rec.Sites[s], in, chart.Site(s)) })
		default:
			w.toothInput(in, key, &seenIn)
		}
	})
	if !in.Empty() {
		if c.Patient.Teeth == nil {
			c.Patient.Teeth = map[chart.Tooth]chart.ToothInputs{}
		}
		c.Patient.Teeth[t] = *in
	}
}

func (w *jsonText) presence(rec *chart.ToothRecord) {
	s, ok := w.text()
	if !ok {
		return
	}
	p := slices.Index(presenceKeys, s)
	if p <= 0 {
		w.issue(nil, "%q: use one of %s", s, strings.Join(presenceKeys[1:], ", "))
		return
	}
	rec.Presence = chart.Presence(p)
}

// hasFurcation reports, with an issue if not, whether a tooth has an entrance.
func (w *jsonText) hasFurcation(t chart.Tooth, e int, n chart.Numbering) bool {
	has := slices.Contains(t.Entrances(), chart.Entrance(e))
	if !has {
		w.issue(nil, "tooth %s (%s) has no %s furcation", t.Label(n), t.Name(), chart.Entrance(e).Name())
	}
	return has
}

func (w *jsonText) site(rec *chart.SiteRecord, in *chart.ToothInputs, s chart.Site) {
	var seen, seenIn uint64
	w.object(func(key []byte) {
		switch string(key) {
		case "depth":
			w.once(&seen, 0)
			rec.Depth = w.mm(0, chart.MaxDepth)
		case "recession":
			w.once(&seen, 1)
			rec.Recession = w.mm(chart.MinRecession, chart.MaxRecession)
		case "depth_again":
			w.once(&seen, 10)
			rec.Again = w.mm(0, chart.MaxDepth)
		default:
			for f, name := range flagKeys {
				if name == string(key) {
					w.once(&seen, 2+f)
					if v, ok := w.yesNo(); ok {
						rec.Flags[f] = chart.Is(v)
					}
					return
				}
			}
			w.siteInput(in, s, key, &seenIn)
		}
	})
}
