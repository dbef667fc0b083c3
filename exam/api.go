// Package exam owns a running exam: it turns what is heard or typed into events, makes them durable,
// and tells every subscriber. See Exam.
package exam

import (
	"context"
	"errors"
	"iter"

	"leadsman/chart"
	"leadsman/exam/hear"
	"leadsman/grammar"
	"leadsman/speech"
)

// Log keeps the events of one exam. Append returns only after they are durable; it refuses events
// that do not follow the last one.
type Log interface {
	Append(ctx context.Context, evs ...chart.Event) error
	// AppendHeard appends events, or none, and notes in the same transaction how far the sound is decided by them. The position
	// of a stream only moves forward. Without a stream it is Append.
	AppendHeard(ctx context.Context, h Heard, evs ...chart.Event) error
	// HeardUpTo is the position of a stream; known is false for one that was never noted.
	HeardUpTo(ctx context.Context, stream string) (samples int64, known bool, err error)
	All(ctx context.Context) iter.Seq2[chart.Event, error]
}

// Config is what an Exam needs from outside.
type Config struct {
	ID     string
	Log    Log
	Engine speech.Engine // nil: no microphone, keyboard only
	// Recognizer makes a recognizer of Engine for a voice, "" for anybody's, with a note for the screen if that voice's profile cannot be used; nil:
	// all voices are heard alike.
	Recognizer func(voice string) (rec speech.Recognizer, note string, err error)
	// Examiner is whose voice it is, who stands beside the calls it speaks; nil: nobody is known.
	Examiner func(voice string) Caller
	Now      func() int64 // Unix milliseconds
	// Own makes this process the one that writes to the log; fresh says that another may have written before. It fails with an
	// *ElsewhereError while another one has the exam. Nil: there is no other.
	Own func(ctx context.Context) (fresh bool, err error)
	// Leave gives the exam to whoever asks for it: no microphone is on, and none is taken here. Nil: nobody else could have it.
	Leave func()
	// Earlier is the chart of the exam before, for plausibility; may be nil.
	Earlier *chart.Chart
	// Terms are the practice's own words, and Paths its own paths, which they name; both may be nil.
	Terms *grammar.Terms
	Paths []chart.Path
	// Rhythm is how the examiner of a voice called numbers in exams before, asked when a microphone is opened for the voice. KeepRhythm
	// keeps how he calls them when that microphone ends. Both may be nil and may wait for a store.
	Rhythm     func(voice string) hear.Rhythm
	KeepRhythm func(voice string, r hear.Rhythm)
	// KeepClip stores the sound of a call, 16 kHz mono, beside its Seq; may be nil. It must not block.
	KeepClip func(call uint64, pcm []int16)
	// Signed is called once the exam is signed and nothing of it waits for a co-signature; may be nil. It must not block.
	Signed func()
}

// Caller is who makes a call: the account and its name, which go into the log beside it.
type Caller struct {
	Person  string
	Who     string
	Student bool // see chart.Meta
}

// said is what goes into the log of a caller's call.
func (c Caller) said(m chart.Meta) chart.Meta {
	m.Person, m.Who, m.Student = c.Person, c.Who, c.Student
	return m
}

// Memory is a Log that is gone with the process: for recordings and tests.
type Memory struct {
	Events []chart.Event
	heard  map[string]int64
}

func (m *Memory) Append(ctx context.Context, evs ...chart.Event) error {
	return m.AppendHeard(ctx, Heard{}, evs...)
}

func (m *Memory) AppendHeard(_ context.Context, h Heard, evs ...chart.Event) error {
	m.Events = append(m.Events, evs...)
	if h.Stream == "" {
		return nil
	}
	if m.heard == nil {
		m.heard = map[string]int64{}
	}
	m.heard[h.Stream] = max(m.heard[h.Stream], h.Samples)
	return nil
}

func (m *Memory) HeardUpTo(_ context.Context, stream string) (samples int64, known bool, err error) {
	samples, known = m.heard[stream]
	return samples, known, nil
}

func (m *Memory) All(context.Context) iter.Seq2[chart.Event, error] {
	return func(yield func(chart.Event, error) bool) {
		for _, e := range m.Events {
			if !yield(e, nil) {
				return
			}
		}
	}
}

var (
	// ErrMicTaken means that another microphone feeds this exam.
	ErrMicTaken = errors.New("another microphone is connected to this exam: close it there, or take over")
	// ErrNoEngine means that the service runs without a recognizer.
	ErrNoEngine = errors.New("no speech recognizer is loaded: only the keyboard works; run leadsman doctor")
	// ErrTooFar means that sound came from a position that no microphone can have reached.
	ErrTooFar = errors.New("this sound lies more than 24 hours behind what was heard: it was dropped; switch the microphone off and on")
	// ErrAway means that where the log is kept does not answer. Whether what was being appended is kept is not known.
	ErrAway = errors.New("the store does not answer")
	// ErrBehind means that events do not follow the last one of the log, or that the exam has not read all of it. Nothing was written.
	ErrBehind = errors.New("events do not follow the end of the log")
	// ErrClosed means that the exam was closed.
	ErrClosed = errors.New("the exam is closed")
)
