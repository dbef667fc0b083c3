package load

import (
	"context"
	"io/fs"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"leadsman/tests/program"
)

// state is what the service holds at a moment.
type state struct {
	at                        time.Duration
	memory, goroutines, files float64 // MB, number, number
	store                     float64 // MB
	calls                     float64 // entered so far
}

func (s *service) state(t *testing.T, metrics, data string, began time.Time) state {
	t.Helper()
	f := figures(t, metrics)
	out := state{at: time.Since(began), memory: float64(s.memory()), goroutines: f["go_goroutines"], files: f["process_open_fds"],
		calls: f[`leadsman_calls_total{became="entered",source="voice"}`]}
	err := filepath.WalkDir(data, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if fi, err := d.Info(); err == nil { // else it went away meanwhile
			out.store += float64(fi.Size()) / (1 << 20)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// mean is that of the states between two shares of the whole time.
func mean(states []state, whole time.Duration, from, to float64) (m state) {
	n := 0.0
	for _, s := range states {
		if share := float64(s.at) / float64(whole); share >= from && share < to {
			m.memory, m.goroutines, m.files, m.store, m.calls = m.memory+s.memory, m.goroutines+s.goroutines, m.files+s.files, m.store+s.store, m.calls+s.calls
			n++
		}
	}
	return state{0, m.memory / n, m.goroutines / n, m.files / n, m.store / n, m.calls / n}
}

// Chairs that call all the time for an hour: what the service holds in the last sixth of it against what it held between a quarter and five twelfths of it,
// when the first exams had been put to rest (after ten minutes). The store grows with what is entered, by as much for each call in the end as before.
// A measurement: LEADSMAN_MEASURE=1; LEADSMAN_CHAIRS=40, LEADSMAN_HOUR=60m, LEADSMAN_PACE as above.
func TestMeasureHour(t *testing.T) {
	program.Measurement(t, "make hour")
	chairs, whole := chairsOf(t, "40")[0], lengthOf(t, "LEADSMAN_HOUR", time.Hour)
	if whole < 40*time.Minute {
		t.Logf("in %v no exam, or few, are put to rest: memory has to grow", whole)
	}
	ctx, cancel := context.WithCancel(context.Background())
	c, s, metrics := open(t, ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	for chair := range chairs {
		wg.Go(func() { c.chair(ctx, chair) })
	}
	var states []state
	began := time.Now()
	for told := began; time.Since(began) < whole; {
		time.Sleep(whole / 360)
		states = append(states, s.state(t, metrics, s.data, began))
		if now := time.Now(); now.Sub(told) > whole/12 {
			took, missing, wrong := c.between(told.Add(-lastly), now.Add(-lastly))
			told = now
			if len(took) > 0 {
				x := states[len(states)-1]
				t.Logf("%4.0f s: %d calls, median %d ms, 95th percentile %d ms, %d not entered, %d wrong; memory %.0f MB, %.0f goroutines, %.0f files, store %.1f MB", x.at.Seconds(), len(took),
					took[len(took)/2].Milliseconds(), took[len(took)*95/100].Milliseconds(), missing, wrong, x.memory, x.goroutines, x.files, x.store)
			}
		}
	}
	begin, before, after := mean(states, whole, 0.1, 0.2), mean(states, whole, 0.25, 5.0/12), mean(states, whole, 5.0/6, 2)
	grown := false
	verdict := func(what, unit string, was, is, may float64) {
		word := "no growth"
		if is > may {
			word, grown = "GROWN", true
		}
		t.Logf("VERDICT %-22s %8.1f %s, in the end %8.1f (at most %.1f): %s", what, was, unit, is, may, word)
	}
	verdict("memory", "MB", before.memory, after.memory, before.memory*1.1+10)
	verdict("goroutines", "", before.goroutines, after.goroutines, before.goroutines*1.1+10)
	verdict("open files", "", before.files, after.files, before.files*1.1+10)
	each := 1024 * (before.store - begin.store) / (before.calls - begin.calls)
	verdict("store for each call", "kB", each, 1024*(after.store-before.store)/(after.calls-before.calls), each*1.25)
	if grown {
		t.Errorf("VERDICT: %d chairs for %v: something grows", chairs, whole)
	} else {
		t.Logf("VERDICT: %d chairs for %v without growth", chairs, whole)
	}
	c.tellFaults(t)
}
