package diagnosis

import (
	"encoding/binary"
	"encoding/json"
	"strconv"

	"leadsman/chart"
	"leadsman/chartfile"
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
	b = append(b, `{"schema":"`+findingsSchema+`","rules":"`+RuleSet+`"`...)
	if f.ID != "" {
		b = append(b, `,"id":`...)
		b = appendText(b, f.ID)
	}
	b = append(b, `,"numbering":"`...)
	b = append(b, n...)
	b = append(b, '"')
	if !f.Exam.Empty() {
		b = chartfile.AppendOrigin(append(b, `,"exam":`...), &f.Exam, n)
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
	from := len(b) // the comma before the first key becomes the brace
	if e.Tooth != 0 {
		b = appendTooth(append(b, `,"tooth":`...), e.Tooth, n)
		if e.Site < chart.NumSites {
			b = append(b, `,"site":"`...)
			b = append(b, e.Site.String()...)
			b = append(b, '"')
		}
	}
	b = appendMM(b, `,"depth":`, e.Depth)
	b = appendMM(b, `,"recession":`, e.Recession)
	b = appendMM(b, `,"attachmentLoss":`, e.Loss)
	if e.Assumed {
		b = append(b, `,"marginAssumed":true`...)
	}
	if e.Answer.Recorded() {
		b = append(b, `,"`...)
		b = append(b, e.Flag.String()...)
		b = append(b, `":`...)
		b = strconv.AppendBool(b, e.Answer == chart.Yes)
	}
	if e.Mobility.Recorded() {
		b = strconv.AppendInt(append(b, `,"mobility":`...), int64(e.Mobility.Value()), 10)
	}
	if e.Furcation.Recorded() {
		b = strconv.AppendInt(append(b, `,"furcation":`...), int64(e.Furcation.Value()), 10)
		b = append(b, `,"entrance":"`...)
		b = append(b, e.Entrance.String()...)
		b = append(b, '"')
	}
	if e.Asked != nil {
		b = appendText(append(b, `,"input":`...), e.Asked.Input)
		b = appendText(append(b, `,"value":`...), e.Asked.Value)
	}
	if len(b) == from {
		return append(b, "{}"...)
	}
	b[from] = '{'
	return append(b, '}')
}

func appendMM(b []byte, key string, m chart.MM) []byte {
	if !m.Known() {
		return b
	}
	return append(append(b, key...), m.String()...)
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

// labels are the teeth in both numberings, in quotes: there is one in every piece of evidence.
var labelsFDI, labelsUniversal = quoted(chart.FDI), quoted(chart.Universal)

func quoted(n chart.Numbering) (labels [256]string) {
	for t := range labels {
		labels[t] = `"` + chart.Tooth(t).Label(n) + `"`
	}
	return labels
}

func appendTooth(b []byte, t chart.Tooth, n chart.Numbering) []byte {
	if n == chart.Universal {
		return append(b, labelsUniversal[t]...)
	}
	return append(b, labelsFDI[t]...)
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
	from := len(b)
	b = append(b, '"')
	b = append(b, s...)
	if !plain(b[from+1:]) {
		q, _ := json.Marshal(s) // a string always has a JSON form
		return append(b[:from], q...)
	}
	return append(b, '"')
}

// plain reports whether a text is of ASCII characters from the space to the tilde that need no escape. It takes eight bytes at a time:
// most of a findings file is sentences.
func plain(t []byte) bool {
	const ones, high = 0x0101010101010101, 0x8080808080808080 // in every byte
	for ; len(t) >= 8; t = t[8:] {
		v := binary.LittleEndian.Uint64(t)
		quote, slash := v^ones*'"', v^ones*'\\' // 0 where there is one
		if (v|(v+ones)|(v-ones*' ')|(quote-ones)|(slash-ones))&high != 0 {
			return false
		}
	}
	for _, c := range t {
		if c < ' ' || c > '~' || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}
