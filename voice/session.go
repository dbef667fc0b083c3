package voice

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"

	"leadsman/chart"
	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
)

// Kind says what a session is for.
type Kind string

const (
	Enrol Kind = "enrol" // reads the script for a voice profile
	Drill Kind = "drill" // calls an invented patient
	Teach Kind = "teach" // nothing is read: takes of exams are learned from
)

// Stage is how far a session is.
type Stage string

const (
	Reading  Stage = "reading"
	Learning Stage = "learning" // the profile is being worked out
	Done     Stage = "done"
	Failed   Stage = "failed" // the recordings cannot be used: View.Error says why
)

// View is all that a page shows of a session.
type View struct {
	ID       string            `json:"id"`
	Examiner string            `json:"examiner"`
	Kind     Kind              `json:"kind"`
	State    Stage             `json:"state"`
	Version  int64             `json:"version"` // grows with every change
	Lines    []Line            `json:"lines"`
	At       int               `json:"at"`      // the line to read now; the number of lines once all are read
	Partial  string            `json:"partial"` // being heard, tentative
	Tries    []Try             `json:"tries"`   // what was read, in order
	Profile  bool              `json:"profile"` // a drill is heard with the examiner's voice profile
	Note     string            `json:"note"`    // why a profile is not used, or ""
	Result   *speech.Enrolment `json:"result,omitempty"`
	Drill    *Figures          `json:"drill,omitempty"`
	Error    string            `json:"error,omitempty"`
}

// Line is a line to read.
type Line struct {
	Words string `json:"words"`
	Where string `json:"where,omitempty"` // the place it is for: "3 buccal"
	State string `json:"state"`           // "" not read yet, right, wrong or skipped
}

// Try is one reading of a line.
type Try struct {
	Line       int     `json:"line"`
	Heard      string  `json:"heard"` // "" nothing that could be a call
	OK         bool    `json:"ok"`
	Why        string  `json:"why,omitempty"`
	WaitMS     int64   `json:"wait_ms"` // from the end of the last word to the decision
	SpokenMS   int64   `json:"spoken_ms"`
	Confidence float64 `json:"confidence"`
}

// Config is what a Session needs from outside.
type Config struct {
	ID, Examiner string
	Kind         Kind
	Numbering    chart.Numbering
	Engine       speech.Adapter
	// Recognizer hears drills: with the examiner's profile, if there is one (then profile is true) and it fits.
	Recognizer func() (rec speech.Recognizer, profile bool, note string, err error)
	Seed       uint64   // of the drill's invented patient
	Lines      []string // what is read or called instead of Script or the drill; may be nil
	// What Teach learns from, and the profile in use, on top of which it learns; nil: none.
	Takes   []speech.Take
	Profile []byte
	// Keep stores the profile of an enrolment, with what it came to.
	Keep func(speech.Enrolment) error
}

// Session is a stream of sound in which lines are read. Its methods may be called from any goroutine.
type Session struct {
	cfg   Config
	lines []line
	ctx   context.Context
	stop  context.CancelFunc
	wg    sync.WaitGroup

	mu     sync.Mutex
	owner  string
	view   View
	rec    speech.Recognizer
	net    string
	next   int64   // samples had
	base   int64   // sample at which the recognizer's time begins
	sound  []int16 // the last seconds, ending at next
	from   int64   // sample at which the reading of the line began, -1 not yet
	so     []string
	failed int          // readings of this line that did not fit
	once   *speech.Take // a reading of this line that fits and was misheard: if the next one fits too, both are learned from
	takes  []speech.Take
	closed bool
}

const (
	keptSound = 20 * speech.Rate
	// A line that does not fit so often is left out: something about it does not suit this voice.
	mostTries = 3
	margin    = speech.Rate / 4
	// The rest of a line that was begun is waited for so long, in samples.
	longestLine = 8 * speech.Rate
	// leastWordMS is less than anyone needs for a word: what is shorter is a cough or a chair.
	leastWordMS = 90
)

