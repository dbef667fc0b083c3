package chart

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Signature is somebody's word that what the exam holds is right.
type Signature struct {
	Call   uint64 `json:"call"`
	Time   int64  `json:"time"` // Unix milliseconds
	Person string `json:"person,omitempty"`
	Who    string `json:"who"`
	Co     bool   `json:"co,omitempty"`    // a co-signature
	Waits  bool   `json:"waits,omitempty"` // a student's: it stands once somebody co-signed after it
}

// Amendment is a value that was changed after the exam was signed. What stood there before stays in the log.
type Amendment struct {
	Call   uint64 `json:"call"`
	Time   int64  `json:"time"` // Unix milliseconds
	Person string `json:"person,omitempty"`
	Who    string `json:"who"`
	Reason string `json:"reason"`
	Tooth  Tooth  `json:"tooth,omitempty"` // 0: of the patient's inputs
	Site   *Site  `json:"site,omitempty"`  // nil: of the tooth
	Field  Field  `json:"field,omitempty"`
	Was    string `json:"was"`   // as Act.Was writes values; of the patient's inputs JSON
	Value  string `json:"value"` // likewise
}

// Place says where it was amended, teeth in numbering n: "16.DB.depth", "16.mobility", or "patient" for the answers about the patient.
func (a *Amendment) Place(n Numbering) string {
	switch {
	case a.Tooth == 0:
		return "patient"
	case a.Site == nil:
		return a.Tooth.Label(n) + "." + string(a.Field)
	}
	return a.Tooth.Label(n) + "." + a.Site.String() + "." + string(a.Field)
}

// Values writes what stood there and what stands there now for people: "not recorded", "yes", "missing", "4.5"; of the answers about the
// patient those that the amendment gives: "cigarettes per day 5, diabetes no".
func (a *Amendment) Values() (was, is string) {
	if a.Tooth != 0 {
		return a.say(a.Was), a.say(a.Value)
	}
	var before, now map[string]any
	if json.Unmarshal([]byte(a.Was), &before) != nil || json.Unmarshal([]byte(a.Value), &now) != nil {
		return a.Was, a.Value
	}
	return strings.Join(answers("", before, now), ", "), strings.Join(answers("", now, now), ", ")
}

// answers writes those of the answers that another object gives too.
func answers(of string, all, given map[string]any) (out []string) {
	for _, key := range slices.Sorted(maps.Keys(given)) {
		name := of + strings.ReplaceAll(key, "_", " ")
		if part, ok := given[key].(map[string]any); ok {
			whole, _ := all[key].(map[string]any)
			out = append(out, answers(name+" ", whole, part)...)
			continue
		}
		say := "not recorded"
		switch v := all[key].(type) {
		case nil:
		case bool:
			say = map[bool]string{true: "yes", false: "no"}[v]
		case []any:
			say = cmp.Or(strings.Trim(fmt.Sprint(v), "[]"), "none")
		default:
			say = fmt.Sprint(v)
		}
		out = append(out, name+" "+say)
	}
	return out
}

func (a *Amendment) say(value string) string {
	if value == "" {
		return "not recorded"
	}
	if _, flag := FlagOf(a.Field); flag {
		return map[string]string{"0": "no", "1": "yes"}[value]
	}
	if n, err := strconv.Atoi(value); err == nil && a.Field == FieldPresence && n >= 0 && n < len(presenceKeys) {
		return presenceKeys[n]
	}
	return value
}

// Void says that an exam counts no more, and why.
type Void struct {
	Call   uint64 `json:"call"`
	Time   int64  `json:"time"` // Unix milliseconds
	Person string `json:"person,omitempty"`
	Who    string `json:"who"`
	Reason string `json:"reason"`
}

var (
	// ErrSigned means that the exam is signed: what was signed is only changed by an amendment.
	ErrSigned = errors.New("the exam is signed: remarks and the plan can be added, a value is changed by an amendment with its reason")
	// ErrVoid means that the exam was made void.
	ErrVoid = errors.New("the exam is void: nothing is entered any more; it can be made to count again, with a reason")
)

// longestReason is more than a reason needs, in bytes.
const longestReason = 1000

// open says why the i-th act of a command cannot be done where the exam is signed or void.
func (s *State) open(c Command, i int) error {
	a := c.Acts[i]
	amends := c.Acts[0].Verb == VerbAmend
	switch a.Verb {
	case VerbSayAgain, VerbHelp, VerbWhere, VerbReinstate, VerbOwner:
		return nil
	}
	switch {
	case s.Void != nil:
		return ErrVoid
	case a.Verb == VerbAmend && i > 0, amends && len(c.Acts) < 2:
		return refuse("an amendment gives its reason first, then what it changes")
	case amends && i > 0 && a.Verb != VerbSet && a.Verb != VerbPatient && a.Verb != VerbSettle:
		return refuse("%q is nothing that an amendment can do", a.Verb)
	case s.SignedBy == "" || amends:
		return nil
	}
	switch a.Verb {
	case VerbRemark, VerbPlan, VerbTherapy, VerbCosign, VerbVoid:
		return nil
	}
	return ErrSigned
}

