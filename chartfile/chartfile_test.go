package chartfile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"leadsman/chart"
)

const head = `{"schema":"leadsman.chart/1","numbering":"fdi"`

func TestDecodeRefuses(t *testing.T) {
	tooth := func(body string) string { return head + `,"teeth":{"16":` + body + `}}` }
	site := func(body string) string { return tooth(`{"sites":{"DB":` + body + `}}`) }
	for in, want := range map[string]string{
		``:                                "the file is empty",
		`[]`:                              "an object {...} is needed",
		`{"schema":"x"}`:                  `schema: "x": this program reads "leadsman.chart/1"`,
		`{}`:                              "schema:",
		head + `,"teeths":{}}`:            "teeths: unknown key",
		site(`{"colour":3}`):              "teeth.16.sites.DB.colour: unknown key",
		site(`{"depth":40}`):              "teeth.16.sites.DB.depth: 40 mm is out of range (0 to 15 mm)",
		site(`{"depth":16}`):              "teeth.16.sites.DB.depth: 16 mm is out of range",
		site(`{"depth":-1}`):              "teeth.16.sites.DB.depth: -1 mm is out of range",
		site(`{"depth":3.25}`):            "teeth.16.sites.DB.depth: 3.25 mm: use whole millimetres or halves",
		site(`{"depth":1e999}`):           "teeth.16.sites.DB.depth: 1e999 mm is out of range",
		site(`{"depth":"3"}`):             `teeth.16.sites.DB.depth: "3": a number is needed`,
		site(`{"depth":3,"depth":4}`):     "teeth.16.sites.DB.depth: given twice",
		site(`{"recession":-9}`):          "teeth.16.sites.DB.recession: -9 mm is out of range (-8 to 15 mm)",
		site(`{"recession":16}`):          "teeth.16.sites.DB.recession: 16 mm is out of range",
		site(`{"bleeding":1}`):            "teeth.16.sites.DB.bleeding: 1: true or false is needed",
		site(`{"exclude":"fate"}`):        `teeth.16.sites.DB.exclude: "fate": use one of trauma`,
		tooth(`{"state":"gone"}`):         `teeth.16.state: "gone": use one of present, missing, implant, unerupted`,
		tooth(`{"mobility":4}`):           "teeth.16.mobility: 4 is out of range (0 to 3)",
		tooth(`{"mobility":1.5}`):         "teeth.16.mobility: 1.5: a whole number is needed",
		tooth(`{"furcation":{"L":1}}`):    "teeth.16.furcation.L: tooth 16 (upper right first molar) has no lingual furcation",
		tooth(`{"furcation":{"B":4}}`):    "teeth.16.furcation.B: 4 is out of range (0 to 3)",
		tooth(`{"furcation":{"X":1}}`):    "teeth.16.furcation.X: unknown key",
		tooth(`{"sites":{"DX":{}}}`):      "teeth.16.sites.DX: unknown key",
		tooth(`{"sites":[]}`):             "teeth.16.sites: []: an object {...} is needed",
		tooth(`{"implant":{"age":3}}`):    "teeth.16.implant.age: unknown key",
		tooth(`{},"16":{}`):               "teeth.16: given twice",
		head + `,"teeth":{"19":{}}}`:      "teeth.19: no such tooth",
		head + `,"teeth":{"016":{}}}`:     "teeth.016: no such tooth",
		head + `,"numbering":"fdi"}`:      "numbering: given twice",
		head + `,"id":5}`:                 "id: 5: a text in quotes is needed",
		head + `,"patient":{"aeg":5}}`:    "patient.aeg: unknown key",
		head + `,"patient":{"age":-5}}`:   "patient.age: -5 years is out of range (0 to 120 years)",
		head + `,"patient":{"teeth":{}}}`: "patient.teeth: unknown key",
		head + `,"patient":{"age":5.5}}`:  "patient.age: 5.5: a whole number is needed",
		head + `} {}`:                     "more follows",
		head + `,"teeth":{"16":{}`:        "the file ends inside this chart",
		head + `,"teeth":{"16":{}}} x`:    "more follows",
		head + `,"teeth":nope}`:           "not readable as JSON: invalid character",
		head + `,"patient":{"factors":{"depth_6.10":"confirmed"}}}`:                                  "patient.factors.depth_6.10: no such tooth",
		head + `,"patient":{"factors":{"depth_7":"confirmed"}}}`:                                     "patient.factors.depth_7: unknown key",
		head + `,"patient":{"factors":{"depth_6":"perhaps"}}}`:                                       `"perhaps": use one of confirmed, rejected`,
		head + `,"patient":{"gaps":{"16-46":{}}}}`:                                                   "two different permanent teeth of one arch",
		head + `,"patient":{"therapy_finished":"2026-02-30"}}`:                                       `"2026-02-30": a date YYYY-MM-DD is needed`,
		head + `,"patient":{"by_exception":["colour"]}}`:                                             `"colour": use one of bleeding`,
		`{"schema":"leadsman.chart/1","numbering":"palmer"}`:                                         `numbering: "palmer": use fdi or universal`,
		`{"schema":"leadsman.chart/1","numbering":"universal","teeth":{"33":{}}}`:                    "teeth.33: no such tooth: 33 in Universal numbering",
		`{"schema":"leadsman.chart/1","numbering":"universal","teeth":{"30":{"furcation":{"M":1}}}}`: "teeth.30.furcation.M: tooth 30 (lower right first molar) has no mesial furcation",
	} {
		_, err := Decode(strings.NewReader(in))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s\n got %v\nwant %s", in, err, want)
		}
		if err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: more than one line: %q", in, err)
		}
	}
}

