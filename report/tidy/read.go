package tidy

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/practice"
	"leadsman/report"
)

// Map says what the columns of somebody else's table mean. docs/research.md describes it.
type Map struct {
	// Columns names, for columns of ours, the column of the file, or several whose values are joined by "/".
	Columns map[string]names `json:"columns"`
	// Values turns values of the file into ours, by column of ours: {"bleeding":{"1":"true","0":"false"}}.
	Values map[string]map[string]string `json:"values"`
	// Fixed gives columns of ours one value for all rows.
	Fixed map[string]string `json:"fixed"`
	// Inputs names, for answers about the patient (keys of the chart file), the column of the file.
	Inputs map[string]string `json:"inputs"`
	// Empty are further values that mean "not recorded", such as "NA" or "99".
	Empty []string `json:"empty"`
	// Numbering is that of the tooth column: fdi (default) or universal.
	Numbering chart.Numbering `json:"numbering"`
	// UnreadMissing: teeth of an exam without any reading are missing. Else nothing is said of them.
	UnreadMissing bool `json:"unread_missing"`
	// Wide: the values of all teeth and sites stand in one row a person.
	Wide *Wide `json:"wide"`
}

// Wide describes columns that have tooth, measure and site in their names.
type Wide struct {
	Pattern string            `json:"pattern"` // such as "T{tooth}{measure}{site}"
	Measure map[string]string `json:"measure"` // what stands there, to a column of ours
	Site    map[string]string `json:"site"`    // what stands there, to a site key
}

// names is one name or a list of them.
type names []string

func (n *names) UnmarshalJSON(b []byte) error {
	var one string
	if json.Unmarshal(b, &one) == nil {
		*n = names{one}
		return nil
	}
	return json.Unmarshal(b, (*[]string)(n))
}

// needed must have a column or a fixed value.
var needed = []string{"patient", "tooth", "site"}

// known are the columns of ours that can be read.
var known = []string{"patient", "exam", "date", "kind", "examiner", "probe", "tooth", "site", "state", "depth_mm", "depth_again_mm", "recession_mm", "attachment_loss_mm", "bleeding", "suppuration", "plaque",
	"calculus", "doubt", "mobility", "furcation_buccal", "furcation_lingual", "furcation_mesial", "furcation_distal",
	"furcation_buccal_vertical_mm", "furcation_lingual_vertical_mm", "furcation_mesial_vertical_mm", "furcation_distal_vertical_mm", "keratinized_width_mm", "exclude", "cej_unknown", "not_assessable"}

// furcations are their columns by chart.Entrance.
var furcations = [...]string{chart.EntranceBuccal: "furcation_buccal", chart.EntranceLingual: "furcation_lingual", chart.EntranceMesial: "furcation_mesial", chart.EntranceDistal: "furcation_distal"}

// ReadMap reads a mapping file; unknown keys and columns are refused by name.
func ReadMap(in io.Reader) (*Map, error) {
	dec := json.NewDecoder(in)
	dec.DisallowUnknownFields()
	var m Map
	if err := dec.Decode(&m); err != nil {
		return nil, fmt.Errorf("mapping: %w", err)
	}
	return &m, m.check()
}

func (m *Map) check() error {
	if _, err := chart.ParseNumbering(string(m.Numbering)); m.Numbering != "" && err != nil {
		return fmt.Errorf("mapping: %w", err)
	}
	for c := range m.Columns {
		if !slices.Contains(known, c) {
			return fmt.Errorf("mapping: columns.%s: there is no such column; there are %s", c, strings.Join(known, ", "))
		}
	}
	for _, c := range needed {
		_, wide := m.Columns[c], m.Wide != nil && c != "patient"
		if m.Columns[c] == nil && m.Fixed[c] == "" && !wide {
			return fmt.Errorf("mapping: columns.%s is missing: every row needs it", c)
		}
	}
	if m.Wide != nil {
		for _, p := range []string{"{tooth}", "{measure}", "{site}"} {
			if strings.Count(m.Wide.Pattern, p) != 1 {
				return fmt.Errorf("mapping: wide.pattern must have %s once", p)
			}
		}
	}
	return nil
}

// Ours is the mapping of the tables that this package writes.
func Ours() *Map {
	m := &Map{Columns: map[string]names{}}
	for _, c := range known {
		m.Columns[c] = names{c}
	}
	return m
}

