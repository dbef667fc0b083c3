package practice

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"leadsman/exam"
)

// Person is somebody who works here: an account, and for those who examine the examiner whose voice is heard.
type Person struct {
	ID      string `json:"id"` // made when empty
	Name    string `json:"name"`
	Roles   []Role `json:"roles"`
	Retired bool   `json:"retired"` // works here no longer; kept for old exams
	// What the account has beside the name. Set by the calls that change them.
	Password bool `json:"password"`
	Code     bool `json:"code"`
	// Voice is the person's voice profile; nil: none. Filled in by Voices.
	Voice *VoiceInfo `json:"voice,omitempty"`
}

// Is reports whether the person has one of the roles.
func (p *Person) Is(roles ...Role) bool {
	return slices.ContainsFunc(roles, func(r Role) bool { return slices.Contains(p.Roles, r) })
}

// Caller is the person as who makes a call.
func (p *Person) Caller() exam.Caller {
	return exam.Caller{Person: p.ID, Who: p.Name, Student: p.Is(Student)}
}

// maxName is more than a name has, in bytes.
const maxName = 120

// Check tidies the name and the roles, and says what cannot be kept (ErrInvalid).
func (p *Person) Check() (err error) {
	if p.Name, err = cleanName(p.Name, maxName); err != nil {
		return err
	}
	var roles []Role
	for _, r := range Roles() {
		if slices.Contains(p.Roles, r) {
			roles = append(roles, r)
		}
	}
	for _, r := range p.Roles {
		if !slices.Contains(roles, r) {
			return fmt.Errorf("role %q: use %s: %w", r, wordsOf(Roles()), ErrInvalid)
		}
	}
	if len(roles) == 0 {
		return fmt.Errorf("roles: give at least one of %s: %w", wordsOf(Roles()), ErrInvalid)
	}
	p.Roles = roles
	return nil
}

// cleanName tidies the spaces of a name. It has something to read in it, and nothing that is not seen or that turns the direction of
// what stands beside it: in a list or on paper such a name could look like another.
func cleanName(name string, max int) (string, error) {
	bad := func(what string) (string, error) { return "", fmt.Errorf("name: %s: %w", what, ErrInvalid) }
	name = strings.Join(strings.FieldsFunc(name, func(r rune) bool { return unicode.Is(unicode.Zs, r) || r == '\t' }), " ")
	switch {
	case name == "":
		return bad("must not be empty")
	case len(name) > max:
		return bad(fmt.Sprintf("%d bytes, at most %d are kept", len(name), max))
	case strings.ToValidUTF8(name, "") != name:
		return bad("is no text")
	case !strings.ContainsFunc(name, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }):
		return bad("has no letter")
	}
	for _, r := range name {
		joins := r == '\u200c' || r == '\u200d' // letters of some scripts need them
		if unicode.Is(unicode.Bidi_Control, r) || unicode.In(r, unicode.Cc, unicode.Zl, unicode.Zp, unicode.Co, unicode.Cf) && !joins {
			return bad(fmt.Sprintf("has the character U+%04X, which cannot be seen: type it anew", r))
		}
	}
	return name, nil
}

func wordsOf(roles []Role) string {
	out := make([]string, len(roles))
	for i, r := range roles {
		out[i] = string(r)
	}
	return strings.Join(out, ", ")
}
