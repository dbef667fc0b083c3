package paper

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/profile"
	"leadsman/report"
)

// Clinical writes the report of an exam for clinicians: profile and table, findings with what they rest on, scores, what changed since
// before, open doubts, signatures and amendments, cautions. Nothing on it needs colour.
func Clinical(w io.Writer, r *report.Record, size Size) error {
	c := &clinical{doc: begin(size, title(r)+" – "+r.Patient.Name, "en", strings.Join(filled(r.Patient.Name, r.Patient.Number, "exam of "+day(r.Exam.Began), standing(r)), " · "), "page %d of %s", r.Exam.Ended), r: r, n: r.Chart.Numbering}
	c.first()
	c.profile(r.Before)
	c.findings()
	c.scores()
	c.changes(r.Before)
	c.after()
	c.table()
	c.cautions()
	return c.end(w)
}

type clinical struct {
	*doc
	r *report.Record
	n chart.Numbering
}

func filled(parts ...string) []string {
	return slices.DeleteFunc(parts, func(s string) bool { return s == "" })
}

func day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.DateOnly)
}

func title(r *report.Record) string {
	if r.Exam.Kind == "re-evaluation" {
		return "Periodontal re-evaluation"
	}
	return "Periodontal exam"
}

// standing says whether somebody answers for the exam.
func standing(r *report.Record) string {
	switch {
	case r.Void != nil:
		return "VOID"
	case r.Exam.SignedBy != "" && len(r.Amendments) > 0:
		return "signed, amended"
	case r.Exam.SignedBy != "":
		return "signed"
	case len(r.Signatures) > 0:
		return "waits for a co-signature"
	}
	return "DRAFT, not signed"
}

func (c *clinical) first() {
	r := c.r
	c.upright()
	if r.Practice != "" {
		c.say("", 11, r.Practice)
	}
	c.heading(0, title(r))
	c.rows(34, [][2]string{{"Patient", strings.Join(filled(r.Patient.Name, r.Patient.Number), ", ")}, {"Born", r.Patient.Born}, {"Exam of", r.Exam.Began.Format("2006-01-02, 15:04")}, {"Examiner", r.Exam.Examiner},
		{"Probe", r.Probe()}, {"Teeth", map[chart.Numbering]string{chart.Universal: "Universal numbering"}[c.n] + map[chart.Numbering]string{chart.FDI: "FDI numbering (ISO 3950)"}[c.n]}, {"State", standing(r)}})
	if r.Void != nil {
		c.say("B", 11, fmt.Sprintf("This exam was made void by %s on %s: %s", r.Void.Who, day(time.UnixMilli(r.Void.Time)), r.Void.Reason))
	} else if r.Exam.SignedBy == "" {
		c.say("B", 11, "Nobody has signed this exam yet: it is a draft.")
	}
	c.Ln(1)
	c.say("", 8.5, r.Findings.Cautions[0])
	c.Ln(1)
	c.say("B", 11, c.short())
}

// short is the exam in one line: what was found and the numbers that are asked for first.
func (c *clinical) short() string {
	var out []string
	for _, h := range []struct{ code, name, unit string }{{"periodontitis.case", "Periodontitis:", ""}, {"periodontitis.stage", "stage", ""}, {"periodontitis.extent", "", ""}, {"periodontitis.grade", "grade", ""},
		{"score.bleeding_percent", "bleeding", " %"}, {"sites.ge4", "sites of 4 mm and more:", ""}, {"sites.ge6", "of 6 mm and more:", ""}} {
		f, ok := c.r.Findings.Get(h.code)
		v := strings.ReplaceAll(f.Value.String(), "-", " ")
		if !ok || v == "" || f.AtLeast && v == "0" {
			continue
		}
		if v += h.unit; f.AtLeast {
			v = "at least " + v
		}
		if f.Provisional {
			v += " (provisional)"
		}
		out = append(out, strings.TrimSpace(h.name+" "+v))
	}
	return strings.Join(out, ", ") + "."
}

