package web

import (
	"net/http"

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

// trialSound is a microphone that is tried: it is heard as in an exam, in an exam that is kept nowhere and ends with the connection.
func (s *server) trialSound(w http.ResponseWriter, r *http.Request) {
	var changes <-chan exam.Change
	s.stream(w, r, hearing{
		open: func(owner string) (Mic, error) {
			if s.Trial == nil {
				return nil, exam.ErrNoEngine
			}
			e, err := s.Trial(r.Context())
			if err != nil {
				return nil, err
			}
			m, err := e.OpenMicFor(owner, r.URL.Query().Get("voice"), false)
			if err != nil {
				e.Close()
				return nil, err
			}
			changes = e.Subscribe(0).C
			return trialMic{m, e}, nil
		},
		goesOn: func() bool { return false },
		news: func() any {
			if n := trialOf(changes); n != nil {
				return n
			}
			return nil
		},
	})
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

// trialMic ends its exam with the connection.
type trialMic struct {
	*exam.Mic
	e *exam.Exam
}

func (m trialMic) Detach()      { m.e.Close() }
func (m trialMic) Close() error { return m.e.Close() }
