// Package tidy writes exams as tables for study, in CSV and Parquet, and reads such tables: one row a site, one row an exam. The
// structures below are the tables; their tags name and explain the columns, and make the codebook.
package tidy

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"

	"leadsman/chart"
	"leadsman/diagnosis"
	"leadsman/practice"
	"leadsman/report"
)

// Day is a date as Parquet keeps it: days since 1970-01-01.
type Day int32

func dayOf(t time.Time) Day {
	y, m, d := t.Date()
	return Day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

func (d Day) String() string { return time.Unix(int64(d)*86400, 0).UTC().Format(time.DateOnly) }

// Site is a row of the table of sites.
type Site struct {
	Patient    string   `parquet:"patient,dict" about:"patient: the store's id, or a pseudonym"`
	Exam       string   `parquet:"exam,dict" about:"exam: the store's id, or a pseudonym; key to the table of exams"`
	Date       Day      `parquet:"date,date" about:"day of the exam, YYYY-MM-DD"`
	Kind       string   `parquet:"kind,dict" about:"exam or re-evaluation"`
	Examiner   string   `parquet:"examiner,dict" about:"who probed: name or pseudonym; empty: not known"`
	Probe      string   `parquet:"probe,dict" about:"which probe, in the practice's words; empty: not told"`
	Signed     bool     `parquet:"signed" about:"true if the exam is signed"`
	Tooth      int32    `parquet:"tooth" about:"tooth, FDI two-digit notation (ISO 3950)"`
	Universal  string   `parquet:"tooth_universal,dict" about:"the same tooth in the Universal numbering: 1 to 32, A to T"`
	State      string   `parquet:"state,dict" about:"present, missing, implant or unerupted; empty: nothing was said"`
	Site       string   `parquet:"site,dict" about:"probing site: DB B MB DL L ML (disto-, mid-, mesio-; buccal and lingual or palatal)"`
	Depth      *float64 `parquet:"depth_mm" about:"probing depth, mm, margin to base of the pocket; whole or half"`
	Again      *float64 `parquet:"depth_again_mm" about:"the other depth of a site that was probed twice at this exam, mm"`
	Recession  *float64 `parquet:"recession_mm" about:"margin against the cemento-enamel junction, mm; positive: apical (recession), negative: coronal"`
	Loss       *float64 `parquet:"attachment_loss_mm" about:"clinical attachment loss, mm: depth plus recession, not less than 0; empty unless both are known"`
	Bleeding   *bool    `parquet:"bleeding" about:"bleeding on probing"`
	Pus        *bool    `parquet:"suppuration" about:"suppuration on probing"`
	Plaque     *bool    `parquet:"plaque" about:"visible plaque"`
	Calculus   *bool    `parquet:"calculus" about:"calculus"`
	Doubt      string   `parquet:"doubt,dict" about:"values of this site that were heard with doubt and not settled, separated by spaces; empty: none"`
	Mobility   *int32   `parquet:"mobility" about:"mobility of the tooth, grade 0 to 3; the same in all rows of the tooth"`
	FurcationB *int32   `parquet:"furcation_buccal" about:"furcation of the tooth from buccal, grade 0 to 3 (Hamp); the same in all rows of the tooth"`
	FurcationL *int32   `parquet:"furcation_lingual" about:"the same from lingual"`
	FurcationM *int32   `parquet:"furcation_mesial" about:"the same from mesial"`
	FurcationD *int32   `parquet:"furcation_distal" about:"the same from distal"`
	VerticalB  *float64 `parquet:"furcation_buccal_vertical_mm" about:"from the roof of the buccal furcation down, mm; the same in all rows of the tooth"`
	VerticalL  *float64 `parquet:"furcation_lingual_vertical_mm" about:"the same of the lingual one"`
	VerticalM  *float64 `parquet:"furcation_mesial_vertical_mm" about:"the same of the mesial one"`
	VerticalD  *float64 `parquet:"furcation_distal_vertical_mm" about:"the same of the distal one"`
	Keratin    *float64 `parquet:"keratinized_width_mm" about:"width of keratinized gingiva, facial, at the middle of the tooth, mm; the same in all rows of the tooth"`
	Exclude    string   `parquet:"exclude,dict" about:"cause of loss other than periodontitis at this site or tooth; empty: none told"`
	CEJUnknown *bool    `parquet:"cej_unknown" about:"true: the junction is hidden or lost, so attachment loss counts nowhere"`
	NotAssess  string   `parquet:"not_assessable,dict" about:"why the site could not be assessed: calculus, band, overhang, pain; empty: it could"`
	Amended    string   `parquet:"amended,dict" about:"what was changed after signing at this site, or of the tooth as a whole: what, value that was signed -> value now, who, when, reason; several separated by |; empty: nothing, or pseudonyms are used"`
}

// Exam is a row of the table of exams.
type Exam struct {
	Patient       string   `parquet:"patient,dict" about:"as in the table of sites"`
	Exam          string   `parquet:"exam" about:"as in the table of sites"`
	Date          Day      `parquet:"date,date" about:"as in the table of sites"`
	Kind          string   `parquet:"kind,dict" about:"exam or re-evaluation"`
	Examiner      string   `parquet:"examiner,dict" about:"as in the table of sites"`
	Probe         string   `parquet:"probe,dict" about:"as in the table of sites"`
	Signed        bool     `parquet:"signed" about:"true if the exam is signed"`
	SignedBy      string   `parquet:"signed_by,dict" about:"name or pseudonym of who signed; empty: not signed"`
	Numbering     string   `parquet:"numbering,dict" about:"numbering that the exam was called in: fdi or universal"`
	Age           *int32   `parquet:"age" about:"years at the exam; 90: 90 or more where pseudonyms are used"`
	Cigarettes    *int32   `parquet:"cigarettes_per_day" about:"0: does not smoke"`
	Smoking       string   `parquet:"smoking_status,dict" about:"never, former, current; empty: not asked"`
	Diabetes      *bool    `parquet:"diabetes" about:"diabetes"`
	HbA1c         *float64 `parquet:"hba1c_percent" about:"HbA1c, percent (NGSP)"`
	Answers       string   `parquet:"answers" about:"all answers about the patient as JSON, keys of the chart file, teeth by FDI number"`
	Rules         string   `parquet:"rules,dict" about:"version of the rules that the columns below follow"`
	Case          string   `parquet:"case,dict" about:"periodontitis.case: yes, no, indeterminate"`
	Stage         string   `parquet:"stage,dict" about:"periodontitis.stage: I to IV, indeterminate; empty without a case"`
	Extent        string   `parquet:"extent,dict" about:"periodontitis.extent"`
	Grade         string   `parquet:"grade,dict" about:"periodontitis.grade"`
	Gingiva       string   `parquet:"gingiva,dict" about:"gingiva.status"`
	Surveillance  string   `parquet:"cdc_aap_2012,dict" about:"surveillance.cdc_aap_2012: none, mild, moderate, severe, indeterminate"`
	Provisional   bool     `parquet:"provisional" about:"true if anything in the columns case to gingiva is provisional"`
	Amended       string   `parquet:"amended" about:"what was changed after signing in the exam as a whole, answers about the patient too, as in the table of sites"`
	Doubts        int32    `parquet:"doubts" about:"readings in doubt that nobody settled"`
	BleedingScore *float64 `parquet:"bleeding_percent" about:"score.bleeding_percent: bleeding sites of sites with an answer"`
	PlaqueScore   *float64 `parquet:"plaque_percent" about:"score.plaque_percent"`
	PISA          *float64 `parquet:"pisa_mm2" about:"score.pisa_mm2: inflamed surface area"`
	DepthMean     *float64 `parquet:"depth_mean_mm" about:"depth.mean over recorded sites"`
	LossMean      *float64 `parquet:"attachment_loss_mean_mm" about:"attachment_loss.mean over recorded sites"`
	Ge4           *float64 `parquet:"sites_ge4" about:"sites of at least 4 mm"`
	Ge5           *float64 `parquet:"sites_ge5" about:"sites of at least 5 mm"`
	Ge6           *float64 `parquet:"sites_ge6" about:"sites of at least 6 mm"`
	Complete      *float64 `parquet:"completeness_percent" about:"chart.completeness: sites of natural teeth that were probed"`
}

func optional(m chart.MM) *float64 {
	if !m.Known() {
		return nil
	}
	f := m.Float()
	return &f
}

func answer(y chart.YesNo) *bool {
	if !y.Recorded() {
		return nil
	}
	b := y == chart.Yes
	return &b
}

func grade(g chart.Grade) *int32 {
	if !g.Recorded() {
		return nil
	}
	v := int32(g.Value())
	return &v
}

// sitesTable are the rows of an exam: six for each tooth of which anything is recorded.
func sitesTable(r *report.Record) []Site {
	var out []Site
	r.Chart.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool {
		in := r.Chart.Patient.Teeth[t]
		for s := range chart.NumSites {
			v, asked := &rec.Sites[s], in.Sites[s]
			row := Site{Patient: r.Patient.ID, Exam: r.Exam.ID, Date: dayOf(r.Exam.Began), Kind: r.Exam.Kind, Examiner: r.Exam.Examiner, Probe: r.Probe(), Signed: r.Exam.SignedBy != "",
				Tooth: int32(t), Universal: t.Label(chart.Universal), State: rec.Presence.String(), Site: s.String(),
				Depth: optional(v.Depth), Again: optional(v.Again), Recession: optional(v.Recession), Bleeding: answer(v.Flags[chart.Bleeding]), Pus: answer(v.Flags[chart.Suppuration]),
				Plaque: answer(v.Flags[chart.Plaque]), Calculus: answer(v.Flags[chart.Calculus]), Mobility: grade(rec.Mobility),
				FurcationB: grade(rec.Furcation[chart.EntranceBuccal]), FurcationL: grade(rec.Furcation[chart.EntranceLingual]),
				FurcationM: grade(rec.Furcation[chart.EntranceMesial]), FurcationD: grade(rec.Furcation[chart.EntranceDistal]),
				VerticalB: optional(rec.Vertical[chart.EntranceBuccal]), VerticalL: optional(rec.Vertical[chart.EntranceLingual]),
				VerticalM: optional(rec.Vertical[chart.EntranceMesial]), VerticalD: optional(rec.Vertical[chart.EntranceDistal]), Keratin: optional(rec.Keratin),
				Exclude: asked.Exclude, CEJUnknown: asked.CEJUnknown, NotAssess: asked.NotAssessable}
			if row.Exclude == "" {
				row.Exclude = in.Exclude
			}
			if loss, _, ok := v.AttachmentLoss(); ok {
				row.Loss = optional(loss)
			}
			var doubts []string
			for _, d := range r.Doubts {
				if d.Tooth == t && d.Site == s {
					doubts = append(doubts, string(d.Field))
				}
			}
			row.Doubt = strings.Join(doubts, " ")
			row.Amended = amended(r, func(a *chart.Amendment) bool { return a.Tooth == t && (a.Site == nil || *a.Site == s) })
			out = append(out, row)
		}
		return true
	})
	return out
}

