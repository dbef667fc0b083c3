package main

import (
	"bufio"
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"leadsman/chartfile"
	"leadsman/practice"
	"leadsman/report"
	"leadsman/report/fhir"
	"leadsman/report/paper"
	"leadsman/report/tidy"
	"leadsman/store"
)

// form is a way in which one exam leaves the tool.
type form struct {
	name, file, media string // file: ending of its name
	write             func(w io.Writer, r *report.Record, p printing) error
}

// printing is how what goes on paper is to look.
type printing struct {
	paper    paper.Size
	messages *paper.Messages // of what patients read
	what     string          // visit that a letter is about
}

// printed reads how it is to be printed: what is asked for, else what the practice's settings say.
func printed(ctx context.Context, st interface {
	Settings(ctx context.Context, scope string) (map[string]string, error)
}, data, size, language string) (p printing, err error) {
	head, err := practice.LetterheadOf(ctx, st)
	if err != nil {
		return p, err
	}
	if p.paper, err = paper.ParseSize(cmp.Or(size, head.Paper)); err == nil {
		p.messages, err = paper.Load(messagesIn(data), cmp.Or(language, head.Language))
	}
	if err != nil {
		return p, &inputFault{err.Error()}
	}
	return p, nil
}

// messagesIn is where a practice keeps its own sentences for patients.
func messagesIn(data string) string { return filepath.Join(data, "messages") }

// forms lists them.
func forms() []form {
	return []form{
		{"json", "chart.json", "application/json", func(w io.Writer, r *report.Record, _ printing) error { return chartfile.Encode(w, r.Chart) }},
		{"findings", "findings.json", "application/json", func(w io.Writer, r *report.Record, _ printing) error {
			_, err := w.Write(append(r.Findings.AppendJSON(nil), '\n'))
			return err
		}},
		{"csv", "sites.csv", "text/csv; charset=utf-8", func(w io.Writer, r *report.Record, _ printing) error {
			t, err := tidy.CSV(w, nil)
			if err == nil {
				err = t.Add(r)
			}
			if err != nil {
				return err
			}
			return t.Close()
		}},
		{"fhir", "fhir.json", "application/fhir+json", func(w io.Writer, r *report.Record, _ printing) error { return fhir.Bundle(w, r) }},
		{"pdf", "report.pdf", "application/pdf", func(w io.Writer, r *report.Record, p printing) error { return paper.Clinical(w, r, p.paper) }},
		{"handout", "handout.pdf", "application/pdf", func(w io.Writer, r *report.Record, p printing) error { return paper.Handout(w, r, p.messages, p.paper) }},
		{"page", "page.json", "application/json", func(w io.Writer, r *report.Record, p printing) error {
			return json.NewEncoder(w).Encode(paper.NewPage(r, p.messages).Sheet())
		}},
		{"letter", "letter.pdf", "application/pdf", func(w io.Writer, r *report.Record, p printing) error {
			return asInput(paper.Invite(w, r, p.messages, p.what, p.paper))
		}},
		{"message", "message.txt", "text/plain; charset=utf-8", func(w io.Writer, r *report.Record, p printing) error {
			return asInput(paper.Message(w, r, p.messages, p.what))
		}},
	}
}

func formNames() string {
	var out []string
	for _, f := range forms() {
		out = append(out, f.name)
	}
	return strings.Join(out, "|")
}

// exporting is what the command line of export says.
type exporting struct {
	data                                             *dataFlags
	printing                                         printing
	as, out, patient, from, to, key, sheet, language string
	all, names, pseudonyms, signed                   bool
	veil                                             func(*report.Record) *report.Record // of pseudonyms, if they are asked for
}