func TestDecodeListsEverything(t *testing.T) {
	_, err := Decode(strings.NewReader(head + `,"teeth":{"16":{"mobility":9,"sites":{"DB":{"depth":40,"colour":1}}},"19":{}}}`))
	var is Issues
	if !errors.As(err, &is) || len(is) != 4 {
		t.Fatalf("got %v, want four issues", err)
	}
	var re *chart.RangeError
	if !errors.As(err, &re) || re.At != "teeth.16.mobility" || re.Got != 9 || re.Max != chart.MaxMobility {
		t.Errorf("range error: %+v", re)
	}
	if !errors.Is(err, chart.ErrNoSuchTooth) {
		t.Errorf("no ErrNoSuchTooth in %v", err)
	}
}

// The sample of the file's description, and one with every key, are read and written back.
func TestSamplesRoundTrip(t *testing.T) {
	for _, name := range []string{"testdata/chart_sample.json", "testdata/chart_every_key.json", "testdata/chart_universal.json"} {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		c, err := Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var once, twice, want bytes.Buffer
		if err := Encode(&once, c); err != nil {
			t.Fatal(err)
		}
		again, err := Decode(bytes.NewReader(once.Bytes()))
		if err != nil {
			t.Fatal(err)
		}
		if err := Encode(&twice, again); err != nil {
			t.Fatal(err)
		}
		if once.String() != twice.String() || !reflect.DeepEqual(c, again) {
			t.Errorf("%s: written, read and written again differs:\n%s\n%s", name, once.String(), twice.String())
		}
		if name == "testdata/chart_sample.json" {
			continue // has nulls, which are not written
		}
		if err := json.Compact(&want, b); err != nil {
			t.Fatal(err)
		}
		if strings.TrimSpace(once.String()) != want.String() {
			t.Errorf("%s: not written as it came:\n%s\n%s", name, once.String(), want.String())
		}
	}
}