// New begins a session. It must be closed.
func New(cfg Config) (*Session, error) {
	if cfg.Numbering == "" {
		cfg.Numbering = chart.Universal
	}
	s := &Session{cfg: cfg, from: -1}
	s.view = View{ID: cfg.ID, Examiner: cfg.Examiner, Kind: cfg.Kind, State: Reading, Version: 1, Lines: []Line{}, Tries: []Try{}}
	var err error
	switch cfg.Kind {
	case Enrol:
		s.lines = lines(texts(cfg.Lines, script))
		s.rec, err = cfg.Engine.NewRecognizer()
	case Drill:
		if s.lines, err = walk(texts(cfg.Lines, drill(rand.New(rand.NewPCG(cfg.Seed, 3)))), cfg.Numbering); err != nil { // #nosec G404 -- numbers to be read aloud
			return nil, err
		}
		s.rec, s.view.Profile, s.view.Note, err = cfg.Recognizer()
	case Teach:
		s.takes = cfg.Takes
		s.ctx, s.stop = context.WithCancel(context.Background())
		s.learn()
		return s, nil
	default:
		return nil, fmt.Errorf("practise %q: use %s, %s or %s", cfg.Kind, Enrol, Drill, Teach)
	}
	if err != nil {
		return nil, fmt.Errorf("practise: %w", err)
	}
	for _, l := range s.lines {
		s.view.Lines = append(s.view.Lines, Line{Words: strings.Join(l.words, " "), Where: l.where})
	}
	if err := s.setNet(); err != nil {
		s.rec.Close()
		return nil, fmt.Errorf("practise: %w", err)
	}
	s.ctx, s.stop = context.WithCancel(context.Background())
	return s, nil
}

func texts(given, usual []string) []string {
	if given != nil {
		return given
	}
	return usual
}

// View is the session as it stands.
func (s *Session) View() View {
	s.mu.Lock()
	defer s.mu.Unlock()
	v := s.view
	v.Lines, v.Tries = slices.Clone(v.Lines), slices.Clone(v.Tries)
	if v.Kind == Drill {
		v.Drill = figures(v)
	}
	return v
}

// Version is that of the View.
func (s *Session) Version() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.view.Version
}

// chain is a net of one line's words in their order: the recognizer waits for the rest of a line that was begun.
type chain []string

func (c chain) Key() string { return "line " + strings.Join(c, " ") }
func (c chain) States() int { return len(c) + 1 }
func (c chain) Ending(state int) (speech.Ending, float64) {
	switch state {
	case 0:
		return speech.NoEnding, 0
	case len(c):
		return speech.Complete, 0
	}
	return speech.Prefix, 0
}
func (c chain) Arcs(state int, yield func(word string, to int, logPrior float64)) {
	if state < len(c) {
		yield(c[state], state+1, 0)
	}
}

func (s *Session) setNet() error {
	if s.view.At >= len(s.lines) {
		return nil
	}
	l := s.lines[s.view.At]
	var net speech.Net = chain(l.words)
	if s.cfg.Kind == Drill {
		net = exam.SpeechNet(grammar.NetOf(l.state))
	}
	if net.Key() == s.net {
		return nil
	}
	if err := s.rec.SetNet(net); err != nil {
		return err
	}
	s.net = net.Key()
	return nil
}

// Open connects a microphone. The same owner goes on with its stream; another one's begins at 0, and so does the line.
func (s *Session) Open(owner string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return exam.ErrClosed
	}
	if s.rec == nil {
		return ErrDone
	}
	if owner == s.owner {
		return nil
	}
	s.owner = owner
	return s.restart(0)
}

// restart begins the stream and the line anew at a sample.
func (s *Session) restart(at int64) error {
	if _, err := s.rec.Flush(); err != nil {
		return fmt.Errorf("recognizer: %w", err)
	}
	s.next, s.base, s.sound = at, at, s.sound[:0]
	s.view.Partial = ""
	s.begin()
	s.net = ""
	return s.setNet()
}

