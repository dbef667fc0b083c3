package web

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/gorilla/websocket"

	"leadsman/exam"
	"leadsman/practice"
)

// maxFrame is the longest frame of sound: the position of its first sample and two seconds.
const maxFrame = 8 + 2*2*rate

const (
	rate          = 16000 // samples a second
	statusTooMany = http.StatusTooManyRequests
)

// Close codes of our own (4000-4999 are free for applications: RFC 6455, section 7.4.2).
const (
	closeTaken    = 4001 // another microphone has the exam, or took it over
	closeNoEngine = 4002 // no recognizer
	closeGone     = 4003 // no such exam, or it was closed
	closeFault    = 4004 // the tool failed
	closeRate     = 4005 // sound of another rate
	closeBusy     = 4006 // the service has as many microphones as it can hear, or takes of one computer
)

// protocol is the conversation that this service speaks. Pages of version 1 named none. They sent all their sound again to a
// service that had been started anew, which entered it twice: they are not listened to.
const protocol = 2

// fromPage is a text frame of the sound connection.
type fromPage struct {
	Speaks *speaks   `json:"speaks"` // the page's own voice begins to say something
	Spoke  *[2]int64 `json:"spoke"`  // it sounded between two positions
	End    bool      `json:"end"`    // the microphone was switched off
}

type speaks struct {
	From int64  `json:"from"`
	Text string `json:"text"`
}

// toPage answers a frame.
type toPage struct {
	Next  *int64 `json:"next,omitempty"` // position expected next: all before it is taken care of
	News  any    `json:"news,omitempty"` // practising: the session, where it has changed
	Error *fault `json:"error,omitempty"`
	Node  string `json:"node,omitempty"` // where the exam runs, with the error "elsewhere"
}

// sound takes the microphone of an exam. A binary frame is the position of its first sample (8
// bytes, little endian) and the samples (16-bit little endian, mono, 16 kHz); each is answered by
// the position expected next. Frames that make no sense are answered by an error and dropped, the
// connection stays open. docs/api.md has the whole conversation.
func (s *server) sound(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	var e Exam
	s.stream(w, r, hearing{
		open: func(owner string) (mic Mic, err error) {
			if e, err = s.running(r); err != nil {
				return nil, err
			}
			voice, err := speaker(r)
			if err != nil {
				return nil, err
			}
			return e.OpenMic(owner, voice, q.Get("takeover") == "1")
		},
		goesOn: func() bool {
			_, err := e.View(r.Context())
			return err == nil
		},
	})
}

// hearing is what a stream of sound is for.
type hearing struct {
	open   func(owner string) (Mic, error)
	goesOn func() bool // after the microphone was closed: did another one take over?
	news   func() any  // what is to be told with an answer, nil for nothing; may be nil
	// ofPage says that the microphone ends with its page: nobody else can go on with it.
	ofPage bool
}

