package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"filippo.io/age"
	"golang.org/x/term"

	"leadsman/practice"
	"leadsman/store"
)

// dataFlags say where the data lie and how they are opened.
type dataFlags struct {
	data, keyFile string
	database      string // address of a database of PostgreSQL; "": the data lie in the folder
	stderr        io.Writer
}

func addDataFlags(fs *flag.FlagSet, data string) *dataFlags {
	f := &dataFlags{stderr: fs.Output()}
	fs.StringVar(&f.data, "data", data, "folder of the data")
	fs.StringVar(&f.keyFile, "key", os.Getenv("LEADSMAN_KEY"), "key file of the data (default: the folder's name with .key, beside it)")
	fs.Func("store", "database of PostgreSQL with the data, postgres://USER@HOST:PORT/DATABASE (default: LEADSMAN_STORE, else a file in the folder)", func(v string) error {
		f.database = v
		return nil
	})
	f.database = os.Getenv("LEADSMAN_STORE")
	return f
}

// place says where the data lie. It holds no password.
func (f *dataFlags) place() string {
	if f.database == "" {
		return f.data
	}
	return store.Address(f.database)
}

func (f *dataFlags) options() []store.Option {
	return []store.Option{store.WithKey(f.keyFile), store.WithDatabase(f.database), store.WithPassphrase(func() (string, error) {
		if file := os.Getenv("LEADSMAN_PASSPHRASE_FILE"); file != "" {
			return passphraseOf(file)
		}
		return ask(f.stderr, "Passphrase of the key file: ")
	})}
}

// passphraseOf is the first line of a file.
func passphraseOf(file string) (string, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	line, _, _ := strings.Cut(string(b), "\n")
	if line = strings.TrimSuffix(line, "\r"); line == "" {
		return "", fmt.Errorf("%s: the first line is empty: write the passphrase there", file)
	}
	return line, nil
}

// ask asks at the terminal.
func ask(w io.Writer, question string) (string, error) {
	in := int(os.Stdin.Fd())
	if !term.IsTerminal(in) {
		return "", errors.New("there is no terminal to ask at")
	}
	fmt.Fprint(w, question)
	b, err := term.ReadPassword(in)
	fmt.Fprintln(w)
	return string(b), err
}

// look opens the data to look on.
func (f *dataFlags) look(ctx context.Context) (*store.Store, error) {
	return store.OpenReadOnly(ctx, f.data, f.options()...)
}

// change opens the data to change them.
func (f *dataFlags) change(ctx context.Context) (*store.Store, error) {
	return store.Open(ctx, f.data, time.Now, f.options()...)
}

// console is who the journal names for what is done on the command line.
func console(ctx context.Context) context.Context { return practice.By(ctx, "command line") }

// runAnchor prints the end of the journal.
func runAnchor(args []string, stdout, stderr io.Writer) int {
	fs := flags("anchor", stderr)
	f := addDataFlags(fs, defaultData())
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 0 {
		return fail(stderr, exitInput, "anchor takes no further arguments, got %q", rest[0])
	}
	ctx, stop := untilInterrupted()
	defer stop()
	st, err := f.look(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "anchor: %v", err)
	}
	defer st.Close()
	a, err := st.Anchor(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "anchor: %v", err)
	}
	fmt.Fprintln(stdout, a)
	return exitOK
}

// anchors reads the anchors of a file, a line each, or the one that the argument is.
func anchors(arg string) (as []store.Anchor, err error) {
	text := arg
	if !strings.HasPrefix(arg, "leadsman-anchor") {
		b, err := os.ReadFile(arg)
		if err != nil {
			return nil, fmt.Errorf("%w: name a file with anchors, or give one in quotes", err)
		}
		text = string(b)
	}
	lines := bufio.NewScanner(strings.NewReader(text))
	for n := 1; lines.Scan(); n++ {
		if strings.TrimSpace(lines.Text()) == "" {
			continue
		}
		a, err := store.ParseAnchor(lines.Text())
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", n, err)
		}
		as = append(as, a)
	}
	if len(as) == 0 {
		return nil, fmt.Errorf("%s: no anchor in it", arg)
	}
	return as, lines.Err()
}

// runJournal searches the journal.
func runJournal(args []string, stdout, stderr io.Writer) int {
	fs := flags("journal", stderr)
	f := addDataFlags(fs, defaultData())
	var q practice.JournalQuery
	fs.StringVar(&q.Patient, "patient", "", "what concerns a patient (the id)")
	fs.StringVar(&q.Who, "who", "", "what a person did (the id of the account)")
	fs.StringVar(&q.What, "what", "", "how the kind of entry begins, such as patient or patient.read")
	fs.StringVar(&q.Text, "text", "", "words somewhere in the entry")
	fs.IntVar(&q.Limit, "limit", 0, "at most so many (0: all)")
	from := fs.String("from", "", "from a day on, such as 2026-03-28")
	to := fs.String("to", "", "up to a day, that day included")
	asJSON := fs.Bool("json", false, "one JSON object a line")
	asCSV := fs.Bool("csv", false, "a table with commas")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	err := q.Days(*from, *to)
	if len(rest) > 0 {
		err = fmt.Errorf("no further arguments are taken, got %q", rest[0])
	}
	if err != nil {
		return fail(stderr, exitInput, "journal: %v", err)
	}
	ctx, stop := untilInterrupted()
	defer stop()
	st, err := f.look(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "journal: %v", err)
	}
	defer st.Close()
	if err := noted(st.Note(console(ctx), "journal.read", q.Patient, ""), stderr); err != nil {
		return fail(stderr, storeStatus(err), "journal: %v", err)
	}
	es, err := st.Journal(ctx, q)
	if err == nil {
		switch {
		case *asJSON:
			enc := json.NewEncoder(stdout)
			for _, e := range es {
				err = errors.Join(err, enc.Encode(e))
			}
		case *asCSV:
			err = practice.WriteJournal(stdout, es)
		default:
			for _, e := range es {
				fmt.Fprintln(stdout, journalLine(e))
			}
		}
	}
	if err != nil {
		return fail(stderr, storeStatus(err), "journal: %v", err)
	}
	return exitOK
}

