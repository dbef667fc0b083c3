//go:build cgo

package ctc

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"leadsman/speech"
	"leadsman/speech/speechtest"
	"leadsman/tests/recordings"
)

// library finds ONNX Runtime in the module that carries it.
var library = sync.OnceValues(func() (string, error) {
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "github.com/k2-fsa/sherpa-onnx-go-linux").Output()
	dir := strings.TrimSpace(string(out))
	if err != nil || dir == "" {
		return "", fmt.Errorf("the module github.com/k2-fsa/sherpa-onnx-go-linux is not here (%v): run go mod download", err)
	}
	arch := map[string]string{"amd64": "x86_64-unknown-linux-gnu", "arm64": "aarch64-unknown-linux-gnu", "arm": "arm-unknown-linux-gnueabihf"}[runtime.GOARCH]
	return filepath.Join(dir, "lib", arch, libraryFile), nil
})

func testOptions(t testing.TB) Options {
	lib, err := library()
	if err != nil {
		t.Fatal(err)
	}
	return Options{ModelDir: filepath.Join("..", "..", "models"), Library: lib}
}

func openEngine(t testing.TB) *Engine {
	e, err := Open(testOptions(t))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// hear plays sound in 20 ms frames and returns the finals.
func hear(t testing.TB, e *Engine, net speech.Net, pcm []int16) []speech.Hypothesis {
	t.Helper()
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	return hearWith(t, r, net, pcm)
}

// hearWith is hear with a recognizer, which it closes.
func hearWith(t testing.TB, r speech.Recognizer, net speech.Net, pcm []int16) []speech.Hypothesis {
	t.Helper()
	defer r.Close()
	if err := r.SetNet(net); err != nil {
		t.Fatal(err)
	}
	var finals []speech.Hypothesis
	take := func(hyps []speech.Hypothesis, err error) {
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range hyps {
			if h.Final {
				finals = append(finals, h)
			}
		}
	}
	for len(pcm) > 0 {
		n := min(320, len(pcm))
		take(r.Accept(pcm[:n]))
		pcm = pcm[n:]
	}
	take(r.Flush())
	return finals
}

// texts joins what was not rejected.
func texts(finals []speech.Hypothesis) string {
	var s []string
	for _, h := range finals {
		if !h.Rejected {
			s = append(s, h.Readings[0].Text())
		}
	}
	return strings.Join(s, " / ")
}

func load(t testing.TB, name string) recordings.Recording {
	t.Helper()
	r, err := recordings.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// excerpt cuts calls out of a recording, with half a second around them.
func excerpt(r recordings.Recording, from, to int) (pcm []int16, words []string) {
	a := max(0, int((r.Calls[from].Start-0.5)*speech.Rate))
	b := min(len(r.PCM), int((r.Calls[to-1].End+0.7)*speech.Rate))
	for _, c := range r.Calls[from:to] {
		words = append(words, c.Words)
	}
	return r.PCM[a:b], words
}

// A stream that is begun anew where a call was consumed hears the calls behind it, and nothing of that one.
func TestBegunAnew(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	pcm, _ := excerpt(load(t, "fullmouth-joe"), 0, 12)
	whole := hear(t, e, callNet(), pcm)
	if len(whole) < 12 {
		t.Fatalf("heard only %d calls", len(whole))
	}
	for i, h := range whole[:len(whole)-2] {
		rest := hear(t, e, callNet(), pcm[h.Consumed*speech.Rate/1000:whole[i+2].Consumed*speech.Rate/1000])
		if got, want := texts(rest), texts(whole[i+1:i+3]); got != want {
			t.Errorf("begun anew behind call %d, at %d ms: heard %q, want %q", i, h.Consumed, got, want)
		}
	}
}

// What is skipped is no call, and what follows it without a pause is heard by itself.
func TestSkip(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	r := load(t, "fullmouth-joe")
	at := func(s float64) int { return int(s * speech.Rate) }
	own := r.PCM[at(r.Calls[0].Start-0.3):at(r.Calls[0].End+0.03)]
	pcm := append(slices.Clone(own), r.PCM[at(r.Calls[1].Start-0.07):at(r.Calls[1].End+0.7)]...)
	if got, want := texts(hear(t, e, callNet(), pcm)), r.Calls[0].Words+" "+r.Calls[1].Words; got != want {
		t.Fatalf("without it %q is heard, want %q", got, want)
	}
	for _, late := range []int{0, 320, 1600} { // samples after its end
		rec, err := e.NewRecognizer()
		if err != nil {
			t.Fatal(err)
		}
		if err := rec.SetNet(callNet()); err != nil {
			t.Fatal(err)
		}
		if _, err := rec.Accept(pcm[:len(own)+late]); err != nil {
			t.Fatal(err)
		}
		rec.(speech.Skipper).Skip(int64(len(own)))
		if got := texts(hearWith(t, rec, callNet(), pcm[len(own)+late:])); got != r.Calls[1].Words {
			t.Errorf("skipped %d samples late: heard %q, want %q", late, got, r.Calls[1].Words)
		}
	}
}

func TestContract(t *testing.T) {
	pcm, words := excerpt(load(t, "page-joe"), 0, 4)
	other := &testNet{key: "other"}
	s := other.state(speech.NoEnding, 0)
	other.arc(s, "overgrowth", other.state(speech.Complete, 0), 0)
	speechtest.TestRecognizer(t, func(t testing.TB) speech.Engine { return openEngine(t) },
		speechtest.Sample{PCM: pcm, Net: callNet(), Want: words, Other: other})
}

// digitNet allows from..to digits.
func digitNet(from, to int) *testNet {
	n := &testNet{key: fmt.Sprintf("%d-%d digits", from, to)}
	s := n.state(speech.NoEnding, 0)
	for i := 1; i <= to; i++ {
		e := speech.NoEnding
		if i >= from {
			e = speech.Complete
		}
		next := n.state(e, 0)
		for _, w := range strings.Fields("zero oh one two three four five six seven eight nine") {
			n.arc(s, w, next, math.Log(1.0/11))
		}
		s = next
	}
	return n
}

// Real digits of speakers outside the training (Speech Commands, Warden 2018, CC BY 4.0; Free Spoken
// Digit Dataset, CC BY-SA 4.0). The floors are below what is reached, so that only a real loss fails.
func TestRealDigits(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	for _, set := range []struct {
		name  string
		floor float64
	}{{"speech-commands", 0.90}, {"nicolas-groups", 0.45}} {
		clips, err := recordings.Clips(set.name)
		if err != nil {
			t.Fatal(err)
		}
		right := 0
		for _, c := range clips {
			n := len(strings.Fields(c.Words))
			pause := make([]int16, speech.Rate/4)
			got := strings.ReplaceAll(texts(hear(t, e, digitNet(1, n), slices.Concat(pause, c.PCM, pause))), " / ", " ")
			if strings.ReplaceAll(got, "oh", "zero") == c.Words {
				right++
			}
		}
		share := float64(right) / float64(len(clips))
		t.Logf("%s: %d of %d clips whole (%.1f %%)", set.name, right, len(clips), 100*share)
		if share < set.floor {
			t.Errorf("%s: %.1f %% of the clips are right, want at least %.0f %%", set.name, 100*share, 100*set.floor)
		}
	}
}

// Read sentences (LibriSpeech, CC BY 4.0) and noises (ESC-10 and others) are no calls.
func TestChatterAndNoise(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	r := load(t, "chatter")
	if got := texts(hear(t, e, callNet(), r.PCM)); got != "" {
		t.Errorf("heard in %.0f s of read sentences: %q", r.Seconds, got)
	}
	names, err := recordings.Noises()
	if err != nil {
		t.Fatal(err)
	}
	calls := 0
	for _, n := range names {
		pcm, err := recordings.Noise(n)
		if err != nil {
			t.Fatal(err)
		}
		finals := hear(t, e, callNet(), pcm)
		if got := texts(finals); got != "" {
			t.Logf("heard in %s: %q", n, got)
			calls++
		}
	}
	if calls > 1 {
		t.Errorf("calls in %d of %d noises", calls, len(names))
	}
}

// Steady noise, as of suction, holds no call open, and a call in it is heard and ends.
func TestSteadyNoise(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	pcm, words := excerpt(load(t, "page-joe"), 0, 1)
	pause := make([]int16, 3*speech.Rate)
	pcm = slices.Concat(pause, pcm, pause, pause)
	rng := rand.New(rand.NewPCG(1, 2))
	noise := make([]int16, len(pcm))
	for i := range noise {
		noise[i] = int16(rng.NormFloat64() * 500)
	}
	for i := range pcm {
		pcm[i] = int16(min(max(int(pcm[i])+int(noise[i]), -32768), 32767))
	}
	finals := hear(t, e, callNet(), pcm)
	if texts(finals) != words[0] {
		t.Fatalf("heard %q in noise, want %q", texts(finals), words[0])
	}
	for _, h := range finals {
		if w := h.AtMS - h.EndMS; !h.Rejected && w > 900 {
			t.Errorf("the call ended only %d ms after its last word", w)
		}
		if s := h.Signal; !h.Rejected && (s.NoiseDB < -45 || s.NoiseDB > -30 || s.LevelDB < s.NoiseDB+5) {
			t.Errorf("signal %+v, want noise near -36 dB and speech above it", s)
		}
	}
}

// Level, a constant offset and the split between calls make no difference to what is heard.
func TestLevelAndOffset(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	pcm, words := excerpt(load(t, "page-joe"), 0, 4)
	want := strings.Join(words, " / ")
	for _, c := range []struct {
		gain   float64
		offset int
	}{{1, 0}, {0.03, 0}, {0.3, 0}, {2, 0}, {0.5, 6000}, {0.3, -9000}} {
		changed := make([]int16, len(pcm))
		for i, v := range pcm {
			changed[i] = int16(min(max(float64(v)*c.gain+float64(c.offset), -32768), 32767))
		}
		if got := texts(hear(t, e, callNet(), changed)); got != want {
			t.Errorf("gain %v, offset %d: heard %q, want %q", c.gain, c.offset, got, want)
		}
	}
}

// A telephone's band and short dropouts are heard through.
func TestBandAndDropouts(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	pcm, words := excerpt(load(t, "page-joe"), 0, 4)
	band := make([]int16, len(pcm))
	const taps, corner = 63, 3400.0 / speech.Rate // a windowed sinc
	for i := range band {
		sum := 0.0
		for k := range taps {
			if j := i + k - taps/2; j >= 0 && j < len(pcm) {
				x := float64(k - taps/2)
				h := 2 * corner
				if x != 0 {
					h = math.Sin(2*math.Pi*corner*x) / (math.Pi * x)
				}
				sum += h * (0.54 - 0.46*math.Cos(2*math.Pi*float64(k)/(taps-1))) * float64(pcm[j])
			}
		}
		band[i] = int16(min(max(sum, -32768), 32767))
	}
	gaps := slices.Clone(pcm)
	for i := speech.Rate / 5; i < len(gaps); i += speech.Rate / 2 {
		clear(gaps[i:min(i+speech.Rate/100, len(gaps))])
	}
	for name, sound := range map[string][]int16{"8 kHz band": band, "10 ms lost twice a second": gaps} {
		if got := texts(hear(t, e, callNet(), sound)); got != strings.Join(words, " / ") {
			t.Errorf("%s: heard %q, want %q", name, got, words)
		}
	}
}

// Whoever turns away from the microphone, or lowers the voice, after loud calls is heard as before. Between a loud and a casual voice lie about 22 dB
// (Pearsons, Bennett and Fidell 1977, "Speech levels in various noise environments", men; from memory); here it is 32,
// so that the rule for clicks applies.
func TestQuietAfterLoud(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	rec := load(t, "fullmouth-joe")
	heard := func(quieter float64) (right int) {
		for i := 0; i < 16; i += 4 {
			pcm, words := excerpt(rec, i, i+4)
			pcm = slices.Clone(pcm)
			last := int((rec.Calls[i+3].Start - rec.Calls[i].Start + 0.35) * speech.Rate)
			for k, v := range pcm[last:] {
				pcm[last+k] = int16(float64(v) * math.Pow(10, -quieter/20))
			}
			finals := hear(t, e, digitNet(1, 3), pcm)
			if n := len(finals); n > 0 && !finals[n-1].Rejected && finals[n-1].Readings[0].Text() == words[3] {
				right++
			}
		}
		return right
	}
	if loud, quiet := heard(0), heard(32); quiet < loud || loud < 3 {
		t.Errorf("of 4 calls %d are heard, 32 dB quieter than those before %d", loud, quiet)
	}
}

// Between calls a click far below the voice costs no look of the network; one that is as loud as speech does, and any once the voice may be
// another one. A click is 20 ms of noise.
func TestClicksBetweenCalls(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	rec := load(t, "fullmouth-joe")
	pcm, _ := excerpt(rec, 0, 2)
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range []struct {
		below  float64 // dB, against the loudest of the calls
		length int     // of the sound, in steps
		after  int     // seconds without a call
		look   bool
	}{{40, 2, 1, false}, {40, 20, 1, true}, {15, 2, 1, true}, {40, 2, 21, true}} {
		got, err := e.NewRecognizer()
		if err != nil {
			t.Fatal(err)
		}
		r := got.(*recognizer)
		if err := r.SetNet(digitNet(1, 3)); err != nil {
			t.Fatal(err)
		}
		accept := func(pcm []int16) {
			for len(pcm) > 0 {
				n := min(stepSamples, len(pcm))
				if _, err := r.Accept(pcm[:n]); err != nil {
					t.Fatal(err)
				}
				pcm = pcm[n:]
			}
		}
		accept(pcm)
		if r.power == 0 {
			t.Fatal("no call was heard")
		}
		accept(make([]int16, c.after*speech.Rate))
		before := r.encTo
		click := make([]int16, (c.length+2*settled)*stepSamples)
		for i := range click[:c.length*stepSamples] {
			click[i] = int16(math.Round(rng.NormFloat64() * 32768 * math.Sqrt(r.power) * math.Pow(10, -c.below/20)))
		}
		accept(click)
		if looked := r.encTo > before; looked != c.look {
			t.Errorf("%+v: looked at: %t", c, looked)
		}
	}
}

// Speech that goes on and on is cut.
func TestEndlessSpeechIsCut(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	r := load(t, "chatter")
	var pcm []int16 // the sentences without the pauses between them
	for _, c := range r.Calls {
		pcm = append(pcm, r.PCM[int(c.Start*speech.Rate):int(c.End*speech.Rate)]...)
		if len(pcm) > 40*speech.Rate {
			break
		}
	}
	longest := int64(0)
	for _, h := range hear(t, e, callNet(), pcm) {
		longest = max(longest, h.AtMS-h.StartMS)
	}
	if longest > 12500 {
		t.Errorf("a stretch of %d ms, want none much above 12 s", longest)
	}
}

func TestClippingIsTold(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	pcm, _ := excerpt(load(t, "page-joe"), 0, 1)
	loud := make([]int16, len(pcm))
	for i, v := range pcm {
		loud[i] = int16(min(max(int(v)*30, -32768), 32767))
	}
	clean, over := hear(t, e, callNet(), pcm), hear(t, e, callNet(), loud)
	if len(clean) == 0 || clean[0].Signal.Clipped != 0 {
		t.Errorf("clean sound: %+v", clean)
	}
	if len(over) == 0 || over[0].Signal.Clipped < 0.05 {
		t.Errorf("clipped sound: %+v", over)
	}
}

// An engine serves several chairs at once.
func TestChairsBesideEachOther(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	pcm, words := excerpt(load(t, "page-joe"), 0, 3)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if got := texts(hear(t, e, callNet(), pcm)); got != strings.Join(words, " / ") {
				t.Errorf("heard %q, want %q", got, words)
			}
		})
	}
	wg.Wait()
}

