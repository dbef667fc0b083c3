package practice_test

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
	"leadsman/store"
)

// receiver takes notices, or does not.
type receiver struct {
	mu    sync.Mutex
	down  error
	times []time.Time
	ids   []string
	body  []map[string]any
}

func (r *receiver) Check(string) error { return nil }

func (r *receiver) Send(_ context.Context, _, _, id string, at time.Time, body []byte) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var b map[string]any
	if err := json.Unmarshal(body, &b); err != nil {
		return err
	}
	r.times, r.ids, r.body = append(r.times, at), append(r.ids, id), append(r.body, b)
	return r.down
}

func (r *receiver) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.body)
}

// A receiver that is down is tried ever less often for days, then given up where the administrator sees it; sent again it comes with the
// same id. What it is told are ids, and more only where it asked for that.
func TestHooksAreTriedAgain(t *testing.T) {
	var mu sync.Mutex
	clock := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	now := func() time.Time { mu.Lock(); defer mu.Unlock(); return clock }
	on := func(d time.Duration) { mu.Lock(); defer mu.Unlock(); clock = clock.Add(d) }
	ctx := t.Context()
	st, err := store.Open(ctx, t.TempDir()+"/data", now)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	out := &receiver{down: errors.New("the receiver answered 503")}
	p := practice.New(practice.Config{Records: st, Post: out, Look: 10 * time.Millisecond, Now: now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	h, secret, err := p.AddHook(ctx, practice.Hook{URL: "https://records.example/", Events: practice.Tidings()})
	if err != nil || !strings.HasPrefix(secret, "whsec_") {
		t.Fatal(err)
	}
	pt, err := p.SavePatient(ctx, practice.Patient{Name: "Harriet Sallow", Number: "FL-0112", Born: "1969-04-17"})
	if err != nil {
		t.Fatal(err)
	}
	ada := exam.Caller{Person: "ada", Who: "Ada Quill"}
	v, err := p.Begin(ctx, practice.NewVisit{Patient: pt.ID, Numbering: chart.FDI, Path: "arch", ID: "x1"}, ada)
	if err != nil {
		t.Fatal(err)
	}
	do := func(id string, acts ...chart.Act) {
		t.Helper()
		e, err := p.Open(ctx, v.ID)
		if err == nil {
			_, err = e.Do(ctx, chart.Command{Acts: acts}, ada, id)
		}
		if err != nil {
			t.Fatal(id, err)
		}
	}
	do("1", chart.Act{Verb: chart.VerbSign})
	var notice practice.Notice
	state := func() practice.Notice {
		t.Helper()
		ls, err := p.Notices(ctx, h.ID)
		if err != nil || len(ls) == 0 {
			t.Fatal(ls, err)
		}
		return ls[0]
	}
	wait := func(done func(practice.Notice) bool) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
			if notice = state(); done(notice) {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("the notice stays %+v", notice)
			}
		}
	}
	for tries := 1; ; tries++ {
		wait(func(l practice.Notice) bool { return l.Tries == tries })
		if notice.Next.IsZero() {
			break
		}
		if tries > 20 {
			t.Fatal("it is never given up")
		}
		on(notice.Next.Sub(now()))
	}
	gap := func(i int) time.Duration { return out.times[i].Sub(out.times[i-1]) }
	for i := 2; i < len(out.times); i++ {
		if gap(i) < gap(i-1) {
			t.Errorf("try %d came %v after the one before, which had waited %v", i+1, gap(i), gap(i-1))
		}
	}
	if whole := out.times[len(out.times)-1].Sub(out.times[0]); whole < 64*time.Hour || gap(1) > time.Minute { // from Friday afternoon to Monday morning
		t.Errorf("tried for %v, the second time after %v", whole, gap(1))
	}
	hs, err := p.Hooks(ctx)
	if err != nil || hs[0].GivenUp != 1 || hs[0].Waiting != 0 || !strings.Contains(notice.Fault, "503") {
		t.Errorf("%+v %+v %v", hs, notice, err)
	}
	if es, err := p.Journal(ctx, practice.JournalQuery{What: "hook.gave-up"}); err != nil || len(es) != 1 || es[0].Patient != pt.ID {
		t.Errorf("journal: %+v %v", es, err)
	}
	out.mu.Lock()
	out.down = nil
	out.mu.Unlock()
	if n, err := p.SendAgain(ctx, h.ID); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	wait(func(l practice.Notice) bool { return !l.Sent.IsZero() })
	if ids := slices.Compact(slices.Clone(out.ids)); len(ids) != 1 {
		t.Errorf("the notice had the ids %v", ids)
	}
	said, _ := json.Marshal(out.body[0])
	for _, private := range []string{"Sallow", "FL-0112", "1969", "Quill"} {
		if strings.Contains(string(said), private) {
			t.Errorf("%q was told: %s", private, said)
		}
	}
	if d := out.body[0]["data"].(map[string]any); out.body[0]["type"] != "exam.signed" || d["exam"] != "x1" || d["patient"] != pt.ID || len(d) != 3 {
		t.Errorf("%s", said)
	}
	// Asked for, the rest goes along.
	if _, _, err := p.AddHook(ctx, practice.Hook{URL: "https://other.example/", Events: []string{practice.ToldAmended}, Details: true}); err != nil {
		t.Fatal(err)
	}
	before := out.count()
	five := chart.Millimetres(5)
	do("2", chart.Act{Verb: chart.VerbAmend, Text: "misheard"}, chart.Act{Verb: chart.VerbSet, Ref: &chart.SiteRef{Tooth: 16, Site: chart.DB}, Field: chart.FieldDepth, Number: &five})
	for end := time.Now().Add(20 * time.Second); out.count() < before+2; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d notices tell of the amendment", out.count()-before)
		}
	}
	out.mu.Lock()
	defer out.mu.Unlock()
	told := map[bool]map[string]any{}
	for _, b := range out.body[before:] {
		d := b["data"].(map[string]any)
		told[d["patient_name"] != nil] = d
	}
	if d := told[true]; d["patient_name"] != "Harriet Sallow" || d["patient_number"] != "FL-0112" || d["patient_born"] != "1969-04-17" || d["signed_by"] != "Ada Quill" || d["exam_kind"] != "exam" {
		t.Errorf("%v", told)
	}
	if d := told[false]; len(d) != 3 {
		t.Errorf("%v", told)
	}
}

// An address can be tried out before anything happens, and is forgotten with what was still to be told there.
func TestHookIsTriedAndRemoved(t *testing.T) {
	ctx := t.Context()
	st, _ := stored(t)
	out := &receiver{}
	p := practice.New(practice.Config{Records: st, Post: out, Look: 10 * time.Millisecond, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	h, _, err := p.AddHook(ctx, practice.Hook{URL: "https://records.example/", Events: practice.Tidings()})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.TryHook(ctx, h.ID); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(10 * time.Second); out.count() == 0; {
		if time.Now().After(end) {
			t.Fatal("nothing came")
		}
		time.Sleep(5 * time.Millisecond)
	}
	if err := p.RemoveHook(ctx, h.ID); err != nil {
		t.Fatal(err)
	}
	if all, err := p.Hooks(ctx); err != nil || len(all) != 0 {
		t.Errorf("%d hooks, %v", len(all), err)
	}
	for _, err := range []error{p.TryHook(ctx, h.ID), p.RemoveHook(ctx, h.ID)} {
		if !errors.Is(err, practice.ErrNotFound) {
			t.Errorf("a hook that is gone: %v", err)
		}
	}
}
