package web

import (
	"cmp"
	"context"
	"errors"
	"net"
	"net/http"
	"slices"
	"strings"

	"leadsman/chart"
	"leadsman/practice"
)

type seatKey struct{}

// seatOf is who sends a request; serve has put it there.
func seatOf(r *http.Request) *practice.Seat {
	seat, _ := r.Context().Value(seatKey{}).(*practice.Seat)
	return seat
}

// Names of the session's cookie. Browsers take the one with the prefix over TLS alone and from this host alone.
const (
	cookieName    = "leadsman"
	cookieNameTLS = "__Host-leadsman"
	// The cookie that nodes with other names get as well has this one.
	cookieNameNodes = "__Secure-leadsman"
)

func (s *server) cookieOf(r *http.Request) string {
	switch {
	case r.TLS == nil:
		return cookieName
	case nodes(s.Nodes).domain() != "":
		return cookieNameNodes
	}
	return cookieNameTLS
}

// here reports whether a request comes from this machine, under one of its own names.
func here(r *http.Request) bool {
	from, _, err := net.SplitHostPort(r.RemoteAddr)
	ip := net.ParseIP(from)
	if err != nil || ip == nil || !ip.IsLoopback() {
		return false
	}
	name := r.Host
	if h, _, err := net.SplitHostPort(name); err == nil {
		name = h
	}
	name = strings.Trim(name, "[]")
	ip = net.ParseIP(name)
	return strings.EqualFold(name, "localhost") || ip != nil && ip.IsLoopback()
}

// seated finds out who sends a request. What is changed for it is journalled under that person.
func (s *server) seated(r *http.Request) (*http.Request, *practice.Seat, error) {
	var seat *practice.Seat
	var err error
	if key, ok := keyOf(r); ok {
		seat, err = s.enter(r, key)
	} else {
		token := ""
		if c, err := r.Cookie(s.cookieOf(r)); err == nil {
			token = c.Value
		}
		seat, err = s.People.Seat(r.Context(), token, here(r))
	}
	if err != nil {
		return r, nil, err
	}
	ctx := practice.By(context.WithValue(r.Context(), seatKey{}, seat), seat.Person.ID)
	return r.WithContext(ctx), seat, nil
}

// rights of verbs that are more than examining.
var verbRight = map[chart.Verb]practice.Right{
	chart.VerbPlan:      practice.Decide,
	chart.VerbSign:      practice.Sign,
	chart.VerbCosign:    practice.Cosign,
	chart.VerbAmend:     practice.Amend,
	chart.VerbVoid:      practice.Correct,
	chart.VerbReinstate: practice.Correct,
}

// mayDo says why the person may not give a command: each of its acts takes its right, in whatever company it comes.
func mayDo(seat *practice.Seat, c chart.Command) error {
	for _, a := range c.Acts {
		if err := seat.May(cmp.Or(verbRight[a.Verb], practice.Examine)); err != nil {
			return err
		}
	}
	return nil
}

// ofOwn lets in who asks for something of the own account, with a right or without one, and who manages people.
func ofOwn(r *http.Request, right practice.Right) error { return ofSelf(r, r.PathValue("id"), right) }

// provenOwn is ofOwn for what somebody who came by a short code may not change: with a code alone nobody takes over an account.
func provenOwn(r *http.Request) error {
	if err := ofOwn(r, ""); err != nil {
		return err
	}
	if !seatOf(r).Sure {
		return practice.ErrProve
	}
	return nil
}

func ofSelf(r *http.Request, person string, right practice.Right) error {
	seat := seatOf(r)
	if err := seat.May(practice.ManagePeople); err == nil || person != seat.Person.ID || person == "" {
		return err
	}
	if right == "" {
		return nil
	}
	return seat.May(right)
}

// session says who sits at the screen and what may be done there.
func (s *server) session(r *http.Request) (any, error) {
	seat := seatOf(r)
	type person struct {
		ID    string          `json:"id"`
		Name  string          `json:"name"`
		Roles []practice.Role `json:"roles"`
	}
	var out struct {
		Person *person          `json:"person"` // null: nobody
		Open   bool             `json:"open"`   // nobody has a password: choose who you are
		Sure   bool             `json:"sure"`   // the person proved to be it
		Proof  bool             `json:"proof"`  // the person has a password to prove it with
		Rights []practice.Right `json:"rights"`
		People []person         `json:"people"` // to choose from, in an open practice
	}
	out.Open, out.Sure, out.Rights, out.People = seat.Open, seat.Sure, seat.Rights(), []person{}
	if p := seat.Person; p.ID != "" {
		out.Person, out.Proof = &person{p.ID, p.Name, p.Roles}, p.Password
	}
	if seat.Open {
		all, err := s.People.All(r.Context())
		if err != nil {
			return nil, err
		}
		for _, p := range all {
			if !p.Retired {
				out.People = append(out.People, person{p.ID, p.Name, p.Roles})
			}
		}
	}
	return out, nil
}

// give hands the browser its token and says who sits there now.
func (s *server) give(w http.ResponseWriter, r *http.Request, token string, err error) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	// #nosec G124 -- without TLS there is this computer alone: Secure would keep the cookie from coming back
	c := &http.Cookie{Name: s.cookieOf(r), Value: token, Path: "/", Domain: nodes(s.Nodes).domain(), HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode}
	if token == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
	r = r.Clone(r.Context())
	r.Header.Del("Cookie")
	if token != "" {
		r.AddCookie(c)
	}
	r, _, err = s.seated(r)
	var v any
	if err == nil {
		v, err = s.session(r)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	reply(w, http.StatusOK, v)
}