// Every key that the tables of inputs know is in the sample that has every key.
func TestEveryKeyIsInTheSample(t *testing.T) {
	b, err := os.ReadFile("testdata/chart_every_key.json")
	if err != nil {
		t.Fatal(err)
	}
	doc, err := os.ReadFile("../docs/chart-file.md")
	if err != nil {
		t.Fatal(err)
	}
	var keys []string
	for _, in := range chart.PatientAsked {
		keys = append(keys, in.Key)
	}
	for _, in := range chart.ToothAsked {
		keys = append(keys, in.Key)
	}
	for _, in := range chart.ImplantAsked {
		keys = append(keys, in.Key)
	}
	for _, in := range chart.SiteAsked {
		keys = append(keys, in.Key)
	}
	for _, in := range chart.GapAsked {
		keys = append(keys, in.Key)
	}
	for _, in := range originInputs {
		keys = append(keys, in.Key)
	}
	for _, in := range amendedInputs {
		keys = append(keys, in.Key)
	}
	keys = append(keys, "exam", "doubts", "amendments", "factors", "by_exception", "gaps", "gingival_bleeding")
	for _, k := range keys {
		if !strings.Contains(string(b), `"`+k+`"`) {
			t.Errorf("the sample lacks %q", k)
		}
		if !strings.Contains(string(doc), "`"+k+"`") {
			t.Errorf("docs/chart-file.md lacks `%s`", k)
		}
	}
	for _, k := range chart.FactorNames() {
		if !strings.Contains(string(doc), "`"+k+"`") {
			t.Errorf("docs/chart-file.md lacks the factor `%s`", k)
		}
	}
}

func TestNumberingOfKeys(t *testing.T) {
	// The correspondence of the two systems is ISO 3950's, tested with the teeth.
	universal := `{"teeth":{"3":{"mobility":1},"A":{"state":"present"}},"patient":{"gaps":{"4-3":{"closed":true}},"factors":{"depth_6.3":"rejected"}},"schema":"leadsman.chart/1","numbering":"universal"}`
	c, err := Decode(strings.NewReader(universal))
	if err != nil {
		t.Fatal(err)
	}
	if c.Tooth(16).Mobility.Value() != 1 || c.Tooth(55).Presence != chart.Present {
		t.Error("tooth 3 is FDI 16 and A is 55")
	}
	if c.Patient.Gaps[chart.Gap{A: 16, B: 15}].Closed == nil || c.Patient.FactorDecision("depth_6", 16) != "rejected" {
		t.Errorf("gaps %v, factors %v", c.Patient.Gaps, c.Patient.Factors)
	}
	var b bytes.Buffer
	if err := Encode(&b, c); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"3":{"mobility":1}`, `"A":{`, `"3-4":{`, `"depth_6.3"`} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%s not in %s", want, b.String())
		}
	}
}

func TestReaderOfLines(t *testing.T) {
	one := head + `,"id":"a"}`
	for _, c := range []struct {
		in    string
		ids   string
		errAt int
	}{
		{one + "\n" + one + "\n", "aa", 0},
		{"\n\n" + one + "\n\n\n" + one, "aa", 0},
		{"\xef\xbb\xbf" + one, "a", 0},
		{one + "\n" + one + "\n{\"schema\":\n" + one, "aa", 3},
		{one + "\n" + `{"schema":"leadsman.chart/1","teeth":{` + "\n" + one, "a", 2},
		{one + "\n" + head + `,"teeth":{"16":{"x":1}}}` + "\n" + one, "a", 2},
		{one + "\nnonsense\n" + one, "a", 2},
		{one + "\n" + head, "a", 2},
		{strings.ReplaceAll(one, ",", ",\n") + "\nbroken", "a", 4},
	} {
		r := NewReader(iotestOneByte{strings.NewReader(c.in)})
		ids := ""
		var err error
		for {
			var got *chart.Chart
			if got, err = r.Next(); err != nil {
				break
			}
			ids += got.ID
		}
		line := 0
		var le *LineError
		if errors.As(err, &le) {
			line = le.Line
		} else if err != io.EOF {
			t.Errorf("%q: %v", c.in, err)
		}
		if ids != c.ids || line != c.errAt {
			t.Errorf("%q: ids %q, error at line %d (%v); want %q, %d", c.in, ids, line, err, c.ids, c.errAt)
		}
	}
}

type iotestOneByte struct{ r io.Reader }

func (o iotestOneByte) Read(p []byte) (int, error) { return o.r.Read(p[:min(1, len(p))]) }

// After a chart with faults, but readable as JSON, the next one can still be read.
func TestReaderGoesOnAfterFaults(t *testing.T) {
	r := NewReader(strings.NewReader(head + `,"x":1}` + "\n" + head + `,"id":"b"}` + "\n"))
	if _, err := r.Next(); err == nil {
		t.Fatal("no error")
	}
	c, err := r.Next()
	if err != nil || c.ID != "b" || r.Line() != 2 {
		t.Errorf("%v %v line %d", c, err, r.Line())
	}
}

func TestReaderRefusesGiants(t *testing.T) {
	_, err := NewReader(io.MultiReader(strings.NewReader(`{"id":"`), endless{})).Next()
	if err == nil || !strings.Contains(err.Error(), "longer than") {
		t.Errorf("got %v", err)
	}
}

type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'a'
	}
	return len(p), nil
}