// headlines are the findings that are shown with all that they rest on, in this order.
var headlines = []struct{ code, name string }{{"periodontitis.case", "Periodontitis"}, {"periodontitis.stage", "Stage"}, {"periodontitis.extent", "Extent"}, {"periodontitis.grade", "Grade"},
	{"periodontitis.status", "Status"}, {"gingiva.status", "Gingiva"}, {"endpoint.reached", "End point of therapy"}, {"implant.status", "Implant"}, {"recession.type", "Recession"}, {"risk.progression", "Risk of progression"},
	{"surveillance.cdc_aap_2012", "Surveillance case (CDC/AAP 2012)"}, {"chart.completeness", "Completeness"}}

// shownReadings is how many of the readings that a finding rests on are named.
const shownReadings = 8

func (c *clinical) findings() {
	c.need(48) // never the title alone
	c.heading(1, "Findings")
	for _, h := range headlines {
		var all []*diagnosis.Finding
		for i := range c.r.Findings.List {
			if f := &c.r.Findings.List[i]; f.Code == h.code {
				all = append(all, f)
			}
		}
		for i, f := range all {
			c.finding(h.name, f, i+1 == len(all) || all[i+1].Source != f.Source)
		}
	}
	c.say("", 8, "Rules "+diagnosis.RuleSet+". Every finding is a proposal for the clinician; “provisional” means that something is missing, waits for an answer, or rests on a reading in doubt.")
}

// finding writes one with what it rests on; of several of a kind the last one names the source.
func (c *clinical) finding(name string, f *diagnosis.Finding, sourced bool) {
	c.need(24)
	if f.Tooth != 0 {
		name += " " + f.Tooth.Label(c.n)
	}
	v := strings.ReplaceAll(f.Value.String(), "-", " ")
	if v == "" {
		v = "no value"
	}
	if f.AtLeast {
		v = "at least " + v
	}
	if f.Code == "chart.completeness" && f.Value.String() != "" {
		v += " percent"
	}
	if f.Provisional {
		v += " (provisional)"
	}
	c.font("B", 10)
	c.as("H3", "", func() { c.MultiCell(0, 5, name+": "+v, "", "L", false) })
	c.say("", 9.5, f.Text)
	if because := c.readings(f.Because); because != "" {
		c.say("", 8.5, "Rests on "+because+".")
	}
	for _, m := range f.Missing {
		if m.Question != "" {
			c.say("", 8.5, "Open: "+m.Question)
		}
	}
	for _, n := range f.Notes {
		c.say("", 8.5, n)
	}
	if sourced {
		c.SetTextColor(60, 60, 60)
		c.say("", 7.5, "Source: "+f.Source)
		c.SetTextColor(0, 0, 0)
	}
	c.Ln(1.2)
}

// readings names what a finding rests on.
func (c *clinical) readings(es []diagnosis.Evidence) string {
	var out []string
	for _, e := range es {
		if len(out) == shownReadings {
			return strings.Join(out, "; ") + fmt.Sprintf("; and %d more", len(es)-shownReadings)
		}
		if e.Tooth == 0 {
			if e.Asked != nil {
				out = append(out, strings.ReplaceAll(strings.TrimPrefix(e.Asked.Input, "risk."), "_", " ")+" "+e.Asked.Value)
			}
			continue
		}
		s := e.Tooth.Label(c.n)
		if e.Site < chart.NumSites {
			s += " " + e.Site.String()
		}
		var what []string
		for _, m := range []struct {
			name string
			v    chart.MM
		}{{"depth", e.Depth}, {"recession", e.Recession}, {"loss", e.Loss}} {
			if m.v.Known() {
				what = append(what, m.name+" "+m.v.String())
			}
		}
		if e.Answer.Recorded() {
			what = append(what, map[bool]string{true: "", false: "no "}[e.Answer == chart.Yes]+e.Flag.String())
		}
		if e.Mobility.Recorded() {
			what = append(what, fmt.Sprintf("mobility %d", e.Mobility.Value()))
		}
		if e.Furcation.Recorded() {
			what = append(what, fmt.Sprintf("furcation %s %d", e.Entrance.Name(), e.Furcation.Value()))
		}
		out = append(out, strings.TrimSpace(s+" "+strings.Join(what, ", ")))
	}
	return strings.Join(out, "; ")
}

