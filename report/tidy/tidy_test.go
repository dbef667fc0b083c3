package tidy

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/report"
	"leadsman/report/reporttest"
)

func write(t *testing.T, rs ...*report.Record) (sites, exams string) {
	t.Helper()
	var s, e bytes.Buffer
	w, err := CSV(&s, &e)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rs {
		if err := w.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return s.String(), e.String()
}

// Written, read and written again is the same to the byte, for the tables and for the chart file.
func TestRoundTrip(t *testing.T) {
	r := reporttest.Full(t)
	sites, exams := write(t, r)
	got, err := Read(strings.NewReader(sites), strings.NewReader(exams), Ours())
	if err != nil || len(got.Rejected) > 0 || len(got.Records) != 1 || len(got.Unused) != 3 { // signed; attachment loss is read; tooth_universal; amended
		t.Fatalf("%+v %v", got, err)
	}
	b := got.Records[0]
	// The tables keep the day of the exam, not its minutes.
	b.Exam.Began, b.Exam.Signed = r.Exam.Began, r.Exam.Signed
	b.Chart.Exam = b.Origin()
	if was, is := reporttest.File(t, r), reporttest.File(t, b); was != is {
		t.Errorf("not the chart that was written:\n%s\n%s", was, is)
	}
	b.Findings = r.Findings
	again, examsAgain := write(t, b)
	if again != sites || examsAgain != exams {
		t.Errorf("not the same tables:\n%s\n%s\n%s\n%s", sites, again, exams, examsAgain)
	}
}

// Parquet holds what CSV holds, read back by column name.
func TestParquetIsTheSame(t *testing.T) {
	r := reporttest.Full(t)
	var s, e bytes.Buffer
	w := Parquet(&s, &e)
	if err := w.Add(r); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	sites, err := parquet.Read[Site](bytes.NewReader(s.Bytes()), int64(s.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(sitesTable(r), sites); d != "" {
		t.Error(d)
	}
	exams, err := parquet.Read[Exam](bytes.NewReader(e.Bytes()), int64(e.Len()))
	want, _ := examOf(r)
	if d := cmp.Diff([]Exam{want}, exams); d != "" || err != nil {
		t.Error(d, err)
	}
}

// The codebook explains every column, once.
func TestCodebook(t *testing.T) {
	var b strings.Builder
	if err := Codebook(&b); err != nil {
		t.Fatal(err)
	}
	for _, of := range []reflect.Type{reflect.TypeFor[Site](), reflect.TypeFor[Exam]()} {
		names, about := columns(of)
		for i, n := range names {
			if n == "" || about[i] == "" || !strings.Contains(b.String(), "| `"+n+"` | ") {
				t.Errorf("%s.%s is not explained", of.Name(), of.Field(i).Name)
			}
		}
	}
}

const other = `who,when,nr,face,where,pd,cal,bop,mob,years
7,2001-05-06,3,B,M,4,5,1,0,61
7,2001-05-06,3,B,D,5,,0,0,61
7,2001-05-06,3,B,F,NA,NA,,0,61
7,2001-05-06,19,L,F,3,2,1,9,61
7,2001-05-06,33,L,F,3,2,1,0,61
7,2001-05-06,3,B,M,4,5,1,0,61
7,2001-05-06,19,L,M,22,,1,0,61
7,2001-05-06,19,L,D,three,,1,0,61
7,2001-05-06,30,L,M,3.3,,1,0,61
7,2001-05-06,30,L,D,,4,1,0,61
7,2001-05-06,30,L,F,2,,yes,0,61
7,2001-05-06,30,X,F,2,,1,0,61
,2001-05-06,30,L,F,2,,1,0,61
8,May,30,L,F,2,,1,0,61
9,2001-05-06,30,L
`

const otherMap = `{"numbering":"universal","empty":["NA"],"unread_missing":true,"inputs":{"age":"years"},
 "columns":{"patient":"who","date":"when","tooth":"nr","site":["face","where"],"depth_mm":"pd","attachment_loss_mm":"cal","bleeding":"bop","mobility":"mob"},
 "values":{"bleeding":{"1":"true","0":"false"},"site":{"B/M":"MB","B/D":"DB","B/F":"B","L/M":"ML","L/D":"DL","L/F":"L"}}}`

// A table of somebody else: what can be read is taken, every other row is told with line, column and reason.
func TestReadOther(t *testing.T) {
	m, err := ReadMap(strings.NewReader(otherMap))
	if err != nil {
		t.Fatal(err)
	}
	got, err := Read(strings.NewReader(other), nil, m)
	if err != nil {
		t.Fatal(err)
	}
	c := got.Records[0].Chart
	// By hand: attachment loss 5 at depth 4 is a recession of 1.
	if v := c.Tooth(16).Sites[chart.MB]; v.Depth.Float() != 4 || v.Recession.Float() != 1 || v.Flags[chart.Bleeding] != chart.Yes {
		t.Errorf("%+v", v)
	}
	if v := c.Tooth(16).Sites[chart.B]; v.Depth.Known() || v.Recession.Known() {
		t.Errorf("NA was read as %+v", v)
	}
	if c.Tooth(16).Presence != chart.Present || c.Tooth(11).Presence != chart.Missing || *c.Patient.Age != 61 || c.Tooth(16).Mobility.Value() != 0 {
		t.Errorf("%+v %+v", c.Tooth(16), c.Patient)
	}
	want := []string{
		`line 5, mobility "9": a grade from 0 to 3`, `line 6, tooth "33": no such tooth`, `line 7, site "MB": tooth 3 site MB was given already`, `line 8, depth_mm "22": out of range (0 to 15 mm)`,
		`line 9, depth_mm "three": a number`, `line 10, depth_mm "3.3": 3.3 mm: use whole`, `line 11, attachment_loss_mm "4": attachment loss without a depth`, `line 12, bleeding "yes": true or false`,
		`line 13, site "X/F": site "X/F"`, `line 14, patient "": a row without a patient`, `line 15, date "May": write a day`, `line 16: 4 columns where the first line has 10`}
	if len(got.Rejected) != len(want) {
		t.Fatalf("%d rejected: %v", len(got.Rejected), got.Rejected)
	}
	for i, r := range got.Rejected {
		if !strings.HasPrefix(r.String(), want[i]) {
			t.Errorf("%q, want %q", r, want[i])
		}
	}
	if len(got.Records) != 1 {
		t.Errorf("%d exams", len(got.Records))
	}
}

// A survey's layout: one row a person, tooth, measure and site in the name of the column. In that of the United States national survey M
// stands for the middle and S for the mesial site of a row, D for distal (codebook of OHXPER_F, from memory); the names here are ours.
func TestReadWide(t *testing.T) {
	m, err := ReadMap(strings.NewReader(`{"numbering":"universal","empty":["99"],"unread_missing":true,"columns":{"patient":"SEQ"},
		"wide":{"pattern":"T{tooth}{measure}{site}","measure":{"PC":"depth_mm","LA":"attachment_loss_mm"},"site":{"D":"DB","M":"B","S":"MB","P":"DL","L":"L","A":"ML"}}}`))
	if err != nil {
		t.Fatal(err)
	}
	got, err := Read(strings.NewReader("SEQ,T02PCD,T02LAD,T02PCM,T02PCS,T31PCA,T31LAA,REST\n1,5,7,2,99,3,1,x\n2,,,,,4,4,x\n"), nil, m)
	if err != nil || len(got.Rejected) > 0 || len(got.Records) != 2 || !reflect.DeepEqual(got.Unused, []string{"REST"}) {
		t.Fatalf("%+v %v", got, err)
	}
	c := got.Records[0].Chart
	if v := c.Tooth(17).Sites[chart.DB]; v.Depth.Float() != 5 || v.Recession.Float() != 2 {
		t.Errorf("17.DB %+v", v)
	}
	if v := c.Tooth(17).Sites; v[chart.B].Depth.Float() != 2 || v[chart.MB].Depth.Known() {
		t.Errorf("17 %+v", v)
	}
	if v := c.Tooth(47).Sites[chart.ML]; v.Depth.Float() != 3 || v.Recession.Float() != -2 {
		t.Errorf("47.ML %+v", v)
	}
	if got.Records[1].Chart.Tooth(17).Presence != chart.Missing {
		t.Error("a tooth without readings is not missing")
	}
}

func TestMapRefused(t *testing.T) {
	for bad, want := range map[string]string{
		`{`:                                     "mapping",
		`{"colums":{}}`:                         "colums",
		`{"columns":{"pocket":"x"}}`:            "columns.pocket",
		`{"columns":{"patient":"a"}}`:           "columns.tooth is missing",
		`{"columns":{"patient":"a"},"wide":{}}`: "{tooth}",
		`{"numbering":"palmer"}`:                "palmer",
	} {
		if _, err := ReadMap(strings.NewReader(bad)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", bad, err, want)
		}
	}
	m, _ := ReadMap(strings.NewReader(otherMap))
	for _, bad := range []string{"", "a,b\n", "who,when\n\"x"} {
		if _, err := Read(strings.NewReader(bad), nil, m); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

// With the same key the same person has the same pseudonym; names, numbers, birth dates and free texts are gone, intervals stay.
func TestVeil(t *testing.T) {
	r := reporttest.Full(t)
	second := *r
	second.Exam.ID, second.Exam.Began = "x2", r.Exam.Began.AddDate(0, 3, 0)
	v := report.NewVeil([]byte("sixteen bytes or more"))
	a, b, c := v.Record(r), v.Record(&second), report.NewVeil([]byte("another key of sixteen")).Record(r)
	if a.Patient != b.Patient || a.Exam.ID == b.Exam.ID || a.Patient == c.Patient || a.Exam.Examiner == "" {
		t.Errorf("%+v %+v %+v", a.Patient, b.Patient, c.Patient)
	}
	if b.Exam.Began.Sub(a.Exam.Began) != second.Exam.Began.Sub(r.Exam.Began) || !a.Exam.Began.Before(r.Exam.Began) || a.Exam.Began.Weekday() != r.Exam.Began.Weekday() {
		t.Errorf("%v %v", a.Exam.Began, b.Exam.Began)
	}
	sites, exams := write(t, a, b)
	var bundle bytes.Buffer
	if err := chartfile.Encode(&bundle, a.Chart); err != nil {
		t.Fatal(err)
	}
	for _, secret := range []string{"Sallow", "FL-0112", "1969", "Oakley", "Quill", "Fathom", "anticoagulant", "p1,", "x1", "2026-11-02"} {
		if all := sites + exams + bundle.String(); strings.Contains(all, secret) {
			t.Errorf("%q is still there", secret)
		}
	}
	if reporttest.File(t, r) != reporttest.File(t, reporttest.Full(t)) {
		t.Error("the record itself was changed")
	}
}

// many gives n exams of one mouth to a writer and says how many bytes came out, and the heap held at the end.
func many(t testing.TB, n int, open func(io.Writer, io.Writer) (Writer, error)) (bytes int64, heap uint64) {
	r := reporttest.Full(t)
	for _, tooth := range chart.AllTeeth() {
		for s := range chart.NumSites {
			r.Chart.Site(chart.SiteRef{Tooth: tooth, Site: s}).Depth = chart.Millimetres(3)
		}
	}
	var out counter
	w, err := open(&out, &out)
	if err != nil {
		t.Fatal(err)
	}
	for i := range n {
		x := *r
		x.Patient.ID, x.Exam.ID = fmt.Sprint("p", i/3), fmt.Sprint("x", i)
		if err := w.Add(&x); err != nil {
			t.Fatal(err)
		}
	}
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return int64(out), m.HeapAlloc
}

type counter int64

func (c *counter) Write(p []byte) (int, error) { *c += counter(len(p)); return len(p), nil }

func openParquet(a, b io.Writer) (Writer, error) { return Parquet(a, b), nil }

// Ten times the exams take no more memory: what is held is a row group.
func TestConstantMemory(t *testing.T) {
	for name, open := range map[string]func(io.Writer, io.Writer) (Writer, error){"csv": CSV, "parquet": openParquet} {
		_, few := many(t, 300, open)
		_, lots := many(t, 3000, open)
		if lots > few+30<<20 {
			t.Errorf("%s: %d MB for 300 exams, %d MB for 3000", name, few>>20, lots>>20)
		}
	}
}

func BenchmarkTables(b *testing.B) {
	for name, open := range map[string]func(io.Writer, io.Writer) (Writer, error){"csv": CSV, "parquet": openParquet} {
		b.Run(name, func(b *testing.B) {
			n, _ := many(b, b.N, open)
			b.SetBytes(n / int64(b.N))
		})
	}
}

// A text that a spreadsheet would work out is guarded in CSV, alone there, and comes back as it was; numbers stay numbers.
func TestCellsAreNoFormulas(t *testing.T) {
	r := reporttest.Full(t)
	r.Patient.ID, r.Exam.ID, r.Exam.Examiner, r.Exam.SignedBy, r.Chart.Patient.Probe = `=HYPERLINK("x")`, "-x1", "@Ben", "'+Ada", "\t=1"
	r.Chart.ID, r.Chart.Exam = r.Exam.ID, r.Origin()
	r.Chart.Site(chart.SiteRef{Tooth: 16, Site: chart.MB}).Recession = chart.Millimetres(-2)
	sites, exams := write(t, r)
	for name, table := range map[string]string{"sites": sites, "exams": exams} {
		rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		kinds := map[string]bool{}
		for _, of := range []reflect.Type{reflect.TypeFor[Site](), reflect.TypeFor[Exam]()} {
			names, _ := columns(of)
			for i, n := range names {
				kinds[n] = kindOf(of.Field(i).Type) == "text"
			}
		}
		negative := 0
		for _, row := range rows[1:] {
			for i, c := range row {
				if c == "" || !strings.ContainsRune("=+-@\t\r\n", rune(c[0])) {
					continue
				}
				if kinds[rows[0][i]] {
					t.Errorf("%s, %s: %q begins a formula", name, rows[0][i], c)
				} else if _, err := strconv.ParseFloat(c, 64); err != nil {
					t.Errorf("%s, %s: %q is no number", name, rows[0][i], c)
				} else {
					negative++
				}
			}
		}
		if name == "sites" && negative == 0 {
			t.Error("no negative number was written")
		}
	}
	got, err := Read(strings.NewReader(sites), strings.NewReader(exams), Ours())
	if err != nil || len(got.Rejected) > 0 || len(got.Records) != 1 {
		t.Fatalf("%+v %v", got, err)
	}
	b := got.Records[0]
	if b.Patient.ID != r.Patient.ID || b.Exam.ID != "-x1" || b.Exam.Examiner != "@Ben" || b.Exam.SignedBy != "'+Ada" || b.Probe() != "\t=1" {
		t.Errorf("%q %q %q %q %q", b.Patient.ID, b.Exam.ID, b.Exam.Examiner, b.Exam.SignedBy, b.Probe())
	}
	if v := b.Chart.Site(chart.SiteRef{Tooth: 16, Site: chart.MB}).Recession; v != chart.Millimetres(-2) {
		t.Errorf("recession %v", v)
	}
	if s := sitesTable(r); s[0].Patient != r.Patient.ID {
		t.Errorf("Parquet has %q", s[0].Patient)
	}
}

// What was changed after signing stands beside the value: what was signed, who changed it, when and why. Pseudonyms leave it out.
func TestAmended(t *testing.T) {
	r := reporttest.Full(t)
	site := chart.DB
	at := time.Date(2026, 11, 2, 10, 5, 0, 0, time.UTC).UnixMilli()
	r.Amendments = []chart.Amendment{{Time: at, Who: "Ada Quill", Reason: "probed again", Tooth: 16, Site: &site, Field: chart.FieldDepth, Was: "5", Value: "6"},
		{Time: at, Who: "Tess Holm", Reason: "looked again", Tooth: 16, Field: chart.FieldPresence, Was: "1", Value: "3"},
		{Time: at, Who: "Tess Holm", Reason: "asked again", Was: "{}", Value: `{"age":52}`}}
	r.Chart.Exam = r.Origin()
	sites, exams := write(t, r)
	rows, err := csv.NewReader(strings.NewReader(sites)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	name := map[string]int{}
	for i, n := range rows[0] {
		name[n] = i
	}
	const one, two = "16.DB.depth 5 -> 6 (Ada Quill, 2026-11-02T10:05:00Z: probed again)", "16.presence present -> implant (Tess Holm, 2026-11-02T10:05:00Z: looked again)"
	for _, row := range rows[1:] {
		want := ""
		if row[name["tooth"]] == "16" {
			if want = two; row[name["site"]] == "DB" {
				want = one + " | " + two
			}
		}
		if got := row[name["amended"]]; got != want {
			t.Errorf("tooth %s %s: %q, want %q", row[name["tooth"]], row[name["site"]], got, want)
		}
	}
	for _, want := range []string{one, "patient age not recorded -> age 52", "asked again"} {
		if !strings.Contains(strings.ReplaceAll(exams, `""`, `"`), want) {
			t.Errorf("the table of exams lacks %q:\n%s", want, exams)
		}
	}
	if file := reporttest.File(t, r); !strings.Contains(file, `"amendments":[{"at":"16.DB.depth","was":"5","is":"6","reason":"probed again","by":"Ada Quill"`) {
		t.Error(file)
	}
	v := report.NewVeil([]byte("a key of sixteen")).Record(r)
	sites, exams = write(t, v)
	for _, text := range []string{sites, exams, reporttest.File(t, v)} {
		for _, gone := range []string{"Ada Quill", "probed again", "Tess Holm", "asked again"} {
			if strings.Contains(text, gone) {
				t.Errorf("under a pseudonym stands %q", gone)
			}
		}
	}
}
