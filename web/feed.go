package web

import (
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"leadsman/practice"
)

// feed says whether the calendar of who is due can be read at a secret address.
func (s *server) feed(r *http.Request) (any, error) {
	open, err := s.Practice.Feed(r.Context())
	return map[string]bool{"open": open}, err
}

// openFeed makes a new address, which is told this once; the one before works no more.
func (s *server) openFeed(r *http.Request) (any, error) {
	secret, err := s.Practice.OpenFeed(r.Context())
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return map[string]string{"address": scheme + "://" + r.Host + "/api/feed/" + secret + ".ics"}, err
}

func (s *server) withdrawFeed(r *http.Request) (any, error) {
	if err := s.Practice.WithdrawFeed(r.Context()); err != nil {
		return nil, err
	}
	return s.feed(r)
}

// feedAt answers whoever knows the address, for calendar programs that cannot sign in. A practice in which no day was decided has an
// empty calendar.
func (s *server) feedAt(w http.ResponseWriter, r *http.Request) {
	err := s.Practice.FeedAt(r.Context(), strings.TrimSuffix(r.PathValue("secret"), ".ics"))
	var ds []practice.Due
	if err == nil {
		ds, err = s.Practice.AllDue(r.Context(), practice.DueQuery{})
	}
	var b bytes.Buffer
	if err == nil {
		ds = slices.DeleteFunc(ds, func(d practice.Due) bool { return d.Day == "" })
		if err = s.Calendar(&b, ds); err != nil {
			err = fmt.Errorf("write the calendar: %w", err)
		}
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if s.Ledger != nil {
		s.unseen(r, s.Ledger.Looked(practice.By(r.Context(), feedReader), ""))
	}
	send(w, File{Name: "recalls.ics", Media: "text/calendar; charset=utf-8", Body: b.Bytes()})
}
