package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/practice"
)

// calls does commands on an exam's log as the service does.
func calls(t *testing.T, s *Store, exam, who string, acts ...chart.Act) {
	t.Helper()
	evs, err := collect(s, exam)
	if err != nil {
		t.Fatal(err)
	}
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range acts {
		evs, err := st.Do(chartfile.Read(chart.Command{Acts: []chart.Act{a}}), chart.Meta{Time: int64(1000 + len(st.Log())), Person: who, Who: who, Student: who == "Dan Fairway"})
		if err != nil {
			t.Fatal(a.Verb, err)
		}
		if err := s.Log(exam).Append(ctx, evs...); err != nil {
			t.Fatal(a.Verb, err)
		}
		st.Apply(evs...)
	}
}

func whats(ls []practice.Notice) string {
	var out []string
	for _, l := range ls {
		out = append(out, strings.TrimPrefix(l.What, "exam."))
	}
	return strings.Join(out, " ")
}

// What happens to an exam is in the outbox with the event itself, for the hooks that asked for it.
func TestOutbox(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	all, err := s.AddHook(ctx, practice.Hook{URL: "https://records.example/in", Secret: "whsec_c2VjcmV0", Events: practice.Tidings()})
	if err != nil {
		t.Fatal(err)
	}
	voids, err := s.AddHook(ctx, practice.Hook{URL: "https://other.example/", Secret: "whsec_b3RoZXI=", Events: []string{practice.ToldVoided}, Details: true})
	if err != nil {
		t.Fatal(err)
	}
	x := newExam(t, s)
	play(t, s, x.ID, 5)
	due := func() []practice.Notice {
		t.Helper()
		ls, err := s.NoticesDue(ctx, s.now().Add(time.Hour), 100)
		if err != nil {
			t.Fatal(err)
		}
		return ls
	}
	if ls := due(); len(ls) != 0 {
		t.Errorf("before anything was signed: %+v", ls)
	}
	calls(t, s, x.ID, "Dan Fairway", chart.Act{Verb: chart.VerbSign})
	calls(t, s, x.ID, "Ada Quill", chart.Act{Verb: chart.VerbCosign}, chart.Act{Verb: chart.VerbVoid, Text: "another patient's"}, chart.Act{Verb: chart.VerbReinstate, Text: "no"})
	ls := due()
	if got := whats(ls); got != "awaiting cosigned voided voided reinstated" {
		t.Fatalf("told: %s", got)
	}
	for _, l := range ls {
		if l.Exam != x.ID || l.Patient != x.Patient || l.Seq == 0 || !strings.HasPrefix(l.ID, "msg_") || l.Tries != 0 {
			t.Errorf("%+v", l)
		}
	}
	// A signature without a student is told as such.
	y := newExam(t, s)
	play(t, s, y.ID, 3)
	calls(t, s, y.ID, "Ada Quill", chart.Act{Verb: chart.VerbSign})
	if got := whats(due()[5:]); got != "signed" {
		t.Errorf("told: %s", got)
	}
	// A try that failed waits, one that was taken stays for the list, one that was given up is seen and can be sent again.
	now := s.now()
	ls[0].Tries, ls[0].Next, ls[0].Fault = 1, now.Add(2*time.Hour), "answered 500"
	ls[1].Tries, ls[1].Next, ls[1].Sent = 1, time.Time{}, now
	ls[2].Tries, ls[2].Next, ls[2].Fault = 12, time.Time{}, "answered 410"
	for _, l := range ls[:3] {
		if err := s.NoticeTried(ctx, l); err != nil {
			t.Fatal(err)
		}
	}
	if got := whats(due()); got != "voided reinstated signed" {
		t.Errorf("still due: %s", got)
	}
	hs, err := s.Hooks(ctx)
	if err != nil || len(hs) != 2 || hs[0].URL != "https://records.example/in" || hs[0].Secret != "whsec_c2VjcmV0" || hs[0].Waiting+hs[1].Waiting != 4 || hs[0].GivenUp+hs[1].GivenUp != 1 {
		t.Errorf("%+v %v", hs, err)
	}
	if n, err := s.SendAgain(ctx, ls[2].Hook); n != 1 || err != nil {
		t.Errorf("%d %v", n, err)
	}
	if got := whats(due()); got != "voided voided reinstated signed" {
		t.Errorf("due again: %s", got)
	}
	// Another program, or this one after it was killed, finds the same.
	before := due()
	s.Close()
	s = openT(t, dir)
	if after, err := s.NoticesDue(ctx, now.Add(time.Hour), 100); err != nil || whats(after) != whats(before) || after[0].ID != before[0].ID {
		t.Errorf("after a restart: %+v %v", after, err)
	}
	if err := s.ForgetNotices(ctx, now.Add(time.Second)); err != nil {
		t.Error(err)
	}
	if ls, err := s.Notices(ctx, all.ID, 100); err != nil || whats(ls) != "signed reinstated voided awaiting" {
		t.Errorf("after what was sent was forgotten: %s %v", whats(ls), err)
	}
	// A hook goes with its notices; the journal has what became of all.
	if err := errors.Join(s.RemoveHook(ctx, voids.ID), s.Try(ctx, all.ID)); err != nil {
		t.Fatal(err)
	}
	if err := s.RemoveHook(ctx, voids.ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("removed twice: %v", err)
	}
	if err := s.Try(ctx, voids.ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("a hook that is gone is tried: %v", err)
	}
	entries, err := s.Journal(ctx, practice.JournalQuery{What: "hook."})
	var said []string
	for _, e := range entries {
		said = append(said, strings.TrimPrefix(e.What, "hook."))
	}
	if err != nil || strings.Join(said, " ") != "removed again gave-up told made made" {
		t.Errorf("journal: %s %v", said, err)
	}
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
		t.Errorf("%+v %v", rep, err)
	}
}

