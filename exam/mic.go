package exam

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"

	"leadsman/chart"
	"leadsman/grammar"
	"leadsman/speech"
)

// Mic is the microphone of an exam: a stream of samples numbered from 0. It outlives the connection
// that feeds it, so that a page that comes back goes on where it was.
type Mic struct {
	e     *Exam
	owner string
	away  bool // the connection is gone; guarded by the exam's micMu

	mu     sync.Mutex // one Write at a time
	rec    speech.Recognizer
	next   int64 // samples had
	base   int64 // stream sample at which the recognizer's own time 0 lies
	netKey string
	last   string // last partial told
	speak  bool   // speech is going on
	heard  int64  // stream ms until which speech was heard
	closed bool
	broken atomic.Bool // its recognizer or the log failed: the owner gets another one
	stream int64       // the exam's count of streams when it began
	ring   ring
	ticked int64 // stream ms of the last tick
	own    ownVoice
}

// ringSeconds of sound are kept so that a call's clip can be cut out when it is committed.
const ringSeconds = 30

// ring keeps the latest samples of the stream.
type ring struct {
	buf   []int16
	start int64 // stream index of the oldest sample
}

func (r *ring) add(at int64, pcm []int16) {
	if len(r.buf) == 0 {
		r.start = at
	}
	r.buf = append(r.buf, pcm...)
	if over := len(r.buf) - ringSeconds*speech.Rate; over > speech.Rate {
		// Moving a second at a time keeps the copying rare.
		r.buf = append(r.buf[:0], r.buf[over:]...)
		r.start += int64(over)
	}
}

func (r *ring) cut(from, to int64) []int16 {
	from, to = max(from, r.start), min(to, r.start+int64(len(r.buf)))
	if from >= to {
		return nil
	}
	return append([]int16(nil), r.buf[from-r.start:to-r.start]...)
}

// OpenMic connects a microphone. The same owner gets its stream back as it was left, or, after the service was started anew, where the log
// says that it was decided. Another owner gets ErrMicTaken while
// the first is connected, unless it takes over; both that and opening while the first one's connection is gone end the
// first one's stream.
func (e *Exam) OpenMic(owner string, takeover bool) (*Mic, error) {
	return e.OpenMicFor(owner, "", takeover)
}

// OpenMicFor is OpenMic with the voice that will be heard, as Config.Recognizer and Config.Examiner know it; "" is anybody's.
func (e *Exam) OpenMicFor(owner, voice string, takeover bool) (*Mic, error) {
	if e.cfg.Engine == nil {
		return nil, ErrNoEngine
	}
	e.micMu.Lock()
	defer e.micMu.Unlock()
	var ownErr error
	if err := errors.Join(e.run(func() { ownErr = e.own(context.Background()) }), ownErr); err != nil {
		return nil, fmt.Errorf("open microphone: %w", err)
	}
	before := e.mic
	switch {
	case before == nil:
	case before.owner == owner && !before.gone():
		before.away = false
		e.hears(voice)
		e.micOn(before, true)
		return before, nil
	case before.owner != owner && !before.gone() && !takeover && !before.away:
		return nil, ErrMicTaken
	}
	// Who is not taken ends nothing: the stream before ends when there is a recognizer for the one that follows.
	rec, note, err := e.recognizer(voice)
	if err != nil {
		if before == nil && e.cfg.Leave != nil {
			e.cfg.Leave()
		}
		return nil, fmt.Errorf("open microphone: %w", err)
	}
	if before != nil {
		if before.owner == owner || before.gone() {
			before.abandon()
		} else {
			before.close()
		}
		e.mic = nil
	}
	var at int64
	if runErr := e.run(func() { at, err = e.listen(owner) }); err != nil || runErr != nil {
		rec.Close()
		return nil, fmt.Errorf("open microphone: %w", errors.Join(err, runErr))
	}
	m := &Mic{e: e, owner: owner, rec: rec, stream: e.streams.Load(), next: at * speech.Rate / 1000, heard: at, ticked: at}
	m.base = m.next
	if err := m.setNet(at); err != nil {
		rec.Close()
		return nil, fmt.Errorf("open microphone: %w", err)
	}
	e.mic = m
	e.hears(voice)
	e.micOn(m, true)
	if note != "" {
		m.trouble(note)
	}
	return m, nil
}