func (e *exporting) flags(fs *flag.FlagSet) {
	fs.StringVar(&e.as, "as", "", "form: "+formNames()+", and for many exams "+manyForms)
	fs.StringVar(&e.out, "out", "", "file, or for many exams the folder, to write to (default for one exam: standard output)")
	fs.StringVar(&e.patient, "patient", "", "all exams of the patient with this id or file number")
	fs.BoolVar(&e.all, "all", false, "all exams of the practice")
	fs.BoolVar(&e.names, "names", false, "for many exams: with names, file numbers and birth dates")
	fs.BoolVar(&e.pseudonyms, "pseudonyms", false, "pseudonyms instead of people, days moved")
	fs.StringVar(&e.key, "research-key", "", "file of the secret that pseudonyms are made with (default: research.key in the data folder, made when it is missing)")
	fs.BoolVar(&e.signed, "signed", false, "for many exams: only signed ones")
	fs.StringVar(&e.from, "from", "", "for many exams: from this day on, YYYY-MM-DD")
	fs.StringVar(&e.to, "to", "", "for many exams: up to this day")
	fs.StringVar(&e.sheet, "paper", "", "for pdf and handout: a4 or letter (default: what the practice's settings say)")
	fs.StringVar(&e.language, "language", "", "for handout: en, es, de, fr, pt, or one that the practice added (default likewise)")
	fs.StringVar(&e.printing.what, "what", "", "for letter and message: recall or re-evaluation (default: the one that was decided)")
}

func (e *exporting) many() bool { return e.all || e.patient != "" }

// check finds what on the command line does not go together. exams are those that it names.
func (e *exporting) check(exams []string) error {
	many := e.many()
	switch {
	case many && len(exams) > 0, !many && len(exams) != 1, e.all && e.patient != "":
		return errors.New("export takes one EXAM, or --patient ID, or --all")
	case e.names && e.pseudonyms:
		return errors.New("export: --names and --pseudonyms exclude each other")
	case many && !e.names && !e.pseudonyms:
		return errors.New("export: say whether people are named: --names or --pseudonyms")
	case many && e.out == "":
		return errors.New("export: many exams need a folder: --out FOLDER")
	case !many && (e.signed || e.from != "" || e.to != ""):
		return errors.New("export: --signed, --from and --to go with --patient or --all")
	}
	return nil
}

// prepare reads what records are changed by before they leave, and how they are printed.
func (e *exporting) prepare(ctx context.Context, st *store.Store) error {
	e.veil = func(r *report.Record) *report.Record { return r }
	if e.pseudonyms {
		key, err := researchKey(e.key, e.data.data)
		if err != nil {
			return asInput(err)
		}
		e.veil = report.NewVeil(key).Record
	}
	p, err := printed(ctx, st, e.data.data, e.sheet, e.language)
	p.what = e.printing.what
	e.printing = p
	return asInput(err)
}

// runExport writes an exam, or those of a patient or of the whole practice, also while the service runs.
func runExport(args []string, _ io.Reader, stdout, stderr io.Writer) int {
	fs := flags("export", stderr)
	e := exporting{data: addDataFlags(fs, defaultData())}
	e.flags(fs)
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if err := e.check(rest); err != nil {
		return fail(stderr, exitInput, "%v", err)
	}
	ctx, stop := untilInterrupted()
	defer stop()
	ctx = console(ctx)
	st, err := e.data.look(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "export: %v", err)
	}
	defer st.Close()
	source := report.From(st, version())
	if err = e.prepare(ctx, st); err == nil {
		if e.many() {
			err = exportMany(ctx, source, st, &e, stderr)
		} else {
			err = exportOne(ctx, source, st, rest[0], &e, stdout)
		}
	}
	var input *inputFault
	switch {
	case errors.As(err, &input):
		return fail(stderr, exitInput, "export: %v", err)
	case err != nil:
		return fail(stderr, storeStatus(err), "export: %v", err)
	}
	return exitOK
}

// asInput says that what was asked for is at fault.
func asInput(err error) error {
	if err != nil {
		return &inputFault{err.Error()}
	}
	return nil
}

// inputFault is an error that the command line is to blame for.
type inputFault struct{ text string }

func (f *inputFault) Error() string { return f.text }