func journalLine(e practice.Entry) string {
	parts := []string{fmt.Sprintf("%6d  %s", e.N, e.Time.Format(time.DateTime)), e.What}
	if e.Back {
		parts[0] += " (clock set back)"
	}
	for _, p := range [][2]string{{"by", e.Who}, {"patient", e.Patient}, {e.Table, e.Key}} {
		if p[1] != "" {
			parts = append(parts, p[0]+" "+p[1])
		}
	}
	if e.Detail != "" {
		parts = append(parts, strconv.Quote(e.Detail))
	}
	if e.Erased {
		parts = append(parts, "(detail erased)")
	}
	return strings.Join(parts, "  ")
}

// runKey shows the key file, and protects it by a passphrase or lays it open.
func runKey(args []string, stdout, stderr io.Writer) int {
	fs := flags("key", stderr)
	f := addDataFlags(fs, defaultData())
	show := fs.Bool("show", false, "print the key itself, to be kept on paper in a safe place")
	protect := fs.String("protect", "", "protect the key file by the passphrase in this FILE (- asks for it)")
	open := fs.Bool("open", false, "take the passphrase off the key file")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 0 || *open && *protect != "" {
		return fail(stderr, exitInput, "key takes one of --show, --protect FILE and --open, and no further arguments")
	}
	opts := f.options()
	pass := ""
	var err error
	if *protect == "-" {
		if pass, err = ask(stderr, "New passphrase: "); err == nil && pass == "" {
			err = errors.New("the passphrase is empty")
		}
		if err == nil {
			var again string
			if again, err = ask(stderr, "Once more: "); err == nil && again != pass {
				err = errors.New("the two differ; nothing was changed")
			}
		}
	} else if *protect != "" {
		pass, err = passphraseOf(*protect)
	}
	if err != nil {
		return fail(stderr, exitInput, "key: %v", err)
	}
	if *protect != "" || *open {
		if err := store.ProtectKey(f.data, pass, opts...); err != nil {
			return fail(stderr, storeStatus(err), "key: %v", err)
		}
		fmt.Fprintln(stdout, "done; a former copy of the key file opens the data as before")
		return exitOK
	}
	k, err := store.ReadKey(f.data, opts...)
	if err != nil {
		return fail(stderr, storeStatus(err), "key: %v", err)
	}
	how := "not protected by a passphrase"
	if k.Protected {
		how = "protected by a passphrase"
	}
	fmt.Fprintf(stdout, "%s: key %s, %s. Without it the records cannot be read: keep a copy away from this computer.\n", k.Path, k.ID, how)
	if *show {
		fmt.Fprintln(stdout, k.Words)
	}
	return exitOK
}

// recipients are whom a backup is encrypted for.
func recipients(to []string, passphraseFile string) ([]age.Recipient, error) {
	var out []age.Recipient
	for _, t := range to {
		rs, err := age.ParseRecipients(strings.NewReader(t))
		if err != nil {
			return nil, fmt.Errorf("--to %q: a recipient of age is wanted, such as age1... : %v", t, err)
		}
		out = append(out, rs...)
	}
	if passphraseFile != "" {
		if len(out) > 0 {
			return nil, errors.New("--to and --passphrase-file exclude each other")
		}
		p, err := passphraseOf(passphraseFile)
		if err != nil {
			return nil, err
		}
		r, err := age.NewScryptRecipient(p)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// identityFlags open encrypted backups.
type identityFlags struct{ identity, passphraseFile string }

func addIdentityFlags(fs *flag.FlagSet) *identityFlags {
	f := &identityFlags{}
	fs.StringVar(&f.identity, "identity", "", "file with the age identity that an encrypted backup was made for")
	fs.StringVar(&f.passphraseFile, "passphrase-file", "", "file with the passphrase that a backup was encrypted with")
	return f
}

func (f *identityFlags) options() ([]store.Option, error) {
	var out []store.Option
	if f.identity != "" {
		in, err := os.Open(f.identity)
		if err != nil {
			return nil, err
		}
		defer in.Close()
		ids, err := age.ParseIdentities(in)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.identity, err)
		}
		out = append(out, store.WithIdentities(ids...))
	}
	if f.passphraseFile != "" {
		p, err := passphraseOf(f.passphraseFile)
		if err != nil {
			return nil, err
		}
		id, err := age.NewScryptIdentity(p)
		if err != nil {
			return nil, err
		}
		out = append(out, store.WithIdentities(id))
	}
	return out, nil
}

// several is a flag that may be given more than once.
type several []string

func (s *several) String() string     { return strings.Join(*s, ", ") }
func (s *several) Set(v string) error { *s = append(*s, v); return nil }