func (e *Exam) recognizer(voice string) (rec speech.Recognizer, note string, err error) {
	if e.cfg.Recognizer != nil {
		return e.cfg.Recognizer(voice)
	}
	rec, err = e.cfg.Engine.NewRecognizer()
	return rec, "", err
}

func (e *Exam) micOn(m *Mic, on bool) {
	_ = e.run(func() {
		e.micView = &MicView{On: on}
		e.tell(Change{Mic: e.micView})
	})
}

// Next is the stream index of the sample that is expected next.
func (m *Mic) Next() int64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.next
}

// Write takes samples of the stream, the first of which has the index first. Samples had before are
// dropped, so sending again is harmless; missing ones are taken as silence, and the gap is told.
// It returns the index expected next. Sound that lies more than a day ahead is dropped, with ErrTooFar.
func (m *Mic) Write(first int64, pcm []int16) (next int64, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return m.next, ErrClosed
	}
	if m.gone() {
		return m.next, m.fails(ErrBehind)
	}
	if first < 0 {
		return m.next, fmt.Errorf("sound frame begins at sample %d: must not be negative", first)
	}
	if first-m.next > maxJump {
		return m.next, ErrTooFar
	}
	if skip := m.next - first; skip > 0 {
		if skip >= int64(len(pcm)) {
			return m.next, nil
		}
		pcm, first = pcm[skip:], m.next
	}
	if gap := first - m.next; gap > 0 {
		m.trouble(fmt.Sprintf("%.1f s of sound were lost on the way: check the connection", float64(gap)/speech.Rate))
		if err := m.gap(gap); err != nil {
			return m.next, err
		}
	}
	m.ring.add(m.next, pcm)
	m.next += int64(len(pcm))
	return m.next, m.feed(pcm)
}

// maxJump is the longest sound that can be missing: a page that was away for longer begins a stream of its own.
const maxJump = 24 * 3600 * speech.Rate

// maxGap is as much lost sound as is worth replacing by silence; after more the recognizer starts anew.
const maxGap = 5 * speech.Rate

func (m *Mic) gap(n int64) error {
	if n <= maxGap {
		silence := make([]int16, n)
		m.ring.add(m.next, silence)
		m.next += n
		return m.feed(silence)
	}
	if err := m.flush(); err != nil {
		return err
	}
	m.next += n
	m.ring = ring{}
	m.base = m.next
	return errors.Join(m.decided(), m.setNet(m.ms(m.next)))
}

func (m *Mic) ms(sample int64) int64 { return sample * 1000 / speech.Rate }

// step is how many samples the recognizer gets at once: small, so that a final is acted upon, and
// the next call heard under the new state, before more sound is decoded.
const step = speech.Rate / 50

// feed gives sound to the recognizer. A call that cannot be saved is told, and the stream goes on behind it.
func (m *Mic) feed(pcm []int16) error {
	var faults error
	for len(pcm) > 0 {
		n := min(step, len(pcm))
		if err := m.setNet(m.ms(m.next) - m.ms(int64(len(pcm)))); err != nil {
			return m.fails(err)
		}
		hyps, err := m.rec.Accept(pcm[:n])
		if err != nil {
			return m.fails(fmt.Errorf("recognizer: %w", err))
		}
		pcm = pcm[n:]
		faults = errors.Join(faults, m.take(hyps))
		if m.gone() {
			return m.fails(faults)
		}
		now := m.ms(m.next - int64(len(pcm)))
		if now-m.ticked >= 100 {
			m.ticked = now
			var err, keepErr error
			runErr := m.e.run(func() {
				err = m.e.tick(context.Background(), now, max(m.heard, m.own.spokeMS(now)), m.speak)
				if !m.speak {
					m.e.stream.silent(now)
				}
				keepErr = m.e.keep(context.Background())
				m.clips()
			})
			faults = errors.Join(faults, err, keepErr, runErr)
			if m.gone() {
				return m.fails(faults)
			}
		}
	}
	return faults
}

// gone reports whether the stream cannot go on: its owner comes back to a new one.
func (m *Mic) gone() bool {
	return m.broken.Load() || m.e.behind.Load() || m.stream != m.e.streams.Load()
}

