package worker

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/speech"
)

// stream is a recognizer at a worker. It keeps the sound that is not decided: where the worker is lost, or is being stopped, another one hears that again.
type stream struct {
	p       *pool
	profile []byte
	net     speech.Net

	at   *remote
	c    *websocket.Conn // nil: none
	base int64           // sample at which the worker's stream begins
	sent int64           // samples that the worker has, counted as those of the stream
	told int64           // ms of the stream at which the last hypothesis was decided
	past int64           // and had been when the worker was lost that was there before

	keep  []int16 // sound that is not decided, or not sent
	from  int64   // its first sample
	tries time.Time
	shut  bool
}

// keptSamples is how much sound is kept at least where nothing is decided: nobody speaks, for a call is cut before it is as long.
const keptSamples = 20 * speech.Rate

var errShut = errors.New("recognizer is closed")

func (s *stream) end() int64 { return s.from + int64(len(s.keep)) }

// lostError says that a worker does not answer as it should.
type lostError struct{ err error }

func (e *lostError) Error() string { return "worker lost: " + e.err.Error() }
func (e *lostError) Unwrap() error { return e.err }

// ask sends one frame and gives its answer.
func (s *stream) ask(in ask, wait time.Duration) ([]speech.Hypothesis, error) {
	_ = s.c.SetWriteDeadline(time.Now().Add(wait))
	if err := s.c.WriteMessage(websocket.BinaryMessage, encode(in)); err != nil {
		return nil, &lostError{err}
	}
	_ = s.c.SetReadDeadline(time.Now().Add(wait))
	_, b, err := s.c.ReadMessage()
	var out answer
	if err == nil {
		err = decode(b, &out)
	}
	if err != nil {
		return nil, &lostError{err}
	}
	if out.Leaving && s.tries.IsZero() {
		s.tries = time.Now()
	}
	if out.Error != nil {
		return nil, errorOf(out.Error)
	}
	return out.Hyps, nil
}

// answers is how long a worker gets for an answer.
const answers = 4 * time.Second

// connect opens the stream at the worker that has the least to do, and tells it the net. Sound is to be sent from s.from on.
func (s *stream) connect(again bool, not *remote) error {
	busy := false
	for _, r := range s.p.usable() {
		if r == not {
			continue
		}
		err := s.connectTo(r, again)
		if err == nil {
			return nil
		}
		var lost *lostError
		switch {
		case errors.Is(err, speech.ErrBusy), errors.Is(err, speech.ErrStopping):
			busy = true
		case errors.As(err, &lost):
			s.p.mu.Lock()
			s.p.down(r, err)
			s.p.mu.Unlock()
		default:
			return err
		}
	}
	if busy {
		return speech.ErrBusy
	}
	return speech.ErrUnheard
}

func (s *stream) connectTo(r *remote, again bool) error {
	c, res, err := s.p.dialer.Dial(fmt.Sprintf("ws%s/v%d/listen", strings.TrimPrefix(r.addr, "http"), protocolVersion), s.p.header())
	if err != nil {
		if res != nil {
			err = fmt.Errorf("%w: %s", err, res.Status)
		}
		return &lostError{err}
	}
	c.SetReadLimit(maxMessage)
	was := *s
	s.at, s.c, s.tries = r, c, time.Time{}
	s.base, s.sent, s.past = s.from, s.from, s.told
	_, err = s.ask(ask{Do: doOpen, Profile: s.profile, Again: again}, answers)
	if err == nil && s.net != nil {
		err = s.tellNet(s.net)
	}
	if err != nil {
		c.Close()
		*s = was
		return err
	}
	s.p.mu.Lock()
	r.opened++
	s.p.mu.Unlock()
	if was.c != nil {
		was.c.Close()
	}
	return nil
}

// lost gives up the connection.
func (s *stream) lost(err error) {
	s.c.Close()
	s.c = nil
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.down(s.at, err)
}

// do does something at a worker, at another one as often as one is lost.
func (s *stream) do(f func() error) error {
	for try := 0; ; try++ {
		if s.shut {
			return errShut
		}
		if s.c == nil {
			if err := s.connect(true, nil); err != nil {
				return err
			}
		}
		err := f()
		var lost *lostError
		if !errors.As(err, &lost) {
			return err
		}
		s.lost(err)
		if try == len(s.p.workers) {
			return fmt.Errorf("%w: %w", speech.ErrUnheard, err)
		}
	}
}