// stream takes sound over a WebSocket.
func (s *server) stream(w http.ResponseWriter, r *http.Request, of hearing) {
	owner := r.URL.Query().Get("owner")
	if err := errors.Join(need("owner", owner, maxID), limited("voice", r.URL.Query().Get("voice"), maxID)); err != nil {
		s.fail(w, r, err)
		return
	}
	if !websocket.IsWebSocketUpgrade(r) {
		s.fail(w, r, &inputError{http.StatusUpgradeRequired, "websocket", "sound comes over a WebSocket"})
		return
	}
	up := websocket.Upgrader{CheckOrigin: func(r *http.Request) bool { return sameOrigin(r) || nodes(s.Nodes).has(r.Header.Get("Origin")) }, ReadBufferSize: 4096, WriteBufferSize: 1024,
		Error: func(w http.ResponseWriter, r *http.Request, code int, reason error) {
			s.fail(w, r, &inputError{code, "websocket", reason.Error()})
		}}
	c, err := up.Upgrade(w, r, nil)
	if err != nil {
		return // answered by the upgrader
	}
	defer c.Close()
	off, err := s.clients.micOn(r)
	if err != nil {
		s.hangUp(c, r, err)
		return
	}
	defer off()
	seat, over := seatOf(r), make(chan struct{})
	defer close(over)
	go func() { // where another person sits down, or nobody is signed in any more, nothing is heard as from who sat there
		select {
		case <-seat.Ended:
			c.Close()
		case <-over:
		}
	}()
	used := time.Now()
	if err := spoken(r.URL.Query()); err != nil {
		s.hangUp(c, r, err)
		return
	}
	mic, err := of.open(owner)
	if err != nil {
		s.hangUp(c, r, err)
		return
	}
	if next, _ := mic.Write(0, nil); next > 0 && s.Reconnected != nil {
		s.Reconnected()
	}
	ended := false
	line := line(r, owner)
	s.connect(line, c)
	defer func() {
		if !s.disconnect(line, c) {
			return // the owner came back on another connection before this one was noticed to be dead
		}
		if !ended {
			mic.Detach()
		} else if err := mic.Close(); err != nil {
			s.told(r, 500, "tool", err)
		}
	}()
	c.SetReadLimit(maxFrame)
	pace := s.clients.pace(clientOf(r.RemoteAddr) + " " + paced(line, of))
	// An empty frame asks what is expected: the page learns at once where to go on.
	if next, err := mic.Write(0, nil); err != nil {
		s.hangUp(c, r, err)
		return
	} else if s.say(c, toPage{Next: &next}) != nil {
		return
	}
	for {
		// A page whose microphone is on sends sound all the time, silence too.
		_ = c.SetReadDeadline(time.Now().Add(s.Patience))
		kind, b, err := c.ReadMessage()
		if err != nil {
			ended = of.ofPage && websocket.IsCloseError(err, websocket.CloseNormalClosure, websocket.CloseGoingAway)
			return // broken, closed, or a frame over the limit, which the library answers by code 1009
		}
		if time.Since(used) > time.Minute {
			used = time.Now()
			s.People.Listens(seat)
		}
		if kind == websocket.TextMessage {
			var in fromPage
			dec := json.NewDecoder(strings.NewReader(string(b)))
			dec.DisallowUnknownFields()
			if err := dec.Decode(&in); err != nil || in.Spoke == nil && in.Speaks == nil && !in.End {
				if s.refuse(c, "not_sound", "a text frame came where sound belongs: it was dropped") != nil {
					return
				}
				continue
			}
			if in.Speaks != nil {
				if in.Speaks.From < 0 || limited("text", in.Speaks.Text, maxSay) != nil {
					if s.refuse(c, "bad_position", "speaks needs a position and a text that is not longer than what is spoken") != nil {
						return
					}
					continue
				}
				mic.Speaks(in.Speaks.From, in.Speaks.Text)
			}
			if in.Spoke != nil {
				if in.Spoke[0] < 0 || in.Spoke[1] < in.Spoke[0] {
					if s.refuse(c, "bad_position", "spoke needs two positions in order") != nil {
						return
					}
					continue
				}
				mic.Spoke(in.Spoke[0], in.Spoke[1])
			}
			if in.End {
				ended = true
				_ = c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), soon())
				return
			}
			continue
		}
		first, pcm, bad := frame(b)
		if bad != nil {
			if s.refuse(c, bad.Code, bad.Text) != nil {
				return
			}
			continue
		}
		heard, err := pace.wait(r.Context(), len(pcm))
		if err != nil {
			s.hangUp(c, r, err)
			return
		}
		next, err := mic.Write(first, pcm)
		heard()
		if errors.Is(err, exam.ErrTooFar) {
			if s.refuse(c, "too_far", exam.ErrTooFar.Error()) != nil {
				return
			}
			continue
		}
		if errors.Is(err, exam.ErrClosed) {
			if of.goesOn() {
				err = exam.ErrMicTaken // the exam goes on: its stream was taken over
			}
		}
		if err != nil {
			s.hangUp(c, r, err)
			return
		}
		answer := toPage{Next: &next}
		if of.news != nil {
			answer.News = of.news()
		}
		if s.say(c, answer) != nil {
			return
		}
	}
}

// paced names what the pace of a microphone goes by: an exam has one stream at a time, whoever sends it.
func paced(line string, of hearing) string {
	if of.ofPage {
		return line
	}
	path, _, _ := strings.Cut(line, "\x00")
	return path
}

// line names the connection of a microphone.
func line(r *http.Request, owner string) string { return r.URL.Path + "\x00" + owner }