// amended tells the amendments that are wanted.
func amended(r *report.Record, wanted func(*chart.Amendment) bool) string {
	var out []string
	for i := range r.Amendments {
		if a := &r.Amendments[i]; wanted(a) {
			t := a.Told(chart.FDI)
			out = append(out, fmt.Sprintf("%s %s -> %s (%s, %s: %s)", t.At, t.Was, t.Is, t.By, t.Time, t.Reason))
		}
	}
	return strings.Join(out, " | ")
}

// examOf is the row of an exam.
func examOf(r *report.Record) (Exam, error) {
	p := &r.Chart.Patient
	answers, err := json.Marshal(p)
	if err != nil {
		return Exam{}, err
	}
	e := Exam{Patient: r.Patient.ID, Exam: r.Exam.ID, Date: dayOf(r.Exam.Began), Kind: r.Exam.Kind, Examiner: r.Exam.Examiner, Probe: r.Probe(), Signed: r.Exam.SignedBy != "", SignedBy: r.Exam.SignedBy,
		Numbering: string(r.Chart.Numbering), Smoking: p.SmokingStatus, Diabetes: p.Diabetes, HbA1c: p.HbA1cPercent, Answers: string(answers), Rules: diagnosis.RuleSet, Doubts: int32(len(r.Doubts)),
		Amended: amended(r, func(*chart.Amendment) bool { return true })}
	if age, ok := r.Age(); ok {
		a := int32(age)
		e.Age = &a
	}
	if n := p.CigarettesPerDay; n != nil {
		v := int32(*n)
		e.Cigarettes = &v
	}
	for code, at := range map[string]*string{"periodontitis.case": &e.Case, "periodontitis.stage": &e.Stage, "periodontitis.extent": &e.Extent, "periodontitis.grade": &e.Grade,
		"gingiva.status": &e.Gingiva, "surveillance.cdc_aap_2012": &e.Surveillance} {
		f, _ := r.Findings.Get(code)
		*at = f.Value.String()
		e.Provisional = e.Provisional || f.Provisional && code != "surveillance.cdc_aap_2012"
	}
	for code, at := range map[string]**float64{"score.bleeding_percent": &e.BleedingScore, "score.plaque_percent": &e.PlaqueScore, "score.pisa_mm2": &e.PISA, "depth.mean": &e.DepthMean,
		"attachment_loss.mean": &e.LossMean, "sites.ge4": &e.Ge4, "sites.ge5": &e.Ge5, "sites.ge6": &e.Ge6, "chart.completeness": &e.Complete} {
		f, _ := r.Findings.Get(code)
		if v, ok := f.Value.Float(); ok {
			*at = &v
		}
	}
	return e, nil
}

