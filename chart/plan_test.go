package chart

import (
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

func planned(t *testing.T) (*State, func(who, text string, was *string) error) {
	t.Helper()
	evs, err := Start(FDI, "", nil, nil, Meta{})
	if err != nil {
		t.Fatal(err)
	}
	st, err := Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC).UnixMilli()
	return st, func(who, text string, was *string) error {
		at += 1000
		evs, err := st.doTexts(Command{[]Act{{Verb: VerbPlan, Text: text, Was: was}}}, Meta{Source: Keyboard, Who: who, Time: at})
		if e := st.Apply(evs...); e != nil {
			t.Fatal(e)
		}
		return err
	}
}

const wholePlan = `{"phases":[{"id":"step2","title":"Step 2","items":["Instrument 16 & 26 <again>."]},{"id":"own","title":"Own","items":[]}],` +
	`"phase_one_done":"2026-10-30","reevaluation":"2026-12-15","recall_months":3,"recall":"2027-02-02",` +
	`"home_care":[{"id":"idb","group":"interdental","text":"A brush of size 3.","why":"Bleeding.","where":"between 15 and 16"}],"achieved":["brush_bass"],"note":"Call in the morning."}`

// What the clinician decided is kept as it was, with who and when, survives the log's way to disk,
// can be replaced and taken back, and stays possible after signing, marked as added.
func TestPlanIsKept(t *testing.T) {
	st, decide := planned(t)
	if _, ok := st.Plan(); ok {
		t.Fatal("a plan before any decision")
	}
	if err := decide("Ada Quill", wholePlan, nil); err != nil {
		t.Fatal(err)
	}
	first, _ := st.Plan()
	if b, err := json.Marshal(first.Plan); err != nil || !jsonSame(t, string(b), wholePlan) || first.Who != "Ada Quill" || first.Added || first.Time == 0 {
		t.Errorf("kept %s by %q, want %s", b, first.Who, wholePlan)
	}
	var again []Event
	for _, e := range st.Log() {
		b, err := e.Encode()
		if err != nil {
			t.Fatal(err)
		}
		e, err := decodeEvent(b)
		if err != nil {
			t.Fatal(err)
		}
		again = append(again, e)
	}
	if back, err := Fold(again); err != nil || !reflect.DeepEqual(back.Plans, st.Plans) {
		t.Errorf("after the log's way: %+v, %v", back.Plans, err)
	}
	if err := decide("Ben Oakley", `{"recall_months":4}`, nil); err != nil {
		t.Fatal(err)
	}
	if d, _ := st.Plan(); d.RecallMonths != 4 || d.Phases != nil || d.Who != "Ben Oakley" {
		t.Errorf("the later plan replaces the whole: %+v", d)
	}
	undo := func() error {
		evs, err := st.doTexts(Command{[]Act{{Verb: VerbDisregard}}}, Meta{Source: Keyboard})
		if e := st.Apply(evs...); e != nil {
			t.Fatal(e)
		}
		return err
	}
	if err := undo(); err != nil {
		t.Fatal(err)
	}
	if d, _ := st.Plan(); d.Call != first.Call {
		t.Errorf("taken back, %+v is in force", d)
	}
	evs, err := st.doTexts(Command{[]Act{{Verb: VerbSign}}}, Meta{Source: Keyboard, Who: "Ada Quill"})
	if err != nil || st.Apply(evs...) != nil {
		t.Fatal(err)
	}
	if err := undo(); !errors.Is(err, ErrSigned) {
		t.Errorf("taken back after signing: %v", err)
	}
	if err := decide("Ben Oakley", `{"recall":"2027-03-02"}`, nil); err != nil {
		t.Fatal(err)
	}
	if d, _ := st.Plan(); !d.Added || d.Recall != "2027-03-02" || st.Plans[0].Added {
		t.Errorf("after signing: %+v", st.Plans)
	}
	if _, err := st.doTexts(Command{[]Act{{Verb: VerbPatient, Text: `{"age":5}`}}}, Meta{}); !errors.Is(err, ErrSigned) {
		t.Errorf("an answer after signing: %v", err)
	}
}

func jsonSame(t *testing.T, a, b string) bool {
	t.Helper()
	var x, y any
	if err := errors.Join(json.Unmarshal([]byte(a), &x), json.Unmarshal([]byte(b), &y)); err != nil {
		t.Fatal(err)
	}
	return reflect.DeepEqual(x, y)
}

