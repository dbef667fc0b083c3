package main

import (
	"context"
	"crypto/tls"
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
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"leadsman/certs"
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
	metrics, log           string
	drain                  time.Duration
	limits                 web.Limits
	backups                schedule
	node, nodes            string
	engine                 *engineFlags
	hear                   workerFlags
}

func addServiceFlags(fs *flag.FlagSet, data string) *serviceFlags {
	f := &serviceFlags{dataFlags: addDataFlags(fs, data), engine: addEngineFlags(fs)}
	fs.StringVar(&f.addr, "addr", env("LEADSMAN_ADDR", defaultAddr), "address to listen on; beyond this computer it takes a certificate: see leadsman tls init")
	fs.StringVar(&f.cert, "tls-cert", os.Getenv("LEADSMAN_TLS_CERT"), "certificate file of another authority (default: what leadsman tls init made)")
	fs.StringVar(&f.key, "tls-key", os.Getenv("LEADSMAN_TLS_KEY"), "key file of the certificate")
	fs.StringVar(&f.hosts, "hosts", os.Getenv("LEADSMAN_HOSTS"), "further names under which the service is reached, separated by commas; those of the certificate are known")
	fs.StringVar(&f.metrics, "metrics", os.Getenv("LEADSMAN_METRICS"), "address that tells figures to Prometheus, such as 127.0.0.1:8644 (default: none)")
	fs.StringVar(&f.log, "log", env("LEADSMAN_LOG", "text"), "form of the log on the standard error output: text or json")
	fs.DurationVar(&f.drain, "drain", 0, "how long after SIGTERM the service is not ready but goes on, for a balancer to notice")
	fs.Float64Var(&f.limits.Requests, "requests-per-client", 0, "requests a second that one computer may send (0: 200, -1: any number)")
	fs.IntVar(&f.limits.Microphones, "microphones-per-client", 0, "microphones of one computer (0: 16, -1: any number)")
	fs.IntVar(&f.limits.Connections, "connections-per-client", 0, "connections of one computer (0: 512, -1: any number)")
	f.backups.flags(fs)
	f.hear.flags(fs)
	fs.StringVar(&f.nodes, "nodes", os.Getenv("LEADSMAN_NODES"), "addresses of all nodes that share the database, this one too, separated by commas: https://HOST:PORT,...")
	fs.StringVar(&f.node, "node", os.Getenv("LEADSMAN_NODE"), "the address of this one among them")
	return f
}

// among gives the nodes that share the database, and the address of this one.
func (f *serviceFlags) among(url string) (all []string, own string, err error) {
	for _, n := range strings.Split(f.nodes, ",") {
		if n = strings.TrimSuffix(strings.TrimSpace(n), "/"); n != "" {
			all = append(all, n)
		}
	}
	own = strings.TrimSuffix(f.node, "/")
	switch {
	case len(all) == 0 && own == "":
		return nil, url, nil
	case f.database == "":
		err = errors.New("--nodes and --node need a database that the nodes share: name it with --store, such as postgres://HOST/DATABASE")
	case !slices.Contains(all, own):
		err = fmt.Errorf("--node %s is not in --nodes %s: name this node as it stands there", own, f.nodes)
	default:
		err = web.CheckNodes(all)
	}
	return all, own, err
}

const stoppedEarly = "stopped while starting; nothing is lost"

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
	return untilStopped(stdout, func(ctx context.Context, started func()) int {
		return serve(ctx, f, stdout, stderr, func(string, *practice.Practice, *store.Store) error { started(); return nil })
	})
}

// untilStopped runs what serves until it ends by itself or by a signal, and gives its exit status. What is still being loaded cannot be asked to
// stop: the end of the process stops it, and the store is whole at any time.
func untilStopped(stdout io.Writer, run func(ctx context.Context, started func()) int) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	started, ended := make(chan bool), make(chan int, 1)
	go func() { ended <- run(ctx, func() { close(started) }) }()
	select {
	case status := <-ended:
		return status
	case <-started:
		return <-ended
	case <-ctx.Done():
	}
	select {
	case status := <-ended:
		return status
	case <-started:
		return <-ended
	case <-time.After(time.Second / 2):
		fmt.Fprintln(stdout, stoppedEarly)
		return exitOK
	}
}

// logger writes lines for people or for programs.
func (f *serviceFlags) logger(w io.Writer) (*slog.Logger, error) {
	o := &slog.HandlerOptions{Level: slog.LevelInfo}
	switch f.log {
	case "text":
		return slog.New(slog.NewTextHandler(w, o)), nil
	case "json":
		return slog.New(slog.NewJSONHandler(w, o)), nil
	}
	return nil, fmt.Errorf("--log is text or json, not %q", f.log)
}

