package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"leadsman/practice"
	"leadsman/report"
	"leadsman/store"
)

// runPatient lists, exports and erases what is kept of one patient. What only reads works while the service runs; for what changes something
// the service is stopped, or its pages do it.
func runPatient(args []string, stdout, stderr io.Writer) int {
	fs := flags("patient", stderr)
	f := addDataFlags(fs, defaultData())
	reason := fs.String("reason", "", "erase: why, without the name; stays in the journal")
	despite := fs.Bool("despite-retention", false, "erase: although the record is still to be kept")
	copies := fs.Bool("copies", false, "erase: remove the copies of former times beside the store too")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	ctx, stop := untilInterrupted()
	defer stop()
	does := func(what string, n int) bool { return len(rest) == n && rest[0] == what }
	open := f.look
	if does("erase", 2) || does("retention", 2) {
		open = f.change
	}
	st, err := open(ctx)
	if errors.Is(err, store.ErrLocked) {
		err = fmt.Errorf("%w; or leave it running and do this on its pages: an administrator erases on the patient's page, under The record, and sets how long records are kept under Settings", err)
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "patient: %v", err)
	}
	defer st.Close()
	ctx = console(ctx)
	switch {
	case does("list", 1), does("list", 2):
		err = listPatients(ctx, st, strings.Join(rest[1:], ""), stdout, stderr)
	case does("export", 3):
		err = exportPatient(ctx, st, rest[1], rest[2], stdout, stderr)
	case does("erase", 2):
		var got practice.Erased
		if got, err = practice.EraseRecords(ctx, st, rest[1], practice.Erase{Reason: *reason, Despite: *despite, Copies: *copies}, time.Now()); err == nil {
			fmt.Fprintf(stdout, "erased: %s, %s, %s. Backups made before still hold them: remove those when their time is over.\n",
				count(uint64(got.Exams), "exam"), count(got.Events, "event"), count(uint64(got.Clips), "sound clip"))
			for _, c := range got.Copies {
				fmt.Fprintf(stdout, "still holds data of former times: %s (--copies removes it)\n", c)
			}
		}
	case does("retention", 1):
		var years int
		if years, err = practice.Retention(ctx, st); err == nil {
			fmt.Fprintf(stdout, "records are kept for %s after the last signed exam\n", count(uint64(years), "year"))
		}
	case does("retention", 2):
		var years int
		if years, err = strconv.Atoi(rest[1]); err == nil {
			err = practice.SetRetention(ctx, st, years)
		} else {
			err = fmt.Errorf("retention %q: write a number of years: %w", rest[1], store.ErrInvalid)
		}
	default:
		return fail(stderr, exitInput, "patient takes one of: list [SEARCH], export ID FILE.zip, erase ID --reason TEXT, retention [YEARS]")
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "patient: %v", err)
	}
	return exitOK
}

func listPatients(ctx context.Context, st *store.Store, search string, stdout, stderr io.Writer) error {
	ps, err := st.Patients(ctx, search)
	for _, p := range ps {
		fmt.Fprintf(stdout, "%s  %s  %s  %s\n", p.ID, p.Name, p.Born, p.Number)
	}
	return errors.Join(err, noted(st.Note(ctx, "patients.listed", "", ""), stderr))
}

func exportPatient(ctx context.Context, st *store.Store, id, path string, stdout, stderr io.Writer) error {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s: %w: choose another name", path, store.ErrExists)
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), ".leadsman-export-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	err = report.Dossier(ctx, tmp, st, version(), id)
	if err = errors.Join(err, tmp.Sync(), tmp.Close()); err != nil {
		return err
	}
	if err := noted(st.Note(ctx, "patient.exported", id, "all"), stderr); err != nil {
		return err
	}
	if err := os.Rename(tmp.Name(), path); err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%s: exported. It is not encrypted: hand it over or delete it.\n", path)
	return nil
}