// Rejected is a row, or a value of one, that cannot be taken up.
type Rejected struct {
	Line   int // in the file, counted from 1
	Column string
	Value  string
	Why    string
}

func (r Rejected) String() string {
	if r.Column == "" {
		return fmt.Sprintf("line %d: %s", r.Line, r.Why)
	}
	return fmt.Sprintf("line %d, %s %q: %s", r.Line, r.Column, r.Value, r.Why)
}

// Taken is what came out of a table.
type Taken struct {
	Records  []*report.Record // by their first row; without findings
	Rows     int
	Rejected []Rejected
	Unused   []string // columns of the file that nothing was read from
}

// Read takes exams out of a table of sites by a mapping; exams, which may be nil, is our own table of exams with the answers about the
// patients. A row at fault is rejected as a whole and the others are taken. An error means that the table as such cannot be read.
func Read(sites, exams io.Reader, m *Map) (*Taken, error) {
	if err := m.check(); err != nil {
		return nil, err
	}
	r := csv.NewReader(sites)
	r.ReuseRecord = true
	head, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("the line of column names cannot be read: %w", err)
	}
	t := &table{m: m, at: map[string][]int{}, inputs: map[string]int{}, exams: map[string]*building{}}
	if err := t.columns(slices.Clone(head)); err != nil {
		return nil, err
	}
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var pe *csv.ParseError
		if errors.As(err, &pe) {
			if errors.Is(err, csv.ErrFieldCount) {
				t.reject(pe.StartLine, "", "", fmt.Sprintf("%d columns where the first line has %d", len(row), len(head)))
				continue
			}
			return nil, fmt.Errorf("line %d is no CSV: %w", pe.Line, pe.Err)
		}
		if err != nil {
			return nil, err
		}
		t.out.Rows++
		line, _ := r.FieldPos(0)
		t.take(line, row)
	}
	if exams != nil {
		if err := t.answers(exams); err != nil {
			return nil, err
		}
	}
	for _, b := range t.order {
		t.finish(b)
	}
	return &t.out, nil
}

type building struct {
	*report.Record
	inputs map[string]any
	line   int
	read   map[chart.SiteRef]bool
}

type table struct {
	m      *Map
	at     map[string][]int // columns of the file, by column of ours
	inputs map[string]int
	wide   []wideColumn
	exams  map[string]*building
	order  []*building
	out    Taken
}

type wideColumn struct {
	at      int
	tooth   string
	measure string
	site    string
}

func (t *table) reject(line int, column, value, why string) {
	t.out.Rejected = append(t.out.Rejected, Rejected{line, column, value, why})
}

// columns finds the columns in the file's first line.
func (t *table) columns(head []string) error {
	if len(head) > 0 {
		head[0] = strings.TrimPrefix(head[0], "\ufeff")
	}
	used := make([]bool, len(head))
	find := func(name string) int {
		i := slices.Index(head, name)
		if i >= 0 {
			used[i] = true
		}
		return i
	}
	if err := t.findColumns(head, find); err != nil {
		return err
	}
	for key, n := range t.m.Inputs {
		i := find(n)
		if i < 0 {
			return fmt.Errorf("the file has no column %q, which the mapping takes the answer %s from", n, key)
		}
		t.inputs[key] = i
	}
	if w := t.m.Wide; w != nil {
		if t.wide = w.columns(head); len(t.wide) == 0 {
			return fmt.Errorf("no column of the file fits wide.pattern %q", w.Pattern)
		}
	}
	for _, c := range t.wide {
		used[c.at] = true
	}
	for i, n := range head {
		if !used[i] {
			t.out.Unused = append(t.out.Unused, n)
		}
	}
	return nil
}

// findColumns finds where the columns of ours come from. A table of ours may have fewer columns.
func (t *table) findColumns(head []string, find func(string) int) error {
	isOurs := slices.Equal(t.m.Columns["patient"], names{"patient"})
	for ours, theirs := range t.m.Columns {
		var at []int
		for _, n := range theirs {
			i := find(n)
			if i < 0 && isOurs && !slices.Contains(needed, ours) {
				at = nil
				break
			}
			if i < 0 {
				return fmt.Errorf("the file has no column %q, which the mapping takes %s from; it has %s", n, ours, strings.Join(head, ", "))
			}
			at = append(at, i)
		}
		if at != nil {
			t.at[ours] = at
		}
	}
	return nil
}