func anyChart(t *rapid.T) *chart.Chart {
	c := &chart.Chart{ID: rapid.StringMatching(`[^\pC]*`).Draw(t, "id"), Numbering: rapid.SampledFrom([]chart.Numbering{chart.FDI, chart.Universal}).Draw(t, "numbering")}
	mm := func(lo, hi int, name string) chart.MM {
		if rapid.Bool().Draw(t, name+" known") {
			return chart.Half(rapid.IntRange(2*lo, 2*hi).Draw(t, name))
		}
		return chart.MM{}
	}
	for range rapid.IntRange(0, 12).Draw(t, "teeth") {
		tooth := chart.ToothAt(rapid.IntRange(0, 51).Draw(t, "tooth"))
		rec := c.Tooth(tooth)
		rec.Presence = chart.Presence(rapid.IntRange(0, int(chart.Unerupted)).Draw(t, "presence"))
		rec.Mobility = chart.Grade(rapid.IntRange(0, chart.MaxMobility+1).Draw(t, "mobility"))
		rec.Keratin = mm(0, chart.MaxDepth, "keratin")
		for _, e := range tooth.Entrances() {
			rec.Furcation[e] = chart.Grade(rapid.IntRange(0, chart.MaxFurcation+1).Draw(t, "furcation"))
			rec.Vertical[e] = mm(0, chart.MaxDepth, "vertical")
		}
		for s := range rec.Sites {
			rec.Sites[s].Depth, rec.Sites[s].Again = mm(0, chart.MaxDepth, "depth"), mm(0, chart.MaxDepth, "again")
			rec.Sites[s].Recession = mm(chart.MinRecession, chart.MaxRecession, "recession")
			for f := range rec.Sites[s].Flags {
				rec.Sites[s].Flags[f] = chart.YesNo(rapid.IntRange(0, 2).Draw(t, "flag"))
			}
		}
		if rapid.Bool().Draw(t, "asked") {
			f := rapid.Float64Range(0, 15).Draw(t, "mm")
			yes := rapid.Bool().Draw(t, "yes")
			if c.Patient.Teeth == nil {
				c.Patient.Teeth = map[chart.Tooth]chart.ToothInputs{}
			}
			c.Patient.Teeth[tooth] = chart.ToothInputs{LostTo: "other", VerticalLossMM: &f, Implant: &chart.ImplantInputs{BoneLoss: &yes},
				Sites: map[chart.Site]chart.SiteInputs{chart.B: {Exclude: "trauma"}}}
		}
	}
	if rapid.Bool().Draw(t, "patient") {
		age := rapid.IntRange(0, 120).Draw(t, "age")
		rbl := rapid.Float64Range(0, 100).Draw(t, "rbl")
		c.Patient.Age, c.Patient.BoneLossPercent = &age, &rbl
		c.Patient.Factors = map[string]string{"depth_6.16": "rejected", "furcation": "confirmed"}
		c.Patient.Gaps = map[chart.Gap]chart.GapInputs{{A: 16, B: 15}: {BrushMM: &[]float64{0.9}[0]}, {A: 41, B: 31}: {Closed: &[]bool{true}[0]}}
	}
	return c
}