// columns are the names of the columns of a table, and what they hold.
func columns(t reflect.Type) (names, about []string) {
	for i := range t.NumField() {
		tag := t.Field(i).Tag
		name, _, _ := strings.Cut(tag.Get("parquet"), ",")
		names, about = append(names, name), append(about, tag.Get("about"))
	}
	return
}

// cell writes a value; an absent one is the empty cell.
func cell(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return ""
		}
		v = v.Elem()
	}
	switch v.Kind() {
	case reflect.String:
		return practice.Cell(v.String())
	case reflect.Bool:
		return strconv.FormatBool(v.Bool())
	case reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'f', -1, 64)
	}
	if v.Type() == reflect.TypeFor[Day]() {
		return Day(v.Int()).String()
	}
	return strconv.FormatInt(v.Int(), 10)
}

// Writer writes the two tables. It holds a few exams at a time, however many there are.
type Writer interface {
	Add(r *report.Record) error
	Close() error // ends the tables; the outputs stay open
}

type csvWriter struct {
	sites, exams *csv.Writer
	row          []string
}

// CSV writes comma-separated tables (RFC 4180) with a line of column names; exams may be nil.
func CSV(sites, exams io.Writer) (Writer, error) {
	w := &csvWriter{sites: csv.NewWriter(sites)}
	names, _ := columns(reflect.TypeFor[Site]())
	if err := w.sites.Write(names); err != nil {
		return nil, err
	}
	if exams != nil {
		w.exams = csv.NewWriter(exams)
		names, _ := columns(reflect.TypeFor[Exam]())
		if err := w.exams.Write(names); err != nil {
			return nil, err
		}
	}
	return w, nil
}

