package web

import (
	"context"
	"encoding/json"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/practice"
)

// Exam is a running exam as the pages need it. All methods may be called from any goroutine.
type Exam interface {
	View(ctx context.Context) (exam.View, error)
	// Subscribe follows the exam from the event numbered from on. The first Changes bring a page at
	// from up to date, or carry another From, which tells it to read the View again. The channel is
	// closed when the exam closes or the subscriber lags too far behind. stop must be called.
	Subscribe(from uint64) (changes <-chan exam.Change, stop func())
	// Words takes typed words through the same door as spoken ones; Do takes a command. A second
	// call with the same id changes nothing and gives the first answer.
	Words(ctx context.Context, text string, by exam.Caller, id string) (exam.Answer, error)
	Do(ctx context.Context, c chart.Command, by exam.Caller, id string) (exam.Answer, error)
	// OpenMic gives the exam its microphone: exam.ErrMicTaken if another owner has it and takeover
	// is false. The same owner gets its own stream back. voice is the examiner whose voice profile is to be used, or "".
	OpenMic(owner, voice string, takeover bool) (Mic, error)
	// Chart is a copy of the chart as it stands, with the doubts still open.
	Chart(ctx context.Context) (*chart.Chart, []chart.Doubt, error)
	// History is everything that was ever entered for a tooth and one of its sites, oldest first.
	History(ctx context.Context, r chart.SiteRef) ([]chart.Entry, error)
}

// Clips keeps the sound of spoken calls. It fails with ErrNotFound.
type Clips interface {
	Clips(ctx context.Context, exam string) (practice.ClipList, error)
	// Clip is the sound of a call, a WAV file.
	Clip(ctx context.Context, exam string, call uint64) ([]byte, error)
	// ClipUse is how many bytes the clips of all exams take, and how many they may.
	ClipUse(ctx context.Context) (bytes, limit int64, err error)
}

// Mic is an open stream of sound, 16 kHz mono. Positions count samples from the stream's start.
type Mic interface {
	// Write takes samples of which the first has the position first; what was had before is
	// dropped. It returns the position that is expected next.
	Write(first int64, pcm []int16) (next int64, err error)
	// Speaks says that the page's own voice says a text from a position on, Spoke that it sounded
	// between two.
	Speaks(from int64, text string)
	Spoke(from, to int64)
	// Detach leaves the stream open for its owner to come back; Close ends it and decides what was
	// being said.
	Detach()
	Close() error
}

// Exams finds running exams and opens those that do not run. It fails with practice.ErrNotFound.
type Exams interface {
	Exam(ctx context.Context, id string) (Exam, error)
}

// Opener makes Exams of a function that opens them.
type Opener func(ctx context.Context, id string) (*exam.Exam, error)

func (open Opener) Exam(ctx context.Context, id string) (Exam, error) {
	e, err := open(ctx, id)
	if err != nil {
		return nil, err
	}
	return Running(e), nil
}

// Practice keeps patients, the list of their exams and the practice's defaults.
type Practice interface {
	// Patients finds those whose name, number or date of birth contain every word of search, all for ""; sorted by name. The list begins
	// behind the patient whose id is after and ends after limit patients; more says that others follow.
	Patients(ctx context.Context, search, after string, limit int) (ps []practice.Patient, more bool, err error)
	Patient(ctx context.Context, id string) (practice.Patient, error)
	// SavePatient adds (ID "") or changes a patient and returns the record as kept.
	SavePatient(ctx context.Context, p practice.Patient) (practice.Patient, error)
	// Visits lists a patient's exams, newest first.
	Visits(ctx context.Context, patient string) ([]practice.Visit, error)
	Visit(ctx context.Context, id string) (practice.Visit, error)
	Begin(ctx context.Context, v practice.NewVisit, by exam.Caller) (practice.Visit, error)
	// State is the fold of an exam's log as it stands. It must not be changed.
	State(ctx context.Context, exam string) (*chart.State, error)
	// Due lists when patients who had an exam are to come again, the earliest first and those for
	// whom nothing was decided last. A patient with a re-evaluation and a recall is in it twice. next is where to go on, "" at the end;
	// AllDue is all of it.
	Due(ctx context.Context, q practice.DueQuery) (ds []practice.Due, next string, err error)
	AllDue(ctx context.Context, q practice.DueQuery) ([]practice.Due, error)
	// Doubles are the practice's double examinations, unless nothing changed since mark was given.
	Doubles(ctx context.Context, mark string) (ds []practice.Double, now string, err error)
	// Feed reports whether the calendar can be read at a secret address; OpenFeed makes a new one and gives its secret, WithdrawFeed
	// ends it, FeedAt fails with practice.ErrNotFound for any other secret.
	Feed(ctx context.Context) (open bool, err error)
	OpenFeed(ctx context.Context) (secret string, err error)
	WithdrawFeed(ctx context.Context) error
	FeedAt(ctx context.Context, secret string) error
	// Waiting lists exams that wait for a co-signature.
	Waiting(ctx context.Context) ([]practice.Visit, error)
	// MoveExam gives an exam to another patient, MergePatients all exams of one.
	MoveExam(ctx context.Context, exam, to, reason string, by exam.Caller, call string) error
	MergePatients(ctx context.Context, from, into, reason string, by exam.Caller) error
	// SavePerson adds (ID "") or changes somebody who works here.
	SavePerson(ctx context.Context, p practice.Person) (practice.Person, error)
	Settings(ctx context.Context) (practice.Settings, error)
	SaveSettings(ctx context.Context, s practice.Settings) (practice.Settings, error)
}

// People keeps accounts and who has signed in where.
type People interface {
	// Seat is who sits at the screen that has a token ("" none); here: on the machine of the service.
	Seat(ctx context.Context, token string, here bool) (*practice.Seat, error)
	// These seat another person and give the token of the screen from then on.
	Choose(ctx context.Context, s *practice.Seat, person string) (token string, err error)
	SignIn(ctx context.Context, s *practice.Seat, name, password, from string) (token string, err error)
	Switch(ctx context.Context, s *practice.Seat, code string) (token string, err error)
	Prove(ctx context.Context, s *practice.Seat, password string) (token string, err error)
	SignOut(ctx context.Context, s *practice.Seat)
	// Is checks that a password is that of who sits there.
	Is(ctx context.Context, s *practice.Seat, password string) error
	// Listens says that a microphone is on at the screen.
	Listens(s *practice.Seat)
	All(ctx context.Context) ([]practice.Person, error)
	SetPassword(ctx context.Context, s *practice.Seat, person, password string) error
	SetCode(ctx context.Context, s *practice.Seat, id, code string) error
	Passkeys(ctx context.Context, person string) ([]practice.Passkey, error)
	AskNewPasskey(ctx context.Context, s *practice.Seat, at practice.Site, password string) (ticket string, options any, err error)
	AddPasskey(ctx context.Context, s *practice.Seat, at practice.Site, ticket, name string, answer json.RawMessage) (practice.Passkey, error)
	RemovePasskey(ctx context.Context, person, id string) error
	AskPasskey(ctx context.Context, s *practice.Seat, at practice.Site, prove bool) (ticket string, options any, err error)
	Passkey(ctx context.Context, s *practice.Seat, at practice.Site, ticket string, answer json.RawMessage) (token string, err error)
}
