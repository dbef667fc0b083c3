package practice

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"slices"
	"time"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"
)

// Passkey is a key pair that a device of a person holds for one name of the service (W3C Web Authentication, Level 3). With it somebody
// signs in without a password; the device asks for its own proof, such as a fingerprint.
type Passkey struct {
	ID      string              `json:"id"` // of the credential, base64url
	Person  string              `json:"person"`
	Name    string              `json:"name"` // how the person calls it
	Host    string              `json:"host"` // the name of the service that it is for
	Made    time.Time           `json:"made"`
	Used    time.Time           `json:"used,omitzero"`
	Details webauthn.Credential `json:"details"` // public key and counter
}

// Site is where a page asks: a passkey is for one name, and is refused at another.
type Site struct {
	Name   string // of the service; where several nodes have names of their own, what these end in
	Origin string // of the page: https://HOST:PORT
}

var (
	// ErrNoName means that passkeys cannot be used at an address without a name.
	ErrNoName = errors.New("passkeys need a name in the address: open this page as localhost, or by the name of the service")
	// ErrPasskey means that a passkey is not taken, for a reason that the journal has.
	ErrPasskey = errors.New("this passkey is not taken: try again, or sign in with the password")
)

const (
	askedFor     = 3 * time.Minute // a challenge is good for so long, and once
	mostAsked    = 10_000          // challenges at a time; more is an attack, in which some are forgotten
	mostPasskeys = 20              // of a person
)

// ceremony is a challenge that waits for its answer, at the node that gave it: a page goes to another one only where this one is gone, and
// then asks anew.
type ceremony struct {
	data   webauthn.SessionData
	site   Site
	person string // who registers or proves; "": who signs in
	token  string // of the screen that registers, hashed
	until  time.Time
}

// party is the service as passkeys know it.
func (s Site) party() (*webauthn.WebAuthn, error) {
	if s.Name == "" || net.ParseIP(s.Name) != nil {
		return nil, ErrNoName
	}
	return webauthn.New(&webauthn.Config{RPID: s.Name, RPDisplayName: "Leadsman", RPOrigins: []string{s.Origin}, AttestationPreference: protocol.PreferNoAttestation,
		AuthenticatorSelection: protocol.AuthenticatorSelection{ResidentKey: protocol.ResidentKeyRequirementRequired, RequireResidentKey: protocol.ResidentKeyRequired(), UserVerification: protocol.VerificationRequired}})
}

// holder is a person as the library asks for one.
type holder struct {
	Person
	keys []Passkey
}

func (h *holder) WebAuthnID() []byte          { return []byte(h.ID) }
func (h *holder) WebAuthnName() string        { return h.Name }
func (h *holder) WebAuthnDisplayName() string { return h.Name }
func (h *holder) WebAuthnCredentials() (out []webauthn.Credential) {
	for _, k := range h.keys {
		out = append(out, k.Details)
	}
	return out
}

// holder is a person with the passkeys for a name of the service.
func (p *People) holder(ctx context.Context, person, host string) (*holder, error) {
	x, err := p.person(ctx, person)
	if err != nil {
		return nil, err
	}
	keys, err := p.records.Passkeys(ctx, person)
	return &holder{x, slices.DeleteFunc(keys, func(k Passkey) bool { return k.Host != host })}, err
}

// ask keeps a challenge and gives the ticket with which it is answered. The caller holds mu.
func (p *People) ask(c ceremony) string {
	for ticket := range p.asked {
		if len(p.asked) < mostAsked {
			break
		}
		delete(p.asked, ticket)
	}
	ticket := rand.Text()
	c.until = p.now().Add(askedFor)
	p.asked[ticket] = c
	return ticket
}

// answered gives the challenge of a ticket, once. The caller holds mu.
func (p *People) answered(ticket string, s Site) (ceremony, error) {
	c, there := p.asked[ticket]
	delete(p.asked, ticket)
	if !there || p.now().After(c.until) || c.site != s {
		return c, fmt.Errorf("the question was answered before, or too late: %w", ErrPasskey)
	}
	return c, nil
}

// Passkeys lists those of a person, without what they are proven with.
func (p *People) Passkeys(ctx context.Context, person string) ([]Passkey, error) {
	if _, err := p.person(ctx, person); err != nil {
		return nil, err
	}
	return p.records.Passkeys(ctx, person)
}

