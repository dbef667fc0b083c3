package practice

import (
	"context"
	"errors"
	"time"

	"leadsman/exam"
)

// Records keeps what a practice has. What it reports as kept is durable. It fails with ErrNotFound, ErrConflict and ErrInvalid, with the
// record named.
type Records interface {
	// Patients lists those whose name, number and date of birth contain every word of search, all for ""; sorted by name.
	Patients(ctx context.Context, search string) ([]Patient, error)
	// PatientPage is Patients from behind the one whose id is after, "" for the first, as far as limit goes; more says that others follow.
	PatientPage(ctx context.Context, search, after string, limit int) (ps []Patient, more bool, err error)
	Patient(ctx context.Context, id string) (Patient, error)
	AddPatient(ctx context.Context, p Patient) (Patient, error)
	// UpdatePatient fails with ErrConflict if p.Version is not that of the record.
	UpdatePatient(ctx context.Context, p Patient) (Patient, error)
	// MergePatient notes that a patient is another one, whole.
	MergePatient(ctx context.Context, patient, whole, reason, who string) error

	// Exams lists the exams of a patient, or of all for "", the one begun last first.
	Exams(ctx context.Context, patient string) ([]Exam, error)
	Exam(ctx context.Context, id string) (Exam, error)
	NewExam(ctx context.Context, x Exam) (Exam, error)
	// WaitingExams lists those that wait for a co-signature and count, the one begun last first.
	WaitingExams(ctx context.Context) ([]Exam, error)
	// ExamsWithClips lists those of which sound is kept, the one begun last first.
	ExamsWithClips(ctx context.Context) ([]Exam, error)
	// SignedTwice lists exams of one patient on one day in pairs, in the order in which they were begun: all are signed and count. mark changes
	// whenever the list may have; where it is the one given, nothing is read and pairs is nil.
	SignedTwice(ctx context.Context, mark string) (pairs [][2]Exam, now string, err error)
	// DueOf has what DuePage lists of some patients, by patient, without names and phones; the earliest day first.
	DueOf(ctx context.Context, patients ...string) (map[string][]Due, error)
	// DuePage lists who is due, the earliest day first and those without a decision last, with names and phones, as far as q.Limit goes; next
	// is where to go on, "" at the end. Everybody who had an exam is in it.
	DuePage(ctx context.Context, q DueQuery) (ds []Due, next string, err error)
	// Log is the log of an exam. Whether there is such an exam shows when the log is used.
	Log(exam string) Log

	People(ctx context.Context) ([]Person, error)
	// PutPerson adds a person (ID "") or changes name, roles and whether it left.
	PutPerson(ctx context.Context, p Person) (Person, error)
	// Password is the hash of a person's password, "" without one; SetPassword keeps it.
	Password(ctx context.Context, person string) (kept string, err error)
	SetPassword(ctx context.Context, person, kept string) error
	// SetCode fails with ErrTaken if it is somebody else's; PersonWithCode finds whose it is.
	SetCode(ctx context.Context, person, code string) error
	PersonWithCode(ctx context.Context, code string) (person string, err error)
	Sessions(ctx context.Context) ([]Session, error)
	PutSession(ctx context.Context, s Session) error
	EndSession(ctx context.Context, token []byte) error
	// Passkeys lists those of a person, of all for "". PutPasskey fails with ErrTaken if it is somebody else's.
	Passkeys(ctx context.Context, person string) ([]Passkey, error)
	PutPasskey(ctx context.Context, k Passkey) error
	DeletePasskey(ctx context.Context, person, id string) error
	// Tries gives what was tried by somebody or at some place, zero for nothing; PutTries keeps it, zero forgets. ForgetTries forgets
	// those that were over and not added to since a time.
	Tries(ctx context.Context, what string) (Tries, error)
	PutTries(ctx context.Context, what string, t Tries) error
	ForgetTries(ctx context.Context, before time.Time) error

	// Programs lists all, those that were withdrawn too. ProgramWithKey finds whose a key is, withdrawn or not; ErrNotFound for any other.
	Programs(ctx context.Context) ([]Program, error)
	AddProgram(ctx context.Context, x Program, key string) (Program, error)
	ProgramWithKey(ctx context.Context, id, key string) (Program, error)
	ProgramUsed(ctx context.Context, id, day string) error
	WithdrawProgram(ctx context.Context, id string) error

	Hooks(ctx context.Context) ([]Hook, error)
	Hook(ctx context.Context, id string) (Hook, error)
	AddHook(ctx context.Context, h Hook) (Hook, error)
	RemoveHook(ctx context.Context, id string) error
	// Notices about what Told tells of events are put into the outbox by the Log, in the transaction of the events; Try puts one that
	// tells of nothing. NoticesDue are those to be tried by now; NoticeTried keeps how a try ended.
	Try(ctx context.Context, hook string) error
	NoticesDue(ctx context.Context, now time.Time, limit int) ([]Notice, error)
	NoticeTried(ctx context.Context, l Notice) error
	// Notices lists those of a hook, the newest first; SendAgain makes those that were given up due.
	Notices(ctx context.Context, hook string, limit int) ([]Notice, error)
	SendAgain(ctx context.Context, hook string) (int, error)
	// ForgetNotices deletes those that were sent before.
	ForgetNotices(ctx context.Context, before time.Time) error

	Voice(ctx context.Context, examiner string) (Voice, error)
	PutVoice(ctx context.Context, v Voice) (Voice, error)
	// EraseVoice leaves nothing of a voice profile, and of what was changed before, on the disk.
	EraseVoice(ctx context.Context, examiner string) error

	// Settings are those of the practice for scope "", else of an examiner. An empty value removes a key.
	Settings(ctx context.Context, scope string) (map[string]string, error)
	SetSettings(ctx context.Context, scope string, kv map[string]string) error

	// AddClip keeps the sound of a call, a WAV file.
	AddClip(ctx context.Context, exam string, call uint64, wav []byte) error
	Clip(ctx context.Context, exam string, call uint64) ([]byte, error)
	Clips(ctx context.Context, exam string) ([]uint64, error)
	// ClipBytes is the size of all clips of an exam, or of all exams for "".
	ClipBytes(ctx context.Context, exam string) (int64, error)
	DeleteClips(ctx context.Context, exam string, before time.Time, but ...uint64) (int64, error)
	MakeRoom(ctx context.Context, need int64, before time.Time) (freed int64, err error)

	// Note journals what changes no record: a look at a patient's record, a sign-in, an export. Patient may be "". What is
	// changed through the other calls is journalled by them; the person is that of the context (By).
	Note(ctx context.Context, what, patient, detail string) error
	// Journal lists entries, the newest first.
	Journal(ctx context.Context, q JournalQuery) ([]Entry, error)
	// ErasePatient leaves nothing of a patient on the disk but entries of the journal that name the id alone. It asks nothing: see
	// EraseRecords.
	ErasePatient(ctx context.Context, id string, e Erase) (Erased, error)
}

