package chart

import (
	"errors"
	"strings"
	"testing"
)

// played is a short exam, and what does commands in it.
func played(t *testing.T) (*State, func(m Meta, acts ...Act) error) {
	t.Helper()
	evs, err := Start(FDI, "arch", nil, nil, Meta{Time: 1, Patient: "p1", Person: "ada", Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	st, err := Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	at := int64(1)
	return st, func(m Meta, acts ...Act) error {
		t.Helper()
		at++
		m.Time, m.Source = at, Keyboard
		es, err := st.doTexts(Command{Acts: acts}, m)
		if err := st.Apply(es...); err != nil {
			t.Fatal(err)
		}
		for _, e := range es {
			if b, err := e.Encode(); err != nil {
				t.Fatal(err)
			} else if back, err := decodeEvent(b); err != nil || back.Person != m.Person {
				t.Errorf("%s comes back as %+v, %v", b, back, err)
			}
		}
		return err
	}
}

var (
	student = Meta{Person: "sam", Who: "Sam Reed", Student: true}
	teacher = Meta{Person: "tess", Who: "Tess Holm"}
	ada     = Meta{Person: "ada", Who: "Ada Quill"}
)

func setDepth(t Tooth, site Site, mm int) Act {
	v := Millimetres(mm)
	return Act{Verb: VerbSet, Ref: &SiteRef{t, site}, Field: FieldDepth, Number: &v}
}

func refusedWith(t *testing.T, err error, text string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), text) {
		t.Errorf("%v, want %q", err, text)
	}
}

// A student's signature waits for somebody else's; what a student changes later waits anew.
func TestStudentsWaitForACosignature(t *testing.T) {
	st, do := played(t)
	three := []MM{Millimetres(3), Millimetres(2), Millimetres(4)}
	if err := do(student, Act{Verb: VerbSoundings, Numbers: three}); err != nil {
		t.Fatal(err)
	}
	refusedWith(t, do(teacher, Act{Verb: VerbCosign}), "not signed yet")
	if err := do(student, Act{Verb: VerbSign}); err != nil || !st.Waits() || st.SignedBy != "Sam Reed" {
		t.Fatal(err, st.Waits(), st.SignedBy)
	}
	refusedWith(t, do(student, Act{Verb: VerbCosign}), "by a supervisor")
	refusedWith(t, do(Meta{Person: "sam", Who: "Sam Reed"}, Act{Verb: VerbCosign}), "own work") // made a supervisor meanwhile
	refusedWith(t, do(Meta{Person: "sam", Who: "Another Name"}, Act{Verb: VerbCosign}), "own work")
	refusedWith(t, do(Meta{}, Act{Verb: VerbCosign}), "who sits here")
	if err := do(teacher, Act{Verb: VerbCosign}); err != nil || st.Waits() {
		t.Fatal(err)
	}
	refusedWith(t, do(ada, Act{Verb: VerbCosign}), "nothing waits")
	if err := do(student, Act{Verb: VerbAmend, Text: "misread"}, setDepth(17, DB, 6)); err != nil || !st.Waits() {
		t.Fatal(err, st.Waits())
	}
	if err := do(ada, Act{Verb: VerbCosign}); err != nil || st.Waits() {
		t.Fatal(err)
	}
	if err := do(student, Act{Verb: VerbPlan, Text: `{"recall_months":3}`}); err != nil || !st.Waits() {
		t.Error(err, "a student's plan after the signature stands without a supervisor")
	}
	want := []Signature{{Person: "sam", Waits: true}, {Person: "tess", Co: true}, {Person: "ada", Co: true}}
	if len(st.Signatures) != len(want) {
		t.Fatalf("%+v", st.Signatures)
	}
	for i, w := range want {
		if s := st.Signatures[i]; s.Person != w.Person || s.Waits != w.Waits || s.Co != w.Co || s.Time == 0 || s.Call == 0 {
			t.Errorf("%+v, want %+v", s, w)
		}
	}
}

