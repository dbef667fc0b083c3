package practice

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"leadsman/chart"
)

// Foreign is an exam that was made elsewhere.
type Foreign struct {
	Number   string // the patient's file number; with it the patient is found again
	Name     string // of the patient; "" where the exam came without
	Born     string
	ID       string // of the exam; one that is there already is not taken up twice
	Kind     string
	Examiner string
	Began    time.Time
	Chart    *chart.Chart
	Doubts   []chart.Doubt
	Remark   string // where it comes from, kept with the exam
}

// TakeUp enters an exam that was made elsewhere: its values as one call of the tool, under the name of its examiner and at its own time,
// not signed. The patient is the one with the same file number, or a new one. fresh is false if the exam was there already.
func TakeUp(ctx context.Context, r Records, f *Foreign) (x Exam, fresh bool, err error) {
	if x, err := r.Exam(ctx, f.ID); f.ID != "" && (err == nil || !errors.Is(err, ErrNotFound)) {
		return x, false, err
	}
	p, err := patientNumbered(ctx, r, f)
	if err != nil {
		return Exam{}, false, err
	}
	x = Exam{ID: f.ID, Patient: p.ID, Kind: KindExam, Examiner: f.Examiner, Title: "taken up"}
	if f.Kind == KindReevaluation {
		before, err := r.Exams(ctx, p.ID)
		if err != nil {
			return Exam{}, false, err
		}
		if len(before) > 0 { // a re-evaluation names the exam before
			x.Kind, x.Earlier = KindReevaluation, before[0].ID
		}
	}
	evs, err := entries(f, p.ID)
	if err != nil {
		return Exam{}, false, err
	}
	if x, err = r.NewExam(ctx, x); err != nil {
		return Exam{}, false, err
	}
	return x, true, r.Log(x.ID).AppendHeard(ctx, chart.Heard{}, evs...)
}

func patientNumbered(ctx context.Context, r Records, f *Foreign) (Patient, error) {
	ps, err := r.Patients(ctx, f.Number)
	if err != nil {
		return Patient{}, err
	}
	for _, p := range ps {
		if f.Number != "" && p.Number == f.Number {
			return p, nil
		}
	}
	name := f.Name
	if name == "" {
		name = "Patient " + f.Number
	}
	return r.AddPatient(ctx, Patient{Name: name, Number: f.Number, Born: f.Born})
}

// entries are the events of an exam that holds what a chart holds.
func entries(f *Foreign, patient string) ([]chart.Event, error) {
	present := map[chart.Tooth]chart.Presence{}
	for _, t := range chart.AllTeeth() {
		if p := f.Chart.Tooth(t).Presence; p != chart.Unstated {
			present[t] = p
		}
	}
	at := f.Began.UnixMilli()
	n := f.Chart.Numbering
	if n == "" {
		n = chart.FDI
	}
	evs, err := chart.Start(n, "", nil, present, chart.Meta{Time: at, Patient: patient})
	if err != nil {
		return nil, err
	}
	call := uint64(len(evs) + 1)
	put := func(e chart.Event) {
		e.Seq, e.Call, e.Time = uint64(len(evs)+1), call, at
		evs = append(evs, e)
	}
	put(chart.Event{Kind: chart.KindCall, Source: chart.Tool, Who: f.Examiner, Did: chart.VerbSet, Words: f.Remark})
	value := func(t chart.Tooth, field chart.Field, v int) {
		put(chart.Event{Kind: chart.KindTooth, Tooth: t, Field: field, Value: &v})
	}
	f.Chart.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool {
		if rec.Presence != chart.Unstated && t.Primary() {
			value(t, chart.FieldPresence, int(rec.Presence))
		}
		if rec.Mobility.Recorded() {
			value(t, chart.FieldMobility, rec.Mobility.Value())
		}
		if rec.Keratin.Known() {
			value(t, chart.FieldKeratin, rec.Keratin.Half())
		}
		for _, e := range t.Entrances() {
			if g := rec.Furcation[e]; g.Recorded() {
				value(t, chart.FurcationField(e), g.Value())
			}
			if down := rec.Vertical[e]; down.Known() {
				value(t, chart.VerticalField(e), down.Half())
			}
		}
		for s := range chart.NumSites {
			v := &rec.Sites[s]
			set := func(field chart.Field, n int) {
				put(chart.Event{Kind: chart.KindSet, Tooth: t, Site: &s, Field: field, Value: &n})
			}
			if v.Depth.Known() {
				set(chart.FieldDepth, v.Depth.Half())
			}
			if v.Again.Known() {
				set(chart.FieldAgain, v.Again.Half())
			}
			if v.Recession.Known() {
				set(chart.FieldRecession, v.Recession.Half())
			}
			for flag := range chart.NumFlags {
				if a := v.Flags[flag]; a.Recorded() {
					n := 0
					if a == chart.Yes {
						n = 1
					}
					set(chart.FieldOf(flag), n)
				}
			}
		}
		return true
	})
	for _, d := range f.Doubts {
		site := d.Site
		put(chart.Event{Kind: chart.KindDoubt, Tooth: d.Tooth, Site: &site, Field: d.Field, Text: d.Reason, Rival: d.Rival})
	}
	inputs, err := json.Marshal(&f.Chart.Patient)
	if err != nil {
		return nil, err
	}
	if string(inputs) != "{}" {
		put(chart.Event{Kind: chart.KindPatient, Text: string(inputs), Change: &chart.Change{Given: f.Chart.Patient}})
	}
	if f.Remark != "" {
		put(chart.Event{Kind: chart.KindRemark, Tooth: chart.AllTeeth()[0], Text: f.Remark})
	}
	st, err := chart.Fold(evs)
	if err != nil {
		return nil, fmt.Errorf("the exam cannot be entered: %w", err)
	}
	// A log must give back what it was made from.
	for _, t := range chart.AllTeeth() {
		was, is := *f.Chart.Tooth(t), *st.Chart.Tooth(t)
		if was.Presence = is.Presence; was != is { // a tooth that was not mentioned is present, or a missing third molar
			return nil, fmt.Errorf("tooth %s cannot be entered as it is: %w", t, ErrInvalid)
		}
	}
	return evs, nil
}