// scoreRows are the numbers, with their units.
var scoreRows = []struct{ code, name, unit string }{{"score.bleeding_percent", "Bleeding on probing", "%"}, {"score.plaque_percent", "Plaque", "%"}, {"score.pisa_mm2", "Inflamed surface area (PISA)", "mm²"},
	{"depth.mean", "Mean depth", "mm"}, {"attachment_loss.mean", "Mean attachment loss", "mm"}, {"sites.ge4", "Sites of 4 mm and more", ""}, {"sites.ge5", "Sites of 5 mm and more", ""}, {"sites.ge6", "Sites of 6 mm and more", ""},
	{"sites.suppuration", "Sites with suppuration", ""}, {"mobility.max", "Greatest mobility", ""}, {"furcation.max", "Greatest furcation", ""}}

func (c *clinical) scores() {
	c.heading(1, "Scores")
	var lines [][2]string
	for _, s := range scoreRows {
		f, ok := c.r.Findings.Get(s.code)
		if !ok {
			continue
		}
		v := strings.TrimSpace(f.Value.String() + " " + s.unit)
		if f.Value.String() == "" {
			v = "not recorded"
		}
		if f.AtLeast {
			v = "at least " + v
		}
		if f.Eligible > 0 {
			v += fmt.Sprintf("  (%d of %d recorded)", f.Recorded, f.Eligible)
		}
		lines = append(lines, [2]string{s.name, v})
	}
	c.rows(62, lines)
}

// changes sets the exam beside the one before.
func (c *clinical) changes(before *report.Record) {
	if before == nil {
		return
	}
	c.heading(1, "Since the exam of "+day(before.Exam.Began))
	o := diagnosis.CompareOptions{OtherExaminer: before.Exam.Examiner != c.r.Exam.Examiner, OtherProbe: before.Probe() != c.r.Probe()}
	o.Doubts = chart.Named(c.r.Doubts)
	x := diagnosis.Compare(before.Chart, c.r.Chart, o)
	closed := fmt.Sprintf("%d of %d measured again", x.Closed, x.Remeasured)
	if x.Pockets == 0 {
		closed = "there were none"
	}
	c.rows(62, [][2]string{
		{"Attachment beyond error", fmt.Sprintf("%d sites better, %d worse, %d not sure, %d within error", x.LossImproved, x.LossWorse, x.LossNotSure, x.LossWithin)},
		{"Depth beyond error", fmt.Sprintf("%d sites shallower, %d deeper, %d not sure, %d within error", x.Improved, x.Worse, x.NotSure, x.Within)},
		{"Pockets of 5 mm closed", closed},
		{"New pockets", fmt.Sprint(x.NewPockets)},
		{"Left of 6 mm and more", c.sites(x.Residual6)},
		{"Left of 5 mm, bleeding", c.sites(x.ResidualBleeding)},
		{"Worse, to measure again", c.sites(x.WorseSites)},
	})
	for _, n := range x.Notes {
		c.say("", 8.5, n)
	}
}

func (c *clinical) sites(rs []chart.SiteRef) string {
	if len(rs) == 0 {
		return "none"
	}
	var out []string
	for i, r := range rs {
		if i == 24 {
			out = append(out, fmt.Sprintf("and %d more", len(rs)-i))
			break
		}
		out = append(out, r.Tooth.Label(c.n)+" "+r.Site.String())
	}
	return strings.Join(out, ", ")
}

