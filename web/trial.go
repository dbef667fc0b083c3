package web

import (
	"net/http"
	"time"

	"leadsman/exam"
)

// trialNews is what a microphone that is tried has been heard to say since the last news.
type trialNews struct {
	Partial string      `json:"partial"` // being heard, tentative
	Heard   []trialCall `json:"heard"`   // in order
}

type trialCall struct {
	Words string    `json:"words"`
	Text  string    `json:"text"` // what the call did, or why it did nothing
	Tone  exam.Tone `json:"tone"`
}

// trialSound is a microphone that is tried: it is heard as in an exam, in an exam that is kept nowhere. It waits a while for a
// page whose connection broke, and ends when the microphone is switched off or the page is gone.
func (s *server) trialSound(w http.ResponseWriter, r *http.Request) {
	var m *trialMic
	s.stream(w, r, hearing{
		open: func(owner string) (_ Mic, err error) {
			m, err = s.try(r, owner)
			return m, err
		},
		goesOn: func() bool { return false },
		news: func() any {
			if n := trialOf(m.changes); n != nil {
				return n
			}
			return nil
		},
		ofPage: true,
	})
}

// try gives an owner who comes back the microphone as it was left, another a new one.
func (s *server) try(r *http.Request, owner string) (*trialMic, error) {
	if s.Trial == nil {
		return nil, exam.ErrNoEngine
	}
	if m := s.again(owner); m != nil {
		return m, nil
	}
	voice, err := speaker(r)
	if err != nil {
		return nil, err
	}
	e, err := s.Trial(r.Context())
	if err != nil {
		return nil, err
	}
	mic, err := e.OpenMicFor(owner, voice, false)
	if err != nil {
		e.Close()
		return nil, err
	}
	m := &trialMic{Mic: mic, e: e, s: s, owner: owner, line: line(r, owner), changes: e.Subscribe(0).C}
	s.mu.Lock()
	other := s.tried[owner]
	if other == nil {
		s.tried[owner] = m
	}
	s.mu.Unlock()
	if other == nil {
		return m, nil
	}
	e.Close() // the owner came twice at once
	if m = s.again(owner); m == nil {
		return nil, exam.ErrClosed
	}
	return m, nil
}

// again finds the microphone of an owner, who has come back.
func (s *server) again(owner string) *trialMic {
	s.mu.Lock()
	defer s.mu.Unlock()
	m := s.tried[owner]
	if m != nil {
		m.here++
	}
	return m
}

// trialOf reads what has come; nil: nothing to tell.
func trialOf(changes <-chan exam.Change) (n *trialNews) {
	for {
		select {
		case c, ok := <-changes:
			if !ok {
				return n
			}
			if n == nil && (c.Partial != nil || c.Answer != nil) {
				n = &trialNews{Heard: []trialCall{}}
			}
			if c.Partial != nil {
				n.Partial = c.Partial.Words
			}
			if a := c.Answer; a != nil {
				n.Heard = append(n.Heard, trialCall{a.Words, a.Text, a.Tone})
			}
		default:
			return n
		}
	}
}

// trialMic is a microphone that is tried, with the exam of its own that ends with it.
type trialMic struct {
	*exam.Mic
	e       *exam.Exam
	s       *server
	owner   string
	line    string // of its connection
	changes <-chan exam.Change
	here    int // how often its owner came; guarded by the server's mu
}

// Detach waits for the owner as long as for sound.
func (m *trialMic) Detach() {
	m.s.mu.Lock()
	here := m.here
	m.s.mu.Unlock()
	time.AfterFunc(m.s.Patience, func() {
		if m.leave(func() bool { return m.here == here && m.s.lines[m.line] == nil }) {
			m.e.Close()
		}
	})
}

func (m *trialMic) Close() error {
	m.leave(func() bool { return true })
	return m.e.Close()
}

// leave takes the microphone off the list if the condition holds, under the server's mu.
func (m *trialMic) leave(when func() bool) bool {
	m.s.mu.Lock()
	defer m.s.mu.Unlock()
	if m.s.tried[m.owner] != m || !when() {
		return false
	}
	delete(m.s.tried, m.owner)
	return true
}