// names are those under which the service is reached.
func (f *serviceFlags) names(cert *certs.Source) (names []string) {
	for _, n := range strings.Split(f.hosts, ",") {
		if n = strings.TrimSpace(n); n != "" {
			names = append(names, n)
		}
	}
	if cert != nil {
		names = append(names, cert.Names()...)
	}
	return names
}

// check finds what is wrong with the flags before anything is opened.
func (f *serviceFlags) check() error {
	return errors.Join(f.backups.check(), f.hear.check(f.engine))
}

// await opens the data, or does what else a start needs of them; it waits for a database that does not answer yet, as after a power cut.
func await[T any](ctx context.Context, stderr io.Writer, open func(context.Context) (T, error)) (T, error) {
	for said := false; ; said = true {
		got, err := open(ctx)
		if !errors.Is(err, store.ErrAway) || ctx.Err() != nil {
			return got, err
		}
		if !said {
			fmt.Fprintf(stderr, "leadsman: serve: %v; waiting for it\n", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// serve runs the service until ctx ends. ready, if not nil, is called with the address of the page
// once it answers.
func serve(ctx context.Context, f *serviceFlags, stdout, stderr io.Writer, ready func(url string, p *practice.Practice, st *store.Store) error) int {
	s := &service{f: f, metrics: newMetrics()}
	if err := s.read(stderr); err != nil {
		return fail(stderr, exitInput, "serve: %v", err)
	}
	st, err := await(ctx, stderr, f.change)
	if err != nil && ctx.Err() != nil {
		fmt.Fprintln(stdout, stoppedEarly)
		return exitOK
	}
	if err != nil {
		return fail(stderr, exitTool, "serve: %v", err)
	}
	defer st.Close()
	s.st = st
	if lost := st.Lost(); lost != "" {
		fmt.Fprintf(stderr, "leadsman: %s: leadsman verify says what is there; the journal keeps this\n", lost)
	}
	if made := st.NewKey(); made != "" {
		fmt.Fprintf(stdout, "The patients' records are encrypted with the key in %s: keep a copy of that file away from this computer.\n", made)
	}
	var engine speech.Engine
	if f.engine.name != engineNone {
		fmt.Fprintln(stdout, "loading the speech recognizer ...")
		if engine, err = f.openEngine(ctx, s.log, stderr); err != nil {
			return notOpened(ctx, err, stdout, stderr)
		}
		defer engine.Close()
	}
	all, own, err := f.among(map[bool]string{true: "https://", false: "http://"}[s.cert != nil] + f.addr)
	if err != nil {
		return fail(stderr, exitInput, "serve: %v", err)
	}
	cfg := practice.Config{Records: st, Engine: engine, Elsewhere: f.hear.workers != "", Words: f.engine.own, Post: hook.NewClient(), Now: time.Now, Log: s.log, Heard: s.metrics.heard, Written: s.metrics.written}
	if node, err := await(ctx, stderr, func(ctx context.Context) (*store.Node, error) { return st.Join(ctx, own) }); err != nil {
		return fail(stderr, exitTool, "serve: %v", err)
	} else if node != nil {
		defer node.Close()
		cfg.Nodes = node
	}
	s.p = practice.New(cfg)
	defer s.p.Close()
	s.metrics.watch(s.p, s.cert, engine)
	return s.run(ctx, web.New(s.pages(all)), stdout, stderr, ready)
}

// service is what runs.
type service struct {
	f         *serviceFlags
	log       *slog.Logger
	p         *practice.Practice
	st        *store.Store
	cert      *certs.Source     // nil: this computer alone, without encryption
	languages map[string]string // of what patients read
	metrics   *metrics
	draining  atomic.Bool
}

// read takes what the command line says and the files that it names, before anything is opened.
func (s *service) read(stderr io.Writer) (err error) {
	f := s.f
	if s.log, err = f.logger(stderr); err != nil {
		return err
	}
	if err = f.check(); err != nil {
		return err
	}
	if s.cert, err = certificate(f.addr, f.cert, f.key, f.data); err != nil {
		return err
	}
	if f.engine.own, err = practice.OpenWords(f.engine.words, f.data); err != nil {
		return err
	}
	s.languages, err = paper.Languages(messagesIn(f.data))
	return err
}

// pages are what the pages and programs get at.
func (s *service) pages(nodes []string) web.Options {
	f, p, st := s.f, s.p, s.st
	out := &leaves{report.From(st, version()), st, f.data}
	o := web.Options{Nodes: nodes, Languages: s.languages, Export: out.export, FHIR: out.fhir(time.Now(), s.log, p.Looked), Exams: web.Opener(p.Open), Practice: p, People: p.People, Programs: p, Ledger: p, Dossier: func(ctx context.Context, w io.Writer, id string) error {
		return report.Dossier(ctx, w, st, version(), id)
	}, Clips: p.Clips, Voices: p.Voices, Say: serviceVoice(), Trial: p.Trial, Calendar: calendar, Paths: f.engine.own.Paths(), Hosts: f.names(s.cert), Version: version(), Log: s.log,
		Demo: demoSound, Invent: func(ctx context.Context) error { return invent(ctx, st, time.Now()) },
		Limits: f.limits, Seen: s.metrics.answered, Reconnected: s.metrics.reconnected, Ready: s.ready, Remember: s.cert != nil && s.cert.Own() == nil}
	if s.cert != nil && s.cert.Own() != nil {
		o.Authority = s.cert.Own()
	}
	return o
}

// ready says why the service is not to be sent anybody; nil: it is.
func (s *service) ready(ctx context.Context) error {
	if s.draining.Load() {
		return errors.New("it is being stopped")
	}
	_, err := s.st.Settings(ctx, "")
	return err
}

// run answers until ctx ends.
func (s *service) run(ctx context.Context, h http.Handler, stdout, stderr io.Writer, ready func(string, *practice.Practice, *store.Store) error) int {
	f := s.f
	ln, err := net.Listen("tcp", f.addr)
	if err != nil {
		return fail(stderr, exitTool, "serve: cannot listen on %s: %v; another leadsman may run there: use --addr with another port", f.addr, err)
	}
	// What is answered ends a while after ctx does, so that a balancer sees that the service is not ready any more.
	working, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	var wg sync.WaitGroup
	defer wg.Wait()
	defer end()
	srv := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10,
		ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelWarn), ConnState: web.NewConnections(f.limits).State, BaseContext: func(net.Listener) context.Context { return working }}
	scheme, conf, plain := s.encryption()
	url := scheme + "://" + ln.Addr().String() + "/"
	if f.metrics != "" {
		if err := s.metrics.serve(working, &wg, f.metrics, s.ready); err != nil {
			ln.Close()
			return fail(stderr, exitTool, "serve: --metrics: %v", err)
		}
	}
	if f.backups.folder != "" {
		wg.Go(func() { f.backups.run(working, s.st, time.Now, s.log, s.metrics.backedUp) })
	}
	served := make(chan error, 1)
	wg.Go(func() { served <- web.Serve(working, ln, conf, srv, plain) })
	s.greet(stdout, url)
	if ready != nil {
		if err := ready(url, s.p, s.st); err != nil {
			return fail(stderr, exitTool, "%v", err)
		}
	}
	select {
	case err = <-served:
		return fail(stderr, exitTool, "serve: %v", err)
	case <-ctx.Done():
	}
	s.draining.Store(true)
	s.p.Drain()
	if f.drain > 0 {
		s.log.Info("draining", "for", f.drain.String())
		waitOrHurry(f.drain)
	}
	end()
	if err := <-served; err != nil && !errors.Is(err, http.ErrServerClosed) {
		s.log.Warn("shut down", "error", err)
	}
	s.log.Info("stopped")
	fmt.Fprintln(stdout, "stopped; nothing is lost")
	return exitOK
}

// encryption is how connections are encrypted, and what answers those that are not.
func (s *service) encryption() (scheme string, conf *tls.Config, plain http.Handler) {
	if s.cert == nil {
		return "http", nil, nil
	}
	if own := s.cert.Own(); own != nil {
		return "https", s.cert.Config(), web.Plain(own)
	}
	return "https", s.cert.Config(), web.Plain(nil)
}

// greet says where the service is, on the screen and in the log.
func (s *service) greet(stdout io.Writer, url string) {
	f := s.f
	fmt.Fprintf(stdout, "Leadsman is at %s  (data in %s; Ctrl-C ends it)\n", url, f.place())
	if s.cert != nil {
		fmt.Fprintf(stdout, "Open it as %s; the certificate holds until %s and is %s.\n", strings.Join(f.names(s.cert), ", "), s.cert.Until().Format(time.DateOnly),
			map[bool]string{true: "renewed by itself; devices are told at /trust to trust it", false: "read again when its file is replaced"}[s.cert.Own() != nil])
	}
	fmt.Fprintln(stdout, "Decision support for licensed clinicians; it does not diagnose by itself.")
	s.log.Info("started", "version", version(), "address", url, "encrypted", s.cert != nil, "recognizer", f.engine.name)
}

// waitOrHurry waits for a while; a signal ends the wait.
func waitOrHurry(d time.Duration) {
	hurry, done := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer done()
	select {
	case <-time.After(d):
	case <-hurry.Done():
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