// Words of a practice's own are recognized once they have a pronunciation.
func TestOwnLexicon(t *testing.T) {
	opt := testOptions(t)
	opt.Lexicon = strings.NewReader("sonde TH R IY\n")
	e, err := Open(opt)
	if err != nil {
		t.Fatal(err)
	}
	defer e.Close()
	if got := e.Lacks([]string{"sonde", "three", "quux", "quux"}); !slices.Equal(got, []string{"quux"}) {
		t.Errorf("Lacks: %q", got)
	}
	opt.Lexicon, opt.LexiconName = strings.NewReader("sonde TH QQ\n"), "practice words"
	if _, err := Open(opt); err == nil || !strings.Contains(err.Error(), "practice words, line 1") {
		t.Errorf("faulty lexicon: %v", err)
	}
}

// Asking the same model a second time changes nothing; what another one says counts half.
func TestSecondOpinion(t *testing.T) {
	opt := testOptions(t)
	dir := t.TempDir()
	for _, name := range []string{modelFile, phonesFile} {
		b, err := os.ReadFile(filepath.Join(opt.ModelDir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	opt.ModelDir = dir
	r, err := recordings.Load("page-joe")
	if err != nil {
		t.Fatal(err)
	}
	heard := func() []speech.Hypothesis {
		e, err := Open(opt)
		if err != nil {
			t.Fatal(err)
		}
		defer e.Close()
		return hear(t, e, callNet(), r.PCM)
	}
	alone := heard()
	model, err := os.ReadFile(filepath.Join(dir, modelFile))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, secondFile), model, 0o644); err != nil {
		t.Fatal(err)
	}
	near := cmpopts.EquateApprox(0, 1e-3)
	if diff := cmp.Diff(alone, heard(), near); diff != "" || len(alone) < 5 {
		t.Errorf("%d calls; the same model twice: %s", len(alone), diff)
	}
}

// A call does not end while a sound has just begun that the network cannot have told yet; steady noise is no such sound.
func TestSoundThatResumes(t *testing.T) {
	loud, quiet := make([]int16, stepSamples), make([]int16, stepSamples)
	for i := range loud {
		loud[i] = int16(3000 * math.Sin(float64(i)))
	}
	for _, c := range []struct {
		silent, again int64
		want          bool
	}{{20, 0, false}, {20, 4, true}, {20, 11, true}, {20, 12, false}, {0, 8, false}} {
		r := &recognizer{limit: 1e-5}
		for range 22 { // up to frame 10
			r.meter.Step(loud)
		}
		for range c.silent {
			r.meter.Step(quiet)
		}
		for range c.again {
			r.meter.Step(loud)
		}
		r.steps = 22 + c.silent + c.again
		if got := r.resumes(10, r.steps/2); got != c.want {
			t.Errorf("%d steps of sound after %d of silence: %v", c.again, c.silent, got)
		}
	}
}

// The log-probabilities of both count the same, and stay such; from where the next call begins the first alone counts.
func TestSecondOpinionCountsHalf(t *testing.T) {
	e := openEngine(t)
	e.second = e.net
	defer e.net.close()
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	rec := r.(*recognizer)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range rec.in {
		rec.in[i] = float32(rng.NormFloat64())
	}
	sym := e.net.symbols
	rec.seenAt, rec.seen, rec.callFrom = 100, 160, 120 // the network saw frames 100 to 179, the call holds 120 to 189
	lp := make([]float32, 70*sym)
	for f := 0; f < 70; f++ {
		for k := range sym {
			lp[f*sym+k] = float32(rng.NormFloat64())
		}
		logSoftmax(lp[f*sym : (f+1)*sym])
	}
	both, err := rec.secondOpinion(lp, 170)
	if err != nil {
		t.Fatal(err)
	}
	for f := range 70 {
		sum := 0.0
		for k := range sym {
			sum += math.Exp(float64(both[f*sym+k]))
			// Ratios of probabilities are geometric means.
			want := lp[f*sym+k] - lp[f*sym]
			if f < 50 {
				other := rec.out[(f+20)*sym:]
				want = (want + other[k] - other[0]) / 2
			}
			if got := both[f*sym+k] - both[f*sym]; math.Abs(float64(got-want)) > 1e-3 {
				t.Fatalf("frame %d, symbol %d: %v, want %v", f, k, got, want)
			}
		}
		if math.Abs(sum-1) > 1e-4 {
			t.Fatalf("frame %d adds up to %v", f, sum)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	good := testOptions(t)
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(good.ModelDir, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	model, phones := read(modelFile), read(phonesFile)
	sum := sha256.Sum256(model)
	manifest := func(sha string) []byte {
		return fmt.Appendf(nil, `{"name":"x","files":[{"name":%q,"sha256":%q},{"name":"card.md","sha256":"00"}]}`, modelFile, sha)
	}
	damaged := bytes.Clone(model)
	damaged[len(damaged)/2] ^= 1
	for _, c := range []struct {
		name  string
		files map[string][]byte
		want  string // "" = opens
		none  bool   // wraps speech.ErrNoModel
	}{
		{"complete", map[string][]byte{modelFile: model, phonesFile: phones, manifestFile: manifest(hex.EncodeToString(sum[:]))}, "", false},
		{"no model", map[string][]byte{phonesFile: phones}, modelFile, true},
		{"no phones", map[string][]byte{modelFile: model}, phonesFile, true},
		{"truncated", map[string][]byte{modelFile: model[:len(model)/2], phonesFile: phones}, "truncated", false},
		{"empty", map[string][]byte{modelFile: nil, phonesFile: phones}, modelFile, false},
		{"damaged", map[string][]byte{modelFile: damaged, phonesFile: phones, manifestFile: manifest(hex.EncodeToString(sum[:]))}, "SHA-256", false},
		{"another version", map[string][]byte{modelFile: model, phonesFile: phones, manifestFile: manifest(strings.Repeat("0", 64))}, "SHA-256", false},
		{"senseless calibration", map[string][]byte{modelFile: model, phonesFile: phones, manifestFile: []byte(`{"calibration":{"temperature":0}}`)}, "calibration", false},
		{"broken manifest", map[string][]byte{modelFile: model, phonesFile: phones, manifestFile: []byte("{")}, manifestFile, false},
		{"other phones", map[string][]byte{modelFile: model, phonesFile: append(bytes.Clone(phones), "\nQQ\n"...)}, "shape", false},
		{"too few phones", map[string][]byte{modelFile: model, phonesFile: []byte("<blank>\nAA\nB\n")}, "39 phones", false},
		{"what is known cut short", map[string][]byte{modelFile: model, phonesFile: phones, knownFile: make([]byte, 100)}, knownFile, false},
		{"what is known is missing", map[string][]byte{modelFile: model, phonesFile: phones, manifestFile: fmt.Appendf(nil, `{"files":[{"name":%q,"sha256":"00"}]}`, knownFile)}, knownFile, true},
		{"no second opinion", map[string][]byte{modelFile: model, phonesFile: phones, manifestFile: fmt.Appendf(nil, `{"files":[{"name":%q,"sha256":"00"}]}`, secondFile)}, secondFile, true},
		{"second opinion cut short", map[string][]byte{modelFile: model, phonesFile: phones, secondFile: model[:len(model)/2]}, secondFile, false},
		{"second opinion of another version", map[string][]byte{modelFile: model, phonesFile: phones, secondFile: model, manifestFile: fmt.Appendf(nil, `{"files":[{"name":%q,"sha256":"00"}]}`, secondFile)}, "SHA-256", false},
		{"no list of phones", map[string][]byte{modelFile: model, phonesFile: []byte("hello")}, "list of phones", false},
	} {
		dir := t.TempDir()
		for name, b := range c.files {
			if err := os.WriteFile(filepath.Join(dir, name), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		e, err := Open(Options{ModelDir: dir, Library: good.Library})
		if err == nil {
			e.Close()
		}
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.name, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), dir) || strings.Contains(err.Error(), "\n")):
			t.Errorf("%s: %v, want one line with %q and the folder", c.name, err, c.want)
		case c.none != errors.Is(err, speech.ErrNoModel):
			t.Errorf("%s: errors.Is(%v, ErrNoModel) is %v", c.name, err, !c.none)
		}
	}
	for name, lib := range map[string]string{"none": filepath.Join(t.TempDir(), "x.so"), "default": ""} {
		if _, err := Open(Options{ModelDir: good.ModelDir, Library: lib}); !errors.Is(err, speech.ErrNoModel) || !strings.Contains(err.Error(), libraryFile) {
			t.Errorf("library %s: %v, want ErrNoModel and %s", name, err, libraryFile)
		}
	}
	if e, err := Open(Options{ModelDir: good.ModelDir, Library: filepath.Dir(good.Library)}); err != nil {
		t.Errorf("folder of the library: %v", err)
	} else {
		e.Close()
	}
}

func TestClosedRecognizer(t *testing.T) {
	e := openEngine(t)
	defer e.Close()
	r, err := e.NewRecognizer()
	if err != nil {
		t.Fatal(err)
	}
	r.Close()
	if _, err := r.Accept(nil); err == nil {
		t.Error("a closed recognizer listens")
	}
	if _, err := r.Flush(); err == nil {
		t.Error("a closed recognizer can be flushed")
	}
}

func BenchmarkEncodeSecond(b *testing.B) {
	e := openEngine(b)
	defer e.Close()
	in := make([]float32, melBands*200)
	out := make([]float32, 100*e.net.symbols)
	for b.Loop() {
		if err := e.net.run(out, nil, in, 200); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/2/float64(b.N), "ms/s-of-sound")
}

// BenchmarkChair listens to an exam in frames of 20 ms: x-real-time is how much faster than the sound one core is, core-% the
// share of a core that a live chair costs. Partial readings are part of it: they come from the looks that decide when a call
// has ended, so that leaving them out would save next to nothing.
func BenchmarkChair(b *testing.B) {
	e := openEngine(b)
	defer e.Close()
	for _, name := range []string{"fullmouth-joe", "chatter"} {
		r := load(b, name)
		pcm := r.PCM[:min(len(r.PCM), 60*speech.Rate)]
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				hear(b, e, callNet(), pcm)
			}
			s := float64(len(pcm)) / speech.Rate
			b.ReportMetric(s*float64(b.N)/b.Elapsed().Seconds(), "x-real-time")
			b.ReportMetric(100*b.Elapsed().Seconds()/float64(b.N)/s, "core-%")
		})
	}
}

// BenchmarkFurtherChair tells what a chair beyond the first keeps in memory once it has heard a while of an exam. What the
// runtime holds for the network is not in it: that goes by how many chairs listen in the same moment.
func BenchmarkFurtherChair(b *testing.B) {
	e := openEngine(b)
	defer e.Close()
	pcm := load(b, "exam-joe").PCM[:20*speech.Rate]
	var chairs []speech.Recognizer
	open := func() {
		r, err := e.NewRecognizer()
		if err != nil {
			b.Fatal(err)
		}
		if err := r.SetNet(callNet()); err != nil {
			b.Fatal(err)
		}
		for at := 0; at < len(pcm); at += 320 {
			if _, err := r.Accept(pcm[at : at+320]); err != nil {
				b.Fatal(err)
			}
		}
		chairs = append(chairs, r)
	}
	heap := func() float64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	open()
	before := heap()
	for b.Loop() {
		open()
	}
	b.ReportMetric((heap()-before)/float64(len(chairs)-1), "B/chair")
	runtime.KeepAlive(pcm)
	for _, r := range chairs {
		r.Close()
	}
}
