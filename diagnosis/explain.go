package diagnosis

import (
	"fmt"
	"strings"

	"leadsman/chart"
)

// title writes the chart's id, if it has one, and gives the numbering of tooth labels.
func (f *Findings) title(b *strings.Builder) chart.Numbering {
	if f.ID != "" {
		fmt.Fprintf(b, "%s\n", f.ID)
	}
	if f.Numbering == "" {
		return chart.FDI
	}
	return f.Numbering
}

// Explain writes findings for people: each with its sentence, the readings that led to it, what is
// missing and what that could change, and the rule with its source.
func Explain(f *Findings) string {
	var b strings.Builder
	n := f.title(&b)
	fmt.Fprintf(&b, "Rules %s, teeth in %s numbering\n", RuleSet, numberingName(n))
	for i := range f.List {
		explain(&b, &f.List[i], n)
	}
	b.WriteByte('\n')
	for _, c := range f.Cautions {
		fmt.Fprintf(&b, "! %s\n", c)
	}
	return b.String()
}

func explain(b *strings.Builder, f *Finding, n chart.Numbering) {
	b.WriteByte('\n')
	b.WriteString(nameOf(f.Code))
	if f.Tooth != 0 {
		b.WriteString(" " + f.Tooth.Label(n))
	}
	b.WriteString(": ")
	switch v := plainWord(f.Value.String()); {
	case v == "":
		b.WriteString("no value")
	case f.AtLeast:
		b.WriteString("at least " + v)
	default:
		b.WriteString(v)
	}
	if f.Provisional {
		b.WriteString(" (provisional)")
	}
	fmt.Fprintf(b, "\n  %s\n", f.Text)
	const shown = 12
	for i := range f.Because {
		if i == shown {
			fmt.Fprintf(b, "  because  and %d more\n", len(f.Because)-shown)
			break
		}
		fmt.Fprintf(b, "  because  %s\n", f.Because[i].Line(n))
	}
	for i := range f.Missing {
		fmt.Fprintf(b, "  missing  %s\n", f.Missing[i].Line(n, f.Value.String()))
	}
	for _, note := range f.Notes {
		fmt.Fprintf(b, "  note     %s\n", note)
	}
	fmt.Fprintf(b, "  rule     %s (%s): %s\n", f.Rule, f.Code, f.Source)
}

// Line is the evidence in one line: "16 DB depth 6 mm, attachment loss 7 mm".
func (e *Evidence) Line(n chart.Numbering) string {
	var parts []string
	place := ""
	if e.Tooth != 0 {
		place = e.Tooth.Label(n) + " "
		if e.Site < chart.NumSites {
			place += e.Site.String() + " "
		}
	}
	add := func(what string, mm chart.MM) {
		if mm.Known() {
			parts = append(parts, what+" "+mm.String()+" mm")
		}
	}
	add("depth", e.Depth)
	add("recession", e.Recession)
	add("attachment loss", e.Loss)
	if e.Assumed {
		parts = append(parts, "margin assumed, not measured")
	}
	if e.Answer.Recorded() {
		parts = append(parts, e.Flag.String()+" "+map[chart.YesNo]string{chart.Yes: "yes", chart.No: "no"}[e.Answer])
	}
	if e.Mobility.Recorded() {
		parts = append(parts, fmt.Sprintf("mobility %d", e.Mobility.Value()))
	}
	if e.Furcation.Recorded() {
		parts = append(parts, fmt.Sprintf("furcation %d %s", e.Furcation.Value(), e.Entrance.Name()))
	}
	if e.Asked != nil {
		parts = append(parts, strings.TrimSpace(asked(e.Asked.Input)+" "+e.Asked.Value))
	}
	return place + strings.Join(parts, ", ")
}

// Line is what is missing in one line, with what it could change of a value.
func (m *Missing) Line(n chart.Numbering, value string) string {
	s := m.Question
	if could := m.CouldBe; len(could) > 1 || len(could) == 1 && could[0] != value {
		s += " Could be " + plainWord(strings.Join(could, " or ")) + "."
	}
	const shown = 12
	var places []string
	for _, t := range m.Teeth {
		places = append(places, t.Label(n))
	}
	for _, r := range m.Sites {
		places = append(places, r.Tooth.Label(n)+" "+r.Site.String())
	}
	if len(places) > shown {
		places = append(places[:shown:shown], fmt.Sprintf("and %d more", len(places)-shown))
	}
	if len(places) > 0 {
		s += " (" + strings.Join(places, ", ") + ")"
	}
	return s
}

// Summary writes findings for people in a line each: name, value, sentence; and the cautions.
func Summary(f *Findings) string {
	var b strings.Builder
	n := f.title(&b)
	for i := range f.List {
		v := &f.List[i]
		name, value := nameOf(v.Code), plainWord(v.Value.String())
		if v.Tooth != 0 {
			name += " " + v.Tooth.Label(n)
		}
		if value == "" {
			value = "-"
		}
		if v.AtLeast {
			value = "at least " + value
		}
		if v.Provisional {
			value += "*"
		}
		fmt.Fprintf(&b, "%-36s %-24s %s\n", name, value, v.Text)
	}
	fmt.Fprintf(&b, "* provisional: something is missing or waits for the clinician; --explain says what.\n")
	for _, c := range f.Cautions {
		fmt.Fprintf(&b, "! %s\n", c)
	}
	return b.String()
}