func exportOne(ctx context.Context, source report.Source, st *store.Store, exam string, e *exporting, stdout io.Writer) error {
	i := slices.IndexFunc(forms(), func(f form) bool { return f.name == e.as })
	if i < 0 {
		return &inputFault{fmt.Sprintf("--as %q: one exam is written as %s", e.as, formNames())}
	}
	r, err := source.Record(ctx, exam)
	if err != nil {
		return err
	}
	if err := st.Note(ctx, "exam.exported", r.Patient.ID, e.as+" of exam "+r.Exam.ID); err != nil {
		return err
	}
	r = e.veil(r)
	if e.out == "" {
		return forms()[i].write(stdout, r, e.printing)
	}
	return toFile(e.out, func(w io.Writer) error { return forms()[i].write(w, r, e.printing) })
}

// toFile writes a file for its owner alone. What is half written goes.
func toFile(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path+".part", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return &inputFault{err.Error()}
	}
	b := bufio.NewWriterSize(f, 256<<10)
	err = errors.Join(write(b), b.Flush(), f.Close())
	if err == nil {
		err = os.Rename(path+".part", path)
	}
	if err != nil {
		os.Remove(path + ".part")
	}
	return err
}

// manyForms are those of many exams.
const manyForms = "csv, parquet, fhir (one file of JSON lines a kind of resource), json, findings (one a line)"

// exportMany writes a folder. It holds one patient's exams at a time.
func exportMany(ctx context.Context, source report.Source, st *store.Store, e *exporting, stderr io.Writer) (err error) {
	in, err := period(e.from, e.to)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(e.out, 0o700); err != nil {
		return &inputFault{err.Error()}
	}
	out := &folder{dir: e.out}
	defer func() { err = errors.Join(err, out.close(err == nil)) }()
	add, end, err := manyWriter(e.as, out)
	if err != nil {
		return err
	}
	patients, what, whose := source.Patients(ctx, ""), "patients.exported", ""
	if e.patient != "" {
		p, err := findPatient(ctx, source, st, e.patient)
		if err != nil {
			return err
		}
		patients, what, whose = func(yield func(report.Person, error) bool) { yield(p, nil) }, "patient.exported", p.ID
	}
	if err := st.Note(ctx, what, whose, e.as+map[bool]string{true: " under pseudonyms", false: " with names"}[e.pseudonyms]); err != nil {
		return err
	}
	n, void := 0, 0
	for r, err := range recordsOf(ctx, source, patients) {
		if err != nil {
			return err
		}
		if e.signed && r.Exam.SignedBy == "" || !in(r.Exam.Began) {
			continue
		}
		if r.Void != nil && e.as != "fhir" { // FHIR says that it is void
			void++
			continue
		}
		if err := add(e.veil(r)); err != nil {
			return err
		}
		n++
	}
	if err := end(); err != nil {
		return err
	}
	fmt.Fprintf(stderr, "%s: %s written\n", e.out, count(uint64(n), "exam"))
	if void > 0 {
		fmt.Fprintf(stderr, "%s left out: void\n", count(uint64(void), "exam"))
	}
	return nil
}

func recordsOf(ctx context.Context, source report.Source, patients iter.Seq2[report.Person, error]) iter.Seq2[*report.Record, error] {
	return func(yield func(*report.Record, error) bool) {
		for p, err := range patients {
			if err != nil {
				yield(nil, err)
				return
			}
			for r, err := range source.Records(ctx, p.ID) {
				if !yield(r, err) || err != nil {
					return
				}
			}
		}
	}
}

// period reads the first and the last day of a time, either of which may be "", and gives what tells whether a moment lies in it.
func period(first, last string) (in func(time.Time) bool, err error) {
	var from, to time.Time
	for _, d := range []struct {
		text string
		at   *time.Time
		days int
	}{{first, &from, 0}, {last, &to, 1}} {
		if d.text == "" {
			continue
		}
		t, err := time.ParseInLocation(time.DateOnly, d.text, time.Local)
		if err != nil {
			return nil, &inputFault{fmt.Sprintf("%q: write a day as 2026-11-02", d.text)}
		}
		*d.at = t.AddDate(0, 0, d.days)
	}
	return func(t time.Time) bool { return (from.IsZero() || !t.Before(from)) && (to.IsZero() || t.Before(to)) }, nil
}