// columns lists the columns whose names fit the pattern.
func (w *Wide) columns(head []string) (found []wideColumn) {
	p := regexp.QuoteMeta(w.Pattern)
	for _, g := range []struct{ in, re string }{{`\{tooth\}`, `(?P<tooth>[0-9]{1,2}|[A-T])`}, {`\{measure\}`, `(?P<measure>` + oneOf(w.Measure) + `)`}, {`\{site\}`, `(?P<site>` + oneOf(w.Site) + `)`}} {
		p = strings.Replace(p, g.in, g.re, 1)
	}
	re := regexp.MustCompile("^" + p + "$")
	for i, name := range head {
		if g := re.FindStringSubmatch(name); g != nil {
			found = append(found, wideColumn{at: i, tooth: strings.TrimLeft(g[re.SubexpIndex("tooth")], "0"),
				measure: w.Measure[g[re.SubexpIndex("measure")]], site: w.Site[g[re.SubexpIndex("site")]]})
		}
	}
	return found
}

// oneOf matches any of the keys.
func oneOf(m map[string]string) string {
	var keys []string
	for k := range m {
		keys = append(keys, regexp.QuoteMeta(k))
	}
	slices.Sort(keys)
	return strings.Join(keys, "|")
}

// value is what a row says in a column of ours; "" is not recorded.
func (t *table) value(row []string, ours string) string {
	v := t.m.Fixed[ours]
	if at, ok := t.at[ours]; ok {
		parts := make([]string, len(at))
		for i, c := range at {
			parts[i] = text(row[c])
		}
		v = strings.Join(parts, "/")
	}
	return t.ours(ours, v)
}

// text is what a cell says, without what keeps spreadsheets from working it out.
func text(cell string) string { return practice.Text(strings.TrimSpace(cell)) }

func (t *table) ours(column, v string) string {
	if slices.Contains(t.m.Empty, v) {
		return ""
	}
	if to, ok := t.m.Values[column][v]; ok {
		return to
	}
	return v
}

// take enters a row.
func (t *table) take(line int, row []string) {
	patient := t.value(row, "patient")
	if patient == "" {
		t.reject(line, "patient", "", "a row without a patient")
		return
	}
	exam := t.value(row, "exam")
	if exam == "" {
		exam = strings.TrimSuffix(patient+" "+t.value(row, "date"), " ")
	}
	b := t.exams[exam]
	if b == nil {
		if b = t.begin(line, row, patient, exam); b == nil {
			return
		}
	} else if b.Patient.ID != patient {
		t.reject(line, "exam", exam, "this exam is of another patient in line "+strconv.Itoa(b.line))
		return
	}
	if t.m.Wide == nil {
		t.site(line, b, func(c string) string { return t.value(row, c) })
		return
	}
	// One row is many: those of a site are taken together.
	type named struct{ tooth, site string }
	var order []named
	at := map[named]map[string]string{}
	for _, w := range t.wide {
		p := named{w.tooth, w.site}
		if at[p] == nil {
			at[p] = map[string]string{"tooth": w.tooth, "site": w.site}
			order = append(order, p)
		}
		at[p][w.measure] = t.ours(w.measure, text(row[w.at]))
	}
	for _, p := range order {
		t.site(line, b, func(c string) string { return at[p][c] })
	}
}

// begin makes the exam that a row is the first of; nil if the row is at fault.
func (t *table) begin(line int, row []string, patient, exam string) *building {
	b := &building{Record: &report.Record{Patient: report.Person{ID: patient}, Chart: &chart.Chart{ID: exam, Numbering: chart.FDI}, Exam: report.Exam{ID: exam, Kind: "exam"}}, line: line,
		inputs: map[string]any{}, read: map[chart.SiteRef]bool{}}
	if date := t.value(row, "date"); date != "" {
		at, err := time.Parse(time.DateOnly, date)
		if err != nil {
			t.reject(line, "date", date, "write a day as 2026-11-02")
			return nil
		}
		b.Exam.Began, b.Exam.Ended = at, at
	}
	switch k := t.value(row, "kind"); k {
	case "", "exam":
	case "re-evaluation":
		b.Exam.Kind = k
	default:
		t.reject(line, "kind", k, "exam or re-evaluation is needed")
		return nil
	}
	b.Exam.Examiner = t.value(row, "examiner")
	b.Chart.Patient.Probe = t.value(row, "probe")
	for key, c := range t.inputs {
		if v := t.ours(key, text(row[c])); v != "" {
			b.inputs[key] = inputOf(v)
		}
	}
	t.exams[exam] = b
	t.order = append(t.order, b)
	return b
}

