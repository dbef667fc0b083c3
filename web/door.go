package web

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// firstWithin is how long a connection may say nothing.
const firstWithin = 10 * time.Second

// Serve answers on a listener that other computers reach: h to who speaks TLS, plain to who does not. It takes connections until the context ends,
// waits a while for what is being answered, and then ends all that is left.
func Serve(ctx context.Context, ln net.Listener, conf *tls.Config, srv *http.Server, plain http.Handler) error {
	if conf == nil {
		return serveUntil(ctx, ln, srv)
	}
	conf = conf.Clone()
	conf.NextProtos = []string{"http/1.1"} // a WebSocket needs a connection of its own, and so browsers keep to one kind
	d := &door{Listener: ln, tls: make(chan net.Conn), plain: make(chan net.Conn), end: make(chan struct{})}
	d.wg.Go(d.take)
	other := &http.Server{Handler: plain, ReadHeaderTimeout: firstWithin, ReadTimeout: firstWithin, WriteTimeout: firstWithin, ErrorLog: srv.ErrorLog}
	d.wg.Go(func() { _ = other.Serve(side{d, d.plain}) })
	err := serveUntil(ctx, tls.NewListener(side{d, d.tls}, conf), srv)
	other.Close()
	d.Close()
	d.wg.Wait()
	return err
}

func serveUntil(ctx context.Context, ln net.Listener, srv *http.Server) error {
	served := make(chan error, 1)
	go func() { served <- srv.Serve(ln) }()
	select {
	case err := <-served:
		return err
	case <-ctx.Done():
	}
	end, cancel := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer cancel()
	err := srv.Shutdown(end)
	if errors.Is(err, context.DeadlineExceeded) {
		err = nil // streams do not end by themselves
	}
	srv.Close()
	<-served
	return err
}

// door tells connections that speak TLS from others by their first byte (RFC 8446, section 5.1: a handshake is 22).
type door struct {
	net.Listener
	tls, plain chan net.Conn
	once       sync.Once
	end        chan struct{}
	wg         sync.WaitGroup
	fault      error
}

func (d *door) Close() error {
	d.once.Do(func() { close(d.end); d.fault = d.Listener.Close() })
	return d.fault
}

func (d *door) take() {
	for {
		c, err := d.Accept()
		if err != nil {
			var passing interface{ Temporary() bool }
			if errors.As(err, &passing) && passing.Temporary() { // too many open files
				time.Sleep(50 * time.Millisecond)
				continue
			}
			d.Close()
			return
		}
		d.wg.Go(func() {
			first := &begun{Conn: c, r: bufio.NewReader(c)}
			_ = c.SetReadDeadline(time.Now().Add(firstWithin))
			done := make(chan struct{})
			defer close(done)
			go func() { // nobody waits for a connection that says nothing
				select {
				case <-d.end:
					_ = c.SetReadDeadline(time.Now())
				case <-done:
				}
			}()
			b, err := first.r.Peek(1)
			if err != nil {
				c.Close()
				return
			}
			_ = c.SetReadDeadline(time.Time{})
			to := d.plain
			if b[0] == 22 {
				to = d.tls
			}
			select {
			case to <- first:
			case <-d.end:
				c.Close()
			}
		})
	}
}

// begun is a connection of which something was read.
type begun struct {
	net.Conn
	r *bufio.Reader
}

func (b *begun) Read(p []byte) (int, error) { return b.r.Read(p) }

// side is a listener for one kind of connections.
type side struct {
	d  *door
	of chan net.Conn
}

func (s side) Accept() (net.Conn, error) {
	select {
	case c := <-s.of:
		return c, nil
	case <-s.d.end:
		return nil, net.ErrClosed
	}
}
func (s side) Close() error   { return s.d.Close() }
func (s side) Addr() net.Addr { return s.d.Addr() }

// local reports whether a host is this computer, or a mere address: no name that a browser could remember something for.
func local(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.Trim(name, "[]")
	return strings.EqualFold(name, "localhost") || net.ParseIP(name) != nil
}
