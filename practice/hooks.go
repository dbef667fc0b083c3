package practice

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"leadsman/chart"
)

// What hooks are told.
const (
	toldSigned     = "exam.signed"
	toldAwaiting   = "exam.awaiting" // signed or amended by a student: it stands once somebody co-signed
	toldCosigned   = "exam.cosigned"
	ToldAmended    = "exam.amended"
	ToldVoided     = "exam.voided"
	toldReinstated = "exam.reinstated"
	toldMoved      = "exam.moved" // to another patient
	ToldNothing    = "ping"       // a try, for every hook
)

// Tidings lists what a hook can ask for.
func Tidings() []string {
	return []string{toldSigned, toldAwaiting, toldCosigned, ToldAmended, ToldVoided, toldReinstated, toldMoved}
}

// Told is what hooks are told of an event, "" for nothing.
func Told(e *chart.Event) string {
	switch e.Kind {
	case chart.KindSign, chart.KindAmend:
		if e.Waits {
			return toldAwaiting
		}
		if e.Kind == chart.KindSign {
			return toldSigned
		}
		return ToldAmended
	case chart.KindCosign:
		return toldCosigned
	case chart.KindVoid:
		if e.Value != nil && *e.Value == 1 {
			return ToldVoided
		}
		return toldReinstated
	case chart.KindOwner:
		return toldMoved
	}
	return ""
}

// Hook is an address at which a program of others is told what became of exams.
type Hook struct {
	ID      string    `json:"id"`
	URL     string    `json:"url"`
	Events  []string  `json:"events"`
	Details bool      `json:"details"` // who the patient is and who signed goes along, not the ids alone
	Made    time.Time `json:"made"`
	MadeBy  string    `json:"made_by,omitempty"`
	Waiting int       `json:"waiting"`  // notices that are still to be sent
	GivenUp int       `json:"given_up"` // notices that are not tried any more
	Secret  string    `json:"-"`        // whsec_ and what notices are signed with, base64
}

// Notice tells a hook of an event.
type Notice struct {
	N       int64     `json:"-"`
	ID      string    `json:"id"` // the same at every try
	Hook    string    `json:"-"`
	What    string    `json:"event"`
	Exam    string    `json:"exam,omitempty"`
	Patient string    `json:"patient,omitempty"`
	Seq     uint64    `json:"seq"` // number of the event in the log of the exam
	Time    time.Time `json:"time"`
	Tries   int       `json:"tries"`
	Next    time.Time `json:"next,omitzero"` // when it is tried; zero: sent, or given up
	Sent    time.Time `json:"sent,omitzero"`
	Fault   string    `json:"fault,omitempty"` // of the last try
}

// Post carries a notice to its receiver.
type Post interface {
	// Check says why nothing can be sent to an address.
	Check(url string) error
	// Send returns nil once the receiver has taken the notice.
	Send(ctx context.Context, url, secret, id string, at time.Time, body []byte) error
}

// Engine's choice: a receiver that is down over a weekend misses nothing.
var waits = []time.Duration{10 * time.Second, 30 * time.Second, 2 * time.Minute, 10 * time.Minute, 30 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 24 * time.Hour}

const (
	mostHooks   = 20
	lookEvery   = 2 * time.Second    // into the outbox, where Config.Look says nothing else
	forgetAfter = 7 * 24 * time.Hour // what was sent
	atOnce      = 50                 // notices of a look
)

// AddHook keeps a new hook and gives its secret, this once.
func (p *Practice) AddHook(ctx context.Context, h Hook) (Hook, string, error) {
	if p.post == nil {
		return h, "", fmt.Errorf("nothing is sent from here: %w", ErrInvalid)
	}
	if err := p.post.Check(h.URL); err != nil {
		return h, "", fmt.Errorf("url: %w: %w", err, ErrInvalid)
	}
	if len(h.Events) == 0 {
		return h, "", fmt.Errorf("events: name at least one of %s: %w", strings.Join(Tidings(), ", "), ErrInvalid)
	}
	for i, e := range h.Events {
		if !slices.Contains(Tidings(), e) || slices.Contains(h.Events[:i], e) {
			return h, "", fmt.Errorf("event %q: name some of %s, each once: %w", e, strings.Join(Tidings(), ", "), ErrInvalid)
		}
	}
	all, err := p.records.Hooks(ctx)
	if err != nil {
		return h, "", err
	}
	if len(all) >= mostHooks {
		return h, "", fmt.Errorf("there are %d hooks already: remove one first: %w", len(all), ErrInvalid)
	}
	b := make([]byte, 32)
	rand.Read(b) // never fails
	secret := "whsec_" + base64.StdEncoding.EncodeToString(b)
	h, err = p.records.AddHook(ctx, Hook{URL: h.URL, Events: h.Events, Details: h.Details, MadeBy: Who(ctx), Secret: secret})
	return h, secret, err
}

