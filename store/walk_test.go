package store

import (
	"context"
	"fmt"
	"testing"

	"leadsman/practice"
)

// A walk sees every patient once, over several pages, from any place on.
func TestEachPatient(t *testing.T) {
	s, ctx := openT(t, t.TempDir()), context.Background()
	n := 2*page + 1
	for i := range n {
		if _, err := s.AddPatient(ctx, practice.Patient{ID: fmt.Sprintf("p%05d", i), Name: "Invented"}); err != nil {
			t.Fatal(err)
		}
	}
	for _, from := range []int{-1, 0, page - 1, page, n - 1} {
		after, next := "", from+1
		if from >= 0 {
			after = fmt.Sprintf("p%05d", from)
		}
		for p, err := range s.EachPatient(ctx, after) {
			if err != nil || p.ID != fmt.Sprintf("p%05d", next) {
				t.Fatalf("after %q: %q, want number %d, %v", after, p.ID, next, err)
			}
			next++
		}
		if next != n {
			t.Errorf("after %q: ended before number %d", after, next)
		}
	}
}
