package chart

import (
	"bytes"
	"slices"
	"strings"
	"time"
)

// Origin is where a chart comes from: which exam, when, by whom and how. It is told of a chart that leaves
// the service; every field may be empty, which means not known.
type Origin struct {
	Began    string // start of the exam, as RFC 3339
	Kind     string // exam or re-evaluation
	Examiner string
	Probe    string // in the practice's words
	SignedBy string // "": not signed
	Signed   string // when, as RFC 3339
	// Doubts are the readings that nobody settled.
	Doubts []DoubtAt
	// Amendments are the values that were changed after the exam was signed, oldest first.
	Amendments []Amended
}

// Amended is an Amendment as a file tells it.
type Amended struct {
	At     string // as Amendment.Place, in the numbering of the file
	Was    string // as Amendment.Values writes them
	Is     string
	Reason string
	By     string
	Time   string // as RFC 3339
}

var amendedInputs = []input[Amended]{
	{key: "at", at: func(a *Amended) any { return &a.At }},
	{key: "was", at: func(a *Amended) any { return &a.Was }},
	{key: "is", at: func(a *Amended) any { return &a.Is }},
	{key: "reason", at: func(a *Amended) any { return &a.Reason }},
	{key: "by", at: func(a *Amended) any { return &a.By }},
	{key: "time", words: []string{timeWord}, at: func(a *Amended) any { return &a.Time }},
}

// Told is an amendment as a file tells it.
func (a *Amendment) Told(n Numbering) Amended {
	was, is := a.Values()
	return Amended{At: a.Place(n), Was: was, Is: is, Reason: a.Reason, By: a.Who, Time: time.UnixMilli(a.Time).UTC().Format(time.RFC3339)}
}

// DoubtAt is a reading in doubt.
type DoubtAt struct {
	SiteRef
	Field Field
}

// timeWord stands for a moment in a list of words.
const timeWord = "2026-11-02T09:30:00Z"

var originInputs = []input[Origin]{
	{key: "began", words: []string{timeWord}, at: func(o *Origin) any { return &o.Began }},
	{key: "kind", words: []string{"exam", "re-evaluation"}, at: func(o *Origin) any { return &o.Kind }},
	{key: "examiner", at: func(o *Origin) any { return &o.Examiner }},
	{key: "probe", at: func(o *Origin) any { return &o.Probe }},
	{key: "signed_by", at: func(o *Origin) any { return &o.SignedBy }},
	{key: "signed", words: []string{timeWord}, at: func(o *Origin) any { return &o.Signed }},
}

// Empty reports whether nothing is known.
func (o *Origin) Empty() bool {
	return o.Began == "" && o.Kind == "" && o.Examiner == "" && o.Probe == "" && o.SignedBy == "" && o.Signed == "" && len(o.Doubts) == 0 && len(o.Amendments) == 0
}

func (w *jsonText) origin(o *Origin, n Numbering) {
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
				var a Amended
				var seen uint64
				w.object(func(key []byte) {
					if !readInput(w, amendedInputs, &a, key, &seen) {
						w.unknownKey()
					}
				})
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
func parseDoubtAt(s string, n Numbering) (d DoubtAt, problem string) {
	part := strings.Split(s, ".")
	if len(part) != 3 {
		return d, "write tooth, site and value such as 16.DB.depth"
	}
	t, err := parseToothKey([]byte(part[0]), n)
	if err != nil {
		return d, err.Error()
	}
	site := slices.Index(siteKeys[:], part[1])
	if site < 0 {
		return d, "the site is one of " + strings.Join(siteKeys[:], " ")
	}
	f := Field(part[2])
	if _, flag := FlagOf(f); !flag && f != FieldDepth && f != FieldRecession {
		return d, "the value is depth, recession or a flag"
	}
	return DoubtAt{SiteRef{t, Site(site)}, f}, ""
}

func writeOrigin(w *writer, o *Origin, n Numbering) {
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

// AppendJSON appends the origin as it stands under "exam" in files, teeth in numbering n.
func (o *Origin) AppendJSON(b []byte, n Numbering) []byte {
	var buf bytes.Buffer
	writeOrigin(&writer{b: &buf}, o, n)
	return append(b, buf.Bytes()...)
}
