package store

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"leadsman/practice"
)

// A voice profile is kept with its examiner, replaced by the next one, and gone from the disk when it is erased.
func TestVoices(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s, err := Open(ctx, dir, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ann, err := s.PutPerson(ctx, Person{Name: "Ann Tidewell", Roles: practice.Roles()})
	if err != nil {
		t.Fatal(err)
	}
	profile := func(seed uint64) []byte { // larger than a page, so that it lies in pages of its own
		rng := rand.New(rand.NewPCG(seed, 7))
		b := make([]byte, 40_000)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		return b
	}
	// left counts the places on the disk that hold any piece of a profile.
	left := func(p []byte) (n int) {
		t.Helper()
		files, err := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			data, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			for at := 0; at+32 <= len(p); at += 512 {
				n += bytes.Count(data, p[at:at+32])
			}
		}
		return n
	}
	first, second := profile(1), profile(2)
	if _, err := s.PutVoice(ctx, Voice{Examiner: "nobody", Profile: first}); !errors.Is(err, ErrNotFound) {
		t.Errorf("voice of nobody: %v", err)
	}
	for _, bad := range [][]byte{nil, make([]byte, maxVoice+1)} {
		if _, err := s.PutVoice(ctx, Voice{Examiner: ann.ID, Profile: bad}); !errors.Is(err, ErrInvalid) {
			t.Errorf("profile of %d bytes: %v", len(bad), err)
		}
	}
	if _, err := s.Voice(ctx, ann.ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("no voice yet: %v", err)
	}
	var sealed [2][]byte // as they stand in the file
	for i, p := range [][]byte{first, second} {
		if _, err := s.PutVoice(ctx, Voice{Examiner: ann.ID, Engine: "ctc 01234567", Report: `{"words":3}`, Profile: p}); err != nil {
			t.Fatal(err)
		}
		if err := s.r.QueryRow("SELECT profile FROM voices").Scan(&sealed[i]); err != nil {
			t.Fatal(err)
		}
	}
	v, err := s.Voice(ctx, ann.ID)
	if err != nil || !bytes.Equal(v.Profile, second) || v.Engine != "ctc 01234567" || v.Report != `{"words":3}` || time.Since(v.Created) > time.Minute {
		t.Errorf("voice %+v, %v", v, err)
	}
	if n := left(first) + left(second); n > 0 {
		t.Errorf("%d pieces of profiles stand on the disk in clear", n)
	}
	if left(sealed[1]) == 0 {
		t.Fatal("the profile is nowhere on the disk: this test would find nothing")
	}
	if err := s.EraseVoice(ctx, ann.ID); err != nil {
		t.Fatal(err)
	}
	if n := left(sealed[0]) + left(sealed[1]); n > 0 {
		t.Errorf("%d pieces of erased profiles are still on the disk", n)
	}
	if _, err := s.Voice(ctx, ann.ID); !errors.Is(err, ErrNotFound) {
		t.Errorf("after erasing: %v", err)
	}
	if err := s.EraseVoice(ctx, ann.ID); err != nil {
		t.Errorf("nothing to erase: %v", err)
	}

	// A reader that holds an old state of the file: said, and ended by erasing again.
	if _, err := s.PutVoice(ctx, Voice{Examiner: ann.ID, Profile: first}); err != nil {
		t.Fatal(err)
	}
	tx, err := s.r.BeginTx(ctx, nil)
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM voices").Scan(&n); err != nil || n != 1 {
		t.Fatal(n, err)
	}
	if _, err := s.w.Exec("PRAGMA busy_timeout = 10"); err != nil {
		t.Fatal(err)
	}
	if err := s.EraseVoice(ctx, ann.ID); err == nil {
		t.Error("erased although a reader holds the old state")
	}
	tx.Rollback()
	if err := s.EraseVoice(ctx, ann.ID); err != nil {
		t.Error(err)
	}
	if n := left(first); n > 0 {
		t.Errorf("%d pieces are left", n)
	}
}
