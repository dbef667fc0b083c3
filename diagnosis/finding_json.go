package diagnosis

import (
	"encoding/json"
	"strconv"

	"leadsman/chart"
)

// MarshalJSON writes the findings as docs/findings-file.md describes, on one line, the same
// findings always as the same bytes.
func (f Findings) MarshalJSON() ([]byte, error) { return f.AppendJSON(nil), nil }

// AppendJSON appends what MarshalJSON returns.
func (f *Findings) AppendJSON(b []byte) []byte {
	n := f.Numbering
	if n == "" {
		n = chart.FDI
	}
	b = append(b, `{"schema":"`+FindingsSchema+`","rules":"`+RuleSet+`"`...)
	if f.ID != "" {
		b = append(b, `,"id":`...)
		b = appendText(b, f.ID)
	}
	b = append(b, `,"numbering":"`...)
	b = append(b, n...)
	b = append(b, '"')
	if !f.Exam.Empty() {
		b = f.Exam.AppendJSON(append(b, `,"exam":`...), n)
	}
	b = append(b, `,"findings":[`...)
	for i := range f.List {
		if i > 0 {
			b = append(b, ',')
		}
		b = f.List[i].appendJSON(b, n)
	}
	b = append(b, `],"cautions":`...)
	return append(appendTexts(b, f.Cautions), '}')
}

// MarshalJSON writes one finding by itself, teeth by FDI number.
func (f Finding) MarshalJSON() ([]byte, error) { return f.appendJSON(nil, chart.FDI), nil }

// MarshalJSON writes what is missing by itself, teeth by FDI number.
func (m Missing) MarshalJSON() ([]byte, error) { return m.appendJSON(nil, chart.FDI), nil }

// MarshalJSON writes one piece of evidence by itself, the tooth by FDI number.
func (e Evidence) MarshalJSON() ([]byte, error) { return e.appendJSON(nil, chart.FDI), nil }

func (f *Finding) appendJSON(b []byte, n chart.Numbering) []byte {
	b = append(b, `{"code":"`...)
	b = append(b, f.Code...)
	b = append(b, '"')
	if f.Tooth != 0 {
		b = append(b, `,"tooth":`...)
		b = appendTooth(b, f.Tooth, n)
	}
	b = append(b, `,"value":`...)
	switch f.Value.kind {
	case wordValue:
		b = appendText(b, f.Value.word)
	case numberValue:
		b = appendFixed(b, f.Value.number, 4, true)
		b = append(b, `,"shown":"`...)
		b = appendFixed(b, f.Value.number, int(f.Value.decimals), false)
		b = append(b, '"')
	default:
		b = append(b, "null"...)
	}
	b = append(b, `,"atLeast":`...)
	b = strconv.AppendBool(b, f.AtLeast)
	b = append(b, `,"provisional":`...)
	b = strconv.AppendBool(b, f.Provisional)
	if f.Eligible > 0 {
		b = append(b, `,"recorded":`...)
		b = strconv.AppendInt(b, int64(f.Recorded), 10)
		b = append(b, `,"eligible":`...)
		b = strconv.AppendInt(b, int64(f.Eligible), 10)
	}
	b = append(b, `,"because":[`...)
	for i := range f.Because {
		if i > 0 {
			b = append(b, ',')
		}
		b = f.Because[i].appendJSON(b, n)
	}
	b = append(b, `],"missing":[`...)
	for i := range f.Missing {
		if i > 0 {
			b = append(b, ',')
		}
		b = f.Missing[i].appendJSON(b, n)
	}
	b = append(b, `],"text":`...)
	b = appendText(b, f.Text)
	if len(f.Notes) > 0 {
		b = append(b, `,"notes":`...)
		b = appendTexts(b, f.Notes)
	}
	b = append(b, `,"rule":"`...)
	b = append(b, f.Rule...)
	b = append(b, `","source":`...)
	b = appendText(b, f.Source)
	return append(b, '}')
}

func (e *Evidence) appendJSON(b []byte, n chart.Numbering) []byte {
	b = append(b, '{')
	key := func(k string) {
		if b[len(b)-1] != '{' {
			b = append(b, ',')
		}
		b = append(b, '"')
		b = append(b, k...)
		b = append(b, '"', ':')
	}
	if e.Tooth != 0 {
		key("tooth")
		b = appendTooth(b, e.Tooth, n)
		if e.Site < chart.NumSites {
			key("site")
			b = append(b, '"')
			b = append(b, e.Site.String()...)
			b = append(b, '"')
		}
	}
	for _, m := range [...]struct {
		key string
		mm  chart.MM
	}{{"depth", e.Depth}, {"recession", e.Recession}, {"attachmentLoss", e.Loss}} {
		if m.mm.Known() {
			key(m.key)
			if h := m.mm.Half(); h%2 == 0 { // nearly every reading, and quicker
				b = strconv.AppendInt(b, int64(h/2), 10)
			} else {
				b = strconv.AppendFloat(b, m.mm.Float(), 'f', -1, 64)
			}
		}
	}
	if e.Assumed {
		key("marginAssumed")
		b = append(b, "true"...)
	}
	if e.Answer.Recorded() {
		key(e.Flag.String())
		b = strconv.AppendBool(b, e.Answer == chart.Yes)
	}
	if e.Mobility.Recorded() {
		key("mobility")
		b = strconv.AppendInt(b, int64(e.Mobility.Value()), 10)
	}
	if e.Furcation.Recorded() {
		key("furcation")
		b = strconv.AppendInt(b, int64(e.Furcation.Value()), 10)
		key("entrance")
		b = append(b, '"')
		b = append(b, e.Entrance.String()...)
		b = append(b, '"')
	}
	if e.Asked != nil {
		key("input")
		b = appendText(b, e.Asked.Input)
		key("value")
		b = appendText(b, e.Asked.Value)
	}
	return append(b, '}')
}

func (m *Missing) appendJSON(b []byte, n chart.Numbering) []byte {
	b = append(b, `{"input":`...)
	b = appendText(b, m.Input)
	b = append(b, `,"couldBe":`...)
	b = appendTexts(b, m.CouldBe)
	if len(m.Teeth) > 0 {
		b = append(b, `,"teeth":[`...)
		for i, t := range m.Teeth {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendTooth(b, t, n)
		}
		b = append(b, ']')
	}
	if len(m.Sites) > 0 {
		b = append(b, `,"sites":[`...)
		for i, r := range m.Sites {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(b, '"')
			b = append(b, r.Tooth.Label(n)...)
			b = append(b, '.')
			b = append(b, r.Site.String()...)
			b = append(b, '"')
		}
		b = append(b, ']')
	}
	b = append(b, `,"question":`...)
	return append(appendText(b, m.Question), '}')
}

func appendTooth(b []byte, t chart.Tooth, n chart.Numbering) []byte {
	b = append(b, '"')
	b = append(b, t.Label(n)...)
	return append(b, '"')
}

func appendTexts(b []byte, list []string) []byte {
	b = append(b, '[')
	for i, s := range list {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendText(b, s)
	}
	return append(b, ']')
}

// appendText appends a JSON string. Nearly all texts are plain ASCII, which needs no escapes.
func appendText(b []byte, s string) []byte {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' {
			q, _ := json.Marshal(s) // a string always has a JSON form
			return append(b, q...)
		}
	}
	b = append(b, '"')
	b = append(b, s...)
	return append(b, '"')
}
