package practice

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"time"
)

// Entry is a line of the journal: who did what to whose record. The numbers give the order, whatever the clock said.
type Entry struct {
	N       int64     `json:"n"`
	Time    time.Time `json:"time"`
	Back    bool      `json:"clock_back,omitempty"` // the clock stood before that of the entry before
	Who     string    `json:"who,omitempty"`        // "": nobody had signed in, or the tool itself
	What    string    `json:"what"`                 // such as "patient.changed"
	Table   string    `json:"table,omitempty"`      // of the row that was changed, with Key
	Key     string    `json:"key,omitempty"`
	Patient string    `json:"patient,omitempty"` // whom it concerns
	Detail  string    `json:"detail,omitempty"`
	Erased  bool      `json:"erased,omitempty"` // the detail went when the patient's data were erased
}

type whoKey struct{}

// By gives a context whose changes are journalled as those of a person (the id of an account).
func By(ctx context.Context, who string) context.Context {
	return context.WithValue(ctx, whoKey{}, who)
}

// Who is the person of a context, "" for none.
func Who(ctx context.Context) string {
	who, _ := ctx.Value(whoKey{}).(string)
	return who
}

// JournalQuery picks entries; what is empty picks all.
type JournalQuery struct {
	Patient  string
	Who      string
	What     string    // the beginning of it: "patient" picks "patient.changed" too
	Text     string    // somewhere in the entry, whatever the case
	From, To time.Time // From inclusive, To exclusive
	Before   int64     // entries with smaller numbers
	Limit    int
}

// Days sets From and To by days such as 2026-03-28, the last one included; "" is any.
func (q *JournalQuery) Days(from, to string) error {
	for _, d := range []struct {
		text string
		to   *time.Time
		add  int
	}{{from, &q.From, 0}, {to, &q.To, 1}} {
		if d.text == "" {
			continue
		}
		t, err := time.ParseInLocation(time.DateOnly, d.text, time.Local)
		if err != nil {
			return fmt.Errorf("day %q: write it as 2026-03-28: %w", d.text, ErrInvalid)
		}
		*d.to = t.AddDate(0, 0, d.add)
	}
	return nil
}

// WriteJournal writes entries as a table with commas.
func WriteJournal(w io.Writer, es []Entry) error {
	out := csv.NewWriter(w)
	out.Write([]string{"n", "time", "clock_back", "who", "what", "table", "key", "patient", "detail", "erased"})
	for _, e := range es {
		out.Write([]string{strconv.FormatInt(e.N, 10), e.Time.UTC().Format(time.RFC3339Nano), strconv.FormatBool(e.Back), Cell(e.Who), Cell(e.What), Cell(e.Table),
			Cell(e.Key), Cell(e.Patient), Cell(e.Detail), strconv.FormatBool(e.Erased)})
	}
	out.Flush()
	return out.Error()
}