// after is what people said to it: doubts, the plan, signatures, amendments.
func (c *clinical) after() {
	r := c.r
	c.heading(1, "Open doubts")
	if len(r.Doubts) == 0 {
		c.say("", 9.5, "None.")
	}
	for _, d := range r.Doubts {
		c.bullet(9.5, fmt.Sprintf("%s %s, %s: %s", d.Tooth.Label(c.n), d.Site, d.Field.Words(), d.Reason))
	}
	if p := r.Plan; p != nil {
		c.heading(1, "Plan, decided by "+p.Who+" on "+day(time.UnixMilli(p.Time)))
		for _, ph := range p.Phases {
			c.say("B", 9.5, ph.Title)
			for _, item := range ph.Items {
				c.bullet(9.5, item)
			}
		}
		recall := p.Recall
		if p.RecallMonths > 0 {
			recall = strings.TrimSpace(fmt.Sprintf("%s (every %d months)", recall, p.RecallMonths))
		}
		c.rows(40, [][2]string{{"Re-evaluation", p.Reevaluation}, {"Recall", recall}, {"Note", p.Note}})
	}
	c.heading(1, "Signatures")
	if len(r.Signatures) == 0 {
		c.say("", 9.5, "None: this is a draft.")
	}
	for _, s := range r.Signatures {
		what := "Signed"
		if s.Co {
			what = "Co-signed"
		}
		line := fmt.Sprintf("%s by %s on %s", what, s.Who, time.UnixMilli(s.Time).Format("2006-01-02, 15:04"))
		if s.Waits {
			line += " as a student"
		}
		c.bullet(9.5, line)
	}
	for _, a := range r.Amendments {
		at := "answers about the patient"
		if a.Tooth != 0 {
			at = a.Tooth.Label(c.n)
			if a.Site != nil {
				at += " " + a.Site.String()
			}
			at += " " + a.Field.Words()
		}
		was, is := a.Values()
		c.bullet(9.5, fmt.Sprintf("Amended by %s on %s, %s: from %s to %s. Reason: %s", a.Who, time.UnixMilli(a.Time).Format("2006-01-02, 15:04"), at, was, is, a.Reason))
	}
	if r.Exam.Head != "" {
		c.say("", 7.5, "Made from the log that ends with "+r.Exam.Head+".")
	}
}

func (c *clinical) cautions() {
	c.heading(1, "Cautions")
	for _, t := range c.r.Findings.Cautions {
		c.bullet(8.5, t)
	}
}

// profile draws the four rows, on what is left of the page if they can be read there.
func (c *clinical) profile(before *report.Record) {
	c.need(150)
	c.heading(1, "Profile")
	w, h := c.GetPageSize()
	earlier := (*chart.Chart)(nil)
	if before != nil {
		earlier = before.Chart
	}
	o := profile.Options{Span: profile.SpanOf(c.r.Chart, earlier), Earlier: earlier, Noise: chart.Millimetres(2), Doubts: map[chart.SiteRef]bool{}}
	for _, d := range c.r.Doubts {
		if d.Field == chart.FieldDepth {
			o.Doubts[d.SiteRef] = true
		}
	}
	var pics []profile.Picture
	tall := 0.0
	for _, row := range profile.Rows() {
		p := profile.Draw(c.r.Chart, row, o)
		pics = append(pics, p)
		tall += p.Height
	}
	const between = 4.0
	room := h - footRoom - c.GetY() - 9
	width := min(w-2*margin, (room-3*between)*pics[0].Width/tall)
	y := c.GetY()
	c.as("Figure", "The depths and the margins of all sites as a picture; the table of values has them as numbers.", func() {
		for i := range pics {
			y += c.draw(&pics[i], margin, y, width) + between
		}
	})
	c.SetXY(margin, y-between+1)
	key := "Across: the level line is the cemento-enamel junction, the heavy line the margin; the columns reach to the pocket's bottom, numbers are depths in mm. b bleeding, s suppuration, p plaque, c calculus; “?” in doubt."
	if earlier != nil {
		key += " The dashed line is the exam of " + day(before.Exam.Began) + "."
	}
	c.say("", 8, key)
}

// table writes all values, a page across.
func (c *clinical) table() {
	c.across()
	c.heading(1, "Values")
	w, _ := c.GetPageSize()
	const label, height = 21.0, 4.1
	cell := (w - 2*margin - label) / 48
	for _, row := range profile.Rows() {
		if _, h := c.GetPageSize(); c.GetY()+7*height > h-footRoom {
			c.across()
		}
		c.within("Table", func() { c.values(row, label, cell, height) })
		c.Ln(2)
	}
	c.say("", 8, "mm; empty: not recorded. Bold: 4 mm and more. Flags: b bleeding, s suppuration, p plaque, c calculus; a dot: asked, and no. M mobility, F furcation with its entrance, I implant, – missing, u unerupted.")
}

