package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"leadsman/chart"
	"leadsman/practice"
	"leadsman/tests/postgres"
)

// nodeT opens the same data as a node of its own, with a copy of the key.
func nodeT(t *testing.T, url, key, address string) (*Store, *Node) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "data")
	if key != "" {
		b, err := os.ReadFile(key)
		if err == nil {
			err = os.WriteFile(KeyFile(dir), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	s, err := Open(ctx, dir, clock(), WithDatabase(url))
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.Join(ctx, address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { n.Close(); s.Close() })
	return s, n
}

func sounded(t *testing.T, evs []chart.Event) []chart.Event {
	t.Helper()
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	next, err := st.Do(soundings(5, 5, 5), chart.Meta{Time: 99, Source: chart.Voice})
	if err != nil {
		t.Fatal(err)
	}
	return next
}

// A node that slept while another took the exam over writes nothing any more; the other one goes on where the log ends.
func TestLeaseIsFenced(t *testing.T) {
	server := postgres.Start(t)
	url := server.Schema("lease")
	a, na := nodeT(t, url, "", "http://a")
	b, nb := nodeT(t, url, a.NewKey(), "http://b")
	x := newExam(t, a)
	if fresh, err := na.Own(ctx, x.ID); err != nil || !fresh {
		t.Fatal(fresh, err)
	}
	if fresh, err := na.Own(ctx, x.ID); err != nil || fresh {
		t.Error("owned a second time as if it were new", fresh, err)
	}
	evs := play(t, a, x.ID, 2)
	elsewhere := func(err error, node string) {
		t.Helper()
		var e *practice.ElsewhereError
		if !errors.As(err, &e) || e.Node != node {
			t.Errorf("%v, want an exam that runs on %s", err, node)
		}
	}
	_, err := nb.Own(ctx, x.ID)
	elsewhere(err, "http://a")
	elsewhere(b.Log(x.ID).Append(ctx, sounded(t, evs)...), "http://a")
	elsewhere(b.Log(x.ID).AppendHeard(ctx, chart.Heard{Stream: "s", Samples: 5}), "http://a")
	if _, err := b.ErasePatient(ctx, x.Patient, practice.Erase{Reason: "asked for"}); !errors.Is(err, practice.ErrRunning) {
		t.Errorf("erased while another node examines: %v", err)
	}

	firsts := 0
	for _, n := range []*Node{na, nb} {
		first, err := n.First(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if first {
			firsts++
		}
	}
	if firsts != 1 {
		t.Errorf("%d nodes are the first", firsts)
	}
	na.stop() // it sleeps: no sign of life, and nothing given free
	na.wg.Wait()
	began := time.Now()
	for {
		fresh, err := nb.Own(ctx, x.ID)
		if err == nil && fresh {
			break
		}
		if time.Since(began) > 2*nodeLasts {
			t.Fatalf("not taken over after %s: %v", time.Since(began), err)
		}
		time.Sleep(50 * time.Millisecond)
	}
	if took := time.Since(began); took < nodeLasts-nodeBeat-time.Second {
		t.Errorf("taken over after %s, before the lease had ended", took)
	} else {
		t.Logf("taken over after %s", took.Round(10*time.Millisecond))
	}
	if err := b.Log(x.ID).AppendHeard(ctx, chart.Heard{Stream: "s", Samples: 5}); err != nil {
		t.Fatal(err)
	}
	// The sleeper wakes, with a call that follows what it knows.
	elsewhere(a.Log(x.ID).Append(ctx, sounded(t, evs)...), "http://b")
	if err := b.Log(x.ID).Append(ctx, sounded(t, evs)...); err != nil {
		t.Error(err)
	}
	if got, err := collect(a, x.ID); err != nil || len(got) != len(evs)+len(sounded(t, evs)) {
		t.Errorf("%d events, %v", len(got), err)
	}
	if err := nb.Leave(ctx, x.ID); err != nil {
		t.Error(err)
	}
	if rep, err := b.Verify(ctx); err != nil || rep.Err() != nil {
		t.Error(rep, err)
	}
}

// A node hears of every change of another one, once and in order, also of those that came while it could not listen; and of none of its own.
func TestFollowLosesNothing(t *testing.T) {
	server := postgres.Start(t)
	url := server.Schema("follow")
	a, _ := nodeT(t, url, "", "http://a")
	b, nb := nodeT(t, url, a.NewKey(), "http://b")
	var mu sync.Mutex
	var got []string
	follow, stop := context.WithCancel(ctx)
	done := make(chan bool)
	go func() {
		defer close(done)
		nb.Follow(follow, func(table, key string) {
			mu.Lock()
			defer mu.Unlock()
			if table == "patients" {
				got = append(got, key)
			}
		})
	}()
	if ps, err := b.Patients(ctx, ""); err != nil || len(ps) != 0 {
		t.Fatal(ps, err)
	}
	var want []string
	for i := range 40 {
		id := fmt.Sprintf("p%02d", i)
		if _, err := a.AddPatient(ctx, Patient{ID: id, Name: "Patient " + id}); err != nil {
			t.Fatal(err)
		}
		want = append(want, id)
		if _, err := b.AddPatient(ctx, Patient{ID: "own-" + id, Name: "Own " + id}); err != nil {
			t.Fatal(err)
		}
		if i%10 == 5 { // the connection that listens is cut
			server.Exec("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%'")
		}
	}
	began := time.Now()
	for {
		mu.Lock()
		n := len(got)
		mu.Unlock()
		if n >= len(want) || time.Since(began) > 3*nodeLooks {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	stop()
	<-done
	if !slices.Equal(got, want) {
		t.Errorf("followed %v\nwant %v", got, want)
	}
	if ps, err := b.Patients(ctx, "patient"); err != nil || len(ps) != len(want) {
		t.Errorf("%d patients in the list of the other node, %v", len(ps), err)
	}
}

// The database is killed in the middle of writing: what was confirmed is there, what was not says that the store does not answer, and afterwards all goes on.
func TestDatabaseKilled(t *testing.T) {
	server := postgres.Start(t)
	url := server.Schema("killed")
	s, _ := nodeT(t, url, "", "http://a")
	x := newExam(t, s)
	evs := play(t, s, x.ID, 1)
	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	failed := 0
	for round := range 3 {
		killed := make(chan bool)
		time.AfterFunc(time.Duration(20+30*round)*time.Millisecond, func() { server.Kill(); close(killed) })
		for st.Seq() < 2000 {
			next, err := st.Do(one(chart.Act{Verb: chart.VerbRemark, Text: "again"}), chart.Meta{Time: 5, Source: chart.Keyboard})
			if err != nil {
				t.Fatal(err)
			}
			err = s.Log(x.ID).Append(ctx, next...)
			if err == nil {
				if err := st.Apply(next...); err != nil {
					t.Fatal(err)
				}
				continue
			}
			failed++
			if !errors.Is(err, ErrAway) || !strings.Contains(err.Error(), "does not answer") || strings.Contains(err.Error(), postgres.Password) {
				t.Errorf("%v", err)
			}
			break
		}
		<-killed
		server.Restart()
		got, err := collect(s, x.ID)
		for range 20 { // connections that broke are found out one by one
			if !errors.Is(err, ErrAway) {
				break
			}
			time.Sleep(50 * time.Millisecond)
			got, err = collect(s, x.ID)
		}
		if err != nil || len(got) < int(st.Seq()) {
			t.Fatalf("%d events were confirmed, %d are there: %v", st.Seq(), len(got), err)
		}
		// At most the one call whose confirmation was cut off is there besides.
		if len(got) > int(st.Seq())+2 {
			t.Errorf("%d events, %d were confirmed", len(got), st.Seq())
		}
		if err := st.Apply(got[st.Seq():]...); err != nil {
			t.Fatal(err)
		}
	}
	if failed == 0 {
		t.Error("the database was never killed while something was written")
	}
	if rep, err := s.Verify(ctx); err != nil || rep.Err() != nil {
		t.Error(rep, err)
	}
}