// fails gives up a stream whose recognizer failed: its owner comes back to another one, which hears again what was not decided.
func (m *Mic) fails(err error) error {
	m.broken.Store(true)
	return err
}

// take hands hypotheses to the exam.
func (m *Mic) take(hyps []speech.Hypothesis) error {
	offset := m.ms(m.base)
	for _, h := range hyps {
		m.heard = max(m.heard, h.EndMS+offset)
		h.StartMS, h.EndMS, h.AtMS, h.Consumed = h.StartMS+offset, h.EndMS+offset, h.AtMS+offset, h.Consumed+offset
		for _, r := range h.Readings {
			for i := range r.Words {
				r.Words[i].StartMS, r.Words[i].EndMS = r.Words[i].StartMS+offset, r.Words[i].EndMS+offset
			}
		}
		from := m.own.judge(&h)
		loud := m.own.loud(&h)
		if !h.Final {
			m.speak = true
			if from != fromTool {
				m.partial(h)
			}
			continue
		}
		m.speak, m.last = false, ""
		var err, keepErr error
		runErr := m.e.run(func() {
			m.e.stream.spokeMS = m.own.endedMS()
			m.e.stream.acting(min(h.Consumed, m.ms(m.next)))
			switch from {
			case fromTool:
				m.e.tell(Change{Partial: &Partial{}})
			case fromBoth:
				err = m.e.misfit(context.Background(), h)
			default:
				err = m.e.heard(context.Background(), h, loud)
			}
			keepErr = m.e.keep(context.Background())
			m.clips()
			m.e.micView = &MicView{On: true, LevelDB: h.Signal.LevelDB, NoiseDB: h.Signal.NoiseDB, Clipped: h.Signal.Clipped,
				Trouble: cmp.Or(troubleOf(h.Signal), strangeVoice(h.Strange)), StreamMS: h.AtMS}
			m.e.tell(Change{Mic: m.e.micView})
		})
		if err := errors.Join(err, keepErr, runErr, m.setNet(h.AtMS)); err != nil {
			return err
		}
	}
	return nil
}

// decided says that nothing of the sound so far waits any more.
func (m *Mic) decided() (err error) {
	runErr := m.e.run(func() {
		m.e.stream.acting(m.ms(m.next))
		err = m.e.keep(context.Background())
	})
	return errors.Join(err, runErr)
}

// clips keeps the sound of the calls that were just logged. It runs in the exam's owner.
func (m *Mic) clips() {
	const margin = speech.Rate / 4
	for _, c := range m.e.stream.uttered {
		if pcm := m.ring.cut(c.startMS*speech.Rate/1000-margin, c.endMS*speech.Rate/1000+margin); len(pcm) > 0 {
			m.e.cfg.KeepClip(c.call, pcm)
		}
	}
	m.e.stream.uttered = m.e.stream.uttered[:0]
}

// troubleOf says what is wrong with the sound and what to do, or "".
// Limits in dB below full scale: engineering choice.
func troubleOf(s speech.Signal) string {
	switch {
	case s.Clipped > 0.005:
		return "too loud: the sound is clipped; turn the microphone down or move it away"
	case s.LevelDB < -50:
		return "very quiet: turn the microphone up or bring it nearer"
	case s.LevelDB-s.NoiseDB < 8:
		return "noisy: the voice is hardly above the room; bring the microphone nearer or turn the suction away"
	}
	return ""
}

// strangeVoice says kindly that a voice is asked more often because the recognizer knows few like it, and what helps; "" for others.
func strangeVoice(strange float64) string {
	if strange < 1 {
		return ""
	}
	return "this voice is new to the recognizer, so it asks more often: two minutes of reading on the Practise page teach it your voice"
}

func (m *Mic) trouble(text string) {
	_ = m.e.run(func() {
		m.e.micView = &MicView{On: true, Trouble: text, StreamMS: m.ms(m.next)}
		m.e.tell(Change{Mic: m.e.micView})
	})
}

