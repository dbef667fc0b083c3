package main

import (
	"context"
	"testing"
	"time"

	"leadsman/report"
	"leadsman/store"
)

// inventedSource is the invented practice as reports get it.
func inventedSource(t *testing.T) (report.Source, *store.Store) {
	t.Helper()
	now := time.Date(2026, 11, 2, 9, 30, 0, 0, time.UTC)
	st, err := store.Open(context.Background(), t.TempDir(), func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	if err := invent(context.Background(), st, now); err != nil {
		t.Fatal(err)
	}
	return report.From(st, "test"), st
}
