package web

import (
	"context"
	"errors"

	"leadsman/chart"
	"leadsman/exam"
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
	Words(ctx context.Context, text, who, id string) (exam.Answer, error)
	Do(ctx context.Context, c chart.Command, who, id string) (exam.Answer, error)
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
	Clips(ctx context.Context, exam string) (ClipList, error)
	// Clip is the sound of a call, a WAV file.
	Clip(ctx context.Context, exam string, call uint64) ([]byte, error)
	// ClipUse is how many bytes the clips of all exams take, and how many they may.
	ClipUse(ctx context.Context) (bytes, limit int64, err error)
}

// ClipList says whose sound of an exam is kept.
type ClipList struct {
	Calls []uint64 `json:"calls"` // in order
	Bytes int64    `json:"bytes"`
	Limit int64    `json:"limit"`          // bytes kept of an exam at most
	Note  string   `json:"note,omitempty"` // why sound is missing
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

// Exams finds running exams and opens those that do not run. It fails with ErrNotFound.
type Exams interface {
	Exam(ctx context.Context, id string) (Exam, error)
}

// Patient is a person in the practice's list.
type Patient struct {
	ID     string `json:"id"`
	Name   string `json:"name"`
	Born   string `json:"born,omitempty"`   // YYYY-MM-DD, or less of it
	Number string `json:"number,omitempty"` // the practice's own file number
	Note   string `json:"note,omitempty"`
	// Version counts the record's edits. An edit names the version it changed; if that is not the
	// newest any more it fails with ErrStale.
	Version int64 `json:"version"`
	// LastExam is when the newest exam began, Unix milliseconds; 0 for none. Set by the store.
	LastExam int64 `json:"last_exam,omitempty"`
}

// Visit is an exam in a list.
type Visit struct {
	ID          string          `json:"id"`
	Patient     string          `json:"patient"`
	PatientName string          `json:"patient_name"`
	Kind        string          `json:"kind"`              // exam or re-evaluation
	Earlier     string          `json:"earlier,omitempty"` // the exam that a re-evaluation follows
	Began       int64           `json:"began"`             // Unix milliseconds
	Numbering   chart.Numbering `json:"numbering"`
	Path        string          `json:"path"`
	Recorded    int             `json:"recorded"` // sites with a depth
	Sites       int             `json:"sites"`    // sites of its path whose teeth are there
	SignedBy    string          `json:"signed_by,omitempty"`
}

// NewVisit asks for an exam to be begun.
type NewVisit struct {
	Patient   string          `json:"patient"`
	Earlier   string          `json:"earlier"` // exam to re-evaluate; "" for a first one
	Numbering chart.Numbering `json:"numbering"`
	Path      string          `json:"path"`
	ID        string          `json:"id"` // given by the page: asking twice begins one exam
}

// Settings are the practice's defaults.
type Settings struct {
	Practice  string          `json:"practice"` // name, for prints
	Numbering chart.Numbering `json:"numbering"`
	Path      string          `json:"path"`
	SiteWords string          `json:"site_words"` // buccal-lingual or facial-palatal: how rows are named on screen
	KeepClips bool            `json:"keep_clips"` // sound of calls stays after an exam is signed
	Version   int64           `json:"version"`    // as for Patient
}

// Due says when a patient is to come again. The clinician's plan of the newest exam is the source;
// without one Day is "".
type Due struct {
	Patient string `json:"patient"`
	Name    string `json:"name"`
	Number  string `json:"number,omitempty"`
	Exam    string `json:"exam"`             // the newest exam
	Began   int64  `json:"began"`            // of it, Unix milliseconds
	What    string `json:"what,omitempty"`   // re-evaluation or recall
	Day     string `json:"day,omitempty"`    // YYYY-MM-DD; "" nothing was decided
	Months  int    `json:"months,omitempty"` // the recall interval
	Who     string `json:"who,omitempty"`    // decided it
	Decided int64  `json:"decided,omitempty"`
	Call    uint64 `json:"call,omitempty"` // of the decision
}

// Practice keeps patients, the list of their exams and the practice's defaults.
type Practice interface {
	// Patients finds those whose name or number contains search, all for ""; sorted by name.
	Patients(ctx context.Context, search string) ([]Patient, error)
	Patient(ctx context.Context, id string) (Patient, error)
	// SavePatient adds (ID "") or changes a patient and returns the record as kept.
	SavePatient(ctx context.Context, p Patient) (Patient, error)
	// Visits lists a patient's exams, newest first.
	Visits(ctx context.Context, patient string) ([]Visit, error)
	Visit(ctx context.Context, id string) (Visit, error)
	Begin(ctx context.Context, v NewVisit) (Visit, error)
	// State is the fold of an exam's log as it stands. It must not be changed.
	State(ctx context.Context, exam string) (*chart.State, error)
	// Due lists when patients who had an exam are to come again, the earliest first and those for
	// whom nothing was decided last. A patient with a re-evaluation and a recall is in it twice.
	Due(ctx context.Context) ([]Due, error)
	Settings(ctx context.Context) (Settings, error)
	SaveSettings(ctx context.Context, s Settings) (Settings, error)
}

var (
	// ErrNotFound means that there is no such patient or exam.
	ErrNotFound = errors.New("there is no such record: it may have been opened from an old address")
	// ErrStale means that a record was changed by someone else since it was read.
	ErrStale = errors.New("this record was changed at another screen meanwhile: look at the newer one and change it again")
)