// Export, import, export gives the same bytes, and import gives the same chart.
func TestRoundTripProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyChart(t)
		var first, second bytes.Buffer
		if err := Encode(&first, c); err != nil {
			t.Fatal(err)
		}
		back, err := Decode(bytes.NewReader(first.Bytes()))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(c, back) {
			t.Fatalf("chart changed:\n%+v\n%+v", c, back)
		}
		if err := Encode(&second, back); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Fatalf("bytes changed:\n%s\n%s", first.Bytes(), second.Bytes())
		}
		if !json.Valid(first.Bytes()) || bytes.Count(first.Bytes(), []byte("\n")) != 1 {
			t.Fatalf("not one line of JSON: %q", first.Bytes())
		}
	})
}

// What Decode would refuse is not written: all of it is told, readings on a missing tooth are no fault.
func TestEncodeRefuses(t *testing.T) {
	c := &chart.Chart{}
	c.Tooth(16).Sites[chart.DB].Depth = chart.Half(41)
	c.Tooth(11).Furcation[chart.EntranceBuccal] = chart.GradeOf(1)
	c.Tooth(12).Presence, c.Tooth(12).Sites[chart.B].Depth = chart.Missing, chart.Millimetres(3)
	var is Issues
	if err := Encode(io.Discard, c); !errors.As(err, &is) {
		t.Fatal("a chart was written that Decode refuses:", err)
	}
	var paths []string
	for _, i := range is {
		paths = append(paths, i.Path)
	}
	if got := fmt.Sprint(paths); got != "[teeth.11.furcation.B teeth.16.sites.DB.depth]" {
		t.Error(got)
	}
}

func TestMergePatient(t *testing.T) {
	p, err := MergePatient(chart.Patient{}, []byte(`{"age":52,"factors":{"depth_6.16":"rejected"},"teeth":{"17":{"lost_to":"periodontitis","sites":{"DB":{"exclude":"third_molar"}}}}}`))
	if err != nil {
		t.Fatal(err)
	}
	q, err := MergePatient(p, []byte(`{"age":null,"hba1c_percent":6.9,"factors":{"depth_6.16":null},"teeth":{"17":{"lost_to":null,"sites":{"DB":{"exclude":null}}},"26":{"hopeless":true}}}`))
	if err != nil {
		t.Fatal(err)
	}
	if q.Age != nil || *q.HbA1cPercent != 6.9 || q.Factors != nil || len(q.Teeth) != 1 || !*q.Teeth[26].Hopeless {
		t.Errorf("merged: %+v", q)
	}
	if *p.Age != 52 || p.Factors["depth_6.16"] != "rejected" || p.Teeth[17].Sites[chart.DB].Exclude != "third_molar" {
		t.Errorf("the former inputs changed: %+v", p)
	}
	for _, bad := range []string{`{"age":200}`, `{"x":1}`, `{`, `5`, `{"teeth":{"99":{}}}`} {
		got, err := MergePatient(p, []byte(bad))
		if err == nil || !reflect.DeepEqual(got, p) {
			t.Errorf("%s: %v, %v", bad, err, got)
		}
	}
	// A Patient written by encoding/json is a merge that gives the same Patient.
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	if back, err := MergePatient(chart.Patient{}, b); err != nil || !reflect.DeepEqual(back, p) {
		t.Errorf("%s: %v", b, err)
	}
}

