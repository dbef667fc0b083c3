package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"leadsman/store"
)

func isDatabase(place string) bool {
	return strings.HasPrefix(place, "postgres://") || strings.HasPrefix(place, "postgresql://")
}

// runMove moves the data from a folder into a database or back.
func runMove(args []string, stdout, stderr io.Writer) int {
	fs := flags("move", stderr)
	f := addDataFlags(fs, "")
	from := fs.String("from", "", "the data folder, or the database (postgres://...), that holds the data")
	to := fs.String("to", "", "the empty database, or the empty folder, that is to hold them")
	toKey := fs.String("to-key", "", "key file beside the new place (default: the folder's name with .key); the same key is put there")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	switch {
	case len(rest) > 0 || *from == "" || *to == "":
		return fail(stderr, exitInput, "move takes --from and --to, and no further arguments")
	case isDatabase(*from) == isDatabase(*to):
		return fail(stderr, exitInput, "move goes between a folder and a database: name one of each (folders are copied by backup and restore, databases by pg_dump)")
	case f.data == "":
		return fail(stderr, exitInput, "move: name the folder of the node that uses the database with --data: it keeps what the file is not for (leadsman.head, practice.txt)")
	}
	f.database = ""
	source, target := *f, *f
	if isDatabase(*from) {
		source.database, target.data = *from, *to
	} else {
		source.data, target.database = *from, *to
	}
	target.keyFile = *toKey
	ctx, stop := untilInterrupted()
	defer stop()
	st, err := store.Open(console(ctx), source.data, time.Now, source.options()...)
	if err != nil {
		return fail(stderr, storeStatus(err), "move: %v", err)
	}
	defer st.Close()
	rep, err := st.Move(console(ctx), target.data, target.options()...)
	if err != nil {
		problems(stderr, rep)
		return fail(stderr, storeStatus(err), "move: %v", err)
	}
	fmt.Fprintf(stdout, "%s: %s, verified before and after; the journal's %d entries are the same. Start the service there from now on; what is at %s stays as it was.\n",
		target.place(), held(rep), rep.Entries, source.place())
	return exitOK
}