// stand does what concerns the exam as a whole: who stands for it, and whether it does.
func (b *builder) stand(a Act) {
	st, m := b.st, b.meta
	e := Event{Who: m.Who}
	if strings.TrimSpace(m.Who) == "" {
		b.err = refuse("this needs a person: say first who sits here")
		return
	}
	if a.Verb != VerbSign && a.Verb != VerbCosign {
		e.Text = strings.TrimSpace(a.Text)
		if e.Text == "" {
			b.err = refuse("give the reason")
			return
		}
		if len(e.Text) > longestReason {
			b.err = refuse("the reason is longer than %d bytes", longestReason)
			return
		}
	}
	switch a.Verb {
	case VerbSign:
		e.Kind, e.Waits = KindSign, m.Student
	case VerbCosign:
		e.Kind = KindCosign
		switch {
		case st.SignedBy == "":
			b.err = refuse("the exam is not signed yet: there is nothing to co-sign")
		case !st.Waits():
			b.err = refuse("nothing waits for a co-signature")
		case m.Student:
			b.err = refuse("a student's work is co-signed by a supervisor")
		case st.waitsFor(m.Person, m.Who):
			b.err = refuse("nobody co-signs own work: another supervisor has to")
		}
	case VerbAmend:
		e.Kind, e.Waits = KindAmend, m.Student
		if st.SignedBy == "" {
			b.err = refuse("the exam is not signed: change the value itself")
		}
	case VerbVoid:
		one := 1
		e.Kind, e.Value = KindVoid, &one
	case VerbReinstate:
		zero := 0
		e.Kind, e.Value = KindVoid, &zero
		if st.Void == nil {
			b.err = refuse("the exam is not void")
		}
	case VerbOwner:
		e.Kind, e.Patient = KindOwner, a.Patient
		if a.Patient == "" || a.Patient == st.Patient {
			b.err = refuse("name another patient to move the exam to")
		}
	}
	b.emit(e)
}

// stands folds what stand made.
func (s *State) stands(e *Event) {
	switch e.Kind {
	case KindSign, KindCosign:
		if e.Kind == KindSign {
			s.SignedBy = e.Who
		}
		s.Signatures = append(s.Signatures, Signature{Call: e.Call, Time: e.Time, Person: e.Person, Who: e.Who, Co: e.Kind == KindCosign, Waits: e.Waits})
	case KindAmend:
		s.amends = Amendment{Call: e.Call, Time: e.Time, Person: e.Person, Who: e.Who, Reason: e.Text}
	case KindVoid:
		s.Void = nil
		if e.Value != nil && *e.Value == 1 {
			s.Void = &Void{Call: e.Call, Time: e.Time, Person: e.Person, Who: e.Who, Reason: e.Text}
		}
	case KindOwner:
		s.Patient = e.Patient
	}
}

// amended keeps what an event of an amendment is about to change.
func (s *State) amended(e *Event) {
	if s.amends.Call == 0 || e.Call != s.amends.Call {
		return
	}
	a := s.amends
	a.Tooth, a.Field = e.Tooth, e.Field
	if e.Kind == KindPatient {
		was, _ := json.Marshal(s.Chart.Patient) // plain values
		a.Was, a.Value = string(was), e.Text
	} else {
		a.Was, a.Value = s.before(e), written(e)
		if e.Kind == KindSet {
			a.Site = e.Site
		}
	}
	s.Amendments = append(s.Amendments, a)
}

// before is the value that stood where an event sets one.
func (s *State) before(e *Event) string {
	for i := int(e.Seq) - 2; i >= 0; i-- {
		o := &s.log[i]
		if o.Kind == e.Kind && o.Tooth == e.Tooth && o.Field == e.Field && (e.Kind == KindTooth || *o.Site == *e.Site) && !s.undone[o.Call] {
			return written(o)
		}
	}
	return atStart(e.Tooth, e.Field)
}

// waiting goes through the people whose work waits for a co-signature.
func (s *State) waiting(is func(e *Event) bool) bool {
	for i := len(s.log) - 1; i >= 0 && s.log[i].Kind != KindCosign; i-- {
		if e := &s.log[i]; e.Waits && !s.undone[e.Call] && is(e) {
			return true
		}
	}
	return false
}

// Waits reports whether something that a student signed, amended or decided waits for a supervisor.
func (s *State) Waits() bool { return s.waiting(func(*Event) bool { return true }) }

// waitsFor reports whether work of a person waits.
func (s *State) waitsFor(person, who string) bool {
	return s.waiting(func(e *Event) bool { return e.Person == person && (person != "" || e.Who == who) })
}
