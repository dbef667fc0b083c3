package web_test

import (
	"context"

	"leadsman/practice"
	"leadsman/web"
)

// solo is an open practice with one person, who has every role.
type solo struct{ web.People }

func (solo) Seat(context.Context, string, bool) (*practice.Seat, error) {
	return &practice.Seat{Person: practice.Person{ID: "ada", Name: "Ada Quill", Roles: practice.Roles()}, Open: true, Sure: true}, nil
}
func (solo) Listens(*practice.Seat) {}