// Nothing about an exam is told that was not entered.
func TestNoNoticeWithoutItsEvent(t *testing.T) {
	s := openT(t, t.TempDir())
	if _, err := s.AddHook(ctx, practice.Hook{URL: "https://records.example/", Events: practice.Tidings()}); err != nil {
		t.Fatal(err)
	}
	x := newExam(t, s)
	play(t, s, x.ID, 3)
	evs, _ := collect(s, x.ID)
	st, _ := chart.Fold(evs)
	sign, err := st.Do(chart.Command{Acts: []chart.Act{{Verb: chart.VerbSign}}}, chart.Meta{Time: 9, Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	// The disk refuses in the middle of the transaction.
	if _, err := s.w.Exec("CREATE TRIGGER refuse BEFORE INSERT ON outbox BEGIN SELECT RAISE(ABORT, 'the outbox is full'); END"); err != nil {
		t.Fatal(err)
	}
	if err := s.Log(x.ID).Append(ctx, sign...); err == nil || !strings.Contains(err.Error(), "outbox is full") {
		t.Fatalf("%v", err)
	}
	if x, err := s.Exam(ctx, x.ID); err != nil || x.SignedBy != "" {
		t.Errorf("signed without its notice: %+v %v", x, err)
	}
	if _, err := s.w.Exec("DROP TRIGGER refuse"); err != nil {
		t.Fatal(err)
	}
	if err := s.Log(x.ID).Append(ctx, append(sign, sign...)...); !errors.Is(err, ErrOutOfOrder) {
		t.Fatalf("%v", err)
	}
	if ls, err := s.NoticesDue(ctx, s.now().Add(time.Hour), 9); err != nil || len(ls) != 0 {
		t.Errorf("a notice without its event: %+v %v", ls, err)
	}
}

// Secrets stand nowhere in the file in clear, and an erased patient is in no notice.
func TestOutboxHidesAndForgets(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	if _, err := s.AddHook(ctx, practice.Hook{URL: "https://records.example/with-a-token", Secret: "whsec_dGhpcyBpcyBzZWNyZXQ=", Events: practice.Tidings()}); err != nil {
		t.Fatal(err)
	}
	const key = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	p, err := s.AddProgram(ctx, practice.Program{Name: "records", Scopes: []practice.Scope{practice.TakeOut}}, key)
	if err != nil {
		t.Fatal(err)
	}
	x := newExam(t, s)
	play(t, s, x.ID, 3)
	calls(t, s, x.ID, "Ada Quill", chart.Act{Verb: chart.VerbSign})
	if err := s.wipe(ctx, s, "test"); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	for _, clear := range []string{"with-a-token", "whsec_", key} {
		if bytes.Contains(b, []byte(clear)) {
			t.Errorf("%q stands in the file", clear)
		}
	}
	if got, err := s.ProgramWithKey(ctx, p.ID, key); err != nil || got.ID != p.ID || got.Scopes[0] != practice.TakeOut {
		t.Errorf("%+v %v", got, err)
	}
	for _, bad := range [][2]string{{p.ID, ""}, {p.ID, key + "A"}, {p.ID, strings.ToLower(key)}, {"nobody", key}, {"", ""}} {
		if _, err := s.ProgramWithKey(ctx, bad[0], bad[1]); !errors.Is(err, ErrNotFound) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if _, err := s.ErasePatient(ctx, x.Patient, practice.Erase{Reason: "asked for"}); err != nil {
		t.Fatal(err)
	}
	var n int
	if err := s.r.QueryRow("SELECT count(*) FROM outbox").Scan(&n); err != nil || n != 0 {
		t.Errorf("%d notices about an erased patient, %v", n, err)
	}
}
