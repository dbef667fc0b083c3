package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"syscall"
	"testing"

	"pgregory.net/rapid"

	"leadsman/chart"
)

// command draws something to do in a state; some of it will be refused.
func command(t *rapid.T) chart.Command {
	mm := func(min, max int) chart.MM { return chart.Half(rapid.IntRange(2*min, 2*max).Draw(t, "mm")) }
	tooth := rapid.SampledFrom(chart.AllTeeth())
	switch rapid.IntRange(0, 9).Draw(t, "verb") {
	case 0, 1, 2, 3:
		a := chart.Act{Verb: chart.VerbSoundings}
		for range rapid.IntRange(1, 9).Draw(t, "n") {
			a.Numbers = append(a.Numbers, mm(0, 15))
		}
		return one(a)
	case 4:
		return one(chart.Act{Verb: chart.VerbFlag, Flag: chart.Flag(rapid.IntRange(0, int(chart.NumFlags)-1).Draw(t, "flag")), Value: chart.Is(rapid.Bool().Draw(t, "value")), Whole: rapid.Bool().Draw(t, "whole")})
	case 5:
		return one(chart.Act{Verb: chart.VerbDisregard})
	case 6:
		return one(chart.Act{Verb: chart.VerbGo, Tooth: tooth.Draw(t, "tooth"), HasAspect: true, Aspect: chart.Aspect(rapid.IntRange(0, 1).Draw(t, "aspect"))})
	case 7:
		return one(chart.Act{Verb: chart.VerbPresence, Presence: chart.Presence(rapid.IntRange(1, 4).Draw(t, "presence")), Teeth: []chart.Tooth{tooth.Draw(t, "tooth")}})
	case 8:
		return one(chart.Act{Verb: chart.VerbMargin, Numbers: []chart.MM{mm(-3, 5)}})
	default:
		return one(chart.Act{Verb: chart.VerbRemark, Text: rapid.StringN(1, 40, 200).Draw(t, "text")})
	}
}

// Whatever is called, the log in the file is the log in memory and folds to the same chart, and the
// hash of the last event is the chain over all bodies.
func TestRoundTrip(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	defer func() { s.Close() }()
	rapid.Check(t, func(rt *rapid.T) {
		x := newExam(t, s)
		st := chart.NewState()
		evs, err := chart.Start(rapid.SampledFrom([]chart.Numbering{chart.FDI, chart.Universal}).Draw(rt, "numbering"), "", nil, nil, chart.Meta{Time: 1})
		for i := range rapid.IntRange(1, 15).Draw(rt, "calls") {
			if err != nil && len(evs) != 1 {
				rt.Fatalf("refused with %d events: %v", len(evs), err)
			}
			if err := s.Log(x.ID).Append(ctx, evs...); err != nil {
				rt.Fatal(err)
			}
			if err := st.Apply(evs...); err != nil {
				rt.Fatal(err)
			}
			evs, err = st.Do(command(rt), chart.Meta{Time: int64(i), Source: chart.Voice, Who: "é\x00\u2028", Words: rapid.String().Draw(rt, "words"), Confidence: rapid.Float64Range(0, 1).Draw(rt, "conf")})
		}
		if rapid.IntRange(0, 9).Draw(rt, "reopen") == 0 {
			s.Close()
			if s, err = Open(ctx, dir, clock(), at(dir)...); err != nil {
				rt.Fatal(err)
			}
		}
		got, err := collect(s, x.ID)
		if err != nil {
			rt.Fatal(err)
		}
		if !reflect.DeepEqual(got, st.Log()) {
			rt.Fatalf("file holds\n%+v\nmemory\n%+v", got, st.Log())
		}
		back, err := chart.Fold(got)
		if err != nil {
			rt.Fatal(err)
		}
		if !reflect.DeepEqual(back.Chart, st.Chart) || back.Place != st.Place || back.Next != st.Next || !reflect.DeepEqual(back.Remarks, st.Remarks) {
			rt.Fatal("the folds differ")
		}
		sum := sha256.Sum256([]byte("leadsman log of exam " + x.ID))
		for _, e := range got {
			b, _ := e.Encode()
			sum = sha256.Sum256(append(sum[:], b...))
		}
		if now, _ := s.Exam(ctx, x.ID); now.Head != hex.EncodeToString(sum[:]) || now.Events != uint64(len(got)) {
			rt.Fatalf("exam says %+v", now)
		}
	})
}

