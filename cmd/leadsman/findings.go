package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"

	"leadsman/chart"
	"leadsman/diagnosis"
)

const findingsUse = "leadsman findings FILE.json|- [--json] [--explain] [--unlisted-missing]"

// runFindings reads charts, one object or one a line, and writes their findings in order. It holds
// one chart at a time. Exit status: 0 done, 1 the input is at fault, 2 the tool is.
func runFindings(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("findings", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	asJSON := flags.Bool("json", false, "one JSON object a chart, one a line")
	explain := flags.Bool("explain", false, "every finding with its readings, what is missing, rule and source")
	unlisted := flags.Bool("unlisted-missing", false, "teeth that a chart does not mention are missing, not unrecorded")
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
	charts := chart.NewReader(in)
	var line []byte
	for n := 0; ; n++ {
		c, err := charts.Next()
		if err != nil {
			// What was found so far is kept, whatever comes.
			if e := out.Flush(); e != nil {
				return fault(2, fmt.Errorf("write the findings: %w", e))
			}
			switch {
			case err != io.EOF:
				return fault(1, fmt.Errorf("%s: %w", name, err))
			case n == 0:
				return fault(1, fmt.Errorf("%s: no chart in it: a chart is a JSON object, one a line", name))
			}
			return 0
		}
		f := diagnosis.Assess(c, diagnosis.Options{UnlistedMissing: *unlisted})
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
