package e2e

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/webauthn"
	"github.com/chromedp/chromedp"
)

// device gives the page a device with passkeys that somebody unlocks by finger.
func (p *page) device() webauthn.AuthenticatorID {
	p.t.Helper()
	if _, err := chromedp.Call(p.ctx, webauthn.Enable, webauthn.EnableParams{}); err != nil {
		p.t.Fatal(err)
	}
	yes := true
	d, err := chromedp.Call(p.ctx, webauthn.AddVirtualAuthenticator, webauthn.AddVirtualAuthenticatorParams{Options: &webauthn.VirtualAuthenticatorOptions{Protocol: webauthn.AuthenticatorProtocolCtap2,
		Transport: webauthn.AuthenticatorTransportInternal, HasResidentKey: yes, HasUserVerification: yes, IsUserVerified: yes, AutomaticPresenceSimulation: yes}})
	if err != nil {
		p.t.Fatal(err)
	}
	return d.AuthenticatorID
}

// key and heldKey are the parameters of WebAuthn.addCredential without those that a plain device has not.
type key struct {
	ID       []byte  `json:"credentialId"`
	Resident bool    `json:"isResidentCredential"`
	Party    string  `json:"rpId"`
	Private  []byte  `json:"privateKey"`
	User     []byte  `json:"userHandle"`
	Count    float64 `json:"signCount"`
}
type heldKey struct {
	Device webauthn.AuthenticatorID `json:"authenticatorId"`
	Key    key                      `json:"credential"`
}

var addKey = cdp.Command[heldKey, cdp.Empty]{Method: webauthn.CommandAddCredential}

// A passkey is registered on the page of people, signs in, is refused as a copy and once it is removed: on this machine, and over TLS under
// the service's own name.
func TestPasskeys(t *testing.T) {
	t.Parallel()
	w := newStaff(t)
	secure := httptest.NewTLSServer(w.srv.Config.Handler)
	t.Cleanup(func() { secure.CloseClientConnections(); secure.Close() })
	_, port, _ := strings.Cut(strings.TrimPrefix(secure.URL, "https://"), ":")
	spki := sha256.Sum256(secure.Certificate().RawSubjectPublicKeyInfo)
	b := startBrowser(t, "host-resolver-rules=MAP chart.practice.example 127.0.0.1", "ignore-certificate-errors-spki-list="+base64.StdEncoding.EncodeToString(spki[:]))
	for _, base := range []string{strings.Replace(w.url, "127.0.0.1", "localhost", 1), "https://chart.practice.example:" + port} {
		t.Run(strings.SplitN(base, ":", 2)[0], func(t *testing.T) { passkeyAt(t, b, base) })
	}
	p := open(t, b, w.url+"/people")
	p.signIn("Ada Quill")
	p.until("an address without a name leads to one", `document.querySelector("ls-people a[href^='http://localhost:']")`)
}

func passkeyAt(t *testing.T, b context.Context, base string) {
	t.Helper()
	p := open(t, b, base+"/people")
	device := p.device()
	p.signIn("Ada Quill")
	p.until("a passkey can be added", `document.querySelector("#keypassword")`)
	p.click("#keypassword")
	p.keys(staffPassword)
	p.click("#keyname")
	p.keys("my phone\r")
	p.until("it is listed", `/my phone/.test(document.querySelector("ls-people .secrets li b")?.innerText)`)
	scan(t, p, "passkeys")
	shot(t, p, "passkeys-"+base[:5])
	signOut := func() {
		t.Helper()
		p.click("button.seat")
		p.until("the box", `document.querySelector("dialog.seat[open]")`)
		eval[bool](p, `([...document.querySelectorAll("dialog.seat button")].find((b) => b.textContent === "Sign out").click(), true)`)
		p.until("somebody is asked for", `document.querySelector("dialog.seat[open] #seatname") && /Sign in/.test(document.querySelector("main").innerText)`)
	}
	// The box is drawn anew when the page finds out that nobody sits there: what is clicked is what is there then.
	present := func() {
		t.Helper()
		eval[bool](p, `(document.querySelector("dialog.seat[open] button.passkey").click(), true)`)
	}
	signOut()
	shot(t, p, "passkeys-sign-in-"+base[:5])
	present()
	p.sits("Ada Quill")
	if sure := eval[bool](p, `(async () => (await (await fetch("/api/session")).json()).sure)()`); !sure {
		t.Error("a passkey proves nothing")
	}
	// A copy of the device, whose counter stands behind.
	held, err := chromedp.Call(p.ctx, webauthn.GetCredentials, webauthn.GetCredentialsParams{AuthenticatorID: device})
	if err != nil || len(held.Credentials) != 1 {
		t.Fatal(held, err)
	}
	again := func(count float64) {
		t.Helper()
		was := held.Credentials[0]
		c := heldKey{device, key{was.CredentialID, true, was.RpID, was.PrivateKey, was.UserHandle, count}}
		if _, err := chromedp.Call(p.ctx, webauthn.ClearCredentials, webauthn.ClearCredentialsParams{AuthenticatorID: device}); err != nil {
			t.Fatal(err)
		}
		if _, err := chromedp.Call(p.ctx, addKey, c); err != nil {
			t.Fatal(err)
		}
	}
	refused := func(what string) {
		t.Helper()
		signOut()
		present()
		p.until(what+" is refused", `/not taken/.test(document.querySelector("dialog.seat[open] .fault").innerText)`)
		eval[bool](p, fmt.Sprintf(`(document.querySelector("#seatname").value = "Ada Quill", document.querySelector("#seatpassword").value = %q, true)`, staffPassword))
		p.click("dialog.seat button.main")
		p.sits("Ada Quill")
	}
	again(0)
	refused("a copy")
	again(held.Credentials[0].SignCount + 10)
	// Removed.
	p.goTo(base + "/people")
	p.click(`button[aria-label="Remove the passkey my phone"]`)
	p.until("none is listed", `/None yet/.test(document.querySelector("ls-people").innerText)`)
	refused("a removed one")
}
