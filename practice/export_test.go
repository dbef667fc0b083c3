package practice

import (
	"log/slog"
	"time"

	"leadsman/speech"
)

// What tests of this package, which need a store, reach inside.

const (
	KeyRhythm      = keyRhythm
	ForgottenAfter = forgottenAfter
	RestAfter      = restAfter
)

// Halted is a practice whose keeper of sound stands still until Go.
func Halted(c Config) *Practice { return assemble(c) }

func NewVoices(r Records, engine speech.Engine, now func() time.Time) *Voices {
	return newVoices(r, engine, speech.NewTurns(time.Now, false), now, slog.New(slog.DiscardHandler))
}

func (v *Voices) Recognizer(examiner string) (speech.Recognizer, bool, string, error) {
	return v.recognizer(examiner)
}

func NewClips(waits int64) *Clips {
	k := newClips(nil, nil, time.Now, slog.New(slog.DiscardHandler))
	k.waits = waits
	return k
}

func (k *Clips) Bound(exam, all int64)                     { k.exam, k.all = exam, all }
func (k *Clips) Go()                                       { go k.run() }
func (k *Clips) Signed(exam string)                        { k.signed(exam) }
func (k *Clips) Add(exam string, call uint64, pcm []int16) { k.add(clip{exam, call, pcm}) }

// Waiting takes what waits: the lengths of its sounds.
func (k *Clips) Waiting() (lengths []int, over bool, note string) {
	cs, over := k.take()
	for _, c := range cs {
		lengths = append(lengths, len(c.pcm))
		note = k.notes[c.exam]
	}
	return lengths, over, note
}

// Rest puts to rest what may rest, and counts what runs then.
func (p *Practice) Rest() int {
	p.rest()
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.running)
}