func TestAppendRefuses(t *testing.T) {
	s := openT(t, t.TempDir())
	x := newExam(t, s)
	evs := play(t, s, x.ID, 1)
	n := evs[len(evs)-1].Seq
	call := func(seq, call uint64) chart.Event {
		return chart.Event{Seq: seq, Call: call, Kind: chart.KindCall, Source: chart.Keyboard}
	}
	site := chart.MB
	deep := 80
	for name, c := range map[string]struct {
		evs  []chart.Event
		want error
	}{
		"gap":            {[]chart.Event{call(n+2, n+2)}, ErrOutOfOrder},
		"duplicate":      {[]chart.Event{call(n, n)}, ErrOutOfOrder},
		"gap inside":     {[]chart.Event{call(n+1, n+1), call(n+3, n+1)}, ErrOutOfOrder},
		"swapped":        {[]chart.Event{call(n+2, n+1), call(n+1, n+1)}, ErrOutOfOrder},
		"zero":           {[]chart.Event{call(0, 0)}, ErrOutOfOrder},
		"call to come":   {[]chart.Event{call(n+1, n+2)}, ErrOutOfOrder},
		"no such depth":  {[]chart.Event{call(n+1, n+1), {Seq: n + 2, Call: n + 1, Kind: chart.KindSet, Tooth: 16, Site: &site, Field: chart.FieldDepth, Value: &deep}}, nil},
		"unknown kind":   {[]chart.Event{{Seq: n + 1, Call: n + 1, Kind: "wish"}}, nil},
		"no such number": {[]chart.Event{{Seq: n + 1, Call: n + 1, Kind: chart.KindCall, Confidence: nan()}}, nil},
	} {
		err := s.Log(x.ID).Append(ctx, c.evs...)
		if err == nil || c.want != nil && !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
	if err := s.Log("none").Append(ctx, call(1, 1)); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	if _, err := collect(s, "none"); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if err := s.Log(x.ID).Append(gone, call(n+1, n+1)); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if got, err := collect(s, x.ID); err != nil || !reflect.DeepEqual(got, evs) {
		t.Errorf("after refusals the log has %d events, %v; want %d", len(got), err, len(evs))
	}
	if err := s.Log(x.ID).Append(ctx); err != nil {
		t.Error(err)
	}
	if err := s.Log(x.ID).Append(ctx, call(n+1, n+1)); err != nil {
		t.Error(err)
	}
}

func nan() float64 { z := 0.0; return z / z }

func TestSigned(t *testing.T) {
	s := openT(t, t.TempDir())
	x := newExam(t, s)
	n := uint64(len(play(t, s, x.ID, 2)))
	log := s.Log(x.ID)
	if err := log.Append(ctx, chart.Event{Seq: n + 1, Call: n + 1, Kind: chart.KindCall, Who: "Dr. Ansel Reed"},
		chart.Event{Seq: n + 2, Call: n + 1, Kind: chart.KindSign, Who: "Dr. Ansel Reed", Time: 1772442000000}); err != nil {
		t.Fatal(err)
	}
	if x, err := s.Exam(ctx, x.ID); err != nil || x.SignedBy != "Dr. Ansel Reed" || x.Signed.UnixMilli() != 1772442000000 {
		t.Errorf("%+v %v", x, err)
	}
	site, v := chart.B, 6
	set := chart.Event{Seq: n + 3, Call: n + 3, Kind: chart.KindSet, Tooth: 16, Site: &site, Field: chart.FieldDepth, Value: &v}
	for _, e := range []chart.Event{set, {Seq: n + 3, Call: n + 3, Kind: chart.KindUndo, Undo: n + 1}, {Seq: n + 3, Call: n + 3, Kind: chart.KindSign, Who: "somebody else"}} {
		if err := log.Append(ctx, e); !errors.Is(err, ErrSigned) || !errors.Is(err, chart.ErrSigned) {
			t.Errorf("%s after signing: %v", e.Kind, err)
		}
	}
	remark := []chart.Event{{Seq: n + 3, Call: n + 3, Kind: chart.KindCall, Did: chart.VerbRemark}, {Seq: n + 4, Call: n + 3, Kind: chart.KindRemark, Text: "phoned the patient"}}
	if err := log.Append(ctx, remark...); err != nil {
		t.Errorf("remark after signing: %v", err)
	}
	set.Seq, set.Call = n+6, n+5
	if err := log.Append(ctx, chart.Event{Seq: n + 5, Call: n + 5, Kind: chart.KindCall}, set); !errors.Is(err, ErrSigned) {
		t.Error(err)
	}
	// The file itself refuses, whoever writes.
	for _, q := range []string{
		"UPDATE events SET time = 0", "DELETE FROM events", "DELETE FROM exams", "UPDATE exams SET signed = NULL", "UPDATE exams SET patient = id",
		fmt.Sprintf("INSERT INTO events VALUES ('%s', %d, 1, 1, 'voice', 'set', x'')", x.ID, n+5),
		fmt.Sprintf("INSERT INTO events VALUES ('%s', %d, 1, 1, 'voice', 'call', x'')", x.ID, n+7),
		fmt.Sprintf("INSERT OR REPLACE INTO events VALUES ('%s', 1, 1, 1, 'voice', 'call', x'')", x.ID),
	} {
		if _, err := s.w.Exec(q); err == nil {
			t.Errorf("accepted: %s", q)
		}
	}
	if got, err := collect(s, x.ID); err != nil || len(got) != int(n)+4 {
		t.Errorf("%d events, %v", len(got), err)
	}
}

// Many exams at once, each read while it is written.
func TestConcurrentExams(t *testing.T) {
	s := openT(t, t.TempDir())
	const exams, calls = 12, 20
	var wg sync.WaitGroup
	for range exams {
		x := newExam(t, s)
		wg.Add(2)
		go func() {
			defer wg.Done()
			st := chart.NewState()
			evs, err := chart.Start(chart.FDI, "", nil, nil, chart.Meta{})
			for range calls {
				if err == nil {
					err = s.Log(x.ID).Append(ctx, evs...)
				}
				if err == nil {
					err = st.Apply(evs...)
				}
				if err != nil {
					t.Error(err)
					return
				}
				evs, err = st.Do(soundings(4, 5, 6), chart.Meta{Source: chart.Voice})
			}
		}()
		go func() {
			defer wg.Done()
			for seen := 0; seen < calls; seen++ {
				if _, err := collect(s, x.ID); err != nil {
					t.Error(err)
				}
			}
		}()
	}
	wg.Wait()
	rep, err := s.Verify(ctx)
	if err != nil || rep.Err() != nil || rep.Exams != exams {
		t.Errorf("%+v %v", rep, err)
	}
}

// Two writers of one exam: each number is given once, the loser is told.
func TestRaceForOneNumber(t *testing.T) {
	s := openT(t, t.TempDir())
	x := newExam(t, s)
	n := uint64(len(play(t, s, x.ID, 1)))
	errs := make(chan error, 8)
	for range cap(errs) {
		go func() {
			errs <- s.Log(x.ID).Append(ctx, chart.Event{Seq: n + 1, Call: n + 1, Kind: chart.KindCall})
		}()
	}
	won := 0
	for range cap(errs) {
		if err := <-errs; err == nil {
			won++
		} else if !errors.Is(err, ErrOutOfOrder) {
			t.Error(err)
		}
	}
	if won != 1 {
		t.Errorf("%d of %d won", won, cap(errs))
	}
}

// keyFor puts the key of a data folder beside a copy of it.
func keyFor(t testing.TB, dir, copied string) {
	t.Helper()
	b, err := os.ReadFile(KeyFile(dir))
	if err == nil {
		err = os.WriteFile(KeyFile(copied), b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// tamper changes the file behind the store's back, as only damage or malice can. The triggers are put back afterwards.
func tamper(t *testing.T, dir string, stmts ...string) {
	t.Helper()
	db, err := sql.Open("sqlite3", filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	type trigger struct{ name, sql string }
	triggers, err := gather(ctx, db, func(scan func(...any) error) (g trigger, err error) { err = scan(&g.name, &g.sql); return },
		"SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range triggers {
		stmts = append(append([]string{"DROP TRIGGER " + g.name}, stmts...), g.sql)
	}
	for _, q := range stmts {
		if r, err := db.Exec(q); err != nil {
			t.Fatal(err)
		} else if n, _ := r.RowsAffected(); n == 0 && (strings.HasPrefix(q, "UPDATE") || strings.HasPrefix(q, "DELETE")) {
			t.Fatalf("%s: changed nothing", q)
		}
	}
}

func TestDamageIsNamed(t *testing.T) {
	for name, c := range map[string]struct {
		stmt string
		seq  uint64
	}{
		"a body":            {"UPDATE events SET body = zeroblob(length(body)) WHERE seq = 6", 6},
		"an empty body":     {"UPDATE events SET body = x'' WHERE seq = 7", 7},
		"another's body":    {"UPDATE events SET body = (SELECT body FROM events WHERE seq = 8) WHERE seq = 5", 5},
		"a column":          {"UPDATE events SET time = time + 1 WHERE seq = 4", 4},
		"a kind":            {"UPDATE events SET kind = 'remark' WHERE seq = 4", 4},
		"one missing":       {"DELETE FROM events WHERE seq = 6", 6},
		"the first missing": {"DELETE FROM events WHERE seq = 1", 1},
		"the end missing":   {"DELETE FROM events WHERE seq >= 9", 9},
		"all missing":       {"DELETE FROM events", 1},
		"the head":          {"UPDATE exams SET head = zeroblob(32)", 0},
		"a type":            {"UPDATE events SET body = x'ff00' WHERE seq = 2", 2},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := openT(t, dir)
			x := newExam(t, s)
			evs := play(t, s, x.ID, 4)
			s.Close()
			tamper(t, dir, c.stmt)
			s = openT(t, dir)
			want := c.seq
			if want == 0 {
				want = uint64(len(evs))
			}
			got, err := collect(s, x.ID)
			var ce *CorruptError
			if !errors.As(err, &ce) || !errors.Is(err, ErrDamaged) || ce.Exam != x.ID || ce.Seq != want || ce.Hint == "" {
				t.Fatalf("got %v, want damage at %d", err, want)
			}
			if c.seq != 0 && !reflect.DeepEqual(got, append([]chart.Event(nil), evs[:want-1]...)) {
				t.Errorf("%d events before the damage, want %d unchanged", len(got), want-1)
			}
			rep, err := s.Verify(ctx)
			if err != nil || !errors.As(rep.Err(), &ce) {
				t.Errorf("verify: %+v %v", rep, err)
			}
		})
	}
}

// The log of one exam in the place of another's is noticed, though its own chain is whole.
func TestSwappedLogs(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	a, b := newExam(t, s), newExam(t, s)
	play(t, s, a.ID, 2)
	play(t, s, b.ID, 2)
	s.Close()
	tamper(t, dir, "UPDATE events SET exam = 'x' WHERE exam = '"+a.ID+"'",
		"UPDATE events SET exam = '"+a.ID+"' WHERE exam = '"+b.ID+"'", "UPDATE events SET exam = '"+b.ID+"' WHERE exam = 'x'")
	s = openT(t, dir)
	for _, id := range []string{a.ID, b.ID} {
		var ce *CorruptError
		if got, err := collect(s, id); !errors.As(err, &ce) || len(got) != 0 {
			t.Errorf("%d events, %v", len(got), err)
		}
	}
}

// Whichever event is damaged, that one is lost and no other; what is saved is unsigned and says where it lacks; and then the check
// has nothing more to ask for.
func TestSalvage(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x := newExam(t, s)
	evs := play(t, s, x.ID, 6)
	n := uint64(len(evs))
	if err := s.Log(x.ID).Append(ctx, chart.Event{Seq: n + 1, Call: n + 1, Kind: chart.KindCall, Did: chart.VerbSign},
		chart.Event{Seq: n + 2, Call: n + 1, Kind: chart.KindSign, Who: "Ada Quill", Time: 1772442000000}); err != nil {
		t.Fatal(err)
	}
	evs, _ = collect(s, x.ID)
	if _, err := s.Salvage(ctx, x.ID); !errors.Is(err, ErrInvalid) {
		t.Errorf("salvage of an intact log: %v", err)
	}
	s.Close()
	for _, hit := range evs {
		for how, stmt := range map[string]string{"bytes": "UPDATE events SET body = zeroblob(80) WHERE seq = %d", "row": "DELETE FROM events WHERE seq = %d"} {
			if (how == "row") != (hit.Seq%3 == 0) && hit.Kind != chart.KindStart && hit.Kind != chart.KindSign {
				continue // one way of damage for each event will do
			}
			t.Run(fmt.Sprintf("%s %d %s", how, hit.Seq, hit.Kind), func(t *testing.T) {
				sub := filepath.Join(t.TempDir(), "data")
				if err := os.CopyFS(sub, os.DirFS(dir)); err != nil {
					t.Fatal(err)
				}
				keyFor(t, dir, sub)
				tamper(t, sub, fmt.Sprintf(stmt, hit.Seq))
				s := openT(t, sub)
				rep, err := s.Verify(ctx)
				if err != nil || len(rep.Problems) != 1 || rep.Events != uint64(len(evs)-1) || !strings.Contains(rep.Problems[0].Error(), "--salvage") {
					t.Fatalf("%+v %v", rep, err)
				}
				y, err := s.Salvage(ctx, x.ID)
				if err != nil {
					t.Fatal(err)
				}
				got, err := collect(s, y.ID)
				if err != nil {
					t.Fatal(err)
				}
				for i, e := range got {
					if e.Seq != hit.Seq && e.Kind != chart.KindRemark && !reflect.DeepEqual(e, evs[i]) {
						t.Errorf("event %d is %+v, was %+v", e.Seq, e, evs[i])
					}
					if want := evs[i].Kind == chart.KindSign || e.Seq == hit.Seq && hit.Kind != chart.KindStart; e.Kind == chart.KindRemark && !want || want && e.Kind == evs[i].Kind && e.Refused == "" {
						t.Errorf("in the place of %s %d: %+v", evs[i].Kind, e.Seq, e)
					}
				}
				st, err := chart.Fold(got)
				if err != nil || len(got) != len(evs) || st.SignedBy != "" || y.SignedBy != "" {
					t.Errorf("%d events, %v, signed by %q", len(got), err, st.SignedBy)
				}
				if y.Patient != x.Patient || !strings.Contains(y.Title, x.ID) || !strings.Contains(y.Title, "unverified") {
					t.Errorf("%+v", y)
				}
				if _, err := collect(s, x.ID); err == nil {
					t.Error("the damaged exam was touched")
				}
				if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil || len(rep.Notes) != 1 || !strings.Contains(rep.Notes[0], y.ID) {
					t.Errorf("after saving: %+v %v", rep, err)
				}
			})
		}
	}
}

// A file that lost its end or has random bytes in it never gives an event that was not written, and
// never passes the check as long as what it gives is not everything.
func TestBrokenFile(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x := newExam(t, s)
	evs := play(t, s, x.ID, 56)
	s.Close()
	whole, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	reported := 0
	rnd := rand.New(rand.NewPCG(1, 2))
	const trials = 120
	for i := range trials {
		b := append([]byte(nil), whole...)
		if i%2 == 0 {
			b = b[:rnd.IntN(len(b))]
		} else {
			at := 100 + rnd.IntN(len(b)-700)
			for j := range 512 {
				b[at+j] = byte(rnd.Uint32())
			}
		}
		sub := t.TempDir()
		if err := os.WriteFile(filepath.Join(sub, fileName), b, 0o600); err != nil {
			t.Fatal(err)
		}
		keyFor(t, dir, sub)
		func() {
			s, err := Open(ctx, sub, clock(), at(sub)...)
			if err != nil {
				reported++
				return
			}
			defer s.Close()
			got, err := collect(s, x.ID)
			if len(got) > 0 && !reflect.DeepEqual(got, evs[:len(got)]) {
				t.Fatalf("trial %d: events that were never written", i)
			}
			if err == nil && len(got) != len(evs) {
				t.Fatalf("trial %d: %d of %d events and no error", i, len(got), len(evs))
			}
			rep, verr := s.Verify(ctx)
			if err != nil && verr == nil && rep.Err() == nil {
				t.Fatalf("trial %d: reading fails (%v), verify finds nothing", i, err)
			}
			if verr != nil || rep.Err() != nil {
				reported++
			}
		}()
	}
	t.Logf("%d of %d broken files reported", reported, trials)
	if reported < trials/2 {
		t.Errorf("only %d of %d broken files were reported", reported, trials)
	}
}

// What a power cut can leave of the write-ahead log: any beginning of it, with anything after. Every
// call whose commit had reached the disk is there, every call is there wholly or not at all.
func TestTornWriteAheadLog(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x := newExam(t, s)
	evs := play(t, s, x.ID, 0)
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	type mark struct{ wal, seq int }
	size := func() int {
		fi, err := os.Stat(s.Path() + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		return int(fi.Size())
	}
	marks := []mark{{size(), len(evs)}}
	for range 40 {
		next, err := st.Do(soundings(3, 3, 3), chart.Meta{Source: chart.Voice})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Log(x.ID).Append(ctx, next...); err != nil {
			t.Fatal(err)
		}
		st.Apply(next...)
		marks = append(marks, mark{size(), int(st.Seq())})
	}
	db, err1 := os.ReadFile(s.Path())
	wal, err2 := os.ReadFile(s.Path() + "-wal")
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	rnd := rand.New(rand.NewPCG(3, 4))
	for i := range 80 {
		cut := marks[0].wal + rnd.IntN(len(wal)-marks[0].wal)
		torn := append([]byte(nil), wal[:cut]...)
		if i%2 == 1 {
			for range rnd.IntN(9000) {
				torn = append(torn, byte(rnd.Uint32()))
			}
		}
		sub := t.TempDir()
		path := filepath.Join(sub, fileName)
		if err := errors.Join(os.WriteFile(path, db, 0o600), os.WriteFile(path+"-wal", torn, 0o600)); err != nil {
			t.Fatal(err)
		}
		keyFor(t, dir, sub)
		c := openT(t, sub)
		got, err := collect(c, x.ID)
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		must, whole := 0, false
		for _, m := range marks {
			if m.wal <= cut {
				must = m.seq
			}
			whole = whole || len(got) == m.seq
		}
		if len(got) < must || !whole || !reflect.DeepEqual(got, st.Log()[:len(got)]) {
			t.Fatalf("cut at %d: %d events, want at least %d and whole calls", cut, len(got), must)
		}
		c.Close()
	}
}

// The system refuses to write: the call is refused with a hint, nothing of it stays, and the store
// works on once there is room.
func TestDiskFull(t *testing.T) {
	for name, fill := range map[string]func(t *testing.T, s *Store) (free func()){
		"no pages left": func(t *testing.T, s *Store) func() {
			if _, err := s.w.Exec("PRAGMA max_page_count = 1"); err != nil { // means: no larger than now
				t.Fatal(err)
			}
			return func() { s.w.Exec("PRAGMA max_page_count = 1000000") }
		},
		"file size limit": func(t *testing.T, s *Store) func() {
			fi, err := os.Stat(s.Path() + "-wal")
			if err != nil {
				t.Fatal(err)
			}
			signal.Ignore(syscall.SIGXFSZ)
			var old syscall.Rlimit
			if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
				t.Fatal(err)
			}
			if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: uint64(fi.Size()) + 20_000, Max: old.Max}); err != nil {
				t.Fatal(err)
			}
			return func() {
				syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old)
				signal.Reset(syscall.SIGXFSZ)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := openT(t, dir)
			x := newExam(t, s)
			evs := play(t, s, x.ID, 3)
			n := uint64(len(evs))
			free := fill(t, s)
			var err error
			for err == nil && n < 10_000 {
				e := chart.Event{Seq: n + 1, Call: n + 1, Kind: chart.KindRemark, Text: strings.Repeat("a long remark ", 300)}
				if err = s.Log(x.ID).Append(ctx, e); err == nil {
					n++
				}
			}
			free()
			var se *Error
			if !errors.As(err, &se) || !strings.Contains(se.Hint, "disk") {
				t.Fatalf("full disk: %v, want an Error with a hint", err)
			}
			if got, err := collect(s, x.ID); err != nil || uint64(len(got)) != n {
				t.Errorf("after the error %d events, %v; want %d", len(got), err, n)
			}
			if err := s.Log(x.ID).Append(ctx, chart.Event{Seq: n + 1, Call: n + 1, Kind: chart.KindCall}); err != nil {
				t.Errorf("with room again: %v", err)
			}
			s.Close()
			s = openT(t, dir)
			if got, err := collect(s, x.ID); err != nil || uint64(len(got)) != n+1 {
				t.Errorf("after reopening %d events, %v; want %d", len(got), err, n+1)
			}
		})
	}
}

