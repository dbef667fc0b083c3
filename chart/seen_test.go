package chart

import (
	"errors"
	"fmt"
	"testing"
)

// Two people at two screens: what one of them decided on a value that is no longer there is refused,
// never written over the newer one.
func TestCommandsRefuseWhatWasNotSeen(t *testing.T) {
	str := func(s string) *string { return &s }
	site := SiteRef{16, DB}
	num := func(h int) *MM { m := Half(h); return &m }
	start := func(t *testing.T) *State {
		evs, err := Start(FDI, "", nil, nil, Meta{})
		if err != nil {
			t.Fatal(err)
		}
		st, err := Fold(evs)
		if err != nil {
			t.Fatal(err)
		}
		return st
	}
	do := func(st *State, a Act) error {
		evs, err := st.Do(Command{[]Act{a}}, Meta{Source: Keyboard})
		if err2 := st.Apply(evs...); err2 != nil {
			t.Fatal(err2)
		}
		return err
	}
	refused := func(err error) bool { var r *Refusal; return errors.As(err, &r) }

	st := start(t)
	set := func(f Field, half int, was string) Act {
		return Act{Verb: VerbSet, Ref: &site, Field: f, Number: num(half), Was: str(was)}
	}
	steps := []struct {
		a  Act
		ok bool
	}{
		{set(FieldDepth, 8, ""), true},
		{set(FieldDepth, 10, ""), false}, // the second screen still saw an empty site
		{set(FieldDepth, 11, "4"), true},
		{set(FieldDepth, 8, "5.5"), true},
		{set(FieldRecession, -4, ""), true},
		{set(FieldRecession, 2, "2"), false},
		{set(FieldRecession, 2, "-2"), true},
		{set(FieldOf(Bleeding), 2, ""), true},
		{set(FieldOf(Bleeding), 0, "0"), false},
		{set(FieldOf(Bleeding), 0, "1"), true},
		{set(FieldMobility, 2, ""), true},
		{set(FieldMobility, 4, ""), false},
		{set(FurcationField(EntranceBuccal), 4, ""), true},
		{set(FurcationField(EntranceBuccal), 2, "1"), false},
		{set(FieldPresence, 2*int(Present), "1"), true},
		{set(FieldPresence, 2*int(Present), "3"), false},
	}
	for i, s := range steps {
		err := do(st, s.a)
		if (err == nil) != s.ok || err != nil && !refused(err) {
			t.Errorf("step %d %+v: %v", i, s.a, err)
		}
	}
	if d := st.Chart.Site(site).Depth; d != Millimetres(4) {
		t.Errorf("depth is %s, want 4", d)
	}

	st = start(t)
	first := SiteRef{17, DB}
	if err := do(st, Act{Verb: VerbSoundings, Numbers: []MM{Millimetres(3)}, Ref: &first}); err != nil {
		t.Fatal(err)
	}
	if err := do(st, Act{Verb: VerbSoundings, Numbers: []MM{Millimetres(5)}, Ref: &first}); !refused(err) {
		t.Errorf("a number for a place that was left: %v", err)
	}
	last, _ := st.LastCall("")
	if err := do(st, Act{Verb: VerbDisregard, Was: str("1")}); !refused(err) {
		t.Errorf("undo of another call than the last: %v", err)
	}
	if err := do(st, Act{Verb: VerbDisregard, Was: str(fmt.Sprint(last.Seq))}); err != nil || st.Chart.Site(first).Depth.Known() {
		t.Errorf("undo of the last call: %v", err)
	}
}
