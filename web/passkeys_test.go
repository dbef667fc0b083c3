package web_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"leadsman/practice"
	"leadsman/web"
)

// device holds a passkey, as W3C Web Authentication, Level 3, sections 6.1 (authenticator data), 6.5 (attestation) and 5.8.1 (client data)
// describe it: ES256, attestation "none".
type device struct {
	t       *testing.T
	key     *ecdsa.PrivateKey
	id      []byte
	user    []byte
	count   uint32
	origin  string
	party   string
	unasked bool // does not ask for the finger
}

var b64 = base64.RawURLEncoding

func newDevice(t *testing.T, origin string) *device {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	d := &device{t: t, key: key, id: make([]byte, 16), origin: origin}
	rand.Read(d.id)
	d.party, _, _ = strings.Cut(strings.TrimPrefix(strings.TrimPrefix(origin, "https://"), "http://"), ":")
	return d
}

func (d *device) client(kind, challenge string) []byte {
	b, _ := json.Marshal(map[string]any{"type": kind, "challenge": challenge, "origin": d.origin, "crossOrigin": false})
	return b
}

func (d *device) authData(flags byte) []byte {
	party := sha256.Sum256([]byte(d.party))
	if d.unasked {
		flags &^= 4
	}
	return binary.BigEndian.AppendUint32(append(party[:], flags), d.count)
}

// question is what the service asks a browser.
type question struct {
	Ticket  string
	Options struct {
		PublicKey struct {
			Challenge string
			RP        struct{ ID string }
			RPID      string
			User      struct{ ID string }
		}
	}
}

// made is the answer to a registration.
func (d *device) made(q question) string {
	d.t.Helper()
	d.user, _ = b64.DecodeString(q.Options.PublicKey.User.ID)
	pub, err := d.key.PublicKey.ECDH()
	if err != nil {
		d.t.Fatal(err)
	}
	xy := pub.Bytes()[1:]
	cose, err := cbor.Marshal(map[int]any{1: 2, 3: -7, -1: 1, -2: xy[:32], -3: xy[32:]})
	if err != nil {
		d.t.Fatal(err)
	}
	data := append(d.authData(0x45), make([]byte, 16)...) // user present and verified, with a key; no model
	data = append(append(binary.BigEndian.AppendUint16(data, uint16(len(d.id))), d.id...), cose...)
	object, err := cbor.Marshal(map[string]any{"fmt": "none", "attStmt": map[string]any{}, "authData": data})
	if err != nil {
		d.t.Fatal(err)
	}
	return d.answer(map[string]any{"clientDataJSON": b64.EncodeToString(d.client("webauthn.create", q.Options.PublicKey.Challenge)), "attestationObject": b64.EncodeToString(object)})
}

// shown is the answer to a sign-in.
func (d *device) shown(q question) string {
	d.t.Helper()
	d.count++
	data, client := d.authData(5), d.client("webauthn.get", q.Options.PublicKey.Challenge)
	hash := sha256.Sum256(client)
	sum := sha256.Sum256(append(append([]byte{}, data...), hash[:]...))
	sig, err := ecdsa.SignASN1(rand.Reader, d.key, sum[:])
	if err != nil {
		d.t.Fatal(err)
	}
	return d.answer(map[string]any{"clientDataJSON": b64.EncodeToString(client), "authenticatorData": b64.EncodeToString(data), "signature": b64.EncodeToString(sig), "userHandle": b64.EncodeToString(d.user)})
}

func (d *device) answer(response map[string]any) string {
	id := b64.EncodeToString(d.id)
	b, _ := json.Marshal(map[string]any{"id": id, "rawId": id, "type": "public-key", "response": response, "clientExtensionResults": map[string]any{}})
	return string(b)
}

// named is a screen that asks for the service by a name that passkeys can be for.
func (c *clinic) named() *screen {
	s := c.screen()
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(c.srv.URL, "http://"))
	s.host = "localhost:" + port
	return s
}

func (s *screen) question(path, body string) (q question) {
	s.c.t.Helper()
	status, _, text := s.ask("POST", path, body)
	if err := json.Unmarshal([]byte(text), &q); status != 200 || err != nil || q.Ticket == "" {
		s.c.t.Fatalf("%s: %d %s %v", path, status, text, err)
	}
	return q
}