// findPatient finds a patient by id or by file number.
func findPatient(ctx context.Context, source report.Source, st *store.Store, name string) (report.Person, error) {
	p, err := source.Patient(ctx, name)
	if err == nil || !errors.Is(err, store.ErrNotFound) {
		return p, err
	}
	ps, listErr := st.Patients(ctx, name)
	if listErr != nil {
		return p, listErr
	}
	for _, x := range ps {
		if x.Number == name {
			return source.Patient(ctx, x.ID)
		}
	}
	return p, err
}

// folder makes the files of an export; they get their names when all is written.
type folder struct {
	dir   string
	files []*os.File
	bufs  []*bufio.Writer
}

func (f *folder) create(name string) (io.Writer, error) {
	file, err := os.OpenFile(filepath.Join(f.dir, name+".part"), os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, &inputFault{err.Error()}
	}
	b := bufio.NewWriterSize(file, 256<<10)
	f.files, f.bufs = append(f.files, file), append(f.bufs, b)
	return b, nil
}

func (f *folder) close(good bool) error {
	var errs []error
	for i, file := range f.files {
		errs = append(errs, f.bufs[i].Flush(), file.Close())
	}
	for _, file := range f.files {
		if good && errors.Join(errs...) == nil {
			errs = append(errs, os.Rename(file.Name(), strings.TrimSuffix(file.Name(), ".part")))
		} else {
			os.Remove(file.Name())
		}
	}
	return errors.Join(errs...)
}

// manyWriter opens the files of a form and gives what adds an exam to them, and what ends them.
func manyWriter(as string, out *folder) (add func(*report.Record) error, end func() error, err error) {
	nothing := func() error { return nil }
	switch as {
	case "fhir":
		b := &fhir.Bulk{Open: func(kind string) (io.Writer, error) { return out.create(kind + ".ndjson") }}
		return b.Add, nothing, nil
	case "json", "findings":
		i := slices.IndexFunc(forms(), func(f form) bool { return f.name == as })
		w, err := out.create(map[string]string{"json": "charts.jsonl", "findings": "findings.jsonl"}[as])
		return func(r *report.Record) error { return forms()[i].write(w, r, printing{}) }, nothing, err
	case "csv", "parquet":
		sites, err := out.create("sites." + as)
		if err != nil {
			return nil, nil, err
		}
		exams, err := out.create("exams." + as)
		if err != nil {
			return nil, nil, err
		}
		book, err := out.create("codebook.md")
		if err != nil {
			return nil, nil, err
		}
		if err := tidy.Codebook(book); err != nil {
			return nil, nil, err
		}
		if as == "parquet" {
			t := tidy.Parquet(sites, exams)
			return t.Add, t.Close, nil
		}
		t, err := tidy.CSV(sites, exams)
		if err != nil {
			return nil, nil, err
		}
		return t.Add, t.Close, nil
	}
	return nil, nil, &inputFault{fmt.Sprintf("--as %q: many exams are written as %s", as, manyForms)}
}

// researchKey reads the secret of pseudonyms, or makes it.
func researchKey(path, data string) ([]byte, error) {
	own := path == ""
	if own {
		path = filepath.Join(data, "research.key")
	}
	key, err := os.ReadFile(path)
	if own && errors.Is(err, os.ErrNotExist) {
		key = []byte(rand.Text() + rand.Text() + "\n")
		err = os.WriteFile(path, key, 0o600)
	}
	if err == nil && len(strings.TrimSpace(string(key))) < 16 {
		err = fmt.Errorf("%s: a key has at least 16 characters", path)
	}
	return []byte(strings.TrimSpace(string(key))), err
}