// partial tells what is being heard, with tentative numerals where numbers would go.
func (m *Mic) partial(h speech.Hypothesis) {
	words := ""
	if len(h.Readings) > 0 && !h.Rejected {
		words = h.Readings[0].Text()
	}
	if words == m.last {
		return
	}
	m.last = words
	_ = m.e.run(func() {
		p := Partial{Words: words}
		st := m.e.grammarState(h.StartMS)
		if r, err := grammar.Parse(st, strings.Fields(words)); err == nil && r.Ending != grammar.Prefix {
			if evs, err := m.e.state.Do(r.Command, chart.Meta{Source: chart.Voice}); err == nil {
				p.Soundings = map[string]float64{}
				for _, ev := range evs {
					if ev.Kind == chart.KindSet && ev.Field == m.e.state.Pass && ev.Value != nil {
						p.Soundings[ev.At().String()] = chart.Half(*ev.Value).Float()
					}
				}
			}
		}
		m.e.tell(Change{Partial: &p})
	})
}

// setNet gives the recognizer what can be said now, if that has changed.
func (m *Mic) setNet(atMS int64) error {
	var st grammar.State
	if err := m.e.run(func() { st = m.e.grammarState(atMS) }); err != nil {
		return err
	}
	n := grammar.NetOf(st)
	if n.Key() == m.netKey {
		return nil
	}
	if err := m.rec.SetNet(heardNet{n}); err != nil {
		return fmt.Errorf("grammar for the recognizer: %w", err)
	}
	m.netKey = n.Key()
	return nil
}

// SpeechNet is a grammar's net as recognizers take it.
func SpeechNet(n *grammar.Net) speech.Net { return heardNet{n} }

// heardNet gives a grammar's net the recognizer's words for endings.
type heardNet struct{ *grammar.Net }

func (n heardNet) Ending(s int) (speech.Ending, float64) {
	e, p := n.EndingOf(s)
	return speech.Ending(e), p
}

// Speaks says that the tool's own voice says a text aloud, from a sample of the stream on.
func (m *Mic) Speaks(from int64, text string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.own.begin(m.ms(from), text)
}

// Spoke says that it did so between two samples.
func (m *Mic) Spoke(from, to int64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.own.end(m.ms(to))
	m.skip(from, min(to, m.next))
}

// skip has the recognizer hear what follows the tool's own words by itself, unless something nearly as loud as the calls sounded meanwhile: then
// it may be a call into them.
func (m *Mic) skip(from, to int64) {
	s, can := m.rec.(speech.Skipper)
	if !can || m.closed || to <= max(from, m.base) || m.own.calls == 0 || speech.Loudest(m.ring.cut(from, to)) > m.own.calls-farDB {
		return
	}
	s.Skip(to - m.base)
	m.speak, m.last = false, ""
}

// Flush ends the sound: what was being said is decided now. The stream may go on after it.
func (m *Mic) Flush() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return ErrClosed
	}
	return m.flush()
}

func (m *Mic) flush() error {
	hyps, err := m.rec.Flush()
	if err != nil {
		return fmt.Errorf("recognizer: %w", err)
	}
	err = m.take(hyps)
	m.base = m.next
	var heldErr error
	runErr := m.e.run(func() {
		heldErr = m.e.release(context.Background())
		m.clips()
	})
	return errors.Join(err, heldErr, runErr, m.decided())
}

// Detach tells that the connection is gone; the stream waits for its owner, or for another microphone.
func (m *Mic) Detach() {
	m.e.micMu.Lock()
	defer m.e.micMu.Unlock()
	if m.e.mic != m {
		return // another one took over
	}
	m.away = true
	m.e.micOn(m, false)
}

// Close ends the stream. What was being said when it ended is still decided.
func (m *Mic) Close() error {
	m.e.micMu.Lock()
	if m.e.mic == m {
		m.e.mic = nil
	}
	m.e.micMu.Unlock()
	err := m.close()
	m.e.micOn(m, false)
	return err
}

func (m *Mic) close() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.closed {
		return nil
	}
	err := m.flush()
	m.closed = true
	m.e.keepRhythm()
	return errors.Join(err, m.rec.Close())
}

// abandon ends the stream without deciding what was being said.
func (m *Mic) abandon() {
	m.mu.Lock()
	defer m.mu.Unlock()
	if !m.closed {
		m.closed = true
		m.rec.Close()
		m.e.keepRhythm()
	}
}