// BenchmarkAppend measures durable commits: one call of three soundings each.
func BenchmarkAppend(b *testing.B) {
	s := openT(b, b.TempDir())
	x := newExam(b, s)
	play(b, s, x.ID, 0)
	last, _ := s.Exam(ctx, x.ID)
	seq := last.Events
	site, v := chart.MB, 6
	log := s.Log(x.ID)
	b.ResetTimer()
	for b.Loop() {
		call := seq + 1
		evs := []chart.Event{{Seq: call, Call: call, Kind: chart.KindCall, Source: chart.Voice, Words: "three two four", Confidence: 0.97, Did: chart.VerbSoundings}}
		for range 3 {
			evs = append(evs,
				chart.Event{Seq: call + uint64(len(evs)), Call: call, Kind: chart.KindSet, Tooth: 16, Site: &site, Field: chart.FieldDepth, Value: &v, Sounding: true},
				chart.Event{Seq: call + uint64(len(evs)) + 1, Call: call, Kind: chart.KindMove, Tooth: 16})
		}
		if err := log.Append(ctx, evs...); err != nil {
			b.Fatal(err)
		}
		seq += uint64(len(evs))
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "commits/s")
}

// BenchmarkAll measures reading and checking the log of a long exam.
func BenchmarkAll(b *testing.B) {
	s := openT(b, b.TempDir())
	x := newExam(b, s)
	n := len(play(b, s, x.ID, 56))
	for b.Loop() {
		if got, err := collect(s, x.ID); err != nil || len(got) != n {
			b.Fatal(len(got), err)
		}
	}
	b.ReportMetric(float64(n), "events")
}
