package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"leadsman/practice"
)

// runProgram lists the programs that are let in by a key, makes a key and withdraws one, also while the service runs.
func runProgram(args []string, stdout, stderr io.Writer) int {
	fs := flags("program", stderr)
	f := addDataFlags(fs, defaultData())
	scopes := fs.String("scopes", "", "for make: what the key opens, separated by commas")
	ends := fs.String("ends", "", "for make: last day, YYYY-MM-DD (default: no end)")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	form := strings.Join(rest[:min(len(rest), 1)], "")
	if want, ok := map[string]int{"list": 1, "make": 2, "withdraw": 2}[form]; !ok || len(rest) != want {
		return fail(stderr, exitInput, "program takes list, make NAME --scopes SCOPE,..., or withdraw ID")
	}
	ctx, stop := untilInterrupted()
	defer stop()
	st, err := f.change(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "program: %v", err)
	}
	defer st.Close()
	p := practice.New(practice.Config{Records: st, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	switch form {
	case "make":
		x := practice.Program{Name: rest[1], Ends: *ends}
		for _, s := range strings.FieldsFunc(*scopes, func(r rune) bool { return r == ',' || r == ' ' }) {
			x.Scopes = append(x.Scopes, practice.Scope(s))
		}
		x, key, err := p.AddProgram(context.WithoutCancel(ctx), x)
		if err != nil {
			return fail(stderr, storeStatus(err), "program: %v", err)
		}
		fmt.Fprintf(stdout, "%s\n", key)
		fmt.Fprintf(stderr, "the key of %q (%s), shown this once; programs send it as  Authorization: Bearer KEY\n", x.Name, x.ID)
	case "withdraw":
		if err := p.WithdrawProgram(context.WithoutCancel(ctx), rest[1]); err != nil {
			return fail(stderr, storeStatus(err), "program: %v", err)
		}
		fmt.Fprintln(stdout, "withdrawn; it lets nobody in any more")
	default:
		all, err := p.Programs(ctx)
		if err != nil {
			return fail(stderr, storeStatus(err), "program: %v", err)
		}
		for _, x := range all {
			fmt.Fprintf(stdout, "%s\t%s\t%s\t%s\n", x.ID, x.Name, scopeList(x.Scopes), programState(x))
		}
	}
	return exitOK
}

func scopeList(scopes []practice.Scope) string {
	out := make([]string, len(scopes))
	for i, s := range scopes {
		out[i] = string(s)
	}
	return strings.Join(out, ",")
}

func programState(p practice.Program) string {
	out := "never used"
	if p.Used != "" {
		out = "used on " + p.Used
	}
	if p.Ends != "" {
		out += ", until " + p.Ends
	}
	if !p.Withdrawn.IsZero() {
		out = "withdrawn on " + p.Withdrawn.Format(time.DateOnly)
	}
	return out
}