// An empty list is a decision, an absent one is none: they must not become each other.
func TestPlanOfNothing(t *testing.T) {
	st, decide := planned(t)
	for text, decided := range map[string]bool{`{"phases":[]}`: true, `{}`: false} {
		if err := decide("Ada Quill", text, nil); err != nil {
			t.Fatal(err)
		}
		if d, _ := st.Plan(); (d.Phases != nil) != decided {
			t.Errorf("%s: phases %v", text, d.Phases)
		}
	}
}

func TestPlanRefused(t *testing.T) {
	st, decide := planned(t)
	str := func(s string) *string { return &s }
	for _, c := range []struct {
		who, text string
		was       *string
		want      string
	}{
		{" ", `{}`, nil, "needs the name"},
		{"A", `{"recall":"2027-02-30"}`, nil, "write a day as"},
		{"A", `{"recall":"22027-02-03"}`, nil, "write a day as"},
		{"A", `{"recall":"2026-10-31"}`, nil, "lies before today"},
		{"A", `{"reevaluation":"2025-12-01"}`, nil, "lies before today"},
		{"A", `{"recall_months":25}`, nil, "recall: 25 months is out of range (1 to 24 months)"},
		{"A", `{"recall_months":-1}`, nil, "out of range"},
		{"A", `{"colour":1}`, nil, `unknown field "colour"`},
		{"A", `{} {}`, nil, "something follows"},
		{"A", `nothing`, nil, "plan:"},
		{"A", `{"phases":[{"id":" ","items":["x"]}]}`, nil, "no id"},
		{"A", `{"phases":[{"id":"step2","items":[" "]}]}`, nil, "empty line"},
		{"A", `{"home_care":[{"id":"x","text":""}]}`, nil, "empty"},
		{"A", `{"note":"` + strings.Repeat("n", 2001) + `"}`, nil, "longer than"},
		{"A", `{"phases":[{"id":"a","items":["` + strings.Repeat("n", 1001) + `"]}]}`, nil, "longer than"},
		{"A", `{"phases":[{"id":"a","items":["x"` + strings.Repeat(`,"x"`, 300) + `]}]}`, nil, "too many"},
		{"A", `{}`, str("7"), "changed at another screen"},
	} {
		if err := decide(c.who, c.text, c.was); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.60s by %q: %v, want %q", c.text, c.who, err, c.want)
		}
	}
	if len(st.Plans) > 0 {
		t.Errorf("a refused plan was kept: %+v", st.Plans)
	}
	// The day before, for places behind Greenwich, and a plan that was seen.
	if err := decide("A", `{"recall":"2026-11-01"}`, str("")); err != nil {
		t.Error(err)
	}
	d, _ := st.Plan()
	if err := decide("B", `{}`, str("")); err == nil {
		t.Error("written over a plan that was not seen")
	}
	if err := decide("B", `{}`, str(jsonNumber(d.Call))); err != nil {
		t.Error(err)
	}
}

func jsonNumber(n uint64) string {
	b, _ := json.Marshal(n)
	return string(b)
}

