package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"leadsman/practice"
	"leadsman/report"
	"leadsman/report/hook"
	"leadsman/report/paper"
	"leadsman/speech"
	"leadsman/store"
	"leadsman/web"
)

const defaultAddr = "127.0.0.1:8643"

func addEngineFlags(fs *flag.FlagSet) *engineFlags {
	f := &engineFlags{notes: fs.Output()}
	fs.StringVar(&f.name, "engine", env("LEADSMAN_ENGINE", engineCTC), "speech recognizer: ctc, vosk with --model, or none for keyboard only")
	fs.StringVar(&f.model, "model", os.Getenv("LEADSMAN_MODEL"), "folder of the acoustic model (default: models beside the program; none for vosk)")
	fs.StringVar(&f.library, "library", os.Getenv("LEADSMAN_LIBRARY"), "libonnxruntime.so or its folder (default: beside the program)")
	fs.StringVar(&f.lexicon, "lexicon", os.Getenv("LEADSMAN_LEXICON"), "file of further pronunciations for this practice (for vosk: of words that the model has)")
	fs.StringVar(&f.words, "practice", os.Getenv("LEADSMAN_PRACTICE"), "file of the practice's own words and paths (default: practice.txt in the data folder)")
	return f
}

func defaultData() string {
	if d := os.Getenv("LEADSMAN_DATA"); d != "" {
		return d
	}
	if d, err := os.UserConfigDir(); err == nil {
		return filepath.Join(d, "leadsman")
	}
	return "leadsman-data"
}

// serviceFlags are what serve and demo share.
type serviceFlags struct {
	*dataFlags
	addr, cert, key, hosts string
	engine                 *engineFlags
}

func addServiceFlags(fs *flag.FlagSet, data string) *serviceFlags {
	f := &serviceFlags{dataFlags: addDataFlags(fs, data), engine: addEngineFlags(fs)}
	fs.StringVar(&f.addr, "addr", env("LEADSMAN_ADDR", defaultAddr), "address to listen on; microphones need localhost or TLS")
	fs.StringVar(&f.cert, "tls-cert", os.Getenv("LEADSMAN_TLS_CERT"), "certificate file, for other machines in the practice")
	fs.StringVar(&f.key, "tls-key", os.Getenv("LEADSMAN_TLS_KEY"), "key file of the certificate")
	fs.StringVar(&f.hosts, "hosts", os.Getenv("LEADSMAN_HOSTS"), "further names under which the service is reached, separated by commas")
	return f
}

func runServe(args []string, _ io.Reader, stdout, stderr io.Writer) int {
	fs := flags("serve", stderr)
	f := addServiceFlags(fs, defaultData())
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) > 0 {
		return fail(stderr, exitInput, "serve takes no further arguments, got %q", rest[0])
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return serve(ctx, f, stdout, stderr, nil)
}

// serve runs the service until ctx ends. ready, if not nil, is called with the address of the page
// once it answers.
func serve(ctx context.Context, f *serviceFlags, stdout, stderr io.Writer, ready func(url string, p *practice.Practice, st *store.Store) error) int {
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: slog.LevelInfo}))
	if (f.cert == "") != (f.key == "") {
		return fail(stderr, exitInput, "serve: --tls-cert and --tls-key go together")
	}
	var err error
	if f.engine.own, err = practice.OpenWords(f.engine.words, f.data); err != nil {
		return fail(stderr, exitInput, "serve: %v", err)
	}
	st, err := f.change(ctx)
	if err != nil {
		return fail(stderr, exitTool, "serve: %v", err)
	}
	defer st.Close()
	if lost := st.Lost(); lost != "" {
		fmt.Fprintf(stderr, "leadsman: %s: leadsman verify says what is there; the journal keeps this\n", lost)
	}
	if made := st.NewKey(); made != "" {
		fmt.Fprintf(stdout, "The patients' records are encrypted with the key in %s: keep a copy of that file away from this computer.\n", made)
	}
	var engine speech.Engine
	if f.engine.name != engineNone {
		fmt.Fprintln(stdout, "loading the speech recognizer ...")
		if engine, err = openEngine(*f.engine); err != nil {
			return fail(stderr, exitTool, "serve: %v (or start with --engine none to work with the keyboard only)", err)
		}
		defer engine.Close()
	}
	p := practice.New(practice.Config{Records: st, Engine: engine, Words: f.engine.own, Post: hook.NewClient(), Now: time.Now, Log: log})
	defer p.Close()
	var names []string
	for _, n := range strings.Split(f.hosts, ",") {
		if n = strings.TrimSpace(n); n != "" {
			names = append(names, n)
		}
	}
	out := &leaves{report.From(st, version()), st, f.data}
	languages, err := paper.Languages(messagesIn(f.data))
	if err != nil {
		return fail(stderr, exitInput, "serve: %v", err)
	}
	h := web.New(web.Options{Languages: languages, Export: out.export, FHIR: out.fhir(time.Now(), log), Exams: web.Opener(p.Open), Practice: p, People: p.People, Programs: p, Ledger: p, Dossier: func(ctx context.Context, w io.Writer, id string) error {
		return report.Dossier(ctx, w, st, version(), id)
	}, Clips: p.Clips, Voices: p.Voices, Say: serviceVoice(), Trial: p.Trial, Calendar: calendar, Paths: f.engine.own.Paths(), Hosts: names, Version: version(), Log: log,
		Demo: demoSound, Invent: func(ctx context.Context) error { return invent(ctx, st, time.Now()) }})
	ln, err := net.Listen("tcp", f.addr)
	if err != nil {
		return fail(stderr, exitTool, "serve: cannot listen on %s: %v; another leadsman may run there: use --addr with another port", f.addr, err)
	}
	srv := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
		BaseContext: func(net.Listener) context.Context { return ctx }}
	scheme := "http"
	if f.cert != "" {
		scheme = "https"
	}
	url := scheme + "://" + ln.Addr().String() + "/"
	fmt.Fprintf(stdout, "Leadsman is at %s  (data in %s; Ctrl-C ends it)\n", url, f.place())
	fmt.Fprintln(stdout, "Decision support for licensed clinicians; it does not diagnose by itself.")
	served := make(chan error, 1)
	go func() {
		if f.cert != "" {
			served <- srv.ServeTLS(ln, f.cert, f.key)
		} else {
			served <- srv.Serve(ln)
		}
	}()
	if ready != nil {
		if err := ready(url, p, st); err != nil {
			srv.Close()
			return fail(stderr, exitTool, "%v", err)
		}
	}
	select {
	case err = <-served:
		return fail(stderr, exitTool, "serve: %v", err)
	case <-ctx.Done():
		end, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		defer cancel()
		if err := srv.Shutdown(end); err != nil && !errors.Is(err, context.DeadlineExceeded) {
			log.Warn("shut down", "err", err)
		}
		srv.Close()
		fmt.Fprintln(stdout, "stopped; nothing is lost")
		return exitOK
	}
}

// calendar writes days in the form that calendars read.
func calendar(w io.Writer, days []practice.Due) error {
	out := make([]report.Appointment, len(days))
	for i, d := range days {
		day, err := time.Parse(time.DateOnly, d.Day)
		if err != nil {
			return err
		}
		out[i] = report.Appointment{Exam: d.Exam, What: d.What, Patient: d.Name, Number: d.Number, Day: day, Months: d.Months, Who: d.Who,
			Decided: time.UnixMilli(d.Decided), Version: int(d.Call)}
	}
	return report.Calendar(w, out)
}