// Hooks lists them.
func (p *Practice) Hooks(ctx context.Context) ([]Hook, error) { return p.records.Hooks(ctx) }

// RemoveHook ends one, and what was still to be told there.
func (p *Practice) RemoveHook(ctx context.Context, id string) error {
	return p.records.RemoveHook(ctx, id)
}

// TryHook sends a notice that tells of nothing.
func (p *Practice) TryHook(ctx context.Context, id string) error { return p.records.Try(ctx, id) }

// Notices lists the newest notices of a hook: waiting, sent, given up.
func (p *Practice) Notices(ctx context.Context, id string) ([]Notice, error) {
	if _, err := p.records.Hook(ctx, id); err != nil {
		return nil, err
	}
	return p.records.Notices(ctx, id, 2*atOnce)
}

// SendAgain tries what was given up.
func (p *Practice) SendAgain(ctx context.Context, id string) (int, error) {
	if _, err := p.records.Hook(ctx, id); err != nil {
		return 0, err
	}
	return p.records.SendAgain(ctx, id)
}

// postman looks into the outbox until Close. What it was doing then is done again after the next start: a notice comes at least once.
func (p *Practice) postman() {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	p.Go(func() { <-p.quit; stop() })
	every := time.NewTicker(p.look)
	defer every.Stop()
	failed := false
	for {
		more, err := p.deliver(ctx)
		if err != nil && !failed && ctx.Err() == nil {
			p.log.Error("the outbox cannot be emptied", "err", err)
		}
		failed = err != nil
		if more && err == nil {
			continue
		}
		select {
		case <-every.C:
		case <-p.quit:
			return
		}
	}
}

// deliver tries what is due, the hooks side by side, so that a slow receiver keeps no other waiting; more says that there may be more.
func (p *Practice) deliver(ctx context.Context) (more bool, err error) {
	if p.nodes != nil {
		if first, err := p.nodes.First(ctx); err != nil || !first {
			return false, err
		}
	}
	due, err := p.records.NoticesDue(ctx, p.now(), atOnce)
	if err != nil || len(due) == 0 {
		return false, err
	}
	byHook := map[string][]Notice{}
	for _, l := range due {
		byHook[l.Hook] = append(byHook[l.Hook], l)
	}
	faults := make(chan error)
	for id, ls := range byHook {
		p.Go(func() { faults <- p.send(ctx, id, ls) })
	}
	for range byHook {
		if e := <-faults; e != nil {
			err = e
		}
	}
	return len(due) == atOnce, err
}

// send tries notices of a hook in their order.
func (p *Practice) send(ctx context.Context, hook string, ls []Notice) error {
	h, err := p.records.Hook(ctx, hook)
	if err != nil {
		return err
	}
	for _, l := range ls {
		body, err := p.body(ctx, &h, &l)
		if err == nil {
			err = p.post.Send(ctx, h.URL, h.Secret, l.ID, p.now(), body)
		}
		if ctx.Err() != nil {
			return nil // tried again after the next start
		}
		l.Tries++
		l.Next, l.Fault = time.Time{}, ""
		switch {
		case err == nil:
			l.Sent = p.now()
		default:
			l.Fault = err.Error()
			if l.Tries <= len(waits) {
				l.Next = p.now().Add(waits[l.Tries-1])
			} else {
				p.log.Error("a notice was given up", "hook", hook, "notice", l.ID, "fault", l.Fault)
			}
		}
		if err := p.records.NoticeTried(ctx, l); err != nil {
			return err
		}
	}
	return nil
}

// body is what a notice says: ids alone, and what is known of them now where the hook asks for details.
func (p *Practice) body(ctx context.Context, h *Hook, l *Notice) ([]byte, error) {
	type data struct {
		Exam    string    `json:"exam,omitempty"`
		Patient string    `json:"patient,omitempty"`
		Seq     uint64    `json:"seq,omitempty"`
		Number  string    `json:"patient_number,omitempty"`
		Name    string    `json:"patient_name,omitempty"`
		Born    string    `json:"patient_born,omitempty"`
		Kind    string    `json:"exam_kind,omitempty"`
		Began   time.Time `json:"exam_began,omitzero"`
		By      string    `json:"signed_by,omitempty"`
	}
	d := data{Exam: l.Exam, Patient: l.Patient, Seq: l.Seq}
	if h.Details && l.Exam != "" {
		x, err := p.records.Exam(ctx, l.Exam)
		if err != nil {
			return nil, err
		}
		pt, err := p.records.Patient(ctx, x.Patient)
		if err != nil {
			return nil, err
		}
		d.Number, d.Name, d.Born, d.Kind, d.Began, d.By = pt.Number, pt.Name, pt.Born, x.Kind, x.Created, x.SignedBy
	}
	return json.Marshal(struct {
		Type string    `json:"type"`
		Time time.Time `json:"timestamp"`
		Data data      `json:"data"`
	}{l.What, l.Time.UTC(), d})
}
