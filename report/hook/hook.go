// Package hook sends signed notices over HTTP, in the form of the Standard Webhooks specification 1.0.0 (standardwebhooks.com): the
// headers webhook-id, webhook-timestamp and webhook-signature, the latter an HMAC-SHA256 over id, time and body.
package hook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Bounds of one try (engine's choice).
const (
	patience   = 15 * time.Second
	mostAnswer = 64 << 10 // bytes that are read of an answer, so that the connection can be used again
)

// Client sends notices. It follows no redirects and uses no proxy: a notice goes where an administrator said, or nowhere.
type Client struct{ secure, local *http.Client }

// NewClient makes a Client.
func NewClient() *Client {
	return &Client{secure: client(reachable), local: client(onlyHere)}
}

func client(allowed func(netip.Addr) error) *http.Client {
	dial := &net.Dialer{Timeout: patience, Control: func(_, address string, _ syscall.RawConn) error {
		at, err := netip.ParseAddrPort(address)
		if err != nil {
			return err
		}
		return allowed(at.Addr().Unmap())
	}}
	return &http.Client{Timeout: patience, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{DialContext: dial.DialContext, TLSHandshakeTimeout: patience, ResponseHeaderTimeout: patience, IdleConnTimeout: time.Minute,
			MaxResponseHeaderBytes: mostAnswer, ForceAttemptHTTP2: true}}
}

// reachable judges the address that is dialled, after its name was looked up, so that no name can lead around it. Private addresses are
// allowed: the receiver mostly stands in the practice's own network, and an administrator names it. Link-local ones are not, where
// machines of data centres give out secrets, nor what is no single machine.
func reachable(a netip.Addr) error {
	if a.IsLinkLocalUnicast() || a.IsMulticast() || a.IsUnspecified() || a == netip.AddrFrom4([4]byte{255, 255, 255, 255}) {
		return fmt.Errorf("%s is link-local, or no single machine: nothing is sent there", a)
	}
	return nil
}

// onlyHere is for what goes in clear.
func onlyHere(a netip.Addr) error {
	if !a.IsLoopback() {
		return fmt.Errorf("%s is another machine: notices go there by https alone", a)
	}
	return nil
}

// Check says why nothing can be sent to an address.
func (c *Client) Check(address string) error {
	u, err := url.Parse(address)
	switch {
	case err != nil || u.Host == "" || u.Opaque != "":
		return fmt.Errorf("%q: write an address such as https://records.example/leadsman", address)
	case u.User != nil:
		return errors.New("leave name and password out of the address: notices are signed")
	case u.Fragment != "":
		return errors.New("leave out what follows #: it is never sent")
	case u.Scheme == "https":
	case u.Scheme != "http":
		return fmt.Errorf("%q: only https is sent to, and http on this machine", u.Scheme)
	case !loopback(u.Hostname()):
		return fmt.Errorf("%q is another machine: use https, so that nobody on the way reads or changes notices", u.Hostname())
	}
	if a, err := netip.ParseAddr(strings.Trim(u.Hostname(), "[]")); err == nil {
		return reachable(a.Unmap())
	}
	return nil
}

func loopback(host string) bool {
	a, err := netip.ParseAddr(host)
	return strings.EqualFold(host, "localhost") || err == nil && a.Unmap().IsLoopback()
}

// Send returns nil once the receiver has answered with 2xx. secret is whsec_ and a key in base64; id is the same at every try.
func (c *Client) Send(ctx context.Context, address, secret, id string, at time.Time, body []byte) error {
	if err := c.Check(address); err != nil {
		return err
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, address, bytes.NewReader(body))
	if err != nil {
		return err
	}
	signature, err := sign(secret, id, at, body)
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("User-Agent", "leadsman")
	r.Header.Set("Webhook-Id", id)
	r.Header.Set("Webhook-Timestamp", strconv.FormatInt(at.Unix(), 10))
	r.Header.Set("Webhook-Signature", signature)
	by := c.secure
	if r.URL.Scheme == "http" {
		by = c.local
	}
	res, err := by.Do(r)
	var ue *url.Error
	if errors.As(err, &ue) {
		return ue.Err // without the address, which may hold a secret
	}
	if err != nil {
		return err
	}
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, io.LimitReader(res.Body, mostAnswer)) // what it says does not matter
	switch res.StatusCode / 100 {
	case 2:
		return nil
	case 3:
		return fmt.Errorf("the receiver answered %d and named another address: redirects are not followed, give the right address", res.StatusCode)
	}
	return fmt.Errorf("the receiver answered %d", res.StatusCode)
}

// sign is the header webhook-signature of a notice.
func sign(secret, id string, at time.Time, body []byte) (string, error) {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(secret, "whsec_"))
	if err != nil || len(key) == 0 {
		return "", errors.New("the secret of this hook is no base64")
	}
	h := hmac.New(sha256.New, key)
	fmt.Fprintf(h, "%s.%d.", id, at.Unix())
	h.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(h.Sum(nil)), nil
}
