package worker

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"slices"
	"testing"

	"leadsman/exam"
	"leadsman/grammar"
	"leadsman/speech"
)

// CodeIn is the code of the error in an answer.
func CodeIn(r io.Reader) string {
	b, _ := io.ReadAll(r)
	var out response
	if decode(b, &out) != nil {
		return "unreadable"
	}
	if out.Error == nil {
		return ""
	}
	return out.Error.Code
}

type arc struct {
	word  string
	to    int
	prior float64
}

func arcsOf(n speech.Net, s int) (out []arc) {
	n.Arcs(s, func(w string, to int, p float64) { out = append(out, arc{w, to, p}) })
	return out
}

// The nets of exams come out as they went in, and are small.
func TestNets(t *testing.T) {
	for what, st := range map[string]grammar.State{
		"begin":    {Numbering: "universal", Listening: true},
		"question": {Numbering: "fdi", Listening: true, Question: true, Reasons: true},
		"pending":  {Numbering: "fdi", Listening: true, Pending: []string{"recession"}},
	} {
		want := exam.SpeechNet(grammar.NetOf(st))
		body, hash := netOf(want)
		got, err := readNet(body, hash)
		if err != nil {
			t.Fatal(what, err)
		}
		arcs := 0
		for s := range want.States() {
			e1, p1 := want.Ending(s)
			e2, p2 := got.Ending(s)
			a1, a2 := arcsOf(want, s), arcsOf(got, s)
			if e1 != e2 || p1 != p2 || !slices.Equal(a1, a2) || speech.Free(want, s) != speech.Free(got, s) {
				t.Fatalf("%s: state %d differs: %v %v %v, want %v %v %v", what, s, e2, p2, a2, e1, p1, a1)
			}
			arcs += len(a1)
		}
		if got.States() != want.States() || arcs < 100 {
			t.Errorf("%s: %d states, want %d; %d arcs", what, got.States(), want.States(), arcs)
		}
		t.Logf("%s: %d states, %d arcs, %d bytes", what, got.States(), arcs, len(body))
		again, _ := netOf(got)
		if !bytes.Equal(again, body) {
			t.Errorf("%s: sent on, it is another net", what)
		}
	}
}

// The bytes of the protocol do not change by themselves: an example worked by hand after RFC 8949.
func TestBytes(t *testing.T) {
	for _, c := range []struct {
		v   any
		hex string
	}{
		// {"do": "sound", "sound": h'0100ffff'}
		{ask{Do: doSound, Sound: bytesOf([]int16{1, -1})}, "a2" + "62646f" + "65736f756e64" + "65736f756e64" + "440100ffff"},
		// {"leaving": true}
		{answer{Leaving: true}, "a1" + "676c656176696e67" + "f5"},
		// {"error": {"code": "busy", "text": "x"}}
		{answer{Error: &fault{Code: "busy", Text: "x"}}, "a1" + "656572726f72" + "a2" + "64636f6465" + "6462757379" + "6474657874" + "6178"},
	} {
		if got := hex.EncodeToString(encode(c.v)); got != c.hex {
			t.Errorf("%+v is %s, want %s", c.v, got, c.hex)
		}
	}
}

// No number loses a bit, infinite ones neither.
func TestNumbers(t *testing.T) {
	for _, v := range []float64{math.Inf(-1), -0.1, 1.0 / 3, -5e-324, math.MaxFloat64, 0, math.Copysign(0, -1), 1.5} {
		in := answer{Hyps: []speech.Hypothesis{{Filler: v, Readings: []speech.Reading{{LogScore: v, Words: []speech.Word{{LevelDB: v}}}}}}}
		var out answer
		if err := decode(encode(in), &out); err != nil {
			t.Fatal(err)
		}
		h := out.Hyps[0]
		for _, got := range []float64{h.Filler, h.Readings[0].LogScore, h.Readings[0].Words[0].LevelDB} {
			if math.Float64bits(got) != math.Float64bits(v) {
				t.Errorf("%v becomes %v", v, got)
			}
		}
	}
}

// Each error of the table comes back as itself.
func TestErrors(t *testing.T) {
	for _, c := range codes {
		f, _ := faultOf(c.err)
		if got := errorOf(f); f.Code != c.code || !errors.Is(got, c.err) {
			t.Errorf("%v becomes %q and %v", c.err, f.Code, got)
		}
	}
	f, _ := faultOf(&speech.VocabularyError{Missing: []string{"gumline"}})
	var v *speech.VocabularyError
	if !errors.As(errorOf(f), &v) || !slices.Equal(v.Missing, []string{"gumline"}) {
		t.Errorf("%+v", f)
	}
	f, _ = faultOf(errors.New("the disk burns"))
	if f.Code != "fault" || errorOf(f).Error() != "the disk burns" {
		t.Errorf("%+v", f)
	}
}

