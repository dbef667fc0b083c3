package chartfile

import (
	"bytes"
	"slices"
	"strings"

	"leadsman/chart"
)

// timeWord stands for a moment in a list of words.
const timeWord = "2026-11-02T09:30:00Z"

var originInputs = []chart.Input[chart.Origin]{
	{Key: "began", Words: []string{timeWord}, At: func(o *chart.Origin) any { return &o.Began }},
	{Key: "kind", Words: []string{"exam", "re-evaluation"}, At: func(o *chart.Origin) any { return &o.Kind }},
	{Key: "examiner", At: func(o *chart.Origin) any { return &o.Examiner }},
	{Key: "probe", At: func(o *chart.Origin) any { return &o.Probe }},
	{Key: "signed_by", At: func(o *chart.Origin) any { return &o.SignedBy }},
	{Key: "signed", Words: []string{timeWord}, At: func(o *chart.Origin) any { return &o.Signed }},
}

var amendedInputs = []chart.Input[chart.Amended]{
	{Key: "at", At: func(a *chart.Amended) any { return &a.At }},
	{Key: "was", At: func(a *chart.Amended) any { return &a.Was }},
	{Key: "is", At: func(a *chart.Amended) any { return &a.Is }},
	{Key: "reason", At: func(a *chart.Amended) any { return &a.Reason }},
	{Key: "by", At: func(a *chart.Amended) any { return &a.By }},
	{Key: "time", Words: []string{timeWord}, At: func(a *chart.Amended) any { return &a.Time }},
}

func (w *jsonText) origin(o *chart.Origin, n chart.Numbering) {
	var seen uint64
	w.object(func(key []byte) {
		switch {
		case readInput(w, originInputs, o, key, &seen):
		case string(key) == "doubts":
			w.once(&seen, len(originInputs))
			w.array(func() {
				s, ok := w.text()
				if !ok {
					return
				}
				d, err := parseDoubtAt(s, n)
				if err != "" {
					w.issue(nil, "%q: %s", s, err)
					return
				}
				o.Doubts = append(o.Doubts, d)
			})
		case string(key) == "amendments":
			w.once(&seen, len(originInputs)+1)
			w.array(func() {
				var a chart.Amended
				readInputs(w, amendedInputs, &a)
				if a.At == "" || a.Reason == "" {
					w.issue(nil, "an amendment has at least its place (at) and its reason")
				}
				o.Amendments = append(o.Amendments, a)
			})
		default:
			w.unknownKey()
		}
	})
}

// parseDoubtAt reads "16.DB.depth".
func parseDoubtAt(s string, n chart.Numbering) (d chart.DoubtAt, problem string) {
	part := strings.Split(s, ".")
	if len(part) != 3 {
		return d, "write tooth, site and value such as 16.DB.depth"
	}
	t, err := parseToothKey([]byte(part[0]), n)
	if err != nil {
		return d, err.Error()
	}
	site := slices.Index(siteKeys, part[1])
	if site < 0 {
		return d, "the site is one of " + strings.Join(siteKeys, " ")
	}
	f := chart.Field(part[2])
	if _, flag := chart.FlagOf(f); !flag && f != chart.FieldDepth && f != chart.FieldRecession {
		return d, "the value is depth, recession or a flag"
	}
	return chart.DoubtAt{SiteRef: chart.SiteRef{Tooth: t, Site: chart.Site(site)}, Field: f}, ""
}

func writeOrigin(w *writer, o *chart.Origin, n chart.Numbering) {
	w.open()
	writeInputs(w, originInputs, o)
	if len(o.Doubts) > 0 {
		w.key("doubts")
		w.b.WriteByte('[')
		for i, d := range o.Doubts {
			if i > 0 {
				w.b.WriteByte(',')
			}
			w.text(d.Tooth.Label(n) + "." + d.Site.String() + "." + string(d.Field))
		}
		w.b.WriteByte(']')
	}
	if len(o.Amendments) > 0 {
		w.key("amendments")
		w.b.WriteByte('[')
		for i := range o.Amendments {
			if i > 0 {
				w.b.WriteByte(',')
			}
			w.open()
			writeInputs(w, amendedInputs, &o.Amendments[i])
			w.close()
		}
		w.b.WriteByte(']')
	}
	w.close()
}

// AppendOrigin appends an origin as it stands under "exam" in files, teeth in numbering n.
func AppendOrigin(b []byte, o *chart.Origin, n chart.Numbering) []byte {
	var buf bytes.Buffer
	writeOrigin(&writer{b: &buf}, o, n)
	return append(b, buf.Bytes()...)
}
