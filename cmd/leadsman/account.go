package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"time"

	"leadsman/practice"
)

// runAccount lists who works here, and gives somebody a new password: for a practice whose administrator has forgotten the own one.
// Whoever may read the data folder and its key may do so; the journal keeps that it was done.
func runAccount(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	fs := flags("account", stderr)
	f := addDataFlags(fs, defaultData())
	set := fs.Bool("password", false, "give NAME the password that stands in one line on the standard input; an empty line takes the password away")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 1 || *set && len(rest) == 0 {
		return fail(stderr, exitInput, "account takes one NAME with --password, or none to list who there is")
	}
	ctx, stop := untilInterrupted()
	defer stop()
	open := f.look
	if *set {
		open = f.change
	}
	st, err := open(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "account: %v", err)
	}
	defer st.Close()
	people, err := st.People(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "account: %v", err)
	}
	if len(rest) == 0 {
		for _, x := range people {
			fmt.Fprintln(stdout, accountLine(x))
		}
		return exitOK
	}
	i := slices.IndexFunc(people, func(x practice.Person) bool { return strings.EqualFold(x.Name, strings.TrimSpace(rest[0])) })
	if i < 0 {
		return fail(stderr, exitInput, "account: nobody is called %q; leadsman account lists who there is", rest[0])
	}
	if !*set {
		fmt.Fprintln(stdout, accountLine(people[i]))
		return exitOK
	}
	line, err := bufio.NewReader(io.LimitReader(stdin, 4096)).ReadString('\n')
	if err != nil && err != io.EOF {
		return fail(stderr, exitInput, "account: read the password: %v", err)
	}
	p := practice.New(practice.Config{Records: st, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	defer p.Close()
	if err := p.People.SetPassword(console(context.WithoutCancel(ctx)), &practice.Seat{}, people[i].ID, strings.TrimRight(line, "\r\n")); err != nil {
		return fail(stderr, storeStatus(err), "account: %v", err)
	}
	fmt.Fprintf(stdout, "the password of %s is changed; sessions of before have ended\n", people[i].Name)
	return exitOK
}

// accountLine is a line of the list; its last column is the id that the journal has.
func accountLine(x practice.Person) string {
	roles := make([]string, len(x.Roles))
	for i, r := range x.Roles {
		roles[i] = string(r)
	}
	return strings.Join([]string{x.Name, strings.Join(roles, ", "), accountState(x), x.ID}, "\t")
}

func accountState(p practice.Person) string {
	switch {
	case p.Retired:
		return "no longer here"
	case p.Password:
		return "password"
	}
	return "no password"
}
