package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"leadsman/certs"
	"leadsman/chart"
	"leadsman/practice"
	"leadsman/speech"
	"leadsman/speech/worker"
)

// metrics are the figures that the service tells of itself: numbers and times, never what was said or of whom.
type metrics struct {
	all         *prometheus.Registry
	requests    *prometheus.HistogramVec
	hear, write prometheus.Histogram
	sound       prometheus.Counter
	faults      prometheus.Counter
	calls       *prometheus.CounterVec
	doubts      prometheus.Counter
	again       prometheus.Counter
	backup      *prometheus.GaugeVec
}

func newMetrics() *metrics {
	quick := prometheus.ExponentialBuckets(0.0005, 2, 14) // 0.5 ms to 4 s
	histogram := func(name, help string) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{Name: name, Help: help, Buckets: quick})
	}
	counter := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help})
	}
	m := &metrics{all: prometheus.NewRegistry(),
		requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "leadsman_request_seconds", Help: "Requests by pattern of address and status; streams until they end.", Buckets: quick}, []string{"method", "address", "status"}),
		hear:     histogram("leadsman_hearing_seconds", "A piece of sound (20 ms) through the recognizer, its wait for a turn included."),
		write:    histogram("leadsman_write_seconds", "A call until it is durable."),
		sound:    counter("leadsman_sound_seconds_total", "Sound that was heard; leadsman_hearing_seconds_sum by this is the real-time factor."),
		faults:   counter("leadsman_write_faults_total", "Calls that could not be written."),
		calls:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "leadsman_calls_total", Help: "Calls by where they came from and what became of them."}, []string{"source", "became"}),
		doubts:   counter("leadsman_doubts_total", "Doubts that were raised."),
		again:    counter("leadsman_reconnects_total", "Microphones that came back after a broken connection."),
		backup:   prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "leadsman_backup_timestamp_seconds", Help: "When a scheduled backup was made, or failed, last."}, []string{"became"})}
	m.all.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), m.requests, m.hear, m.write, m.sound, m.faults, m.calls, m.doubts, m.again, m.backup)
	return m
}

// watch adds what is asked of the service when somebody looks.
func (m *metrics) watch(p *practice.Practice, cert *certs.Source, engine speech.Engine) {
	gauge := m.gauge
	m.load(p.Load)
	if w, ok := engine.(interface{ Up() (up, all int) }); ok {
		gauge("leadsman_workers", "Workers that recognize speech for this service.", func() float64 { _, all := w.Up(); return float64(all) })
		gauge("leadsman_workers_up", "Those of them that can be used.", func() float64 { up, _ := w.Up(); return float64(up) })
	}
	m.certificate(cert)
}

// newWorkerMetrics are those of a worker, which hears and keeps nothing.
func newWorkerMetrics(w *worker.Server, cert *certs.Source) *metrics {
	m := newMetrics()
	m.all = prometheus.NewRegistry()
	m.all.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), m.hear, m.sound)
	m.load(w.Load)
	m.certificate(cert)
	w.Heard(m.heard)
	return m
}

func (m *metrics) gauge(name, help string, f func() float64) {
	m.all.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, f))
}

// load adds how much the recognizers have to do.
func (m *metrics) load(f func() speech.Load) {
	m.gauge("leadsman_microphones", "Microphones that have a recognizer.", func() float64 { return float64(f().Microphones) })
	m.gauge("leadsman_sound_waiting", "Pieces of sound that wait for their turn.", func() float64 { return float64(f().Waiting) })
	m.gauge("leadsman_realtime_factor", "Time that sound takes to be heard by its length, over the last seconds; no microphone more is taken from 0.5 on.", func() float64 { return f().Factor })
}

func (m *metrics) certificate(cert *certs.Source) {
	if cert != nil {
		m.gauge("leadsman_certificate_end_timestamp_seconds", "When the certificate in use ends.", func() float64 { return float64(cert.Until().Unix()) })
	}
}

func (m *metrics) answered(method, pattern string, status int, took time.Duration) {
	m.requests.WithLabelValues(method, pattern, strconv.Itoa(status)).Observe(took.Seconds())
}

func (m *metrics) heard(sound, took time.Duration) {
	m.hear.Observe(took.Seconds())
	m.sound.Add(sound.Seconds())
}

func (m *metrics) written(evs []chart.Event, took time.Duration, err error) {
	if err != nil {
		m.faults.Inc()
		return
	}
	m.write.Observe(took.Seconds())
	for _, e := range evs {
		switch e.Kind {
		case chart.KindCall:
			became := "entered"
			if e.Refused != "" {
				became = "refused"
			}
			m.calls.WithLabelValues(string(e.Source), became).Inc()
		case chart.KindDoubt:
			m.doubts.Inc()
		}
	}
}

func (m *metrics) reconnected() { m.again.Inc() }

func (m *metrics) backedUp(err error) {
	became := "made"
	if err != nil {
		became = "failed"
	}
	m.backup.WithLabelValues(became).SetToCurrentTime()
}

// serve answers on an address of its own, which is not for everybody.
func (m *metrics) serve(ctx context.Context, wg *sync.WaitGroup, addr string, ready func(context.Context) error) error {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.all, promhttp.HandlerOpts{}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "ok") })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) {
		if err := ready(r.Context()); err != nil {
			http.Error(w, "not ready: "+err.Error(), http.StatusServiceUnavailable)
			return
		}
		fmt.Fprintln(w, "ready")
	})
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second, IdleTimeout: time.Minute}
	wg.Go(func() { _ = srv.Serve(ln) })
	wg.Go(func() { <-ctx.Done(); srv.Close() })
	return nil
}
