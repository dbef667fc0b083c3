package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"leadsman/chart"
)

// A backup taken while calls come in is a whole store of some moment, and restores to it.
func TestBackupWhileWriting(t *testing.T) {
	s := openT(t, t.TempDir())
	x := newExam(t, s)
	st, err := chart.Fold(play(t, s, x.ID, 0))
	if err != nil {
		t.Fatal(err)
	}
	stop := make(chan struct{})
	done := make(chan error)
	go func() {
		for {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			c := soundings(2, 2, 2)
			if st.AtEnd() {
				c = one(chart.Act{Verb: chart.VerbGo, Tooth: 17})
			}
			evs, err := st.Do(c, chart.Meta{Source: chart.Voice})
			if err == nil {
				err = s.Log(x.ID).Append(ctx, evs...)
			}
			if err == nil {
				err = st.Apply(evs...)
			}
			if err != nil {
				done <- err
				return
			}
		}
	}()
	var files []string
	for _, name := range []string{"one", "two", "three"} {
		files = append(files, filepath.Join(t.TempDir(), name))
		if rep, err := s.Backup(ctx, files[len(files)-1]); err != nil || rep.Err() != nil {
			t.Error(rep, err)
		}
	}
	close(stop)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	last := 0
	for _, f := range files {
		rep, err := VerifyFile(ctx, f)
		if err != nil || rep.Err() != nil || rep.Patients != 1 || rep.Exams != 1 {
			t.Fatalf("%+v %v", rep, err)
		}
		dir := filepath.Join(t.TempDir(), "new")
		if _, err := Restore(ctx, f, dir, false, false); err != nil {
			t.Fatal(err)
		}
		r := openT(t, dir)
		got, err := collect(r, x.ID)
		if err != nil || len(got) < last || !reflect.DeepEqual(got, st.Log()[:len(got)]) {
			t.Errorf("%d events, %v", len(got), err)
		}
		last = len(got)
		if fi, _ := os.Stat(f); fi.Mode().Perm() != 0o600 {
			t.Errorf("backup is readable by others: %v", fi.Mode())
		}
		entries, _ := os.ReadDir(filepath.Dir(f))
		if len(entries) != 1 {
			t.Errorf("left behind: %v", entries)
		}
	}
}

func TestBackupRefuses(t *testing.T) {
	s := openT(t, t.TempDir())
	newExam(t, s)
	there := filepath.Join(t.TempDir(), "thesis.txt")
	os.WriteFile(there, []byte("mine"), 0o600)
	if _, err := s.Backup(ctx, there); !errors.Is(err, ErrExists) {
		t.Error(err)
	}
	if b, _ := os.ReadFile(there); string(b) != "mine" {
		t.Error("an existing file was replaced")
	}
	if _, err := s.Backup(ctx, s.Path()); !errors.Is(err, ErrExists) {
		t.Error(err)
	}
	var se *Error
	if _, err := s.Backup(ctx, filepath.Join(t.TempDir(), "no", "such", "x")); !errors.As(err, &se) || se.Hint == "" {
		t.Error(err)
	}
	gone, cancel := context.WithCancel(ctx)
	cancel()
	dir := t.TempDir()
	if _, err := s.Backup(gone, filepath.Join(dir, "x")); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestRestoreRefuses(t *testing.T) {
	src := t.TempDir()
	s := openT(t, src)
	x := newExam(t, s)
	want := play(t, s, x.ID, 3)
	good := filepath.Join(t.TempDir(), "good")
	if _, err := s.Backup(ctx, good); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(ctx, s.Path(), filepath.Join(t.TempDir(), "n"), false, false); err == nil || !strings.Contains(err.Error(), "not a backup") {
		t.Errorf("restore from the file of a running store: %v", err)
	}
	s.Close()
	whole, _ := os.ReadFile(good)
	bad := filepath.Join(t.TempDir(), "bad")
	os.WriteFile(bad, whole[:len(whole)/2], 0o600)
	tamper(t, src, "UPDATE events SET body = zeroblob(80) WHERE seq = 4")
	damaged := filepath.Join(src, fileName)

	// A store with other data that must survive whatever happens.
	dst := t.TempDir()
	d := openT(t, dst)
	y := newExam(t, d)
	kept := play(t, d, y.ID, 2)
	d.Close()

	for name, c := range map[string]struct {
		file      string
		overwrite bool
		want      string
	}{
		"no such file":  {filepath.Join(src, "none"), true, "no such file"},
		"a folder":      {src, true, "no such file"},
		"half a file":   {bad, true, "damaged"},
		"damaged log":   {damaged, true, "event 4"},
		"over existing": {good, false, "--overwrite"},
	} {
		if _, err := Restore(ctx, c.file, dst, c.overwrite, false); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		d := openT(t, dst)
		if got, err := collect(d, y.ID); err != nil || !reflect.DeepEqual(got, kept) {
			t.Fatalf("%s: the present data were touched: %v", name, err)
		}
		d.Close()
	}
	if rep, err := Restore(ctx, damaged, filepath.Join(t.TempDir(), "n"), false, true); err != nil || len(rep.Problems) != 1 {
		t.Errorf("damaged backup, asked for: %+v %v", rep, err)
	}

	for range 2 { // the second time over the restored one
		if _, err := Restore(ctx, good, dst, true, false); err != nil {
			t.Fatal(err)
		}
		d = openT(t, dst)
		if got, err := collect(d, x.ID); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("restored %d events, %v", len(got), err)
		}
		d.Close()
	}
	aside, err := openReader(ctx, filepath.Join(dst, fileName+".before-restore-1"), "mode=ro&immutable=1", keySource{path: KeyFile(dst) + ".before-restore-1"})
	if err != nil {
		t.Fatal(err)
	}
	defer aside.Close()
	if got, err := collect(aside, y.ID); err != nil || !reflect.DeepEqual(got, kept) {
		t.Errorf("the former data beside it: %d events, %v", len(got), err)
	}
	if _, err := os.Stat(filepath.Join(dst, fileName+".before-restore-2")); err != nil {
		t.Error(err)
	}
}

// Damage is copied and told: the copy may be all that will be left.
func TestBackupOfDamagedStore(t *testing.T) {
	dir := t.TempDir()
	s := openT(t, dir)
	x := newExam(t, s)
	play(t, s, x.ID, 2)
	s.Close()
	tamper(t, dir, "DELETE FROM events WHERE seq = 5")
	s = openT(t, dir)
	f := filepath.Join(t.TempDir(), "copy")
	if rep, err := s.Backup(ctx, f); err != nil || len(rep.Problems) != 1 || rep.Events != 15 {
		t.Errorf("%+v %v", rep, err)
	}
	if _, err := os.Stat(f); err != nil {
		t.Error(err)
	}
}
