package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strings"

	"leadsman/chart"
	"leadsman/chartfile"
	"leadsman/diagnosis"
)

const findingsUse = "leadsman findings FILE.json|- [--json] [--explain] [--unlisted-missing] [--earlier FILE [--years N] [--compare | --agree | --calibrate] [--other-examiner] [--therapy-between] [--double FIRST,SECOND]]"

// runFindings reads charts, one object or one a line, and writes their findings in order. It holds
// one chart at a time, two with --earlier. Exit status: 0 done, 1 the input is at fault, 2 the tool is.
// findingsFlags are the flags of leadsman findings.
type findingsFlags struct {
	set                       *flag.FlagSet
	json, explain, unlisted   *bool
	compare, agree, calibrate *bool
	other, therapy            *bool
	earlier, double           *string
	years                     *float64
}

func addFindingsFlags() *findingsFlags {
	set := flag.NewFlagSet("findings", flag.ContinueOnError)
	set.SetOutput(io.Discard)
	return &findingsFlags{set: set,
		json:      set.Bool("json", false, "one JSON object a chart, one a line"),
		explain:   set.Bool("explain", false, "every finding with its readings, what is missing, rule and source"),
		unlisted:  set.Bool("unlisted-missing", false, "teeth that a chart does not mention are missing, not unrecorded"),
		earlier:   set.String("earlier", "", "file of the exams before, as many charts in the same order: evidence of progression, with --years"),
		years:     set.Float64("years", 0, "years between the two exams; needed where the charts do not say when they were made"),
		compare:   set.Bool("compare", false, "instead of findings, what changed since --earlier, site by site"),
		agree:     set.Bool("agree", false, "instead of findings, how far --earlier and FILE agree, as two readings of one state"),
		calibrate: set.Bool("calibrate", false, "instead of findings, how far the examiners of FILE (exam.examiner) agree with --earlier, the reference, over all its patients (id)"),
		other:     set.Bool("other-examiner", false, "another examiner or probe than at --earlier, so a change needs 3 mm; known without it where the charts name them"),
		therapy:   set.Bool("therapy-between", false, "active therapy lies between the two exams: their difference is no rate of progression"),
		double:    set.String("double", "", "FIRST,SECOND: files of mouths examined twice without a change between, from which the practice's own error of measurement is taken")}
}

// parse reads the arguments; flags may stand before or after the file. It fails with flag.ErrHelp where help is asked for.
func (f *findingsFlags) parse(args []string) (file string, err error) {
	var files []string
	for rest := args; ; {
		if err := f.set.Parse(rest); errors.Is(err, flag.ErrHelp) {
			return "", err
		} else if err != nil {
			return "", fmt.Errorf("%w; use: %s", err, findingsUse)
		}
		if f.set.NArg() == 0 {
			break
		}
		files = append(files, f.set.Arg(0))
		rest = f.set.Args()[1:]
	}
	if len(files) != 1 {
		return "", fmt.Errorf("one file is needed, or - for standard input; use: %s", findingsUse)
	}
	pairs := *f.compare || *f.agree || *f.calibrate
	switch {
	case *f.json && *f.explain:
		return "", errors.New("--json and --explain exclude each other")
	case *f.compare && *f.agree, *f.calibrate && (*f.compare || *f.agree):
		return "", errors.New("--compare, --agree and --calibrate exclude each other")
	case *f.earlier == "" && (pairs || *f.years != 0 || *f.other || *f.therapy || *f.double != ""):
		return "", errors.New("--years, --compare, --agree, --calibrate, --other-examiner, --therapy-between and --double need --earlier FILE, the exams before")
	case (*f.agree || *f.calibrate) && (*f.other || *f.therapy || *f.double != ""):
		return "", errors.New("--other-examiner, --therapy-between and --double do not go with --agree or --calibrate, which take the two as readings of one state")
	case *f.years < 0 || *f.years > 100:
		return "", errors.New("--years: more than 0 and at most 100 lie between two exams")
	case *f.explain && pairs:
		return "", errors.New("--explain is for findings, not for --compare, --agree or --calibrate")
	}
	return files[0], nil
}

