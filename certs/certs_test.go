package certs

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var start = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

// What the authority signs is good for the service's names alone, as crypto/x509 and OpenSSL judge it (RFC 5280, sections 4.2.1.10 and 6).
func TestAuthority(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tls")
	a, err := Init(dir, []string{"Chart.Practice.LAN", "192.168.1.20", "chart.practice.lan."}, start)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join(a.Names(), " "), "chart.practice.lan 192.168.1.20 localhost 127.0.0.1 ::1"; got != want {
		t.Errorf("names %s, want %s", got, want)
	}
	s, err := a.Source(func() time.Time { return start })
	if err != nil {
		t.Fatal(err)
	}
	pair, err := s.Certificate(nil)
	if err != nil {
		t.Fatal(err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(a.PEM()) {
		t.Fatal("no PEM")
	}
	verify := func(c *x509.Certificate, name string, at time.Time) error {
		_, err := c.Verify(x509.VerifyOptions{DNSName: name, Roots: roots, CurrentTime: at})
		return err
	}
	for _, name := range []string{"chart.practice.lan", "192.168.1.20", "localhost", "127.0.0.1", "::1"} {
		if err := verify(pair.Leaf, name, start); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := verify(pair.Leaf, "other.lan", start); err == nil {
		t.Error("good for another name")
	}
	if days := pair.Leaf.NotAfter.Sub(start).Hours() / 24; days != 90 {
		t.Errorf("holds %v days", days)
	}
	// Whoever steals the key cannot pretend to be somebody else.
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	for _, forged := range []*x509.Certificate{{DNSNames: []string{"bank.example"}}, {IPAddresses: []net.IP{net.ParseIP("192.168.1.21")}}, {IPAddresses: []net.IP{net.ParseIP("2001:db8::1")}}} {
		forged.SerialNumber, forged.NotBefore, forged.NotAfter = serial(), start.Add(-time.Hour), start.AddDate(0, 0, 9)
		forged.Subject, forged.ExtKeyUsage = pkix.Name{CommonName: "x"}, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
		der, err := x509.CreateCertificate(rand.Reader, forged, a.cert, &key.PublicKey, a.key)
		if err != nil {
			t.Fatal(err)
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		var refused x509.CertificateInvalidError
		if err := verify(c, "", start); !errors.As(err, &refused) || refused.Reason != x509.CANotAuthorizedForThisName {
			t.Errorf("%v %v: %v", forged.DNSNames, forged.IPAddresses, err)
		}
	}
	for _, f := range []string{caKey, serviceKey} {
		if fi, err := os.Stat(filepath.Join(dir, f)); err != nil || fi.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v %v", f, fi.Mode(), err)
		}
	}
	if _, err := Init(dir, []string{"other.lan"}, start); err == nil || !strings.Contains(err.Error(), "devices trust it") {
		t.Errorf("a second authority in its place: %v", err)
	}
	again, err := Open(dir)
	if err != nil || again.Fingerprint() != a.Fingerprint() || len(a.Fingerprint()) != 32*3-1 {
		t.Errorf("read back: %v %v", again, err)
	}
	if path, err := exec.LookPath("openssl"); err == nil {
		args := []string{"verify", "-attime", "1772442000", "-CAfile", filepath.Join(dir, caCert), "-verify_hostname", "chart.practice.lan", "-purpose", "sslserver", "-x509_strict", filepath.Join(dir, serviceCert)}
		if out, err := exec.Command(path, args...).CombinedOutput(); err != nil {
			t.Errorf("OpenSSL: %v %s", err, out)
		}
		args[5+1] = "other.lan"
		if out, err := exec.Command(path, args...).CombinedOutput(); err == nil {
			t.Errorf("OpenSSL takes another name: %s", out)
		}
	}
}

// The certificate is renewed a month before its end, and whenever it cannot be used; a service that runs takes the new one.
func TestRenewal(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tls")
	a, err := Init(dir, []string{"chart.lan"}, start)
	if err != nil {
		t.Fatal(err)
	}
	now := start
	s, err := a.Source(func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	number := func() string {
		c, err := s.Certificate(nil)
		if err != nil {
			t.Fatal(err)
		}
		if now.After(c.Leaf.NotAfter) || now.Before(c.Leaf.NotBefore) {
			t.Errorf("on %s the certificate holds from %s to %s", now, c.Leaf.NotBefore, c.Leaf.NotAfter)
		}
		return c.Leaf.SerialNumber.String()
	}
	first := number()
	if now = start.AddDate(0, 0, 59); number() != first {
		t.Error("renewed after 59 days")
	}
	now = start.AddDate(0, 0, 61)
	second := number()
	if second == first {
		t.Error("not renewed after 61 days")
	}
	now = start.AddDate(1, 0, 0) // it was off for long
	if number() == second {
		t.Error("not renewed after a year")
	}
	if err := os.WriteFile(filepath.Join(dir, serviceCert), []byte("garbage"), 0o600); err != nil {
		t.Fatal(err)
	}
	now = now.Add(2 * time.Minute)
	number()
	if s, err = a.Source(func() time.Time { return now }); err != nil {
		t.Errorf("a damaged certificate is not made anew: %v", err)
	}
	number()
}

// Given files are read again where they were replaced; where the new ones are no good the former stay in use.
func TestFilesAreReadAgain(t *testing.T) {
	one, two, dir := filepath.Join(t.TempDir(), "a"), filepath.Join(t.TempDir(), "b"), t.TempDir()
	for _, d := range []string{one, two} {
		if _, err := Init(d, []string{"chart.lan"}, start); err != nil {
			t.Fatal(err)
		}
	}
	put := func(from string, at int64) {
		for _, f := range []string{serviceKey, serviceCert} {
			b, err := os.ReadFile(filepath.Join(from, f))
			if err == nil {
				err = os.WriteFile(filepath.Join(dir, f), b, 0o600)
			}
			if err == nil {
				err = os.Chtimes(filepath.Join(dir, f), time.Unix(at, 0), time.Unix(at, 0))
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	put(one, 1000)
	now := start
	s, err := Files(filepath.Join(dir, serviceCert), filepath.Join(dir, serviceKey), func() time.Time { return now })
	if err != nil || !slices.Contains(s.Names(), "chart.lan") || s.Own() != nil {
		t.Fatal(s, err)
	}
	number := func() string {
		now = now.Add(2 * time.Minute)
		c, err := s.Certificate(nil)
		if err != nil {
			t.Fatal(err)
		}
		return c.Leaf.SerialNumber.String()
	}
	first := number()
	put(two, 2000)
	second := number()
	if second == first {
		t.Error("the replaced files are not in use")
	}
	if err := os.WriteFile(filepath.Join(dir, serviceCert), []byte("garbage"), 0o600); err != nil {
		t.Fatal(err)
	}
	if number() != second {
		t.Error("a bad file put the good certificate out of use")
	}
	if _, err := Files(filepath.Join(dir, "none"), filepath.Join(dir, serviceKey), time.Now); err == nil {
		t.Error("a missing file is taken")
	}
}

func TestNamesThatAreNone(t *testing.T) {
	for _, name := range []string{"", "a b", "-x", "*.lan", "a..b", "http://x", strings.Repeat("a", 64), "192.168.1.0/24"} {
		if _, err := Init(filepath.Join(t.TempDir(), "tls"), []string{name}, start); err == nil {
			t.Errorf("%q is taken", name)
		}
	}
}

// What a service tells of its certificates is what stands in them, and it speaks TLS 1.3 alone (RFC 8446), as crypto/tls does it.
func TestWhatAServiceShows(t *testing.T) {
	a, err := Init(filepath.Join(t.TempDir(), "tls"), []string{"chart.lan"}, start)
	if err != nil {
		t.Fatal(err)
	}
	s, err := a.Source(func() time.Time { return start })
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(a.DER())
	if err != nil || !cert.IsCA || !cert.NotAfter.Equal(a.Until()) {
		t.Errorf("the authority ends on %s by its own word, %v", a.Until(), err)
	}
	pair, err := s.Certificate(nil)
	if err != nil || !pair.Leaf.NotAfter.Equal(s.Until()) {
		t.Errorf("the certificate ends on %s, %v", s.Until(), err)
	}
	roots := x509.NewCertPool()
	roots.AddCert(cert)
	dial := func(most uint16) (tls.ConnectionState, error) {
		here, there := net.Pipe()
		defer here.Close()
		served := make(chan error, 1)
		go func() {
			c := tls.Server(there, s.Config())
			served <- c.Handshake()
			there.Close()
		}()
		c := tls.Client(here, &tls.Config{RootCAs: roots, ServerName: "chart.lan", Time: func() time.Time { return start }, MinVersion: tls.VersionTLS12, MaxVersion: most, NextProtos: []string{"h2"}})
		err := c.Handshake()
		here.Close()
		<-served
		return c.ConnectionState(), err
	}
	if st, err := dial(tls.VersionTLS13); err != nil || st.Version != tls.VersionTLS13 || st.NegotiatedProtocol != "h2" {
		t.Errorf("TLS %x with %q, %v", st.Version, st.NegotiatedProtocol, err)
	}
	if _, err := dial(tls.VersionTLS12); err == nil {
		t.Error("TLS 1.2 was spoken")
	}
}