// move goes on at another worker where this one is being stopped.
func (s *stream) move() {
	if s.c == nil || s.tries.IsZero() || time.Now().Before(s.tries) {
		return
	}
	if err := s.connect(true, s.at); err != nil { // it stays for as long as it is let
		s.tries = time.Now().Add(time.Second)
	}
}

// SetNet implements speech.Recognizer.
func (s *stream) SetNet(n speech.Net) error {
	was := s.net
	s.net = n
	err := s.do(func() error { return s.tellNet(n) })
	if err != nil {
		s.net = was
	}
	return err
}

func (s *stream) tellNet(n speech.Net) error {
	p := s.p.pack(n)
	_, err := s.ask(ask{Do: doNet, Hash: p.hash}, answers)
	if errors.Is(err, errNet) {
		_, err = s.ask(ask{Do: doNet, Hash: p.hash, Net: p.body}, answers)
	}
	return err
}

// Accept implements speech.Recognizer.
func (s *stream) Accept(pcm []int16) (hyps []speech.Hypothesis, err error) {
	s.keep = append(s.keep, pcm...)
	s.move()
	asked := false
	err = s.do(func() error {
		for !asked || s.sent < s.end() {
			more, err := s.send()
			if err != nil {
				return err
			}
			asked = true
			hyps = append(hyps, more...)
			if n := len(hyps); n > 0 && hyps[n-1].Final {
				break
			}
		}
		return nil
	})
	s.trim()
	return hyps, err
}

// send gives the worker the next piece of the sound.
func (s *stream) send() ([]speech.Hypothesis, error) {
	n := min(s.end()-s.sent, maxSound)
	piece := s.keep[s.sent-s.from:][:n]
	hyps, err := s.ask(ask{Do: doSound, Sound: bytesOf(piece)}, answers+time.Duration(n)*time.Second/speech.Rate)
	if err != nil {
		return nil, err
	}
	s.sent += n
	return s.take(hyps), nil
}

// take puts hypotheses into the time of the stream. What is only believed, and was told before the worker was lost, is not told again.
func (s *stream) take(hyps []speech.Hypothesis) (out []speech.Hypothesis) {
	offset := s.base * 1000 / speech.Rate
	for _, h := range hyps {
		h.StartMS, h.EndMS, h.AtMS = h.StartMS+offset, h.EndMS+offset, h.AtMS+offset
		if h.Final {
			h.Consumed += offset
		}
		for _, r := range h.Readings {
			for i := range r.Words {
				r.Words[i].StartMS, r.Words[i].EndMS = r.Words[i].StartMS+offset, r.Words[i].EndMS+offset
			}
		}
		if !h.Final && h.AtMS <= s.past {
			continue
		}
		s.told = max(s.told, h.AtMS)
		if h.Final {
			s.drop(h.Consumed * speech.Rate / 1000)
		}
		out = append(out, h)
	}
	return out
}

// drop forgets sound before a sample.
func (s *stream) drop(before int64) {
	before -= before % speech.MeterStep // whole steps, and whole milliseconds
	if n := min(before-s.from, int64(len(s.keep))); n > 0 {
		s.keep = append(s.keep[:0], s.keep[n:]...)
		s.from += n
	}
}

// trim forgets what is older than any call that goes on.
func (s *stream) trim() {
	if len(s.keep) > keptSamples+5*speech.Rate {
		s.drop(min(s.sent, s.end()-keptSamples))
	}
}

// Skip implements speech.Skipper. A worker that is lost takes what it knew with it: another one hears the own voice again.
func (s *stream) Skip(before int64) {
	if before > s.base {
		_ = s.do(func() error {
			_, err := s.ask(ask{Do: doSkip, Before: before - s.base}, answers)
			return err
		})
	}
}

// Flush implements speech.Recognizer.
func (s *stream) Flush() (finals []speech.Hypothesis, err error) {
	err = s.do(func() error {
		for s.sent < s.end() {
			hyps, err := s.send()
			if err != nil {
				return err
			}
			for _, h := range hyps {
				if h.Final {
					finals = append(finals, h)
				}
			}
		}
		hyps, err := s.ask(ask{Do: doFlush}, answers+10*time.Second)
		if err == nil {
			finals = append(finals, s.take(hyps)...)
		}
		return err
	})
	if err == nil {
		s.keep, s.from, s.base, s.sent, s.told, s.past = s.keep[:0], 0, 0, 0, 0, 0
	}
	return finals, err
}

// Close implements speech.Recognizer.
func (s *stream) Close() error {
	s.shut = true
	if s.c != nil {
		_ = s.c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), time.Now().Add(time.Second))
		s.c.Close()
		s.c = nil
	}
	return nil
}