func runFindings(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	fault := func(status int, err error) int {
		fmt.Fprintf(stderr, "leadsman findings: %v\n", err)
		return status
	}
	flags := addFindingsFlags()
	name, err := flags.parse(args)
	if errors.Is(err, flag.ErrHelp) {
		fmt.Fprintf(stdout, "%s\n\nCharts in, findings out: docs/chart-file.md and docs/findings-file.md describe both.\n", findingsUse)
		flags.set.SetOutput(stdout)
		flags.set.PrintDefaults()
		return 0
	} else if err != nil {
		return fault(1, err)
	}
	r := finder{findingsFlags: flags, name: name}
	if *flags.earlier != "" {
		f, err := os.Open(*flags.earlier)
		if err != nil {
			return fault(1, fmt.Errorf("open the charts before: %w", err))
		}
		defer f.Close()
		r.before = chartfile.NewReader(f)
	}
	if *flags.double != "" {
		if r.noise, err = errorOf(*flags.double, *flags.other); err != nil {
			return fault(1, err)
		}
	}
	in := stdin
	if name == "-" {
		r.name = "standard input"
	} else {
		f, err := os.Open(name)
		if err != nil {
			return fault(1, fmt.Errorf("open the charts: %w", err))
		}
		defer f.Close()
		in = f
	}
	r.out = bufio.NewWriterSize(stdout, 64<<10)
	// Charts come and go quickly and the heap is small: collecting it less often costs some megabytes and saves a fifth of the time.
	defer debug.SetGCPercent(debug.SetGCPercent(500))
	cause := r.all(chartfile.NewReader(in))
	if r.written == nil { // what was found so far is kept, whatever comes
		r.written = r.out.Flush()
	}
	if r.written != nil {
		return fault(2, fmt.Errorf("write the findings: %w", r.written))
	}
	if cause != nil {
		return fault(1, cause)
	}
	return 0
}

// finder finds what the charts of one file say, beside those of another if there is one.
type finder struct {
	*findingsFlags
	name     string            // of the file
	before   *chartfile.Reader // nil: no exams before
	noise    *diagnosis.ErrorModel
	out      *bufio.Writer
	line     []byte
	sessions []diagnosis.Session
	written  error // out could not be written
}

// all goes through the charts. It returns what is wrong with them.
func (r *finder) all(charts *chartfile.Reader) error {
	for n := 0; ; n++ {
		c, err := charts.Next()
		if err == io.EOF {
			return r.end(n)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", r.name, err)
		}
		if err := r.one(n, c); err != nil || r.written != nil {
			return err
		}
	}
}

// end is what comes after the n charts of the file.
func (r *finder) end(n int) error {
	if n == 0 {
		return fmt.Errorf("%s: no chart in it: a chart is a JSON object, one a line", r.name)
	}
	if r.before != nil {
		if _, err := r.before.Next(); err != io.EOF {
			return fmt.Errorf("%s: there are more charts in it than the %d of %s: each belongs to one there, in the same order", *r.earlier, n, r.name)
		}
	}
	if *r.calibrate {
		c := diagnosis.Calibrate(r.sessions, diagnosis.Options{UnlistedMissing: *r.unlisted})
		r.write(c, c.Text)
	}
	return nil
}

// write writes a result as JSON or as text.
func (r *finder) write(v any, text func() string) {
	if *r.json {
		r.written = json.NewEncoder(r.out).Encode(v)
	} else {
		_, r.written = r.out.WriteString(text())
	}
}

