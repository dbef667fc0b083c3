package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"leadsman/store"
)

// storeStatus is the exit status for an error of the store: the input is at fault if it names what
// is not there, is taken, or is damaged; the tool (or its disk) is if it cannot read or write.
func storeStatus(err error) int {
	for _, is := range []error{store.ErrNotFound, store.ErrExists, store.ErrInvalid, store.ErrDamaged, store.ErrNewer, store.ErrLocked} {
		if errors.Is(err, is) {
			return exitInput
		}
	}
	return exitTool
}

// held says what a store or a copy holds.
func held(r store.Report) string {
	return fmt.Sprintf("%s, %s, %s", count(uint64(r.Patients), "patient"), count(uint64(r.Exams), "exam"), count(r.Events, "event"))
}

func count(n uint64, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

// problems prints what a check found, a line each.
func problems(stderr io.Writer, r store.Report) {
	for _, p := range r.Problems {
		fmt.Fprintf(stderr, "leadsman: %v\n", p)
	}
}

// untilInterrupted is a context that ends with Ctrl-C, so that half-made copies are cleaned up.
func untilInterrupted() (context.Context, context.CancelFunc) {
	return signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
}

// runBackup copies the store, also while the service runs.
func runBackup(args []string, stdout, stderr io.Writer) int {
	fs := flags("backup", stderr)
	data := fs.String("data", defaultData(), "folder of the data")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 1 {
		return fail(stderr, exitInput, "backup takes one FILE, got %q too", rest[1])
	}
	name := "leadsman-" + time.Now().Format("20060102-150405") + ".backup"
	path := name
	if len(rest) == 1 {
		path = rest[0]
		if fi, err := os.Stat(path); err == nil && fi.IsDir() {
			path = filepath.Join(path, name)
		}
	}
	ctx, stop := untilInterrupted()
	defer stop()
	st, err := store.OpenReadOnly(ctx, *data)
	if err != nil {
		return fail(stderr, storeStatus(err), "backup: %v", err)
	}
	defer st.Close()
	rep, err := st.Backup(ctx, path)
	if err != nil {
		return fail(stderr, storeStatus(err), "backup: %v", err)
	}
	fmt.Fprintf(stdout, "%s: %s, read back and checked. It holds patient data and is not encrypted: keep it where only the practice can read it.\n", path, held(rep))
	if len(rep.Problems) > 0 {
		problems(stderr, rep)
		return fail(stderr, exitInput, "the store is damaged and so is this copy; keep earlier copies")
	}
	return exitOK
}

// runRestore makes a store from a copy.
func runRestore(args []string, stdout, stderr io.Writer) int {
	fs := flags("restore", stderr)
	data := fs.String("data", defaultData(), "folder that the data go to")
	overwrite := fs.Bool("overwrite", false, "put the copy in the place of data that are there; those are kept under another name")
	damaged := fs.Bool("damaged", false, "restore a damaged copy as far as it goes")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) != 1 {
		return fail(stderr, exitInput, "restore takes one FILE, a copy that leadsman backup made")
	}
	ctx, stop := untilInterrupted()
	defer stop()
	rep, err := store.Restore(ctx, rest[0], *data, *overwrite, *damaged)
	if err != nil {
		return fail(stderr, storeStatus(err), "restore: %v", err)
	}
	problems(stderr, rep)
	fmt.Fprintf(stdout, "%s: restored %s from %s\n", *data, held(rep), rest[0])
	return exitOK
}

// runVerify checks a store or a copy, and saves what is intact of damaged exams if asked to.
func runVerify(args []string, stdout, stderr io.Writer) int {
	fs := flags("verify", stderr)
	data := fs.String("data", defaultData(), "folder of the data")
	salvage := fs.Bool("salvage", false, "save the intact beginning of each damaged exam as a new exam (the service must be stopped)")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 1 || *salvage && len(rest) > 0 {
		return fail(stderr, exitInput, "verify takes at most one FILE, and --salvage none: restore the copy first")
	}
	ctx, stop := untilInterrupted()
	defer stop()
	what := *data
	var rep store.Report
	var err error
	if len(rest) == 1 {
		what = rest[0]
		rep, err = store.VerifyFile(ctx, what)
	} else {
		rep, err = verifyData(ctx, *data)
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "verify: %v", err)
	}
	if len(rep.Problems) == 0 {
		fmt.Fprintf(stdout, "%s: %s, all intact\n", what, held(rep))
		return exitOK
	}
	problems(stderr, rep)
	if *salvage {
		if err := salvageAll(ctx, *data, rep, stdout); err != nil {
			return fail(stderr, storeStatus(err), "verify: %v", err)
		}
	}
	return fail(stderr, exitInput, "%s: %s intact, %s found", what, held(rep), count(uint64(len(rep.Problems)), "problem"))
}

func verifyData(ctx context.Context, data string) (store.Report, error) {
	st, err := store.OpenReadOnly(ctx, data)
	if err != nil {
		return store.Report{}, err
	}
	defer st.Close()
	return st.Verify(ctx)
}

func salvageAll(ctx context.Context, data string, rep store.Report, stdout io.Writer) error {
	st, err := store.Open(ctx, data, time.Now)
	if err != nil {
		return err
	}
	defer st.Close()
	for _, p := range rep.Problems {
		var ce *store.CorruptError
		if !errors.As(p, &ce) || ce.Seq < 2 {
			continue
		}
		x, err := st.Salvage(ctx, ce.Exam)
		if err != nil {
			return err
		}
		fmt.Fprintf(stdout, "exam %s: %s saved as exam %s\n", ce.Exam, count(x.Events, "event"), x.ID)
	}
	return nil
}
