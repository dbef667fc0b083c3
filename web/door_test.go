package web

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"leadsman/certs"
)

// At one address who speaks TLS gets the service, and who does not is told where to go (RFC 2817, section 4.2: status 426); when the service
// ends, so do both.
func TestDoorTellsWhoSpeaksTLS(t *testing.T) {
	ca, err := certs.Init(filepath.Join(t.TempDir(), "tls"), []string{"chart.lan"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	own, err := ca.Source(time.Now)
	if err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "an exam of somebody") }), ErrorLog: log.New(io.Discard, "", 0)}
	go func() { served <- Serve(ctx, ln, own.Config(), srv, Plain(ca)) }()
	get := func(scheme, path string) (int, string, http.Header) {
		t.Helper()
		roots := x509.NewCertPool()
		roots.AppendCertsFromPEM(ca.PEM())
		c := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS13}, DisableKeepAlives: true}}
		r, err := c.Get(scheme + "://" + ln.Addr().String() + path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return r.StatusCode, string(b), r.Header
	}
	if status, text, _ := get("https", "/"); status != 200 || text != "an exam of somebody" {
		t.Errorf("over TLS: %d %q", status, text)
	}
	if status, text, head := get("http", "/"); status != http.StatusUpgradeRequired || !strings.HasPrefix(head.Get("Upgrade"), "TLS/1.3") || !strings.Contains(text, ca.Fingerprint()) || strings.Contains(text, "an exam of somebody") {
		t.Errorf("without: %d %v %.200s", status, head, text)
	}
	if _, text, head := get("http", "/trust/authority.crt"); head.Get("Content-Type") != "application/x-x509-ca-cert" || text != string(ca.DER()) {
		t.Errorf("the certificate of the authority: %v, %d bytes", head, len(text))
	}
	if status, text, _ := get("http", "/trust/authority.pem"); status != 200 || text != string(ca.PEM()) {
		t.Errorf("as PEM: %d", status)
	}
	silent, err := net.Dial("tcp", ln.Addr().String()) // says nothing, and keeps nothing from ending
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	stop()
	select {
	case err := <-served:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the service does not end")
	}
}

// Nodes are origins whose names end alike, so that a cookie of one reaches the others (RFC 6265, section 5.1.3: domain matching).
func TestNodesShareCookies(t *testing.T) {
	for list, good := range map[string]bool{"https://a.chart.example https://b.chart.example": true, "http://127.0.0.1:8080 http://127.0.0.1:8081": true, "https://chart.example": true,
		"https://a.example https://b.other": false, "ftp://a.example": false, "https://a.example/path": false, "a.example": false, "https://10.0.0.1 https://10.0.0.2": false} {
		if err := CheckNodes(strings.Fields(list)); (err == nil) != good || err != nil && err.Error() == "" {
			t.Errorf("%s: %v", list, err)
		}
	}
}

// A browser remembers that a name is reached by TLS alone (RFC 6797, section 8.1.1: not for addresses); this computer is no such name.
func TestLocalNames(t *testing.T) {
	for host, want := range map[string]bool{"localhost": true, "LOCALHOST:8080": true, "127.0.0.1:1": true, "[::1]:443": true, "192.168.1.20": true, "chart.lan": false, "chart.lan:443": false} {
		if got := local(host); got != want {
			t.Errorf("%s: %t", host, got)
		}
	}
}
