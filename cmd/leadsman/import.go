package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/practice"
	"leadsman/report"
	"leadsman/report/fhir"
	"leadsman/report/tidy"
	"leadsman/store"
)

// shownRejects is how many rejected rows a preview lists; the count is always told.
const shownRejects = 40

// runImport shows what exams a file holds and what of it cannot be taken up, and enters them if asked to.
func runImport(args []string, stdout, stderr io.Writer) int {
	fs := flags("import", stderr)
	data := addDataFlags(fs, defaultData())
	as := fs.String("as", "", "what the file is: csv, fhir (a Bundle) or json (charts, one a line)")
	mapping := fs.String("map", "", "for csv: file that says what its columns mean (default: a table that leadsman export wrote)")
	exams := fs.String("exams", "", "for csv that leadsman export wrote: its table of exams, with the answers about the patients")
	write := fs.Bool("write", false, "enter the exams; without it nothing is changed (the service must be stopped)")
	charts := fs.String("charts", "", "write the exams to this file as charts, one a line, for leadsman findings")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) != 1 {
		return fail(stderr, exitInput, "import takes one FILE")
	}
	if *as != "csv" && (*mapping != "" || *exams != "") {
		return fail(stderr, exitInput, "import: --map and --exams go with --as csv")
	}
	records, rejected, err := readForeign(rest[0], *as, *mapping, *exams, stdout)
	if err != nil {
		return fail(stderr, exitInput, "import: %v", err)
	}
	preview(stdout, len(records), rejected)
	if *charts != "" {
		if err := toFile(*charts, func(w io.Writer) error { return encodeAll(w, records) }); err != nil {
			return fail(stderr, exitInput, "import: %v", err)
		}
		fmt.Fprintf(stdout, "written to %s\n", *charts)
	}
	if !*write {
		if *charts == "" {
			fmt.Fprintln(stdout, "nothing was entered: --write enters the exams, --charts FILE writes them as chart files")
		}
		return exitOK
	}
	ctx, stop := untilInterrupted()
	defer stop()
	ctx = console(ctx)
	st, err := data.change(ctx)
	if err != nil {
		return fail(stderr, storeStatus(err), "import: %v", err)
	}
	defer st.Close()
	fresh, err := enter(ctx, st, records, rest[0])
	fmt.Fprintf(stdout, "%s entered, %d were there already\n", count(uint64(fresh), "exam"), len(records)-fresh)
	if err != nil {
		return fail(stderr, storeStatus(err), "import: %v", err)
	}
	return exitOK
}

// preview says what was found in a file.
func preview(w io.Writer, exams int, rejected []fmt.Stringer) {
	fmt.Fprintf(w, "%s found\n", count(uint64(exams), "exam"))
	for i, r := range rejected {
		if i == shownRejects {
			fmt.Fprintf(w, "and %d more\n", len(rejected)-i)
			break
		}
		fmt.Fprintf(w, "rejected: %v\n", r)
	}
}

// encodeAll writes exams as charts, one a line.
func encodeAll(w io.Writer, records []*report.Record) error {
	for _, r := range records {
		if err := chartfile.Encode(w, r.Chart); err != nil {
			return fmt.Errorf("exam %s: %w", r.Exam.ID, err)
		}
	}
	return nil
}

// readForeign reads the exams of a file, and what cannot be taken up.
func readForeign(path, as, mapping, exams string, stdout io.Writer) (rs []*report.Record, rejected []fmt.Stringer, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	switch as {
	case "fhir":
		rs, bad, err := fhir.Read(f)
		for _, b := range bad {
			rejected = append(rejected, b)
		}
		return rs, rejected, err
	case "json":
		return readCharts(f)
	case "csv":
		m := tidy.Ours()
		if mapping != "" {
			mf, err := os.Open(mapping)
			if err != nil {
				return nil, nil, err
			}
			defer mf.Close()
			if m, err = tidy.ReadMap(mf); err != nil {
				return nil, nil, fmt.Errorf("%s: %w", mapping, err)
			}
		}
		var xf io.Reader
		if exams != "" {
			f, err := os.Open(exams)
			if err != nil {
				return nil, nil, err
			}
			defer f.Close()
			xf = f
		}
		t, err := tidy.Read(f, xf, m)
		if err != nil {
			return nil, nil, fmt.Errorf("%s: %w", path, err)
		}
		for _, b := range t.Rejected {
			rejected = append(rejected, b)
		}
		fmt.Fprintf(stdout, "%s read, %d rejected\n", count(uint64(t.Rows), "row"), len(t.Rejected))
		if len(t.Unused) > 0 {
			fmt.Fprintf(stdout, "columns not used: %s\n", strings.Join(t.Unused, ", "))
		}
		return t.Records, rejected, nil
	}
	return nil, nil, fmt.Errorf("--as %q: say what the file is: csv, fhir or json", as)
}

// lineFault is a chart of a file that cannot be read.
type lineFault struct{ error }

func (f lineFault) String() string { return f.Error() }

func readCharts(in io.Reader) (rs []*report.Record, rejected []fmt.Stringer, err error) {
	for rd := chartfile.NewReader(in); ; {
		c, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return rs, rejected, nil
		}
		if err != nil {
			rejected = append(rejected, lineFault{err})
			var is chartfile.Issues
			if !errors.As(err, &is) {
				return rs, rejected, nil // no JSON: nothing behind it can be found
			}
			continue
		}
		r := &report.Record{Patient: report.Person{ID: c.ID}, Chart: c, Exam: report.Exam{ID: c.ID, Kind: c.Exam.Kind, Examiner: c.Exam.Examiner, SignedBy: c.Exam.SignedBy}}
		r.Exam.Began, _ = time.Parse(time.RFC3339, c.Exam.Began)
		r.Exam.Signed, _ = time.Parse(time.RFC3339, c.Exam.Signed)
		for _, d := range c.Exam.Doubts {
			r.Doubts = append(r.Doubts, chart.Doubt{SiteRef: d.SiteRef, Field: d.Field, Reason: "in doubt where it comes from"})
		}
		rs = append(rs, r)
	}
}

// enter takes up exams, the oldest first as they come, and says how many were new.
func enter(ctx context.Context, st *store.Store, rs []*report.Record, from string) (fresh int, err error) {
	for _, r := range rs {
		f := practice.Foreign{Number: r.Patient.Number, Name: r.Patient.Name, Born: r.Patient.Born, ID: foreignID(r.Exam.ID), Kind: r.Exam.Kind, Examiner: r.Exam.Examiner,
			Began: r.Exam.Began, Chart: r.Chart, Doubts: r.Doubts, Remark: "Taken up from " + from}
		if f.Number == "" {
			f.Number = r.Patient.ID
		}
		if f.Began.IsZero() {
			f.Began = time.Now()
		}
		if r.Exam.SignedBy != "" {
			f.Remark += ", signed there by " + r.Exam.SignedBy
			if !r.Exam.Signed.IsZero() {
				f.Remark += " on " + r.Exam.Signed.Format(time.DateOnly)
			}
		}
		_, isNew, err := practice.TakeUp(ctx, st, &f)
		if err != nil {
			return fresh, fmt.Errorf("exam %s: %w", r.Exam.ID, err)
		}
		if isNew {
			fresh++
		}
	}
	return fresh, nil
}

// foreignID makes an id of an exam as the store takes them.
func foreignID(id string) string {
	id = strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, strings.TrimSpace(id))
	return strings.Trim(id[:min(len(id), 40)], "-")
}