// one finds what the n-th chart says, counted from 0.
func (r *finder) one(n int, c *chart.Chart) error {
	o := diagnosis.Options{UnlistedMissing: *r.unlisted, Doubts: c.Exam.Doubts}
	var was *chart.Chart
	if r.before != nil {
		var err error
		if was, err = r.before.Next(); err == io.EOF {
			err = fmt.Errorf("there are only %d charts in it: it must have one for each chart of %s, in the same order", n, r.name)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", *r.earlier, err)
		}
		if *r.calibrate {
			patient := c.ID
			if patient == "" {
				patient = fmt.Sprint("mouth ", n+1)
			}
			r.sessions = append(r.sessions, diagnosis.Session{Patient: patient, Reference: was, Trainee: c, Examiner: c.Exam.Examiner})
			return nil
		}
		if o.Earlier, err = r.earlierOf(n, was, c); err != nil {
			return err
		}
		if o.Earlier != nil {
			o.Error = r.noise
		}
	}
	if n > 0 && !*r.json {
		r.out.WriteByte('\n')
	}
	switch {
	case *r.compare:
		v := diagnosis.Compare(was, c, diagnosis.CompareOptions{Options: diagnosis.Options{UnlistedMissing: *r.unlisted, Error: r.noise}, OtherExaminer: o.Earlier.OtherExaminer, Therapy: o.Earlier.Therapy})
		p := diagnosis.Pair{First: was, Second: c, Comparison: &v}
		r.write(p, p.Text)
		return nil
	case *r.agree:
		v := diagnosis.Agree(was, c, diagnosis.Options{UnlistedMissing: *r.unlisted})
		p := diagnosis.Pair{First: was, Second: c, Agreement: &v}
		r.write(p, p.Text)
		return nil
	}
	f := diagnosis.Assess(c, o)
	switch {
	case *r.json:
		r.line = append(f.AppendJSON(r.line[:0]), '\n')
		_, r.written = r.out.Write(r.line)
	case *r.explain:
		_, r.written = r.out.WriteString(diagnosis.Explain(&f))
	default:
		_, r.written = r.out.WriteString(diagnosis.Summary(&f))
	}
	return nil
}

// earlierOf is what the exam before says about progression; nil of two readings of one state that have no order.
func (r *finder) earlierOf(n int, was, c *chart.Chart) (*diagnosis.Earlier, error) {
	e, err := diagnosis.EarlierOf(was, c)
	switch {
	case err != nil && !*r.agree:
		return nil, fmt.Errorf("%s and %s: chart %d: %w", *r.earlier, r.name, n+1, err)
	case err != nil:
		return nil, nil
	case *r.years == 0 && e.Years == 0 && !*r.compare && !*r.agree:
		return nil, fmt.Errorf("chart %d does not say when the two exams were made: say how many years lie between them: --years 1.5", n+1)
	}
	if *r.years > 0 {
		e.Years = *r.years
	}
	e.OtherExaminer, e.Therapy = e.OtherExaminer || *r.other, e.Therapy || *r.therapy
	return e, nil
}

// errorOf reads the practice's double examinations: two files with as many charts, in the same order.
func errorOf(names string, other bool) (*diagnosis.ErrorModel, error) {
	first, second, ok := strings.Cut(names, ",")
	if !ok {
		return nil, errors.New("--double needs two files with a comma: FIRST,SECOND")
	}
	read := func(name string) ([]*chart.Chart, error) {
		f, err := os.Open(name)
		if err != nil {
			return nil, fmt.Errorf("open the double examinations: %w", err)
		}
		defer f.Close()
		var all []*chart.Chart
		for r := chartfile.NewReader(f); ; {
			switch c, err := r.Next(); {
			case err == io.EOF:
				return all, nil
			case err != nil:
				return nil, fmt.Errorf("%s: %w", name, err)
			default:
				all = append(all, c)
			}
		}
	}
	a, err := read(first)
	if err != nil {
		return nil, err
	}
	b, err := read(second)
	if err != nil {
		return nil, err
	}
	if len(a) != len(b) || len(a) == 0 {
		return nil, fmt.Errorf("%s has %d charts and %s has %d: each mouth must be in both, in the same order", first, len(a), second, len(b))
	}
	doubles := make([]diagnosis.DoubleExam, len(a))
	for i := range a {
		by := other
		if x, y := a[i].Exam.Examiner, b[i].Exam.Examiner; x != "" && y != "" {
			by = x != y
		}
		doubles[i] = diagnosis.DoubleExam{First: a[i], Second: b[i], OtherExaminer: by}
	}
	return diagnosis.ErrorOf(doubles), nil
}