// Write takes samples of the stream as exam.Mic does: what was had before is dropped, and what is missing makes the line begin anew.
func (s *Session) Write(first int64, pcm []int16) (next int64, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return s.next, exam.ErrClosed
	}
	if skip := s.next - first; skip > 0 {
		if skip >= int64(len(pcm)) {
			return s.next, nil
		}
		pcm, first = pcm[skip:], s.next
	}
	if first > s.next {
		if err := s.restart(first); err != nil {
			return s.next, err
		}
	}
	for len(pcm) > 0 && s.view.State == Reading {
		n := min(step, len(pcm))
		s.sound = append(s.sound, pcm[:n]...)
		if over := len(s.sound) - keptSound; over > speech.Rate {
			s.sound = append(s.sound[:0], s.sound[over:]...)
		}
		s.next += int64(n)
		hyps, err := s.rec.Accept(pcm[:n])
		if err != nil {
			return s.next, fmt.Errorf("recognizer: %w", err)
		}
		pcm = pcm[n:]
		if err := s.take(hyps); err != nil {
			return s.next, err
		}
	}
	s.next += int64(len(pcm))
	return s.next, nil
}

const step = speech.Rate / 50

// take acts on hypotheses.
func (s *Session) take(hyps []speech.Hypothesis) error {
	for _, h := range hyps {
		text := ""
		if len(h.Readings) > 0 && !h.Rejected {
			text = h.Readings[0].Text()
		}
		if !h.Final {
			if full := strings.Join(append(slices.Clone(s.so), text), " "); full != s.view.Partial {
				s.view.Partial = full
				s.view.Version++
			}
			continue
		}
		s.view.Partial = ""
		s.view.Version++
		if h.Rejected && h.EndMS-h.StartMS < leastWordMS*int64(len(s.lines[s.view.At].words)) && s.from < 0 {
			continue // a cough, a chair
		}
		if s.from >= 0 && s.base+h.StartMS*speech.Rate/1000-s.from > longestLine {
			s.begin() // the rest never came
		}
		if s.from < 0 {
			s.from = s.base + h.StartMS*speech.Rate/1000
		}
		s.so = append(s.so, strings.Fields(text)...)
		words := s.lines[s.view.At].words
		if !h.Rejected && len(s.so) < len(words) && slices.Equal(s.so, words[:len(s.so)]) {
			// The rest of the line may follow after a pause.
			if err := s.setRest(); err != nil {
				return err
			}
			continue
		}
		if err := s.read(h); err != nil {
			return err
		}
		if err := s.setNet(); err != nil {
			return err
		}
	}
	return nil
}

// setRest listens to the rest of a line that was begun.
func (s *Session) setRest() error {
	if s.cfg.Kind == Drill {
		return nil // the grammar takes the numbers one by one as well
	}
	rest := chain(s.lines[s.view.At].words[len(s.so):])
	s.net = rest.Key()
	return s.rec.SetNet(rest)
}

// begin forgets what was read of the line.
func (s *Session) begin() { s.from, s.so = -1, nil }