const askSignIn = "/api/session/passkey/ask"

func (s *screen) present(ticket, answer string) (status int, code, text string) {
	return s.ask("POST", "/api/session/passkey", fmt.Sprintf(`{"ticket":%q,"answer":%s}`, ticket, answer))
}

// register gives who sits at a screen a device with a passkey.
func (s *screen) register(r practice.Role) *device {
	s.c.t.Helper()
	d := newDevice(s.c.t, "http://"+s.host)
	path := "/api/people/" + s.c.people[r].ID + "/passkeys"
	q := s.question(path+"/ask", `{"password":"`+password+`"}`)
	if q.Options.PublicKey.RP.ID != "localhost" {
		s.c.t.Fatalf("%+v", q)
	}
	if status, _, text := s.ask("POST", path, fmt.Sprintf(`{"ticket":%q,"name":"my phone","answer":%s}`, q.Ticket, d.made(q))); status != 200 || !strings.Contains(text, "my phone") || strings.Contains(text, "publicKey") {
		s.c.t.Fatal(status, text)
	}
	return d
}

// A passkey is registered with the password, signs in at another screen as proven, proves who came by a code, and is removed.
func TestPasskeys(t *testing.T) {
	c := newClinic(t)
	c.close()
	s := c.named().signIn(practice.Supervisor)
	d := s.register(practice.Supervisor)
	o := c.named()
	q := o.question(askSignIn, `{}`)
	if status, _, text := o.present(q.Ticket, d.shown(q)); status != 200 || !strings.Contains(text, "Tess Holm") || !strings.Contains(text, `"sure":true`) {
		t.Fatal(status, text)
	}
	if status, _, _ := o.ask("GET", "/api/patients", ""); status != 200 {
		t.Error("signed in, and nothing is shown", status)
	}
	// Who came by a code proves to be it; nobody else's passkey does that.
	admin := c.named().signIn(practice.Administrator)
	if status, _, text := admin.ask("PUT", "/api/people/"+c.people[practice.Supervisor].ID+"/code", `{"code":"4711"}`); status != 200 {
		t.Fatal(status, text)
	}
	other := c.named().signIn(practice.Clinician)
	foreign := other.register(practice.Clinician)
	if status, _, text := other.ask("POST", "/api/session", `{"code":"4711"}`); status != 200 || !strings.Contains(text, `"sure":false`) {
		t.Fatal(status, text)
	}
	q = other.question(askSignIn, `{"prove":true}`)
	if status, code, text := other.present(q.Ticket, foreign.shown(q)); status != 401 || code != "passkey" {
		t.Error("somebody else's passkey proves who sits here", status, text)
	}
	q = other.question(askSignIn, `{"prove":true}`)
	if status, _, text := other.present(q.Ticket, d.shown(q)); status != 200 || !strings.Contains(text, `"sure":true`) || !strings.Contains(text, "Tess Holm") {
		t.Error(status, text)
	}
	// It is listed for its person and for who manages people, and goes with a password that somebody else gives.
	path := "/api/people/" + c.people[practice.Supervisor].ID
	if status, _, text := admin.ask("GET", path+"/passkeys", ""); status != 200 || strings.Count(text, "my phone") != 1 || strings.Contains(text, "details") {
		t.Error(status, text)
	}
	if status, _, text := admin.ask("PUT", path+"/password", `{"password":"another one to be sure"}`); status != 200 {
		t.Fatal(status, text)
	}
	q = o.question(askSignIn, `{}`)
	if status, code, _ := o.present(q.Ticket, d.shown(q)); status != 401 || code != "passkey" {
		t.Error("the passkey outlives a password from somebody else", status, code)
	}
	if rep, err := c.store.Verify(t.Context()); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
}