// After signing a value changes by an amendment alone: with a reason, the original kept; an amendment can be amended.
func TestAmend(t *testing.T) {
	st, do := played(t)
	amend := Act{Verb: VerbAmend, Text: "17 DB was misread"}
	if err := do(ada, Act{Verb: VerbSoundings, Numbers: []MM{Millimetres(3)}}, Act{Verb: VerbPatient, Text: `{"age":40}`}); err != nil {
		t.Fatal(err)
	}
	refusedWith(t, do(ada, amend, setDepth(17, DB, 6)), "not signed")
	if err := do(ada, Act{Verb: VerbSign}); err != nil {
		t.Fatal(err)
	}
	if err := do(ada, setDepth(17, DB, 6)); !errors.Is(err, ErrSigned) {
		t.Error(err)
	}
	refusedWith(t, do(ada, Act{Verb: VerbAmend, Text: " "}, setDepth(17, DB, 6)), "reason")
	refusedWith(t, do(ada, Act{Verb: VerbAmend, Text: strings.Repeat("x", 1001)}, setDepth(17, DB, 6)), "longer")
	refusedWith(t, do(ada, amend), "then what it changes")
	refusedWith(t, do(ada, setDepth(17, DB, 6), amend), "signed")
	refusedWith(t, do(ada, amend, Act{Verb: VerbDisregard}), "nothing that an amendment can do")
	refusedWith(t, do(ada, amend, Act{Verb: VerbSign}), "nothing that an amendment can do")
	refusedWith(t, do(Meta{}, amend, setDepth(17, DB, 6)), "who sits here")
	two := Millimetres(2)
	if err := do(teacher, amend, setDepth(17, DB, 6), Act{Verb: VerbSet, Ref: &SiteRef{Tooth: 16}, Field: FieldMobility, Number: &two}, Act{Verb: VerbPatient, Text: `{"age":41}`}); err != nil {
		t.Fatal(err)
	}
	if err := do(ada, Act{Verb: VerbAmend, Text: "looked again"}, setDepth(17, DB, 5)); err != nil {
		t.Fatal(err)
	}
	if d := st.Chart.Site(SiteRef{17, DB}).Depth; d.Whole() != 5 || st.Chart.Patient.Age == nil || *st.Chart.Patient.Age != 41 {
		t.Errorf("depth %s, %+v", d, st.Chart.Patient)
	}
	for i, w := range []Amendment{{Who: "Tess Holm", Reason: "17 DB was misread", Tooth: 17, Field: FieldDepth, Was: "3", Value: "6"},
		{Who: "Tess Holm", Tooth: 16, Field: FieldMobility, Was: "", Value: "2"}, {Who: "Tess Holm", Was: `{"age":40}`, Value: `{"age":41}`},
		{Who: "Ada Quill", Reason: "looked again", Tooth: 17, Field: FieldDepth, Was: "6", Value: "5"}} {
		if i >= len(st.Amendments) {
			t.Fatalf("%d amendments", i)
		}
		if a := st.Amendments[i]; a.Who != w.Who || w.Reason != "" && a.Reason != w.Reason || a.Tooth != w.Tooth || a.Field != w.Field || a.Was != w.Was || a.Value != w.Value {
			t.Errorf("%+v, want %+v", a, w)
		}
	}
	if was, is := st.Amendments[2].Values(); was != "age 40" || is != "age 41" {
		t.Errorf("answers in words: %q, %q", was, is)
	}
	for _, c := range []struct{ before, value, was, is string }{
		{`{"age":40}`, `{"age":null,"diabetes":true}`, "age 40, diabetes not recorded", "age not recorded, diabetes yes"},
		{`{"factors":{"depth_6.16":"rejected"},"hba1c_percent":6.5,"by_exception":["plaque","bleeding"]}`, `{"factors":{"depth_6.16":"confirmed"},"hba1c_percent":7,"by_exception":[]}`,
			"by exception plaque bleeding, factors depth 6.16 rejected, hba1c percent 6.5", "by exception none, factors depth 6.16 confirmed, hba1c percent 7"},
	} {
		a := Amendment{Was: c.before, Value: c.value}
		if was, is := a.Values(); was != c.was || is != c.is {
			t.Errorf("%s, %s: %q, %q", c.before, c.value, was, is)
		}
	}
	site := DB
	if h := st.History(17, &site); len(h) != 3 || h[0].Amends != "" || h[1].Amends != "17 DB was misread" || h[2].Was != "6" || h[2].Amends != "looked again" {
		t.Errorf("%+v", h)
	}
	// The log says the same when it is read again.
	again, err := Fold(st.Log())
	if err != nil || len(again.Amendments) != len(st.Amendments) || *again.Chart.Tooth(17) != *st.Chart.Tooth(17) {
		t.Errorf("%v, %+v", err, again.Amendments)
	}
}

// A void exam takes nothing until it counts again; an exam moves to another patient, signed or not.
func TestVoidAndMove(t *testing.T) {
	st, do := played(t)
	if st.Patient != "p1" {
		t.Error(st.Patient)
	}
	refusedWith(t, do(ada, Act{Verb: VerbVoid}), "reason")
	refusedWith(t, do(ada, Act{Verb: VerbReinstate, Text: "was right"}), "not void")
	if err := do(ada, Act{Verb: VerbVoid, Text: "begun for the wrong person"}); err != nil || st.Void == nil || st.Void.Reason != "begun for the wrong person" {
		t.Fatal(err, st.Void)
	}
	for _, v := range []Verb{VerbSoundings, VerbSign, VerbPlan, VerbRemark, VerbAmend, VerbVoid} {
		if err := do(ada, Act{Verb: v, Text: "x", Numbers: []MM{Millimetres(3)}}); !errors.Is(err, ErrVoid) {
			t.Errorf("%s in a void exam: %v", v, err)
		}
	}
	if err := do(ada, Act{Verb: VerbReinstate, Text: "it was right after all"}); err != nil || st.Void != nil {
		t.Fatal(err, st.Void)
	}
	if err := do(ada, Act{Verb: VerbSign}); err != nil {
		t.Fatal(err)
	}
	refusedWith(t, do(ada, Act{Verb: VerbOwner, Text: "wrong list", Patient: "p1"}), "another patient")
	refusedWith(t, do(ada, Act{Verb: VerbOwner, Text: "wrong list"}), "another patient")
	if err := do(ada, Act{Verb: VerbOwner, Text: "wrong list", Patient: "p2"}); err != nil || st.Patient != "p2" {
		t.Error(err, st.Patient)
	}
}

// Events that could not have been made are refused when they are read.
func TestEventsOfStanding(t *testing.T) {
	for _, text := range []string{`{"seq":1,"call":1,"kind":"amend","aspect":"buccal"}`, `{"seq":1,"call":1,"kind":"void","text":"x","aspect":"buccal"}`,
		`{"seq":1,"call":1,"kind":"owner","text":"x","aspect":"buccal"}`, `{"seq":1,"call":1,"kind":"void","value":1,"aspect":"buccal"}`} {
		if e, err := decodeEvent([]byte(text)); err == nil {
			t.Errorf("%s was taken as %+v", text, e)
		}
	}
}
