package practice

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"leadsman/speech"
)

// How much sound is kept. An exam's bound is half an hour of calls, many times what one takes; the
// practice's is about thirty such exams, or hundreds of usual ones.
const (
	examClips     = 64 << 20
	practiceClips = 2 << 30
	// Sound of an exam that was not signed for so long may make room for that of others.
	staleAfter = 30 * 24 * time.Hour
	// Sound that waits for a store that is slow: a quarter of an hour of speech.
	waitingClips = 32 << 20
)

// Clips writes the sound of calls beside them, away from the exams' own goroutines. Sound serves the
// review: it is bounded, goes when the exam is signed unless the practice keeps it, and where it
// cannot be kept the exam goes on without it.
type Clips struct {
	records Records
	release func(ctx context.Context, exam string) error // deletes the sound of a signed exam that nobody needs
	now     func() time.Time
	log     *slog.Logger
	exam    int64 // bounds in bytes
	all     int64

	waits int64         // bound in bytes of what waits
	more  chan struct{} // something waits, or close was called
	done  chan struct{}

	mu      sync.Mutex
	waiting []clip
	bytes   int64 // of waiting
	closed  bool
	notes   map[string]string // by exam: why sound of it is missing
}

// clip is the sound of a call; without sound it says that the exam was signed.
type clip struct {
	exam string
	call uint64
	pcm  []int16
}

func newClips(s Records, release func(ctx context.Context, exam string) error, now func() time.Time, log *slog.Logger) *Clips {
	return &Clips{records: s, release: release, now: now, log: log, exam: examClips, all: practiceClips, waits: waitingClips,
		more: make(chan struct{}, 1), done: make(chan struct{}), notes: map[string]string{}}
}

// add takes a clip; it never waits for the store.
func (k *Clips) add(c clip) {
	if why := k.queue(c); why != "" {
		k.miss(c, why)
	}
}

// signed says that an exam needs its clips no more. It never waits for the store either.
func (k *Clips) signed(exam string) { k.queue(clip{exam: exam}) }

// queue puts a clip behind those that wait, and says why it could not. What is no sound always fits.
func (k *Clips) queue(c clip) (why string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	n := int64(2 * len(c.pcm))
	switch {
	case k.closed:
		return "the service is ending"
	case n > 0 && k.bytes+n > k.waits:
		return "too many came at once"
	}
	k.waiting = append(k.waiting, c)
	k.bytes += n
	k.wake()
	return ""
}

func (k *Clips) wake() {
	select {
	case k.more <- struct{}{}:
	default: // it will look anyway
	}
}

// take hands out all that waits; over says that nothing more will come.
func (k *Clips) take() (cs []clip, over bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	cs, k.waiting, k.bytes = k.waiting, nil, 0
	return cs, k.closed
}

// close waits until all that was added is kept.
func (k *Clips) close() {
	k.mu.Lock()
	k.closed = true
	k.mu.Unlock()
	k.wake()
	<-k.done
}

func (k *Clips) miss(c clip, why string) {
	k.log.Warn("sound of a call not kept", "exam", c.exam, "seq", c.call, "why", why)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.notes[c.exam] = "The sound of some calls was not kept: " + why + ". Their values are entered as always."
}

// run works until close.
func (k *Clips) run() {
	defer close(k.done)
	ctx := context.Background()
	// used counts the bytes of the whole practice, "", and of the exams heard since the start.
	used := map[string]int64{}
	for range k.more {
		cs, over := k.take()
		for _, c := range cs {
			k.work(ctx, c, used)
		}
		if over {
			return
		}
	}
}

func (k *Clips) work(ctx context.Context, c clip, used map[string]int64) {
	if c.pcm == nil {
		if err := k.release(ctx, c.exam); err != nil {
			k.log.Warn("sound clips of a signed exam not deleted", "exam", c.exam, "err", err)
		}
		clear(used)
		return
	}
	if why := k.keep(ctx, c, used); why != "" {
		k.miss(c, why)
	}
}

// keep stores a clip and says why it could not.
func (k *Clips) keep(ctx context.Context, c clip, used map[string]int64) (why string) {
	for _, of := range []string{"", c.exam} {
		if _, known := used[of]; known {
			continue
		}
		n, err := k.records.ClipBytes(ctx, of)
		if err != nil {
			return err.Error()
		}
		used[of] = n
	}
	wav := speech.WAV(c.pcm)
	n := int64(len(wav))
	if used[c.exam]+n > k.exam {
		return fmt.Sprintf("an exam keeps at most %d MiB", megabytes(k.exam))
	}
	if over := used[""] + n - k.all; over > 0 {
		freed, err := k.records.MakeRoom(ctx, over, k.now().Add(-staleAfter))
		if err != nil {
			return err.Error()
		}
		k.log.Info("sound clips of former exams deleted to make room", "bytes", freed)
		used[""] -= freed
		if freed < over {
			return fmt.Sprintf("all exams together keep at most %d MiB; sign exams that are finished", megabytes(k.all))
		}
	}
	if err := k.records.AddClip(ctx, c.exam, c.call, wav); err != nil {
		return err.Error()
	}
	used[""] += n
	used[c.exam] += n
	return ""
}

// ClipList says whose sound of an exam is kept.
type ClipList struct {
	Calls []uint64 `json:"calls"` // in order
	Bytes int64    `json:"bytes"`
	Limit int64    `json:"limit"`          // bytes kept of an exam at most
	Note  string   `json:"note,omitempty"` // why sound is missing
}

func megabytes(n int64) int64 { return n >> 20 }

// Clips lists the calls of an exam whose sound is kept; Clip is one of them, a WAV file.
func (k *Clips) Clips(ctx context.Context, exam string) (l ClipList, err error) {
	if _, err = k.records.Exam(ctx, exam); err != nil {
		return l, err
	}
	if l.Calls, err = k.records.Clips(ctx, exam); err == nil {
		l.Bytes, err = k.records.ClipBytes(ctx, exam)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	l.Limit, l.Note = k.exam, k.notes[exam]
	return l, err
}

func (k *Clips) Clip(ctx context.Context, exam string, call uint64) ([]byte, error) {
	wav, err := k.records.Clip(ctx, exam, call)
	return wav, err
}

func (k *Clips) ClipUse(ctx context.Context) (bytes, limit int64, err error) {
	bytes, err = k.records.ClipBytes(ctx, "")
	return bytes, k.all, err
}
