// Leadsman hears a periodontal probing exam, writes the chart and works out the findings. See the
// README for what it does and docs/ for its formats.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
)

// Exit statuses that scripts rely on.
const (
	exitOK    = 0
	exitInput = 1 // the input is at fault
	exitTool  = 2 // the tool is at fault
)

// command is one of the program's commands.
type command struct {
	name, args, about string
	run               func(args []string, stdin io.Reader, stdout, stderr io.Writer) int
}

func commands() []command {
	return []command{
		{"serve", "[--addr HOST:PORT] [--data DIR] ...", "the service and its page", runServe},
		{"listen", "[--addr HOST:PORT] [--worker-secret FILE] ...", "a worker that recognizes speech for services elsewhere (serve --workers)", noInput(runListen)},
		{"hear", "FILE.wav [--numbering fdi|universal] [--path NAME] [--start TOOTH/ASPECT] [--missing LIST] [--voice FILE] [--json] [--realtime]",
			"a recording through the same code as the microphone", runHear},
		{"enrol", "FILE.wav ... [--script FILE] [--examiner NAME] [--out FILE]", "a voice profile from a recording of the script (--print-script)", noInput(runEnrol)},
		{"findings", "FILE.json|- [--json] [--explain] [--earlier FILE --years N|--compare|--agree]", "findings of charts, one object or one a line", runFindings},
		{"export", "EXAM --as " + formNames() + " [--out FILE] | --patient ID|--all --as csv|parquet|fhir|json|findings --names|--pseudonyms --out FOLDER", "an exam, or all of a patient or of the practice, for others", runExport},
		{"import", "FILE --as csv|fhir|json [--map FILE] [--write]", "shows what exams a file holds and what of it is rejected; enters them", noInput(runImport)},
		{"demo", "[--addr HOST:PORT]", "an invented practice to look around in", runDemo},
		{"backup", "FILE [--data DIR] [--to RECIPIENT|--passphrase-file FILE]", "a copy of the store, safe while it runs", noInput(runBackup)},
		{"restore", "FILE --data DIR [--identity FILE|--passphrase-file FILE]", "a store from a copy", noInput(runRestore)},
		{"move", "--from FOLDER|postgres://... --to postgres://...|FOLDER --data DIR", "the data from a folder into a database, or back", noInput(runMove)},
		{"verify", "[FILE] [--data DIR] [--anchor FILE] [--salvage] [--accept REASON]", "checks a store or a copy", noInput(runVerify)},
		{"anchor", "[--data DIR]", "the end of the journal as a line, to be kept away from the data", noInput(runAnchor)},
		{"journal", "[--patient ID] [--who ID] [--what KIND] [--from DAY] [--to DAY] [--csv|--json]", "who did what, and who looked", noInput(runJournal)},
		{"patient", "list [SEARCH] | export ID FILE.zip | erase ID --reason TEXT | retention [YEARS]", "what is kept of one patient", noInput(runPatient)},
		{"tls", "init [NAME ...] | show  [--data DIR]", "a certificate authority of the practice's own, so that other computers reach the service", noInput(runTLS)},
		{"account", "[NAME [--password]]", "who works here; a new password for somebody, read from the standard input", runAccount},
		{"program", "list | make NAME --scopes SCOPE,... [--ends DAY] | withdraw ID", "keys with which programs of others are let in", noInput(runProgram)},
		{"key", "[--show|--protect FILE|--open]", "the key of the data", noInput(runKey)},
		{"doctor", "[--json]", "checks this installation and says what to do", runDoctorCommand},
	}
}

func noInput(f func([]string, io.Writer, io.Writer) int) func([]string, io.Reader, io.Writer, io.Writer) int {
	return func(args []string, _ io.Reader, stdout, stderr io.Writer) int { return f(args, stdout, stderr) }
}

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

func run(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		usage(stderr)
		return exitInput
	}
	switch args[0] {
	case "help", "-h", "--help":
		usage(stdout)
		return exitOK
	case "version", "--version":
		fmt.Fprintln(stdout, "leadsman", version())
		return exitOK
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return c.run(args[1:], stdin, stdout, stderr)
		}
	}
	fmt.Fprintf(stderr, "leadsman: there is no command %q; leadsman help lists them\n", args[0])
	return exitInput
}

func usage(w io.Writer) {
	fmt.Fprintln(w, "leadsman: a probing exam, spoken, becomes a chart and findings\n\nCommands:")
	for _, c := range commands() {
		fmt.Fprintf(w, "  leadsman %s %s\n        %s\n", c.name, c.args, c.about)
	}
	fmt.Fprintln(w, "\nDecision support for licensed clinicians: it does not diagnose by itself.\nExit status: 0 done, 1 the input is at fault, 2 the tool is at fault.")
}

// flags makes the flag set of a command, with errors as one clear line.
func flags(name string, stderr io.Writer) *flag.FlagSet {
	fs := flag.NewFlagSet("leadsman "+name, flag.ContinueOnError)
	fs.SetOutput(stderr)
	return fs
}

// parse reads flags that may stand before and after the other arguments. done means that the
// command ends with the status given: help was asked for, or a flag is wrong.
func parse(fs *flag.FlagSet, args []string) (rest []string, status int, done bool) {
	for {
		if err := fs.Parse(args); err != nil {
			if errors.Is(err, flag.ErrHelp) {
				return nil, exitOK, true
			}
			return nil, exitInput, true
		}
		if fs.NArg() == 0 {
			return rest, 0, false
		}
		rest = append(rest, fs.Arg(0))
		args = fs.Args()[1:]
	}
}

// fail prints one line and gives the status back.
func fail(stderr io.Writer, status int, format string, a ...any) int {
	fmt.Fprintf(stderr, "leadsman: "+format+"\n", a...)
	return status
}