// inputOf is a value as JSON has it.
func inputOf(v string) any {
	if v == "true" || v == "false" {
		return v == "true"
	}
	if _, err := strconv.ParseFloat(v, 64); err == nil {
		return json.Number(v)
	}
	return v
}

// site enters what a row says of a site; a row at fault changes nothing.
func (t *table) site(line int, b *building, get func(string) string) {
	r := siteRow{get: get, numbering: t.m.Numbering}
	if r.numbering == "" {
		r.numbering = chart.FDI
	}
	if f := r.read(b); f != nil {
		t.reject(line, f.column, get(f.column), f.why)
		return
	}
	*b.Chart.Tooth(r.ref.Tooth) = r.rec
	b.read[r.ref] = true
	if asked := r.asked(); len(asked) > 0 {
		b.ask(r.ref, asked)
	}
	for _, f := range strings.Fields(get("doubt")) {
		b.Doubts = append(b.Doubts, chart.Doubt{SiteRef: r.ref, Field: chart.Field(f), Reason: "in doubt where it comes from"})
	}
}

// ask adds answers about a site.
func (b *building) ask(ref chart.SiteRef, answers map[string]any) {
	inner(inner(inner(b.inputs, "teeth"), ref.Tooth.String()), "sites")[ref.Site.String()] = answers
}

// inner is the object under a key of another one, made if there is none.
func inner(of map[string]any, key string) map[string]any {
	m, _ := of[key].(map[string]any)
	if m == nil {
		m = map[string]any{}
		of[key] = m
	}
	return m
}

// answers reads our own table of exams.
func (t *table) answers(in io.Reader) error {
	r := csv.NewReader(in)
	head, err := r.Read()
	if err != nil {
		return fmt.Errorf("the line of column names of the exams cannot be read: %w", err)
	}
	col := map[string]int{}
	for _, c := range []string{"exam", "answers", "numbering", "signed_by"} {
		if col[c] = slices.Index(head, c); col[c] < 0 {
			return fmt.Errorf("the table of exams has no column %q", c)
		}
	}
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return fmt.Errorf("table of exams: %w", err)
		}
		line, _ := r.FieldPos(0)
		b := t.exams[text(row[col["exam"]])]
		if b == nil {
			t.reject(line, "exam", row[col["exam"]], "the table of sites has no such exam")
			continue
		}
		if n := chart.Numbering(row[col["numbering"]]); n == chart.Universal {
			b.Chart.Numbering = n
		}
		b.Exam.SignedBy = text(row[col["signed_by"]])
		b.inputs = nil // the answers have all that the sites tell
		if b.Chart.Patient, err = chartfile.MergePatient(b.Chart.Patient, []byte(text(row[col["answers"]]))); err != nil {
			t.reject(line, "answers", row[col["answers"]], err.Error())
		}
	}
}

// finish gives a record its answers and the teeth that are not there.
func (t *table) finish(b *building) {
	if len(b.inputs) > 0 {
		raw, err := json.Marshal(b.inputs)
		if err == nil {
			b.Chart.Patient, err = chartfile.MergePatient(b.Chart.Patient, raw)
		}
		if err != nil {
			t.reject(b.line, "", "", err.Error())
		}
	}
	if t.m.UnreadMissing {
		for _, tooth := range chart.AllTeeth() {
			rec := b.Chart.Tooth(tooth)
			if rec.Presence != chart.Unstated {
				continue
			}
			rec.Presence = chart.Missing
			for s := range rec.Sites {
				if !rec.Sites[s].Empty() {
					rec.Presence = chart.Present
				}
			}
		}
	}
	b.Chart.Exam = b.Origin()
	t.out.Records = append(t.out.Records, b.Record)
}
