package clinician

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"

	"leadsman/speech"
	"leadsman/tests/noise"
	"leadsman/tests/recordings"
)

// Room is where the person sits: what sounds there, and how the tool speaks.
type Room struct {
	Name   string
	Noise  string  // "" is quiet
	SNR    float64 // dB under the person's voice
	Phones bool    // the tool speaks into an earpiece: nothing of it comes back
}

const (
	floorDB = -60 // the quiet room, dB of full scale
	leakDB  = -20 // the tool's own loudspeaker at the microphone, against the person's voice
)

// noises by the name that rooms have: a recorded one, or one made from physics.
var noises = map[string]struct{ recorded, made string }{
	"suction": {"", "suction"}, "scaler": {"", "scaler"}, "tap": {"running-tap", ""}, "babble": {"babble8", ""}, "saw": {"chainsaw", ""}, "pink": {"pink", ""},
}

// ParseRoom reads "quiet", "tap10", "suction5"; with "+ear" behind it the tool speaks into an earpiece.
func ParseRoom(s string) (Room, error) {
	r := Room{Name: s}
	name, ear := strings.CutSuffix(s, "+ear")
	r.Phones = ear
	if name == "quiet" {
		return r, nil
	}
	kind := strings.TrimRight(name, "0123456789")
	db, err := strconv.Atoi(name[len(kind):])
	if _, ok := noises[kind]; !ok || err != nil {
		return r, fmt.Errorf("room %q: quiet, or suction, scaler, tap, babble, saw or pink with the decibels, such as tap10; +ear for an earpiece", s)
	}
	r.Noise, r.SNR = kind, float64(db)
	return r, nil
}

var (
	noiseMu   sync.Mutex
	noiseKept = map[string][]int16{}
)

// noiseOf gives a noise at voiceDB, the same for all exams with a seed.
func noiseOf(kind string, seed uint64) ([]int16, error) {
	noiseMu.Lock()
	defer noiseMu.Unlock()
	n := noises[kind]
	key := kind
	if n.made != "" {
		key += fmt.Sprint(seed % 4)
	}
	if noiseKept[key] != nil {
		return noiseKept[key], nil
	}
	pcm, err := []int16(nil), error(nil)
	if n.made != "" {
		pcm, err = noise.Make(n.made, 1000+seed%4, 20)
	} else {
		pcm, err = recordings.Noise(n.recorded)
	}
	if err != nil {
		return nil, err
	}
	sum := 0.0
	for _, s := range pcm {
		sum += float64(s) * float64(s)
	}
	pcm = louder(pcm, math.Pow(10, voiceDB/20.)*math.MaxInt16/math.Sqrt(sum/float64(len(pcm))))
	noiseKept[key] = pcm
	return pcm, nil
}

// frame is how much sound the tool gets at once.
const frame = speech.Rate / 50

// track is sound that waits to be played.
type track struct{ pcm []int16 }

func (t *track) take(into []float64, gain float64) {
	n := min(len(into), len(t.pcm))
	for i, s := range t.pcm[:n] {
		into[i] += gain * float64(s)
	}
	t.pcm = t.pcm[n:]
}

// world is the person's surroundings in virtual time: the room's sound goes to the tool frame by frame, and
// what the tool's page sounds comes back.
type world struct {
	room    Room
	tool    tool
	page    *page
	trace   *trace
	now     int64 // samples
	voice   track // what the person is saying
	other   track // coughs, and the person talking to somebody else
	noise   []int16
	noiseAt int
	gain    float64
	rng     *rand.Rand
	dry     bool // the tool is told words: no sound is made
}

func newWorld(room Room, t tool, mode string, seed uint64, own map[string][]int16, tr *trace) (*world, error) {
	w := &world{room: room, tool: t, trace: tr, rng: rand.New(rand.NewPCG(seed, 0x726f6f6d))}
	_, w.dry = t.(*idealTool)
	w.page = &page{mode: mode, own: own, w: w}
	if room.Noise != "" {
		n, err := noiseOf(room.Noise, seed)
		if err != nil {
			return nil, err
		}
		w.noise, w.noiseAt, w.gain = n, w.rng.IntN(len(n)), math.Pow(10, -room.SNR/20)
	}
	return w, nil
}

// seconds of a time in samples.
func seconds(at int64) float64 { return float64(at) / speech.Rate }

// ms in samples.
func ms(n float64) int64 { return int64(n * speech.Rate / 1000) }

// step lets 20 ms pass.
func (w *world) step() error {
	var sum [frame]float64
	w.voice.take(sum[:], 1)
	w.other.take(sum[:], 1)
	leak := w.page.sound()
	if !w.room.Phones {
		g := math.Pow(10, leakDB/20.)
		for i := range sum {
			sum[i] += g * leak[i]
		}
	}
	if w.dry {
		return w.told(nil)
	}
	floor := math.Pow(10, floorDB/20.) * math.MaxInt16
	pcm := make([]int16, frame)
	for i := range sum {
		v := sum[i] + floor*w.rng.NormFloat64()
		if w.noise != nil {
			v += w.gain * float64(w.noise[w.noiseAt])
			w.noiseAt = (w.noiseAt + 1) % len(w.noise)
		}
		pcm[i] = clip(v)
	}
	return w.told(pcm)
}

// told hands the tool 20 ms of sound and the page what it is told.
func (w *world) told(pcm []int16) error {
	told, err := w.tool.hear(w.now, pcm)
	w.now += frame
	if err != nil {
		return err
	}
	for _, t := range told {
		w.page.take(t)
	}
	w.page.pass()
	return nil
}