// Whatever Decode accepts can be written and read again; nothing makes it fail otherwise than with
// an error.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(head + `,"teeth":{"16":{"sites":{"DB":{"depth":3.5}}}}}`))
	f.Add([]byte(head + `,"patient":{"gaps":{"11-21":{"closed":true}},"factors":{"furcation.36":"confirmed"}}}`))
	f.Add([]byte(`{"id":"\u0000\"\\","schema":"leadsman.chart/1"}`))
	f.Add([]byte(`{"schema":"leadsman.chart/1","teeth":null,"patient":{"by_exception":[]}}`))
	for _, name := range []string{"testdata/chart_sample.json", "testdata/chart_every_key.json", "testdata/chart_universal.json"} {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := Decode(bytes.NewReader(b))
		if err != nil {
			return
		}
		var out, again bytes.Buffer
		if err := Encode(&out, c); err != nil {
			t.Fatalf("read but not written: %v", err)
		}
		back, err := Decode(bytes.NewReader(out.Bytes()))
		if err != nil {
			t.Fatalf("written but not read: %v\n%s", err, out.Bytes())
		}
		if err := Encode(&again, back); err != nil || out.String() != again.String() {
			t.Fatalf("not stable: %v\n%s\n%s", err, out.Bytes(), again.Bytes())
		}
	})
}

// What an exam's origin may not be is refused by its full name.
func TestOriginRefused(t *testing.T) {
	for bad, want := range map[string]string{
		`{"began":"yesterday"}`:                        "exam.began",
		`{"kind":"visit"}`:                             "exam.kind",
		`{"colour":"red"}`:                             "exam.colour: unknown key",
		`{"doubts":["16.DB"]}`:                         "16.DB.depth",
		`{"doubts":["16.XX.depth"]}`:                   "DB B MB",
		`{"doubts":["99.DB.depth"]}`:                   "no such tooth",
		`{"doubts":["16.DB.presence"]}`:                "depth, recession or a flag",
		`{"signed":"2026-11-02"}`:                      "exam.signed",
		`{"amendments":[{"at":"16.DB.depth"}]}`:        "at least its place (at) and its reason",
		`{"amendments":[{"why":"x"}]}`:                 "exam.amendments.why: unknown key",
		`{"amendments":[{"time":"now"}]}`:              "exam.amendments.time",
		`{"amendments":{}}`:                            "a list",
		`{"doubts":["16.DB.depth"],"x":1,"doubts":[]}`: "given twice",
	} {
		_, err := Decode(strings.NewReader(`{"schema":"leadsman.chart/1","exam":` + bad + `}`))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", bad, err, want)
		}
	}
}

// What no chart can mean is refused by name: text in another encoding, control characters in an id, a gap between teeth
// that are no neighbours, progression over no time, a second reading out of range.
func TestRefusedText(t *testing.T) {
	for in, want := range map[string]string{
		head + ",\"id\":\"a\xffb\"}":                                  "id: this text is not valid UTF-8",
		head + `,"id":"a\u0007b"}`:                                    "id: \"a\\ab\": no control characters in an id",
		head + `,"patient":{"gaps":{"16-14":{}}}}`:                    "gap 16-14: the two are no neighbours",
		head + `,"patient":{"progression_years":0}}`:                  "progression_years: 0 years is out of range",
		head + `,"patient":{"probing_conditions":"` + "\xc3" + `"}}`:  "probing_conditions: this text is not valid UTF-8",
		head + `,"teeth":{"16":{"sites":{"DB":{"depth_again":16}}}}}`: "depth_again: 16 mm is out of range",
		head + `,"teeth":{"36":{"furcation_vertical":{"M":2}}}}`:      "has no mesial furcation",
	} {
		if _, err := Decode(strings.NewReader(in)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", in, err, want)
		}
	}
	for _, in := range []string{head + `,"id":"Zoë, 第2"}`, head + `,"patient":{"gaps":{"11-21":{"closed":true}}}}`, head + `,"patient":{"progression_years":0.1}}`} {
		if _, err := Decode(strings.NewReader(in)); err != nil {
			t.Errorf("%q: %v", in, err)
		}
	}
}