// Whatever is not the answer of the person's own device to this very question, for this very address, is refused, and the journal says why.
func TestPasskeysRefused(t *testing.T) {
	c := newClinic(t)
	c.close()
	s := c.named().signIn(practice.Clinician)
	own := "/api/people/" + c.people[practice.Clinician].ID + "/passkeys"
	if status, code, _ := s.ask("POST", own+"/ask", `{"password":"guessed it"}`); status != 401 || code != "wrong" {
		t.Error("registered without the password", status, code)
	}
	if status, code, text := c.screen().signIn(practice.Clinician).ask("POST", own+"/ask", `{"password":"`+password+`"}`); status != 409 || code != "no_name" || !strings.Contains(text, "localhost") {
		t.Error("at an address without a name", status, text)
	}
	if status, code, _ := s.ask("POST", "/api/people/"+c.people[practice.Student].ID+"/passkeys/ask", `{"password":"`+password+`"}`); status != 403 || code != "forbidden" {
		t.Error("registered for somebody else", status, code)
	}
	d := s.register(practice.Clinician)
	o := c.named()
	signedIn := func(what string, d *device, change func(*device)) {
		t.Helper()
		copied := *d
		change(&copied)
		q := o.question(askSignIn, `{}`)
		if status, code, text := o.present(q.Ticket, copied.shown(q)); status != 401 || code != "passkey" {
			t.Errorf("%s: %d %s", what, status, text)
		}
	}
	// A replay: the same answer again, and to another question.
	q := o.question(askSignIn, `{}`)
	answer := d.shown(q)
	if status, _, text := o.present(q.Ticket, answer); status != 200 {
		t.Fatal(status, text)
	}
	if status, code, _ := o.present(q.Ticket, answer); status != 401 || code != "passkey" {
		t.Error("the same answer twice", status, code)
	}
	if status, code, _ := o.present(o.question(askSignIn, `{}`).Ticket, answer); status != 401 || code != "passkey" {
		t.Error("an old answer to a new question", status, code)
	}
	signedIn("a page of another origin", d, func(d *device) { d.origin = "https://evil.example" })
	signedIn("the same name with another port", d, func(d *device) { d.origin = "http://localhost:1" })
	signedIn("for another service", d, func(d *device) { d.party = "evil.example" })
	signedIn("without asking for the finger", d, func(d *device) { d.unasked = true })
	signedIn("with another key", d, func(d *device) { d.key = newDevice(t, d.origin).key })
	signedIn("a copy whose counter stands behind", d, func(d *device) { d.count = 0 })
	signedIn("in somebody else's name", d, func(d *device) { d.user = []byte(c.people[practice.Administrator].ID) })
	signedIn("of nobody", d, func(d *device) { d.user = []byte("nobody") })
	signedIn("never registered", newDevice(t, d.origin), func(n *device) { n.user = d.user })
	q = o.question(askSignIn, `{}`)
	c.now.Add(int64(4 * time.Minute / time.Millisecond))
	if status, code, _ := o.present(q.Ticket, d.shown(q)); status != 401 || code != "passkey" {
		t.Error("after too long a time", status, code)
	}
	for _, bad := range []string{`{}`, `{"ticket":"x"}`, `{"ticket":"x","answer":{}}`, `{"ticket":"x","answer":7}`, `{"ticket":"x","answer":{"id":"x"}}`} {
		if status, code, text := o.ask("POST", "/api/session/passkey", bad); status < 400 || status >= 500 || code == "" {
			t.Errorf("%s: %d %s", bad, status, text)
		}
	}
	// A registration is answered at the screen that asked, once; and a device is one person's.
	thief := c.named().signIn(practice.Student)
	q = s.question(own+"/ask", `{"password":"`+password+`"}`)
	body := func(q question, d *device) string {
		return fmt.Sprintf(`{"ticket":%q,"name":"mine","answer":%s}`, q.Ticket, d.made(q))
	}
	theirs := "/api/people/" + c.people[practice.Student].ID + "/passkeys"
	if status, code, _ := thief.ask("POST", theirs, body(q, newDevice(t, d.origin))); status != 401 || code != "passkey" {
		t.Error("a registration is answered at another screen", status, code)
	}
	q = thief.question(theirs+"/ask", `{"password":"`+password+`"}`)
	same := *d
	if status, code, _ := thief.ask("POST", theirs, body(q, &same)); status != 409 || code != "taken" {
		t.Error("a device of two people", status, code)
	}
	q = s.question(own+"/ask", `{"password":"`+password+`"}`)
	evil := newDevice(t, "https://evil.example")
	if status, code, _ := s.ask("POST", own, body(q, evil)); status != 401 || code != "passkey" {
		t.Error("registered from another origin", status, code)
	}
	q = s.question(own+"/ask", `{"password":"`+password+`"}`)
	if status, code, _ := s.ask("POST", own, fmt.Sprintf(`{"ticket":%q,"name":"a\u202eb","answer":%s}`, q.Ticket, d.made(q))); status != 409 || code != "refused" {
		t.Error("a name that turns", status, code)
	}
	// It still works; removed it does not.
	q = o.question(askSignIn, `{}`)
	if status, _, text := o.present(q.Ticket, d.shown(q)); status != 200 {
		t.Error(status, text)
	}
	if status, code, _ := thief.ask("DELETE", own+"/"+b64.EncodeToString(d.id), ""); status != 403 || code != "forbidden" {
		t.Error("somebody else removes it", status, code)
	}
	if status, _, text := s.ask("DELETE", own+"/"+b64.EncodeToString(d.id), ""); status != 200 {
		t.Fatal(status, text)
	}
	if status, code, _ := s.ask("DELETE", own+"/"+b64.EncodeToString(d.id), ""); status != 404 {
		t.Error("removed twice", status, code)
	}
	signedIn("removed", d, func(*device) {})
	es, err := c.p.Journal(t.Context(), practice.JournalQuery{What: "session.refused", Text: "there is a copy of it"})
	if err != nil || len(es) != 1 || es[0].Who != c.people[practice.Clinician].ID {
		t.Errorf("%+v, %v", es, err)
	}
	if rep, err := c.store.Verify(t.Context()); err != nil || rep.Err() != nil {
		t.Errorf("%+v, %v", rep, err)
	}
}