func (w *csvWriter) write(to *csv.Writer, v reflect.Value) error {
	w.row = w.row[:0]
	for i := range v.NumField() {
		w.row = append(w.row, cell(v.Field(i)))
	}
	return to.Write(w.row)
}

func (w *csvWriter) Add(r *report.Record) error {
	rows := sitesTable(r)
	for i := range rows {
		if err := w.write(w.sites, reflect.ValueOf(&rows[i]).Elem()); err != nil {
			return err
		}
	}
	if w.exams == nil {
		return nil
	}
	e, err := examOf(r)
	if err == nil {
		err = w.write(w.exams, reflect.ValueOf(&e).Elem())
	}
	return err
}

func (w *csvWriter) Close() error {
	w.sites.Flush()
	if w.exams != nil {
		w.exams.Flush()
		if err := w.exams.Error(); err != nil {
			return err
		}
	}
	return w.sites.Error()
}

// groupRows is the size of a row group: what is held in memory before it is written.
const groupRows = 50_000

type parquetWriter struct {
	sites *parquet.GenericWriter[Site]
	exams *parquet.GenericWriter[Exam]
	rows  int
	n     int // exams in the row group
}

// Parquet writes tables as Apache Parquet, compressed with Snappy.
func Parquet(sites, exams io.Writer) Writer {
	return &parquetWriter{sites: parquet.NewGenericWriter[Site](sites, parquet.Compression(&parquet.Snappy)), exams: parquet.NewGenericWriter[Exam](exams, parquet.Compression(&parquet.Snappy))}
}

func (w *parquetWriter) Add(r *report.Record) error {
	rows := sitesTable(r)
	if _, err := w.sites.Write(rows); err != nil {
		return err
	}
	e, err := examOf(r)
	if err != nil {
		return err
	}
	if _, err := w.exams.Write([]Exam{e}); err != nil {
		return err
	}
	if w.rows += len(rows); w.rows >= groupRows {
		w.rows = 0
		if err := w.sites.Flush(); err != nil {
			return err
		}
	}
	if w.n++; w.n >= groupRows/10 {
		w.n = 0
		return w.exams.Flush()
	}
	return nil
}

func (w *parquetWriter) Close() error {
	if err := w.sites.Close(); err != nil {
		return err
	}
	return w.exams.Close()
}

// Codebook explains every column of both tables, as Markdown.
func Codebook(out io.Writer) error {
	var b strings.Builder
	b.WriteString("# Codebook\n\nAn empty cell (in Parquet: null) was not recorded; it never stands for zero or no. Flags are true or false. " +
		"In CSV a text that would begin a formula in a spreadsheet (with = + - @, a tab or a line's end, also behind apostrophes) has one apostrophe more before it; " +
		"numbers have none, so that -1 is a number, and Parquet has the texts as they are.\n")
	for _, t := range []struct {
		title string
		of    reflect.Type
	}{{"sites: one row a site", reflect.TypeFor[Site]()}, {"exams: one row an exam", reflect.TypeFor[Exam]()}} {
		b.WriteString("\n## " + t.title + "\n\n| column | type | meaning |\n|---|---|---|\n")
		names, about := columns(t.of)
		for i, n := range names {
			b.WriteString("| `" + n + "` | " + kindOf(t.of.Field(i).Type) + " | " + about[i] + " |\n")
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func kindOf(t reflect.Type) string {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch {
	case t == reflect.TypeFor[Day]():
		return "date"
	case t.Kind() == reflect.Float64:
		return "number"
	case t.Kind() == reflect.Int32:
		return "whole number"
	case t.Kind() == reflect.Bool:
		return "true/false"
	}
	return "text"
}