// nulls is a JSON object with null in the place of every value.
func nulls(v map[string]any) map[string]any {
	out := map[string]any{}
	for k, e := range v {
		out[k] = nil
		if part, ok := e.(map[string]any); ok {
			out[k] = nulls(part)
		}
	}
	return out
}

// A change that takes back everything that can be asked leaves nothing, and one that gives everything again gives the same.
func TestEveryInputIsTakenBack(t *testing.T) {
	f, err := os.Open("testdata/chart_every_key.json")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	all, _ := json.Marshal(c.Patient)
	var object map[string]any
	if err := json.Unmarshal(all, &object); err != nil {
		t.Fatal(err)
	}
	none, _ := json.Marshal(nulls(object))
	left, err := MergePatient(c.Patient, none)
	if b, _ := json.Marshal(left); err != nil || !reflect.DeepEqual(left, chart.Patient{}) {
		t.Errorf("%v; left: %s", err, b)
	}
	if again, err := MergePatient(left, all); err != nil || !reflect.DeepEqual(again, c.Patient) {
		t.Errorf("%v; given again: %+v", err, again)
	}
	one, err := MergePatient(c.Patient, []byte(`{"age":null,"gaps":null,"teeth":{"16":null}}`))
	if want := c.Patient.Clone(); err != nil || one.Age != nil {
		t.Error(err, one.Age)
	} else if want.Age = nil; !reflect.DeepEqual(one, want) {
		t.Errorf("only the age is taken back: %+v", one)
	}
}

// Texts of events and commands, as logs and pages have them: what is read is what was written, and what cannot be read changes nothing.
func TestTextsOfEvents(t *testing.T) {
	plan, err := DecodePlan(`{"recall":"2027-02-02","recall_months":3}`)
	if err != nil || plan.Recall != "2027-02-02" || plan.RecallMonths != 3 {
		t.Fatalf("%+v, %v", plan, err)
	}
	for _, bad := range []string{`{"recal":"2027-02-02"}`, `{"recall":"soon"}`, `{} {}`, ``} {
		if p, err := DecodePlan(bad); err == nil {
			t.Errorf("%s was read as %+v", bad, p)
		}
	}
	c := Read(chart.Command{Acts: []chart.Act{{Verb: chart.VerbPlan, Text: `{"recall":"2027-02-02"}`}, {Verb: chart.VerbPatient, Text: `{"age":41}`}, {Verb: chart.VerbPatient, Text: `{"age":"old"}`}}})
	if a := c.Acts; a[0].Plan == nil || a[0].Plan.Recall != "2027-02-02" || a[1].Change == nil || a[1].Unread != nil || a[2].Change != nil || a[2].Unread == nil {
		t.Errorf("%+v", a)
	}
	e, err := DecodeEvent([]byte(`{"seq":7,"time":9,"kind":"patient","call":6,"text":"{\"age\":41}"}`))
	if err != nil || e.Seq != 7 || e.Change == nil {
		t.Errorf("%+v, %v", e, err)
	}
	if _, err := DecodeEvent([]byte(`{"seq":`)); err == nil {
		t.Error("half an event was read")
	}
	if err := error(&LineError{3, io.EOF}); !errors.Is(err, io.EOF) || !strings.Contains(err.Error(), "line 3") {
		t.Error(err)
	}
	// An origin is what stands under "exam" of a file that has it.
	o := chart.Origin{Began: "2026-03-02T09:00:00Z", Examiner: "Ada Quill", Doubts: []chart.DoubtAt{{SiteRef: chart.SiteRef{Tooth: 16, Site: chart.DB}, Field: chart.FieldDepth}}}
	got, err := Decode(strings.NewReader(`{"schema":"leadsman.chart/1","numbering":"universal","exam":` + string(AppendOrigin(nil, &o, chart.Universal)) + `}`))
	if err != nil || !reflect.DeepEqual(got.Exam, o) {
		t.Errorf("%+v, %v", got, err)
	}
}
