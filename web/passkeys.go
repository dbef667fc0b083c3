package web

import (
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"strings"
	"time"

	"leadsman/practice"
)

// siteOf is where a page asks for passkeys. The name is one of the service's own: see guard. Pages of nodes with names of their own ask each
// other's, and have passkeys for what the names have in common.
func (s *server) siteOf(r *http.Request) practice.Site {
	name := r.Host
	if h, _, err := net.SplitHostPort(name); err == nil {
		name = h
	}
	name = strings.ToLower(strings.Trim(name, "[]"))
	if d := nodes(s.Nodes).domain(); d != "" && strings.HasSuffix(name, "."+d) {
		name = d
	}
	origin := "http://" + r.Host
	if r.TLS != nil {
		origin = "https://" + r.Host
	}
	if o := r.Header.Get("Origin"); nodes(s.Nodes).has(o) {
		origin = o
	}
	return practice.Site{Name: name, Origin: origin}
}

// asked is what a browser is asked about passkeys, and the ticket that goes back with its answer.
type asked struct {
	Ticket  string `json:"ticket"`
	Options any    `json:"options"` // as W3C Web Authentication has them in JSON
}

// passkeyShown is a passkey as pages show it.
type passkeyShown struct {
	ID   string    `json:"id"`
	Name string    `json:"name"`
	Host string    `json:"host"`
	Made time.Time `json:"made"`
	Used time.Time `json:"used,omitzero"`
}

func shownPasskey(k practice.Passkey) passkeyShown {
	return passkeyShown{k.ID, k.Name, k.Host, k.Made, k.Used}
}

func (s *server) passkeys(r *http.Request) (any, error) {
	if err := ofOwn(r, ""); err != nil {
		return nil, err
	}
	ks, err := s.People.Passkeys(r.Context(), r.PathValue("id"))
	out := []passkeyShown{}
	for _, k := range ks {
		out = append(out, shownPasskey(k))
	}
	return out, err
}

// holderOf is who registers a passkey: nobody does it for somebody else.
func holderOf(r *http.Request) (*practice.Seat, error) {
	if err := ofOwn(r, ""); err != nil {
		return nil, err
	}
	seat := seatOf(r)
	if r.PathValue("id") != seat.Person.ID {
		return nil, &inputError{http.StatusUnprocessableEntity, "own", "passkeys are registered by their own person, who has the device"}
	}
	return seat, nil
}

func (s *server) askNewPasskey(r *http.Request) (any, error) {
	var in struct {
		Password string `json:"password"`
	}
	seat, err := holderOf(r)
	if err == nil {
		err = read(r, &in)
	}
	if err != nil {
		return nil, err
	}
	if err := limited("password", in.Password, 1000); err != nil {
		return nil, err
	}
	ticket, options, err := s.People.AskNewPasskey(r.Context(), seat, s.siteOf(r), in.Password)
	return asked{ticket, options}, err
}

// answer is what a browser answered, with the ticket of the question.
type passkeyAnswer struct {
	Ticket string          `json:"ticket"`
	Name   string          `json:"name"` // of a new passkey
	Answer json.RawMessage `json:"answer"`
}

func readAnswer(r *http.Request) (in passkeyAnswer, err error) {
	if err = read(r, &in); err == nil {
		err = errors.Join(need("ticket", in.Ticket, maxID), limited("name", in.Name, maxWho), need("answer", string(in.Answer), maxBody))
	}
	return in, err
}

func (s *server) addPasskey(r *http.Request) (any, error) {
	seat, err := holderOf(r)
	if err != nil {
		return nil, err
	}
	in, err := readAnswer(r)
	if err != nil {
		return nil, err
	}
	k, err := s.People.AddPasskey(r.Context(), seat, s.siteOf(r), in.Ticket, in.Name, in.Answer)
	return shownPasskey(k), err
}

func (s *server) removePasskey(r *http.Request) (any, error) {
	if err := provenOwn(r); err != nil {
		return nil, err
	}
	return struct{}{}, s.People.RemovePasskey(r.Context(), r.PathValue("id"), r.PathValue("key"))
}

func (s *server) askPasskey(r *http.Request) (any, error) {
	var in struct {
		Prove bool `json:"prove"` // only who sits there already
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	ticket, options, err := s.People.AskPasskey(r.Context(), seatOf(r), s.siteOf(r), in.Prove)
	return asked{ticket, options}, err
}

// passkey seats whose passkey answered.
func (s *server) passkey(w http.ResponseWriter, r *http.Request) {
	in, err := readAnswer(r)
	token := ""
	if err == nil {
		token, err = s.People.Passkey(r.Context(), seatOf(r), s.siteOf(r), in.Ticket, in.Answer)
	}
	s.give(w, r, token, err)
}
