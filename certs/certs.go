// Package certs is the service's own certificate authority, for practices whose names no public authority vouches for: its key may
// sign for the names of the service alone, and the service has it renew its certificate in time.
package certs

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"
)

// How long certificates hold. Devices refuse those of a service that hold for long: Apple's limit for own authorities is 825 days (from memory).
const (
	authorityDays = 3650
	serviceDays   = 90
	renewDays     = 30 // before the end
)

// Names of the files in the folder of an authority.
const (
	caCert      = "authority.crt"
	caKey       = "authority.key"
	serviceCert = "service.crt"
	serviceKey  = "service.key"
)

// ErrNone means that a folder holds no authority.
var ErrNone = errors.New("no certificate authority here")

// Authority signs for one service.
type Authority struct {
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// always are names under which the computer itself reaches the service.
var always = []string{"localhost", "127.0.0.1", "::1"}

// Init makes an authority in a new folder that can sign for the given names and addresses and the computer's own, and for no others.
func Init(dir string, names []string, now time.Time) (*Authority, error) {
	if _, err := os.Stat(filepath.Join(dir, caCert)); err == nil {
		return nil, fmt.Errorf("%s has an authority already: devices trust it; to begin anew, move that folder away first", dir)
	}
	var dns []string
	var ips []*net.IPNet
	seen := map[string]bool{}
	for _, n := range slices.Concat(names, always) {
		if n = strings.ToLower(strings.TrimSuffix(strings.TrimSpace(n), ".")); seen[n] {
			continue
		}
		seen[n] = true
		switch ip := net.ParseIP(n); {
		case ip == nil && !hostForm.MatchString(n):
			return nil, fmt.Errorf("%q is no name of a computer and no address: write names such as chart.practice.lan, or addresses such as 192.168.1.20", n)
		case ip == nil:
			dns = append(dns, n)
		case ip.To4() != nil:
			ips = append(ips, &net.IPNet{IP: ip.To4(), Mask: net.CIDRMask(32, 32)})
		default:
			ips = append(ips, &net.IPNet{IP: ip, Mask: net.CIDRMask(128, 128)})
		}
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	t := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: "Leadsman of " + dns[0], Organization: []string{"Leadsman, own authority"}},
		NotBefore: now.Add(-time.Hour), NotAfter: now.AddDate(0, 0, authorityDays), KeyUsage: x509.KeyUsageCertSign, BasicConstraintsValid: true, IsCA: true, MaxPathLenZero: true,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: dns, PermittedIPRanges: ips,
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	a := &Authority{dir, cert, key}
	if err := errors.Join(a.write(caKey, caCert, der, key), a.renew(now)); err != nil {
		return nil, err
	}
	return a, nil
}

// hostForm is that of names: RFC 1123, section 2.1.
var hostForm = regexp.MustCompile(`^([a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?\.)*[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)

// Open reads the authority of a folder; ErrNone says that there is none.
func Open(dir string) (*Authority, error) {
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, caCert), filepath.Join(dir, caKey))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w", dir, ErrNone)
	}
	if err != nil {
		return nil, fmt.Errorf("the authority in %s cannot be read: %w; make another one with leadsman tls init after moving that folder away", dir, err)
	}
	key, ok := pair.PrivateKey.(*ecdsa.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("the authority in %s was not made by leadsman tls init", dir)
	}
	return &Authority{dir, pair.Leaf, key}, nil
}

// PEM is the certificate that devices are to trust; DER is its other form.
func (a *Authority) PEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.cert.Raw})
}

func (a *Authority) DER() []byte { return a.cert.Raw }

// Fingerprint is what people compare before they trust it: SHA-256, as devices show it.
func (a *Authority) Fingerprint() string {
	sum := sha256.Sum256(a.cert.Raw)
	parts := make([]string, len(sum))
	for i, b := range sum {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

// Names are what it may sign for, those of the computer itself last.
func (a *Authority) Names() (names []string) {
	for _, n := range a.cert.PermittedDNSDomains {
		if !slices.Contains(always, n) {
			names = append(names, n)
		}
	}
	for _, ip := range a.cert.PermittedIPRanges {
		if !ip.IP.IsLoopback() {
			names = append(names, ip.IP.String())
		}
	}
	return append(names, always...)
}

// Until is when devices have to be told of another authority.
func (a *Authority) Until() time.Time { return a.cert.NotAfter }

// renew makes a certificate for the service.
func (a *Authority) renew(now time.Time) error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	until := now.AddDate(0, 0, serviceDays)
	if until.After(a.cert.NotAfter) {
		until = a.cert.NotAfter
	}
	names := a.Names()
	t := &x509.Certificate{SerialNumber: serial(), Subject: pkix.Name{CommonName: names[0]}, NotBefore: now.Add(-time.Hour), NotAfter: until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true}
	for _, n := range names {
		if ip := net.ParseIP(n); ip != nil {
			t.IPAddresses = append(t.IPAddresses, ip)
		} else {
			t.DNSNames = append(t.DNSNames, n)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, a.cert, &key.PublicKey, a.key)
	if err != nil {
		return err
	}
	return a.write(serviceKey, serviceCert, der, key)
}

// write keeps a key and its certificate, for their owner alone; each is whole or not there.
func (a *Authority) write(keyName, certName string, der []byte, key *ecdsa.PrivateKey) error {
	b, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	for _, f := range []struct{ name, kind string }{{keyName, "PRIVATE KEY"}, {certName, "CERTIFICATE"}} {
		body := der
		if f.name == keyName {
			body = b
		}
		path := filepath.Join(a.dir, f.name)
		if err := os.WriteFile(path+".new", pem.EncodeToMemory(&pem.Block{Type: f.kind, Bytes: body}), 0o600); err != nil {
			return err
		}
		if err := os.Rename(path+".new", path); err != nil {
			return err
		}
	}
	return nil
}

func serial() *big.Int {
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		panic(err) // the system's source of random numbers never fails
	}
	return n
}

// Source gives the service its certificate as it stands: renewed in time where the authority is its own, read again where the files were
// replaced.
type Source struct {
	own       *Authority // nil: the files are given
	cert, key string
	now       func() time.Time

	mu     sync.Mutex
	pair   *tls.Certificate
	looked time.Time
}

// Source is that of a service with an own authority.
func (a *Authority) Source(now func() time.Time) (*Source, error) {
	return source(&Source{own: a, cert: filepath.Join(a.dir, serviceCert), key: filepath.Join(a.dir, serviceKey), now: now})
}

// Files is the source of a service with certificates from elsewhere.
func Files(cert, key string, now func() time.Time) (*Source, error) {
	return source(&Source{cert: cert, key: key, now: now})
}

func source(s *Source) (*Source, error) {
	_, err := s.Certificate(nil)
	return s, err
}

// Own is the own authority, or nil.
func (s *Source) Own() *Authority { return s.own }

// Names are those that the certificate is for.
func (s *Source) Names() []string {
	c, err := s.Certificate(nil)
	if err != nil {
		return nil
	}
	names := slices.Clone(c.Leaf.DNSNames)
	for _, ip := range c.Leaf.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

// Until is when the certificate in use ends.
func (s *Source) Until() time.Time {
	c, err := s.Certificate(nil)
	if err != nil {
		return time.Time{}
	}
	return c.Leaf.NotAfter
}

// lookEvery is how often the files are looked at.
const lookEvery = time.Minute

// Certificate is for tls.Config.GetCertificate. Where renewing or reading fails the certificate in use stays in use as long as it holds.
func (s *Source) Certificate(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.now()
	if s.pair != nil && now.Sub(s.looked) < lookEvery && !now.Before(s.looked) {
		return s.pair, nil
	}
	s.looked = now
	pair, err := s.read()
	if s.own != nil && (err != nil || now.After(pair.Leaf.NotAfter.AddDate(0, 0, -renewDays)) || now.Before(pair.Leaf.NotBefore)) {
		if renewErr := s.own.renew(now); renewErr == nil {
			pair, err = s.read()
		} else if err != nil {
			err = errors.Join(err, renewErr)
		}
	}
	if err != nil && s.pair != nil {
		return s.pair, nil
	}
	if err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w", s.cert, s.key, err)
	}
	s.pair = pair
	return pair, nil
}

func (s *Source) read() (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(s.cert, s.key)
	if err != nil {
		return nil, err
	}
	return &pair, nil
}

// Config is how the service speaks: TLS 1.3 (RFC 8446), which every browser of the last years has.
func (s *Source) Config() *tls.Config {
	return &tls.Config{GetCertificate: s.Certificate, MinVersion: tls.VersionTLS13, NextProtos: []string{"h2", "http/1.1"}}
}
