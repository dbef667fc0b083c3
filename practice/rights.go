package practice

import (
	"fmt"
	"slices"
)

// Role is what somebody is in the practice. A person can have several.
type Role string

const (
	Clinician     Role = "clinician"
	Student       Role = "student"
	Supervisor    Role = "supervisor"
	Assistant     Role = "assistant"
	Viewer        Role = "viewer"
	Administrator Role = "administrator"
)

// Roles lists all roles.
func Roles() []Role {
	return []Role{Clinician, Student, Supervisor, Assistant, Viewer, Administrator}
}

// Right is something that not everybody may do.
type Right string

const (
	Read           Right = "read"     // patients, exams, findings, what is due
	Patients       Right = "patients" // add and change patients
	Examine        Right = "examine"  // begin exams, speak, type values and answers
	Decide         Right = "decide"   // the plan
	Sign           Right = "sign"     // a student's signature waits for a co-signature
	Cosign         Right = "co-sign"  // what others signed as students
	Amend          Right = "amend"    // what was signed
	Correct        Right = "correct"  // make an exam void, move it to another patient, merge two patients
	Export         Right = "export"   // files that leave the practice
	Practise       Right = "practise" // one's own voice profile
	ChangeSettings Right = "settings" // of the practice
	ManagePeople   Right = "people"   // accounts, everybody's voice profiles
	Audit          Right = "audit"    // search and export the journal
	EraseData      Right = "erase"    // a patient's data
	ManageHooks    Right = "webhooks" // where other programs are told what became of exams
	ManagePrograms Right = "programs" // their keys
)

// table says who may do what. It is the only place that does.
var table = map[Role][]Right{
	Clinician:     {Read, Patients, Examine, Decide, Sign, Amend, Correct, Export, Practise},
	Student:       {Read, Patients, Examine, Decide, Sign, Amend, Practise},
	Supervisor:    {Read, Patients, Examine, Decide, Sign, Cosign, Amend, Correct, Export, Practise},
	Assistant:     {Read, Patients, Examine, Export},
	Viewer:        {Read},
	Administrator: {Read, Patients, Correct, Export, ChangeSettings, ManagePeople, Audit, EraseData, ManageHooks, ManagePrograms},
	program:       {Read, Patients, Export, ManageHooks},
}

// program is what programs are: nobody's role, and the most that a key can open. Its scopes narrow it.
const program Role = "program"

// proven are the rights that are used only by who proved at this session to be the person, by password. A short code does not.
var proven = []Right{Sign, Cosign, Amend, Correct, ChangeSettings, ManagePeople, Audit, EraseData, ManageHooks, ManagePrograms}

// nameless are the rights that somebody may use in a practice that has nobody yet; all others need a person who stands for it.
var nameless = []Right{Read, Patients, ChangeSettings, ManagePeople}

// May reports whether a role has a right.
func (r Role) May(right Right) bool { return slices.Contains(table[r], right) }

// whoMay lists the roles that have a right.
func whoMay(right Right) (out []Role) {
	for _, r := range Roles() {
		if r.May(right) {
			out = append(out, r)
		}
	}
	return out
}

// ForbiddenError says that a person has not the right to do something.
type ForbiddenError struct {
	Right Right
	Who   string
	Roles []Role // of the person
}

func (e *ForbiddenError) Error() string {
	if e.Who == "" {
		return "say first who sits here: what is entered carries a name"
	}
	return fmt.Sprintf("%s may not do this as %s: it takes the right to %s, which %s have", e.Who, wordsOf(e.Roles), e.Right, wordsOf(whoMay(e.Right)))
}
