package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"leadsman/certs"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/worker"
)

const (
	defaultWorkerAddr = "127.0.0.1:8645"
	secretFile        = "worker.secret" // in the data folder
)

// workerFlags say where speech is recognized, if not in this process.
type workerFlags struct{ workers, secret, ca string }

func (f *workerFlags) flags(set *flag.FlagSet) {
	set.StringVar(&f.workers, "workers", os.Getenv("LEADSMAN_WORKERS"), "addresses of workers that recognize speech (leadsman listen), separated by commas: https://HOST:PORT,... (default: this process does)")
	set.StringVar(&f.ca, "workers-ca", os.Getenv("LEADSMAN_WORKERS_CA"), "certificate file of the authority that vouches for the workers (default: the system's, and the one of leadsman tls init)")
	secretFlag(set, &f.secret)
}

func secretFlag(set *flag.FlagSet, to *string) {
	set.StringVar(to, "worker-secret", os.Getenv("LEADSMAN_WORKER_SECRET"), "file with the secret that service and workers share (default: "+secretFile+" in the data folder)")
}

func (f *workerFlags) list() (out []string) {
	for _, w := range strings.Split(f.workers, ",") {
		if w = strings.TrimSpace(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}

func (f *workerFlags) check(e *engineFlags) error {
	if f.workers == "" {
		return nil
	}
	if e.name == engineNone {
		return errors.New("--workers and --engine none do not go together")
	}
	return worker.Check(f.list())
}

// readSecret reads the secret; made says that there was none and one was written.
func readSecret(path, data string, makeIt bool) (secret, at string, made bool, err error) {
	if at = path; at == "" {
		at = filepath.Join(data, secretFile)
	}
	b, err := os.ReadFile(at) // #nosec G304 -- the administrator's own file
	if errors.Is(err, fs.ErrNotExist) && makeIt {
		b, made = []byte(rand.Text()+rand.Text()+"\n"), true
		if err = os.MkdirAll(filepath.Dir(at), 0o700); err == nil {
			err = os.WriteFile(at, b, 0o600)
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: leadsman listen makes it: copy it from the worker", err)
	}
	if err == nil {
		if secret, err = worker.Secret(b); err != nil {
			err = fmt.Errorf("%s: %w", at, err)
		}
	}
	return secret, at, made, err
}

// trust is whom the service believes to be its workers.
func (f *workerFlags) trust(data string) (*tls.Config, error) {
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if a, err := certs.Open(authorityIn(data)); err == nil {
		pool.AppendCertsFromPEM(a.PEM())
	}
	if f.ca != "" {
		b, err := os.ReadFile(f.ca)
		if err != nil {
			return nil, fmt.Errorf("--workers-ca: %w", err)
		}
		if !pool.AppendCertsFromPEM(b) {
			return nil, fmt.Errorf("--workers-ca: %s holds no certificate: name the worker's tls/authority.crt", f.ca)
		}
	}
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}, nil
}

// openEngine loads the recognizer, or finds the workers that have it.
func (f *serviceFlags) openEngine(ctx context.Context, log *slog.Logger, stderr io.Writer) (speech.Engine, error) {
	if f.hear.workers == "" {
		return openEngine(*f.engine)
	}
	secret, _, _, err := readSecret(f.hear.secret, f.data, false)
	if err != nil {
		return nil, err
	}
	trust, err := f.hear.trust(f.data)
	if err != nil {
		return nil, err
	}
	e, err := worker.Open(ctx, worker.Config{Workers: f.hear.list(), Secret: secret, TLS: trust, Log: log}, func(err error) {
		fmt.Fprintf(stderr, "leadsman: serve: %v; waiting for it\n", err)
	})
	if err != nil {
		return nil, err
	}
	if err := f.engine.own.HeardBy(e); err != nil {
		e.Close()
		return nil, err
	}
	return e, nil
}

// notOpened ends a service that has no recognizer, or was stopped while it waited for one.
func notOpened(ctx context.Context, err error, stdout, stderr io.Writer) int {
	if ctx.Err() != nil {
		fmt.Fprintln(stdout, stoppedEarly)
		return exitOK
	}
	return fail(stderr, exitTool, "serve: %v (or start with --engine none to work with the keyboard only)", err)
}

func runListen(args []string, stdout, stderr io.Writer) int {
	set := flags("listen", stderr)
	f := &serviceFlags{dataFlags: &dataFlags{}, engine: addEngineFlags(set)}
	set.StringVar(&f.data, "data", defaultData(), "folder of the secret, the practice file and the certificates; no patients are kept there")
	set.StringVar(&f.addr, "addr", env("LEADSMAN_WORKER_ADDR", defaultWorkerAddr), "address to listen on; beyond this computer it takes a certificate: see leadsman tls init")
	set.StringVar(&f.cert, "tls-cert", os.Getenv("LEADSMAN_TLS_CERT"), "certificate file of another authority (default: what leadsman tls init made)")
	set.StringVar(&f.key, "tls-key", os.Getenv("LEADSMAN_TLS_KEY"), "key file of the certificate")
	set.StringVar(&f.log, "log", env("LEADSMAN_LOG", "text"), "form of the log on the standard error output: text or json")
	set.DurationVar(&f.drain, "drain", 10*time.Second, "how long after SIGTERM streams get to go on at other workers")
	set.StringVar(&f.metrics, "metrics", os.Getenv("LEADSMAN_WORKER_METRICS"), "address that tells figures to Prometheus, such as 127.0.0.1:8646 (default: none)")
	secretFlag(set, &f.hear.secret)
	rest, status, done := parse(set, args)
	if done {
		return status
	}
	if len(rest) > 0 {
		return fail(stderr, exitInput, "listen takes no further arguments, got %q", rest[0])
	}
	return untilStopped(stdout, func(ctx context.Context, started func()) int { return f.listen(ctx, started, stdout, stderr) })
}

// drainStreams gives those who are heard time to go on elsewhere; a second signal ends it.
func (f *serviceFlags) drainStreams(s *worker.Server, log *slog.Logger) {
	hurry, done := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer done()
	wait, cancel := context.WithTimeout(hurry, f.drain)
	defer cancel()
	log.Info("draining", "streams", s.State().Streams, "for", f.drain.String())
	s.Drain(wait)
}

// tell has the figures of a worker be told, where that is wanted, until the function that it gives is called.
func (f *serviceFlags) tell(s *worker.Server, cert *certs.Source) (end func(), err error) {
	if f.metrics == "" {
		return func() {}, nil
	}
	var wg sync.WaitGroup
	ctx, cancel := context.WithCancel(context.Background())
	if err := newWorkerMetrics(s, cert).serve(ctx, &wg, f.metrics, func(context.Context) error { return s.Ready() }); err != nil {
		cancel()
		return nil, err
	}
	return func() { cancel(); wg.Wait() }, nil
}

// listen is a worker until ctx ends.
func (f *serviceFlags) listen(ctx context.Context, started func(), stdout, stderr io.Writer) int {
	log, err := f.logger(stderr)
	var cert *certs.Source
	if err == nil {
		cert, err = certificate(f.addr, f.cert, f.key, f.data)
	}
	if err == nil {
		f.engine.own, err = practice.OpenWords(f.engine.words, f.data)
	}
	var secret, at string
	var made bool
	if err == nil {
		secret, at, made, err = readSecret(f.hear.secret, f.data, true)
	}
	if err != nil {
		return fail(stderr, exitInput, "listen: %v", err)
	}
	if made {
		fmt.Fprintf(stdout, "The secret of this worker is in %s: copy that file to whoever is to be let in (--worker-secret).\n", at)
	}
	fmt.Fprintln(stdout, "loading the speech recognizer ...")
	engine, err := openEngine(*f.engine)
	if err != nil {
		return fail(stderr, engineStatus(*f.engine, err), "listen: %v", err)
	}
	defer engine.Close()
	ln, err := net.Listen("tcp", f.addr)
	if err != nil {
		return fail(stderr, exitTool, "listen: cannot listen on %s: %v; use --addr with another port", f.addr, err)
	}
	s := worker.NewServer(engine, secret, log)
	untold, err := f.tell(s, cert)
	if err != nil {
		ln.Close()
		return fail(stderr, exitTool, "listen: --metrics: %v", err)
	}
	defer untold()
	srv := &http.Server{Handler: s, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 2 * time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}
	served := make(chan error, 1)
	scheme := "http"
	if cert != nil {
		scheme, srv.TLSConfig = "https", cert.Config()
		go func() { served <- srv.ServeTLS(ln, "", "") }()
	} else {
		go func() { served <- srv.Serve(ln) }()
	}
	started()
	fmt.Fprintf(stdout, "Leadsman listens at %s://%s\n", scheme, ln.Addr())
	log.Info("started", "version", version(), "address", ln.Addr().String(), "encrypted", cert != nil, "recognizer", engine.Name())
	select {
	case err = <-served:
		return fail(stderr, exitTool, "listen: %v", err)
	case <-ctx.Done():
	}
	f.drainStreams(s, log)
	srv.Close()
	log.Info("stopped")
	return exitOK
}
