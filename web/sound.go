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
	c := s.upgrade(w, r)
	if c == nil {
		return
	}
	defer c.Close()
	off, err := s.clients.micOn(r)
	if err != nil {
		s.hangUp(c, r, err)
		return
	}
	defer off()
	seat := seatOf(r)
	defer cutWith(seat, c)()
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
	line := line(r, owner)
	on := &microphone{s: s, r: r, c: c, mic: mic, of: of, seat: seat, used: time.Now(), limit: s.clients.limit(clientOf(r.RemoteAddr) + " " + streamOf(line, of))}
	s.connect(line, c)
	defer func() {
		if !s.disconnect(line, c) {
			return // the owner came back on another connection before this one was noticed to be dead
		}
		if !on.ended {
			mic.Detach()
		} else if err := mic.Close(); err != nil {
			s.told(r, 500, "tool", err)
		}
	}()
	on.listen()
}

// upgrade makes a request a WebSocket; nil where it could not, which is answered then.
func (s *server) upgrade(w http.ResponseWriter, r *http.Request) *websocket.Conn {
	if !websocket.IsWebSocketUpgrade(r) {
		s.fail(w, r, &inputError{http.StatusUpgradeRequired, "websocket", "sound comes over a WebSocket"})
		return nil
	}
	up := websocket.Upgrader{CheckOrigin: func(r *http.Request) bool { return sameOrigin(r) || nodes(s.Nodes).has(r.Header.Get("Origin")) }, ReadBufferSize: 4096, WriteBufferSize: 1024,
		Error: func(w http.ResponseWriter, r *http.Request, code int, reason error) {
			s.fail(w, r, &inputError{code, "websocket", reason.Error()})
		}}
	c, err := up.Upgrade(w, r, nil)
	if err != nil {
		return nil
	}
	c.SetReadLimit(maxFrame)
	return c
}

// cutWith cuts a connection once another person sits down, or nobody is signed in any more: nothing is heard then as from who sat there.
// It watches until over is called.
func cutWith(seat *practice.Seat, c *websocket.Conn) (over func()) {
	done := make(chan struct{})
	go func() {
		select {
		case <-seat.Ended:
			c.Close()
		case <-done:
		}
	}()
	return func() { close(done) }
}

// microphone is a page's microphone while it is connected.
type microphone struct {
	s     *server
	r     *http.Request
	c     *websocket.Conn
	mic   Mic
	of    hearing
	seat  *practice.Seat
	limit *soundLimit
	used  time.Time // when the seat was last told that it is in use
	ended bool      // switched off: nobody will go on with the stream
}

// dropped says of a frame that it makes no sense. The page is told, and its connection stays open.
type dropped fault

func (d *dropped) Error() string { return d.Text }

// listen takes frames until the microphone is switched off or its connection ends.
func (m *microphone) listen() {
	// An empty frame asks what is expected: the page learns at once where to go on.
	next, err := m.mic.Write(0, nil)
	for goesOn := m.answer(&toPage{Next: &next}, err); goesOn && !m.ended; {
		kind, b, err := m.read()
		switch {
		case err != nil:
			return
		case kind == websocket.TextMessage:
			goesOn = m.answer(nil, m.message(b))
		default:
			goesOn = m.answer(m.samples(b))
		}
	}
	if m.ended {
		_ = m.c.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseNormalClosure, ""), soon())
	}
}

// answer tells the page what became of its frame, nil for nothing to tell, and whether the connection goes on.
func (m *microphone) answer(a *toPage, err error) (goesOn bool) {
	var bad *dropped
	switch {
	case errors.As(err, &bad):
		a = &toPage{Error: (*fault)(bad)}
	case err != nil:
		m.s.hangUp(m.c, m.r, err)
		return false
	}
	return a == nil || m.s.say(m.c, *a) == nil
}

// read waits for a frame. It fails where the connection is broken, closed, or had a frame over the limit, which the library answers by
// code 1009.
func (m *microphone) read() (kind int, b []byte, err error) {
	// A page whose microphone is on sends sound all the time, silence too.
	_ = m.c.SetReadDeadline(time.Now().Add(m.s.Patience))
	if kind, b, err = m.c.ReadMessage(); err != nil {
		m.ended = m.of.ofPage && websocket.IsCloseError(err, websocket.CloseNormalClosure, websocket.CloseGoingAway)
		return 0, nil, err
	}
	if time.Since(m.used) > time.Minute {
		m.used = time.Now()
		m.s.People.Listens(m.seat)
	}
	return kind, b, nil
}

// message takes a text frame.
func (m *microphone) message(b []byte) error {
	var in fromPage
	dec := json.NewDecoder(strings.NewReader(string(b)))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&in); err != nil || in.Spoke == nil && in.Speaks == nil && !in.End {
		return &dropped{"not_sound", "a text frame came where sound belongs: it was dropped"}
	}
	if in.Speaks != nil {
		if in.Speaks.From < 0 || limited("text", in.Speaks.Text, maxSay) != nil {
			return &dropped{"bad_position", "speaks needs a position and a text that is not longer than what is spoken"}
		}
		m.mic.Speaks(in.Speaks.From, in.Speaks.Text)
	}
	if in.Spoke != nil {
		if in.Spoke[0] < 0 || in.Spoke[1] < in.Spoke[0] {
			return &dropped{"bad_position", "spoke needs two positions in order"}
		}
		m.mic.Spoke(in.Spoke[0], in.Spoke[1])
	}
	m.ended = in.End
	return nil
}

// samples takes a frame of sound, no faster than it may come, and gives the answer to it.
func (m *microphone) samples(b []byte) (*toPage, error) {
	first, pcm, err := frame(b)
	if err != nil {
		return nil, err
	}
	heard, err := m.limit.wait(m.r.Context(), len(pcm))
	if err != nil {
		return nil, err
	}
	next, err := m.mic.Write(first, pcm)
	heard()
	switch {
	case errors.Is(err, exam.ErrTooFar):
		return nil, &dropped{"too_far", exam.ErrTooFar.Error()}
	case errors.Is(err, exam.ErrClosed) && m.of.goesOn():
		return nil, exam.ErrMicTaken // the exam goes on: its stream was taken over
	case err != nil:
		return nil, err
	}
	answer := &toPage{Next: &next}
	if m.of.news != nil {
		answer.News = m.of.news()
	}
	return answer, nil
}

// streamOf names what the limit of a microphone goes by: an exam has one stream at a time, whoever sends it.
func streamOf(line string, of hearing) string {
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
func frame(b []byte) (first int64, pcm []int16, err error) {
	if len(b) < 8 {
		return 0, nil, &dropped{"short_frame", "a frame of sound begins with 8 bytes that say which sample is its first: it was dropped"}
	}
	if len(b)%2 != 0 {
		return 0, nil, &dropped{"odd_length", "a frame of 16-bit sound cannot have an odd number of bytes: it was dropped"}
	}
	u := binary.LittleEndian.Uint64(b)
	if u > 1<<53 {
		return 0, nil, &dropped{"bad_position", "no sample has this number: the frame was dropped"}
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
