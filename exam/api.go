// Package exam owns a running exam: it turns what is heard or typed into events, makes them durable,
// and tells every subscriber. See Exam.
package exam

import (
	"context"
	"errors"
	"iter"

	"leadsman/chart"
	"leadsman/speech"
)

// Log keeps the events of one exam. Append returns only after they are durable; it refuses events
// that do not follow the last one.
type Log interface {
	Append(ctx context.Context, evs ...chart.Event) error
	All(ctx context.Context) iter.Seq2[chart.Event, error]
}

// Config is what an Exam needs from outside.
type Config struct {
	ID     string
	Log    Log
	Engine speech.Engine // nil: no microphone, keyboard only
	Now    func() int64  // Unix milliseconds
	// Earlier is the chart of the exam before, for plausibility; may be nil.
	Earlier *chart.Chart
}

var (
	// ErrMicTaken means that another microphone feeds this exam.
	ErrMicTaken = errors.New("another microphone is connected to this exam: close it there, or take over")
	// ErrNoEngine means that the service runs without a recognizer.
	ErrNoEngine = errors.New("no speech recognizer is loaded: only the keyboard works; run leadsman doctor")
	// ErrClosed means that the exam was closed.
	ErrClosed = errors.New("the exam is closed")
)
