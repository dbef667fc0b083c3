package store

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"

	"leadsman/chart"
)

func heardUpTo(t *testing.T, s *Store, exam, stream string, want int64) {
	t.Helper()
	got, known, err := s.Log(exam).HeardUpTo(ctx, stream)
	if err != nil || got != want || known != (want > 0) {
		t.Errorf("stream %s of exam %s: %d, %t, %v, want %d", stream, exam, got, known, err, want)
	}
}

// How far a stream is decided stands in the transaction of its events, moves forward alone, and belongs to its exam.
func TestSoundPosition(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x, other := newExam(t, s), newExam(t, s)
	evs := play(t, s, x.ID, 2)
	log := s.Log(x.ID)
	keep := func(h chart.Heard, evs ...chart.Event) {
		t.Helper()
		if err := log.AppendHeard(ctx, h, evs...); err != nil {
			t.Fatal(err)
		}
	}
	heardUpTo(t, s, x.ID, "a", 0)
	keep(chart.Heard{Stream: "a", Samples: 1600})
	heardUpTo(t, s, x.ID, "a", 1600)
	heardUpTo(t, s, x.ID, "b", 0)
	heardUpTo(t, s, other.ID, "a", 0)
	keep(chart.Heard{})

	st, err := chart.Fold(evs)
	if err != nil {
		t.Fatal(err)
	}
	next, err := st.Do(soundings(4), chart.Meta{Source: chart.Voice})
	if err != nil {
		t.Fatal(err)
	}
	// Events that are refused leave the position where it was, and the other way round.
	if err := log.AppendHeard(ctx, chart.Heard{Stream: "a", Samples: 3200}, evs[:1]...); !errors.Is(err, ErrOutOfOrder) {
		t.Error(err)
	}
	heardUpTo(t, s, x.ID, "a", 1600)
	if err := log.AppendHeard(ctx, chart.Heard{Stream: "a", Samples: -1}, next...); !errors.Is(err, ErrInvalid) {
		t.Error(err)
	}
	if got, err := collect(s, x.ID); err != nil || len(got) != len(evs) {
		t.Errorf("%d events, %v", len(got), err)
	}
	keep(chart.Heard{Stream: "a", Samples: 3200}, next...)
	heardUpTo(t, s, x.ID, "a", 3200)
	// Never back: what was decided is not heard again.
	keep(chart.Heard{Stream: "a", Samples: 10})
	heardUpTo(t, s, x.ID, "a", 3200)
	for _, q := range []string{"UPDATE sound SET samples = 10", "UPDATE sound SET stream = 'z'", "DELETE FROM sound"} {
		if _, err := s.w.Exec(q); err == nil || !strings.Contains(err.Error(), "decided") {
			t.Errorf("%s: %v", q, err)
		}
	}
	if err := s.Log("nobody").AppendHeard(ctx, chart.Heard{Stream: "a", Samples: 1}); !errors.Is(err, ErrNotFound) {
		t.Error(err)
	}
	// The microphone may stay on after the signature.
	if err := st.Apply(next...); err != nil {
		t.Fatal(err)
	}
	sign, err := st.Do(one(chart.Act{Verb: chart.VerbSign}), chart.Meta{Source: chart.Keyboard, Who: "Ada Quill"})
	if err != nil {
		t.Fatal(err)
	}
	keep(chart.Heard{Stream: "a", Samples: 4000}, sign...)
	keep(chart.Heard{Stream: "a", Samples: 4800})

	// It is there after a restart, and in a backup.
	if !s.inFile() {
		s.Close()
		s = openT(t, dir)
		heardUpTo(t, s, x.ID, "a", 4800)
		return
	}
	file := filepath.Join(t.TempDir(), "backup")
	if rep, err := s.Backup(ctx, file); err != nil || rep.Err() != nil {
		t.Fatal(rep, err)
	}
	s.Close()
	s = openT(t, dir)
	heardUpTo(t, s, x.ID, "a", 4800)
	copied := filepath.Join(t.TempDir(), "new")
	if _, err := Restore(ctx, file, copied, false, false); err != nil {
		t.Fatal(err)
	}
	r := openT(t, copied)
	heardUpTo(t, r, x.ID, "a", 4800)
	ro, err := OpenReadOnly(ctx, copied, at(copied)...)
	if err != nil {
		t.Fatal(err)
	}
	defer ro.Close()
	heardUpTo(t, ro, x.ID, "a", 4800)
	if err := ro.Log(x.ID).AppendHeard(ctx, chart.Heard{Stream: "a", Samples: 9999}); !errors.Is(err, ErrReadOnly) {
		t.Error(err)
	}
	// Verify finds a position of an exam that is not there.
	if _, err := r.w.Exec("PRAGMA foreign_keys = OFF; INSERT INTO sound VALUES ('gone', 'a', 1, x''); PRAGMA foreign_keys = ON"); err != nil {
		t.Fatal(err)
	}
	if rep, err := r.Verify(ctx); err != nil || rep.Err() == nil || !strings.Contains(rep.Err().Error(), "sound") {
		t.Errorf("verify: %+v, %v", rep, err)
	}
}

// BenchmarkSoundPosition is what a position costs, alone (talk) and with a call, and the call without it; all of it on the disk.
func BenchmarkSoundPosition(b *testing.B) {
	for _, c := range []struct {
		name         string
		stream, call bool
	}{{"alone", true, false}, {"with a call", true, true}, {"call alone", false, true}} {
		b.Run(c.name, func(b *testing.B) {
			s := openT(b, b.TempDir())
			x := newExam(b, s)
			st, err := chart.Fold(play(b, s, x.ID, 1))
			if err != nil {
				b.Fatal(err)
			}
			var h chart.Heard
			for b.Loop() {
				if c.stream {
					h = chart.Heard{Stream: "a", Samples: h.Samples + 1600}
				}
				var evs []chart.Event
				if c.call {
					do := soundings(3, 2, 4)
					if st.AtEnd() {
						do = one(chart.Act{Verb: chart.VerbGo, Tooth: 17})
					}
					if evs, err = st.Do(do, chart.Meta{Source: chart.Voice}); err != nil {
						b.Fatal(err)
					}
				}
				if err := s.Log(x.ID).AppendHeard(ctx, h, evs...); err != nil {
					b.Fatal(err)
				}
				if err := st.Apply(evs...); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