// What was done is kept with the plan, and refused by name where it cannot be read; therapy after which attachment heals counts as
// active.
func TestTherapyDone(t *testing.T) {
	p, err := decodePlan(`{"done":[{"day":"2026-03-02","what":"subgingival","where":"upper right","by":"ultrasonic","who":"Ada Quill"},{"day":"2026-05-01","what":"supragingival","where":""},{"day":"2026-04-01","what":"surgery","where":"16"}]}`)
	if err != nil || len(p.Done) != 3 || p.LastActive("", "") != "2026-04-01" {
		t.Errorf("%+v %v, last active %q", p, err, p.LastActive("", ""))
	}
	for _, c := range []struct{ from, to, want string }{{"", "2026-03-31", "2026-03-02"}, {"2026-03-02", "2026-03-02", "2026-03-02"}, {"2026-03-03", "2026-03-31", ""},
		{"2026-04-01", "", "2026-04-01"}, {"2026-04-02", "", ""}} {
		if got := p.LastActive(c.from, c.to); got != c.want {
			t.Errorf("last active from %q to %q: %q, want %q", c.from, c.to, got, c.want)
		}
	}
	for bad, want := range map[string]string{
		`{"done":[{"day":"","what":"surgery","where":""}]}`:                        "treatment on",
		`{"done":[{"day":"2026-13-01","what":"surgery","where":""}]}`:              "treatment on",
		`{"done":[{"day":"2026-03-02","what":"magic","where":""}]}`:                "use one of supragingival",
		`{"done":[{"day":"2026-03-02","what":"surgery","where":"","by":"laser"}]}`: "use hand, ultrasonic or both",
	} {
		if _, err := decodePlan(bad); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

// Therapy by voice becomes a line of the plan: what was decided before stays, and stays decided by whom it was; taken back, the line
// is gone.
func TestTherapyByVoice(t *testing.T) {
	at := time.Date(2026, 11, 2, 12, 0, 0, 0, time.UTC).UnixMilli()
	evs, err := Start(FDI, "", nil, nil, Meta{Time: at})
	if err != nil {
		t.Fatal(err)
	}
	st, err := Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	do := func(who string, a Act) error {
		evs, err := st.doTexts(Command{Acts: []Act{a}}, Meta{Time: at, Source: Voice, Who: who, Words: "said"})
		if err := st.Apply(evs...); err != nil {
			t.Fatal(err)
		}
		return err
	}
	none := ""
	if err := do("Ada Quill", Act{Verb: VerbPlan, Text: `{"recall_months":3,"note":"n"}`, Was: &none}); err != nil {
		t.Fatal(err)
	}
	quadrant := Act{Verb: VerbTherapy, Therapy: &Treatment{What: "subgingival", Where: "upper right quadrant", By: "ultrasonic", Adjunct: "antiseptic"}}
	tooth := Act{Verb: VerbTherapy, Therapy: &Treatment{What: "surgery"}, Teeth: Teeth{16}, Where: []Where{Mesial}, Aspect: Lingual, HasAspect: true}
	teeth := Act{Verb: VerbTherapy, Therapy: &Treatment{What: "supragingival", By: "hand"}, Teeth: Teeth{16, 17}}
	for _, a := range []Act{quadrant, tooth, teeth} {
		if err := do("Ben Sorrel", a); err != nil {
			t.Fatal(err)
		}
	}
	d, _ := st.Plan()
	want := []Treatment{{"2026-11-02", "subgingival", "upper right quadrant", "ultrasonic", "antiseptic", "Ben Sorrel"},
		{"2026-11-02", "surgery", "tooth 16 mesial lingual", "", "", "Ben Sorrel"}, {"2026-11-02", "supragingival", "teeth 16 17", "hand", "", "Ben Sorrel"}}
	if !slices.Equal(d.Done, want) || d.Who != "Ada Quill" || d.RecallMonths != 3 || d.Note != "n" {
		t.Errorf("%+v", d)
	}
	if w := d.Done[0].String(); w != "subgingival, upper right quadrant, by ultrasonic, with antiseptic" {
		t.Error(w)
	}
	if err := do("Ben Sorrel", Act{Verb: VerbDisregard}); err != nil {
		t.Fatal(err)
	}
	if d, _ := st.Plan(); !slices.Equal(d.Done, want[:2]) {
		t.Errorf("after taking back: %+v", d.Done)
	}
	for _, c := range []struct {
		who  string
		a    Act
		want string
	}{{" ", quadrant, "name"}, {"A", Act{Verb: VerbTherapy}, "what was done"}, {"A", Act{Verb: VerbTherapy, Therapy: &Treatment{What: "magic"}}, "use one of"},
		{"A", Act{Verb: VerbPlan, Text: `{"done":[{"day":"2026-11-04","what":"surgery","where":""}]}`}, "has not come yet"}} {
		if err := do(c.who, c.a); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v by %q: %v, want %q", c.a, c.who, err, c.want)
		}
	}
	// Signed, therapy can still be recorded, and counts as added.
	if err := do("Ada Quill", Act{Verb: VerbSign}); err != nil {
		t.Fatal(err)
	}
	if err := do("Ada Quill", quadrant); err != nil {
		t.Error(err)
	}
	if d, _ := st.Plan(); len(d.Done) != 3 || !d.Added {
		t.Errorf("after signing: %+v", d)
	}
}
