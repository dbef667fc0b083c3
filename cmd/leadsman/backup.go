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

	"leadsman/practice"
	"leadsman/store"
)

// storeStatus is the exit status for an error of the store: the input is at fault if it names what
// is not there, is taken, or is damaged; the tool (or its disk) is if it cannot read or write.
func storeStatus(err error) int {
	for _, is := range []error{store.ErrNotFound, store.ErrExists, store.ErrInvalid, store.ErrDamaged, store.ErrNewer, store.ErrLocked, store.ErrKey, practice.ErrKept} {
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
	f := addDataFlags(fs, defaultData())
	var to several
	fs.Var(&to, "to", "encrypt the copy for this age recipient (age1...); may be given more than once")
	passphraseFile := fs.String("passphrase-file", "", "encrypt the copy with the passphrase in this file")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 1 {
		return fail(stderr, exitInput, "backup takes one FILE, got %q too", rest[1])
	}
	whom, err := recipients(to, *passphraseFile)
	if err != nil {
		return fail(stderr, exitInput, "backup: %v", err)
	}
	name := "leadsman-" + time.Now().Format("20060102-150405") + ".backup"
	if len(whom) > 0 {
		name += ".age"
	}
	path := name
	if len(rest) == 1 {
		path = rest[0]
		if fi, err := os.Stat(path); err == nil && fi.IsDir() {
			path = filepath.Join(path, name)
		}
	}
	ctx, stop := untilInterrupted()
	defer stop()
	st, err := f.look(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "backup: %v", err)
	}
	defer st.Close()
	rep, err := st.Backup(ctx, path, whom...)
	if err == nil {
		err = noted(st.Note(console(ctx), "store.copied", "", path), stderr)
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "backup: %v", err)
	}
	how := "It holds patient data and the key to them, and is not encrypted: keep it where only the practice can read it, or encrypt it (--to, --passphrase-file)."
	if len(whom) > 0 {
		how = "It is encrypted and holds the key of the data: whoever can decrypt it can restore all."
	}
	fmt.Fprintf(stdout, "%s: %s, read back and checked. %s\n", path, held(rep), how)
	if len(rep.Problems) > 0 {
		problems(stderr, rep)
		return fail(stderr, exitInput, "the store is damaged and so is this copy; keep earlier copies")
	}
	return exitOK
}

// runRestore makes a store from a copy.
func runRestore(args []string, stdout, stderr io.Writer) int {
	fs := flags("restore", stderr)
	f := addDataFlags(fs, defaultData())
	id := addIdentityFlags(fs)
	overwrite := fs.Bool("overwrite", false, "put the copy in the place of data that are there; those are kept under another name")
	damaged := fs.Bool("damaged", false, "restore a damaged copy as far as it goes")
	rehearse := fs.Bool("rehearse", false, "only try it: restore the copy into a folder of its own, open and check all of it, and remove that again")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) != 1 {
		return fail(stderr, exitInput, "restore takes one FILE, a copy that leadsman backup made")
	}
	opts, err := id.options()
	if err != nil {
		return fail(stderr, exitInput, "restore: %v", err)
	}
	ctx, stop := untilInterrupted()
	defer stop()
	if f.database != "" {
		return fail(stderr, exitInput, "restore makes a data folder, not a database of PostgreSQL: pg_restore, or what your server's backups need, brings one back (docs/records.md)")
	}
	if *rehearse {
		return rehearsal(ctx, rest[0], opts, stdout, stderr)
	}
	rep, err := store.Restore(ctx, rest[0], f.data, *overwrite, *damaged, append(opts, f.options()...)...)
	if err != nil {
		return fail(stderr, storeStatus(err), "restore: %v", err)
	}
	problems(stderr, rep)
	fmt.Fprintf(stdout, "%s: restored %s from %s\n", f.data, held(rep), rest[0])
	return exitOK
}

// rehearsal restores a copy where it harms nothing, and checks what has become of it as one would after a loss.
func rehearsal(ctx context.Context, copied string, opts []store.Option, stdout, stderr io.Writer) int {
	dir, err := os.MkdirTemp("", "leadsman-rehearsal-*")
	if err != nil {
		return fail(stderr, exitTool, "restore: %v: there must be room for the restored data: set TMPDIR to a folder that has it", err)
	}
	defer os.RemoveAll(dir)
	began := time.Now()
	data := filepath.Join(dir, "data")
	opts = append(opts, store.WithKey(filepath.Join(dir, "key")))
	if _, err := store.Restore(ctx, copied, data, false, false, opts...); err != nil {
		return fail(stderr, storeStatus(err), "restore: the rehearsal failed: %v", err)
	}
	took := time.Since(began)
	st, err := store.Open(ctx, data, time.Now, opts...)
	if err != nil {
		return fail(stderr, storeStatus(err), "restore: the rehearsal failed: %v", err)
	}
	defer st.Close()
	rep, err := st.Verify(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "restore: the rehearsal failed: %v", err)
	}
	problems(stderr, rep)
	if len(rep.Problems) > 0 {
		return fail(stderr, exitInput, "%s: restored in the rehearsal with %s", copied, count(uint64(len(rep.Problems)), "problem"))
	}
	a, err := st.Anchor(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "restore: %v", err)
	}
	fmt.Fprintf(stdout, "%s: rehearsed: restored in %s, %s, all intact; its journal ends with entry %d. Nothing was kept of it.\n", copied, took.Round(100*time.Millisecond), held(rep), a.N)
	return exitOK
}

