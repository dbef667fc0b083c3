package practice_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
)

// What was entered under the wrong patient is moved; two records of one person become one; what was kept under both is there afterwards.
func TestRecordsAreCorrected(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	p, st, ada, ben, sam := staffed(t, &now)
	ctx := practice.By(t.Context(), ada.ID)
	by := exam.Caller{Person: ben.ID, Who: ben.Name}
	patient := func(name string) string {
		pt, err := p.SavePatient(ctx, practice.Patient{Name: name, Number: "FL-" + name})
		if err != nil {
			t.Fatal(err)
		}
		return pt.ID
	}
	mira, mirra, jonas := patient("Mira"), patient("Mirra"), patient("Jonas")
	begin := func(of string) string {
		v, err := p.Begin(ctx, practice.NewVisit{Patient: of, Numbering: chart.FDI, Path: "arch"}, by)
		if err != nil {
			t.Fatal(err)
		}
		return v.ID
	}
	do := func(id string, who exam.Caller, a chart.Act) {
		t.Helper()
		e, err := p.Open(ctx, id)
		if err == nil {
			_, err = e.Do(ctx, chart.Command{Acts: []chart.Act{a}}, who, "")
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	of := func(id string) string {
		x, err := st.Exam(ctx, id)
		if err != nil {
			t.Fatal(err)
		}
		return x.Patient
	}
	first, second := begin(jonas), begin(mirra)
	if err := p.MoveExam(ctx, first, mira, "wrong patient chosen", by, "move 1"); err != nil || of(first) != mira {
		t.Errorf("moved to %s: %v", of(first), err)
	}
	var refused *chart.Refusal
	if err := p.MoveExam(ctx, first, mira, "again", by, "move 2"); !errors.As(err, &refused) {
		t.Error("moved to whose it is:", err)
	}
	for from, reason := range map[string]string{mirra: " ", mira: "the same person"} {
		if err := p.MergePatients(ctx, from, mira, reason, by); !errors.As(err, &refused) {
			t.Errorf("merged %s for %q: %v", from, reason, err)
		}
	}
	if err := p.MergePatients(ctx, mirra, mira, "the same person", by); err != nil || of(second) != mira {
		t.Errorf("merged, the exam is of %s: %v", of(second), err)
	}
	if err := p.MergePatients(ctx, mirra, jonas, "once more", by); !errors.Is(err, practice.ErrInvalid) {
		t.Error("a record that was merged is merged again:", err)
	}
	// A student's signature waits for somebody else's.
	student := exam.Caller{Person: sam.ID, Who: sam.Name, Student: true}
	do(first, student, chart.Act{Verb: chart.VerbSoundings, Numbers: []chart.MM{chart.Millimetres(3)}})
	do(first, student, chart.Act{Verb: chart.VerbSign})
	if vs, err := p.Waiting(ctx); err != nil || len(vs) != 1 || vs[0].ID != first {
		t.Errorf("%+v waits, %v", vs, err)
	}
	do(first, by, chart.Act{Verb: chart.VerbCosign})
	if vs, err := p.Waiting(ctx); err != nil || len(vs) != 0 {
		t.Errorf("%d still wait, %v", len(vs), err)
	}
	// Who is to come: nothing was decided for Mira yet, and Jonas has no exam.
	all, err := p.AllDue(ctx, practice.DueQuery{})
	if err != nil || len(all) != 1 || all[0].Patient != mira || all[0].Day != "" {
		t.Errorf("due: %+v, %v", all, err)
	}
	some, _, err := p.Due(ctx, practice.DueQuery{Limit: 10})
	if err != nil || len(some) != 1 || !some[0].Same(all[0]) {
		t.Errorf("a page of those who are due: %+v, %v", some, err)
	}
	other := all[0]
	other.Day = "2026-06-01"
	if other.Same(all[0]) {
		t.Error("another day is the same")
	}
	// Signed records are kept for the years that the practice says.
	if err := practice.SetRetention(ctx, st, 101); !errors.Is(err, practice.ErrInvalid) {
		t.Error("kept for 101 years:", err)
	}
	if err := practice.SetRetention(ctx, st, 10); err != nil {
		t.Fatal(err)
	}
	if k, err := p.Keeping(ctx, mira); err != nil || k != (practice.Keeping{Years: 10, Until: "2036-03-02"}) {
		t.Errorf("%+v, %v", k, err)
	}
	// Whoever looked or took out stands in the journal, under the names of today.
	if err := errors.Join(p.Exported(ctx, first, "pdf"), p.Note(ctx, "tested", jonas, "of nothing")); err != nil {
		t.Fatal(err)
	}
	var q practice.JournalQuery
	if err := q.Days("2026-03-02", "2026-03-02"); err != nil || q.To.Sub(q.From) != 24*time.Hour {
		t.Errorf("a day is %+v, %v", q, err)
	}
	if (&practice.JournalQuery{}).Days("2.3.2026", "") == nil {
		t.Error("a day in another form was read")
	}
	es, err := p.Journal(ctx, practice.JournalQuery{What: "exam.exported"})
	if err != nil || len(es) != 1 || es[0].Patient != mira || !strings.HasPrefix(es[0].Detail, "pdf") {
		t.Errorf("%+v, %v", es, err)
	}
	people, patients, err := p.Names(ctx, es)
	if err != nil || people[ada.ID] != "Ada Quill" || patients[mira] != "Mira" {
		t.Errorf("%v, %v, %v", people, patients, err)
	}
}

// The calendar's secret address works until it is made anew or withdrawn.
func TestFeedAtASecretAddress(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	p, st, _, _, _ := staffed(t, &now)
	ctx := t.Context()
	open := func() bool {
		is, err := p.Feed(ctx)
		if err != nil {
			t.Fatal(err)
		}
		return is
	}
	if open() || p.FeedAt(ctx, "") == nil {
		t.Error("the feed is open before anybody made an address")
	}
	first, err := p.OpenFeed(ctx)
	if err != nil || !open() || p.FeedAt(ctx, first) != nil {
		t.Fatal("an address that was made does not work", err)
	}
	second, err := p.OpenFeed(ctx)
	if err != nil || !errors.Is(p.FeedAt(ctx, first), practice.ErrNotFound) || p.FeedAt(ctx, second) != nil {
		t.Error("the former address goes on, or the new one does not work", err)
	}
	kv, err := st.Settings(ctx, "feed")
	if err != nil || strings.Contains(strings.Join([]string{kv["secret"]}, ""), second) {
		t.Error("the secret is kept in clear", err)
	}
	if err := p.WithdrawFeed(ctx); err != nil || open() || p.FeedAt(ctx, second) == nil {
		t.Error("withdrawn, the address works", err)
	}
}

// An exam of another program is taken up once, under its patient's file number; the practice's name stands on what leaves it.
func TestTakenUpOnce(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	p, st, _, _, _ := staffed(t, &now)
	ctx := t.Context()
	if err := practice.Name(ctx, st, "Fathom Lane Dental (invented)"); err != nil {
		t.Fatal(err)
	}
	if head, err := practice.LetterheadOf(ctx, st); err != nil || head.Name != "Fathom Lane Dental (invented)" {
		t.Errorf("%+v, %v", head, err)
	}
	c := &chart.Chart{}
	c.Site(chart.SiteRef{Tooth: 16, Site: chart.MB}).Depth = chart.Millimetres(5)
	f := &practice.Foreign{Number: "FL-7", Name: "Harriet Sallow", ID: "x7", Kind: practice.KindExam, Examiner: "Ben Oakley", Began: now, Chart: c}
	x, fresh, err := practice.TakeUp(ctx, st, f)
	if err != nil || !fresh {
		t.Fatal(x, fresh, err)
	}
	if _, fresh, err = practice.TakeUp(ctx, st, f); err != nil || fresh {
		t.Error("taken up twice", err)
	}
	again := *f
	again.ID, again.Kind, again.Began = "x8", practice.KindReevaluation, now.AddDate(0, 3, 0)
	y, fresh, err := practice.TakeUp(ctx, st, &again)
	if err != nil || !fresh || y.Patient != x.Patient || y.Kind != practice.KindReevaluation || y.Earlier != x.ID {
		t.Errorf("the second exam is %+v, %t, %v", y, fresh, err)
	}
	back, err := practice.Fold(ctx, st, "x7")
	if err != nil || back.Chart.Site(chart.SiteRef{Tooth: 16, Site: chart.MB}).Depth.Whole() != 5 {
		t.Error("the depth did not come along", err)
	}
	trial, err := p.Trial(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := trial.Words(ctx, "three two four", exam.Caller{Who: "anybody"}, ""); err != nil {
		t.Error(err)
	}
	trial.Close()
	if vs, err := p.Visits(ctx, x.Patient); err != nil || len(vs) != 2 {
		t.Errorf("a trial is kept: %d visits, %v", len(vs), err)
	}
}
