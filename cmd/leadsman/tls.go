package main

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"leadsman/certs"
)

// authorityIn is where the own authority lies.
func authorityIn(data string) string { return filepath.Join(data, "tls") }

// runTLS makes the practice's own certificate authority, or shows it.
func runTLS(args []string, stdout, stderr io.Writer) int {
	fs := flags("tls", stderr)
	data := fs.String("data", defaultData(), "folder of the data")
	rest, status, done := parse(fs, args)
	if done {
		return status
	}
	if len(rest) == 0 || rest[0] != "init" && (rest[0] != "show" || len(rest) > 1) {
		return fail(stderr, exitInput, "tls takes  init [NAME ...]  with the names and addresses under which other computers reach this one, or  show")
	}
	var a *certs.Authority
	var err error
	if rest[0] == "show" {
		if a, err = certs.Open(authorityIn(*data)); errors.Is(err, certs.ErrNone) {
			return fail(stderr, exitInput, "tls: %v: leadsman tls init makes one", err)
		}
	} else {
		names := rest[1:]
		if len(names) == 0 {
			names = ownNames()
		}
		a, err = certs.Init(authorityIn(*data), names, time.Now())
	}
	if err != nil {
		return fail(stderr, exitInput, "tls: %v", err)
	}
	fmt.Fprintf(stdout, "The authority in %s vouches for %s, until %s.\n", authorityIn(*data), strings.Join(a.Names(), ", "), a.Until().Format(time.DateOnly))
	fmt.Fprintf(stdout, "Fingerprint (SHA-256): %s\n", a.Fingerprint())
	fmt.Fprintln(stdout, "Start  leadsman serve --addr :8643  and open https://"+a.Names()[0]+":8643/trust on each device: it says how the device is told to trust it.\nWhoever has the folder's authority.key can pretend to be this service: it stays here.")
	return exitOK
}

// ownNames are this computer's name and addresses.
func ownNames() (names []string) {
	if h, err := os.Hostname(); err == nil && h != "localhost" {
		names = append(names, h)
		if !strings.Contains(h, ".") {
			names = append(names, h+".local") // as mDNS has it (RFC 6762)
		}
	}
	addrs, _ := net.InterfaceAddrs()
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && n.IP.IsGlobalUnicast() && n.IP.To4() != nil {
			names = append(names, n.IP.String())
		}
	}
	return names
}

// beyond reports whether other computers reach an address to listen on.
func beyond(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil || strings.EqualFold(host, "localhost") {
		return false
	}
	ip := net.ParseIP(host)
	return ip == nil || !ip.IsLoopback()
}

// certificate is what a service at an address shows; nil where only this computer reaches it and none was asked for.
func certificate(addr, cert, key, data string) (*certs.Source, error) {
	if (cert == "") != (key == "") {
		return nil, errors.New("--tls-cert and --tls-key go together")
	}
	if cert != "" {
		return certs.Files(cert, key, time.Now)
	}
	if !beyond(addr) {
		return nil, nil
	}
	a, err := certs.Open(authorityIn(data))
	if errors.Is(err, certs.ErrNone) {
		return nil, fmt.Errorf("other computers reach %s, and without encryption what is said could be read on its way, nor does any browser open a microphone there: "+
			"run  leadsman tls init  once, or name a certificate with --tls-cert and --tls-key; behind a proxy on this computer that encrypts, listen on 127.0.0.1", addr)
	}
	if err != nil {
		return nil, err
	}
	return a.Source(time.Now)
}
