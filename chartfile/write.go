package chartfile

import (
	"bytes"
	"encoding/json"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"

	"leadsman/chart"
)

// Encode writes a chart as one line of JSON. The order of keys is fixed, so the same chart gives
// the same bytes. It fails with Issues on a chart that Decode would refuse.
func Encode(out io.Writer, c *chart.Chart) error {
	var b bytes.Buffer
	writeChart(&b, c)
	if is := readChart(b.Bytes(), &chart.Chart{}).issues; len(is) > 0 {
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

func writeInputs[T any](w *writer, set []chart.Input[T], source *T) {
	for i := range set {
		in := &set[i]
		switch p := in.At(source).(type) {
		case **int:
			if *p != nil {
				w.key(in.Key)
				w.b.WriteString(strconv.Itoa(**p))
			}
		case **float64:
			if *p != nil {
				w.key(in.Key)
				w.b.WriteString(num(**p))
			}
		case **bool:
			if *p != nil {
				w.key(in.Key)
				w.b.WriteString(strconv.FormatBool(**p))
			}
		case *string:
			if *p != "" {
				w.key(in.Key)
				w.text(*p)
			}
		}
	}
}

func writeChart(b *bytes.Buffer, c *chart.Chart) {
	n := c.Numbering
	if n == "" {
		n = chart.FDI
	}
	w := &writer{b: b}
	w.open()
	w.key("schema")
	w.text(schemaName)
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
		if rec.Empty() && in.Empty() {
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
func fileOrder(n chart.Numbering) []chart.Tooth {
	ts := make([]chart.Tooth, 0, 52)
	if n == chart.Universal {
		ts = append(ts, chart.AllTeeth()...)
		for l := 'A'; l <= 'T'; l++ {
			t, _ := chart.ParseTooth(string(l), chart.Universal)
			ts = append(ts, t)
		}
		return ts
	}
	for i := range 52 {
		ts = append(ts, chart.ToothAt(i))
	}
	return ts
}

func writePatient(w *writer, p *chart.Patient, n chart.Numbering) {
	writeInputs(w, chart.PatientAsked, p)
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
				if t, err := chart.ParseTooth(tooth, chart.FDI); err == nil {
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
		byPlace := func(a, b chart.Gap) int { return int(a.A)*100 + int(a.B) - int(b.A)*100 - int(b.B) }
		for _, g := range slices.SortedFunc(maps.Keys(p.Gaps), byPlace) {
			w.key(g.Label(n))
			w.open()
			v := p.Gaps[g]
			writeInputs(w, chart.GapAsked, &v)
			w.close()
		}
		w.close()
	}
}

func writeTooth(w *writer, rec *chart.ToothRecord, in *chart.ToothInputs) {
	w.open()
	if rec.Presence != chart.Unstated {
		w.key("state")
		w.text(rec.Presence.String())
	}
	if rec.Mobility.Recorded() {
		w.key("mobility")
		w.b.WriteString(strconv.Itoa(rec.Mobility.Value()))
	}
	if rec.Furcation != (chart.ToothRecord{}).Furcation {
		writeFurcation(w, rec)
	}
	if rec.Vertical != (chart.ToothRecord{}).Vertical {
		writeVertical(w, rec)
	}
	if rec.Keratin.Known() {
		w.key("keratinized_width")
		w.b.WriteString(rec.Keratin.String())
	}
	writeInputs(w, chart.ToothAsked, in)
	if g := in.GingivalBleed; g != nil {
		w.key("gingival_bleeding")
		w.open()
		writeInputs(w, chart.GingivalAsked, g)
		w.close()
	}
	if im := in.Implant; im != nil {
		w.key("implant")
		w.open()
		writeInputs(w, chart.ImplantAsked, im)
		w.close()
	}
	if rec.Sites != (chart.ToothRecord{}).Sites || len(in.Sites) > 0 {
		w.key("sites")
		w.open()
		for s := range rec.Sites {
			asked := in.Sites[chart.Site(s)]
			if rec.Sites[s].Empty() && asked == (chart.SiteInputs{}) {
				continue
			}
			w.key(siteKeys[s])
			writeSite(w, &rec.Sites[s], &asked)
		}
		w.close()
	}
	w.close()
}

func writeFurcation(w *writer, rec *chart.ToothRecord) {
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

func writeVertical(w *writer, rec *chart.ToothRecord) {
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

func writeSite(w *writer, rec *chart.SiteRecord, asked *chart.SiteInputs) {
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
			w.b.WriteString(strconv.FormatBool(v == chart.Yes))
		}
	}
	writeInputs(w, chart.SiteAsked, asked)
	w.close()
}