// oldPage and otherRate are refusals of a connection; each has a close code.
var (
	oldPage   = &inputError{http.StatusUpgradeRequired, "old_page", "this page is older than the program: load the page again"}
	otherRate = &inputError{http.StatusUnprocessableEntity, "bad_rate", "sound must have 16000 samples a second, and say so with rate=16000: this one was not taken"}
)

// spoken checks what a page says of itself and of its sound.
func spoken(q url.Values) error {
	if v, err := strconv.Atoi(q.Get("protocol")); err != nil || v < protocol {
		return oldPage
	}
	if q.Get("rate") != strconv.Itoa(rate) {
		return otherRate
	}
	return nil
}

// connect makes c the connection of a microphone; a former one, which the owner has given up, is cut.
func (s *server) connect(line string, c *websocket.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if old := s.lines[line]; old != nil {
		old.Close()
	}
	s.lines[line] = c
}

// disconnect reports whether c was still the connection of its microphone.
func (s *server) disconnect(line string, c *websocket.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lines[line] != c {
		return false
	}
	delete(s.lines, line)
	return true
}

// frame reads a frame of sound.
func frame(b []byte) (first int64, pcm []int16, bad *fault) {
	if len(b) < 8 {
		return 0, nil, &fault{"short_frame", "a frame of sound begins with 8 bytes that say which sample is its first: it was dropped"}
	}
	if len(b)%2 != 0 {
		return 0, nil, &fault{"odd_length", "a frame of 16-bit sound cannot have an odd number of bytes: it was dropped"}
	}
	u := binary.LittleEndian.Uint64(b)
	if u > 1<<53 {
		return 0, nil, &fault{"bad_position", "no sample has this number: the frame was dropped"}
	}
	pcm = make([]int16, (len(b)-8)/2)
	for i := range pcm {
		pcm[i] = int16(binary.LittleEndian.Uint16(b[8+2*i:]))
	}
	return int64(u), pcm, nil
}

func soon() time.Time { return time.Now().Add(5 * time.Second) }

func (s *server) say(c *websocket.Conn, m toPage) error {
	_ = c.SetWriteDeadline(soon())
	return c.WriteJSON(m)
}

func (s *server) refuse(c *websocket.Conn, code, text string) error {
	return s.say(c, toPage{Error: &fault{code, text}})
}

// hangUp says why and closes.
func (s *server) hangUp(c *websocket.Conn, r *http.Request, err error) {
	http, f := status(err)
	code := closeFault
	switch {
	case r.Context().Err() != nil:
		// The service is being stopped. What was not decided is heard again when the page comes back.
		code, f = websocket.CloseServiceRestart, fault{"stopping", "the service is being stopped: what was said last is heard when it is back"}
	case errors.Is(err, practice.ErrStopping):
		code = websocket.CloseServiceRestart
	case errors.Is(err, oldPage):
		code = closeGone // the one code on which pages of every version say: load the page again
	case errors.Is(err, otherRate):
		code = closeRate
	case http == statusTooMany, errors.Is(err, practice.ErrBusy):
		code = closeBusy
	case errors.Is(err, practice.ErrUnheard):
		code = websocket.CloseTryAgainLater
	case errors.As(err, new(*practice.ElsewhereError)):
		code = closeElsewhere
	case errors.Is(err, exam.ErrMicTaken):
		code = closeTaken
	case errors.Is(err, exam.ErrNoEngine):
		code = closeNoEngine
	case errors.As(err, new(*practice.ForbiddenError)), errors.Is(err, practice.ErrNotFound), errors.Is(err, exam.ErrClosed):
		code = closeGone
	}
	if r.Context().Err() == nil {
		s.told(r, http, f.Code, err)
	}
	if s.say(c, toPage{Error: &f, Node: nodeOf(err)}) == nil {
		_ = c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(code, f.Code), soon())
	}
}

// sameOrigin refuses sound from pages of other services. Programs that are no browsers send no
// Origin and are let in: they could reach the API in any case.
func sameOrigin(r *http.Request) bool {
	o := r.Header.Get("Origin")
	if o == "" {
		return true
	}
	u, err := url.Parse(o)
	return err == nil && strings.EqualFold(u.Host, r.Host)
}