// runVerify checks a store or a copy, saves what is intact of damaged exams and accepts what was found if asked to.
func runVerify(args []string, stdout, stderr io.Writer) int {
	fs := flags("verify", stderr)
	f := addDataFlags(fs, defaultData())
	id := addIdentityFlags(fs)
	salvage := fs.Bool("salvage", false, "save what is intact of each damaged exam as a new exam (the service must be stopped)")
	accept := fs.String("accept", "", "keep the data as they are in spite of what was found, for this REASON (the service must be stopped)")
	anchor := fs.String("anchor", "", "check the journal against anchors of former days: a file with one a line, or one in quotes")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 1 || (*salvage || *accept != "") && len(rest) > 0 {
		return fail(stderr, exitInput, "verify takes at most one FILE, and with --salvage or --accept none: restore the copy first")
	}
	var held0 []store.Anchor
	opts, err := id.options()
	if err == nil && *anchor != "" {
		held0, err = anchors(*anchor)
	}
	if err != nil {
		return fail(stderr, exitInput, "verify: %v", err)
	}
	opts = append(opts, f.options()...)
	ctx, stop := untilInterrupted()
	defer stop()
	what := f.place()
	var rep store.Report
	if len(rest) == 1 {
		what = rest[0]
		rep, err = store.VerifyFile(ctx, what, append(opts, store.WithAnchors(held0...))...)
	} else {
		rep, err = verifyData(ctx, f, held0)
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "verify: %v", err)
	}
	for _, n := range rep.Notes {
		fmt.Fprintf(stdout, "settled before: %s\n", n)
	}
	if len(rep.Problems) == 0 {
		fmt.Fprintf(stdout, "%s: %s, all intact; the journal has %d entries\n", what, held(rep), rep.Entries)
		return exitOK
	}
	problems(stderr, rep)
	if *salvage {
		if err := salvageAll(ctx, f, rep, stdout, stderr); err != nil {
			return fail(stderr, storeStatus(err), "verify: %v", err)
		}
	}
	if *accept != "" {
		if err := acceptAll(ctx, f, *accept, stdout); err != nil {
			return fail(stderr, storeStatus(err), "verify: %v", err)
		}
		return exitOK
	}
	return fail(stderr, exitInput, "%s: %s intact, %s found", what, held(rep), count(uint64(len(rep.Problems)), "problem"))
}

func verifyData(ctx context.Context, f *dataFlags, as []store.Anchor) (store.Report, error) {
	st, err := f.look(ctx)
	if err != nil {
		return store.Report{}, err
	}
	defer st.Close()
	return st.Verify(ctx, as...)
}

// salvageAll saves what can be saved; an exam of which nothing can be read keeps no other from being saved.
func salvageAll(ctx context.Context, f *dataFlags, rep store.Report, stdout, stderr io.Writer) error {
	st, err := f.change(ctx)
	if err != nil {
		return err
	}
	defer st.Close()
	for _, p := range rep.Problems {
		var ce *store.CorruptError
		if !errors.As(p, &ce) {
			continue
		}
		x, err := st.Salvage(console(ctx), ce.Exam)
		if err != nil {
			fmt.Fprintf(stderr, "leadsman: %v\n", err)
			continue
		}
		fmt.Fprintf(stdout, "exam %s: saved as exam %s (%s)\n", ce.Exam, x.ID, x.Title)
	}
	return nil
}

// acceptAll keeps the data as they are.
func acceptAll(ctx context.Context, f *dataFlags, reason string, stdout io.Writer) error {
	st, err := f.change(ctx)
	if err != nil {
		return err
	}
	defer st.Close()
	n, err := st.Accept(console(ctx), reason)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "accepted as they are: %s; the journal says so, with the reason\n", count(uint64(n), "record"))
	return nil
}

// noted lets a command go on that only reads where nothing can be written: a copy is the way out of a full disk, and one that is mounted
// read-only is looked into because something is wrong. It is said.
func noted(err error, stderr io.Writer) error {
	if !store.Unwritable(err) {
		return err
	}
	fmt.Fprintf(stderr, "leadsman: this is not in the journal, which cannot be written: %v\n", err)
	return nil
}
