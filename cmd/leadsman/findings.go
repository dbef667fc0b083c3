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
func runFindings(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("findings", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	asJSON := flags.Bool("json", false, "one JSON object a chart, one a line")
	explain := flags.Bool("explain", false, "every finding with its readings, what is missing, rule and source")
	unlisted := flags.Bool("unlisted-missing", false, "teeth that a chart does not mention are missing, not unrecorded")
	earlier := flags.String("earlier", "", "file of the exams before, as many charts in the same order: evidence of progression, with --years")
	years := flags.Float64("years", 0, "years between the two exams; needed where the charts do not say when they were made")
	compare := flags.Bool("compare", false, "instead of findings, what changed since --earlier, site by site")
	agree := flags.Bool("agree", false, "instead of findings, how far --earlier and FILE agree, as two readings of one state")
	calibrate := flags.Bool("calibrate", false, "instead of findings, how far the examiners of FILE (exam.examiner) agree with --earlier, the reference, over all its patients (id)")
	other := flags.Bool("other-examiner", false, "another examiner or probe than at --earlier, so a change needs 3 mm; known without it where the charts name them")
	therapy := flags.Bool("therapy-between", false, "active therapy lies between the two exams: their difference is no rate of progression")
	double := flags.String("double", "", "FIRST,SECOND: files of mouths examined twice without a change between, from which the practice's own error of measurement is taken")
	fault := func(status int, err error) int {
		fmt.Fprintf(stderr, "leadsman findings: %v\n", err)
		return status
	}
	// Flags may stand before or after the file.
	var files []string
	for rest := args; ; {
		if err := flags.Parse(rest); errors.Is(err, flag.ErrHelp) {
			fmt.Fprintf(stdout, "%s\n\nCharts in, findings out: docs/chart-file.md and docs/findings-file.md describe both.\n", findingsUse)
			flags.SetOutput(stdout)
			flags.PrintDefaults()
			return 0
		} else if err != nil {
			return fault(1, fmt.Errorf("%w; use: %s", err, findingsUse))
		}
		if flags.NArg() == 0 {
			break
		}
		files = append(files, flags.Arg(0))
		rest = flags.Args()[1:]
	}
	if len(files) != 1 {
		return fault(1, fmt.Errorf("one file is needed, or - for standard input; use: %s", findingsUse))
	}
	if *asJSON && *explain {
		return fault(1, errors.New("--json and --explain exclude each other"))
	}
	switch {
	case *compare && *agree, *calibrate && (*compare || *agree):
		return fault(1, errors.New("--compare, --agree and --calibrate exclude each other"))
	case *earlier == "" && (*compare || *agree || *calibrate || *years != 0 || *other || *therapy || *double != ""):
		return fault(1, errors.New("--years, --compare, --agree, --calibrate, --other-examiner, --therapy-between and --double need --earlier FILE, the exams before"))
	case (*agree || *calibrate) && (*other || *therapy || *double != ""):
		return fault(1, errors.New("--other-examiner, --therapy-between and --double do not go with --agree or --calibrate, which take the two as readings of one state"))
	case *years < 0 || *years > 100:
		return fault(1, errors.New("--years: more than 0 and at most 100 lie between two exams"))
	case *explain && (*compare || *agree || *calibrate):
		return fault(1, errors.New("--explain is for findings, not for --compare, --agree or --calibrate"))
	}
	var before *chartfile.Reader
	if *earlier != "" {
		f, err := os.Open(*earlier)
		if err != nil {
			return fault(1, fmt.Errorf("open the charts before: %w", err))
		}
		defer f.Close()
		before = chartfile.NewReader(f)
	}
	var noise *diagnosis.ErrorModel
	if *double != "" {
		var err error
		if noise, err = errorOf(*double, *other); err != nil {
			return fault(1, err)
		}
	}
	name, in := files[0], stdin
	if name == "-" {
		name = "standard input"
	} else {
		f, err := os.Open(name)
		if err != nil {
			return fault(1, fmt.Errorf("open the charts: %w", err))
		}
		defer f.Close()
		in = f
	}
	out := bufio.NewWriterSize(stdout, 64<<10)
	// What was found so far is kept, whatever comes.
	end := func(cause error) int {
		if err := out.Flush(); err != nil {
			return fault(2, fmt.Errorf("write the findings: %w", err))
		}
		if cause != nil {
			return fault(1, cause)
		}
		return 0
	}
	// Charts come and go quickly and the heap is small: collecting it less often costs some megabytes and saves a fifth of the time.
	defer debug.SetGCPercent(debug.SetGCPercent(500))
	charts := chartfile.NewReader(in)
	var line []byte
	var sessions []diagnosis.Session
	for n := 0; ; n++ {
		c, err := charts.Next()
		if err != nil {
			switch {
			case err != io.EOF:
				return end(fmt.Errorf("%s: %w", name, err))
			case n == 0:
				return end(fmt.Errorf("%s: no chart in it: a chart is a JSON object, one a line", name))
			case before != nil:
				if _, err := before.Next(); err != io.EOF {
					return end(fmt.Errorf("%s: there are more charts in it than the %d of %s: each belongs to one there, in the same order", *earlier, n, name))
				}
			}
			if *calibrate {
				r := diagnosis.Calibrate(sessions, diagnosis.Options{UnlistedMissing: *unlisted})
				if *asJSON {
					err = json.NewEncoder(out).Encode(r)
				} else {
					_, err = out.WriteString(r.Text())
				}
				if err != nil && err != io.EOF {
					return fault(2, fmt.Errorf("write the calibration: %w", err))
				}
			}
			return end(nil)
		}
		o := diagnosis.Options{UnlistedMissing: *unlisted, Doubts: diagnosis.DoubtsOfFile(c.Exam.Doubts)}
		var was *chart.Chart
		if before != nil {
			if was, err = before.Next(); err == io.EOF {
				err = fmt.Errorf("there are only %d charts in it: it must have one for each chart of %s, in the same order", n, name)
			}
			if err != nil {
				return end(fmt.Errorf("%s: %w", *earlier, err))
			}
			if *calibrate {
				patient := c.ID
				if patient == "" {
					patient = fmt.Sprint("mouth ", n+1)
				}
				sessions = append(sessions, diagnosis.Session{Patient: patient, Reference: was, Trainee: c, Examiner: c.Exam.Examiner})
				continue
			}
			e, err := diagnosis.EarlierOf(was, c)
			switch {
			case err != nil && !*agree:
				return end(fmt.Errorf("%s and %s: chart %d: %w", *earlier, name, n+1, err))
			case err != nil: // two readings of one state have no order
			case *years == 0 && e.Years == 0 && !*compare && !*agree:
				return end(fmt.Errorf("chart %d does not say when the two exams were made: say how many years lie between them: --years 1.5", n+1))
			default:
				if *years > 0 {
					e.Years = *years
				}
				e.OtherExaminer, e.Therapy = e.OtherExaminer || *other, e.Therapy || *therapy
				o.Earlier, o.Error = e, noise
			}
		}
		if *compare || *agree {
			if n > 0 && !*asJSON {
				out.WriteByte('\n')
			}
			p := diagnosis.Pair{First: was, Second: c}
			if *compare {
				r := diagnosis.Compare(was, c, diagnosis.CompareOptions{Options: diagnosis.Options{UnlistedMissing: *unlisted, Error: noise}, OtherExaminer: o.Earlier.OtherExaminer, Therapy: o.Earlier.Therapy})
				p.Comparison = &r
			} else {
				r := diagnosis.Agree(was, c, diagnosis.Options{UnlistedMissing: *unlisted})
				p.Agreement = &r
			}
			if *asJSON {
				err = json.NewEncoder(out).Encode(p)
			} else {
				_, err = out.WriteString(p.Text())
			}
			if err != nil {
				return fault(2, fmt.Errorf("write the findings: %w", err))
			}
			continue
		}
		f := diagnosis.Assess(c, o)
		switch {
		case *asJSON:
			line = append(f.AppendJSON(line[:0]), '\n')
			_, err = out.Write(line)
		case *explain:
			if n > 0 {
				out.WriteByte('\n')
			}
			_, err = out.WriteString(diagnosis.Explain(&f))
		default:
			if n > 0 {
				out.WriteByte('\n')
			}
			_, err = out.WriteString(diagnosis.Summary(&f))
		}
		if err != nil {
			return fault(2, fmt.Errorf("write the findings: %w", err))
		}
	}
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
