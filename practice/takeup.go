package practice

import (
	"cmp"
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
	evs, err := chart.Start(cmp.Or(f.Chart.Numbering, chart.FDI), "", nil, present, chart.Meta{Time: at, Patient: patient})
	if err != nil {
		return nil, err
	}
	c := &takenUp{evs: evs, call: uint64(len(evs) + 1), at: at}
	c.put(chart.Event{Kind: chart.KindCall, Source: chart.Tool, Who: f.Examiner, Did: chart.VerbSet, Words: f.Remark})
	f.Chart.Each(func(t chart.Tooth, rec *chart.ToothRecord) bool {
		c.tooth(t, rec)
		return true
	})
	for _, d := range f.Doubts {
		c.put(chart.Event{Kind: chart.KindDoubt, Tooth: d.Tooth, Site: &d.Site, Field: d.Field, Text: d.Reason, Rival: d.Rival})
	}
	inputs, err := json.Marshal(&f.Chart.Patient)
	if err != nil {
		return nil, err
	}
	if string(inputs) != "{}" {
		c.put(chart.Event{Kind: chart.KindPatient, Text: string(inputs), Change: &chart.Change{Given: f.Chart.Patient}})
	}
	if f.Remark != "" {
		c.put(chart.Event{Kind: chart.KindRemark, Tooth: chart.AllTeeth()[0], Text: f.Remark})
	}
	return c.evs, givesBack(c.evs, f.Chart)
}

// takenUp is the log of an exam that was made elsewhere, whose values are one call.
type takenUp struct {
	evs  []chart.Event
	call uint64
	at   int64 // ms
}

func (c *takenUp) put(e chart.Event) {
	e.Seq, e.Call, e.Time = uint64(len(c.evs)+1), c.call, c.at
	c.evs = append(c.evs, e)
}

// tooth enters what is recorded of a tooth.
func (c *takenUp) tooth(t chart.Tooth, rec *chart.ToothRecord) {
	value := func(field chart.Field, v int) {
		c.put(chart.Event{Kind: chart.KindTooth, Tooth: t, Field: field, Value: &v})
	}
	if rec.Presence != chart.Unstated && t.Primary() {
		value(chart.FieldPresence, int(rec.Presence))
	}
	if rec.Mobility.Recorded() {
		value(chart.FieldMobility, rec.Mobility.Value())
	}
	if rec.Keratin.Known() {
		value(chart.FieldKeratin, rec.Keratin.Half())
	}
	for _, e := range t.Entrances() {
		if g := rec.Furcation[e]; g.Recorded() {
			value(chart.FurcationField(e), g.Value())
		}
		if down := rec.Vertical[e]; down.Known() {
			value(chart.VerticalField(e), down.Half())
		}
	}
	for s := range chart.NumSites {
		c.site(chart.SiteRef{Tooth: t, Site: s}, &rec.Sites[s])
	}
}

// site enters what is recorded of a site.
func (c *takenUp) site(at chart.SiteRef, rec *chart.SiteRecord) {
	value := func(field chart.Field, v int) {
		c.put(chart.Event{Kind: chart.KindSet, Tooth: at.Tooth, Site: &at.Site, Field: field, Value: &v})
	}
	for _, m := range []struct {
		field chart.Field
		is    chart.MM
	}{{chart.FieldDepth, rec.Depth}, {chart.FieldAgain, rec.Again}, {chart.FieldRecession, rec.Recession}} {
		if m.is.Known() {
			value(m.field, m.is.Half())
		}
	}
	for flag := range chart.NumFlags {
		if a := rec.Flags[flag]; a == chart.Yes {
			value(chart.FieldOf(flag), 1)
		} else if a.Recorded() {
			value(chart.FieldOf(flag), 0)
		}
	}
}

// givesBack checks that a log gives back the chart that it was made from.
func givesBack(evs []chart.Event, c *chart.Chart) error {
	st, err := chart.Fold(evs)
	if err != nil {
		return fmt.Errorf("the exam cannot be entered: %w", err)
	}
	for _, t := range chart.AllTeeth() {
		was, is := *c.Tooth(t), *st.Chart.Tooth(t)
		if was.Presence = is.Presence; was != is { // a tooth that was not mentioned is present, or a missing third molar
			return fmt.Errorf("tooth %s cannot be entered as it is: %w", t, ErrInvalid)
		}
	}
	return nil
}