// Unkept is an error of Records that tells what keeps the data from being written or read, and what to do about it, in words for people who
// do not see the computer that keeps them.
type Unkept interface {
	error
	Remedy() string
}

// Log is the log of an exam.
type Log = exam.Log

// Nodes is what the processes that share records need of each other.
type Nodes interface {
	// Own makes this node the one that may write to the log of an exam. fresh says that it was not before: another may have written. It fails with
	// an *ElsewhereError while another node has the exam.
	Own(ctx context.Context, exam string) (fresh bool, err error)
	// Leave gives an exam free that this node may have.
	Leave(ctx context.Context, exam string) error
	// First reports whether this node is the one that does what one of them does for all.
	First(ctx context.Context) (bool, error)
	// Follow tells what other nodes changed until ctx ends: the table and the key of each record, in order, none left out. The table "sessions" without a key
	// means that somebody may have signed in or out.
	Follow(ctx context.Context, changed func(table, key string))
}

// ElsewhereError says that an exam runs on another node.
type ElsewhereError = exam.ElsewhereError

var (
	// ErrNotFound means that there is no such patient, exam, examiner or clip.
	ErrNotFound = errors.New("not found")
	// ErrConflict means that somebody else changed the record since it was read.
	ErrConflict = errors.New("changed by somebody else in the meantime: read it again, then change it")
	// ErrInvalid means that a record cannot be kept as it is; the text says which field.
	ErrInvalid = errors.New("not acceptable")
	// ErrAway means that where the records are kept does not answer. Whether what was being kept is kept is not known: read it again.
	ErrAway = exam.ErrAway
	// ErrBehind means that events do not follow the last one of a log. Nothing was written.
	ErrBehind = exam.ErrBehind
	// ErrNoAdapter means that the recognizer in use cannot learn voices.
	ErrNoAdapter = errors.New("the recognizer in use cannot learn voices: start leadsman serve with the engine ctc and the model that came with it")
)
