package practice

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Erase says how a patient's data are erased.
type Erase struct {
	Reason string // stays in the journal: without names
	// Despite the time that records are to be kept: they are erased all the same, and the journal says so.
	Despite bool
	// Copies removes the copies of former times beside the store as well, which cannot be erased in part.
	Copies bool
}

// Erased says what was erased.
type Erased struct {
	Exams  int      `json:"exams"`
	Events uint64   `json:"events"`
	Clips  int      `json:"clips"`
	Copies []string `json:"copies,omitempty"` // files beside the store that still hold data of former times
}

var (
	// ErrKept means that the time has not passed for which records are to be kept.
	ErrKept = errors.New("the record is still to be kept")
	// ErrRunning means that an exam is going on.
	ErrRunning = errors.New("an exam of this patient is going on")
)

// keyRetention is the setting of how many years records are kept after a patient's last exam. Which time holds is a matter of local
// law; ten years are common (from memory: section 630f of the German civil code says ten).
const (
	keyRetention     = "retention_years"
	defaultRetention = 10
)

// Retention is for how many years after a patient's last exam the record is kept.
func Retention(ctx context.Context, r Records) (int, error) {
	kv, err := r.Settings(ctx, "")
	if err != nil {
		return 0, err
	}
	return retention(kv)
}

func retention(settings map[string]string) (int, error) {
	if settings[keyRetention] == "" {
		return defaultRetention, nil
	}
	return strconv.Atoi(settings[keyRetention])
}

func checkRetention(years int) error {
	if years < 0 || years > 100 {
		return fmt.Errorf("records are kept 0 to 100 years, not %d: %w", years, ErrInvalid)
	}
	return nil
}

// SetRetention sets it.
func SetRetention(ctx context.Context, r Records, years int) error {
	if err := checkRetention(years); err != nil {
		return err
	}
	return r.SetSettings(ctx, "", map[string]string{keyRetention: strconv.Itoa(years)})
}

// Keeping says for how long the record of a patient is to be kept.
type Keeping struct {
	Years int    `json:"years"`           // after the last signed exam
	Until string `json:"until,omitempty"` // YYYY-MM-DD; "": nothing was signed, or the time has passed
}

// keepingOf says it of a patient.
func keepingOf(ctx context.Context, r Records, id string, now time.Time) (k Keeping, err error) {
	if k.Years, err = Retention(ctx, r); err != nil {
		return k, err
	}
	xs, err := r.Exams(ctx, id)
	if err != nil {
		return k, err
	}
	var last time.Time
	for _, x := range xs {
		if x.SignedBy != "" && x.Signed.After(last) {
			last = x.Signed
		}
	}
	if until := last.AddDate(k.Years, 0, 0); !last.IsZero() && until.After(now) {
		k.Until = until.Format(time.DateOnly)
	}
	return k, nil
}

// Keeping is KeepingOf a patient who is there.
func (p *Practice) Keeping(ctx context.Context, id string) (Keeping, error) {
	if _, err := p.records.Patient(ctx, id); err != nil {
		return Keeping{}, err
	}
	return keepingOf(ctx, p.records, id, p.now())
}

// ErasePatient erases all that is kept of a patient. It is refused with ErrRunning while an exam of the patient goes on.
func (p *Practice) ErasePatient(ctx context.Context, id string, e Erase) (Erased, error) {
	p.mu.Lock() // nothing is opened meanwhile
	defer p.mu.Unlock()
	xs, err := p.records.Exams(ctx, id)
	if err != nil {
		return Erased{}, err
	}
	for _, x := range xs {
		if r := p.running[x.ID]; r != nil && !r.Quiet() {
			return Erased{}, fmt.Errorf("%w (exam %s): finish it, close its pages and switch the microphone off, then erase", ErrRunning, x.ID)
		}
	}
	for _, x := range xs {
		if r := p.running[x.ID]; r != nil {
			p.end(x.ID, r)
		}
		p.folds.forget(x.ID)
	}
	return EraseRecords(ctx, p.records, id, e, p.now())
}

// EraseRecords is ErasePatient where no exam runs. A patient without a signed exam may be erased at any time: there is no record yet.
func EraseRecords(ctx context.Context, r Records, id string, e Erase, now time.Time) (Erased, error) {
	e.Reason = strings.TrimSpace(e.Reason)
	if e.Reason == "" {
		return Erased{}, fmt.Errorf("erase patient %s: give the reason, without the name: %w", id, ErrInvalid)
	}
	if _, err := r.Patient(ctx, id); errors.Is(err, ErrNotFound) {
		return Erased{}, err
	}
	k, err := keepingOf(ctx, r, id, now)
	if err != nil {
		return Erased{}, err
	}
	if k.Until != "" {
		if !e.Despite {
			return Erased{}, fmt.Errorf("%w until %s: %d years after its last signed exam (setting %s): erase it then, or say that it is to be erased all the same",
				ErrKept, k.Until, k.Years, keyRetention)
		}
		e.Reason += fmt.Sprintf(" (in spite of being kept until %s)", k.Until)
	}
	return r.ErasePatient(ctx, id, e)
}