// values is a row of the chart: a column a tooth, three values in a cell.
func (c *clinical) values(row profile.Row, label, cell, height float64) {
	c.within("TR", func() {
		c.font("B", 7.5)
		c.as("TH", "Column", func() {
			c.CellFormat(label, height, strings.ReplaceAll(row.String(), "-", " "), "B", 0, "L", false, 0, "")
		})
		for _, t := range row.Teeth() {
			c.as("TH", "Column", func() { c.CellFormat(3*cell, height, c.toothHead(t), "LB", 0, "C", false, 0, "") })
		}
		c.Ln(height)
	})
	for _, line := range []struct {
		name string
		of   func(t chart.Tooth, s chart.Site) string
	}{
		{"depth", func(t chart.Tooth, s chart.Site) string { return known(c.r.Chart.Tooth(t).Sites[s].Depth) }},
		{"recession", func(t chart.Tooth, s chart.Site) string { return known(c.r.Chart.Tooth(t).Sites[s].Recession) }},
		{"attachment loss", func(t chart.Tooth, s chart.Site) string {
			loss, _, _ := c.r.Chart.Tooth(t).Sites[s].AttachmentLoss()
			return known(loss)
		}},
		{"flags", func(t chart.Tooth, s chart.Site) string { return letters(&c.r.Chart.Tooth(t).Sites[s]) }},
	} {
		c.within("TR", func() {
			c.font("", 7)
			c.as("TH", "Row", func() { c.CellFormat(label, height, line.name, "", 0, "L", false, 0, "") })
			for _, t := range row.Teeth() {
				c.as("TD", "", func() {
					c.three(row, t, cell, height, line.name == "depth", func(s chart.Site) string { return line.of(t, s) })
				})
			}
			c.Ln(height)
		})
	}
}

// three writes the values of one side of a tooth; depths of 4 mm and more are heavy.
func (c *clinical) three(row profile.Row, t chart.Tooth, cell, height float64, depths bool, of func(chart.Site) string) {
	sites := []chart.Site{chart.SiteAt(row.Aspect, chart.Distal), chart.SiteAt(row.Aspect, chart.Mid), chart.SiteAt(row.Aspect, chart.Mesial)}
	if !t.RightSide() {
		slices.Reverse(sites)
	}
	for i, s := range sites {
		weight := ""
		if depths && c.r.Chart.Tooth(t).Sites[s].Depth.Whole() >= 4 {
			weight = "B"
		}
		c.font(weight, 7)
		border := ""
		if i == 0 {
			border = "L"
		}
		c.CellFormat(cell, height, of(s), border, 0, "C", false, 0, "")
	}
}

func known(m chart.MM) string {
	if !m.Known() {
		return ""
	}
	return m.String()
}

func letters(s *chart.SiteRecord) string {
	out, asked := "", false
	for f, v := range s.Flags {
		asked = asked || v.Recorded()
		if v == chart.Yes {
			out += string("bspc"[f])
		}
	}
	if out == "" && asked {
		return "·"
	}
	return out
}

// toothHead is a tooth's number with what is known of it as a whole.
func (c *clinical) toothHead(t chart.Tooth) string {
	rec := c.r.Chart.Tooth(t)
	s := t.Label(c.n)
	switch rec.Presence {
	case chart.Missing:
		return s + " –"
	case chart.Implant:
		s += " I"
	case chart.Unerupted:
		return s + " u"
	}
	if rec.Mobility.Value() > 0 {
		s += fmt.Sprintf(" M%d", rec.Mobility.Value())
	}
	f := ""
	for _, e := range t.Entrances() {
		if g := rec.Furcation[e]; g.Value() > 0 {
			f += fmt.Sprintf("%s%d", e, g.Value())
		}
	}
	if f != "" {
		s += " F" + f
	}
	return s
}