// AskNewPasskey begins to register a passkey of who sits at a screen, which takes the password once more: a screen that was left does
// not do it. It gives a ticket and what the browser is asked.
func (p *People) AskNewPasskey(ctx context.Context, s *Seat, at Site, password string) (ticket string, options any, err error) {
	party, err := at.party()
	if err != nil {
		return "", nil, err
	}
	if s.Person.ID != "" && !s.Person.Password {
		return "", nil, fmt.Errorf("passkey: set a password first, which is the way in when the device is lost: %w", ErrInvalid)
	}
	if err := p.Is(ctx, s, password); err != nil {
		return "", nil, err
	}
	h, err := p.holder(ctx, s.Person.ID, party.Config.RPID)
	if err != nil {
		return "", nil, err
	}
	all, err := p.records.Passkeys(ctx, s.Person.ID)
	if err != nil {
		return "", nil, err
	}
	if len(all) >= mostPasskeys {
		return "", nil, fmt.Errorf("passkey: %d are there already, remove one first: %w", len(all), ErrInvalid)
	}
	var there []protocol.CredentialDescriptor
	for _, k := range h.keys {
		there = append(there, k.Details.Descriptor())
	}
	made, data, err := party.BeginRegistration(h, webauthn.WithExclusions(there))
	if err != nil {
		return "", nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ask(ceremony{data: *data, site: at, person: s.Person.ID, token: hashed(s.token)}), made, nil
}

// AddPasskey registers what the browser answered.
func (p *People) AddPasskey(ctx context.Context, s *Seat, at Site, ticket, name string, answer json.RawMessage) (Passkey, error) {
	name, err := cleanName(name, maxName)
	if err != nil {
		return Passkey{}, err
	}
	party, err := at.party()
	if err != nil {
		return Passkey{}, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	c, err := p.answered(ticket, at)
	if err != nil {
		return Passkey{}, err
	}
	if c.person == "" || c.person != s.Person.ID || c.token != hashed(s.token) {
		return Passkey{}, fmt.Errorf("the question was asked at another screen: %w", ErrPasskey)
	}
	h, err := p.holder(ctx, c.person, party.Config.RPID)
	if err != nil {
		return Passkey{}, err
	}
	parsed, err := protocol.ParseCredentialCreationResponseBytes(answer)
	if err != nil {
		return Passkey{}, p.refused(ctx, c.person, err)
	}
	made, err := party.CreateCredential(h, c.data, parsed)
	if err != nil {
		return Passkey{}, p.refused(ctx, c.person, err)
	}
	made.Attestation = webauthn.CredentialAttestation{} // who made the device is nothing to keep
	k := Passkey{ID: base64.RawURLEncoding.EncodeToString(made.ID), Person: c.person, Name: name, Host: party.Config.RPID, Made: p.now(), Details: *made}
	return k, p.records.PutPasskey(ctx, k)
}

// refused journals why a passkey was not taken.
func (p *People) refused(ctx context.Context, person string, why error) error {
	var fault *protocol.Error
	text := why.Error()
	if errors.As(why, &fault) {
		text = fault.Details
	}
	return errors.Join(ErrPasskey, p.records.Note(By(ctx, person), "session.refused", "", "passkey: "+text))
}

// AskPasskey begins to sign somebody in, or to have who sits at a screen prove to be it.
func (p *People) AskPasskey(ctx context.Context, s *Seat, at Site, prove bool) (ticket string, options any, err error) {
	party, err := at.party()
	if err != nil {
		return "", nil, err
	}
	var asked *protocol.CredentialAssertion
	var data *webauthn.SessionData
	person := ""
	if prove {
		if person = s.Person.ID; person == "" {
			return "", nil, ErrSignIn
		}
		h, err := p.holder(ctx, person, party.Config.RPID)
		if err != nil {
			return "", nil, err
		}
		if len(h.keys) == 0 {
			return "", nil, fmt.Errorf("you have no passkey for this address: %w", ErrInvalid)
		}
	}
	if asked, data, err = party.BeginDiscoverableLogin(webauthn.WithUserVerification(protocol.VerificationRequired)); err != nil {
		return "", nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.ask(ceremony{data: *data, site: at, person: person}), asked, nil
}

// Passkey seats whose passkey answered. It proves who it is: the device asked for that.
func (p *People) Passkey(ctx context.Context, s *Seat, at Site, ticket string, answer json.RawMessage) (token string, err error) {
	party, err := at.party()
	if err != nil {
		return "", err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.load(ctx); err != nil {
		return "", err
	}
	c, err := p.answered(ticket, at)
	if err != nil {
		return "", err
	}
	parsed, err := protocol.ParseCredentialRequestResponseBytes(answer)
	if err != nil {
		return "", p.refused(ctx, c.person, err)
	}
	var whose *holder
	_, used, err := party.ValidatePasskeyLogin(func(id, person []byte) (webauthn.User, error) {
		var err error
		whose, err = p.holder(ctx, string(person), party.Config.RPID)
		if err != nil {
			return nil, err
		}
		return whose, nil
	}, c.data, parsed)
	if err != nil {
		return "", p.refused(ctx, c.person, err)
	}
	i := slices.IndexFunc(whose.keys, func(k Passkey) bool { return bytes.Equal(k.Details.ID, used.ID) })
	switch {
	case i < 0:
		err = errors.New("it was removed")
	case used.Authenticator.CloneWarning:
		err = errors.New("its counter went back: there is a copy of it")
	case whose.Retired:
		err = errors.New("the person works here no longer")
	case !whose.Password || !p.closed:
		err = errors.New("the person has no password")
	case c.person != "" && (c.person != whose.ID || s.Person.ID != whose.ID):
		err = errors.New("it is somebody else's")
	}
	if err != nil {
		return "", p.refused(ctx, whose.ID, err)
	}
	k := whose.keys[i]
	k.Details, k.Used = *used, p.now()
	if err := p.records.PutPasskey(By(ctx, whose.ID), k); err != nil {
		return "", err
	}
	return p.begin(ctx, s, whose.Person, true)
}

// RemovePasskey takes a passkey away; sessions go on.
func (p *People) RemovePasskey(ctx context.Context, person, id string) error {
	return p.records.DeletePasskey(ctx, person, id)
}