// Over TLS a passkey is for the configured name, and one of localhost is none there.
func TestPasskeysOverTLS(t *testing.T) {
	c := newClinic(t)
	c.close()
	atHome := c.named().signIn(practice.Clinician).register(practice.Clinician)
	tlsServer := httptest.NewTLSServer(c.srv.Config.Handler)
	defer tlsServer.Close()
	const host = "chart.practice.example"
	c.srv.URL = tlsServer.URL // the screens of this clinic ask there from here on
	secure := func() *screen {
		s := c.screen()
		s.host = host
		s.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: tlsServer.Client().Transport.(*http.Transport).TLSClientConfig.RootCAs, ServerName: "example.com"}}
		return s
	}
	s := secure()
	ask := func(s *screen, path, body string) (q question, text string) {
		t.Helper()
		status, _, text := s.ask("POST", path, body)
		_ = json.Unmarshal([]byte(text), &q)
		return q, fmt.Sprint(status, " ", text)
	}
	if _, text := ask(s, "/api/session", fmt.Sprintf(`{"name":"Ada Quill","password":%q}`, password)); !strings.HasPrefix(text, "200") {
		t.Fatal(text)
	}
	own := "/api/people/" + c.people[practice.Clinician].ID + "/passkeys"
	q, text := ask(s, own+"/ask", `{"password":"`+password+`"}`)
	if q.Options.PublicKey.RP.ID != host {
		t.Fatal(text)
	}
	d := newDevice(t, "https://"+host)
	if _, text := ask(s, own, fmt.Sprintf(`{"ticket":%q,"name":"the tablet","answer":%s}`, q.Ticket, d.made(q))); !strings.HasPrefix(text, "200") {
		t.Fatal(text)
	}
	for _, try := range []struct {
		d    *device
		want string
	}{{d, "200"}, {atHome, "401"}} {
		o := secure()
		q, _ := ask(o, askSignIn, `{}`)
		if q.Options.PublicKey.RPID != host {
			t.Errorf("%+v", q)
		}
		if _, text := ask(o, "/api/session/passkey", fmt.Sprintf(`{"ticket":%q,"answer":%s}`, q.Ticket, try.d.shown(q))); !strings.HasPrefix(text, try.want) {
			t.Errorf("%s: %s", try.d.origin, text)
		}
	}
	plain := *d
	plain.origin = "http://" + host
	o := secure()
	q, _ = ask(o, askSignIn, `{}`)
	if _, text := ask(o, "/api/session/passkey", fmt.Sprintf(`{"ticket":%q,"answer":%s}`, q.Ticket, plain.shown(q))); !strings.HasPrefix(text, "401") {
		t.Errorf("without TLS: %s", text)
	}
}