// What is no net is refused, whoever made it.
func TestBadNets(t *testing.T) {
	good := func() wireNet {
		return wireNet{Words: []string{"one"}, Endings: []byte{0, 3}, Priors: []float64{0, -1}, Arcs: []uint32{1, 0}, Word: []uint32{0}, To: []uint32{1}, Prior: []float64{-2}}
	}
	for what, spoil := range map[string]func(*wireNet){
		"good":           func(*wireNet) {},
		"no states":      func(w *wireNet) { *w = wireNet{} },
		"a long word":    func(w *wireNet) { w.Words[0] = string(bytes.Repeat([]byte("x"), longest+1)) },
		"an empty word":  func(w *wireNet) { w.Words[0] = "" },
		"a word twice":   func(w *wireNet) { w.Words = []string{"one", "one"} },
		"an ending":      func(w *wireNet) { w.Endings[1] = 5 },
		"a prior":        func(w *wireNet) { w.Priors[1] = 0.5 },
		"no number":      func(w *wireNet) { w.Prior[0] = math.NaN() },
		"infinite":       func(w *wireNet) { w.Prior[0] = math.Inf(-1) },
		"a state":        func(w *wireNet) { w.To[0] = 2 },
		"a word's place": func(w *wireNet) { w.Word[0] = 1 },
		"too many arcs":  func(w *wireNet) { w.Arcs[0] = 2 },
		"arcs overflow":  func(w *wireNet) { w.Arcs = []uint32{math.MaxUint32, 2} },
		"too few arcs":   func(w *wireNet) { w.Arcs[0] = 0 },
		"lengths":        func(w *wireNet) { w.Prior = nil },
		"lengths 2":      func(w *wireNet) { w.Priors = nil },
	} {
		w := good()
		spoil(&w)
		body := encode(w)
		sum := sha256.Sum256(body)
		if _, err := readNet(body, sum[:]); (err == nil) != (what == "good") || err != nil && !errors.Is(err, errAsk) {
			t.Errorf("%s: %v", what, err)
		}
		if _, err := readNet(body, sum[1:]); err == nil {
			t.Errorf("%s: taken with another hash", what)
		}
	}
}

// Whatever comes in, it is refused or it is something that can be used and says the same when it is sent on.
func FuzzWire(f *testing.F) {
	body, hash := netOf(exam.SpeechNet(grammar.NetOf(grammar.State{Numbering: "fdi", Question: true})))
	f.Add(body)
	f.Add(encode(ask{Do: doNet, Hash: hash, Net: []byte{1}}))
	f.Add(encode(ask{Do: doOpen, Profile: []byte("p"), Again: true}))
	f.Add(encode(answer{Hyps: []speech.Hypothesis{{Final: true, StartMS: 3, Readings: []speech.Reading{{Words: []speech.Word{{Text: "one", LevelDB: -3.5}}, LogScore: math.Inf(-1)}}}}}))
	f.Add(encode(request{Words: []string{"one"}, Takes: []take{{[]string{"two"}, []byte{1, 2}}}}))
	f.Add(encode(response{State: &State{Engine: "e", Factor: 0.3}, Enrolment: &speech.Enrolment{Profile: []byte{1}}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		sum := sha256.Sum256(b)
		if n, err := readNet(b, sum[:]); err == nil {
			for s := range n.States() {
				n.Arcs(s, func(w string, to int, p float64) {
					if w == "" || to < 0 || to >= n.States() || !(p <= 0) {
						t.Fatalf("arc %q %d %v", w, to, p)
					}
				})
			}
			if _, err := readNet(netOf(n)); err != nil {
				t.Fatalf("sent on, the net is refused: %v", err)
			}
		}
		var a ask
		if decode(b, &a) == nil {
			if pcm, err := samplesOf(a.Sound); err == nil && !bytes.Equal(bytesOf(pcm), a.Sound) {
				t.Fatal("sound changes")
			}
		}
		for _, v := range []any{&answer{}, &request{}, &response{}} {
			if decode(b, v) == nil {
				if once := encode(v); !bytes.Equal(once, encode(v)) {
					t.Fatal("one thing, two codes")
				}
			}
		}
	})
}