// signIn seats somebody: by name and password, by the short code of a person at a screen in use, or by choice in an open practice.
func (s *server) signIn(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Person   string `json:"person"`
		Name     string `json:"name"`
		Password string `json:"password"`
		Code     string `json:"code"`
	}
	err := read(r, &in)
	if err == nil {
		err = errors.Join(limited("name", in.Name, maxWho), limited("password", in.Password, 1000), limited("code", in.Code, maxID), limited("person", in.Person, maxID))
	}
	token := ""
	if err == nil {
		switch seat := seatOf(r); {
		case in.Code != "":
			token, err = s.People.Switch(r.Context(), seat, in.Code)
		case in.Person != "":
			token, err = s.People.Choose(r.Context(), seat, in.Person)
		default:
			from, _, _ := net.SplitHostPort(r.RemoteAddr)
			token, err = s.People.SignIn(r.Context(), seat, in.Name, in.Password, from)
		}
	}
	s.give(w, r, token, err)
}

// prove takes the password of who sits there.
func (s *server) prove(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Password string `json:"password"`
	}
	err := read(r, &in)
	token := ""
	if err == nil {
		token, err = s.People.Prove(r.Context(), seatOf(r), in.Password)
	}
	s.give(w, r, token, err)
}

func (s *server) signOut(w http.ResponseWriter, r *http.Request) {
	s.People.SignOut(r.Context(), seatOf(r))
	s.give(w, r, "", nil)
}

func (s *server) people(r *http.Request) (any, error) {
	all, err := s.People.All(r.Context())
	return append([]practice.Person{}, all...), err
}

func (s *server) savePerson(r *http.Request) (any, error) {
	var in struct {
		Name    string          `json:"name"`
		Roles   []practice.Role `json:"roles"`
		Retired bool            `json:"retired"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := need("name", in.Name, maxWho); err != nil {
		return nil, err
	}
	return s.Practice.SavePerson(r.Context(), practice.Person{ID: r.PathValue("id"), Name: in.Name, Roles: in.Roles, Retired: in.Retired})
}

// setPassword changes a password. One's own takes the former one, so that a screen that was left does not change it.
func (s *server) setPassword(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Password string `json:"password"` // "": none from here on
		Former   string `json:"former"`
	}
	seat, id := seatOf(r), r.PathValue("id")
	err := read(r, &in)
	if err == nil {
		err = ofOwn(r, "")
	}
	own := err == nil && id == seat.Person.ID
	if own && seat.Person.Password {
		err = s.People.Is(r.Context(), seat, in.Former)
	}
	if err == nil {
		err = s.People.SetPassword(r.Context(), seat, id, in.Password)
	}
	if err != nil || !own {
		if err != nil {
			s.fail(w, r, err)
		} else {
			reply(w, http.StatusOK, struct{}{})
		}
		return
	}
	token := ""
	if in.Password != "" {
		from, _, _ := net.SplitHostPort(r.RemoteAddr)
		token, err = s.People.SignIn(r.Context(), seat, seat.Person.Name, in.Password, from)
	}
	s.give(w, r, token, err)
}

func (s *server) setCode(r *http.Request) (any, error) {
	var in struct {
		Code string `json:"code"` // "": none from here on
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := provenOwn(r); err != nil {
		return nil, err
	}
	return struct{}{}, s.People.SetCode(r.Context(), seatOf(r), r.PathValue("id"), in.Code)
}

func (s *server) waiting(r *http.Request) (any, error) {
	vs, err := s.Practice.Waiting(r.Context())
	return append([]practice.Visit{}, vs...), err
}

// move gives an exam to the patient whose it is.
func (s *server) move(r *http.Request) (any, error) {
	var in struct {
		Patient string `json:"patient"`
		Reason  string `json:"reason"`
		ID      string `json:"id"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := errors.Join(need("patient", in.Patient, maxID), need("reason", in.Reason, 1000), need("id", in.ID, maxID)); err != nil {
		return nil, err
	}
	ctx, done := working(r)
	defer done()
	if err := s.Practice.MoveExam(ctx, r.PathValue("id"), in.Patient, in.Reason, seatOf(r).Caller(), in.ID); err != nil {
		return nil, err
	}
	return s.Practice.Visit(ctx, r.PathValue("id"))
}

// merge keeps all of a patient under another one.
func (s *server) merge(r *http.Request) (any, error) {
	var in struct {
		Into   string `json:"into"`
		Reason string `json:"reason"`
	}
	if err := read(r, &in); err != nil {
		return nil, err
	}
	if err := errors.Join(need("into", in.Into, maxID), need("reason", in.Reason, 1000)); err != nil {
		return nil, err
	}
	ctx, done := working(r)
	defer done()
	if err := s.Practice.MergePatients(ctx, r.PathValue("id"), in.Into, in.Reason, seatOf(r).Caller()); err != nil {
		return nil, err
	}
	return s.Practice.Patient(ctx, in.Into)
}

// speaker is the examiner whose voice a microphone is opened for: who sits at the screen. Only where anybody may say who he is may
// it be another one.
func speaker(r *http.Request) (string, error) {
	seat, voice := seatOf(r), r.URL.Query().Get("voice")
	if voice == "" || voice == seat.Person.ID || seat.Open {
		if voice == "" {
			voice = seat.Person.ID
		}
		return voice, nil
	}
	return "", &practice.ForbiddenError{Right: practice.Examine, Who: seat.Person.Name, Roles: slices.Clone(seat.Person.Roles)}
}