// Nodes with names of their own share passkeys: one that was registered at a node signs in at another, and a page of a node that is gone asks
// another one. What one node asked is not answered at another: it is asked anew.
func TestPasskeysAtNodes(t *testing.T) {
	c := newClinic(t)
	c.close()
	var srvs [2]*httptest.Server
	var at [2]string
	for i := range srvs {
		srvs[i] = httptest.NewUnstartedServer(nil)
		_, port, _ := net.SplitHostPort(srvs[i].Listener.Addr().String())
		at[i] = []string{"a", "b"}[i] + ".chart.example:" + port
	}
	for i, srv := range srvs {
		p := practice.New(practice.Config{Records: c.store, Now: func() time.Time { return time.UnixMilli(c.now.Load()) }, Log: slog.New(slog.DiscardHandler)})
		srv.Config.Handler = web.New(web.Options{Exams: web.Opener(p.Open), Practice: p, People: p.People, Nodes: []string{"https://" + at[0], "https://" + at[1]}})
		srv.StartTLS()
		defer p.Close()
		defer srvs[i].Close()
	}
	page := func(i int, host string) *screen { // what a page asks of node i under a name
		s := c.screen()
		s.host = host
		pool := srvs[i].Client().Transport.(*http.Transport).TLSClientConfig.RootCAs
		s.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool, ServerName: "example.com"}}
		return s
	}
	ask := func(s *screen, i int, path, body string, header ...string) (q question, text string) {
		t.Helper()
		c.srv.URL = srvs[i].URL
		status, _, text := s.ask("POST", path, body, header...)
		_ = json.Unmarshal([]byte(text), &q)
		return q, fmt.Sprint(status, " ", text)
	}
	s := page(0, at[0])
	if _, text := ask(s, 0, "/api/session", fmt.Sprintf(`{"name":"Ada Quill","password":%q}`, password)); !strings.HasPrefix(text, "200") {
		t.Fatal(text)
	}
	own := "/api/people/" + c.people[practice.Clinician].ID + "/passkeys"
	q, text := ask(s, 0, own+"/ask", `{"password":"`+password+`"}`)
	if q.Options.PublicKey.RP.ID != "chart.example" {
		t.Fatal(text)
	}
	d := newDevice(t, "https://"+at[0])
	d.party = "chart.example"
	if _, text := ask(s, 0, own, fmt.Sprintf(`{"ticket":%q,"name":"the tablet","answer":%s}`, q.Ticket, d.made(q))); !strings.HasPrefix(text, "200") {
		t.Fatal(text)
	}
	present := func(s *screen, i int, q question, header ...string) string {
		t.Helper()
		_, text := ask(s, i, "/api/session/passkey", fmt.Sprintf(`{"ticket":%q,"answer":%s}`, q.Ticket, d.shown(q)), header...)
		return text
	}
	// At the other node's own page, and from a page of the first that asks the other.
	d.origin = "https://" + at[1]
	o := page(1, at[1])
	q, _ = ask(o, 1, askSignIn, `{}`)
	if text := present(o, 1, q); !strings.HasPrefix(text, "200") {
		t.Errorf("at the other node: %s", text)
	}
	d.origin = "https://" + at[0]
	o = page(1, at[1])
	from := []string{"Origin", "https://" + at[0]}
	q, _ = ask(o, 1, askSignIn, `{}`, from...)
	if text := present(o, 1, q, from...); !strings.HasPrefix(text, "200") {
		t.Errorf("from a page of the first node: %s", text)
	}
	// The first node asks, and is gone when the answer comes.
	o = page(0, at[0])
	q, _ = ask(o, 0, askSignIn, `{}`)
	o = page(1, at[1])
	if text := present(o, 1, q, from...); !strings.HasPrefix(text, "401") || !strings.Contains(text, "try again") {
		t.Errorf("asked at one node, answered at another: %s", text)
	}
	q, _ = ask(o, 1, askSignIn, `{}`, from...)
	if text := present(o, 1, q, from...); !strings.HasPrefix(text, "200") {
		t.Errorf("asked anew: %s", text)
	}
	d.origin = "https://evil.chart.example"
	q, _ = ask(o, 1, askSignIn, `{}`)
	if text := present(o, 1, q); !strings.HasPrefix(text, "401") {
		t.Errorf("a page with a like name: %s", text)
	}
}