// read judges the reading of a line that ended with h.
func (s *Session) read(h speech.Hypothesis) error {
	l := s.lines[s.view.At]
	try := Try{Line: s.view.At, Heard: strings.Join(s.so, " "), WaitMS: h.AtMS - h.EndMS}
	at := s.base + h.AtMS*speech.Rate/1000
	try.SpokenMS = max(0, (s.base*1000/speech.Rate+h.EndMS)-s.from*1000/speech.Rate)
	if len(h.Readings) > 0 {
		try.Confidence = 1
		for _, w := range h.Readings[0].Words {
			try.Confidence = min(try.Confidence, w.Confidence)
		}
	}
	switch s.cfg.Kind {
	case Enrol:
		t := speech.Take{Words: l.words, PCM: s.cut(s.from-margin, at)}
		fit, err := s.cfg.Engine.Check(t)
		if err != nil {
			return fmt.Errorf("check a reading: %w", err)
		}
		try.OK, try.Heard, try.Why = fit.OK, fit.Heard, fit.Why
		switch misheard := fit.Heard != "" && fit.Heard != strings.Join(l.words, " "); {
		case fit.OK && !misheard: // who was misheard before may have misread
			s.takes = append(s.takes, t)
		case fit.OK && s.once == nil:
			s.once = &t
			try.OK, try.Why = false, "read it once more; then it is learned from, however it is heard"
		case fit.OK:
			s.takes = append(s.takes, *s.once, t)
		}
	case Drill:
		try.OK = slices.Equal(s.so, l.words)
	}
	s.begin()
	s.net = "" // a line begun anew is heard whole
	s.view.Tries = append(s.view.Tries, try)
	switch {
	case try.OK:
		s.advance("right")
	case s.cfg.Kind == Drill:
		s.advance("wrong")
	default:
		if s.failed++; s.failed >= mostTries {
			if s.once != nil {
				s.takes = append(s.takes, *s.once)
			}
			s.advance("wrong")
		}
	}
	return nil
}

// cut copies the sound between two samples of the stream.
func (s *Session) cut(from, to int64) []int16 {
	start := s.next - int64(len(s.sound))
	from, to = max(from, start), min(to, s.next)
	if from >= to {
		return nil
	}
	return slices.Clone(s.sound[from-start : to-start])
}

// advance goes on to the next line; after the last one an enrolment is worked out.
func (s *Session) advance(state string) {
	s.view.Lines[s.view.At].State = state
	s.view.At++
	s.view.Version++
	s.failed, s.once = 0, nil
	s.begin()
	if s.view.At < len(s.lines) {
		return
	}
	if s.cfg.Kind == Drill {
		s.view.State = Done
		return
	}
	s.learn()
}

// ErrDone means that the session does not take this any more.
var ErrDone = errors.New("there is nothing more to read in this session: begin another one")

// Skip leaves the line out.
func (s *Session) Skip() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.view.State != Reading || s.closed {
		return ErrDone
	}
	s.advance("skipped")
	return s.setNet()
}

// Learn ends the reading before its end and works the profile out of what was read.
func (s *Session) Learn() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.view.State != Reading || s.closed || s.cfg.Kind != Enrol {
		return ErrDone
	}
	s.learn()
	return nil
}

func (s *Session) learn() {
	s.view.State = Learning
	s.view.Version++
	takes := s.takes
	s.wg.Go(func() {
		takes, left, err := s.fitting(takes)
		var got speech.Enrolment
		if err == nil {
			got, err = s.cfg.Engine.Enrol(s.ctx, s.cfg.Profile, takes)
			got.Left += left
		}
		if err == nil && got.Profile != nil {
			err = s.cfg.Keep(got)
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.takes, s.once = nil, nil // the recordings have served: nothing of them is kept
		s.sound = nil
		s.view.Version++
		if err != nil {
			s.view.State, s.view.Error = Failed, err.Error()
			return
		}
		got.Profile = nil
		s.view.State, s.view.Result = Done, &got
	})
}

// fitting leaves out the takes of exams that do not fit their words: the examiner may have misspoken, or have probed again. Lines that
// were read have been checked.
func (s *Session) fitting(takes []speech.Take) (good []speech.Take, left int, err error) {
	if s.cfg.Kind != Teach {
		return takes, 0, nil
	}
	for _, t := range takes {
		if err := s.ctx.Err(); err != nil {
			return nil, 0, err
		}
		fit, err := s.cfg.Engine.Check(t)
		if err != nil {
			return nil, 0, fmt.Errorf("check a take: %w", err)
		}
		if fit.OK {
			good = append(good, t)
		}
	}
	return good, len(takes) - len(good), nil
}

// Close ends the session; recordings and what was learned and not yet kept are gone.
func (s *Session) Close() error {
	s.stop()
	s.wg.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	s.takes, s.sound, s.once = nil, nil, nil
	if s.rec == nil {
		return nil
	}
	return s.rec.Close()
}
